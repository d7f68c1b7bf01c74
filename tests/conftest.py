"""What several tests start from: a codebook, a key, settings and an export on disk."""

import copy
from pathlib import Path

import pytest
from hypothesis import settings
from threadpoolctl import threadpool_limits

from pipeline.intake import SignedCodebook, prepare_delivery
from pipeline.reading.export import read_export
from pipeline.store.pseudonym import PseudonymKey
from schemas.codebook import Codebook
from schemas.settings import Settings

# The same examples in every run: a test that fails on one machine fails on all.
settings.register_profile("stated", derandomize=True, deadline=None)
settings.load_profile("stated")


@pytest.fixture(scope="session", autouse=True)
def _one_thread_for_matrices():
    """Two workers with two threads each wait for one another: up to a hundred times slower."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


KEY = PseudonymKey(bytes(range(32)))

LONG = {
    "codebook": "events",
    "clinic": "harbour",
    "version": 1,
    "reviewed_by": "data manager",
    "reviewed_on": "2026-01-05",
    "delivery": {"kind": "increment", "exported_on": "2026-06-30"},
    "columns": {
        "id": {"field": "patient"},
        "sex": {"field": "sex", "codes": {"F": "female", "M": "male"}},
        "age": {"field": "age_years"},
        "visit": {"field": "visit"},
        "day": {"field": "visit_date", "date_format": "%Y-%m-%d"},
        "who": {"field": "clinician"},
        "hip": {"field": "side", "codes": {"L": "left", "R": "right"}},
        "seq": {"field": "event"},
        "kind": {"field": "row_kind"},
        "test": {
            "field": "definition",
            "codes": {
                "IR": "hip_internal_rotation_supine90_passive",
                "FLEX": "hip_flexion_supine_passive",
            },
        },
        "device": {"field": "instrument", "codes": {"G": "universal_goniometer"}},
        "angle": {"field": "angle", "unit": "deg"},
        "pain": {"field": "pain", "scale": "0-10"},
        "feel": {"field": "end_feel", "codes": {"cap": "capsular", "mus": "muscular"}},
        "tech": {
            "field": "technique",
            "codes": {"LAT": "lateral_distraction", "LAX": "long_axis_distraction"},
        },
        "grade": {"field": "grade", "scale": "oscillatory"},
        "bias": {
            "field": "bias_direction",
            "codes": {"N": "neutral", "IR": "internal", "ER": "external"},
        },
        "manner": {"field": "bias_manner", "codes": {"h": "held", "c": "combined"}},
        "dose": {"field": "dose"},
    },
    "ignore": {"note": "free text"},
    "records": [
        {"table": "patient"},
        {"table": "visit"},
        {"table": "range_test", "when": {"kind": ["T"]}},
        {"table": "treatment", "when": {"kind": ["M"]}},
    ],
}
"""A codebook of one row per event, in stated order."""

HEADER = (*LONG["columns"], "note")


def long_csv(*records: str) -> str:
    """Write an export of the codebook ``LONG``; each record is "header=value …", others empty."""
    lines = [",".join(HEADER)]
    for record in records:
        cells = dict(part.split("=", 1) for part in record.split())
        lines.append(",".join(cells.get(header, "") for header in HEADER))
    return "\n".join(lines) + "\n"


def range_row(seq, angle, **cells):
    own = {"id": "A1", "visit": "1", "day": "2026-01-10", "hip": "R", "test": "IR", "device": "G"}
    parts = own | {"seq": seq, "angle": angle, "kind": "T"} | cells
    return " ".join(f"{name}={value}" for name, value in parts.items())


def bout_row(seq, **cells):
    own = {"id": "A1", "visit": "1", "day": "2026-01-10", "hip": "R", "tech": "LAT", "bias": "N"}
    parts = own | {"grade": "III", "dose": "2x30s", "seq": seq, "kind": "M"} | cells
    return " ".join(f"{name}={value}" for name, value in parts.items())


def signed(content: dict, **changes) -> SignedCodebook:
    changed = copy.deepcopy(content) | changes
    return SignedCodebook(Codebook.model_validate(changed), repr(sorted(changed.items())))


@pytest.fixture
def deliver(tmp_path):
    """Take an export through every stage up to the store."""

    def run(text, content=LONG, settings=None, name="export.csv", **changes):
        path = Path(tmp_path) / name
        path.write_text(text, encoding="utf-8")
        codebook = signed(content, **changes)
        book = codebook.codebook
        reading = read_export(path, book.file, book.places, book.set_aside)
        return prepare_delivery(reading, codebook, settings or Settings(), KEY)

    return run
