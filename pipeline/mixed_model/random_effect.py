"""Conditional modes of the random effects: what the records say about each single group.

The mode is the most likely value of a group's effect given the records and the variances (also
called BLUP or empirical Bayes estimate): a group with few rows is drawn towards the average, one
with many hardly. Modes come from the sums of the fit; the rows are not needed again.

References
----------
Bates D, Maechler M, Bolker B, Walker S (2015). Fitting linear mixed-effects models using lme4.
Journal of Statistical Software 67(1), on conditional modes and their conditional variances.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import polars as pl
from scipy.special import ndtri
from threadpoolctl import threadpool_limits

from pipeline.mixed_model.adjoint import spreads
from pipeline.mixed_model.description import INTERCEPT, RandomTerm
from pipeline.mixed_model.equations import (
    Equations,
    chain_columns,
    group_labels,
    problem_apart,
    solve_equations,
    units_of_codes,
)
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.fit import MixedModel
from pipeline.mixed_model.group_code import codes_of
from pipeline.mixed_model.grouping import Grouping
from pipeline.mixed_model.structure import Structure
from pipeline.mixed_model.tally import Index, tally
from schemas.errors import ModelError


@dataclass(frozen=True, eq=False)
class ConditionalModes:
    """Random effects of one term, group by group.

    Attributes
    ----------
    term : RandomTerm
        The term.
    levels : polars.DataFrame, shape (n, len(term.by))
        Labels of the groups, in their order.
    values : ndarray, shape (n, q)
        Conditional modes of the term's ``columns``, in the outcome's unit (per unit of a slope).
    covariances : ndarray, shape (n, q, q)
        Conditional covariance of each group's effects: how far they may lie from the modes if the
        coefficients and the variances were known.
    """

    term: RandomTerm
    levels: pl.DataFrame
    values: Array
    covariances: Array

    @property
    def standard_deviations(self) -> Array:
        """Conditional standard deviations, shape (n, q)."""
        # Rounding may leave less than nothing of a variance that is next to zero.
        found: Array = np.sqrt(np.maximum(np.einsum("nii->ni", self.covariances), 0.0))
        return found


@lru_cache(maxsize=4)
def conditional_modes(model: MixedModel) -> tuple[ConditionalModes, ...]:
    """Give the conditional modes of every random term.

    Parameters
    ----------
    model : MixedModel
        The fit.

    Returns
    -------
    tuple of ConditionalModes
        One for each random term, in the description's order; computed once for a model. Where a
        variance is zero, modes and standard deviations are.
    """
    found: dict[int, ConditionalModes] = {}
    with threadpool_limits(limits=1, user_api="blas"):  # as in the fit
        equations = solve_equations(problem_apart(model), model.theta)
        structure = equations.structure
        outer = _outer_effects(equations)
        values = [*_chain_effects(equations, outer), *_by_grouping(structure, outer)]
        variances = _variances(equations)
    for grouping, effects, covariance in zip(structure.groupings, values, variances, strict=True):
        start = 0
        for place in grouping.terms:
            term = model.description.random[place]
            own = slice(start, start := start + len(term.columns))
            found[place] = _of_term(
                structure,
                (term, grouping),
                effects[:, own] * structure.basis.scale,
                covariance[:, own, own] * model.sigma2,
            )
    return tuple(found[place] for place in sorted(found))


def caterpillar(
    modes: ConditionalModes, *, column: str = INTERCEPT, confidence: float = 0.95
) -> pl.DataFrame:
    """Sort the groups of one term by their effect.

    Parameters
    ----------
    modes : ConditionalModes
        Effects of the groups.
    column : str
        Which of the term's columns: the intercept or a slope.
    confidence : float
        Of each group's interval, between 0 and 1.

    Returns
    -------
    polars.DataFrame, shape (n, len(by) + 4)
        The labels, ``value``, ``standard_deviation``, ``low`` and ``high``, smallest value first.
        The intervals treat the effect as normal, and coefficients and variances as known: two that
        overlap do not show that the groups are alike.

    Raises
    ------
    ModelError
        The term has no such column.
    """
    if column not in modes.term.columns:
        raise ModelError(
            "random effects",
            f"“{column}” does not vary by {modes.term.name}",
            f"Name one of: {', '.join(modes.term.columns)}.",
        )
    place = modes.term.columns.index(column)
    value, deviation = modes.values[:, place], modes.standard_deviations[:, place]
    half = ndtri(0.5 + confidence / 2.0) * deviation
    frame = modes.levels.with_columns(
        value=value, standard_deviation=deviation, low=value - half, high=value + half
    )
    return frame[np.argsort(value, kind="stable")]  # groups that are alike stay in order of label


def group_places(levels: pl.DataFrame, frame: pl.DataFrame) -> Index:
    """Find the group of each row.

    Parameters
    ----------
    levels : polars.DataFrame, shape (n_groups, g)
        Labels of the groups.
    frame : polars.DataFrame, shape (n, ...)
        Rows with the columns of the labels.

    Returns
    -------
    ndarray of int, shape (n,)
        Place among the groups; -1 for a row of another group or with a null.

    Raises
    ------
    ModelError
        The frame lacks a column of the labels.
    """
    missing = [name for name in levels.columns if name not in frame.columns]
    if missing:
        raise ModelError(
            f"column “{missing[0]}”",
            "it names the groups of a random term, but the rows do not have it",
            "Add it to the rows, or take the term as that of a new group.",
        )
    like = [pl.col(name).cast(dtype, strict=False) for name, dtype in levels.schema.items()]
    numbered = levels.with_columns(pl.int_range(pl.len(), dtype=pl.Int64).alias("(place)"))
    joined = frame.select(like).join(numbered, on=levels.columns, how="left", maintain_order="left")
    return joined["(place)"].fill_null(-1).to_numpy()


def _outer_effects(equations: Equations) -> Array:
    """Modes of the outer columns, shape (n_outer,), for an outcome of the basis' scale."""
    found: Array = equations.outer_factor @ equations.solution.effects
    return found + 0.0  # no zero with a sign


