"""What a power cut, a killed writer or a busy neighbour leaves: nothing that can be seen."""

import os
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline.store import delivery as delivery_module
from pipeline.store import snapshot as snapshot_module
from pipeline.store.delivery import commit_delivery
from pipeline.store.file import create_file, replace_file
from pipeline.store.ledger import append_event, create_store, parse_entry, read_ledger
from pipeline.store.lock import hold_shared
from pipeline.store.pseudonym import pseudonym
from pipeline.store.snapshot import FATES, take_snapshot
from pipeline.store.verification import verify_store
from pipeline.store.withdrawal import withdraw_patient
from schemas.errors import StoreError
from tests.conftest import KEY, bout_row, long_csv, range_row

NOW = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
A1 = pseudonym(KEY, "patient", "harbour", "A1")
BOTH = long_csv(
    range_row(1, "25"), bout_row(2), range_row(3, "full"), range_row(1, "40", id="B2", visit="9")
)


@pytest.fixture
def store(tmp_path):
    (tmp_path / "w").mkdir()
    return create_store(tmp_path / "w")


def commit(store, delivery):
    return commit_delivery(store, delivery, KEY, NOW)


@pytest.fixture
def journal(monkeypatch):
    """Record which files and folders are synced and which names are given, in their order."""
    events = []
    fsync, link, replace = os.fsync, Path.hardlink_to, Path.replace

    def synced(handle):
        events.append(("sync", str(Path(f"/proc/self/fd/{handle}").readlink())))
        fsync(handle)

    def linked(path, aside):
        link(path, aside)
        events.append(("name", str(path), str(aside)))

    def replaced(aside, path):
        events.append(("name", str(path), str(aside)))
        return replace(aside, path)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(Path, "hardlink_to", linked)
    monkeypatch.setattr(Path, "replace", replaced)
    return events


def check_order(events):
    """Content is synced before it gets its name, and the name's folder after that."""
    named = [(place, event[1:]) for place, event in enumerate(events) if event[0] == "name"]
    for place, (path, aside) in named:
        assert ("sync", aside) in events[:place], path
        assert ("sync", str(Path(path).parent)) in events[place:], path
    return [path for _, (path, _) in named]


@pytest.mark.parametrize("write", [create_file, replace_file])
def test_a_file_is_on_disk_before_it_has_its_name(tmp_path, journal, write):
    write(tmp_path / "new" / "deep" / "a.bin", b"content")
    assert check_order(journal) == [str(tmp_path / "new" / "deep" / "a.bin")]
    # new folders are names too: each is synced with the folder that holds it
    assert {("sync", str(tmp_path)), ("sync", str(tmp_path / "new"))} <= set(journal)
    assert [p.name for p in (tmp_path / "new" / "deep").iterdir()] == ["a.bin"]


@pytest.mark.parametrize("what", ["commit", "withdrawal"])
def test_the_ledger_comes_last_when_all_that_it_names_is_on_disk(store, deliver, journal, what):
    delivery = deliver(BOTH)
    commit(store, delivery)
    if what == "withdrawal":
        journal.clear()
        withdraw_patient(store, KEY, "harbour", A1, NOW)
    names = check_order(journal)
    *parts, entry = names
    assert entry == str(store.ledger / f"0000000{1 if what == 'commit' else 2}.json")
    # patient, visit, range test, treatment, quarantine, raw; treatment and quarantine go with A1
    assert len(set(parts)) == len(parts) == (6 if what == "commit" else 4)
    places = {event[1]: place for place, event in enumerate(journal) if event[0] == "name"}
    for name in parts:
        assert ("sync", str(Path(name).parent)) in journal[places[name] : places[entry]], name


def test_no_file_replaces_another(tmp_path):
    create_file(tmp_path / "a", b"first")
    with pytest.raises(FileExistsError):
        create_file(tmp_path / "a", b"second")
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("a", b"first")]


