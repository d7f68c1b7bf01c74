"""The dense oracle and the descriptions against lme4, at lme4's own variance parameters.

Source: data/lme4.json, made with lme4 1.1-31 and lmerTest 3.1-3 (R 4.2.2); see data/README.md. Here
no optimiser is involved: what is found to differ is a frame, a description or a formula.
"""

import numpy as np
import pytest

from pipeline.mixed_model.description import Method
from tests.reference.dense_mixed_model import (
    dense_fit,
    fixed_design,
    group_labels,
    optimum,
    random_design,
    type_three,
)
from tests.reference.mixed_model_descriptions import (
    MODELS,
    NAMES,
    component,
    in_order_of,
    r_group,
    r_term,
    reference_model,
)

METHODS = tuple(Method)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("name", NAMES)
def test_criterion_and_fixed_part_at_lme4s_theta(name, method):
    model = reference_model(name, method)
    expected = model.expected
    found = dense_fit(model.frame, model.description, expected["theta"])
    assert found.criterion == pytest.approx(expected["minus2_criterion"], abs=1e-6)
    assert np.sqrt(found.sigma2) == pytest.approx(expected["sigma"], rel=1e-9)
    places = in_order_of(fixed_design(model.frame, model.description)[0], expected["fixed"])
    errors = np.array([row["se"] for row in expected["fixed"]])
    difference = found.coefficients[places] - [row["estimate"] for row in expected["fixed"]]
    assert difference / errors == pytest.approx(np.zeros(len(errors)), abs=1e-9)
    covariance = found.covariance[np.ix_(places, places)]
    # A covariance of zero by design has no relative digits: the standard errors are the scale.
    scale = np.outer(errors, errors)
    assert covariance / scale == pytest.approx(np.array(expected["fixed_vcov"]) / scale, abs=1e-9)


@pytest.mark.parametrize("name", NAMES)
def test_variance_components_follow_from_theta(name):
    model = reference_model(name)
    start = 0
    for term in model.description.random:
        theta = model.expected["theta"][start : start + term.n_theta]
        start += term.n_theta
        variance = theta[0] ** 2 * model.expected["sigma"] ** 2
        found = component(model.expected, r_group(term), "(Intercept)")
        assert variance == pytest.approx(found, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("name", NAMES)
def test_conditional_modes_at_lme4s_theta(name, method):
    model = reference_model(name, method)
    found = dense_fit(model.frame, model.description, model.expected["theta"])
    start, n_checked = 0, 0
    for term in model.description.random:
        groups, z = random_design(model.frame, term)
        own = slice(start, start := start + z.shape[1])
        modes, deviations = (
            a[own].reshape(len(groups), -1) for a in (found.modes, found.mode_deviations)
        )
        for row in model.expected["blups"][r_group(term)]:
            place = groups.index(row["level"])
            for column, name_here in enumerate(term.columns):
                n_checked += 1
                value = row["value"][r_term(name_here)]
                assert modes[place, column] == pytest.approx(value, rel=1e-7, abs=1e-9)
                if "conditional_sd" in row:
                    deviation = row["conditional_sd"][r_term(name_here)]
                    assert deviations[place, column] == pytest.approx(deviation, rel=1e-6, abs=1e-7)
    assert n_checked >= 3


@pytest.mark.parametrize("name", ["machines_unbalanced", "shrout_fleiss_crossed"])
@pytest.mark.parametrize("method", METHODS)
def test_lme4s_optimum_is_one(name, method):
    model = reference_model(name, method)
    theta = model.expected["theta"]
    found, criterion = optimum(model.frame, model.description, np.array(theta) * 0.7 + 0.2)
    assert criterion == pytest.approx(model.expected["minus2_criterion"], abs=1e-7)
    assert found == pytest.approx(theta, rel=1e-4)


@pytest.mark.parametrize(
    "name", [n for n in NAMES if "F_tests_satterthwaite_type_III" in MODELS[n]["REML"]]
)
def test_marginal_hypotheses_give_lmertests_f(name):
    model = reference_model(name)
    found = dense_fit(model.frame, model.description, model.expected["theta"])
    hypotheses = type_three(model.frame, model.description)
    for row in model.expected["F_tests_satterthwaite_type_III"]:
        contrasts = hypotheses[tuple(row["term"].split(":"))]
        value = contrasts @ found.coefficients
        spread = contrasts @ found.covariance @ contrasts.T
        assert len(contrasts) == row["num_df"]
        f = value @ np.linalg.solve(spread, value) / len(contrasts)
        assert f == pytest.approx(row["F"], rel=1e-7, abs=1e-12)


def test_labels_of_nested_groups():
    model = reference_model("hips_long_rotation")
    assert group_labels(model.frame, ("person", "side"))[:3] == ["1:right", "1:left", "2:right"]
