"""Small exports that identify someone and must not get past the screen; all names are invented."""

import csv
from datetime import date
from pathlib import Path
from typing import Any

from synthetic_data.codebook import as_yaml
from synthetic_data.export import Export
from synthetic_data.harbour import EXPORTS

_HEADERS = ("PatientNo", "VisitNo", "VisitDate", "Hip", "Seq", "Test", "Angle", "EndFeel")
_ROWS = (
    ("H90001", "1", "2025-05-05", "L", "1", "FLEX", "98", "cap"),
    ("H90001", "1", "2025-05-05", "L", "3", "FLEX", "103", "cap"),
    ("H90002", "1", "2025-05-06", "R", "1", "FLEX", "91", "mus"),
)

_CELLS = {
    "email": ("EndFeel", "write to j.example@mail.example"),
    "phone": ("EndFeel", "0555 010 4477"),
    "name": ("PatientNo", "Fennimore Quillby"),
}
"""What identifies, to the column and the text that is planted in the second record."""

_EXTRA = {"birth_date": ("BirthDate", "1951-03-02"), "undeclared": ("Postcode", "ZZ9 9ZZ")}
"""What identifies, to a column that is added with the same value in every record."""


def identifier_exports(folder: Path) -> tuple[Export, ...]:
    """Write exports that must fail the screen for identifiers, each with its codebook.

    The file names say what is wrong: ``identifier_email.csv``, ``identifier_phone.csv``,
    ``identifier_name.csv``, ``identifier_birth_date.csv`` (declared as something else)
    and ``identifier_undeclared.csv`` (the codebook does not know the column).

    Parameters
    ----------
    folder : pathlib.Path
        Where to write; it is made where it does not exist.

    Returns
    -------
    tuple of Export
        One for each kind.
    """
    folder.mkdir(parents=True, exist_ok=True)
    return tuple(_write(folder, kind) for kind in (*_CELLS, *_EXTRA))


def _write(folder: Path, kind: str) -> Export:
    headers, rows = list(_HEADERS), [list(row) for row in _ROWS]
    if kind in _CELLS:
        column, value = _CELLS[kind]
        rows[1][headers.index(column)] = value
    else:
        column, value = _EXTRA[kind]
        headers.append(column)
        rows = [[*row, value] for row in rows]
    path, codebook_path = folder / f"identifier_{kind}.csv", folder / f"identifier_{kind}.yaml"
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([headers, *rows])
    codebook_path.write_text(as_yaml(_codebook(kind)), encoding="utf-8", newline="\n")
    return Export("harbour", path, codebook_path, EXPORTS[0])


def _codebook(kind: str) -> dict[str, Any]:
    extra = {"BirthDate": {"field": "activity"}} if kind == "birth_date" else {}
    return {
        "codebook": f"identifier-{kind}",
        "clinic": "harbour",
        "version": 1,
        "reviewed_by": "data manager (invented)",
        "reviewed_on": date(2024, 1, 2),
        "delivery": {"kind": "increment"},
        "columns": {
            "PatientNo": {"field": "patient"},
            "VisitNo": {"field": "visit"},
            "VisitDate": {"field": "visit_date", "date_format": "%Y-%m-%d"},
            "Hip": {"field": "side", "codes": {"L": "left", "R": "right"}},
            "Seq": {"field": "event"},
            "Test": {"field": "definition", "codes": {"FLEX": "hip_flexion_supine_passive"}},
            "Angle": {"field": "angle", "unit": "deg"},
            "EndFeel": {"field": "end_feel", "codes": {"cap": "capsular", "mus": "muscular"}},
            **extra,
        },
        "records": [
            {"table": "patient"},
            {"table": "visit"},
            {"table": "range_test", "set": {"joint": "hip", "trial": 1}},
        ],
    }
