"""Tables of the patients: who was counted, and Table 1."""

from pipeline.cell import Cell
from pipeline.summary import Characteristic, FlowStep, TableOne
from reports.number import SMALLEST_BASE, fixed, fixed_percent, is_shown, marked, plain
from reports.phrase import capital
from reports.table.content import Column, Row, Table, standardised
from reports.wording_en import TEXT

IMBALANCE = 0.10
"""A standardised difference beyond this is usually taken for an imbalance (Austin 2009, Stat Med 28:3083)."""


def flow_table(flow: tuple[FlowStep, ...], smallest_count: int) -> Table:
    """Make the table of the participant flow, for its file.

    Parameters
    ----------
    flow : tuple of FlowStep
        Steps in order.
    smallest_count : int
        No number rests on fewer patients.

    Returns
    -------
    Table
        One row a count, losses after the step they are from.
    """
    rows = []
    for step in flow:
        rows += [Row(cell.label, (cell, cell.unit), step.label) for cell in step.counts]
        lost = TEXT["flow_lost"].format(label=step.label)
        rows += [Row(cell.label, (cell, cell.unit), lost) for cell in step.losses]
    columns = (Column("count", TEXT["count_title"]), Column("unit", TEXT["unit_title"], plain, ()))
    return Table(
        "flow", TEXT["caption_flow"], TEXT["step_title"], columns, tuple(rows), smallest_count
    )


def table_one(content: TableOne, smallest_count: int) -> Table:
    """Make Table 1.

    Parameters
    ----------
    content : TableOne
        Its columns and rows.
    smallest_count : int
        No number rests on fewer patients.

    Returns
    -------
    Table
        Characteristics, columns, standardised difference (bold beyond 0.10).
    """
    parts = (("", "value"), ("_sd", "sd"), ("_base", "base"))
    columns = [
        Column(f"column_{place}", capital(label), _described, parts)
        for place, label in enumerate(content.columns, start=1)
    ]
    columns.append(
        Column(
            "standardised_difference",
            TEXT["difference_title"],
            standardised,
            is_strong=_is_imbalanced,
        )
    )
    return Table(
        name="table_one",
        caption=TEXT["caption_table_one"],
        label_title=TEXT["characteristic_title"],
        columns=tuple(columns),
        rows=tuple(_row(characteristic) for characteristic in content.rows),
        smallest_count=smallest_count,
        notes=tuple(note for note in (content.note, TEXT["table_one_note"]) if note),
        second_when_narrow=len(columns) - 1,
    )


def _row(row: Characteristic) -> Row:
    suffix = {"mean": ", mean (standard deviation)", "share": ", n (%)", "count": ""}[row.kind]
    units = {cell.unit for cell in row.cells} if row.kind == "mean" else set()
    unit = {"deg": ", °", "points": ", points", "years": ", years", "weeks": ", weeks"}.get(
        "".join(sorted(units)), ""
    )
    alone = row.heading == row.label
    label = capital(row.label) + (unit + suffix if alone else "")
    return Row(
        label,
        (*row.cells, row.standardised_difference),
        "" if alone else capital(row.heading) + unit + suffix,
    )


def _described(cell: Cell) -> str:
    """Write a count with its share, a mean with its sd, or a count alone."""
    if cell.value is None or not is_shown(cell):
        return marked(cell, "")
    if cell.sd is not None:
        return marked(cell, f"{fixed(cell.value, 1)} ({fixed(cell.sd, 1)})")
    count = fixed(cell.value, 0)
    if cell.base is None or cell.base < SMALLEST_BASE:
        return marked(cell, count)
    return marked(cell, f"{count} ({fixed_percent(cell.value / cell.base, 1)})")


def _is_imbalanced(cell: Cell) -> bool:
    return is_shown(cell) and cell.value is not None and abs(cell.value) > IMBALANCE
