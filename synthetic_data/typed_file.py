"""Writing of the workbook and of the Parquet folder: cells with types, the same bytes for the same rows."""

from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import polars as pl
import xlsxwriter

from synthetic_data.brackwell import FILES, TYPES
from synthetic_data.delivery import Delivery
from synthetic_data.layout import EXPORTED_ON
from synthetic_data.lindeveen import CODES, DATES, LEGEND, NUMBERS, SHEETS

ERROR = "#DIV/0!"
"""Cell that is written as a formula with this error as its value."""

_TITLE = ("Polikliniek Lindeveen (verzonnen)", "uitvoer van 30-09-2025")
_CREATED = datetime(2025, 9, 30, tzinfo=UTC).replace(tzinfo=None)


def write_workbook(sent: Delivery, path: Path) -> None:
    """Write lindeveen's workbook.

    Parameters
    ----------
    sent : Delivery
        The export.
    path : pathlib.Path
        Where to write.
    """
    options = {"constant_memory": True, "default_date_format": "dd-mm-yyyy"}
    with xlsxwriter.Workbook(str(path), options) as book:
        book.set_properties({"created": _CREATED})
        for part, (name, header_row) in SHEETS.items():
            sheet = book.add_worksheet(name)
            for row, title in enumerate(_TITLE[: header_row - 1]):
                sheet.write_string(row, 0, title)
            _write_rows(sheet, sent.parts[part], part, header_row)
        legend = book.add_worksheet(LEGEND)
        written = [(c, value, code) for c, codes in CODES.items() for value, code in codes.items()]
        for row, cells in enumerate(written):
            legend.write_row(row, 0, cells)


def _write_rows(sheet: Any, rows: pl.DataFrame, part: str, header_row: int) -> None:  # noqa: ANN401 - ships no types
    sheet.write_row(header_row - 1, 0, rows.columns)
    kinds = [
        "date" if DATES.get(part) == header else "number" if header in NUMBERS else "text"
        for header in rows.columns
    ]
    # In a workbook that is written row by row, each row is finished before the next one begins.
    for row, cells in enumerate(rows.iter_rows(), start=header_row):
        for column, (kind, cell) in enumerate(zip(kinds, cells, strict=True)):
            if cell is not None:
                _write_cell(sheet, row, column, kind, cell)


def _write_cell(sheet: Any, row: int, column: int, kind: str, cell: str) -> None:  # noqa: ANN401 - ships no types
    if kind == "number" and cell.lstrip("-").isdigit():
        sheet.write_number(row, column, int(cell))
    elif kind == "date":
        sheet.write_datetime(row, column, date.fromisoformat(cell))
    elif cell == ERROR:
        sheet.write_formula(row, column, "=1/0", None, ERROR)
    else:
        sheet.write_string(row, column, cell)


def write_folder(sent: Delivery, path: Path) -> None:
    """Write brackwell's folder of Parquet files.

    Parameters
    ----------
    sent : Delivery
        The export.
    path : pathlib.Path
        The folder; it is made where it does not exist.
    """
    path.mkdir(parents=True, exist_ok=True)
    for part, rows in sent.parts.items():
        typed = rows.select(_typed(header, kind) for header, kind in TYPES[part].items())
        for name, piece in _pieces(sent, part, typed):
            piece.write_parquet(path / name, compression="zstd", statistics=False)


def _typed(header: str, kind: type[pl.DataType]) -> pl.Expr:
    if kind == pl.Date:
        return pl.col(header).str.to_date("%Y-%m-%d")
    if kind == pl.Boolean:
        return pl.col(header) == "TRUE"
    return pl.col(header).cast(kind)


def _pieces(sent: Delivery, part: str, typed: pl.DataFrame) -> Iterator[tuple[str, pl.DataFrame]]:
    """Split the tests by year; a test whose visit is not there lies with the one above it."""
    if "*" not in FILES[part]:
        yield FILES[part], typed
        return
    days = sent.parts["visits"].select("visit_id", year=pl.col("date").str.slice(0, 4))
    years = (
        sent.parts[part]
        .select("visit_id")
        .join(days, on="visit_id", how="left", maintain_order="left")["year"]
        .fill_null(strategy="forward")
        .fill_null(strategy="backward")
    )
    for year in range(2024, EXPORTED_ON.year + 1):
        yield FILES[part].replace("*", str(year)), typed.filter(years == str(year))
