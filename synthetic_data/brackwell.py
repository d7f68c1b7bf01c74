"""Brackwell: a folder of Parquet files with typed columns, joined by the number of the visit."""

from typing import Any

import polars as pl

from synthetic_data.event import Events
from synthetic_data.layout import (
    REVIEW,
    Parts,
    coded,
    column,
    encoder,
    marked,
    tests_of,
)
from synthetic_data.truth import DEFINITIONS

CODES: dict[str, dict[str, str]] = {
    "sex": {"female": "female", "male": "male"},
    "side": {"L": "left", "R": "right", "B": "both"},
    "condition": {
        "osteoarthritis": "osteoarthritis",
        "capsular": "capsular_stiffness",
        "muscular": "muscular_restriction",
        "impingement": "impingement_syndrome",
    },
    "test": {
        "IR": DEFINITIONS[0],
        "ER": DEFINITIONS[1],
        "FLX": DEFINITIONS[2],
        "EXT": DEFINITIONS[3],
    },
    "tool": {"goniometer": "universal_goniometer", "digital": "digital_inclinometer"},
    "feel": {
        "capsular": "capsular",
        "muscular": "muscular",
        "bone": "bone_to_bone",
        "empty": "empty",
    },
    "technique": {
        "lateral distraction": "lateral_distraction",
        "long-axis distraction": "long_axis_distraction",
        "inferior glide": "inferior_glide",
    },
    "bias": {"none": "neutral", "internal": "internal", "external": "external"},
    "manner": {"none": "not_applicable", "held": "held", "combined": "combined"},
    "stopped": {"TRUE": "yes", "FALSE": "no"},
}
"""Column to its values and their canonical codes."""

TYPES: dict[str, dict[str, type[pl.DataType]]] = {
    "visits": {
        "visit_id": pl.Int64,
        "patient": pl.String,
        "sex": pl.String,
        "age": pl.Int16,
        "date": pl.Date,
        "clinician": pl.String,
    },
    "hips": {
        "patient": pl.String,
        "side": pl.String,
        "condition": pl.String,
        "duration_days": pl.Int32,
    },
    "tests": {
        "visit_id": pl.Int64,
        "side": pl.String,
        "seq": pl.Int16,
        "test": pl.String,
        "tool": pl.String,
        "angle_deg": pl.Float64,
        "lack_deg": pl.Float64,
        "pain": pl.Int16,
        "feel": pl.String,
    },
    "treatments": {
        "visit_id": pl.Int64,
        "side": pl.String,
        "seq": pl.Int16,
        "technique": pl.String,
        "grade": pl.String,
        "bias": pl.String,
        "manner": pl.String,
        "sets": pl.Int16,
        "seconds": pl.Int32,
        "stopped": pl.Boolean,
    },
}
"""Part to its columns and their types, in order."""

FILES = {
    "visits": "visits.parquet",
    "hips": "hips.parquet",
    "tests": "tests_*.parquet",
    "treatments": "treatments.parquet",
}
"""Part to its file, or the pattern of its files: the tests of each year lie in one."""

_DAYS_PER_MONTH = 30.4375  # UCUM's mean Julian month


def lay_out_brackwell(events: Events) -> Parts:
    """Lay out brackwell's tables.

    Parameters
    ----------
    events : Events
        True events.

    Returns
    -------
    dict of str to polars.DataFrame
        Part to its values as text (null: empty), then marks; tests in the order of years.
    """
    code = encoder(CODES)
    here = pl.col("clinic") == "brackwell"
    visits = events.visits.filter(here).with_row_index("number", offset=500_001)
    visits = visits.with_columns(visit_id=pl.col("number").cast(pl.String))
    days = (pl.col("duration_months") * _DAYS_PER_MONTH).round().cast(pl.Int64)
    people = visits.join(
        events.patients, on=["clinic", "patient"], how="left", maintain_order="left"
    )
    written = {
        "visits": people.with_columns(
            sex=code("sex", "sex"),
            age=pl.col("age_years").cast(pl.String),
            date=pl.col("date").dt.to_string("%Y-%m-%d"),
        ),
        "hips": events.hips.filter(here & pl.col("is_treated")).with_columns(
            own_side="side",
            side=code("side", "side"),
            condition=code("condition", "condition"),
            duration_days=days.cast(pl.String),
        ),
        "tests": _tests(events, visits),
        "treatments": _treatments(events, visits),
    }
    return {name: marked(rows, tuple(TYPES[name])) for name, rows in written.items()}


