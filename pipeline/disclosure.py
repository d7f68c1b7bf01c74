"""Disclosure control: no published number rests on too few patients, or lets one be worked out.

A cell on fewer patients than the smallest count is withheld with all its numbers. Where published
cells add up to a published total, more are withheld until those withheld can't be told apart: at
least two, resting together on the smallest count. A true zero stays, as the CMS cell size policy
allows (ResDAC, version 2024-01-26: no cell of 1 to 10, and none from which one can be derived).
"""

from dataclasses import replace

from pipeline.cell import WITHHELD, Cell
from pipeline.summary import (
    BeforeAfter,
    Characteristic,
    Comparison,
    ContrastResult,
    FlowStep,
    Level,
    RetestRow,
    Retests,
    Summary,
    TableOne,
    Verdict,
)

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
    hidden = _hidden_of_sum(cells, smallest)
    return tuple(withhold(c) if i in hidden else c for i, c in enumerate(cells))


def protect_table(rows: Grid, smallest: int) -> Grid:
    """Withhold cells of a table whose row and column totals are all published.

    Parameters
    ----------
    rows : tuple of tuple of Cell
        Inner cells.
    smallest : int
        Smallest count.

    Returns
    -------
    tuple of tuple of Cell
        The table; every row and column that has a withheld cell is safe as a sum of its own.
    """
    hidden = {
        (i, j) for i, row in enumerate(rows) for j, c in enumerate(row) if is_small(c, smallest)
    }
    while unsafe := _unsafe_lines(rows, hidden, smallest):
        line = min(unsafe, key=lambda places: _sensitivity(rows, places, hidden))
        cells = tuple(rows[i][j] for i, j in line)
        own = {place for place, at in enumerate(line) if at in hidden}
        hidden |= {line[place] for place in _widened(cells, own, smallest)}
    return tuple(
        tuple(withhold(c) if (i, j) in hidden else c for j, c in enumerate(row))
        for i, row in enumerate(rows)
    )


def _unsafe_lines(
    rows: Grid, hidden: set[tuple[int, int]], smallest: int
) -> list[list[tuple[int, int]]]:
    """List the rows and columns whose hidden cells can still be told apart."""
    height, width = len(rows), len(rows[0]) if rows else 0
    lines = [[(i, j) for j in range(width)] for i in range(height)]
    lines += [[(i, j) for i in range(height)] for j in range(width)]
    unsafe = []
    for line in lines:
        own = {place for place, at in enumerate(line) if at in hidden}
        cells = tuple(rows[i][j] for i, j in line)
        if own and len(own) < len(line) and not _is_safe(cells, own, smallest):
            unsafe.append(line)
    return unsafe


def _sensitivity(rows: Grid, line: list[tuple[int, int]], hidden: set[tuple[int, int]]) -> int:
    """Rank a line by its smallest hidden cell: what needs most cover is covered first."""
    return min(rows[i][j].n_patients or 0 for i, j in line if (i, j) in hidden)


def _hidden_of_sum(cells: tuple[Cell, ...], smallest: int) -> set[int]:
    small = {i for i, cell in enumerate(cells) if is_small(cell, smallest)}
    return _widened(cells, small, smallest)


def _widened(cells: tuple[Cell, ...], hidden: set[int], smallest: int) -> set[int]:
    """Hide further cells, the smallest first, until the hidden ones can't be told apart."""
    hidden = set(hidden)
    rest = sorted(
        (i for i in range(len(cells)) if i not in hidden and cells[i].value),
        key=lambda i: (cells[i].n_patients or 0, cells[i].name),
    )
    for i in rest:
        if not hidden or _is_safe(cells, hidden, smallest):
            break
        hidden.add(i)
    if hidden and not _is_safe(cells, hidden, smallest):
        hidden = set(range(len(cells)))  # nothing is left to hide behind: zeros go as well
    return hidden


def _is_safe(cells: tuple[Cell, ...], hidden: set[int], smallest: int) -> bool:
    together = sum(int(cells[i].value or 0) for i in hidden)
    return len(hidden) > 1 and together >= smallest


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
    return replace(
        summary,
        comparisons=tuple(_comparison(c, smallest) for c in summary.comparisons),
        flow=_flow(summary.flow, smallest),
        table_one=_table_one(summary.table_one, smallest),
        before_after=_before_after(summary.before_after, smallest),
        retests=_retests(summary.retests, smallest),
    )


def _contrast(result: ContrastResult, smallest: int) -> ContrastResult:
    if not is_small(result.cell, smallest):
        return result
    return replace(
        result,
        cell=withhold(result.cell),
        verdict=Verdict("none", result.verdict.is_simultaneous),
    )


