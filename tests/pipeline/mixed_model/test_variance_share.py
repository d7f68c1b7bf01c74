"""Shares of variance against lme4 and published numbers.

Source: lme4 1.1-31, R 4.2.2 (variances of the polished REML fits, divided by hand); models and data
as in tests/reference/data (README.md there).
"""

from functools import cache

import numpy as np
import polars as pl
import pytest

from pipeline.mixed_model.description import ModelDescription, Number, RandomTerm
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.variance_share import intraclass_correlations, nakagawa
from schemas.errors import ModelError
from tests.reference.mixed_model_descriptions import reference_model


@cache
def fitted(name):
    reference = reference_model(name)
    return fit(reference.frame, reference.description)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("dyestuff", 0.418487414787705),
        ("hips_rotation_gain", 0.731803816268275),
        ("sleepstudy_ri", 0.589308916078423),
        ("ergostool", 0.594573643372025),
        ("dyestuff2_singular", 0.0),
    ],
)
def test_one_term(name, value):
    [found] = intraclass_correlations(fitted(name))
    assert found.share == pytest.approx(value, rel=1e-5, abs=1e-12)
    assert found.correlation == found.share


@pytest.mark.parametrize(
    ("name", "outer", "inner"),
    [
        ("hips_long_rotation", 0.350595242396753, 0.771634532043598),
        ("machines_nested", 0.606444934768992, 0.975469155058503),
        ("oats_splitplot", 0.440650041260586, 0.666017687463717),
    ],
)
def test_nested_terms_add_up(name, outer, inner):
    within, around = intraclass_correlations(fitted(name))
    assert around.share == pytest.approx(outer, rel=1e-5)
    assert around.correlation == around.share
    assert within.correlation == pytest.approx(inner, rel=1e-5)
    assert within.share == pytest.approx(inner - outer, rel=1e-5)


def test_crossed_terms_do_not_add_up():
    # Shrout & Fleiss (1979) Psychol. Bull. 86:420-428, ICC(2,1) = 0.29.
    subject, judge = intraclass_correlations(fitted("shrout_fleiss_crossed"))
    assert subject.correlation == pytest.approx(0.289763779527559, rel=1e-5)
    # lme4: sigma 1.00967541541677, theta 1.58329150501271 and 2.26813010306867.
    theta = np.array([1.58329150501271, 2.26813010306867])
    assert judge.correlation == pytest.approx(theta[1] ** 2 / (1 + theta @ theta), rel=1e-5)
    assert judge.variance == pytest.approx((1.00967541541677 * theta[1]) ** 2, rel=1e-5)


def test_shares_with_slopes_are_refused():
    with pytest.raises(ModelError) as caught:
        intraclass_correlations(fitted("sleepstudy_rs_corr"))
    assert caught.value.place == "intraclass correlation"
    assert "a slope varies by group" in caught.value.problem
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("name", "marginal", "conditional"),
    [
        ("hips_rotation_gain", 0.288528188853329, 0.809185975417764),
        ("hips_flexion_gain", 0.46257901529452, 0.808527695329875),
        ("sleepstudy_ri", 0.27988563717984, 0.704255451785893),
        ("sleepstudy_rs_corr", 0.278652032136238, 0.799218908539208),
        ("orthodont_ri", 0.409841579356185, 0.782726597097094),
    ],
)
def test_r_squared(name, marginal, conditional):
    # Fixed part's variance with divisor n - 1; slopes by trace(Z Sigma Z') / n (Johnson 2014).
    assert nakagawa(fitted(name)) == pytest.approx((marginal, conditional), abs=1e-6)


def test_r_squared_does_not_mind_where_a_number_is_counted_from():
    reference = reference_model("sleepstudy_ri")
    far = reference.frame.with_columns(Days=pl.col("Days") + 10_000_000)
    found = nakagawa(fit(far, reference.description))
    assert found.marginal == pytest.approx(0.27988563717984, abs=1e-6)


def test_r_squared_of_a_number_in_fractions():
    # The sums count in units of the column, here of a thousandth or of less: the R² is the same.
    reference = reference_model("sleepstudy_rs_corr")
    renamed = ModelDescription(
        outcome="Reaction",
        fixed=(Number(name="weeks"),),
        random=(RandomTerm(by=("Subject",), slopes=("weeks",)),),
    )
    model = fit(reference.frame.with_columns(weeks=pl.col("Days") / 7), renamed)
    assert nakagawa(model) == pytest.approx((0.278652032136238, 0.799218908539208), abs=1e-6)


def test_r_squared_with_weights_is_refused():
    reference = reference_model("dyestuff")
    weighted = reference.description.model_copy(update={"weights": "w"})
    model = fit(reference.frame.with_columns(w=1.0 + pl.int_range(pl.len()) % 2), weighted)
    with pytest.raises(ModelError) as caught:
        nakagawa(model)
    assert caught.value.place == "R²"
    assert "“w”" in caught.value.problem
