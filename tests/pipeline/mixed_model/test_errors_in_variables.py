"""Corrected normal equations: those written out, unbiased, with intervals that hold as often as they say."""

import numpy as np
import polars as pl
import pytest

from pipeline.mixed_model.contrast import estimate
from pipeline.mixed_model.degrees_of_freedom import satterthwaite
from pipeline.mixed_model.description import Factor, ModelDescription, Number, RandomTerm
from pipeline.mixed_model.errors_in_variables import correct_for_error
from pipeline.mixed_model.fit import fit
from schemas.errors import ModelError

GAIN = ModelDescription(
    outcome="gain",
    fixed=(Factor(name="arm"), Number(name="pretest")),
    random=(RandomTerm(by=("patient",)),),
)
RETEST = GAIN.model_copy(update={"outcome": "retest"})
ARM, PRETEST = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])
TRUE_ARM, TRUE_SLOPE, SEM = 2.0, -0.1, 3.0


def draw(rng, n=150, sem=SEM):
    """Two hips a patient; the arm is chosen by the true range, and so is the gain."""
    patient = np.repeat(np.arange(n), 2)
    true = rng.normal(0, 4, n)[patient] + rng.normal(0, 5, 2 * n)
    arm = rng.random(2 * n) < 1 / (1 + np.exp(-true / 4))
    gain = 4 + TRUE_ARM * arm + TRUE_SLOPE * true
    gain += rng.normal(0, 2, n)[patient] + rng.normal(0, 2, 2 * n)
    pretest = true + rng.normal(0, sem, 2 * n)
    retest = true + gain + rng.normal(0, SEM, 2 * n)
    arms = np.where(arm, "b", "a")
    return pl.DataFrame(
        {"patient": patient, "arm": arms, "pretest": pretest, "retest": retest}
    ).with_columns(gain=pl.col("retest") - pl.col("pretest"))


def corrected(rows, variance=SEM**2):
    return correct_for_error(fit(rows, GAIN), "pretest", variance, share_in_outcome=-1.0)


def test_estimates_are_unbiased_and_intervals_hold_as_often_as_they_say():
    rng = np.random.default_rng(20)
    n_repeats = 300
    found = {"arm": [], "pretest": [], "adjusted": []}
    for _ in range(n_repeats):
        model = corrected(draw(rng))
        found["arm"].append(estimate(model, ARM))
        found["pretest"].append(estimate(model, PRETEST))
        found["adjusted"].append(estimate(model.fitted, ARM))
    for name, truth in (("arm", TRUE_ARM), ("pretest", TRUE_SLOPE)):
        values = np.array([e.estimate for e in found[name]])
        spread = values.std(ddof=1)
        assert abs(values.mean() - truth) < 3 * spread / np.sqrt(n_repeats), name
        errors = np.array([e.standard_error for e in found[name]])
        # A standard deviation of 300 repeats is itself known to about 4 %.
        assert np.sqrt((errors**2).mean()) == pytest.approx(spread, rel=0.12), name
        share = np.mean([e.low < truth < e.high for e in found[name]])
        assert 0.93 <= share <= 0.97, name  # its own standard error is 0.013
    adjusted = np.array([e.estimate for e in found["adjusted"]])
    assert adjusted.mean() > TRUE_ARM + 1.0, "the recorded pretest hides part of the choice"


def test_the_equations_are_those_written_out_with_whole_matrices():
    rows, variance = draw(np.random.default_rng(7), n=40), 7.5
    found = corrected(rows, variance)
    model, s2 = found.fitted, found.fitted.sigma2
    z = (rows["patient"].to_numpy()[:, None] == np.arange(40)).astype(float)
    w = np.linalg.inv(np.eye(80) + model.theta[0] ** 2 * z @ z.T)
    x = np.column_stack(
        [np.ones(80), (rows["arm"] == "b").to_numpy().astype(float), rows["pretest"].to_numpy()]
    )
    c = variance * np.trace(w)
    m = np.linalg.inv(x.T @ w @ x - np.diag([0, 0, c]))
    beta = m @ x.T @ w @ rows["retest"].to_numpy()
    assert found.coefficients == pytest.approx(beta - PRETEST, rel=1e-9)
    inverse = np.linalg.inv(x.T @ w @ x)
    reliability = 1 - c * inverse[2, 2]
    assert found.reliability == pytest.approx(reliability, rel=1e-9)
    square = beta[2] ** 2 * variance
    meat = s2 * x.T @ w @ x + square * (1 - reliability) * x.T @ w @ w @ x
    meat[2, 2] += square * variance * np.trace(w @ w)
    # X'W²X and trace(W²) are derivatives by differences, good to about eight digits.
    assert found.covariance == pytest.approx(m @ meat @ m, rel=1e-6)
    weights = np.array([1.0, 0.5, 2.0])
    expected = satterthwaite(model, (m @ x.T @ w @ x).T @ weights)
    assert estimate(found, weights).degrees_of_freedom == pytest.approx(expected, rel=1e-9)


def test_without_error_nothing_is_corrected():
    model = fit(draw(np.random.default_rng(2)), GAIN)
    found = correct_for_error(model, "pretest", 0.0, share_in_outcome=-1.0)
    assert found.coefficients == pytest.approx(model.coefficients, rel=1e-12)
    assert found.covariance == pytest.approx(model.covariance, rel=1e-12)
    assert estimate(found, ARM) == estimate(model, ARM)


def test_a_gain_and_a_retest_differ_in_the_pretest_alone():
    rows = draw(np.random.default_rng(3))
    gain, retest = corrected(rows), correct_for_error(fit(rows, RETEST), "pretest", SEM**2)
    assert retest.coefficients - gain.coefficients == pytest.approx([0, 0, 1], abs=1e-8)
    assert retest.covariance == pytest.approx(gain.covariance, rel=1e-5)


def test_the_order_of_rows_changes_no_bit():
    rows = draw(np.random.default_rng(4))
    one, other = corrected(rows), corrected(rows.sample(fraction=1.0, shuffle=True, seed=1))
    assert np.array_equal(one.coefficients, other.coefficients)
    assert np.array_equal(one.covariance, other.covariance)


def test_a_pretest_that_is_error_alone_is_refused():
    with pytest.raises(ModelError, match="measurement error") as refused:
        corrected(draw(np.random.default_rng(5)), 900.0)
    assert "other two contrasts" in refused.value.remedy


def test_a_pretest_that_follows_from_other_terms_is_refused():
    rows = draw(np.random.default_rng(6)).with_columns(
        pretest=(pl.col("arm") == "b").cast(pl.Float64)
    )
    with pytest.raises(ModelError, match="can't be told apart"):
        corrected(rows, 0.01)


def test_precision_weights_are_refused():
    rows = draw(np.random.default_rng(6)).with_columns(weight=pl.lit(2.0))
    model = fit(rows, GAIN.model_copy(update={"weights": "weight"}))
    with pytest.raises(ModelError, match="precision weights"):
        correct_for_error(model, "pretest", 9.0)
