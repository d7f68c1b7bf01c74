"""What is planted in each export: few of each kind, every one written down."""

import numpy as np
import polars as pl

from schemas.codebook import Codebook
from schemas.export_file import ROWS
from schemas.reason import NoPair, Quarantine
from synthetic_data.answer_key import Outcome
from synthetic_data.delivery import Delivery
from synthetic_data.harbour import EXPORTS
from synthetic_data.layout import EXPORTED_ON, Parts
from synthetic_data.planting import Cell, Planting

FILES = {
    "millrace": f"millrace_{EXPORTED_ON.isoformat()}.csv",
    "tarnside": f"tarnside_{EXPORTED_ON.isoformat()}.csv",
    "lindeveen": f"lindeveen_{EXPORTED_ON.isoformat()}.xlsx",
    "saltgrove": f"saltgrove_{EXPORTED_ON.isoformat()}.ndjson",
    "brackwell": f"brackwell_{EXPORTED_ON.isoformat()}",
}
"""Names of the exports of the clinics that send one; brackwell's is a folder."""

HARBOUR_FILES = tuple(f"harbour_{day.isoformat()}.csv" for day in EXPORTS)
"""Names of harbour's exports."""

N_CORRECTIONS = 5
"""Angles that harbour's second export corrects."""

_Q = Quarantine
_TEST = pl.col("_block") != "bout"
_BOUT = pl.col("_block") == "bout"
_LAST = (pl.col("_block") == "retest") & (pl.col("_bouts") == 1) & pl.col("_pretested")
_NO_PAIR = Outcome.NO_PAIR


def _filled(column: str) -> pl.Expr:
    return pl.col(column).is_not_null()


_INTERNAL = pl.col("Test") == "IRsup90"
_EXTERNAL = pl.col("Test") == "ERsup90"

HARBOUR_CELLS = (
    Cell(4, _LAST, "Device", "BI", NoPair.OTHER_INSTRUMENT, outcome=_NO_PAIR),
    Cell(3, _LAST & _INTERNAL, "Test", "IRsit", NoPair.OTHER_TEST, outcome=_NO_PAIR),
    Cell(2, pl.col("Grade") == "II", "Grade", "II+", _Q.GRADE_IMPOSSIBLE),
    Cell(3, _TEST & _INTERNAL, "Angle", "450", _Q.ANGLE_IMPOSSIBLE),
    Cell(3, pl.col("Test") == "FLEX", "Angle", "full", _Q.WORDS_INSTEAD_OF_NUMBER),
    Cell(2, _EXTERNAL, "Angle", ">45", _Q.CENSORED_OR_BANDED),
    Cell(1, _EXTERNAL, "Angle", "30-35", _Q.CENSORED_OR_BANDED),
    Cell(1, _EXTERNAL, "Angle", "~30", _Q.CENSORED_OR_BANDED),
    Cell(2, _INTERNAL, "Test", "IRsup9", _Q.UNKNOWN_CODE),
    Cell(2, _TEST, "Hip", None, _Q.MISSING_KEY),
    Cell(2, _TEST, "NPRS", "15", _Q.PAIN_IMPOSSIBLE),
)

_GIVEN = pl.col("Technik").is_not_null()

MILLRACE_CELLS = (
    Cell(3, _LAST, "Gerät", "WM", NoPair.OTHER_INSTRUMENT, outcome=_NO_PAIR),
    Cell(2, _GIVEN, "Datum", "31.02.2025", _Q.DATE_UNREADABLE),
    Cell(2, _GIVEN, "Datum", "12.03.2052", _Q.DATE_IMPOSSIBLE),
    Cell(2, _TEST, "Winkel_rad", "22,0000", _Q.ANGLE_IMPOSSIBLE),
    Cell(3, _TEST, "Winkel_rad", "k.A.", _Q.MISSING_VALUE),
    Cell(2, _TEST, "Schmerz_mm", "150", _Q.PAIN_IMPOSSIBLE),
    Cell(2, _TEST, "Messung", "Aussenrot.", _Q.UNKNOWN_CODE),
    Cell(2, _GIVEN, "Seite", None, _Q.MISSING_KEY),
)

_TREATED = _filled("Technique")

