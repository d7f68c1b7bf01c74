"""Predictions against closed forms of balanced designs and against whole matrices.

Sources: textbook analysis of variance of one balanced way (mean squares MSB, MSW with k - 1 and
k (n - 1) degrees of freedom; Searle, Casella & McCulloch 1992, Variance Components, chapters 3 and
7, from memory); Satterthwaite (1946) Biometrics Bulletin 2:110-114 for sums of mean squares;
Henderson (1975) Biometrics 31:423-447 for the matrix of the mixed-model equations, written out
whole. Dyestuff: Davies & Goldsmith (1972), section 6.4.
"""

from functools import cache

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm, t

from pipeline.mixed_model.description import (
    INTERCEPT,
    Factor,
    Interaction,
    Method,
    ModelDescription,
    Number,
    RandomTerm,
)
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.prediction import predict
from schemas.errors import ModelError

DYESTUFF = {
    "A": (1545, 1440, 1440, 1520, 1580), "B": (1540, 1555, 1490, 1560, 1495),
    "C": (1595, 1550, 1605, 1510, 1560), "D": (1445, 1440, 1595, 1465, 1545),
    "E": (1595, 1630, 1515, 1635, 1625), "F": (1520, 1455, 1450, 1480, 1445),
}  # fmt: skip
BATCH = RandomTerm(by=("batch",))


def one_way(values):
    """Rows of a balanced one-way layout given as an array of (k, n)."""
    k, n = np.shape(values)
    return pl.DataFrame({"batch": np.repeat(np.arange(k), n), "y": np.ravel(values).astype(float)})


@cache
def dyestuff():
    values = np.array(list(DYESTUFF.values()), dtype=float)
    k, n = values.shape
    between = n * np.var(values.mean(axis=1), ddof=1)
    within = np.var(values, axis=1, ddof=1).mean()
    model = fit(one_way(values), ModelDescription(outcome="y", random=(BATCH,)))
    return model, values, k, n, between, within


def checked(found, prefix, variance, freedom, mean):
    """Compare one kind of interval with its closed form."""
    deviation = "standard_error" if not prefix else "prediction_deviation"
    half = t.ppf(0.975, freedom) * np.sqrt(variance)
    # Degrees of freedom come from numeric second derivatives: five digits.
    assert found[deviation][0] == pytest.approx(np.sqrt(variance), rel=1e-6)
    assert found[f"{prefix}degrees_of_freedom"][0] == pytest.approx(freedom, rel=1e-5)
    assert found["mean"][0] == pytest.approx(mean, rel=1e-9)
    assert found[f"{prefix}low"][0] == pytest.approx(mean - half, rel=1e-6)
    assert found[f"{prefix}high"][0] == pytest.approx(mean + half, rel=1e-6)


def pooled(parts):
    """Satterthwaite's degrees of freedom of a sum of (multiple of a mean square, its own)."""
    return sum(p for p, _ in parts) ** 2 / sum(p**2 / f for p, f in parts)


def test_the_mean_of_an_average_batch():
    model, values, k, n, between, _ = dyestuff()
    found = predict(model, pl.DataFrame({"x": [0]}), groups="average")
    checked(found, "", between / (k * n), k - 1, values.mean())


def test_the_true_mean_of_a_new_batch():
    model, values, k, n, between, within = dyestuff()
    # var(batch) + MSB/kn, with var(batch) = (MSB - MSW)/n.
    parts = [((1 + 1 / k) * between / n, k - 1), (-within / n, k * (n - 1))]
    found = predict(model, pl.DataFrame({"x": [0]}), groups="new", residual=False)
    checked(found, "prediction_", sum(p for p, _ in parts), pooled(parts), values.mean())
    checked(found, "", between / (k * n), k - 1, values.mean())


def test_a_further_yield_of_a_new_batch():
    model, values, k, n, between, within = dyestuff()
    parts = [((1 + 1 / k) * between / n, k - 1), ((1 - 1 / n) * within, k * (n - 1))]
    found = predict(model, pl.DataFrame({"x": [0]}))
    checked(found, "prediction_", sum(p for p, _ in parts), pooled(parts), values.mean())


def test_a_further_yield_of_an_average_batch():
    model, values, k, n, between, within = dyestuff()
    parts = [(between / (k * n), k - 1), (within, k * (n - 1))]
    found = predict(model, pl.DataFrame({"x": [0]}), groups={("batch",): "average"})
    checked(found, "prediction_", sum(p for p, _ in parts), pooled(parts), values.mean())


