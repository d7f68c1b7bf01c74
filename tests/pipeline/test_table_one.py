"""Table 1: patients, each once a column, with standardised differences."""

import polars as pl
import pytest

from pipeline.table_one import build_table_one


def pairs(rows):
    usual = {
        "clinic": "c", "visit": "v", "visit_number": 1, "side": "left", "definition": "d", "instrument": "i",
        "age_years": None, "duration_weeks": None, "pain_before": None, "sex": "not_recorded",
        "condition": "not_recorded", "activity": "not_recorded", "pretest_deg": 20.0,
    }  # fmt: skip
    kinds = {"age_years": pl.Int64, "duration_weeks": pl.Float64, "pain_before": pl.Float64}
    return pl.DataFrame([usual | row for row in rows], schema_overrides=kinds)


ROWS = [
    {
        "patient": "1",
        "level": "a",
        "pretest_deg": 30.0,
        "visit_number": 2,
        "age_years": 40,
        "sex": "female",
    },
    {
        "patient": "1",
        "level": "a",
        "pretest_deg": 10.0,
        "visit_number": 1,
        "age_years": 40,
        "sex": "female",
    },
    {"patient": "2", "level": "a", "pretest_deg": 20.0, "age_years": 60, "sex": "male"},
    {"patient": "3", "level": "b", "pretest_deg": 40.0, "age_years": 50, "sex": "male"},
    {"patient": "4", "level": "b", "pretest_deg": 44.0, "sex": "male"},
    {"patient": "1", "level": "b", "pretest_deg": 12.0, "age_years": 40, "sex": "female"},
]


@pytest.fixture
def rows():
    table = build_table_one(pairs(ROWS), ("a", "b"), ("A", "B"))
    return {row.label: row for row in table.rows}, table


def values(row):
    return [cell.value for cell in row.cells]


def test_patients_are_counted_once_a_column(rows):
    found, table = rows
    assert table.columns == ("A", "B")
    assert values(found["Patients"]) == [2, 3]


def test_each_patient_stands_at_the_first_visit(rows):
    pretest = rows[0]["Pretest"]
    assert values(pretest) == [15.0, 32.0]  # 10 and 20; 40, 44 and 12
    assert pretest.cells[0].sd == 7.07107
    # (15 - 32) / sqrt((7.0711^2 + 17.4356^2) / 2), worked by hand.
    assert pretest.standardised_difference.value == pytest.approx(-1.27781, abs=1e-4)


def test_what_is_missing_has_a_row_of_its_own_and_what_nobody_has_is_said(rows):
    found, table = rows
    assert values(found["Age"]) == [50.0, 45.0]
    assert values(found["Age: not recorded"]) == [0, 1]
    assert "Activity" not in {row.heading for row in table.rows}
    assert "Not recorded for anyone: duration of the complaint" in table.note


def test_categories_are_shares_of_the_column(rows):
    women = rows[0]["women"]
    assert values(women) == [1, 1]
    assert [cell.base for cell in women.cells] == [2, 3]
