"""Delimited text: everything is read, a torn row is counted, or the file is refused with a remedy."""

import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.reading.delimited import read_delimited
from pipeline.reading.reading import LINE, RECORD
from schemas.errors import DeliveryError
from schemas.export_file import DelimitedFile

TEN = "".join(f"{n},x\n" for n in range(1, 11))


def reading(content, header_row=None, **file):
    received = content if isinstance(content, bytes) else content.encode()
    return read_delimited(received, "export.csv", DelimitedFile(**file), header_row)


def rows(read):
    return read.frame.drop(RECORD, LINE).rows()


def test_every_cell_is_kept_as_text():
    read = reading("a,b\n007,\n 1 ,NA\n")
    assert rows(read) == [("007", ""), (" 1 ", "NA")]
    assert read.frame[RECORD].to_list() == [1, 2]
    assert read.frame[LINE].to_list() == [2, 3]
    assert (read.place, read.n_rows, read.torn.height) == ("export.csv", 2, 0)


@pytest.mark.parametrize(
    ("content", "lines"),
    [
        ("a;b\r\n1;2\r\n3;4\r\n", [2, 3]),
        ("a;b\r1;2\r3;4", [2, 3]),  # polars alone reads a CR-only file as no rows, silently
        ("a;b\r\n1;2\n3;4\r", [2, 3]),
        ("\n a;b\n\n1;2\n  \n\n3;4\n\n", [4, 7]),
        ('"a";b\n\n"1";2\n\n3;4\n\n', [3, 5]),
        ("\ufeffa;b\n1;2\n3;4", [2, 3]),
        ('a;b\n"1";2\n3;"4"\n', [2, 3]),
        ("sep=;\na;b\n1;2\n3;4\n", [3, 4]),
        ("\ufeffsep=;\r\na;b\r\n1;2\r\n3;4\r\n", [3, 4]),
    ],
    ids=["crlf", "cr", "mixed", "blank", "blank, quoted", "mark", "quoted", "sep", "mark and sep"],
)
def test_other_ways_to_write_the_same_file(content, lines):
    read = reading(content, delimiter=";")
    assert rows(read) == [("1", "2"), ("3", "4")]
    assert read.frame.columns == ["a", "b", RECORD, LINE]
    assert read.frame[LINE].to_list() == lines


def test_a_line_of_delimiters_is_a_record_even_where_they_are_tabs():
    assert rows(reading("a\tb\n\t\n1\t2\n", delimiter="\t")) == [("", ""), ("1", "2")]


def test_lines_above_the_header_are_a_title():
    text = 'Report, made "by hand\n\nid,angle\nA,1\n'
    assert rows(reading(text, header_row=3)) == [("A", "1")]
    assert reading(text, 3).frame[LINE].to_list() == [4]
    with pytest.raises(DeliveryError, match="header is on line 9, but there are only"):
        reading(text, header_row=9)


def test_encodings_are_decoded_strictly():
    assert rows(reading("a\nmuskulär\n".encode("cp1252"), encoding="cp1252")) == [("muskulär",)]
    with pytest.raises(DeliveryError) as error:
        reading(b"a\nx\nmuskul\xe4r\n")
    assert error.value.place == "export.csv, line 3"
    assert "0xe4" in error.value.problem
    assert "cp1252" in error.value.remedy


@pytest.mark.parametrize(
    ("codec", "declared"),
    [
        ("utf-16", "utf-16"),
        ("utf-16-le", "utf-16-le"),
        ("utf-16-be", "UTF_16_BE"),
        ("utf-32", "utf-32"),
        ("utf-8-sig", "utf-8"),
        ("utf-8-sig", "utf-8-sig"),
        ("latin-1", "latin-1"),
    ],
)
def test_wide_encodings(codec, declared):
    read = reading("a,b\r\nä,1\r\n".encode(codec), encoding=declared)
    assert (rows(read), read.frame[LINE].to_list()) == ([("ä", "1")], [2])


