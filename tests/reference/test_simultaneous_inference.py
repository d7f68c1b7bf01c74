"""Adjusted p-values and simultaneous quantiles against tables, emmeans, mvtnorm and scipy.

Sources: emmeans 1.8.4-1 under R 4.2.2 (see data/README.md); scipy.stats as a second program, which
integrates the studentized range and the multivariate t in other ways; printed tables as named below.
"""

from itertools import combinations

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import multivariate_t, studentized_range
from statsmodels.stats.multitest import multipletests

from pipeline.mixed_model.simultaneous import (
    holm,
    simultaneous_quantile,
    single_step_p,
    tukey,
    tukey_quantile,
)
from tests.reference.mixed_model_descriptions import MODELS

ADJUSTED = tuple(name for name in MODELS if "p_tukey" in str(MODELS[name].get("emmeans_REML")))

STUDENTIZED_RANGE = {
    # Upper 5 % points for 3, 4, 5 and 6 means, as printed since Harter (1960) Ann. Math. Statist.
    # 31:1122-1147 (from memory; the last digit of 3.877 and 3.958 checked by scipy 1.17).
    5: (4.602, 5.218, 5.673, 6.033),
    10: (3.877, 4.327, 4.654, 4.912),
    20: (3.578, 3.958, 4.232, 4.445),
    np.inf: (3.314, 3.633, 3.858, 4.030),
}

DUNNETT = {
    # Two-sided 5 % points for 1, 2, 3, 5 and 9 treatments against a control, equal n: Dunnett (1964) Biometrics
    # 20:482-491 (from memory).
    5: (2.57, 3.03, 3.29, 3.62, 3.97),
    10: (2.23, 2.57, 2.76, 2.99, 3.24),
    20: (2.09, 2.38, 2.54, 2.73, 2.95),
    np.inf: (1.96, 2.21, 2.35, 2.51, 2.69),
}


def all_pairs(k):
    weights = np.array([np.eye(k)[i] - np.eye(k)[j] for i, j in combinations(range(k), 2)])
    return weights @ weights.T / 2


def correlation_of(covariance):
    error = np.sqrt(np.diag(covariance))
    return covariance / np.outer(error, error)


@pytest.mark.parametrize("name", ADJUSTED)
def test_adjusted_p_values_are_those_of_emmeans(name):
    expected = MODELS[name]["emmeans_REML"]["satterthwaite"]
    rows = expected["pairwise_unadjusted"]
    n_means = len(expected["means"])
    assert len(rows) == n_means * (n_means - 1) / 2
    found = tukey([row["statistic"] for row in rows], [row["df"] for row in rows], n_means)
    assert found == pytest.approx([expected["p_tukey"][r["contrast"]] for r in rows], abs=1e-8)
    steps = holm([row["p"] for row in rows])
    assert steps == pytest.approx([expected["p_holm"][r["contrast"]] for r in rows], rel=1e-10)
    for row, interval in zip(rows, expected["ci_tukey"], strict=True):
        half = tukey_quantile(0.95, n_means, row["df"]) * row["se"]
        limits = (row["estimate"] - half, row["estimate"] + half)
        assert limits == pytest.approx((interval["low"], interval["high"]), rel=1e-5)


@pytest.mark.parametrize("name", ["oats_splitplot", "machines_nested"])
def test_the_single_step_on_balanced_pairs_gives_emmeans_tukey(name):
    expected = MODELS[name]["emmeans_REML"]["satterthwaite"]
    rows = expected["pairwise_unadjusted"]
    sizes = [row["statistic"] for row in rows]
    found = single_step_p(sizes, all_pairs(len(expected["means"])), rows[0]["df"])
    assert found == pytest.approx([expected["p_tukey"][r["contrast"]] for r in rows], abs=2e-6)


@pytest.mark.parametrize("df", STUDENTIZED_RANGE)
def test_quantiles_of_balanced_pairs_are_those_of_the_printed_studentized_range(df):
    for n_means, printed in zip((3, 4, 5, 6), STUDENTIZED_RANGE[df], strict=True):
        tabled = printed / np.sqrt(2)
        assert tukey_quantile(0.95, n_means, df) == pytest.approx(tabled, abs=4e-4)
        assert simultaneous_quantile(all_pairs(n_means), df) == pytest.approx(tabled, abs=4e-4)


