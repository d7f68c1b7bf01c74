"""Disclosure control: no published number rests on too few patients, or lets one be worked out.

A cell on fewer patients than the smallest count is withheld with all its numbers. Where published
cells add up, across all tables of a report, more are withheld until no small one can be worked out
(``pipeline.suppression``); what was computed from a withheld cell goes with it. A true zero stays, as
the CMS cell size policy allows (ResDAC, version 2024-01-26: no cell of 1 to 10, and none from which
one can be derived).
"""

from dataclasses import fields, is_dataclass, replace
from typing import Any

from pipeline.cell import WITHHELD, Cell
from pipeline.compared import SIDES
from pipeline.published_sum import counted, sums_of
from pipeline.summary import (
    Characteristic,
    Comparison,
    ContrastResult,
    FlowStep,
    Summary,
    TableOne,
    Verdict,
    cells_of,
)
from pipeline.suppression import Count, Sum, suppress

Grid = tuple[tuple[Cell, ...], ...]


def is_small(cell: Cell, smallest: int) -> bool:
    """Say whether a cell rests on too few patients.

    Parameters
    ----------
    cell : Cell
        The cell.
    smallest : int
        Smallest count.

    Returns
    -------
    bool
        True for 1 to ``smallest - 1`` patients.
    """
    return cell.n_patients is not None and 0 < cell.n_patients < smallest


def withhold(cell: Cell) -> Cell:
    """Take every number out of a cell.

    Parameters
    ----------
    cell : Cell
        The cell.

    Returns
    -------
    Cell
        Name, label and unit with the marker of withheld cells.
    """
    return Cell(cell.name, cell.label, cell.unit, None, None, status=WITHHELD)


def withhold_small(cell: Cell, smallest: int) -> Cell:
    """Withhold a cell if it rests on too few patients.

    Parameters
    ----------
    cell : Cell
        The cell.
    smallest : int
        Smallest count.

    Returns
    -------
    Cell
        The cell, or what is left of it.
    """
    return withhold(cell) if is_small(cell, smallest) else cell


def protect_sum(cells: tuple[Cell, ...], smallest: int) -> tuple[Cell, ...]:
    """Withhold small cells of a sum, and others until none can be worked out from the total.

    Parameters
    ----------
    cells : tuple of Cell
        Counts that add up to a published total.
    smallest : int
        Smallest count.

    Returns
    -------
    tuple of Cell
        The same cells, some withheld.
    """
    return protect_table((cells,), smallest, with_columns=False)[0]


def protect_table(rows: Grid, smallest: int, *, with_columns: bool = True) -> Grid:
    """Withhold cells of a table whose totals are published.

    Parameters
    ----------
    rows : tuple of tuple of Cell
        Inner cells, each with a name of its own.
    smallest : int
        Smallest count.
    with_columns : bool
        True where the totals of the columns are published as well as those of the rows.

    Returns
    -------
    tuple of tuple of Cell
        The table; no small cell can be worked out from the totals.
    """
    lines = [*rows, *zip(*rows, strict=True)] if with_columns else [*rows]
    counts = [count for row in rows for cell in row if (count := counted(cell))]
    sums = []
    for place, line in enumerate(lines):
        parts = tuple(count for cell in line if (count := counted(cell)))
        total = sum(part.value for part in parts)
        counts.append(Count(f"~total {place}", total, total, is_fixed=True))
        sums.append(Sum(f"~total {place}", tuple(part.name for part in parts)))
    hidden = suppress(tuple(counts), tuple(sums), smallest, frozenset())
    return tuple(tuple(withhold(c) if c.name in hidden else c for c in row) for row in rows)


def protect_summary(summary: Summary) -> Summary:
    """Apply disclosure control to everything that a report says.

    Parameters
    ----------
    summary : Summary
        The content before.

    Returns
    -------
    Summary
        The content that may be published.
    """
    smallest = summary.smallest_count
    cells = {cell.name: cell for cell in cells_of(summary)}
    small = frozenset(name for name, cell in cells.items() if is_small(cell, smallest))
    counts = tuple(count for cell in cells.values() if (count := counted(cell)))
    hidden = set(suppress(counts, sums_of(summary), smallest, small))
    hidden |= _patients_lost(summary.flow, hidden, smallest)
    while more := _dependents(summary, hidden) - hidden:
        # What goes along may itself be a part of a sum.
        hidden = set(suppress(counts, sums_of(summary), smallest, frozenset(hidden | more)))
    safe: Summary = _rebuilt(summary, hidden)
    return safe


def _patients_lost(flow: tuple[FlowStep, ...], hidden: set[str], smallest: int) -> set[str]:
    """Withhold patients of a step that would show that few of them were lost before the next."""
    found: set[str] = set()
    after: int | None = None
    for step in reversed(flow):
        for cell in step.counts[1:]:
            if cell.unit != "patients" or cell.value is None or cell.name in hidden:
                continue
            if after is not None and 0 < cell.value - after < smallest:
                found.add(cell.name)
            else:
                after = int(cell.value)
    return found


