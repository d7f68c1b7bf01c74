"""Marginal means: weights worked out by hand, and the average over the whole grid as a second route."""

from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from pipeline.mixed_model.columns import coded_columns, column_matrix, raw_columns
from pipeline.mixed_model.contrast import estimate
from pipeline.mixed_model.description import (
    Factor,
    Interaction,
    ModelDescription,
    Number,
    RandomTerm,
    Spline,
)
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.marginal_mean import (
    interaction_contrasts,
    marginal_weights,
    pairwise,
    reference_grid,
    simple_effects,
)
from schemas.errors import ModelError

LEVELS = {
    "technique": ("lateral", "distal", "inferior"),
    "side": ("left", "right"),
    "grade": ("III", "IV"),
}
MEANS = {"pretest_deg": 30.0, "seconds": 40.0}
SHARES = {
    "technique": {"lateral": 0.5, "distal": 0.3, "inferior": 0.2},
    "side": {"left": 0.4, "right": 0.6},
    "grade": {"III": 0.25, "IV": 0.75},
}
PARTS = (
    Factor(name="technique"),
    Factor(name="side"),
    Factor(name="grade"),
    Number(name="pretest_deg"),
    Spline(name="seconds", knots=(30.0, 60.0), boundary=(10.0, 90.0)),
)
PRODUCTS = (
    Interaction(of=("technique", "side")),
    Interaction(of=("technique", "grade", "pretest_deg")),
    Interaction(of=("side", "seconds")),
    Interaction(of=("pretest_deg", "seconds")),
)


def stand_in(*fixed):
    """What marginal means need of a model, without a fit."""
    description = ModelDescription(
        outcome="gain_deg", fixed=fixed, random=(RandomTerm(by=("patient",)),)
    )
    names = {term.name for term in description.main_terms}
    levels = {name: found for name, found in LEVELS.items() if name in names}
    return SimpleNamespace(
        description=description,
        levels=levels,
        means=MEANS,
        shares=SHARES,
        columns=coded_columns(description, levels),
    )


TWO_WAY = stand_in(*PARTS[:2], PRODUCTS[0])
WHOLE = stand_in(*PARTS, *PRODUCTS)


def named(model, row):
    return {name: w for name, w in zip(model.columns, row.tolist(), strict=True) if w != 0}


def test_equal_weights_are_those_worked_out_by_hand():
    found = marginal_weights(TWO_WAY, ("technique",))
    assert found.cells.rows() == [("lateral",), ("distal",), ("inferior",)]
    assert named(TWO_WAY, found.weights[0]) == {"(intercept)": 1.0, "side=right": 0.5}
    assert named(TWO_WAY, found.weights[2]) == {
        "(intercept)": 1.0,
        "technique=inferior": 1.0,
        "side=right": 0.5,
        "technique=inferior × side=right": 0.5,
    }


def test_observed_weights_are_the_shares_of_the_records():
    found = marginal_weights(TWO_WAY, ("technique",), weights="observed")
    assert named(TWO_WAY, found.weights[1]) == {
        "(intercept)": 1.0,
        "technique=distal": 1.0,
        "side=right": 0.6,
        "technique=distal × side=right": 0.6,
    }


def test_shares_that_are_given_take_the_place_of_the_models_and_need_not_sum_to_one():
    shares = {"side": {"left": 30, "right": 10}}
    found = marginal_weights(TWO_WAY, ("technique",), weights="observed", shares=shares)
    assert found.weights[0][TWO_WAY.columns.index("side=right")] == 0.25


def test_the_overall_mean_averages_over_every_factor():
    found = marginal_weights(TWO_WAY, (), weights="observed")
    assert found.cells.shape == (1, 0)
    assert named(TWO_WAY, found.weights[0]) == pytest.approx(
        {
            "(intercept)": 1.0,
            "technique=distal": 0.3,
            "technique=inferior": 0.2,
            "side=right": 0.6,
            "technique=distal × side=right": 0.18,
            "technique=inferior × side=right": 0.12,
        }
    )


def test_the_grid_holds_every_combination_with_numbers_at_their_mean():
    grid = reference_grid(WHOLE.description, LEVELS, MEANS, {"seconds": (20.0, 60.0)})
    assert grid.frame.columns == ["technique", "side", "grade", "pretest_deg", "seconds"]
    assert grid.frame.rows()[:3] == [
        ("lateral", "left", "III", 30.0, 20.0),
        ("lateral", "left", "III", 30.0, 60.0),
        ("lateral", "left", "IV", 30.0, 20.0),
    ]
    assert grid.frame.n_unique() == grid.frame.height == 3 * 2 * 2 * 2


