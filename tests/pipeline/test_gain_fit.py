"""The fits behind a comparison: what can't be told apart, whose error is corrected, what is a gain."""

import numpy as np
import polars as pl
import pytest

from pipeline.gain_model import compare
from schemas.plan import Analysis, Plan

TEST = "hip_internal_rotation_supine90_passive"
TECHNIQUES = ("lateral_distraction", "long_axis_distraction")


def plan(sem=None, conditions="same_session", smallest=11):
    error = {
        "definition": TEST,
        "instrument": "a",
        "sem_deg": sem,
        "conditions": conditions,
        "source": "s",
    }
    return Plan.model_validate(
        {
            "report": "r", "version": 1, "date": "2026-01-01", "title": "t", "population": "p",
            "analyses": [technique().model_dump()], "smallest_count": smallest,
            "measurement_error": [error] if sem else [],
        }
    )  # fmt: skip


def technique(**changes):
    primary = {"first": TECHNIQUES[0], "second": TECHNIQUES[1]}
    content = {
        "question": "technique",
        "motion": "internal_rotation",
        "levels": TECHNIQUES,
        "primary": primary,
    }
    return Analysis.model_validate(content | changes)


def given(question, **changes):
    return Analysis.model_validate({"question": question, "motion": "internal_rotation"} | changes)


def pairs(n=120, seed=4, levels=TECHNIQUES, **columns):
    rng = np.random.default_rng(seed)
    people = np.repeat(np.arange(n), 2)
    level = [levels[i] for i in rng.integers(0, len(levels), 2 * n)]
    pretest = np.round(rng.normal(25, 6, 2 * n), 1)
    gain = np.round(
        12 - 0.3 * pretest + 2.0 * np.array([x == levels[0] for x in level])
        + rng.normal(0, 1, n)[people] + rng.normal(0, 1, 2 * n), 1,
    )  # fmt: skip
    frame = pl.DataFrame(
        {
            "clinic": "c", "patient": [str(p) for p in people], "side": "left", "definition": TEST,
            "visit": ["1", "2"] * n, "clinician": "not_recorded",
            "instrument": "a", "bias": "not_recorded", "grade": "III", "level": level, "group": level,
            "pretest_deg": pretest, "gain_deg": gain, "retest_deg": pretest + gain,
            "pain_before": 4.0 + people % 5, "pain_change": np.round(rng.normal(-1, 1, 2 * n), 1),
        }
    )  # fmt: skip
    return frame.with_columns(**columns)


def of_person(expression_of_number):
    return expression_of_number(pl.col("patient").cast(pl.Int64))


def three_clinics(number):
    return (
        pl.when(number < 50)
        .then(pl.lit("x"))
        .when(number < 90)
        .then(pl.lit("y"))
        .otherwise(pl.lit("z"))
    )


def test_levels_corrected_for_the_pretest_are_gains_not_retests():
    adjusted = compare(pairs(), technique(), plan(sem=1e-4), outcome="gain")
    corrected = compare(pairs(), technique(pretest="corrected"), plan(sem=1e-4), outcome="gain")
    assert corrected.primary_pretest == "corrected"
    for one, other in zip(adjusted.levels, corrected.levels, strict=True):
        assert other.cell.value == pytest.approx(one.cell.value, rel=1e-4)


def test_without_measurement_error_the_corrected_contrast_is_the_adjusted_one():
    found = {
        c.cell.name.rpartition(".")[2]: c.cell
        for c in compare(pairs(), technique(), plan(sem=1e-4), outcome="gain").pretest
    }
    assert found["corrected"].value == pytest.approx(found["adjusted"].value, rel=1e-5)
    # Another formula (a sandwich over patients), so near but not the same.
    assert found["corrected"].standard_error == pytest.approx(
        found["adjusted"].standard_error, rel=0.2
    )


def test_the_correction_gives_back_the_slope_that_error_took():
    """Errors of variance 9 on a pretest of variance 36: the slope shrinks to 0.8, and is given back."""
    rng = np.random.default_rng(8)
    n = 4000
    true = rng.normal(30, 6, n)
    level = np.where(rng.random(n) < 1 / (1 + np.exp((true - 30) / 4)), *TECHNIQUES)
    recorded = true + rng.normal(0, 3, n)
    retest = 10 + 0.7 * true + rng.normal(0, 3, n)
    frame = pairs(n // 2).with_columns(
        pl.Series("level", level), pl.Series("pretest_deg", recorded),
        pl.Series("retest_deg", retest), pl.Series("gain_deg", retest - recorded),
    )  # fmt: skip
    found = {
        c.cell.name.rpartition(".")[2]: c.cell
        for c in compare(frame, technique(), plan(sem=3.0), outcome="gain").pretest
    }
    assert abs(found["corrected"].value) < 3 * found["corrected"].standard_error
    assert found["adjusted"].value < -3 * found["adjusted"].standard_error


