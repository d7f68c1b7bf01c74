"""The true course: what every hip can reach before, between and after the bouts of each visit."""

from dataclasses import dataclass, fields

import numpy as np

from synthetic_data.bout import Bouts, choose_bouts
from synthetic_data.clinic import BRACKWELL, CLINICS, NETWORK
from synthetic_data.patient import N_VISITS, Floats, People, Truths, Whole
from synthetic_data.truth import DEFINITIONS, Truth


@dataclass(frozen=True)
class Course:
    """True ranges, pain and bouts; V visits, P patients, 2 sides, D definitions.

    Attributes
    ----------
    range_deg : numpy.ndarray, shape (3, V, P, 2, D)
        True range before the first bout, after it, and after the last bout.
    pain_0_10 : numpy.ndarray, shape (3, V, P, 2)
        True pain at these times; not yet cut to 0 to 10.
    bouts : Bouts
        Arrays of shape (V, 2, P, 2).
    """

    range_deg: Floats
    pain_0_10: Floats
    bouts: Bouts


@dataclass(frozen=True)
class _Persons:
    """What stays the same over visits: deviations of the gain, of choices and of pain."""

    gain_deg: Floats  # (P, 2, 1): patient and hip
    place_deg: Floats  # (V, P, 1, 1): clinic and clinician
    technique_deg: Floats  # (clinics, techniques)
    preference: Floats  # (V, P, 1)
    pain: Floats  # (P, 2)
    pain_change: Floats  # (P, 1)


def follow_course(truth: Truth, people: People, rng: np.random.Generator) -> Course:
    """Treat every patient over all visits.

    Parameters
    ----------
    truth : Truth
        Effects and variance components.
    people : People
        Patients, hips and visits.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    Course
        True ranges, pain and bouts.
    """
    persons = _draw_persons(truth, people, rng)
    ranges: list[Floats] = []
    pains: list[Floats] = []
    bouts: list[Bouts] = []
    carried = np.zeros_like(people.range_deg)
    for visit in range(N_VISITS):
        if visit:
            gap = (people.day[visit] - people.day[visit - 1]).astype(np.float64)
            share = truth.retained_share * np.exp(-gap / truth.retained_days)
            carried = share[:, None, None] * (ranges[-1][2] - people.range_deg)
        before = people.range_deg + carried + rng.normal(0, truth.day_sd_deg, carried.shape)
        pain = persons.pain - 0.3 * visit + rng.normal(0, 0.8, persons.pain.shape)
        chosen = _choose(truth, people, persons, (before, pain, visit), rng)
        ranges.append(before + _gains(truth, people, persons, (before, chosen, visit), rng))
        pains.append(pain + _pain_changes(truth, persons, chosen, rng))
        bouts.append(chosen)
    return Course(
        range_deg=np.stack(ranges, axis=1), pain_0_10=np.stack(pains, axis=1), bouts=_stack(bouts)
    )


def _draw_persons(truth: Truth, people: People, rng: np.random.Generator) -> _Persons:
    n, clinics = len(people.clinic), len(CLINICS)
    clinic_deg = rng.normal(0, truth.clinic_sd_deg, clinics)
    # A clinician who works at two clinics is one person with one deviation.
    clinician_deg = rng.normal(0, truth.clinician_sd_deg, people.n_clinicians)
    technique_deg = rng.normal(0, truth.technique_by_clinic_sd_deg, (clinics, 3))
    preference = rng.normal(0, 0.5, people.n_clinicians)
    place = clinic_deg[people.clinic] + clinician_deg[people.clinician]
    patient_deg = rng.normal(0, truth.patient_sd_deg, (n, 1, 1))
    return _Persons(
        gain_deg=patient_deg + rng.normal(0, truth.hip_sd_deg, (n, 2, 1)),
        place_deg=place[:, :, None, None],
        technique_deg=technique_deg - technique_deg.mean(axis=0),
        preference=preference[people.clinician][:, :, None],
        pain=np.clip(rng.normal(truth.pain_0_10, truth.pain_sd, (n, 2)), 0.5, 9.5)
        - np.where(people.is_treated, 0.0, 3.0),
        pain_change=rng.normal(0, truth.pain_patient_sd, (n, 1)),
    )