def test_the_true_mean_of_a_known_batch():
    model, values, k, n, between, within = dyestuff()
    share = 1 - within / between  # of a batch's deviation that its mode keeps
    mean = values.mean() + share * (values[2].mean() - values.mean())
    # MSW/n (share + (1 - share)/k), and its derivatives by the two mean squares.
    variance = within / n * (1 - (1 - 1 / k) * within / between)
    slopes = (
        (1 - 2 * (1 - 1 / k) * within / between) / n,
        (1 - 1 / k) * (within / between) ** 2 / n,
    )
    spread = slopes[0] ** 2 * within**2 / (k * (n - 1)) + slopes[1] ** 2 * between**2 / (k - 1)
    found = predict(model, pl.DataFrame({"batch": [2]}), groups="known")
    checked(found, "", variance, variance**2 / spread, mean)
    assert found["prediction_deviation"][0] ** 2 == pytest.approx(variance + within, rel=1e-6)


def test_without_variance_between_groups_it_is_the_interval_of_a_sample():
    # One sample of N values: the next lies within mean ± t(N - 1) s sqrt(1 + 1/N) (any textbook).
    values = np.array([[1.0, 5.0, 9.0], [9.5, 1.5, 4.0], [4.5, 8.0, 2.5]])  # means nearly alike
    model = fit(one_way(values), ModelDescription(outcome="y", random=(BATCH,)))
    assert model.is_singular
    variance = values.var(ddof=1) * (1 + 1 / 9)
    found = predict(model, pl.DataFrame({"x": [0]}))
    checked(found, "prediction_", variance, 8, values.mean())
    known = predict(model, pl.DataFrame({"batch": [1]}), groups="known")
    checked(known, "prediction_", variance, 8, values.mean())


def test_new_rows_fall_within_the_interval_as_often_as_it_says():
    rng = np.random.default_rng(20260110)
    k, n, between, within = 12, 4, 2.0, 1.5
    covered = []
    for _ in range(100):
        values = between * rng.standard_normal((k, 1)) + within * rng.standard_normal((k, n))
        model = fit(one_way(values), ModelDescription(outcome="y", random=(BATCH,)))
        found = predict(model, pl.DataFrame({"x": [0]}), confidence=0.9)
        true = norm(0.0, np.hypot(between, within))
        covered.append(true.cdf(found["prediction_high"][0]) - true.cdf(found["prediction_low"][0]))
    # The expected share is 0.9; the mean of 100 such shares has a standard error of 0.006.
    assert np.mean(covered) == pytest.approx(0.9, abs=0.02)


PATIENT, HIP = RandomTerm(by=("patient",)), RandomTerm(by=("patient", "side"))
SLOPE = RandomTerm(by=("patient",), slopes=("time",))
CLINIC, CLINICIAN = RandomTerm(by=("clinic",)), RandomTerm(by=("clinician",))
LOCAL_SLOPE = RandomTerm(by=("clinician",), slopes=("time",))
FIXED = (Factor(name="technique"), Number(name="time"))
DESIGNS = {
    "nested": (HIP, PATIENT, CLINIC),
    "nested and crossed": (HIP, PATIENT, CLINICIAN, CLINIC),
    "slopes in the chain": (HIP, SLOPE, CLINICIAN),
    "slopes outside": (HIP, PATIENT, LOCAL_SLOPE, CLINIC),
}


@cache
def rows():
    """Patients of four clinics, seen by clinicians who work at two."""
    rng = np.random.default_rng(20260111)
    found, effects = [], {}

    def effect(spread, *key):
        return effects.setdefault(key, spread * rng.standard_normal())

    for patient in range(40):
        clinic = patient % 4
        for side in ("left", "right")[: 1 + (patient % 3 > 0)]:
            for _ in range(int(rng.integers(1, 5))):
                clinician = int(rng.integers(2)) + (clinic if rng.random() < 0.7 else 2)
                technique, time = str(rng.choice(["lateral", "long axis"])), float(rng.normal())
                gain = effect(3, patient) + effect(2, patient, side) + effect(2, "by", clinician)
                gain += effect(2, "in", clinic) + time * (effect(1, "t", patient) + 1)
                gain += time * effect(1, "u", clinician) + 1.5 * rng.standard_normal()
                found.append((patient, side, clinic, clinician, technique, time, gain))
    names = ("patient", "side", "clinic", "clinician", "technique", "time", "gain")
    return pl.DataFrame(found, schema=names, orient="row").with_columns(
        weight=1.0 + pl.int_range(pl.len()) % 3
    )


