"""Conditional modes and their deviations against lme4, closed forms and whole matrices.

Source: lme4 1.1-31, R 4.2.2, ranef(fit, condVar = TRUE) at the polished optimum; models and data as
in tests/reference/data (README.md there). lme4's values are given to its digits; theta of the two
fits agrees to some 1e-6, which is what the tolerance of 1e-4 leaves room for.
"""

from functools import cache

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm

from pipeline.mixed_model.description import ModelDescription, Number, RandomTerm
from pipeline.mixed_model.equations import problem_apart, solve_equations
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.random_effect import caterpillar, conditional_modes, group_places
from schemas.errors import ModelError
from tests.reference.mixed_model_descriptions import reference_model


@cache
def fitted(name):
    reference = reference_model(name)
    return fit(reference.frame, reference.description)


# Model, place of the term, labels, modes, deviations.
LME4 = [
    ("dyestuff", 0, ("A",), [-17.6068513490891], [19.5865700864385]),
    ("dyestuff", 0, ("F",), [-44.995286781006], [19.5865700864385]),
    ("penicillin_crossed", 0, ("a",), [0.804547044493755], [0.271359532812676]),
    ("penicillin_crossed", 0, ("x",), [-1.21979713197404], [0.271359532812676]),
    ("penicillin_crossed", 1, ("A",), [2.18705796741086], [0.20217080629277]),
    ("penicillin_crossed", 1, ("B",), [-1.01047614949593], [0.20217080629277]),
    ("pastes_nested", 0, ("A:b",), [0.332651132541613], [1.14172069424502]),
    ("pastes_nested", 0, ("J:c",), [-1.70312139670588], [1.14172069424502]),
    ("pastes_nested", 1, ("B",), [-0.272508443337474], [1.0284935579637]),
    ("machines_unbalanced", 0, (1, "B"), [1.33200967112278], [2.46582970217597]),
    ("machines_unbalanced", 0, (1, "C"), [-0.409470829447883], [2.45515591214876]),
    ("machines_unbalanced", 1, (2,), [-1.25197522467936], [2.09241394723233]),
    ("machines_unbalanced", 1, (6,), [-7.48315555396907], [2.07771294498795]),
    (
        "sleepstudy_rs_corr", 0, (309,),
        [-40.3985802225233, -8.61970267056765], [12.0708368544606, 2.30483700550586],
    ),
    ("sleepstudy_rs_uncorr", 0, (308,), [1.51269654508213, 9.32348922676301], None),
    ("hips_long_rotation_slope", 0, (39, "left"), [-16.7023937014351], [3.6280948181839]),
    (
        "hips_long_rotation_slope", 1, (2,),
        [0.322413099051116, 3.47055992492126], [3.60937817014618, 2.26300194373277],
    ),
]  # fmt: skip


@pytest.mark.parametrize(("name", "term", "label", "values", "deviations"), LME4)
def test_modes_are_those_of_lme4(name, term, label, values, deviations):
    found = conditional_modes(fitted(name))[term]
    place = list(found.levels.iter_rows()).index(label)
    scale = np.array(deviations or values)
    assert found.values[place] / scale == pytest.approx(np.array(values) / scale, abs=1e-4)
    if deviations:
        assert found.standard_deviations[place] == pytest.approx(deviations, rel=1e-4)


def test_a_balanced_batch_is_drawn_towards_the_mean_by_a_known_share():
    # Searle, Casella & McCulloch (1992) Variance Components (from memory): by its mean squares,
    # a batch keeps 1 - MSW/MSB of its deviation, and the variance left is that of MSW/n.
    frame = reference_model("dyestuff").frame
    batches = frame.group_by("Batch", maintain_order=True).agg(
        mean=pl.col("Yield").mean(), within=pl.col("Yield").var()
    )
    means, within = batches["mean"].to_numpy(), batches["within"].mean()
    share = 1 - within / (5 * means.var(ddof=1))
    [found] = conditional_modes(fitted("dyestuff"))
    assert found.levels["Batch"].to_list() == batches["Batch"].to_list()
    assert found.values[:, 0] == pytest.approx(share * (means - means.mean()), rel=1e-6)
    assert found.covariances[:, 0, 0] == pytest.approx(share * within / 5, rel=1e-6)


def test_a_variance_of_zero_leaves_every_mode_at_zero():
    inner, outer = conditional_modes(fitted("hips_long_flexion_zero_variance"))
    assert not np.any(inner.values)
    assert not np.any(inner.standard_deviations)
    assert not np.any(np.signbit(inner.values))
    place = outer.levels["person"].to_list().index(2)
    assert outer.values[place, 0] == pytest.approx(12.787206316902, rel=1e-5)  # lme4 1.1-31
    assert outer.standard_deviations[place, 0] == pytest.approx(2.98773121589863, rel=1e-5)


def test_a_zero_variance_outside_the_chain():
    # Groups made of the rows' places: no more between them than chance brings.
    frame = reference_model("penicillin_crossed").frame.with_columns(
        other=pl.int_range(pl.len()) % 11
    )
    random = (RandomTerm(by=("plate",)), RandomTerm(by=("sample",)), RandomTerm(by=("other",)))
    model = fit(frame, ModelDescription(outcome="diameter", random=random))
    found = conditional_modes(model)[2]
    assert model.components[2].covariance[0, 0] == 0.0
    assert not np.any(found.values)
    assert not np.any(found.standard_deviations)


