"""Holding a coefficient equals taking its column's share from the outcome, and fitting the rest."""

import numpy as np
import polars as pl
import pytest

from pipeline.mixed_model.criterion import evaluate
from pipeline.mixed_model.description import Factor, Method, Number
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.fixed_coefficient import with_coefficient
from pipeline.mixed_model.optimisation import minimise
from tests.reference.mixed_model_descriptions import reference_model

VALUE = -0.2


def offset(rows, value):
    return rows.with_columns(gain=pl.col("gain") - value * pl.col("pretest"))


def coefficients(point, problem):
    basis = problem.structure.basis
    return basis.start + basis.back @ point.solution.coefficients * basis.scale


def test_criterion_and_gradient_are_those_of_the_offset_outcome(clinic_rows, describe, model_name):
    rows = clinic_rows()
    model = fit(rows, describe(model_name, method=Method.ML))
    assert model.terms == ("(intercept)", "technique=lateral", "pretest")
    smaller = describe(
        model_name,
        method=Method.ML,
        fixed=(Factor(name="technique", levels=("long_axis", "lateral")),),
    )
    expected = fit(offset(rows, VALUE), smaller)
    held = with_coefficient(model.problem, 2, VALUE)
    for theta in (model.theta, expected.theta, 0.7 * model.theta + 0.1):
        found = evaluate(held, theta)
        other = evaluate(expected.problem, theta)
        assert found.value == pytest.approx(other.value, abs=1e-8)
        assert found.gradient == pytest.approx(other.gradient, abs=1e-7, rel=1e-8)
        assert found.residual == pytest.approx(other.residual, rel=1e-10)
        beta = coefficients(found, held)
        assert beta[2] == pytest.approx(VALUE, abs=1e-10)
        assert beta[:2] == pytest.approx(coefficients(other, expected.problem), rel=1e-8)
    found = minimise(held, model.theta)
    assert found.point.value == pytest.approx(expected.criterion, abs=1e-6)


def test_at_the_estimate_nothing_is_lost(clinic_rows, describe, model_name):
    model = fit(clinic_rows(), describe(model_name, method=Method.ML))
    for place, value in enumerate(model.coefficients):
        held = with_coefficient(model.problem, place, float(value))
        point = evaluate(held, model.theta)
        assert point.value == pytest.approx(model.criterion, abs=1e-8)
        assert coefficients(point, held) == pytest.approx(model.coefficients, rel=1e-7)


def test_the_level_alone():
    # Dyestuff with its level held at b: -2 log L of normal rows about b, at theta = 0 by hand.
    model = reference_model("dyestuff", Method.ML)
    fitted = fit(model.frame, model.description)
    held = with_coefficient(fitted.problem, 0, 1500.0)
    square = float(((model.frame["Yield"] - 1500.0) ** 2).sum())
    expected = 30 * (1 + np.log(2 * np.pi * square / 30))
    assert evaluate(held, np.zeros(1)).value == pytest.approx(expected, abs=1e-9)


def test_dependent_columns_stay_out(clinic_rows, describe):
    rows = clinic_rows().with_columns(again=pl.col("pretest") * 2.0)
    fixed = (Number(name="pretest"), Number(name="again"))
    model = fit(rows, describe("patient", method=Method.ML, fixed=fixed))
    assert model.dropped == ("again",)
    held = with_coefficient(model.problem, 1, VALUE)
    expected = fit(offset(rows, VALUE), describe("patient", method=Method.ML, fixed=()))
    assert minimise(held, model.theta).point.value == pytest.approx(expected.criterion, abs=1e-6)
