"""What is read of the true ranges: errors, rounding, digit preference and missing retests."""

from dataclasses import dataclass

import numpy as np

from synthetic_data.clinic import HARBOUR, HIGHEST_DEG, LOWEST_DEG, NETWORK
from synthetic_data.course import Course
from synthetic_data.patient import Floats, People, Truths, Whole, as_pairs
from synthetic_data.truth import Truth

BLOCKS = (("pretest", 1), ("pretest", 2), ("interim", 1), ("retest", 1))
"""Block and trial of every reading; a few pretests are read twice."""

TIMES = (0, 0, 1, 2)
"""Time of the course that each of ``BLOCKS`` reads."""


@dataclass(frozen=True)
class Readings:
    """Readings by block; V visits, P patients, 2 sides, D definitions, 4 blocks.

    Attributes
    ----------
    angle_deg, pain_0_10 : numpy.ndarray, shape (4, V, P, 2, D)
        As written down; pain is nan where it was left out.
    has_end_feel : numpy.ndarray, shape (4, V, P, 2, D)
        False where the end feel was left out.
    is_owed, is_done : numpy.ndarray, shape (4, V, P, 2, D)
        Tests that good practice asks for, and those that were done.
    is_stopped : numpy.ndarray, shape (V, 2, P, 2)
        Bouts that were stopped early.
    event : dict of str to numpy.ndarray, shape (V, P, 2)
        Number of each block and bout in the order of the visit.
    """

    angle_deg: Floats
    pain_0_10: Floats
    has_end_feel: Truths
    is_owed: Truths
    is_done: Truths
    is_stopped: Truths
    event: dict[str, Whole]


def read_tests(truth: Truth, people: People, course: Course, rng: np.random.Generator) -> Readings:
    """Read the true ranges as a clinic would.

    Parameters
    ----------
    truth : Truth
        Effects and variance components.
    people : People
        Patients, hips and visits.
    course : Course
        True ranges and bouts.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    Readings
        Readings and which of them were done.
    """
    owed, done = _owed_and_done(truth, people, course, rng)
    times = list(TIMES)
    shape = owed.shape
    pain = course.pain_0_10[times][..., None] + rng.normal(0, truth.pain_reading_sd, shape)
    left_out = rng.random(shape) < np.array([0.01, 0.01, 0.03, 0.04])[:, None, None, None, None]
    pain = np.where(left_out, np.nan, _round_pain(pain, people))
    no_feel = rng.random(shape) < np.array([0.02, 0.02, 0.05, 0.06])[:, None, None, None, None]
    notes_feel = np.array([clinic.notes_feel for clinic in NETWORK])[people.clinic][:, None, :]
    return Readings(
        angle_deg=_round_angle(
            course.range_deg[times] + rng.normal(0, truth.sem_deg, shape), people, rng
        ),
        pain_0_10=_asked_once(pain, people),
        has_end_feel=~no_feel & notes_feel,
        is_owed=owed,
        is_done=done,
        is_stopped=_stopped(course, rng),
        event=_number_events(course, done),
    )


def _owed_and_done(
    truth: Truth, people: People, course: Course, rng: np.random.Generator
) -> tuple[Truths, Truths]:
    given = course.bouts.is_given[..., None]  # (V, 2, P, 2, 1)
    visits = people.has_visit[:, :, None, None]
    shape = course.range_deg.shape[1:]
    first = np.zeros((shape[0], 1, 1, 1), dtype=np.bool_)
    first[0] = True
    other_hip = rng.random((1, *shape[1:3], 1)) < 0.7
    treated = people.is_treated[:, :, None]
    # On later visits a pretest is left out now and then.
    tested = np.where(treated, first | (rng.random((*shape[:3], 1)) > 0.03), first & other_hip)
    pre = visits & people.is_tested & tested
    twice = pre & (rng.random(shape) < 0.08) & (people.clinic == HARBOUR)[:, None, None]
    interim = pre & given[:, 1]
    interim_done = interim & (rng.random((*shape[:3], 1)) < 0.85)
    other_again = rng.random((*shape[:3], 1)) < 0.3
    retest = np.where(treated, visits & people.is_tested & given[:, 0], pre & other_again)
    missing = _retest_missing(truth, people, course, rng)[..., None]
    retest_done = retest & ~(missing & treated) & as_pairs(rng.random(shape) > 0.04, people.clinic)
    return (
        np.stack([pre, twice, interim, retest]),
        np.stack([pre, twice, interim_done, retest_done]),
    )


