"""Derivatives of the criterion back through the chain, and conditional covariances.

References
----------
Griewank A, Walther A (2008). Evaluating derivatives, 2nd ed. SIAM, chapter 3.
"""

from dataclasses import dataclass
from itertools import product

import numpy as np

from pipeline.mixed_model.elimination import (
    Elimination,
    Remainder,
    StageTrace,
    by_size,
    by_unit,
    own_sums,
    times,
)
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.stage import Stage
from pipeline.mixed_model.structure import Structure
from pipeline.mixed_model.tally import tally

BLOCK_ENTRIES = 2**13
"""Entries that are multiplied at a time: few enough for the processor's cache."""


def derivatives(structure: Structure, found: Elimination, adjoint: Remainder) -> tuple[Array, ...]:
    """Carry the criterion's derivatives back through the chain.

    Parameters
    ----------
    structure : Structure
        The layout.
    found : Elimination
        The chain eliminated.
    adjoint : Remainder
        Derivatives of the criterion by what is left (symmetric), the logarithms of the chain's own
        determinants not counted: those are added here.

    Returns
    -------
    tuple of ndarray, shape (q, q)
        Derivatives by the relative Cholesky factor of each stage.
    """
    slopes: list[Array] = []
    down: tuple[Array, Array] | None = None
    for level in reversed(range(len(structure.stages))):
        back = _way_back(structure, level, found, adjoint, down)
        slopes.append(back.slope(found.factors[level]))
        down = back.down() if level > 0 else None
    return tuple(reversed(slopes))


def spreads(structure: Structure, found: Elimination, adjoint: Remainder) -> tuple[Array, ...]:
    """Give the conditional covariance of each unit's random effects, at sigma = 1.

    It is ``A + A Y A``, with ``Y`` carried back as for the derivatives.

    Parameters
    ----------
    structure : Structure
        The layout, without classes.
    found : Elimination
        The chain eliminated.
    adjoint : Remainder
        Inverse of the outer columns' matrix, as an adjoint.

    Returns
    -------
    tuple of ndarray, shape (q, q, units)
        For each stage.
    """
    covariances: list[Array] = []
    down: tuple[Array, Array] | None = None
    for level in reversed(range(len(structure.stages))):
        back = _way_back(structure, level, found, adjoint, down)
        covariances.append(back.gain + times(back.gain, times(back.spread, back.gain)))
        down = back.down() if level > 0 else None
    return tuple(reversed(covariances))


@dataclass(frozen=True, eq=False)
class _WayBack:
    """Adjoints at one stage.

    Attributes
    ----------
    own, gain, core, spread : ndarray, shape (q, q, units)
        E_zz, A, the inverse core and Y: the adjoint of A, negative.
    counts : ndarray, shape (units,)
        Units behind each place: more than one with classes.
    """

    structure: Structure
    level: int
    trace: StageTrace
    above: tuple[Array, Array] | None
    product: tuple[list[Array], list[Array]] | None
    own: Array
    gain: Array
    core: Array
    spread: Array
    counts: Array

    def slope(self, factor: Array) -> Array:
        """Give the derivative by the relative Cholesky factor."""
        if len(factor) == 1:
            core, own = self.core[0, 0], self.own[0, 0]
            total = (self.counts * own - self.spread[0, 0] * core) @ core
            return np.array([[2.0 * factor[0, 0] * float(total)]])
        rest = -times(self.own, self.gain)
        rest[np.arange(len(factor)), np.arange(len(factor))] += 1.0
        inner = self.own - times(rest, self.spread)
        found: Array = 2.0 * np.einsum("ijn,jk,kln->il", inner, factor, self.core)
        return found

    def down(self) -> tuple[Array, Array]:
        """Give the adjoints of this stage's sums."""
        if len(self.structure.chain) == 1:
            return self._down_alone()
        trace, stage = self.trace, self.structure.stages[self.level]
        dense, entries = np.zeros_like(trace.dense), np.zeros_like(trace.entries)
        columns = [self.structure.chain.index(stage.rows[i]) for i in stage.own]
        toward, toward_entries = _toward(self, columns)
        for (i, row), j in product(enumerate(stage.own), range(len(stage.own))):
            gain = self.gain[i, j]
            dense[row] -= gain[:, None] * toward[j]
            entries[row] -= gain[stage.entry_unit] * toward_entries[j]
        if self.above is not None:
            dense += self.above[0]
            entries += self.above[1]
            self._add_columns(dense, columns)
        close = self.gain + times(self.gain, times(self.spread, self.gain))
        for (i, row), (j, column) in product(enumerate(stage.own), enumerate(columns)):
            dense[row][:, column] += close[i, j]
        return dense, entries

    def _add_columns(self, dense: Array, columns: list[int]) -> None:
        """Take ``D E_z' A`` from the adjoints of the units' own columns."""
        for row in range(len(dense)):
            share = _dots(self, row)
            for i, column in enumerate(columns):
                for j, part in enumerate(share):
                    dense[row][:, column] -= self.gain[i, j] * part

    def _down_alone(self) -> tuple[Array, Array]:
        """Do the same where the intercept alone varies: each step once, in place."""
        stage, known = self.structure.stages[self.level], self.product
        assert known is not None  # noqa: S101  # a stage with a finer one has no classes
        gain, own = self.gain[0, 0], self.own[0, 0]
        dense = np.zeros_like(self.trace.dense)
        np.multiply(known[0][0], -2.0 * gain[:, None], out=dense[0][:, 1:])
        entries = (-2.0 * gain[stage.entry_unit] * known[1][0])[None]
        close = gain + gain**2 * self.spread[0, 0]
        if self.above is not None:
            rest = 1.0 - gain * own
            dense[0] += rest[:, None] * self.above[0][0]
            entries[0] += rest[stage.entry_unit] * self.above[1][0]
            close -= gain * _dots(self, 0)[0]
        dense[0][:, 0] += close
        return dense, entries