TARNSIDE_CELLS = (
    Cell(2, _filled("S after"), "S after", "NT", "", outcome=Outcome.NOT_TESTED),
    Cell(2, _filled("S before"), "S before", "S 120-20-0", _Q.ANGLE_IMPOSSIBLE),
    Cell(2, _filled("ROT after"), "ROT after", "45-x-30", _Q.COMPOSITE_UNREADABLE),
    Cell(1, _filled("ROT before"), "Visit date", "13/31/2025", _Q.DATE_UNREADABLE),
    Cell(1, _filled("ROT before"), "Visit date", "03/12/2052", _Q.DATE_IMPOSSIBLE),
    Cell(1, _filled("ROT before"), "Hip", "B", _Q.SIDE_UNKNOWN),
    Cell(1, _filled("ROT before"), "Hip", None, _Q.MISSING_KEY),
    Cell(2, _TREATED, "Dose", "90 s total", _Q.DOSE_TOTAL_ONLY),
    Cell(1, _TREATED, "Dose", "0x45s", _Q.DOSE_IMPOSSIBLE),
    Cell(1, _TREATED, "Dose", "a while", _Q.DOSE_UNREADABLE),
    Cell(2, _TREATED, "Grade", "3/4", _Q.TWO_GRADES),
    Cell(1, _TREATED, "Grade", "gr 2+", _Q.GRADE_IMPOSSIBLE),
    Cell(1, _TREATED, "Grade", "deep", _Q.GRADE_UNREADABLE),
    Cell(1, _filled("ROT before"), "Pain before", "15", _Q.PAIN_IMPOSSIBLE),
    Cell(1, _filled("ROT after"), "Pain after", "moderate", _Q.WORDS_INSTEAD_OF_NUMBER),
    Cell(1, _filled("ROT after"), "Pain after", ">5", _Q.CENSORED_OR_BANDED),
    Cell(1, _filled("Age"), "Age", "430", _Q.AGE_IMPOSSIBLE),
    Cell(1, _filled("Problem"), "Problem", "arthrosis", _Q.UNKNOWN_CODE),
)

_UNKNOWN_VISIT = "999999"

LINDEVEEN_CELLS = (
    Cell(1, _filled("Hoek na"), "Hoek na", "NG", "", "rotatie", Outcome.NOT_TESTED),
    Cell(1, _filled("Hoek voor"), "Hoek voor", "450", _Q.ANGLE_IMPOSSIBLE, "rotatie"),
    Cell(1, _filled("Hoek voor"), "Hoek voor", "30-35", _Q.CENSORED_OR_BANDED, "rotatie"),
    Cell(1, _filled("Hoek voor"), "Hoek voor", "~30", _Q.CENSORED_OR_BANDED, "rotatie"),
    Cell(1, _filled("Hoek na"), "Hoek na", ">45", _Q.CENSORED_OR_BANDED, "rotatie"),
    Cell(1, _filled("Hoek na"), "Hoek na", "vol", _Q.WORDS_INSTEAD_OF_NUMBER, "rotatie"),
    Cell(2, _filled("Hoek na"), "Hoek na", "#DIV/0!", _Q.FORMULA_WITHOUT_VALUE, "rotatie"),
    Cell(1, _filled("Buiging na"), "Buiging na", "270", _Q.ANGLE_IMPOSSIBLE, "buiging"),
    Cell(1, _filled("Buiging voor"), "Pijn voor", "15", _Q.PAIN_IMPOSSIBLE, "buiging"),
    Cell(2, _TEST, "Bezoek", _UNKNOWN_VISIT, _Q.LOOK_UP_MISSING, "rotatie"),
    Cell(1, _TEST, "Bezoek", _UNKNOWN_VISIT, _Q.LOOK_UP_MISSING, "buiging"),
    Cell(1, _TEST, "Richting", "endo", _Q.UNKNOWN_CODE, "rotatie"),
    Cell(1, _BOUT, "Datum", "31-02-2025", _Q.DATE_UNREADABLE, "behandelingen"),
    Cell(2, _BOUT, "Graad", "3/4", _Q.TWO_GRADES, "behandelingen"),
    Cell(1, _BOUT, "Graad", "2+", _Q.GRADE_IMPOSSIBLE, "behandelingen"),
    Cell(1, _BOUT, "Series", "0", _Q.DOSE_IMPOSSIBLE, "behandelingen"),
    Cell(1, _filled("Diagnose"), "Diagnose", "coxartrose", _Q.UNKNOWN_CODE, "heupen"),
    Cell(1, _filled("Diagnose"), "Duur (mnd)", "-3", _Q.DURATION_IMPOSSIBLE, "heupen"),
    Cell(1, _filled("Leeftijd"), "Leeftijd", "430", _Q.AGE_IMPOSSIBLE, "patienten"),
)

