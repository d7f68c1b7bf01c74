"""Variance of the joint error of coefficients and conditional modes, for given sums of both.

For a row with fixed columns x and random columns z of known groups, the error of x b + z u is as
``l' C^-1 l`` with l = (x, z) and C the matrix of the mixed-model equations. It is found as the
equations are solved, one unit after the other: what a unit adds is ``l_u' A_u l_u``, and the rest
of l becomes ``l - E_u' A_u l_u``. So a row costs what it touches, however many groups there are.

References
----------
Henderson CR (1975). Best linear unbiased estimation and prediction under a selection model.
Biometrics 31:423-447.
"""

from collections.abc import Set
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.sparse import coo_matrix, csr_matrix, diags, hstack, identity
from scipy.sparse.linalg import SuperLU, splu

from pipeline.mixed_model.criterion import Problem
from pipeline.mixed_model.description import TIMES
from pipeline.mixed_model.equations import (
    Equations,
    chain_columns,
    group_labels,
    units_of_codes,
)
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.expected_outcome import known_places, varying_columns
from pipeline.mixed_model.grouping import Grouping
from pipeline.mixed_model.stage import Stage
from pipeline.mixed_model.tally import Index
from schemas.errors import ModelError

BLOCK_ROWS = 1024
"""Rows that are solved for at a time."""


@dataclass(frozen=True, eq=False)
class Sums:
    """Sums of coefficients and random effects, one for each row.

    Attributes
    ----------
    basis : ndarray, shape (n, r)
        Weights of the coefficients on the basis.
    units : tuple of (ndarray of int or None), each of shape (n,)
        Of each stage of the chain, the unit that a row belongs to; None where the stage's effects
        are no part of the sums. Units of a coarser stage are those that the finer ones lie in.
    weights : tuple of (ndarray or None), each of shape (n, q)
        Weights of that unit's effects.
    outer : csr_matrix, shape (n, n_outer)
        Weights of the outer columns.
    """

    basis: Array
    units: tuple[Index | None, ...]
    weights: tuple[Array | None, ...]
    outer: csr_matrix

    def __getitem__(self, rows: slice) -> "Sums":
        """Take some rows."""
        return Sums(
            self.basis[rows],
            tuple(None if part is None else part[rows] for part in self.units),
            tuple(None if part is None else part[rows] for part in self.weights),
            self.outer[rows],
        )


def joint_error_variances(equations: Equations, sums: Sums) -> Array:
    """Give the variance of the error of each sum, at sigma = 1.

    Parameters
    ----------
    equations : Equations
        The solved equations; of stages whose units occur in the sums, with each unit apart.
    sums : Sums
        The sums.

    Returns
    -------
    ndarray, shape (n,)
        Variance of estimated less true sum, over the coefficients' and the random effects'
        variation; the variance parameters are taken as known.
    """
    has_effects = sums.outer.nnz > 0 or any(unit is not None for unit in sums.units)
    solver = _outer_solver(equations) if has_effects else None
    starts = range(0, len(sums.basis), BLOCK_ROWS)
    parts = [_of_block(equations, solver, sums[start : start + BLOCK_ROWS]) for start in starts]
    return np.concatenate([np.zeros(0), *parts])


def sums_of_rows(
    problem: Problem, fixed: Array, rows: pl.DataFrame, known: Set[frozenset[str]]
) -> Sums:
    """Lay out the sums that stand for the expected outcomes of rows.

    Parameters
    ----------
    problem : Problem
        Model and numbers; units of known groups of the chain are apart.
    fixed : ndarray, shape (n, r)
        Values of the kept fixed columns.
    rows : polars.DataFrame, shape (n, ...)
        Rows with the labels of known groups and the slopes, without missing values.
    known : set of frozenset of str
        Columns that name known groups, for each random term whose effects are counted.

    Returns
    -------
    Sums
        The sums.

    Raises
    ------
    ModelError
        A group is not in the records, or lies in another one than there.
    """
    structure = problem.structure
    units: list[Index | None] = []
    weights: list[Array | None] = []
    above: Index | None = None  # unit of this stage in which the known finer one lies
    for stage in structure.stages:
        unit = effects = None
        if frozenset(stage.grouping.by) in known:
            codes, effects = _known(problem, stage.grouping, rows)
            unit = units_of_codes(structure, stage)[codes]
            _check_nesting(stage, unit, above)
        units.append(unit)
        weights.append(effects)
        above = above if unit is None else unit
        above = stage.parent[above] if above is not None and stage.parents is not None else above
    outer = [csr_matrix((rows.height, 0))]
    for grouping in structure.outer:
        if frozenset(grouping.by) in known:
            outer.append(_outer_weights(grouping, *_known(problem, grouping, rows)))
        else:
            outer.append(csr_matrix((rows.height, grouping.n_levels * len(grouping.columns))))
    together = hstack(outer, format="csr")
    return Sums(fixed @ structure.basis.back, tuple(units), tuple(weights), together)


