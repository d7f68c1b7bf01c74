"""Saltgrove: NDJSON, one line a visit with its hips, and their tests and bouts in stated order."""

from typing import Any

import polars as pl

from synthetic_data.event import Events
from synthetic_data.layout import (
    HIP_AT_VISIT,
    REVIEW,
    Parts,
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
    "patient.sex": {"f": "female", "m": "male"},
    "hips.side": {"L": "left", "R": "right"},
    "hips.condition": {
        "oa": "osteoarthritis",
        "capsule": "capsular_stiffness",
        "muscle": "muscular_restriction",
        "fai": "impingement_syndrome",
    },
    "hips.tests.test": {"ir": DEFINITIONS[0], "er": DEFINITIONS[1]},
    "hips.tests.tool": {"incl": "digital_inclinometer", "gonio": "universal_goniometer"},
    "hips.tests.feel": {
        "capsular": "capsular",
        "muscular": "muscular",
        "bony": "bone_to_bone",
        "empty": "empty",
    },
    "hips.bouts.technique": {
        "lateral": "lateral_distraction",
        "long axis": "long_axis_distraction",
        "inferior": "inferior_glide",
    },
    "hips.bouts.bias": {"neutral": "neutral", "internal": "internal", "external": "external"},
    "hips.bouts.manner": {"none": "not_applicable", "held": "held", "combined": "combined"},
    "hips.bouts.stopped": {"true": "yes", "false": "no"},
}
"""Path to its values and their canonical codes."""

_LINE = (
    *("patient.id", "patient.sex", "patient.age", "visit.no", "visit.date", "visit.clinician"),
)
_HIP = ("hips.side", "hips.condition", "hips.weeks")

COLUMNS: dict[str, tuple[str, ...]] = {
    "visits": _LINE,
    "hips": ("patient.id", "visit.no", *_HIP),
    "tests": (
        *("patient.id", "visit.no", "hips.side", "hips.tests.seq", "hips.tests.plane"),
        *("hips.tests.test", "hips.tests.tool", "hips.tests.gon", "hips.tests.flex_ext"),
        *("hips.tests.pain", "hips.tests.feel"),
    ),
    "bouts": (
        *("patient.id", "visit.no", "hips.side", "hips.bouts.seq", "hips.bouts.technique"),
        *("hips.bouts.grade", "hips.bouts.bias", "hips.bouts.manner", "hips.bouts.sets"),
        *("hips.bouts.seconds", "hips.bouts.stopped"),
    ),
}
"""Paths of each part, in order; those around the list that serve as its key come first."""

NUMBERS = (
    *("patient.age", "visit.no", "hips.weeks", "hips.tests.seq", "hips.tests.gon"),
    *("hips.tests.pain", "hips.bouts.seq", "hips.bouts.sets", "hips.bouts.seconds"),
    "hips.bouts.stopped",
)
"""Paths whose values are JSON numbers (or true and false), where they are."""

NOT_ASKED, NOT_TESTED = "not asked", "NT"
"""Words for pain that was not asked about and for a test that was not done."""


def lay_out_saltgrove(events: Events) -> Parts:
    """Lay out the parts of saltgrove's lines.

    Parameters
    ----------
    events : Events
        True events.

    Returns
    -------
    dict of str to polars.DataFrame
        Part to its values as text (null: left out), then marks; in the order of the lines.
    """
    code = encoder(CODES)
    here = pl.col("clinic") == "saltgrove"
    tests, bouts = _tests(events), events.bouts.filter(here)
    key = pl.col(*HIP_AT_VISIT)
    hips = pl.concat([tests.select(key), bouts.select(key)]).unique()
    written = {
        "visits": events.visits.filter(here).join(
            events.patients, on=["clinic", "patient"], how="left"
        ),
        "hips": with_person(events, hips),
        "tests": with_person(events, tests),
        "bouts": with_person(events, bouts).with_columns(
            pl.col("event").cast(pl.String).alias("hips.bouts.seq"),
            code("hips.bouts.technique", "technique").alias("hips.bouts.technique"),
            (pl.col("grade") + pl.col("grade_modifier").replace("none", "")).alias(
                "hips.bouts.grade"
            ),
            code("hips.bouts.bias", "bias_direction").alias("hips.bouts.bias"),
            code("hips.bouts.manner", "bias_manner").alias("hips.bouts.manner"),
            pl.col("sets").cast(pl.String).alias("hips.bouts.sets"),
            pl.col("seconds_per_set").cast(pl.String).alias("hips.bouts.seconds"),
            pl.col("stopped_early").cast(pl.String).alias("hips.bouts.stopped"),
            block=pl.lit("bout"),
        ),
    }
    order = {
        "visits": ("patient", "visit"),
        "hips": ("patient", "visit", "side"),
        "tests": ("patient", "visit", "side", "event", "rank"),
        "bouts": ("patient", "visit", "side", "event"),
    }
    return {
        name: marked(_surroundings(rows).sort(order[name]), COLUMNS[name])
        for name, rows in written.items()
    }


