"""Residuals and what is made of them, against lme4 and scipy.

Sources: lme4 1.1-31, R 4.2.2, fitted() and resid() of the polished REML fits; scipy.stats
(mstats.plotting_positions with alpha = beta = 0.5 is Hazen's (i - 1/2) / n).
"""

from functools import cache

import numpy as np
import polars as pl
import pytest
from scipy.stats import mstats, norm

from pipeline.mixed_model.diagnostic import (
    binned_residuals,
    quantiles,
    residuals,
    spread_by_group,
)
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.random_effect import conditional_modes
from schemas.errors import ModelError
from tests.reference.mixed_model_descriptions import reference_model


@cache
def fitted(name):
    reference = reference_model(name)
    return reference.frame, fit(reference.frame, reference.description)


@pytest.mark.parametrize(
    ("name", "expected", "rest"),
    [
        (
            "penicillin_crossed",
            [25.9638272341239, 22.7662931172171, 25.7146687315078],
            [1.03617276587607, 0.233706882782862, 0.28533126849219],
        ),
        (
            "machines_unbalanced",
            [52.9709604908273, 59.4846485640632, 59.4846485640632],
            [0.129039509172706, 0.5153514359368, 0.715351435936803],
        ),
        (
            "hips_long_rotation_slope",
            [27.2572771432008, 32.3291785355377, 28.6673355406299],
            [-2.25727714320077, 2.67082146446229, -0.667335540629892],
        ),
        (
            "sleepstudy_rs_uncorr",
            [252.917801393566, 272.708576579925, 292.499351766285],
            [-3.35780139356635, -14.0038765799254, -41.6987517662846],
        ),
        (
            "dyestuff2_singular",
            [5.6656, 5.6656, 5.6656],
            [1.6324, -1.8196, -3.2316],
        ),
    ],
)
def test_fitted_values_and_residuals_are_those_of_lme4(name, expected, rest):
    frame, model = fitted(name)
    found, sigma = residuals(model, frame), np.sqrt(model.sigma2)
    assert found["fitted"][:3].to_numpy() == pytest.approx(np.array(expected), abs=1e-5 * sigma)
    assert found["residual"][:3].to_numpy() == pytest.approx(np.array(rest), abs=1e-5 * sigma)
    assert found["standardised"][:3].to_numpy() == pytest.approx(np.array(rest) / sigma, abs=2e-5)


def test_rows_that_the_fit_left_out_are_null():
    frame, _ = fitted("sleepstudy_ri")
    holes = frame.with_columns(
        Reaction=pl.when(pl.int_range(pl.len()) == 4).then(None).otherwise("Reaction"),
        Days=pl.when(pl.int_range(pl.len()) == 7).then(None).otherwise("Days"),
    )
    model = fit(holes, reference_model("sleepstudy_ri").description)
    found = residuals(model, holes)
    assert found.height == 180
    assert found.select(pl.all().is_null().arg_true()).to_dict(as_series=False) == {
        name: [4, 7] for name in ("fitted", "residual", "standardised")
    }
    alone = residuals(model, holes.drop_nulls())
    assert found.drop_nulls().equals(alone)


def test_weights_scale_the_residual_deviation():
    reference = reference_model("dyestuff")
    frame = reference.frame.with_columns(w=pl.int_range(pl.len()) % 5)
    model = fit(frame, reference.description.model_copy(update={"weights": "w"}))
    found = residuals(model, frame)
    assert found["residual"].null_count() == 6  # weight zero: left out of the fit
    ratio = (found["standardised"] / found["residual"]).to_numpy() * np.sqrt(model.sigma2)
    weights = frame["w"].to_numpy()
    assert ratio[weights > 0] == pytest.approx(np.sqrt(weights[weights > 0]), rel=1e-12)


def test_residuals_of_other_rows():
    frame, model = fitted("dyestuff")
    with pytest.raises(ModelError, match="is not in the records"):
        residuals(model, frame.with_columns(Batch=pl.lit("Z")))
    with pytest.raises(ModelError) as caught:
        residuals(model, frame.drop("Yield"))
    assert caught.value.place == "column “Yield”"


def frame_of(values, rest):
    return pl.DataFrame({"fitted": values, "residual": rest, "standardised": rest}, strict=False)


