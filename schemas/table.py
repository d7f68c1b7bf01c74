"""Canonical tables: their keys, columns and types, and the version of that layout.

One row of a canonical table is one *fact*. Angles are integer hundredths of a degree, so that sums
are exact and repeat. ``schemas.check`` holds the same tables as pandera schemas with their limits.
"""

from dataclasses import dataclass

import polars as pl

SCHEMA_VERSION = 2
"""Raised with every change of a table's layout; the store upgrades older parts at reading."""

PROVENANCE: dict[str, pl.DataType] = {
    "delivery": pl.String(),
    "source_file": pl.String(),
    "source_record": pl.Int64(),
    "codebook_version": pl.Int64(),
}
"""Where a fact comes from: delivery, file (with its sheet or list), record number within that (header not
counted) and codebook version."""


@dataclass(frozen=True)
class Table:
    """One canonical table.

    Attributes
    ----------
    name : str
        Name of the table.
    key : dict of str to polars.DataType
        Columns that together say which record a fact is.
    values : dict of str to polars.DataType
        What the fact says. All may be null.
    repeats : bool
        True where an export usually repeats the record on many rows (patient, episode, visit): equal
        repeats inside one delivery are one fact.
    coded : dict of str to str
        Coded columns with the code list that each one draws from.
    """

    name: str
    key: dict[str, pl.DataType]
    values: dict[str, pl.DataType]
    repeats: bool
    coded: dict[str, str]

    @property
    def columns(self) -> dict[str, pl.DataType]:
        """Key, values and provenance, in stored order."""
        return self.key | self.values | PROVENANCE


_TEXT = pl.String()
_WHOLE = pl.Int64()
_TRUTH = pl.Boolean()
_NUMBER = pl.Float64()
_PATIENT: dict[str, pl.DataType] = {"clinic": _TEXT, "patient": _TEXT}
_HIP_AT_VISIT = _PATIENT | {"visit": _TEXT, "joint": _TEXT, "side": _TEXT}

TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        Table(
            name="patient",
            key=_PATIENT,
            values={
                "sex": _TEXT,
                "age_years": _WHOLE,  # 90 means 90 or over
                "activity": _TEXT,
                "needs_deep_squat": _TRUTH,
            },
            repeats=True,
            coded={"sex": "sex", "activity": "activity"},
        ),
        Table(
            name="joint_episode",
            key=_PATIENT | {"episode": _TEXT, "joint": _TEXT, "side": _TEXT},
            values={
                "condition": _TEXT,
                "duration_weeks": _NUMBER,
                "precautions": _TEXT,  # codes in list order, joined by ";"
            },
            repeats=True,
            coded={"joint": "joint", "side": "side", "condition": "condition"},
        ),
        Table(
            name="visit",
            key=_PATIENT | {"visit": _TEXT},
            values={
                "episode": _TEXT,
                "clinician": _TEXT,
                "day_offset": _WHOLE,  # days since an index date that only the key file can give
                "period": _TEXT,  # "2025-03", or "2025" under the strict date policy
                "stated_order": _WHOLE,  # order of visits where an export has no dates
            },
            repeats=True,
            coded={},
        ),
        Table(
            name="range_test",
            key=_HIP_AT_VISIT
            | {"definition": _TEXT, "instrument": _TEXT, "event": _WHOLE, "trial": _WHOLE},
            values={
                "angle_hundredth_deg": _WHOLE,
                "reading_rule": _TEXT,
                "limited_by": _TEXT,
                "end_feel": _TEXT,
                "pain_0_10": _NUMBER,
                "rater_is_treating_clinician": _TRUTH,
                "reason_not_done": _TEXT,
                "order_is_stated": _TRUTH,
            },
            repeats=False,
            coded={
                "joint": "joint",
                "side": "side",
                "definition": "test_definition",
                "instrument": "instrument",
                "reading_rule": "reading_rule",
                "limited_by": "limited_by",
                "end_feel": "end_feel",
                "reason_not_done": "reason_not_done",
            },
        ),
        Table(
            name="provocation_test",
            key=_HIP_AT_VISIT | {"test": _TEXT, "event": _WHOLE},
            values={
                "response": _TEXT,
                "limited_by": _TEXT,
                "pain_0_10": _NUMBER,
                "order_is_stated": _TRUTH,
            },
            repeats=False,
            coded={
                "joint": "joint",
                "side": "side",
                "test": "provocation",
                "response": "response",
                "limited_by": "limited_by",
            },
        ),
        Table(
            name="treatment",
            key=_HIP_AT_VISIT | {"event": _WHOLE},
            values={
                "technique": _TEXT,
                "grade_scale": _TEXT,
                "grade": _TEXT,
                "grade_modifier": _TEXT,  # "--", "-", "none", "+", "++"
                "bias_direction": _TEXT,
                "bias_manner": _TEXT,
                "target_motion": _TEXT,
                "sets": _WHOLE,
                "seconds_per_set": _WHOLE,
                "belt_used": _TRUTH,
                "stopped_early": _TRUTH,
                "order_is_stated": _TRUTH,
            },
            repeats=False,
            coded={
                "joint": "joint",
                "side": "side",
                "technique": "technique",
                "grade_scale": "grade_scale",
                "bias_direction": "bias_direction",
                "bias_manner": "bias_manner",
                "target_motion": "motion",
            },
        ),
    )
}
"""The canonical tables by name, parents before children."""

SOURCE_ROW = "source_row"
"""Name under which a row that no record of the codebook describes is quarantined and counted."""

QUARANTINED = "quarantine"
"""Name under which quarantined facts are stored."""

QUARANTINE: dict[str, pl.DataType] = {
    "clinic": _TEXT,
    "table": _TEXT,
    "reason": _TEXT,
    "column": _TEXT,  # header in the export
    "value": _TEXT,  # masked where it may identify someone
    "patient": _TEXT,  # pseudonym, so that a withdrawal reaches it; may be null
    "source_file": _TEXT,
    "source_record": _WHOLE,
    "source_line": _WHOLE,  # line of the file, or row of the sheet; null in layout 1
    "delivery": _TEXT,
    "codebook_version": _WHOLE,
}
"""Columns of the quarantine: one row per fact, with the first reason that applies."""


def empty(columns: dict[str, pl.DataType]) -> pl.DataFrame:
    """Make a frame without rows.

    Parameters
    ----------
    columns : dict of str to polars.DataType
        Names and types.

    Returns
    -------
    polars.DataFrame, shape (0, n_columns)
        The empty frame.
    """
    return pl.DataFrame(schema=columns)
