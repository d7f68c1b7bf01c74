"""From export to delivery: every fact is accepted, quarantined or a duplicate, and none is lost."""

import re

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.store.pseudonym import index_day, pseudonym
from schemas.errors import CodebookError, DeliveryError
from schemas.settings import DatePolicy, Settings
from tests.conftest import KEY, LONG, bout_row, long_csv, range_row

PATIENT = pseudonym(KEY, "patient", "harbour", "A1")


def reasons(delivery):
    return delivery.quarantine.select("table", "reason", "column", "value", "source_record").rows()


def test_a_visit_becomes_canonical_facts(deliver):
    delivery = deliver(
        long_csv(
            range_row(1, "25", pain="4", feel="cap", sex="F", age="61", who="T1"),
            bout_row(2, bias="IR", manner="c", sex="F", age="61", who="T1"),
            range_row(3, "31.5", pain="2", feel="cap", sex="F", age="61", who="T1"),
        )
    )
    assert reasons(delivery) == []
    patient = delivery.tables["patient"].row(0, named=True)
    assert (patient["patient"], patient["sex"], patient["age_years"]) == (PATIENT, "female", 61)
    assert patient["activity"] == "not_recorded"
    tests = delivery.tables["range_test"].sort("event")
    assert tests["angle_hundredth_deg"].to_list() == [2500, 3150]
    assert tests["pain_0_10"].to_list() == [4.0, 2.0]
    assert tests["order_is_stated"].to_list() == [True, True]
    assert tests["source_record"].to_list() == [1, 3]
    bout = delivery.tables["treatment"].row(0, named=True)
    assert [bout[c] for c in ("grade_scale", "grade", "grade_modifier")] == [
        "oscillatory",
        "III",
        "none",
    ]
    assert [bout[c] for c in ("bias_direction", "bias_manner")] == ["internal", "combined"]
    assert [bout[c] for c in ("sets", "seconds_per_set")] == [2, 30]
    assert delivery.account["source_row"]["accepted"] == 3
    assert delivery.account["patient"] == {
        "read": 1, "accepted": 1, "quarantined": 0, "duplicate": 0, "out_of_scope": 0,
    }  # fmt: skip


def test_no_number_date_or_id_of_the_clinic_is_kept(deliver):
    delivery = deliver(long_csv(range_row(1, "25", who="T77"), bout_row(2)))
    frames = [*delivery.tables.values(), delivery.quarantine, delivery.raw]
    text = "\n".join(frame.write_csv() for frame in frames)
    for identifier in ("A1", "T77", "2026-01"):
        assert not re.search(rf"\b{identifier}\b", text)
    visit = delivery.tables["visit"].row(0, named=True)
    # 2026-01-10 is day 739626 of the proleptic calendar (Python's own date.toordinal).
    assert visit["day_offset"] + index_day(KEY, "harbour", PATIENT) == 739626
    assert visit["period"] == "2026"


def test_the_month_is_kept_only_where_the_network_decided_so(deliver):
    delivery = deliver(
        long_csv(range_row(1, "25"), bout_row(2)), settings=Settings(date_policy=DatePolicy.MONTH)
    )
    assert delivery.tables["visit"]["period"].to_list() == ["2026-01"]


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        (range_row(1, "450"), ("range_test", "angle_impossible", "angle", "450", 1)),
        (range_row(1, "full"), ("range_test", "words_instead_of_number", "angle", "full", 1)),
        (range_row(1, ">45"), ("range_test", "censored_or_banded", "angle", ">45", 1)),
        (range_row(1, ""), ("range_test", "missing_value", "angle", None, 1)),
        (range_row(1, "25", hip=""), ("range_test", "missing_key", "hip", None, 1)),
        (range_row(1, "25", hip="B"), ("range_test", "side_unknown", "hip", "B", 1)),
        (range_row(1, "25", test="SLR"), ("range_test", "unknown_code", "test", "xxx", 1)),
        (range_row(1, "25", pain="15"), ("range_test", "pain_impossible", "pain", "15", 1)),
        (range_row(1, "25", feel="soft"), ("range_test", "unknown_code", "feel", "xxxx", 1)),
        (range_row("2.5", "25"), ("range_test", "event_impossible", "seq", "2.5", 1)),
        (range_row(0, "25"), ("range_test", "event_impossible", "seq", "0", 1)),
        (range_row(1, "25", day="2026-02-31"), ("visit", "date_unreadable", "day", "9999-99-99", 1)),
        (range_row(1, "25", day="2026-07-01"), ("visit", "date_impossible", "day", "9999-99-99", 1)),
        (range_row(1, "25", age="130"), ("patient", "age_impossible", "age", "130", 1)),
        (bout_row(1, grade="II+"), ("treatment", "grade_impossible", "grade", "II+", 1)),
        (bout_row(1, grade="firm"), ("treatment", "grade_unreadable", "grade", "xxxx", 1)),
        (bout_row(1, dose="90x30s"), ("treatment", "dose_impossible", "dose", "90x30s", 1)),
        (bout_row(1, tech=""), ("treatment", "missing_value", "tech", None, 1)),
        (range_row(1, "25", kind="X"), ("source_row", "no_record", None, None, 1)),
    ],
)  # fmt: skip
def test_a_bad_cell_costs_its_own_fact_alone(deliver, row, expected):
    delivery = deliver(long_csv(row, range_row(7, "30")))
    assert expected in reasons(delivery)
    tables = {table for table, *_ in reasons(delivery)}
    assert tables <= {expected[0], "visit"} or expected[1] == "missing_key"
    kept = delivery.tables["range_test"].filter(pl.col("event") == 7)
    assert kept["angle_hundredth_deg"].to_list() == [3000]


