"""Pairs: only the same patient, side, definition and instrument; everything else has a reason."""

import polars as pl
import pytest

from pipeline.cohort import build_cohort
from pipeline.pairing import match_pairs
from pipeline.retest import retest_records
from schemas.plan import PairKind
from schemas.table import TABLES

IR = "hip_internal_rotation_supine90_passive"
SEATED = "hip_internal_rotation_seated_passive"
GONIO, PHONE = "universal_goniometer", "phone_inclinometer"


def table(name, rows):
    """Rows of a canonical table; what is not given is null, or the usual value of a key."""
    usual = {
        "clinic": "c", "patient": "p", "visit": "v1", "joint": "hip", "side": "right", "trial": 1,
        "definition": IR, "instrument": GONIO, "end_feel": "capsular", "order_is_stated": True,
        "technique": "lateral_distraction", "grade_scale": "oscillatory", "grade": "III",
        "grade_modifier": "none", "bias_direction": "neutral", "bias_manner": "not_applicable",
        "sets": 2, "seconds_per_set": 30, "episode": "e",
    }  # fmt: skip
    columns = TABLES[name].columns
    full = [{c: (usual | row).get(c) for c in columns} for row in rows]
    return pl.DataFrame(full, schema=columns)


def measured(event, angle, **cells):
    return {"event": event, "angle_hundredth_deg": round(angle * 100)} | cells


def bout(event, **cells):
    return {"event": event} | cells


def cohort(tests, bouts=(), visits=()):
    visits = visits or [{"visit": "v1", "day_offset": 1, "period": "2026"}]
    return build_cohort(
        {
            "range_test": table("range_test", tests),
            "treatment": table("treatment", list(bouts)),
            "visit": table("visit", visits),
            "patient": table("patient", [{"sex": "female", "age_years": 60}]),
        },
        "hip",
    )


def gains(pairs):
    return pairs.frame["gain_deg"].to_list()


def reasons(pairs):
    return pairs.unmatched["reason"].to_list()


def test_the_pair_is_the_last_test_before_the_first_bout_and_the_first_after_the_last():
    records = cohort(
        [measured(1, 20), measured(2, 22), measured(4, 25), measured(6, 30.5), measured(7, 40)],
        [bout(3), bout(5)],
    )
    pairs = match_pairs(records, PairKind.WITHIN_VISIT)
    assert gains(pairs) == [8.5]
    row = pairs.frame.row(0, named=True)
    assert (row["pretest_deg"], row["retest_deg"], row["n_bouts_between"]) == (22.0, 30.5, 2)
    assert row["total_seconds"] == 120
    assert reasons(pairs) == []


def test_a_test_with_the_number_of_a_bout_counts_as_before_it():
    pairs = match_pairs(
        cohort([measured(2, 20), measured(3, 25)], [bout(2)]), PairKind.WITHIN_VISIT
    )
    assert gains(pairs) == [5.0]


def test_a_loss_of_range_is_a_negative_gain():
    assert gains(
        match_pairs(cohort([measured(1, 30), measured(3, 27.25)], [bout(2)]), PairKind.WITHIN_VISIT)
    ) == [-2.75]


def test_trials_of_one_event_count_as_their_mean_rounded_half_to_even():
    trials = [measured(1, 20.00), measured(1, 20.01, trial=2), measured(3, 25)]
    pairs = match_pairs(cohort(trials, [bout(2)]), PairKind.WITHIN_VISIT)
    assert pairs.frame["pretest_deg"].to_list() == [20.0]


@pytest.mark.parametrize(
    ("tests", "bouts", "expected"),
    [
        ([measured(1, 20), measured(2, 25)], [], ["no_treatment"]),
        ([measured(1, 20)], [bout(2)], ["no_retest"]),
        ([measured(3, 25)], [bout(2)], ["no_pretest"]),
        ([measured(1, 20), measured(3, 25)], [bout(2), bout(4)], ["before_last_bout"]),
        ([measured(1, 20), measured(3, 25, instrument=PHONE)], [bout(2)], ["no_pretest", "other_instrument"]),
        ([measured(1, 20), measured(3, 25, definition=SEATED)], [bout(2)], ["no_pretest", "other_test"]),
        ([measured(1, 20), measured(1, 30, side="left"), measured(3, 31, side="left")], [bout(2)],
         ["no_treatment", "other_side"]),
    ],
)  # fmt: skip
def test_a_test_without_a_pair_has_the_first_reason_that_applies(tests, bouts, expected):
    pairs = match_pairs(cohort(tests, bouts), PairKind.WITHIN_VISIT)
    assert gains(pairs) == []
    assert sorted(reasons(pairs)) == expected


@pytest.mark.parametrize(
    "other", [{"instrument": PHONE}, {"definition": SEATED}, {"side": "left"}, {"visit": "v2"}]
)
def test_nothing_but_the_same_test_of_the_same_side_is_matched(other):
    pairs = match_pairs(
        cohort([measured(1, 20), measured(3, 25, **other)], [bout(2), bout(2, **other)]),
        PairKind.WITHIN_VISIT,
    )
    assert gains(pairs) == []