@pytest.mark.parametrize(
    ("content", "declared", "problem"),
    [
        ("a,b\n1,2\n".encode("utf-16"), "utf-8", "mark of utf-16-le, but the codebook says utf-8"),
        ("a,b\n1,2\n".encode("utf-8-sig"), "cp1252", "mark of utf-8, but the codebook says cp1252"),
        ("a,b\n1,2\n".encode("utf-16"), "utf-16-be", "mark of utf-16-le, but"),
        ("a,b\n1,2\n".encode("utf-16-le"), "utf-16", "no byte-order mark"),
        ("a,b\n1,2\n".encode("utf-16-le"), "utf-8", "zero bytes"),
        ("a,b\n1,2\n".encode("utf-16-le")[:-1], "utf-16-le", "not text in the encoding"),
        (b"a,b\n1,\xed\xa0\x80\n", "utf-8", "byte 0xed is not text"),  # half of a surrogate pair
        (b"a,b\n1,+2AA-\n", "utf-7", "is not text in the encoding utf-7"),
    ],
)
def test_a_mark_or_byte_that_contradicts_the_encoding(content, declared, problem):
    with pytest.raises(DeliveryError) as error:
        reading(content, encoding=declared)
    assert problem in error.value.problem


def test_a_delimiter_or_line_end_inside_quotation_marks_is_text():
    read = reading('a,b\n"1,5","two\nlines"\n2,3\n"say ""yes""",""\n')
    assert rows(read) == [("1,5", "two\nlines"), ("2", "3"), ('say "yes"', "")]
    assert read.frame[LINE].to_list() == [2, 4, 5]


def test_a_mark_inside_a_cell_that_is_not_quoted_is_text():
    # As in the csv module of the standard library.
    read = reading('a,b\n5" tall,x\n"1\n2",3\n\n4, "y"\n')
    assert rows(read) == [('5" tall', "x"), ("1\n2", "3"), ("4", ' "y"')]
    assert read.frame[LINE].to_list() == [2, 3, 6]


@pytest.mark.parametrize("start", ["x^a", "x\x01a", "xœa"])
def test_a_header_that_looks_compressed_to_polars(start):
    assert reading(f"{start},b\n1,2\n").frame.columns[:2] == [start, "b"]
    assert rows(reading(f"{start},b\n1,2\n")) == [("1", "2")]


def test_a_second_byte_order_mark_is_text():
    assert rows(reading("a,b\n\ufeff1,2\n")) == [("\ufeff1", "2")]


@pytest.mark.parametrize("quote", ["", '"', "'odd"], ids=["plain", "quoted", "odd"])
@pytest.mark.parametrize(
    ("bad", "value"), [("1,2,3", "3 cells instead of 2"), ("1", "1 cells instead of 2")]
)
def test_a_ragged_row_costs_itself_alone(quote, bad, value):
    first = {"": "0,y\n", '"': '"0\n0",y\n', "'odd": '0"0,y\n'}[quote]
    read = reading(f"a,b\n{first}{bad}\n{TEN}")
    cells = {"": "0", '"': "0\n0", "'odd": '0"0'}[quote]
    assert rows(read) == [(cells, "y"), *((str(n), "x") for n in range(1, 11))]
    assert read.frame[RECORD].to_list() == [1, *range(3, 13)]
    at = 4 if quote == '"' else 3
    assert read.torn.rows() == [(2, at, "row_torn", value)]
    assert read.frame[LINE].to_list() == [2, *range(at + 1, at + 11)]
    assert read.n_rows == 12


def test_a_file_cut_off_in_its_last_line():
    assert reading(f"a,b\n{TEN}1").torn.rows() == [(11, 12, "row_torn", "1 cells instead of 2")]
    cut = reading(f'a,b\n{TEN}1,"begun')
    assert cut.torn.rows() == [(11, 12, "row_torn", "cut off inside quotation marks")]
    assert len(rows(cut)) == 10


def test_many_ragged_rows_are_a_wrong_delimiter():
    # 3 are always allowed; 4 of 80 are 5 %, 4 of 79 are more.
    good = "1,2\n"
    assert reading("a,b\n" + "1\n" * 3 + good).torn.height == 3
    assert reading("a,b\n" + "1\n" * 4 + good * 76).torn.height == 4
    with pytest.raises(DeliveryError) as error:
        reading("a,b\n" + "secret\n" * 4 + good * 75)
    assert "4 of 79 records differ: record 1 (line 2): 1 cells instead of 2" in error.value.problem
    assert "secret" not in str(error.value)


