"""Simulated sums have the distribution of sums of simulated rows.

Theory: an outcome y is normal with mean X beta and covariance sigma² (Z Lambda Lambda' Z' + W^-1); sums
L y are then normal with L X beta and L V L', and the squares that are left after a projection are chi-
squared. Dense matrices are those of tests/reference/dense_mixed_model.py, which is checked against lme4.
"""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy.stats import kstest

from pipeline.mixed_model.description import Interaction
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.simulation import simulation_of
from tests.reference.dense_mixed_model import fixed_design, random_part

N_DRAWS = 3000


class Dense:
    """A small model as matrices, and the sums of its outcome as numbers."""

    def __init__(self, rows, description):
        self.model = fit(rows, description)
        self.rows, self.n = rows, rows.height
        names, _, self.x = fixed_design(rows, description)
        assert names == self.model.terms
        weights = rows[description.weights].to_numpy() if description.weights else np.ones(self.n)
        z, lower = random_part(rows, description, self.model.theta)
        v = z @ lower @ lower.T @ z.T + np.diag(1.0 / weights)
        self.mean = self.x @ self.model.coefficients
        self.covariance = self.model.sigma2 * v
        self.weights = weights
        lines = np.vstack([self._cells(), (self.x * weights[:, None]).T])
        self.used = lines.any(axis=1)  # a slope's sum is zero in a cell where its column is
        self.lines = lines[self.used]

    def _cells(self):
        statistics = self.model.statistics
        lines = []
        for name in statistics.varying:
            z = (
                np.ones(self.n)
                if name == "(intercept)"
                else self.rows[name].to_numpy().astype(float)
            )
            for label in statistics.groups.rows(named=True):
                inside = self.rows.select(
                    pl.all_horizontal(pl.col(c) == value for c, value in label.items())
                ).to_series()
                lines.append(inside.to_numpy() * z * self.weights)
        return np.array(lines)

    def sums(self, statistics):
        """Sums of the cells, sums by column, sum of squares."""
        units = np.array([float(unit) for unit in statistics.units])
        places = [statistics.columns.index(name) for name in statistics.varying]
        cells = np.concatenate(
            [statistics.sums[v][:, -1] * units[p] * units[-1] for v, p in enumerate(places)]
        )
        terms = [statistics.columns.index(name) for name in self.model.terms]
        columns = statistics.products[terms, -1].astype(float) * units[terms] * units[-1]
        found = np.concatenate([cells, columns])
        assert not found[~self.used].any()
        return found[self.used], float(statistics.products[-1, -1]) * units[-1] ** 2


@pytest.fixture(params=["patient", "slope", "outer_slope", "usual"])
def dense(request, clinic_rows, describe):
    return Dense(clinic_rows(14, n_clinics=3), describe(request.param))


def draws(dense, n=N_DRAWS):
    simulation = simulation_of(dense.model)
    generator = np.random.default_rng(20)
    found = [dense.sums(simulation.draw(generator)) for _ in range(n)]
    return np.array([sums for sums, _ in found]), np.array([square for _, square in found])


def check_moments(dense):
    sums, squares = draws(dense)
    mean = dense.lines @ dense.mean
    covariance = dense.lines @ dense.covariance @ dense.lines.T
    size = np.sqrt(np.diag(covariance))
    # 5 standard errors of a mean, and of a covariance: sqrt((1 + r²) / n) for correlation r.
    assert np.abs((sums.mean(axis=0) - mean) / size).max() < 5 / np.sqrt(N_DRAWS)
    correlation = covariance / np.outer(size, size)
    found = np.cov(sums.T) / np.outer(size, size)
    errors = np.sqrt((1 + correlation**2) / N_DRAWS)
    assert np.abs((found - correlation) / errors).max() < 5.5
    root = np.sqrt(dense.weights)
    scaled = root[:, None] * dense.covariance * root
    expected = float((dense.weights * dense.mean**2).sum() + np.trace(scaled))
    variance = 2 * float((scaled**2).sum()) + 4 * float(
        (root * dense.mean) @ scaled @ (root * dense.mean)
    )
    assert abs(squares.mean() - expected) < 5 * np.sqrt(variance / N_DRAWS)
    assert squares.var() == pytest.approx(variance, rel=0.2)


