"""Exports of one file and of a folder: parts by place, nothing passed over, one hash of everything."""

import hashlib
import os

import polars as pl
import pytest
import xlsxwriter

from pipeline.reading.export import read_export
from pipeline.reading.reading import LINE, RECORD
from schemas.errors import DeliveryError
from schemas.export_file import (
    ROWS,
    DelimitedFile,
    JsonLines,
    ParquetFile,
    Place,
    Workbook,
)

ONE = {ROWS: Place()}


def put(folder, **files):
    for name, content in files.items():
        path = folder / name.replace("__", ".")
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return folder


def rows(part):
    return part.frame.drop(RECORD, LINE).rows()


def test_one_file(tmp_path):
    path = put(tmp_path, day__csv="a,b\n1,2\n") / "day.csv"
    reading = read_export(path, DelimitedFile(), ONE)
    assert rows(reading.parts[ROWS]) == [("1", "2")]
    assert reading.name == "day.csv"
    assert reading.sha256 == hashlib.sha256(b"a,b\n1,2\n").hexdigest()


def test_each_format(tmp_path):
    put(tmp_path, a__ndjson='{"t": [{"a": 1}]}')
    pl.DataFrame({"a": [1]}).write_parquet(tmp_path / "a.parquet")
    with xlsxwriter.Workbook(tmp_path / "a.xlsx") as book:
        book.add_worksheet("t").write_column(1, 0, ["a", 1])
        book.add_worksheet("u").write_column(0, 0, ["b", 1])
    for name, file, header in (
        ("a.ndjson", JsonLines(format="ndjson", rows="t"), "t.a"),
        ("a.parquet", ParquetFile(format="parquet"), "a"),
        ("a.xlsx", Workbook(format="workbook", sheet="t", header_row=2), "a"),
    ):
        part = read_export(tmp_path / name, file, ONE, ["u"]).parts[ROWS]
        assert part.frame.select(header).rows() == [("1",)]
        assert part.place.startswith(name)


PARTS = {"test": Place(file="tests_*.csv"), "patient": Place(file="patients.csv", header_row=2)}


def folder(path):
    return put(
        path,
        tests_2__csv="angle,id\n31,A\n\n32,B\n",
        tests_1__csv="id,angle\nA,30\nA\n",
        patients__csv="A title\nid,age\nA,40\n",
    )


def test_a_folder_of_files(tmp_path):
    put(folder(tmp_path), __DS_Store="x", Thumbs__db="x", desktop__ini="x", readme__txt="x")
    reading = read_export(tmp_path, DelimitedFile(), PARTS, ["readme*"])
    test = reading.parts["test"]
    assert test.frame.columns == ["id", "angle", RECORD, LINE]
    assert test.frame.rows() == [("A", "30", 1, 2), ("A", "31", 3, 2), ("B", "32", 4, 4)]
    assert test.torn.rows() == [(2, 3, "row_torn", "1 cells instead of 2")]
    assert (test.place, test.n_rows) == ("tests_*.csv (2 files)", 4)
    assert rows(reading.parts["patient"]) == [("A", "40")]
    assert reading.parts["patient"].place == "patients.csv"
    assert reading.name == tmp_path.name
    names = ["patients.csv", "readme.txt", "tests_1.csv", "tests_2.csv"]
    hashes = [hashlib.sha256((tmp_path / name).read_bytes()).hexdigest() for name in names]
    listed = "".join(f"{name}\0{found}\n" for name, found in zip(names, hashes, strict=True))
    assert reading.sha256 == hashlib.sha256(listed.encode()).hexdigest()


@pytest.mark.parametrize(
    ("places", "more", "problem"),
    [
        (PARTS, {"names__csv": "x"}, "a file “names.csv” that the codebook does not name"),
        (
            PARTS | {"visit": Place(file="visits.csv")},
            {},
            "no file “visits.csv” for “visit”; nearest",
        ),
        (ONE, {}, "does not say which file holds “rows”"),
        (PARTS, {"tests_3__csv": "id,range\nA,1\n"}, "not those of tests_1.csv: angle, range"),
        (PARTS, {"tests_3__csv": ""}, "the file is empty"),
    ],
)
def test_a_folder_with_too_much_or_too_little_is_refused(tmp_path, places, more, problem):
    put(folder(tmp_path), **more)
    with pytest.raises(DeliveryError) as error:
        read_export(tmp_path, DelimitedFile(), places)
    assert problem in error.value.problem


def test_a_file_that_is_larger_than_the_memory_is_not_read(tmp_path):
    with (tmp_path / "large.csv").open("wb") as file:
        file.truncate(4 * 1024**3 + 1)  # takes no room on the disk
    with pytest.raises(DeliveryError, match="more than 4 GB"):
        read_export(tmp_path / "large.csv", DelimitedFile(), ONE)


def test_paths_that_are_no_export_are_told_apart(tmp_path):
    (tmp_path / "empty").mkdir()
    (tmp_path / "loop.csv").symlink_to(tmp_path / "loop.csv")
    put(tmp_path, blank__csv=" \n\n", other__csv="a\n1\n")
    (tmp_path / "export" / "inner").mkdir(parents=True)
    put(tmp_path / "export", a__csv="a\n1\n")
    os.mkfifo(tmp_path / "pipe.csv")
    for name, problem in {
        "absent.csv": "no such file",
        "empty": "the folder is empty",
        "loop.csv": "cannot be read",
        "blank.csv": "the file is empty",
        "pipe.csv": "this is not a file",
        "nul\0.csv": "cannot be read",
    }.items():
        with pytest.raises(DeliveryError, match=problem):
            read_export(tmp_path / name, DelimitedFile(), ONE)
    with pytest.raises(DeliveryError, match=r"expects the file “tests\.csv”"):
        read_export(tmp_path / "other.csv", DelimitedFile(), {"a": Place(file="tests.csv")})
    with pytest.raises(DeliveryError, match="a file “inner”"):
        read_export(tmp_path / "export", DelimitedFile(), {"a": Place(file="a.csv")})
    with pytest.raises(DeliveryError, match="this is a folder"):
        read_export(tmp_path / "export", DelimitedFile(), {"a": Place(file="*")})
