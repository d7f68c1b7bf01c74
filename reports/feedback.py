"""Feedback to a clinic, as one page that needs no other file and as one workbook.

Both are made for a clinic's data manager: what was read, which problems there are and what to do about
each, and every place to correct with its number in the clinic's own file. Neither is for publication.
"""

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from itertools import groupby

import polars as pl
import xlsxwriter

from pipeline.feedback import ColumnCount, Feedback, Mender, ReasonCount
from reports.feedback_wording import (
    INCREMENT_NOTE,
    MENDER_NOTES,
    MENDER_SHORT,
    MENDER_WORDS,
    NOTES,
    STEPS,
    TABLE_WORDS,
    WORDS,
)
from reports.number import fixed
from reports.page import render_template
from reports.phrase import capital, date_words, isolated
from schemas.reason import REASON_TEXT
from schemas.table import SOURCE_ROW

MOST_SHOWN = 2_000
"""Places listed on the page; the workbook lists all."""

MOST_SHEET_ROWS = 1_048_576
"""Rows of one sheet, the header among them (ECMA-376 workbooks as spreadsheet programs read them)."""

MOST_COLUMNS = 5
"""Columns named for one problem; the rest are counted."""

_UNSAFE = dict.fromkeys((*range(32), *range(127, 160), 0xFFFE, 0xFFFF), "\N{REPLACEMENT CHARACTER}")
"""Control characters that a header may bring along and that neither file may hold."""


@dataclass(frozen=True)
class _Grid:
    """A plain table: whole numbers are counted, everything else is text."""

    name: str
    caption: str
    header: tuple[str, ...]
    rows: Sequence[tuple[str | int, ...]]


def feedback_page(feedback: Feedback, network: str, made_on: date) -> bytes:
    """Render feedback as one page.

    Parameters
    ----------
    feedback : Feedback
        What the clinic is told.
    network : str
        Name of the network.
    made_on : datetime.date
        Day that stands on it.

    Returns
    -------
    bytes
        HTML in UTF-8; the same for the same arguments.
    """
    listed = feedback.rows.head(MOST_SHOWN)
    more = ""
    if feedback.n_places > MOST_SHOWN:
        more = WORDS["more"].format(shown=_number(MOST_SHOWN), total=_number(feedback.n_places))
    groups = [
        (file, [place[1:] for place in places])
        for file, places in groupby(_listed(listed), key=lambda place: place[0])
    ]
    return render_template(
        "feedback.html.j2",
        clinic=feedback.clinic,
        about=_about(feedback, network, made_on),
        words=WORDS,
        glance=_glance(feedback),
        grids=(_exports(feedback), _account(feedback)),
        problems=[
            (MENDER_WORDS[mender], MENDER_NOTES[mender], _problems(feedback, mender))
            for mender in Mender
            if feedback.of_mender(mender)
        ],
        steps=STEPS,
        notes=_notes(feedback),
        groups=groups,
        more=more,
        number=_number,
    )


def feedback_workbook(feedback: Feedback, network: str, made_on: date) -> bytes:
    """Write feedback as one workbook: ``Summary``, ``What to do`` and ``Rows``.

    Parameters
    ----------
    feedback : Feedback
        What the clinic is told.
    network : str
        Name of the network.
    made_on : datetime.date
        Day that stands on it, and on which the workbook says it was made.

    Returns
    -------
    bytes
        An XLSX workbook, the same for the same arguments. Every cell is a number or a text; none is a
        formula. Places beyond one sheet go on to ``Rows 2`` and so on.
    """
    content = io.BytesIO()
    book = xlsxwriter.Workbook(content, {"in_memory": True})
    # A workbook holds the time of its making: that of the caller, or no two would be the same.
    made_at = datetime.combine(made_on, time(), tzinfo=UTC).replace(tzinfo=None)
    title = f"{WORDS['title']}: {feedback.clinic}"
    book.set_properties({"title": title, "author": network, "created": made_at})
    writer = _Writer(book)
    writer.summary(title, feedback, network, made_on)
    writer.what_to_do(feedback)
    writer.places(feedback)
    book.close()
    return content.getvalue()


