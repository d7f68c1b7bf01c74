"""Likelihood-ratio test of a smaller model within a larger one, and of a variance against zero.

A variance cannot be negative, so that under "it is zero" the statistic is often zero and the usual
chi-squared p is too large. Where one variance is added, with or without its covariances, the
statistic is a 50:50 mixture of chi-squared with one degree of freedom less, and with all of them.
With few or crossed groups more than half of the statistics are zero, and the mixture's p is still on
the cautious side.

References
----------
Self SG, Liang KY (1987). Asymptotic properties of maximum likelihood estimators and likelihood ratio
tests under nonstandard conditions. Journal of the American Statistical Association 82:605-610.
Stram DO, Lee JW (1994). Variance components testing in the longitudinal mixed effects model.
Biometrics 50:1171-1177.
Crainiceanu CM, Ruppert D (2004). Likelihood ratio tests in linear mixed models with one variance
component. Journal of the Royal Statistical Society B 66:165-185.
"""

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc

from pipeline.mixed_model.criterion import evaluate
from pipeline.mixed_model.description import Method, ModelDescription
from pipeline.mixed_model.fit import MixedModel, fit
from schemas.errors import ConvergenceError, ModelError

PLACE = "likelihood-ratio test"

ROUNDING = 1e-6
"""A larger model may fit worse by so much, in units of the criterion."""

Parameters = Counter[frozenset[tuple[frozenset[str], str]]]
"""Variances (sets of one) and covariances (of two); what varies is named by groups and column."""


@dataclass(frozen=True)
class LikelihoodRatio:
    """What the test found.

    Attributes
    ----------
    statistic : float
        Difference of the criteria; 0 at least.
    degrees_of_freedom : int
        Parameters that the smaller model does not have.
    p : float
        Of the chi-squared distribution.
    p_boundary : float or None
        Of the 50:50 mixture, where one variance is tested; None where no boundary is involved, and
        where no simple mixture is known: several variances at once, or a smaller model with a
        variance at zero.
    """

    statistic: float
    degrees_of_freedom: int
    p: float
    p_boundary: float | None


def likelihood_ratio_test(smaller: MixedModel, larger: MixedModel) -> LikelihoodRatio:
    """Test what a larger model has more than a smaller one.

    Parameters
    ----------
    smaller, larger : MixedModel
        Fits to the same rows; by ML, or by REML where the fixed parts are the same.

    Returns
    -------
    LikelihoodRatio
        The test.

    Raises
    ------
    ModelError
        If the two are not comparable: other rows, REML with different fixed parts, or the smaller
        not part of the larger.
    """
    _check_rows(smaller, larger)
    _check_method(smaller, larger)
    more = _parameters(larger.description)
    more.subtract(_parameters(smaller.description))
    if min(more.values()) < 0 or not set(smaller.columns) <= set(larger.columns):
        raise ModelError(
            PLACE,
            "the smaller model is not part of the larger",
            "Give the larger model every term that the smaller one has.",
        )
    n_fixed = len(larger.kept_columns) - len(smaller.kept_columns)
    return _tested(
        smaller.criterion - larger.criterion, n_fixed, +more, is_interior=not smaller.is_singular
    )


def variance_test(model: MixedModel, term: int) -> LikelihoodRatio:
    """Test that nothing varies by the groups of one random term.

    Parameters
    ----------
    model : MixedModel
        The fit, by REML or ML.
    term : int
        Place of the term in the description.

    Returns
    -------
    LikelihoodRatio
        The test against the model without the term; without any other random term that is least
        squares.

    Raises
    ------
    ModelError
        If the description has no such term.
    """
    description = model.description
    if not 0 <= term < len(description.random):
        raise ModelError(
            PLACE,
            f"there is no random term {term}",
            f"Give a place from 0 to {len(description.random) - 1}.",
        )
    others = tuple(t for place, t in enumerate(description.random) if place != term)
    if not others:
        value = evaluate(model.problem, np.zeros(len(model.theta))).value
        added = _parameters(description)
        return _tested(value - model.criterion, 0, added, is_interior=True)
    left = description.model_copy(update={"random": others})
    # The sums of finer cells than the smaller model needs serve it as well.
    return likelihood_ratio_test(fit(replace(model.statistics, description=left)), model)


def _tested(
    difference: float, n_fixed: int, added: Parameters, *, is_interior: bool
) -> LikelihoodRatio:
    """Give the test of some added parameters.

    Raises
    ------
    ConvergenceError
        If the larger model fits worse.
    ModelError
        If nothing is added.
    """
    freedom = n_fixed + added.total()
    if freedom <= 0:
        raise ModelError(
            PLACE, "the two models have the same parameters", "Leave a term out of one of them."
        )
    if difference < -ROUNDING:
        raise ConvergenceError(
            PLACE,
            f"the larger model fits worse than the smaller, by {-difference:.2g}",
            "Look for extreme outcomes; centre and scale slopes.",
        )
    statistic = max(difference, 0.0)
    variances = sum(count for pair, count in added.items() if len(pair) == 1)
    p = float(chdtrc(freedom, statistic))
    mixture = variances == 1 and is_interior
    boundary = 0.5 * (_upper(freedom - 1, statistic) + p) if mixture else None
    return LikelihoodRatio(statistic, freedom, p, boundary)


def _upper(freedom: int, statistic: float) -> float:
    """Give the probability of a larger value; with no degree of freedom all is at zero."""
    if freedom == 0:
        return float(statistic <= 0.0)
    return float(chdtrc(freedom, statistic))


def _parameters(description: ModelDescription) -> Parameters:
    found: Parameters = Counter()
    for term in description.random:
        names = [(frozenset(term.by), column) for column in term.columns]
        found.update(frozenset([name]) for name in names)
        if term.correlated:
            found.update(frozenset([a, b]) for i, a in enumerate(names) for b in names[i + 1 :])
    return found


def _check_rows(smaller: MixedModel, larger: MixedModel) -> None:
    """Refuse models of different rows or outcomes.

    Raises
    ------
    ModelError
        If number, sum or sum of squares of the outcomes differ.
    """
    one, other = _outcome(smaller), _outcome(larger)
    if one[:3] == other[:3] and np.allclose(one[3:], other[3:], rtol=1e-12):
        return
    raise ModelError(
        PLACE,
        f"the models were fitted to different rows or outcomes ({one[2]} and {other[2]} rows)",
        "Fit both to the rows that have every value of the larger model.",
    )


def _outcome(model: MixedModel) -> tuple[str, str | None, int, float, float]:
    statistics, description = model.statistics, model.description
    first, unit = statistics.units[0], statistics.units[-1]
    total = float(statistics.products[0, -1] * first * unit)
    square = float(statistics.products[-1, -1] * unit**2)
    return description.outcome, description.weights, model.n_rows, total, square


def _check_method(smaller: MixedModel, larger: MixedModel) -> None:
    """Refuse REML for different fixed parts: its likelihoods are of different data.

    Raises
    ------
    ModelError
        If the methods differ, or are REML with different fixed parts.
    """
    methods = {smaller.description.method, larger.description.method}
    if methods == {Method.ML}:
        return
    if methods == {Method.REML} and set(smaller.terms) == set(larger.terms):
        return
    problem = (
        "models with different fixed parts can't be compared by restricted likelihood"
        if methods == {Method.REML}
        else "one model was fitted by REML, the other by ML"
    )
    raise ModelError(PLACE, problem, "Fit both by ML.")
