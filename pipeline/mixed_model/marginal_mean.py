"""Marginal means: what a model expects for some levels, averaged over everything else it holds.

A reference grid names the values at which the model is looked at: all levels of each factor, and each
number at its mean or where it is wanted. A marginal mean is the average of the model's expectation over
the grid, with equal weights for the levels of a factor (a design question: *what if all were as common*)
or with the shares they have in the records. The average is linear in the coefficients, so that it is
given as weights on the columns of the design; `contrast.estimate` does the rest.

References
----------
Searle SR, Speed FM, Milliken GA (1980). Population marginal means in the linear model: an alternative
to least squares means. American Statistician 34:216-221.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations, product
from math import prod
from typing import Literal, Protocol

import numpy as np
import polars as pl

from pipeline.mixed_model.columns import Column, Levels, Part, column_values, raw_columns
from pipeline.mixed_model.description import TIMES, Factor, ModelDescription
from pipeline.mixed_model.exact_sums import Array
from schemas.errors import ModelError, nearest_names

Values = tuple[str, ...] | tuple[float, ...]
"""Levels of a factor, or values of a number."""

Shares = Mapping[str, Mapping[str, float]]
"""Share of each level of each factor."""

MINUS = " − "
"""Between the two sides of a difference's label."""


class Gridded(Protocol):
    """What a model has to offer to be averaged over: `fit.MixedModel` does."""

    @property
    def description(self) -> ModelDescription:
        """The model."""

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns of the design, length p."""

    @property
    def levels(self) -> Levels:
        """Levels of each factor."""

    @property
    def means(self) -> dict[str, float]:
        """Mean of each number over the rows."""

    @property
    def shares(self) -> dict[str, dict[str, float]]:
        """Share of the rows at each level of each factor."""


@dataclass(frozen=True, eq=False)
class ReferenceGrid:
    """Values at which a model is looked at.

    Attributes
    ----------
    values : dict of str to tuple
        By factor its levels, by number its values, in the order of the description.
    """

    values: dict[str, Values]

    @property
    def frame(self) -> pl.DataFrame:
        """One row for each combination of the values; those of the last column change fastest."""
        return _combined(self.values)[0]


@dataclass(frozen=True, eq=False)
class MarginalWeights:
    """Marginal means as weights on the design.

    Attributes
    ----------
    cells : polars.DataFrame, shape (m, q)
        The combination of levels that each mean belongs to, a column for each factor that is named.
    weights : ndarray, shape (m, p)
        Weights of each mean on the columns of the design.
    """

    cells: pl.DataFrame
    weights: Array


@dataclass(frozen=True, eq=False)
class Contrasts:
    """Differences of marginal means as weights on the design.

    Attributes
    ----------
    labels : tuple of str, length c
        What is compared, such as ``lateral − distal``.
    within : tuple of str, length c
        Levels at which both sides stand, such as ``side=left``; empty where there are none.
    weights : ndarray, shape (c, p)
        Weights on the columns of the design.
    """

    labels: tuple[str, ...]
    within: tuple[str, ...]
    weights: Array


def marginal_weights(
    model: Gridded,
    factors: tuple[str, ...],
    *,
    weights: Literal["equal", "observed"] = "equal",
    shares: Shares | None = None,
    at: Mapping[str, float | tuple[float, ...]] | None = None,
) -> MarginalWeights:
    """Average the model over everything but the factors named.

    Parameters
    ----------
    model : Gridded
        The fit.
    factors : tuple of str
        Factors (or numbers with several values in ``at``) whose combinations get a mean each; none for
        the overall mean.
    weights : {"equal", "observed"}
        Over the levels of the other factors. Observed weights are products of each factor's own
        shares: what the records would hold if the factors were unrelated in them.
    shares : Mapping, optional
        Observed shares of the levels of each factor, in place of the model's own; only their ratios
        count.
    at : Mapping, optional
        Value of a number or spline, or several, where it is not to stand at its mean. Several that
        are not among ``factors`` are averaged with equal weights.

    Returns
    -------
    MarginalWeights
        The means, those of the last factor's levels changing fastest.

    Raises
    ------
    ModelError
        If a name is not in the model, or a share or mean is missing.
    """
    grid = reference_grid(model.description, model.levels, model.means, at)
    _check_names(factors, grid.values, "the model averages over no such factor")
    cells, places = _combined({name: grid.values[name] for name in factors})
    known = None if weights == "equal" else model.shares if shares is None else shares
    averages = {
        name: _shares_of(name, values, known if name in model.levels else None)
        for name, values in grid.values.items()
        if name not in factors
    }
    raw = {column.name: column for column in raw_columns(model.description, model.levels)}
    matrix = np.empty((prod(len(grid.values[name]) for name in factors), len(model.columns)))
    for j, name in enumerate(model.columns):
        matrix[:, j] = _means_of(raw[name], grid, places, averages)
    return MarginalWeights(cells, matrix)


def reference_grid(
    description: ModelDescription,
    levels: Levels,
    means: Mapping[str, float],
    at: Mapping[str, float | tuple[float, ...]] | None = None,
) -> ReferenceGrid:
    """Name the values at which a model is looked at.

    Parameters
    ----------
    description : ModelDescription
        The model.
    levels : dict of str to tuple of str
        Levels of each factor.
    means : Mapping of str to float
        Mean of each number, and of the number below each spline.
    at : Mapping, optional
        Value of a number or spline, or several, in place of its mean.

    Returns
    -------
    ReferenceGrid
        The grid.

    Raises
    ------
    ModelError
        If ``at`` names what is no number of the model, or a mean is missing.
    """
    chosen = {} if at is None else at
    numbers = [t.name for t in description.main_terms if not isinstance(t, Factor)]
    _check_names(chosen, numbers, "the model has no such number to be set")
    values: dict[str, Values] = {}
    for term in description.main_terms:
        name = term.name
        if isinstance(term, Factor):
            values[name] = levels[name]
            continue
        if name not in chosen and name not in means:
            remedy = f"Say at which value of “{name}” the means are wanted."
            raise ModelError(f"number “{name}”", "its mean is not known", remedy)
        value = chosen.get(name, means.get(name, np.nan))
        values[name] = tuple(map(float, value)) if isinstance(value, tuple) else (float(value),)
    return ReferenceGrid(values)


def pairwise(cells: pl.DataFrame, weights: Array) -> Contrasts:
    """Compare each mean with every later one.

    Parameters
    ----------
    cells : polars.DataFrame, shape (m, q)
        Combination of levels of each mean.
    weights : ndarray, shape (m, p)
        Weights of each mean.

    Returns
    -------
    Contrasts
        A − B, A − C, …, B − C, …: m (m - 1) / 2 differences.
    """
    labels = [", ".join(map(_word, row)) for row in cells.iter_rows()]
    return _differences([("", list(range(len(labels))))], labels, weights)


def simple_effects(cells: pl.DataFrame, weights: Array, factor: str) -> Contrasts:
    """Compare the levels of one factor within each combination of the others.

    Parameters
    ----------
    cells : polars.DataFrame, shape (m, q)
        Combination of levels of each mean.
    weights : ndarray, shape (m, p)
        Weights of each mean.
    factor : str
        Whose levels are compared.

    Returns
    -------
    Contrasts
        For each combination of the others, in their order, A − B, A − C, …, B − C, ….

    Raises
    ------
    ModelError
        If the cells have no such factor.
    """
    _check_names([factor], cells.columns, "the means are not by this factor")
    others = cells.drop(factor)
    groups: dict[str, list[int]] = {}
    for place, row in enumerate(others.iter_rows() if others.width else [()] * cells.height):
        words = (f"{name}={_word(value)}" for name, value in zip(others.columns, row, strict=True))
        groups.setdefault(", ".join(words), []).append(place)
    return _differences(groups.items(), [_word(value) for value in cells[factor]], weights)


def interaction_contrasts(cells: pl.DataFrame, weights: Array) -> Contrasts:
    """Compare the differences between levels of one factor across the levels of the others.

    Parameters
    ----------
    cells : polars.DataFrame, shape (m, q)
        All combinations of the levels of two or more factors.
    weights : ndarray, shape (m, p)
        Weights of each mean.

    Returns
    -------
    Contrasts
        Differences of differences, a pair of levels from each factor; pairs of the last factor change
        fastest.

    Raises
    ------
    ModelError
        If the means are by one factor only.
    """
    if cells.width < 2:
        problem = "the means are by one factor only"
        raise ModelError(
            "interaction", problem, "Name the factors whose effects may depend on each other."
        )
    place = {row: i for i, row in enumerate(cells.iter_rows())}
    pairs = [combinations(column.unique(maintain_order=True), 2) for column in cells]
    labels, rows, nothing = [], [], np.zeros(weights.shape[1])
    for chosen in product(*map(list, pairs)):
        labels.append(TIMES.join(f"({_word(a)}{MINUS}{_word(b)})" for a, b in chosen))
        corners = product(*(((a, 1), (b, -1)) for a, b in chosen))
        signed = [(tuple(v for v, _ in corner), prod(s for _, s in corner)) for corner in corners]
        rows.append(sum((sign * weights[place[cell]] for cell, sign in signed), start=nothing))
    return Contrasts(tuple(labels), ("",) * len(labels), _stacked(rows, weights))


def _means_of(
    column: Column, grid: ReferenceGrid, places: dict[str, Array], averages: dict[str, Array]
) -> Array | float:
    """Average a column for each cell: over a product of unrelated values, average by average."""
    parts: dict[str, tuple[Part, ...]] = {}
    for part in column.parts:
        parts[part.term.name] = (*parts.get(part.term.name, ()), part)
    value: Array | float = 1.0
    for name, own in parts.items():
        found = column_values(Column(name, own), pl.DataFrame({name: grid.values[name]}))
        value = value * (found[places[name]] if name in places else averages[name] @ found)
    return value


def _combined(values: Mapping[str, Values]) -> tuple[pl.DataFrame, dict[str, Array]]:
    """Combine values, the last changing fastest, and say which one stands in each row."""
    sizes = [len(one) for one in values.values()]
    places = np.indices(sizes).reshape(len(sizes), prod(sizes))
    frame = pl.DataFrame(height=prod(sizes)).with_columns(
        pl.Series(name, one).gather(at)
        for (name, one), at in zip(values.items(), places, strict=True)
    )
    return frame, dict(zip(values, places, strict=True))


def _shares_of(name: str, values: Values, shares: Shares | None) -> Array:
    # The weights sum to one; without shares they are equal.
    if shares is None:
        return np.full(len(values), 1.0 / len(values))
    missing = [value for value in values if value not in shares.get(name, {})]
    if missing:
        problem = f"the share of “{missing[0]}” is not known"
        raise ModelError(
            f"factor “{name}”", problem, "Give the share of every level, or take equal weights."
        )
    found = np.array([shares[name][str(value)] for value in values], dtype=np.float64)
    return np.asarray(found / found.sum())


def _differences(
    groups: Iterable[tuple[str, list[int]]], labels: list[str], weights: Array
) -> Contrasts:
    pairs = [(within, a, b) for within, places in groups for a, b in combinations(places, 2)]
    rows = [weights[a] - weights[b] for _, a, b in pairs]
    return Contrasts(
        tuple(f"{labels[a]}{MINUS}{labels[b]}" for _, a, b in pairs),
        tuple(within for within, _, _ in pairs),
        _stacked(rows, weights),
    )


def _stacked(rows: list[Array], weights: Array) -> Array:
    """Stack rows; there may be none."""
    return np.array(rows, dtype=np.float64).reshape(len(rows), weights.shape[1])


def _check_names(names: Iterable[str], known: Iterable[str], problem: str) -> None:
    known = tuple(known)
    for name in names:
        if name not in known:
            near = nearest_names(name, known)
            raise ModelError(f"“{name}”", problem, f"Name one of the model's ({near}).")


def _word(value: str | float) -> str:
    return value if isinstance(value, str) else f"{value:g}"
