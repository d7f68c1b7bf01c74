"""What must not change a fit, and what changes it in a known way."""

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.mixed_model.contrast import estimate
from pipeline.mixed_model.description import Factor, Method, ModelDescription, Number, RandomTerm
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.merging import combine
from pipeline.mixed_model.sufficient_statistics import collect

FEW = settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))

DESCRIPTION = ModelDescription(
    outcome="gain",
    fixed=(Factor(name="technique"), Number(name="pretest")),
    random=(
        RandomTerm(by=("patient",)),
        RandomTerm(by=("patient", "side")),
        RandomTerm(by=("clinician",)),
        RandomTerm(by=("clinic", "technique")),
    ),
)


@st.composite
def clinics(draw):
    """Rows with every variance well above zero, so that each optimum is sharp."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n = draw(st.integers(300, 500))
    patient, side = rng.integers(0, 50, n), rng.integers(0, 2, n)
    clinic, clinician, technique = patient % 8, rng.integers(0, 12, n), rng.integers(0, 3, n)
    pretest = rng.normal(30, 6, n).round(1)
    gain = (
        rng.normal(0, 4, 50)[patient] + rng.normal(0, 3, (50, 2))[patient, side]
        + rng.normal(0, 3, 12)[clinician] + rng.normal(0, 3, (8, 3))[clinic, technique]
        - 0.3 * pretest + technique + rng.normal(0, 2, n)
    )  # fmt: skip
    return pl.DataFrame(
        {
            "patient": patient,
            "side": side,
            "clinic": clinic,
            "clinician": clinician,
            "technique": [("a", "b", "c")[t] for t in technique],
            "pretest": pretest,
            "gain": gain.round(2),
        }
    )


@FEW
@given(clinics(), st.integers(0, 100))
def test_order_and_partition_change_no_bit(rows, seed):
    expected = fit(rows, DESCRIPTION)
    shuffled = rows.sample(fraction=1.0, shuffle=True, seed=seed)
    parts = [collect(part, DESCRIPTION) for part in shuffled.partition_by("patient")]
    for found in (fit(shuffled, DESCRIPTION), fit(combine(parts), DESCRIPTION)):
        assert found.criterion == expected.criterion
        assert found.theta.tobytes() == expected.theta.tobytes()
        assert found.coefficients == pytest.approx(expected.coefficients, rel=1e-12)


@FEW
@given(clinics(), st.integers(1, 1000))
def test_labels_are_only_labels(rows, factor):
    expected = fit(rows, DESCRIPTION)
    renamed = rows.with_columns(
        ("x" + ((pl.col("patient") * 37 + factor) % 53).cast(pl.String)).alias("patient"),
        (-factor * pl.col("clinician")).alias("clinician"),
        pl.col("clinic").cast(pl.String).cast(pl.Categorical),
    )
    found = fit(renamed, DESCRIPTION)
    assert found.criterion == pytest.approx(expected.criterion, abs=1e-8)
    assert found.coefficients == pytest.approx(expected.coefficients, rel=1e-5, abs=1e-6)


@FEW
@given(clinics(), st.sampled_from([0.1, 10.0, 1000.0]), st.integers(-(10**6), 10**6))
def test_units_and_origins_of_the_outcome_go_through(rows, scale, shift):
    expected = fit(rows, DESCRIPTION)
    found = fit(rows.with_columns(pl.col("gain") * scale + shift), DESCRIPTION)
    assert found.theta == pytest.approx(expected.theta, rel=1e-5, abs=1e-5)
    assert found.sigma2 == pytest.approx(expected.sigma2 * scale**2, rel=1e-5)
    assert found.coefficients[1:] == pytest.approx(scale * expected.coefficients[1:], rel=1e-5)
    freedom = rows.height - len(expected.coefficients)
    assert found.criterion == pytest.approx(
        expected.criterion + 2 * freedom * np.log(scale), abs=1e-6
    )


@FEW
@given(clinics(), st.sampled_from([0.01, 10.0]), st.integers(-(10**5), 10**5))
def test_units_and_origins_of_a_covariate_go_through(rows, scale, shift):
    expected = fit(rows, DESCRIPTION)
    found = fit(rows.with_columns(pl.col("pretest") * scale + shift), DESCRIPTION)
    place = expected.terms.index("pretest")
    assert found.coefficients[place] * scale == pytest.approx(
        expected.coefficients[place], rel=1e-5
    )
    contrast = np.array([0.0, 1.0, -1.0, 0.0])
    one, other = estimate(found, contrast), estimate(expected, contrast)
    assert one.estimate == pytest.approx(other.estimate, rel=1e-5, abs=1e-6)
    assert one.standard_error == pytest.approx(other.standard_error, rel=1e-5)
    assert one.degrees_of_freedom == pytest.approx(other.degrees_of_freedom, rel=1e-4)


@FEW
@given(clinics())
def test_two_copies_under_other_names_are_twice_the_records(rows):
    # Independent copies: the ML criterion doubles, and the covariance of the coefficients halves.
    description = DESCRIPTION.model_copy(update={"method": Method.ML})
    labels = ["patient", "clinic", "clinician"]
    other = rows.with_columns(pl.col(labels) + 1000)
    one, both = fit(rows, description), fit(pl.concat([rows, other]), description)
    assert both.criterion == pytest.approx(2 * one.criterion, rel=1e-9)
    assert both.coefficients == pytest.approx(one.coefficients, rel=1e-5, abs=1e-6)
    assert both.covariance * 2 == pytest.approx(one.covariance, rel=1e-4, abs=1e-8)
