"""Tarnside: a wide table, one row per visit and hip, with two motions in one cell, before and after."""

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
    tests_of,
    triplet,
    whole,
    with_person,
)
from synthetic_data.truth import DEFINITIONS

CODES: dict[str, dict[str, str]] = {
    "Gender": {"Woman": "female", "Man": "male"},
    "Hip": {"left": "left", "right": "right", "B": "both"},
    "Problem": {
        "arthritis": "osteoarthritis",
        "stiff capsule": "capsular_stiffness",
        "tight muscles": "muscular_restriction",
        "impingement": "impingement_syndrome",
    },
    "Tool": {"gonio": "universal_goniometer", "incl": "digital_inclinometer"},
    "IR feel": {"firm": "capsular", "elastic": "muscular", "hard": "bone_to_bone", "pain": "empty"},
    "Technique": {
        "lat distr": "lateral_distraction",
        "long axis": "long_axis_distraction",
        "inf glide": "inferior_glide",
    },
    "Rotation": {"neutral": "neutral", "IR": "internal", "ER": "external"},
    "How": {"-": "not_applicable", "pre-set": "held", "added": "combined"},
    "Stopped": {"yes": "yes", "no": "no"},
}
"""Column of the export (without before or after) to its values and their canonical codes."""

COLUMNS = (
    *("Chart No", "Gender", "Age", "Visit date", "Provider", "Hip", "Problem", "Since (years)"),
    *("Tool", "ROT before", "S before", "Pain before", "IR feel before"),
    *("Technique", "Grade", "Dose", "Rotation", "How", "Stopped"),
    *("ROT after", "S after", "Pain after", "IR feel after", "Notes"),
)
"""Headers of the export, in order."""

NOT_TESTED = "NT"
"""Word for a test that was not done."""

_PHASES = (("before", "pretest"), ("after", "retest"))
_ARABIC = {"I": "gr 1", "II": "gr 2", "III": "gr 3", "IV": "gr 4"}
_WORDS = ("tolerated well, no questions", "slept badly, tired", "shorter visit")


def lay_out_tarnside(events: Events, rng: np.random.Generator) -> pl.DataFrame:
    """Lay out tarnside's rows, one per visit and hip.

    Parameters
    ----------
    events : Events
        True events.
    rng : numpy.random.Generator
        Source of randomness, for the notes.

    Returns
    -------
    polars.DataFrame
        ``COLUMNS`` as text (null: empty cell), then marks.
    """
    code = encoder(CODES)
    bouts = events.bouts.filter(pl.col("clinic") == "tarnside").select(
        *HIP_AT_VISIT,
        Technique=code("Technique", "technique"),
        Grade=pl.col("grade").replace_strict(_ARABIC)
        + pl.col("grade_modifier").replace("none", ""),
        Dose=_dose(),
        Rotation=code("Rotation", "bias_direction"),
        How=code("How", "bias_manner"),
        Stopped=pl.when("stopped_early").then(pl.lit("yes")).otherwise(pl.lit("no")),
    )
    tests = _before_and_after(tests_of(events, "tarnside"))
    rows = tests.join(bouts, on=list(HIP_AT_VISIT), how="full", coalesce=True)
    rows = with_person(events, rows).sort("patient", "visit", "side")
    words = pl.Series(rng.integers(0, 20, len(rows)))
    notes = words.replace_strict(dict(enumerate(_WORDS)), default=None, return_dtype=pl.String)
    written: dict[str, pl.Expr | pl.Series] = {
        "Chart No": pl.col("patient"),
        "Gender": code("Gender", "sex"),
        "Age": pl.col("age_years").cast(pl.String),
        "Visit date": pl.col("date").dt.to_string("%m/%d/%Y"),
        "Provider": pl.col("clinician"),
        "Hip": code("Hip", "side"),
        "Problem": code("Problem", "condition"),
        "Since (years)": (pl.col("duration_months") / 12).round(2).cast(pl.String),
        "Tool": pl.lit("gonio"),
        "Notes": notes,
    }
    return marked(rows.with_columns(**written), COLUMNS)