def _known(problem: Problem, grouping: Grouping, rows: pl.DataFrame) -> tuple[Index, Array]:
    """Give the code of each row's group, and the weights of its effects."""
    structure = problem.structure
    labels = group_labels(structure, grouping, grouping.by)
    names = tuple(structure.statistics.varying[column] for column in grouping.columns)
    return known_places(labels, rows), varying_columns(rows, names)


def _check_nesting(stage: Stage, unit: Index, above: Index | None) -> None:
    """Refuse a group that lies in another one than in the records.

    Raises
    ------
    ModelError
        There is one.
    """
    n_other = 0 if above is None else int((unit != above).sum())
    if n_other:
        name = TIMES.join(stage.grouping.by)
        raise ModelError(
            "prediction",
            f"{n_other:,} of {len(unit):,} rows put a known group into another {name} than the "
            "records do",
            f"Take {name} as new, or what lies in it.",
        )


def _outer_weights(grouping: Grouping, codes: Index, weights: Array) -> csr_matrix:
    n, q = weights.shape
    columns = codes[:, None] * q + np.arange(q)
    place = (np.repeat(np.arange(n), q), columns.ravel())
    return csr_matrix((weights.ravel(), place), shape=(n, grouping.n_levels * q))


def _of_block(equations: Equations, solver: SuperLU | None, sums: Sums) -> Array:
    total = np.zeros(len(sums.basis))
    rest = _Rest(
        sums.basis.copy(), np.zeros((len(total), len(equations.structure.chain))), sums.outer
    )
    unit: Index | None = None
    for level, stage in enumerate(equations.structure.stages):
        unit = sums.units[level] if unit is None else unit
        if unit is None:
            continue
        own = rest.chain[:, chain_columns(equations.structure, stage)]
        weights = sums.weights[level]
        total += rest.eliminate(equations, level, unit, own if weights is None else own + weights)
        unit = stage.parent[unit] if stage.parents is not None else unit
    if solver is not None:
        turned = (rest.outer @ equations.outer_factor).toarray()
        solved = solver.solve(turned.T)
        total += np.einsum("no,on->n", turned, solved)
        mixed = equations.outer_factor.T @ equations.elimination.remainder.mixed[:, :-1]
        rest.basis -= solved.T @ mixed
    total += np.einsum("ni,ij,nj->n", rest.basis, equations.solution.inverse, rest.basis)
    return total


@dataclass(eq=False)
class _Rest:
    """What is left of the sums' weights, after finer units were eliminated.

    Attributes
    ----------
    basis : ndarray, shape (n, r)
        On the basis.
    chain : ndarray, shape (n, z)
        On each varying column of the chain, of any coarser unit.
    outer : csr_matrix, shape (n, n_outer)
        On the outer columns.
    """

    basis: Array
    chain: Array
    outer: csr_matrix

    def eliminate(self, equations: Equations, level: int, unit: Index, own: Array) -> Array:
        """Eliminate each row's unit of one stage; give what that adds to the variance."""
        structure, trace = equations.structure, equations.elimination.traces[level]
        stage, z = structure.stages[level], len(structure.chain)
        drawn = np.einsum("ijn,nj->ni", trace.gain[:, :, unit], own)
        for place, row in enumerate(stage.own):
            sums = trace.dense[row][unit] * drawn[:, [place]]
            self.chain -= sums[:, :z]
            self.basis -= sums[:, z:-1]
            if len(stage.entry_unit):
                touched = _by_unit(stage, trace.entries[row], structure.n_outer)[unit]
                self.outer = self.outer - diags(drawn[:, place]) @ touched
        added: Array = np.einsum("ni,ni->n", own, drawn)
        return added


def _by_unit(stage: Stage, values: Array, n_outer: int) -> csr_matrix:
    place = (stage.entry_unit, stage.entry_column)
    return csr_matrix((values, place), shape=(stage.n_units, n_outer))


def _outer_solver(equations: Equations) -> SuperLU | None:
    """Factorise the outer columns' matrix, ``Lambda' G Lambda + I``."""
    structure, n = equations.structure, equations.structure.n_outer
    if n == 0:
        return None
    first, second = np.divmod(structure.pairs, n)
    values = equations.elimination.remainder.outer
    upper = coo_matrix((values, (first, second)), shape=(n, n)).tocsr()
    whole = upper + upper.T - diags(upper.diagonal())
    factor = equations.outer_factor
    matrix = (factor.T @ whole @ factor + identity(n)).tocsc()
    # Symmetric and positive definite: no pivots, and an order that keeps it sparse.
    return splu(
        matrix,
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )
