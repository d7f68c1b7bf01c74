"""Units of the finest stage that have the same size, added up."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.sparse import csr_matrix

from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.stage import EMPTY, Stage
from pipeline.mixed_model.tally import Index, adder, tally

CLASS_BUDGET = 20_000_000
"""Numbers that the sums by size of unit may take."""


@dataclass(frozen=True, eq=False)
class SizeClasses:
    """Units of the finest stage that have the same size, added up.

    They have the same weight at any variance, so that an evaluation costs nothing for each of them.

    Attributes
    ----------
    sizes : ndarray, shape (s,)
        Sizes that occur.
    dense : ndarray, shape (s, j, j)
        Sums of the units' outer products on basis and residual.
    mixed : ndarray, shape (s, n_outer, j)
        On outer columns by basis and residual.
    outer : ndarray, shape (s, n_pairs)
        On pairs of outer columns.
    frequencies : ndarray, shape (s,)
        Units of each size.
    of_sort : ndarray of int, shape (units,)
        Place in ``sizes`` of each sort of unit: units of one size and one unit of the next stage.
    """

    sizes: Array
    dense: Array
    mixed: Array
    outer: Array
    frequencies: Array
    of_sort: Index


def size_classes(
    stage: Stage, dense: Array, entries: Array, n_pairs: int, n_outer: int
) -> SizeClasses | None:
    """Add the units of each size up, where that pays.

    Parameters
    ----------
    stage : Stage
        The finest stage; the column of ones alone varies.
    dense, entries : ndarray
        Sums of its units.
    n_pairs, n_outer : int
        Pairs of outer columns, and outer columns.

    Returns
    -------
    SizeClasses or None
        The sums; None where there are too many sizes.
    """
    sizes, of_unit = np.unique(dense[0, :, 0], return_inverse=True)
    n_basis = dense.shape[2] - 1
    cost = len(sizes) * (n_pairs + (n_outer + n_basis) * n_basis)
    if cost > CLASS_BUDGET or 2 * len(sizes) > stage.n_units:
        return None
    columns, entry = dense[0, :, 1:], entries[0]
    order = np.argsort(of_unit, kind="stable")
    limits = np.searchsorted(of_unit[order], np.arange(len(sizes) + 1))
    parts = [columns[order[a:b]] for a, b in pairwise(limits)]
    place = of_unit[stage.entry_unit]
    spread = csr_matrix(
        (entry, (place * n_outer + stage.entry_column, stage.entry_unit)),
        shape=(len(sizes) * n_outer, stage.n_units),
    )
    weights = entry[stage.first] * entry[stage.second]
    target = of_unit[stage.entry_unit[stage.first]] * n_pairs + stage.target
    outer = tally(target, weights, len(sizes) * n_pairs)
    return SizeClasses(
        sizes=sizes,
        dense=np.stack([part.T @ part for part in parts]),
        mixed=(spread @ columns).reshape(len(sizes), n_outer, n_basis),
        outer=outer.reshape(len(sizes), n_pairs),
        frequencies=np.bincount(of_unit).astype(np.float64),
        of_sort=of_unit,
    )


def merge_sorts(
    stages: list[Stage], dense: Array, entries: Array, classes: SizeClasses
) -> tuple[list[Stage], Array, Array, SizeClasses]:
    """Add up units of one size within one unit of the next stage: they stay together.

    Parameters
    ----------
    stages : list of Stage
        The chain.
    dense, entries : ndarray
        Sums of the finest stage.
    classes : SizeClasses
        Its sizes.

    Returns
    -------
    stages : list of Stage
        The chain, with sorts of units in place of units.
    dense, entries : ndarray
        Their sums.
    classes : SizeClasses
        With the size of each sort.
    """
    stage = stages[0]
    n_sizes = len(classes.sizes)
    parent = stage.parent if stage.parents is not None else np.zeros(stage.n_units, dtype=np.int64)
    sorts, of_unit = np.unique(parent * n_sizes + classes.of_sort, return_inverse=True)
    wide = of_unit[stage.entry_unit] * max(1, int(stage.entry_column.max(initial=0)) + 1)
    keys, of_entry = np.unique(wide + stage.entry_column, return_inverse=True)
    n_columns = max(1, int(stage.entry_column.max(initial=0)) + 1)
    entry_parent = stage.entry_parent
    if len(entry_parent):
        entry_parent = np.zeros(len(keys), dtype=np.int64)
        entry_parent[of_entry] = stage.entry_parent
    up = sorts // n_sizes
    merged = replace(
        stage,
        n_units=len(sorts),
        parent=up if stage.parents is not None else EMPTY,
        parents=None if stage.parents is None else adder(up, stage.parents.shape[0]),
        entry_unit=keys // n_columns,
        entry_column=keys % n_columns,
        limits=np.searchsorted(keys // n_columns, np.arange(len(sorts) + 1)),
        entry_parent=entry_parent,
        first=EMPTY,
        second=EMPTY,
        target=EMPTY,
    )
    added = np.stack([adder(of_unit, len(sorts)) @ part for part in dense])
    summed = np.stack([tally(of_entry, part, len(keys)) for part in entries])
    classes = replace(classes, of_sort=sorts % n_sizes)
    return [merged, *stages[1:]], added, summed, classes
