"""The REML criterion at a given ratio of the variance between groups to the variance within.

With one random intercept the covariance of a group of m rows is ``sigma2 (I + ratio J)``, and

    X' V^-1 X = within + sum over sizes m of between_m / (1 + ratio m)          (times 1 / sigma2),

so that value, slope and curvature follow from the sums alone. The criterion is -2 times the
restricted log-likelihood with the fixed part and sigma2 profiled out, in the form of Bates et al.

References
----------
Bates D, Maechler M, Bolker B, Walker S (2015). Fitting linear mixed-effects models using lme4.
Journal of Statistical Software 67(1), equation 41.
"""

from dataclasses import dataclass
from math import log, pi

import numpy as np

from pipeline.mixed_model.sufficient_statistics import Array, SufficientStatistics


@dataclass(frozen=True, eq=False)
class Criterion:
    """The criterion at one ratio, with its derivatives.

    Attributes
    ----------
    ratio : float
        Variance between groups over variance within.
    value : float
        -2 restricted log-likelihood.
    slope : float
        Its derivative with respect to the ratio.
    curvature : float
        Second derivative with respect to the ratio of the criterion in which sigma2 is *not*
        profiled out, at the best sigma2.
    residual_sum : float
        Weighted residual sum of squares.
    residual_slope : float
        Its derivative with respect to the ratio.
    shift : ndarray, shape (r,)
        Coefficients on the basis, less the least-squares ones.
    inverse, inverse_slope : ndarray, shape (r, r)
        Inverse of X' V^-1 X on the basis at sigma2 = 1, and its derivative.
    """

    ratio: float
    value: float
    slope: float
    curvature: float
    residual_sum: float
    residual_slope: float
    shift: Array
    inverse: Array
    inverse_slope: Array


def evaluate(statistics: SufficientStatistics, ratio: float) -> Criterion:
    """Evaluate the criterion.

    Parameters
    ----------
    statistics : SufficientStatistics
        Sums over the rows.
    ratio : float
        Variance between groups over variance within, 0 or more.

    Returns
    -------
    Criterion
        Value and derivatives.
    """
    sizes, frequencies = statistics.sizes, statistics.frequencies
    spread = 1.0 + ratio * sizes
    moments = statistics.within + _weighted(statistics.between, 1.0 / spread)
    first = -_weighted(statistics.between, sizes / spread**2)
    second = 2.0 * _weighted(statistics.between, sizes**2 / spread**3)
    rank = len(statistics.start)
    inverse = np.linalg.inv(moments[:rank, :rank])
    inverse = (inverse + inverse.T) / 2.0
    shift = inverse @ moments[:rank, rank]
    direction = np.append(-shift, 1.0)
    residual_sum = float(direction @ moments @ direction)
    residual_slope = float(direction @ first @ direction)
    turn = (first @ direction)[:rank]
    residual_curvature = float(direction @ second @ direction - 2.0 * turn @ inverse @ turn)
    step = inverse @ first[:rank, :rank]
    freedom = statistics.n_rows - rank
    determinant = float(np.linalg.slogdet(moments[:rank, :rank])[1])
    triangle = float(np.log(np.abs(np.diag(statistics.basis.triangle))).sum())
    return Criterion(
        ratio=ratio,
        value=float(frequencies @ np.log(spread))
        + determinant
        + 2.0 * triangle
        + freedom * (1.0 + log(2.0 * pi * residual_sum / freedom)),
        slope=float(frequencies @ (sizes / spread))
        + float(np.trace(step))
        + freedom * residual_slope / residual_sum,
        curvature=-float(frequencies @ (sizes / spread) ** 2)
        + float(np.trace(inverse @ second[:rank, :rank]) - np.trace(step @ step))
        + residual_curvature * freedom / residual_sum,
        residual_sum=residual_sum,
        residual_slope=residual_slope,
        shift=shift,
        inverse=inverse,
        inverse_slope=-step @ inverse,
    )


def _weighted(between: Array, weights: Array) -> Array:
    """Sum over the sizes of groups."""
    total: Array = np.tensordot(weights, between, axes=1)
    return total
