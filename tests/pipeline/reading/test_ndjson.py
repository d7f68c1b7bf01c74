"""NDJSON: values as they are written, lists as parts, and a bad line costs itself alone."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.reading.ndjson import read_ndjson
from pipeline.reading.reading import LINE, RECORD
from schemas.errors import DeliveryError


def reading(content, rows=None):
    received = content if isinstance(content, bytes) else content.encode()
    return read_ndjson(received, "export.ndjson", {"rows": rows})["rows"]


def cells(part):
    return part.frame.drop(RECORD, LINE).to_dicts()


def test_values_are_text_as_they_are_written():
    line = '{"a": 0.10, "b": 1e5, "c": -0, "d": true, "e": null, "f": "007", "g": [1.0, "x", null]}'
    huge = "9" * 5000  # beyond the digits that Python reads as a number
    part = reading(f'{line}\r\n\r\n{{"b": {huge}, "h": {{"side": "L"}}}}')
    assert cells(part) == [
        {
            "a": "0.10",
            "b": "1e5",
            "c": "-0",
            "d": "true",
            "e": "",
            "f": "007",
            "g": "1.0;x;",
            "h.side": "",
        },
        {"a": "", "b": huge, "c": "", "d": "", "e": "", "f": "", "g": "", "h.side": "L"},
    ]
    assert part.frame[LINE].to_list() == [1, 3]
    assert part.frame[RECORD].to_list() == [1, 2]
    assert part.place == "export.ndjson"


def test_a_key_with_a_dot_is_not_taken_for_a_path():
    part = reading('{"a": {"b": "1"}}\n{"a.b": "2"}\n{"a": {"b": "3"}}')
    assert cells(part) == [{"a.b": "1"}, {"a.b": "3"}]
    assert part.torn[LINE].to_list() == [2]


def test_more_rows_than_are_put_in_a_frame_at_once():
    lines = [{"a": str(n)} | ({"b": "x"} if n == 4500 else {}) for n in range(5000)]
    part = reading("\n".join(map(json.dumps, lines)))
    assert part.frame["a"].to_list() == [str(n) for n in range(5000)]
    assert part.frame["b"].to_list() == ["x" if n == 4500 else "" for n in range(5000)]


NESTED = (
    '{"patient": {"id": "A1"}, "visits": [{"day": "2026-01-10", "tests": [{"angle": 30},'
    ' {"angle": 31}], "bouts": [{"grade": "III"}]}, {"day": "2026-01-12", "tests": []}]}\n'
    '{"patient": {"id": "A2"}, "visits": []}\n'
    '{"patient": {"id": "A3"}}\n'
)


def test_the_items_of_a_list_are_rows_with_the_fields_around_them():
    parts = read_ndjson(
        NESTED.encode(),
        "export.ndjson",
        {"patient": None, "visit": "visits", "test": "visits.tests", "bout": "visits.bouts"},
    )
    assert cells(parts["patient"]) == [{"patient.id": f"A{n}"} for n in (1, 2, 3)]
    assert cells(parts["visit"]) == [
        {"patient.id": "A1", "visits.day": "2026-01-10"},
        {"patient.id": "A1", "visits.day": "2026-01-12"},
    ]
    around = {"patient.id": "A1", "visits.day": "2026-01-10"}
    assert cells(parts["test"]) == [
        around | {"visits.tests.angle": "30"},
        around | {"visits.tests.angle": "31"},
    ]
    assert cells(parts["bout"]) == [around | {"visits.bouts.grade": "III"}]
    assert parts["test"].place == "export.ndjson, list visits.tests"
    assert parts["test"].frame[RECORD].to_list() == [1, 2]
    assert parts["test"].frame[LINE].to_list() == [1, 1]


def test_a_list_of_objects_that_is_no_part_is_not_dropped():
    assert cells(reading(NESTED, "visits.tests"))[0]["visits.bouts"] == "[1 objects]"
    assert cells(reading('{"a": 1, "b": [{}, {}], "c": [[1]]}'))[0] == {
        "a": "1",
        "b": "[2 objects]",
        "c": "[1 objects]",
    }


@pytest.mark.parametrize(
    ("line", "value"),
    [
        (b'{"a": "\xff"}', "not valid UTF-8"),
        (b'{"a": 1', "not valid JSON"),
        (b'{"a": 1} {"a": 2}', "not valid JSON"),
        (b'{"a": NaN}', "NaN or Infinity"),
        (b'{"a": -Infinity}', "NaN or Infinity"),
        (b"[1]", "not a JSON object"),
        (b"7", "not a JSON object"),
        (b'{"a": 1, "a": 2}', "a key stands twice"),
        (b'{"b": {"c": 1, "c": 1}}', "a key stands twice"),
        (b'{"a.b": 1}', "a dot"),
        (b'{" ": 1}', "empty"),
        (b'{"a": "\\ud800"}', "no text"),
        (b'{"\\uDC00": 1}', "no text"),
        (b'{"a": ["x\\u0000"]}', "no text"),
        (b'{"a": "\x00"}', "not valid JSON"),
        (b'{"a": "' + b"x" * 10 * 1024**2 + b'"}', "more than 1 MB"),
        (b'{"a": [' + b'"' + b"x" * 1024**2 + b'", 1]}', "more than 1 MB"),
        (b'{"a":' * 40 + b"1" + b"}" * 40, "deeper than 32"),
        (b'{"a":' * 10**5 + b"1" + b"}" * 10**5, "deeper than 32"),
        (b"[" * 10**5, "deeper than 32"),
    ],
)
def test_a_bad_line_costs_itself_alone(line, value):
    part = reading(b'{"a": "1"}\n' + line + b'\n{"a": "\\ud83d\\ude00"}\n')  # a whole pair is text
    assert cells(part) == [{"a": "1"}, {"a": "\N{GRINNING FACE}"}]
    assert part.frame[RECORD].to_list() == [1, 3]
    assert part.torn.select(RECORD, LINE, "reason").rows() == [(2, 2, "line_unreadable")]
    assert value in part.torn["value"].item()
    assert part.n_rows == 3


@pytest.mark.parametrize("items", ["[1]", "{}", '"x"', "[null]"])
def test_what_is_no_list_of_objects_costs_its_line(items):
    part = reading('{"t": [{"a": 1}]}\n{"t": ' + items + "}\n", "t")
    assert part.torn[LINE].to_list() == [2]
    assert cells(part) == [{"t.a": "1"}]


@pytest.mark.parametrize(
    ("content", "rows", "problem", "remedy"),
    [
        ('[\n{"a": 1}\n]', None, "one JSON list", "JSON Lines"),
        ('{\n  "a": 1,\n  "b": 2\n}\n', None, "no line could be read", "on one line"),
        ("a,b\n1,2\n", None, "no line could be read", "JSON Lines"),
        ('{"a": 1}\r{"a": 2}', None, "no line could be read", "JSON Lines"),
        ('{"a": 1}\n'.encode("utf-16"), None, "mark of utf-16-le", "utf-8"),
        ('{"a": 1}\n'.encode("utf-16-le"), None, "no line could be read", "UTF-8"),
        ('{"a": 1, "test": 2}', "tests", "“tests”; nearest: test", "Correct"),
        ('{"tests": []}', "tests", "no row", "Export again"),
        ("{}", None, "no row has a column", "Export again"),
        ('{"source_line": 1}', None, "source_line is kept", "another name"),
        (
            json.dumps(dict.fromkeys(map(str, range(10**5)), 1)),
            None,
            "100000 different keys",
            "Keys",
        ),
        (b"PK\x03\x04xl/workbook.xml", None, "this is a workbook", "format: workbook"),
    ],
)
def test_a_file_that_is_no_ndjson_is_refused(content, rows, problem, remedy):
    with pytest.raises(DeliveryError) as error:
        reading(content, rows)
    assert problem in error.value.problem
    assert remedy in error.value.remedy


plain = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=5)
)


@settings(max_examples=60)
@given(
    st.lists(st.dictionaries(st.sampled_from("abcd"), plain, min_size=1), min_size=1, max_size=6)
)
def test_every_line_written_is_read_back(records):
    # The standard library's json writer is the reference.
    part = reading("\n".join(map(json.dumps, records)))
    texts = {None: "", True: "true", False: "false"}
    for found, record in zip(cells(part), records, strict=True):
        expected = {
            key: texts[value] if value is None or isinstance(value, bool) else str(value)
            for key, value in record.items()
        }
        assert {key: value for key, value in found.items() if value} == {
            key: value for key, value in expected.items() if value
        }


def test_an_object_that_a_row_holds_as_null_is_no_column_of_its_own():
    part = reading('{"id": "1", "after": {"ir": 30}}\n{"id": "2", "after": null}')
    assert cells(part) == [{"id": "1", "after.ir": "30"}, {"id": "2", "after.ir": ""}]
    told = reading('{"id": "1", "after": {"ir": 30}}\n{"id": "2", "after": "none"}')
    assert "after" in told.frame.columns  # a value where an object belongs is not dropped
