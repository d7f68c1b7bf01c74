"""Workbooks: the stored value of each cell as text, and no sheet, row or column passed over silently.

An error keeps its text (``#N/A``) and a formula that was never computed becomes ``#FORMULA``, so that
neither is taken for an empty cell. Hidden rows and columns are read as others; a sheet that the codebook
does not name is refused, a hidden one too. A program that writes a formula may store 0 as its value
before anything computes it; that cannot be told from a true 0.
"""

import posixpath
import zipfile
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from io import BytesIO
from itertools import islice
from xml.etree import ElementTree as ET

import polars as pl
from python_calamine import (
    CalamineError,
    CalamineSheet,
    CalamineWorkbook,
    PasswordError,
    SheetTypeEnum,
    SheetVisibleEnum,
)

from pipeline.reading.binary_scan import binary_sheets, scan_binary_sheet
from pipeline.reading.header import check_header
from pipeline.reading.old_workbook import scan_old_sheet
from pipeline.reading.reading import LINE, RECORD, PartText
from pipeline.reading.received import refuse_other_kind
from pipeline.reading.sheet_scan import (
    MOST_CELLS,
    SheetScan,
    column_letters,
    scan_open_document,
    scan_sheet,
)
from pipeline.reading.sheet_text import column_text
from pipeline.reading.workbook_container import DAMAGED, LOCKED, open_container
from schemas.errors import DeliveryError, nearest_names
from schemas.export_file import Place

_ROWS_AT_ONCE = 10_000
_RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"


@dataclass(frozen=True)
class _Book:
    """An open workbook: the library's view, and the file's own."""

    calamine: CalamineWorkbook
    container: zipfile.ZipFile | None
    received: bytes
    name: str


def read_workbook(
    received: bytes,
    name: str,
    places: Mapping[str, Place],
    header_row: int = 1,
    ignored: Collection[str] = (),
) -> dict[str, PartText]:
    """Read sheets of a workbook.

    Parameters
    ----------
    received : bytes
        The workbook.
    name : str
        Its name, for messages.
    places : mapping of str to Place
        Name of each part to its sheet and the row of its header. A sheet may be left unnamed where
        the workbook has one sheet with content.
    header_row : int
        Row of the header, counted from 1, where the place states none.
    ignored : collection of str
        Sheets that are left out on purpose.

    Returns
    -------
    dict of str to PartText
        The parts; the line of a row is its number in the sheet. Blank rows are none.

    Raises
    ------
    DeliveryError
        If the workbook has a password, is damaged or built to do harm; a sheet is not there or not
        named; a header is blank or double; or merged cells hide which row a value belongs to.
    """
    refuse_other_kind(received, name, "workbook")
    container = open_container(received, name)
    try:
        tables = _open_document_scans(container, name)
        book = _Book(CalamineWorkbook.from_filelike(BytesIO(received)), container, received, name)
        scans = tables or _scans(book)
        sheets = _sheets_of(book, scans, places, ignored)
        return {
            part: _read_sheet(book, sheet, scans[sheet], places[part].header_row or header_row)
            for part, sheet in sheets.items()
        }
    except DeliveryError:
        raise
    except PasswordError as problem:
        raise DeliveryError(name, *LOCKED) from problem
    except (
        CalamineError,
        ET.ParseError,
        zipfile.BadZipFile,
        LookupError,
        ValueError,
        OSError,
    ) as problem:
        raise DeliveryError(name, *DAMAGED) from problem
    except BaseException as problem:
        # A fault of the library arrives as a PanicException, which is no Exception.
        if type(problem).__name__ != "PanicException":
            raise
        raise DeliveryError(name, *DAMAGED) from problem


def _open_document_scans(container: zipfile.ZipFile | None, name: str) -> dict[str, SheetScan]:
    """Look through the sheets of an open document; the library fills all of them when it opens it."""
    if container is None or "content.xml" not in container.namelist():
        return {}
    scans = scan_open_document(container)
    for sheet, scan in scans.items():
        _refuse_extent(scan, f"{name}, sheet “{sheet}”")
    return scans


