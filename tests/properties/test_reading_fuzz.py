"""Whatever bytes arrive, reading ends in rows that are all accounted for, or in a clear refusal.

``ARCGAIN_FUZZ=long`` runs many more examples, other ones each time.
"""

import csv
import io
import json
import os
import zipfile

import openpyxl
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.coded import is_text
from pipeline.reading.delimited import read_delimited
from pipeline.reading.ndjson import read_ndjson
from pipeline.reading.parquet import read_parquet
from pipeline.reading.reading import LINE, RECORD, TORN
from pipeline.reading.workbook import read_workbook
from schemas.errors import DeliveryError
from schemas.export_file import DelimitedFile, Place

IS_LONG = os.environ.get("ARCGAIN_FUZZ") == "long"
settings.register_profile(
    "long",
    max_examples=5000,
    derandomize=False,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
LONG_OR_STATED = settings(
    settings.get_profile("long") if IS_LONG else settings.get_profile("stated")
)
FEW = settings(LONG_OR_STATED, max_examples=5000 if IS_LONG else 60)


def workbook_bytes():
    book = openpyxl.Workbook()
    book.active.append(["id", "angle", "day"])
    for n in range(5):
        book.active.append([f"A{n}", 30 + n / 2, "=1+1"])
    target = io.BytesIO()
    book.save(target)
    return target.getvalue()


def parquet_bytes():
    target = io.BytesIO()
    frame = pl.DataFrame({"id": ["A", None, "B"] * 9, "angle": [30.0, 31.5, None] * 9})
    frame.write_parquet(target, statistics=False)
    return target.getvalue()


VALID = {
    "delimited": b'id,angle,note\nA,30,"x\ny"\nB,31,\n\nC,"3,5",""""\n' * 2,
    "ndjson": b'{"id": "A", "t": [{"a": 0.10}, {"a": null}], "o": {"b": [1, 2]}}\n' * 3,
    "workbook": workbook_bytes(),
    "parquet": parquet_bytes(),
}
READERS = {
    "delimited": lambda received, **file: read_delimited(received, "x", DelimitedFile(**file)),
    "ndjson": lambda received: read_ndjson(received, "x", {"a": None, "b": "t"})["b"],
    "workbook": lambda received: read_workbook(received, "x", {"a": Place()})["a"],
    "parquet": lambda received: read_parquet(received, "x"),
}


def check(name, received, **options):
    """Read; a part must be whole in itself, a refusal must say something."""
    try:
        part = READERS[name](received, **options)
    except DeliveryError as error:
        refused = error
    else:
        refused = None
    if refused is not None:
        assert refused.problem
        assert refused.remedy
        return None
    frame, torn = part.frame, part.torn
    assert frame.columns[-2:] == [RECORD, LINE]
    assert all(is_text(kind) for kind in frame.drop(RECORD, LINE).dtypes)
    assert sum(frame.null_count().row(0)) == 0
    assert torn.schema == TORN
    numbers = sorted([*frame[RECORD], *torn[RECORD]])
    assert numbers == list(range(1, part.n_rows + 1))  # no row is lost, none counted twice
    assert frame[RECORD].is_sorted()
    assert frame[LINE].is_sorted()
    assert part.n_rows >= 1
    return part


changes = st.lists(
    st.tuples(
        st.sampled_from(["set", "cut", "repeat", "insert"]),
        st.integers(0, 2**20),
        st.binary(min_size=1, max_size=4)
        | st.sampled_from([b'"', b"\n", b"\r", b",", b"\0", b"\xff"]),
    ),
    max_size=4,
)


def mutated(received, edits):
    for kind, number, new in edits:
        at = number % (len(received) + 1)
        match kind:
            case "set":
                received = received[:at] + new + received[at + len(new) :]
            case "cut":
                received = received[:at] if at % 3 else received[:at] + received[at + at % 97 :]
            case "repeat":
                received = received[:at] + received[max(at - 50, 0) :]
            case "insert":
                received = received[:at] + new + received[at:]
    return received


@pytest.mark.parametrize("name", READERS)
def test_the_file_that_is_changed_is_read_before(name):
    assert check(name, VALID[name]).n_rows >= 3


@pytest.mark.parametrize("name", READERS)
@FEW
@given(received=st.binary(max_size=300))
def test_any_bytes(name, received):
    check(name, received)


@pytest.mark.parametrize("name", READERS)
@FEW
@given(edits=changes)
def test_a_valid_file_that_was_changed(name, edits):
    check(name, mutated(VALID[name], edits))


@FEW
@given(st.text("ab,;\"'\n\r\t x\ufeff\u2028é", max_size=80), st.sampled_from([",", ";", "\t", " "]))
def test_any_text_as_delimited(text, delimiter):
    part = check("delimited", text.encode(), delimiter=delimiter)
    if part is None or part.torn["value"].str.contains("cut off").any():
        return
    # The csv module is the reference: as many records as it finds below the first that is not blank.
    lines = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    spaces = " \t".replace(delimiter, "")
    header = next(at for at, line in enumerate(lines) if line.strip(spaces))
    body = io.StringIO("\n".join(lines[header + 1 :]), newline="\n")
    found = [row for row in csv.reader(body, delimiter=delimiter, strict=True) if row]
    n_blank = sum(len(row) == 1 and not row[0].strip(spaces) and row[0] != "" for row in found)
    assert len(found) - n_blank <= part.n_rows <= len(found)


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=3),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["t", "a", "a.b", "", " "]) | st.text(max_size=2), inner, max_size=3
        )
    ),
    max_leaves=8,
)


@FEW
@given(st.lists(values, min_size=1, max_size=5))
def test_any_json_by_line(records):
    received = "\n".join(map(json.dumps, records)).encode()
    part = check("ndjson", received)
    if part is not None:
        whole = read_ndjson(received, "x", {"a": None})["a"]
        assert whole.n_rows == len(records)


@FEW
@given(st.sampled_from(sorted(zipfile.ZipFile(io.BytesIO(VALID["workbook"])).namelist())), changes)
def test_a_workbook_with_a_changed_part(part, edits):
    source, target = zipfile.ZipFile(io.BytesIO(VALID["workbook"])), io.BytesIO()
    with zipfile.ZipFile(target, "w") as container:
        for entry in source.namelist():
            content = source.read(entry)
            container.writestr(entry, mutated(content, edits) if entry == part else content)
    check("workbook", target.getvalue())
