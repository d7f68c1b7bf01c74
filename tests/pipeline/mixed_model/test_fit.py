"""Fits: zero variances, dropped columns, weights, refusals and the search's verdict."""

import numpy as np
import polars as pl
import pytest

from pipeline.mixed_model.contrast import estimate
from pipeline.mixed_model.criterion import evaluate
from pipeline.mixed_model.degrees_of_freedom import cautious, f_test, information, satterthwaite
from pipeline.mixed_model.description import Factor, Interaction, Method, Number, RandomTerm
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.sufficient_statistics import collect
from schemas.errors import ModelError


def test_no_neighbour_of_the_optimum_is_better(clinic_rows, describe, model_name):
    model = fit(clinic_rows(80), describe(model_name))
    assert model.verdict.converged
    for place in np.flatnonzero(model.free):
        for step in (-0.02, 0.02):
            theta = model.theta.copy()
            theta[place] += step
            assert evaluate(model.problem, theta).value > model.criterion
    diagonal = [0] if len(model.theta) == 1 else list(range(len(model.theta)))
    assert model.theta[diagonal[0]] >= 0.0


def test_any_start_ends_at_the_same_optimum(clinic_rows, describe, model_name):
    statistics = collect(clinic_rows(80), describe(model_name))
    expected = fit(statistics)
    for start in (0.05, 0.4, 2.5):
        found = fit(statistics, start=np.full(len(expected.theta), start))
        assert found.criterion == pytest.approx(expected.criterion, abs=1e-8)
        assert found.coefficients == pytest.approx(expected.coefficients, rel=1e-5, abs=1e-6)


def test_a_variance_of_zero_is_found_flagged_and_explained(describe):
    # Every group holds the same five values, so that groups differ by nothing at all.
    rows = pl.DataFrame({"day": np.repeat(np.arange(6), 5), "gain": np.tile([1, 2, 4, 8, 9], 6)})
    model = fit(rows, describe(fixed=(), random=(RandomTerm(by=("day",)),)))
    assert model.is_singular
    assert model.components[0].covariance[0, 0] == 0.0
    assert model.theta[0] == 0.0
    assert model.notes[0].startswith("day: the variance is estimated at zero")
    assert "boundary" in model.verdict.words
    assert model.coefficients[0] == pytest.approx(4.8, rel=1e-12)
    assert model.covariance[0, 0] == pytest.approx(rows["gain"].var() / 30, rel=1e-12)
    assert satterthwaite(model, np.ones(1)) == pytest.approx(29.0, rel=1e-9)
    assert cautious(model) == 5.0


def test_columns_that_say_the_same_are_dropped_by_name(clinic_rows, describe):
    rows = clinic_rows(40).with_columns(
        (2 * pl.col("pretest") + 1).alias("again"), pl.lit(3.0).alias("constant"),
        pl.col("technique").alias("method"),
    )  # fmt: skip
    fixed = (
        Factor(name="technique", levels=("long_axis", "lateral")),
        Number(name="pretest"),
        Number(name="again"),
        Number(name="constant"),
        Factor(name="method"),
    )
    model = fit(rows, describe(fixed=fixed))
    assert model.dropped == ("method=long_axis", "again", "constant")
    assert model.terms == ("(intercept)", "technique=lateral", "pretest")
    assert model.aliases == pytest.approx(
        np.array([[1.0, -1.0, 0.0], [1.0, 0.0, 2.0], [3.0, 0.0, 0.0]]), abs=1e-9
    )
    plain = fit(rows, describe())
    assert model.coefficients == pytest.approx(plain.coefficients, rel=1e-10)
    with pytest.raises(ModelError, match="apart"):
        estimate(model, np.eye(len(model.columns))[model.columns.index("again")])


def test_cells_that_never_occur_together_drop_their_interaction(clinic_rows, describe):
    rows = clinic_rows(60).filter(
        ~((pl.col("technique") == "lateral") & (pl.col("side") == "left"))
    )
    fixed = (
        Factor(name="technique", levels=("long_axis", "lateral")),
        Factor(name="side", levels=("right", "left")),
        Interaction(of=("technique", "side")),
    )
    model = fit(rows, describe(fixed=fixed))
    assert model.dropped == ("technique=lateral × side=left",)


@pytest.mark.parametrize("offset", [1e6, -1e6])
def test_huge_offsets_cost_no_digit(clinic_rows, describe, offset, model_name):
    rows, description = clinic_rows(60), describe(model_name)
    moved = rows.with_columns(pl.col("gain") + offset, pl.col("pretest") + offset)
    plain, found = fit(rows, description), fit(moved, description)
    assert found.criterion == pytest.approx(plain.criterion, abs=1e-7)
    assert found.coefficients[1:] == pytest.approx(plain.coefficients[1:], rel=1e-6)
    assert found.theta == pytest.approx(plain.theta, abs=1e-4)


def test_a_weight_of_two_is_a_row_twice_for_the_fixed_part(clinic_rows, describe):
    # Precision weights scale the residual variance: all weights alike change sigma and theta only.
    rows = clinic_rows(60).with_columns(pl.lit(4.0).alias("w"))
    plain, weighted = fit(rows, describe()), fit(rows, describe(weights="w"))
    assert weighted.coefficients == pytest.approx(plain.coefficients, rel=1e-7)
    assert weighted.covariance == pytest.approx(plain.covariance, rel=1e-5)
    assert weighted.sigma2 == pytest.approx(4.0 * plain.sigma2, rel=1e-6)
    assert weighted.criterion == pytest.approx(plain.criterion, abs=1e-7)
    for one, other in zip(weighted.components, plain.components, strict=True):
        assert one.covariance == pytest.approx(other.covariance, rel=1e-4)