def test_equal_rows_are_duplicates_and_different_ones_conflict(deliver):
    delivery = deliver(
        long_csv(range_row(1, "25"), range_row(1, "25"), range_row(3, "30"), range_row(3, "31"))
    )
    assert delivery.tables["range_test"]["event"].to_list() == [1]
    assert [(r[1], r[4]) for r in reasons(delivery)] == [
        ("conflicting_values", 3),
        ("conflicting_values", 4),
    ]
    counts = delivery.account["range_test"]
    assert (counts["read"], counts["accepted"], counts["duplicate"], counts["quarantined"]) == (
        4,
        1,
        1,
        2,
    )


def test_a_patient_who_grows_older_stays_one_patient(deliver):
    delivery = deliver(long_csv(range_row(1, "25", age="64"), range_row(2, "25", age="63")))
    assert delivery.tables["patient"]["age_years"].to_list() == [63]


def test_ages_over_89_are_one_class(deliver):
    delivery = deliver(long_csv(range_row(1, "25", age="97")))
    assert delivery.tables["patient"]["age_years"].to_list() == [90]


def test_a_clinician_has_one_pseudonym_however_the_codebook_says_who(deliver):
    shared = Settings(shared_clinician_numbers=True)
    by_column = deliver(long_csv(range_row(1, "25", who="T1")), settings=shared)
    records = [
        r | ({"set": {"clinician": "T1"}} if r["table"] == "visit" else {}) for r in LONG["records"]
    ]
    columns = {h: c for h, c in LONG["columns"].items() if h != "who"}
    ignore = LONG["ignore"] | {"who": "always the same"}
    by_constant = deliver(
        long_csv(range_row(1, "25")),
        settings=shared,
        records=records,
        columns=columns,
        ignore=ignore,
        clinic="mill",
    )
    found = [d.tables["visit"]["clinician"].to_list() for d in (by_column, by_constant)]
    assert found[0] == found[1] == [pseudonym(KEY, "clinician", "", "T1")]


def test_raw_keeps_no_great_age_and_no_name(deliver):
    rows = [range_row(1, "25", age="97", feel="Quillby"), range_row(3, "26", feel="soft")]
    delivery = deliver(long_csv(*rows, range_row(5, "26", feel="zz")))
    raw = delivery.raw.write_csv()
    for secret in (",97,", "Quillby"):
        assert secret not in raw
    assert "xxxxxxx" in raw
    for kept in ("soft", "zz"):
        assert kept in raw, "a short unknown code stays for a corrected codebook"
    assert delivery.tables["patient"]["age_years"].to_list() == [90]


@pytest.mark.parametrize("cell", ["feel=SENTENCE", "angle=NUMBER"])
def test_a_sentence_or_a_long_number_stops_the_export(deliver, cell):
    text = long_csv(range_row(1, "25"), range_row(3, "26") + " " + cell)
    text = text.replace("SENTENCE", "wife of the baker").replace("NUMBER", "493012345")
    with pytest.raises(DeliveryError, match="nothing was stored"):
        deliver(text)


def test_rows_out_of_scope_are_counted(deliver):
    delivery = deliver(
        long_csv(range_row(1, "25"), range_row(2, "25", kind="X")), out_of_scope=[{"kind": ["X"]}]
    )
    assert delivery.account["source_row"] == {
        "read": 2, "accepted": 1, "quarantined": 0, "duplicate": 0, "out_of_scope": 1,
    }  # fmt: skip
    assert reasons(delivery) == []


