"""Families of contrasts: closed forms, bounds, and contrasts that do not count."""

from itertools import combinations

import numpy as np
import pytest
from scipy.special import fdtrc
from scipy.stats import norm, t

from pipeline.mixed_model.simultaneous import (
    family_degrees_of_freedom,
    holm,
    simultaneous_intervals,
    simultaneous_quantile,
    single_step_p,
    tukey,
    tukey_quantile,
)
from schemas.errors import ModelError


def pairs(variances):
    """Differences of all pairs of independent means: weights, shape (m, k), and their correlation."""
    k = len(variances)
    weights = np.array([np.eye(k)[i] - np.eye(k)[j] for i, j in combinations(range(k), 2)])
    covariance = weights @ np.diag(variances) @ weights.T
    error = np.sqrt(np.diag(covariance))
    return weights, covariance / np.outer(error, error)


@pytest.mark.parametrize("df", [1.0, 4.3, 60.0, np.inf])
def test_one_contrast_is_students_t(df):
    student = norm if np.isinf(df) else t(df)
    assert simultaneous_quantile([[1.0]], df) == pytest.approx(student.ppf(0.975), rel=1e-9)
    assert single_step_p([-2.2], [[1.0]], df)[0] == pytest.approx(2 * student.sf(2.2), rel=1e-12)


@pytest.mark.parametrize("m", [2, 5, 12])
def test_independent_normal_contrasts_are_sidaks(m):
    single = 2 * norm.sf(2.4)
    found = single_step_p(np.full(m, 2.4), np.eye(m), np.inf)
    assert found == pytest.approx(np.full(m, 1 - (1 - single) ** m), abs=2e-5)
    expected = norm.ppf(0.5 + 0.95 ** (1 / m) / 2)
    assert simultaneous_quantile(np.eye(m), np.inf) == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize("df", [3.5, 30.0])
def test_contrasts_of_two_dimensions_are_those_of_an_integral_over_the_angle(df):
    # max |a_i' u| over the circle, and the exact tail of R / S at each angle: an own second route.
    angles = (np.arange(200_000) + 0.5) * np.pi / 200_000
    axes = np.array([[1.0, 0.0], [0.6, 0.8], [-0.28, 0.96], [0.8, -0.6]])
    reach = np.abs(axes @ np.array([np.cos(angles), np.sin(angles)])).max(axis=0)
    for size in (1.5, 2.5, 4.0):
        expected = fdtrc(2, df, (size / reach) ** 2 / 2).mean()
        assert single_step_p(np.full(4, size), axes @ axes.T, df)[0] == pytest.approx(
            expected, abs=1e-6
        )


def test_unlike_variances_give_less_than_tukeys_quantile():
    # Hayter (1984) Ann. Statist. 12:61-75: for independent means Tukey's quantile is the largest.
    quantile = simultaneous_quantile(pairs([1.0, 4.0, 9.0, 0.5])[1], 15)
    assert quantile < tukey_quantile(0.95, 4, 15) - 0.01
    assert quantile > t.ppf(0.975, 15) + 0.3


@pytest.mark.parametrize("correlation", [np.eye(3), 0.999 * np.ones((3, 3)) + 0.001 * np.eye(3)])
@pytest.mark.parametrize("df", [2.0, 200.0])
def test_the_quantile_lies_between_students_and_sidaks(correlation, df):
    for confidence in (0.5, 0.9, 0.999):
        quantile = simultaneous_quantile(correlation, df, confidence)
        assert quantile >= t.ppf(0.5 + confidence / 2, df) - 1e-9
        assert quantile <= t.ppf(0.5 + confidence ** (1 / 3) / 2, df) + 1e-9


def test_the_p_value_at_the_quantile_is_the_error_rate():
    correlation = pairs([1.0, 2.0, 3.0, 1.0])[1]
    quantile = simultaneous_quantile(correlation, 9.5, 0.9)
    assert single_step_p(np.full(6, quantile), correlation, 9.5) == pytest.approx(
        np.full(6, 0.1), abs=1e-9
    )


def test_p_values_fall_with_size_and_are_at_least_the_contrasts_own():
    correlation = pairs(np.ones(4))[1]
    sizes = np.array([0.0, 0.3, 1.0, 2.5, 6.0, 40.0])
    found = single_step_p(sizes * [1, -1, 1, -1, 1, -1], correlation, 12.0)
    assert found[0] == pytest.approx(1.0, abs=1e-12)
    assert np.all(np.diff(found) < 0)
    assert np.all(found >= 2 * t.sf(sizes, 12.0))
    assert np.all(found <= np.minimum(1, 12 * t.sf(sizes, 12.0)))


def test_contrasts_that_occur_twice_or_turned_round_count_once():
    correlation = pairs([1.0, 2.0, 3.0])[1]
    signs = np.array([1, -1, 1, -1, 1])
    twice = correlation[np.ix_([0, 0, 1, 2, 2], [0, 0, 1, 2, 2])] * np.outer(signs, signs)
    assert simultaneous_quantile(twice, 7) == simultaneous_quantile(correlation, 7)
    assert simultaneous_quantile([[1.0, -1.0], [-1.0, 1.0]], 7) == pytest.approx(t.ppf(0.975, 7))