def test_precision_weights_are_those_of_the_full_covariance_matrix(clinic_rows, describe):
    rng = np.random.default_rng(2)
    rows = clinic_rows(25)
    rows = rows.with_columns(pl.Series("w", np.round(rng.uniform(0.3, 3, rows.height), 2)))
    model = fit(rows, describe("patient", weights="w"))
    patient = rows["patient"].to_numpy()
    v = np.diag(1.0 / rows["w"].to_numpy()) + model.theta[0] ** 2 * (patient[:, None] == patient)
    x = np.column_stack(
        [np.ones(rows.height), rows["technique"] == "lateral", rows["pretest"]]
    ).astype(float)
    y, inverse = rows["gain"].to_numpy(), np.linalg.inv(v)
    information_matrix = x.T @ inverse @ x
    beta = np.linalg.solve(information_matrix, x.T @ inverse @ y)
    rest = (y - x @ beta) @ inverse @ (y - x @ beta)
    freedom = len(y) - 3
    value = (
        np.linalg.slogdet(v)[1] + np.linalg.slogdet(information_matrix)[1]
        + freedom * (1 + np.log(2 * np.pi * rest / freedom))
    )  # fmt: skip
    assert model.coefficients == pytest.approx(beta, rel=1e-9)
    assert model.sigma2 == pytest.approx(rest / freedom, rel=1e-9)
    assert model.criterion == pytest.approx(value, rel=1e-11)


def refused(rows, description):
    with pytest.raises(ModelError) as caught:
        fit(rows, description)
    assert caught.value.remedy
    return caught.value.problem


def test_what_cannot_be_estimated_is_refused_with_the_reason(clinic_rows, describe):
    rows = clinic_rows(30)
    patient = (RandomTerm(by=("patient",)),)
    assert "the same in all rows" in refused(
        rows.with_columns(pl.lit(4.0).alias("gain")), describe()
    )
    one = rows.with_columns(pl.lit("c0").alias("clinic"))
    assert "one clinic only" in refused(one, describe())
    single = rows.unique("patient", keep="first", maintain_order=True)
    assert "one row for each patient" in refused(single, describe(random=patient))
    perfect = rows.with_columns((2 * pl.col("pretest") + 1).alias("gain"))
    assert "without remainder" in refused(perfect, describe(random=patient))
    alike = rows.with_columns(pl.col("patient").str.to_uppercase().alias("person"))
    both = (*patient, RandomTerm(by=("person",)))
    assert "divide the rows alike" in refused(alike, describe(random=both))
    two = rows.unique(["patient", "side"], keep="first", maintain_order=True)
    slope = (RandomTerm(by=("patient", "side"), slopes=("visit",)),)
    assert "too few rows for each patient × side" in refused(two, describe(random=slope))


def test_sums_of_another_model_are_refused(clinic_rows, describe):
    statistics = collect(clinic_rows(30), describe())
    with pytest.raises(ModelError, match="another model"):
        fit(statistics, describe("patient"))
    assert fit(statistics, describe(method=Method.ML)).criterion < fit(statistics).criterion


def test_few_groups_are_noted(clinic_rows, describe):
    model = fit(clinic_rows(60, n_clinics=3), describe())
    assert any("clinic: 3 groups" in note for note in model.notes)


def test_cautious_degrees_of_freedom_count_groups_less_their_own_terms(clinic_rows, describe):
    rows = clinic_rows(60).with_columns((pl.col("clinic") < "c3").cast(pl.String).alias("region"))
    fixed = (*describe().fixed, Factor(name="region"))
    model = fit(rows, describe(fixed=fixed))
    assert cautious(model) == 6 - 2  # the intercept and the region differ between clinics only
    assert cautious(model, by=("patient",)) == 60 - 2


def test_one_contrast_squared_is_its_f_test(clinic_rows, describe):
    model = fit(clinic_rows(60), describe("usual"))
    one = estimate(model, np.array([0.0, 1.0, 0.0]))
    test = f_test(model, np.array([[0.0, 1.0, 0.0], [0.0, -2.0, 0.0]]))
    assert (test.numerator, test.statistic) == (1, pytest.approx(one.t**2, rel=1e-9))
    assert test.denominator == pytest.approx(one.degrees_of_freedom, rel=1e-9)
    assert test.p == pytest.approx(one.p, rel=1e-9)


def test_the_information_is_that_of_the_criterion(clinic_rows, describe):
    model = fit(clinic_rows(80), describe("slope"))
    found = information(model)
    assert found.is_regular

    def value(theta, log_sigma2):
        return evaluate(model.problem, theta, sigma2=float(np.exp(log_sigma2))).value

    at, step = np.append(model.theta, np.log(model.sigma2)), 1e-3
    for i in range(len(at)):
        for j in range(len(at)):
            moved = []
            for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
                point = at.copy()
                point[i] += a * step
                point[j] += b * step
                moved.append(value(point[:-1], point[-1]))
            second = (moved[0] - moved[1] - moved[2] + moved[3]) / (4 * step**2)
            assert found.hessian[i, j] == pytest.approx(second, rel=2e-3, abs=2e-2)
