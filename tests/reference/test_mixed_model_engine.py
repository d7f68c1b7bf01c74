"""The engine's fits and inference against lme4 and lmerTest, on published data.

Source: data/lme4.json, made with lme4 1.1-31, lmerTest 3.1-3 and nlme 3.1-162 (R 4.2.2), optimum
polished by Newton steps; see data/README.md. Tolerances: the criterion to 1e-6, and never more than
1e-4 above lme4's; coefficients and standard errors to 1e-5 of their size, variances to 1e-4, degrees
of freedom to 1e-3 (lmerTest differentiates numerically). On a boundary lmerTest's degrees of freedom
are not regular and are not compared.
"""

from functools import cache

import numpy as np
import polars as pl
import pytest
from scipy.stats import ttest_ind
from statsmodels.regression.mixed_linear_model import MixedLM

from pipeline.mixed_model.contrast import estimate
from pipeline.mixed_model.degrees_of_freedom import f_test
from pipeline.mixed_model.description import Method, ModelDescription, RandomTerm
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.likelihood_ratio import likelihood_ratio_test, variance_test
from pipeline.mixed_model.random_effect import conditional_modes
from pipeline.mixed_model.variance_share import intraclass_correlations, nakagawa
from tests.reference.dense_mixed_model import (
    fixed_design,
    group_labels,
    random_design,
    type_three,
)
from tests.reference.mixed_model_descriptions import (
    LARGE,
    MODELS,
    NAMES,
    REFERENCE,
    component,
    in_order_of,
    r_group,
    r_term,
    reference_model,
)

METHODS = tuple(Method)
ALL = (*NAMES, *LARGE)
SINGULAR = {(n, m) for n in ALL for m in METHODS if MODELS[n][m.name]["singular"]}
EVERY_FIT = pytest.mark.parametrize(("name", "method"), [(n, m) for n in ALL for m in METHODS])
REGULAR_FIT = pytest.mark.parametrize(
    ("name", "method"), [(n, m) for n in ALL for m in METHODS if (n, m) not in SINGULAR]
)


@cache
def fitted(name, method=Method.REML):
    model = reference_model(name, method)
    return fit(model.frame, model.description)


def weights_of(model, place):
    """Weights of one coefficient on all columns."""
    return np.eye(len(model.columns))[place]


def test_which_fits_lie_on_a_boundary():
    assert {(name, method.name) for name, method in SINGULAR} == {
        ("hips_long_flexion_zero_variance", "REML"),
        ("hips_long_rotation_corr_one", "REML"),
        ("hips_long_rotation_corr_one", "ML"),
        ("dyestuff2_singular", "REML"),
        ("dyestuff2_singular", "ML"),
    }


@EVERY_FIT
def test_the_criterion_is_not_above_lme4s(name, method):
    model, expected = fitted(name, method), reference_model(name, method).expected
    assert model.criterion <= expected["minus2_criterion"] + 1e-6
    # Nor below: lme4's optimum was polished, so that a lower one is another criterion.
    assert model.criterion >= expected["minus2_criterion"] - 1e-6
    assert model.n_rows == expected["n_obs"]
    assert model.verdict.converged
    if method is Method.REML:  # where lmer itself stops, with its own settings
        assert model.criterion <= MODELS[name]["stock_criterion"] + 1e-6


@EVERY_FIT
def test_boundary_fits_are_flagged_as_by_lme4(name, method):
    model = fitted(name, method)
    assert model.is_singular == reference_model(name, method).is_singular
    assert model.is_singular == any(part.is_singular for part in model.components)


@EVERY_FIT
def test_coefficients_and_standard_errors(name, method):
    model, expected = fitted(name, method), reference_model(name, method).expected
    places = in_order_of(model.terms, expected["fixed"])
    errors = np.sqrt(np.diag(model.covariance))[places]
    expected_errors = [row["se"] for row in expected["fixed"]]
    values = [row["estimate"] for row in expected["fixed"]]
    assert errors == pytest.approx(expected_errors, rel=1e-5)
    assert model.coefficients[places] == pytest.approx(
        values, rel=1e-5, abs=1e-7 * min(expected_errors)
    )
    covariance = model.covariance[np.ix_(places, places)]
    scale = np.outer(expected_errors, expected_errors)
    assert covariance / scale == pytest.approx(np.array(expected["fixed_vcov"]) / scale, abs=1e-5)


