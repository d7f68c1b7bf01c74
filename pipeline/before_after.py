"""Range before and after, by fifths of starting range."""

import polars as pl

from pipeline.cell import Cell
from pipeline.cohort import PATIENT
from pipeline.rounding import significant
from pipeline.summary import BeforeAfter
from schemas.vocabulary import label_of

MOST_GROUPS = 5


def build_before_after(pairs: pl.DataFrame, motion: str, smallest_count: int) -> BeforeAfter | None:
    """Give mean pretest, retest and gain for groups of starting range.

    Parameters
    ----------
    pairs : polars.DataFrame
        Pairs in the main comparison.
    motion : str
        Code of their motion.
    smallest_count : int
        Each group holds at least as many patients; fewer groups are made where five would not.

    Returns
    -------
    BeforeAfter or None
        None where not even one group is large enough.
    """
    for n_groups in range(MOST_GROUPS, 0, -1):
        groups = _groups(pairs, n_groups)
        if groups and min(g.select(PATIENT).n_unique() for g in groups) >= smallest_count:
            cells = tuple(_cells(group, place) for place, group in enumerate(groups, start=1))
            return BeforeAfter(label_of("motion", motion), cells)
    return None


def _groups(pairs: pl.DataFrame, n_groups: int) -> list[pl.DataFrame]:
    """Cut at quantiles of the pretest; equal pretests stay together."""
    share = (pl.col("pretest_deg").rank("average") - 1) / pl.len()
    place = (share * n_groups).floor().cast(pl.Int64).alias("place")
    marked = pairs.with_columns(place)
    return [marked.filter(pl.col("place") == p) for p in sorted(marked["place"].unique())]


def _cells(group: pl.DataFrame, place: int) -> tuple[Cell, Cell, Cell]:
    n_patients = group.select(PATIENT).n_unique()

    def mean(column: str, label: str) -> Cell:
        hundredths = int((group[column] * 100).round().cast(pl.Int64).sum())  # exact in any order
        value = significant(hundredths / 100 / group.height)
        name = f"before_after.{place}.{label}"
        return Cell(name, label, "deg", value, n_patients, n_pairs=group.height)

    return mean("pretest_deg", "pretest"), mean("retest_deg", "retest"), mean("gain_deg", "gain")
