"""Profile intervals against lme4, and against another search on dense matrices.

Source: tests/reference/data/lme4.json (lme4 1.1-31, R 4.2.2), ``profile_ci_95_ML``: confint(method =
"profile"), which interpolates by splines; compared to 3e-4 of the interval's width.
"""

import numpy as np
import polars as pl
import pytest
from scipy.linalg import block_diag, cho_factor, cho_solve
from scipy.optimize import minimize
from threadpoolctl import threadpool_limits

from pipeline.mixed_model.description import INTERCEPT, Method, RandomTerm
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.likelihood_ratio import variance_test
from pipeline.mixed_model.profile_interval import profile_intervals, profile_names
from schemas.errors import ModelError
from tests.reference.dense_mixed_model import fixed_design, random_part, relative_factor
from tests.reference.mixed_model_descriptions import MODELS, r_group, r_term, reference_model

QUANTILE = 3.841458820694124  # of chi-squared with one degree of freedom, 95 %: table
PROFILED = ("hips_rotation_gain", "sleepstudy_rs_corr", "dyestuff")


def fitted(name, method=Method.ML):
    model = reference_model(name, method)
    return fit(model.frame, model.description)


def r_names(model):
    """Names that R gives our parameters, in our order."""
    names = []
    for term in model.description.random:
        group = r_group(term)
        for place, column in enumerate(term.columns):
            names.append(f"sd_{r_term(column)}|{group}")
            if place and term.correlated:
                names.append(f"cor_{r_term(column)}.(Intercept)|{group}")
    return [*names, "sigma", *(r_term(column) for column in model.terms)]


@pytest.mark.parametrize("name", PROFILED)
def test_intervals_agree_with_lme4(name):
    model = fitted(name)
    expected = {row["parameter"]: row for row in MODELS[name]["profile_ci_95_ML"]}
    found = profile_intervals(model)
    assert len(found) == len(expected)
    for r_name, interval in zip(r_names(model), found, strict=True):
        row = expected[r_name]
        tolerance = 3e-4 * (row["high"] - row["low"])
        assert interval.low == pytest.approx(row["low"], abs=tolerance)
        assert interval.high == pytest.approx(row["high"], abs=tolerance)
        assert interval.low < interval.estimate < interval.high


def test_restricted_fits_are_profiled_by_maximum_likelihood():
    found = profile_intervals(fitted("dyestuff", Method.REML))
    expected = profile_intervals(fitted("dyestuff"))
    sums = profile_intervals(fitted("dyestuff", Method.REML).statistics)
    for one, other, third in zip(found, expected, sums, strict=True):
        assert one.parameter == other.parameter == third.parameter
        for end in ("estimate", "low", "high"):
            assert getattr(one, end) == pytest.approx(getattr(other, end), rel=1e-5)
            assert getattr(third, end) == pytest.approx(getattr(other, end), rel=1e-5)


def test_another_confidence_and_a_choice():
    model = fitted("sleepstudy_ri")
    names = profile_names(model)
    assert names == ("sd of (intercept) by Subject", "sigma", "(intercept)", "Days")
    (wide,) = profile_intervals(model, which=["Days"])
    (narrow,) = profile_intervals(model, confidence=0.5, which=["Days"])
    assert wide.parameter == narrow.parameter == "Days"
    # A slope that does not vary by group is almost normal: 0.6745 to 1.9600 standard errors (table).
    assert narrow.high - narrow.low == pytest.approx(
        (wide.high - wide.low) * 0.6745 / 1.96, rel=0.01
    )


def test_an_unknown_parameter_is_refused():
    with pytest.raises(ModelError, match="no parameter “days”") as error:
        profile_intervals(fitted("sleepstudy_ri"), which=["sigma", "days"])
    assert error.value.place == "profile"
    assert "Days" in error.value.remedy


def test_a_variance_at_zero_has_zero_as_its_lower_limit():
    # lme4: theta is 0 for Dyestuff2.
    low = profile_intervals(fitted("dyestuff2_singular"), which=["sd of (intercept) by Batch"])[0]
    assert low.estimate == low.low == 0.0
    assert low.high > 1.0


def test_zero_is_in_the_interval_where_the_test_does_not_exclude_it():
    model = fitted("pastes_nested")
    sample, batch = profile_intervals(model)[:2]
    assert variance_test(model, 0).statistic > QUANTILE
    assert sample.low > 1.0
    assert 0.0 < variance_test(model, 1).statistic < QUANTILE
    assert batch.low == 0.0


def test_a_correlation_that_may_be_anything():
    found = {i.parameter: i for i in profile_intervals(fitted("orthodont_rs"))}
    correlation = found["correlation of (intercept) and age11 by Subject"]
    assert (correlation.low, correlation.high) == (-1.0, 1.0)
    assert found["sd of age11 by Subject"].low == 0.0


