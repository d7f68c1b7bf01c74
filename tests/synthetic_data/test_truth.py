"""The true effects stand in the events: exactly without noise, and near it in what was read."""

import polars as pl
import pytest

from synthetic_data.network import make_network
from synthetic_data.truth import DEFINITIONS, TECHNIQUES, Truth

HIP = ["clinic", "patient", "visit", "side"]
TEST = [*HIP, "definition"]
INTO = pl.col("grade").is_in(["III", "IV"])
QUIET = Truth(
    day_sd_deg=0, clinic_sd_deg=0, clinician_sd_deg=0, patient_sd_deg=0, hip_sd_deg=0,
    visit_sd_deg=0, technique_by_clinic_sd_deg=0, pretest_slope=0, end_feel_deg=(0, 0, 0, 0),
    per_doubling_deg=0,
)  # fmt: skip


def block_of(network, block):
    return network.events.tests.filter((pl.col("block") == block) & (pl.col("trial") == 1))


def bouts_of(network, number):
    return network.events.bouts.filter(pl.col("bout") == number)


def gains(network, before, after, bout):
    """Gain from one block to another, true and as read, with the bout between."""
    columns = ["true_deg", "angle_deg", "pain_0_10"]
    return (
        block_of(network, before)
        .select(*TEST, *columns)
        .join(block_of(network, after).select(*TEST, *columns, "n_bouts"), on=TEST, suffix="_after")
        .join(bouts_of(network, bout), on=HIP)
        .with_columns(
            true_gain=pl.col("true_deg_after") - pl.col("true_deg"),
            gain=pl.col("angle_deg_after") - pl.col("angle_deg"),
            pain_change=pl.col("pain_0_10_after") - pl.col("pain_0_10"),
        )
    )


def relation():
    rotation = {"internal": DEFINITIONS[0], "external": DEFINITIONS[1]}
    toward = pl.col("bias_direction").replace_strict(rotation, default="")
    return (
        pl.when(pl.col("bias_direction") == "neutral")
        .then(pl.lit("neutral"))
        .when(pl.col("definition") == toward)
        .then(pl.lit("congruent"))
        .otherwise(pl.lit("opposed"))
    )


@pytest.fixture(scope="module")
def quiet():
    return make_network(3, 300, truth=QUIET)


@pytest.fixture(scope="module")
def large():
    return make_network(5, 8000)


def test_without_noise_a_single_neutral_bout_gains_what_the_truth_says(quiet):
    single = gains(quiet, "pretest", "retest", 1).filter(
        (pl.col("n_bouts") == 1) & (pl.col("bias_direction") == "neutral")
    )
    assert single.height > 100
    for row in single.iter_rows(named=True):
        expected = (
            QUIET.first_bout_gain_deg
            + QUIET.technique_deg[TECHNIQUES.index(row["technique"])]
            + QUIET.into_resistance_deg * (row["grade"] in {"III", "IV"})
            + QUIET.definition_deg[DEFINITIONS.index(row["definition"])]
        )
        assert row["true_gain"] == pytest.approx(expected, abs=1e-9)


def test_without_noise_a_second_bout_gains_by_its_bias(quiet):
    second = gains(quiet, "interim", "retest", 2).with_columns(relation=relation())
    # The share of the definition's own effect that falls on the second bout is taken off.
    own = {
        d: QUIET.second_bout_share * e
        for d, e in zip(DEFINITIONS, QUIET.definition_deg, strict=True)
    }
    net = pl.col("true_gain") - pl.col("definition").replace_strict(own)
    found = {
        (r, m): value
        for r, m, value in second.filter(pl.col("definition").is_in(DEFINITIONS[:2]))
        .group_by("relation", "bias_manner")
        .agg(net.mean())
        .iter_rows()
    }
    base = QUIET.second_bout_gain_deg
    assert found == {
        ("neutral", "not_applicable"): pytest.approx(base),
        ("congruent", "held"): pytest.approx(base + 0.75),
        ("congruent", "combined"): pytest.approx(base + 1.25),
        ("opposed", "held"): pytest.approx(base - 0.75),
        ("opposed", "combined"): pytest.approx(base - 0.25),
    }
    for definition, own_effect in ((DEFINITIONS[2], 0.2), (DEFINITIONS[3], -0.125)):
        other = second.filter(pl.col("definition") == definition)
        assert other["true_gain"].to_list() == pytest.approx([base + own_effect] * other.height)


def test_gains_as_read_are_near_the_truth(large):
    """Tolerances: about three standard errors, with patients as the unit."""
    first = gains(large, "pretest", "retest", 1)
    by_technique = dict(
        first.group_by("technique", INTO.alias("into"))
        .agg(pl.col("gain").mean())
        .group_by("technique")
        .agg(pl.col("gain").mean())
        .iter_rows()
    )
    technique = by_technique["lateral_distraction"] - by_technique["long_axis_distraction"]
    assert technique == pytest.approx(1.5, abs=0.35)
    grade = dict(first.group_by(INTO.alias("into")).agg(pl.col("gain").mean()).iter_rows())
    assert grade[True] - grade[False] == pytest.approx(3.0, abs=0.35)
    # SD of a gain between two readings: patient and hip 3.5, visit 1, clinician 1, two errors of 3.
    assert first["gain"].std() == pytest.approx(6.0, abs=0.6)
    equal_pain = first.filter(pl.col("pain_0_10") >= 4)  # away from the lower end of the scale
    pain = dict(equal_pain.group_by(INTO.alias("into")).agg(pl.col("pain_change").mean()).rows())
    assert pain[False] - pain[True] == pytest.approx(-0.6, abs=0.15)


def test_two_readings_of_one_pretest_differ_by_the_measurement_error(large):
    tests = large.events.tests.filter(
        (pl.col("block") == "pretest") & (pl.col("clinic") == "harbour")
    )
    twice = tests.filter(pl.col("trial") == 1).join(
        tests.filter(pl.col("trial") == 2), on=TEST, suffix="_again"
    )
    assert twice.height > 1000
    difference = (twice["angle_deg"] - twice["angle_deg_again"]).std()
    # SEM 3, and the rounding to 1 degree or, a quarter of the time, to 5 (variance 1/12 and 25/12).
    expected = (2 * (9 + 0.75 / 12 + 0.25 * 25 / 12)) ** 0.5
    assert difference == pytest.approx(expected, rel=0.05)


def test_retests_are_missing_more_often_where_little_was_gained(large):
    single = gains(large, "pretest", "retest", 1)
    done = block_of(large, "retest").select(*TEST, "is_done")
    mean = dict(
        single.join(done, on=TEST).group_by("is_done").agg(pl.col("true_gain").mean()).rows()
    )
    assert mean[True] - mean[False] > 0.5


def test_each_compared_cell_has_well_over_eleven_patients():
    network = make_network(20261031, 2400)
    first = gains(network, "pretest", "retest", 1).join(
        block_of(network, "retest").filter(pl.col("is_done")), on=TEST, how="semi"
    )
    cells = first.group_by("clinic", "technique", INTO.alias("into")).agg(
        pl.col("patient").n_unique()
    )
    assert cells.height == 6 * 3 * 2
    assert cells["patient"].min() >= 15
    second = gains(network, "interim", "retest", 2).filter(
        pl.col("definition").is_in(DEFINITIONS[:2])
    )
    cells = (
        second.with_columns(relation=relation())
        .group_by("relation", "bias_manner")
        .agg(pl.col("patient").n_unique())
    )
    assert cells.height == 5
    assert cells["patient"].min() >= 50
