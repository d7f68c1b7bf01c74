"""Orthonormal basis of the fixed part, from the exact cross-products of its columns.

The cross-products are centred in whole numbers, so that no offset of a column, however large, costs
a digit; the rest is a Cholesky decomposition in extended precision, one column at a time. A column
that depends on earlier ones is set aside and named.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.mixed_model.columns import coded_columns
from pipeline.mixed_model.exact_sums import Array, Integers
from pipeline.mixed_model.sufficient_statistics import Statistics
from schemas.errors import ModelError

DEPENDENT = 1e-11
"""A column depends on earlier ones if what is left of its square is a smaller part of it."""

Extended = NDArray[np.longdouble]

PERFECT = 1e-18
"""Residuals whose square is a smaller part of the outcome's count as none."""


@dataclass(frozen=True, eq=False)
class Basis:
    """Columns of the design as sums of orthonormal ones.

    Attributes
    ----------
    names : tuple of str, length p
        All columns of the design in treatment coding.
    kept, dropped : tuple of int
        Places of the columns that are estimated, and of those that depend on earlier ones.
    aliases : ndarray, shape (d, r)
        Each dropped column as a sum of the kept ones.
    origins : ndarray, shape (k,)
        What is taken from each column of the statistics (in its unit) before anything else.
    transform : ndarray, shape (k, r + 1)
        From the columns of the statistics, less their origins, to the basis and the residual of
        least squares, scaled to length 1.
    back : ndarray, shape (r, r)
        From coefficients on the basis to those of the kept columns.
    start : ndarray, shape (r,)
        Least-squares coefficients of the kept columns.
    scale : float
        Length of the residual.
    log_triangle : float
        Logarithm of the determinant of the triangle between kept columns and basis.
    """

    names: tuple[str, ...]
    kept: tuple[int, ...]
    dropped: tuple[int, ...]
    aliases: Array
    origins: Array
    transform: Array
    back: Array
    start: Array
    scale: float
    log_triangle: float


def orthonormal_basis(statistics: Statistics) -> Basis:
    """Make the design of some sums orthonormal.

    Parameters
    ----------
    statistics : Statistics
        The sums.

    Returns
    -------
    Basis
        The basis.

    Raises
    ------
    ModelError
        If the outcome does not vary, or the fixed part fits it without remainder.
    """
    names = coded_columns(statistics.description, statistics.levels)
    places = [statistics.columns.index(name) for name in names]
    outcome = len(statistics.columns) - 1
    origins = _origins(statistics)
    units = np.array([float(unit) for unit in statistics.units])
    chosen = [*places, outcome]
    centred = _centred(statistics.products, origins)[np.ix_(chosen, chosen)]
    scaled: Extended = centred.astype(np.longdouble) * np.outer(units[chosen], units[chosen])
    triangle, kept, dropped = _triangle(scaled)
    rank = len(kept)
    rest = scaled[-1, -1] - (triangle[:rank, -1] ** 2).sum()
    _check_outcome(statistics, scaled, float(rest))
    square = triangle[:rank][:, kept].astype(np.float64)
    inverse = np.linalg.solve(square, np.eye(rank))
    fitted = inverse @ triangle[:rank, -1].astype(np.float64)
    transform = np.zeros((len(units), rank + 1))
    used = [places[i] for i in kept]
    transform[used, :rank] = inverse * units[used][:, None]
    scale = float(np.sqrt(rest))
    transform[used, rank] = -fitted * units[used] / scale
    transform[outcome, rank] = units[outcome] / scale
    # A column less its origin is the column less a multiple of the intercept.
    taken = (origins * units / units[0]).astype(np.float64)
    shift = np.eye(rank)
    shift[0, 1:] = -taken[used[1:]]
    start = shift @ fitted
    start[0] += taken[outcome]
    coded = np.linalg.solve(square, triangle[:rank][:, list(dropped)].astype(np.float64))
    own = np.zeros((rank, len(dropped)))
    own[0] = [taken[places[i]] for i in dropped]
    return Basis(
        names=names,
        kept=tuple(kept),
        dropped=tuple(dropped),
        aliases=(shift @ coded + own).T,
        origins=origins.astype(np.float64),
        transform=transform,
        back=shift @ inverse,
        start=start,
        scale=scale,
        log_triangle=float(np.log(np.abs(np.diag(square))).sum()),
    )


def _origins(statistics: Statistics) -> Integers:
    """Choose a whole number near each column's mean; 0 for columns that vary by group."""
    # With weights the column of "ones" holds their roots, and its own mean is not 1.
    products = statistics.products
    origins = np.array(
        [round(products[0, i] / products[0, 0]) for i in range(len(products))], dtype=object
    )
    for name in statistics.varying:
        origins[statistics.columns.index(name)] = 0
    return origins


def _centred(products: Integers, origins: Integers) -> Integers:
    """Take the origins from the cross-products, in whole numbers."""
    means = np.outer(origins, products[0])
    found: Integers = products - means - means.T + products[0, 0] * np.outer(origins, origins)
    return found


def _triangle(scaled: Extended) -> tuple[Extended, list[int], list[int]]:
    """Decompose, row by row; the last column (the outcome) goes along."""
    n = len(scaled)
    triangle = np.zeros((n, n), dtype=np.longdouble)
    kept: list[int] = []
    dropped: list[int] = []
    for column in range(n - 1):
        above = triangle[: len(kept)]
        rest = scaled[column] - above[:, column] @ above
        if rest[column] <= DEPENDENT * scaled[column, column] or rest[column] <= 0:
            dropped.append(column)
        else:
            triangle[len(kept)] = rest / np.sqrt(rest[column])
            kept.append(column)
        # Of a dropped column the rows above say how it depends on the kept ones.
    return triangle, kept, dropped


def _check_outcome(statistics: Statistics, scaled: Extended, rest: float) -> None:
    """Refuse an outcome that leaves nothing to be explained.

    Raises
    ------
    ModelError
        If it does not vary, or the fixed part fits it without remainder.
    """
    outcome = statistics.description.outcome
    products = statistics.products
    if products[0, 0] * products[-1, -1] == products[0, -1] ** 2:
        raise ModelError(
            "mixed model",
            f"“{outcome}” is the same in all rows",
            "Check the export: gains that never differ are often a filled-in default.",
        )
    if rest <= PERFECT * scaled[-1, -1]:
        raise ModelError(
            "mixed model",
            f"the fixed part fits “{outcome}” without remainder",
            "Adjust for less, or wait for more rows.",
        )
