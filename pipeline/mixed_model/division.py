"""Outer columns divided into blocks that do not touch one another, and a border."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.mixed_model.grouping import Grouping
from pipeline.mixed_model.structure import Structure
from pipeline.mixed_model.tally import Index

FEW = 64
"""Fewer outer columns are taken as one dense matrix at once."""


@dataclass(frozen=True, eq=False)
class Bucket:
    """Blocks of about one size, padded to it.

    Attributes
    ----------
    columns : ndarray of int, shape (b, s)
        Outer columns of each block; ``n_outer`` where padded.
    border : ndarray of int, shape (b, m)
        Places in the border that each block touches; ``n_border`` where padded.
    inner, inner_place : ndarray of int
        Pairs within blocks, and their places (both triangles) in the blocks' matrices.
    cross, cross_place : ndarray of int
        Pairs between a block and the border, and their places.
    """

    columns: Index
    border: Index
    inner: Index
    inner_place: Index
    cross: Index
    cross_place: Index


@dataclass(frozen=True, eq=False)
class Division:
    """Outer columns divided into blocks and border.

    Attributes
    ----------
    border : ndarray of int, shape (n_border,)
        Outer columns of the border.
    pairs : ndarray of int
        Pairs within the border.
    first, second : ndarray of int
        Their places in the border.
    buckets : tuple of Bucket
        The blocks.
    """

    border: Index
    pairs: Index
    first: Index
    second: Index
    buckets: tuple[Bucket, ...]


def divide(structure: Structure) -> Division:
    """Divide the outer columns.

    Parameters
    ----------
    structure : Structure
        The layout.

    Returns
    -------
    Division
        The division that costs least among those by the coarsest stage and by each outer grouping.
    """
    n = structure.n_outer
    best, cost = np.full(n, -1), float(n) ** 3
    first, second = np.divmod(structure.pairs, max(n, 1))
    if n > FEW and all(len(grouping.columns) == 1 for grouping in structure.outer):
        for labels in _labellings(structure, first, second):
            apart = _without_crossing(labels, first, second)
            found = _cost(apart)
            if found < cost:
                best, cost = apart, found
    return _division(best, first, second)


def _labellings(structure: Structure, first: Index, second: Index) -> list[Index]:
    """Suggest a block, or -1 for the border, for each outer column."""
    n = structure.n_outer
    stage = structure.stages[-1]
    found = [_only(stage.entry_column, stage.entry_unit, n)]
    starts = outer_starts(structure.outer)
    for a, b in pairwise(starts):
        inside = (first >= a) & (first < b)
        other = (second >= a) & (second < b)
        column = np.concatenate([second[inside], first[other]])
        label = np.concatenate([first[inside], second[other]])
        labels = _only(column, label, n)
        labels[a:b] = np.arange(a, b)
        found.append(labels)
    return found


def _only(column: Index, label: Index, n: int) -> Index:
    """Give each column its label where it has only one."""
    low, high = np.full(n, np.iinfo(np.int64).max), np.full(n, -1)
    np.minimum.at(low, column, label)
    np.maximum.at(high, column, label)
    return np.where(low == high, low, -1)


def _without_crossing(labels: Index, first: Index, second: Index) -> Index:
    """Move columns to the border until no pair joins two blocks."""
    labels = labels.copy()
    while True:
        one, other = labels[first], labels[second]
        crossing = (one >= 0) & (other >= 0) & (one != other)
        if not crossing.any():
            return labels
        a, b = first[crossing], second[crossing]
        degree = np.bincount(np.concatenate([a, b]), minlength=len(labels))
        labels[np.where(degree[a] >= degree[b], a, b)] = -1


def _cost(labels: Index) -> float:
    sizes = np.bincount(labels[labels >= 0]) if (labels >= 0).any() else np.zeros(1)
    return float((labels < 0).sum()) ** 3 + float((sizes.astype(np.float64) ** 3).sum()) * 3.0


def _division(labels: Index, first: Index, second: Index) -> Division:
    n = len(labels)
    border = np.flatnonzero(labels < 0)
    at_border = np.full(n, -1)
    at_border[border] = np.arange(len(border))
    within = np.flatnonzero((at_border[first] >= 0) & (at_border[second] >= 0)) if n else _NONE
    buckets = []
    known, sizes = np.unique(labels[labels >= 0], return_counts=True)
    padded = 2 ** np.ceil(np.log2(np.maximum(sizes, 1))).astype(np.int64)
    for size in np.unique(padded):
        chosen = known[padded == size]
        buckets.append(_bucket(chosen, int(size), labels, at_border, (first, second)))
    return Division(
        border, within, at_border[first[within]], at_border[second[within]], tuple(buckets)
    )


def _bucket(
    chosen: Index, size: int, labels: Index, at_border: Index, pairs: tuple[Index, Index]
) -> Bucket:
    n = len(labels)
    block = np.full(int(labels.max()) + 2, -1)
    block[chosen] = np.arange(len(chosen))
    of_column = np.where(labels >= 0, block[labels], -1)
    members = np.flatnonzero(of_column >= 0)
    members = members[np.argsort(of_column[members], kind="stable")]
    slot = np.full(n, -1)
    slot[members] = _ranks(of_column[members])
    columns = np.full((len(chosen), size), n)
    columns[of_column[members], slot[members]] = members
    first, second = pairs
    one, other = of_column[first], of_column[second]
    inner = np.flatnonzero((one >= 0) & (other >= 0))
    a, b, base = slot[first[inner]], slot[second[inner]], one[inner] * size
    cross, inside, outside = _crossing(first, second, of_column, at_border)
    touched, local = np.unique(of_column[inside] * (n + 1) + outside, return_inverse=True)
    rank = _ranks(touched // (n + 1))
    width = int(rank.max(initial=-1)) + 1
    border = np.full((len(chosen), width), int((at_border >= 0).sum()))
    border[touched // (n + 1), rank] = touched % (n + 1)
    place = (of_column[inside] * size + slot[inside]) * width + rank[local]
    return Bucket(
        columns=columns,
        border=border,
        inner=np.concatenate([inner, inner]),
        inner_place=np.concatenate([(base + a) * size + b, (base + b) * size + a]),
        cross=cross,
        cross_place=place,
    )


def _crossing(
    first: Index, second: Index, of_column: Index, at_border: Index
) -> tuple[Index, Index, Index]:
    """List pairs of a block's column and a border's: pair, block's column, place in the border."""
    left = np.flatnonzero((of_column[first] >= 0) & (at_border[second] >= 0))
    right = np.flatnonzero((of_column[second] >= 0) & (at_border[first] >= 0))
    return (
        np.concatenate([left, right]),
        np.concatenate([first[left], second[right]]),
        np.concatenate([at_border[second[left]], at_border[first[right]]]),
    )


def _ranks(groups: Index) -> Index:
    """Count along each run of equal, sorted groups."""
    if not len(groups):
        return groups
    starts = np.flatnonzero(np.diff(groups, prepend=groups[0] - 1))
    return np.arange(len(groups)) - np.repeat(starts, np.diff(starts, append=len(groups)))


def outer_starts(outer: tuple[Grouping, ...]) -> list[int]:
    """Give the outer columns at which each grouping begins, and their end.

    Parameters
    ----------
    outer : tuple of Grouping
        Groupings outside the chain.

    Returns
    -------
    list of int
        One more than there are groupings.
    """
    sizes = [grouping.n_levels * len(grouping.columns) for grouping in outer]
    return [0, *np.cumsum(sizes).tolist()]


_NONE: NDArray[np.int64] = np.zeros(0, dtype=np.int64)
