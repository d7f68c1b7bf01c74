"""Estimate of a contrast: value, standard error, degrees of freedom, t, p and interval."""

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr, stdtrit

from pipeline.mixed_model.degrees_of_freedom import satterthwaite
from pipeline.mixed_model.errors_in_variables import CorrectedModel
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.fit import MixedModel
from schemas.errors import ModelError

CONFIDENCE = 0.95
"""Of the intervals; common practice."""

NOT_ESTIMABLE = 1e-6
"""A dropped column's weight may differ by so much from what the kept ones imply (rounding)."""


@dataclass(frozen=True)
class Estimate:
    """An estimated contrast.

    Attributes
    ----------
    estimate : float
        In the outcome's unit.
    standard_error : float
        In the same unit.
    degrees_of_freedom : float
        Of the t distribution behind ``p`` and the interval.
    t, p : float
        Test of zero, two-sided.
    low, high : float
        Limits of the 95 % interval.
    """

    estimate: float
    standard_error: float
    degrees_of_freedom: float
    t: float
    p: float
    low: float
    high: float


def estimate(model: MixedModel | CorrectedModel, weights: Array) -> Estimate:
    """Estimate a contrast.

    Parameters
    ----------
    model : MixedModel or CorrectedModel
        The fit.
    weights : ndarray, shape (p,)
        Weights on all columns of the design, dropped ones included.

    Returns
    -------
    Estimate
        The estimate with its uncertainty.

    Raises
    ------
    ModelError
        If the contrast leans on a dropped column and is not estimable.
    """
    weights = np.asarray(weights, dtype=np.float64)
    if not is_estimable(model, weights):
        raise ModelError(
            "contrast",
            "the records can't tell these levels apart from what else is in the model",
            "Adjust for less, or wait for records in which they vary.",
        )
    kept = weights[list(model.kept_columns)]
    value = float(kept @ model.coefficients)
    error = float(np.sqrt(kept @ model.covariance @ kept))
    freedom = (
        model.degrees_of_freedom(kept)
        if isinstance(model, CorrectedModel)
        else satterthwaite(model, kept)
    )
    return by_t(value, error, freedom)


def by_t(value: float, error: float, freedom: float) -> Estimate:
    """Give a contrast its test and interval by Student's t.

    Parameters
    ----------
    value, error : float
        Estimate and standard error.
    freedom : float
        Degrees of freedom.

    Returns
    -------
    Estimate
        The estimate with its uncertainty.
    """
    t = value / error
    half = quantile(CONFIDENCE, freedom) * error
    return Estimate(
        estimate=value,
        standard_error=error,
        degrees_of_freedom=freedom,
        t=t,
        p=float(2.0 * stdtr(freedom, -abs(t))),
        low=value - half,
        high=value + half,
    )


def is_estimable(model: MixedModel | CorrectedModel, weights: Array) -> bool:
    """Say whether the design decides a contrast.

    Parameters
    ----------
    model : MixedModel or CorrectedModel
        The fit.
    weights : ndarray, shape (p,)
        Weights on all columns of the design.

    Returns
    -------
    bool
        False where a dropped column's weight is not the one that the kept columns imply.
    """
    implied = model.aliases @ weights[list(model.kept_columns)]
    found = weights[list(model.dropped_columns)]
    return bool(np.all(np.abs(implied - found) <= NOT_ESTIMABLE))


def with_dependent_columns(
    model: MixedModel | CorrectedModel, weights: Array, compared: tuple[int, ...]
) -> Array:
    """Let dropped columns go with those that they depend on.

    Where each instrument belongs to one clinic, equal weights over clinics leave no choice of the
    weights over instruments: they go with the clinics, as in the records.

    Parameters
    ----------
    model : MixedModel or CorrectedModel
        The fit.
    weights : ndarray, shape (p,)
        Weights of a mean on all columns of the design.
    compared : tuple of int
        Columns of the levels that are compared.

    Returns
    -------
    ndarray, shape (p,)
        The weights. A column that depends on the compared levels keeps its own: what it stands for
        can't be told apart from them, and the mean or difference is then not estimable.
    """
    weights = np.array(weights, dtype=np.float64)
    kept = list(model.kept_columns)
    levels = [place for place, column in enumerate(kept) if column in compared]
    for column, alias in zip(model.dropped_columns, model.aliases, strict=True):
        if column not in compared and np.all(np.abs(alias[levels]) <= NOT_ESTIMABLE):
            weights[column] = weights[kept] @ alias
    return weights


def quantile(confidence: float, degrees_of_freedom: float) -> float:
    """Give the factor of the standard error that makes a two-sided interval.

    Parameters
    ----------
    confidence : float
        Between 0 and 1.
    degrees_of_freedom : float
        Of the t distribution.

    Returns
    -------
    float
        The factor.
    """
    return float(stdtrit(degrees_of_freedom, 0.5 + confidence / 2.0))