def _chain_effects(equations: Equations, outer: Array) -> list[Array]:
    """Modes of each stage's units, finest first, for an outcome of the basis' scale."""
    structure, found = equations.structure, []
    above = np.zeros((1, len(structure.chain)))  # what coarser units add to each varying column
    for level in reversed(range(len(structure.stages))):
        stage = structure.stages[level]
        if stage.parents is None:
            above = np.repeat(above, stage.n_units, axis=0)
        else:
            above = above[stage.parent]
        rest = _unexplained(equations, level, outer, above)
        effects = np.einsum("ijn,nj->ni", equations.elimination.traces[level].gain, rest) + 0.0
        above[:, chain_columns(structure, stage)] += effects
        found.append(effects[units_of_codes(structure, stage)])
    return found[::-1]


def _unexplained(equations: Equations, level: int, outer: Array, above: Array) -> Array:
    """Give the sums that neither fixed part, outer columns nor coarser units explain."""
    structure, trace = equations.structure, equations.elimination.traces[level]
    stage = structure.stages[level]
    known = np.append(-equations.solution.coefficients, 1.0)
    z, total = len(structure.chain), []
    for row in stage.own:
        rest = trace.dense[row][:, z:] @ known
        rest -= np.einsum("nc,nc->n", trace.dense[row][:, :z], above)
        touched = trace.entries[row] * outer[stage.entry_column]
        total.append(rest - tally(stage.entry_unit, touched, stage.n_units))
    return np.column_stack(total)


def _variances(equations: Equations) -> list[Array]:
    """Conditional covariances of each grouping's groups at sigma = 1, shape (n, q, q)."""
    structure, inverse = equations.structure, equations.solution.adjoint
    found = [
        np.moveaxis(spread, 2, 0)[units_of_codes(structure, stage)]
        for spread, stage in zip(
            spreads(structure, equations.elimination, inverse), structure.stages, strict=True
        )
    ]
    start = 0
    for grouping in structure.outer:
        q = len(grouping.columns)
        columns = start + np.arange(grouping.n_levels * q).reshape(-1, q)
        low = np.minimum(columns[:, :, None], columns[:, None, :])
        high = np.maximum(columns[:, :, None], columns[:, None, :])
        places = np.searchsorted(structure.pairs, low * structure.n_outer + high)
        found.append(inverse.outer[places])
        start += grouping.n_levels * q
    return found


def _by_grouping(structure: Structure, outer: Array) -> list[Array]:
    sizes = [grouping.n_levels * len(grouping.columns) for grouping in structure.outer]
    parts = np.split(outer, np.cumsum(sizes)[:-1]) if sizes else []
    return [
        part.reshape(grouping.n_levels, -1)
        for part, grouping in zip(parts, structure.outer, strict=True)
    ]


def _of_term(
    structure: Structure, owner: tuple[RandomTerm, Grouping], values: Array, covariances: Array
) -> ConditionalModes:
    """Label the groups; a second term may name the columns of its groups in another order."""
    term, grouping = owner
    levels = group_labels(structure, grouping, term.by)
    if term.by != grouping.by:
        order = np.argsort(codes_of(levels))
        levels, values, covariances = levels[order], values[order], covariances[order]
    return ConditionalModes(term, levels, values, covariances)
