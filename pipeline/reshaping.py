"""Turn decoded columns into canonical records: one fact a row, whatever the export's shape.

Every source row is described by a record of the codebook, declared out of scope, or kept as a row that
no record describes. Where records have conditions (``when``), a row has to meet one of them: patient and
visit, which every row yields, do not make up for a kind of row that nobody declared.
"""

from dataclasses import dataclass

import polars as pl

from pipeline.coded import with_texts
from pipeline.convention import FAILURE, apply_conventions, fill_not_recorded
from pipeline.harmonisation import (
    HELD,
    REASON,
    SHOWN,
    HarmonisedColumn,
    Kinds,
    canonical_columns,
    decode_constant,
)
from pipeline.linking import UNLINKED
from pipeline.pseudonymisation import SINGLE_EPISODE, key_column
from pipeline.reading.reading import LINE, RECORD
from pipeline.recorded import is_recorded
from schemas.layout import Layout
from schemas.record import Conditions, Piece, Record
from schemas.table import TABLES, Table

ORIGIN = "\x1forigin"
"""Column with the place in ``Reshaped.origins`` of what yields a fact."""

_DEFAULTS: dict[str, str | int] = {"trial": 1, "grade_modifier": "none"}
_FROM_PATIENT = ("visit", "episode", "clinician")
_ROW = "\x1frow"


@dataclass(frozen=True)
class Origin:
    """What yields a fact: a record of the codebook, on rows of one part.

    Attributes
    ----------
    part : str
        Part of the export.
    headers : dict of str to str
        Canonical column to the header that it is taken from.
    """

    part: str
    headers: dict[str, str]


@dataclass(frozen=True)
class Reshaped:
    """Canonical facts of one export, or of one part of it, before validation.

    Attributes
    ----------
    tables : dict of str to polars.DataFrame
        For each canonical table the facts that can be read: key and value columns, ``RECORD`` and
        ``ORIGIN``.
    failed : dict of str to polars.DataFrame
        For each canonical table the facts that cannot: the same columns, and ``FAILURE``.
    origins : tuple of Origin
        What ``ORIGIN`` counts.
    undescribed : dict of str to polars.DataFrame
        By part, ``RECORD`` and ``LINE`` of the rows that no record of the codebook describes.
    n_rows : int
        Rows that were read.
    n_out_of_scope : int
        Rows that the codebook declares out of scope.
    """

    tables: dict[str, pl.DataFrame]
    failed: dict[str, pl.DataFrame]
    origins: tuple[Origin, ...]
    undescribed: dict[str, pl.DataFrame]
    n_rows: int
    n_out_of_scope: int


def reshape(
    frame: pl.DataFrame, columns: dict[Piece, HarmonisedColumn], layout: Layout, kinds: Kinds
) -> Reshaped:
    """Build the canonical facts of one part.

    Parameters
    ----------
    frame : polars.DataFrame, shape (n_records, n_columns)
        Screened and pseudonymised text columns.
    columns : dict of Piece to HarmonisedColumn
        The decoded columns.
    layout : Layout
        What each row becomes.
    kinds : dict of str to polars.DataType
        Type of each canonical column.

    Returns
    -------
    Reshaped
        Facts by table; repeated records of a visit are one fact.
    """
    scoped = ~_any_condition(frame, layout.out_of_scope)
    has_conditions = any(record.when for record in layout.records)
    described = ~scoped
    parts = _Parts()
    for number, record in enumerate(layout.records):
        meant = scoped & _meant(frame, columns, layout, record)
        table = TABLES[record.table]
        repeats = table.repeats if record.repeats is None else record.repeats
        rows = _distinct_rows(frame, meant, record, layout) if repeats else meant.arg_true()
        facts = _facts((frame, rows), columns, layout, record, kinds)
        parts.add(table, facts.with_columns(pl.lit(number, dtype=pl.UInt16).alias(ORIGIN)), repeats)
        if record.when or not has_conditions:
            described |= meant
    return Reshaped(
        tables=parts.together(parts.read),
        failed=parts.together(parts.failed),
        origins=tuple(Origin(layout.part, _headers(layout, record)) for record in layout.records),
        undescribed={layout.part: frame.filter(~described).select(RECORD, LINE)},
        n_rows=frame.height,
        n_out_of_scope=frame.height - int(scoped.sum()),
    )


