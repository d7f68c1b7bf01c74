"""Sums that a fit needs: one pass over the rows, after which the rows are not needed again.

The design is made orthonormal first (modified Gram-Schmidt, every column twice), which centres and
scales it, and shows which columns depend on earlier ones. The cross-products are split into a part
within groups and a part between them, so that nothing large is subtracted later.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
DEPENDENT = 1e-8
"""A column whose remainder after the earlier ones is a smaller part of it depends on them."""


@dataclass(frozen=True, eq=False)
class Basis:
    """Orthonormal basis of a design.

    Attributes
    ----------
    columns : ndarray, shape (n, r)
        The basis; r is the rank of the design.
    triangle : ndarray, shape (r, r)
        Upper triangle: kept columns of the design = ``columns @ triangle``.
    kept, dropped : tuple of int
        Columns of the design that are kept, and those that depend on earlier ones.
    aliases : ndarray, shape (len(dropped), r)
        Each dropped column as a sum of the kept ones.
    """

    columns: Array
    triangle: Array
    kept: tuple[int, ...]
    dropped: tuple[int, ...]
    aliases: Array


@dataclass(frozen=True, eq=False)
class SufficientStatistics:
    """Sums over the rows of ``[basis, residual]``, k = r + 1 columns.

    Attributes
    ----------
    within : ndarray, shape (k, k)
        Cross-products of deviations from the groups' means.
    between : ndarray, shape (m, k, k)
        For each size of group, the sum of size times the cross-product of the groups' means.
    sizes, frequencies : ndarray, shape (m,)
        Sizes of groups that occur, and how many groups have them.
    start : ndarray, shape (r,)
        Least-squares coefficients on the basis; the residual is taken from them.
    basis : Basis
        The basis.
    n_rows, n_groups : int
        Numbers of rows and groups.
    """

    within: Array
    between: Array
    sizes: Array
    frequencies: Array
    start: Array
    basis: Basis
    n_rows: int
    n_groups: int


def add_up(outcome: Array, design: Array, groups: NDArray[np.int64]) -> SufficientStatistics:
    """Add up the rows in a fixed order.

    Parameters
    ----------
    outcome : ndarray, shape (n,)
        Outcome of each row.
    design : ndarray, shape (n, p)
        Fixed part of the model.
    groups : ndarray of int, shape (n,)
        Number of each row's group, from 0 without gaps.

    Returns
    -------
    SufficientStatistics
        The sums; they do not depend on the order of the rows.
    """
    order = np.lexsort((outcome, *design.T[::-1], groups))
    outcome, design, groups = outcome[order], design[order], groups[order]
    basis = orthonormal_basis(design)
    start = basis.columns.T @ outcome
    residual = outcome - basis.columns @ start
    columns = np.column_stack([basis.columns, residual])
    sizes = np.bincount(groups)
    firsts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    sums = np.add.reduceat(columns, firsts, axis=0)
    deviations = columns - (sums / sizes[:, None])[groups]
    occurring, frequencies = np.unique(sizes, return_counts=True)
    between = [sums[sizes == size].T @ sums[sizes == size] / size for size in occurring]
    return SufficientStatistics(
        within=deviations.T @ deviations,
        between=np.stack(between),
        sizes=occurring.astype(np.float64),
        frequencies=frequencies.astype(np.float64),
        start=start,
        basis=basis,
        n_rows=len(outcome),
        n_groups=len(sizes),
    )


def orthonormal_basis(design: Array) -> Basis:
    """Make a design orthonormal, column by column, and set dependent columns aside.

    Parameters
    ----------
    design : ndarray, shape (n, p)
        Columns in order of precedence: of two that say the same the later one is dropped.

    Returns
    -------
    Basis
        The basis and what was dropped.
    """
    n_rows, n_terms = design.shape
    columns = np.empty((n_rows, n_terms), order="F")
    kept: list[int] = []
    dropped: list[int] = []
    shares = np.zeros((n_terms, n_terms))
    for term in range(n_terms):
        known = columns[:, : len(kept)]
        rest = design[:, term].astype(np.float64)
        length = float(np.linalg.norm(rest))
        for _ in range(2):  # once more takes away what rounding left of the earlier columns
            share = known.T @ rest
            rest = rest - known @ share
            shares[: len(kept), term] += share
        remainder = float(np.linalg.norm(rest))
        if remainder <= DEPENDENT * length:
            dropped.append(term)
            continue
        shares[len(kept), term] = remainder
        columns[:, len(kept)] = rest / remainder
        kept.append(term)
    rank = len(kept)
    triangle = shares[:rank, kept]
    aliases = np.linalg.solve(triangle, shares[:rank, dropped]).T.astype(np.float64)
    return Basis(columns[:, :rank], triangle, tuple(kept), tuple(dropped), aliases)
