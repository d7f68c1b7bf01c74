"""Documentation of retests: each treated side was retested in full, in part, or not.

Owed is every test that was done before the first bout on the treated side. (Restriction by norm and
the target of the treatment will narrow this; here every pretest counts as owed.)
"""

from dataclasses import dataclass

import polars as pl

from pipeline.cohort import PLACE, Cohort
from pipeline.pairing import TEST, Pairs
from schemas.reason import NoPair
from schemas.vocabulary import NOT_RECORDED

FULL, PARTIAL, NONE = "full", "partial", "none"

_FIRST_THAT_APPLIES = [
    str(reason)
    for reason in (
        NoPair.NO_PRETEST,
        NoPair.OTHER_TEST,
        NoPair.OTHER_SIDE,
        NoPair.OTHER_INSTRUMENT,
        NoPair.BEFORE_LAST_BOUT,
        NoPair.NO_RETEST,
    )
]


@dataclass(frozen=True)
class RetestRecords:
    """One record per treated side of a visit.

    Attributes
    ----------
    frame : polars.DataFrame
        Place, ``status`` (full, partial, none) and ``reason`` (null where full), sorted by place.
    """

    frame: pl.DataFrame


def retest_records(cohort: Cohort, pairs: Pairs) -> RetestRecords:
    """Say for each treated side of each visit how its retest is documented.

    Parameters
    ----------
    cohort : Cohort
        Records of one joint.
    pairs : Pairs
        Its pairs within a visit.

    Returns
    -------
    RetestRecords
        One record per treated side.
    """
    treated = cohort.bouts.select(PLACE).unique(maintain_order=True)
    retested = _retested(cohort, pairs)
    unmatched = pairs.unmatched.filter(
        ~pl.col("reason").is_in([str(NoPair.NO_TREATMENT), str(NoPair.NO_PRETEST)])
    )
    place = {reason: rank for rank, reason in enumerate(_FIRST_THAT_APPLIES)}
    missed = unmatched.group_by(PLACE).agg(
        pl.len().alias("n_missed"),
        pl.col("reason")
        .sort_by(pl.col("reason").replace_strict(place))
        .first()
        .alias("missed_reason"),
    )
    late = pairs.unmatched.filter(pl.col("reason") == str(NoPair.NO_PRETEST)).select(PLACE).unique()
    frame = (
        treated.join(retested, on=PLACE, how="left")
        .join(missed, on=PLACE, how="left")
        .join(late.with_columns(pl.lit(value=True).alias("has_late")), on=PLACE, how="left")
        .with_columns(pl.col("n_retested", "n_missed", "n_incomplete").fill_null(0))
        .with_columns(pl.col("has_late").fill_null(value=False))
        .with_columns(_status().alias("status"))
        .with_columns(_reason().alias("reason"))
    )
    return RetestRecords(frame.select(*PLACE, "status", "reason").sort(PLACE))


def _retested(cohort: Cohort, pairs: Pairs) -> pl.DataFrame:
    """Count matched tests for each place, and how many of them lack what their pretest had."""
    after = cohort.tests.select(*TEST, "event", pl.col("end_feel").alias("end_feel_after"))
    last = after.sort("event").unique(TEST, keep="last", maintain_order=True).drop("event")
    both = pairs.frame.join(last, on=TEST, how="left")
    lacks_feel = (pl.col("end_feel") != NOT_RECORDED) & (pl.col("end_feel_after") == NOT_RECORDED)
    lacks_pain = pl.col("pain_before").is_not_null() & pl.col("pain_after").is_null()
    return both.group_by(PLACE).agg(
        pl.len().alias("n_retested"), (lacks_feel | lacks_pain).sum().alias("n_incomplete")
    )


def _status() -> pl.Expr:
    nothing_after = (
        (pl.col("n_retested") == 0)
        & ~pl.col("has_late")
        & (
            pl.col("missed_reason").is_in([str(NoPair.NO_RETEST)])
            | pl.col("missed_reason").is_null()
        )
    )
    full = (pl.col("n_retested") > 0) & (pl.col("n_missed") == 0) & (pl.col("n_incomplete") == 0)
    return (
        pl.when(nothing_after)
        .then(pl.lit(NONE))
        .when(full)
        .then(pl.lit(FULL))
        .otherwise(pl.lit(PARTIAL))
    )


def _reason() -> pl.Expr:
    return (
        pl.when(pl.col("status") == FULL)
        .then(None)
        .when((pl.col("n_retested") == 0) & (pl.col("n_missed") == 0))
        .then(pl.lit(str(NoPair.NO_PRETEST)))
        .when((pl.col("n_retested") > 0) & (pl.col("n_missed") > 0))
        .then(pl.lit(str(NoPair.PARTLY_RETESTED)))
        .when(pl.col("n_missed") > 0)
        .then("missed_reason")
        .otherwise(pl.lit(str(NoPair.DETAIL_MISSING)))
    )