def merge_parts(parts: list[Reshaped]) -> Reshaped:
    """Put the facts of several parts of an export together.

    Parameters
    ----------
    parts : list of Reshaped
        Facts of each part.

    Returns
    -------
    Reshaped
        Facts of the export; a record that several parts state is one fact where they agree.
    """
    if len(parts) == 1:
        return parts[0]
    merged = _Parts()
    origins: list[Origin] = []
    for part in parts:
        moved = (pl.col(ORIGIN) + len(origins)).cast(pl.UInt16)
        for found, frames in ((part.tables, merged.read), (part.failed, merged.failed)):
            for name, facts in found.items():
                frames[name].append(facts.with_columns(moved.alias(ORIGIN)))
        origins += part.origins
    return Reshaped(
        tables=merged.together(merged.read),
        failed=merged.together(merged.failed),
        origins=tuple(origins),
        undescribed={name: rows for part in parts for name, rows in part.undescribed.items()},
        n_rows=sum(part.n_rows for part in parts),
        n_out_of_scope=sum(part.n_out_of_scope for part in parts),
    )


class _Parts:
    """Facts by table as they come, those that can be read and those that cannot."""

    def __init__(self) -> None:
        self.read: dict[str, list[pl.DataFrame]] = {name: [] for name in TABLES}
        self.failed: dict[str, list[pl.DataFrame]] = {name: [] for name in TABLES}

    def add(self, table: Table, facts: pl.DataFrame, repeats: bool) -> None:  # noqa: FBT001 - of the record
        bad = facts["reason"].is_not_null()
        read, failed = facts.drop(FAILURE), facts.clear()
        if bad.any():
            read, failed = read.filter(~bad), facts.filter(bad)
        self.read[table.name].append(_collapse(read, table) if repeats else read)
        self.failed[table.name].append(_distinct(failed, table) if repeats else failed)

    @staticmethod
    def together(frames: dict[str, list[pl.DataFrame]]) -> dict[str, pl.DataFrame]:
        found = {}
        for name, parts in frames.items():
            if not parts:
                continue
            table, facts = TABLES[name], pl.concat(parts)
            if table.repeats and len(parts) > 1:
                facts = (
                    _distinct(facts, table)
                    if "reason" in facts.columns
                    else _collapse(facts, table)
                )
            found[name] = facts
        return found


def count_out_of_scope(frame: pl.DataFrame, layout: Layout) -> int:
    """Count the rows that the codebook declares out of scope.

    Parameters
    ----------
    frame : polars.DataFrame
        Text columns of one part.
    layout : Layout
        The part.

    Returns
    -------
    int
        Rows that are no record on purpose.
    """
    return int(_any_condition(frame, layout.out_of_scope).sum())


def _meant(
    frame: pl.DataFrame,
    columns: dict[Piece, HarmonisedColumn],
    layout: Layout,
    record: Record,
) -> pl.Series:
    """Say which rows yield a record: its conditions hold, and there is something in it."""
    meant = _condition(frame, record.when) & _filled(frame, record, layout)
    pieces = [piece for piece in layout.pieces(record).values() if piece.component]
    if not pieces:
        return meant
    rows = pl.int_range(frame.height, eager=True)
    held = pl.repeat(value=False, n=frame.height, eager=True)
    for piece in pieces:
        held |= columns[piece].at(HELD, rows)
    return meant & held


def _distinct_rows(
    frame: pl.DataFrame, meant: pl.Series, record: Record, layout: Layout
) -> pl.Series:
    """Keep the first of rows that are alike in all that a record takes from them."""
    sources = {*layout.sources(record).values(), *_key_sources(record, layout).values()}
    if UNLINKED in frame.columns:
        sources.add(UNLINKED)
    used = frame.select(pl.int_range(pl.len(), dtype=pl.UInt32).alias(_ROW), *sorted(sources))
    alike = used.filter(meant).unique(sorted(sources), keep="first", maintain_order=True)
    return alike[_ROW]


def _headers(layout: Layout, record: Record) -> dict[str, str]:
    return {
        name: header
        for field, header in layout.sources(record).items()
        for name in canonical_columns(field)
    }


def _all_rows(frame: pl.DataFrame, *, value: bool) -> pl.Series:
    return pl.repeat(value, frame.height, dtype=pl.Boolean, eager=True)


def _condition(frame: pl.DataFrame, when: Conditions) -> pl.Series:
    meets = _all_rows(frame, value=True)
    for header, values in when.items():
        meets &= with_texts(frame[header], values)
    return meets


def _any_condition(frame: pl.DataFrame, conditions: tuple[Conditions, ...]) -> pl.Series:
    meets = _all_rows(frame, value=False)
    for when in conditions:
        meets |= _condition(frame, when)
    return meets


