"""Which statement counts, what contradicts what, and what the digest can tell apart."""

from dataclasses import replace
from datetime import UTC, datetime

import polars as pl
import pytest

from pipeline.store import upgrade
from pipeline.store.delivery import commit_delivery
from pipeline.store.digest import digest_clinic
from pipeline.store.ledger import create_store, read_ledger
from pipeline.store.pseudonym import pseudonym
from pipeline.store.snapshot import take_snapshot
from pipeline.store.withdrawal import withdraw_patient
from schemas.errors import StoreError
from schemas.table import QUARANTINE, SCHEMA_VERSION, TABLES, empty
from tests.conftest import KEY, bout_row, long_csv, range_row

NOW = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
A1 = pseudonym(KEY, "patient", "harbour", "A1")


@pytest.fixture
def store(tmp_path):
    (tmp_path / "w").mkdir()
    return create_store(tmp_path / "w")


def commit(store, *deliveries):
    for delivery in deliveries:
        commit_delivery(store, delivery, KEY, NOW)


def on(day, kind="increment"):
    return {"kind": kind, "exported_on": f"2026-05-{day:02d}"}


def angles(store):
    tests = take_snapshot(store).tables["range_test"]
    return tests.sort("event", "angle_hundredth_deg")["angle_hundredth_deg"].to_list()


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
@pytest.mark.parametrize("later", [26, 27, 28, 29, 30, 31])  # identifiers must not decide by chance
def test_of_one_day_the_later_version_of_the_codebook_counts(store, deliver, order, later):
    both = [
        deliver(long_csv(range_row(1, angle)), delivery=on(3), version=version)
        for angle, version in ((25, 1), (later, 2))
    ]
    commit(store, *(both[place] for place in order))
    assert angles(store) == [100 * later]
    assert set(take_snapshot(store).codebooks.values()) == {both[1].codebook_sha256}


@pytest.mark.parametrize("more", ["one record more", "one record less"])
def test_two_full_exports_of_a_day_hold_the_same_records(store, deliver, more):
    texts = [long_csv(range_row(1, "25")), long_csv(range_row(1, "25"), range_row(2, "30"))]
    if more == "one record less":
        texts.reverse()
    commit(store, deliver(texts[0], delivery=on(3, "full")))
    with pytest.raises(StoreError, match="range_test 1") as error:
        commit(store, deliver(texts[1], delivery=on(3, "full"), name="second.csv"))
    assert "second.csv" in error.value.place
    assert "export.csv" in error.value.problem


def test_a_table_that_only_one_full_export_of_a_day_has_is_a_contradiction(store, deliver):
    bare, more = long_csv(range_row(1, "25")), long_csv(range_row(1, "25"), bout_row(2))
    commit(store, deliver(bare, delivery=on(3, "full")))
    with pytest.raises(StoreError, match="treatment 1"):
        commit(store, deliver(more, delivery=on(3, "full")))


def test_full_exports_of_other_layouts_and_increments_may_hold_other_records(store, deliver):
    commit(store, deliver(long_csv(range_row(1, "25")), delivery=on(3, "full")))
    other = deliver(long_csv(range_row(2, "30")), delivery=on(3, "full"), codebook="second")
    commit(store, other, deliver(long_csv(range_row(3, "35")), delivery=on(3)))
    assert angles(store) == [2500, 3000, 3500]


def test_a_missing_value_contradicts_a_stated_one(store, deliver):
    commit(store, deliver(long_csv(range_row(1, "25", pain="3")), delivery=on(3)))
    with pytest.raises(StoreError, match="range_test 1"):
        commit(store, deliver(long_csv(range_row(1, "25")), delivery=on(3)))


def test_facts_that_a_later_full_export_replaced_are_superseded_also_if_quarantined(store, deliver):
    commit(store, deliver(long_csv(range_row(1, "25"), range_row(2, "full")), delivery=on(1)))
    commit(store, deliver(long_csv(range_row(1, "25")), delivery=on(2, "full")))
    snapshot = take_snapshot(store)
    counts = snapshot.account["harbour"]["range_test"]
    named = ("read", "accepted", "quarantined", "duplicate", "superseded")
    assert [counts[fate] for fate in named] == [3, 1, 0, 0, 2]
    assert snapshot.quarantine.is_empty()


def digest(patients, **changes):
    facts = pl.DataFrame(patients, schema=TABLES["patient"].columns, orient="row")
    parts = {
        "tables": {"patient": facts},
        "quarantine": empty(QUARANTINE),
        "account": {},
        "codebooks": [("a", "1")],
        "tombstones": [],
    }
    return digest_clinic(**(parts | changes))


def person(sex="female", age=40, activity="low", provenance=("d", "f.csv", 1, 1)):
    return ("harbour", "p-1", sex, age, activity, True, *provenance)


