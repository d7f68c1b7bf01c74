"""Simultaneous inference: p-values and intervals that hold for a whole family of contrasts at once.

Three ways: Holm's steps, which need p-values alone; Tukey's studentized range, for all pairs of means
(exact where the means are equally precise and independent, and what tables print); and the single
step on the largest ``|t|``, which takes the correlation of the contrasts as it is.

References
----------
Holm S (1979). A simple sequentially rejective multiple test procedure. Scand. J. Stat. 6:65-70.
Hothorn T, Bretz F, Westfall P (2008). Simultaneous inference in general parametric models. Biometrical
Journal 50:346-363.
Tukey JW (1953). The problem of multiple comparisons. Mimeographed, Princeton University.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammainccinv, gammaincinv, ndtr

from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.largest_t import LIKE_NORMAL, find_quantile, largest_t, student_tail

CONFIDENCE = 0.95
"""Of a family's intervals; common practice."""

NO_VARIANCE = 1e-14
"""A variance smaller than this part of the family's largest is zero but for rounding."""

N_SCALES = 300
"""Points of the integral over the residual scale: far more than its 1e-12 needs."""


@dataclass(frozen=True, eq=False)
class SimultaneousIntervals:
    """Intervals and p-values of a family, by the single step.

    Attributes
    ----------
    low, high : ndarray, shape (m,)
        Limits in the outcome's unit; all true values lie between theirs with the family's confidence.
    adjusted_p : ndarray, shape (m,)
        Test of zero, two-sided, for the family; below 1 - confidence where the interval leaves out 0.
    quantile : float
        Half width of an interval over its standard error; nan where no contrast counts.
    degrees_of_freedom : float
        Of the family; nan where no contrast counts.
    """

    low: Array
    high: Array
    adjusted_p: Array
    quantile: float
    degrees_of_freedom: float


def simultaneous_intervals(
    estimates: ArrayLike,
    covariance: ArrayLike,
    degrees_of_freedom: ArrayLike,
    *,
    confidence: float = CONFIDENCE,
) -> SimultaneousIntervals:
    """Give intervals and p-values that hold for all contrasts of a family at once.

    Parameters
    ----------
    estimates : array_like, shape (m,)
        Estimates, in the outcome's unit. One that is nan (not estimable) does not count, and its
        results are nan.
    covariance : array_like, shape (m, m)
        Covariance of the estimates; may be singular. A contrast without variance is known: its
        interval is a point, its p-value 1 if it is zero and 0 if not, and it does not count.
    degrees_of_freedom : array_like, shape (m,)
        Of each contrast.
    confidence : float
        Of the family, between 0 and 1.

    Returns
    -------
    SimultaneousIntervals
        Intervals and adjusted p-values. A contrast that occurs twice, or turned round, counts once.

    Raises
    ------
    ModelError
        If the confidence does not lie between 0 and 1.
    """
    value = np.asarray(estimates, dtype=np.float64)
    freedom = np.asarray(degrees_of_freedom, dtype=np.float64)
    spread = np.asarray(covariance, dtype=np.float64)
    error, known = _standard_errors(value, spread)
    counted = np.flatnonzero((error > 0) & ~np.isnan(freedom))
    p_value = np.where(known, np.where(value == 0, 1.0, 0.0), np.nan)
    if not len(counted):
        half = np.where(known, 0.0, np.nan)
        return SimultaneousIntervals(value - half, value + half, p_value, np.nan, np.nan)
    correlation = spread[np.ix_(counted, counted)] / np.outer(error[counted], error[counted])
    largest, family = largest_t(correlation), family_degrees_of_freedom(freedom[counted])
    p_value[counted] = largest.tail(np.abs(value[counted] / error[counted]), family)
    factor = largest.quantile(confidence, family)
    half = np.where(np.isnan(freedom) & ~known, np.nan, factor * error)
    return SimultaneousIntervals(value - half, value + half, p_value, factor, family)


def simultaneous_quantile(
    correlation: ArrayLike, degrees_of_freedom: float, confidence: float = CONFIDENCE
) -> float:
    """Give the factor of the standard error that makes intervals hold for all contrasts at once.

    Parameters
    ----------
    correlation : array_like, shape (m, m)
        Correlation of the contrasts; may be singular.
    degrees_of_freedom : float
        Of the family; inf for the normal distribution.
    confidence : float
        Of the family, between 0 and 1.

    Returns
    -------
    float
        c with P(max |T_i| <= c) = confidence: never below Student's own quantile, never above Šidák's,
        which is itself below Bonferroni's.

    Raises
    ------
    ModelError
        If the confidence does not lie between 0 and 1.
    """
    largest = largest_t(np.asarray(correlation, dtype=np.float64))
    return largest.quantile(confidence, degrees_of_freedom)


def single_step_p(t: ArrayLike, correlation: ArrayLike, degrees_of_freedom: float) -> Array:
    """Adjust the p-values of a family for its largest ``|t|``.

    Parameters
    ----------
    t : array_like, shape (m,)
        Test statistics.
    correlation : array_like, shape (m, m)
        Their correlation; may be singular.
    degrees_of_freedom : float
        Of the family; inf for the normal distribution.

    Returns
    -------
    ndarray, shape (m,)
        P(max |T_i| > |t_i|).
    """
    largest = largest_t(np.asarray(correlation, dtype=np.float64))
    return largest.tail(np.abs(np.asarray(t, dtype=np.float64)), degrees_of_freedom)


