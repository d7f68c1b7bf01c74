"""Fits of one random intercept against lme4, on published data.

Source: lme4 1.1-31 and lmerTest 3.1-3 (R 4.2.2), optimum polished by Newton steps; see data/README.md.
Tolerances: the criterion to 1e-6, coefficients and standard errors to 1e-6 relative, degrees of freedom
to 1e-4 relative (lmerTest differentiates numerically, we do not).
"""

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from statsmodels.regression.mixed_linear_model import MixedLM

from pipeline.mixed_model.contrast import estimate
from pipeline.mixed_model.fit import fit_mixed_model
from synthetic_data.open_data.folder import open_data_folder

DATA = Path(__file__).parent / "data"
REFERENCE = json.loads((DATA / "lme4.json").read_text(encoding="utf-8"))
MODELS = REFERENCE["models"]


def hips():
    rows = pl.read_csv(open_data_folder() / "hips.csv")
    assert (rows.height, rows["raft"].sum(), (rows["raft"] ** 2).sum()) == (78, 2317, 75247)
    return rows


def hip_columns(rows):
    treated = (rows["grp"] == "treat").to_numpy().astype(float)
    left = (rows["side"] == "left").to_numpy().astype(float)
    rotation = rows["rbef"].to_numpy() - rows["rbef"].to_numpy().mean()
    flexion = rows["fbef"].to_numpy() - rows["fbef"].to_numpy().mean()
    return np.ones(rows.height), treated, left, rotation, flexion


def hip_model(name):
    rows = hips()
    one, treated, left, rotation, flexion = hip_columns(rows)
    outcome = {"gain": rows["raft"] - rows["rbef"], "after": rows["raft"]}
    flexed = {"gain": rows["faft"] - rows["fbef"], "after": rows["faft"]}
    y, x = {
        "hips_rotation_gain": (outcome["gain"], (one, treated, left, rotation)),
        "hips_flexion_gain": (flexed["gain"], (one, treated, left, flexion)),
        "hips_rotation_gain_unadjusted": (outcome["gain"], (one, treated)),
        "hips_rotation_after": (outcome["after"], (one, rotation, treated, left)),
        "hips_flexion_after": (flexed["after"], (one, flexion, treated)),
        "hips_rotation_gain_interaction": (
            outcome["gain"],
            (one, treated, left, rotation, treated * left),
        ),
    }[name]
    return y.to_numpy().astype(float), np.column_stack(x), rows["person"].to_numpy()


def other_model(name):
    file, outcome, group = {
        "sleepstudy_ri": ("sleepstudy", "Reaction", "Subject"),
        "dyestuff": ("dyestuff", "Yield", "Batch"),
        "orthodont_ri": ("orthodont", "distance", "Subject"),
        "ergostool": ("ergostool", "effort", "Subject"),
        "pastes_batch_only": ("pastes", "strength", "batch"),
    }[name]
    rows = pl.read_csv(DATA / f"{file}.csv")
    one = np.ones(rows.height)
    if name == "sleepstudy_ri":
        x = (one, rows["Days"].to_numpy())
    elif name == "orthodont_ri":
        female = (rows["Sex"] == "Female").to_numpy().astype(float)  # Male is R's reference level
        age = rows["age"].to_numpy() - 11.0
        x = (one, age, female, age * female)
    elif name == "ergostool":
        x = (one, *((rows["Type"] == t).to_numpy().astype(float) for t in ("T2", "T3", "T4")))
    else:
        x = (one,)
    return rows[outcome].to_numpy().astype(float), np.column_stack(x), rows[group].to_numpy()


def rows_of(name):
    return hip_model(name) if name.startswith("hips") else other_model(name)


def terms_of(name):
    terms = MODELS[name]["fixed_terms"]
    return (terms,) if isinstance(terms, str) else tuple(terms)


def fit(name):
    y, x, groups = rows_of(name)
    return fit_mixed_model(y, x, terms_of(name), groups)


NAMES = [name for name in MODELS if name != "dyestuff2_singular"]