@pytest.mark.parametrize("factors", [("side",), ("grade", "technique"), ("technique", "seconds")])
@pytest.mark.parametrize("weights", ["equal", "observed"])
def test_weights_are_the_average_over_the_rows_of_the_whole_grid(factors, weights):
    at = {"seconds": (20.0, 75.0)}
    found = marginal_weights(WHOLE, factors, weights=weights, at=at)
    frame = reference_grid(WHOLE.description, LEVELS, MEANS, at).frame
    raw = {column.name: column for column in raw_columns(WHOLE.description, LEVELS)}
    matrix = column_matrix(tuple(raw[name] for name in WHOLE.columns), frame)
    share = np.ones(frame.height)
    for name in LEVELS if weights == "observed" else ():
        share *= frame[name].replace_strict(SHARES[name]).to_numpy()
    assert found.cells.columns == list(factors)
    for cell, row in zip(found.cells.rows(named=True), found.weights, strict=True):
        here = np.logical_and.reduce([(frame[k] == v).to_numpy() for k, v in cell.items()])
        assert row == pytest.approx(np.average(matrix[here], axis=0, weights=share[here]))


def test_a_number_is_set_where_it_is_wanted():
    model = stand_in(PARTS[1], PARTS[3])
    column = model.columns.index("pretest_deg")
    assert marginal_weights(model, ("side",)).weights[:, column].tolist() == [30.0, 30.0]
    set_at = marginal_weights(model, ("side",), at={"pretest_deg": 12})
    assert set_at.weights[:, column].tolist() == [12.0, 12.0]
    by_value = marginal_weights(model, ("pretest_deg",), at={"pretest_deg": (10, 25.5)})
    assert by_value.cells.rows() == [(10.0,), (25.5,)]
    assert by_value.weights[:, column].tolist() == [10.0, 25.5]
    assert pairwise(by_value.cells, by_value.weights).labels == ("10 − 25.5",)


def test_pairs_come_in_the_order_of_the_means():
    means = marginal_weights(TWO_WAY, ("technique",))
    found = pairwise(means.cells, means.weights)
    assert found.labels == ("lateral − distal", "lateral − inferior", "distal − inferior")
    assert found.within == ("", "", "")
    assert named(TWO_WAY, found.weights[2]) == {
        "technique=distal": 1.0,
        "technique=inferior": -1.0,
        "technique=distal × side=right": 0.5,
        "technique=inferior × side=right": -0.5,
    }


def test_pairs_of_combinations_name_both_levels():
    means = marginal_weights(TWO_WAY, ("technique", "side"))
    found = pairwise(means.cells, means.weights)
    assert len(found.labels) == 15
    assert found.labels[:2] == ("lateral, left − lateral, right", "lateral, left − distal, left")
    assert named(TWO_WAY, found.weights[1]) == {"technique=distal": -1.0}


def test_one_mean_has_no_pairs():
    means = marginal_weights(TWO_WAY, ())
    found = pairwise(means.cells, means.weights)
    assert (found.labels, found.weights.shape) == ((), (0, len(TWO_WAY.columns)))


def test_simple_effects_compare_within_the_levels_of_the_other_factor():
    means = marginal_weights(TWO_WAY, ("technique", "side"))
    found = simple_effects(means.cells, means.weights, "side")
    assert found.labels == ("left − right",) * 3
    assert found.within == ("technique=lateral", "technique=distal", "technique=inferior")
    assert named(TWO_WAY, found.weights[1]) == {
        "side=right": -1.0,
        "technique=distal × side=right": -1.0,
    }
    other = simple_effects(means.cells, means.weights, "technique")
    assert other.labels[2:4] == ("distal − inferior", "lateral − distal")
    assert other.within[2:4] == ("side=left", "side=right")
    assert named(TWO_WAY, other.weights[3]) == {
        "technique=distal": -1.0,
        "technique=distal × side=right": -1.0,
    }


def test_simple_effects_of_the_only_factor_are_its_pairs():
    means = marginal_weights(TWO_WAY, ("side",))
    found = simple_effects(means.cells, means.weights, "side")
    assert (found.labels, found.within) == (("left − right",), ("",))


