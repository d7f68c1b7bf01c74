"""The invented patients: who they are, their hips, when they come and whom they see."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic_data.truth import Truth

CLINICS = ("harbour", "millrace")
"""Clinics of the network, in the order of every array over clinics."""

SIDES = ("left", "right")
"""Sides, in the order of every array over sides."""

CONDITIONS = (
    "osteoarthritis",
    "capsular_stiffness",
    "muscular_restriction",
    "impingement_syndrome",
)
"""Conditions, in the order of every array over conditions."""

N_VISITS = 5
"""Most visits of a patient."""

FIRST_DAY = np.datetime64("2024-01-08")
DAYS_OF_STARTING = 570
"""First visits fall within so many days; the last possible visit is in September 2025."""

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Truths = NDArray[np.bool_]


@dataclass(frozen=True)
class People:
    """Patients with their hips and visits; P patients, 2 sides, V visits, D definitions.

    Attributes
    ----------
    clinic : numpy.ndarray, shape (P,)
        Index of the clinic.
    sex : numpy.ndarray, shape (P,)
        0 for women, 1 for men.
    age_years : numpy.ndarray, shape (P,)
        Age at the first visit.
    day : numpy.ndarray of datetime64[D], shape (V, P)
        Days of the visits.
    has_visit : numpy.ndarray, shape (V, P)
        False for visits that do not exist.
    clinician : numpy.ndarray, shape (V, P)
        Index of the clinician within the clinic.
    n_clinicians : int
        Clinicians of each clinic.
    is_treated : numpy.ndarray, shape (P, 2)
        Hips that are treated.
    condition : numpy.ndarray, shape (P, 2)
        Index of the condition of a treated hip.
    duration_months : numpy.ndarray, shape (P, 2)
        Duration of the complaint of a treated hip.
    end_feel : numpy.ndarray, shape (P, 2, D)
        Index of the end feel.
    range_deg : numpy.ndarray, shape (P, 2, D)
        True range before any treatment.
    is_tested : numpy.ndarray, shape (P, 2, D)
        Tests that the clinic uses for this hip.
    """

    clinic: Whole
    sex: Whole
    age_years: Whole
    day: NDArray[np.datetime64]
    has_visit: Truths
    clinician: Whole
    n_clinicians: int
    is_treated: Truths
    condition: Whole
    duration_months: Whole
    end_feel: Whole
    range_deg: Floats
    is_tested: Truths


def draw_people(truth: Truth, n_patients: int, rng: np.random.Generator) -> People:
    """Draw the patients of both clinics.

    Parameters
    ----------
    truth : Truth
        Effects and variance components.
    n_patients : int
        Patients of both clinics together; every second one is of the first clinic.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    People
        Patients, hips and visits.
    """
    clinic = np.arange(n_patients) % len(CLINICS)
    is_treated = _draw_treated(n_patients, rng)
    condition = rng.choice(len(CONDITIONS), size=(n_patients, 2), p=(0.5, 0.35, 0.1, 0.05))
    n_clinicians = max(6, n_patients // 120)
    n_visits = 1 + rng.choice(N_VISITS, size=n_patients, p=(0.15, 0.2, 0.25, 0.2, 0.2))
    return People(
        clinic=clinic,
        sex=(rng.random(n_patients) < 0.42).astype(np.int64),
        age_years=np.clip(np.rint(rng.normal(63, 11, n_patients)), 22, 89).astype(np.int64),
        day=_draw_days(n_patients, rng),
        has_visit=np.arange(N_VISITS)[:, None] < n_visits,
        clinician=_draw_clinicians(n_patients, n_clinicians, rng),
        n_clinicians=n_clinicians,
        is_treated=is_treated,
        condition=condition,
        duration_months=np.clip(np.rint(rng.lognormal(2.4, 0.7, (n_patients, 2))), 1, 120).astype(
            np.int64
        ),
        end_feel=_draw_end_feel(condition, rng),
        range_deg=_draw_range(truth, is_treated, rng),
        is_tested=rng.random((n_patients, 2, 3)) < np.array([1.0, 1.0, 0.85]),
    )


def _draw_treated(n_patients: int, rng: np.random.Generator) -> Truths:
    both = rng.random(n_patients) < 0.35
    right = rng.random(n_patients) < 0.5
    return np.stack([both | ~right, both | right], axis=1)


def _draw_days(n_patients: int, rng: np.random.Generator) -> NDArray[np.datetime64]:
    start = rng.integers(0, DAYS_OF_STARTING, n_patients)
    # At least four days apart, so that moving a weekend to Monday keeps the order.
    gaps = rng.integers(4, 15, (N_VISITS, n_patients))
    gaps[0] = 0
    raw = FIRST_DAY + (start + np.cumsum(gaps, axis=0)).astype("timedelta64[D]")
    return np.busday_offset(raw, 0, roll="forward")


def _draw_clinicians(n_patients: int, n_clinicians: int, rng: np.random.Generator) -> Whole:
    usual = rng.integers(0, n_clinicians, n_patients)
    other = rng.integers(0, n_clinicians, (N_VISITS, n_patients))
    return np.where(rng.random((N_VISITS, n_patients)) < 0.85, usual, other)


def _draw_end_feel(condition: Whole, rng: np.random.Generator) -> Whole:
    # Rows: conditions; columns: capsular, muscular, bone-to-bone, empty. Proposal.
    share = np.array(
        [
            [0.5, 0.15, 0.3, 0.05],
            [0.8, 0.1, 0.05, 0.05],
            [0.1, 0.8, 0.05, 0.05],
            [0.3, 0.2, 0.4, 0.1],
        ]
    )
    limits = np.cumsum(share, axis=1)[condition][:, :, None, :]
    drawn = rng.random((*condition.shape, 3, 1))
    code: Whole = np.minimum((drawn > limits).sum(axis=-1), share.shape[1] - 1).astype(np.int64)
    return code


def _draw_range(truth: Truth, is_treated: Truths, rng: np.random.Generator) -> Floats:
    n = len(is_treated)
    # One hip's motions correlate 0.3, one motion of both hips 0.6 (proposal).
    z = (
        np.sqrt(0.3) * rng.normal(size=(n, 1, 1))
        + np.sqrt(0.3) * rng.normal(size=(n, 1, 3))
        + np.sqrt(0.4) * rng.normal(size=(n, 2, 3))
    )
    surplus = np.where(is_treated[:, :, None], 0.0, np.array(truth.untreated_surplus_deg))
    drawn: Floats = np.array(truth.baseline_deg) + surplus + np.array(truth.baseline_sd_deg) * z
    return drawn