def test_singular_and_crossed_models_have_intervals_too():
    for name in ("hips_long_rotation_corr_one", "hips_long_rotation", "penicillin_crossed"):
        for interval in profile_intervals(fitted(name)):
            assert interval.low <= interval.estimate <= interval.high
            assert interval.low < interval.high


class Dense:
    """-2 log likelihood with nothing but the fixed part profiled out, and a search of its own."""

    def __init__(self, rows, model):
        self.model, self.description, self.rows = model, model.description, rows
        self.x = fixed_design(rows, self.description)[2]
        self.y = rows[self.description.outcome].to_numpy()
        self.z = random_part(rows, self.description, model.theta)[0]
        self.groups = [
            (term.n_theta, rows.select(term.by).n_unique()) for term in self.description.random
        ]

    def spread(self, theta):
        """Z Lambda, from small blocks."""
        blocks, start = [], 0
        for term, (n_theta, n_groups) in zip(self.description.random, self.groups, strict=True):
            blocks.append(np.kron(np.eye(n_groups), relative_factor(term, theta[start:][:n_theta])))
            start += n_theta
        return self.z @ block_diag(*blocks)

    def value(self, parameters, held=None):
        theta, sigma2 = parameters[:-1], np.exp(2 * parameters[-1])
        spread = self.spread(theta)
        factor = cho_factor(spread @ spread.T + np.eye(len(self.y)), lower=True)
        y, x = self.y, self.x
        if held is not None:
            y, x = y - x[:, held[0]] * held[1], np.delete(x, held[0], axis=1)
        solved = cho_solve(factor, x)
        rest = y - x @ np.linalg.solve(x.T @ solved, solved.T @ y)
        square = rest @ cho_solve(factor, rest)
        log_v = 2 * np.log(np.diag(factor[0])).sum()
        return log_v + len(y) * np.log(2 * np.pi * sigma2) + square / sigma2

    def start(self):
        theta = np.where(np.abs(self.model.theta) < 0.05, 0.05, self.model.theta)
        return np.append(theta, 0.5 * np.log(self.model.sigma2))

    def rise(self, held=None, constraint=None):
        constraints = () if constraint is None else {"type": "eq", "fun": constraint}
        best = np.inf
        for shift in (0.0, 0.2):
            with threadpool_limits(limits=1, user_api="blas"):
                found = minimize(
                    self.value,
                    self.start() + shift,
                    args=(held,),
                    method="SLSQP",
                    constraints=constraints,
                    options={"ftol": 1e-10, "maxiter": 400},
                )
            best = min(best, found.fun) if found.success else best
        return best - self.model.criterion


def covariance(description, parameters, term):
    """Covariance of the random effects of one term."""
    start = sum(t.n_theta for t in description.random[:term])
    own = description.random[term]
    q, theta = len(own.columns), parameters[start : start + own.n_theta]
    lower = np.zeros((q, q))
    rows, columns = np.triu_indices(q)
    lower[columns, rows] = theta
    return np.exp(2 * parameters[-1]) * lower @ lower.T


THREE = (RandomTerm(by=("patient",), slopes=("visit", "days")), RandomTerm(by=("clinic",)))


@pytest.mark.parametrize("kind", ["slope", "three"])
def test_limits_are_where_another_search_finds_the_quantile(clinic_rows, describe, kind):
    rows = clinic_rows(30, n_clinics=4)
    days = np.random.default_rng(2).normal(0, 2, rows.height).round(1)
    effect = dict(zip(sorted(set(rows["patient"])), range(30), strict=True))
    slopes = np.array([(effect[p] * 7 % 11 - 5) / 2.5 for p in rows["patient"]])
    rows = rows.with_columns(days=pl.Series(days), gain=pl.col("gain") + pl.Series(slopes * days))
    changes = {"random": THREE} if kind == "three" else {}
    model = fit(rows, describe("slope", method=Method.ML, **changes))
    dense = Dense(rows, model)
    checked = 0
    for interval in profile_intervals(model):
        for end in (interval.low, interval.high):
            if end in {0.0, 1.0, -1.0}:
                continue
            rise = dense.rise(*_held(model, interval.parameter, end))
            assert rise == pytest.approx(QUANTILE, abs=2e-4), (interval, end)
            checked += 1
    assert checked >= 12


def _held(model, name, value):
    if name in model.terms:
        return (model.terms.index(name), value), None
    if name == "sigma":
        return None, lambda p: p[-1] - np.log(value)
    words, group = name.split(" by ")
    term = next(k for k, t in enumerate(model.description.random) if t.name == group)
    columns = list(model.description.random[term].columns)
    if words.startswith("sd of "):
        place = columns.index(words.removeprefix("sd of "))

        def root(p):
            return np.sqrt(covariance(model.description, p, term)[place, place]) - value

        return None, root
    place = columns.index(words.removeprefix(f"correlation of {INTERCEPT} and "))

    def correlation(p):
        found = covariance(model.description, p, term)
        return found[0, place] / np.sqrt(found[0, 0] * found[place, place]) - value

    return None, correlation
