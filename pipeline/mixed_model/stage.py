"""Stages of the chain of nested groups: units, what they touch, and how they add up."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import csr_matrix

from pipeline.mixed_model.cell_sum import CellSums
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.grouping import Grouping
from pipeline.mixed_model.tally import Index, adder, tally

MOST_PLACES = 50_000_000
"""Up to so many places pairs are numbered by a table."""


@dataclass(frozen=True, eq=False)
class Stage:
    """One stage of the chain.

    Attributes
    ----------
    grouping : Grouping
        Its groups.
    n_units : int
        Number of groups.
    rows : tuple of int
        Varying columns that are needed at this stage or a coarser one.
    own : tuple of int
        Places among ``rows`` of those that vary by this stage's groups.
    parents : csr_matrix, shape (n of next stage, n_units), or None
        Adds units up to those of the next stage; None for the coarsest.
    parent : ndarray of int, shape (n_units,)
        Each unit's unit of the next stage; empty for the coarsest.
    entry_unit, entry_column : ndarray of int, shape (n_entries,)
        Unit and outer column of each entry; sorted by them.
    limits : ndarray of int, shape (n_units + 1,)
        Where each unit's entries begin, and the end.
    entry_parent : ndarray of int, shape (n_entries,)
        Entry of the next stage that each entry belongs to.
    first, second : ndarray of int, shape (n_pairs,)
        Entries of the same unit, each pair once.
    target : ndarray of int, shape (n_pairs,)
        Place of the pair among the outer pairs.
    """

    grouping: Grouping
    n_units: int
    rows: tuple[int, ...]
    own: tuple[int, ...]
    parents: csr_matrix | None
    parent: Index
    entry_unit: Index
    entry_column: Index
    limits: Index
    entry_parent: Index
    first: Index
    second: Index
    target: Index


def build_stages(
    cells: CellSums, chain: list[Grouping], numbers: list[Index], used: tuple[int, ...]
) -> tuple[list[Stage], Array, Array]:
    """Lay out the chain.

    Parameters
    ----------
    cells : CellSums
        Sums of the cells.
    chain : list of Grouping
        Groupings, finest first.
    numbers : list of ndarray
        Unit of each cell at each stage.
    used : tuple of int
        Varying columns of the chain.

    Returns
    -------
    stages : list of Stage
        The stages; ``target`` is still ``a * n_outer + b``.
    dense, entries : ndarray
        Sums of the units of the finest stage.
    """
    dense = _unit_sums(cells, numbers[0], used)
    keys, entries = _entries(cells, numbers[0], used)
    stages = []
    for level, grouping in enumerate(chain):
        rows = tuple(sorted({c for coarser in chain[level:] for c in coarser.columns}))
        n_units = int(numbers[level][-1]) + 1
        parent, parents, entry_parent, next_keys = EMPTY, None, EMPTY, keys
        if level + 1 < len(chain):
            firsts = np.flatnonzero(np.diff(numbers[level], prepend=-1))
            parent = numbers[level + 1][firsts]
            parents = adder(parent, int(numbers[level + 1][-1]) + 1)
            unit, column = np.divmod(keys, max(cells.n_outer, 1))
            next_keys, entry_parent = np.unique(
                parent[unit] * max(cells.n_outer, 1) + column, return_inverse=True
            )
        unit, column = np.divmod(keys, max(cells.n_outer, 1))
        first, second = _pairs_within(unit)
        stages.append(
            Stage(
                grouping=grouping,
                n_units=n_units,
                rows=rows,
                own=tuple(rows.index(c) for c in grouping.columns),
                parents=parents,
                parent=parent,
                entry_unit=unit,
                entry_column=column,
                limits=np.searchsorted(unit, np.arange(n_units + 1)),
                entry_parent=entry_parent,
                first=first,
                second=second,
                target=column[first] * cells.n_outer + column[second],
            )
        )
        keys = next_keys
    return stages, dense, entries


def place_pairs(stages: list[Stage], cells: CellSums) -> tuple[Index, list[Stage]]:
    """Give the pairs of outer columns that occur anywhere their numbers.

    Parameters
    ----------
    stages : list of Stage
        The stages as ``build_stages`` gives them.
    cells : CellSums
        Sums of the cells.

    Returns
    -------
    pairs : ndarray of int, shape (n_pairs,)
        ``a * n_outer + b``, sorted.
    stages : list of Stage
        With ``target`` among ``pairs``.
    """
    n = cells.n_outer
    if n * n > MOST_PLACES:
        pairs = np.unique(np.concatenate([np.unique(stage.target) for stage in stages]))
        placed = [replace(stage, target=np.searchsorted(pairs, stage.target)) for stage in stages]
        return pairs, placed
    occurs = np.zeros(n * n, dtype=bool)
    for stage in stages:
        occurs[stage.target] = True
    pairs = np.flatnonzero(occurs)
    number = np.zeros(n * n, dtype=np.int32)
    number[pairs] = np.arange(len(pairs))
    return pairs, [replace(stage, target=number[stage.target].astype(np.int64)) for stage in stages]


def unit_numbers(codes: list[Index]) -> Index:
    """Give the units of a stage numbers along the sorted cells.

    Parameters
    ----------
    codes : list of ndarray of int
        Codes of the stage and of all coarser ones, in the order of the chain.

    Returns
    -------
    ndarray of int, shape (c,)
        Unit of each cell.
    """
    changes = np.zeros(len(codes[0]), dtype=bool)
    for stage in codes:
        changes[1:] |= stage[1:] != stage[:-1]
    return np.cumsum(changes)


def _unit_sums(cells: CellSums, units: Index, used: tuple[int, ...]) -> Array:
    """Add the cells up to the units of the finest stage."""
    to_units, z = adder(units, int(units[-1]) + 1), len(used)
    dense = np.empty((z, to_units.shape[0], z + cells.basis[0].shape[1]))
    for place, row in enumerate(used):
        dense[place, :, :z] = to_units @ cells.products[row][:, list(used)]
        dense[place, :, z:] = to_units @ cells.basis[row]
    return dense


def _entries(cells: CellSums, units: Index, used: tuple[int, ...]) -> tuple[Index, Array]:
    """Give unit and outer column of each entry of the finest stage as one key, and the sums."""
    if not cells.outer_columns:
        return EMPTY, np.zeros((len(used), 0))
    wide = units * cells.n_outer
    touched: Index = np.concatenate([wide + columns for columns, _ in cells.outer_columns])
    keys, entry = np.unique(touched, return_inverse=True)
    sums = np.stack(
        [
            tally(
                entry,
                np.concatenate([cells.products[row][:, other] for _, other in cells.outer_columns]),
                len(keys),
            )
            for row in used
        ]
    )
    return keys, sums


def _pairs_within(unit: Index) -> tuple[Index, Index]:
    """List the pairs (i <= j) of entries of the same unit; entries are sorted by unit."""
    if len(unit) == 0:
        return EMPTY, EMPTY
    sizes = np.bincount(unit)
    ends = np.cumsum(sizes)[unit]
    number = np.arange(len(unit))
    left = ends - number
    first = np.repeat(number, left)
    offset = np.arange(len(first)) - np.repeat(np.cumsum(left) - left, left)
    return first, first + offset


EMPTY = np.zeros(0, dtype=np.int64)
