"""Text as small numbers: each distinct text of a column once, and its number for every row.

A million cells hold few distinct texts. What is done per distinct text costs next to nothing, and four
bytes a cell instead of sixteen keep large exports in memory.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import polars as pl

_SLICE = 100_000
"""Distinct texts that are Python's at once: a text costs it ten times the memory."""


@dataclass(frozen=True)
class CodedText:
    """A text column, coded.

    Attributes
    ----------
    codes : polars.Series, shape (n_rows,)
        Number of each row's text.
    texts : polars.Series, shape (n_numbers,)
        Text by number; null for a number that no row has.
    """

    codes: pl.Series
    texts: pl.Series

    def spread(self, values: pl.Series) -> pl.Series:
        """Give each row the value of its text.

        Parameters
        ----------
        values : polars.Series, shape (n_numbers,)
            One value for each of ``texts``.

        Returns
        -------
        polars.Series, shape (n_rows,)
            The values.
        """
        return values.gather(self.codes)

    def map_texts(self, new: Callable[[str], str]) -> pl.Series:
        """Replace each text.

        Parameters
        ----------
        new : callable
            Gives the new text.

        Returns
        -------
        polars.Series, shape (n_rows,)
            The new texts, coded.
        """
        mapped = [
            pl.Series(
                [None if t is None else new(t) for t in self.texts[start : start + _SLICE]],
                dtype=pl.String,
            )
            for start in range(0, len(self.texts), _SLICE)
        ]
        return self.spread(as_coded(pl.concat([pl.Series([], dtype=pl.String), *mapped])))


def code_text(texts: pl.Series) -> CodedText:
    """Code a text column.

    Parameters
    ----------
    texts : polars.Series, shape (n_rows,)
        Text, coded or not; a null has no number.

    Returns
    -------
    CodedText
        Numbers and texts.
    """
    coded = as_coded(texts)
    distinct = coded.unique().drop_nulls()
    numbers = distinct.to_physical()
    found = pl.DataFrame({"number": numbers, "text": distinct.cast(pl.String)}).sort("number")
    if found.height and int(found["number"][-1]) != found.height - 1:  # rows were taken away
        every = pl.DataFrame({"number": pl.int_range(int(found["number"][-1]) + 1, eager=True)})
        found = every.join(
            found.with_columns(pl.col("number").cast(pl.Int64)), on="number", how="left"
        ).sort("number")
    return CodedText(coded.to_physical(), found["text"])


def is_text(kind: pl.DataType) -> bool:
    """Say whether a column of some type holds text.

    Parameters
    ----------
    kind : polars.DataType
        Type of a column.

    Returns
    -------
    bool
        True for plain and for coded text.
    """
    return kind == pl.String() or isinstance(kind, pl.Categorical | pl.Enum)


def as_coded(texts: pl.Series) -> pl.Series:
    """Give a column of text its own numbers.

    Parameters
    ----------
    texts : polars.Series
        Text, coded or not.

    Returns
    -------
    polars.Series
        The same texts as a categorical column of its own.
    """
    if isinstance(texts.dtype, pl.Categorical):
        return texts
    return texts.cast(pl.String).cast(pl.Categorical(pl.Categories.random()))


def frame_as_coded(frame: pl.DataFrame) -> pl.DataFrame:
    """Code every text column of a frame.

    Parameters
    ----------
    frame : polars.DataFrame
        Text and other columns.

    Returns
    -------
    polars.DataFrame
        The same cells.
    """
    return frame.with_columns(
        as_coded(frame[name]) for name, kind in frame.schema.items() if kind == pl.String
    )


def with_texts(texts: pl.Series, wanted: Iterable[str]) -> pl.Series:
    """Say which rows hold one of some texts, spaces around them aside.

    Parameters
    ----------
    texts : polars.Series, shape (n_rows,)
        Text, coded or not.
    wanted : Iterable of str
        The texts.

    Returns
    -------
    polars.Series, shape (n_rows,)
        True where a row holds one.
    """
    coded = code_text(texts)
    hit = coded.texts.str.strip_chars().is_in(list(wanted)).fill_null(value=False)
    return coded.spread(hit).fill_null(value=False)


def distinct_names(columns: Iterable[pl.Series]) -> pl.Series:
    """List the texts of some columns.

    Parameters
    ----------
    columns : Iterable of polars.Series
        Text, coded or not; the empty text is no value.

    Returns
    -------
    polars.Series of String
        Each text once, in the order of the alphabet.
    """
    texts = [column.unique().cast(pl.String) for column in columns]
    distinct = pl.concat(texts).unique().drop_nulls() if texts else pl.Series([], dtype=pl.String)
    return distinct.filter(distinct != "").sort()
