"""Profile-likelihood intervals of coefficients, standard deviations and correlations.

An interval holds the values at which the criterion, minimised over everything else, is not more than a
quantile of chi-squared above its minimum. It is not forced to be symmetric, which suits standard
deviations: those of few groups are known far better from below than from above. By ML in any case:
restricted likelihoods say nothing of coefficients.

References
----------
Venzon DJ, Moolgavkar SH (1988). A method for computing profile-likelihood-based confidence intervals.
Journal of the Royal Statistical Society C 37:87-94.
Bates D, Maechler M, Bolker B, Walker S (2015). Fitting linear mixed-effects models using lme4.
Journal of Statistical Software 67(1), section 5.1.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from math import sqrt

import numpy as np
from scipy.optimize import brentq, minimize
from scipy.special import ndtri
from threadpoolctl import threadpool_limits

from pipeline.mixed_model.description import Method
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.fit import MixedModel, fit
from pipeline.mixed_model.fixed_coefficient import with_coefficient
from pipeline.mixed_model.optimisation import minimise
from pipeline.mixed_model.profile_parameter import (
    Held,
    VarianceParameter,
    deviance,
    variance_parameters,
)
from pipeline.mixed_model.sufficient_statistics import Statistics
from pipeline.mixed_model.theta import theta_places, theta_units
from schemas.errors import ConvergenceError, ModelError, nearest_names

FLAT = 1e-4
"""A search ends when no parameter, in steps of about its standard error, has a steeper criterion."""

FINE = 1e-7
"""Limits are found to so small a part of the interval's half width."""

MOST_DOUBLINGS = 40

SMALL = 0.03
"""A relative standard deviation below it is moved up before a search."""


@dataclass(frozen=True)
class ProfileInterval:
    """Interval of one parameter.

    Attributes
    ----------
    parameter : str
        Name of a column, ``sigma``, ``sd of … by …`` or ``correlation of … and … by …``.
    estimate : float
        By ML.
    low, high : float
        Limits; 0 for a standard deviation, 1 or -1 for a correlation that may as well be that.
    """

    parameter: str
    estimate: float
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class _Profile:
    """A parameter with the criterion minimised over everything else.

    Attributes
    ----------
    name : str
        Name of the parameter.
    estimate, step : float
        Estimate, and about a standard error.
    limits : tuple of float
        Smallest and largest value.
    rise : callable
        Takes a value to how far the criterion is above its minimum.
    """

    name: str
    estimate: float
    step: float
    limits: tuple[float, float]
    rise: Callable[[float], float]


def profile_intervals(
    source: MixedModel | Statistics,
    *,
    confidence: float = 0.95,
    which: Sequence[str] | None = None,
) -> tuple[ProfileInterval, ...]:
    """Give profile-likelihood intervals.

    Parameters
    ----------
    source : MixedModel or Statistics
        A fit, or sums. A fit by REML is fitted again by ML.
    confidence : float
        Between 0 and 1.
    which : sequence of str, optional
        Names of parameters; all if left out (``profile_names``).

    Returns
    -------
    tuple of ProfileInterval
        Standard deviations and correlations term by term, sigma, then coefficients.

    Raises
    ------
    ModelError
        If there is no parameter of a name.
    ConvergenceError
        If a limit is not found.
    """
    model = _by_ml(source)
    known = profile_names(model)
    for name in which or ():
        if name not in known:
            raise ModelError("profile", f"no parameter “{name}”", nearest_names(name, known))
    wanted = known if which is None else [name for name in known if name in which]
    profiles = [*_variances(model), *_coefficients(model)]
    height = float(ndtri(0.5 + confidence / 2.0))
    with threadpool_limits(limits=1, user_api="blas"):
        return tuple(_interval(p, height) for p in profiles if p.name in wanted)


def profile_names(model: MixedModel) -> tuple[str, ...]:
    """Name the parameters of a model that have a profile.

    Parameters
    ----------
    model : MixedModel
        The fit.

    Returns
    -------
    tuple of str
        The names, in the order of the intervals.
    """
    return (*(parameter.name for parameter in variance_parameters(model)), *model.terms)


def _by_ml(source: MixedModel | Statistics) -> MixedModel:
    if isinstance(source, MixedModel) and source.description.method is Method.ML:
        return source
    sums = source.statistics if isinstance(source, MixedModel) else source
    start = source.theta if isinstance(source, MixedModel) else None
    return fit(sums, sums.description.model_copy(update={"method": Method.ML}), start=start)


def _interval(profile: _Profile, height: float) -> ProfileInterval:
    low, high = (_limit(profile, height, sign) for sign in (-1.0, 1.0))
    return ProfileInterval(profile.name, profile.estimate, low, high)