def _choose(
    truth: Truth,
    people: People,
    persons: _Persons,
    now: tuple[Floats, Floats, int],
    rng: np.random.Generator,
) -> Bouts:
    before, pain, visit = now
    z = (before - np.array(truth.baseline_deg)) / np.array(truth.baseline_sd_deg)
    knows = np.array([clinic.knows_order for clinic in NETWORK], dtype=np.float64)
    # A clinic whose export knows no order gives one bout.
    preference = np.stack([persons.preference[visit], knows[people.clinic][:, None]])
    chosen = choose_bouts(truth, -z.mean(axis=2), pain, preference, rng)
    alike = (people.clinic == BRACKWELL) & (rng.random(len(people.clinic)) < 0.5)
    chosen = Bouts(**{name: _same_sides(part, alike) for name, part in _parts(chosen).items()})  # type: ignore[arg-type]  # one truth array among whole numbers
    given = chosen.is_given & people.is_treated & people.has_visit[visit][:, None]
    return Bouts(**{**_parts(chosen), "is_given": given})


def _same_sides(part: Whole, alike: Truths) -> Whole:
    """Give both hips the bouts of the left one where the clinic treats both at once."""
    return np.stack([part[..., 0], np.where(alike, part[..., 0], part[..., 1])], axis=-1)


def _gains(
    truth: Truth,
    people: People,
    persons: _Persons,
    now: tuple[Floats, Bouts, int],
    rng: np.random.Generator,
) -> Floats:
    """Gain up to each of the three times, shape (3, P, 2, D)."""
    before, bouts, visit = now
    deviation = (
        persons.gain_deg
        + persons.place_deg[visit]
        + rng.normal(0, truth.visit_sd_deg, (*before.shape[:2], 1))
        + truth.pretest_slope * (before - np.array(truth.baseline_deg))
        + np.array(truth.definition_deg)
        + np.array(truth.end_feel_deg)[people.end_feel]
    )
    technique = np.array(truth.technique_deg) + persons.technique_deg[people.clinic]
    first = (
        truth.first_bout_gain_deg
        + np.take_along_axis(technique, bouts.technique[0], axis=1)
        + truth.into_resistance_deg * (bouts.grade[0] >= 2)
        + truth.per_doubling_deg * np.log2(bouts.sets[0] * bouts.seconds[0] / 60.0)
    )
    bias = bias_effect(truth, bouts.direction, bouts.manner)
    given = bouts.is_given[..., None]
    share = np.where(given[1], truth.second_bout_share, 0.0)
    one = given[0] * (first[..., None] + bias[0] + (1 - share) * deviation)
    two = given[1] * (truth.second_bout_gain_deg + bias[1] + share * deviation)
    return np.stack([np.zeros_like(one), one, one + two])


def bias_effect(truth: Truth, direction: Whole, manner: Whole) -> Floats:
    """Give the effect of a rotation bias on each test.

    Parameters
    ----------
    truth : Truth
        Effects and variance components.
    direction, manner : numpy.ndarray, any one shape
        Indices into ``DIRECTIONS`` and ``MANNERS``.

    Returns
    -------
    numpy.ndarray, shape (..., D)
        Degrees added to the gain; 0 for tests that are no rotation.
    """
    of_internal = np.where(direction == 1, 1, np.where(direction == 2, -1, 0))
    none = np.zeros_like(of_internal)
    relation = np.stack([of_internal, -of_internal, none, none], axis=-1)
    assert relation.shape[-1] == len(DEFINITIONS)  # noqa: S101 - an error of the program
    half = truth.combined_minus_held_deg / 2
    by_manner = np.where(manner == 2, half, -half)[..., None]
    mean = np.where(relation > 0, truth.congruent_deg, truth.opposed_deg)
    return np.where(relation == 0, 0.0, mean + by_manner)


def _pain_changes(
    truth: Truth, persons: _Persons, bouts: Bouts, rng: np.random.Generator
) -> Floats:
    """Change of pain up to each of the three times, shape (3, P, 2)."""
    mean = np.where(bouts.grade[0] >= 2, truth.pain_change_into, truth.pain_change_below)
    change = mean + persons.pain_change + rng.normal(0, truth.pain_visit_sd, mean.shape)
    change = np.where(bouts.is_given[0], change, 0.0)
    first = np.where(bouts.is_given[1], 1 - truth.second_bout_share, 1.0) * change
    return np.stack([np.zeros_like(change), first, change])


def _parts(bouts: Bouts) -> dict[str, Whole]:
    return {field.name: getattr(bouts, field.name) for field in fields(bouts)}


def _stack(visits: list[Bouts]) -> Bouts:
    parts = [_parts(bouts) for bouts in visits]
    return Bouts(**{name: np.stack([part[name] for part in parts]) for name in parts[0]})  # type: ignore[arg-type]  # one truth array among whole numbers
