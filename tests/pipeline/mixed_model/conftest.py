"""Small rows with nested and crossed groups, made from a seed."""

import numpy as np
import polars as pl
import pytest

from pipeline.mixed_model.description import Factor, ModelDescription, Number, RandomTerm


def make_rows(n_patients=60, seed=3, n_clinics=6):
    """Rows of visits in hips in patients in clinics, by clinicians who mostly keep to one clinic."""
    rng = np.random.default_rng(seed)
    clinic = rng.integers(0, n_clinics, n_patients)
    rows = []
    effect = {
        "patient": rng.normal(0, 3, n_patients),
        "slope": rng.normal(0, 0.7, n_patients),
        "clinic": rng.normal(0, 1.5, n_clinics),
        "by_clinic": rng.normal(0, 1, (n_clinics, 2)),
        "clinician": rng.normal(0, 1, 3 * n_clinics),
    }
    for patient in range(n_patients):
        for side in range(1 + int(rng.random() < 0.6)):
            hip = rng.normal(0, 1.5)
            for visit in range(int(rng.integers(1, 5))):
                at_visit = rng.normal(0, 1)
                who = int(clinic[patient] * 3 + rng.integers(0, 3)) % (3 * n_clinics)
                who = int(rng.integers(0, 3 * n_clinics)) if rng.random() < 0.05 else who
                for _ in range(int(rng.integers(1, 3))):
                    technique = int(rng.integers(0, 2))
                    pretest = round(float(rng.normal(30, 6)), 1)
                    gain = (
                        5 + 1.5 * technique - 0.3 * (pretest - 30) + hip + at_visit
                        + effect["patient"][patient] + effect["slope"][patient] * visit
                        + effect["clinic"][clinic[patient]] + effect["clinician"][who]
                        + effect["by_clinic"][clinic[patient], technique] + rng.normal(0, 2.5)
                    )  # fmt: skip
                    rows.append(
                        (
                            f"c{clinic[patient]}",
                            f"p{patient:03}",
                            ("left", "right")[side],
                            visit,
                            f"k{who:02}",
                            ("long_axis", "lateral")[technique],
                            pretest,
                            round(float(gain), 1),
                        )
                    )
    names = ("clinic", "patient", "side", "visit", "clinician", "technique", "pretest", "gain")
    return pl.DataFrame(rows, schema=names, orient="row")


FIXED = (Factor(name="technique", levels=("long_axis", "lateral")), Number(name="pretest"))

RANDOM = {
    "patient": (RandomTerm(by=("patient",)),),
    "crossed": (
        RandomTerm(by=("patient",)),
        RandomTerm(by=("clinician",)),
        RandomTerm(by=("clinic",)),
    ),
    "slope": (RandomTerm(by=("patient",), slopes=("visit",)), RandomTerm(by=("clinician",))),
    "apart": (
        RandomTerm(by=("patient",), slopes=("visit",), correlated=False),
        RandomTerm(by=("clinic",)),
    ),
    "usual": (
        RandomTerm(by=("patient",)),
        RandomTerm(by=("patient", "side")),
        RandomTerm(by=("patient", "side", "visit")),
        RandomTerm(by=("clinician",)),
        RandomTerm(by=("clinic",)),
        RandomTerm(by=("clinic", "technique")),
    ),
    "outer_slope": (
        RandomTerm(by=("patient",), slopes=("visit",)),
        RandomTerm(by=("patient", "side")),
        RandomTerm(by=("clinician",), slopes=("visit",)),
        RandomTerm(by=("clinic", "technique")),
    ),
}


def make_description(name="crossed", **changes):
    values = {"outcome": "gain", "fixed": FIXED, "random": RANDOM[name]} | changes
    return ModelDescription(**values)


@pytest.fixture
def clinic_rows():
    return make_rows


@pytest.fixture
def describe():
    return make_description


@pytest.fixture(params=sorted(RANDOM))
def model_name(request):
    return request.param


@pytest.fixture
def same():
    """Assert that two sums are the same to the last bit."""

    def check(one, other):
        assert one.columns == other.columns
        assert one.units == other.units
        assert (one.products == other.products).all()
        assert one.groups.equals(other.groups)
        assert one.sums.tobytes() == other.sums.tobytes()
        assert one.levels == other.levels
        assert (one.n_rows, one.n_left_out) == (other.n_rows, other.n_left_out)

    return check