def family_degrees_of_freedom(degrees_of_freedom: ArrayLike) -> float:
    """Give the degrees of freedom of a family's joint distribution.

    The multivariate t has one number of degrees of freedom, Satterthwaite's method one for each
    contrast. The smallest is taken: fewer degrees of freedom make heavier tails, so that no interval
    gets narrower and no p-value smaller than with the contrast's own number.

    Parameters
    ----------
    degrees_of_freedom : array_like, shape (m,)
        Of each contrast; nan does not count.

    Returns
    -------
    float
        The smallest.
    """
    return float(np.nanmin(np.asarray(degrees_of_freedom, dtype=np.float64)))


def holm(p_values: ArrayLike) -> Array:
    """Adjust p-values by Holm's steps.

    Parameters
    ----------
    p_values : array_like, shape (m,)
        P-values of the family; one that is nan does not count and stays nan.

    Returns
    -------
    ndarray, shape (m,)
        Adjusted p-values.
    """
    adjusted = np.array(p_values, dtype=np.float64)
    order = np.argsort(adjusted)[: np.count_nonzero(~np.isnan(adjusted))]  # nan is sorted last
    steps = adjusted[order] * np.arange(len(order), 0, -1)
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return adjusted


def tukey(t: ArrayLike, degrees_of_freedom: ArrayLike, n_means: int) -> Array:
    """Adjust the p-values of all pairs of means by the studentized range.

    Parameters
    ----------
    t : array_like, shape (m,)
        Test statistics of the pairs.
    degrees_of_freedom : array_like, shape (m,)
        Of each pair, or one number for all; inf for the normal distribution.
    n_means : int
        Number of means that are compared, 2 or more.

    Returns
    -------
    ndarray, shape (m,)
        P(range > sqrt(2) |t|).
    """
    size, freedom = np.broadcast_arrays(
        np.abs(np.asarray(t, dtype=np.float64)), np.asarray(degrees_of_freedom, dtype=np.float64)
    )
    return np.array([_tukey_tail(c, df, n_means) for c, df in zip(size, freedom, strict=True)])


def tukey_quantile(confidence: float, n_means: int, degrees_of_freedom: float) -> float:
    """Give the factor of the standard error that makes the intervals of all pairs hold at once.

    Parameters
    ----------
    confidence : float
        Of the family, between 0 and 1.
    n_means : int
        Number of means that are compared, 2 or more.
    degrees_of_freedom : float
        Of the pair; inf for the normal distribution.

    Returns
    -------
    float
        The studentized range's quantile over sqrt(2): it multiplies the difference's standard error.

    Raises
    ------
    ModelError
        If the confidence does not lie between 0 and 1.
    """
    return find_quantile(lambda c: _tukey_tail(c, degrees_of_freedom, n_means), confidence)


def _standard_errors(value: Array, covariance: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Give standard errors (nan where not estimable), and which are zero."""
    variance = np.where(np.isnan(value), np.nan, np.diag(covariance))
    top = np.max(variance, initial=0.0, where=~np.isnan(variance))
    known = variance <= NO_VARIANCE * top
    return np.sqrt(np.where(known, 0.0, variance)), known


def _tukey_tail(size: float, df: float, n_means: int) -> float:
    """P(range of n means > sqrt(2) size), between Student's tail and Bonferroni's bound."""
    if np.isnan(size) or np.isnan(df):
        return np.nan
    scale, weight = _scales(df)
    tail = float(weight @ _range_tail(np.sqrt(2.0) * size * scale, n_means))
    single = float(student_tail(size, df))
    return float(np.clip(tail, single, min(1.0, single * n_means * (n_means - 1) / 2.0)))


def _range_tail(width: Array, n_means: int) -> Array:
    """P(range of n standard normals > width): the largest at z, the others at most width below."""
    z = np.arange(-9.0, 9.0, 0.2)  # smooth and zero at both ends: this sum is exact to rounding
    density = 0.2 * np.exp(-(z**2) / 2.0) / np.sqrt(2.0 * np.pi)
    between = ndtr(z) - ndtr(z - width[:, None])
    return np.asarray(1.0 - n_means * between ** (n_means - 1) @ density)


def _scales(df: float) -> tuple[Array, Array]:
    """Points and weights of the integral over S, where df S² is chi-squared: even steps in log S."""
    if df > LIKE_NORMAL:
        return np.ones(1), np.ones(1)
    ends = 2.0 * np.array([gammaincinv(df / 2.0, 1e-15), gammainccinv(df / 2.0, 1e-17)]) / df
    low, high = np.log(np.maximum(ends, 1e-300)) / 2.0
    x = np.linspace(low, high, N_SCALES)
    density = np.exp(df * (x - np.expm1(2.0 * x) / 2.0))
    return np.exp(x), density / density.sum()
