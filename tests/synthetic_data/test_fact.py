"""How many facts a row holds, by hand for small rows."""

import pytest

from schemas.codebook import Codebook
from synthetic_data.codebook import codebook_text, read_codebook
from synthetic_data.fact import facts_from, n_facts
from synthetic_data.wide_export import wide_codebook


def layout(clinic, part="rows"):
    return read_codebook(codebook_text(clinic)).layouts[part]


def test_an_empty_composite_cell_holds_no_test():
    wide = read_codebook(wide_codebook()).layout
    row = dict.fromkeys(wide.own) | {"Hip": "left", "ROT before": "45-0-30", "S after": "S 5-0-90"}
    assert facts_from(wide, row, "ROT before") == ["range_test"] * 2
    assert facts_from(wide, row, "S before") == []
    assert facts_from(wide, row, "Pain after") == ["range_test"] * 2
    assert facts_from(wide, row, "IR feel after") == []  # internal rotation was not retested
    assert sorted(facts_from(wide, row, "Hip")) == ["joint_episode", *["range_test"] * 4]
    assert facts_from(wide, row | {"Technique": "inf glide"}, "Dose") == ["treatment"]


def test_a_number_that_finds_no_visit_costs_what_is_looked_up():
    rotation = layout("lindeveen", "rotatie")
    row = dict.fromkeys(rotation.own) | {"Bezoek": "9", "Hoek voor": "30", "Hoek na": "32"}
    assert facts_from(rotation, row, "Bezoek") == ["range_test"] * 2
    assert facts_from(rotation, row | {"Hoek na": None}, "Bezoek") == ["range_test"]


@pytest.mark.parametrize(("side", "n"), [("L", 1), ("B", 2)])
def test_a_row_for_both_sides_is_two_facts_where_the_codebook_says_each(side, n):
    treatments = layout("brackwell", "treatments")
    row = dict.fromkeys(treatments.own) | {"side": side}
    assert facts_from(treatments, row, "grade") == ["treatment"] * n
    tests = layout("brackwell", "tests")
    row = dict.fromkeys(tests.own) | {"side": side, "angle_deg": "30"}
    assert facts_from(tests, row, "side") == ["range_test"]


def test_a_word_for_missing_is_no_value_and_not_tested_is_one():
    content = {
        "codebook": "small",
        "clinic": "c",
        "version": 1,
        "delivery": {"kind": "full"},
        "file": {"missing": ["?"]},
        "columns": {
            "id": {"field": "patient"},
            "v": {"field": "visit"},
            "s": {"field": "side", "codes": {"L": "left"}},
            "a": {"field": "angle", "unit": "deg", "not_tested": ["NT"]},
        },
        "records": [
            {
                "table": "range_test",
                "where_filled": ["a"],
                "set": {"definition": "hip_flexion_supine_passive", "phase": "pretest"},
            }
        ],
    }
    small = Codebook.model_validate(content).layout
    row = {"id": "1", "v": "1", "s": "L"}
    counts = [len(facts_from(small, row | {"a": cell}, "a")) for cell in ("30", "NT", "?", None)]
    assert counts == [1, 1, 0, 0]


def test_a_condition_on_an_empty_cell_does_not_hold():
    import polars as pl

    events = layout("harbour")
    frame = pl.DataFrame({h: ["T", None] if h == "Row" else [None, None] for h in events.own})
    record = next(r for r in events.records if r.table == "range_test")
    assert frame.select(n_facts(events, record)).to_series().to_list() == [1, 0]