@pytest.mark.parametrize("df", [1.0, 6.64, 51.0, np.inf])
@pytest.mark.parametrize("n_means", [3, 6])
def test_tukey_is_scipys_studentized_range(n_means, df):
    sizes = np.array([0.2, 1.5, 3.0, 6.0])
    expected = studentized_range.sf(sizes * np.sqrt(2), n_means, df)
    assert tukey(sizes, df, n_means) == pytest.approx(expected, rel=1e-7, abs=1e-13)


@pytest.mark.parametrize(
    ("n_means", "df", "within"), [(3, 9.3, 1e-6), (5, 20, 5e-6), (6, np.inf, 5e-6), (9, 50.5, 1e-5)]
)
def test_the_single_step_on_balanced_pairs_is_scipys_studentized_range(n_means, df, within):
    correlation = all_pairs(n_means)
    sizes = np.resize([1.0, 2.0, 2.6, 3.2, 5.0], len(correlation))
    expected = studentized_range.sf(sizes[:5] * np.sqrt(2), n_means, df)
    found = single_step_p(sizes, correlation, df)
    assert found == pytest.approx(np.resize(expected, len(sizes)), abs=within)


@pytest.mark.parametrize("df", DUNNETT)
def test_quantiles_against_a_control_are_dunnetts(df):
    for m, printed in zip((1, 2, 3, 5, 9), DUNNETT[df], strict=True):
        found = simultaneous_quantile(0.5 + 0.5 * np.eye(m), df)
        assert found == pytest.approx(printed, abs=6e-3)  # two printed digits


def test_the_quantile_of_a_singular_family_of_unequal_groups_is_mvtnorms():
    # Edwards & Berry (1987) Biometrics 43:913-928, as in Hothorn, Bretz & Genz (2001) R News 1(2):27-29
    # and the example of pmvt() in the documentation of mvtnorm, which prints 2.561.
    weights = np.array(
        [[1, -1, 0, 0, 0], [1, 0, -1, 0, 0], [1, 0, 0, 0, -1], [0, 1, 0, -1, 0], [0, 0, 1, -1, 0]]
    )
    covariance = weights @ np.diag(1 / np.array([26, 24, 20, 33, 32])) @ weights.T
    assert np.linalg.matrix_rank(covariance) == 4
    found = simultaneous_quantile(correlation_of(covariance), 130)
    assert found == pytest.approx(2.561, abs=5e-4)


@pytest.mark.parametrize(("m", "df", "seed"), [(3, 5.5, 1), (4, 12.0, 3), (5, 25.0, 2)])
def test_any_correlation_is_scipys_multivariate_t(m, df, seed):
    root = np.random.default_rng(seed).normal(size=(m, m + 1))
    correlation = correlation_of(root @ root.T)
    for size in (2.0, 3.0):
        inside = multivariate_t(shape=correlation, df=df).cdf(
            np.full(m, size), lower_limit=np.full(m, -size), maxpts=200_000, random_state=seed
        )
        # Both are numerical; scipy's own error is about 1e-5 with so many points.
        assert single_step_p(np.full(m, size), correlation, df)[0] == pytest.approx(
            1 - inside, abs=3e-5
        )


def test_many_full_rank_contrasts_are_those_of_an_integral_over_their_common_part():
    # T_i = (sqrt(rho) f + sqrt(1 - rho) e_i) / S: given f the contrasts are independent (Dunnett 1955
    # J. Am. Stat. Assoc. 50:1096-1121), so that one integral suffices at df = inf.
    f, weight = np.polynomial.hermite_e.hermegauss(120)
    for m, within in ((15, 2e-5), (30, 1.5e-4)):
        bounds = (np.array([[2.6], [-2.6]]) - np.sqrt(0.5) * f) / np.sqrt(0.5)
        inside = (ndtr(bounds[0]) - ndtr(bounds[1])) ** m @ weight / weight.sum()
        found = single_step_p(np.full(m, 2.6), 0.5 + 0.5 * np.eye(m), np.inf)[0]
        assert found == pytest.approx(1 - inside, abs=within)


@pytest.mark.parametrize("m", [1, 2, 9])
def test_holm_is_statsmodels(m):
    p_values = np.random.default_rng(m).beta(0.4, 3, size=m)
    p_values[-1] = p_values[0]
    assert holm(p_values) == pytest.approx(multipletests(p_values, method="holm")[1], rel=1e-14)