def test_every_test_is_a_pair_or_has_one_reason():
    tests = [
        measured(1, 20),
        measured(3, 25),
        measured(1, 100, definition="hip_flexion_supine_passive"),
        measured(1, 9, side="left"),
    ]
    pairs = match_pairs(cohort(tests, [bout(2)]), PairKind.WITHIN_VISIT)
    assert pairs.frame.height + pairs.unmatched.height == 3


BIASED = {"bias_direction": "internal", "bias_manner": "combined"}


def test_steps_are_the_gains_around_single_bouts():
    records = cohort(
        [measured(1, 20), measured(3, 23), measured(5, 28)], [bout(2), bout(4, **BIASED)]
    )
    steps = match_pairs(records, PairKind.STEPWISE).frame.sort("step")
    assert steps["gain_deg"].to_list() == [3.0, 5.0]
    assert steps["bias_direction"].to_list() == ["neutral", "internal"]
    assert steps["previous_bias"].to_list() == [None, "neutral"]
    assert steps["sequence"].to_list() == ["neutral", "internal combined"]


def test_without_a_test_between_the_bouts_there_is_no_step():
    pairs = match_pairs(
        cohort([measured(1, 20), measured(5, 28)], [bout(2), bout(4)]), PairKind.STEPWISE
    )
    assert gains(pairs) == []
    assert reasons(pairs) == ["no_interim"]


@pytest.mark.parametrize(
    ("bouts", "direction", "technique", "sequence"),
    [
        ([bout(2), bout(3, **BIASED)], "internal", "lateral_distraction", "neutral → internal combined"),
        ([bout(2, **BIASED), bout(3, bias_direction="external", bias_manner="held")], "several",
         "lateral_distraction", "internal combined → external held"),
        ([bout(2), bout(3, technique="inferior_glide")], "neutral", "several", "neutral → neutral"),
        ([bout(2, bias_direction="not_recorded"), bout(3, **BIASED)], "not_recorded",
         "lateral_distraction", "not_recorded → internal combined"),
    ],
)  # fmt: skip
def test_an_exposure_is_never_silently_the_last_bout(bouts, direction, technique, sequence):
    row = match_pairs(
        cohort([measured(1, 20), measured(9, 28)], bouts), PairKind.WITHIN_VISIT
    ).frame.row(0, named=True)
    assert (row["bias_direction"], row["technique"], row["sequence"]) == (
        direction,
        technique,
        sequence,
    )


def test_a_course_runs_from_the_first_test_to_the_last():
    visits = [
        {"visit": v, "day_offset": d, "period": "2026"}
        for v, d in (("v1", 30), ("v2", 10), ("v3", 20))
    ]
    tests = [measured(1, 30, visit="v1"), measured(1, 20, visit="v2"), measured(1, 24, visit="v3")]
    records = cohort(tests, [bout(2, visit="v2"), bout(2, visit="v3"), bout(2, visit="v1")], visits)
    pairs = match_pairs(records, PairKind.COURSE)
    assert gains(pairs) == [10.0]
    assert pairs.frame["n_bouts_between"].to_list() == [
        2
    ]  # the bout after the last test is not between
    assert pairs.frame["visit"].to_list() == ["v2"]


@pytest.mark.parametrize(
    ("visits", "reason"),
    [
        ([{"visit": "v1"}, {"visit": "v2"}], "order_unknown"),
        ([{"visit": "v1", "day_offset": 5}, {"visit": "v2", "day_offset": 5}], "order_unknown"),
    ],
)
def test_a_course_needs_the_order_of_its_visits(visits, reason):
    records = cohort([measured(1, 20), measured(1, 30, visit="v2")], [bout(2)], visits)
    assert reasons(match_pairs(records, PairKind.COURSE)) == [reason]


def test_a_stated_order_serves_where_there_are_no_dates():
    visits = [{"visit": "v1", "stated_order": 1}, {"visit": "v2", "stated_order": 2}]
    records = cohort([measured(1, 20), measured(1, 30, visit="v2")], [bout(2)], visits)
    assert gains(match_pairs(records, PairKind.COURSE)) == [10.0]


def status(tests, bouts):
    records = cohort(tests, bouts)
    frame = retest_records(records, match_pairs(records, PairKind.WITHIN_VISIT)).frame
    return frame.select("status", "reason").rows()


FLEX = {"definition": "hip_flexion_supine_passive"}


@pytest.mark.parametrize(
    ("tests", "expected"),
    [
        ([measured(1, 20), measured(3, 25)], [("full", None)]),
        ([measured(1, 20, pain_0_10=3.0), measured(3, 25)], [("partial", "detail_missing")]),
        (
            [measured(1, 20), measured(3, 25, end_feel="not_recorded")],
            [("partial", "detail_missing")],
        ),
        (
            [measured(1, 20), measured(1, 90, **FLEX), measured(3, 25)],
            [("partial", "partly_retested")],
        ),
        ([measured(1, 20), measured(3, 25, instrument=PHONE)], [("partial", "other_instrument")]),
        ([measured(1, 20)], [("none", "no_retest")]),
        ([], [("none", "no_pretest")]),
        ([measured(3, 25)], [("partial", "no_pretest")]),
    ],
)
def test_a_treated_side_is_documented_in_full_in_part_or_not(tests, expected):
    assert status(tests, [bout(2)]) == expected


def test_an_untreated_side_owes_no_retest():
    assert status([measured(1, 20)], []) == []
