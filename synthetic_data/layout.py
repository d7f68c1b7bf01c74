"""The shapes of the two clinics' exports, as frames of text.

Harbour writes one row per event of a visit in stated order. Millrace writes one row per measurement
with its phase, and repeats the treatment on every row of a visit and side.
"""

from collections.abc import Callable
from datetime import date

import numpy as np
import polars as pl

from synthetic_data.event import Events
from synthetic_data.truth import DEFINITIONS

HARBOUR_CODES: dict[str, dict[str, str]] = {
    "Sex": {"F": "female", "M": "male"},
    "Hip": {"L": "left", "R": "right"},
    "Diagnosis": {
        "OA": "osteoarthritis",
        "CAP": "capsular_stiffness",
        "MUSC": "muscular_restriction",
        "FAI": "impingement_syndrome",
    },
    "Test": {
        "IRsup90": DEFINITIONS[0],
        "ERsup90": DEFINITIONS[1],
        "FLEX": DEFINITIONS[2],
        "IRsit": "hip_internal_rotation_seated_passive",
    },
    "Device": {"UG": "universal_goniometer", "BI": "bubble_inclinometer"},
    "EndFeel": {"cap": "capsular", "mus": "muscular", "bone": "bone_to_bone", "empty": "empty"},
    "Technique": {
        "LATD": "lateral_distraction",
        "LAXD": "long_axis_distraction",
        "INFG": "inferior_glide",
    },
    "Bias": {"neu": "neutral", "IR": "internal", "ER": "external"},
    "Manner": {"none": "not_applicable", "held": "held", "comb": "combined"},
    "Stopped": {"Y": "yes", "N": "no"},
}
"""Column of harbour's export to its values and their canonical codes."""

MILLRACE_CODES: dict[str, dict[str, str]] = {
    "Geschlecht": {"w": "female", "m": "male"},
    "Seite": {"li": "left", "re": "right"},
    "Diagnose": {
        "Arthrose": "osteoarthritis",
        "Kapselsteife": "capsular_stiffness",
        "Muskelverkürzung": "muscular_restriction",
        "Impingement": "impingement_syndrome",
    },
    "Phase": {"vor": "pretest", "nach": "retest"},
    "Messung": {
        "Innenrotation": DEFINITIONS[0],
        "Außenrotation": DEFINITIONS[1],
        "Beugung": DEFINITIONS[2],
    },
    "Gerät": {"DI": "digital_inclinometer", "WM": "universal_goniometer"},
    "Endgefühl": {
        "kapsulär": "capsular",
        "muskulär": "muscular",
        "knöchern": "bone_to_bone",
        "leer": "empty",
    },
    "Technik": {
        "T1": "lateral_distraction",
        "T2": "long_axis_distraction",
        "T3": "inferior_glide",
    },
    "Vorspannung": {"neutral": "neutral", "innen": "internal", "außen": "external"},
    "Art": {"entfällt": "not_applicable", "gehalten": "held", "kombiniert": "combined"},
    "Abbruch": {"ja": "yes", "nein": "no"},
}
"""Column of millrace's export to its values and their canonical codes."""

HARBOUR_COLUMNS = (
    *("PatientNo", "Sex", "Age", "VisitNo", "VisitDate", "Therapist", "Hip", "Diagnosis"),
    *("Months", "Seq", "Row", "Test", "Trial", "Device", "Angle", "NPRS", "EndFeel"),
    *("Technique", "Grade", "Bias", "Manner", "Sets", "Seconds", "Stopped", "Comment"),
)
"""Headers of harbour's export, in order."""

MILLRACE_COLUMNS = (
    *("Patient", "Geschlecht", "Alter", "Datum", "Behandler", "Seite", "Diagnose"),
    *("Dauer_Wochen", "Phase", "Messung", "Gerät", "Winkel_rad", "Schmerz_mm", "Endgefühl"),
    *("Technik", "Grad", "Vorspannung", "Art", "Serien", "Sekunden", "Abbruch"),
)
"""Headers of millrace's export, in order."""

