"""The gain model: what it answers, what it refuses, and what the three contrasts for the pretest do."""

import dataclasses

import numpy as np
import polars as pl
import pytest

from pipeline.gain_model import compare
from schemas.plan import Analysis, Plan
from synthetic_data.open_data.folder import open_data_folder

IR = "hip_internal_rotation_supine90_passive"
GONIO = "universal_goniometer"


def plan(sem=None, worthwhile=None):
    errors = [
        {
            "definition": IR,
            "instrument": GONIO,
            "sem_deg": sem,
            "conditions": "same_session",
            "source": "s",
        }
    ]
    return Plan.model_validate(
        {
            "report": "r", "version": 1, "date": "2026-01-01", "title": "t", "population": "p",
            "analyses": [technique().model_dump()],
            "measurement_error": errors if sem else [],
            "smallest_worthwhile": {"degrees": worthwhile, "source": "s"} if worthwhile else None,
        }
    )  # fmt: skip


def technique(levels=("lateral_distraction", "long_axis_distraction"), **changes):
    content = {
        "question": "technique", "motion": "internal_rotation", "levels": levels,
        "primary": {"first": levels[0], "second": levels[1]},
    }  # fmt: skip
    return Analysis.model_validate(content | changes)


def pairs(level, pretest, gain, patient, **columns):
    """Pairs as ``pipeline.analysis`` selects them."""
    n = len(gain)
    usual = {
        "clinic": ["c"] * n, "visit": ["1"] * n, "clinician": ["not_recorded"] * n, "side": ["left"] * n, "definition": [IR] * n, "instrument": [GONIO] * n,
        "bias": ["not_recorded"] * n, "grade": ["III"] * n,
        "pain_before": [4.0] * n, "pain_change": [-1.0] * n,
    }  # fmt: skip
    own = {
        "level": level,
        "patient": [str(p) for p in patient],
        "pretest_deg": pretest,
        "gain_deg": gain,
    }
    frame = pl.DataFrame(usual | own | columns, strict=False)
    return frame.with_columns(
        (pl.col("pretest_deg") + pl.col("gain_deg")).alias("retest_deg"),
        pl.col("level").alias("group"),
    )


def trial(shift=2.0, n=60, seed=0):
    rng = np.random.default_rng(seed)
    people = np.repeat(np.arange(n), 2)
    first = (people % 2).astype(bool)
    pretest = np.round(rng.normal(25, 6, 2 * n), 1)
    gain = np.round(3 + shift * first + rng.normal(0, 1, n)[people] + rng.normal(0, 1, 2 * n), 1)
    level = np.where(first, "lateral_distraction", "long_axis_distraction")
    return pairs(level.tolist(), pretest.tolist(), gain.tolist(), people.tolist())


def test_the_open_data_through_the_whole_comparison():
    """5.579 (SE 1.803): lme4 1.1-31 on the hips data (Chatfield 1995), see tests/reference."""
    rows = pl.read_csv(open_data_folder() / "hips.csv")
    levels = ("soft_tissue_stretch", "usual_care")
    frame = pairs(
        ["soft_tissue_stretch" if g == "treat" else "usual_care" for g in rows["grp"]],
        rows["rbef"].to_list(), (rows["raft"] - rows["rbef"]).to_list(), rows["person"].to_list(),
        side=rows["side"].to_list(),
    )  # fmt: skip
    found = compare(frame, technique(levels, covariates=("side",)), plan(), outcome="gain")
    cell = found.primary.cell
    assert (cell.value, cell.standard_error) == (5.57895, 1.80319)
    assert (cell.low, cell.high) == pytest.approx((1.92513, 9.23278), abs=1e-5)
    assert cell.degrees_of_freedom == pytest.approx(36.936, abs=1e-3)
    assert found.primary.verdict.word == "larger"
    assert [round(level.cell.value, 4) for level in found.levels] == [6.5756, 0.9966]
    assert (cell.n_patients, cell.n_pairs) == (12, 78)
    assert found.fit[-1].value == 454.149534
    assert found.adjusted_for == ("pretest", "side")


def test_a_primary_contrast_without_pairs_of_one_side_is_not_estimated_from_the_others():
    levels = ("inferior_glide", "lateral_distraction", "long_axis_distraction")
    found = compare(trial(), technique(levels), plan(), outcome="gain")
    cell = found.primary.cell
    assert (cell.value, cell.status, cell.n_patients) == (None, "n", 0)
    assert cell.note == "one of the two has no pairs"
    assert found.primary.verdict.word == "none"
    assert all(c.cell.value is None for c in found.pretest)
    assert found.cautious is None
    assert found.family[0].cell.value == pytest.approx(2.0, abs=1.0)  # the shift of the trial


def values(comparison):
    cells = [comparison.primary.cell, *(level.cell for level in comparison.levels)]
    return [(c.value, c.low, c.high, c.p_value) for c in cells]