def _filled(frame: pl.DataFrame, record: Record, layout: Layout) -> pl.Series:
    filled = _all_rows(frame, value=not record.where_filled)
    for header in record.where_filled:
        filled |= ~with_texts(frame[header], layout.missing_in(header))
    return filled


def _facts(
    where: tuple[pl.DataFrame, pl.Series],
    columns: dict[Piece, HarmonisedColumn],
    layout: Layout,
    record: Record,
    kinds: Kinds,
) -> pl.DataFrame:
    frame, rows = where
    table = TABLES[record.table]
    used = [columns[piece] for piece in layout.pieces(record).values()]
    values = _constants(record, rows.len(), kinds)
    for column in used:
        for name in column.values:
            if name in table.columns:
                own = column.at(name, rows)
                values[name] = values[name].fill_null(own) if name in values else own
    for name, source in _key_sources(record, layout).items():
        values[name] = frame[source].gather(rows)
    facts = pl.DataFrame([_column(n, values, layout, rows.len(), kinds) for n in _columns(table)])
    facts = facts.with_columns(frame[RECORD].gather(rows), *_failures(rows, used))
    return apply_conventions(fill_not_recorded(facts, table), where, used, layout, record)


def _constants(record: Record, n_rows: int, kinds: Kinds) -> dict[str, pl.Series]:
    values: dict[str, pl.Series] = {}
    for field, constant in record.set.items():
        if field not in _FROM_PATIENT:
            named = zip(canonical_columns(field), decode_constant(field, constant), strict=True)
            values |= {n: pl.repeat(v, n_rows, dtype=kinds[n], eager=True) for n, v in named}
    return values


def _columns(table: Table) -> list[str]:
    return list(table.key | table.values)


def _column(
    name: str, values: dict[str, pl.Series], layout: Layout, n_rows: int, kinds: Kinds
) -> pl.Series:
    if name in values:
        return values[name].alias(name)
    default = {"clinic": layout.clinic, "joint": layout.joint}.get(name, _DEFAULTS.get(name))
    return pl.repeat(default, n_rows, dtype=kinds[name], eager=True).alias(name)


def _key_sources(record: Record, layout: Layout) -> dict[str, str]:
    """Columns of the pseudonyms that a record takes from a constant or a date."""
    sources = layout.sources(record)
    known = _columns(TABLES[record.table])
    found: dict[str, str] = {}
    for field in _FROM_PATIENT:
        if field in sources or field not in known:
            continue
        if field in record.set:
            found[field] = key_column(field, str(record.set[field]))
        elif field == "episode":
            found[field] = key_column(field, SINGLE_EPISODE)
        elif field == "visit":
            found[field] = key_column(field, sources["visit_date"])
    return found


def _failures(rows: pl.Series, used: list[HarmonisedColumn]) -> list[pl.Series]:
    """Find the first unreadable cell of each row: its reason, header and value."""
    nothing = pl.repeat(None, rows.len(), dtype=pl.String, eager=True)
    found = dict.fromkeys(FAILURE, nothing)
    for column in used:
        if not column.has_reasons:
            continue
        reason = column.at(REASON, rows)
        is_new = found["reason"].is_null() & reason.is_not_null()
        header = pl.repeat(column.piece.column, rows.len(), eager=True)
        for name, values in zip(FAILURE, (reason, header, column.at(SHOWN, rows)), strict=True):
            found[name] = values.zip_with(is_new, found[name])
    return [values.alias(name) for name, values in found.items()]


def _distinct(facts: pl.DataFrame, table: Table) -> pl.DataFrame:
    """Keep one of equal facts."""
    what = [name for name in (*_columns(table), *FAILURE) if name in facts.columns]
    return facts.unique(subset=what, keep="first", maintain_order=True)


def _collapse(facts: pl.DataFrame, table: Table) -> pl.DataFrame:
    """Make one fact of equal repeats; "not recorded" on one row does not contradict another row."""
    distinct = _distinct(facts, table)
    if not distinct.select(list(table.key)).is_duplicated().any():
        return distinct
    filled = distinct.with_columns(_filled_over(name, table) for name in table.values)
    return _distinct(filled, table)


def _filled_over(name: str, table: Table) -> pl.Expr:
    """Give a row that lacks a value the one that all other rows of its key agree on."""
    key = list(table.key)
    found = pl.col(name)
    known = is_recorded(table, name, found)
    values = pl.when(known).then(found)
    one = values.drop_nulls().n_unique().over(key) == 1
    return pl.when(~known & one).then(values.max().over(key)).otherwise(found).alias(name)
