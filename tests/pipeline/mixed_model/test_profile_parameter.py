"""Parameters that are held: they come back as they went in, and their derivatives are right."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.mixed_model.description import Method, RandomTerm
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.profile_parameter import deviance, variance_parameters

THREE = (RandomTerm(by=("patient",), slopes=("visit", "pretest")), RandomTerm(by=("clinician",)))


@pytest.fixture(params=["outer_slope", "apart", "three"])
def model(request, clinic_rows, describe):
    if request.param == "three":
        return fit(clinic_rows(), describe(random=THREE, method=Method.ML))
    return fit(clinic_rows(), describe(request.param, method=Method.ML))


def somewhere(model):
    """The model at parameters that are no optimum, and at no boundary."""
    theta = np.where(np.abs(model.theta) < 0.02, 0.02, model.theta) + 0.01
    components, start = [], 0
    for component in model.components:
        size = len(component.columns)
        components.append(replace(component, covariance=np.eye(size)))
        start += component.term.n_theta
    return replace(model, theta=theta, components=tuple(components))


def test_held_at_its_own_value_everything_comes_back(model):
    model = somewhere(model)
    sigma = np.sqrt(model.sigma2)
    for parameter in variance_parameters(model):
        free = parameter.free(model.theta, sigma)
        held = parameter.held(free, parameter.value(model), len(model.theta))
        assert held.factors == pytest.approx(model.theta * sigma, rel=1e-10)
        assert held.log_sigma == pytest.approx(np.log(sigma))


def test_the_value_is_held_wherever_the_others_go(model):
    model = somewhere(model)
    generator = np.random.default_rng(1)
    for parameter in variance_parameters(model):
        free = parameter.free(model.theta, np.sqrt(model.sigma2))
        free = free + generator.normal(0, 0.2, len(free))
        value = 0.37
        held = parameter.held(free, value, len(model.theta))
        sigma = np.exp(held.log_sigma)
        moved = replace(model, theta=held.factors / sigma, sigma2=sigma**2)
        assert parameter.value(moved) == pytest.approx(value, rel=1e-9)


def test_gradients_are_the_differences_of_the_criterion(model):
    model = somewhere(model)
    for parameter in variance_parameters(model):
        free = parameter.free(model.theta, np.sqrt(model.sigma2)) * 1.1
        value = 0.8 * parameter.value(model)

        def at(x, parameter=parameter, value=value):
            return deviance(model.problem, parameter.held(x, value, len(model.theta)))

        gradient = at(free)[1]
        for place in range(len(free)):
            step = np.zeros(len(free))
            step[place] = 1e-5 * max(1.0, abs(free[place]))
            slope = (at(free + step)[0] - at(free - step)[0]) / (2 * step[place])
            assert gradient[place] == pytest.approx(slope, rel=2e-5, abs=2e-4)


def test_names_and_limits(clinic_rows, describe):
    model = fit(clinic_rows(), describe(random=THREE, method=Method.ML))
    model = somewhere(model)
    found = variance_parameters(model)
    assert [parameter.name for parameter in found] == [
        "sd of (intercept) by patient",
        "sd of visit by patient",
        "correlation of (intercept) and visit by patient",
        "sd of pretest by patient",
        "correlation of (intercept) and pretest by patient",
        "sd of (intercept) by clinician",
        "sigma",
    ]
    assert [parameter.limits for parameter in found[1:3]] == [(0.0, np.inf), (-1.0, 1.0)]
    zero = replace(model.components[0], covariance=np.zeros((3, 3)))
    without = variance_parameters(replace(model, components=(zero, model.components[1])))
    assert not any("correlation" in parameter.name for parameter in without)
