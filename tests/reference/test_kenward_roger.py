"""Kenward and Roger's covariance and degrees of freedom against pbkrtest.

Source: data/lme4.json (pbkrtest 0.5.2, lmerTest 3.1-3, emmeans 1.8.4-1, lme4 1.1-31, R 4.2.2; see
data/README.md), at the variance components found there, so that no optimiser is between the two. Both
are closed forms: 1e-9 leaves three digits to spare. One test goes through our own fit.
"""

import numpy as np
import polars as pl
import pytest

from pipeline.mixed_model.description import Method
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.kenward_roger import (
    MOST_ROWS,
    adjusted_covariance,
    denominator_and_scale,
    kenward_roger,
    kenward_roger_estimate,
    kenward_roger_test,
)
from schemas.errors import ModelError
from tests.reference.dense_mixed_model import (
    factor_levels,
    fixed_design,
    random_design,
    type_three,
)
from tests.reference.mixed_model_descriptions import (
    MODELS,
    NAMES,
    component,
    dataset,
    in_order_of,
    r_group,
    r_term,
    reference_model,
)

OFFERED = [name for name in NAMES if "kenward_roger" in MODELS[name]["REML"]]
TESTED = [name for name in NAMES if "F_tests_kenward_roger_type_III" in MODELS[name]["REML"]]
TIGHT = 1e-9


def parts_of(frame, description):
    """Group's matrices of the variance, each with its term and pair of columns."""
    for term in description.random:
        groups, z = random_design(frame, term)
        z = z.reshape(frame.height, len(groups), -1)
        for j, second in enumerate(term.columns):
            for i, first in enumerate(term.columns[: j + 1]):
                if i == j or term.correlated:
                    product = z[:, :, i] @ z[:, :, j].T
                    yield (term, first, second), product if i == j else product + product.T


def adjusted(model):
    """Correct at the components of R; coefficients in the order of our columns."""
    names, _, x = fixed_design(model.frame, model.description)
    keys, parts = zip(*parts_of(model.frame, model.description), strict=True)
    sizes = [component(model.expected, r_group(t), r_term(a), r_term(b)) for t, a, b in keys]
    found = adjusted_covariance(
        x, [*parts, np.eye(len(x))], [*sizes, component_of_rest(model.expected)]
    )
    places = in_order_of(names, model.expected["fixed"])
    coefficients = np.zeros(len(places))
    coefficients[places] = [row["estimate"] for row in model.expected["fixed"]]
    return found, coefficients, places


def component_of_rest(expected):
    return expected["variance_components"][-1]["vcov"]


@pytest.mark.parametrize("name", OFFERED)
def test_the_covariance_is_that_of_pbkrtest(name):
    model = reference_model(name)
    found, _, places = adjusted(model)
    expected = np.array(model.expected["kenward_roger_vcov"])
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    ours = found.covariance[np.ix_(places, places)]
    assert ours / scale == pytest.approx(expected / scale, abs=TIGHT)


@pytest.mark.parametrize("name", OFFERED)
def test_degrees_of_freedom_of_each_coefficient_are_those_of_pbkrtest(name):
    model = reference_model(name)
    found, coefficients, places = adjusted(model)
    for place, row in zip(places, model.expected["kenward_roger"], strict=True):
        test = kenward_roger_test(found, coefficients, np.eye(len(places))[[place]])
        assert test.denominator == pytest.approx(row["df"], rel=TIGHT)
        assert test.statistic == pytest.approx(row["t"] ** 2, rel=1e-8, abs=1e-12)
        assert test.p == pytest.approx(row["p"], rel=1e-7)
        one = kenward_roger_estimate(found, coefficients, np.eye(len(places))[place])
        assert one.standard_error == pytest.approx(row["se"], rel=TIGHT)
        assert (one.t, one.p) == pytest.approx((row["t"], row["p"]), rel=1e-7, abs=1e-12)