def test_the_order_of_rows_and_the_names_of_patients_change_nothing():
    frame = trial()
    shuffled = frame.sample(fraction=1.0, shuffle=True, seed=3).with_columns(
        "x" + pl.col("patient")
    )
    found = [compare(f, technique(), plan(sem=2.0), outcome="gain") for f in (frame, shuffled)]
    assert values(found[0]) == values(found[1])
    assert found[0].pretest == found[1].pretest


def test_adding_a_constant_moves_the_means_and_not_the_contrast():
    one = compare(trial(), technique(), plan(), outcome="gain")
    moved = trial().with_columns(pl.col("gain_deg") + 10, pl.col("retest_deg") + 10)
    other = compare(moved, technique(), plan(), outcome="gain")
    assert other.primary.cell.value == pytest.approx(one.primary.cell.value, rel=1e-5)
    for a, b in zip(one.levels, other.levels, strict=True):
        assert b.cell.value == pytest.approx(a.cell.value + 10, rel=1e-5)


@pytest.mark.parametrize(
    ("shift", "worthwhile", "word"),
    [
        (3.0, None, "larger"),
        (-3.0, None, "smaller"),
        (0.0, 3.0, "alike"),
        (0.0, None, "unsure"),
        (0.0, 0.1, "unsure"),
    ],
)
def test_the_words_follow_from_the_interval(shift, worthwhile, word):
    found = compare(trial(shift), technique(), plan(worthwhile=worthwhile), outcome="gain")
    assert found.primary.verdict.word == word


def test_the_family_is_judged_by_simultaneous_intervals_and_holm():
    levels = ("lateral_distraction", "long_axis_distraction", "inferior_glide")
    rng = np.random.default_rng(5)
    people = np.repeat(np.arange(90), 2)
    level = np.array(levels)[people % 3]
    gain = np.round(3 + (people % 3 == 0) * 2 + rng.normal(0, 1.5, 180), 1)
    frame = pairs(
        level.tolist(), rng.normal(25, 5, 180).round(1).tolist(), gain.tolist(), people.tolist()
    )
    found = compare(frame, technique(levels), plan(), outcome="gain")
    assert [(c.first, c.second) for c in found.family] == [
        ("lateral distraction", "inferior glide"),
        ("long-axis distraction", "inferior glide"),
    ]
    for contrast in found.family:
        cell = contrast.cell
        assert cell.simultaneous_low < cell.low
        assert cell.simultaneous_high > cell.high
        # Two levels against a third, about 87 degrees of freedom: 2.27 at 60 and 2.24 at 120 in
        # Dunnett's table (1955, from memory).
        half = (cell.simultaneous_high - cell.simultaneous_low) / 2
        assert 2.24 < half / cell.standard_error < 2.27
    raw = sorted(c.cell.p_value for c in found.family)
    holm = sorted(c.cell.adjusted_p_value for c in found.family)
    assert holm == pytest.approx([min(1, 2 * raw[0]), max(raw[1], min(1, 2 * raw[0]))], rel=1e-4)
    assert found.primary.cell.adjusted_p_value is None


