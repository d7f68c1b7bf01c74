"""The ledger is read in order, whole, or not at all."""

from datetime import datetime, timedelta, timezone

import pytest

from pipeline.store.ledger import append_event, create_store, entry_path, read_ledger
from pipeline.store.verification import verify_store
from schemas.errors import StoreError
from tests.pipeline.store.conftest import NOW


@pytest.fixture
def store(made):
    for number in range(3):
        append_event(made.store, "published", {"version": number}, NOW)
    return made.store


def refused(store, number, problem):
    """Say whether reading and verifying both refuse that entry."""
    with pytest.raises(StoreError, match=problem) as error:
        read_ledger(store)
    found = verify_store(store)
    return error.value.place == found[0].place == str(entry_path(store, number))


@pytest.mark.parametrize("number", [1, 2])
def test_a_gap_is_refused(store, number):
    entry_path(store, number).unlink()
    assert refused(store, number, "is missing")


def test_an_entry_of_another_ledger_is_refused(store, tmp_path):
    (tmp_path / "other").mkdir()
    other = create_store(tmp_path / "other")
    for number in range(3):
        append_event(other, "published", {"version": f"other {number}"}, NOW)
    entry_path(store, 2).write_bytes(entry_path(other, 2).read_bytes())
    assert refused(store, 2, "does not follow")


def test_a_part_of_the_ledger_can_be_read_and_no_more_than_there_is(store):
    assert [entry.content["version"] for entry in read_ledger(store, 2)] == [0, 1]
    with pytest.raises(StoreError, match="ends at 3, before 4"):
        read_ledger(store, 4)


def test_times_are_kept_in_utc_and_need_a_zone(store):
    there = timezone(timedelta(hours=2))
    entry = append_event(store, "published", {}, datetime(2026, 7, 1, 1, 30, tzinfo=there))
    assert entry.recorded_at == "2026-06-30T23:30:00+00:00"
    assert read_ledger(store)[-1] == entry
    with pytest.raises(ValueError, match="zone"):
        append_event(store, "published", {}, NOW.replace(tzinfo=None))
