"""The table: rows of cells and words, columns that know how to show them."""

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass, field

from pipeline.cell import Cell
from reports.number import (
    COUNT_UNITS,
    count_of,
    estimate,
    fixed,
    is_shown,
    marked,
    plain,
    probability,
    simultaneous,
)
from reports.wording_en import MARKERS, TEXT

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet would compute a text cell that starts so."""


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    name : str
        Field name in the CSV file.
    title : str
        Header, with unit and denominator.
    show : callable
        Writes a cell for the page.
    parts : tuple of (str, str)
        Suffix of the field and attribute of the cell, for each number that goes to the CSV file;
        empty for a column of words.
    is_strong : callable
        Says which cells are bold.
    """

    name: str
    title: str
    show: Callable[[Cell], str] = plain
    parts: tuple[tuple[str, str], ...] = (("", "value"),)
    is_strong: Callable[[Cell], bool] = field(default=lambda _: False)


@dataclass(frozen=True)
class Row:
    """One row of a table.

    Attributes
    ----------
    label : str
        Its header.
    entries : tuple of Cell or str
        One a column; words stand as they are.
    group : str
        Heading that it stands under; empty for none.
    """

    label: str
    entries: tuple[Cell | str, ...]
    group: str = ""


@dataclass(frozen=True)
class Table:
    """A table as shown and as written to a file.

    Attributes
    ----------
    name : str
        Name of its file, unique in the report.
    caption : str
        What it holds.
    label_title : str
        Header of the label column.
    columns : tuple of Column
        The other columns.
    rows : tuple of Row
        Rows in order; those of one group stand together.
    smallest_count : int
        For the explanation of the marker for withheld cells.
    notes : tuple of str
        Sentences under the table.
    second_when_narrow : int or None
        Column that is shown right after the labels on a narrow page.
    """

    name: str
    caption: str
    label_title: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    smallest_count: int
    notes: tuple[str, ...] = ()
    second_when_narrow: int | None = None

    @property
    def groups(self) -> tuple[tuple[str, tuple[Row, ...]], ...]:
        """Rows by the group that they stand under.

        Returns
        -------
        tuple of (str, tuple of Row)
            Heading and rows, in order.
        """
        found: list[tuple[str, list[Row]]] = []
        for row in self.rows:
            if not found or found[-1][0] != row.group:
                found.append((row.group, []))
            found[-1][1].append(row)
        return tuple((group, tuple(rows)) for group, rows in found)


@dataclass(frozen=True)
class Shown:
    """One entry of a table as the page shows it.

    Attributes
    ----------
    text : str
        What is written.
    is_number : bool
        True for right-aligned figures.
    is_strong : bool
        True where it is bold.
    """

    text: str
    is_number: bool
    is_strong: bool


def shown_entries(table: Table, row: Row) -> tuple[Shown, ...]:
    """Write the entries of a row for the page.

    Parameters
    ----------
    table : Table
        The table.
    row : Row
        One of its rows.

    Returns
    -------
    tuple of Shown
        One a column.
    """
    return tuple(
        Shown(entry, is_number=False, is_strong=False)
        if isinstance(entry, str)
        else Shown(column.show(entry), is_number=True, is_strong=column.is_strong(entry))
        for column, entry in zip(table.columns, row.entries, strict=True)
    )


def marker_notes(table: Table) -> tuple[str, ...]:
    """Explain each marker that the table shows.

    Parameters
    ----------
    table : Table
        The table.

    Returns
    -------
    tuple of str
        One sentence a marker, with the reasons given by the cells.
    """
    seen: dict[str, list[str]] = {}
    for row in table.rows:
        shown = shown_entries(table, row)
        for entry, text in zip(row.entries, shown, strict=True):
            for letter in MARKERS:
                if f"[{letter}]" in text.text and text.is_number:
                    reasons = seen.setdefault(letter, [])
                    if (
                        isinstance(entry, Cell)
                        and entry.status == letter
                        and entry.note not in ("", *reasons)
                    ):
                        reasons.append(entry.note)
    explained = []
    for letter, words in MARKERS.items():
        if letter in seen:
            sentence = f"[{letter}] {words.format(smallest_count=table.smallest_count)}"
            reasons = [] if letter == "c" else seen[letter]
            explained.append(f"{sentence}: {'; '.join(reasons)}." if reasons else f"{sentence}.")
    return tuple(explained)


