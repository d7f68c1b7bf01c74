"""What a report says of the model itself: its spreads, in words, with what to know of them."""

import dataclasses

import numpy as np
import polars as pl
import pytest

from pipeline.cell import Cell
from pipeline.compared import compared_levels
from pipeline.gain_fit import fit_gains, lay_out
from pipeline.model_account import cautious_cell, dropped_terms, fit_cells, variance_cells
from schemas.plan import Analysis, Question

BIASES = ("neutral", "opposed")


def rows(n_clinics, between=1.0, levels=BIASES, seed=1):
    """Eight patients a clinic with four pairs each; clinics differ by ``between``, levels by nothing."""
    rng = np.random.default_rng(seed)
    n = 8 * n_clinics
    patient = np.repeat(np.arange(n), 4)
    clinic = patient // 8
    gain = 3 + between * rng.normal(0, 1, n_clinics)[clinic] + rng.normal(0, 1, n)[patient]
    gain += rng.normal(0, 1, 4 * n)
    if between == 0:  # clinics are made alike, so that their variance is zero
        gain -= np.bincount(clinic, gain)[clinic] / 32
    return pl.DataFrame(
        {
            "clinic": [f"c{c}" for c in clinic], "patient": [f"p{p}" for p in patient],
            "side": "left", "visit": ["1", "2", "3", "4"] * n, "clinician": "not_recorded",
            "definition": "d", "level": np.array(levels)[rng.integers(0, 2, 4 * n)],
            "pretest_deg": np.round(rng.normal(25, 5, 4 * n), 1), "gain_deg": gain,
        }
    )  # fmt: skip


def fitted(frame, question="bias"):
    analysis = Analysis.model_validate({"question": question, "motion": "internal_rotation"})
    compared = compared_levels(frame, analysis, "gain")
    return fit_gains(lay_out(frame, analysis, compared), with_pretest=True), compared


def spreads(frame, question="bias"):
    fit, compared = fitted(frame, question)
    cells = variance_cells(fit, compared, "deg")
    return {cell.name.rpartition(".sd.")[2]: cell for cell in cells}


def test_each_spread_has_its_name_words_and_patients():
    found = spreads(rows(12))
    assert {name: cell.label for name, cell in found.items()} == {
        "patient": "standard deviation between patients",
        "clinic": "standard deviation between clinics",
        "level_by_clinic": "standard deviation of one rotation bias between clinics, beside the clinic's own",
        "residual": "standard deviation left over, between pairs",
    }
    assert {cell.n_patients for cell in found.values()} == {96}
    assert found["residual"].value == pytest.approx(1.0, abs=0.15)
    assert found["patient"].value == pytest.approx(1.0, abs=0.3)
    assert found["clinic"].note == "", "with ten clinics and more nothing has to be added"


def test_few_clinics_say_nothing_of_clinics_in_general():
    assert "clinics in general" in spreads(rows(9))["clinic"].note
    assert "clinics in general" not in spreads(rows(10))["clinic"].note


def test_few_clinicians_are_noted():
    frame = rows(1).with_columns(
        clinician=pl.lit("k") + (pl.int_range(pl.len()) % 3).cast(pl.String)
    )
    assert "so few groups" in spreads(frame)["clinician"].note
    frame = rows(1).with_columns(
        clinician=pl.lit("k") + (pl.int_range(pl.len()) % 5).cast(pl.String)
    )
    assert "so few groups" not in spreads(frame)["clinician"].note


def primary_of(fit):
    weights = fit.mean_of("level", ("opposed",)) - fit.mean_of("level", ("neutral",))
    found = fit.estimate(weights)
    return Cell("b.primary", "o − n", "deg", found.estimate, 48, standard_error=found.standard_error,
                degrees_of_freedom=found.degrees_of_freedom, p_value=found.p, n_pairs=192)  # fmt: skip


def test_clinics_that_are_estimated_alike_give_the_cautious_interval():
    fit, compared = fitted(rows(6, between=0.0))
    cells = {c.name.rpartition(".")[2]: c for c in variance_cells(fit, compared, "deg")}
    assert cells["clinic"].value == 0.0
    assert "estimated at zero" in cells["clinic"].note
    primary = primary_of(fit)
    assert primary.degrees_of_freedom > 100
    found = cautious_cell(fit, primary)
    assert found.degrees_of_freedom == 5  # six clinics less the intercept
    # Student's t tables: 2.571 at 5 degrees of freedom, two-sided 5 %.
    assert (found.high - found.value) / found.standard_error == pytest.approx(2.571, abs=5e-4)
    assert (found.value - found.low) == pytest.approx(found.high - found.value, rel=1e-4)
    assert (found.p_value, found.n_pairs, found.n_patients) == (None, None, 48)
    assert found.note == "clinics, less the terms that differ only between clinics"


def test_of_several_groups_estimated_alike_the_fewest_count():
    frame = rows(6)
    noise = np.random.default_rng(2).normal(0, 1, (48, 4))
    alike = (noise - noise.mean(axis=1, keepdims=True)).ravel()  # every patient has the same mean
    fit, _ = fitted(frame.with_columns(gain_deg=pl.Series(alike)))
    zero = [p.is_singular for p in fit.mixed.components]
    assert zero[:2] == [True, True], "patients and clinics"
    assert cautious_cell(fit, primary_of(fit)).degrees_of_freedom == 5  # not 47 patients


def test_without_a_variance_at_zero_or_an_estimate_there_is_no_cautious_interval():
    fit, _ = fitted(rows(1))
    assert not fit.mixed.is_singular
    assert cautious_cell(fit, primary_of(fit)) is None
    fit, _ = fitted(rows(6, between=0.0))
    primary = primary_of(fit)
    assert cautious_cell(fit, dataclasses.replace(primary, value=None)) is None
    fewer = dataclasses.replace(primary, degrees_of_freedom=4.0)
    assert cautious_cell(fit, fewer) is None, "the contrast is as cautious already"


def test_the_size_of_the_fit_and_what_was_left_out():
    fit, compared = fitted(rows(6))
    cells = fit_cells(fit, compared.name)
    assert [(c.unit, c.value) for c in cells[:-1]] == [
        ("pairs", 192),
        ("patients", 48),
        ("clinics", 6),
    ]
    assert cells[-1].value == pytest.approx(fit.mixed.criterion, rel=1e-8)
    assert dropped_terms(fit, Question.BIAS) == (
        "hip of a patient: one for each patient", "visit of a hip: one pair for each",
        "clinician: not recorded",
    )  # fmt: skip
