"""Standard deviations and correlations as parameters that can be held at a value.

A model's variance parameters are the factors sigma Lambda of its random terms and the logarithm of
sigma. A row of such a factor has the length of one random effect's standard deviation; where its first
entry stands to that length is the correlation with the term's first column. Holding one of these leaves
fewer parameters, which are free.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.mixed_model.criterion import Problem, evaluate
from pipeline.mixed_model.description import RandomTerm
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.fit import MixedModel
from pipeline.mixed_model.theta import theta_places


@dataclass(frozen=True, eq=False)
class Held:
    """What a parameter's value and the free parameters make.

    Attributes
    ----------
    factors : ndarray, shape (m,)
        Entries of the factors sigma Lambda, in the order of theta.
    log_sigma : float
        Logarithm of sigma.
    slopes : ndarray, shape (m + 1, f)
        Derivatives of both by the f free parameters.
    """

    factors: Array
    log_sigma: float
    slopes: Array


@dataclass(frozen=True)
class VarianceParameter:
    """A standard deviation or a correlation.

    Attributes
    ----------
    name : str
        For the reader.
    row : tuple of int
        Places in theta of the random effect's row of its factor; empty for sigma.
    first : int or None
        Of a correlation: place in theta of the factor's first entry.
    """

    name: str
    row: tuple[int, ...] = ()
    first: int | None = None

    @property
    def limits(self) -> tuple[float, float]:
        """Smallest and largest value; sigma is above its own."""
        return (0.0, np.inf) if self.first is None else (-1.0, 1.0)

    def value(self, model: MixedModel) -> float:
        """Give the estimate.

        Parameters
        ----------
        model : MixedModel
            The fit.

        Returns
        -------
        float
            In the outcome's unit, or a correlation.
        """
        sigma = float(np.sqrt(model.sigma2))
        if not self.row:
            return sigma
        row = model.theta[list(self.row)]
        length = float(np.linalg.norm(row))
        return sigma * length if self.first is None else float(row[0]) / length

    def others(self, n_theta: int) -> list[int]:
        """List the entries of the factors that are free as they are.

        Parameters
        ----------
        n_theta : int
            Number of variance parameters.

        Returns
        -------
        list of int
            Places in theta.
        """
        taken = {*self.row, self.first}
        return [place for place in range(n_theta) if place not in taken]

    def free(self, theta: Array, sigma: float) -> Array:
        """Give the free parameters at a point.

        Parameters
        ----------
        theta : ndarray, shape (m,)
            Variance parameters.
        sigma : float
            Standard deviation of the residuals.

        Returns
        -------
        ndarray, shape (f,)
            The other entries of the factors, those that say which way the row points, log sigma;
            of a correlation the logarithms of the first entry and of the row's length.
        """
        factors = theta * sigma
        if not self.row:
            return factors
        if self.first is None:
            way = factors[list(self.row)] if len(self.row) > 1 else np.zeros(0)
            return np.concatenate([factors[self.others(len(theta))], way, [np.log(sigma)]])
        others = factors[self.others(len(theta))]
        row = factors[list(self.row)]
        sizes = np.log([abs(factors[self.first]), np.linalg.norm(row)])
        return np.concatenate([others, sizes, self._way(row), [np.log(sigma)]])

    def held(self, free: Array, value: float, n_theta: int) -> Held:
        """Put the value and the free parameters together.

        Parameters
        ----------
        free : ndarray, shape (f,)
            As ``free`` gives them.
        value : float
            Where the parameter is held.
        n_theta : int
            Number of variance parameters.

        Returns
        -------
        Held
            All parameters.
        """
        if not self.row:
            return Held(free, float(np.log(value)), np.eye(n_theta + 1)[:, :-1])
        factors, slopes = np.zeros(n_theta), np.zeros((n_theta + 1, len(free)))
        others = self.others(n_theta)
        factors[others], slopes[others, np.arange(len(others))] = free[: len(others)], 1.0
        slopes[-1, -1] = 1.0
        inner, row = slice(len(others), len(free) - 1), list(self.row)
        if self.first is None:
            way, turn = _unit(free[inner])
            factors[row], slopes[row, inner] = value * way, value * turn
        else:
            self._hold_correlation(free, value, (factors, slopes))
        return Held(factors, float(free[-1]), slopes)

    def _way(self, row: Array) -> Array:
        return row[1:] if len(row) > 2 else np.zeros(0)

    def _hold_correlation(self, free: Array, value: float, into: tuple[Array, Array]) -> None:
        factors, slopes = into
        start, row = len(factors) - len(self.row) - 1, list(self.row)
        first, length = np.exp(free[start : start + 2])
        way, turn = _unit(free[start + 2 : -1])
        rest = np.sqrt(max(1.0 - value**2, 0.0))
        factors[self.first], slopes[self.first, start] = first, first
        factors[row[0]], factors[row[1:]] = length * value, length * rest * way
        slopes[row, start + 1] = factors[row]
        slopes[row[1:], start + 2 : -1] = length * rest * turn


def variance_parameters(model: MixedModel) -> tuple[VarianceParameter, ...]:
    """List the standard deviations and correlations of a model.

    Parameters
    ----------
    model : MixedModel
        The fit.

    Returns
    -------
    tuple of VarianceParameter
        Term by term: standard deviations, each followed by its correlation with the term's first
        column (further correlations have no simple row); sigma last. Correlations with what does not
        vary are left out.
    """
    found: list[VarianceParameter] = []
    all_places = theta_places(model.description)
    for term, component, places in zip(
        model.description.random, model.components, all_places, strict=True
    ):
        rows = [
            tuple(place for place, row, _ in sorted(places, key=lambda p: p[2]) if row == number)
            for number in range(len(term.columns))
        ]
        varies = component.standard_deviations > 0.0
        for number, row in enumerate(rows):
            found.append(VarianceParameter(f"sd of {term.columns[number]} by {term.name}", row))
            if number and term.correlated and varies[0] and varies[number]:
                found.append(_correlation(term, number, rows))
    return (*found, VarianceParameter("sigma"))


def deviance(problem: Problem, held: Held) -> tuple[float, Array]:
    """Evaluate the criterion with nothing profiled out.

    Parameters
    ----------
    problem : Problem
        Model and numbers.
    held : Held
        All variance parameters.

    Returns
    -------
    value : float
        The criterion.
    gradient : ndarray, shape (f,)
        Its derivatives by the free parameters.
    """
    sigma = float(np.exp(held.log_sigma))
    point = evaluate(problem, held.factors / sigma, sigma2=sigma**2)
    by_sigma = 2.0 * (problem.freedom - point.residual / sigma**2) - point.theta @ point.gradient
    gradient: Array = np.append(point.gradient / sigma, by_sigma) @ held.slopes
    return point.value, gradient


def _correlation(
    term: RandomTerm, number: int, rows: Sequence[tuple[int, ...]]
) -> VarianceParameter:
    name = f"correlation of {term.columns[0]} and {term.columns[number]} by {term.name}"
    return VarianceParameter(name, rows[number], rows[0][0])


def _unit(values: Array) -> tuple[Array, Array]:
    """Scale to length 1, with the derivatives; nothing stands for a single entry that is 1."""
    if not len(values):
        return np.ones(1), np.zeros((1, 0))
    length = float(np.linalg.norm(values))
    way = values / length
    return way, (np.eye(len(values)) - np.outer(way, way)) / length
