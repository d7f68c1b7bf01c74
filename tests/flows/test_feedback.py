"""Feedback from a store: an export with two bad cells, corrected by a later one."""

from datetime import date

import openpyxl
import pytest

from flows.feedback import write_feedback
from flows.workspace import create_workspace
from pipeline.store.delivery import commit_delivery
from schemas.errors import SettingsError
from tests.conftest import KEY, bout_row, long_csv, range_row

DAY = date(2026, 7, 1)
BAD = long_csv(
    range_row(1, "31"),
    bout_row(2, grade="strong"),
    range_row(3, "200"),
    range_row(1, "40", id="B2", visit="1"),
)


@pytest.fixture
def workspace(tmp_path):
    return create_workspace(tmp_path / "w", "Invented <network>")


@pytest.fixture
def send(workspace, deliver):
    from flows.clock import now

    def run(text, **changes):
        return commit_delivery(workspace.store, deliver(text, **changes), KEY, now())

    return run


def cells(path, sheet="Rows"):
    rows = openpyxl.load_workbook(path)[sheet].iter_rows(values_only=True)
    head = next(rows)
    return [dict(zip(head, row, strict=True)) for row in rows]


def test_every_bad_cell_stands_with_its_line_in_the_clinics_own_file(workspace, send):
    send(BAD)
    done = write_feedback(workspace.root, "harbour", made_on=DAY)
    assert (done.n_facts, done.n_places, done.ledger_number) == (2, 2, 1)
    assert done.workbook == workspace.root / "feedback" / "harbour" / "feedback_00000001.xlsx"
    assert done.page == done.workbook.with_suffix(".html")
    lines = BAD.splitlines()
    found = cells(done.workbook)
    assert [(row["Column"], row["Row or line"], row["Record"]) for row in found] == [
        ("grade", 3, 2),
        ("angle", 4, 3),
    ]
    assert "strong" in lines[3 - 1]  # the second record stands on the third line
    assert ",200," in lines[4 - 1]
    assert found[0]["Value found"] == "xxxxxx"
    assert found[1]["Value found"] == "200"
    assert {row["File"] for row in found} == {"export.csv"}
    page = done.page.read_text(encoding="utf-8")
    assert "Invented &lt;network&gt;" in page
    assert "strong" not in page


def test_no_pseudonym_and_no_number_of_a_patient_is_in_either_file(workspace, send):
    from pipeline.store.snapshot import take_snapshot

    send(BAD)
    pseudonyms = set(take_snapshot(workspace.store).quarantine["patient"])
    assert pseudonyms
    done = write_feedback(workspace.root, "harbour", made_on=DAY)
    page = done.page.read_text(encoding="utf-8")
    book = openpyxl.load_workbook(done.workbook)
    words = [
        str(c.value) for s in book for row in s.iter_rows() for c in row if c.value is not None
    ]
    for pseudonym in pseudonyms | {"A1", "B2"}:
        assert pseudonym not in page
        assert not [word for word in words if pseudonym in word]


def test_the_same_state_and_day_give_the_same_bytes_and_nothing_else_is_written(workspace, send):
    send(BAD)
    one = write_feedback(workspace.root, "harbour", made_on=DAY)
    before = (one.page.read_bytes(), one.workbook.read_bytes())
    again = write_feedback(workspace.root, "harbour", made_on=DAY)
    assert (again.page.read_bytes(), again.workbook.read_bytes()) == before
    assert sorted(p.name for p in one.page.parent.iterdir()) == [one.page.name, one.workbook.name]


def test_a_full_export_that_is_right_leaves_nothing_to_correct(workspace, send, tmp_path):
    kind = {"kind": "full", "exported_on": "2026-06-30"}
    later = {"kind": "full", "exported_on": "2026-07-31"}
    send(BAD, delivery=kind)
    send(long_csv(range_row(1, "31"), bout_row(2), range_row(3, "40")), delivery=later)
    done = write_feedback(workspace.root, "harbour", tmp_path / "out", made_on=DAY)
    assert (done.n_facts, done.n_places) == (0, 0)
    assert done.page.parent == tmp_path / "out"
    page = done.page.read_text(encoding="utf-8")
    assert "Nothing to correct" in page
    assert "replaced by a later one" in page
    assert (
        "30 June 2026" not in page.split("<main>")[0]
    )  # the replaced export is not the one it is about
    assert not (workspace.root / "feedback").exists()


def test_an_unknown_clinic_is_told_the_known_ones(workspace, send):
    send(BAD)
    with pytest.raises(SettingsError) as error:
        write_feedback(workspace.root, "habour", made_on=DAY)
    assert "habour" in error.value.place
    assert "nearest: harbour" in error.value.remedy
    assert not (workspace.root / "feedback").exists()


def test_another_clinics_facts_stay_out(workspace, send):
    send(BAD)
    send(long_csv(range_row(1, "300", hip="L")), clinic="quay")
    found = cells(write_feedback(workspace.root, "harbour", made_on=DAY).workbook)
    assert len(found) == 2
    assert "quay" not in write_feedback(workspace.root, "harbour", made_on=DAY).page.read_text()


def test_a_folder_that_cannot_be_written_is_the_users_error(workspace, send, tmp_path):
    send(BAD)
    (tmp_path / "file").write_text("")
    with pytest.raises(SettingsError, match="cannot be written"):
        write_feedback(workspace.root, "harbour", tmp_path / "file", made_on=DAY)
