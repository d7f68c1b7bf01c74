"""Corrected normal equations: unbiased, and with standard errors that are those of repetition."""

import numpy as np
import pytest

from pipeline.mixed_model.errors_in_variables import Measured, fit_corrected
from pipeline.mixed_model.fit import fit_mixed_model
from schemas.errors import ModelError

TERMS = ("one", "group", "pretest")


def draw(rng, n_groups=150, error_sd=3.0):
    """Two rows a group; outcome 1 + 2 x group + 0.7 x true pretest + group's part + residual."""
    groups = np.repeat(np.arange(n_groups), 2)
    true = rng.normal(0, 6, 2 * n_groups)
    first = (rng.random(2 * n_groups) < 1 / (1 + np.exp(true / 4))).astype(float)
    outcome = 1 + 2 * first + 0.7 * true + rng.normal(0, 2, n_groups)[groups]
    outcome += rng.normal(0, 2, 2 * n_groups)
    read = true + rng.normal(0, error_sd, 2 * n_groups)
    design = np.column_stack([np.ones(2 * n_groups), first, read])
    return Measured(outcome, design, groups, 2, np.full(2 * n_groups, error_sd**2))


def corrected(rows):
    return fit_corrected(fit_mixed_model(rows.outcome, rows.design, TERMS, rows.groups), rows)


def test_estimates_are_unbiased_and_standard_errors_are_those_of_repetition():
    rng = np.random.default_rng(20)
    fits = [corrected(draw(rng)) for _ in range(300)]
    found = np.array([fit.coefficients for fit in fits])
    errors = np.array([np.sqrt(np.diag(fit.covariance)) for fit in fits])
    truth = np.array([1.0, 2.0, 0.7])
    monte_carlo = found.std(axis=0, ddof=1) / np.sqrt(len(fits))
    assert np.all(np.abs(found.mean(axis=0) - truth) < 3.5 * monte_carlo)
    # A standard deviation of 300 repeats is itself known to about 4 %.
    assert np.median(errors, axis=0) == pytest.approx(found.std(axis=0, ddof=1), rel=0.12)


def test_without_error_the_coefficients_are_those_of_generalised_least_squares():
    rows = draw(np.random.default_rng(2), error_sd=0.0)
    model = fit_mixed_model(rows.outcome, rows.design, TERMS, rows.groups)
    assert fit_corrected(model, rows).coefficients == pytest.approx(model.coefficients, rel=1e-9)


def test_the_order_of_rows_changes_no_bit():
    rows = draw(np.random.default_rng(3))
    order = np.random.default_rng(4).permutation(len(rows.outcome))
    shuffled = Measured(
        rows.outcome[order], rows.design[order], rows.groups[order], 2, rows.error_variance[order]
    )
    one, other = corrected(rows), corrected(shuffled)
    assert np.array_equal(one.coefficients, other.coefficients)
    assert np.array_equal(one.covariance, other.covariance)


def test_a_pretest_that_is_error_alone_is_refused():
    rows = draw(np.random.default_rng(5))
    model = fit_mixed_model(rows.outcome, rows.design, TERMS, rows.groups)
    too_much = Measured(
        rows.outcome, rows.design, rows.groups, 2, np.full(len(rows.outcome), 900.0)
    )
    with pytest.raises(ModelError) as refused:
        fit_corrected(model, too_much)
    assert "measurement error" in refused.value.problem
    assert refused.value.remedy