WIDE = {
    "codebook": "wide",
    "clinic": "mill",
    "version": 1,
    "reviewed_by": "data manager",
    "reviewed_on": "2026-01-05",
    "delivery": {"kind": "full", "exported_on": "2026-06-30"},
    "columns": {
        "id": {"field": "patient"},
        "day": {"field": "visit_date", "date_format": "%d/%m/%Y"},
        "side": {"field": "side"},
        "pre": {"field": "angle", "unit": "deg", "zero": "straight_180"},
        "post": {"field": "angle", "unit": "deg", "zero": "straight_180"},
        "lack": {"field": "angle", "unit": "deg", "sign": "lack_is_positive"},
        "tech": {"field": "technique", "codes": {"1": "lateral_distraction"}},
    },
    "records": [
        {"table": "patient"},
        {"table": "visit"},
        {
            "table": "range_test",
            "set": {"phase": "pretest", "definition": "hip_flexion_supine_passive"},
            "take": {"angle": "pre"},
        },
        {
            "table": "range_test",
            "set": {"phase": "retest", "definition": "hip_flexion_supine_passive"},
            "take": {"angle": "post"},
            "where_filled": ["post"],
        },
        {
            "table": "range_test",
            "set": {"phase": "pretest", "definition": "hip_extension_prone_passive"},
            "take": {"angle": "lack"},
            "where_filled": ["lack"],
        },
        {"table": "treatment", "set": {"phase": "treatment"}},
    ],
}


def test_one_row_per_visit_becomes_one_row_per_test(deliver):
    text = (
        "id,day,side,pre,post,lack,tech\n7,03/04/2026,left,70,60,10,1\n8,03/04/2026,right,75,,,1\n"
    )
    delivery = deliver(text, WIDE)
    tests = delivery.tables["range_test"].join(
        delivery.tables["patient"].select("patient", pl.col("source_record").alias("row")),
        on="patient",
    )
    found = (
        tests.sort("row", "event", "definition")
        .select("row", "event", "angle_hundredth_deg")
        .rows()
    )
    # 180 less 70 is 110 of flexion; a lack of extension of 10 is -10.
    assert found == [(1, 1, -1000), (1, 1, 11000), (1, 999, 12000), (2, 1, 10500)]
    assert not tests["order_is_stated"].any()
    assert delivery.tables["treatment"]["event"].to_list() == [2, 2]
    assert reasons(delivery) == []
    # Without visit numbers a visit is a patient on a day.
    assert delivery.tables["visit"].height == 2


def test_a_draft_and_an_unknown_day_are_refused(deliver):
    text = long_csv(range_row(1, "25"))
    with pytest.raises(CodebookError, match="draft"):
        deliver(text, reviewed_by=None)
    with pytest.raises(DeliveryError, match="exported-on"):
        deliver(text, delivery={"kind": "full"})


cells = {
    "angle": st.sampled_from(["25", "30.5", "450", "full", "", ">40"]),
    "hip": st.sampled_from(["L", "R", "", "both"]),
    "seq": st.sampled_from(["1", "2", "3", "0", "x"]),
    "test": st.sampled_from(["IR", "FLEX", "?"]),
    "pain": st.sampled_from(["", "3", "12"]),
    "kind": st.sampled_from(["T", "T", "T", "M", "X"]),
    "day": st.sampled_from(["2026-01-10", "2026-13-01", ""]),
    "age": st.sampled_from(["50", "51", "-3"]),
}
mixtures = st.lists(st.fixed_dictionaries(cells), min_size=1, max_size=12)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(mixtures)
def test_no_fact_is_lost_in_any_mixture(deliver, mixture):
    delivery = deliver(
        long_csv(*(range_row(r.pop("seq"), r.pop("angle"), **r) for r in map(dict, mixture)))
    )
    for table, counts in delivery.account.items():
        assert counts["read"] == sum(n for what, n in counts.items() if what != "read")
        quarantined = delivery.quarantine.filter(pl.col("table") == table).height
        assert counts["quarantined"] == quarantined
        if table != "source_row":
            assert counts["accepted"] == delivery.tables[table].height
    assert delivery.account["source_row"]["read"] == len(mixture)


@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(mixtures, st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(deliver, mixture, shuffler):
    rows = [range_row(r.pop("seq"), r.pop("angle"), **r) for r in map(dict, mixture)]
    shuffled = rows.copy()
    shuffler.shuffle(shuffled)
    one, other = deliver(long_csv(*rows)), deliver(long_csv(*shuffled))
    assert one.account == other.account
    for table, facts in one.tables.items():
        same = other.tables[table].drop("source_record")
        assert facts.drop("source_record").sort(same.columns).equals(same.sort(same.columns))


def test_reading_twice_gives_the_same(deliver):
    text = long_csv(range_row(1, "25"), bout_row(2), range_row(3, "30"))
    one, other = deliver(text), deliver(text)
    for table, facts in one.tables.items():
        assert facts.equals(other.tables[table])
    assert one.raw.equals(other.raw)
    assert LONG["clinic"] == one.clinic
