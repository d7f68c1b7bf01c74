"""The invented patients: who they are, their hips, when they come and whom they see."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic_data.clinic import CLINICS, NETWORK, SHARING
from synthetic_data.truth import DEFINITIONS, Truth

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
        Index of the clinician in the one numbering of the network.
    n_clinicians : int
        Clinicians of the whole network; a few work at two clinics.
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
    """Draw the patients of all clinics.

    Parameters
    ----------
    truth : Truth
        Effects and variance components.
    n_patients : int
        Patients of all clinics together, dealt out to the clinics in turn.
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
    roster = _roster(max(6, n_patients // 360))
    n_visits = 1 + rng.choice(N_VISITS, size=n_patients, p=(0.15, 0.2, 0.25, 0.2, 0.2))
    return People(
        clinic=clinic,
        sex=(rng.random(n_patients) < 0.42).astype(np.int64),
        age_years=np.clip(np.rint(rng.normal(63, 11, n_patients)), 22, 89).astype(np.int64),
        day=_draw_days(n_patients, rng),
        has_visit=np.arange(N_VISITS)[:, None] < n_visits,
        clinician=_draw_clinicians(roster[clinic], rng),
        n_clinicians=int(roster.max()) + 1,
        is_treated=is_treated,
        condition=condition,
        duration_months=np.clip(np.rint(rng.lognormal(2.4, 0.7, (n_patients, 2))), 1, 120).astype(
            np.int64
        ),
        end_feel=_draw_end_feel(condition, rng),
        range_deg=_draw_range(truth, is_treated, rng),
        is_tested=_draw_tested(clinic, rng),
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


def _roster(n_each: int) -> Whole:
    """Give the clinicians of each clinic numbers, shape (clinics, n_each); two share a third."""
    n_shared = n_each // 3
    one, other = SHARING
    roster = np.empty((len(CLINICS), n_each), dtype=np.int64)
    free = 0
    for clinic in range(len(CLINICS)):
        shared = roster[one, -n_shared:] if clinic == other else roster[one, :0]
        own = np.arange(free, free + n_each - len(shared))
        roster[clinic] = np.concatenate([shared, own])
        free += len(own)
    return roster


def _draw_clinicians(own: Whole, rng: np.random.Generator) -> Whole:
    n_patients, n_each = own.shape
    usual = rng.integers(0, n_each, n_patients)
    other = rng.integers(0, n_each, (N_VISITS, n_patients))
    place = np.where(rng.random((N_VISITS, n_patients)) < 0.85, usual, other)
    return own[np.arange(n_patients), place]


def _draw_tested(clinic: Whole, rng: np.random.Generator) -> Truths:
    extension = np.array([0.85 if own.tests_extension else 0.0 for own in NETWORK])[clinic]
    share = np.ones((len(clinic), 1, len(DEFINITIONS)))
    share[:, 0, 2], share[:, 0, 3] = 0.85, extension
    return as_pairs(rng.random((len(clinic), 2, len(DEFINITIONS))) < share, clinic)


def as_pairs(of_tests: Truths, clinic: Whole) -> Truths:
    """Let two tests that stand in one cell share what is true of the first.

    Parameters
    ----------
    of_tests : numpy.ndarray, shape (..., P, 2, D)
        Something about tests.
    clinic : numpy.ndarray, shape (P,)
        Index of the clinic.

    Returns
    -------
    numpy.ndarray, shape (..., P, 2, D)
        The same array, changed.
    """
    for index, own in enumerate(NETWORK):
        for first, second in own.pairs:
            here = (clinic == index)[:, None]
            of_tests[..., second] = np.where(here, of_tests[..., first], of_tests[..., second])
    return of_tests


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
    drawn = rng.random((*condition.shape, len(DEFINITIONS), 1))
    code: Whole = np.minimum((drawn > limits).sum(axis=-1), share.shape[1] - 1).astype(np.int64)
    return code


def _draw_range(truth: Truth, is_treated: Truths, rng: np.random.Generator) -> Floats:
    n = len(is_treated)
    motions = len(DEFINITIONS)
    # One hip's motions correlate 0.3, one motion of both hips 0.6 (proposal).
    z = (
        np.sqrt(0.3) * rng.normal(size=(n, 1, 1))
        + np.sqrt(0.3) * rng.normal(size=(n, 1, motions))
        + np.sqrt(0.4) * rng.normal(size=(n, 2, motions))
    )
    surplus = np.where(is_treated[:, :, None], 0.0, np.array(truth.untreated_surplus_deg))
    drawn: Floats = np.array(truth.baseline_deg) + surplus + np.array(truth.baseline_sd_deg) * z
    return drawn
