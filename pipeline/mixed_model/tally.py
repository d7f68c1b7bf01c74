"""Sums by place, and the matrix that makes them."""

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from pipeline.mixed_model.exact_sums import Array

Index = NDArray[np.int64]


def tally(place: Index, values: Array, n: int) -> Array:
    """Add values up by place.

    Parameters
    ----------
    place : ndarray of int, shape (m,)
        Places from 0.
    values : ndarray, shape (m,)
        Values.
    n : int
        Number of places.

    Returns
    -------
    ndarray, shape (n,)
        The sums.
    """
    if not len(place):  # without values the sums would be whole numbers
        return np.zeros(n)
    found: Array = np.bincount(place, values, n).astype(np.float64, copy=False)
    return found


def adder(group: Index, n_groups: int) -> csr_matrix:
    """Make the matrix that adds rows up by group.

    Parameters
    ----------
    group : ndarray of int, shape (n,)
        Group of each row.
    n_groups : int
        Number of groups.

    Returns
    -------
    csr_matrix, shape (n_groups, n)
        The matrix.
    """
    n = len(group)
    return csr_matrix((np.ones(n), (group, np.arange(n))), shape=(n_groups, n))