MARKS = ("_block", "_bouts", "_pretested", "_date")
"""Columns that only steer the planting of defects; they are not written."""

HARBOUR_EXPORTS = (date(2025, 6, 30), date(2025, 9, 30))
"""Days of harbour's two exports; the second holds what came after the first."""

MILLRACE_EXPORT = date(2025, 9, 30)
"""Day of millrace's one export."""

MISSING_WORD = "k.A."
"""Millrace's word for what was not recorded."""

_WORDS = ("tolerated well", "warm-up first", "tired today", "gentle start", "bed height changed")
_WEEKS_PER_MONTH = 52 / 12


def lay_out_harbour(events: Events, rng: np.random.Generator) -> pl.DataFrame:
    """Lay out harbour's rows, one per event.

    Parameters
    ----------
    events : Events
        True events.
    rng : numpy.random.Generator
        Source of randomness, for the comments.

    Returns
    -------
    polars.DataFrame, shape (n_rows, 29)
        ``HARBOUR_COLUMNS`` as text (null: empty cell), then ``MARKS``.
    """
    code = _encoder(HARBOUR_CODES)
    hip_at_visit = ("clinic", "patient", "visit", "side", "event")
    tests = events.tests.filter(pl.col("is_done") & (pl.col("clinic") == "harbour")).select(
        *hip_at_visit,
        Row=pl.lit("T"),
        Test=code("Test", "definition"),
        Trial=pl.col("trial").cast(pl.String),
        Device=pl.lit("UG"),
        Angle=pl.col("angle_deg").cast(pl.Int64).cast(pl.String),
        NPRS=pl.col("pain_0_10").cast(pl.Int64).cast(pl.String),
        EndFeel=code("EndFeel", "end_feel"),
        _block="block",
        _bouts="n_bouts",
        _pretested="has_pretest",
    )
    bouts = events.bouts.filter(pl.col("clinic") == "harbour").select(
        *hip_at_visit,
        Row=pl.lit("M"),
        Technique=code("Technique", "technique"),
        Grade=pl.col("grade") + pl.col("grade_modifier").replace("none", ""),
        Bias=code("Bias", "bias_direction"),
        Manner=code("Manner", "bias_manner"),
        Sets=pl.col("sets").cast(pl.String),
        Seconds=pl.col("seconds_per_set").cast(pl.String),
        Stopped=pl.when("stopped_early").then(pl.lit("Y")).otherwise(pl.lit("N")),
        _block=pl.lit("bout"),
    )
    rows = _with_person(events, pl.concat([tests, bouts], how="diagonal"))
    rows = rows.sort("patient", "visit", "side", "event", _order("Test", HARBOUR_CODES), "Trial")
    words = pl.Series(rng.integers(0, 40, len(rows)))
    return rows.select(
        "Row",
        "Test",
        "Trial",
        *("Device", "Angle", "NPRS", "EndFeel", "Technique", "Grade", "Bias", "Manner"),
        *("Sets", "Seconds", "Stopped", "_block", "_bouts", "_pretested"),
        PatientNo="patient",
        Sex=code("Sex", "sex"),
        Age=pl.col("age_years").cast(pl.String),
        VisitNo=pl.col("visit").cast(pl.String),
        VisitDate=pl.col("date").dt.to_string("%Y-%m-%d"),
        Therapist="clinician",
        Hip=code("Hip", "side"),
        Diagnosis=code("Diagnosis", "condition"),
        Months=pl.col("duration_months").cast(pl.String),
        Seq=pl.col("event").cast(pl.String),
        Comment=words.replace_strict(dict(enumerate(_WORDS)), default=None, return_dtype=pl.String),
        _date="date",
    ).select(*HARBOUR_COLUMNS, *MARKS)