def _levels(levels: tuple[Level, ...], smallest: int) -> tuple[Level, ...]:
    """Withhold levels whose patients or pairs are few; their pairs add up to a published total."""
    counts = tuple(replace(level.cell, value=level.cell.n_pairs or 0) for level in levels)
    hidden = _hidden_of_sum(counts, smallest)
    return tuple(
        replace(level, cell=withhold(level.cell)) if i in hidden else level
        for i, level in enumerate(levels)
    )


def _comparison(comparison: Comparison, smallest: int) -> Comparison:
    cells = _levels(comparison.cells, smallest)
    levels = _levels(comparison.levels, smallest)
    primary = comparison.primary and _contrast(comparison.primary, smallest)
    few = any(is_small(cell, smallest) for cell in comparison.fit)
    return replace(
        comparison,
        levels=levels,
        cells=cells,
        primary=primary,
        family=tuple(_contrast(c, smallest) for c in comparison.family),
        pretest=tuple(_contrast(c, smallest) for c in comparison.pretest),
        variances=tuple(withhold_small(c, smallest) for c in comparison.variances),
        fit=tuple(withhold(c) if few else c for c in comparison.fit),
        not_modelled=protect_sum(comparison.not_modelled, smallest),
    )


def _flow(steps: tuple[FlowStep, ...], smallest: int) -> tuple[FlowStep, ...]:
    """Protect the losses of each step: with what is left they add up to what was there."""
    return tuple(
        replace(
            step,
            counts=tuple(withhold_small(c, smallest) for c in step.counts),
            losses=protect_sum(step.losses, smallest),
        )
        for step in steps
    )


def _table_one(table: TableOne, smallest: int) -> TableOne:
    """Protect the categories of each characteristic in each column."""
    protected: dict[tuple[int, int], Cell] = {}
    for heading in dict.fromkeys(row.heading for row in table.rows):
        places = [i for i, row in enumerate(table.rows) if row.heading == heading]
        shares = [i for i in places if table.rows[i].kind == "share"]
        for column in range(len(table.columns)):
            cells = tuple(table.rows[i].cells[column] for i in shares)
            safe = protect_sum(_with_rest(cells), smallest)[: len(cells)]
            protected |= {(i, column): cell for i, cell in zip(shares, safe, strict=True)}
    rows = []
    for i, row in enumerate(table.rows):
        cells = tuple(
            protected.get((i, column), withhold_small(cell, smallest))
            for column, cell in enumerate(row.cells)
        )
        rows.append(_characteristic(row, cells))
    return replace(table, rows=tuple(rows))


def _with_rest(cells: tuple[Cell, ...]) -> tuple[Cell, ...]:
    """Add what is missing to the base, so that the complement of a single share is protected too."""
    if not cells or cells[0].base is None:
        return cells
    rest = cells[0].base - sum(int(cell.value or 0) for cell in cells)
    return (*cells, Cell("~rest", "", "", rest, rest)) if rest else cells


def _characteristic(row: Characteristic, cells: tuple[Cell, ...]) -> Characteristic:
    if any(cell.status == WITHHELD for cell in cells):
        return replace(
            row, cells=cells, standardised_difference=withhold(row.standardised_difference)
        )
    return replace(row, cells=cells)


def _before_after(found: BeforeAfter | None, smallest: int) -> BeforeAfter | None:
    if found is None:
        return None
    groups = tuple(
        (withhold_small(a, smallest), withhold_small(b, smallest), withhold_small(c, smallest))
        for a, b, c in found.groups
    )
    return replace(found, groups=groups)


def _retests(retests: Retests, smallest: int) -> Retests:
    """Protect full, partial and none by clinic, against both kinds of total."""
    if not retests.rows:
        return retests
    *clinics, every = retests.rows
    grid = protect_table(tuple((row.full, row.partial, row.none) for row in clinics), smallest)
    rows = [_retest_row(row, cells, smallest) for row, cells in zip(clinics, grid, strict=True)]
    totals = protect_sum((every.full, every.partial, every.none), smallest)
    if len(clinics) == 1:  # one clinic and the total are the same numbers
        totals = (rows[0].full, rows[0].partial, rows[0].none)
        totals = tuple(
            replace(cell, name=own.name)
            for cell, own in zip(totals, (every.full, every.partial, every.none), strict=True)
        )
    rows.append(_retest_row(every, totals, smallest))
    return replace(retests, rows=tuple(rows), reasons=protect_sum(retests.reasons, smallest))


def _retest_row(row: RetestRow, cells: tuple[Cell, ...], smallest: int) -> RetestRow:
    full, partial, none = cells
    share = withhold(row.share_full) if full.status == WITHHELD else row.share_full
    treated = withhold_small(row.treated, smallest)
    return replace(row, treated=treated, full=full, partial=partial, none=none, share_full=share)