@EVERY_FIT
def test_variance_components(name, method):
    model, expected = fitted(name, method), reference_model(name, method).expected
    assert np.sqrt(model.sigma2) == pytest.approx(expected["sigma"], rel=1e-5)
    # On a boundary what is zero stays zero, and the others follow to the criterion's digits.
    rel = 1e-3 if (name, method) in SINGULAR else 1e-4
    for part in model.components:
        assert part.n_levels == expected["n_groups"][r_group(part.term)]
        deviations = []
        for place, column in enumerate(part.columns):
            found = component(expected, r_group(part.term), r_term(column))
            deviations.append(np.sqrt(found))
            assert part.covariance[place, place] == pytest.approx(found, rel=rel, abs=1e-8)
        for i, j in zip(*np.triu_indices(len(part.columns), 1), strict=True):
            if part.term.correlated:
                names = (r_term(part.columns[i]), r_term(part.columns[j]))
                found = component(expected, r_group(part.term), *names)
            else:
                found = 0.0
            scale = deviations[i] * deviations[j]
            assert part.covariance[i, j] == pytest.approx(found, abs=rel * scale)


@REGULAR_FIT
def test_theta_is_in_lme4s_order(name, method):
    expected = reference_model(name, method).expected["theta"]
    assert fitted(name, method).theta == pytest.approx(expected, rel=1e-3, abs=1e-5)


@REGULAR_FIT
def test_satterthwaites_degrees_of_freedom_and_p(name, method):
    model, expected = fitted(name, method), reference_model(name, method).expected
    for place, row in zip(
        in_order_of(model.columns, expected["fixed"]), expected["fixed"], strict=True
    ):
        found = estimate(model, weights_of(model, place))
        assert found.degrees_of_freedom == pytest.approx(row["satterthwaite_df"], rel=1e-3)
        assert found.t == pytest.approx(row["t"], rel=2e-5, abs=1e-6)
        # p far out in the tail moves fast with t: rel. 1e-5 of t is some 1e-3 of p at p = 1e-20.
        assert found.p == pytest.approx(row["satterthwaite_p"], rel=1e-3, abs=1e-12)


@pytest.mark.parametrize(
    "name",
    [
        n
        for n in ALL
        if "F_tests_satterthwaite_type_III" in MODELS[n]["REML"]
        and (n, Method.REML) not in SINGULAR
    ],
)
def test_marginal_f_tests(name):
    reference, model = reference_model(name), fitted(name)
    hypotheses = type_three(reference.frame, reference.description)
    names = fixed_design(
        reference.frame.head(2), reference.description, levels_from=reference.frame
    )[0]
    order = [names.index(column) for column in model.terms]
    for row in reference.expected["F_tests_satterthwaite_type_III"]:
        contrasts = hypotheses[tuple(row["term"].split(":"))][:, order]
        found = f_test(model, contrasts)
        assert found.numerator == row["num_df"]
        assert found.denominator == pytest.approx(row["den_df"], rel=1e-3)
        assert found.statistic == pytest.approx(row["F"], rel=2e-5, abs=1e-10)
        assert found.p == pytest.approx(row["p"], rel=1e-3, abs=1e-12)


def modes_of(model, frame, term):
    """Modes, deviations and places by R's label of each group."""
    [found] = [part for part in conditional_modes(model) if part.term == term]
    labels = group_labels(found.levels, term.by)
    return found, {label: place for place, label in enumerate(labels)}