def chosen_by(what, n=4000, seed=11):
    """No true effect; the technique is chosen by the recorded pretest or by the true range."""
    rng = np.random.default_rng(seed)
    true = rng.normal(30, 8, n)
    recorded = true + rng.normal(0, 4, n)
    retest = true + 4 - 0.1 * (true - 30) + rng.normal(0, 2, n) + rng.normal(0, 4, n)
    by = recorded if what == "recorded" else true
    first = rng.random(n) < 1 / (1 + np.exp((by - 30) / 4))  # stiffer hips get the first technique
    level = np.where(first, "lateral_distraction", "long_axis_distraction")
    return pairs(
        level.tolist(),
        recorded.tolist(),
        (retest - recorded).tolist(),
        (np.arange(n) // 2).tolist(),
    )


@pytest.mark.parametrize(
    ("what", "right", "wrong"),
    [("recorded", "adjusted", ("unadjusted", "corrected")), ("true", "corrected", ("unadjusted", "adjusted"))],
)  # fmt: skip
def test_which_contrast_is_right_depends_on_what_the_treatment_was_chosen_by(what, right, wrong):
    """Simulated, true effect zero: the textbook reasoning behind publishing all three together."""
    found = compare(chosen_by(what), technique(), plan(sem=4.0), outcome="gain")
    cells = {c.cell.name.rpartition(".")[2]: c.cell for c in found.pretest}
    z = {name: cell.value / cell.standard_error for name, cell in cells.items()}
    assert abs(z[right]) < 3, z
    assert all(abs(z[name]) > 3 for name in wrong), z
    assert not found.pretest_agrees
    for name, expected in limits_of_chosen_by(what).items():
        assert cells[name].value == pytest.approx(expected, abs=3 * cells[name].standard_error)


def limits_of_chosen_by(what):
    """What the three contrasts of ``chosen_by`` tend to: least squares on its moments, by quadrature."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(80)
    true, error = np.meshgrid(30 + 8 * nodes, 4 * nodes)
    share = np.outer(weights, weights) / weights.sum() ** 2
    recorded = true + error
    by = recorded if what == "recorded" else true
    first = 1 / (1 + np.exp((by - 30) / 4))
    retest = true + 4 - 0.1 * (true - 30)

    def mean(values):
        return float((share * values).sum())

    cross = mean(first * recorded)
    square = np.array(
        [
            [1, mean(first), mean(recorded)],
            [mean(first), mean(first), cross],
            [mean(recorded), cross, mean(recorded**2)],
        ]
    )
    right = np.array([mean(retest), mean(first * retest), mean(recorded * retest)])
    gain = retest - recorded
    free = square - np.diag([0, 0, 4.0**2])
    return {
        "unadjusted": mean(first * gain) / mean(first) - mean((1 - first) * gain) / mean(1 - first),
        "adjusted": np.linalg.solve(square, right)[1],
        "corrected": np.linalg.solve(free, right)[1],
    }


def test_without_a_named_measurement_error_the_corrected_contrast_is_not_estimable():
    found = compare(trial(), technique(), plan(), outcome="gain")
    cell = found.pretest[2].cell
    assert (cell.value, cell.status) == (None, "n")
    assert "names no measurement error" in cell.note
    assert found.minimal_detectable_change is None
    assert (
        compare(trial(), technique(), plan(sem=3.0), outcome="gain").minimal_detectable_change.value
        == 8.31558
    )


def test_of_several_tests_the_largest_detectable_change_counts():
    other = {"definition": IR, "instrument": "phone_inclinometer", "sem_deg": 1.0,
             "conditions": "same_session", "source": "a better device"}  # fmt: skip
    both = plan(sem=3.0)
    errors = [*(e.model_dump() for e in both.measurement_error), other]
    both = Plan.model_validate(both.model_dump() | {"measurement_error": errors})
    frame = trial().with_columns(
        pl.when(pl.int_range(pl.len()) % 2 == 0).then(pl.lit(GONIO)).otherwise(pl.lit("phone_inclinometer"))
        .alias("instrument")
    )  # fmt: skip
    found = compare(frame, technique(), both, outcome="gain").minimal_detectable_change
    assert (found.value, found.note) == (8.31558, "s")


def test_a_pretest_that_is_all_error_is_not_corrected():
    found = compare(trial(), technique(), plan(sem=30.0), outcome="gain")
    assert found.pretest[2].cell.status == "n"
    assert found.primary.cell.value is not None


@pytest.mark.parametrize(
    ("frame", "problem"),
    [
        (trial().filter(pl.col("level") == "lateral_distraction"), "at least two levels are needed; found: lateral"),
        (trial().clear(), "found: none"),
        (trial().unique("patient", maintain_order=True), "No patient has more than one pair"),
        (trial().with_columns(pl.lit(2.0).alias("gain_deg")), "the same in all pairs"),
        (trial().filter(pl.col("patient") == "1").with_columns(pl.Series("level", ["lateral_distraction",
         "long_axis_distraction"])), "not two patients"),
    ],
)  # fmt: skip
def test_what_the_records_cannot_carry_is_said_and_nothing_is_estimated(frame, problem):
    found = compare(frame, technique(), plan(), outcome="gain")
    assert problem in found.problem
    assert found.primary is None
    assert found.levels == ()


def test_clinics_are_fixed_and_a_term_that_follows_from_others_is_named():
    frame = trial().with_columns(
        pl.when(pl.col("patient").cast(pl.Int64) < 30)
        .then(pl.lit("a"))
        .otherwise(pl.lit("b"))
        .alias("clinic")
    )
    frame = frame.with_columns(
        pl.when(pl.col("clinic") == "a").then(pl.lit("x")).otherwise(pl.lit("y")).alias("condition")
    )
    found = compare(frame, technique(covariates=("condition", "side")), plan(), outcome="gain")
    assert found.adjusted_for[-1] == "clinic"
    assert found.dropped == (
        "side: the same in all pairs",
        "condition, y: follows from other terms",
        "hip of a patient: one for each patient",
        "visit of a hip: one for each patient",
        "clinician: not recorded",
        "technique by clinic: fewer than five clinics",
    )
    assert "'a'" not in str(dataclasses.asdict(found)), "a clinic must not be named"


def test_pain_is_compared_in_points_and_its_sign_means_less_pain_when_negative():
    rng = np.random.default_rng(2)
    people = np.repeat(np.arange(60), 2)
    purpose = np.where(people % 2, "range", "pain")
    change = np.round(np.where(people % 2, -0.5, -1.5) + rng.normal(0, 0.5, 120), 1)
    frame = pairs(
        purpose.tolist(),
        [20.0 + p % 7 for p in people],
        [3.0 + p % 3 for p in people],
        people.tolist(),
    )
    frame = frame.with_columns(
        pl.Series("pain_change", change), pl.Series("pain_before", 3.0 + people % 5)
    )
    analysis = Analysis.model_validate({"question": "grade", "motion": "internal_rotation"})
    found = compare(frame, analysis, plan(), outcome="pain")
    assert found.primary.cell.unit == "points"
    assert found.primary.cell.value == pytest.approx(1.0, abs=0.2)
    assert [level.cell.value for level in found.levels] == pytest.approx([-1.5, -0.5], abs=0.15)
