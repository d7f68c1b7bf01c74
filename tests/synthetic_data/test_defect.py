"""The planted defects: all of them, one to a patient, each where the answer key says."""

from collections import Counter

import pytest

from schemas.reason import NoPair, Quarantine
from synthetic_data.answer_key import Outcome
from synthetic_data.clinic import CLINICS
from synthetic_data.export import write_exports
from synthetic_data.network import make_network
from tests.synthetic_data.conftest import patient_of, read_again


def places(defects):
    """Count rows, not facts: what one spoilt cell costs is counted elsewhere."""
    found = {(d.clinic, d.file, d.part, d.record, str(d.outcome), str(d.reason)) for d in defects}
    return Counter((place[0], *place[4:]) for place in found)


QUARANTINED = {
    "harbour": {
        "angle_impossible": 3, "words_instead_of_number": 3, "censored_or_banded": 4, "unknown_code": 2,
        "missing_key": 2, "pain_impossible": 2, "grade_impossible": 2, "conflicting_values": 4,
    },
    "millrace": {
        "date_unreadable": 2, "date_impossible": 2, "angle_impossible": 2, "missing_value": 3,
        "pain_impossible": 2, "unknown_code": 2, "missing_key": 2,
    },
    "tarnside": {
        "angle_impossible": 2, "composite_unreadable": 2, "date_unreadable": 1, "date_impossible": 1,
        "side_unknown": 1, "missing_key": 1, "dose_total_only": 2, "dose_impossible": 1,
        "dose_unreadable": 1, "two_grades": 2, "grade_impossible": 1, "grade_unreadable": 1,
        "pain_impossible": 1, "words_instead_of_number": 1, "censored_or_banded": 1,
        "age_impossible": 1, "unknown_code": 1, "row_torn": 2,
    },
    "lindeveen": {
        "angle_impossible": 2, "censored_or_banded": 3, "words_instead_of_number": 1,
        "formula_without_value": 2, "pain_impossible": 1, "look_up_missing": 3, "unknown_code": 2,
        "date_unreadable": 1, "two_grades": 2, "grade_impossible": 1, "dose_impossible": 1,
        "duration_impossible": 1, "age_impossible": 1,
    },
    "saltgrove": {
        "angle_impossible": 3, "censored_or_banded": 1, "words_instead_of_number": 2,
        "composite_unreadable": 2, "unknown_code": 1, "pain_impossible": 1, "event_impossible": 1,
        "two_grades": 2, "dose_impossible": 1, "line_unreadable": 4,
    },
    "brackwell": {
        "angle_impossible": 3, "sign_unknowable": 1, "no_record": 2, "unknown_code": 2,
        "pain_impossible": 1, "side_unknown": 2, "look_up_missing": 3, "two_grades": 1,
        "grade_unreadable": 1, "grade_impossible": 1, "dose_impossible": 1, "conflicting_values": 4,
    },
}  # fmt: skip
"""Rows (of a torn line: one for each list) by reason."""


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_least_network_holds_every_defect(seed):
    defects = make_network(seed, 300).answer_key.defects
    found = places(d for d in defects if d.outcome is Outcome.QUARANTINED)
    wanted = {
        (clinic, "quarantined", reason): n
        for clinic, reasons in QUARANTINED.items()
        for reason, n in reasons.items()
    }
    assert found == wanted
    other = places(d for d in defects if d.outcome is not Outcome.QUARANTINED)
    assert {key: n for key, n in other.items() if key[1] == "no_pair"} == {
        ("harbour", "no_pair", "other_instrument"): 4,
        ("harbour", "no_pair", "other_test"): 3,
        ("millrace", "no_pair", "other_instrument"): 3,
        ("saltgrove", "no_pair", "other_instrument"): 3,
        ("brackwell", "no_pair", "other_instrument"): 3,
    }
    assert {key[0]: n for key, n in other.items() if key[1] == "duplicate"} == {
        "harbour": 2, "tarnside": 1, "lindeveen": 1, "saltgrove": 1, "brackwell": 2,
    }  # fmt: skip
    assert {key[0]: n for key, n in other.items() if key[1] == "not_tested"} == {
        "tarnside": 2, "lindeveen": 1, "saltgrove": 2,
    }  # fmt: skip
    assert (other["harbour", "superseded", ""], other["harbour", "correction", ""]) == (5, 5)
    copied = {key[0] for key in other if key[1] == "copied"}
    assert copied == {"harbour", "millrace", "tarnside", "saltgrove", "brackwell"}


