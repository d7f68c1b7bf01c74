"""Which published counts add up to which: what a reader of one report can subtract."""

from itertools import pairwise

from pipeline.cell import WITHHELD, Cell
from pipeline.summary import Comparison, FlowStep, Retests, Summary, TableOne
from pipeline.suppression import Count, Sum

_COUNTED = ("patients", "pairs", "tests", "sides", "readings", "facts")


def counted(cell: Cell) -> Count | None:
    """Give the count that a cell publishes.

    Parameters
    ----------
    cell : Cell
        A count, or an estimate with the number of pairs that it rests on.

    Returns
    -------
    Count or None
        None where it publishes none, or was withheld before.
    """
    value = cell.value if cell.unit in _COUNTED else cell.n_pairs
    if value is None or cell.status == WITHHELD:
        return None
    patients = int(value) if cell.n_patients is None else cell.n_patients
    return Count(cell.name, int(value), patients, is_estimate=cell.unit not in _COUNTED)


def sums_of(summary: Summary) -> tuple[Sum, ...]:
    """List the sums among the counts of a summary.

    Parameters
    ----------
    summary : Summary
        The content of a report.

    Returns
    -------
    tuple of Sum
        Sums of one table, and counts that stand in two tables.
    """
    found = [*_flow(summary.flow), *_table_one(summary.table_one), *_retests(summary.retests)]
    for comparison in summary.comparisons:
        found += _comparison(comparison)
    if summary.comparisons:
        found += _same_counts(summary.flow, summary.comparisons[0])
        groups = summary.before_after.groups if summary.before_after else ()
        found += _sum(
            _pairs(summary.comparisons[0]), tuple(group[0] for group in groups), exact=True
        )
    return tuple(found)


def _sum(total: Cell | None, parts: tuple[Cell, ...], *, exact: bool = False) -> list[Sum]:
    """Make a sum of what is still published; ``exact`` leaves out what does not add up."""
    whole = counted(total) if total else None
    counts = [count for part in parts if (count := counted(part))]
    if whole is None or not counts:
        return []
    if exact and whole.value != sum(count.value for count in counts):
        return []
    return [Sum(whole.name, tuple(count.name for count in counts))]


def _pairs(comparison: Comparison) -> Cell | None:
    return next((cell for cell in comparison.fit if cell.unit == "pairs"), None)


def _comparison(comparison: Comparison) -> list[Sum]:
    """Pairs of the levels add up to those of the model, pairs of finer cells to their level's."""
    found = _sum(_pairs(comparison), tuple(level.cell for level in comparison.levels))
    for level in comparison.levels:
        finer = tuple(one.cell for one in comparison.cells if one.group == level.label)
        found += _sum(level.cell, finer)
    return found


def _flow(steps: tuple[FlowStep, ...]) -> list[Sum]:
    """Losses and what is left add up to what was there, inside one unit."""
    found: list[Sum] = []
    for step, after in pairwise(steps):
        both = _sum(step.counts[0], (*step.losses, after.counts[0]), exact=True)
        found += both or _sum(step.counts[0], step.losses)
    return found


def _same_counts(flow: tuple[FlowStep, ...], comparison: Comparison) -> list[Sum]:
    """Find the counts of the flow that stand beside the main comparison as well."""
    pairs = _pairs(comparison)
    found: list[Sum] = []
    if flow and pairs:
        found += _sum(flow[-1].counts[0], (pairs,), exact=True)
    for step in flow:
        for loss in step.losses:
            same = [c for c in comparison.not_modelled if c.label == loss.label]
            found += _sum(loss, tuple(same), exact=True) if len(same) == 1 else []
    return found


def _table_one(table: TableOne) -> list[Sum]:
    """Categories of a characteristic add up to the patients of the column."""
    found: list[Sum] = []
    for column in range(len(table.columns)):
        total = next((row.cells[column] for row in table.rows if row.kind == "count"), None)
        for heading in dict.fromkeys(row.heading for row in table.rows if row.kind == "share"):
            shares = [r for r in table.rows if r.heading == heading and r.kind == "share"]
            found += _sum(total, tuple(row.cells[column] for row in shares))
    return found


def _retests(retests: Retests) -> list[Sum]:
    """Kinds of documentation add up to the treated sides, clinics to all clinics."""
    found: list[Sum] = []
    for row in retests.rows:
        found += _sum(row.treated, (row.full, row.partial, row.none), exact=True)
    if not retests.rows:
        return found
    *clinics, every = retests.rows
    for name in ("treated", "full", "partial", "none"):
        parts = tuple(getattr(row, name) for row in clinics)
        found += _sum(getattr(every, name), parts, exact=True)
    found += _sum(every.treated, (every.full, *retests.reasons), exact=True)
    return found
