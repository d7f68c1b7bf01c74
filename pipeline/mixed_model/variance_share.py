"""Shares of the variance: between groups, within them, and what the model accounts for.

References
----------
Goldstein H, Browne W, Rasbash J (2002). Partitioning variation in multilevel models.
Understanding Statistics 1:223-231.
Nakagawa S, Schielzeth H (2013). A general and simple method for obtaining R2 from generalized
linear mixed-effects models. Methods in Ecology and Evolution 4:133-142.
Johnson PCD (2014). Extension of Nakagawa & Schielzeth's R2 GLMM to random slopes models.
Methods in Ecology and Evolution 5:944-946.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pipeline.mixed_model.description import INTERCEPT, RandomTerm
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.fit import MixedModel
from pipeline.mixed_model.grouping import Grouping
from schemas.errors import ModelError


@dataclass(frozen=True)
class VarianceShare:
    """Part of the variance that lies between the groups of one term.

    Attributes
    ----------
    term : RandomTerm
        The term.
    variance : float
        Its variance, in the outcome's unit squared.
    share : float
        Its part of the total: of all terms' variances and the residual's (that of a row of weight
        1). With one term it is the intraclass correlation. What the shares of all terms leave is
        the residual's.
    correlation : float
        Intraclass correlation of two rows of the same group, of which nothing else is the same than
        the groups that this one lies in: the sum of their shares. For a clinic that a patient lies
        in it is clinic / total for two patients, and (clinic + patient) / total for two rows of one
        patient.
    """

    term: RandomTerm
    variance: float
    share: float
    correlation: float


class RSquared(NamedTuple):
    """Part of the variance of the outcome that the model accounts for.

    Attributes
    ----------
    marginal : float
        By the fixed part.
    conditional : float
        By the fixed part and the groups.
    """

    marginal: float
    conditional: float


def intraclass_correlations(model: MixedModel) -> tuple[VarianceShare, ...]:
    """Divide the variance that the fixed part leaves among the random terms.

    Parameters
    ----------
    model : MixedModel
        The fit; no random slopes.

    Returns
    -------
    tuple of VarianceShare
        One for each random term, in the description's order.

    Raises
    ------
    ModelError
        A slope varies: the shares would depend on its column's value.
    """
    if any(component.columns != (INTERCEPT,) for component in model.components):
        raise ModelError(
            "intraclass correlation",
            "a slope varies by group, so that the shares depend on where they are asked for",
            "Fit random intercepts only, or report the variances.",
        )
    variances = [float(component.covariance[0, 0]) for component in model.components]
    total = sum(variances) + model.sigma2
    groupings = {term: g for g in model.problem.structure.groupings for term in g.terms}
    found = []
    for place, component in enumerate(model.components):
        around = [
            variance
            for other, variance in enumerate(variances)
            if _lies_in(groupings[place], groupings[other])
        ]
        share, variance = variances[place] / total, variances[place]
        found.append(VarianceShare(component.term, variance, share, sum(around) / total))
    return tuple(found)


def nakagawa(model: MixedModel) -> RSquared:
    """Give Nakagawa and Schielzeth's R², with Johnson's mean variance for random slopes.

    Parameters
    ----------
    model : MixedModel
        The fit; without weights.

    Returns
    -------
    RSquared
        The variance of the fixed part over the rows (divisor: rows less one), and with it the mean
        over the rows of the random effects' variance, as parts of their sum and the residual
        variance.

    Raises
    ------
    ModelError
        The rows have weights, so that there is no one residual variance.
    """
    if model.description.weights is not None:
        raise ModelError(
            "R²",
            f"the residual variance differs from row to row by “{model.description.weights}”",
            "Fit without weights, or report the variances.",
        )
    fixed, random = _fixed_variance(model), _mean_random_variance(model)
    total = fixed + random + model.sigma2
    return RSquared(fixed / total, (fixed + random) / total)


def _lies_in(fine: Grouping, coarse: Grouping) -> bool:
    """Say whether all rows of each fine group are of one coarse group."""
    found = np.empty(fine.n_levels, dtype=np.int64)
    found[fine.codes] = coarse.codes
    return bool((found[fine.codes] == coarse.codes).all())


def _fixed_variance(model: MixedModel) -> float:
    statistics, n = model.statistics, model.n_rows
    places = [statistics.columns.index(name) for name in model.terms]
    products = statistics.products[np.ix_(places, places)]
    sums = statistics.products[0, places]
    # Centred in whole numbers, so that no offset of a column costs a digit.
    centred = (products * n - np.outer(sums, sums)) / (n * (n - 1))
    scaled = model.coefficients * _units(model, places)
    return float(scaled @ centred.astype(np.float64) @ scaled)


def _mean_random_variance(model: MixedModel) -> float:
    statistics, total = model.statistics, 0.0
    for component in model.components:
        places = [statistics.columns.index(name) for name in component.columns]
        means = statistics.products[np.ix_(places, places)] / model.n_rows
        units = _units(model, places)
        scaled = component.covariance * np.outer(units, units)
        total += float(np.sum(scaled * means.astype(np.float64)))
    return total


def _units(model: MixedModel, places: list[int]) -> Array:
    """Give what 1 stands for in the sums of some columns."""
    return np.array([float(model.statistics.units[place]) for place in places])
