"""Fit of a mixed-effects model with one random intercept, by REML.

One variance ratio is searched over, in the profiled criterion; coefficients and their covariance
are those of generalised least squares at the best ratio. statsmodels' MixedLM reaches the same
optimum and serves as an oracle in the tests; it is not used here because it loops over groups and
its standard errors of covariates come from another formula.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from threadpoolctl import threadpool_limits

from pipeline.mixed_model.criterion import Criterion, evaluate
from pipeline.mixed_model.sufficient_statistics import Array, SufficientStatistics, add_up
from schemas.errors import ConvergenceError, ModelError

RATIOS = np.concatenate([[0.0], np.logspace(-6.0, 8.0, 57)])
"""Ratios at which the search looks first; the best one is then closed in upon."""

SAME_OUTCOME = 1e-10
"""Outcomes, or residuals, that spread by a smaller part of their size count as all the same."""


@dataclass(frozen=True, eq=False)
class MixedModel:
    """A fitted model: outcome = design x coefficients + group's intercept + residual.

    Attributes
    ----------
    terms : tuple of str, length r
        Terms that are estimated.
    coefficients : ndarray, shape (r,)
        Their coefficients, in the outcome's unit per unit of the term.
    covariance : ndarray, shape (r, r)
        Covariance of the coefficients.
    sigma2 : float
        Residual variance.
    group_variance : float
        Variance of the groups' intercepts.
    criterion : float
        -2 times the restricted log-likelihood at its optimum.
    n_rows, n_groups : int
        Numbers of rows and groups.
    dropped : tuple of str
        Terms that depend on earlier ones and were dropped.
    is_singular : bool
        True where the variance between groups was estimated at zero.
    ratio : float
        ``group_variance / sigma2``.
    kept_columns, dropped_columns : tuple of int
        Columns of the design behind ``terms`` and ``dropped``.
    aliases : ndarray, shape (len(dropped), r)
        Each dropped column as a sum of the kept ones.
    covariance_slope : ndarray, shape (r, r)
        Derivative of ``covariance`` with respect to the ratio, at fixed sigma2.
    information : ndarray, shape (2, 2)
        Second derivatives of the criterion by ratio and sigma2.
    """

    terms: tuple[str, ...]
    coefficients: Array
    covariance: Array
    sigma2: float
    group_variance: float
    criterion: float
    n_rows: int
    n_groups: int
    dropped: tuple[str, ...]
    is_singular: bool
    ratio: float
    kept_columns: tuple[int, ...]
    dropped_columns: tuple[int, ...]
    aliases: Array
    covariance_slope: Array
    information: Array


def fit_mixed_model(
    outcome: ArrayLike, design: ArrayLike, terms: tuple[str, ...], groups: ArrayLike
) -> MixedModel:
    """Fit the model by REML.

    Parameters
    ----------
    outcome : array_like, shape (n,)
        Outcome of each row.
    design : array_like, shape (n, p)
        Fixed part, with its column of ones; earlier columns take precedence over later ones that
        depend on them.
    terms : tuple of str, length p
        Names of the columns.
    groups : array_like, shape (n,)
        Group of each row, numbers or words.

    Returns
    -------
    MixedModel
        The fit; it does not depend on the order of the rows.

    Raises
    ------
    ModelError
        If the data cannot carry the model, or the search did not converge.
    """
    refusal = why_not(outcome, groups)
    if refusal is not None:
        raise refusal
    y = np.asarray(outcome, dtype=np.float64)
    x = np.asarray(design, dtype=np.float64)
    codes = group_codes(groups)
    with threadpool_limits(limits=1, user_api="blas"):  # more threads are slower on a busy machine
        statistics = add_up(y, x, codes)
        refusal = _why_not_estimable(statistics, y)
        if refusal is not None:
            raise refusal
        return _describe(statistics, _best(statistics), terms)


def why_not(outcome: ArrayLike, groups: ArrayLike) -> ModelError | None:
    """Say why rows cannot carry a mixed model, before it is fitted.

    Parameters
    ----------
    outcome : array_like, shape (n,)
        Outcome of each row.
    groups : array_like, shape (n,)
        Group of each row.

    Returns
    -------
    ModelError or None
        The reason and a remedy; None where nothing speaks against a fit.
    """
    y = np.asarray(outcome, dtype=np.float64)
    sizes = np.bincount(group_codes(groups)) if y.size else np.zeros(0, dtype=np.int64)
    if y.size and not np.isfinite(y).all():
        return _refuse(
            "an outcome is not a finite number", "Leave rows without an outcome out before the fit."
        )
    if sizes.size < 2:
        return _refuse(
            "there are not two groups (patients)",
            "Widen the records or the plan's clinics until more patients have pairs.",
        )
    if sizes.max() < 2:
        return _refuse(
            "no group (patient) has more than one row, so that the variance between patients and "
            "the variance within can't be told apart",
            "Wait for further pairs of the same patients, such as the other side or a later visit.",
        )
    if np.ptp(y) <= SAME_OUTCOME * max(1.0, float(np.abs(y).max())):
        return _refuse(
            "the outcome is the same in all rows",
            "Check the export: gains that never differ are often a filled-in default.",
        )
    return None


def group_codes(groups: ArrayLike) -> NDArray[np.int64]:
    """Give each group a number, from 0 without gaps.

    Parameters
    ----------
    groups : array_like, shape (n,)
        Group of each row, numbers or words.

    Returns
    -------
    ndarray of int, shape (n,)
        Number of each row's group.
    """
    return np.unique(np.asarray(groups), return_inverse=True)[1].astype(np.int64)


def _why_not_estimable(statistics: SufficientStatistics, outcome: Array) -> ModelError | None:
    rank = len(statistics.start)
    remedy = "Adjust for less, or wait for more pairs."
    if statistics.n_rows - rank < 2 or statistics.n_groups < 2:
        return _refuse("there are too few rows for the terms of the model", remedy)
    scale = float(((outcome - outcome.mean()) ** 2).sum())
    residual = statistics.within[rank, rank] + statistics.between[:, rank, rank].sum()
    if residual <= SAME_OUTCOME * scale:
        return _refuse("the terms of the model fit the outcome without remainder", remedy)
    return None


def _best(statistics: SufficientStatistics) -> Criterion:
    """Look over a grid of ratios, then close in on the root of the slope.

    Raises
    ------
    ConvergenceError
        If no ratio has a slope of zero.
    """
    seen = [evaluate(statistics, float(ratio)) for ratio in RATIOS]
    values = np.array([point.value for point in seen])
    best = int(np.argmin(values)) if np.isfinite(values).all() else len(seen) - 1
    if best == 0 and seen[0].slope >= 0.0:
        return seen[0]
    low, high = (best - 1, best) if seen[best].slope > 0.0 else (best, best + 1)
    if high >= len(seen) or not seen[low].slope <= 0.0 <= seen[high].slope:
        raise ConvergenceError(
            "mixed model",
            "the search for the variance between patients did not converge",
            "Look for rows that repeat one another exactly, and for extreme outcomes; adjust for "
            "less. A fit that did not converge is never published.",
        )
    ratio = brentq(
        lambda trial: evaluate(statistics, trial).slope,
        seen[low].ratio,
        seen[high].ratio,
        xtol=1e-300,
        rtol=1e-14,
        maxiter=200,
    )
    return evaluate(statistics, float(ratio))


def _describe(
    statistics: SufficientStatistics, point: Criterion, terms: tuple[str, ...]
) -> MixedModel:
    basis = statistics.basis
    freedom = statistics.n_rows - len(statistics.start)
    sigma2 = point.residual_sum / freedom
    back = np.linalg.inv(basis.triangle)
    mixed = -point.residual_slope / sigma2**2
    return MixedModel(
        terms=tuple(terms[column] for column in basis.kept),
        coefficients=back @ (statistics.start + point.shift),
        covariance=sigma2 * back @ point.inverse @ back.T,
        sigma2=sigma2,
        group_variance=point.ratio * sigma2,
        criterion=point.value,
        n_rows=statistics.n_rows,
        n_groups=statistics.n_groups,
        dropped=tuple(terms[column] for column in basis.dropped),
        is_singular=point.ratio == 0.0,
        ratio=point.ratio,
        kept_columns=basis.kept,
        dropped_columns=basis.dropped,
        aliases=basis.aliases,
        covariance_slope=sigma2 * back @ point.inverse_slope @ back.T,
        information=np.array([[point.curvature, mixed], [mixed, freedom / sigma2**2]]),
    )


def _refuse(problem: str, remedy: str) -> ModelError:
    return ModelError("mixed model", problem, remedy)