_GON, _BOTH_WAYS = "hips.tests.gon", "hips.tests.flex_ext"

SALTGROVE_CELLS = (
    Cell(
        *(3, _LAST & _filled(_GON), "hips.tests.tool", "gonio", NoPair.OTHER_INSTRUMENT, "tests"),
        _NO_PAIR,
    ),
    Cell(2, _filled(_GON), _GON, "NT", "", "tests", Outcome.NOT_TESTED),
    Cell(1, _filled(_GON), _GON, "999", _Q.ANGLE_IMPOSSIBLE, "tests"),
    Cell(1, _filled(_GON), _GON, ">50", _Q.CENSORED_OR_BANDED, "tests"),
    Cell(2, _filled(_GON), _GON, "full", _Q.WORDS_INSTEAD_OF_NUMBER, "tests"),
    Cell(2, _filled(_BOTH_WAYS), _BOTH_WAYS, "120-?-20", _Q.COMPOSITE_UNREADABLE, "tests"),
    Cell(2, _filled(_BOTH_WAYS), _BOTH_WAYS, "0-20-120", _Q.ANGLE_IMPOSSIBLE, "tests"),
    Cell(1, _filled(_GON), "hips.tests.test", "irr", _Q.UNKNOWN_CODE, "tests"),
    Cell(1, _filled(_GON), "hips.tests.pain", "15", _Q.PAIN_IMPOSSIBLE, "tests"),
    Cell(1, _filled(_GON), "hips.tests.seq", "0", _Q.EVENT_IMPOSSIBLE, "tests"),
    Cell(2, _BOUT, "hips.bouts.grade", "III/IV", _Q.TWO_GRADES, "bouts"),
    Cell(1, _BOUT, "hips.bouts.sets", "0", _Q.DOSE_IMPOSSIBLE, "bouts"),
)

_ANGLE, _LACK = "angle_deg", "lack_deg"

BRACKWELL_CELLS = (
    Cell(
        *(3, _LAST & (pl.col("tool") == "goniometer"), "tool", "digital"),
        *(NoPair.OTHER_INSTRUMENT, "tests", _NO_PAIR),
    ),
    Cell(2, _filled(_ANGLE), _ANGLE, "450", _Q.ANGLE_IMPOSSIBLE, "tests"),
    Cell(1, _filled(_LACK), _LACK, "-10", _Q.SIGN_UNKNOWABLE, "tests"),
    Cell(1, _filled(_LACK), _LACK, "80", _Q.ANGLE_IMPOSSIBLE, "tests"),
    Cell(2, _filled(_ANGLE), _ANGLE, None, _Q.NO_RECORD, "tests"),
    Cell(2, _filled(_ANGLE), "test", "IRR", _Q.UNKNOWN_CODE, "tests"),
    Cell(1, _filled(_ANGLE), "pain", "15", _Q.PAIN_IMPOSSIBLE, "tests"),
    Cell(2, _filled(_ANGLE), "side", "B", _Q.SIDE_UNKNOWN, "tests"),
    Cell(2, _TEST, "visit_id", _UNKNOWN_VISIT, _Q.LOOK_UP_MISSING, "tests"),
    Cell(1, _BOUT, "visit_id", _UNKNOWN_VISIT, _Q.LOOK_UP_MISSING, "treatments"),
    Cell(1, _BOUT, "grade", "III/IV", _Q.TWO_GRADES, "treatments"),
    Cell(1, _BOUT, "grade", "deep", _Q.GRADE_UNREADABLE, "treatments"),
    Cell(1, _BOUT, "grade", "I+", _Q.GRADE_IMPOSSIBLE, "treatments"),
    Cell(1, _BOUT, "sets", "0", _Q.DOSE_IMPOSSIBLE, "treatments"),
)


