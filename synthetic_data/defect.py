"""Planting of defects in the exports: few of each kind, every one written down."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from schemas.reason import NoPair, Quarantine
from synthetic_data.answer_key import Defect, Outcome
from synthetic_data.layout import HARBOUR_EXPORTS, MARKS, MILLRACE_EXPORT

HARBOUR_FILES = tuple(f"harbour_{day.isoformat()}.csv" for day in HARBOUR_EXPORTS)
"""Names of harbour's exports."""

MILLRACE_FILE = f"millrace_{MILLRACE_EXPORT.isoformat()}.csv"
"""Name of millrace's export."""

N_CORRECTIONS = 5
"""Angles that harbour's second export corrects."""


@dataclass(frozen=True)
class Delivery:
    """One export, not yet written.

    Attributes
    ----------
    clinic : str
        Code of the clinic.
    file : str
        Name of the file.
    exported_on : datetime.date
        Day of the export.
    rows : polars.DataFrame
        Cells as text in the file's order; null for an empty cell.
    defects : tuple of Defect
        What was planted in it.
    """

    clinic: str
    file: str
    exported_on: date
    rows: pl.DataFrame
    defects: tuple[Defect, ...]


@dataclass(frozen=True)
class _Cell:
    """A cell to be spoilt: how often, in which rows, and what becomes of which facts."""

    n: int
    where: pl.Expr
    column: str
    value: str | None
    reason: str
    tables: tuple[str, ...] = ("range_test",)
    outcome: Outcome = Outcome.QUARANTINED


_TEST = pl.col("_block") != "bout"
_LAST = (pl.col("_block") == "retest") & (pl.col("_bouts") == 1) & pl.col("_pretested")
_INTERNAL = pl.col("Test") == "IRsup90"

_HARBOUR_CELLS = (
    _Cell(3, _TEST & _INTERNAL, "Angle", "450", Quarantine.ANGLE_IMPOSSIBLE),
    _Cell(3, pl.col("Test") == "FLEX", "Angle", "full", Quarantine.WORDS_INSTEAD_OF_NUMBER),
    _Cell(2, pl.col("Test") == "ERsup90", "Angle", ">45", Quarantine.CENSORED_OR_BANDED),
    _Cell(2, _INTERNAL, "Test", "IRsup9", Quarantine.UNKNOWN_CODE),
    _Cell(2, _TEST, "Hip", None, Quarantine.MISSING_KEY, ("joint_episode", "range_test")),
    _Cell(2, _TEST, "NPRS", "15", Quarantine.PAIN_IMPOSSIBLE),
    _Cell(2, pl.col("Grade") == "II", "Grade", "II+", Quarantine.GRADE_IMPOSSIBLE, ("treatment",)),
    _Cell(4, _LAST, "Device", "BI", NoPair.OTHER_INSTRUMENT, outcome=Outcome.NO_PAIR),
    _Cell(3, _LAST & _INTERNAL, "Test", "IRsit", NoPair.OTHER_TEST, outcome=Outcome.NO_PAIR),
)

_AT_VISIT = ("visit", "range_test", "treatment")
_GIVEN = pl.col("Technik").is_not_null()

_MILLRACE_CELLS = (
    _Cell(2, _GIVEN, "Datum", "31.02.2025", Quarantine.DATE_UNREADABLE, _AT_VISIT),
    _Cell(2, _GIVEN, "Datum", "12.03.2052", Quarantine.DATE_IMPOSSIBLE, _AT_VISIT),
    _Cell(2, _TEST, "Winkel_rad", "22,0000", Quarantine.ANGLE_IMPOSSIBLE),
    _Cell(3, _TEST, "Winkel_rad", "k.A.", Quarantine.MISSING_VALUE),
    _Cell(2, _TEST, "Schmerz_mm", "150", Quarantine.PAIN_IMPOSSIBLE),
    _Cell(2, _TEST, "Messung", "Aussenrot.", Quarantine.UNKNOWN_CODE),
    _Cell(
        *(2, _GIVEN, "Seite", None, Quarantine.MISSING_KEY),
        ("joint_episode", "range_test", "treatment"),
    ),
    _Cell(3, _LAST, "Gerät", "WM", NoPair.OTHER_INSTRUMENT, outcome=Outcome.NO_PAIR),
)


def plant_harbour(rows: pl.DataFrame, rng: np.random.Generator) -> tuple[Delivery, Delivery]:
    """Split harbour's rows into two exports and plant their defects.

    Parameters
    ----------
    rows : polars.DataFrame
        All rows of ``lay_out_harbour``.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    tuple of Delivery
        First export, and the increment that corrects it.
    """
    is_first = pl.col("_date") <= HARBOUR_EXPORTS[0]
    first, second = rows.filter(is_first), rows.filter(~is_first)
    used: set[str] = set()
    first, defects = _repeat_rows(first, used, rng)
    first, spoilt = _spoil(first, _HARBOUR_CELLS, ("harbour", HARBOUR_FILES[0]), used, rng)
    first, second, corrections = _correct(first, second, used, rng)
    in_first = (*defects, *spoilt, *(d for d in corrections if d.file == HARBOUR_FILES[0]))
    in_second = tuple(d for d in corrections if d.file == HARBOUR_FILES[1])
    return (
        _delivery(first, in_first, "harbour", HARBOUR_FILES[0], HARBOUR_EXPORTS[0]),
        _delivery(second, in_second, "harbour", HARBOUR_FILES[1], HARBOUR_EXPORTS[1]),
    )


