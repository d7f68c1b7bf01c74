"""Estimated marginal means, contrasts and their adjustment against emmeans.

Source: data/lme4.json, made with emmeans 1.8.4-1 and lmerTest 3.1-3 (R 4.2.2); see data/README.md.
Weights are equal over the levels of other factors, numbers at their mean. Tolerances: estimates and
standard errors to 1e-5, degrees of freedom to 1e-3, p-values to 1e-6 (absolute; 1e-4 where it is simulated).
"""

from functools import cache, reduce
from itertools import product

import numpy as np
import polars as pl
import pytest

from pipeline.mixed_model.contrast import estimate
from pipeline.mixed_model.description import Factor
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.marginal_mean import (
    interaction_contrasts,
    marginal_weights,
    pairwise,
    simple_effects,
)
from pipeline.mixed_model.simultaneous import holm, simultaneous_intervals, tukey, tukey_quantile
from tests.reference.dense_mixed_model import factor_levels, fixed_design
from tests.reference.mixed_model_descriptions import MODELS, reference_model

NAMES = [name for name in MODELS if "emmeans_REML" in MODELS[name]]
FAMILIES = [n for n in NAMES if "p_tukey" in MODELS[n]["emmeans_REML"]["satterthwaite"]]
CROSSED = [n for n in NAMES if "simple_effects" in MODELS[n]["emmeans_REML"]["satterthwaite"]]


@cache
def fitted(name):
    reference = reference_model(name)
    return fit(reference.frame, reference.description)


def means_of(name):
    return MODELS[name]["emmeans_REML"]["satterthwaite"]


def cell_weights(name, cell):
    """Weights of the mean at some factors' levels, on all columns of the model."""
    reference, model = reference_model(name), fitted(name)
    grid = pl.DataFrame({"": [0]})
    for term in reference.description.main_terms:
        if not isinstance(term, Factor):
            values = [float(reference.frame[term.name].mean())]
        elif term.name in cell:
            values = [cell[term.name]]
        else:
            values = factor_levels(term, reference.frame)
        grid = grid.join(pl.DataFrame({term.name: values}), how="cross")
    names, _, values = fixed_design(grid, reference.description, levels_from=reference.frame)
    return values.mean(axis=0)[[names.index(column) for column in model.columns]]


def cells(name):
    """Each cell of the means by the name that R gives it, in R's order."""
    reference, by = reference_model(name), MODELS[name]["emmeans_REML"]["by"]
    levels = [
        factor_levels(
            next(t for t in reference.description.main_terms if t.name == b), reference.frame
        )
        for b in by
    ]
    # The first factor's levels change fastest.
    found = (dict(zip(by, values[::-1], strict=True)) for values in product(*levels[::-1]))
    return {" ".join(cell.values()): cell for cell in found}


def plain(label, by):
    """R writes "nitrof0.2" for a level that looks like a number."""
    return reduce(lambda text, name: text.removeprefix(name), by, label)


def difference(name, label):
    by = MODELS[name]["emmeans_REML"]["by"]
    left, right = (cells(name)[plain(part, by)] for part in label.split(" - "))
    return cell_weights(name, left) - cell_weights(name, right)


def check(found, row):
    scale = row["se"]
    assert found.estimate == pytest.approx(row["estimate"], rel=1e-5, abs=1e-6 * scale)
    assert found.standard_error == pytest.approx(row["se"], rel=1e-5)
    assert found.degrees_of_freedom == pytest.approx(row["df"], rel=1e-3)
    assert (found.low, found.high) == pytest.approx((row["low"], row["high"]), abs=1e-4 * scale)
    if "p" in row:
        assert found.t == pytest.approx(row["statistic"], rel=1e-4, abs=1e-6)
        assert found.p == pytest.approx(row["p"], abs=1e-6)


def marginal(name):
    return marginal_weights(fitted(name), tuple(MODELS[name]["emmeans_REML"]["by"]))


@pytest.mark.parametrize("name", NAMES)
def test_means(name):
    by, found = MODELS[name]["emmeans_REML"]["by"], marginal(name)
    weights = dict(zip(found.cells.select(by).rows(), found.weights, strict=True))
    assert len(weights) == len(means_of(name)["means"])
    for row in means_of(name)["means"]:
        cell = {b: row[b] for b in by}
        own = weights[tuple(cell.values())]
        assert own == pytest.approx(cell_weights(name, cell), abs=1e-12)
        check(estimate(fitted(name), own), row)