class _Writer:
    """Writes the sheets of one workbook; each cell explicitly as a number or as text."""

    def __init__(self, book: xlsxwriter.Workbook) -> None:
        self._book = book
        # The format "@" keeps a text that begins with = a text, also after someone has edited the cell.
        self._text = book.add_format({"num_format": "@", "valign": "top"})
        self._wrapped = book.add_format({"num_format": "@", "valign": "top", "text_wrap": True})
        self._number = book.add_format({"num_format": "#,##0", "valign": "top"})
        self._bold = book.add_format({"num_format": "@", "bold": True, "font_size": 14})
        self._head = book.add_format(
            {"num_format": "@", "bold": True, "bottom": 1, "text_wrap": True, "valign": "bottom"}
        )

    def summary(self, title: str, feedback: Feedback, network: str, made_on: date) -> None:
        sheet = self._sheet("Summary", (46, 16, 16, 18, 14, 14, 14, 14))
        self._cell(sheet, 0, 0, title, self._bold)
        at = 1
        for line in (*_about(feedback, network, made_on), "", *_glance(feedback)):
            self._cell(sheet, at, 0, line, self._text)
            at += 1
        for grid in (_exports(feedback), _account(feedback)):
            self._cell(sheet, at + 1, 0, grid.caption, self._bold)
            at = self._grid(sheet, at + 2, grid)

    def what_to_do(self, feedback: Feedback) -> None:
        sheet = self._sheet("What to do", (22, 44, 12, 12, 50, 70))
        found = [
            (MENDER_SHORT[mender], *row)
            for mender in Mender
            for row in _problems(feedback, mender).rows
        ]
        head = ("Who looks first", *_problems(feedback, Mender.CLINIC).header)
        at = self._grid(sheet, 0, _Grid("what", "", head, found)) + 1
        sheet.autofilter(0, 0, max(len(found), 1), len(head) - 1)
        sheet.freeze_panes(1, 0)
        notes = (*STEPS, *_notes(feedback), *MENDER_NOTES.values()) if found else _notes(feedback)
        for line in notes:
            self._cell(sheet, at, 0, line, self._text)
            at += 1

    def places(self, feedback: Feedback) -> None:
        head = (
            "File", "Row or line", "Record", "Column", "Value found", "Problem", "What to do",
            "Who looks first", "Concerns", "Facts held back", "Export of",
        )  # fmt: skip
        widths = (28, 11, 9, 20, 22, 34, 60, 20, 24, 10, 12)
        step = MOST_SHEET_ROWS - 1
        for number, start in enumerate(range(0, max(feedback.n_places, 1), step), start=1):
            sheet = self._sheet("Rows" if number == 1 else f"Rows {number}", widths)
            rows = list(_full_rows(feedback, start, step))
            self._grid(sheet, 0, _Grid("rows", "", head, rows))
            sheet.autofilter(0, 0, max(len(rows), 1), len(head) - 1)
            sheet.freeze_panes(1, 0)
            if not rows:
                self._cell(sheet, 1, 0, WORDS["nothing"], self._text)

    def _sheet(self, name: str, widths: Sequence[int]) -> xlsxwriter.worksheet.Worksheet:
        sheet = self._book.add_worksheet(name)
        for at, width in enumerate(widths):
            sheet.set_column(at, at, width)
        sheet.set_landscape()
        sheet.set_paper(9)  # A4
        sheet.fit_to_pages(1, 0)
        if name != "Summary":
            sheet.repeat_rows(0)
        return sheet

    def _grid(self, sheet: xlsxwriter.worksheet.Worksheet, at: int, grid: _Grid) -> int:
        """Write a table; give the row after it."""
        for column, title in enumerate(grid.header):
            self._cell(sheet, at, column, title, self._head)
        for row in grid.rows:
            at += 1
            for column, value in enumerate(row):
                self._cell(sheet, at, column, value, self._wrapped)
        return at + 1

    def _cell(
        self,
        sheet: xlsxwriter.worksheet.Worksheet,
        row: int,
        column: int,
        value: str | int,
        kind: xlsxwriter.format.Format,
    ) -> None:
        if isinstance(value, int):
            sheet.write_number(row, column, value, self._number)
        else:
            sheet.write_string(row, column, _clean(value), kind)


def _about(feedback: Feedback, network: str, made_on: date) -> tuple[str, ...]:
    """Say whose feedback it is, of which day and on which exports."""
    counting = [export for export in feedback.exports if not export.is_replaced]
    named = [f"{isolated(e.name)} of {date_words(e.exported_on.isoformat())}" for e in counting[:3]]
    rest = f" and {_count(len(counting) - 3, 'other export')}" if len(counting) > 3 else ""
    made = f"Made on {date_words(made_on.isoformat())} from state {feedback.ledger_number} of the network's store."
    return (f"{isolated(network)}. {made}", f"{', '.join(named) or 'No export'}{rest}.")


def _glance(feedback: Feedback) -> tuple[str, ...]:
    """Say how much was read and is wrong, and who looks at it first."""
    facts = [table for table in feedback.tables if table.table != SOURCE_ROW]
    read, lacking = (sum(getattr(t, name) for t in facts) for name in ("read", "quarantined"))
    unused = sum(t.quarantined for t in feedback.tables if t.table == SOURCE_ROW)
    n_duplicate = sum(table.duplicate for table in facts)
    counted = (
        f"Of {_count(read, 'fact')} read, {_number(sum(t.accepted for t in facts))} are in use, "
        f"{_number(lacking)} could not be taken in (quarantined), and {_number(n_duplicate)} repeat others."
    )
    if not feedback.reasons:
        return (WORDS["nothing"], counted)
    rows = f" Beside them, {_count(unused, 'whole row')} could not be used." if unused else ""
    files = _count(feedback.rows.n_unique(["source_file", "exported_on"]), "file or sheet")
    most = feedback.reasons[0]
    shares = {m: sum(r.n_places for r in feedback.of_mender(m)) for m in Mender}
    return (
        counted + rows,
        (
            f"To correct: {_count(feedback.n_places, 'place')} in {files}. Most frequent problem: "
            f"{REASON_TEXT[most.reason].label} ({_count(most.n_places, 'place')})."
        ),
        (
            f"For the clinic to look at first: {_count(shares[Mender.CLINIC], 'place')}; for the network, in the "
            f"codebook: {_count(shares[Mender.CODEBOOK], 'place')}."
        ),
    )


