"""Search for the variance parameters at which the criterion is smallest.

Quasi-Newton steps (BFGS) on the exact gradient. The criterion does not change when a column of a
relative Cholesky factor changes its sign, so that zero needs no bound: the search may pass through
it, and the signs are set afterwards. What ends close to zero is tried at zero, and left there only
if a step away from zero does not help. The search ends when a full step would change the criterion
by no more than its rounding: a library's line search goes on comparing values beyond that.

References
----------
Nocedal J, Wright SJ (2006). Numerical optimization, 2nd ed. Springer, algorithm 6.1.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.mixed_model.criterion import Criterion, Problem, evaluate
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.group_code import Codes
from pipeline.mixed_model.grouping import Grouping
from pipeline.mixed_model.theta import theta_places, theta_units

LOWEST, HIGHEST = 0.05, 3.0
"""Relative standard deviations between which the search starts."""

MOST_STEPS = 200

DECREMENT = 1e-13
"""The search ends when a full step would lower the criterion by less."""

ROUNDING = 4e-16
"""Or by less than this part of the criterion: its last digits."""

LONGEST = 1.0
"""A step changes no relative standard deviation by more."""

ENOUGH = 1e-2
"""A search that ended elsewhere is good enough if no parameter, in a step of about its standard
error, changes the criterion by more."""

SMALL = 0.03
"""A relative standard deviation below it is tried at zero."""

ALIKE = 1e-7
"""Criteria that differ by less are the same, for the choice of zero."""


@dataclass(frozen=True, eq=False)
class Optimum:
    """Where the search ended.

    Attributes
    ----------
    point : Criterion
        The best point.
    free : ndarray of bool, shape (m,)
        False for the parameters that are zero at the boundary.
    gradient : float
        Largest derivative by a free parameter, in steps of about its standard error.
    n_evaluations : int
        Evaluations of criterion and gradient.
    curvature : ndarray, shape (m, m)
        Inverse second derivatives as the steps saw them, in steps of about a standard error.
    """

    point: Criterion
    free: NDArray[np.bool_]
    gradient: float
    n_evaluations: int
    curvature: Array


def minimise(
    problem: Problem, start: Array | None = None, curvature: Array | None = None
) -> Optimum:
    """Find the smallest criterion.

    Parameters
    ----------
    problem : Problem
        Model and numbers.
    start : ndarray, shape (m,), optional
        Where to begin, such as the optimum of nearly the same records.
    curvature : ndarray, shape (m, m), optional
        ``Optimum.curvature`` of nearly the same records.

    Returns
    -------
    Optimum
        Where the search ended, converged or not.
    """
    search = _Search(problem)
    if curvature is not None:
        search.curvature = curvature
    theta = search.start if start is None else _off_zero(search, start)
    everything = np.ones(len(theta), dtype=bool)
    best = search.descend(theta, everything)
    free = everything
    for _ in range(len(theta) + 1):
        best, free = search.try_zeros(best)
        away = search.away_from_zero(best, free)
        if away is None:
            break
        best = search.descend(away, everything)
    signed = search.signed(best.theta)
    point = best if (signed == best.theta).all() else search.at(signed)
    steps = np.abs(point.gradient / search.scale)[free]
    return Optimum(
        point, free, float(steps.max(initial=0.0)), search.n_evaluations, search.curvature
    )


class _Search:
    def __init__(self, problem: Problem) -> None:
        self.problem, self.n_evaluations = problem, 0
        self.places = theta_places(problem.description)
        self.diagonal = [place for term in self.places for place, i, j in term if i == j]
        self.units = theta_units(problem.structure.statistics)
        groupings = problem.structure.groupings
        n_levels = {term: g.n_levels for g in groupings for term in g.terms}
        # About one over a parameter's standard error: n groups tell a ratio to 1 / sqrt(2 n).
        sizes = [np.full(len(term), 2.0 * n_levels[i]) for i, term in enumerate(self.places)]
        self.scale = np.sqrt(np.concatenate(sizes)) / self.units
        self.start, self.curvature = self._start(groupings)

    def _start(self, groupings: list[Grouping]) -> tuple[Array, Array]:
        """Guess the parameters from analyses of variance by one grouping at a time."""
        sizes, sums = self.problem.structure.cell_sums()
        theta, spread = np.zeros(len(self.scale)), np.ones(len(self.scale))
        for grouping in groupings:
            ratio, reliability = _one_way(grouping.codes, sizes, sums)
            for term in grouping.terms:
                for place, i, j in self.places[term]:
                    theta[place] = ratio * self.units[place] if i == j else 0.0
                    spread[place] = ratio**2 / (2.0 * reliability**2)
        return theta, np.diag(spread)

    def at(self, theta: Array) -> Criterion:
        self.n_evaluations += 1
        return evaluate(self.problem, theta)

    def descend(self, theta: Array, free: NDArray[np.bool_]) -> Criterion:
        """Minimise over the free parameters from a start."""
        scale, point = self.scale[free], self.at(theta)
        inverse = self.curvature[np.ix_(free, free)]
        for _ in range(MOST_STEPS):
            slope = point.gradient[free] / scale
            step = -inverse @ slope
            if step @ slope >= 0.0:
                inverse = np.eye(len(slope))
                step = -slope
            if -step @ slope / 2.0 <= max(DECREMENT, ROUNDING * abs(point.value)):
                break
            step *= min(1.0, LONGEST / np.abs(step / scale / self.units[free]).max())
            following = self._along(point, free, step / scale, float(step @ slope))
            if following is None:
                break
            moved = (following.theta - point.theta)[free] * scale
            change = following.gradient[free] / scale - slope
            inverse = _updated(inverse, moved, change)
            point = following
        if free.all():
            self.curvature = inverse
        return point

    def _along(
        self, point: Criterion, free: NDArray[np.bool_], step: Array, slope: float
    ) -> Criterion | None:
        """Go along a step until the criterion is lower; None where rounding hides it."""
        part = 1.0
        for _ in range(30):
            trial = point.theta.copy()
            trial[free] += part * step
            found = self.at(trial)
            change = found.value - point.value
            if change <= 1e-4 * part * slope + ROUNDING * abs(point.value):
                return found
            part *= float(np.clip(-slope * part / (2.0 * (change - slope * part)), 0.1, 0.5))
        return None

    def try_zeros(self, best: Criterion) -> tuple[Criterion, NDArray[np.bool_]]:
        """Put small diagonal parameters at zero where the criterion is no worse for it."""
        free = np.ones(len(best.theta), dtype=bool)
        for place in self.diagonal:
            if abs(best.theta[place]) > SMALL * self.units[place]:
                continue
            free[place] = False
            trial = best.theta.copy()
            trial[place] = 0.0
            found = self.descend(trial, free) if free.any() else self.at(trial)
            if found.value <= best.value + ALIKE:
                best = found
            else:
                free[place] = True
        return best, free

    def away_from_zero(self, best: Criterion, free: NDArray[np.bool_]) -> Array | None:
        """Give a better start if zero was a saddle."""
        for place in np.flatnonzero(~free):
            trial = best.theta.copy()
            trial[place] = 2.0 * SMALL * self.units[place]
            if self.at(trial).value < best.value - ALIKE:
                return trial
        return None

    def signed(self, theta: Array) -> Array:
        """Make the diagonal of every factor positive."""
        theta = theta.copy()
        for term in self.places:
            for place, i, j in term:
                if i == j and theta[place] < 0.0:
                    for other, _, column in term:
                        theta[other] = -theta[other] if column == j else theta[other]
        return theta


def _updated(inverse: Array, moved: Array, change: Array) -> Array:
    """Learn the curvature from a step and the change of the slope along it (BFGS)."""
    product = float(moved @ change)
    if product <= 1e-12 * float(np.linalg.norm(moved) * np.linalg.norm(change)):
        return inverse
    turn = np.eye(len(moved)) - np.outer(moved, change) / product
    return turn @ inverse @ turn.T + np.outer(moved, moved) / product


def _off_zero(search: _Search, start: Array) -> Array:
    """Move what is zero on the diagonal off it, where the slope is always zero."""
    theta = start.copy()
    for place in search.diagonal:
        if theta[place] == 0.0:
            theta[place] = SMALL * search.units[place]
    return theta


def _one_way(codes: Codes, sizes: Array, sums: Array) -> tuple[float, float]:
    """Compare the variance between groups with that within; give relative SD and reliability.

    ``sums`` are those of residuals whose total square is 1.
    """
    n_rows = float(sizes.sum())
    size, total = np.bincount(codes, sizes), np.bincount(codes, sums)
    between = float((total**2 / size).sum())
    n_groups = len(size)
    mean_size = (n_rows - float((size**2).sum()) / n_rows) / (n_groups - 1)
    within = max(1.0 - between, 1e-3) / max(n_rows - n_groups, 1.0)
    excess = between / (n_groups - 1) / within - 1.0
    ratio = float(np.clip(np.sqrt(max(excess, 0.0) / mean_size), LOWEST, HIGHEST))
    weight = mean_size * ratio**2
    return ratio, max(weight / (1.0 + weight), 0.2)