@pytest.mark.parametrize("name", TESTED)
def test_f_tests_are_those_of_pbkrtest(name):
    model = reference_model(name)
    found, coefficients, _ = adjusted(model)
    hypotheses = type_three(model.frame, model.description)
    for row in model.expected["F_tests_kenward_roger_type_III"]:
        test = kenward_roger_test(found, coefficients, hypotheses[tuple(row["term"].split(":"))])
        assert test.numerator == row["num_df"]
        assert test.denominator == pytest.approx(row["den_df"], rel=TIGHT)
        assert test.statistic == pytest.approx(row["F"], rel=1e-8, abs=1e-12)
        assert test.p == pytest.approx(row["p"], rel=1e-7)


@pytest.mark.parametrize("name", ["ergostool", "machines_unbalanced", "oats_splitplot"])
def test_marginal_means_and_their_pairs_are_those_of_emmeans(name):
    """One factor's means with equal weights over the other's levels."""
    model = reference_model(name)
    expected = MODELS[name]["emmeans_REML"]
    found, coefficients, _ = adjusted(model)
    [by] = expected["by"]
    others = [term for term in model.description.main_terms if term.name != by]
    weights = {}
    for row in expected["kenward_roger"]["means"]:
        grid = pl.DataFrame({by: [row[by]]})
        for other in others:
            levels = pl.DataFrame({other.name: factor_levels(other, model.frame)})
            grid = grid.join(levels, how="cross")
        values = fixed_design(grid, model.description, levels_from=model.frame)[2]
        weights[row[by].removeprefix(by)] = values.mean(axis=0)
        one = kenward_roger_estimate(found, coefficients, values.mean(axis=0))
        check_estimate(one, row)
    for row in expected["kenward_roger"]["pairwise_unadjusted"]:
        left, right = (weights[k.removeprefix(by)] for k in row["contrast"].split(" - "))
        one = kenward_roger_estimate(found, coefficients, left - right)
        check_estimate(one, row)
        assert (one.t, one.p) == pytest.approx((row["statistic"], row["p"]), rel=1e-7)


def check_estimate(found, row):
    assert found.estimate == pytest.approx(row["estimate"], rel=1e-9)
    assert found.standard_error == pytest.approx(row["se"], rel=TIGHT)
    assert found.degrees_of_freedom == pytest.approx(row["df"], rel=TIGHT)
    assert (found.low, found.high) == pytest.approx((row["low"], row["high"]), rel=1e-7)


@pytest.mark.parametrize("name", OFFERED)
def test_the_engines_own_fit_gives_the_same(name):
    # Through the engine's optimum, also where a variance lies at zero; what its variances leave over
    # of lme4's is some 1e-6.
    model = reference_model(name)
    fitted = fit(model.frame, model.description)
    found = kenward_roger(model.frame, fitted)
    places = in_order_of(fitted.terms, model.expected["fixed"])
    expected = np.array(model.expected["kenward_roger_vcov"])
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    ours = found.covariance[np.ix_(places, places)]
    assert ours / scale == pytest.approx(expected / scale, abs=1e-5)
    for place, row in zip(places, model.expected["kenward_roger"], strict=True):
        one = kenward_roger_estimate(found, fitted.coefficients, np.eye(len(places))[place])
        assert one.standard_error == pytest.approx(row["se"], rel=1e-5)
        assert one.degrees_of_freedom == pytest.approx(row["df"], rel=1e-4)
        assert one.p == pytest.approx(row["p"], rel=1e-3, abs=1e-12)