@cache
def slopes_everywhere():
    """Patients in clinics, clinicians across clinics, both with slopes, written in two ways."""
    rng = np.random.default_rng(20260112)
    patient = np.repeat(np.arange(30), 6)
    clinician = rng.integers(0, 6, 180)
    frame = pl.DataFrame(
        {
            "patient": patient,
            "clinic": patient % 5,
            "clinician": clinician,
            "room": rng.integers(0, 2, 180),
            "time": rng.normal(size=180).round(2),
            "gain": 2 * rng.normal(size=30)[patient]
            + 2 * rng.normal(size=6)[clinician]
            + rng.normal(size=180),
        }
    ).with_columns(
        gain=pl.col("gain") + pl.col("time") * pl.Series(rng.normal(size=30)[patient])
        + pl.col("time") * pl.Series(rng.normal(size=6)[clinician])
        + pl.Series(rng.normal(size=(5, 2))[patient % 5, 0])
    )  # fmt: skip
    return frame, ModelDescription(
        outcome="gain",
        fixed=(Number(name="time"),),
        random=(
            RandomTerm(by=("clinician",), slopes=("time",)),
            RandomTerm(by=("patient",), slopes=("time",)),
            RandomTerm(by=("clinic",)),
            RandomTerm(by=("clinician", "room")),
            RandomTerm(by=("room", "clinician"), slopes=("time",), intercept=False),
        ),
    )


def test_slopes_in_the_chain_and_outside_of_it():
    frame, description = slopes_everywhere()
    model = fit(frame, description)
    x = np.column_stack([np.ones(180), frame["time"].to_numpy()])
    spreads, designs = [], []
    for part in model.components:
        labels = list(frame.select(part.term.by).iter_rows())
        groups = sorted(set(labels))
        member = np.array([[label == group for group in groups] for label in labels], dtype=float)
        numbers = [x[:, ["(intercept)", "time"].index(c)] for c in part.columns]
        z = np.stack([member * number[:, None] for number in numbers], axis=2)
        designs.append(z.reshape(180, -1))
        spreads.append(np.kron(np.eye(len(groups)), part.covariance))
    variance = model.sigma2 * np.eye(180)
    for z, spread in zip(designs, spreads, strict=True):
        variance += z @ spread @ z.T
    inverse = np.linalg.inv(variance)
    beta = np.linalg.solve(x.T @ inverse @ x, x.T @ inverse @ frame["gain"].to_numpy())
    rest = inverse @ (frame["gain"].to_numpy() - x @ beta)
    for found, z, spread in zip(conditional_modes(model), designs, spreads, strict=True):
        n, q = found.values.shape
        assert list(found.levels.iter_rows()) == sorted(
            set(frame.select(found.term.by).iter_rows())
        )
        assert found.values.ravel() == pytest.approx(spread @ z.T @ rest, abs=1e-8)
        conditional = spread - spread @ z.T @ inverse @ z @ spread
        blocks = np.array([conditional[i : i + q, i : i + q] for i in range(0, n * q, q)])
        assert found.covariances == pytest.approx(blocks, abs=1e-8)


def test_modes_do_not_depend_on_the_order_of_rows():
    frame, description = slopes_everywhere()
    turned = frame.sample(fraction=1.0, shuffle=True, seed=5)
    for one, other in zip(
        conditional_modes(fit(frame, description)),
        conditional_modes(fit(turned, description)),
        strict=True,
    ):
        assert one.levels.equals(other.levels)
        assert np.array_equal(one.values, other.values)


def test_groups_of_one_size_are_told_apart():
    # The fit itself adds up groups of one size; then no single group's mode could be had.
    model = fitted("pastes_nested")
    apart = problem_apart(model)
    assert apart.structure.classes is None
    assert apart.structure.stages[0].n_units == 30
    solution = solve_equations(apart, model.theta).solution
    basis = apart.structure.basis
    again = basis.start + basis.back @ solution.coefficients * basis.scale
    assert again == pytest.approx(model.coefficients, rel=1e-10)


def test_caterpillar_is_sorted_and_has_normal_intervals():
    modes = conditional_modes(fitted("sleepstudy_rs_corr"))[0]
    found = caterpillar(modes, column="Days", confidence=0.9)
    assert found.columns == ["Subject", "value", "standard_deviation", "low", "high"]
    assert found["value"].is_sorted()
    assert (
        found["Subject"][0] == 335
    )  # steady over the days; the flattest panel of Bates et al. (2015), figure 1 (from memory)
    row = found.filter(Subject=308)
    # lme4 1.1-31: 9.19897184143134 with 2.30483700550586.
    half = norm.ppf(0.95) * 2.30483700550586
    assert row["value"][0] == pytest.approx(9.19897184143134, rel=1e-5)
    assert row["low"][0] == pytest.approx(9.19897184143134 - half, rel=1e-4)
    assert row["high"][0] == pytest.approx(9.19897184143134 + half, rel=1e-4)


def test_groups_that_are_alike_stay_in_order_of_their_labels():
    inner, _ = conditional_modes(fitted("hips_long_flexion_zero_variance"))
    assert caterpillar(inner).select("person", "side").equals(inner.levels)


def test_caterpillar_of_what_does_not_vary():
    modes = conditional_modes(fitted("dyestuff"))[0]
    with pytest.raises(ModelError) as caught:
        caterpillar(modes, column="time")
    assert caught.value.place == "random effects"
    assert caught.value.problem == "“time” does not vary by Batch"
    assert caught.value.remedy == "Name one of: (intercept)."


def test_places_of_rows_among_groups():
    levels = pl.DataFrame({"patient": [1, 1, 2], "side": ["left", "right", "left"]})
    frame = pl.DataFrame({"side": ["left", "right", None, "left"], "patient": ["2", "2", "1", "1"]})
    assert group_places(levels, frame).tolist() == [2, -1, -1, 0]
    with pytest.raises(ModelError, match="the rows do not have it"):
        group_places(levels, frame.drop("side"))
