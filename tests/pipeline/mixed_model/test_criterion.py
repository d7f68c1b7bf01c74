"""The criterion at given variance parameters, apart from any search."""

import numpy as np
import pytest

from pipeline.mixed_model import division
from pipeline.mixed_model.columns import coded_columns, column_matrix, levels_of, raw_columns
from pipeline.mixed_model.criterion import evaluate, inverse_trace, pose
from pipeline.mixed_model.description import INTERCEPT, Method
from pipeline.mixed_model.structure import build_structure
from pipeline.mixed_model.sufficient_statistics import collect
from pipeline.mixed_model.theta import theta_places


def dense_parts(rows, description, theta):
    """V at sigma = 1, X and y, written out row by row."""
    covariance = np.eye(rows.height)
    for term, places in zip(description.random, theta_places(description), strict=True):
        labels = np.array(["|".join(map(str, row)) for row in rows.select(term.by).iter_rows()])
        same = labels[:, None] == labels[None, :]
        z = np.column_stack(
            [
                np.ones(rows.height) if c == INTERCEPT else rows[c].to_numpy().astype(float)
                for c in term.columns
            ]
        )
        factor = np.zeros((len(term.columns),) * 2)
        for place, i, j in places:
            factor[i, j] = theta[place]
        covariance += same * (z @ factor @ factor.T @ z.T)
    levels = levels_of(description, rows)
    coded = set(coded_columns(description, levels))
    columns = [c for c in raw_columns(description, levels) if c.name in coded]
    order = [c.name for c in columns]
    x = column_matrix(columns, rows)[
        :, [order.index(n) for n in coded_columns(description, levels)]
    ]
    return covariance, x, rows[description.outcome].to_numpy()


def dense_criterion(rows, description, theta):
    """-2 (restricted) log-likelihood by the textbook's formula on the full covariance matrix."""
    v, x, y = dense_parts(rows, description, theta)
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    beta = np.linalg.solve(information, x.T @ inverse @ y)
    rest = (y - x @ beta) @ inverse @ (y - x @ beta)
    restricted = description.method is Method.REML
    freedom = len(y) - (x.shape[1] if restricted else 0)
    value = np.linalg.slogdet(v)[1] + freedom * (1 + np.log(2 * np.pi * rest / freedom))
    return value + (np.linalg.slogdet(information)[1] if restricted else 0.0)


def some_theta(description, seed=0):
    rng = np.random.default_rng(seed)
    return rng.uniform(0.2, 0.9, sum(term.n_theta for term in description.random))


@pytest.mark.parametrize("method", list(Method))
@pytest.mark.parametrize("by_size", [True, False])
def test_the_value_is_that_of_the_full_covariance_matrix(
    clinic_rows, describe, model_name, method, by_size
):
    rows, description = clinic_rows(25), describe(model_name, method=method)
    theta = some_theta(description)
    problem = pose(build_structure(collect(rows, description), by_size=by_size), method)
    expected = dense_criterion(rows, description, theta)
    assert evaluate(problem, theta).value == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("method", list(Method))
@pytest.mark.parametrize("sigma2", [None, 7.0])
def test_the_gradient_is_that_of_the_value(clinic_rows, describe, model_name, method, sigma2):
    rows, description = clinic_rows(60), describe(model_name, method=method)
    theta = some_theta(description, 1)
    problem = pose(build_structure(collect(rows, description)), method)
    found = evaluate(problem, theta, sigma2=sigma2).gradient
    for place in range(len(theta)):
        step = np.zeros(len(theta))
        step[place] = 1e-5
        high, low = (evaluate(problem, theta + s * step, sigma2=sigma2).value for s in (1, -1))
        assert found[place] == pytest.approx((high - low) / 2e-5, rel=1e-6, abs=1e-6)


def test_blocks_and_border_give_what_one_dense_matrix_gives(clinic_rows, describe, monkeypatch):
    rows, description = clinic_rows(120), describe("usual")
    structure, theta = build_structure(collect(rows, description)), some_theta(description, 2)
    dense = evaluate(pose(structure, Method.REML), theta)
    monkeypatch.setattr(division, "FEW", 4)
    problem = pose(structure, Method.REML)
    assert len(problem.division.buckets) > 0
    assert 0 < len(problem.division.border) < structure.n_outer
    blocked = evaluate(problem, theta)
    assert blocked.value == pytest.approx(dense.value, rel=1e-13)
    assert blocked.gradient == pytest.approx(dense.gradient, rel=1e-9)
    assert blocked.solution.effects == pytest.approx(dense.solution.effects, rel=1e-8, abs=1e-12)


def test_the_trace_of_the_inverse_is_that_of_the_full_matrix(clinic_rows, describe, model_name):
    rows, description = clinic_rows(25), describe(model_name)
    theta = some_theta(description, 3)
    problem = pose(build_structure(collect(rows, description)), Method.REML)
    expected = np.trace(np.linalg.inv(dense_parts(rows, description, theta)[0]))
    assert inverse_trace(problem, theta) == pytest.approx(expected, rel=1e-10)


def test_at_zero_the_criterion_is_that_of_least_squares(clinic_rows, describe):
    rows, description = clinic_rows(40), describe("usual", method=Method.ML)
    problem = pose(build_structure(collect(rows, description)), Method.ML)
    _, x, y = dense_parts(rows, description, np.zeros(6))
    rest = float(np.linalg.lstsq(x, y, rcond=None)[1][0])
    n = len(y)
    expected = n * (1 + np.log(2 * np.pi * rest / n))
    assert evaluate(problem, np.zeros(6)).value == pytest.approx(expected, rel=1e-12)
