"""The answer key's numbers of facts, counted again from the written files with the csv module."""

import csv

import pytest

from synthetic_data.export import write_exports
from synthetic_data.network import make_network

ENCODINGS = {"harbour": ("utf-8", ","), "millrace": ("cp1252", ";")}
KEPT = {  # columns of each record that an export repeats
    "harbour": {
        "patient": ("PatientNo", "Sex", "Age"),
        "joint_episode": ("PatientNo", "Hip", "Diagnosis", "Months"),
        "visit": ("PatientNo", "VisitNo", "VisitDate", "Therapist"),
    },
    "millrace": {
        "patient": ("Patient", "Geschlecht", "Alter"),
        "joint_episode": ("Patient", "Seite", "Diagnose", "Dauer_Wochen"),
        "visit": ("Patient", "Datum", "Behandler"),
        "treatment": (
            *("Patient", "Datum", "Seite", "Technik", "Grad", "Vorspannung", "Art"),
            *("Serien", "Sekunden", "Abbruch"),
        ),
    },
}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    network = make_network(11, 300)
    files = {}
    for export in write_exports(network, tmp_path_factory.mktemp("exports")):
        encoding, delimiter = ENCODINGS[export.clinic]
        with export.path.open(encoding=encoding, newline="") as file:
            files[export.path.name] = list(csv.DictReader(file, delimiter=delimiter))
    return network, files


def count(clinic, table, rows):
    if table in KEPT[clinic]:
        kept = [r for r in rows if table != "treatment" or r["Technik"]]
        return len({tuple(row[c] for c in KEPT[clinic][table]) for row in kept})
    if clinic == "millrace":
        return len(rows)
    return sum(row["Row"] == ("T" if table == "range_test" else "M") for row in rows)


def test_facts_are_as_many_as_in_the_files(made):
    network, files = made
    facts = network.answer_key.facts
    assert len(facts) == 3 * 5
    for fact in facts:
        # A spoilt cell makes a fact of its own here too: no two spoilt rows are of one patient.
        assert count(fact.clinic, fact.table, files[fact.file]) == fact.n_read, fact


def test_quarantined_facts_are_the_listed_defects(made):
    network, _ = made
    key = network.answer_key
    for fact in key.facts:
        listed = [d for d in key.defects if (d.file, d.table) == (fact.file, fact.table)]
        assert sum(d.outcome == "quarantined" for d in listed) == fact.n_quarantined
        assert sum(d.outcome == "duplicate" for d in listed) == fact.n_duplicate
    places = {(d.file, d.record, d.table) for d in key.defects}
    assert len(places) == len(key.defects)


def test_conflicting_rows_share_their_key_and_differ_in_the_angle(made):
    network, files = made
    records = [d for d in network.answer_key.defects if d.reason == "conflicting_values"]
    assert len(records) == 4
    for one, other in zip(records[::2], records[1::2], strict=True):
        a, b = (files[d.file][d.record - 1] for d in (one, other))
        assert {c for c in a if a[c] != b[c]} == {"Angle"}


def test_a_correction_has_the_key_of_what_it_corrects(made):
    network, files = made
    defects = network.answer_key.defects
    old = [d for d in defects if d.outcome == "superseded"]
    new = [d for d in defects if d.outcome == "correction"]
    assert len(old) == len(new) == 5
    for before, after in zip(old, new, strict=True):
        a, b = (files[d.file][d.record - 1] for d in (before, after))
        assert {c for c in a if a[c] != b[c]} == {"Angle"}
        assert int(a["Angle"]) - int(b["Angle"]) == 10


def test_a_retest_that_gives_no_pair_has_a_pretest(made):
    """So that the reason is the other instrument or test, not the missing pretest."""
    network, files = made
    names = {
        "harbour": ("PatientNo", "VisitDate", "Hip", "Test", "Device"),
        "millrace": ("Patient", "Datum", "Seite", "Messung", "Gerät"),
    }
    spoilt = [d for d in network.answer_key.defects if d.outcome == "no_pair"]
    assert len(spoilt) == 10
    for defect in spoilt:
        rows, columns = files[defect.file], names[defect.clinic]
        row = rows[defect.record - 1]
        same = 3 if defect.reason == "other_test" else 4
        wanted = [row[c] for c in columns[:same]]
        mates = [r for r in rows if r is not row and [r[c] for c in columns[:same]] == wanted]
        changed = "IRsup90" if defect.reason == "other_test" else None
        assert any(changed is None or r["Test"] == changed for r in mates), defect
