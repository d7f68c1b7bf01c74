"""The variance parameters theta: where they stand, their size, and the factors that they fill.

Theta holds the lower triangle of each random term's relative Cholesky factor Lambda, term by term and
column by column: the covariance of the random effects is sigma² Lambda Lambda'.
"""

import numpy as np
from scipy.linalg import block_diag

from pipeline.mixed_model.description import ModelDescription
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.grouping import Grouping
from pipeline.mixed_model.sufficient_statistics import Statistics


def theta_places(description: ModelDescription) -> list[list[tuple[int, int, int]]]:
    """Say where each term's parameters stand.

    Parameters
    ----------
    description : ModelDescription
        The model.

    Returns
    -------
    list of list of (place, row, column)
        For each term, its places in theta with row and column in the term's factor; column by
        column, as the literature has it.
    """
    places, start = [], 0
    for term in description.random:
        q = len(term.columns)
        cells = [(i, j) for j in range(q) for i in range(j, q) if term.correlated or i == j]
        places.append([(start + k, i, j) for k, (i, j) in enumerate(cells)])
        start += len(cells)
    return places


def theta_units(statistics: Statistics) -> Array:
    """Give the size of each parameter that makes a random effect as large as the residuals.

    Parameters
    ----------
    statistics : Statistics
        The sums, with the model.

    Returns
    -------
    ndarray, shape (m,)
        1 for an intercept, one over the root mean square of a slope's column.
    """
    description = statistics.description
    units = np.ones(sum(term.n_theta for term in description.random))
    for term, places in zip(description.random, theta_places(description), strict=True):
        for place, row, _ in places:
            column = statistics.columns.index(term.columns[row])
            square = statistics.products[column, column] * statistics.units[column] ** 2
            units[place] = 1.0 / np.sqrt(float(square / statistics.n_rows))
    return units


def term_factor(description: ModelDescription, place: int, theta: Array) -> Array:
    """Fill the relative Cholesky factor of one random term.

    Parameters
    ----------
    description : ModelDescription
        The model.
    place : int
        Place of the term in the description.
    theta : ndarray, shape (m,)
        Variance parameters of all terms.

    Returns
    -------
    ndarray, shape (q, q)
        Lower triangle.
    """
    q = len(description.random[place].columns)
    factor = np.zeros((q, q))
    for number, row, column in theta_places(description)[place]:
        factor[row, column] = theta[number]
    return factor


def grouping_factor(description: ModelDescription, grouping: Grouping, theta: Array) -> Array:
    """Put the relative Cholesky factors of a grouping's terms side by side.

    Parameters
    ----------
    description : ModelDescription
        The model.
    grouping : Grouping
        Terms with the same groups.
    theta : ndarray, shape (m,)
        Variance parameters of all terms.

    Returns
    -------
    ndarray, shape (q, q)
        Lower triangle, block by block.
    """
    parts = [term_factor(description, term, theta) for term in grouping.terms]
    found: Array = parts[0] if len(parts) == 1 else block_diag(*parts)
    return found


def theta_slopes(
    description: ModelDescription, groupings: list[Grouping], slopes: list[Array]
) -> Array:
    """Collect derivatives by the groupings' factors into derivatives by theta.

    Parameters
    ----------
    description : ModelDescription
        The model.
    groupings : list of Grouping
        All groupings.
    slopes : list of ndarray, shape (q, q)
        Derivatives by the factor of each.

    Returns
    -------
    ndarray, shape (m,)
        Derivatives.
    """
    places = theta_places(description)
    gradient = np.zeros(sum(len(term) for term in places))
    for grouping, slope in zip(groupings, slopes, strict=True):
        start = 0
        for term in grouping.terms:
            for place, row, column in places[term]:
                gradient[place] = slope[start + row, start + column]
            start += len(description.random[term].columns)
    return gradient