@pytest.mark.parametrize("name", [n for n in NAMES if "pairwise_unadjusted" in means_of(n)])
def test_pairs(name):
    means, by = marginal(name), MODELS[name]["emmeans_REML"]["by"]
    found = pairwise(means.cells, means.weights)
    weights = dict(zip(found.labels, found.weights, strict=True))
    assert len(weights) == len(means_of(name)["pairwise_unadjusted"])
    for row in means_of(name)["pairwise_unadjusted"]:
        left, right = (
            ", ".join(cells(name)[plain(part, by)].values())
            for part in row["contrast"].split(" - ")
        )
        # R lists the cells in another order, so that some differences are turned round.
        own = weights.get(f"{left} − {right}")
        if own is None:
            own = -weights[f"{right} − {left}"]
        check(estimate(fitted(name), own), row)


def family(name):
    """Pairs as R lists them: labels, weights and estimates."""
    labels = [row["contrast"] for row in means_of(name)["pairwise_unadjusted"]]
    weights = np.array([difference(name, label) for label in labels])
    return labels, weights, [estimate(fitted(name), w) for w in weights]


@pytest.mark.parametrize("name", FAMILIES)
def test_adjusted_p(name):
    labels, _, found = family(name)
    by_holm = dict(zip(labels, holm([one.p for one in found]), strict=True))
    t, freedom = ([getattr(one, k) for one in found] for k in ("t", "degrees_of_freedom"))
    by_tukey = dict(zip(labels, tukey(t, freedom, len(cells(name))), strict=True))
    assert by_holm == pytest.approx(means_of(name)["p_holm"], abs=1e-6)
    # R's ptukey gives zero where ours has a tail of some 1e-11.
    assert by_tukey == pytest.approx(means_of(name)["p_tukey"], abs=1e-6)


@pytest.mark.parametrize("name", FAMILIES)
def test_tukey_intervals(name):
    _, _, found = family(name)
    for one, row in zip(found, means_of(name)["ci_tukey"], strict=True):
        half = one.standard_error * tukey_quantile(0.95, len(cells(name)), one.degrees_of_freedom)
        # R's qtukey iterates to some 1e-4 at worst.
        assert (one.estimate - half, one.estimate + half) == pytest.approx(
            (row["low"], row["high"]), abs=2e-4 * one.standard_error
        )


@pytest.mark.parametrize("name", [n for n in FAMILIES if n in ("ergostool", "machines_nested")])
def test_the_single_step_is_tukeys_where_means_are_balanced(name):
    # With equal correlations of one half the largest |t| of all pairs is the studentized range
    # (Hothorn, Bretz & Westfall 2008); Monte Carlo error as stated in ``simultaneous``.
    labels, weights, found = family(name)
    kept = weights[:, list(fitted(name).kept_columns)]
    intervals = simultaneous_intervals(
        [one.estimate for one in found],
        kept @ fitted(name).covariance @ kept.T,
        [one.degrees_of_freedom for one in found],
    )
    expected = means_of(name)["p_tukey"]
    assert intervals.adjusted_p == pytest.approx([expected[k] for k in labels], abs=1e-4)
    for low, row in zip(intervals.low, means_of(name)["ci_tukey"], strict=True):
        assert low == pytest.approx(row["low"], abs=2e-3 * found[0].standard_error)


@pytest.mark.parametrize("name", CROSSED)
def test_effects_of_one_factor_at_each_level_of_the_other(name):
    inner, outer = MODELS[name]["emmeans_REML"]["by"]
    means = marginal(name)
    found = simple_effects(means.cells, means.weights, inner)
    weights = dict(zip(zip(found.labels, found.within, strict=True), found.weights, strict=True))
    assert len(weights) == len(means_of(name)["simple_effects"])
    for row in means_of(name)["simple_effects"]:
        left, right = (plain(part, [inner]) for part in row["contrast"].split(" - "))
        own = weights[f"{left} − {right}", f"{outer}={row[outer]}"]
        check(estimate(fitted(name), own), row)


@pytest.mark.parametrize("name", CROSSED)
def test_differences_of_differences(name):
    by, means = MODELS[name]["emmeans_REML"]["by"], marginal(name)
    found = interaction_contrasts(means.cells.select(by), means.weights)
    weights = dict(zip(found.labels, found.weights, strict=True))
    assert len(weights) == len(means_of(name)["interaction_contrasts_unadjusted"])
    for row in means_of(name)["interaction_contrasts_unadjusted"]:
        pairs = [[plain(part, [b]) for part in row[f"{b}_pairwise"].split(" - ")] for b in by]
        own = weights[" × ".join(f"({left} − {right})" for left, right in pairs)]
        check(estimate(fitted(name), own), row)
