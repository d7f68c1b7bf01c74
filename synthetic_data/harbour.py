"""Harbour: one row per event of a visit in stated order, with an increment that corrects five angles."""

from datetime import date
from typing import Any

import numpy as np
import polars as pl

from synthetic_data.event import Events
from synthetic_data.layout import (
    EXPORTED_ON,
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

EXPORTS = (date(2025, 6, 30), EXPORTED_ON)
"""Days of the two exports; the second holds what came after the first."""

CODES: dict[str, dict[str, str]] = {
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
"""Column of the export to its values and their canonical codes."""

COLUMNS = (
    *("PatientNo", "Sex", "Age", "VisitNo", "VisitDate", "Therapist", "Hip", "Diagnosis"),
    *("Months", "Seq", "Row", "Test", "Trial", "Device", "Angle", "NPRS", "EndFeel"),
    *("Technique", "Grade", "Bias", "Manner", "Sets", "Seconds", "Stopped", "Comment"),
)
"""Headers of the export, in order."""

_WORDS = ("tolerated well", "warm-up first", "tired today", "gentle start", "bed height changed")


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
    polars.DataFrame
        ``COLUMNS`` as text (null: empty cell), then marks.
    """
    code = encoder(CODES)
    tests = tests_of(events, "harbour").with_columns(
        Row=pl.lit("T"),
        Test=code("Test", "definition"),
        Trial=pl.col("trial").cast(pl.String),
        Device=code("Device", "instrument"),
        Angle=whole("angle_deg"),
        NPRS=whole("pain_0_10"),
        EndFeel=code("EndFeel", "end_feel"),
    )
    bouts = events.bouts.filter(pl.col("clinic") == "harbour").select(
        *HIP_AT_VISIT,
        "event",
        Row=pl.lit("M"),
        Technique=code("Technique", "technique"),
        Grade=pl.col("grade") + pl.col("grade_modifier").replace("none", ""),
        Bias=code("Bias", "bias_direction"),
        Manner=code("Manner", "bias_manner"),
        Sets=pl.col("sets").cast(pl.String),
        Seconds=pl.col("seconds_per_set").cast(pl.String),
        Stopped=pl.when("stopped_early").then(pl.lit("Y")).otherwise(pl.lit("N")),
        block=pl.lit("bout"),
    )
    rows = with_person(events, pl.concat([tests, bouts], how="diagonal"))
    rows = rows.sort("patient", "visit", "side", "event", rank("Test", CODES["Test"]), "Trial")
    words = pl.Series(rng.integers(0, 40, len(rows)))
    comments = words.replace_strict(dict(enumerate(_WORDS)), default=None, return_dtype=pl.String)
    laid = rows.with_columns(
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
        Comment=comments,
    )
    return marked(laid, COLUMNS)


def harbour_codebook() -> dict[str, Any]:
    """Write harbour's codebook.

    Returns
    -------
    dict
        The codebook.
    """
    return {
        "codebook": "harbour-events",
        "clinic": "harbour",
        "version": 1,
        **REVIEW,
        "delivery": {"kind": "increment"},
        "file": {"encoding": "utf-8", "delimiter": ",", "decimal_mark": "."},
        "columns": {
            "PatientNo": column("patient"),
            "Sex": coded("sex", CODES["Sex"]),
            "Age": column("age_years"),
            "VisitNo": column("visit"),
            "VisitDate": column("visit_date", date_format="%Y-%m-%d"),
            "Therapist": column("clinician"),
            "Hip": coded("side", CODES["Hip"]),
            "Diagnosis": coded("condition", CODES["Diagnosis"]),
            "Months": column("duration", unit="mo"),
            "Seq": column("event"),
            "Row": column("row_kind"),
            "Test": coded("definition", CODES["Test"]),
            "Trial": column("trial"),
            "Device": coded("instrument", CODES["Device"]),
            "Angle": column("angle", unit="deg"),
            "NPRS": column("pain", scale="0-10"),
            "EndFeel": coded("end_feel", CODES["EndFeel"]),
            "Technique": coded("technique", CODES["Technique"]),
            "Grade": column("grade", scale="oscillatory"),
            "Bias": coded("bias_direction", CODES["Bias"]),
            "Manner": coded("bias_manner", CODES["Manner"]),
            "Sets": column("sets"),
            "Seconds": column("seconds_per_set", unit="s"),
            "Stopped": coded("stopped_early", CODES["Stopped"]),
        },
        "ignore": {"Comment": "free text, not needed for the analyses"},
        "records": [
            {"table": "patient"},
            {"table": "joint_episode", "set": {"joint": "hip", "episode": "first"}},
            {"table": "visit", "set": {"episode": "first"}},
            {"table": "range_test", "when": {"Row": ["T"]}, "set": {"joint": "hip"}},
            {"table": "treatment", "when": {"Row": ["M"]}, "set": {"joint": "hip"}},
        ],
    }
