"""Exports of many shapes become the same canonical facts, and what cannot is quarantined with its reason."""

import json
from pathlib import Path

import polars as pl
import pytest

from pipeline.intake import SignedCodebook, prepare_delivery
from pipeline.reading.export import read_export
from pipeline.store.pseudonym import PseudonymKey
from schemas.codebook import Codebook
from schemas.settings import Settings

KEY = PseudonymKey(bytes(range(32)))
IR = "hip_internal_rotation_supine90_passive"
ER = "hip_external_rotation_supine90_passive"
PRONE_IR = "hip_internal_rotation_prone_passive"
FLEX = "hip_flexion_supine_passive"
HEAD = {
    "codebook": "wide",
    "clinic": "elmgrove",
    "version": 1,
    "reviewed_by": "data manager",
    "reviewed_on": "2026-01-05",
    "delivery": {"kind": "full", "exported_on": "2026-06-30"},
}
WHO = {
    "id": {"field": "patient"},
    "day": {"field": "visit_date", "date_format": "%m/%d/%Y"},
    "side": {"field": "side", "codes": {"L": "left", "R": "right", "B": "both"}},
}
DISTRACTION = {"technique": "lateral_distraction", "phase": "treatment"}


def take(tmp_path: Path, text: str, content: dict, name: str = "export.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return taken(path, content)


def taken(path: Path, content: dict, settings: Settings | None = None):
    book = Codebook.model_validate(HEAD | content)
    reading = read_export(path, book.file, book.places, book.set_aside)
    return prepare_delivery(reading, SignedCodebook(book, repr(book)), settings or Settings(), KEY)


def angles(delivery):
    """Give side, definition, event and degrees of each accepted test, in order."""
    tests = delivery.tables["range_test"]
    rows = tests.select("side", "definition", "event", pl.col("angle_hundredth_deg") / 100)
    return sorted(rows.rows(), key=repr)


def reasons(delivery):
    return sorted(delivery.quarantine.select("source_record", "table", "reason", "column").rows(),
                  key=repr)  # fmt: skip


def wide(**columns):
    return {"columns": WHO | columns}


def rotation(order, **options):
    return {"field": "angle", "unit": "deg", "composite": {"order": order, **options}}


def piece(column, component, **options):
    return {"column": column, "component": component, **options}


def test_a_wide_row_with_composite_cells_yields_a_record_for_each_motion(tmp_path):
    triplet = ["external_rotation", "zero", "internal_rotation"]
    content = wide(before=rotation(triplet), after=rotation(triplet)) | {
        "records": [
            {
                "table": "range_test",
                "each": [
                    {"set": {"definition": definition, "phase": phase},
                     "take": {"angle": piece(column, motion)}}
                    for column, phase in (("before", "pretest"), ("after", "retest"))
                    for definition, motion in ((IR, "internal_rotation"), (ER, "external_rotation"))
                ],
            },
        ]
    }  # fmt: skip
    text = "id,day,side,before,after\nA1,01/31/2026,R,45-0-30,48-0-35\nA2,02/01/2026,L,0-10-20,\n"
    found = take(tmp_path, text, content)
    assert angles(found) == [
        ("left", ER, 1, -10.0),
        ("left", IR, 1, 20.0),
        ("right", ER, 1, 45.0),
        ("right", ER, 999, 48.0),
        ("right", IR, 1, 30.0),
        ("right", IR, 999, 35.0),
    ]
    assert found.quarantine.height == 0
    assert found.account["range_test"]["read"] == 6


def sftr(*records):
    return wide(hip=rotation("sftr")) | {
        "records": [
            {
                "table": "range_test",
                "set": {"definition": d, "phase": "pretest"},
                "take": {"angle": p},
            }
            for d, p in records
        ]
    }


def test_a_motion_that_no_record_takes_is_not_lost_in_silence(tmp_path):
    content = sftr((FLEX, piece("hip", "flexion")))
    text = "id,day,side,hip\nA1,01/31/2026,R,S 0-0-120\nA2,01/31/2026,R,F 45-0-30\n"
    found = take(tmp_path, text, content)
    assert angles(found) == []
    why = "component_undeclared"
    assert reasons(found) == [(1, "range_test", why, "hip"), (2, "range_test", why, "hip")]


def test_a_position_in_the_cell_has_to_be_that_of_the_test(tmp_path):
    both = [(IR, piece("hip", "internal_rotation")), (ER, piece("hip", "external_rotation"))]
    text = "id,day,side,hip\nA1,01/31/2026,R,R(F90) 45-0-30\nA2,01/31/2026,R,R(F0) 45-0-40\n"
    found = take(tmp_path, text, sftr(*both))
    assert angles(found) == [("right", ER, 1, 45.0), ("right", IR, 1, 30.0)]
    assert {(n, why) for n, _, why, _ in reasons(found)} == {(2, "position_differs")}


def test_two_positions_in_one_cell_go_to_two_definitions(tmp_path):
    records = [
        (IR, piece("hip", "internal_rotation", hip_flexion_deg=90)),
        (PRONE_IR, piece("hip", "internal_rotation", hip_flexion_deg=0)),
        (ER, piece("hip", "external_rotation", hip_flexion_deg=90)),
        (
            "hip_external_rotation_prone_passive",
            piece("hip", "external_rotation", hip_flexion_deg=0),
        ),
    ]
    text = "id,day,side,hip\nA1,01/31/2026,R,R(F90) 45-0-30 R(F0) 46-0-41\n"
    assert angles(take(tmp_path, text, sftr(*records))) == [
        ("right", "hip_external_rotation_prone_passive", 1, 46.0),
        ("right", ER, 1, 45.0),
        ("right", PRONE_IR, 1, 41.0),
        ("right", IR, 1, 30.0),
    ]


def test_an_unreadable_composite_costs_its_own_facts_and_no_others(tmp_path):
    content = wide(
        rot=rotation(["internal_rotation", "external_rotation"], separator="/"),
        flex={"field": "angle", "unit": "deg"},
    )
    content["records"] = [
        {"table": "range_test", "set": {"definition": IR, "phase": "pretest"},
         "take": {"angle": piece("rot", "internal_rotation")}},
        {"table": "range_test", "set": {"definition": ER, "phase": "pretest"},
         "take": {"angle": piece("rot", "external_rotation")}},
        {"table": "range_test", "set": {"definition": FLEX, "phase": "pretest"},
         "take": {"angle": "flex"}, "where_filled": ["flex"]},
    ]  # fmt: skip
    text = "id,day,side,rot,flex\nA1,01/31/2026,R,35/40/2,110\nA2,01/31/2026,R,35/x,\n"
    found = take(tmp_path, text, content)
    assert angles(found) == [("right", FLEX, 1, 110.0), ("right", IR, 1, 35.0)]
    assert reasons(found) == [
        (1, "range_test", "composite_unreadable", "rot"),
        (1, "range_test", "composite_unreadable", "rot"),
        (2, "range_test", "words_instead_of_number", "rot"),
    ]


@pytest.mark.parametrize(("rule", "sides"), [("each", ["left", "right"]), ("refuse", [])])
def test_a_row_about_both_sides(tmp_path, rule, sides):
    content = wide(dose={"field": "dose"}) | {
        "records": [{"table": "treatment", "both_sides": rule, "set": DISTRACTION}]
    }
    found = take(tmp_path, "id,day,side,dose\nA1,01/31/2026,B,2x45s\n", content)
    assert found.tables["treatment"]["side"].to_list() == sides
    if not sides:
        assert reasons(found) == [(1, "treatment", "side_unknown", "side")]
    assert found.account["treatment"]["read"] == (2 if sides else 1)


def test_the_word_both_counts_only_where_the_codebook_maps_it(tmp_path):
    content = wide() | {
        "records": [{"table": "treatment", "both_sides": "each", "set": DISTRACTION}]
    }
    found = take(tmp_path, "id,day,side\nA1,01/31/2026,both\nA1,01/31/2026,B\n", content)
    assert found.tables["treatment"].height == 2
    assert reasons(found) == [(1, "treatment", "side_unknown", "side")]


def test_not_tested_is_neither_missing_nor_zero(tmp_path):
    content = wide(ir={"field": "angle", "unit": "deg", "not_tested": ["NT"]}) | {
        "records": [{"table": "range_test", "set": {"definition": IR, "phase": "pretest"}}]
    }
    found = take(
        tmp_path,
        "id,day,side,ir\nA1,01/31/2026,R,NT\nA2,01/31/2026,R,\nA3,01/31/2026,R,0\n",
        content,
    )
    rows = found.tables["range_test"].select("angle_hundredth_deg", "reason_not_done").rows()
    assert sorted(rows, key=repr) == [(0, "not_recorded"), (None, "not_stated")]
    assert reasons(found) == [(2, "range_test", "missing_value", "ir")]


def test_a_percentage_is_of_the_norm_that_is_named_and_of_its_motion(tmp_path):
    percent = {"field": "angle", "unit": "%", "percent_of": "aaos_1965_flexion"}
    content = wide(value=percent, test={"field": "definition"}) | {
        "records": [{"table": "range_test", "set": {"phase": "pretest"}}]
    }
    text = f"id,day,side,value,test\nA1,01/31/2026,R,80,{FLEX}\nA2,01/31/2026,R,80,{IR}\n"
    found = take(tmp_path, text, content)
    # 120 degrees of flexion: AAOS (1965), Joint Motion, committee value, from memory.
    assert angles(found) == [("right", FLEX, 1, 96.0)]
    assert reasons(found) == [(2, "range_test", "norm_differs", "value")]


def test_a_torn_row_is_counted_and_quarantined_with_its_line(tmp_path):
    content = wide(ir={"field": "angle", "unit": "deg"}) | {
        "records": [{"table": "range_test", "set": {"definition": IR, "phase": "pretest"}}]
    }
    rows = [f"A{n},01/31/2026,R,{20 + n % 20}" for n in range(100)]
    rows[41] += ",9"
    found = take(tmp_path, "id,day,side,ir\n" + "\n".join(rows) + "\n", content)
    assert found.account["source_row"] == {
        "read": 100, "accepted": 99, "quarantined": 1, "duplicate": 0, "out_of_scope": 0,
    }  # fmt: skip
    row = found.quarantine.row(0, named=True)
    assert (row["source_record"], row["source_line"], row["reason"]) == (42, 43, "row_torn")
    assert found.tables["range_test"].height == 99
    assert 42 not in found.tables["range_test"]["source_record"]


PARTS = {
    "file": {"format": "delimited"},
    "parts": {
        "people": {
            "file": "people.csv",
            "columns": {
                "pid": {"field": "patient"},
                "sex": {"field": "sex", "codes": {"F": "female", "M": "male"}},
            },
        },
        "visits": {
            "file": "visits.csv",
            "look_up": {"people": {"on": {"person": "pid"}, "take": ["pid"]}},
            "columns": {
                "vid": {"field": "link"},
                "person": {"field": "link"},
                "day": {"field": "visit_date", "date_format": "%Y-%m-%d"},
            },
        },
        "tests": {
            "file": "tests_*.csv",
            "look_up": {"visits": {"on": {"visit": "vid"}}},
            "columns": {
                "visit": {"field": "link"},
                "side": {"field": "side", "codes": {"L": "left", "R": "right"}},
                "ir": {"field": "angle", "unit": "deg"},
            },
        },
    },
    "records": [
        {"table": "patient", "part": "people"},
        {"table": "visit", "part": "visits"},
        {"table": "range_test", "part": "tests", "set": {"definition": IR, "phase": "pretest"}},
    ],
}


def written(folder: Path, **files: str) -> Path:
    folder.mkdir()
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


def test_several_files_are_joined_by_their_keys(tmp_path):
    folder = written(
        tmp_path / "export",
        people="pid,sex\nA1,F\nA2,M\n",
        visits="vid,person,day\nv1,A1,2026-01-10\nv2,A2,2026-01-11\nv3,A9,2026-01-12\n",
        tests_1="visit,side,ir\nv1,L,30\nv2,R,31\n",
        tests_2="visit,side,ir\nv3,R,32\nv4,R,33\n",
    )
    found = taken(folder, PARTS)
    people = found.tables["patient"].select("patient", "sex")
    tests = found.tables["range_test"].join(people, on="patient")
    assert sorted(tests.select("sex", "side", "angle_hundredth_deg").rows()) == [
        ("female", "left", 3000),
        ("male", "right", 3100),
    ]
    assert reasons(found) == [
        (1, "range_test", "look_up_missing", "person"),
        (2, "range_test", "look_up_missing", "visit"),
        (3, "visit", "look_up_missing", "person"),
    ]
    assert found.account["range_test"]["read"] == 4
    assert found.account["source_row"]["read"] == 2 + 3 + 4
    places = found.quarantine.filter(table="range_test").select(
        "source_file", "source_record", "source_line"
    )
    assert sorted(places.rows()) == [("tests_2.csv", 1, 2), ("tests_2.csv", 2, 3)]
    assert sorted(found.tables["range_test"]["source_file"]) == ["tests_1.csv", "tests_1.csv"]


def test_a_key_on_two_different_rows_is_refused_and_on_two_equal_ones_is_not(tmp_path):
    folder = written(
        tmp_path / "export",
        people="pid,sex\nA1,F\nA2,M\n",
        visits="vid,person,day\nv1,A1,2026-01-10\nv1,A2,2026-01-11\nv2,A2,2026-01-11\nv2,A2,2026-01-11\n",
        tests_1="visit,side,ir\nv1,L,30\nv2,R,31\n",
    )
    found = taken(folder, PARTS)
    assert found.tables["range_test"]["angle_hundredth_deg"].to_list() == [3100]
    assert reasons(found) == [(1, "range_test", "look_up_ambiguous", "visit")]


def test_rows_that_are_only_looked_up_and_by_nobody_are_out_of_scope(tmp_path):
    content = PARTS | {"records": PARTS["records"][1:]}
    content["parts"] = PARTS["parts"] | {
        "people": {"file": "people.csv", "columns": {"pid": {"field": "patient"}},
                   "ignore": {"sex": "not needed"}},
    }  # fmt: skip
    folder = written(
        tmp_path / "export",
        people="pid,sex\nA1,F\nA2,M\n",
        visits="vid,person,day\nv1,A1,2026-01-10\n",
        tests_1="visit,side,ir\nv1,L,30\n",
    )
    assert taken(folder, content).account["source_row"] == {
        "read": 3, "accepted": 2, "quarantined": 0, "duplicate": 0, "out_of_scope": 1,
    }  # fmt: skip


def test_a_row_that_is_found_through_a_third_part_is_used(tmp_path):
    """Visits and people yield no record: the tests find the people through the visits."""
    parts = PARTS["parts"] | {
        "people": {"file": "people.csv", "columns": {"pid": {"field": "patient"}},
                   "ignore": {"sex": "not needed"}},
    }  # fmt: skip
    folder = written(
        tmp_path / "export",
        people="pid,sex\nA1,F\nA2,M\nA3,F\n",
        visits="vid,person,day\nv1,A1,2026-01-10\nv2,A2,2026-01-10\n",
        tests_1="visit,side,ir\nv1,L,30\n",
    )
    found = taken(folder, PARTS | {"parts": parts, "records": PARTS["records"][2:]})
    assert found.tables["range_test"]["angle_hundredth_deg"].to_list() == [3000]
    # Out of scope: the second visit, and the people that no test leads to (A2, A3).
    assert found.account["source_row"]["out_of_scope"] == 3
    assert found.account["source_row"]["accepted"] == 1


def test_a_torn_row_of_a_part_that_is_only_looked_up_is_counted(tmp_path):
    content = PARTS | {"records": PARTS["records"][1:]}
    people = {
        "file": "people.csv",
        "columns": {"pid": {"field": "patient"}},
        "ignore": {"sex": "-"},
    }
    content["parts"] = PARTS["parts"] | {"people": people}
    rows = [f"A{n},F" for n in range(40)]
    rows[7] += ",9"
    folder = written(
        tmp_path / "export",
        people="pid,sex\n" + "\n".join(rows) + "\n",
        visits="vid,person,day\nv1,A1,2026-01-10\nv2,A7,2026-01-10\n",
        tests_1="visit,side,ir\nv1,L,30\n",
    )
    found = taken(folder, content)
    assert found.account["source_row"] == {
        "read": 42, "accepted": 3, "quarantined": 1, "duplicate": 0, "out_of_scope": 38,
    }  # fmt: skip
    torn = found.quarantine.filter(table="source_row").row(0, named=True)
    assert (torn["source_file"], torn["source_record"], torn["reason"]) == (
        "people.csv",
        8,
        "row_torn",
    )
    assert reasons(found)[1:] == [(8, "source_row", "row_torn", None)]


def test_the_same_facts_in_four_formats_are_the_same_facts(tmp_path):
    """A table as CSV, workbook, NDJSON and Parquet."""
    rows = [
        ("A1", "01/31/2026", "R", 30.5),
        ("A2", "02/01/2026", "L", 31.0),
        ("A3", "02/02/2026", "L", 9.0),
    ]
    frame = pl.DataFrame(rows, schema=["id", "day", "side", "ir"], orient="row")
    frame.write_csv(tmp_path / "a.csv")
    frame.write_parquet(tmp_path / "a.parquet")
    frame.write_excel(tmp_path / "a.xlsx", worksheet="Tests")
    lines = [json.dumps({"id": i, "day": d, "hip": {"side": s, "ir": a}}) for i, d, s, a in rows]
    (tmp_path / "a.ndjson").write_text("\n".join(lines), encoding="utf-8")
    flat = wide(ir={"field": "angle", "unit": "deg"}) | {
        "records": [
            {"table": "visit"},
            {"table": "range_test", "set": {"definition": IR, "phase": "pretest"}},
        ]
    }
    nested = {
        "columns": {"id": WHO["id"], "day": WHO["day"], "hip.side": WHO["side"],
                    "hip.ir": {"field": "angle", "unit": "deg"}},
        "records": flat["records"],
    }  # fmt: skip
    found = [
        taken(tmp_path / "a.csv", flat),
        taken(tmp_path / "a.xlsx", flat | {"file": {"format": "workbook", "sheet": "Tests"}}),
        taken(tmp_path / "a.ndjson", nested | {"file": {"format": "ndjson"}}),
        taken(tmp_path / "a.parquet", flat | {"file": {"format": "parquet"}}),
    ]
    keep = [c for c in found[0].tables["range_test"].columns if c != "source_file"]
    first = found[0].tables["range_test"].select(keep)
    assert sorted(first["angle_hundredth_deg"]) == [900, 3050, 3100]
    for other in found[1:]:
        assert other.tables["range_test"].select(keep).equals(first)
        assert other.quarantine.height == 0