def _dependents(summary: Summary, hidden: set[str]) -> set[str]:
    """Name the cells that were computed from withheld ones."""
    found: set[str] = set()
    for comparison in summary.comparisons:
        found |= _of_comparison(comparison, hidden)
    found |= _of_table_one(summary, hidden)
    for group in summary.before_after.groups if summary.before_after else ():
        if any(cell.name in hidden for cell in group):
            found |= {cell.name for cell in group}
    for row in summary.retests.rows:
        if _is_hidden(row.full, hidden) or _is_hidden(row.treated, hidden):
            found.add(row.share_full.name)
    return found


def _is_hidden(cell: Cell, hidden: set[str]) -> bool:
    return cell.name in hidden or cell.status == WITHHELD


def _of_comparison(comparison: Comparison, hidden: set[str]) -> set[str]:
    """Name the contrasts of withheld levels: the level's mean and count would follow from them."""
    found = set()
    gone = {
        place for place, level in enumerate(comparison.levels) if _is_hidden(level.cell, hidden)
    }
    primary = (comparison.primary,) if comparison.primary else ()
    for result in (*primary, *comparison.family, *comparison.pretest):
        if gone & _levels_behind(result, comparison):
            found.add(result.cell.name)
    if comparison.primary and comparison.cautious:
        own = comparison.primary.cell
        if own.name in found or _is_hidden(own, hidden):
            found.add(comparison.cautious.name)
    few = any(cell.unit == "patients" and cell.name in hidden for cell in comparison.fit)
    return found | {cell.name for cell in comparison.fit if few}


def _levels_behind(result: ContrastResult, comparison: Comparison) -> set[int]:
    """Find a contrast's levels by label or code; words that fit none may stand for any of them."""
    found: set[int] = set()
    for side in (result.first, result.second):
        codes = SIDES.get(side, ())
        behind = {
            place
            for place, level in enumerate(comparison.levels)
            if level.label == side or level.cell.name.rpartition(".")[2] in codes
        }
        found |= behind or set(range(len(comparison.levels)))
    return found


def _of_table_one(summary: Summary, hidden: set[str]) -> set[str]:
    """Name the columns of withheld groups of patients, and what was computed from a hidden cell."""
    table, found = summary.table_one, set()
    gone = {n for n in _withheld_level_sizes(summary, hidden) if n}
    for column in range(len(table.columns)):
        counts = [row.cells[column] for row in table.rows if row.kind == "count"]
        if any(cell.name in hidden or cell.value in gone for cell in counts):
            found |= {row.cells[column].name for row in table.rows}
    for row in table.rows:
        if any(_is_hidden(cell, hidden) or cell.name in found for cell in row.cells):
            found.add(row.standardised_difference.name)
    return found


def _withheld_level_sizes(summary: Summary, hidden: set[str]) -> set[int | None]:
    levels = summary.comparisons[0].levels if summary.comparisons else ()
    return {level.cell.n_patients for level in levels if level.cell.name in hidden}


def _rebuilt(part: Any, hidden: set[str]) -> Any:  # noqa: ANN401  # any part of a summary
    """Copy a part of a summary with the cells withheld and their verdicts taken back."""
    if isinstance(part, Cell):
        return withhold(part) if part.name in hidden else part
    if isinstance(part, tuple):
        return tuple(_rebuilt(item, hidden) for item in part)
    if not is_dataclass(part) or isinstance(part, type):
        return part
    changes = {f.name: _rebuilt(getattr(part, f.name), hidden) for f in fields(part)}
    return _consistent(replace(part, **changes))


def _consistent(copy: Any) -> Any:  # noqa: ANN401  # any part of a summary
    """Take back what stands beside a withheld cell and would speak of it."""
    if isinstance(copy, ContrastResult) and copy.cell.status == WITHHELD:
        return replace(copy, verdict=Verdict("none", copy.verdict.is_simultaneous))
    if isinstance(copy, TableOne):
        return replace(copy, rows=tuple(_without_count_of_known(row, copy) for row in copy.rows))
    return copy


def _without_count_of_known(row: Characteristic, table: TableOne) -> Characteristic:
    """Take the number of patients from a mean where the rest, not recorded, is withheld."""
    if row.kind != "mean":
        return row
    missing = [r for r in table.rows if r.heading == row.heading and r.kind == "share"]
    gone = [
        any(other.cells[i].status == WITHHELD for other in missing) for i in range(len(row.cells))
    ]
    cells = tuple(
        replace(cell, n_patients=None) if is_gone else cell
        for cell, is_gone in zip(row.cells, gone, strict=True)
    )
    return replace(row, cells=cells)