@cache
def fitted(design, weights=None, method=Method.REML):
    description = ModelDescription(
        outcome="gain", fixed=FIXED, random=DESIGNS[design], weights=weights, method=method
    )
    return fit(rows(), description)


def random_columns(frame, part, groups):
    """Columns of Z for some rows, group by group, scaled so that effects have variance 1."""
    keys = list(frame.select(part.term.by).iter_rows())
    member = np.array([[key == group for group in groups] for key in keys], dtype=float)
    z = np.column_stack(
        [np.ones(frame.height) if c == INTERCEPT else frame[c].to_numpy() for c in part.columns]
    )
    values, vectors = np.linalg.eigh(part.covariance)
    z = z @ vectors * np.sqrt(np.maximum(values, 0.0))  # a root that a singular covariance has too
    return (member[:, :, None] * z[:, None, :]).reshape(frame.height, -1)


def dense_errors(model, frame, known):
    """Variance of the error of each row's mean by the inverse of Henderson's matrix."""
    data, parts = rows(), model.components
    weights = data["weight"].to_numpy() if model.description.weights else np.ones(data.height)
    groups = [sorted(set(data.select(part.term.by).iter_rows())) for part in parts]

    def fixed(frame):
        lateral = (frame["technique"] == "long axis").cast(pl.Float64).to_numpy()
        columns = {INTERCEPT: np.ones(frame.height), "technique=long axis": lateral}
        columns["time"] = frame["time"].to_numpy()
        return np.column_stack([columns[name] for name in model.terms])

    designs = [random_columns(data, part, g) for part, g in zip(parts, groups, strict=True)]
    whole = np.hstack([fixed(data), *(z / np.sqrt(model.sigma2) for z in designs)])
    penalty = np.diag(np.arange(whole.shape[1]) >= 3).astype(float)
    inverse = np.linalg.inv(whole.T @ (whole * weights[:, None]) + penalty)
    wanted = [
        random_columns(frame, part, g) * (part.term in known) / np.sqrt(model.sigma2)
        for part, g in zip(parts, groups, strict=True)
    ]
    sums = np.hstack([fixed(frame), *wanted])
    return model.sigma2 * np.einsum("ni,ij,nj->n", sums, inverse, sums)


CASES = [
    ("nested", "clinic"), ("nested", "patient"), ("nested", "side"), ("nested", "clinic patient"),
    ("nested", "clinic side"), ("nested", "clinic patient side"),
    ("nested and crossed", "clinician"), ("nested and crossed", "clinic"),
    ("nested and crossed", "clinic patient clinician"), ("nested and crossed", "side clinician"),
    ("slopes in the chain", "patient"), ("slopes in the chain", "patient side clinician"),
    ("slopes outside", "clinician"), ("slopes outside", "clinic patient side clinician"),
]  # fmt: skip


@pytest.mark.parametrize("weights", [None, "weight"])
@pytest.mark.parametrize(("design", "names"), CASES)
def test_the_error_of_a_known_groups_mean(design, names, weights):
    model = fitted(design, weights)
    known = {term for term in model.description.random if term.by[-1] in names.split()}
    groups = {term.by: "known" if term in known else "new" for term in model.description.random}
    frame = rows()[[0, 3, 17, 60, 119]]
    found = predict(model, frame, groups=groups)
    expected = dense_errors(model, frame, known)
    assert found["standard_error"].to_numpy() == pytest.approx(np.sqrt(expected), rel=1e-7)
    added = model.sigma2 / (frame["weight"].to_numpy() if weights else 1.0)
    for part in model.components:
        if part.term not in known:
            numbers = [np.ones(5) if c == INTERCEPT else frame[c].to_numpy() for c in part.columns]
            z = np.column_stack(numbers)
            added = added + np.einsum("ni,ij,nj->n", z, part.covariance, z)
    assert found["prediction_deviation"].to_numpy() == pytest.approx(
        np.sqrt(expected + added), rel=1e-7
    )


def test_the_mean_of_a_known_group_is_the_fitted_value_of_lme4():
    # lme4 1.1-31, R 4.2.2: fitted(lmer(Yield ~ 1 + (1 | Batch), Dyestuff))[1].
    model, *_ = dyestuff()
    found = predict(model, pl.DataFrame({"batch": [0]}), groups="known")
    assert found["mean"][0] == pytest.approx(1509.89314865091, abs=1e-3)