def _scans(book: _Book) -> dict[str, SheetScan]:
    """Look through every sheet before the library makes room for its cells."""
    names = book.calamine.sheet_names
    if book.container is None:
        return {sheet: scan_old_sheet(book.received, book.calamine, sheet) for sheet in names}
    parts = set(book.container.namelist())
    is_binary = "xl/workbook.bin" in parts
    relations = _relations(book.container, "workbook.bin" if is_binary else "workbook.xml")
    if is_binary:
        sheets = binary_sheets(book.container)
        return {
            sheet: scan_binary_sheet(book.container, relations[sheets[sheet]]) for sheet in names
        }
    tree = ET.fromstring(book.container.read("xl/workbook.xml"))  # noqa: S314 - without definitions
    ids = {
        element.get("name", ""): element.get(_RELATION, "")
        for element in tree.iter()
        if element.tag.endswith("}sheet")
    }
    return {sheet: scan_sheet(book.container, relations[ids[sheet]]) for sheet in names}


def _relations(container: zipfile.ZipFile, workbook: str) -> dict[str, str]:
    """Give the name of the part that each relation of the workbook leads to."""
    tree = ET.fromstring(container.read(f"xl/_rels/{workbook}.rels"))  # noqa: S314 - as above
    targets = {element.get("Id", ""): element.get("Target", "") for element in tree.iter()}
    return {
        relation: posixpath.normpath(posixpath.join("/xl", target)).lstrip("/")
        for relation, target in targets.items()
    }


def _sheets_of(
    book: _Book,
    scans: Mapping[str, SheetScan],
    places: Mapping[str, Place],
    ignored: Collection[str],
) -> dict[str, str]:
    """Give the sheet of each part; every other sheet with content is ignored on purpose, or refused.

    Raises
    ------
    DeliveryError
        If a sheet is not there, is named by no part, or it is not stated which is meant.
    """
    filled = [sheet for sheet in scans if scans[sheet].n_rows and sheet not in ignored]
    sheets = {}
    for part, place in places.items():
        if place.sheet is None and len(filled) != 1:
            raise DeliveryError(
                book.name,
                f"the workbook has {len(filled)} sheets with content",
                "Name the sheet in the codebook, and ignore the others by name.",
            )
        sheet = filled[0] if place.sheet is None else place.sheet
        if sheet not in scans:
            raise DeliveryError(
                book.name,
                f"there is no sheet “{sheet}”; " + nearest_names(sheet, scans),
                "Correct the name of the sheet in the codebook, or export with that sheet.",
            )
        sheets[part] = sheet
    kinds = {sheet.name: sheet for sheet in book.calamine.sheets_metadata}
    for sheet in filled:
        if sheet not in sheets.values():
            hidden = kinds[sheet].visible != SheetVisibleEnum.Visible
            raise DeliveryError(
                book.name,
                f"there is a {'hidden ' if hidden else ''}sheet “{sheet}” that the codebook does not name",
                "Remove it from the export, or list it among what is ignored.",
            )
    for sheet in sheets.values():
        if kinds[sheet].typ != SheetTypeEnum.WorkSheet:
            raise DeliveryError(
                book.name, f"the sheet “{sheet}” has no cells", "Name the sheet with the records."
            )
    return sheets


def _read_sheet(book: _Book, sheet_name: str, scan: SheetScan, header_row: int) -> PartText:
    place = f"{book.name}, sheet “{sheet_name}”"
    _refuse_extent(scan, place)
    _refuse_merged(scan, header_row, place)
    cells = _cells_of(book.calamine.get_sheet_by_name(sheet_name), scan)
    if cells.height < header_row:
        raise DeliveryError(
            place,
            f"the codebook says that the header is in row {header_row}, but the last row is {cells.height}",
            "Correct header_row in the codebook.",
        )
    lines = pl.int_range(1, cells.height + 1, dtype=pl.Int64, eager=True).alias(LINE)
    header = list(cells.row(header_row - 1))
    records = (
        cells.with_columns(lines)
        .slice(header_row)
        .filter(pl.any_horizontal(pl.exclude(LINE) != ""))
    )
    if not records.height:
        raise DeliveryError(
            place, "the sheet has a header and no record", "Export again with the records in it."
        )
    return _named(records, header, place, header_row)


