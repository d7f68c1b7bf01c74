"""An export made in buckets of patients is the same delivery as one made in one piece."""

import pytest

from pipeline.store.bucket import add_accounts
from pipeline.store.delivery import commit_delivery
from pipeline.store.ledger import create_store, read_ledger
from pipeline.store.snapshot import take_snapshot
from tests.conftest import KEY, bout_row, long_csv, range_row
from tests.pipeline.store.test_store import NOW


def export(n_patients=30):
    rows = []
    for number in range(n_patients):
        who = {"id": f"P{number}"}
        rows += [range_row(1, 20 + number % 20, **who), bout_row(2, **who), range_row(3, 30, **who)]
        if number % 7 == 0:
            rows += [range_row(3, 30, **who), range_row(4, 450, **who), range_row(5, 25, **who)]
            rows += [range_row(5, 26, **who)]  # an equal row, an impossible one, two that conflict
    return long_csv(*rows, range_row(1, 30, id=""), range_row(1, 30, hip=""))


@pytest.fixture
def both(deliver, monkeypatch):
    whole = deliver(export())
    assert whole.buckets.n_buckets == 1
    assert whole.whole.account  # made now, in one piece
    monkeypatch.setattr("pipeline.bucketing.FACTS_OF_BUCKET", 40)
    return whole, deliver(export())


def test_buckets_together_are_the_whole(both):
    whole, pieces = both
    assert pieces.buckets.n_buckets > 5
    assert pieces.account == whole.account
    for name, facts in whole.tables.items():
        assert pieces.tables[name].equals(facts), name
    order = ["table", "source_record", "reason", "column"]
    assert pieces.quarantine.sort(order).equals(whole.quarantine.sort(order))
    assert pieces.raw.sort("source_record").equals(whole.raw)


def test_no_patient_is_in_two_buckets_and_none_is_lost(both):
    seen: set[str] = set()
    for bucket in both[1].buckets:
        own = set(bucket.tables["patient"]["patient"].to_list())
        assert not own & seen
        seen |= own
    assert seen == set(both[0].tables["patient"]["patient"].to_list())


def test_the_store_holds_the_same_either_way(both, tmp_path):
    digests = []
    for name, delivery in zip("ab", both, strict=True):
        (tmp_path / name).mkdir()
        store = create_store(tmp_path / name)
        receipt = commit_delivery(store, delivery, KEY, NOW)
        assert receipt.account["range_test"]["quarantined"] == 17
        assert len(read_ledger(store)) == 1
        digests.append(take_snapshot(store).content_digest)
    assert digests[0] == digests[1]


def test_a_bucket_out_of_order_is_refused_and_leaves_nothing(both, tmp_path):
    import dataclasses

    store = create_store(tmp_path)
    turned = dataclasses.replace(both[1], buckets=list(both[1].buckets)[::-1])
    with pytest.raises(ValueError, match="patients of the one before"):
        commit_delivery(store, turned, KEY, NOW)
    assert read_ledger(store) == ()
    assert [p for p in store.folder.rglob("*") if p.is_file() and "parquet" in p.name] == []


def test_accounts_add_up():
    one = {"a": {"read": 2, "accepted": 2}}
    other = {"a": {"read": 1, "quarantined": 1}, "b": {"read": 3}}
    assert add_accounts(one, other) == {
        "a": {"read": 3, "accepted": 2, "quarantined": 1}, "b": {"read": 3},
    }  # fmt: skip
    assert one == {"a": {"read": 2, "accepted": 2}}