def _limit(profile: _Profile, height: float, sign: float) -> float:
    """Find where the root of the rise is as high as wanted, on one side of the estimate.

    Raises
    ------
    ConvergenceError
        If that is nowhere.
    """
    bound = profile.limits[0] if sign < 0.0 else profile.limits[1]

    known = {profile.estimate: -height}

    def excess(value: float) -> float:
        if value not in known:
            known[value] = sqrt(max(profile.rise(value), 0.0)) - height
        return known[value]

    inner, width = profile.estimate, height * profile.step
    for _ in range(MOST_DOUBLINGS):
        outer = profile.estimate + sign * width
        outer = max(outer, bound) if sign < 0.0 else min(outer, bound)
        if excess(outer) >= 0.0:
            found: float = brentq(excess, inner, outer, xtol=FINE * width, rtol=1e-12)
            return found
        if outer == bound:
            return bound
        inner, width = outer, 2.0 * width
    raise ConvergenceError(
        "profile",
        f"“{profile.name}”: the likelihood hardly falls, however far from the estimate",
        "Leave the term out, or wait for more groups.",
    )


def _coefficients(model: MixedModel) -> list[_Profile]:
    errors = np.sqrt(np.diag(model.covariance))
    anywhere = (-np.inf, np.inf)
    return [
        _Profile(
            name,
            float(model.coefficients[place]),
            float(errors[place]),
            anywhere,
            partial(_coefficient_rise, model, place),
        )
        for place, name in enumerate(model.terms)
    ]


def _coefficient_rise(model: MixedModel, place: int, value: float) -> float:
    held = with_coefficient(model.problem, place, value)
    return minimise(held, model.theta).point.value - model.criterion


def _variances(model: MixedModel) -> list[_Profile]:
    n_levels = [c.n_levels for c in model.components for _ in range(c.term.n_theta)]
    units = theta_units(model.statistics)
    sigma = sqrt(model.sigma2)
    found = []
    for parameter in variance_parameters(model):
        estimate = parameter.value(model)
        groups = n_levels[parameter.row[0]] if parameter.row else model.n_rows
        size = max(estimate, 0.1 * sigma * (units[parameter.row[0]] if parameter.row else 1.0))
        step = (1.0 if parameter.first is not None else size) / sqrt(2.0 * groups)
        limits = parameter.limits if parameter.row else (1e-3 * sigma, np.inf)
        found.append(_Profile(parameter.name, estimate, step, limits, _Rise(model, parameter)))
    return found


class _Rise:
    """How far the criterion is above its minimum with a variance parameter held.

    Each search is made twice: from the estimate, and from where the last one ended. Where another
    variance or correlation is near its boundary the criterion may have more than one valley.
    """

    def __init__(self, model: MixedModel, parameter: VarianceParameter) -> None:
        self.model, self.parameter = model, parameter
        self.units = theta_units(model.statistics)
        places = theta_places(model.description)
        self.diagonal = [place for term in places for place, i, j in term if i == j]
        self.n_levels = np.concatenate(
            [np.full(c.term.n_theta, c.n_levels) for c in model.components]
        )
        self.last = self.origin = (model.theta, sqrt(model.sigma2))

    def __call__(self, value: float) -> float:
        starts = [self.origin] if self.last is self.origin else [self.origin, self.last]
        found = [self._search(value, self._off_zero(theta), sigma) for theta, sigma in starts]
        lowest, held = min(found, key=lambda pair: pair[0])
        sigma = float(np.exp(held.log_sigma))
        self.last = (held.factors / sigma, sigma)
        return lowest - self.model.criterion

    def _off_zero(self, theta: Array) -> Array:
        """Move what is zero on a diagonal off it: there the slope is always zero."""
        moved, least = theta.copy(), SMALL * self.units
        for place in self.diagonal:
            if abs(moved[place]) < least[place]:
                moved[place] = least[place]
        return moved

    def _search(self, value: float, theta: Array, sigma: float) -> tuple[float, Held]:
        parameter, problem = self.parameter, self.model.problem
        start = parameter.free(theta, sigma)
        scale = self._scale(start, sigma)

        def at(scaled: Array) -> tuple[float, Array]:
            found, gradient = deviance(problem, parameter.held(scaled * scale, value, len(theta)))
            return found, gradient * scale

        found = minimize(at, start / scale, jac=True, method="BFGS", options={"gtol": FLAT})
        return float(found.fun), parameter.held(found.x * scale, value, len(theta))

    def _scale(self, free: Array, sigma: float) -> Array:
        """Give about a standard error of each free parameter."""
        parameter = self.parameter
        errors = sigma * self.units / np.sqrt(2.0 * self.n_levels)
        if not parameter.row:
            return errors
        others = parameter.others(len(errors))
        way = free[len(others) : -1]
        lengths = np.full(len(way), 1.0 / sqrt(2.0 * self.n_levels[parameter.row[0]]))
        if parameter.first is None:
            lengths *= np.linalg.norm(way)
        return np.concatenate([errors[others], lengths, [1.0 / sqrt(2.0 * self.model.n_rows)]])
