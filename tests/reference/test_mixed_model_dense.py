"""The engine against the definition of the model, on made-up rows with every kind of term.

Source: the normal likelihood itself, with whole matrices (``dense_mixed_model``, which is itself
compared with lme4 in ``test_dense_mixed_model``). At the engine's own variance parameters all that
follows from them must be equal, and the dense criterion must be lowest there.
"""

from functools import cache

import numpy as np
import polars as pl
import pytest

from pipeline.mixed_model.description import (
    Factor,
    Interaction,
    Method,
    ModelDescription,
    Number,
    RandomTerm,
    Spline,
)
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.kenward_roger import kenward_roger
from pipeline.mixed_model.random_effect import conditional_modes
from tests.reference.dense_mixed_model import (
    bounds_of,
    dense_fit,
    fixed_design,
    group_labels,
    random_design,
)

TECHNIQUE = Factor(name="technique", levels=("long_axis", "lateral"))
PATIENT, HIP, VISIT = (
    RandomTerm(by=by) for by in (("patient",), ("patient", "side"), ("patient", "side", "visit"))
)
CLINICIAN, CLINIC = RandomTerm(by=("clinician",)), RandomTerm(by=("clinic",))
LOCAL = RandomTerm(by=("clinic", "technique"))


@cache
def rows():
    """Patients with one or two hips, one to three visits; clinicians who work at two clinics."""
    rng = np.random.default_rng(20260105)
    found = []
    effect = {}

    def of(spread, *key):
        return effect.setdefault(key, spread * rng.standard_normal())

    for patient in range(45):
        clinic = int(rng.integers(5))
        for side in ("left", "right")[: 1 + patient % 2]:
            for visit in range(int(rng.integers(1, 4))):
                clinician = f"{clinic if rng.random() < 0.8 else (clinic + 1) % 5}{rng.integers(2)}"
                for _ in range(int(rng.integers(1, 4))):
                    technique = str(rng.choice(["long_axis", "lateral", "inferior"]))
                    seconds, time = float(rng.uniform(10, 90)), float(rng.normal())
                    gain = 5 + 2 * (technique == "lateral") + 0.03 * seconds + of(3, patient)
                    gain += of(2, patient, side) + of(1, patient, side, visit) + of(1, clinician)
                    gain += of(2, "c", clinic) + of(1.5, clinic, technique)
                    gain += time * (1 + of(1, "t", patient)) + 2 * rng.standard_normal()
                    found.append(
                        (patient, side, visit, f"c{clinic}", clinician, technique, seconds, time,
                         round(40 + 10 * rng.standard_normal(), 2), float(rng.choice([0.5, 1, 2])), gain)
                    )  # fmt: skip
    names = ("patient", "side", "visit", "clinic", "clinician", "technique", "seconds", "time",
             "pretest", "precision", "gain")  # fmt: skip
    return pl.DataFrame(found, schema=names, orient="row")


FIXED = (TECHNIQUE, Number(name="pretest"), Number(name="time"))


def model(random, fixed=FIXED, **options):
    return ModelDescription(outcome="gain", fixed=fixed, random=random, **options)


DESCRIPTIONS = {
    "three crossed": model((PATIENT, CLINICIAN, CLINIC)),
    "three crossed by ml": model((PATIENT, CLINICIAN, CLINIC), method=Method.ML),
    "slope of a patient": model((RandomTerm(by=("patient",), slopes=("time",)), CLINIC)),
    "independent slope": model(
        (RandomTerm(by=("patient",), slopes=("time",), correlated=False), CLINIC)
    ),
    "two slopes": model((RandomTerm(by=("patient",), slopes=("time", "seconds_c")),)),
    "slope alone": model((RandomTerm(by=("patient",), slopes=("time",), intercept=False), CLINIC)),
    "six terms": model((PATIENT, HIP, VISIT, CLINICIAN, CLINIC, LOCAL)),
    "weighted": model((PATIENT, CLINICIAN, CLINIC), weights="precision"),
    "weighted by ml with a slope": model(
        (RandomTerm(by=("patient",), slopes=("time",)), CLINICIAN),
        weights="precision",
        method=Method.ML,
    ),
    "interactions": model(
        (PATIENT, CLINIC),
        (
            TECHNIQUE,
            Factor(name="side"),
            Number(name="time"),
            Interaction(of=("technique", "side")),
            Interaction(of=("technique", "time")),
        ),
    ),
    "two crossed alone": model((CLINICIAN, LOCAL), ()),
}
EVERY = pytest.mark.parametrize("name", DESCRIPTIONS)


@cache
def fitted(name):
    frame = rows().with_columns(seconds_c=(pl.col("seconds") - 50) / 20)
    return frame, fit(frame, DESCRIPTIONS[name])


@EVERY
def test_criterion_and_fixed_part(name):
    frame, found = fitted(name)
    expected = dense_fit(frame, DESCRIPTIONS[name], found.theta)
    order = [fixed_design(frame, DESCRIPTIONS[name])[0].index(term) for term in found.terms]
    assert found.criterion == pytest.approx(expected.criterion, abs=1e-7)
    assert found.sigma2 == pytest.approx(expected.sigma2, rel=1e-9)
    errors = np.sqrt(np.diag(expected.covariance))[order]
    difference = (found.coefficients - expected.coefficients[order]) / errors
    assert difference == pytest.approx(np.zeros(len(order)), abs=1e-8)
    covariance = expected.covariance[np.ix_(order, order)]
    assert found.covariance / np.outer(errors, errors) == pytest.approx(
        covariance / np.outer(errors, errors), abs=1e-8
    )