def plant_harbour(
    rows: pl.DataFrame, codebook: Codebook, rng: np.random.Generator
) -> tuple[Delivery, Delivery]:
    """Split harbour's rows into two exports and plant their defects.

    Parameters
    ----------
    rows : polars.DataFrame
        All rows of ``lay_out_harbour``.
    codebook : Codebook
        Its codebook.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    tuple of Delivery
        First export, and the increment that corrects it.
    """
    is_first = pl.col("_date") <= EXPORTS[0]
    first = Planting(HARBOUR_FILES[0], codebook, {ROWS: rows.filter(is_first)}, rng)
    repeated = first.repeat(ROWS, _TEST & (pl.col("_bouts") > 0), 4)
    first.note_duplicates(ROWS, repeated[::2])
    first.conflict(ROWS, repeated[1::2], "Angle", 7)
    first.spoil(HARBOUR_CELLS)
    corrections = _correct(first)
    first.copy_forward(ROWS, ["Angle"], 2)
    second_rows = pl.concat([corrections, rows.filter(~is_first)])
    second = Planting(HARBOUR_FILES[1], codebook, {ROWS: second_rows}, rng)
    for at, right in enumerate(corrections["Angle"]):
        second.note(ROWS, at, "range_test", Outcome.CORRECTION, "", "Angle", right)
    return first.delivery(EXPORTS[0]), second.delivery(EXPORTS[1])


def plant(
    clinic: str, parts: Parts, codebook: Codebook, rng: np.random.Generator
) -> tuple[Delivery, ...]:
    """Plant the defects of a clinic's exports.

    Parameters
    ----------
    clinic : str
        Code of the clinic.
    parts : dict of str to polars.DataFrame
        Its cells, with marks.
    codebook : Codebook
        Its codebook.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    tuple of Delivery
        In order of sending; two for harbour.
    """
    if clinic == "harbour":
        return plant_harbour(parts[ROWS], codebook, rng)
    planting = Planting(FILES[clinic], codebook, parts, rng)
    _PLANTED[clinic](planting)
    return (planting.delivery(EXPORTED_ON),)


def _correct(first: Planting) -> pl.DataFrame:
    """Write a few retests wrongly in the first export, and give their right rows."""
    picked = first.pick(ROWS, _LAST, N_CORRECTIONS)
    corrections = first.parts[ROWS][picked]
    for at, right in zip(picked, corrections["Angle"], strict=True):
        wrong = str(int(right) + 10)
        first.write(ROWS, at, "Angle", wrong)
        first.note(ROWS, at, "range_test", Outcome.SUPERSEDED, "", "Angle", wrong)
    return corrections


def _millrace(planting: Planting) -> None:
    planting.spoil(MILLRACE_CELLS)
    planting.copy_forward(ROWS, ["Winkel_rad"], 2)


def _tarnside(planting: Planting) -> None:
    planting.duplicate(ROWS, _TREATED, 1)
    planting.tear(ROWS, _TREATED, 2)
    planting.spoil(TARNSIDE_CELLS)
    after = {"ROT before": "ROT after", "S before": "S after"}
    planting.copy_across(ROWS, after, _TREATED & _filled("ROT after"), 2)


def _lindeveen(planting: Planting) -> None:
    planting.duplicate("rotatie", _TEST, 1)
    planting.spoil(LINDEVEEN_CELLS)


def _saltgrove(planting: Planting) -> None:
    planting.tear_line("bouts", _BOUT)
    planting.duplicate("tests", _TEST, 1)
    planting.spoil(SALTGROVE_CELLS)
    planting.copy_forward("tests", [_GON, _BOTH_WAYS], 2)


def _brackwell(planting: Planting) -> None:
    repeated = planting.repeat("tests", _filled(_ANGLE), 4)
    planting.note_duplicates("tests", repeated[::2])
    planting.conflict("tests", repeated[1::2], _ANGLE, 7)
    planting.spoil(BRACKWELL_CELLS)
    planting.copy_forward("tests", [_ANGLE, _LACK], 2)


_PLANTED = {
    "millrace": _millrace,
    "tarnside": _tarnside,
    "lindeveen": _lindeveen,
    "saltgrove": _saltgrove,
    "brackwell": _brackwell,
}
