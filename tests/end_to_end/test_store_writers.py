"""Writers and a reader at once, and writers killed at every step: never a torn state."""

import pickle
import shutil
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from pipeline.store.delivery import commit_delivery
from pipeline.store.ledger import create_store, read_ledger
from pipeline.store.pseudonym import pseudonym
from pipeline.store.snapshot import take_snapshot
from pipeline.store.verification import verify_store
from pipeline.store.withdrawal import withdraw_patient
from tests.conftest import KEY, bout_row, long_csv, range_row
from tests.pipeline.store.test_store import NOW

WORKER = [sys.executable, str(Path(__file__).with_name("store_worker.py"))]
A1 = pseudonym(KEY, "patient", "harbour", "A1")


@pytest.fixture
def store(tmp_path):
    return create_store(tmp_path / "w") if (tmp_path / "w").mkdir() is None else None


def pickled(deliver, folder, number, **columns):
    visit = {"visit": str(number), **columns}
    text = long_csv(range_row(1, "20", **visit), bout_row(2, **visit), range_row(3, "25", **visit))
    path = folder / f"{number}.pickle"
    path.write_bytes(pickle.dumps(deliver(text)))
    return str(path)


def start(*words):
    return subprocess.Popen([*WORKER, *map(str, words)], stderr=subprocess.PIPE, text=True)


def ended(process):
    _, error = process.communicate(timeout=120)
    return process.returncode, error


def test_two_writers_and_a_reader_at_once(store, deliver, tmp_path):
    deliveries = [pickled(deliver, tmp_path, number) for number in range(1, 21)]
    processes = [
        start("write", store.root, *deliveries[::2]),
        start("write", store.root, *deliveries[1::2]),
        start("read", store.root, len(deliveries)),
    ]
    for process in processes:
        code, error = ended(process)
        assert code == 0, error
    assert [entry.number for entry in read_ledger(store)] == list(range(1, 21))
    assert take_snapshot(store).tables["range_test"].height == 40
    assert verify_store(store) == ()


def test_two_writers_of_the_same_deliveries_store_each_once(store, deliver, tmp_path):
    deliveries = [pickled(deliver, tmp_path, number) for number in range(1, 9)]
    processes = [start("write", store.root, *deliveries) for _ in range(2)]
    for process in processes:
        code, error = ended(process)
        assert code == 0, error
    entries = read_ledger(store)
    assert len({entry.content["delivery"] for entry in entries}) == len(entries) == 8
    assert verify_store(store) == ()
    assert take_snapshot(store).tables["range_test"].height == 16


def test_a_withdrawal_beside_a_writer_and_a_reader(store, deliver, tmp_path):
    """The patient leaves between two deliveries of others; what is still to come has her too."""
    deliveries = [
        pickled(deliver, tmp_path, number, id="A1" if number % 2 else "B2")
        for number in range(1, 13)
    ]
    commit_delivery(store, pickle.loads(Path(deliveries[0]).read_bytes()), KEY, NOW)
    writer = start("write", store.root, *deliveries[1:])
    looking = start("look", store.root, len(deliveries) + 1)
    withdraw_patient(store, KEY, "harbour", A1, NOW)
    for process in (writer, looking):
        code, error = ended(process)
        assert code == 0, error
    snapshot = take_snapshot(store)
    assert snapshot.tables["range_test"].height == 12  # six visits of the other patient, two each
    assert snapshot.account["harbour"]["range_test"]["withdrawn"] == 12
    assert verify_store(store) == ()
    for file in store.root.rglob("*"):
        assert not file.is_file() or A1.encode() not in file.read_bytes(), file


def test_a_writer_killed_at_any_step_leaves_nothing_half_done(store, deliver, tmp_path):
    first, second = (pickled(deliver, tmp_path, number) for number in (1, 2))
    commit_delivery(store, pickle.loads(Path(first).read_bytes()), KEY, NOW)
    before = take_snapshot(store)
    killed = 0
    for step in range(1, 200):
        copy = tmp_path / f"copy-{step}"
        shutil.copytree(store.root, copy)
        code, error = ended(start("killed", copy, step, second))
        assert code in {0, -9}, error
        after = create_or_open(copy)
        snapshot = take_snapshot(after)
        if snapshot.number == 1:
            assert snapshot.content_digest == before.content_digest
        else:
            assert snapshot.tables["range_test"].height == 4
        commit_delivery(after, pickle.loads(Path(second).read_bytes()), KEY, NOW)
        assert take_snapshot(after).tables["range_test"].height == 4
        assert verify_store(after) == ()
        shutil.rmtree(copy)
        killed += code == -9
        if code == 0:
            break
    assert code == 0, "the commit never came to its end"
    assert killed > 10


def test_a_withdrawal_killed_at_any_step_can_be_completed(store, deliver, tmp_path):
    for number, who in ((1, "A1"), (2, "B2")):
        path = pickled(deliver, tmp_path, number, id=who)
        commit_delivery(store, pickle.loads(Path(path).read_bytes()), KEY, NOW)
    for step in range(1, 200):
        copy = tmp_path / f"copy-{step}"
        shutil.copytree(store.root, copy)
        code, error = ended(start("killed-withdrawal", copy, step, A1))
        assert code in {0, -9}, error
        after = create_or_open(copy)
        assert take_snapshot(after).tables["range_test"].height in {2, 4}
        withdraw_patient(after, KEY, "harbour", A1, NOW)
        assert take_snapshot(after).tables["range_test"].height == 2
        assert verify_store(after) == ()
        for file in after.root.rglob("*"):
            if file.is_file():
                assert A1.encode() not in file.read_bytes(), (step, file)
                if file.suffix == ".parquet":
                    assert A1 not in pl.read_parquet(file).write_csv(), (step, file)
        shutil.rmtree(copy)
        if code == 0:
            break
    assert code == 0
    assert step > 5


def create_or_open(root):
    from pipeline.store.ledger import open_store

    return open_store(root)