def csv_bytes(table: Table) -> bytes:
    """Write a table as a CSV file.

    Parameters
    ----------
    table : Table
        The table.

    Returns
    -------
    bytes
        UTF-8; a cell without a number is empty and its ``_status`` column holds the marker.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    has_groups = any(row.group for row in table.rows)
    writer.writerow([*(["group"] if has_groups else []), "label", *_field_names(table)])
    for row in table.rows:
        labels = [*([row.group] if has_groups else []), row.label]
        fields: list[str] = [_safe(label) for label in labels]
        for column, entry in zip(table.columns, row.entries, strict=True):
            fields.extend(_fields(column, entry))
        writer.writerow(fields)
    return text.getvalue().encode()


def patients_column() -> Column:
    """Column of the patients that each number rests on.

    Returns
    -------
    Column
        For cells of which it shows ``n_patients``.
    """
    return Column(
        "patients",
        TEXT["patients_title"],
        lambda cell: count_of(cell.n_patients, cell),
        (("", "n_patients"),),
    )


def estimate_column(name: str, title: str) -> Column:
    """Column of estimates with 95 % interval.

    Parameters
    ----------
    name : str
        Field name.
    title : str
        Header.

    Returns
    -------
    Column
        Value and interval; the file also has pairs, standard error and degrees of freedom.
    """
    parts = (
        ("", "value"),
        ("_low", "low"),
        ("_high", "high"),
        ("_n_pairs", "n_pairs"),
        ("_standard_error", "standard_error"),
        ("_degrees_of_freedom", "degrees_of_freedom"),
    )
    return Column(name, title, estimate, parts)


def p_column() -> Column:
    """Column of plain p-values.

    Returns
    -------
    Column
        For contrasts.
    """
    return Column(
        "p", "p", lambda cell: marked(cell, probability(cell.p_value)), (("", "p_value"),)
    )


def family_columns() -> tuple[Column, ...]:
    """Columns of what holds for all contrasts at once, around the plain p-value.

    Returns
    -------
    tuple of Column
        Simultaneous interval, p-value, and p-value by Holm.
    """
    interval = (("_low", "simultaneous_low"), ("_high", "simultaneous_high"))
    return (
        Column("simultaneous", TEXT["simultaneous_title"], simultaneous, interval),
        p_column(),
        Column(
            "p_holm",
            TEXT["holm_title"],
            lambda cell: marked(cell, probability(cell.adjusted_p_value)),
            (("", "adjusted_p_value"),),
        ),
    )


def standardised(cell: Cell) -> str:
    """Write a standardised difference.

    Parameters
    ----------
    cell : Cell
        The difference.

    Returns
    -------
    str
        Two decimals, or the marker.
    """
    return marked(cell, "" if cell.value is None else fixed(cell.value, 2))


def _field_names(table: Table) -> list[str]:
    names: list[str] = []
    for column in table.columns:
        if column.parts:
            names.extend(column.name + suffix for suffix, _ in column.parts)
            names.append(f"{column.name}_status")
        else:
            names.append(column.name)
    return names


def _fields(column: Column, entry: Cell | str) -> list[str]:
    if isinstance(entry, str):
        return [_safe(entry)]
    if not is_shown(entry):
        return [""] * len(column.parts) + [entry.status or "x"]
    values = [getattr(entry, attribute) for _, attribute in column.parts]
    return [
        *(
            _plain_number(value, entry, attribute)
            for value, (_, attribute) in zip(values, column.parts, strict=True)
        ),
        entry.status,
    ]


def _plain_number(value: float | None, cell: Cell, attribute: str) -> str:
    if value is None:
        return ""
    if isinstance(value, int) or (
        attribute == "value" and cell.unit in COUNT_UNITS and value.is_integer()
    ):
        return str(int(value))
    return repr(float(value) + 0.0)  # -0.0 becomes 0.0


def _safe(text: str) -> str:
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text
