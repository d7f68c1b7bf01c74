"""The answer key's numbers of facts, counted again from the written files, rule by rule in plain Python."""

import re

from synthetic_data.answer_key import Outcome

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
    "tarnside": {
        "patient": ("Chart No", "Gender", "Age"),
        "joint_episode": ("Chart No", "Hip", "Problem", "Since (years)"),
        "visit": ("Chart No", "Visit date", "Provider"),
    },
    "saltgrove": {
        "patient": ("patient.id", "patient.sex", "patient.age"),
        "joint_episode": ("patient.id", "hips.side", "hips.condition", "hips.weeks"),
    },
    "brackwell": {"patient": ("patient", "sex", "age")},
}
PARTS = {
    "lindeveen": {
        "patient": "patienten",
        "joint_episode": "heupen",
        "visit": "bezoeken",
        "treatment": "behandelingen",
    },
    "saltgrove": {
        "patient": "visits",
        "joint_episode": "hips",
        "visit": "visits",
        "treatment": "bouts",
    },
    "brackwell": {
        "patient": "visits",
        "joint_episode": "hips",
        "visit": "visits",
        "treatment": "treatments",
    },
}


def filled(rows, *headers):
    return sum(row.get(header) is not None for row in rows for header in headers)


def count_tests(clinic, parts):
    rows = {name: [row for row in part if row] for name, part in parts.items()}
    if clinic == "harbour":
        return sum(row["Row"] == "T" for row in rows[""])
    if clinic == "millrace":
        return len(rows[""])
    if clinic == "tarnside":  # two motions in each cell
        return 2 * filled(rows[""], "ROT before", "S before", "ROT after", "S after")
    if clinic == "lindeveen":
        return filled(rows["rotatie"], "Hoek voor", "Hoek na") + filled(
            rows["buiging"], "Buiging voor", "Buiging na"
        )
    if clinic == "saltgrove":
        return filled(rows["tests"], "hips.tests.gon") + 2 * filled(
            rows["tests"], "hips.tests.flex_ext"
        )
    return filled(rows["tests"], "angle_deg", "lack_deg")


def count(clinic, table, parts):
    if table == "range_test":
        return count_tests(clinic, parts)
    if table == "source_row":
        return sum(len(part) for part in parts.values())
    rows = [row for row in parts[PARTS.get(clinic, {}).get(table, "")] if row]
    kept = KEPT.get(clinic, {}).get(table)
    if table == "treatment":
        if clinic == "brackwell":  # one row for both sides is two facts
            return sum(2 if row["side"] == "B" else 1 for row in rows)
        name = {"harbour": "Technique", "millrace": "Technik", "tarnside": "Technique"}.get(clinic)
        rows = [row for row in rows if name is None or row[name]]
    if kept:
        return len({tuple(row.get(header) for header in kept) for row in rows})
    return len(rows)


def test_facts_are_as_many_as_in_the_files(made, rows):
    network, _ = made
    facts = network.answer_key.facts
    assert len(facts) == 7 * 6
    for fact in facts:
        # A spoilt cell makes a fact of its own here too: no two spoilt rows are of one patient.
        assert count(fact.clinic, fact.table, rows[fact.file]) == fact.n_read, fact


def test_quarantined_facts_are_the_listed_defects(made):
    network, _ = made
    key = network.answer_key
    for fact in key.facts:
        listed = [d for d in key.defects if (d.file, d.table) == (fact.file, fact.table)]
        assert sum(d.outcome == "quarantined" for d in listed) == fact.n_quarantined
        assert sum(d.outcome == "duplicate" for d in listed) == fact.n_duplicate


def n_motions(row, phase):
    return 2 * ((row[f"ROT {phase}"] is not None) + (row[f"S {phase}"] is not None))


def test_a_cell_costs_the_facts_that_are_taken_from_it(made, rows):
    """Tarnside: a composite cell two tests; pain before those before; the side or date all of the row."""
    defects = [d for d in made[0].answer_key.defects if d.clinic == "tarnside" and d.column]
    checked = 0
    for record in sorted({d.record for d in defects}):
        own = [d for d in defects if d.record == record]
        row, column = rows[own[0].file][""][record - 1], own[0].column
        lost = {t: sum(d.table == t for d in own) for t in ("range_test", "treatment", "visit")}
        before, after = n_motions(row, "before"), n_motions(row, "after")
        wanted = {
            r"ROT .*|S .*": (2, 0, 0),
            "Pain before": (before, 0, 0),
            "Pain after": (after, 0, 0),
            "Visit date": (before + after, row["Technique"] is not None, 1),
            "Hip": (before + after, row["Technique"] is not None, 0),
            "Dose|Grade": (0, 1, 0),
            "Age|Problem": (0, 0, 0),
        }
        (expected,) = (n for name, n in wanted.items() if re.fullmatch(name, column))
        if own[0].outcome is not Outcome.COPIED:
            assert tuple(lost.values()) == expected, own
            checked += 1
    assert checked == 23


def test_conflicting_rows_share_their_key_and_differ_in_the_angle(made, rows):
    records = [d for d in made[0].answer_key.defects if d.reason == "conflicting_values"]
    assert len(records) == 8
    for one, other in zip(records[::2], records[1::2], strict=True):
        a, b = (rows[d.file][d.part][d.record - 1] for d in (one, other))
        assert {c for c in a if a[c] != b[c]} == {one.column}
        assert float(b[one.column]) - float(a[one.column]) == 7


def test_a_correction_has_the_key_of_what_it_corrects(made, rows):
    defects = made[0].answer_key.defects
    old = [d for d in defects if d.outcome == "superseded"]
    new = [d for d in defects if d.outcome == "correction"]
    assert len(old) == len(new) == 5
    for before, after in zip(old, new, strict=True):
        a, b = (rows[d.file][""][d.record - 1] for d in (before, after))
        assert {c for c in a if a[c] != b[c]} == {"Angle"}
        assert int(a["Angle"]) - int(b["Angle"]) == 10


def test_a_retest_that_gives_no_pair_has_a_pretest(made, rows):
    """So that the reason is the other instrument or test, not the missing pretest."""
    names = {
        "harbour": ("PatientNo", "VisitDate", "Hip", "Test", "Device"),
        "millrace": ("Patient", "Datum", "Seite", "Messung", "Gerät"),
        "saltgrove": ("patient.id", "visit.no", "hips.side", "hips.tests.test", "hips.tests.tool"),
        "brackwell": ("visit_id", "side", "seq", "test", "tool"),
    }
    spoilt = [d for d in made[0].answer_key.defects if d.outcome == "no_pair"]
    assert len(spoilt) == 16
    for defect in spoilt:
        part, columns = rows[defect.file][defect.part], names[defect.clinic]
        row = part[defect.record - 1]
        same = 3 if defect.reason == "other_test" else 4
        kept = [c for c in columns[:same] if c != "seq"]
        wanted = [row[c] for c in kept]
        mates = [r for r in part if r and r is not row and [r.get(c) for c in kept] == wanted]
        if defect.reason == "other_test":
            mates = [r for r in mates if r["Test"] == "IRsup90"]
        assert any(m[columns[4]] != row[columns[4]] or same == 3 for m in mates), defect
