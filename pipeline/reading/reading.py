"""An export as text: its parts, what could not be read of them, and the hash of what was received."""

from dataclasses import dataclass, field

import polars as pl

RECORD = "source_record"
"""Column with the number of the row within its part, counted from 1; the header is not counted."""

LINE = "source_line"
"""Column with the line (of a workbook: the row) at which a record begins, counted from 1."""

TORN: dict[str, pl.DataType] = {
    RECORD: pl.Int64(),
    LINE: pl.Int64(),
    "reason": pl.String(),
    "value": pl.String(),
}
"""Columns of the rows that could not be read: which, where, why, and what is wrong in a few words."""


@dataclass(frozen=True)
class PartText:
    """One part of an export as text: a file, a sheet, or the items of a list.

    Attributes
    ----------
    frame : polars.DataFrame, shape (n_rows, n_columns + 2)
        One text column, plain or numbered, for each header (an empty cell is the empty text, never
        null), then ``RECORD``, ascending, and ``LINE``, that in its own file. Rows that could not be read
        are not in it, but keep their number.
    place : str
        File, and sheet or list, as it is named in messages and stored with each fact.
    torn : polars.DataFrame, shape (n_torn, 4)
        Rows that could not be read, with the columns of ``TORN``; never holds a cell's text.
    files : tuple of tuple of int and str
        Where several files were read as one: the records before each file, and its name.
    """

    frame: pl.DataFrame
    place: str
    torn: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=TORN))
    files: tuple[tuple[int, str], ...] = ()

    @property
    def n_rows(self) -> int:
        """Number of rows, those that could not be read among them."""
        return self.frame.height + self.torn.height

    @property
    def places(self) -> tuple[str, ...]:
        """Every file, sheet or list that its rows are in."""
        return tuple(name for _, name in self.files) or (self.place,)

    def locate(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Say of rows which file, sheet or list they are in, and give their number within it.

        Parameters
        ----------
        rows : polars.DataFrame
            Any columns, with ``RECORD``.

        Returns
        -------
        polars.DataFrame
            The rows with ``source_file``; ``RECORD`` counts within that.
        """
        if not self.files:
            only = pl.lit(self.place, dtype=pl.Enum([self.place]))
            return rows.with_columns(only.alias("source_file"))
        before = pl.Series([number for number, _ in self.files])
        place = before.search_sorted(rows[RECORD], side="left") - 1
        names = pl.Series(self.places, dtype=pl.Enum(sorted(self.places)))
        return rows.with_columns(
            rows[RECORD] - before.gather(place), names.gather(place).alias("source_file")
        )


@dataclass(frozen=True)
class Reading:
    """An export as text.

    Attributes
    ----------
    parts : dict of str to PartText
        By the name that the codebook gives each part; ``ROWS`` where there is but one.
    name : str
        Name of the file or folder.
    sha256 : str
        Of the bytes as received; for a folder, of its files' names and hashes in order.
    """

    parts: dict[str, PartText]
    name: str
    sha256: str