def saltgrove_codebook() -> dict[str, Any]:
    """Write saltgrove's codebook.

    Returns
    -------
    dict
        The codebook.
    """
    elsewhere = "taken from another part"
    around = (*_LINE, *_HIP)
    inner = {"tests": around, "bouts": around, "hips": _LINE, "visits": ()}
    rows = {"visits": None, "hips": "hips", "tests": "hips.tests", "bouts": "hips.bouts"}
    unused = {"hips": ("visit.no",)}
    parts: dict[str, Any] = {}
    for name, path in rows.items():
        declared = [h for h in COLUMNS[name] if h not in unused.get(name, ())]
        parts[name] = {
            **({"rows": path} if path else {}),
            "columns": {header: _column(header) for header in declared},
            "ignore": {h: elsewhere for h in inner[name] if h not in declared},
        }
    pieces = [
        {
            "set": {"definition": DEFINITIONS[index]},
            "take": {"angle": {"column": "hips.tests.flex_ext", "component": motion}},
        }
        for index, motion in ((2, "flexion"), (3, "extension"))
    ]
    plane = "hips.tests.plane"
    return {
        "codebook": "saltgrove-lines",
        "clinic": "saltgrove",
        "version": 1,
        **REVIEW,
        "delivery": {"kind": "full"},
        "file": {"format": "ndjson"},
        "parts": parts,
        "records": [
            {"table": "patient", "part": "visits"},
            {"table": "joint_episode", "part": "hips", "set": {"episode": "first"}},
            {"table": "visit", "part": "visits", "set": {"episode": "first"}},
            {
                "table": "range_test",
                "part": "tests",
                "when": {plane: ["rotation"]},
                "set": {"trial": 1},
                "take": {"angle": "hips.tests.gon"},
            },
            {
                "table": "range_test",
                "part": "tests",
                "when": {plane: ["sagittal"]},
                "set": {"trial": 1},
                "each": pieces,
            },
            {"table": "treatment", "part": "bouts"},
        ],
    }


def _column(path: str) -> dict[str, Any]:
    tested = {"not_tested": [NOT_TESTED]}
    german = {"order": ["flexion", "zero", "extension"]}
    known: dict[str, Any] = {
        "patient.id": column("patient"),
        "patient.age": column("age_years"),
        "visit.no": column("visit"),
        "visit.date": column("visit_date", date_format="%Y-%m-%d"),
        "visit.clinician": column("clinician"),
        "hips.weeks": column("duration", unit="wk"),
        "hips.tests.seq": column("event"),
        "hips.tests.plane": column("row_kind"),
        "hips.tests.gon": column("angle", unit="gon", **tested),
        "hips.tests.flex_ext": column("angle", unit="deg", composite=german, **tested),
        "hips.tests.pain": column("pain", scale="0-10", missing=[NOT_ASKED]),
        "hips.bouts.seq": column("event"),
        "hips.bouts.grade": column("grade", scale="oscillatory"),
        "hips.bouts.sets": column("sets"),
        "hips.bouts.seconds": column("seconds_per_set", unit="s"),
    }
    fields = {
        "sex": "sex",
        "side": "side",
        "condition": "condition",
        "test": "definition",
        "tool": "instrument",
        "feel": "end_feel",
        "technique": "technique",
        "bias": "bias_direction",
        "manner": "bias_manner",
        "stopped": "stopped_early",
    }
    return known.get(path) or coded(fields[path.rsplit(".", 1)[1]], CODES[path])


def _surroundings(rows: pl.DataFrame) -> pl.DataFrame:
    code = encoder(CODES)
    known = {
        "patient.id": pl.col("patient"),
        "patient.sex": code("patient.sex", "sex"),
        "patient.age": pl.col("age_years").cast(pl.String),
        "visit.no": pl.col("visit").cast(pl.String),
        "visit.date": pl.col("date").dt.to_string("%Y-%m-%d"),
        "visit.clinician": pl.col("clinician"),
    }
    if "side" in rows.columns:
        weeks = (pl.col("duration_months") * 52 / 12).round().cast(pl.Int64).cast(pl.String)
        known |= {
            "hips.side": code("hips.side", "side"),
            "hips.condition": code("hips.condition", "condition"),
            "hips.weeks": weeks,
        }
    return rows.with_columns(**known)


def _tests(events: Events) -> pl.DataFrame:
    """Rotations each by itself in gon, flexion and extension as one triplet."""
    code = encoder(CODES)
    tests = tests_of(events, "saltgrove").with_columns(
        rank=pl.col("definition").replace_strict({d: n for n, d in enumerate(DEFINITIONS)})
    )
    key = [*HIP_AT_VISIT, "block", "event"]
    extension = tests.filter(pl.col("rank") == 3).select(*key, extension_deg="angle_deg")
    rows = tests.filter(pl.col("rank") < 3).join(extension, on=key, how="left")
    is_rotation = pl.col("rank") < 2
    tenths = (pl.col("angle_deg") / 0.09).round().cast(pl.Int64)
    sign = pl.when(tenths < 0).then(pl.lit("-")).otherwise(pl.lit(""))
    digits = [(tenths.abs() // 10).cast(pl.String), (tenths.abs() % 10).cast(pl.String)]
    gon = sign + digits[0] + pl.lit(".") + digits[1]
    return rows.with_columns(
        pl.col("event").cast(pl.String).alias("hips.tests.seq"),
        pl.when(is_rotation)
        .then(pl.lit("rotation"))
        .otherwise(pl.lit("sagittal"))
        .alias("hips.tests.plane"),
        code("hips.tests.test", "definition").alias("hips.tests.test"),
        code("hips.tests.tool", "instrument").alias("hips.tests.tool"),
        pl.when(is_rotation).then(gon).alias("hips.tests.gon"),
        pl.when(~is_rotation)
        .then(triplet(pl.col("angle_deg"), pl.col("extension_deg")))
        .alias("hips.tests.flex_ext"),
        whole("pain_0_10").fill_null(NOT_ASKED).alias("hips.tests.pain"),
        code("hips.tests.feel", "end_feel").alias("hips.tests.feel"),
    )