def _retest_missing(
    truth: Truth, people: People, course: Course, rng: np.random.Generator
) -> Truths:
    habit = rng.normal(0, 0.4, people.n_clinicians)
    gain = (course.range_deg[2] - course.range_deg[0]).mean(axis=-1)
    pain_rose = course.pain_0_10[2] > course.pain_0_10[0]
    logit = (
        truth.retest_missing_logit
        + habit[people.clinician][:, :, None]
        + truth.retest_missing_per_deg * (gain - 3.0)
        + truth.retest_missing_if_pain * pain_rose
    )
    missing: Truths = rng.random(gain.shape) < 1.0 / (1.0 + np.exp(-logit))
    return missing


def _round_angle(angle: Floats, people: People, rng: np.random.Generator) -> Floats:
    """To the step of each clinic's instrument, with the digit preference of each clinician."""
    step = np.array([clinic.step_deg for clinic in NETWORK])[people.clinic][:, None, :]
    fives = np.array([clinic.prefers_fives for clinic in NETWORK])[people.clinic][:, None, :]
    habit = rng.uniform(0.1, 0.4, people.n_clinicians)[people.clinician]
    heaped = (rng.random(angle.shape) < habit[:, :, None, None]) & fives
    # No reading leaves what the joint can reach: impossible values are planted, not drawn.
    low, high = (limit[people.clinic][:, None, :] for limit in (LOWEST_DEG, HIGHEST_DEG))
    unit = np.where(heaped, 5.0, step)
    rounded: Floats = np.round(unit * np.rint(np.clip(angle, low, high) / unit), 2)
    return rounded + 0.0  # no minus zero


def _round_pain(pain: Floats, people: People) -> Floats:
    """To whole numbers, or to a millimetre of 100."""
    step = np.array([clinic.pain_step for clinic in NETWORK])[people.clinic][:, None, None]
    rounded: Floats = np.round(step * np.rint(np.clip(pain, 0, 10) / step), 1)
    return rounded


def _asked_once(pain: Floats, people: People) -> Floats:
    once = np.array([clinic.asks_pain_once for clinic in NETWORK])[people.clinic][:, None, None]
    return np.where(once, pain[..., :1], pain)


def _stopped(course: Course, rng: np.random.Generator) -> Truths:
    rise = np.stack(
        [
            course.pain_0_10[1] - course.pain_0_10[0],
            course.pain_0_10[2] - course.pain_0_10[1],
        ],
        axis=1,
    )
    chance = np.where(rise >= 1, 0.2, 0.02)
    stopped: Truths = (rng.random(rise.shape) < chance) & course.bouts.is_given
    return stopped


def _number_events(course: Course, done: Truths) -> dict[str, Whole]:
    """Give each block of a visit a number; tests of one block share a number."""
    has: Whole = np.asarray(done.any(axis=-1), dtype=np.int64)  # (4, V, P, 2)
    given = course.bouts.is_given.astype(np.int64)
    first_bout = has[0] + given[:, 0]
    interim = first_bout + 1
    second_bout = first_bout + has[2] + given[:, 1]
    return {
        "pretest": np.ones_like(first_bout),
        "first bout": first_bout,
        "interim": interim,
        "second bout": second_bout,
        "retest": second_bout + 1,
    }