def test_a_full_disk_leaves_nothing_behind(tmp_path, monkeypatch):
    def full(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        replace_file(tmp_path / "a", b"content")
    assert list(tmp_path.iterdir()) == []


LEFT = [
    "ledger/.00000002.json.77-0.tmp",
    "parts/visit/harbour/.0123456789ab.parquet.77-0.tmp",
    "parts/visit/harbour/0123456789ab.parquet",
    "raw/harbour/0123456789ab.parquet",
]
"""What a writer leaves that dies between two steps."""


@pytest.mark.parametrize("writer", ["commit", "withdrawal"])
def test_what_a_killed_writer_left_is_not_seen_is_told_and_is_swept(store, deliver, writer):
    commit(store, deliver(BOTH))
    seen = take_snapshot(store)
    for name in LEFT:
        (store.folder / name).write_bytes(b"half of a file with " + A1.encode())
    assert take_snapshot(store).content_digest == seen.content_digest
    told = verify_store(store)
    assert sorted(problem.place for problem in told) == sorted(str(store.folder / n) for n in LEFT)
    if writer == "commit":
        commit(store, deliver(BOTH))  # also one that has nothing to store
    else:
        withdraw_patient(store, KEY, "harbour", A1, NOW)
    assert [name for name in LEFT if (store.folder / name).exists()] == []
    assert verify_store(store) == ()


def test_nobody_sweeps_or_complains_while_another_writer_is_at_work(store, deliver):
    commit(store, deliver(BOTH))
    begun = store.folder / LEFT[2]
    begun.write_bytes(b"part that a second writer is about to name")
    with hold_shared(store.lock):
        commit(store, deliver(long_csv(range_row(1, "33", visit="4"))))
        assert begun.exists()
        assert verify_store(store) == ()
    assert len(verify_store(store)) == 1


def test_a_number_that_another_writer_took_costs_a_second_try_and_nothing_else(
    store, deliver, monkeypatch
):
    add = delivery_module.add_entry

    def late(*arguments):
        monkeypatch.setattr(delivery_module, "add_entry", add)
        append_event(store, "published", {"report": "r", "identifier": "i"}, NOW)
        return add(*arguments)

    monkeypatch.setattr(delivery_module, "add_entry", late)
    receipt = commit(store, deliver(BOTH))
    assert receipt.ledger_number == 2
    assert [entry.event for entry in read_ledger(store)] == ["published", "accepted"]
    assert verify_store(store) == ()


def test_the_same_delivery_from_two_writers_is_stored_once(store, deliver, monkeypatch):
    delivery, add = deliver(BOTH), delivery_module.add_entry

    def late(*arguments):
        monkeypatch.setattr(delivery_module, "add_entry", add)
        assert commit(store, delivery).is_new
        return add(*arguments)

    monkeypatch.setattr(delivery_module, "add_entry", late)
    receipt = commit(store, delivery)
    assert (receipt.is_new, receipt.ledger_number) == (False, 1)
    assert len(read_ledger(store)) == 1
    assert verify_store(store) == (), (
        "the slower writer's parts are gone, the quicker one's are not"
    )
    assert take_snapshot(store).tables["range_test"].height == 2


def test_a_commit_that_fails_leaves_no_part(store, deliver, monkeypatch):
    def broken(*arguments):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(delivery_module, "add_entry", broken)
    with pytest.raises(OSError, match="No space left"):
        commit(store, deliver(BOTH))
    assert list(store.folder.rglob("*.parquet")) == []


def test_a_reader_whose_parts_were_withdrawn_meanwhile_looks_again(store, deliver, monkeypatch):
    commit(store, deliver(BOTH))
    view = snapshot_module._view_store

    def late(*arguments):
        monkeypatch.setattr(snapshot_module, "_view_store", view)
        withdraw_patient(store, KEY, "harbour", A1, NOW)
        return view(*arguments)

    monkeypatch.setattr(snapshot_module, "_view_store", late)
    snapshot = take_snapshot(store)
    assert snapshot.number == 2
    assert snapshot.tables["range_test"]["angle_hundredth_deg"].to_list() == [4000]


def test_any_flipped_byte_of_any_entry_is_found(store, deliver):
    commit(store, deliver(BOTH))
    withdraw_patient(store, KEY, "harbour", A1, NOW)
    for entry in read_ledger(store):
        content = (store.ledger / f"{entry.number:08}.json").read_bytes()
        assert parse_entry(store, content, entry.number, entry.previous) == entry
        for place in range(0, len(content), 7):
            flipped = bytearray(content)
            flipped[place] ^= 1 << place % 8
            with pytest.raises(StoreError):
                parse_entry(store, bytes(flipped), entry.number, entry.previous)
        for same in (content + b"\n", content.replace(b": ", b":\t", 1), content.strip()):
            with pytest.raises(StoreError):  # it says the same, but it is not what was written
                parse_entry(store, same, entry.number, entry.previous)
        with pytest.raises(StoreError, match="does not follow"):
            parse_entry(store, content, entry.number, "f" * 64)


def test_an_entry_out_of_its_place_is_found(store, deliver):
    commit(store, deliver(BOTH))
    for identifier in "ab":
        append_event(store, "published", {"report": "r", "identifier": identifier}, NOW)
    (store.ledger / "00000002.json").unlink()
    with pytest.raises(StoreError, match="missing"):
        read_ledger(store)
    assert [Path(p.place).name for p in verify_store(store)] == ["00000002.json"]
    os.link(store.ledger / "00000003.json", store.ledger / "00000002.json")
    assert "00000002.json" in verify_store(store)[0].place


def test_an_account_adds_up_before_and_after_a_withdrawal(store, deliver):
    def totals():
        account = take_snapshot(store).account["harbour"]
        for counts in account.values():
            assert counts["read"] == sum(counts[fate] for fate in FATES)
        return {table: counts["read"] for table, counts in account.items()}, account

    commit(store, deliver(BOTH))
    before, _ = totals()
    withdraw_patient(store, KEY, "harbour", A1, NOW)
    after, account = totals()
    assert after == before
    # Counted from the export by hand: A1 has one patient, one visit, two range tests (one of them
    # unreadable) and one bout.
    gone = {table: counts["withdrawn"] for table, counts in account.items() if counts["withdrawn"]}
    assert gone == {"patient": 1, "visit": 1, "range_test": 2, "treatment": 1}


def test_files_without_a_row_are_not_kept_after_a_withdrawal(store, deliver):
    commit(store, deliver(long_csv(range_row(1, "25"), bout_row(2))))
    done = withdraw_patient(store, KEY, "harbour", A1, NOW)
    assert done.rows == {"patient": 1, "visit": 1, "range_test": 1, "treatment": 1, "raw": 2}
    assert list(store.folder.rglob("*.parquet")) == []
    assert (
        take_snapshot(store)
        .tables["range_test"]
        .equals(take_snapshot(store, clinics=("nowhere",)).tables["range_test"])
    )


def test_a_withdrawal_leaves_other_rows_as_they_were(store, deliver):
    commit(store, deliver(BOTH))
    before = take_snapshot(store).tables
    (raw,) = store.folder.rglob("raw/**/*.parquet")
    raw_before = pl.read_parquet(raw)
    withdraw_patient(store, KEY, "harbour", A1, NOW)
    for name, facts in take_snapshot(store).tables.items():
        assert facts.equals(before[name].filter(pl.col("patient") != A1))
    (raw,) = store.folder.rglob("raw/**/*.parquet")
    assert pl.read_parquet(raw).equals(raw_before.filter(pl.col("id") != A1))


def test_a_search_of_the_bytes_would_find_a_patient_who_is_there(store, deliver):
    """Without this, finding nothing after a withdrawal would prove nothing."""
    people = [f"P{number}" for number in range(200)]
    commit(store, deliver(long_csv(*(range_row(1, "25", id=who) for who in people))))
    names = [pseudonym(KEY, "patient", "harbour", who).encode() for who in people]
    for path in store.folder.rglob("*.parquet"):
        content = path.read_bytes()
        assert all(name in content for name in names), path