@pytest.mark.parametrize("name", NAMES)
def test_the_fit_is_that_of_lme4(name):
    reference, model = MODELS[name]["REML"], fit(name)
    fixed = reference["fixed"]
    assert model.criterion == pytest.approx(reference["minus2_criterion"], abs=1e-6)
    assert np.sqrt(model.ratio) == pytest.approx(reference["theta"], rel=1e-5)
    assert np.sqrt(model.sigma2) == pytest.approx(reference["sigma"], rel=1e-6)
    for place, expected in enumerate(fixed):
        found = estimate(model, np.eye(len(fixed))[place])
        assert model.terms[place] == expected["term"]
        # A coefficient that is zero by design has no relative digits: its standard error is the scale.
        assert found.estimate == pytest.approx(
            expected["estimate"], rel=1e-6, abs=1e-7 * expected["se"]
        )
        assert found.standard_error == pytest.approx(expected["se"], rel=1e-6)
        assert found.degrees_of_freedom == pytest.approx(expected["satterthwaite_df"], rel=1e-4)
        assert found.p == pytest.approx(expected["satterthwaite_p"], rel=1e-3, abs=1e-12)


def test_the_covariance_is_that_of_lme4():
    expected = np.array(MODELS["hips_rotation_gain"]["REML"]["fixed_vcov"])
    assert fit("hips_rotation_gain").covariance == pytest.approx(expected, rel=1e-6)


def test_marginal_means_are_those_of_emmeans():
    model, expected = fit("hips_rotation_gain"), MODELS["hips_rotation_gain"]["emmeans"]["means"]
    for treated, mean in enumerate(expected):  # equal weights over side, pretest at its mean
        found = estimate(model, np.array([1.0, treated, 0.5, 0.0]))
        assert found.estimate == pytest.approx(mean["estimate"], rel=1e-6)
        assert found.standard_error == pytest.approx(mean["se"], rel=1e-6)
        assert found.degrees_of_freedom == pytest.approx(mean["df"], rel=1e-4)
        assert (found.low, found.high) == pytest.approx((mean["low"], mean["high"]), rel=1e-5)


def test_a_zero_variance_between_groups_is_found_and_flagged():
    rows = pl.read_csv(DATA / "dyestuff2.csv")
    model = fit_mixed_model(
        rows["Yield"].to_numpy(),
        np.ones((rows.height, 1)),
        ("(Intercept)",),
        rows["Batch"].to_numpy(),
    )
    reference = MODELS["dyestuff2_singular"]["REML"]
    assert model.is_singular
    assert model.group_variance == 0.0
    assert model.criterion == pytest.approx(reference["minus2_criterion"], abs=1e-6)
    assert model.coefficients[0] == pytest.approx(reference["fixed"][0]["estimate"], rel=1e-9)


def test_the_balanced_one_way_fit_is_the_analysis_of_variance():
    # Davies & Goldsmith 1972 sec. 6.4: var(batch) = (MSB - MSW)/5 = 1764.05.
    assert fit("dyestuff").group_variance == pytest.approx(1764.05, rel=1e-7)


def test_gain_and_after_models_differ_by_one_in_the_pretest_alone():
    gain, after = fit("hips_rotation_gain"), fit("hips_rotation_after")
    one, treated, left, pretest = after.coefficients[[0, 2, 3, 1]] - gain.coefficients
    assert (treated, left, pretest) == pytest.approx((0, 0, 1), abs=1e-8)
    assert one == pytest.approx(24.8461538461538)  # the pretest is centred on this mean


def test_two_hips_of_each_person_give_the_t_test_on_person_means():
    found = estimate(fit("hips_rotation_gain_unadjusted"), np.array([0.0, 1.0]))
    # Two-sample t test on the means of 27 and 12 persons (R's t.test): t 2.96461, df 37.
    assert found.t == pytest.approx(2.96461261661962, rel=1e-8)
    assert found.degrees_of_freedom == pytest.approx(37, rel=1e-6)


def test_statsmodels_reaches_the_same_optimum():
    y, x, groups = hip_model("hips_rotation_gain")
    theirs = MixedLM(y, x, groups).fit(reml=True, method=["lbfgs"])
    ours = fit("hips_rotation_gain")
    # MixedLM stops where its own gradient is small: four digits of a variance are its accuracy.
    assert ours.group_variance == pytest.approx(float(np.asarray(theirs.cov_re)[0, 0]), rel=1e-4)
    assert ours.sigma2 == pytest.approx(theirs.scale, rel=1e-4)
    assert ours.coefficients == pytest.approx(np.asarray(theirs.fe_params), rel=1e-4, abs=1e-6)
