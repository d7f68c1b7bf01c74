"""Degrees of freedom of contrasts: Satterthwaite's, and a cautious count of groups.

Satterthwaite's are ``2 v^2 / (g' A g)``, with v the contrast's variance, g its gradient by the variance
parameters and A their covariance, twice the inverse of the criterion's second derivatives. The
derivatives by sigma are exact; those by theta are differences of exact first derivatives, and serve
every contrast of the model.

References
----------
Satterthwaite FE (1946). An approximate distribution of estimates of variance components.
Biometrics Bulletin 2:110-114.
Kuznetsova A, Brockhoff PB, Christensen RHB (2017). lmerTest package: tests in linear mixed effects
models. Journal of Statistical Software 82(13).
Fai AHT, Cornelius PL (1996). Approximate F-tests of multiple degree of freedom hypotheses in
generalized least squares analyses of unbalanced split-plot experiments. Journal of Statistical
Computation and Simulation 54:363-378.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import fdtrc
from threadpoolctl import threadpool_limits

from pipeline.mixed_model.criterion import Criterion, evaluate
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.fit import MixedModel
from pipeline.mixed_model.group_code import codes_of
from pipeline.mixed_model.theta import theta_units
from schemas.errors import ModelError

STEP = 1e-4
"""Of the differences by theta; their error is of the order of its square."""

FLAT = 1e-8
"""Directions whose curvature is a smaller part of the largest are not estimated."""


@dataclass(frozen=True, eq=False)
class Information:
    """How well the variance parameters are known, and what the coefficients' covariance owes them.

    Attributes
    ----------
    hessian : ndarray, shape (f + 1, f + 1)
        Second derivatives of the criterion by the f free parameters theta and log sigma².
    covariance : ndarray, shape (f + 1, f + 1)
        Of the parameters: twice the inverse of ``hessian``.
    slopes : ndarray, shape (f + 1, r, r)
        Derivatives of the coefficients' covariance.
    is_regular : bool
        False where the criterion is flat in a direction, which is then left out.
    """

    hessian: Array
    covariance: Array
    slopes: Array
    is_regular: bool


@dataclass(frozen=True)
class FTest:
    """Test of several contrasts at once.

    Attributes
    ----------
    statistic : float
        F.
    numerator, denominator : float
        Degrees of freedom.
    p : float
        Of F's distribution.
    """

    statistic: float
    numerator: int
    denominator: float
    p: float


@lru_cache(maxsize=32)
def information(model: MixedModel) -> Information:
    """Differentiate the criterion and the coefficients' covariance.

    Parameters
    ----------
    model : MixedModel
        The fit.

    Returns
    -------
    Information
        The derivatives; computed once for a model.
    """
    free = np.flatnonzero(model.free)
    basis, freedom = model.problem.structure.basis, model.problem.freedom
    n_free, rank, units = len(free), len(model.coefficients), theta_units(model.statistics)
    hessian = np.zeros((n_free + 1, n_free + 1))
    slopes = np.zeros((n_free + 1, rank, rank))
    with threadpool_limits(limits=1, user_api="blas"):
        for k, place in enumerate(free):
            step = STEP * max(float(units[place]), abs(float(model.theta[place])))
            low, high = (_moved(model, int(place), sign * step) for sign in (-1.0, 1.0))
            hessian[k, :n_free] = (high.gradient - low.gradient)[free] / (2.0 * step)
            change = (high.residual - low.residual) / (2.0 * step)
            hessian[k, n_free] = hessian[n_free, k] = -change / model.sigma2
            inverse = (high.solution.inverse - low.solution.inverse) / (2.0 * step)
            slopes[k] = model.sigma2 * basis.back @ inverse @ basis.back.T
    hessian[:n_free, :n_free] = (hessian[:n_free, :n_free] + hessian[:n_free, :n_free].T) / 2.0
    hessian[n_free, n_free] = freedom
    slopes[n_free] = model.covariance
    covariance, is_regular = _twice_inverse(hessian)
    return Information(hessian, covariance, slopes, is_regular)


def satterthwaite(model: MixedModel, weights: Array) -> float:
    """Give Satterthwaite's degrees of freedom of one contrast.

    Parameters
    ----------
    model : MixedModel
        The fit. Parameters at the boundary are held there.
    weights : ndarray, shape (r,)
        Weights on the model's ``terms``.

    Returns
    -------
    float
        Degrees of freedom.
    """
    found = information(model)
    variance = float(weights @ model.covariance @ weights)
    gradient = np.einsum("i,kij,j->k", weights, found.slopes, weights)
    spread = float(gradient @ found.covariance @ gradient)
    if spread <= 0.0:
        return float(model.n_rows - len(model.coefficients))
    return 2.0 * variance**2 / spread


def cautious(model: MixedModel, by: tuple[str, ...] | None = None) -> float:
    """Count groups less the terms that vary between them only: a floor for degrees of freedom.

    Where the variance between groups is estimated at zero, Satterthwaite's degrees of freedom count
    rows, although nobody knows that the groups are truly alike.

    Parameters
    ----------
    model : MixedModel
        The fit.
    by : tuple of str, optional
        Columns that name the groups; the random term with the fewest groups if left out.

    Returns
    -------
    float
        Degrees of freedom, 1 at least.
    """
    groupings = [c.term.by for c in sorted(model.components, key=lambda c: c.n_levels)]
    codes = codes_of(model.statistics.groups.select(by or groupings[0]))
    statistics, n_between = model.statistics, 0
    sizes = np.bincount(codes, statistics.sums[0, :, 0])
    for name in model.terms:
        place = statistics.columns.index(name)
        sums = np.bincount(codes, statistics.sums[0, :, place])
        between, total = float((sums**2 / sizes).sum()), float(statistics.products[place, place])
        n_between += bool(between >= total * (1.0 - 1e-9))
    return float(max(len(sizes) - n_between, 1))


def f_test(model: MixedModel, contrasts: Array) -> FTest:
    """Test that several contrasts are all zero.

    Parameters
    ----------
    model : MixedModel
        The fit.
    contrasts : ndarray, shape (m, r)
        Weights on the model's ``terms``; rows that depend on others don't count.

    Returns
    -------
    FTest
        F with the denominator's degrees of freedom from those of its independent parts.

    Raises
    ------
    ModelError
        If every contrast is zero.
    """
    contrasts = np.atleast_2d(np.asarray(contrasts, dtype=np.float64))
    variances, directions = np.linalg.eigh(contrasts @ model.covariance @ contrasts.T)
    kept = variances > 1e-10 * max(float(variances.max()), 1e-300)
    if not kept.any() or float(variances.max()) <= 0.0:
        raise ModelError("F test", "the contrasts are all zero", "Name a term of the model.")
    parts = directions[:, kept].T @ contrasts
    t2 = (parts @ model.coefficients) ** 2 / variances[kept]
    q = len(parts)
    freedom = _pooled(np.array([satterthwaite(model, part) for part in parts]))
    statistic = float(t2.sum()) / q
    return FTest(statistic, q, freedom, float(fdtrc(q, freedom, statistic)))


def _pooled(freedoms: Array) -> float:
    """Combine the degrees of freedom of independent t statistics to those of F."""
    q = len(freedoms)
    if q == 1:
        return float(freedoms[0])
    if np.ptp(freedoms) < 1e-8 * freedoms.mean():
        return float(freedoms.mean())
    if (freedoms <= 2.0).any():
        return 2.0
    expected = float((freedoms / (freedoms - 2.0)).sum())
    return 2.0 * expected / (expected - q)


def _moved(model: MixedModel, place: int, step: float) -> Criterion:
    theta = model.theta.copy()
    theta[place] += step
    return evaluate(model.problem, theta, sigma2=model.sigma2)


def _twice_inverse(hessian: Array) -> tuple[Array, bool]:
    scale = 1.0 / np.sqrt(np.maximum(np.abs(np.diag(hessian)), 1e-300))
    values, vectors = np.linalg.eigh(hessian * np.outer(scale, scale))
    steep = values > FLAT * values.max()
    inverse = (vectors[:, steep] / values[steep]) @ vectors[:, steep].T
    return 2.0 * inverse * np.outer(scale, scale), bool(steep.all())
