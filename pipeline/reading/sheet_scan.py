"""What a workbook's sheet holds beside values: errors, formulas without a value, merged ranges, extent.

Libraries give an error, and a formula that was never computed, as an empty cell. They also make room
for every cell up to the last, so that two cells far apart could fill the memory. Both are looked up in
the sheet itself (ECMA-376 part 1, section 18.3; OpenDocument 1.3 part 3, section 9).
"""

import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from html import unescape
from itertools import pairwise

from pipeline.reading.workbook_container import chunks_of

MOST_CELLS = 60_000_000
"""Cells up to the last row and column with content. Common practice, no source."""

FORMULA = "#FORMULA"
"""Text of a formula that holds no value, because no program has computed it."""

ERROR = "#ERROR"
"""Text of an error of an unknown kind."""

# No expression looks further than the next tag, so that its time grows with the text alone.
_ROW = re.compile(rb"<(?:\w+:)?row\b([^<>]*)>")
_CELL = re.compile(rb"<(?:\w+:)?c\b([^<>]*?)(/?)>")
_CELL_END = re.compile(rb"</(?:\w+:)?c>")
_NUMBER = re.compile(rb"""\br\s*=\s*["'](\d+)["']""")
_REFERENCE = re.compile(rb"""\br\s*=\s*["']([A-Za-z]+)(\d+)["']""")
_FILLED = re.compile(rb"""\sr\s*=\s*["']([A-Za-z]+)(\d+)["'](?:[^<>]*[^/<>])?>""")
_IS_ERROR = re.compile(rb"""\bt\s*=\s*["']e["']""")
_IS_TEXT = re.compile(rb"""\bt\s*=\s*["']str["']""")
_VALUE = re.compile(rb"<(?:\w+:)?v\b[^<>]*>([^<]*)</")
_EMPTY_VALUE = re.compile(rb"<(?:\w+:)?v\b")
_FORMULA = re.compile(rb"<(?:\w+:)?f[\s/>]")
_HINTS = (b'"e"', b"'e'", b"<f", b":f")  # one stands in each row with an error or a formula
_MERGED = re.compile(
    rb"""<(?:\w+:)?mergeCell\b[^<>]*?\bref\s*=\s*["']([A-Za-z]+)(\d+):([A-Za-z]+)(\d+)"""
)
_ERROR_TEXT = re.compile(r"#[A-Z0-9_/!?]{2,20}|Err:\d{3}")

_OPEN_TAG = re.compile(
    rb"<table:(table-row|table-cell|covered-table-cell)(?=[\s/>])([^<>]*?)(/?)>|</table:table-row>"
)
_TABLE = re.compile(rb"<table:table(?=[\s>])([^<>]*)>")
_TABLE_NAME = re.compile(rb"""\btable:name\s*=\s*["']([^"']*)["']""")
_REPEATED = re.compile(rb"""\btable:number-(?:rows|columns)-repeated\s*=\s*["'](\d+)["']""")
_SPANNED = re.compile(rb"""\btable:number-(rows|columns)-spanned\s*=\s*["'](\d+)["']""")
_PARAGRAPH = re.compile(rb"<text:p\b[^<>]*>([^<]*)<")
_LONGEST_ROW = 64 * 1024**2


@dataclass
class SheetScan:
    """Findings in one sheet; rows and columns are counted from 0.

    Attributes
    ----------
    n_rows : int
        Rows up to the last with content.
    n_columns : int
        Columns up to the last with content; 26 at least.
    marked : dict of (int, int) to str
        Cells with an error, or a formula without a value, and their text.
    merged : list of (int, int, int, int)
        First row, first column, last row and last column of each merged range.
    """

    n_rows: int = 0
    n_columns: int = 26
    marked: dict[tuple[int, int], str] = field(default_factory=dict)
    merged: list[tuple[int, int, int, int]] = field(default_factory=list)


def column_letters(column: int) -> str:
    """Name a column as spreadsheet programs do.

    Parameters
    ----------
    column : int
        Counted from 0.

    Returns
    -------
    str
        Its letters.

    Examples
    --------
    >>> column_letters(0), column_letters(27), column_letters(702)
    ('A', 'AB', 'AAA')
    """
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def scan_sheet(container: zipfile.ZipFile, part: str) -> SheetScan:
    """Look through a sheet of an ``.xlsx`` or ``.xlsm`` workbook.

    Parameters
    ----------
    container : zipfile.ZipFile
        The workbook.
    part : str
        Name of the sheet's part.

    Returns
    -------
    SheetScan
        What was found.
    """
    scan = SheetScan()
    known: set[bytes] = set()
    at = -1
    for attributes, content in _rows_of(chunks_of(container, part)):
        stated = _NUMBER.search(attributes)
        at = int(stated[1]) - 1 if stated else at + 1
        if b"</" not in content:
            continue  # a row of formats alone
        scan.n_rows = max(scan.n_rows, at + 1)
        references = _FILLED.findall(content)
        letters = {letters for letters, _ in references} - known
        known |= letters
        scan.n_columns = max([scan.n_columns, *(_column_number(found) + 1 for found in letters)])
        # A cell goes where its reference says, even if that is not the row it stands in.
        rows = {row for _, row in references} - {b"%d" % (at + 1)}
        scan.n_rows = max([scan.n_rows, *map(int, rows)])
        if any(hint in content for hint in _HINTS):
            scan.marked.update(_marked_cells(content, at))
        if b"mergeCell" in content:  # they stand behind the last row
            scan.merged += [
                (int(top) - 1, _column_number(left), int(bottom) - 1, _column_number(right))
                for left, top, right, bottom in _MERGED.findall(content)
            ]
    return scan


