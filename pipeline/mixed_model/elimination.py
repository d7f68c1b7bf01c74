"""Elimination of the chain of nested groups, and the derivatives back through it.

With ``E`` the sums of a unit on its own varying columns (rows) by everything else that it touches
(columns), and ``A = Lambda (I + Lambda' E_zz Lambda)^-1 Lambda'``, eliminating the unit takes
``E' A E`` from the cross-products of all that is left and adds ``log det(I + Lambda' E_zz Lambda)`` to
the criterion. Units of a stage don't touch one another; what is left of their sums is added up to
those of the next stage. The way back carries the criterion's derivatives by the sums (*adjoints*)
from the coarsest stage to the finest, and yields the derivatives by every Lambda at about the cost of
the way there.

References
----------
Bates D, Maechler M, Bolker B, Walker S (2015). Fitting linear mixed-effects models using lme4.
Journal of Statistical Software 67(1), section 3, for the criterion.
Griewank A, Walther A (2008). Evaluating derivatives, 2nd ed. SIAM, chapter 3, for the way back.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix

from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.stage import Stage
from pipeline.mixed_model.structure import Structure
from pipeline.mixed_model.tally import tally


@dataclass(frozen=True, eq=False)
class Remainder:
    """Cross-products of what is left after the chain: outer columns, basis and residual.

    Attributes
    ----------
    outer : ndarray, shape (n_pairs,)
        On pairs of outer columns.
    mixed : ndarray, shape (n_outer, j)
        On outer columns by basis and residual.
    dense : ndarray, shape (j, j)
        On basis and residual.
    """

    outer: Array
    mixed: Array
    dense: Array


@dataclass(frozen=True, eq=False)
class StageTrace:
    """What one stage left behind for the way back.

    Attributes
    ----------
    dense, entries : ndarray
        Sums of the units when their turn came.
    gain : ndarray, shape (q, q, units)
        ``A`` of each unit.
    core : ndarray, shape (q, q, units)
        Inverse of ``I + Lambda' E_zz Lambda``.
    weighed, weighed_entries : list of ndarray
        Rows of ``A E``; empty with classes.
    """

    dense: Array
    entries: Array
    gain: Array
    core: Array
    weighed: list[Array]
    weighed_entries: list[Array]


@dataclass(frozen=True, eq=False)
class Elimination:
    """The chain eliminated at one value of its variance parameters.

    Attributes
    ----------
    remainder : Remainder
        What is left.
    log_determinant : float
        Of all units.
    factors : tuple of ndarray, shape (q, q)
        Relative Cholesky factor of each stage.
    traces : tuple of StageTrace
        Finest stage first.
    """

    remainder: Remainder
    log_determinant: float
    factors: tuple[Array, ...]
    traces: tuple[StageTrace, ...]


def eliminate(structure: Structure, factors: tuple[Array, ...]) -> Elimination:
    """Eliminate the chain.

    Parameters
    ----------
    structure : Structure
        The layout.
    factors : tuple of ndarray, shape (q, q)
        Relative Cholesky factor of each stage, finest first.

    Returns
    -------
    Elimination
        What is left, and the trace.
    """
    z, n_basis = len(structure.chain), structure.basis.transform.shape[1]
    left = Remainder(
        structure.outer_outer.copy(),
        structure.outer_dense.copy(),
        _start(n_basis),
    )
    dense, entries = structure.dense, structure.entries
    log_determinant, traces = 0.0, []
    for level, (stage, factor) in enumerate(zip(structure.stages, factors, strict=True)):
        own = own_sums(structure, level, dense)
        core, log_core = _core(own, factor)
        gain = _sandwich(factor, core)
        classes = structure.classes if level == 0 else None
        rows = range(len(stage.own)) if classes is None else range(0)
        trace = StageTrace(
            dense, entries, gain, core,
            [_weighed_rows(stage, dense, gain, i) for i in rows],
            [_weighed_entries(stage, entries, gain, i) for i in rows],
        )  # fmt: skip
        traces.append(trace)
        if classes is not None:
            log_determinant += float(classes.frequencies @ by_size(structure, log_core))
            _take_classes(structure, gain[0, 0], left)
        else:
            log_determinant += float(log_core.sum())
            _take(stage, trace, left, z)
        if stage.parents is not None:
            dense, entries = _pass_up(structure, level, trace)
    return Elimination(left, log_determinant, factors, tuple(traces))


def _start(n_basis: int) -> Array:
    """Cross-products of an orthonormal basis and a residual of length 1."""
    return np.eye(n_basis)


def own_sums(structure: Structure, level: int, dense: Array) -> Array:
    """Give E_zz: the sums of a unit on its own varying columns.

    Parameters
    ----------
    structure : Structure
        The layout.
    level : int
        Place of the stage.
    dense : ndarray, shape (rows, units, columns)
        Sums of its units.

    Returns
    -------
    ndarray, shape (q, q, units)
        The sums.
    """
    classes = structure.classes
    if level == 0 and classes is not None:
        return classes.sizes[classes.of_sort][None, None]
    stage = structure.stages[level]
    columns = [structure.chain.index(stage.rows[i]) for i in stage.own]
    return np.stack([np.stack([dense[i][:, c] for c in columns]) for i in stage.own])


def by_size(structure: Structure, values: Array) -> Array:
    """Take a value of each sort of unit to one of each size; sorts of one size have the same.

    Parameters
    ----------
    structure : Structure
        The layout, with classes.
    values : ndarray, shape (sorts,)
        Values.

    Returns
    -------
    ndarray, shape (sizes,)
        Values.
    """
    classes = structure.classes
    assert classes is not None  # noqa: S101  # asked for by the caller
    found = np.empty(len(classes.sizes))
    found[classes.of_sort] = values
    return found


def _core(own: Array, factor: Array) -> tuple[Array, Array]:
    """Invert ``I + Lambda' E_zz Lambda`` for all units at once; give log determinants too."""
    q = len(factor)
    if q == 1:
        spread = 1.0 + factor[0, 0] ** 2 * own[0, 0]
        return (1.0 / spread)[None, None], np.log(spread)
    inner = np.einsum("ia,ijn,jb->abn", factor, own, factor)
    inner[np.arange(q), np.arange(q)] += 1.0
    if q == 2:
        determinant = inner[0, 0] * inner[1, 1] - inner[0, 1] * inner[1, 0]
        adjugate = np.array([[inner[1, 1], -inner[0, 1]], [-inner[1, 0], inner[0, 0]]])
        return adjugate / determinant, np.log(determinant)
    stacked = np.moveaxis(inner, 2, 0)
    return np.moveaxis(np.linalg.inv(stacked), 0, 2), np.linalg.slogdet(stacked)[1]