@EVERY_FIT
def test_conditional_modes_and_their_deviations(name, method):
    reference, model = reference_model(name, method), fitted(name, method)
    n_checked = 0
    for term in reference.description.random:
        found, place = modes_of(model, reference.frame, term)
        for row in reference.expected["blups"][r_group(term)]:
            for column, column_name in enumerate(term.columns):
                mode = found.values[place[row["level"]], column]
                n_checked += 1
                if "conditional_sd" not in row:  # R gives none where two terms share a factor
                    assert mode == pytest.approx(row["value"][r_term(column_name)], rel=1e-4)
                    continue
                deviation = row["conditional_sd"][r_term(column_name)]
                expected = row["value"][r_term(column_name)]
                assert mode == pytest.approx(expected, rel=1e-4, abs=1e-4 * deviation + 1e-8)
                error = found.standard_deviations[place[row["level"]], column]
                assert error == pytest.approx(deviation, rel=1e-4, abs=1e-7)
    assert n_checked >= 3


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("name", NAMES)
def test_fitted_values_and_residuals_of_the_first_rows(name, method):
    reference, model = reference_model(name, method), fitted(name, method)
    names, _, x = fixed_design(reference.frame, reference.description)
    values = x[:, [names.index(column) for column in model.terms]] @ model.coefficients
    for term in reference.description.random:
        groups, z = random_design(reference.frame, term)
        found, place = modes_of(model, reference.frame, term)
        values += z @ found.values[[place[group] for group in groups]].ravel()
    expected = reference.expected["fitted_first3"]
    assert values[:3] == pytest.approx(expected, abs=1e-4 * np.sqrt(model.sigma2))
    y = reference.frame[reference.description.outcome].to_numpy()
    assert y[:3] - values[:3] == pytest.approx(
        reference.expected["residual_first3"], abs=1e-4 * np.sqrt(model.sigma2)
    )


@pytest.mark.parametrize("name", [n for n in ALL if "icc_by_hand" in MODELS[n]])
def test_intraclass_correlations(name):
    expected = MODELS[name]["icc_by_hand"]
    shares = {r_group(part.term): part for part in intraclass_correlations(fitted(name))}
    if "value" in expected:
        found = shares[expected["group"]]
        assert found.correlation == pytest.approx(expected["value"], rel=1e-4, abs=1e-9)
    else:
        outer, inner = shares[expected["outer_group"]], shares[expected["inner_group"]]
        assert outer.correlation == pytest.approx(expected["outer"], rel=1e-4)
        assert inner.correlation == pytest.approx(expected["inner"], rel=1e-4)
        assert inner.share == pytest.approx(expected["inner"] - expected["outer"], rel=1e-4)


@pytest.mark.parametrize("name", [n for n in ALL if "nakagawa_r2" in MODELS[n]])
def test_marginal_and_conditional_r_squared(name):
    # Nakagawa & Schielzeth (2013) Methods Ecol. Evol. 4:133-142; Johnson (2014) 5:944-946.
    expected = MODELS[name]["nakagawa_r2"]
    found = nakagawa(fitted(name))
    assert found.marginal == pytest.approx(expected["r2_marginal"], rel=1e-5)
    assert found.conditional == pytest.approx(expected["r2_conditional"], rel=1e-5)


COMPARED = {row["id"]: row for row in REFERENCE["likelihood_ratio_tests"]}


@pytest.mark.parametrize("name", [n for n in COMPARED if n != "hips_random_intercept"])
def test_likelihood_ratio_tests(name):
    expected = COMPARED[name]
    smaller, larger = (fitted(expected[k], Method.ML) for k in ("smaller", "larger"))
    found = likelihood_ratio_test(smaller, larger)
    assert -smaller.criterion / 2 == pytest.approx(expected["logLik_smaller"], abs=1e-6)
    assert found.statistic == pytest.approx(expected["chisq"], abs=2e-6)
    assert found.degrees_of_freedom == expected["df"]
    assert found.p == pytest.approx(expected["p"], rel=1e-5)
    if "p_half_mixture" in expected:
        # Self & Liang (1987) J. Am. Stat. Assoc. 82:605-610; Stram & Lee (1994) Biometrics 50:1171.
        assert found.p_boundary == pytest.approx(expected["p_half_mixture"], rel=1e-5)


def test_a_variance_is_tested_against_least_squares():
    # The smaller model of R is lm(), fitted by maximum likelihood.
    expected = COMPARED["hips_random_intercept"]
    found = variance_test(fitted("hips_rotation_gain", Method.ML), 0)
    assert found.statistic == pytest.approx(expected["chisq"], abs=2e-6)
    assert found.degrees_of_freedom == expected["df"]
    assert found.p == pytest.approx(expected["p"], rel=1e-5)
    assert found.p_boundary == pytest.approx(expected["p_half_mixture"], rel=1e-5)


@pytest.mark.parametrize("row", REFERENCE["cross_engine_nlme"], ids=lambda row: row["model"])
def test_nlme_reaches_the_same_likelihood(row):
    # nlme 3.1-162, lme(): an engine of other authors on the same models.
    assert -fitted(row["model"]).criterion / 2 == pytest.approx(row["logLik_nlme"], abs=1e-6)


