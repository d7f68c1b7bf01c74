"""What a sheet of a workbook of the old kind (``.xls``) holds beside values.

A sheet of this kind has 65,536 rows of 256 columns at most, so that its extent needs no look.
"""

import re

import fastexcel
from python_calamine import CalamineWorkbook

from pipeline.reading.sheet_scan import ERROR, SheetScan

_DETAIL = re.compile(r"Error\((\w+)\)")
_ERRORS = {
    "Null": "#NULL!",
    "Div0": "#DIV/0!",
    "Value": "#VALUE!",
    "Ref": "#REF!",
    "Name": "#NAME?",
    "Num": "#NUM!",
    "NA": "#N/A",
    "GettingData": "#GETTING_DATA",
}


def scan_old_sheet(received: bytes, workbook: CalamineWorkbook, sheet: str) -> SheetScan:
    """Look through a sheet.

    Parameters
    ----------
    received : bytes
        The workbook.
    workbook : python_calamine.CalamineWorkbook
        The same, open.
    sheet : str
        Name of the sheet.

    Returns
    -------
    SheetScan
        What was found.
    """
    cells = workbook.get_sheet_by_name(sheet)
    if cells.end is None or cells.start is None:
        return SheetScan()
    merged = [(*first, *last) for first, last in cells.merged_cell_ranges or []]
    return SheetScan(
        cells.end[0] + 1, cells.end[1] + 1, _errors(received, sheet, cells.start[1]), merged
    )


def _errors(received: bytes, sheet: str, first_column: int) -> dict[tuple[int, int], str]:
    """Find the cells that hold an error: a second library tells them, the first one does not."""
    loaded = fastexcel.read_excel(received).load_sheet(
        sheet, header_row=None, skip_rows=0, dtypes="string"
    )
    _, found = loaded.to_arrow_with_errors()
    errors = {}
    for cell in found.errors if found else []:
        kind = _DETAIL.search(cell.detail)
        if kind:
            row, column = cell.position
            errors[row, column + first_column] = _ERRORS.get(kind[1], ERROR)
    return errors
