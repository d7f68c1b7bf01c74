"""Mixed-model equations of a fit, solved with every group kept apart.

Their solution is the coefficients with the conditional modes of all random effects, and the inverse
of their matrix says how the errors of both hang together. The matrix is never written out: the
chain of nested groups is eliminated as in the fit.

References
----------
Henderson CR (1975). Best linear unbiased estimation and prediction under a selection model.
Biometrics 31:423-447.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.sparse import block_diag, csr_matrix, identity, kron

from pipeline.mixed_model.bordered import Solution, Weighting, solve
from pipeline.mixed_model.criterion import Problem, pose
from pipeline.mixed_model.elimination import Elimination, eliminate
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.fit import MixedModel
from pipeline.mixed_model.grouping import Grouping
from pipeline.mixed_model.stage import Stage
from pipeline.mixed_model.structure import Structure, build_structure
from pipeline.mixed_model.tally import Index
from pipeline.mixed_model.theta import grouping_factor

PLAIN = Weighting(basis=0.0, residual=0.0, freedom=0.0)
"""Makes the adjoint of what is left the inverse of the outer columns' matrix, and nothing else."""


@dataclass(frozen=True, eq=False)
class Equations:
    """Solved equations.

    Attributes
    ----------
    problem : Problem
        Model and numbers.
    elimination : Elimination
        The chain of nested groups.
    factors : tuple of ndarray, shape (q, q)
        Relative Cholesky factor of each outer grouping.
    solution : Solution
        The rest; its ``adjoint.outer`` is the inverse of the outer columns' matrix.
    """

    problem: Problem
    elimination: Elimination
    factors: tuple[Array, ...]
    solution: Solution

    @property
    def structure(self) -> Structure:
        """The layout."""
        return self.problem.structure

    @property
    def outer_factor(self) -> csr_matrix:
        """Relative Cholesky factor of all outer columns, shape (n_outer, n_outer)."""
        parts = [
            kron(identity(grouping.n_levels), factor)
            for grouping, factor in zip(self.structure.outer, self.factors, strict=True)
        ]
        return block_diag(parts, format="csr") if parts else csr_matrix((0, 0))


def solve_equations(problem: Problem, theta: Array) -> Equations:
    """Solve the equations at given variance parameters.

    Parameters
    ----------
    problem : Problem
        Model and numbers; groups that are to be told apart must be (``problem_apart``).
    theta : ndarray, shape (m,)
        Variance parameters.

    Returns
    -------
    Equations
        The solution, for an outcome of the basis' scale.
    """
    structure = problem.structure
    factors = [
        grouping_factor(problem.description, grouping, theta) for grouping in structure.groupings
    ]
    n_stages = len(structure.stages)
    chain = eliminate(structure, tuple(factors[:n_stages]))
    outer = tuple(factors[n_stages:])
    solution = solve(structure, problem.division, chain.remainder, outer, PLAIN)
    return Equations(problem, chain, outer, solution)


def problem_apart(model: MixedModel) -> Problem:
    """Lay the model's sums out with every group kept apart.

    Parameters
    ----------
    model : MixedModel
        The fit.

    Returns
    -------
    Problem
        The same problem; the fit itself puts groups of one size together.
    """
    if model.problem.structure.classes is None:
        return model.problem
    return pose(build_structure(model.statistics, by_size=False), model.problem.method)


def units_of_codes(structure: Structure, stage: Stage) -> Index:
    """Say which unit of a stage each group is.

    Parameters
    ----------
    structure : Structure
        The layout, without classes.
    stage : Stage
        A stage of its chain.

    Returns
    -------
    ndarray of int, shape (n_units,)
        Unit of the group with each code of ``stage.grouping``.
    """
    # Units are numbered along the cells sorted by the chain, the coarsest grouping first.
    order = np.lexsort([other.grouping.codes for other in structure.stages])
    codes = stage.grouping.codes[order]
    firsts = np.flatnonzero(np.diff(codes, prepend=-1))
    units = np.empty(stage.n_units, dtype=np.int64)
    units[codes[firsts]] = np.arange(stage.n_units)
    return units


def group_labels(structure: Structure, grouping: Grouping, by: tuple[str, ...]) -> pl.DataFrame:
    """Give the labels of the groups in the order of their codes.

    Parameters
    ----------
    structure : Structure
        The layout.
    grouping : Grouping
        One of its groupings.
    by : tuple of str
        Columns of the grouping, in the order wanted.

    Returns
    -------
    polars.DataFrame, shape (n_levels, g)
        Labels.
    """
    cells = np.empty(grouping.n_levels, dtype=np.int64)
    cells[grouping.codes] = np.arange(len(grouping.codes))
    return structure.statistics.groups.select(by)[cells]


def chain_columns(structure: Structure, stage: Stage) -> list[int]:
    """Say which of the chain's varying columns vary by a stage.

    Parameters
    ----------
    structure : Structure
        The layout.
    stage : Stage
        A stage of its chain.

    Returns
    -------
    list of int
        Places among ``structure.chain``.
    """
    return [structure.chain.index(stage.rows[place]) for place in stage.own]