@pytest.mark.parametrize(
    ("content", "place", "problem", "remedy"),
    [
        ("a,b\n", "export.csv", "no record", "records in it"),
        ("a,b", "export.csv", "no record", "records in it"),
        ("a,b\n1,2,3\n", "export.csv", "1 of 1 records differ", "quotation marks"),
        ("a;b\n1;2\n", "export.csv, line 1", "there is “;”", "delimiter"),
        ("a\tb\n1\t2\n", "export.csv, line 1", "there is a tab", "delimiter"),
        ("a,b,a\n1,2,3\n", "export.csv, line 1", "the name a (columns 1, 3)", "name of its own"),
        ("a,,\n1,2,3\n", "export.csv, line 1", "column 2, 3 has no name", "name"),
        ("a,source_line\n1,2\n", "export.csv, line 1", "source_line is kept", "another name"),
        ('a,"b\n1,2\n', "export.csv, line 1", "open quotation mark", "plain headers"),
        ('a,"b"c"d"\n1,2\n', "export.csv, line 1", "do not match", "plain headers"),
        ('a,b\n3,4\n1,"2\n', "export.csv, about line 3", "do not match", "Close every"),
        ('a,b\n3,4\n"1"x,2\n', "export.csv, about line 3", "do not match", "Close every"),
        (b"a,b\n1,\x00\n", "export.csv", "zero bytes", "utf-16"),
        ("sep=;\na,b\n1,2\n", "export.csv, line 1", "its delimiter is “;”", "codebook says “,”"),
        (",".join(map(str, range(10_001))), "export.csv, line 1", "10000 columns", "delimiter"),
        (",".join(map(str, range(10**5))), "export.csv, line 1", "10000 columns", "delimiter"),
        (b"PK\x03\x04xl/workbook.xml", "export.csv", "this is a workbook", "format: workbook"),
        (b"PK\x03\x04a.csv", "export.csv", "compressed file (zip)", "Unpack"),
        (b"%PDF-1.7\n", "export.csv", "PDF", "export the records"),
        (b"\n <!DOCTYPE html><table>", "export.csv", "HTML", "export the records"),
        (b"PAR1\x00", "export.csv", "Parquet", "format: parquet"),
    ],
)
def test_a_file_that_would_lose_something_is_refused(content, place, problem, remedy):
    with pytest.raises(DeliveryError) as error:
        reading(content)
    assert error.value.place == place
    assert problem in error.value.problem
    assert remedy in error.value.remedy


def test_a_quotation_mark_is_no_delimiter():
    with pytest.raises(DeliveryError, match="cannot be the delimiter"):
        reading("a\n1\n", delimiter='"')


def test_a_cell_of_ten_megabytes_and_ten_thousand_columns():
    long = "x" * 10 * 1024**2
    assert rows(reading(f"a,b\n1,{long}\n")) == [("1", long)]
    header = ",".join(f"c{n}" for n in range(10_000))
    assert reading(f"{header}\n{',' * 9_999}\n").frame.shape == (1, 10_002)


def test_records_are_found_across_the_blocks_of_the_scan():
    # Blocks have 262,144 bytes; the csv module is the reference.
    text = "a,b\n" + "".join(f'"{"x" * (n % 97)}\n""q""",{n}\n' for n in range(20_000))
    assert len(text) > 4 * 262_144
    expected = [tuple(row) for row in csv.reader(io.StringIO(text))][1:]
    read = reading(text)
    assert rows(read) == expected
    assert read.frame[LINE].to_list() == list(range(2, 40_002, 2))


cells = st.text(
    alphabet=st.characters(codec="utf-8", exclude_characters="\x00\r", exclude_categories=["Cs"]),
    max_size=8,
)


@settings(max_examples=60)
@given(
    st.lists(st.tuples(cells, cells, cells), min_size=1, max_size=6),
    st.sampled_from(",;\t|"),
    st.sampled_from([csv.QUOTE_ALL, csv.QUOTE_MINIMAL]),
)
def test_whatever_a_csv_writer_writes_is_read_back(records, delimiter, quoting):
    # The standard library's csv writer is the reference.
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\n", quoting=quoting)
    writer.writerows([("a", "b", "c"), *records])
    assert rows(reading(text.getvalue(), delimiter=delimiter)) == records


ragged = st.lists(st.text("ab,\"'\n x", max_size=6), min_size=1, max_size=5)


@settings(max_examples=150)
@given(st.lists(ragged, min_size=1, max_size=12))
def test_every_record_written_is_read_or_torn(records):
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n", quoting=csv.QUOTE_ALL)
    writer.writerows([("a", "b"), *records])
    is_whole = [len(record) == 2 for record in records]
    n_torn = is_whole.count(False)
    if n_torn == len(records) or (n_torn > 3 and n_torn > 0.05 * len(records)):
        with pytest.raises(DeliveryError, match="records differ"):
            reading(text.getvalue())
        return
    read = reading(text.getvalue())
    assert read.n_rows == len(records)
    assert rows(read) == [tuple(record) for record in records if len(record) == 2]
    assert read.torn[RECORD].to_list() == [n for n, whole in enumerate(is_whole, 1) if not whole]
