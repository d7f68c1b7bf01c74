"""Parquet: columns of plain types as text, as a workbook's cells would be."""

from collections.abc import Callable, Mapping
from io import BytesIO

import polars as pl
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pipeline.reading.cell_text import FALSE, TRUE, duration_text, moment_text, number_text
from pipeline.reading.header import MOST_COLUMNS, check_header
from pipeline.reading.reading import LINE, RECORD, PartText
from pipeline.reading.received import refuse_other_kind
from schemas.errors import DeliveryError

MOST_ROWS = 50_000_000
"""More rows are refused: an export is held in memory. Common practice, no source."""

MOST_CELLS = 400_000_000
"""More cells are refused, for the same reason. Common practice, no source."""

MOST_TEXT = 8 * 1024**3
"""Bytes of all cells of text; a small file can repeat one long text without end."""

_DAMAGED = ("the Parquet file is damaged", "Export again, and compare the size after copying.")


def read_parquet(received: bytes, name: str) -> PartText:
    """Read a Parquet file.

    Parameters
    ----------
    received : bytes
        The export.
    name : str
        Its name, for messages.

    Returns
    -------
    PartText
        Every row; its line is its number. A moment with a time zone is the time in that zone, true
        and false are ``TRUE`` and ``FALSE``.

    Raises
    ------
    DeliveryError
        If the file is damaged, too large, has no row, or a column is nested or binary.
    """
    refuse_other_kind(received, name, "parquet")
    if not (received.startswith(b"PAR1") and received.endswith(b"PAR1")):
        raise DeliveryError(
            name, "this is not a whole Parquet file", "Export again and check its size."
        )
    try:
        file = pq.ParquetFile(BytesIO(received))
        schema = file.schema_arrow
        _refuse_size(file.metadata, name)
    except (pa.ArrowException, OSError, ValueError) as problem:
        raise DeliveryError(name, *_DAMAGED) from problem
    header = check_header(schema.names, name)
    _refuse_types(schema, name)
    try:
        texts = [field.name for field in schema if _is_text(field.type)]
        table = pq.ParquetFile(BytesIO(received), read_dictionary=texts).read()
        table.validate(full=True)
        _refuse_text(table, texts, name)
        columns = [
            _text(column).fill_null("").alias(title)
            for column, title in zip(table.itercolumns(), header, strict=True)
        ]
    except (
        pa.ArrowException,
        OSError,
        ValueError,
        OverflowError,
        pl.exceptions.PolarsError,
    ) as problem:
        raise DeliveryError(name, *_DAMAGED) from problem
    numbers = pl.int_range(1, table.num_rows + 1, dtype=pl.Int64, eager=True)
    return PartText(pl.DataFrame([*columns, numbers.alias(RECORD), numbers.alias(LINE)]), name)


def _refuse_size(metadata: pq.FileMetaData, name: str) -> None:
    rows, columns = metadata.num_rows, metadata.num_columns
    if rows < 1 or columns < 1:
        raise DeliveryError(name, "the file has no record", "Export again with the records in it.")
    if columns > MOST_COLUMNS or rows > MOST_ROWS or rows * columns > MOST_CELLS:
        raise DeliveryError(
            name, f"{rows} rows of {columns} columns are too many", "Export in several parts."
        )
    if (
        sum(metadata.row_group(at).total_byte_size for at in range(metadata.num_row_groups))
        > MOST_TEXT
    ):
        raise DeliveryError(name, "the file is too large unpacked", "Export in several parts.")


def _is_text(kind: pa.DataType) -> bool:
    if pa.types.is_dictionary(kind):
        return _is_text(kind.value_type)
    return bool(
        pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind)
    )


def _refuse_types(schema: pa.Schema, name: str) -> None:
    plain = (
        pa.types.is_integer,
        pa.types.is_floating,
        pa.types.is_decimal,
        pa.types.is_boolean,
        pa.types.is_date,
        pa.types.is_timestamp,
        pa.types.is_time,
        pa.types.is_duration,
        pa.types.is_null,
        _is_text,
    )
    for field in schema:
        kind = field.type.value_type if pa.types.is_dictionary(field.type) else field.type
        if not any(is_kind(kind) for is_kind in plain):
            raise DeliveryError(
                f"{name}, column {field.name}",
                "the column holds lists, structures or bytes, not plain values",
                "Export plain columns; leave this one out.",
            )


def _refuse_text(table: pa.Table, texts: list[str], name: str) -> None:
    """Refuse text that would fill the memory once each cell holds its own.

    Raises
    ------
    DeliveryError
        If there is so much.
    """
    total = 0
    for title in texts:
        for chunk in table.column(title).chunks:
            lengths = pc.binary_length(chunk.dictionary)
            total += pc.sum(lengths.cast(pa.int64()).take(chunk.indices)).as_py() or 0
    if total > MOST_TEXT:
        raise DeliveryError(name, "the cells hold too much text", "Export in several parts.")


def _text(column: pa.ChunkedArray) -> pl.Series:
    kind = column.type
    if pa.types.is_dictionary(kind):
        values = pa.large_string() if _is_text(kind) else kind.value_type
        return _text(column.cast(values))
    if pa.types.is_null(kind):
        return pl.Series([""] * len(column), dtype=pl.String)
    if pa.types.is_timestamp(kind) and kind.tz is not None:
        return _text(pc.local_timestamp(column))
    if pa.types.is_float16(kind):
        column = column.cast(pa.float32())
    series = pl.Series(pl.from_arrow(column))
    return next(write for is_kind, write in _WRITERS.items() if is_kind(series.dtype))(series)


def _boolean_text(values: pl.Series) -> pl.Series:
    return values.replace_strict([True, False], [TRUE, FALSE], return_dtype=pl.String)


def _duration_text(values: pl.Series) -> pl.Series:
    return values.cast(pl.Duration("us")).map_elements(duration_text, return_dtype=pl.String)


_WRITERS: Mapping[Callable[[pl.DataType], bool], Callable[[pl.Series], pl.Series]] = {
    lambda kind: kind == pl.String: lambda values: values,
    lambda kind: kind.is_numeric(): number_text,
    lambda kind: kind == pl.Boolean: _boolean_text,
    lambda kind: kind == pl.Duration: _duration_text,
    lambda kind: kind == pl.Time: lambda values: values.dt.to_string("%H:%M:%S%.f"),
    lambda kind: kind in (pl.Date, pl.Datetime): moment_text,  # by equality
}
"""Kind of column to what writes it as text; the first that fits."""