def test_terms_held_independent_may_be_written_apart():
    reference, together = reference_model("sleepstudy_rs_uncorr"), fitted("sleepstudy_rs_uncorr")
    apart = reference.description.model_copy(
        update={
            "random": (
                RandomTerm(by=("Subject",)),
                RandomTerm(by=("Subject",), slopes=("Days",), intercept=False),
            )
        }
    )
    model = fit(reference.frame, ModelDescription.model_validate(apart.model_dump()))
    assert model.criterion == pytest.approx(together.criterion, abs=1e-8)
    assert model.theta == pytest.approx(together.theta, rel=1e-5)


@pytest.mark.parametrize(
    ("name", "inner"),
    [("pastes_nested", ("batch", "cask")), ("oats_splitplot", ("Variety", "Block"))],
)
def test_nested_groups_may_be_named_in_several_ways(name, inner):
    reference = reference_model(name)
    random = (RandomTerm(by=inner), *reference.description.random[1:])
    model = fit(reference.frame, reference.description.model_copy(update={"random": random}))
    assert model.criterion == pytest.approx(fitted(name).criterion, abs=1e-8)
    backwards = reference.description.model_copy(update={"random": random[::-1]})
    assert fit(reference.frame, backwards).criterion == pytest.approx(model.criterion, abs=1e-8)


def variance_of(name, group, column="(Intercept)"):
    [part] = [p for p in fitted(name).components if r_group(p.term) == group]
    place = [r_term(c) for c in part.columns].index(column)
    return part.covariance[place, place]


def coefficient(name, term, *, error=False):
    model = fitted(name)
    place = [r_term(c) for c in model.terms].index(term)
    return np.sqrt(model.covariance[place, place]) if error else model.coefficients[place]


@pytest.mark.parametrize(
    ("printed", "digits", "value"),
    [
        # Bates, Maechler, Bolker & Walker (2015) J. Stat. Softw. 67(1), summary(fm1) as printed.
        (1743.6, 1, lambda: fitted("sleepstudy_rs_corr").criterion),
        # 612.09 of the article; newer lmer() stops at 612.1002 and prints 612.10.
        (612.09, 2, lambda: variance_of("sleepstudy_rs_corr", "Subject")),
        (5.922, 3, lambda: np.sqrt(variance_of("sleepstudy_rs_corr", "Subject", "Days"))),
        (654.94, 2, lambda: fitted("sleepstudy_rs_corr").sigma2),
        (251.405, 3, lambda: coefficient("sleepstudy_rs_corr", "(Intercept)")),
        (6.825, 3, lambda: coefficient("sleepstudy_rs_corr", "(Intercept)", error=True)),
        (10.467, 3, lambda: coefficient("sleepstudy_rs_corr", "Days")),
        (1.546, 3, lambda: coefficient("sleepstudy_rs_corr", "Days", error=True)),
        # Bates, lme4: Mixed-effects modeling with R (draft book), ch. 1 and 2 (from memory).
        (319.7, 1, lambda: fitted("dyestuff").criterion),
        (1764, 0, lambda: variance_of("dyestuff", "Batch")),
        (2451, 0, lambda: fitted("dyestuff").sigma2),
        (19.38, 2, lambda: coefficient("dyestuff", "(Intercept)", error=True)),
        (330.9, 1, lambda: fitted("penicillin_crossed").criterion),
        (0.7169, 4, lambda: variance_of("penicillin_crossed", "plate")),
        (0.3024, 4, lambda: fitted("penicillin_crossed").sigma2),
        (0.8086, 4, lambda: coefficient("penicillin_crossed", "(Intercept)", error=True)),
        # Documentation of MixedModels.jl, y ~ 1 + service + (1|s) + (1|d) + (1|dept) (from memory).
        (237721.7688, 4, lambda: fitted("insteval_service_dept", Method.ML).criterion),
    ],
)
def test_printed_digits(printed, digits, value):
    assert round(value(), digits) == printed


def test_the_printed_correlation():
    # 0.07 in summary(fm1), Bates et al. (2015).
    [part] = fitted("sleepstudy_rs_corr").components
    d = np.sqrt(np.diag(part.covariance))
    assert round(part.covariance[0, 1] / (d[0] * d[1]), 2) == 0.07


