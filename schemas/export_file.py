"""How an export is written: delimited text, workbook, NDJSON or Parquet, and where its rows are."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag, field_validator

DELIMITED, WORKBOOK, NDJSON, PARQUET = "delimited", "workbook", "ndjson", "parquet"


class _Form(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    decimal_mark: Literal[".", ","] = "."
    missing: tuple[str, ...] = ()


class DelimitedFile(_Form):
    """Text with one record a line.

    Attributes
    ----------
    format : {"delimited"}
        May be left out.
    encoding : str
        Encoding, such as ``utf-8``, ``cp1252`` or ``utf-16``. A byte-order mark is dropped.
    delimiter : str
        One character between the fields.
    header_row : int
        Line of the header, counted from 1; lines above it are a title and are dropped.
    decimal_mark : {".", ","}
        Decimal mark of numbers.
    missing : tuple of str
        Values that mean "not recorded" anywhere; the empty cell always does.
    """

    format: Literal["delimited"] = "delimited"
    encoding: str = "utf-8"
    delimiter: str = Field(default=",", pattern=r"^[\x20-\x7e\t]$")
    header_row: int = Field(default=1, ge=1, le=1000)

    @field_validator("encoding")
    @classmethod
    def _encoding_exists(cls, encoding: str) -> str:
        try:
            "".encode(encoding)
        except LookupError as unknown:
            raise ValueError(f"“{encoding}” is not an encoding") from unknown
        return encoding


class Workbook(_Form):
    """A workbook (``.xlsx``, ``.xlsm``, ``.xlsb``, ``.xls`` or ``.ods``).

    Attributes
    ----------
    format : {"workbook"}
        Cells are read as they are stored; a cell that holds a date is read as ``YYYY-MM-DD``.
    sheet : str or None
        Name of the sheet; may be left out where the workbook has one sheet.
    header_row : int
        Row of the header, counted from 1; rows above it are a title and are dropped.
    decimal_mark : {".", ","}
        Decimal mark of numbers that are stored as text.
    missing : tuple of str
        Values that mean "not recorded" anywhere; the empty cell always does.
    """

    format: Literal["workbook"]
    sheet: str | None = None
    header_row: int = Field(default=1, ge=1, le=1000)


class JsonLines(_Form):
    """NDJSON: one JSON object a line. Nested fields are named by their path, as in ``hip.side``.

    Attributes
    ----------
    format : {"ndjson"}
        Always UTF-8.
    rows : str or None
        Path of the list whose items are the rows, as in ``visits.tests``; None: each line is a row. The
        fields around the list belong to each of its rows.
    decimal_mark : {".", ","}
        Decimal mark of numbers that are stored as text.
    missing : tuple of str
        Values that mean "not recorded" anywhere; null and the empty text always do.
    """

    format: Literal["ndjson"]
    rows: str | None = None


class ParquetFile(_Form):
    """A Parquet file. A date is read as ``YYYY-MM-DD``.

    Attributes
    ----------
    format : {"parquet"}
        Columns of plain types only.
    decimal_mark : {".", ","}
        Decimal mark of numbers that are stored as text.
    missing : tuple of str
        Values that mean "not recorded" anywhere; null and the empty text always do.
    """

    format: Literal["parquet"]


def _format_of(file: Any) -> str:  # noqa: ANN401 - whatever the codebook holds
    if isinstance(file, dict):
        return str(file.get("format", DELIMITED))
    return str(getattr(file, "format", DELIMITED))


ExportFile = Annotated[
    Annotated[DelimitedFile, Tag(DELIMITED)]
    | Annotated[Workbook, Tag(WORKBOOK)]
    | Annotated[JsonLines, Tag(NDJSON)]
    | Annotated[ParquetFile, Tag(PARQUET)],
    Discriminator(_format_of),
]
"""Any of the four formats; without ``format`` it is delimited text."""

ROWS = "rows"
"""Name of the only part of an export that has but one."""


class Place(BaseModel):
    """Where the rows of one part of an export are.

    Attributes
    ----------
    file : str or None
        Name of the file, or a pattern such as ``tests_*.csv``, where the export is a folder. Several
        files that match are read as one after another and must have the same columns.
    sheet : str or None
        Name of the sheet of a workbook.
    header_row : int or None
        Row of the header, counted from 1; None: as ``file`` says.
    rows : str or None
        Path of the list of an NDJSON file whose items are the rows.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    file: str | None = None
    sheet: str | None = None
    header_row: int | None = Field(default=None, ge=1, le=1000)
    rows: str | None = None