def _way_back(
    structure: Structure,
    level: int,
    found: Elimination,
    adjoint: Remainder,
    down: tuple[Array, Array] | None,
) -> _WayBack:
    stage, trace = structure.stages[level], found.traces[level]
    above = None if down is None else _gathered(structure, level, down)
    if level == 0 and structure.classes is not None:
        return _way_back_by_size(structure, trace, adjoint, above)
    own = own_sums(structure, level, trace.dense)
    q = len(stage.own)
    known = None if level == 0 else _product(structure, stage, trace, adjoint)
    if known is None:
        spread = _quadratic(structure, stage, trace, adjoint)
    else:
        spread, z = np.empty((q, q, stage.n_units)), len(structure.chain)
        for i in range(q):
            for j, row in enumerate(stage.own):
                spread[i, j] = _row_dots(known[0][i], trace.dense[row][:, z:])
                spread[i, j] += _unit_sums(stage, known[1][i] * trace.entries[row])
    back = _WayBack(
        structure, level, trace, above, known, own, trace.gain, trace.core, spread,
        np.ones(stage.n_units),
    )  # fmt: skip
    if above is not None:
        _add_from_above(back)
    return back


def _way_back_by_size(
    structure: Structure, trace: StageTrace, adjoint: Remainder, above: tuple[Array, Array] | None
) -> _WayBack:
    classes, stage = structure.classes, structure.stages[0]
    assert classes is not None  # noqa: S101  # asked for by the caller
    spread = np.tensordot(classes.dense, adjoint.dense, axes=2)
    spread += 2.0 * np.tensordot(classes.mixed, adjoint.mixed, axes=2)
    if len(adjoint.outer):
        n = structure.n_outer
        twice = np.where(structure.pairs // n == structure.pairs % n, 1.0, 2.0)
        spread += classes.outer @ (twice * adjoint.outer)
    if above is not None:
        dots = _row_dots(above[0][0], trace.dense[0])
        dots += _unit_sums(stage, above[1][0] * trace.entries[0])
        spread += tally(classes.of_sort, classes.sizes[classes.of_sort] * dots, len(classes.sizes))
    core = by_size(structure, trace.core[0, 0])[None, None]
    gain = by_size(structure, trace.gain[0, 0])[None, None]
    return _WayBack(
        structure, 0, trace, above, None, classes.sizes[None, None], gain, core,
        spread[None, None], classes.frequencies,
    )  # fmt: skip


def _gathered(structure: Structure, level: int, down: tuple[Array, Array]) -> tuple[Array, Array]:
    """Bring the next stage's adjoints to this stage's units; rows it doesn't need are zero."""
    stage, following = structure.stages[level], structure.stages[level + 1]
    if stage.rows == following.rows:
        return down[0][:, stage.parent], down[1][:, stage.entry_parent]
    dense = np.zeros((len(stage.rows), stage.n_units, down[0].shape[2]))
    entries = np.zeros((len(stage.rows), len(stage.entry_unit)))
    for place, row in enumerate(following.rows):
        dense[stage.rows.index(row)] = down[0][place][stage.parent]
        if len(stage.entry_unit):
            entries[stage.rows.index(row)] = down[1][place][stage.entry_parent]
    return dense, entries


def _product(
    structure: Structure, stage: Stage, trace: StageTrace, adjoint: Remainder
) -> tuple[list[Array], list[Array]]:
    """Multiply the units' own rows by the adjoint of what is left."""
    z = len(structure.chain)
    weights = adjoint.outer[stage.target] if len(stage.target) else np.zeros(0)
    apart = weights * (stage.first != stage.second)
    dense, entries = [], []
    for row in stage.own:
        known, touched = trace.dense[row][:, z:], trace.entries[row]
        total = known @ adjoint.dense
        if len(stage.entry_unit):
            total += by_unit(stage, touched, structure.n_outer) @ adjoint.mixed
            share = _entry_dots(stage, known, adjoint.mixed)
            share += tally(stage.first, weights * touched[stage.second], len(touched))
            share += tally(stage.second, apart * touched[stage.first], len(touched))
        else:
            share = np.zeros(0)
        dense.append(total)
        entries.append(share)
    return dense, entries


def _quadratic(structure: Structure, stage: Stage, trace: StageTrace, adjoint: Remainder) -> Array:
    """Give ``E_z G E_z'`` of each unit where nothing finer needs its parts."""
    z, q = len(structure.chain), len(stage.own)
    found = np.zeros((q, q, stage.n_units))
    weights = np.zeros(0)
    if len(stage.target):
        weights = adjoint.outer[stage.target] * (2.0 - (stage.first == stage.second))
    unit = stage.entry_unit[stage.first]
    for i, row in enumerate(stage.own):
        total = trace.dense[row][:, z:] @ adjoint.dense
        if len(unit):
            total += 2.0 * (by_unit(stage, trace.entries[row], structure.n_outer) @ adjoint.mixed)
        for j, other in enumerate(stage.own):
            part = _row_dots(total, trace.dense[other][:, z:])
            products = (
                weights * trace.entries[row][stage.first] * trace.entries[other][stage.second]
            )
            part += tally(unit, products, stage.n_units)
            found[i, j] += part / 2.0
            found[j, i] += part / 2.0
    return found


def _toward(back: _WayBack, columns: list[int]) -> tuple[list[Array], list[Array]]:
    """Give, for each own row, ``2 E_z G + E_:z' D``."""
    stage, known = back.structure.stages[back.level], back.product
    assert known is not None  # noqa: S101  # a stage with a finer one has no classes
    z = len(back.structure.chain)
    dense, entries = [], []
    for j, column in enumerate(columns):
        total = np.zeros_like(back.trace.dense[0])
        total[:, z:] = 2.0 * known[0][j]
        share = 2.0 * known[1][j]
        if back.above is not None:
            for row in range(len(stage.rows)):
                own = back.trace.dense[row][:, column]
                total += own[:, None] * back.above[0][row]
                share += own[stage.entry_unit] * back.above[1][row]
        dense.append(total)
        entries.append(share)
    return dense, entries


def _dots(back: _WayBack, row: int) -> list[Array]:
    """Give the products of one adjoint row from above with the units' own rows."""
    stage, above, trace = back.structure.stages[back.level], back.above, back.trace
    assert above is not None  # noqa: S101  # asked for by the caller
    return [
        _row_dots(above[0][row], trace.dense[own])
        + _unit_sums(stage, above[1][row] * trace.entries[own])
        for own in stage.own
    ]


def _add_from_above(back: _WayBack) -> None:
    """Add to Y what the next stage's adjoints say, half of it to each of (i, j) and (j, i)."""
    structure, stage = back.structure, back.structure.stages[back.level]
    columns = [structure.chain.index(stage.rows[i]) for i in stage.own]
    for row in range(len(stage.rows)):
        dots = _dots(back, row)
        for i, column in enumerate(columns):
            own = back.trace.dense[row][:, column]
            for j in range(len(columns)):
                back.spread[i, j] += 0.5 * own * dots[j]
                back.spread[j, i] += 0.5 * own * dots[j]


def _entry_dots(stage: Stage, units: Array, columns: Array) -> Array:
    """Multiply each entry's row among the units by its row among the outer columns."""
    total = np.empty(len(stage.entry_unit))
    for block in range(0, len(total), BLOCK_ENTRIES):
        part = slice(block, block + BLOCK_ENTRIES)
        total[part] = _row_dots(units[stage.entry_unit[part]], columns[stage.entry_column[part]])
    return total


def _row_dots(left: Array, right: Array) -> Array:
    found: Array = np.einsum("nk,nk->n", left, right)
    return found


def _unit_sums(stage: Stage, values: Array) -> Array:
    return tally(stage.entry_unit, values, stage.n_units)
