"""What a sheet of a binary workbook (``.xlsb``) holds beside values.

The records are those of [MS-XLSB], section 2.4; the codes of errors of section 2.5.97.2.
"""

import zipfile
from collections.abc import Iterator

from pipeline.reading.sheet_scan import ERROR, SheetScan

_ROW, _FIRST_CELL, _LAST_CELL = 0, 1, 11
_ERROR_CELLS = {3, 11}  # a stored error, and a formula whose value is one
_EMPTY_CELL = 1
_MERGED, _SHEET = 176, 156
_ERRORS = {
    0x00: "#NULL!",
    0x07: "#DIV/0!",
    0x0F: "#VALUE!",
    0x17: "#REF!",
    0x1D: "#NAME?",
    0x24: "#NUM!",
    0x2A: "#N/A",
    0x2B: "#GETTING_DATA",
}


def binary_sheets(container: zipfile.ZipFile) -> dict[str, str]:
    """Find the relation of each sheet of a binary workbook.

    Parameters
    ----------
    container : zipfile.ZipFile
        The workbook.

    Returns
    -------
    dict of str to str
        Name of the sheet to the identifier of its relation.
    """
    sheets = {}
    for kind, start, content in _records(container.read("xl/workbook.bin")):
        if kind == _SHEET:
            relation, after = _text(content, start + 8)
            sheets[_text(content, after)[0]] = relation
    return sheets


def scan_binary_sheet(container: zipfile.ZipFile, part: str) -> SheetScan:
    """Look through a sheet of a binary workbook.

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
    row = 0
    for kind, start, content in _records(container.read(part)):
        if kind == _ROW:
            row = _number(content, start)
        elif _FIRST_CELL <= kind <= _LAST_CELL and kind != _EMPTY_CELL:
            column = _number(content, start)
            scan.n_rows, scan.n_columns = max(scan.n_rows, row + 1), max(scan.n_columns, column + 1)
            if kind in _ERROR_CELLS:
                scan.marked[row, column] = _ERRORS.get(content[start + 8], ERROR)
        elif kind == _MERGED:
            top, bottom, left, right = (_number(content, start + 4 * at) for at in range(4))
            scan.merged.append((top, left, bottom, right))
    return scan


def _records(content: bytes) -> Iterator[tuple[int, int, bytes]]:
    """Give the kind of each record and where its own content starts."""
    at, end = 0, len(content)
    while at < end:
        kind = content[at]
        at += 1
        if kind & 0x80:
            kind = (kind & 0x7F) | (content[at] & 0x7F) << 7
            at += 1
        size = 0
        for step in range(4):
            size |= (content[at] & 0x7F) << 7 * step
            at += 1
            if not content[at - 1] & 0x80:
                break
        yield kind, at, content
        at += size


def _number(content: bytes, at: int) -> int:
    return int.from_bytes(content[at : at + 4], "little")


def _text(content: bytes, at: int) -> tuple[str, int]:
    """Give a text of 16-bit characters behind its length, and the position after it."""
    end = at + 4 + 2 * _number(content, at)
    return content[at + 4 : end].decode("utf-16-le", errors="replace"), end
