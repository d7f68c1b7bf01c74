"""The bouts of one visit: which technique, grade, bias and dose the clinician chooses."""

from dataclasses import dataclass

import numpy as np

from synthetic_data.patient import Floats, Truths, Whole
from synthetic_data.truth import Truth

GRADES = ("I", "II", "III", "IV")
MODIFIERS = ("--", "-", "none", "+", "++")
DIRECTIONS = ("neutral", "internal", "external")
MANNERS = ("not_applicable", "held", "combined")
DOSES = np.array([[1, 30], [2, 30], [2, 45], [3, 60]])
"""Sets and seconds per set that are in use; 30 to 60 s is usual (common practice, no source)."""

USUAL_DOSE = 2
"""Index of the dose of most second bouts, so that biases are compared at equal seconds."""


@dataclass(frozen=True)
class Bouts:
    """First and second bout (first axis, length 2) of every hip; further axes as the caller's.

    Attributes
    ----------
    is_given : numpy.ndarray
        False where there is no such bout.
    technique, grade, modifier, direction, manner : numpy.ndarray
        Indices into the tuples of this module and of ``synthetic_data.truth``.
    sets, seconds : numpy.ndarray
        Sets and seconds per set.
    """

    is_given: Truths
    technique: Whole
    grade: Whole
    modifier: Whole
    direction: Whole
    manner: Whole
    sets: Whole
    seconds: Whole


def choose_bouts(
    truth: Truth, stiffness: Floats, pain: Floats, preference: Floats, rng: np.random.Generator
) -> Bouts:
    """Choose the bouts of one visit as clinicians would.

    Parameters
    ----------
    truth : Truth
        Effects and variance components.
    stiffness : numpy.ndarray, shape (P, 2)
        Standard deviations by which the true range lies below the mean.
    pain : numpy.ndarray, shape (P, 2)
        Pain before the treatment, 0 to 10.
    preference : numpy.ndarray, shape (2, P, 1)
        Row 0: the clinician's log odds of lateral distraction. Row 1: 1 where two bouts are usual.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    Bouts
        Arrays of shape (2, P, 2); ``is_given`` does not yet know which hips are treated.
    """
    shape = stiffness.shape
    two = (rng.random(shape) < 0.65) & (preference[1] > 0)
    lateral = rng.random(shape) < _logistic(preference[0] + truth.choice_per_sd * stiffness)
    first = np.where(rng.random(shape) < 0.08, 2, lateral.astype(np.int64))
    second = np.where(rng.random(shape) < 0.04, (first + 1) % 2, first)
    into = rng.random(shape) < _logistic(0.7 - 0.25 * (pain - truth.pain_0_10))
    into_second = into ^ (rng.random(shape) < 0.03)
    grade = _draw_grade(np.stack([into, into_second]), rng)
    direction = _draw_direction(two, rng)
    dose = rng.choice(len(DOSES), size=(2, *shape), p=(0.2, 0.35, 0.3, 0.15))
    dose[1] = np.where(rng.random(shape) < 0.85, USUAL_DOSE, dose[1])
    modifier = rng.choice(len(MODIFIERS), size=grade.shape, p=(0.03, 0.17, 0.55, 0.2, 0.05))
    return Bouts(
        is_given=np.stack([np.ones(shape, dtype=np.bool_), two]),
        technique=np.stack([first, second]),
        grade=grade,
        modifier=np.where(grade >= 2, modifier, MODIFIERS.index("none")),
        direction=direction,
        manner=np.where(direction > 0, rng.integers(1, 3, direction.shape), 0),
        sets=DOSES[dose, 0],
        seconds=DOSES[dose, 1],
    )


def _draw_grade(into: Truths, rng: np.random.Generator) -> Whole:
    share = np.where(into, 0.5, 0.7)  # grade IV among III and IV, grade II among I and II
    higher = (rng.random(into.shape) < share).astype(np.int64)
    return np.where(into, 2, 0) + higher


def _draw_direction(two: Truths, rng: np.random.Generator) -> Whole:
    single = rng.choice(3, size=two.shape, p=(0.7, 0.15, 0.15))
    return np.stack([np.where(two, 0, single), rng.integers(0, 3, two.shape)])


def _logistic(x: Floats) -> Floats:
    return 1.0 / (1.0 + np.exp(-x))