def plant_millrace(rows: pl.DataFrame, rng: np.random.Generator) -> Delivery:
    """Plant the defects of millrace's export.

    Parameters
    ----------
    rows : polars.DataFrame
        All rows of ``lay_out_millrace``.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    Delivery
        The export.
    """
    spoilt, defects = _spoil(rows, _MILLRACE_CELLS, ("millrace", MILLRACE_FILE), set(), rng)
    return _delivery(spoilt, tuple(defects), "millrace", MILLRACE_FILE, MILLRACE_EXPORT)


def _delivery(
    rows: pl.DataFrame, defects: tuple[Defect, ...], clinic: str, file: str, exported_on: date
) -> Delivery:
    ordered = tuple(sorted(defects, key=lambda d: (d.record, d.table)))
    return Delivery(clinic, file, exported_on, rows.drop(MARKS), ordered)


def _pick(
    rows: pl.DataFrame, where: pl.Expr, n: int, used: set[str], rng: np.random.Generator
) -> list[int]:
    """Pick rows of different patients, so that no defect hides another."""
    candidates = rows.select(pl.arg_where(where)).to_series().to_numpy()
    picked: list[int] = []
    for index in rng.permutation(candidates):
        if len(picked) == n:
            break
        patient = rows[int(index), 0]
        if patient not in used:
            used.add(patient)
            picked.append(int(index))
    return sorted(picked)


def _set(rows: pl.DataFrame, at: list[int], column: str, values: list[str | None]) -> pl.DataFrame:
    changed = pl.DataFrame(
        {"_at": at, "_new": values}, schema={"_at": pl.UInt32, "_new": pl.String}
    )
    numbered = rows.with_row_index("_at").join(
        changed.with_columns(_is_changed=True), on="_at", how="left", maintain_order="left"
    )
    new = pl.when("_is_changed").then("_new").otherwise(column).alias(column)
    return numbered.with_columns(new).drop("_at", "_new", "_is_changed")


def _repeat_rows(
    rows: pl.DataFrame, used: set[str], rng: np.random.Generator
) -> tuple[pl.DataFrame, list[Defect]]:
    """Repeat two rows exactly, and two with another angle."""
    picked = _pick(rows, _TEST & (pl.col("_bouts") > 0), 4, used, rng)
    order = np.insert(np.arange(len(rows)), np.array(picked) + 1, picked)
    repeated = rows[order]
    place = ("harbour", HARBOUR_FILES[0])
    defects: list[Defect] = []
    for number, index in enumerate(picked):
        original = index + number  # each earlier repeat moved it down by one
        record = original + 1
        if number % 2:
            right = str(repeated[original, "Angle"])
            wrong = str(int(right) + 7)
            repeated = _set(repeated, [original + 1], "Angle", [wrong])
            for at, value in ((record, right), (record + 1, wrong)):
                defects.append(
                    Defect(
                        *(*place, at, "range_test", Outcome.QUARANTINED),
                        *(str(Quarantine.CONFLICTING_VALUES), "Angle", value),
                    )
                )
        else:
            defects.append(Defect(*place, record + 1, "range_test", Outcome.DUPLICATE, "", "", ""))
    return repeated, defects


def _spoil(
    rows: pl.DataFrame,
    cells: tuple[_Cell, ...],
    place: tuple[str, str],
    used: set[str],
    rng: np.random.Generator,
) -> tuple[pl.DataFrame, list[Defect]]:
    defects: list[Defect] = []
    for cell in cells:
        picked = _pick(rows, cell.where, cell.n, used, rng)
        rows = _set(rows, picked, cell.column, [cell.value] * len(picked))
        defects += [
            Defect(
                *(*place, index + 1, table, cell.outcome),
                *(str(cell.reason), cell.column, cell.value or ""),
            )
            for index in picked
            for table in cell.tables
        ]
    return rows, defects


def _correct(
    first: pl.DataFrame, second: pl.DataFrame, used: set[str], rng: np.random.Generator
) -> tuple[pl.DataFrame, pl.DataFrame, list[Defect]]:
    """Write a few retests wrongly in the first export, and rightly at the top of the second."""
    picked = _pick(first, _LAST, N_CORRECTIONS, used, rng)
    corrections = first[picked]
    right = corrections["Angle"].to_list()
    wrong = [str(int(angle) + 10) for angle in right]
    defects: list[Defect] = []
    for number, index in enumerate(picked):
        old = ("harbour", HARBOUR_FILES[0], index + 1, "range_test", Outcome.SUPERSEDED)
        new = ("harbour", HARBOUR_FILES[1], number + 1, "range_test", Outcome.CORRECTION)
        defects += [
            Defect(*old, "", "Angle", wrong[number]),
            Defect(*new, "", "Angle", right[number]),
        ]
    return (
        _set(first, picked, "Angle", list(wrong)),
        pl.concat([corrections, second]),
        defects,
    )
