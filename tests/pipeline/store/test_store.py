"""The store's promises: wholly or not at all, once, in the order of truth, and nothing lost."""

import copy
import hashlib
import hmac
import json
from dataclasses import replace
from datetime import UTC, date, datetime

import polars as pl
import pytest

from pipeline.store.delivery import commit_delivery, find_delivery
from pipeline.store.ledger import append_event, create_store, open_store, read_ledger
from pipeline.store.pseudonym import (
    PseudonymKey,
    create_key,
    index_day,
    load_key,
    pseudonym,
    tombstone,
)
from pipeline.store.snapshot import take_snapshot
from pipeline.store.verification import verify_store
from pipeline.store.withdrawal import withdraw_patient
from schemas.errors import SettingsError, StoreError
from schemas.table import SCHEMA_VERSION
from tests.conftest import KEY, LONG, bout_row, long_csv, range_row

NOW = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
A1 = pseudonym(KEY, "patient", "harbour", "A1")


@pytest.fixture
def store(tmp_path):
    (tmp_path / "w").mkdir()
    return create_store(tmp_path / "w")


def commit(store, delivery, now=NOW):
    return commit_delivery(store, delivery, KEY, now)


def tree(store):
    return {
        str(path.relative_to(store.root)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(store.root.rglob("*"))
        if path.is_file() and path.suffix != ".lock"
    }


def visit(angle="25", **cells):
    return long_csv(range_row(1, angle, **cells), bout_row(2, **cells), range_row(3, "30", **cells))


def angles(snapshot):
    return snapshot.tables["range_test"].sort("event")["angle_hundredth_deg"].to_list()


def test_what_is_committed_is_read_back(store, deliver):
    delivery = deliver(visit())
    receipt = commit(store, delivery)
    snapshot = take_snapshot(store)
    assert (receipt.is_new, receipt.ledger_number, snapshot.number) == (True, 1, 1)
    for name, facts in delivery.tables.items():
        stored = snapshot.tables[name]
        assert stored["delivery"].unique().to_list() == [receipt.delivery]
        assert (
            stored.drop("delivery")
            .sort(facts.columns[:5])
            .equals(facts.select(stored.drop("delivery").columns).sort(facts.columns[:5]))
        )
    assert snapshot.account["harbour"]["range_test"]["accepted"] == 2
    assert verify_store(store) == ()


def test_sent_twice_changes_nothing(store, deliver):
    receipt = commit(store, deliver(visit()))
    before = tree(store)
    again = commit(store, deliver(visit()), datetime(2026, 8, 1, tzinfo=UTC))
    assert (again.is_new, again.delivery) == (False, receipt.delivery)
    assert tree(store) == before
    delivery = deliver(visit())
    where = (store, delivery.clinic, delivery.codebook, delivery.codebook_sha256)
    assert find_delivery(*where, delivery.source_sha256).delivery == receipt.delivery
    assert find_delivery(*where, "0" * 64) is None


def test_only_what_the_ledger_names_is_visible(store, deliver):
    commit(store, deliver(visit()))
    named = sorted(store.root.rglob("parts/range_test/harbour/*.parquet"))[0]
    stray = named.with_name("0123456789ab.parquet")
    stray.write_bytes(named.read_bytes())
    assert angles(take_snapshot(store)) == [2500, 3000]
    (problem,) = verify_store(store)
    assert stray.name in problem.place
    commit(store, deliver(visit("26", visit="2")))
    assert not stray.exists(), "a writer sweeps what a killed one left"


@pytest.mark.parametrize(
    "where", ["ledger/00000001.json", "ledger/00000002.json", "parts/", "raw/"]
)
def test_a_flipped_byte_is_found_wherever_it_is(store, deliver, where):
    commit(store, deliver(visit()))
    commit(store, deliver(visit("26", visit="2")))
    path = next(p for p in sorted(store.root.rglob("*")) if p.is_file() and where in str(p))
    content = bytearray(path.read_bytes())
    for place in (len(content) // 3, len(content) - 2):
        flipped = content.copy()
        flipped[place] ^= 0x20
        path.chmod(0o644)
        path.write_bytes(bytes(flipped))
        found = verify_store(store)
        assert found
        assert any(path.name in problem.place for problem in found)
        assert all(problem.remedy for problem in found)
    if "parts" in where:
        with pytest.raises(StoreError):
            take_snapshot(store)


def test_a_missing_file_is_found(store, deliver):
    commit(store, deliver(visit()))
    for path in list(store.root.rglob("raw/**/*.parquet")):
        path.unlink()
    assert any("raw" in problem.place for problem in verify_store(store))


def test_a_later_export_corrects_an_earlier_one_and_the_older_value_is_counted(store, deliver):
    commit(store, deliver(visit("25"), delivery={"kind": "increment", "exported_on": "2026-06-01"}))
    commit(
        store,
        deliver(
            long_csv(range_row(1, "27")),
            delivery={"kind": "increment", "exported_on": "2026-06-02"},
        ),
    )
    snapshot = take_snapshot(store)
    assert angles(snapshot) == [2700, 3000]
    counts = snapshot.account["harbour"]["range_test"]
    assert (counts["read"], counts["accepted"], counts["superseded"], counts["duplicate"]) == (
        3,
        2,
        1,
        0,
    )
    # patient and visit came twice with the same content
    assert snapshot.account["harbour"]["patient"]["duplicate"] == 1
    assert angles(take_snapshot(store, until=1)) == [2500, 3000]


def test_a_full_export_supersedes_what_it_no_longer_holds(store, deliver):
    commit(store, deliver(visit("25"), delivery={"kind": "full", "exported_on": "2026-06-01"}))
    commit(
        store,
        deliver(
            long_csv(range_row(1, "25")), delivery={"kind": "full", "exported_on": "2026-06-02"}
        ),
    )
    snapshot = take_snapshot(store)
    assert angles(snapshot) == [2500]
    counts = snapshot.account["harbour"]["range_test"]
    assert counts["read"] == counts["accepted"] + counts["superseded"] + counts["duplicate"] == 3
    assert snapshot.tables["treatment"].is_empty()


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
@pytest.mark.parametrize("kind", ["increment", "full"])
def test_equal_days_with_different_values_are_refused_in_either_order(store, deliver, kind, order):
    both = [
        deliver(long_csv(range_row(1, angle)), delivery={"kind": kind, "exported_on": "2026-06-01"})
        for angle in ("25", "26")
    ]
    commit(store, both[order[0]])
    before = tree(store)
    with pytest.raises(StoreError) as error:
        commit(store, both[order[1]])
    assert error.value.remedy
    assert tree(store) == before


@pytest.mark.parametrize("versions", [(1, 2), (2, 1)])
def test_two_layouts_of_one_day_may_not_contradict_each_other(store, deliver, versions):
    commit(store, deliver(long_csv(range_row(1, "25")), codebook="one", version=versions[0]))
    with pytest.raises(StoreError, match="records differ"):
        commit(store, deliver(long_csv(range_row(1, "26")), codebook="two", version=versions[1]))
    commit(
        store,
        deliver(
            long_csv(range_row(1, "25"), range_row(3, "30")), codebook="two", version=versions[1]
        ),
    )
    assert angles(take_snapshot(store)) == [2500, 3000]


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_what_one_layout_lacks_another_may_have(store, deliver, order):
    """A file of patients and a file of tests, exported on one day: the second knows no sex."""
    people = deliver(long_csv(range_row(1, "25", sex="F", age="61")), codebook="people")
    tests = deliver(long_csv(range_row(1, "25"), range_row(3, "30")), codebook="tests")
    for place in order:
        commit(store, (people, tests)[place])
    snapshot = take_snapshot(store)
    (patient,) = snapshot.tables["patient"].to_dicts()
    assert (patient["sex"], patient["age_years"]) == ("female", 61)
    counts = snapshot.account["harbour"]["patient"]
    assert (counts["read"], counts["accepted"], counts["duplicate"], counts["superseded"]) == (
        2,
        1,
        1,
        0,
    )


def test_a_later_value_wins_and_a_later_blank_does_not_erase(store, deliver):
    for day, cells in ((1, {"sex": "F", "age": "60"}), (2, {"sex": "M"}), (3, {"age": "61"})):
        terms = {"kind": "increment", "exported_on": f"2026-06-0{day}"}
        commit(store, deliver(long_csv(range_row(1, "25", **cells)), delivery=terms))
    snapshot = take_snapshot(store)
    (patient,) = snapshot.tables["patient"].to_dicts()
    assert (patient["sex"], patient["age_years"]) == ("male", 61)
    counts = snapshot.account["harbour"]["patient"]
    assert (counts["accepted"], counts["duplicate"], counts["superseded"]) == (1, 1, 1)


def test_a_corrected_codebook_reads_the_same_export_again(store, deliver):
    commit(store, deliver(visit("25")))
    receipt = commit(store, deliver(visit("25"), version=2))
    assert receipt.is_new
    counts = take_snapshot(store).account["harbour"]["range_test"]
    assert (counts["accepted"], counts["superseded"], counts["read"]) == (2, 2, 4)


def test_what_a_wrong_codebook_misread_does_not_stay_beside_the_right_reading(store, deliver):
    """The test definition is part of a record's key: a misread one would be a record of its own."""
    columns = copy.deepcopy(LONG["columns"])
    columns["test"]["codes"]["IR"] = "hip_internal_rotation_prone_passive"
    commit(store, deliver(visit("25"), columns=columns))
    commit(store, deliver(visit("25"), version=2))
    found = take_snapshot(store).tables["range_test"]["definition"].unique().to_list()
    assert found == ["hip_internal_rotation_supine90_passive"]


def test_withdrawing_leaves_no_byte_and_no_fact_is_lost(store, deliver):
    other = {"id": "B2"}
    bad = range_row(5, "full")
    text = long_csv(range_row(1, "25"), bad, range_row(1, "40", **other), bout_row(2, **other))
    commit(store, deliver(text))
    digest = take_snapshot(store).content_digest
    done = withdraw_patient(store, KEY, "harbour", A1, NOW)
    assert done.rows["range_test"] == 1
    assert done.rows["quarantine"] == 1
    for path in store.root.rglob("*"):
        if path.is_file():
            assert A1.encode() not in path.read_bytes(), path
            if path.suffix == ".parquet":
                assert A1 not in pl.read_parquet(path).write_csv()
    snapshot = take_snapshot(store)
    counts = snapshot.account["harbour"]["range_test"]
    assert (counts["read"], counts["accepted"], counts["quarantined"], counts["withdrawn"]) == (
        3,
        1,
        0,
        2,
    )
    assert snapshot.content_digest != digest
    assert snapshot.tables["patient"].height == 1
    assert verify_store(store) == ()
    assert withdraw_patient(store, KEY, "harbour", A1, NOW).is_new is False
    with pytest.raises(StoreError, match="can no longer be reproduced"):
        take_snapshot(store, until=1)


def test_nothing_of_a_withdrawn_patient_comes_back(store, deliver):
    first = deliver(visit("25"))
    commit(store, first)
    withdraw_patient(store, KEY, "harbour", A1, NOW)
    before = tree(store)
    assert commit(store, first).is_new is False
    assert tree(store) == before
    later = deliver(long_csv(range_row(1, "26"), range_row(1, "40", id="B2")))
    receipt = commit(store, later)
    assert receipt.account["range_test"]["withdrawn"] == 1
    snapshot = take_snapshot(store)
    assert snapshot.tables["range_test"]["angle_hundredth_deg"].to_list() == [4000]
    for path in store.root.rglob("*.parquet"):
        assert A1 not in pl.read_parquet(path).write_csv()


def test_an_unknown_patient_cannot_be_withdrawn(store, deliver):
    commit(store, deliver(visit()))
    with pytest.raises(StoreError, match="no record of this patient"):
        withdraw_patient(store, KEY, "harbour", "p-" + "0" * 20, NOW)


def test_a_snapshot_of_some_clinics_is_not_moved_by_others(store, deliver):
    commit(store, deliver(visit("25")))
    alone = take_snapshot(store, clinics=("harbour",))
    commit(store, deliver(visit("50"), clinic="mill"))
    beside = take_snapshot(store, clinics=("harbour",))
    assert beside.content_digest == alone.content_digest
    assert beside.tables["range_test"].equals(alone.tables["range_test"])
    assert take_snapshot(store).content_digest != alone.content_digest


def test_an_older_layout_is_upgraded_at_reading(store, deliver, monkeypatch):
    """The seam: a step to a next layout is applied to older parts, and the files stay as they are."""
    from pipeline.store import upgrade

    def add_one(table, frame):
        return (
            frame.with_columns(pl.col("angle_hundredth_deg") + 1)
            if table == "range_test"
            else frame
        )

    commit(store, deliver(visit("25")))
    before = tree(store)
    monkeypatch.setattr(upgrade, "SCHEMA_VERSION", SCHEMA_VERSION + 1)
    monkeypatch.setattr("pipeline.store.part.SCHEMA_VERSION", SCHEMA_VERSION + 1)
    monkeypatch.setitem(upgrade.STEPS, SCHEMA_VERSION, add_one)
    assert angles(take_snapshot(store)) == [2501, 3001]
    assert tree(store) == before


def test_the_ledger_is_a_chain(store, deliver):
    commit(store, deliver(visit()))
    append_event(store, "published", {"report": "r", "identifier": "i"}, NOW)
    first, second = read_ledger(store)
    assert second.previous == first.hash
    assert [entry.event for entry in (first, second)] == ["accepted", "published"]
    path = store.root / "store" / "ledger" / "00000001.json"
    entry = json.loads(path.read_text(encoding="utf-8"))
    entry["content"]["clinic"] = "other"
    path.chmod(0o644)
    path.write_text(json.dumps(entry), encoding="utf-8")
    with pytest.raises(StoreError):
        read_ledger(store)


def test_a_store_is_made_once_and_opened_where_it_is(tmp_path, store):
    with pytest.raises(StoreError):
        create_store(store.root)
    with pytest.raises(SettingsError):
        open_store(tmp_path / "nowhere")


def test_pseudonyms_are_keyed_hashes():
    # HMAC-SHA-256 (RFC 2104) of the pieces, each after its length, with Python's own hmac.
    message = b"9:pseudonym7:patient7:harbour2:A1"
    expected = hmac.new(KEY.secret, message, hashlib.sha256).hexdigest()[:20]
    assert f"p-{expected}" == A1
    assert pseudonym(KEY, "patient", "harbourA", "1") != A1
    assert pseudonym(PseudonymKey(b"x" * 32), "patient", "harbour", "A1") != A1
    assert A1[2:] not in tombstone(KEY, "harbour", A1)
    assert "secret" not in repr(KEY) or KEY.secret.hex() not in repr(KEY)


def test_index_days_are_hidden_and_spread():
    days = [index_day(KEY, "harbour", f"p-{i:020x}") for i in range(2000)]
    assert all(day < date(1980, 1, 1).toordinal() for day in days)
    assert max(days) - min(days) > 35 * 365
    assert days[0] == index_day(KEY, "harbour", "p-" + "0" * 20)


def test_a_key_that_others_can_read_is_refused(tmp_path):
    create_key(tmp_path / "keys")
    assert load_key(tmp_path / "keys").secret
    with pytest.raises((StoreError, SettingsError)):
        create_key(tmp_path / "keys")
    (tmp_path / "keys" / "pseudonym.key").chmod(0o644)
    with pytest.raises(SettingsError):
        load_key(tmp_path / "keys")
    with pytest.raises(SettingsError):
        load_key(tmp_path / "none")


def test_a_delivery_whose_account_does_not_fit_is_a_fault_of_the_program(store, deliver):
    delivery = deliver(visit())
    wrong = {**delivery.account, "range_test": {**delivery.account["range_test"], "read": 99}}
    with pytest.raises(ValueError, match="range_test"):
        commit(store, replace(delivery, buckets=(replace(delivery.whole, account=wrong),)))
    assert read_ledger(store) == ()


def test_the_quarantine_of_layout_1_has_no_line():
    """Layout 1 kept no line of a quarantined fact; the step to layout 2 adds an empty one."""
    from pipeline.store.upgrade import upgrade_frame

    old = pl.DataFrame({"reason": ["no_record"], "source_record": [4]})
    new = upgrade_frame("quarantine", old, 1)
    assert new.row(0, named=True) == {
        "reason": "no_record",
        "source_record": 4,
        "source_line": None,
    }
    assert upgrade_frame("visit", old, 1).columns == old.columns