def test_terms_that_are_not_named_are_new():
    model, frame = fitted("nested and crossed"), rows().head(6)
    some = predict(model, frame, groups={("side", "patient"): "known"})
    all_named = predict(
        model,
        frame,
        groups={
            ("patient", "side"): "known",
            ("patient",): "new",
            ("clinic",): "new",
            ("clinician",): "new",
        },
    )
    assert some.equals(all_named)


def test_rows_that_lack_a_value_are_null():
    model, frame = fitted("nested"), rows().head(3)
    holes = frame.with_columns(
        time=pl.Series([0.5, None, float("nan")]), clinic=pl.lit(None, dtype=pl.Int64)
    )
    found = predict(model, holes)  # clinics are new: their labels aren't read
    assert found["prediction_low"].is_null().to_list() == [False, True, True]
    known = predict(model, holes, groups="known")
    assert known.null_count().row(0) == (3,) * 9


def test_a_weight_says_how_exact_a_further_outcome_is():
    model, frame = fitted("nested", "weight"), rows().head(1)
    one, four, none = (
        predict(model, frame.with_columns(weight=pl.lit(w)), groups="average") for w in (1, 4, 0)
    )
    unsaid = predict(model, frame.drop("weight"), groups="average")
    assert unsaid.equals(one)
    added = [found["prediction_deviation"][0] ** 2 - found["standard_error"][0] ** 2
             for found in (one, four)]  # fmt: skip
    assert added == pytest.approx([model.sigma2, model.sigma2 / 4], rel=1e-9)
    assert none["mean"].to_list() == [None]


def test_labels_are_compared_whatever_their_integer_type():
    model, frame = fitted("nested"), rows().head(4)
    narrow = frame.with_columns(pl.col("patient", "clinic").cast(pl.Int8))
    assert predict(model, narrow, groups="known").equals(predict(model, frame, groups="known"))


def test_no_rows_give_no_predictions():
    assert predict(fitted("nested"), rows().head(0), groups="known").shape == (0, 9)


@pytest.mark.parametrize(
    ("frame", "groups", "place", "problem"),
    [
        (rows().with_columns(clinic=9), "known", "prediction", "name a clinic that is not in the"),
        (
            rows().with_columns(clinic=(pl.col("clinic") + 1) % 4),
            "known",
            "prediction",
            "put a known group into another clinic",
        ),
        (
            rows().with_columns(technique=pl.lit("inferior")),
            "new",
            "technique",
            "have a level that",
        ),
        (rows().drop("time"), "new", "time", "the rows do not have it"),
        (rows().drop("clinic"), "known", "clinic", "the rows do not have it"),
        (rows(), {("therapist",): "known"}, "prediction", "“known” for therapist"),
        (rows(), {("clinic",): "old"}, "prediction", "“old” for clinic"),
    ],
)
def test_rows_that_cannot_be_predicted(frame, groups, place, problem):
    with pytest.raises(ModelError) as caught:
        predict(fitted("nested"), frame, groups=groups)
    assert place in caught.value.place
    assert problem in caught.value.problem
    assert caught.value.remedy


def test_a_patient_moved_to_a_new_clinic():
    model, frame = fitted("nested"), rows().head(1)
    moved = {("clinic",): "new", ("patient",): "known", ("patient", "side"): "known"}
    found = predict(model, frame.drop("clinic"), groups=moved, residual=False)
    [clinic] = [part for part in model.components if part.term == CLINIC]
    known = set(model.description.random) - {CLINIC}
    expected = dense_errors(model, frame, known)[0] + clinic.covariance[0, 0]
    assert found["prediction_deviation"][0] ** 2 == pytest.approx(expected, rel=1e-7)


def test_what_the_records_cannot_tell_apart_is_not_predicted():
    frame = rows().filter((pl.col("technique") == "lateral") | (pl.col("side") == "left"))
    fixed = (Factor(name="technique"), Factor(name="side"), Interaction(of=("technique", "side")))
    model = fit(frame, ModelDescription(outcome="gain", fixed=fixed, random=(PATIENT,)))
    assert len(model.dropped) == 1
    seen = pl.DataFrame({"technique": ["lateral"], "side": ["right"]})
    assert predict(model, seen)["mean"].null_count() == 0
    with pytest.raises(ModelError, match="can't tell some rows apart"):
        predict(model, seen.with_columns(technique=pl.lit("long axis")))
