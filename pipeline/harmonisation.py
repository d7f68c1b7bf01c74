"""Turn the text of each column into canonical values, by what its codebook declares.

Each column is decoded once per distinct value by a small pure function, whatever the number of rows;
a value that cannot be read keeps its reason. Decoding comes before reshaping, since a column of an
export with one row per visit serves several records, and a composite cell several values.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from pipeline.coded import CodedText, as_coded, code_text
from pipeline.compact import PSEUDONYMS
from pipeline.decoding import (
    Decoded,
    Split,
    decoder,
    not_tested,
    refuse_unclaimed,
    splitter,
    value_of,
)
from pipeline.identifier.masking import mask, shown_value
from pipeline.identifier.trade_word import is_trade_word
from schemas.column import Column
from schemas.field import BOOLEAN_FIELDS, NOTATION_COLUMNS
from schemas.layout import NO_FACTS, Layout
from schemas.reason import Quarantine
from schemas.record import Piece
from schemas.table import TABLES
from schemas.vocabulary import code_list

PERSON = "\x1fperson"
"""Column of a decoded table that says which texts are the number of a person, where any is."""

REASON, SHOWN, HELD = "\x1freason", "\x1fshown", "\x1fheld"
"""Columns of a decoded table: why a value cannot be read, what may be shown of it, and whether there is one."""

POSITION = "\x1fhip_flexion_deg"
"""Hip flexion that a composite cell states beside an angle."""

Kinds = dict[str, pl.DataType]
"""Type of each canonical column."""

_WHOLE_COLUMNS = frozenset(
    name
    for table in TABLES.values()
    for name, kind in (table.key | table.values).items()
    if kind == pl.Int64()
)
FREE_TEXT = r"\p{L}\W+\p{L}{2}|^.{25}|(\d\D*){7}"
"""Two words, more than 24 characters, or seven digits and more: no code is written so."""

RECOGNISED = [
    str(reason)
    for reason in (
        Quarantine.TWO_GRADES,
        Quarantine.DOSE_TOTAL_ONLY,
        Quarantine.GRADE_IMPOSSIBLE,
        Quarantine.COMPONENT_UNDECLARED,
    )
]
"""Reasons of cells that were read in full as the trade writes them: they hold nothing else."""

WORD = r"^\s*\p{L}{4,}\s*$"
"""One word that no code list knows: it may be a name."""

WORKERS = 4
"""Columns decoded at once."""


@dataclass(frozen=True)
class HarmonisedColumn:
    """One column of the export, or one value of its composite cells, decoded.

    Attributes
    ----------
    piece : Piece
        Header, and the value's name where a cell holds several.
    column : Column
        What the codebook declares of it.
    codes : polars.Series, shape (n_records,)
        Place of each row's text in ``table``.
    table : polars.DataFrame, shape (n_distinct, n_values + 4)
        For each distinct text ``text``, its canonical values, ``REASON``, ``SHOWN`` and ``HELD``.
    """

    piece: Piece
    column: Column
    codes: pl.Series
    table: pl.DataFrame

    def at(self, name: str, rows: pl.Series) -> pl.Series:
        """Give one of the decoded columns for some rows.

        Parameters
        ----------
        name : str
            A column of ``table``.
        rows : polars.Series, shape (n,)
            Positions of rows.

        Returns
        -------
        polars.Series, shape (n,)
            Its values.
        """
        values = self.table[name]
        return values.gather(self.codes.gather(rows)).alias(name)

    @property
    def values(self) -> tuple[str, ...]:
        """Names of the canonical columns that it fills."""
        own = (*canonical_columns(self.column.field), "reason_not_done")
        return tuple(name for name in self.table.columns if name in own)

    @property
    def has_reasons(self) -> bool:
        """True where any value cannot be read."""
        return self.table[REASON].null_count() < self.table.height


def harmonise(
    frame: pl.DataFrame, layout: Layout, kinds: Kinds, persons: pl.Series | None = None
) -> dict[Piece, HarmonisedColumn]:
    """Decode every column that a record takes.

    Parameters
    ----------
    frame : polars.DataFrame, shape (n_records, n_columns)
        Screened and pseudonymised text columns.
    layout : Layout
        What each column holds.
    kinds : dict of str to polars.DataType
        Type of each canonical column.
    persons : polars.Series of String or None
        Numbers of persons, which are never shown.

    Returns
    -------
    dict of Piece to HarmonisedColumn
        By column and value.
    """
    wanted: dict[str, set[Piece]] = {}
    for record in layout.records:
        for piece in layout.pieces(record).values():
            wanted.setdefault(piece.column, set()).add(piece)
    for header in layout.own:  # conditions may need it, and what is unreadable is masked in raw
        if layout.columns[header].field not in NO_FACTS:
            wanted.setdefault(header, set())
    with ThreadPoolExecutor(max_workers=WORKERS) as pool:  # polars lets other threads run meanwhile
        found = pool.map(
            lambda header: harmonise_column(frame[header], wanted[header], layout, kinds),
            sorted(wanted),
        )
        columns = [column for columns in found for column in columns]
    return {column.piece: _hide_persons(column, persons) for column in columns}


def _hide_persons(column: HarmonisedColumn, persons: pl.Series | None) -> HarmonisedColumn:
    """Mask unreadable cells that are the number of a person."""
    if persons is None or not column.has_reasons:
        return column
    bad = column.table.filter(pl.col(REASON).is_not_null())["text"]
    plain = bad.str.strip_chars()
    known = bad.filter((plain != "") & plain.is_in(persons.implode()))
    if not known.len():
        return column
    masked = pl.col("text").map_elements(mask, return_dtype=pl.String)
    is_known = pl.col("text").is_in(known.implode())
    shown = pl.when(is_known).then(masked).otherwise(SHOWN).alias(SHOWN)
    return replace(column, table=column.table.with_columns(shown, is_known.alias(PERSON)))


def harmonise_column(
    texts: pl.Series, pieces: set[Piece], layout: Layout, kinds: Kinds
) -> list[HarmonisedColumn]:
    """Decode one column.

    Parameters
    ----------
    texts : polars.Series, shape (n_records,)
        The column as text, named by its header.
    pieces : set of Piece
        Which of its values are taken; empty: the whole cell.
    layout : Layout
        What it holds, the decimal mark and the markers of missing values.
    kinds : dict of str to polars.DataType
        Type of each canonical column.

    Returns
    -------
    list of HarmonisedColumn
        One for each value that is taken.
    """
    header = texts.name
    column = layout.columns[header]
    if column.field in PSEUDONYMS:
        return [_pseudonyms(texts, column)]
    coded = code_text(texts)
    missing = layout.missing_in(header)
    plain = ["" if text is None else text.strip() for text in coded.texts]
    names = canonical_columns(column.field)
    names = (*names, "reason_not_done") if column.not_tested else names
    if column.composite is None:
        decode = decoder(column, layout.file.decimal_mark)
        cells = [(None,) * len(names) if t in missing else decode(t) for t in plain]
        whole = Piece(column=header, component="")
        return [HarmonisedColumn(whole, column, coded.codes, _as_table(coded, cells, names, kinds))]
    names = (*names, POSITION)
    kinds = kinds | {POSITION: pl.Int64()}
    split = splitter(column, column.composite, layout.file.decimal_mark, missing)

    def part_of(text: str) -> Split | Quarantine:
        if text in missing:
            return {}
        if text in column.not_tested:
            return not_tested(pieces)
        return refuse_unclaimed(split(text), pieces)

    parts = [part_of(text) for text in plain]
    found = []
    for piece in sorted(pieces, key=repr):
        cells = [value_of(part, piece, len(names)) for part in parts]
        found.append(
            HarmonisedColumn(piece, column, coded.codes, _as_table(coded, cells, names, kinds))
        )
    return found


def _pseudonyms(numbers: pl.Series, column: Column) -> HarmonisedColumn:
    """Take pseudonyms, which are numbers already, as they are."""
    highest = numbers.max()
    own = pl.int_range(0 if highest is None else int(highest) + 1, dtype=pl.UInt32, eager=True)  # type: ignore[arg-type]  # a number
    nothing = pl.lit(None, dtype=pl.String)
    table = pl.DataFrame({column.field: own}).with_columns(
        nothing.alias("text"),
        nothing.alias(REASON),
        nothing.alias(SHOWN),
        pl.lit(value=True).alias(HELD),
    )
    return HarmonisedColumn(Piece(column=numbers.name, component=""), column, numbers, table)


def mask_unreadable(raw: pl.DataFrame, columns: dict[Piece, HarmonisedColumn]) -> pl.DataFrame:
    """Mask cells that could not be read and look like free text, a name or a long number.

    A short unknown code and a word of the trade stay, so that the export can be read again with a
    corrected codebook; a sentence may say anything about anybody and is not kept.

    Parameters
    ----------
    raw : polars.DataFrame, shape (n_records, n_columns)
        Screened and pseudonymised text columns.
    columns : dict of Piece to HarmonisedColumn
        The decoded columns.

    Returns
    -------
    polars.DataFrame
        What may be kept as raw.
    """
    doubtful: dict[str, list[pl.Series]] = {}
    for piece, column in columns.items():
        if column.has_reasons:
            unread = pl.col(REASON).is_not_null() & ~pl.col(REASON).is_in(RECOGNISED)
            bad = column.table.filter(unread)["text"]
            bad = bad.filter(~bad.str.starts_with("!"))
            words = bad.filter(bad.str.contains(WORD))
            names = [word for word in words if not is_trade_word(word.strip())]
            long = bad.filter(bad.str.contains(FREE_TEXT) | bad.is_in(names))
            doubtful.setdefault(piece.column, []).append(long)
            if PERSON in column.table.columns:
                doubtful[piece.column].append(column.table.filter(PERSON)["text"])
    for header, found in doubtful.items():
        texts = pl.concat(found).unique()
        if texts.len():
            coded = code_text(raw[header])
            masked = texts.map_elements(mask, return_dtype=pl.String)
            shown = as_coded(coded.texts.replace(texts, masked))
            raw = raw.with_columns(coded.spread(shown).alias(header))
    return raw


def canonical_columns(field: str) -> tuple[str, ...]:
    """List the canonical columns that a field fills.

    Parameters
    ----------
    field : str
        Field of a codebook.

    Returns
    -------
    tuple of str
        Column names.
    """
    if field == "event":
        return ("event", "order_is_stated")
    return NOTATION_COLUMNS.get(field, (field,))


def decode_constant(field: str, value: str | int) -> tuple[Any, ...]:
    """Decode a constant of a codebook, which its schema has checked.

    Parameters
    ----------
    field : str
        Field that it fills.
    value : str or int
        The constant.

    Returns
    -------
    tuple
        Values of ``canonical_columns(field)``.
    """
    if field == "event":
        return (int(value), True)
    if field == "phase":
        return (code_list("phase")[str(value)].details["event"], False)
    if field in BOOLEAN_FIELDS:
        return (value == "yes",)
    return (int(value) if field in _WHOLE_COLUMNS else str(value),)


def _as_table(
    coded: CodedText, cells: list[Decoded], names: tuple[str, ...], kinds: Kinds
) -> pl.DataFrame:
    bad = [isinstance(cell, Quarantine) for cell in cells]
    columns: dict[str, pl.Series] = {"text": coded.texts}
    for place, name in enumerate(names):
        values = [None if b else cell[place] for b, cell in zip(bad, cells, strict=True)]
        columns[name] = pl.Series(name, values, dtype=kinds[name])
    reasons = [str(cell) if b else None for b, cell in zip(bad, cells, strict=True)]
    shown = [
        _shown(text, why) if why else None for why, text in zip(reasons, coded.texts, strict=True)
    ]
    held = [b or any(v is not None for v in cell) for b, cell in zip(bad, cells, strict=True)]
    columns[REASON] = pl.Series(reasons, dtype=pl.String)
    columns[SHOWN] = pl.Series(shown, dtype=pl.String)
    columns[HELD] = pl.Series(held, dtype=pl.Boolean)
    return pl.DataFrame(columns)


def _shown(text: str, why: str) -> str:
    """Show an unreadable cell as far as it may be; a date comes with its mask."""
    if why in RECOGNISED:
        return text.strip()
    return text.partition("|")[2] if text.startswith("!") else shown_value(text)