def test_rounding_of_the_correlation_changes_next_to_nothing():
    correlation = pairs(np.ones(5))[1]
    noise = np.random.default_rng(4).normal(0, 1e-12, correlation.shape)
    one = simultaneous_quantile(correlation, 20)
    assert simultaneous_quantile(correlation + noise + noise.T, 20) == pytest.approx(one, abs=1e-8)


def test_the_family_takes_the_fewest_degrees_of_freedom():
    assert family_degrees_of_freedom([48.2, 37.4, np.nan, np.inf]) == 37.4


def test_intervals_are_estimates_with_the_quantile_times_the_standard_error():
    weights, correlation = pairs([1.0, 2.0, 4.0])
    covariance = weights @ np.diag([1.0, 2.0, 4.0]) @ weights.T
    estimates = weights @ np.array([10.0, 4.0, 7.0])
    found = simultaneous_intervals(estimates, covariance, [30.0, 12.5, 18.0], confidence=0.9)
    quantile = simultaneous_quantile(correlation, 12.5, 0.9)
    half = quantile * np.sqrt([3.0, 5.0, 6.0])
    assert (found.quantile, found.degrees_of_freedom) == (pytest.approx(quantile), 12.5)
    assert found.low == pytest.approx([6.0 - half[0], 3.0 - half[1], -3.0 - half[2]])
    assert found.high == pytest.approx([6.0 + half[0], 3.0 + half[1], -3.0 + half[2]])
    sizes = np.array([6.0, 3.0, -3.0]) / np.sqrt([3.0, 5.0, 6.0])
    assert found.adjusted_p == pytest.approx(single_step_p(sizes, correlation, 12.5))
    leaves_out_zero = (found.low > 0) | (found.high < 0)
    assert leaves_out_zero.tolist() == (found.adjusted_p < 0.1).tolist() == [True, False, False]


def test_contrasts_without_variance_or_estimate_do_not_count():
    covariance = np.diag([4.0, 0.0, 9.0, 0.0, np.nan])
    found = simultaneous_intervals([6.0, 0.0, 3.0, 2.0, np.nan], covariance, [20, 20, 20, 20, 20])
    alone = simultaneous_intervals([6.0, 3.0], np.diag([4.0, 9.0]), [20, 20])
    assert found.quantile == alone.quantile
    assert found.low[[0, 2]] == pytest.approx(alone.low)
    assert found.adjusted_p[[0, 2]] == pytest.approx(alone.adjusted_p)
    assert (found.low[1], found.high[1], found.adjusted_p[1]) == (0.0, 0.0, 1.0)
    assert (found.low[3], found.high[3], found.adjusted_p[3]) == (2.0, 2.0, 0.0)
    assert np.isnan([found.low[4], found.high[4], found.adjusted_p[4]]).all()


def test_a_family_of_which_nothing_counts_has_no_quantile():
    found = simultaneous_intervals([0.0, np.nan], np.zeros((2, 2)), [5.0, 5.0])
    assert np.isnan([found.quantile, found.degrees_of_freedom]).all()
    assert (found.low[0], found.adjusted_p[0]) == (0.0, 1.0)
    assert np.isnan([found.low[1], found.adjusted_p[1]]).all()


@pytest.mark.parametrize("confidence", [0.0, 1.0, 95])
def test_a_confidence_that_is_no_share_is_refused(confidence):
    with pytest.raises(ModelError) as refused:
        simultaneous_quantile(np.eye(2), 10, confidence)
    assert refused.value.place == "confidence"
    assert f"{confidence:g} does not lie" in refused.value.problem
    assert "0.95" in refused.value.remedy
    with pytest.raises(ModelError):
        tukey_quantile(confidence, 3, 10)


def test_holm_leaves_out_what_is_missing():
    # Holm (1979): 0.01 x 3, then 0.03 x 2, then no smaller than that.
    found = holm([0.04, np.nan, 0.01, 0.03])
    assert found[[0, 2, 3]] == pytest.approx([0.06, 0.03, 0.06])
    assert np.isnan(found[1])
    assert holm([]).tolist() == []


def test_two_means_are_students_t_for_tukey_too():
    assert tukey([-2.0], 6.6, 2) == pytest.approx(2 * t.sf(2.0, 6.6), rel=1e-12)
    assert tukey_quantile(0.95, 2, 6.6) == pytest.approx(t.ppf(0.975, 6.6), rel=1e-10)


def test_tukey_takes_each_pairs_degrees_of_freedom():
    together = tukey([2.0, -3.0, np.nan], [5.0, 40.5, 9.0], 4)
    assert together[:2] == pytest.approx([tukey([2.0], 5.0, 4)[0], tukey([3.0], 40.5, 4)[0]])
    assert np.isnan(together[2])