def _sandwich(factor: Array, core: Array) -> Array:
    if len(factor) == 1:
        square: Array = factor[0, 0] ** 2 * core
        return square
    found: Array = np.einsum("ia,abn,jb->ijn", factor, core, factor)
    return found


def times(left: Array, right: Array) -> Array:
    """Multiply the small matrices of all units.

    Parameters
    ----------
    left, right : ndarray, shape (q, q, units)
        Matrices.

    Returns
    -------
    ndarray, shape (q, q, units)
        Products.
    """
    if left.shape[0] == 1:
        return left * right
    found: Array = np.einsum("ijn,jkn->ikn", left, right)
    return found


def _take_classes(structure: Structure, gain: Array, left: Remainder) -> None:
    """Take what units of each size account for from what is left."""
    classes = structure.classes
    assert classes is not None  # noqa: S101  # asked for by the caller
    weights = by_size(structure, gain)
    left.outer[...] -= weights @ classes.outer
    left.mixed[...] -= np.tensordot(weights, classes.mixed, axes=1)
    left.dense[...] -= np.tensordot(weights, classes.dense, axes=1)


def _take(stage: Stage, trace: StageTrace, left: Remainder, z: int) -> None:
    """Take ``E' A E`` of every unit from what is left."""
    for i, row in enumerate(stage.own):
        weighed = trace.weighed[i][:, z:]
        left.dense[...] -= trace.dense[row][:, z:].T @ weighed
        if not len(stage.entry_unit):
            continue
        entries = trace.entries[row]
        left.mixed[...] -= by_unit(stage, entries, len(left.mixed)).T @ weighed
        products = entries[stage.first] * trace.weighed_entries[i][stage.second]
        left.outer[...] -= tally(stage.target, products, len(left.outer))


def _weighed_rows(stage: Stage, dense: Array, gain: Array, i: int) -> Array:
    """Row i of ``A E`` on the dense columns."""
    total: Array = gain[i, 0][:, None] * dense[stage.own[0]]
    for j, row in enumerate(stage.own[1:], start=1):
        total += gain[i, j][:, None] * dense[row]
    return total


def _weighed_entries(stage: Stage, entries: Array, gain: Array, i: int) -> Array:
    """Row i of ``A E`` on the outer columns."""
    total: Array = gain[i, 0][stage.entry_unit] * entries[stage.own[0]]
    for j, row in enumerate(stage.own[1:], start=1):
        total += gain[i, j][stage.entry_unit] * entries[row]
    return total


def by_unit(stage: Stage, values: Array, n_outer: int) -> csr_matrix:
    """Lay entries out as a sparse matrix.

    Parameters
    ----------
    stage : Stage
        The stage.
    values : ndarray, shape (n_entries,)
        Value of each entry.
    n_outer : int
        Outer columns.

    Returns
    -------
    csr_matrix, shape (units, n_outer)
        The matrix.
    """
    return csr_matrix((values, stage.entry_column, stage.limits), (stage.n_units, n_outer))


def _pass_up(structure: Structure, level: int, trace: StageTrace) -> tuple[Array, Array]:
    """Add what is left of the units' sums up to those of the next stage."""
    stage, following = structure.stages[level], structure.stages[level + 1]
    parents: csr_matrix = stage.parents
    n_entries = len(following.entry_unit)
    up_dense, up_entries = [], []
    for row in following.rows:
        rest, rest_entries = _rest(structure, level, trace, stage.rows.index(row))
        up_dense.append(parents @ rest)
        up_entries.append(tally(stage.entry_parent, rest_entries, n_entries))
    return np.stack(up_dense), np.stack(up_entries)


def _rest(structure: Structure, level: int, trace: StageTrace, place: int) -> tuple[Array, Array]:
    """Give one row of ``E - E_:z A E_z``."""
    stage, classes = structure.stages[level], structure.classes
    if len(structure.chain) == 1:
        own = trace.dense[0][:, 0]
        if level == 0 and classes is not None:
            own = classes.sizes[classes.of_sort]
        share = 1.0 - trace.gain[0, 0] * own
        return share[:, None] * trace.dense[0], share[stage.entry_unit] * trace.entries[0]
    rest, rest_entries = trace.dense[place].copy(), trace.entries[place].copy()
    for i, row in enumerate(stage.own):
        own = trace.dense[place][:, structure.chain.index(stage.rows[row])]
        rest -= own[:, None] * trace.weighed[i]
        rest_entries -= own[stage.entry_unit] * trace.weighed_entries[i]
    return rest, rest_entries