def test_means_and_covariances_of_the_sums(dense):
    check_moments(dense)


def test_moments_with_columns_that_are_nearly_alike_within_cells(clinic_rows, describe):
    description = describe("patient")
    fixed = (*description.fixed, Interaction(of=("technique", "pretest")))
    dense = Dense(clinic_rows(14, n_clinics=3), describe("patient", fixed=fixed))
    check_moments(dense)
    check_rest(dense)


def test_moments_with_weights(clinic_rows, describe):
    rows = clinic_rows(14, n_clinics=3).with_columns(w=pl.col("visit") / 3.0 + 0.7)
    check_moments(Dense(rows, describe("slope", weights="w")))


def test_what_cells_and_columns_do_not_explain_is_chi_squared(dense):
    check_rest(dense)


def check_rest(dense):
    sums, squares = draws(dense, 400)
    lines = dense.lines / np.linalg.norm(dense.lines, axis=1)[:, None]
    u, d, _ = np.linalg.svd(lines)
    rank = int((d > 1e-9 * d[0]).sum())
    assert simulation_of(dense.model).n_other == dense.n - rank
    scaled = (sums / np.linalg.norm(dense.lines, axis=1)) @ u[:, :rank] / d[:rank]
    rest = (squares - (scaled**2).sum(axis=1)) / dense.model.sigma2
    if dense.n == rank:
        assert np.abs(rest).max() < 1e-6
    else:
        assert kstest(rest, "chi2", args=(dense.n - rank,)).pvalue > 0.001


def test_some_model_leaves_residuals_unexplained(clinic_rows, describe):
    dense = Dense(clinic_rows(14, n_clinics=3), describe("patient"))
    assert simulation_of(dense.model).n_other > 10


@pytest.mark.parametrize("level", [0.0, 1e6])
def test_without_noise_the_fixed_part_comes_back(clinic_rows, describe, level):
    # A number without decimal unit, and a level that would cost digits if it were squared.
    rows = clinic_rows().with_columns(
        pretest=pl.col("pretest") * np.pi + level, gain=pl.col("gain") + level
    )
    model = fit(rows, describe("slope"))
    quiet = replace(model, sigma2=1e-12, theta=np.zeros_like(model.theta))
    sums = simulation_of(quiet).draw(np.random.default_rng(3))
    found = fit(sums, start=model.theta)
    assert found.coefficients[1:] == pytest.approx(model.coefficients[1:], abs=1e-6)
    fitted = found.coefficients[0] + found.coefficients[2] * level
    assert fitted == pytest.approx(model.coefficients[0] + model.coefficients[2] * level, abs=1e-5)
    assert np.sqrt(found.sigma2) == pytest.approx(1e-6, rel=0.3)


def test_columns_and_cells_stay_as_they_are(clinic_rows, describe):
    model = fit(clinic_rows(), describe("usual"))
    sums = simulation_of(model).draw(np.random.default_rng(3))
    old = model.statistics
    assert (sums.products[:-1, :-1] == old.products[:-1, :-1]).all()
    assert sums.sums[:, :, :-1].tobytes() == old.sums[:, :, :-1].tobytes()
    assert sums.groups.equals(old.groups)
    assert all(type(value) is int for value in sums.products.ravel())
    assert not (sums.sums[:, :, -1] == old.sums[:, :, -1]).any()


def test_the_same_stream_gives_the_same_sums(clinic_rows, describe):
    simulation = simulation_of(fit(clinic_rows(), describe("crossed")))
    one, same, other = (simulation.draw(np.random.default_rng(seed)) for seed in (3, 3, 4))
    assert one.sums.tobytes() == same.sums.tobytes()
    assert one.products.tolist() == same.products.tolist()
    assert one.products[-1, -1] != other.products[-1, -1]
