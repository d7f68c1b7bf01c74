"""Which pairs a question uses: each has one reason to be left out, or none."""

import polars as pl
import pytest

from pipeline.analysis.bias import select_for_bias
from pipeline.analysis.grade import select_for_grade
from pipeline.analysis.technique import select_for_technique
from schemas.plan import Analysis

USUAL = {
    "clinic": "c", "patient": "p", "motion": "internal_rotation", "technique": "lateral_distraction",
    "purpose": "range", "bias_direction": "neutral", "bias_manner": "not_applicable", "step": None,
    "previous_bias": None, "pain_before": 5.0, "pain_change": -1.0, "age_years": 60, "grade": "III",
}  # fmt: skip
KINDS = {
    "step": pl.Int64,
    "previous_bias": pl.String,
    "pain_before": pl.Float64,
    "pain_change": pl.Float64,
}


def frame(*rows):
    return pl.DataFrame([USUAL | row for row in rows], schema_overrides=KINDS)


def technique(**changes):
    content = {
        "question": "technique", "motion": "internal_rotation",
        "levels": ["lateral_distraction", "long_axis_distraction"],
        "primary": {"first": "lateral_distraction", "second": "long_axis_distraction"},
    }  # fmt: skip
    return Analysis.model_validate(content | changes)


BIAS = Analysis.model_validate({"question": "bias", "motion": "internal_rotation"})
GRADE = Analysis.model_validate({"question": "grade", "motion": "internal_rotation"})


def reasons(selection):
    return {cell.name.rpartition(".")[2]: cell.value for cell in selection.not_modelled}


def test_techniques():
    rows = frame(
        {}, {"technique": "long_axis_distraction"}, {"technique": "several"}, {"technique": "inferior_glide"},
        {"technique": None}, {"purpose": "thrust"}, {"bias_direction": "several"}, {"motion": "flexion"},
        {"age_years": None},
    )  # fmt: skip
    found = select_for_technique(rows, technique(covariates=("age_years",)), "n")
    assert found.pairs["level"].to_list() == ["lateral_distraction", "long_axis_distraction"]
    assert reasons(found) == {
        "out_of_scope": 1, "several_techniques": 1, "not_recorded": 1, "not_compared": 1, "several_biases": 1,
        "missing_covariate": 1,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("direction", "manner", "motion", "relation"),
    [
        ("internal", "held", "internal_rotation", "congruent_held"),
        ("internal", "combined", "internal_rotation", "congruent_combined"),
        ("external", "held", "internal_rotation", "opposed"),
        ("external", "combined", "external_rotation", "congruent_combined"),
        ("neutral", "not_applicable", "external_rotation", "neutral"),
        ("internal", "not_recorded", "internal_rotation", "not_recorded"),
        ("not_recorded", "not_recorded", "internal_rotation", "not_recorded"),
        ("internal", "held", "flexion", "not_applicable"),
    ],
)
def test_a_bias_is_congruent_or_opposed_to_the_tested_rotation_alone(
    direction, manner, motion, relation
):
    rows = frame({"bias_direction": direction, "bias_manner": manner, "motion": motion})
    assert select_for_technique(rows, technique(motion=motion), "n").pairs["bias"].to_list() == [
        relation
    ]


def test_biases_are_compared_at_the_second_step_after_a_neutral_first():
    biased = {"bias_direction": "internal", "bias_manner": "combined"}
    rows = frame(
        {"step": 1}, biased | {"step": 1}, biased | {"step": 2, "previous_bias": "neutral"},
        biased | {"step": 2, "previous_bias": "internal"}, {"step": 3, "previous_bias": "neutral"},
        {"step": 2, "previous_bias": "neutral"}, {"step": 2, "previous_bias": "neutral", "bias_direction": "not_recorded"},
    )  # fmt: skip
    found = select_for_bias(rows, BIAS, "n")
    assert sorted(found.pairs["level"].to_list()) == ["congruent_combined", "neutral"]
    assert reasons(found) == {"not_second_step": 4, "not_recorded": 1}


def test_grades_are_compared_by_purpose_and_pain_only_where_there_was_some():
    rows = frame(
        {}, {"purpose": "pain"}, {"purpose": "several"}, {"purpose": "not_stated"}, {"purpose": "thrust"},
        {"pain_before": 1.0}, {"pain_before": None}, {"pain_change": None}, {"pain_before": 2.0},
    )  # fmt: skip
    gain = select_for_grade(rows, GRADE, "n", "gain")
    assert gain.pairs.height == 6
    assert reasons(gain) == {"several_purposes": 1, "not_recorded": 1, "out_of_scope": 1}
    pain = select_for_grade(rows, GRADE, "n", "pain")
    assert pain.pairs["pain_before"].to_list() == [5.0, 5.0, 2.0]
    assert reasons(pain) == {
        "several_purposes": 1,
        "not_recorded": 1,
        "out_of_scope": 1,
        "little_pain": 3,
    }


def test_pairs_in_and_out_add_up():
    rows = frame({}, {"technique": "several"}, {"purpose": "thrust"})
    found = select_for_technique(rows, technique(), "n")
    assert found.pairs.height + sum(reasons(found).values()) == rows.height
