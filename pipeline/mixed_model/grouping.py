"""Groupings of the random terms, and which of them divide one another."""

from dataclasses import dataclass

import numpy as np

from pipeline.mixed_model.group_code import Codes, codes_of
from pipeline.mixed_model.sufficient_statistics import Statistics
from schemas.errors import ModelError

MOST_PAIRS = 4_000_000
"""A coarse group that would touch more pairs of outer columns stays outside the chain."""


@dataclass(frozen=True, eq=False)
class Grouping:
    """Random terms with the same groups.

    Attributes
    ----------
    by : tuple of str
        Columns that name the groups.
    terms : tuple of int
        Places of the terms in the description.
    columns : tuple of int
        Places of what varies among the statistics' varying columns, term by term.
    codes : ndarray of int, shape (c,)
        Group of each cell.
    n_levels : int
        Number of groups.
    """

    by: tuple[str, ...]
    terms: tuple[int, ...]
    columns: tuple[int, ...]
    codes: Codes
    n_levels: int


def merged_groupings(statistics: Statistics) -> list[Grouping]:
    """Merge the terms with the same groups.

    Parameters
    ----------
    statistics : Statistics
        Sums and description.

    Returns
    -------
    list of Grouping
        In order of the description.
    """
    random = statistics.description.random
    merged: dict[frozenset[str], list[int]] = {}
    for place, term in enumerate(random):
        merged.setdefault(frozenset(term.by), []).append(place)
    found = []
    for terms in merged.values():
        by = random[terms[0]].by
        codes = codes_of(statistics.groups.select(by))
        columns = [statistics.varying.index(c) for i in terms for c in random[i].columns]
        found.append(Grouping(by, tuple(terms), tuple(columns), codes, int(codes.max()) + 1))
    return found


def divide_chain(groupings: list[Grouping]) -> tuple[list[Grouping], list[Grouping]]:
    """Find the longest chain from the finest grouping; the rest is outer.

    Parameters
    ----------
    groupings : list of Grouping
        All groupings.

    Returns
    -------
    chain : list of Grouping
        Each within the next.
    outer : list of Grouping
        The others, the largest first.

    Raises
    ------
    ModelError
        If two groupings divide the rows alike.
    """
    ordered = sorted(groupings, key=lambda g: (-g.n_levels, g.by))
    chain, outer = [ordered[0]], []
    for grouping in ordered[1:]:
        if not _is_within(chain[-1], grouping):
            outer.append(grouping)
            continue
        if grouping.n_levels == chain[-1].n_levels:
            names = " × ".join(chain[-1].by), " × ".join(grouping.by)
            raise ModelError(
                "mixed model",
                f"“{names[0]}” and “{names[1]}” divide the rows alike",
                "Leave one of the two random terms out.",
            )
        chain.append(grouping)
    while len(chain) > 1 and outer and _n_pairs(chain[-1], outer) > MOST_PAIRS:
        outer.append(chain.pop())
    return chain, sorted(outer, key=lambda g: (-g.n_levels, g.by))


def check_levels(grouping: Grouping, statistics: Statistics) -> None:
    """Refuse groups that cannot carry their terms.

    Parameters
    ----------
    grouping : Grouping
        The groups.
    statistics : Statistics
        The sums.

    Raises
    ------
    ModelError
        If there is one group only, or there are as many random effects as rows.
    """
    name = " × ".join(grouping.by)
    if grouping.n_levels < 2:
        raise ModelError(
            "mixed model",
            f"there is one {name} only, so that no variance between them can be estimated",
            "Leave the random term out, or widen the records.",
        )
    if grouping.n_levels * len(grouping.columns) >= statistics.n_rows:
        what = "one row" if len(grouping.columns) == 1 else "too few rows"
        raise ModelError(
            "mixed model",
            f"{what} for each {name}: the variance between them can't be told from that within",
            "Leave the random term out, or wait for further rows of the same groups.",
        )


def _is_within(fine: Grouping, coarse: Grouping) -> bool:
    found = np.empty(fine.n_levels, dtype=np.int64)
    found[fine.codes] = coarse.codes
    return bool((found[fine.codes] == coarse.codes).all())


def _n_pairs(grouping: Grouping, outer: list[Grouping]) -> int:
    touched = np.zeros(grouping.n_levels, dtype=np.int64)
    for other in outer:
        keys = np.unique(grouping.codes * other.n_levels + other.codes)
        touched += np.bincount(keys // other.n_levels, minlength=grouping.n_levels)
    return int((touched**2).sum())