def test_an_instrument_that_only_one_clinic_has_goes_with_that_clinic():
    clinic = of_person(three_clinics)
    frame = pairs(
        clinic=clinic, instrument=pl.when(clinic == "z").then(pl.lit("b")).otherwise(pl.lit("a"))
    )
    with_instrument = compare(frame, technique(covariates=("instrument",)), plan(), outcome="gain")
    without = compare(frame, technique(), plan(), outcome="gain")
    assert [lv.cell.value for lv in with_instrument.levels] == [
        lv.cell.value for lv in without.levels
    ]
    assert with_instrument.primary.cell.value == without.primary.cell.value
    assert with_instrument.dropped[0] == "instrument, b: follows from other terms"
    assert with_instrument.dropped[1:] == without.dropped


def test_techniques_that_each_belong_to_one_clinic_are_not_compared():
    frame = pairs(clinic=pl.col("level").str.slice(0, 2))
    found = compare(frame, technique(), plan(), outcome="gain")
    assert (found.primary.cell.status, found.primary.cell.value) == ("n", None)
    assert found.primary.verdict.word == "none"
    assert "can't tell" in found.primary.cell.note


@pytest.mark.parametrize(
    ("question", "levels", "covariate"),
    [("bias", ("congruent_held", "neutral", "opposed"), "bias_relation"), ("grade", ("range", "pain"), "purpose")],
)  # fmt: skip
def test_a_covariate_that_repeats_what_is_compared_is_left_out(question, levels, covariate):
    frame = pairs(levels=levels).with_columns(pl.col("level").alias(covariate))
    found = compare(frame, given(question, covariates=(covariate,)), plan(), outcome="gain")
    plain = compare(frame, given(question), plan(), outcome="gain")
    assert found.primary == plain.primary
    assert found.adjusted_for == plain.adjusted_for


def test_pain_has_no_named_error_and_keeps_the_adjusted_contrast():
    frame = pairs(levels=("range", "pain"))
    found = compare(frame, given("grade", pretest="corrected"), plan(sem=2.0), outcome="pain")
    assert found.problem == ""
    assert found.primary_pretest == "adjusted"
    assert found.pretest[2].cell.status == "n"


@pytest.mark.parametrize(("conditions", "kind", "is_known"), [
    ("same_session", "within_visit", True), ("between_days", "within_visit", False),
    ("between_days", "course", True), ("same_session", "course", False),
])  # fmt: skip
def test_errors_between_days_and_within_a_session_are_never_mixed(conditions, kind, is_known):
    found = compare(pairs(), technique(pair=kind), plan(2.0, conditions), outcome="gain")
    assert (found.minimal_detectable_change is not None) == is_known
    assert (found.pretest[2].cell.value is not None) == is_known


def test_a_small_level_is_left_out_of_a_mean_that_would_give_it_away():
    frame = pairs(levels=("congruent_combined", "neutral"))
    few = (
        pl.when(of_person(lambda n: n < 5))
        .then(pl.lit("congruent_held"))
        .otherwise(pl.col("level"))
    )
    found = compare(frame.with_columns(few.alias("level")), given("bias"), plan(), outcome="gain")
    assert found.primary.first == "congruent bias combined"
    both = compare(
        frame.with_columns(few.alias("level")), given("bias"), plan(smallest=2), outcome="gain"
    )
    assert both.primary.first == "congruent bias"


def test_a_zero_variance_between_patients_gives_a_cautious_interval_beside_the_usual_one():
    rng = np.random.default_rng(1)
    frame = pairs(30)
    noise = rng.normal(0, 1, 30)
    one = np.column_stack([noise, -noise]).ravel()  # each patient's mean is the same
    gain = np.round(one + 5 + (frame["level"] == TECHNIQUES[0]).to_numpy(), 2)
    frame = frame.with_columns(pl.Series("gain_deg", gain))
    found = compare(frame, technique(pretest="unadjusted"), plan(), outcome="gain")
    assert found.variances[0].value == 0
    assert "zero" in found.variances[0].note
    cell, cautious = found.primary.cell, found.cautious
    assert cell.degrees_of_freedom == 58  # 60 pairs less 2 terms
    # 30 patients less the intercept: the level differs within patients as well as between them.
    assert cautious.degrees_of_freedom == 29
    # Student's t tables: 2.045 at 29 degrees of freedom, two-sided 5 %.
    assert (cautious.high - cell.value) / cell.standard_error == pytest.approx(2.045, abs=5e-4)
    assert cautious.value == cell.value
    assert cautious.name == "technique.internal_rotation.gain.primary.cautious"
    assert cautious.note == "patients, less the terms that differ only between patients"
