"""Millrace: German headers, radians and decimal commas; one row per measurement, before or after."""

from typing import Any

import numpy as np
import polars as pl

from synthetic_data.event import Events
from synthetic_data.layout import (
    HIP_AT_VISIT,
    REVIEW,
    coded,
    column,
    encoder,
    marked,
    rank,
    tests_of,
    whole,
    with_person,
)
from synthetic_data.truth import DEFINITIONS

CODES: dict[str, dict[str, str]] = {
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
"""Column of the export to its values and their canonical codes."""

COLUMNS = (
    *("Patient", "Geschlecht", "Alter", "Datum", "Behandler", "Seite", "Diagnose"),
    *("Dauer_Wochen", "Phase", "Messung", "Gerät", "Winkel_rad", "Schmerz_mm", "Endgefühl"),
    *("Technik", "Grad", "Vorspannung", "Art", "Serien", "Sekunden", "Abbruch"),
)
"""Headers of the export, in order."""

MISSING_WORD = "k.A."
"""Word for what was not recorded."""

_WEEKS_PER_MONTH = 52 / 12
_ARABIC = {"I": "1", "II": "2", "III": "3", "IV": "4"}


def lay_out_millrace(events: Events) -> pl.DataFrame:
    """Lay out millrace's rows, one per measurement.

    Parameters
    ----------
    events : Events
        True events.

    Returns
    -------
    polars.DataFrame
        ``COLUMNS`` as text (null: empty cell), then marks.
    """
    code = encoder(CODES)
    tests = tests_of(events, "millrace").with_columns(
        Phase=code("Phase", "block"),
        Messung=code("Messung", "definition"),
        Gerät=code("Gerät", "instrument"),
        Winkel_rad=_radians(pl.col("angle_deg")),
        Schmerz_mm=(pl.col("pain_0_10") * 10).round().cast(pl.Int64).cast(pl.String),
        Endgefühl=code("Endgefühl", "end_feel"),
    )
    bouts = events.bouts.filter(pl.col("clinic") == "millrace").select(
        *HIP_AT_VISIT,
        Technik=code("Technik", "technique"),
        Grad=pl.col("grade").replace_strict(_ARABIC) + pl.col("grade_modifier").replace("none", ""),
        Vorspannung=code("Vorspannung", "bias_direction"),
        Art=code("Art", "bias_manner"),
        Serien=pl.col("sets").cast(pl.String),
        Sekunden=pl.col("seconds_per_set").cast(pl.String),
        Abbruch=pl.when("stopped_early").then(pl.lit("ja")).otherwise(pl.lit("nein")),
    )
    rows = with_person(events, tests.join(bouts, on=list(HIP_AT_VISIT), how="left"))
    order = rank("Messung", CODES["Messung"])
    rows = rows.sort("patient", "visit", "side", pl.col("Phase") == "nach", order)
    laid = rows.with_columns(
        (pl.col("duration_months") * _WEEKS_PER_MONTH).alias("weeks"),
    ).with_columns(
        Patient="patient",
        Geschlecht=code("Geschlecht", "sex"),
        Alter=pl.col("age_years").cast(pl.String),
        Datum=pl.col("date").dt.to_string("%d.%m.%Y"),
        Behandler="clinician",
        Seite=code("Seite", "side"),
        Diagnose=code("Diagnose", "condition"),
        Dauer_Wochen=whole("weeks"),
        Schmerz_mm=pl.col("Schmerz_mm").fill_null(MISSING_WORD),
        Endgefühl=pl.col("Endgefühl").fill_null(MISSING_WORD),
    )
    return marked(laid, COLUMNS)


def millrace_codebook() -> dict[str, Any]:
    """Write millrace's codebook.

    Returns
    -------
    dict
        The codebook.
    """
    return {
        "codebook": "millrace-messungen",
        "clinic": "millrace",
        "version": 1,
        **REVIEW,
        "delivery": {"kind": "full"},
        "file": {
            "encoding": "cp1252",
            "delimiter": ";",
            "decimal_mark": ",",
            "missing": [MISSING_WORD],
        },
        "columns": {
            "Patient": column("patient"),
            "Geschlecht": coded("sex", CODES["Geschlecht"]),
            "Alter": column("age_years"),
            "Datum": column("visit_date", date_format="%d.%m.%Y"),
            "Behandler": column("clinician"),
            "Seite": coded("side", CODES["Seite"]),
            "Diagnose": coded("condition", CODES["Diagnose"]),
            "Dauer_Wochen": column("duration", unit="wk"),
            "Phase": coded("phase", CODES["Phase"]),
            "Messung": coded("definition", CODES["Messung"]),
            "Gerät": coded("instrument", CODES["Gerät"]),
            "Winkel_rad": column("angle", unit="rad"),
            "Schmerz_mm": column("pain", scale="0-100"),
            "Endgefühl": coded("end_feel", CODES["Endgefühl"]),
            "Technik": coded("technique", CODES["Technik"]),
            "Grad": column("grade", scale="oscillatory"),
            "Vorspannung": coded("bias_direction", CODES["Vorspannung"]),
            "Art": coded("bias_manner", CODES["Art"]),
            "Serien": column("sets"),
            "Sekunden": column("seconds_per_set", unit="s"),
            "Abbruch": coded("stopped_early", CODES["Abbruch"]),
        },
        "records": [
            {"table": "patient"},
            {"table": "joint_episode", "set": {"joint": "hip", "episode": "first"}},
            {"table": "visit", "set": {"episode": "first"}},
            {"table": "range_test", "set": {"joint": "hip", "trial": 1}},
            {
                "table": "treatment",
                "where_filled": ["Technik"],
                "set": {"joint": "hip", "phase": "treatment"},
                "repeats": True,
            },
        ],
    }


def _radians(angle_deg: pl.Expr) -> pl.Expr:
    """Radians with four decimals and a decimal comma."""
    parts = (angle_deg * np.pi / 180 * 10_000).round().cast(pl.Int64)
    sign = pl.when(parts < 0).then(pl.lit("-")).otherwise(pl.lit(""))
    front = (parts.abs() // 10_000).cast(pl.String)
    rest = (parts.abs() % 10_000).cast(pl.String).str.zfill(4)
    return sign + front + pl.lit(",") + rest