def lay_out_millrace(events: Events) -> pl.DataFrame:
    """Lay out millrace's rows, one per measurement.

    Parameters
    ----------
    events : Events
        True events.

    Returns
    -------
    polars.DataFrame, shape (n_rows, 25)
        ``MILLRACE_COLUMNS`` as text (null: empty cell), then ``MARKS``.
    """
    code = _encoder(MILLRACE_CODES)
    hip_at_visit = ("clinic", "patient", "visit", "side")
    tests = events.tests.filter(pl.col("is_done") & (pl.col("clinic") == "millrace")).select(
        *hip_at_visit,
        Phase=code("Phase", "block"),
        Messung=code("Messung", "definition"),
        Winkel_rad=_radians(pl.col("angle_deg")),
        Schmerz_mm=(pl.col("pain_0_10") * 10).round().cast(pl.Int64).cast(pl.String),
        Endgefühl=code("Endgefühl", "end_feel"),
        _block="block",
        _bouts="n_bouts",
        _pretested="has_pretest",
    )
    bouts = events.bouts.filter(pl.col("clinic") == "millrace").select(
        *hip_at_visit,
        Technik=code("Technik", "technique"),
        Grad=pl.col("grade").replace_strict({"I": "1", "II": "2", "III": "3", "IV": "4"})
        + pl.col("grade_modifier").replace("none", ""),
        Vorspannung=code("Vorspannung", "bias_direction"),
        Art=code("Art", "bias_manner"),
        Serien=pl.col("sets").cast(pl.String),
        Sekunden=pl.col("seconds_per_set").cast(pl.String),
        Abbruch=pl.when("stopped_early").then(pl.lit("ja")).otherwise(pl.lit("nein")),
    )
    rows = _with_person(events, tests.join(bouts, on=hip_at_visit, how="left"))
    order = _order("Messung", MILLRACE_CODES)
    rows = rows.sort("patient", "visit", "side", pl.col("Phase") == "nach", order)
    return rows.select(
        *("Phase", "Messung", "Winkel_rad", "Technik", "Grad", "Vorspannung", "Art"),
        *("Serien", "Sekunden", "Abbruch", "_block", "_bouts", "_pretested"),
        Patient="patient",
        Geschlecht=code("Geschlecht", "sex"),
        Alter=pl.col("age_years").cast(pl.String),
        Datum=pl.col("date").dt.to_string("%d.%m.%Y"),
        Behandler="clinician",
        Seite=code("Seite", "side"),
        Diagnose=code("Diagnose", "condition"),
        Dauer_Wochen=(pl.col("duration_months") * _WEEKS_PER_MONTH)
        .round()
        .cast(pl.Int64)
        .cast(pl.String),
        Gerät=pl.lit("DI"),
        Schmerz_mm=pl.col("Schmerz_mm").fill_null(MISSING_WORD),
        Endgefühl=pl.col("Endgefühl").fill_null(MISSING_WORD),
        _date="date",
    ).select(*MILLRACE_COLUMNS, *MARKS)


def _encoder(codes: dict[str, dict[str, str]]) -> Callable[[str, str], pl.Expr]:
    """Make what turns the canonical codes of a field into a clinic's own."""

    def encode(column: str, field: str) -> pl.Expr:
        own = {canonical: value for value, canonical in codes[column].items()}
        return pl.col(field).replace_strict(own, default=None, return_dtype=pl.String)

    return encode


def _order(column: str, codes: dict[str, dict[str, str]]) -> pl.Expr:
    order = {value: number for number, value in enumerate(codes[column])}
    return pl.col(column).replace_strict(order, default=None, return_dtype=pl.Int64)


def _with_person(events: Events, rows: pl.DataFrame) -> pl.DataFrame:
    return (
        rows.join(events.visits, on=["clinic", "patient", "visit"], how="left")
        .join(events.patients, on=["clinic", "patient"], how="left")
        .join(events.hips, on=["clinic", "patient", "side"], how="left")
    )


def _radians(angle_deg: pl.Expr) -> pl.Expr:
    """Radians with four decimals and a decimal comma."""
    parts = (angle_deg * np.pi / 180 * 10_000).round().cast(pl.Int64)
    sign = pl.when(parts < 0).then(pl.lit("-")).otherwise(pl.lit(""))
    whole = (parts.abs() // 10_000).cast(pl.String)
    rest = (parts.abs() % 10_000).cast(pl.String).str.zfill(4)
    return sign + whole + pl.lit(",") + rest