def _rows_of(chunks: Iterator[bytes]) -> Iterator[tuple[bytes, bytes]]:
    """Give the attributes of each row and what follows up to the next row.

    Raises
    ------
    ValueError
        If a row is longer than any that a spreadsheet program writes.
    """
    rest = b""
    for chunk in chunks:
        text = rest + chunk
        found = list(_ROW.finditer(text))
        for this, following in pairwise(found):
            yield this[1], text[this.end() : following.start()]
        rest = text[found[-1].start() :] if found else text
        if len(rest) > _LONGEST_ROW:
            raise ValueError("a row has no end")
    last = _ROW.search(rest)
    if last:
        yield last[1], rest[last.end() :]


def _marked_cells(content: bytes, row: int) -> Iterator[tuple[tuple[int, int], str]]:
    column = -1
    cells = list(_CELL.finditer(content))
    ends = [cell.start() for cell in cells[1:]] + [len(content)]
    for cell, end in zip(cells, ends, strict=True):
        attributes, closed = cell.groups()
        inner = b"" if closed else _CELL_END.split(content[cell.end() : end], 1)[0]
        stated = _REFERENCE.search(attributes)
        column = _column_number(stated[1]) if stated else column + 1
        row = int(stated[2]) - 1 if stated else row
        value = _VALUE.search(inner)
        if _IS_ERROR.search(attributes):
            yield (row, column), _error_text(value[1] if value else b"")
        elif _FORMULA.search(inner) and not (value and value[1].strip()):
            # A formula may have the empty text as its value; that is stored as such.
            is_empty_text = _IS_TEXT.search(attributes) and _EMPTY_VALUE.search(inner)
            if not is_empty_text:
                yield (row, column), FORMULA


def _error_text(stored: bytes) -> str:
    text = unescape(stored.decode(errors="replace")).strip()
    return text if _ERROR_TEXT.fullmatch(text) else ERROR


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters.upper()[:4]:
        number = number * 26 + letter - 64
    return number - 1


def scan_open_document(container: zipfile.ZipFile) -> dict[str, SheetScan]:
    """Look through the sheets of an ``.ods`` workbook.

    Parameters
    ----------
    container : zipfile.ZipFile
        The workbook.

    Returns
    -------
    dict of str to SheetScan
        By the names of the sheets.
    """
    content = container.read("content.xml")
    scans = {}
    tables = list(_TABLE.finditer(content))
    ends = [table.start() for table in tables[1:]] + [len(content)]
    for table, end in zip(tables, ends, strict=True):
        attributes = table[1]
        stated = _TABLE_NAME.search(attributes)
        scans[unescape(stated[1].decode(errors="replace")) if stated else ""] = _scan_table(
            content[table.end() : end]
        )
    return scans


def _scan_table(table: bytes) -> SheetScan:
    scan = SheetScan()
    row, column, n_rows = 0, 0, 1
    for tag in _OPEN_TAG.finditer(table):
        kind, attributes, closed = tag.groups()
        if kind is None:
            row += n_rows
            continue
        repeated = _REPEATED.search(attributes)
        n = int(repeated[1]) if repeated else 1
        if kind == b"table-row":
            column, n_rows = 0, n
            row += n if closed else 0
            continue
        cell = _OdsCell(row, column, n_rows, n)
        if not closed or b"office:value" in attributes or b"table:formula" in attributes:
            _look_at(cell, attributes, table[tag.end() : tag.end() + 200], scan)
        column += n
    return scan


@dataclass(frozen=True)
class _OdsCell:
    row: int
    column: int
    n_rows: int
    n_columns: int


def _look_at(cell: _OdsCell, attributes: bytes, inner: bytes, scan: SheetScan) -> None:
    scan.n_rows = max(scan.n_rows, cell.row + cell.n_rows)
    scan.n_columns = max(scan.n_columns, cell.column + cell.n_columns)
    text = ""
    if b'calcext:value-type="error"' in attributes:
        paragraph = _PARAGRAPH.match(inner)
        text = _error_text(paragraph[1] if paragraph else b"")
    elif b"table:formula" in attributes and b"office:value-type" not in attributes:
        text = FORMULA
    if text and scan.n_rows * scan.n_columns <= MOST_CELLS:  # else the sheet is refused
        for row in range(cell.row, cell.row + cell.n_rows):
            for column in range(cell.column, cell.column + cell.n_columns):
                scan.marked[row, column] = text
    spans = {kind: int(n) for kind, n in _SPANNED.findall(attributes)}
    last_row = cell.row + spans.get(b"rows", 1) - 1
    last_column = cell.column + spans.get(b"columns", 1) - 1
    if (last_row, last_column) != (cell.row, cell.column):
        scan.merged.append((cell.row, cell.column, last_row, last_column))
