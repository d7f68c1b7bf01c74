"""Natural cubic spline: a curve of a number that is straight beyond its boundary knots."""

import numpy as np

from pipeline.mixed_model.exact_sums import Array


def natural_spline_basis(
    values: Array, knots: tuple[float, ...], boundary: tuple[float, float]
) -> Array:
    """Evaluate the basis of a natural cubic spline, without the intercept.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Where to evaluate; missing values are nan and stay nan.
    knots : tuple of float, length k
        Inner knots, in the unit of the values, increasing.
    boundary : tuple of float
        The two boundary knots, around the inner ones.

    Returns
    -------
    ndarray, shape (n, k + 1)
        Basis columns in the unit of the values: the values themselves, then one curve for each
        boundary or inner knot but the last two.

    References
    ----------
    Hastie T, Tibshirani R, Friedman J. The Elements of Statistical Learning. 2nd ed. Springer 2009.
    Equations 5.4 and 5.5; here divided by the distance between the boundary knots.
    """
    columns = [spline_column(values, knots, boundary, index=i) for i in range(len(knots) + 1)]
    return np.column_stack(columns)


def spline_column(
    values: Array, knots: tuple[float, ...], boundary: tuple[float, float], *, index: int
) -> Array:
    """Evaluate one column of the basis.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Where to evaluate.
    knots : tuple of float, length k
        Inner knots.
    boundary : tuple of float
        The two boundary knots.
    index : int
        Column of `natural_spline_basis`, from 0 to k.

    Returns
    -------
    ndarray, shape (n,)
        The column.
    """
    values = np.asarray(values, dtype=np.float64)
    if index == 0:
        return values
    first, last = (boundary[0], *knots)[index - 1], knots[-1]
    lowest, highest = boundary
    # Up to the upper boundary the second cube of each d is zero. Beyond it the curve is written as
    # the straight line it is: the difference of cubes would lose digits there.
    inside = np.minimum(values, highest)
    curve = _cube(inside - first) / (highest - first) - _cube(inside - last) / (highest - last)
    beyond = np.maximum(values - highest, 0.0)
    column: Array = (curve + 3.0 * (last - first) * beyond) / (highest - lowest)
    return column


def _cube(distance: Array) -> Array:
    positive = np.maximum(distance, 0.0)
    return positive * positive * positive