def tarnside_codebook() -> dict[str, Any]:
    """Write tarnside's codebook.

    Returns
    -------
    dict
        The codebook.
    """
    rotation = {"order": ["external_rotation", "zero", "internal_rotation"]}
    columns = {
        "Chart No": column("patient"),
        "Gender": coded("sex", CODES["Gender"]),
        "Age": column("age_years"),
        "Visit date": column("visit_date", date_format="%m/%d/%Y"),
        "Provider": column("clinician"),
        "Hip": coded("side", CODES["Hip"]),
        "Problem": coded("condition", CODES["Problem"]),
        "Since (years)": column("duration", unit="a"),
        "Tool": coded("instrument", CODES["Tool"]),
        "Technique": coded("technique", CODES["Technique"]),
        "Grade": column("grade", scale="oscillatory"),
        "Dose": column("dose"),
        "Rotation": coded("bias_direction", CODES["Rotation"]),
        "How": coded("bias_manner", CODES["How"]),
        "Stopped": coded("stopped_early", CODES["Stopped"]),
    }
    for word, _ in _PHASES:
        columns |= {
            f"ROT {word}": column("angle", unit="deg", composite=rotation, not_tested=[NOT_TESTED]),
            f"S {word}": column(
                "angle", unit="deg", composite={"order": "sftr"}, not_tested=[NOT_TESTED]
            ),
            f"Pain {word}": column("pain", scale="0-10"),
            f"IR feel {word}": coded("end_feel", CODES["IR feel"]),
        }
    return {
        "codebook": "tarnside-visits",
        "clinic": "tarnside",
        "version": 1,
        **REVIEW,
        "delivery": {"kind": "full"},
        "file": {"encoding": "utf-8", "delimiter": ","},
        "columns": columns,
        "ignore": {"Notes": "free text, not needed for the analyses"},
        "records": [
            {"table": "patient"},
            {"table": "joint_episode", "set": {"episode": "first"}},
            {"table": "visit", "set": {"episode": "first"}},
            {
                "table": "range_test",
                "set": {"trial": 1},
                "each": [_motion(word, phase, n) for word, phase in _PHASES for n in range(4)],
            },
            {
                "table": "treatment",
                "where_filled": ["Technique"],
                "set": {"phase": "treatment"},
            },
        ],
    }


def _motion(word: str, phase: str, index: int) -> dict[str, Any]:
    cell = f"ROT {word}" if index < 2 else f"S {word}"
    motion = ("internal_rotation", "external_rotation", "flexion", "extension")[index]
    take: dict[str, Any] = {
        "angle": {"column": cell, "component": motion},
        "pain": f"Pain {word}",
    }
    constant: dict[str, Any] = {"definition": DEFINITIONS[index], "phase": phase}
    if index == 0:
        take["end_feel"] = f"IR feel {word}"
    else:
        constant["end_feel"] = "not_recorded"  # the end feel is that of internal rotation
    return {"set": constant, "take": take}


def _before_and_after(tests: pl.DataFrame) -> pl.DataFrame:
    """Put the tests of a visit and hip in one row, with the marks of a retest after one bout."""
    code = encoder(CODES)
    coded_tests = tests.with_columns(IR_feel=code("IR feel", "end_feel"), pain=whole("pain_0_10"))
    wanted = []
    for word, phase in _PHASES:
        angles = [
            pl.col("angle_deg")
            .filter((pl.col("block") == phase) & (pl.col("definition") == definition))
            .first()
            for definition in DEFINITIONS
        ]
        in_phase = pl.col("block") == phase
        sagittal = triplet(angles[3], angles[2])
        wanted += [
            triplet(angles[1], angles[0]).alias(f"ROT {word}"),
            (pl.lit("S ") + sagittal).alias(f"S {word}"),
            pl.col("pain").filter(in_phase).first().alias(f"Pain {word}"),
            pl.col("IR_feel").filter(in_phase).drop_nulls().first().alias(f"IR feel {word}"),
        ]
    marks = (pl.col("n_bouts").max(), pl.lit("test").alias("block"))
    return coded_tests.group_by(HIP_AT_VISIT, maintain_order=True).agg(*wanted, *marks)


def _dose() -> pl.Expr:
    sets = pl.col("sets").cast(pl.String)
    seconds = pl.col("seconds_per_set")
    return (
        pl.when(seconds == 60)
        .then(sets + pl.lit(" x 1 min"))
        .otherwise(sets + pl.lit("x") + seconds.cast(pl.String) + pl.lit("s"))
    )