def test_a_correlation_of_one():
    [part] = fitted("hips_long_rotation_corr_one").components
    d = np.sqrt(np.diag(part.covariance))
    assert part.covariance[0, 1] / (d[0] * d[1]) == pytest.approx(1.0, abs=1e-6)


def test_a_zero_variance_leaves_the_mean():
    # Box & Tiao (1973) sec. 5.1.2: no variance between batches, so the mean with its plain error.
    y = reference_model("dyestuff2_singular").frame["Yield"].to_numpy()
    model = fitted("dyestuff2_singular")
    assert variance_of("dyestuff2_singular", "Batch") == 0.0
    assert model.coefficients[0] == pytest.approx(y.mean(), rel=1e-12)
    assert np.sqrt(model.covariance[0, 0]) == pytest.approx(y.std(ddof=1) / np.sqrt(30), rel=1e-9)


def test_the_balanced_one_way_fit_is_the_analysis_of_variance():
    # Davies & Goldsmith (1972) sec. 6.4: var(batch) = (MSB - MSW)/5 = 1764.05.
    assert variance_of("dyestuff", "Batch") == pytest.approx(1764.05, rel=1e-6)


def test_the_crossed_fit_is_the_intraclass_correlation_of_shrout_and_fleiss():
    # Shrout & Fleiss (1979) Psychol. Bull. 86:420-428: ICC(2,1) = 0.29 from mean squares.
    subject, judge = (variance_of("shrout_fleiss_crossed", k) for k in ("subject", "judge"))
    share = subject / (subject + judge + fitted("shrout_fleiss_crossed").sigma2)
    assert share == pytest.approx(0.289763779527559, rel=1e-6)


def test_gain_and_after_models_differ_by_one_in_the_pretest_alone():
    gain, after = fitted("hips_rotation_gain"), fitted("hips_rotation_after")
    places = [after.terms.index(term) for term in gain.terms]
    differences = dict(zip(gain.terms, after.coefficients[places] - gain.coefficients, strict=True))
    assert differences.pop("rbef_c") == pytest.approx(1.0, abs=1e-8)
    # The pretest is centred on 24.846…, so that the intercept differs by it.
    assert differences.pop("(intercept)") == pytest.approx(24.8461538461538, rel=1e-9)
    assert list(differences.values()) == pytest.approx([0.0, 0.0], abs=1e-8)


def test_two_hips_of_each_person_give_the_t_test_on_person_means():
    frame = reference_model("hips_rotation_gain_unadjusted").frame
    people = frame.group_by("person", "grp").agg(pl.col("rgain").mean())
    treated, control = (people.filter(grp=g)["rgain"].to_numpy() for g in ("treat", "control"))
    model = fitted("hips_rotation_gain_unadjusted")
    found = estimate(model, weights_of(model, model.columns.index("grp=treat")))
    expected = ttest_ind(treated, control)
    assert expected.statistic == pytest.approx(2.96461261661962)  # R 4.2.2, t.test
    assert found.t == pytest.approx(expected.statistic, rel=1e-7)
    assert found.degrees_of_freedom == pytest.approx(37, rel=1e-6)
    assert found.p == pytest.approx(expected.pvalue, rel=1e-6)


def test_statsmodels_reaches_the_same_optimum():
    reference, ours = reference_model("hips_rotation_gain"), fitted("hips_rotation_gain")
    names, _, x = fixed_design(reference.frame, reference.description)
    y, groups = (reference.frame[c].to_numpy() for c in ("rgain", "person"))
    theirs = MixedLM(y.astype(float), x, groups).fit(reml=True, method=["lbfgs"])
    order = [names.index(term) for term in ours.terms]
    # MixedLM stops where its own gradient is small: four digits of a variance are its accuracy.
    assert ours.components[0].covariance[0, 0] == pytest.approx(
        float(np.asarray(theirs.cov_re)[0, 0]), rel=1e-4
    )
    assert ours.sigma2 == pytest.approx(theirs.scale, rel=1e-4)
    assert ours.coefficients == pytest.approx(
        np.asarray(theirs.fe_params)[order], rel=1e-4, abs=1e-6
    )