def test_the_digest_tells_values_apart_and_not_where_they_came_from():
    told = [
        digest([person()]),
        digest([person(sex="male")]),
        digest([person(age=41)]),
        digest([person(sex="")]),
        digest([person(sex=None)]),
        digest([person(sex="female,40", age=None)]),
        digest([person(sex='female"', activity="low")]),
        digest([person(), person()]),
        digest([]),
        digest([person()], tombstones=["x"]),
        digest([person()], codebooks=[("a", "2")]),
        digest([person()], account={"patient": {"read": 1}}),
    ]
    assert len(set(told)) == len(told)
    assert digest([person(provenance=("e", "g.csv", 9, 3))]) == told[0]
    assert digest([person()], codebooks=[("a", "1"), ("a", "1")]) == told[0]


def test_minus_zero_is_zero(store, deliver, tmp_path):
    """Equal numbers give equal digests; with no pain an export may write 0 or -0."""
    delivery = deliver(long_csv(range_row(1, "25", pain="0")))
    facts = delivery.tables["range_test"]
    negative = {**delivery.tables, "range_test": facts.with_columns(pain_0_10=pl.lit(-0.0))}
    commit(store, delivery)
    (tmp_path / "v").mkdir()
    other = create_store(tmp_path / "v")
    commit(other, replace(delivery, buckets=(replace(delivery.whole, tables=negative),)))
    assert take_snapshot(store).content_digest == take_snapshot(other).content_digest


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda facts: pl.concat([facts, facts]), "a key occurs twice"),
        (
            lambda facts: pl.concat([facts, facts.with_columns(pl.col("angle_hundredth_deg") + 1)]),
            "a key occurs twice",
        ),
        (lambda facts: facts.with_columns(clinic=pl.lit("mill")), "rows of another clinic"),
        (lambda facts: facts.with_columns(event=pl.lit("1")), "other types"),
        (lambda facts: facts.clear(), "0 rows, account"),
    ],
)
def test_rows_that_the_program_cannot_have_made_are_refused(store, deliver, spoil, told):
    delivery = deliver(long_csv(range_row(1, "25"), range_row(2, "30")))
    tables = {**delivery.tables, "range_test": spoil(delivery.tables["range_test"])}
    with pytest.raises(ValueError, match=told):
        commit(store, replace(delivery, buckets=(replace(delivery.whole, tables=tables),)))
    assert list(store.folder.rglob("*.parquet")) == []


def test_parts_are_sorted_by_their_key_whatever_order_the_rows_came_in(store, deliver):
    delivery = deliver(
        long_csv(*(range_row(seq, seq + 20, id=who) for who in ("B2", "A1") for seq in (3, 1, 2)))
    )
    shuffled = {
        name: facts.sample(fraction=1, shuffle=True, seed=7)
        for name, facts in delivery.tables.items()
    }
    commit(store, replace(delivery, buckets=(replace(delivery.whole, tables=shuffled),)))
    (path,) = store.folder.rglob("parts/range_test/harbour/*.parquet")
    stored = pl.read_parquet(path)
    rows = stored.select("patient", "event", "angle_hundredth_deg").rows()
    # each row whole (angle = event + 20 degrees), and the file in the order of patient and event
    assert rows == sorted(rows)
    assert len(rows) == 6
    assert [angle for _, _, angle in rows] == [100 * (event + 20) for _, event, _ in rows]
    facts = delivery.tables["range_test"].sort("patient", "event")
    assert stored["source_record"].to_list() == facts["source_record"].to_list()


def test_a_rewritten_part_keeps_its_layout_and_is_upgraded_once(store, deliver, monkeypatch):
    """A step to a next layout that also turns the order of keys round: reading sorts again."""

    def step(table, frame):
        if table != "range_test":
            return frame
        return frame.with_columns(
            angle_hundredth_deg=pl.col("angle_hundredth_deg") + 1, event=9 - pl.col("event")
        )

    other = {"id": "B2", "visit": "9"}
    text = long_csv(range_row(1, "25"), range_row(1, "40", **other), range_row(2, "45", **other))
    commit(store, deliver(text))
    for module in ("upgrade", "part", "ledger"):
        monkeypatch.setattr(f"pipeline.store.{module}.SCHEMA_VERSION", SCHEMA_VERSION + 1)
    monkeypatch.setitem(upgrade.STEPS, SCHEMA_VERSION, step)
    withdraw_patient(store, KEY, "harbour", A1, NOW)
    tests = take_snapshot(store).tables["range_test"]
    assert tests["event"].to_list() == [7, 8]
    assert tests["angle_hundredth_deg"].to_list() == [4501, 4001]
    assert [entry.schema_version for entry in read_ledger(store)] == [
        SCHEMA_VERSION,
        SCHEMA_VERSION + 1,
    ]
    monkeypatch.setattr("pipeline.store.ledger.SCHEMA_VERSION", SCHEMA_VERSION)
    with pytest.raises(StoreError, match=f"newer than {SCHEMA_VERSION}"):
        read_ledger(store)
