"""Description of a model: what cannot be meant is refused when it is made."""

import pytest
from pydantic import ValidationError

from pipeline.mixed_model.description import (
    Factor,
    Interaction,
    Method,
    ModelDescription,
    Number,
    RandomTerm,
    Spline,
)

BY_HIP = RandomTerm(by=("patient", "side"), slopes=("t",))
TECHNIQUE, PRETEST = Factor(name="technique", levels=("lateral",)), Number(name="pretest")
SECONDS = Spline(name="seconds", knots=(30.0, 60.0), boundary=(5.0, 120.0))
BOTH = Interaction(of=("technique", "pretest"))
MODEL = ModelDescription(
    outcome="gain",
    fixed=(TECHNIQUE, PRETEST, SECONDS, BOTH),
    random=(BY_HIP, RandomTerm(by=("clinic",), slopes=("t", "pretest"), intercept=False)),
    weights="n_readings",
)


def test_a_description_survives_json():
    again = ModelDescription.model_validate_json(MODEL.model_dump_json())
    assert again == MODEL
    assert [type(term) for term in again.fixed] == [Factor, Number, Spline, Interaction]
    assert hash(again) == hash(MODEL)


def test_json_says_each_kind_and_the_method():
    content = MODEL.model_dump(mode="json")
    assert [term["kind"] for term in content["fixed"]] == [
        "factor",
        "number",
        "spline",
        "interaction",
    ]
    assert content["method"] == "reml"
    assert content["random"][0] == {
        "by": ["patient", "side"],
        "slopes": ["t"],
        "intercept": True,
        "correlated": True,
    }


def test_what_the_terms_name():
    assert [term.name for term in MODEL.main_terms] == ["technique", "pretest", "seconds"]
    assert MODEL.slopes == ("t", "pretest")
    assert MODEL.grouping == ("patient", "side", "clinic")
    assert [term.name for term in MODEL.random] == ["patient × side", "clinic"]
    assert [term.columns for term in MODEL.random] == [("(intercept)", "t"), ("t", "pretest")]
    assert MODEL.method is Method.REML


@pytest.mark.parametrize(
    ("slopes", "intercept", "correlated", "n_theta"),
    [
        ((), True, True, 1),
        (("t",), True, True, 3),  # two variances and a covariance
        (("t",), True, False, 2),
        (("t", "u"), True, True, 6),
        (("t",), False, True, 1),
    ],
)
def test_variance_parameters_are_a_lower_triangle(slopes, intercept, correlated, n_theta):
    term = RandomTerm(by=("clinic",), slopes=slopes, intercept=intercept, correlated=correlated)
    assert term.n_theta == n_theta


@pytest.mark.parametrize(
    ("knots", "boundary"),
    [
        ((60.0, 30.0), (5.0, 120.0)),
        ((30.0, 30.0), (5.0, 120.0)),
        ((5.0,), (5.0, 120.0)),
        ((130.0,), (5.0, 120.0)),
        ((30.0,), (120.0, 5.0)),
        ((float("nan"),), (5.0, 120.0)),
    ],
)
def test_knots_increase_between_the_boundary_knots(knots, boundary):
    with pytest.raises(ValidationError, match="knots must increase"):
        Spline(name="seconds", knots=knots, boundary=boundary)


def test_a_spline_has_an_inner_knot_and_an_interaction_two_parts():
    with pytest.raises(ValidationError, match="at least 1 item"):
        Spline(name="seconds", knots=(), boundary=(0.0, 1.0))
    with pytest.raises(ValidationError, match="at least 2 items"):
        Interaction(of=("technique",))


def test_a_random_term_varies_something_by_something():
    with pytest.raises(ValidationError, match="neither intercept nor slope"):
        RandomTerm(by=("clinic",), intercept=False)
    with pytest.raises(ValidationError, match="at least 1 item"):
        RandomTerm(by=())


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"fixed": (TECHNIQUE, Number(name="technique"))}, "a fixed term occurs twice"),
        ({"fixed": (TECHNIQUE, BOTH)}, r"\['pretest'\]: not a term"),
        ({"random": (BY_HIP, RandomTerm(by=("side", "patient")))}, "a random term occurs twice"),
        ({"random": (RandomTerm(by=("clinic",), slopes=("t", "t")),)}, "occurs twice"),
        ({"random": ()}, "at least 1 item"),
        ({"method": "bayes"}, "'reml' or 'ml'"),
        ({"formula": "gain ~ 1"}, "Extra inputs are not permitted"),
    ],
)
def test_what_cannot_be_meant_is_refused(changed, message):
    content = {"outcome": "gain", "random": (BY_HIP,)} | changed
    with pytest.raises(ValidationError, match=message):
        ModelDescription(**content)


def test_level_and_slope_may_vary_apart_by_the_same_groups():
    level, slope = (
        RandomTerm(by=("clinic",)),
        RandomTerm(by=("clinic",), slopes=("t",), intercept=False),
    )
    assert ModelDescription(outcome="gain", random=(level, slope)).random == (level, slope)


def test_a_description_is_not_changed():
    with pytest.raises(ValidationError, match="frozen"):
        MODEL.outcome = "pain"
