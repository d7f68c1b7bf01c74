"""Likelihood-ratio tests against lme4, and what may not be compared.

Source: tests/reference/data/lme4.json (lme4 1.1-31, R 4.2.2), ``likelihood_ratio_tests``. Mixtures of
chi-squared: Self & Liang (1987), Stram & Lee (1994); p_half_mixture of the same file.
"""

from dataclasses import replace
from math import log, pi

import pytest
from scipy.stats import chi2

from pipeline.mixed_model.description import Method, RandomTerm
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.likelihood_ratio import likelihood_ratio_test, variance_test
from schemas.errors import ConvergenceError, ModelError
from tests.reference.mixed_model_descriptions import REFERENCE, SPECIFICATIONS, reference_model

TESTS = {test["id"]: test for test in REFERENCE["likelihood_ratio_tests"]}
LARGE = ("insteval_dept",)
PAIRS = [
    name
    for name, test in TESTS.items()
    if name not in LARGE and {test["smaller"], test["larger"]} <= set(SPECIFICATIONS)
]


def fitted(name, method=Method.ML):
    model = reference_model(name, method)
    return fit(model.frame, model.description)


def agrees(found, name):
    expected = TESTS[name]
    assert found.statistic == pytest.approx(expected["chisq"], abs=2e-6)
    assert found.degrees_of_freedom == expected["df"]
    assert found.p == pytest.approx(expected["p"], rel=1e-5)
    if expected.get("p_half_mixture") is None:
        assert found.p_boundary is None
    else:
        assert found.p_boundary == pytest.approx(expected["p_half_mixture"], rel=1e-5)


@pytest.mark.parametrize("name", PAIRS)
def test_pairs_of_models_agree_with_lme4(name):
    agrees(
        likelihood_ratio_test(fitted(TESTS[name]["smaller"]), fitted(TESTS[name]["larger"])), name
    )


def test_the_list_of_pairs_is_not_empty():
    assert len(PAIRS) == 6


@pytest.mark.parametrize(
    ("model", "term", "name"),
    [
        ("hips_rotation_gain", 0, "hips_random_intercept"),  # least squares is left
        ("pastes_nested", 0, "pastes_sample"),
    ],
)
def test_a_variance_against_zero_agrees_with_lme4(model, term, name):
    agrees(variance_test(fitted(model), term), name)


def test_restricted_likelihood_against_least_squares():
    # REML of a one-way layout by hand: with s the residual sum of squares of least squares,
    # (n - 1) (1 + log(2 pi s / (n - 1))) + log n.
    model = fitted("dyestuff", Method.REML)
    frame = reference_model("dyestuff").frame["Yield"]
    rest = float(((frame - frame.mean()) ** 2).sum())
    alone = 29 * (1 + log(2 * pi * rest / 29)) + log(30)
    found = variance_test(model, 0)
    assert found.statistic == pytest.approx(alone - model.criterion, abs=1e-8)
    assert found.p_boundary == pytest.approx(chi2.sf(found.statistic, 1) / 2, rel=1e-9)


def test_reml_of_the_same_fixed_part_is_allowed():
    smaller, larger = (fitted(n, Method.REML) for n in ("sleepstudy_ri", "sleepstudy_rs_corr"))
    found = likelihood_ratio_test(smaller, larger)
    # Minus twice the restricted log-likelihoods that lme4 gives: 1786.46508539 and 1743.62827196.
    assert found.statistic == pytest.approx(1786.46508539 - 1743.62827196, abs=1e-6)
    assert found.p_boundary == pytest.approx(
        (chi2.sf(found.statistic, 1) + chi2.sf(found.statistic, 2)) / 2, rel=1e-6
    )


def test_several_variances_at_once_have_no_simple_mixture():
    found = variance_test(fitted("sleepstudy_rs_corr"), 0)
    assert found.degrees_of_freedom == 3
    assert found.p_boundary is None


def test_a_variance_estimated_at_zero():
    # lme4, REML: the variance of flexion between a person's hips is zero, that of persons is not.
    model = fitted("hips_long_flexion_zero_variance", Method.REML)
    hip, person = variance_test(model, 0), variance_test(model, 1)
    assert hip.statistic == pytest.approx(0.0, abs=1e-6)
    assert hip.p == pytest.approx(1.0, abs=1e-3)
    assert person.statistic > 10.0
    assert person.p_boundary == pytest.approx(person.p / 2, rel=1e-9)


def test_a_smaller_model_at_its_boundary_has_no_simple_mixture():
    smaller, larger = fitted("pastes_batch_only"), fitted("pastes_nested")
    assert likelihood_ratio_test(smaller, larger).p_boundary is not None
    zero = replace(smaller, components=(replace(smaller.components[0], is_singular=True),))
    assert likelihood_ratio_test(zero, larger).p_boundary is None


def test_a_statistic_of_zero_is_no_evidence():
    found = variance_test(fitted("dyestuff2_singular"), 0)
    assert found.statistic == 0.0
    assert found.p == 1.0
    assert found.p_boundary == 1.0


def refused(smaller, larger, *words):
    with pytest.raises(ModelError) as error:
        likelihood_ratio_test(smaller, larger)
    assert error.value.place == "likelihood-ratio test"
    for word in words:
        assert word in str(error.value)


def test_reml_with_different_fixed_parts_is_refused():
    names = ("hips_rotation_gain_unadjusted", "hips_rotation_gain")
    refused(*(fitted(n, Method.REML) for n in names), "restricted likelihood", "Fit both by ML")


def test_two_methods_are_refused():
    one, other = fitted("sleepstudy_ri", Method.REML), fitted("sleepstudy_rs_corr")
    refused(one, other, "one model was fitted by REML", "Fit both by ML")


def test_other_rows_are_refused():
    model = reference_model("hips_rotation_gain", Method.ML)
    smaller = fitted("hips_rotation_gain_unadjusted")
    refused(
        smaller,
        fit(model.frame[:-1], model.description),
        "different rows",
        "78 and 77",
        "every value",
    )


def test_another_outcome_is_refused():
    refused(fitted("hips_flexion_gain"), fitted("hips_rotation_gain_interaction"), "outcomes")


def test_a_model_that_is_no_part_is_refused():
    refused(fitted("sleepstudy_rs_corr"), fitted("sleepstudy_ri"), "not part of the larger")
    model = reference_model("machines_nested", Method.ML)
    crossed = model.description.model_copy(update={"random": (RandomTerm(by=("Machine",)),)})
    refused(fit(model.frame, crossed), fitted("machines_nested"), "not part of the larger")


def test_the_same_model_is_refused():
    refused(fitted("sleepstudy_ri"), fitted("sleepstudy_ri"), "same parameters")


def test_a_term_that_is_not_there_is_refused():
    with pytest.raises(ModelError, match="no random term 1") as error:
        variance_test(fitted("dyestuff"), 1)
    assert "from 0 to 0" in error.value.remedy


def test_a_larger_model_that_fits_worse_is_no_result():
    smaller, larger = fitted("sleepstudy_ri"), fitted("sleepstudy_rs_corr")
    worse = replace(larger, criterion=smaller.criterion + 1e-3)
    with pytest.raises(ConvergenceError, match="fits worse"):
        likelihood_ratio_test(smaller, worse)
