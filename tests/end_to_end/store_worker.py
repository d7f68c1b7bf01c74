"""One process of the store's tests: a writer, a writer that is killed, or a reader."""

import os
import pickle
import signal
import sys
from datetime import UTC, datetime
from pathlib import Path

from pipeline.store.delivery import commit_delivery
from pipeline.store.ledger import open_store, read_ledger
from pipeline.store.pseudonym import PseudonymKey
from pipeline.store.snapshot import take_snapshot
from pipeline.store.withdrawal import withdraw_patient

NOW = datetime(2026, 7, 1, tzinfo=UTC)
KEY = PseudonymKey(bytes(range(32)))


def die_before(step):
    """Kill this process before its n-th step that touches the disk for good."""
    count = 0

    def counted(function):
        def wrapped(*arguments, **options):
            nonlocal count
            count += 1
            if count == step:
                os.kill(os.getpid(), signal.SIGKILL)
            return function(*arguments, **options)

        return wrapped

    os.fsync = counted(os.fsync)
    Path.hardlink_to = counted(Path.hardlink_to)
    Path.replace = counted(Path.replace)
    Path.unlink = counted(Path.unlink)


def write(root, deliveries):
    store = open_store(Path(root))
    for path in deliveries:
        commit_delivery(store, pickle.loads(Path(path).read_bytes()), KEY, NOW)


def read(root, until):
    """Look again and again until everything is there; each look has to be whole."""
    store, seen = open_store(Path(root)), 0
    while seen < until:
        entries = read_ledger(store)
        snapshot = take_snapshot(store)
        assert snapshot.number >= len(entries) >= seen
        heights = {name: facts.height for name, facts in snapshot.tables.items()}
        assert heights["range_test"] == 2 * snapshot.number, heights
        assert heights["treatment"] == snapshot.number, heights
        seen = len(entries)


def look(root, until):
    """Look again and again while a patient is withdrawn: every table has all of her or nothing."""
    store, seen = open_store(Path(root)), 0
    while seen < until:
        snapshot = take_snapshot(store)
        assert snapshot.number >= seen
        people = [set(snapshot.tables[name]["patient"]) for name in ("visit", "treatment")]
        assert people[0] == people[1] == set(snapshot.tables["range_test"]["patient"])
        assert snapshot.tables["range_test"].height == 2 * snapshot.tables["treatment"].height
        seen = snapshot.number


if __name__ == "__main__":
    what, root, *rest = sys.argv[1:]
    if what == "write":
        write(root, rest)
    elif what == "read":
        read(root, int(rest[0]))
    elif what == "look":
        look(root, int(rest[0]))
    elif what == "killed":
        die_before(int(rest[0]))
        write(root, rest[1:])
    elif what == "killed-withdrawal":
        die_before(int(rest[0]))
        withdraw_patient(open_store(Path(root)), KEY, "harbour", rest[1], NOW)