def _notes(feedback: Feedback) -> tuple[str, ...]:
    has_increment = any(e.kind == "increment" and not e.is_replaced for e in feedback.exports)
    return (*NOTES, INCREMENT_NOTE) if has_increment else NOTES


def _exports(feedback: Feedback) -> _Grid:
    rows = [
        (
            _clean(export.name), export.exported_on.isoformat(), export.layout, export.codebook_version,
            "replaced by a later one" if export.is_replaced else {"full": "full"}.get(export.kind, "partial"),
            export.n_facts,
        )
        for export in feedback.exports
    ]  # fmt: skip
    head = ("File", "Exported on", "Codebook", "Its version", "Kind", "Not taken in")
    return _Grid("exports", WORDS["caption_exports"], head, rows)


def _account(feedback: Feedback) -> _Grid:
    rows = [
        (
            capital(TABLE_WORDS[t.table]), t.read, t.accepted, t.quarantined, t.duplicate, t.superseded,
            t.out_of_scope, t.withdrawn,
        )
        for t in feedback.tables
    ]  # fmt: skip
    head = (
        "What", "Read", "In use", "Not taken in (quarantined)", "Duplicate", "Superseded by a later export",
        "Out of scope", "Withdrawn",
    )  # fmt: skip
    return _Grid("account", WORDS["caption_account"], head, rows)


def _problems(feedback: Feedback, mender: Mender) -> _Grid:
    rows = [
        (
            capital(REASON_TEXT[count.reason].label), count.n_places, count.n_facts, _where(count),
            REASON_TEXT[count.reason].remedy,
        )
        for count in feedback.of_mender(mender)
    ]  # fmt: skip
    head = ("Problem", "Places", "Facts held back", "Where", "What to do")
    return _Grid(f"problems-{mender}", WORDS[f"caption_{mender}"], head, rows)


def _where(count: ReasonCount) -> str:
    rest = len(count.columns) - MOST_COLUMNS
    parts = [_where_in(column) for column in count.columns[:MOST_COLUMNS]]
    return "; ".join([*parts, *([_count(rest, "more column")] if rest > 0 else [])])


def _where_in(column: ColumnCount) -> str:
    name = WORDS["whole_row"] if column.column is None else isolated(_clean(column.column))
    values = ", ".join(f"{_number(n)} × “{_clean(value)}”" for value, n in column.values)
    return f"{name}: {_number(column.n_places)}" + (f" ({values})" if values else "")


def _listed(rows: pl.DataFrame) -> Iterator[tuple[str, ...]]:
    """Give file, number of the row, of the record, column, value, problem and remedy of each place."""
    for place in rows.iter_rows(named=True):
        text = REASON_TEXT[place["reason"]]
        line = place["source_line"]
        yield (
            f"{_clean(place['source_file'])}, exported on {date_words(place['exported_on'].isoformat())}",
            WORDS["not_kept"] if line is None else str(line),
            str(place["source_record"]),
            WORDS["whole_row"] if place["column"] is None else _clean(place["column"]),
            WORDS["no_value"] if place["value"] is None else _clean(place["value"]),
            capital(text.label),
            text.remedy,
        )  # fmt: skip


def _full_rows(feedback: Feedback, start: int, most: int) -> Iterator[tuple[str | int, ...]]:
    part = feedback.rows.slice(start, most)
    menders = {str(count.reason): MENDER_SHORT[count.mender] for count in feedback.reasons}
    for place, shown in zip(part.iter_rows(named=True), _listed(part), strict=True):
        tables = [TABLE_WORDS[name] for name in place["tables"].split(";")]
        line = place["source_line"]
        yield (
            _clean(place["source_file"]), WORDS["not_kept"] if line is None else line,
            place["source_record"], *shown[3:], menders[place["reason"]], ", ".join(tables),
            place["n_facts"], place["exported_on"].isoformat(),
        )  # fmt: skip


def _clean(text: str) -> str:
    return text.translate(_UNSAFE)


def _number(count: int) -> str:
    return fixed(count, 0)


def _count(count: int, noun: str) -> str:
    return f"{_number(count)} {noun if count == 1 else noun.replace(' or ', 's or ') + 's'}"