def test_a_joint_test_is_scaled():
    # Oats without 27 of its plots, by rule; R 4.2.2, lme4 1.1-31 (bobyqa, rhoend 1e-10), pbkrtest
    # 0.5.2: KRmodcomp(m, cbind(0, diag(5))) of lmer(yield ~ nitrof + Variety + (1 | Block) +
    # (1 | Block:Variety)). Its components are given to us, so that F holds to what lmer left over.
    place = pl.int_range(1, pl.len() + 1)
    gone = ((place % 3 == 0) & (place < 40)) | place.is_in([1, 2, 4, *range(50, 61)])
    frame = dataset("Oats").filter(~gone)
    assert (frame.height, frame["yield"].sum()) == (45, 4557)
    description = reference_model("oats_splitplot").description
    x = fixed_design(frame, description)[2]
    parts = [part for _, part in parts_of(frame, description)]
    sizes = [190.42385368014590, 8.66869491321088, 175.83716644528016]
    found = adjusted_covariance(x, [*parts, np.eye(45)], sizes)
    coefficients = np.array(
        [81.67344104114787, 20.77392783998117, 34.85778258323079, 41.79786403807961,
         8.20232199331269, -18.01773544499463]
    )  # fmt: skip
    test = kenward_roger_test(found, coefficients, np.eye(6)[1:])
    assert test.denominator == pytest.approx(20.4198021222254, rel=1e-9)
    scale = denominator_and_scale(found, np.eye(6)[1:])[1]
    assert scale == pytest.approx(0.948986571967607, rel=1e-9)
    assert test.statistic == pytest.approx(14.2107680029481, rel=1e-9)
    assert test.p == pytest.approx(4.65315743066289e-06, rel=1e-7)
    variety = kenward_roger_test(found, coefficients, np.eye(6)[4:])
    assert variety.statistic == pytest.approx(3.11859276344439, rel=1e-9)
    assert variety.denominator == pytest.approx(8.29831273690137, rel=1e-9)


def test_units_and_origin_do_not_matter():
    model = reference_model("hips_rotation_gain")
    names, _, x = fixed_design(model.frame, model.description)
    parts = [*(part for _, part in parts_of(model.frame, model.description)), np.eye(78)]
    sizes = np.array([21.0, 7.7])
    plain = adjusted_covariance(x, parts, sizes)
    moved = x.copy()
    moved[:, names.index("rbef_c")] += 1e6
    far = adjusted_covariance(moved, parts, 1e6 * sizes)
    place = names.index("grp=treat")
    contrast = np.eye(4)[[place]]
    assert far.covariance[place, place] == pytest.approx(
        1e6 * plain.covariance[place, place], rel=1e-6
    )
    assert denominator_and_scale(far, contrast)[0] == pytest.approx(
        denominator_and_scale(plain, contrast)[0], rel=1e-6
    )


def test_a_fit_by_maximum_likelihood_is_refused():
    model = reference_model("ergostool", Method.ML)
    with pytest.raises(ModelError) as refused:
        kenward_roger(model.frame, fit(model.frame, model.description))
    assert "maximum likelihood" in refused.value.problem
    assert refused.value.remedy == "Fit by REML."


def test_other_rows_than_the_fits_are_refused():
    model = reference_model("ergostool")
    with pytest.raises(ModelError) as refused:
        kenward_roger(model.frame.head(35), fit(model.frame, model.description))
    assert "of 36 rows, not of these 35" in refused.value.problem


def test_many_rows_are_refused():
    n = MOST_ROWS + 1
    with pytest.raises(ModelError) as refused:
        adjusted_covariance(np.ones((n, 1)), [], [])
    assert "2,001 rows" in refused.value.problem
    assert "Satterthwaite" in refused.value.remedy


def test_components_that_rows_cannot_tell_apart_are_refused():
    # A level for every row says what the residual says.
    with pytest.raises(ModelError) as refused:
        adjusted_covariance(np.ones((12, 1)), [np.eye(12), np.eye(12)], [1.0, 2.0])
    assert "do not tell the variance components apart" in refused.value.problem


def test_contrasts_that_repeat_are_refused():
    found, coefficients, _ = adjusted(reference_model("ergostool"))
    with pytest.raises(ModelError) as refused:
        kenward_roger_test(found, coefficients, np.array([[0, 1.0, 0, 0], [0, 2.0, 0, 0]]))
    assert "follows from the others" in refused.value.problem
