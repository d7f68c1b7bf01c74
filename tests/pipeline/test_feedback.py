"""What a clinic is told: places and facts, who mends what, and no patient."""

from datetime import date

import polars as pl
import pytest

from pipeline.feedback import MENDER, Mender, make_feedback
from pipeline.store.snapshot import FATES, DeliveryRecord
from schemas.errors import StoreError
from schemas.reason import REASON_TEXT, Quarantine
from schemas.table import QUARANTINE

OLD = DeliveryRecord("a" * 12, "harbour", "events", 1, "increment", date(2026, 3, 31), "march.csv")
NEW = DeliveryRecord("b" * 12, "harbour", "events", 2, "increment", date(2026, 6, 30), "june.csv")
OTHER = DeliveryRecord("c" * 12, "quay", "events", 1, "full", date(2026, 6, 30), "quay.csv")


def fact(table, reason, column, value, record, *, of=NEW, line=None, clinic="harbour"):
    return {
        "clinic": clinic, "table": table, "reason": str(reason), "column": column, "value": value,
        "patient": "p-5e2f", "source_file": of.source_name, "source_record": record,
        "source_line": line, "delivery": of.delivery, "codebook_version": of.codebook_version,
    }  # fmt: skip


def frame(*facts):
    return pl.DataFrame(list(facts), schema=QUARANTINE)


def account_of(quarantine, clinic="harbour"):
    """An account that fits: beside what is quarantined, 100 facts of each table are accepted."""
    counts = dict(quarantine.filter(clinic=clinic).group_by("table").len().iter_rows())
    empty = dict.fromkeys(("read", *FATES), 0)
    tables = {"source_row", "range_test", "treatment", "visit", *counts}
    return {
        name: empty | {"read": 100 + counts.get(name, 0), "accepted": 100, "quarantined": counts.get(name, 0)}
        for name in tables
    }  # fmt: skip


SIDE = [
    fact(table, Quarantine.SIDE_UNKNOWN, "hip", "x", 7, line=8)
    for table in ("treatment", "range_test", "joint_episode")
]
FACTS = frame(
    *SIDE,
    fact("treatment", Quarantine.GRADE_UNREADABLE, "grade", "xxxxxx", 9, line=12),
    fact("treatment", Quarantine.GRADE_UNREADABLE, "grade", "xxxxxx", 3, line=4),
    fact("treatment", Quarantine.UNKNOWN_CODE, "bias", "xx", 3, line=4),
    fact("source_row", Quarantine.NO_RECORD, None, None, 5, line=6),
    fact("range_test", Quarantine.ANGLE_IMPOSSIBLE, "angle", "412", 2, of=OLD),
    fact("range_test", Quarantine.ANGLE_IMPOSSIBLE, "angle", "300", 2, of=OTHER, clinic="quay"),
)


@pytest.fixture
def feedback():
    return make_feedback("harbour", FACTS, account_of(FACTS), (OLD, NEW, OTHER), ledger_number=4)


def test_one_cell_that_holds_back_three_facts_is_one_place(feedback):
    hip = feedback.rows.filter(column="hip")
    assert hip.height == 1
    assert hip.row(0, named=True) == {
        "exported_on": date(2026, 6, 30), "source_file": "june.csv", "source_line": 8, "source_record": 7,
        "column": "hip", "value": "x", "reason": "side_unknown", "tables": "joint_episode;range_test;treatment",
        "n_facts": 3,
    }  # fmt: skip
    assert (feedback.n_places, feedback.n_facts) == (6, 8)


def test_newest_export_first_then_by_record_and_column(feedback):
    order = feedback.rows.select("source_file", "source_record", "column").rows()
    assert order == [
        ("june.csv", 3, "bias"),
        ("june.csv", 3, "grade"),
        ("june.csv", 5, None),
        ("june.csv", 7, "hip"),
        ("june.csv", 9, "grade"),
        ("march.csv", 2, "angle"),
    ]
    lines = feedback.rows["source_line"].to_list()
    assert lines == [4, 4, 6, 8, 12, None]  # layout 1 kept no line


def test_the_order_of_the_facts_changes_nothing(feedback):
    turned = make_feedback(
        "harbour", FACTS.reverse(), account_of(FACTS), (NEW, OTHER, OLD), ledger_number=4
    )
    assert turned.rows.equals(feedback.rows)
    assert (turned.reasons, turned.exports, turned.tables) == (
        feedback.reasons, feedback.exports, feedback.tables,
    )  # fmt: skip


def test_problems_come_with_the_most_facts_first_and_add_up(feedback):
    found = [(c.reason, c.n_facts, c.n_places) for c in feedback.reasons]
    assert found[:2] == [(Quarantine.SIDE_UNKNOWN, 3, 1), (Quarantine.GRADE_UNREADABLE, 2, 2)]
    assert sum(n for _, n, _ in found) == FACTS.filter(clinic="harbour").height
    assert sum(n for _, _, n in found) == feedback.rows.height
    grade = feedback.reasons[1].columns
    assert [(c.column, c.n_places, c.values) for c in grade] == [("grade", 2, (("xxxxxx", 2),))]


