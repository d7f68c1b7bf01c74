"""Delimited text: everything is read, or the file is refused with its place and a remedy."""

import csv
import hashlib
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.reading.delimited import RECORD, read_delimited
from schemas.codebook import DelimitedFile
from schemas.errors import DeliveryError


def reading(tmp_path, content, **file):
    path = tmp_path / "export.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_delimited(path, DelimitedFile(**file))


def rows(read):
    return read.frame.drop(RECORD).rows()


def test_every_cell_is_kept_as_text(tmp_path):
    read = reading(tmp_path, "a,b\n007,\n 1 ,NA\n")
    assert rows(read) == [("007", ""), (" 1 ", "NA")]
    assert read.frame[RECORD].to_list() == [1, 2]
    assert read.sha256 == hashlib.sha256(b"a,b\n007,\n 1 ,NA\n").hexdigest()


@pytest.mark.parametrize(
    "content",
    [
        "a;b\r\n1;2\r\n3;4\r\n",
        "a;b\r1;2\r3;4",  # polars alone reads a CR-only file as no rows, silently
        "a;b\n\n1;2\n\n3;4\n\n",
        "\ufeffa;b\n1;2\n3;4",
        'a;b\n"1";2\n3;"4"\n',
        "sep=;\na;b\n1;2\n3;4\n",
    ],
    ids=["crlf", "cr", "blank lines", "byte-order mark", "quoted", "sep line"],
)
def test_other_ways_to_write_the_same_file(tmp_path, content):
    read = reading(tmp_path, content, delimiter=";")
    assert rows(read) == [("1", "2"), ("3", "4")]


def test_encodings_are_decoded_strictly(tmp_path):
    assert rows(reading(tmp_path, "a\nmuskulär\n".encode("cp1252"), encoding="cp1252")) == [
        ("muskulär",)
    ]
    assert rows(reading(tmp_path, "a,b\nä,1\n".encode("utf-16"), encoding="utf-16")) == [("ä", "1")]
    with pytest.raises(DeliveryError) as error:
        reading(tmp_path, "a\nx\nmuskulär\n".encode("cp1252"))
    assert error.value.place == "export.csv, line 3"
    assert "0xe4" in error.value.problem
    assert "cp1252" in error.value.remedy


def test_a_delimiter_or_line_end_inside_quotation_marks_is_text(tmp_path):
    read = reading(tmp_path, 'a,b\n"1,5","two\nlines"\n2,3\n')
    assert rows(read) == [("1,5", "two\nlines"), ("2", "3")]


@pytest.mark.parametrize(
    ("content", "place", "problem", "remedy"),
    [
        ("", "export.csv", "empty", "Export again"),
        (" \n \n", "export.csv", "empty", "Export again"),
        ("a,b\n", "export.csv", "no record", "records in it"),
        # polars null-fills a short record silently; a long one is as bad.
        ("a,b\n1,2\n3\n", "export.csv", "record 2 (1 fields)", "cut-off line"),
        ("a,b\n1,2,3\n", "export.csv", "record 1 (3 fields)", "quotation marks"),
        ('a,b\n"1",2\n3\n', "export.csv", "record 2 (1 fields)", "cut-off line"),
        ("a;b\n1;2\n", "export.csv, line 1", "there is “;”", "delimiter"),
        ("a,a\n1,2\n", "export.csv, line 1", "the name a", "name of its own"),
        ("a,\n1,2\n", "export.csv, line 1", "column 2 has no name", "name"),
        ('a,b\n1,"2\n', "export.csv, about line 2", "do not match", "Close every"),
        (b"a,b\n1,\x00\n", "export.csv", "zero bytes", "utf-16"),
        ("sep=;\na,b\n1,2\n", "export.csv, line 1", "its delimiter is “;”", "codebook says “,”"),
    ],
)
def test_a_file_that_would_lose_something_is_refused(tmp_path, content, place, problem, remedy):
    with pytest.raises(DeliveryError) as error:
        reading(tmp_path, content)
    assert error.value.place == place
    assert problem in error.value.problem
    assert remedy in error.value.remedy


def test_a_missing_file_and_a_folder_are_told_apart(tmp_path):
    with pytest.raises(DeliveryError, match="no such file"):
        read_delimited(tmp_path / "absent.csv", DelimitedFile())
    with pytest.raises(DeliveryError, match="this is a folder"):
        read_delimited(tmp_path, DelimitedFile())


cells = st.text(
    alphabet=st.characters(codec="utf-8", exclude_characters="\x00\r", exclude_categories=["Cs"]),
    max_size=8,
)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(cells, cells, cells), min_size=1, max_size=6), st.sampled_from(",;\t|"))
def test_whatever_a_csv_writer_writes_is_read_back(tmp_path_factory, records, delimiter):
    # The standard library's csv writer is the reference.
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\n", quoting=csv.QUOTE_ALL)
    writer.writerows([("a", "b", "c"), *records])
    read = reading(tmp_path_factory.mktemp("csv"), text.getvalue(), delimiter=delimiter)
    assert rows(read) == records


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_end_in_records_or_a_clear_refusal(tmp_path_factory, content):
    try:
        found = reading(tmp_path_factory.mktemp("bytes"), content).frame.height
    except DeliveryError as error:
        found = len(error.remedy)
    assert found >= 1
