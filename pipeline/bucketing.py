"""Reshape and validate an export bucket by bucket, so that memory does not grow with it.

A bucket holds the rows of some patients, in the order of their pseudonyms; every key of a canonical
table begins with clinic and patient, so nothing that has to be compared lies in two buckets. Columns
are decoded before, once per distinct value of the whole export.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import polars as pl

from pipeline.compact import Names, name_numbers
from pipeline.harmonisation import HarmonisedColumn, Kinds
from pipeline.reading.reading import TORN, PartText
from pipeline.reshaping import merge_parts, reshape
from pipeline.store.bucket import Bucket
from pipeline.validation import Rows, validate
from schemas.layout import Layout
from schemas.record import Piece

PLACE, PART = "\x1fplace", "\x1fpart"
"""Columns of raw rows with the file, sheet or list that they came from, and its name in the codebook."""

FACTS_OF_BUCKET = 2_000_000
"""About so many facts are made at once; they take some 250 MB."""


@dataclass(frozen=True)
class HarmonisedPart:
    """Rows of one part, decoded.

    Attributes
    ----------
    layout : Layout
        What they hold and become.
    text : PartText
        The part as it was read.
    frame : polars.DataFrame
        Its rows without identifiers.
    raw : polars.DataFrame
        What may be kept of them.
    columns : dict of Piece to HarmonisedColumn
        The decoded columns.
    """

    layout: Layout
    text: PartText
    frame: pl.DataFrame
    raw: pl.DataFrame
    columns: dict[Piece, HarmonisedColumn]

    def of_rows(self, chosen: pl.Series, *, is_first: bool) -> "HarmonisedPart":
        """Choose some rows.

        Parameters
        ----------
        chosen : polars.Series of bool, shape (n_rows,)
            Which.
        is_first : bool
            Whether the rows that could not be read are counted with them.

        Returns
        -------
        HarmonisedPart
            These rows alone.
        """
        text = self.text if is_first else replace(self.text, torn=pl.DataFrame(schema=TORN))
        return replace(
            self,
            text=text,
            frame=self.frame.filter(chosen),
            raw=self.raw.filter(chosen),
            columns={
                piece: replace(column, codes=column.codes.filter(chosen))
                for piece, column in self.columns.items()
            },
        )


@dataclass(frozen=True)
class Buckets:
    """The facts of an export, bucket by bucket; a small one is made once and kept.

    Attributes
    ----------
    parts : tuple of HarmonisedPart
        Its parts.
    kinds : dict of str to polars.DataType
        Type of each canonical column.
    names : dict of str to polars.Series
        All pseudonyms of each kind.
    codebook_version : int
        Version of the codebook that read it.
    looked_up : tuple of PartText
        Parts that yield no record and are only looked up.
    n_unused : int
        Rows of these that nothing looks up.
    """

    parts: tuple[HarmonisedPart, ...]
    kinds: Kinds
    names: Names
    codebook_version: int
    looked_up: tuple[PartText, ...]
    n_unused: int

    def __iter__(self) -> Iterator[Bucket]:
        if self.n_buckets == 1:
            yield self._only
            return
        for number in range(self.n_buckets):
            chosen = [numbers == number for numbers in self._numbers]
            some = zip(self.parts, chosen, strict=True)
            parts = [part.of_rows(rows, is_first=number == 0) for part, rows in some]
            yield self._make(parts, is_first=number == 0)

    @property
    def n_buckets(self) -> int:
        """Number of buckets."""
        n_facts = sum(part.frame.height * len(part.layout.records) for part in self.parts)
        return 1 + n_facts // FACTS_OF_BUCKET

    @cached_property
    def _only(self) -> Bucket:
        return self._make(list(self.parts), is_first=True)

    @property
    def _numbers(self) -> list[pl.Series]:
        """Bucket of each row, by part: patients in equal numbers; a row without one is in the first."""
        n_patients = max(len(self.names["patient"]), 1)
        numbers = [part.frame[part.layout.patient].cast(pl.Int64) for part in self.parts]
        return [(number * self.n_buckets // n_patients).fill_null(0) for number in numbers]

    def _make(self, parts: list[HarmonisedPart], *, is_first: bool) -> Bucket:
        facts = [reshape(part.frame, part.columns, part.layout, self.kinds) for part in parts]
        rows = {part.layout.part: Rows(part.layout, part.frame, part.text) for part in parts}
        beside = (self.looked_up, self.n_unused) if is_first else ((), 0)
        divided = validate(merge_parts(facts), rows, *beside)
        version = pl.lit(self.codebook_version, dtype=pl.Int64).alias("codebook_version")
        return Bucket(
            tables={n: self._named(t).with_columns(version) for n, t in divided.tables.items()},
            quarantine=self._named(divided.quarantine).with_columns(
                version, pl.col("patient").cast(pl.String)
            ),
            raw=_stacked(parts),
            account=divided.account,
        )

    def _named(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Put pseudonyms in place of their numbers."""
        return rows.with_columns(
            name_numbers(rows[kind], names)
            for kind, names in self.names.items()
            if kind in rows.columns
        )


def _stacked(parts: list[HarmonisedPart]) -> pl.DataFrame:
    """Put the parts' raw rows in one frame of text; a column that a part lacks is null in its rows."""
    raw = [part.text.locate(part.raw).rename({"source_file": PLACE}) for part in parts]
    if len(raw) == 1:
        return raw[0]
    coded = pl.selectors.categorical() | pl.selectors.enum()
    named = [
        rows.with_columns(coded.cast(pl.String), pl.lit(part.layout.part).alias(PART))
        for rows, part in zip(raw, parts, strict=True)
    ]
    return pl.concat(named, how="diagonal")
