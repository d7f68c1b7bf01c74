"""The order of arrival changes nothing, and every fact keeps its place in the account."""

import tempfile
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from pipeline.store.delivery import commit_delivery
from pipeline.store.ledger import create_store
from pipeline.store.pseudonym import pseudonym
from pipeline.store.snapshot import FATES, take_snapshot
from pipeline.store.withdrawal import withdraw_patient
from schemas.errors import StoreError
from tests.conftest import KEY, bout_row, long_csv, range_row

NOW = datetime(2026, 7, 1, tzinfo=UTC)

rows = st.lists(
    st.tuples(
        st.sampled_from(["A1", "B2"]),
        st.sampled_from([1, 3, 5]),
        st.sampled_from(["20", "25", "full"]),
    ),
    min_size=1,
    max_size=5,
    unique_by=lambda row: row[:2],
)
deliveries = st.lists(
    st.tuples(st.sampled_from(["full", "increment"]), st.sampled_from(["a", "b"]), rows),
    min_size=1,
    max_size=4,
)


def make(deliver, day, kind, layout, content):
    """Each delivery has a day of its own, so that none contradicts another of its rank."""
    text = long_csv(*(range_row(seq, angle, id=who) for who, seq, angle in content), bout_row(2))
    terms = {"kind": kind, "exported_on": f"2026-05-{day + 1:02d}"}
    return deliver(text, delivery=terms, codebook=layout)


def snapshot_of(made):
    with tempfile.TemporaryDirectory() as folder:
        store = create_store(Path(folder))
        for delivery in made:
            commit_delivery(store, delivery, KEY, NOW)
        return take_snapshot(store)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(deliveries, st.randoms(use_true_random=False))
def test_any_order_of_arrival_gives_the_same_truth(deliver, contents, shuffler):
    made = [make(deliver, day, *content) for day, content in enumerate(contents)]
    other = made.copy()
    shuffler.shuffle(other)
    one, two = snapshot_of(made), snapshot_of(other)
    assert one.content_digest == two.content_digest
    assert one.account == two.account
    for name, facts in one.tables.items():
        assert facts.equals(two.tables[name])
    assert one.quarantine.equals(two.quarantine)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(deliveries)
def test_every_fact_that_was_read_has_one_fate(deliver, contents):
    made = [make(deliver, day, *content) for day, content in enumerate(contents)]
    snapshot = snapshot_of(made)
    for table, counts in snapshot.account["harbour"].items():
        assert counts["read"] == sum(counts[fate] for fate in FATES)
        assert counts["read"] == sum(delivery.account[table]["read"] for delivery in made)
        if table in snapshot.tables:
            assert counts["accepted"] == snapshot.tables[table].height


@settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(deliveries)
def test_sending_everything_again_changes_nothing(deliver, contents):
    made = [make(deliver, day, *content) for day, content in enumerate(contents)]
    one, two = snapshot_of(made), snapshot_of([*made, *made])
    assert one.content_digest == two.content_digest
    assert one.number == two.number


@settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(rows, rows, st.sampled_from(["full", "increment"]))
def test_equal_rank_is_refused_just_where_values_differ_in_either_order(deliver, some, more, kind):
    """Worked out from the drawn rows alone, without the store's own comparison."""
    assume(some != more)
    made = [make(deliver, 0, kind, "a", content) for content in (some, more)]
    readable = [
        {row[:2]: row[2] for row in content if row[2] != "full"} for content in (some, more)
    ]
    first, second = readable
    differ = any(first[record] != second[record] for record in first.keys() & second.keys())
    people = [{"A1", *(who for who, _, _ in content)} for content in (some, more)]  # A1 has a bout
    if kind == "full":
        differ = differ or first.keys() != second.keys() or people[0] != people[1]
    seen = []
    for order in (made, made[::-1]):
        with tempfile.TemporaryDirectory() as folder:
            store = create_store(Path(folder))
            commit_delivery(store, order[0], KEY, NOW)
            alone = take_snapshot(store).content_digest
            if differ:
                with pytest.raises(StoreError, match="states the same day of export"):
                    commit_delivery(store, order[1], KEY, NOW)
                assert take_snapshot(store).content_digest == alone
            else:
                commit_delivery(store, order[1], KEY, NOW)
                seen.append(take_snapshot(store))
    assert len(seen) == (0 if differ else 2)
    if seen:
        one, two = seen
        assert one.content_digest == two.content_digest
        for name, facts in one.tables.items():  # also the delivery that each row is taken from
            assert facts.equals(two.tables[name])


@settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(deliveries, st.data())
def test_it_makes_no_difference_when_a_patient_was_withdrawn(deliver, contents, data):
    made = [make(deliver, day, *content) for day, content in enumerate(contents)]
    early = data.draw(st.integers(1, len(made)))
    patient = pseudonym(KEY, "patient", "harbour", "A1")  # in every delivery, with a bout
    seen = []
    for withdrawn_after in (early, len(made)):
        with tempfile.TemporaryDirectory() as folder:
            store = create_store(Path(folder))
            for number, delivery in enumerate(made, 1):
                commit_delivery(store, delivery, KEY, NOW)
                if number == withdrawn_after:
                    withdraw_patient(store, KEY, "harbour", patient, NOW)
            seen.append(take_snapshot(store))
            for path in Path(folder).rglob("*"):
                assert not path.is_file() or patient.encode() not in path.read_bytes()
    one, two = seen
    assert one.account == two.account
    assert one.content_digest == two.content_digest
    for table, counts in one.account["harbour"].items():
        assert counts["read"] == sum(counts[fate] for fate in FATES)
        assert counts["read"] == sum(delivery.account[table]["read"] for delivery in made)
