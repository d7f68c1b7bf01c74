"""Match each pretest with the retest of the same test definition and instrument.

Three kinds of pair, never mixed in one estimate: within a visit (before the first bout, after the
last), stepwise (around one bout) and over a course (first and last test of an episode). A test
without a pair keeps the reason why.
"""

from dataclasses import dataclass

import polars as pl

from pipeline.cohort import PATIENT, PLACE, VISIT, Cohort
from pipeline.exposure import ATTRIBUTES, exposure_of_bouts
from pipeline.query import connect
from schemas.plan import PairKind
from schemas.reason import NoPair

TEST = [*PLACE, "definition", "instrument"]
"""One test of one place: what a pair has to share."""

_COURSE = [*PATIENT, "joint", "side", "definition", "instrument", "episode"]
_BETWEEN = """
    SELECT ends.*, bouts.* EXCLUDE (clinic, patient, visit, joint, side, event)
    FROM ends
    JOIN visits
      ON visits.clinic = ends.clinic
     AND visits.patient = ends.patient
     AND visits.episode IS NOT DISTINCT FROM ends.episode
    JOIN bouts
      ON bouts.clinic = ends.clinic
     AND bouts.patient = ends.patient
     AND bouts.visit = visits.visit
     AND bouts.joint = ends.joint
     AND bouts.side = ends.side
    WHERE (visits.visit_number, bouts.event) > (ends.visit_number, ends.event)
      AND (visits.visit_number, bouts.event) < (ends.visit_number_after, ends.event_after)
    ORDER BY ends.clinic, ends.patient, ends.joint, ends.side, ends.definition, ends.instrument,
             ends.episode, visits.visit_number, bouts.event
"""
"""Bouts of an episode between its first and its last test: a join on order, not on equality."""

_READING = ["angle_hundredth_deg", "pain_0_10", "end_feel", "event"]


@dataclass(frozen=True)
class Pairs:
    """Matched pairs of one kind, and the tests that gave none.

    Attributes
    ----------
    frame : polars.DataFrame
        One row per pair: place, episode, ``definition``, ``motion``, ``instrument``, ``step``,
        ``pretest_deg``, ``retest_deg``, ``gain_deg`` (positive for more range), ``pain_before``,
        ``pain_after``, ``pain_change``, ``end_feel`` of the pretest, the exposure between the tests
        (``pipeline.exposure``) and the attributes of patient, episode and visit.
    unmatched : polars.DataFrame
        One row per test that gave no pair: ``TEST``, ``motion`` and ``reason``. Tests of a place are
        counted once for each definition and instrument.
    """

    frame: pl.DataFrame
    unmatched: pl.DataFrame


def match_pairs(cohort: Cohort, kind: PairKind) -> Pairs:
    """Match the pairs of one kind.

    Parameters
    ----------
    cohort : Cohort
        Records of one joint.
    kind : PairKind
        Kind of pair.

    Returns
    -------
    Pairs
        Sorted by their key.
    """
    tests = _numbered_tests(cohort)
    if kind is PairKind.COURSE:
        pairs, unmatched = _course(cohort, tests)
    elif kind is PairKind.STEPWISE:
        pairs, unmatched = _stepwise(cohort, tests)
    else:
        pairs, unmatched = _within_visit(cohort, tests)
    return Pairs(_described(pairs, cohort), unmatched.sort(*TEST))


def _numbered_tests(cohort: Cohort) -> pl.DataFrame:
    """Give tests with the number of bouts before each, and the number of bouts at their place."""
    bouts = cohort.bouts.select(*PLACE, "event").with_columns(
        pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over(PLACE).alias("bouts_before")
    )
    totals = bouts.group_by(PLACE, maintain_order=True).agg(
        pl.len().cast(pl.Int64).alias("n_bouts")
    )
    places = pl.concat([cohort.tests.select(PLACE), totals.select(PLACE)]).unique(
        maintain_order=True
    )
    places = places.with_row_index("place").join(
        totals, on=PLACE, how="left", maintain_order="left"
    )
    tests = cohort.tests.join(places, on=PLACE, how="left", maintain_order="left")
    bouts = bouts.join(places.select(*PLACE, "place"), on=PLACE, how="left", maintain_order="left")
    return (
        tests.sort("place", "event")
        .join_asof(
            bouts.select("place", "event", "bouts_before").sort("place", "event"),
            on="event",
            by="place",
            allow_exact_matches=False,
            check_sortedness=False,
        )
        .with_columns(pl.col("bouts_before").fill_null(0), pl.col("n_bouts").fill_null(0))
        .drop("place")
        .sort([*TEST, "event"])
    )