def test_bins_of_equally_many_rows():
    found = binned_residuals(
        frame_of([4.0, 1.0, None, 3.0, 2.0, 6.0, 5.0], [1.0, 2.0, 9.0, 6.0, 4.0, 8.0, 7.0]),
        n_bins=3,
    )
    assert found["low"].to_list() == [1.0, 3.0, 5.0]
    assert found["high"].to_list() == [2.0, 4.0, 6.0]
    assert found["mean_fitted"].to_list() == [1.5, 3.5, 5.5]
    assert found["mean_residual"].to_list() == [3.0, 3.5, 7.5]
    # SD of two values is their difference over sqrt 2, the standard error half of the difference.
    assert found["standard_error"].to_list() == pytest.approx([1.0, 2.5, 0.5])
    assert found["n_rows"].to_list() == [2, 2, 2]


def test_rows_that_are_fitted_alike_share_a_bin():
    found = binned_residuals(frame_of([1.0] * 8 + [2.0, 3.0], [0.0] * 8 + [1.0, 2.0]), n_bins=5)
    assert found["n_rows"].to_list() == [8, 2]
    assert found["mean_residual"].to_list() == [0.0, 1.5]
    odd = binned_residuals(frame_of([1.0, 2.0, 3.0, 4.0, 5.0], [0.0] * 5), n_bins=2)
    assert odd["low"].to_list() == [1.0, 3.0]  # a value on the edge goes up
    assert binned_residuals(frame_of([1.0] * 3, [1.0, 2.0, 3.0]))["n_rows"].to_list() == [3]


def test_one_row_has_no_standard_error():
    assert binned_residuals(frame_of([1.0], [2.0]))["standard_error"].to_list() == [None]
    assert binned_residuals(frame_of([], [])).height == 0


def test_few_values_are_points_of_their_own():
    values = np.array([3.0, -1.0, 0.5, np.nan, 2.0])
    found = quantiles(values)
    assert found["value"].to_list() == [-1.0, 0.5, 2.0, 3.0]
    expected = norm.ppf(mstats.plotting_positions(np.arange(4.0), 0.5, 0.5))
    assert found["normal"].to_numpy() == pytest.approx(expected, abs=1e-12)
    assert found["n_values"].to_list() == [1, 1, 1, 1]
    assert quantiles(np.array([np.nan])).height == 0


def test_many_values_are_thinned_but_not_in_the_tails():
    values = norm.ppf((np.arange(100_000) + 0.5) / 100_000)
    found = quantiles(5.0 + 2.0 * values[::-1])
    assert found.height == 200
    assert found["n_values"].sum() == 100_000
    # Normal values lie on a straight line, means of neighbours too.
    assert found["value"].to_numpy() == pytest.approx(5.0 + 2.0 * found["normal"].to_numpy())
    assert found["value"][0] == pytest.approx(5.0 + 2.0 * values[0])
    assert found["value"][-1] == pytest.approx(5.0 + 2.0 * values[-1])
    assert np.diff(found["normal"].to_numpy()).max() < 0.25


@pytest.mark.parametrize("n", [3, 10, 57, 399, 401, 1_000, 1_999, 2_011, 40_000])
@pytest.mark.parametrize("least", [1, 5, 30])
def test_no_point_stands_for_too_few_values(n, least):
    values = np.random.default_rng(n).normal(size=n)
    found = quantiles(values, most=50, least=least)
    assert found.height <= 50
    assert found["n_values"].min() >= min(least, n)
    assert found["n_values"].sum() == n
    assert (found["value"] * found["n_values"]).sum() == pytest.approx(values.sum(), abs=1e-8)
    assert found["normal"].is_sorted()


def test_quantiles_of_a_random_effect():
    _, model = fitted("penicillin_crossed")
    samples = conditional_modes(model)[1].values[:, 0]
    found = quantiles(samples)
    assert found.height == 6
    assert found["value"][0] == pytest.approx(-3.00374417042483, rel=1e-4)  # lme4: sample F
    assert found["value"][5] == pytest.approx(2.18705796741086, rel=1e-4)  # lme4: sample A


def test_spread_by_instrument():
    found = frame_of([0.0] * 6, [1.0, 3.0, None, 5.0, 7.0, 100.0])
    labels = pl.Series(
        "instrument", ["goniometer", "goniometer", "goniometer", "app", None, "tape"]
    )
    by = spread_by_group(found, labels, column="residual")
    assert by["instrument"].to_list() == ["app", "goniometer", "tape"]
    assert by["n_rows"].to_list() == [1, 2, 1]
    assert by["mean"].to_list() == [5.0, 2.0, 100.0]
    assert by["sd"].to_list() == [None, pytest.approx(np.sqrt(2.0)), None]
