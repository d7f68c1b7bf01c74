"""The true events of the network as frames: patients, hips, visits, tests and bouts."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from synthetic_data.bout import DIRECTIONS, GRADES, MANNERS, MODIFIERS
from synthetic_data.clinic import BRACKWELL, CHANGE_OF_INSTRUMENT, CLINICS, NETWORK
from synthetic_data.course import Course
from synthetic_data.patient import CONDITIONS, SIDES, People, Truths, Whole
from synthetic_data.reading import BLOCKS, TIMES, Readings
from synthetic_data.truth import DEFINITIONS, END_FEELS, TECHNIQUES

CLINICIAN_FORM = "N{:04d}"
"""Form of the clinicians' numbers, which are those of the whole network."""

INSTRUMENTS = (
    "universal_goniometer",
    "digital_inclinometer",
    "bubble_inclinometer",
)
"""Instruments of the network."""

_USUAL = np.array(
    [[0, 0, 0, 0], [1, 1, 1, 1], [0, 0, 0, 0], [2, 2, 2, 2], [1, 1, 0, 0], [0, 0, 0, 0]]
)
"""Index of the usual instrument by clinic and definition."""


@dataclass(frozen=True)
class Events:
    """What truly happened, in canonical codes; the patient is the clinic's own number.

    Attributes
    ----------
    patients : polars.DataFrame
        clinic, patient, sex, age_years.
    hips : polars.DataFrame
        clinic, patient, side, is_treated, condition (null if untreated), duration_months (ditto).
    visits : polars.DataFrame
        clinic, patient, visit (from 1), date, clinician.
    tests : polars.DataFrame
        clinic, patient, visit, side, definition, block (pretest, interim, retest), trial, event,
        n_bouts, instrument, true_deg, angle_deg (as read), pain_0_10, end_feel, is_done (false: owed, but not
        done; then the reading is what it would have been), has_pretest.
    bouts : polars.DataFrame
        clinic, patient, visit, side, bout, event, technique, grade, grade_modifier,
        bias_direction, bias_manner, sets, seconds_per_set, stopped_early.
    """

    patients: pl.DataFrame
    hips: pl.DataFrame
    visits: pl.DataFrame
    tests: pl.DataFrame
    bouts: pl.DataFrame


def collect_events(people: People, course: Course, readings: Readings) -> Events:
    """Put the drawn arrays into frames.

    Parameters
    ----------
    people : People
        Patients, hips and visits.
    course : Course
        True ranges and bouts.
    readings : Readings
        What was read, and which tests were done.

    Returns
    -------
    Events
        Frames in order of patient, visit, side and event.
    """
    who = _Names(people)
    return Events(
        patients=_patients(people, who),
        hips=_hips(people, who),
        visits=_visits(people, who),
        tests=_tests(people, course, readings, who),
        bouts=_bouts(course, readings, who),
    )


class _Names:
    """Clinic and patient number of a patient index."""

    def __init__(self, people: People) -> None:
        number = np.arange(len(people.clinic)) // len(CLINICS) + 1
        pairs = zip(people.clinic, number, strict=True)
        self._clinic = people.clinic
        self._patient = pl.Series([NETWORK[clinic].patient_form.format(n) for clinic, n in pairs])

    def columns(self, patient: NDArray[np.intp]) -> dict[str, pl.Series]:
        return {
            "clinic": coded(CLINICS, self._clinic[patient]),
            "patient": self._patient.gather(pl.Series(patient)),
        }


def coded(codes: Sequence[str | None], index: NDArray[np.int64]) -> pl.Series:
    """Turn indices into codes.

    Parameters
    ----------
    codes : sequence of str or None
        Codes by index.
    index : numpy.ndarray, shape (n,)
        Indices.

    Returns
    -------
    polars.Series, shape (n,)
        Codes.
    """
    return pl.Series(codes, dtype=pl.String).gather(pl.Series(index))


def _patients(people: People, who: _Names) -> pl.DataFrame:
    (patient,) = np.nonzero(people.age_years >= 0)
    return pl.DataFrame(
        who.columns(patient)
        | {"sex": coded(("female", "male"), people.sex), "age_years": pl.Series(people.age_years)}
    ).sort("clinic", "patient")