def _refuse_extent(scan: SheetScan, place: str) -> None:
    """Refuse a sheet for whose cells there may be no room.

    Raises
    ------
    DeliveryError
        If its last row and column are too far apart.
    """
    if scan.n_rows * scan.n_columns > MOST_CELLS:
        last = f"{column_letters(scan.n_columns - 1)}{scan.n_rows}"
        raise DeliveryError(
            place,
            f"the sheet reaches to {last}, which is too much",
            "Remove cells far below or beside the records, or export as CSV.",
        )


def _cells_of(sheet: CalamineSheet, scan: SheetScan) -> pl.DataFrame:
    """Give every cell from A1 on as text, with the marked ones in their places."""
    left = sheet.start[1] if sheet.start else 0
    marked_columns = [column for _, column in scan.marked]
    width = max([left + sheet.width, *(column + 1 for column in marked_columns)])
    names = [column_letters(column) for column in range(width)]
    frames = [pl.DataFrame(schema=dict.fromkeys(names, pl.String))]
    rows = sheet.iter_rows()
    while block := list(islice(rows, _ROWS_AT_ONCE)):
        blank = pl.Series([""] * len(block), dtype=pl.String)
        columns = [column_text(cells) for cells in zip(*block, strict=True)]
        filled = [blank] * left + columns + [blank] * (width - left - len(columns))
        frames.append(pl.DataFrame(dict(zip(names, filled, strict=True))))
    cells = pl.concat(frames)
    n_below = max([0, *(row + 1 - cells.height for row, _ in scan.marked)])
    if n_below:  # a row that holds nothing but formulas without a value
        below = pl.DataFrame(dict.fromkeys(names, [""] * n_below), frames[0].schema)
        cells = pl.concat([cells, below])
    return _with_marked(cells, scan)


def _with_marked(cells: pl.DataFrame, scan: SheetScan) -> pl.DataFrame:
    places: dict[str, tuple[list[int], list[str]]] = {}
    for (row, column), text in scan.marked.items():
        rows, texts = places.setdefault(column_letters(column), ([], []))
        rows.append(row)
        texts.append(text)
    changed = []
    for letters, (rows, texts) in places.items():
        stored = cells[letters]
        found = zip(rows, texts, stored.gather(rows).to_list(), strict=True)
        changed.append(stored.scatter(rows, [cell or text for _, text, cell in found]))
    return cells.with_columns(changed)


def _refuse_merged(scan: SheetScan, header_row: int, place: str) -> None:
    """Refuse merged cells among the records: it cannot be told which row the value belongs to.

    Raises
    ------
    DeliveryError
        If there are some.
    """
    for top, left, bottom, right in scan.merged:
        if bottom >= header_row and (top, left) != (bottom, right):
            raise DeliveryError(
                f"{place}, {column_letters(left)}{top + 1}:{column_letters(right)}{bottom + 1}",
                "cells among the records are merged, so it is not known to which they belong",
                "Undo the merging, write the value in each of the cells and export again.",
            )


def _named(records: pl.DataFrame, header: list[str], place: str, header_row: int) -> PartText:
    """Name the columns by the header; one that holds nothing at all is none.

    Raises
    ------
    DeliveryError
        If a name is blank or double.
    """
    at = f"{place}, row {header_row}"
    letters = [column for column in records.columns if column != LINE]
    kept = [
        (column, title)
        for column, title in zip(letters, header, strict=True)
        if title.strip() or (records[column] != "").any()
    ]
    blank = [column for column, title in kept if not title.strip()]
    if blank:
        raise DeliveryError(
            at,
            f"column {', '.join(blank[:5])} has no name",
            "Give every column a name, or remove what stands in columns without one.",
        )
    names = check_header([title for _, title in kept], at)
    numbers = pl.int_range(1, records.height + 1, dtype=pl.Int64, eager=True).alias(RECORD)
    columns = [records[column].alias(name) for (column, _), name in zip(kept, names, strict=True)]
    return PartText(pl.DataFrame([*columns, numbers, records[LINE]]), place)