def _ends(tests: pl.DataFrame, key: list[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """First and last reading for each key; tests come sorted by event."""
    first = tests.unique(key, keep="first", maintain_order=True)
    last = tests.unique(key, keep="last", maintain_order=True)
    return first, last


def _joined(before: pl.DataFrame, after: pl.DataFrame, key: list[str]) -> pl.DataFrame:
    return before.join(
        after.select(*key, *_READING), on=key, suffix="_after", maintain_order="left"
    )


def _within_visit(cohort: Cohort, tests: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    treated = tests.filter(pl.col("n_bouts") > 0)
    _, before = _ends(treated.filter(pl.col("bouts_before") == 0), TEST)
    after, _ = _ends(treated.filter(pl.col("bouts_before") == pl.col("n_bouts")), TEST)
    pairs = _joined(before, after, TEST).with_columns(pl.lit(None, dtype=pl.Int64).alias("step"))
    exposure = exposure_of_bouts(cohort.bouts, PLACE)
    return pairs.join(exposure, on=PLACE, how="left"), _unmatched(tests, pairs)


def _unmatched(tests: pl.DataFrame, pairs: pl.DataFrame) -> pl.DataFrame:
    """Give the tests of a visit that gave no pair, each with the first reason that applies."""
    groups = tests.group_by([*TEST, "motion"], maintain_order=True).agg(
        (pl.col("n_bouts") > 0).any().alias("is_treated"),
        (pl.col("bouts_before") == 0).any().alias("has_pretest"),
        (pl.col("bouts_before").is_between(1, pl.col("n_bouts") - 1)).any().alias("has_interim"),
        (pl.col("bouts_before") == pl.col("n_bouts")).any().alias("has_retest"),
    )
    rest = groups.join(pairs.select(TEST), on=TEST, how="anti")
    late = tests.filter((pl.col("n_bouts") > 0) & (pl.col("bouts_before") == pl.col("n_bouts")))
    same_test, same_motion = [*PLACE, "definition"], [*PLACE, "motion"]
    untreated = tests.filter(pl.col("n_bouts") == 0)
    # Events are an order of one side: a second test of the untreated side is what can be known.
    later = pl.col("event") > pl.col("event").min().over(same_test)
    other_side = untreated.filter(later)
    opposite = other_side.with_columns(
        pl.when(pl.col("side") == "left")
        .then(pl.lit("right"))
        .otherwise(pl.lit("left"))
        .alias("side")
    )
    for name, source, key in (
        ("other_instrument", late, same_test),
        ("other_test", late, same_motion),
        ("other_side", opposite, same_test),
    ):
        known = source.select(key).unique().with_columns(pl.lit(value=True).alias(name))
        rest = rest.join(known, on=key, how="left")
    reason = (
        pl.when(~pl.col("is_treated"))
        .then(pl.lit(str(NoPair.NO_TREATMENT)))
        .when(~pl.col("has_pretest"))
        .then(pl.lit(str(NoPair.NO_PRETEST)))
        .when("has_retest")  # only around single bouts: tested first and last, not between
        .then(pl.lit(str(NoPair.NO_INTERIM)))
        .when("other_instrument")
        .then(pl.lit(str(NoPair.OTHER_INSTRUMENT)))
        .when("other_test")
        .then(pl.lit(str(NoPair.OTHER_TEST)))
        .when("other_side")
        .then(pl.lit(str(NoPair.OTHER_SIDE)))
        .when("has_interim")
        .then(pl.lit(str(NoPair.BEFORE_LAST_BOUT)))
        .otherwise(pl.lit(str(NoPair.NO_RETEST)))
    )
    return rest.select(*TEST, "motion", reason.alias("reason"))


def _stepwise(cohort: Cohort, tests: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Pairs around each bout; a test without any such pair keeps the reason of its visit."""
    key = [*TEST, "bouts_before"]
    first, last = _ends(tests.filter(pl.col("n_bouts") > 0), key)
    before = last.with_columns((pl.col("bouts_before") + 1).alias("step"))
    after = first.with_columns(pl.col("bouts_before").alias("step"))
    pairs = _joined(before, after, [*TEST, "step"])
    steps = cohort.bouts.with_columns(
        pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over(PLACE).alias("step")
    )
    exposure = exposure_of_bouts(steps, [*PLACE, "step"])
    pairs = pairs.join(exposure, on=[*PLACE, "step"], how="left")
    previous = exposure.select(
        *PLACE,
        (pl.col("step") + 1).alias("step"),
        pl.col("bias_direction").alias("previous_bias"),
        pl.col("technique").alias("previous_technique"),
    )
    pairs = pairs.join(previous, on=[*PLACE, "step"], how="left")
    return pairs, _unmatched(tests, pairs.unique(TEST))


def _course(cohort: Cohort, tests: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    visits = cohort.visits.select(*VISIT, "episode", "visit_number")
    placed = tests.join(visits, on=VISIT, how="left")
    ordered = placed.filter(pl.col("visit_number").is_not_null()).sort(
        [*_COURSE, "visit_number", "event"]
    )
    first, last = _ends(ordered, _COURSE)
    after = last.select(*_COURSE, *_READING, "visit_number")
    pairs = first.join(after, on=_COURSE, suffix="_after", nulls_equal=True, maintain_order="left")
    pairs = pairs.filter(pl.col("visit_number") < pl.col("visit_number_after"))
    between = _bouts_between(pairs, cohort, visits)
    exposure = exposure_of_bouts(between, _COURSE)
    matched = pairs.join(exposure, on=_COURSE, nulls_equal=True, maintain_order="left")
    matched = matched.drop("visit_number", "visit_number_after", "episode").with_columns(
        pl.lit(None, dtype=pl.Int64).alias("step")
    )
    return matched, _unmatched_course(placed, pairs, matched, visits)


def _bouts_between(pairs: pl.DataFrame, cohort: Cohort, visits: pl.DataFrame) -> pl.DataFrame:
    """Give the bouts after the first test and before the last, in their order."""
    ends = pairs.select(*_COURSE, "event", "event_after", "visit_number", "visit_number_after")
    with connect(ends=ends, bouts=cohort.bouts, visits=visits) as db:
        found: pl.DataFrame = db.sql(_BETWEEN).pl()
        return found


def _unmatched_course(
    placed: pl.DataFrame, pairs: pl.DataFrame, matched: pl.DataFrame, visits: pl.DataFrame
) -> pl.DataFrame:
    """Courses without a pair, shown at their first visit."""
    groups = placed.unique(_COURSE, keep="first", maintain_order=True)
    on = [c for c in TEST if c != "visit"]
    with_episode = matched.join(visits, on=VISIT, how="left").select(*on, "episode")
    rest = groups.join(with_episode, on=_COURSE, how="anti", nulls_equal=True)
    seen = pairs.select(_COURSE).with_columns(pl.lit(value=True).alias("has_two"))
    rest = rest.join(seen, on=_COURSE, how="left", nulls_equal=True)
    reason = (
        pl.when(pl.col("visit_number").is_null())
        .then(pl.lit(str(NoPair.ORDER_UNKNOWN)))
        .when("has_two")
        .then(pl.lit(str(NoPair.NO_TREATMENT)))
        .otherwise(pl.lit(str(NoPair.NO_RETEST)))
    )
    return rest.select(*TEST, "motion", reason.alias("reason"))


def _described(pairs: pl.DataFrame, cohort: Cohort) -> pl.DataFrame:
    """Add gain, change of pain and the attributes of patient, episode and visit."""
    visits = cohort.visits.select(*VISIT, "episode", "clinician", "period", "visit_number")
    people = cohort.patients.select(*PATIENT, "sex", "age_years", "activity")
    episodes = cohort.episodes.select(
        *PATIENT, "episode", "joint", "side", "condition", "duration_weeks"
    )
    before, after = pl.col("angle_hundredth_deg"), pl.col("angle_hundredth_deg_after")
    pain = pl.col("pain_0_10_after") - pl.col("pain_0_10")
    frame = (
        pairs.join(visits, on=VISIT, how="left")
        .join(people, on=PATIENT, how="left")
        .join(episodes, on=[*PATIENT, "episode", "joint", "side"], how="left", nulls_equal=True)
        .with_columns(
            (before / 100).alias("pretest_deg"),
            (after / 100).alias("retest_deg"),
            ((after - before) / 100).alias("gain_deg"),
            pl.col("pain_0_10").alias("pain_before"),
            pl.col("pain_0_10_after").alias("pain_after"),
            pain.round(1).alias("pain_change"),
            pl.col("sex", "activity", "condition").fill_null("not_recorded"),
        )
    )
    extra = [c for c in ("previous_bias", "previous_technique") if c in frame.columns]
    return frame.select(
        *TEST, "motion", "step", "episode", "clinician", "period", "visit_number",
        "pretest_deg", "retest_deg", "gain_deg", "pain_before", "pain_after", "pain_change", "end_feel",
        *ATTRIBUTES, *extra, "sex", "age_years", "activity", "condition", "duration_weeks",
    ).sort(*TEST, "step", nulls_last=False)  # fmt: skip
