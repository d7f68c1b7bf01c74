"""Deliveries of equal rank that contradict each other are refused, others are not."""

from datetime import date

import pytest

from pipeline.store.snapshot import take_snapshot
from schemas.errors import StoreError


def test_the_refusal_names_both_deliveries_and_how_many_records_differ(made):
    first = made.commit({("a", "1"): 1, ("a", "2"): 2, ("b", "1"): 3}, source="first")
    with pytest.raises(StoreError) as error:
        made.commit({("a", "1"): 1, ("a", "2"): 5, ("b", "1"): 6}, source="second")
    assert "seco.csv" in error.value.place
    assert first.delivery in error.value.problem
    assert "firs.csv" in error.value.problem
    assert "2 records differ (visit 2)" in error.value.problem
    assert "2026-06-01" in error.value.problem
    assert "exported_on" in error.value.remedy


def test_other_days_and_clinics_do_not_conflict(made):
    made.commit({("a", "1"): 1})
    made.commit({("a", "1"): 2}, exported_on=date(2026, 6, 2))
    made.commit({("a", "1"): 3}, clinic="mill")
    assert take_snapshot(made.store).tables["visit"]["day_offset"].to_list() == [2, 3]


def test_a_full_export_saved_twice_is_counted_as_a_duplicate(made):
    for source in ("once", "again"):
        made.commit({("a", "1"): 1}, kind="full", source=source)
    counts = take_snapshot(made.store).account["harbour"]["visit"]
    assert (counts["read"], counts["accepted"], counts["duplicate"]) == (2, 1, 1)