def test_only_the_five_most_frequent_values_are_kept():
    values = ["a"] * 3 + ["b"] * 2 + list("cdefg")
    facts = frame(
        *(fact("treatment", Quarantine.UNKNOWN_CODE, "bias", v, n) for n, v in enumerate(values))
    )
    told = make_feedback("harbour", facts, account_of(facts), (NEW,))
    (column,) = told.reasons[0].columns
    assert column.values == (("a", 3), ("b", 2), ("c", 1), ("d", 1), ("e", 1))
    assert column.n_places == 10


def test_problems_are_parted_by_who_looks_first(feedback):
    assert [c.reason for c in feedback.of_mender(Mender.CODEBOOK)] == [
        Quarantine.UNKNOWN_CODE, Quarantine.NO_RECORD,
    ]  # fmt: skip
    assert {c.reason for c in feedback.of_mender(Mender.CLINIC)} == {
        Quarantine.SIDE_UNKNOWN, Quarantine.GRADE_UNREADABLE, Quarantine.ANGLE_IMPOSSIBLE,
    }  # fmt: skip


@pytest.mark.parametrize("reason", list(Quarantine))
def test_every_reason_has_words_a_remedy_and_somebody_who_mends_it(reason):
    assert REASON_TEXT[reason].label
    assert REASON_TEXT[reason].remedy
    assert MENDER[reason] in set(Mender)


def test_what_only_a_codebook_can_add_is_a_matter_of_the_codebook():
    """Where the remedy begins with the codebook, the network looks at it first."""
    begins = [r for r in Quarantine if "codebook" in REASON_TEXT[r].remedy.split(",")[0]]
    wrong = [r for r in begins if REASON_TEXT[r].remedy.startswith(("Add", "Declare", "Name"))
             and MENDER[r] != Mender.CODEBOOK]  # fmt: skip
    assert begins
    assert wrong == []


def test_no_patient_is_in_it(feedback):
    assert "patient" not in feedback.rows.columns
    assert "p-5e2f" not in repr(feedback.rows.rows()) + repr(feedback.reasons) + repr(
        feedback.exports
    )


def test_nothing_is_told_that_the_quarantine_did_not_hold(feedback):
    own = FACTS.filter(clinic="harbour")
    for name in ("source_file", "column", "value"):
        assert set(feedback.rows[name]) == set(own[name])
    told = {v for c in feedback.reasons for column in c.columns for v, _ in column.values}
    assert told == set(own["value"].drop_nulls())


def test_exports_newest_first_with_what_is_listed_of_each():
    told = make_feedback(
        "harbour", FACTS, account_of(FACTS), (OLD, NEW, OTHER), replaced={OLD.delivery}
    )
    assert [(e.name, e.n_facts, e.is_replaced) for e in told.exports] == [
        ("june.csv", 7, False),
        ("march.csv", 1, True),
    ]


def test_tables_stand_in_the_order_of_the_schemas_with_source_rows_first(feedback):
    assert [(t.table, t.read, t.quarantined) for t in feedback.tables] == [
        ("source_row", 101, 1), ("joint_episode", 101, 1), ("visit", 100, 0), ("range_test", 102, 2),
        ("treatment", 104, 4),
    ]  # fmt: skip


def test_an_account_that_differs_from_the_quarantine_is_refused():
    account = account_of(FACTS)
    account["treatment"]["quarantined"] += 1
    with pytest.raises(StoreError, match="5 facts were counted as quarantined, but 4") as error:
        make_feedback("harbour", FACTS, account, (OLD, NEW))
    assert error.value.place == "clinic harbour, table treatment"


def test_a_fact_of_a_delivery_that_is_not_listed_is_refused():
    with pytest.raises(StoreError, match="not listed: aaaaaaaaaaaa"):
        make_feedback("harbour", FACTS, account_of(FACTS), (NEW,))


def test_the_same_place_of_two_exports_is_two_places():
    facts = frame(
        fact("treatment", Quarantine.TWO_GRADES, "grade", "3/4", 1, of=OLD),
        fact("treatment", Quarantine.TWO_GRADES, "grade", "3/4", 1, of=NEW),
    )
    assert make_feedback("harbour", facts, account_of(facts), (OLD, NEW)).n_places == 2


def test_nothing_quarantined_gives_an_empty_account():
    told = make_feedback("harbour", frame(), account_of(frame()), (NEW,))
    assert (told.n_places, told.n_facts, told.reasons) == (0, 0, ())
    assert told.rows.columns[0] == "exported_on"
    assert make_feedback("harbour", frame(), {}, ()).exports == ()
