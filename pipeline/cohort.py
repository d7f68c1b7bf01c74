"""The records of one joint, with what is derived over all deliveries: order and number of visits."""

from dataclasses import dataclass

import polars as pl

from schemas.table import TABLES, empty
from schemas.vocabulary import NOT_RECORDED, code_list, motion_of

PATIENT = ["clinic", "patient"]
VISIT = [*PATIENT, "visit"]
PLACE = [*VISIT, "joint", "side"]
"""One side of one joint at one visit."""


@dataclass(frozen=True)
class Cohort:
    """Records that an analysis starts from.

    Attributes
    ----------
    tests : polars.DataFrame
        One row per measured test (trials of one event as their mean): place, ``definition``,
        ``motion``, ``instrument``, ``event``, ``angle_hundredth_deg``, ``pain_0_10``, ``end_feel``.
    bouts : polars.DataFrame
        One row per treatment, with ``purpose`` and ``seconds``, sorted by place and event.
    visits : polars.DataFrame
        One row per visit: ``episode``, ``clinician``, ``period``, ``visit_number`` (1 for a
        patient's first; null where the order is not known).
    patients : polars.DataFrame
        Table ``patient``.
    episodes : polars.DataFrame
        Table ``joint_episode``.
    """

    tests: pl.DataFrame
    bouts: pl.DataFrame
    visits: pl.DataFrame
    patients: pl.DataFrame
    episodes: pl.DataFrame


def build_cohort(tables: dict[str, pl.DataFrame], joint: str) -> Cohort:
    """Collect the records of one joint.

    Parameters
    ----------
    tables : dict of str to polars.DataFrame
        Canonical tables of a snapshot; one that is absent counts as empty.
    joint : str
        Code of the joint.

    Returns
    -------
    Cohort
        Its records.
    """
    found = {name: tables.get(name, empty(table.columns)) for name, table in TABLES.items()}
    return Cohort(
        tests=_tests(found["range_test"].filter(pl.col("joint") == joint)),
        bouts=_bouts(found["treatment"].filter(pl.col("joint") == joint)),
        visits=_visits(found["visit"]),
        patients=found["patient"],
        episodes=found["joint_episode"].filter(pl.col("joint") == joint),
    )


def _tests(rows: pl.DataFrame) -> pl.DataFrame:
    motions = {code: motion_of(code) for code in code_list("test_definition")}
    key = [*PLACE, "definition", "instrument", "event"]
    measured = rows.filter(pl.col("angle_hundredth_deg").is_not_null()).sort([*key, "trial"])
    # Sums of integers repeat exactly; a mean of floats would not.
    mean = (pl.col("angle_hundredth_deg").sum() / pl.len()).round(0, mode="half_to_even")
    return (
        measured.group_by(key, maintain_order=True)
        .agg(
            mean.cast(pl.Int64),
            pl.col("pain_0_10").drop_nulls().first(),
            pl.col("end_feel").first(),
        )
        .with_columns(pl.col("definition").replace_strict(motions).alias("motion"))
    )


def _bouts(rows: pl.DataFrame) -> pl.DataFrame:
    purposes = [
        {"grade_scale": scale, "grade": str(grade), "purpose": purpose}
        for scale, code in code_list("grade_scale").items()
        for grade, purpose in code.details["purpose"].items()
    ]
    return (
        rows.join(pl.DataFrame(purposes), on=["grade_scale", "grade"], how="left")
        .with_columns(
            pl.col("purpose").fill_null(NOT_RECORDED),
            (pl.col("sets") * pl.col("seconds_per_set")).alias("seconds"),
        )
        .sort([*PLACE, "event"])
    )


def _visits(rows: pl.DataFrame) -> pl.DataFrame:
    by_day = pl.col("day_offset").is_not_null().all().over(PATIENT)
    by_statement = pl.col("stated_order").is_not_null().all().over(PATIENT)
    place = pl.when(by_day).then("day_offset").when(by_statement).then("stated_order")
    ordered = rows.with_columns(place.alias("order"))
    number = pl.col("order").rank("ordinal").over(PATIENT).cast(pl.Int64)
    twice = pl.col("order").is_duplicated().over(PATIENT)  # two visits of one day have no order
    return ordered.sort([*VISIT]).with_columns(
        pl.when(twice).then(None).otherwise(number).alias("visit_number")
    )