def _hips(people: People, who: _Names) -> pl.DataFrame:
    patient, side = np.nonzero(np.ones_like(people.is_treated))
    treated = people.is_treated[patient, side]
    return (
        pl.DataFrame(
            who.columns(patient)
            | {
                "side": coded(SIDES, side),
                "is_treated": pl.Series(treated),
                "condition": coded(CONDITIONS, people.condition[patient, side]),
                "duration_months": pl.Series(people.duration_months[patient, side]),
            }
        )
        .with_columns(pl.when("is_treated").then(pl.col("condition", "duration_months")))
        .sort("clinic", "patient", "side")
    )


def _visits(people: People, who: _Names) -> pl.DataFrame:
    visit, patient = np.nonzero(people.has_visit)
    numbers = [CLINICIAN_FORM.format(n) for n in range(1, people.n_clinicians + 1)]
    return pl.DataFrame(
        who.columns(patient)
        | {
            "visit": pl.Series(visit + 1),
            "date": pl.Series(people.day[visit, patient]).cast(pl.Date),
            "clinician": coded(numbers, people.clinician[visit, patient]),
        }
    ).sort("clinic", "patient", "visit")


def _tests(people: People, course: Course, readings: Readings, who: _Names) -> pl.DataFrame:
    frames = []
    n_bouts = course.bouts.is_given.sum(axis=1)
    for number, (block, trial) in enumerate(BLOCKS):
        time = TIMES[number]
        where = np.nonzero(readings.is_owed[number])
        visit, patient, side, definition = where
        columns = who.columns(patient) | {
            "visit": pl.Series(visit + 1),
            "side": coded(SIDES, side),
            "definition": coded(DEFINITIONS, definition),
            "block": coded((block,), np.zeros_like(visit)),
            "trial": pl.Series(np.full_like(visit, trial)),
            "event": pl.Series(readings.event[block][visit, patient, side]),
            "n_bouts": pl.Series(n_bouts[visit, patient, side]),
            "instrument": coded(INSTRUMENTS, _instrument(people, visit, patient, definition)),
            "true_deg": pl.Series(course.range_deg[time][where]),
            "angle_deg": pl.Series(readings.angle_deg[number][where]),
            "pain_0_10": pl.Series(readings.pain_0_10[number][where], nan_to_null=True),
            "end_feel": coded(
                (*END_FEELS, None),
                np.where(
                    readings.has_end_feel[number][where],
                    people.end_feel[patient, side, definition],
                    len(END_FEELS),
                ),
            ),
            "is_done": pl.Series(readings.is_done[number][where]),
            "has_pretest": pl.Series(readings.is_done[0][where]),
        }
        frames.append(pl.DataFrame(columns))
    order = pl.col("definition").replace_strict({d: n for n, d in enumerate(DEFINITIONS)})
    keys = ("clinic", "patient", "visit", "side", "event", order, "trial")
    return pl.concat(frames).sort(*keys)


def _instrument(people: People, visit: Whole, patient: Whole, definition: Whole) -> Whole:
    clinic = people.clinic[patient]
    is_changed = (clinic == BRACKWELL) & (people.day[visit, patient] >= CHANGE_OF_INSTRUMENT)
    return np.where(is_changed, 1, _USUAL[clinic, definition])


def _bouts(course: Course, readings: Readings, who: _Names) -> pl.DataFrame:
    drawn = course.bouts
    where = np.nonzero(drawn.is_given)
    visit, bout, patient, side = where
    event = np.stack([readings.event["first bout"], readings.event["second bout"]], axis=1)
    stopped: Truths = readings.is_stopped[where]
    columns = who.columns(patient) | {
        "visit": pl.Series(visit + 1),
        "side": coded(SIDES, side),
        "bout": pl.Series(bout + 1),
        "event": pl.Series(event[where]),
        "technique": coded(TECHNIQUES, drawn.technique[where]),
        "grade": coded(GRADES, drawn.grade[where]),
        "grade_modifier": coded(MODIFIERS, drawn.modifier[where]),
        "bias_direction": coded(DIRECTIONS, drawn.direction[where]),
        "bias_manner": coded(MANNERS, drawn.manner[where]),
        "sets": pl.Series(drawn.sets[where]),
        "seconds_per_set": pl.Series(drawn.seconds[where]),
        "stopped_early": pl.Series(stopped),
    }
    return pl.DataFrame(columns).sort("clinic", "patient", "visit", "side", "bout")
