"""The six clinics of the network: how each of them works and what its readings are like."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Clinic:
    """How one clinic works.

    Attributes
    ----------
    code : str
        Code of the clinic.
    patient_form : str
        Form of its patient numbers.
    knows_order : bool
        True where the export states the order of tests and bouts; only there two bouts a visit are given.
    step_deg : tuple of float, length 4
        Smallest difference between two readings, in degrees, by definition.
    prefers_fives : tuple of bool, length 4
        Readings heap on multiples of five degrees.
    pain_step : float
        Smallest difference between two answers about pain, on 0 to 10.
    notes_feel : tuple of bool, length 4
        The end feel of the test is written down.
    tests_extension : bool
        Extension is tested at all.
    pairs : tuple of tuple of int
        Definitions that stand in one cell: both are tested, or none.
    asks_pain_once : bool
        One answer about pain for all tests before the bouts, and one for all tests after them.
    """

    code: str
    patient_form: str
    knows_order: bool = False
    step_deg: tuple[float, float, float, float] = (1, 1, 1, 1)
    prefers_fives: tuple[bool, bool, bool, bool] = (True, True, True, True)
    pain_step: float = 1.0
    notes_feel: tuple[bool, bool, bool, bool] = (True, True, True, True)
    tests_extension: bool = False
    pairs: tuple[tuple[int, int], ...] = ()
    asks_pain_once: bool = False


NETWORK = (
    Clinic("harbour", "H{:05d}", knows_order=True),
    Clinic(
        *("millrace", "ML{:05d}"),
        step_deg=(0.1, 0.1, 0.1, 0.1),
        prefers_fives=(False, False, False, False),
        pain_step=0.1,
    ),
    Clinic(
        *("tarnside", "TS-{:05d}"),
        notes_feel=(True, False, False, False),
        tests_extension=True,
        pairs=((0, 1), (2, 3)),
        asks_pain_once=True,
    ),
    Clinic("lindeveen", "LV{:05d}"),
    Clinic(
        *("saltgrove", "SG{:05d}"),
        knows_order=True,
        step_deg=(0.09, 0.09, 1, 1),  # a tenth of a gon; flexion and extension in whole degrees
        prefers_fives=(False, False, True, True),
        notes_feel=(True, True, False, False),
        tests_extension=True,
        pairs=((2, 3),),
        asks_pain_once=True,
    ),
    Clinic(
        *("brackwell", "BW{:05d}"),
        knows_order=True,
        step_deg=(0.5, 0.5, 0.5, 0.5),
        prefers_fives=(False, False, False, False),
        tests_extension=True,
    ),
)
"""The clinics, in the order of every array over clinics."""

CLINICS = tuple(clinic.code for clinic in NETWORK)
"""Codes of the clinics."""

HARBOUR, MILLRACE, TARNSIDE, LINDEVEEN, SALTGROVE, BRACKWELL = range(len(CLINICS))

SHARING = (TARNSIDE, BRACKWELL)
"""Two clinics at both of which some clinicians work."""

LOWEST_DEG = np.array([[-10.0, -5.0, 30.0, -20.0]] * len(CLINICS))
"""Least reading by clinic and definition; impossible values are planted, not drawn."""

HIGHEST_DEG = np.array([[85.0, 85.0, 150.0, 35.0]] * len(CLINICS))
"""Greatest reading by clinic and definition."""

# In a triplet only one of two motions can fail to reach zero, by less than the other goes beyond it.
LOWEST_DEG[TARNSIDE, :2] = (-4.0, 10.0)
# Brackwell writes down a lack of extension only: what goes beyond zero is no lack.
HIGHEST_DEG[BRACKWELL, 3] = 0.0

CHANGE_OF_INSTRUMENT = np.datetime64("2025-02-03")
"""From this day on brackwell measures with a digital inclinometer instead of a goniometer."""