@EVERY
def test_the_dense_criterion_is_lowest_at_the_engines_theta(name):
    frame, found = fitted(name)
    theta, step = np.array(found.theta), 1e-4

    def criterion(changed):
        return dense_fit(frame, DESCRIPTIONS[name], changed).criterion

    for place, low in enumerate(bounds_of(DESCRIPTIONS[name])):
        up, down = (theta + sign * step * np.eye(len(theta))[place] for sign in (1, -1))
        if theta[place] - step < low:
            assert criterion(up) >= found.criterion - 1e-6
        else:
            # A gradient of 2e-3 is a criterion above its lowest value by some 1e-6 at most.
            gradient = (criterion(up) - criterion(down)) / (2 * step)
            assert gradient == pytest.approx(0.0, abs=2e-3)


@EVERY
def test_conditional_modes(name):
    frame, found = fitted(name)
    expected = dense_fit(frame, DESCRIPTIONS[name], found.theta)
    start = 0
    for term, part in zip(DESCRIPTIONS[name].random, conditional_modes(found), strict=True):
        assert part.term == term
        groups, z = random_design(frame, term)
        own = slice(start, start := start + z.shape[1])
        labels = group_labels(part.levels, term.by)
        order = [labels.index(group) for group in groups]
        spread = np.sqrt(found.sigma2)
        for ours, theirs in (
            (part.values, expected.modes),
            (part.standard_deviations, expected.mode_deviations),
        ):
            assert ours[order].ravel() == pytest.approx(theirs[own], rel=1e-6, abs=1e-6 * spread)


@pytest.mark.parametrize("weights", [None, "precision"])
def test_a_spline_spans_the_natural_cubic_splines(weights):
    frame, _ = fitted("three crossed")
    curve = Spline(name="seconds", knots=(30.0, 50.0, 70.0), boundary=(12.0, 88.0))
    description = model((PATIENT, CLINIC), (curve, TECHNIQUE), weights=weights, method=Method.ML)
    found = fit(frame, description)
    expected = dense_fit(frame, description, found.theta)
    assert found.criterion == pytest.approx(expected.criterion, abs=1e-7)
    place = found.terms.index("technique=lateral")
    dense_place = fixed_design(frame, description)[0].index("technique=lateral")
    assert found.coefficients[place] == pytest.approx(expected.coefficients[dense_place], rel=1e-7)


def test_rows_without_a_value_or_weight_do_not_count():
    frame, whole = fitted("weighted")
    extra = frame.head(4).with_columns(
        gain=pl.Series([None, 1.0, float("nan"), 1000.0]),
        pretest=pl.Series([1.0, None, 2.0, 3.0]),
        precision=pl.Series([1.0, 1.0, 1.0, 0.0]),
    )
    found = fit(pl.concat([extra, frame]), DESCRIPTIONS["weighted"])
    assert (found.n_rows, found.n_left_out) == (frame.height, 4)
    assert found.criterion == whole.criterion
    assert np.array_equal(found.coefficients, whole.coefficients)


@pytest.mark.parametrize(
    "name", ["weighted", "slope of a patient", "independent slope", "six terms"]
)
def test_kenward_roger_of_a_fit_is_that_of_its_parts(name):
    """The definition written out again: inverse and traces without a factor."""
    frame, found = fitted(name)
    description = DESCRIPTIONS[name]
    names, _, x = fixed_design(frame, description)
    x = x[:, [names.index(term) for term in found.terms]]
    parts, sizes = [], []
    for part in found.components:
        groups, z = random_design(frame, part.term)
        z = z.reshape(frame.height, len(groups), -1)
        for j in range(z.shape[2]):
            for i in range(j + 1 if part.term.correlated else 1):
                first = i if part.term.correlated else j
                product = z[:, :, first] @ z[:, :, j].T
                parts.append(product if first == j else product + product.T)
                sizes.append(part.covariance[first, j])
    weights = frame["precision"].to_numpy() if description.weights else np.ones(frame.height)
    parts, sizes = [*parts, np.diag(1 / weights)], [*sizes, found.sigma2]
    inverse = np.linalg.inv(sum(s * g for s, g in zip(sizes, parts, strict=True)))
    phi = np.linalg.inv(x.T @ inverse @ x)
    half = [inverse @ g for g in parts]
    p = [-x.T @ h @ inverse @ x for h in half]
    q = [[x.T @ a @ b @ inverse @ x for b in half] for a in half]
    information = [
        [
            np.trace(half[i] @ half[j])
            - 2 * np.trace(phi @ q[i][j])
            + np.trace(phi @ p[i] @ phi @ p[j])
            for j in range(len(p))
        ]
        for i in range(len(p))
    ]
    w = 2 * np.linalg.inv(information)
    inner = sum(
        w[i, j] * (q[i][j] - p[i] @ phi @ p[j]) for i in range(len(p)) for j in range(len(p))
    )
    expected = phi + 2 * phi @ inner @ phi
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    adjusted = kenward_roger(frame, found)
    assert adjusted.covariance / scale == pytest.approx(expected / scale, abs=1e-8)
    assert adjusted.root @ adjusted.root.T / scale == pytest.approx(
        found.covariance / scale, abs=1e-6
    )