def test_reasons_are_those_of_the_schemas(made):
    known = {str(r) for r in (*Quarantine, *NoPair)} | {""}
    assert {str(d.reason) for d in made[0].answer_key.defects} <= known


def test_no_two_defects_share_a_patient_but_the_parts_of_one(made, rows):
    """Each defect could otherwise hide another one."""
    spoilt = {}
    for defect in made[0].answer_key.defects:
        kind = str(defect.outcome).replace("superseded", "correction")
        patient = patient_of(defect, rows[defect.file])
        if patient:
            spoilt.setdefault(patient, set()).add((kind, str(defect.reason)))
    assert {len(kinds) for kinds in spoilt.values()} == {1}
    assert len(spoilt) > 120


@pytest.mark.parametrize("seed", [1, 5, 11])
def test_every_planted_defect_stands_where_the_answer_key_says(seed, tmp_path):
    network = make_network(seed, 300)
    rows = {e.path.name: read_again(e) for e in write_exports(network, tmp_path)}
    defects = network.answer_key.defects
    for defect in defects:
        row = rows[defect.file][defect.part][defect.record - 1]
        if defect.reason in {"row_torn", "line_unreadable"}:
            assert row is None, defect
        elif defect.column:
            assert (row.get(defect.column) or "") == defect.value, defect
    torn = [d for d in defects if d.reason in {"row_torn", "line_unreadable"}]
    unread = sum(row is None for parts in rows.values() for part in parts.values() for row in part)
    assert unread == len(torn) == 6


def test_a_repeated_row_stands_below_its_twin(made, rows):
    repeated = {
        (d.file, d.part, d.record)
        for d in made[0].answer_key.defects
        if d.outcome is Outcome.DUPLICATE
    }
    assert len(repeated) == 7
    for file, part, record in repeated:
        above, row = rows[file][part][record - 2 : record]
        assert above == row


def test_no_other_row_stands_twice(made, rows):
    for file, parts in rows.items():
        repeated = {
            (d.part, d.record)
            for d in made[0].answer_key.defects
            if d.outcome is Outcome.DUPLICATE and d.file == file
        }
        for name, part in parts.items():
            seen = Counter(tuple(row.items()) for row in part if row)
            assert sum(n - 1 for n in seen.values()) == sum(p == name for p, _ in repeated), file


def test_a_copied_retest_equals_the_pretest_in_all_tests_of_the_visit(made, rows):
    """Tarnside has both in one row; brackwell's rows are matched by visit, side and test."""
    copied = [d for d in made[0].answer_key.defects if d.outcome is Outcome.COPIED]
    wide = [d for d in copied if d.clinic == "tarnside"]
    for defect in wide:
        row = rows[defect.file][""][defect.record - 1]
        assert row["ROT after"] == row["ROT before"]
        assert row["S after"] == row["S before"]
    tests = rows["brackwell_2025-09-30"]["tests"]
    own = [d for d in copied if d.clinic == "brackwell"]
    visits = {tests[d.record - 1]["visit_id"] for d in own}
    assert len(visits) == 2
    n_retests = 0
    for visit in visits:
        first = {}
        for row in sorted(
            (row for row in tests if row["visit_id"] == visit), key=lambda row: int(row["seq"])
        ):
            key = (row["side"], row["test"])
            value = (row["angle_deg"], row["lack_deg"])
            n_retests += key in first
            assert first.setdefault(key, value) == value
    assert n_retests == len(own)


def test_the_torn_line_of_ndjson_is_half_a_record(made):
    (path,) = (export.path for export in made[1] if export.clinic == "saltgrove")
    torn = [
        d.record
        for d in made[0].answer_key.defects
        if (d.clinic, d.part, d.reason) == ("saltgrove", "visits", "line_unreadable")
    ]
    line = path.read_text(encoding="utf-8").splitlines()[torn[0] - 1]
    assert line.startswith('{"patient":{"id":"SG')
    assert not line.endswith("}]}")


def test_every_clinic_has_defects(made):
    assert {d.clinic for d in made[0].answer_key.defects} == set(CLINICS)