def test_interaction_contrasts_are_differences_of_differences():
    means = marginal_weights(TWO_WAY, ("technique", "side"))
    found = interaction_contrasts(means.cells, means.weights)
    assert found.labels == (
        "(lateral − distal) × (left − right)",
        "(lateral − inferior) × (left − right)",
        "(distal − inferior) × (left − right)",
    )
    # (lateral left − distal left) − (lateral right − distal right): only the product is left.
    assert named(TWO_WAY, found.weights[0]) == {"technique=distal × side=right": 1.0}
    assert named(TWO_WAY, found.weights[2]) == {
        "technique=distal × side=right": -1.0,
        "technique=inferior × side=right": 1.0,
    }


def test_interactions_of_three_factors_change_sign_with_each_level():
    means = marginal_weights(WHOLE, ("technique", "side", "grade"))
    found = interaction_contrasts(means.cells, means.weights)
    assert found.labels[0] == "(lateral − distal) × (left − right) × (III − IV)"
    sign = {"lateral": 1, "distal": -1, "inferior": 0, "left": 1, "right": -1, "III": 1, "IV": -1}
    signs = [np.prod([sign[level] for level in cell]) for cell in means.cells.rows()]
    assert found.weights[0] == pytest.approx(np.array(signs) @ means.weights)


def test_many_factors_need_no_grid_of_all_their_combinations():
    # 12 factors of 9 levels have 3e11 combinations.
    factors = tuple(Factor(name=f"f{i}") for i in range(12))
    description = ModelDescription(
        outcome="gain_deg", fixed=factors, random=(RandomTerm(by=("patient",)),)
    )
    levels = {factor.name: tuple("abcdefghi") for factor in factors}
    model = SimpleNamespace(
        description=description,
        levels=levels,
        means={},
        shares={},
        columns=coded_columns(description, levels),
    )
    found = marginal_weights(model, ("f3",))
    assert found.weights.sum(axis=1) == pytest.approx(np.r_[0, np.ones(8)] + 1 + 11 * 8 / 9)


@pytest.mark.parametrize(
    ("ask", "place", "problem", "remedy"),
    [
        (lambda: marginal_weights(WHOLE, ("tecnique",)), "“tecnique”", "no such", "technique"),
        (lambda: marginal_weights(WHOLE, (), at={"side": 1.0}), "“side”", "no such number", "sec"),
        (
            lambda: reference_grid(WHOLE.description, LEVELS, {"pretest_deg": 1.0}),
            "number “seconds”",
            "mean is not known",
            "at which value of “seconds”",
        ),
        (
            lambda: marginal_weights(
                TWO_WAY, ("side",), weights="observed", shares={"technique": {"lateral": 1.0}}
            ),
            "factor “technique”",
            "share of “distal”",
            "equal weights",
        ),
        (
            lambda: interaction_contrasts(pl.DataFrame({"side": ["left"]}), np.ones((1, 2))),
            "interaction",
            "one factor only",
            "Name the factors",
        ),
        (
            lambda: simple_effects(pl.DataFrame({"side": ["left"]}), np.ones((1, 2)), "grade"),
            "“grade”",
            "not by this factor",
            "side",
        ),
    ],
)
def test_what_the_model_does_not_hold_is_refused(ask, place, problem, remedy):
    with pytest.raises(ModelError) as refused:
        ask()
    assert refused.value.place == place
    assert problem in refused.value.problem
    assert remedy in refused.value.remedy


def test_means_of_balanced_rows_are_the_plain_means():
    # Every technique on both sides of every patient: the marginal mean is the mean of the rows.
    rng = np.random.default_rng(11)
    frame = pl.DataFrame(
        {"patient": np.repeat([f"p{i}" for i in range(12)], 6).tolist()}
    ).with_columns(
        technique=pl.Series(np.tile(np.repeat(LEVELS["technique"], 2), 12).tolist()),
        side=pl.Series(np.tile(LEVELS["side"], 36).tolist()),
        gain_deg=pl.Series(rng.normal(5, 2, 72) + np.repeat(rng.normal(0, 2, 12), 6)),
    )
    model = fit(frame, TWO_WAY.description)
    for weights in ("equal", "observed"):
        found = marginal_weights(model, ("technique",), weights=weights)
        for (level,), row in zip(found.cells.rows(), found.weights, strict=True):
            plain = frame.filter(technique=level)["gain_deg"].mean()
            assert estimate(model, row).estimate == pytest.approx(plain, rel=1e-9)
