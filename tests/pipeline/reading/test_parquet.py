"""Parquet: plain columns as text, nested and damaged ones refused."""

import datetime as dt
import io
from decimal import Decimal

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.reading.parquet import read_parquet
from schemas.errors import DeliveryError


def written(frame):
    target = io.BytesIO()
    if isinstance(frame, pa.Table):
        pq.write_table(frame, target)
    else:
        frame.write_parquet(target)
    return target.getvalue()


def column(values, dtype=None):
    series = pl.Series("a", values, dtype=dtype)
    return read_parquet(written(series.to_frame()), "x.parquet").frame["a"].to_list()


NIGHT = dt.datetime(2026, 1, 5, 23, 30)  # noqa: DTZ001 - exports hold times without a zone
MORNING = NIGHT.replace(hour=0, minute=0)


@pytest.mark.parametrize(
    ("values", "dtype", "text"),
    [
        ([1, None, 2**63 - 1], pl.Int64, ["1", "", "9223372036854775807"]),
        ([34.0, 0.1, 1e-7, 1e22, None], pl.Float64, ["34", "0.1", "0.0000001", "1" + "0" * 22, ""]),
        ([0.1, 2.5], pl.Float32, ["0.1", "2.5"]),
        ([0.1, 2.5], pl.Float16, ["0.1", "2.5"]),
        ([Decimal("1.50")], pl.Decimal(10, 2), ["1.50"]),
        ([True, False, None], pl.Boolean, ["TRUE", "FALSE", ""]),
        (["007", " ", "", None], pl.String, ["007", " ", "", ""]),
        (["L", None, "L"], pl.Categorical, ["L", "", "L"]),
        ([dt.date(2026, 1, 5), None], pl.Date, ["2026-01-05", ""]),
        (
            [MORNING, NIGHT],
            pl.Datetime("us"),
            ["2026-01-05", "2026-01-05 23:30:00"],
        ),
        ([NIGHT], pl.Datetime("ms", "Europe/Berlin"), ["2026-01-05 23:30:00"]),
        (
            [MORNING.replace(microsecond=250_000)],
            pl.Datetime("ns"),
            ["2026-01-05 00:00:00.250"],
        ),
        ([dt.time(9, 5), None], pl.Time, ["09:05:00", ""]),
        ([dt.timedelta(days=1, hours=12)], pl.Duration("us"), ["36:00:00"]),
        ([None, None], pl.Null, ["", ""]),
    ],
)
def test_plain_values_as_text(values, dtype, text):
    if dtype == pl.Float16:  # a half has 11 bits: 0.1 is stored as the nearest of them
        text = ["0.099975586", "2.5"]
    if dtype == pl.Datetime("ms", "Europe/Berlin"):
        series = pl.Series("a", values, dtype=pl.Datetime("ms")).dt.replace_time_zone(
            "Europe/Berlin"
        )
        found = read_parquet(written(series.to_frame()), "x").frame["a"].to_list()
    else:
        found = column(values, dtype)
    assert found == text


def test_a_date_beyond_the_calendar_is_its_number():
    table = pa.table({"a": pa.array([2**30, 20_458], pa.int32()).cast(pa.date32())})
    assert read_parquet(written(table), "x").frame["a"].to_list() == [str(2**30), "2026-01-05"]


def test_rows_are_numbered():
    part = read_parquet(written(pl.DataFrame({"a": [1, 2], " b ": ["x", "y"]})), "x.parquet")
    assert part.frame.columns == ["a", "b", "source_record", "source_line"]
    assert part.frame.rows() == [("1", "x", 1, 1), ("2", "y", 2, 2)]
    assert (part.place, part.n_rows) == ("x.parquet", 2)


@pytest.mark.parametrize(
    "values",
    [
        pa.array([[1]]),
        pa.array([{"b": 1}]),
        pa.array([b"x"]),
        pa.array([[("k", 1)]], pa.map_(pa.string(), pa.int8())),
    ],
    ids=["list", "structure", "bytes", "map"],
)
def test_a_column_that_is_not_plain_is_refused_by_name(values):
    with pytest.raises(DeliveryError) as error:
        read_parquet(written(pa.table({"a": [1], "odd": values})), "x.parquet")
    assert error.value.place == "x.parquet, column odd"
    assert "not plain" in error.value.problem


WHOLE = written(pl.DataFrame({"a": ["x" * 50, "y"], "b": [1, 2]}))


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (WHOLE[:-1], "not a whole Parquet file"),
        (b"PAR1" + b"\0" * 50 + b"PAR1", "damaged"),
        (WHOLE[:20] + b"\xff" * 20 + WHOLE[40:], "damaged"),
        (written(pl.DataFrame({"a": []}, {"a": pl.String})), "no record"),
        (b"a,b\n1,2\n", "not a whole Parquet file"),
        (b"PK\x03\x04xl/workbook.xml", "this is a workbook"),
        (written(pa.table([[1], [2]], names=["a", "a"])), "more than one column"),
        (written(pa.table({"a": pa.array([b"\xff"]).cast(pa.string(), safe=False)})), "damaged"),
    ],
)
def test_a_damaged_file_is_refused(content, problem):
    with pytest.raises(DeliveryError) as error:
        read_parquet(content, "x.parquet")
    assert problem in error.value.problem


def test_one_long_text_repeated_without_end_is_refused():
    # 10,000 times 1 MB are 10 GB from some kilobytes.
    text = pa.DictionaryArray.from_arrays(pa.array([0] * 10_000, pa.int32()), ["x" * 1024**2])
    content = written(pa.table({"a": text}))
    assert len(content) < 1024**2
    with pytest.raises(DeliveryError, match="too much text"):
        read_parquet(content, "x.parquet")