def brackwell_codebook() -> dict[str, Any]:
    """Write brackwell's codebook.

    Returns
    -------
    dict
        The codebook.
    """
    look_up = {"visits": {"on": {"visit_id": "visit_id"}, "take": ["patient", "date"]}}
    parts = {
        name: {
            "file": file,
            **({"look_up": look_up} if name in {"tests", "treatments"} else {}),
            "columns": {header: _column(header) for header in TYPES[name]},
        }
        for name, file in FILES.items()
    }
    measured = {"table": "range_test", "part": "tests", "set": {"trial": 1}}
    return {
        "codebook": "brackwell-tables",
        "clinic": "brackwell",
        "version": 1,
        **REVIEW,
        "delivery": {"kind": "full"},
        "file": {"format": "parquet"},
        "parts": parts,
        "records": [
            {"table": "patient", "part": "visits"},
            {"table": "joint_episode", "part": "hips", "set": {"episode": "first"}},
            {"table": "visit", "part": "visits", "set": {"episode": "first"}},
            {**measured, "where_filled": ["angle_deg"], "take": {"angle": "angle_deg"}},
            {**measured, "where_filled": ["lack_deg"], "take": {"angle": "lack_deg"}},
            {"table": "treatment", "part": "treatments", "both_sides": "each"},
        ],
    }


def _column(header: str) -> dict[str, Any]:
    plain: dict[str, Any] = {
        "visit_id": column("link"),
        "patient": column("patient"),
        "age": column("age_years"),
        "date": column("visit_date", date_format="%Y-%m-%d"),
        "clinician": column("clinician"),
        "duration_days": column("duration", unit="d"),
        "seq": column("event"),
        "angle_deg": column("angle", unit="deg"),
        "lack_deg": column("angle", unit="deg", sign="lack_is_positive"),
        "pain": column("pain", scale="0-10"),
        "grade": column("grade", scale="oscillatory"),
        "sets": column("sets"),
        "seconds": column("seconds_per_set", unit="s"),
    }
    fields = {
        "test": "definition",
        "tool": "instrument",
        "feel": "end_feel",
        "bias": "bias_direction",
        "manner": "bias_manner",
        "stopped": "stopped_early",
    }
    return plain.get(header) or coded(fields.get(header, header), CODES[header])


def _tests(events: Events, visits: pl.DataFrame) -> pl.DataFrame:
    code = encoder(CODES)
    rows = tests_of(events, "brackwell").join(
        visits.select("patient", "visit", "visit_id", "date"), on=["patient", "visit"], how="left"
    )
    rank = pl.col("definition").replace_strict({d: n for n, d in enumerate(DEFINITIONS)})
    is_lack = pl.col("definition") == DEFINITIONS[3]
    year = pl.col("date").dt.year()
    return rows.sort(year, "patient", "visit", "side", "event", rank).with_columns(
        own_side="side",
        side=code("side", "side"),
        seq=pl.col("event").cast(pl.String),
        test=code("test", "definition"),
        tool=code("tool", "instrument"),
        lack_deg=pl.when(is_lack).then(_number(0.0 - pl.col("angle_deg"))),
        angle_deg=pl.when(~is_lack).then(_number(pl.col("angle_deg"))),
        pain=pl.col("pain_0_10").cast(pl.Int64).cast(pl.String),
        feel=code("feel", "end_feel"),
    )


def _number(value: pl.Expr) -> pl.Expr:
    return value.cast(pl.String).str.strip_suffix(".0")


def _treatments(events: Events, visits: pl.DataFrame) -> pl.DataFrame:
    """Give one row to a bout; one to both hips where they had the same bout."""
    code = encoder(CODES)
    bouts = events.bouts.filter(pl.col("clinic") == "brackwell")
    alike = [name for name in bouts.columns if name != "side"]
    rows = bouts.group_by(alike).agg(
        side=pl.when(pl.len() == 2).then(pl.lit("both")).otherwise(pl.col("side").first())
    )
    rows = rows.join(
        visits.select("patient", "visit", "visit_id"), on=["patient", "visit"], how="left"
    ).sort("patient", "visit", "side", "event")
    return rows.with_columns(
        own_side="side",
        side=code("side", "side"),
        seq=pl.col("event").cast(pl.String),
        technique=code("technique", "technique"),
        grade=pl.col("grade") + pl.col("grade_modifier").replace("none", ""),
        bias=code("bias", "bias_direction"),
        manner=code("manner", "bias_manner"),
        sets=pl.col("sets").cast(pl.String),
        seconds=pl.col("seconds_per_set").cast(pl.String),
        stopped=pl.col("stopped_early").cast(pl.String).str.to_uppercase(),
        block=pl.lit("bout"),
    )
