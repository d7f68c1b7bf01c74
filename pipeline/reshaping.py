"""Turn decoded columns into canonical records: one fact a row, whatever the export's shape.

Every source row is described by a record of the codebook, declared out of scope, or kept as a row that
no record describes. Where records have conditions (``when``), a row has to meet one of them: patient and
visit, which every row yields, do not make up for a kind of row that nobody declared.
"""

import re
from dataclasses import dataclass

import polars as pl

from pipeline.harmonisation import HarmonisedColumn, canonical_columns, decode_constant
from pipeline.notation.angle import from_straight_180
from pipeline.pseudonymisation import SINGLE_EPISODE, key_column
from pipeline.reading.delimited import RECORD
from pipeline.recorded import is_recorded
from pipeline.screening import mask
from schemas.codebook import Codebook, Record
from schemas.reason import Quarantine
from schemas.table import TABLES, Table
from schemas.vocabulary import NOT_RECORDED, code_list, motion_of

FAILURE = ("reason", "column", "value")
"""Columns beside each fact: why it cannot be read, where, and what was found; null where it can."""

_PLAIN_VALUE = re.compile(r"(?:[\d\s.,;:<>≤≥~°+/x*()-]|s|sec|min|deg|mm){1,20}")
_TRADE_WORDS = ("full", "limited", "normal", "wnl", "nt", "nad", "n/a", "i", "ii", "iii", "iv", "v")
_DEFAULTS: dict[str, str | int] = {"trial": 1, "grade_modifier": "none"}
_FROM_PATIENT = ("visit", "episode", "clinician")


@dataclass(frozen=True)
class Reshaped:
    """Canonical facts of one export, before validation.

    Attributes
    ----------
    tables : dict of str to polars.DataFrame
        For each canonical table its key and value columns, ``source_record`` and ``FAILURE``.
    headers : dict of str to dict of str to str
        For each table: canonical column to the header, or headers, that it is taken from.
    undescribed : polars.DataFrame
        ``source_record`` of the rows that no record of the codebook describes.
    n_rows : int
        Rows of the export.
    n_out_of_scope : int
        Rows that the codebook declares out of scope.
    """

    tables: dict[str, pl.DataFrame]
    headers: dict[str, dict[str, str]]
    undescribed: pl.DataFrame
    n_rows: int
    n_out_of_scope: int


def reshape(
    frame: pl.DataFrame, columns: dict[str, HarmonisedColumn], codebook: Codebook
) -> Reshaped:
    """Build the canonical facts.

    Parameters
    ----------
    frame : polars.DataFrame, shape (n_records, n_columns)
        Screened and pseudonymised text columns.
    columns : dict of str to HarmonisedColumn
        The decoded columns by header.
    codebook : Codebook
        What each row becomes.

    Returns
    -------
    Reshaped
        Facts by table; repeated records of a visit are one fact.
    """
    scoped = ~_mask(frame, _any_condition(codebook.out_of_scope))
    has_conditions = any(record.when for record in codebook.records)
    described = ~scoped
    parts: dict[str, list[pl.DataFrame]] = {name: [] for name in TABLES}
    for record in codebook.records:
        meant = scoped & _mask(frame, _condition(record.when) & _filled(record, codebook))
        table = TABLES[record.table]
        repeats = table.repeats if record.repeats is None else record.repeats
        rows = _distinct_rows(frame, meant, record, codebook) if repeats else meant.arg_true()
        facts = _facts(frame, rows, columns, codebook, record)
        parts[record.table].append(_collapse(facts, table) if repeats else facts)
        if record.when or not has_conditions:
            described |= meant
    return Reshaped(
        tables={name: _together(TABLES[name], frames) for name, frames in parts.items() if frames},
        headers=_headers(codebook),
        undescribed=frame.filter(~described).select(RECORD),
        n_rows=frame.height,
        n_out_of_scope=frame.height - int(scoped.sum()),
    )


def _mask(frame: pl.DataFrame, condition: pl.Expr) -> pl.Series:
    """Say for each row whether a condition holds."""
    return frame.select(condition.and_(pl.int_range(pl.len()) >= 0)).to_series()


def _distinct_rows(
    frame: pl.DataFrame, meant: pl.Series, record: Record, codebook: Codebook
) -> pl.Series:
    """Keep the first of rows that are alike in all that a record takes from them."""
    sources = {*codebook.sources(record).values(), *_key_sources(record, codebook).values()}
    used = frame.select(pl.int_range(pl.len(), dtype=pl.UInt32).alias("\x1frow"), *sorted(sources))
    alike = used.filter(meant).unique(sorted(sources), keep="first", maintain_order=True)
    return alike["\x1frow"]


def shown_value(text: str) -> str:
    """Give a value as it may be shown: numbers and trade words in clear, other words masked.

    Parameters
    ----------
    text : str
        A cell.

    Returns
    -------
    str
        The cell, or its shape.

    Examples
    --------
    >>> shown_value(">45"), shown_value("full"), shown_value("Ms Example")
    ('>45', 'full', 'xx xxxxxxx')
    """
    plain = _PLAIN_VALUE.fullmatch(text) and sum(c.isdigit() for c in text) < 7
    if plain or text.strip().rstrip("+-").strip().lower() in _TRADE_WORDS:
        return text.strip()
    return mask(text)


def _headers(codebook: Codebook) -> dict[str, dict[str, str]]:
    found: dict[str, dict[str, str]] = {name: {} for name in TABLES}
    for record in codebook.records:
        own = found[record.table]
        for field, header in codebook.sources(record).items():
            for name in canonical_columns(field):
                before = own.get(name)
                if before is None:
                    own[name] = header
                elif header not in before.split(" or "):
                    own[name] = f"{before} or {header}"
    return found


def _condition(when: dict[str, tuple[str, ...]]) -> pl.Expr:
    condition = pl.lit(value=True)
    for header, values in when.items():
        condition = condition & pl.col(header).str.strip_chars().is_in(list(values))
    return condition


def _any_condition(conditions: tuple[dict[str, tuple[str, ...]], ...]) -> pl.Expr:
    found = pl.lit(value=False)
    for when in conditions:
        found = found | _condition(when)
    return found


def _filled(record: Record, codebook: Codebook) -> pl.Expr:
    if not record.where_filled:
        return pl.lit(value=True)
    filled = pl.lit(value=False)
    for header in record.where_filled:
        missing = sorted(codebook.missing_in(header))
        filled = filled | ~pl.col(header).str.strip_chars().is_in(missing)
    return filled


def _facts(
    frame: pl.DataFrame,
    rows: pl.Series,
    columns: dict[str, HarmonisedColumn],
    codebook: Codebook,
    record: Record,
) -> pl.DataFrame:
    table = TABLES[record.table]
    used = [columns[header] for header in codebook.sources(record).values()]
    values: dict[str, pl.Series] = {}
    for column in used:
        values |= {n: s.gather(rows) for n, s in column.values.items() if n in table.columns}
    for field, constant in record.set.items():
        named = zip(canonical_columns(field), decode_constant(field, constant), strict=True)
        values |= {
            n: pl.repeat(v, rows.len(), eager=True) for n, v in named if field not in _FROM_PATIENT
        }
    values |= {
        n: frame[source].gather(rows) for n, source in _key_sources(record, codebook).items()
    }
    facts = pl.DataFrame([_column(n, values, codebook, rows.len()) for n in _columns(table)])
    facts = facts.with_columns(frame[RECORD].gather(rows).alias(RECORD))
    facts = facts.with_columns(_failures(frame, rows, used))
    return _with_conventions(facts, table, codebook, record)


def _columns(table: Table) -> list[str]:
    return list(table.key | table.values)


def _column(name: str, values: dict[str, pl.Series], codebook: Codebook, n_rows: int) -> pl.Series:
    kind = next(t.columns[name] for t in TABLES.values() if name in t.columns)
    if name in values:
        series = values[name].cast(kind)
        if kind == pl.String():
            series = series.replace("", None)
    else:
        default = {"clinic": codebook.clinic, "joint": codebook.joint}.get(
            name, _DEFAULTS.get(name)
        )
        series = pl.repeat(default, n_rows, dtype=kind, eager=True)
    return series.alias(name)


def _key_sources(record: Record, codebook: Codebook) -> dict[str, str]:
    """Columns of the pseudonyms that a record takes from a constant or a date."""
    sources = codebook.sources(record)
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


def _failures(
    frame: pl.DataFrame, rows: pl.Series, used: list[HarmonisedColumn]
) -> list[pl.Series]:
    """Find the first unreadable cell of each row: its reason, header and value."""
    found: dict[int, tuple[str, str, str]] = {}
    for column in used:
        if column.reason is None:
            continue
        reasons = column.reason.gather(rows)
        for place in reasons.is_not_null().arg_true():
            if place not in found:
                text = frame[column.header][int(rows[place])]
                shown = text.partition("|")[2] if text.startswith("!") else shown_value(text)
                found[place] = (reasons[place], column.header, shown)
    empty_cells = pl.repeat(None, rows.len(), dtype=pl.String, eager=True)
    return [
        empty_cells.scatter(list(found), [cell[part] for cell in found.values()]).alias(name)
        if found
        else empty_cells.alias(name)
        for part, name in enumerate(FAILURE)
    ]


def _with_conventions(
    facts: pl.DataFrame, table: Table, codebook: Codebook, record: Record
) -> pl.DataFrame:
    """Apply what holds for whole facts: the code for "not recorded", and the zero of an angle."""
    own = [n for n in table.coded if n in table.values or n == "instrument"]
    facts = facts.with_columns(pl.col(name).fill_null(NOT_RECORDED) for name in own)
    if table.name == "treatment":
        neutral = (pl.col("bias_direction") == "neutral") & (pl.col("bias_manner") == NOT_RECORDED)
        manner = pl.when(neutral).then(pl.lit("not_applicable")).otherwise(pl.col("bias_manner"))
        facts = facts.with_columns(
            pl.col("grade").fill_null(NOT_RECORDED), manner.alias("bias_manner")
        )
    if (
        table.name == "patient"
    ):  # the age at the first record stands for a patient whose age goes on
        facts = facts.with_columns(pl.col("age_years").min().over("patient"))
    angle = codebook.sources(record).get("angle")
    if angle is not None and codebook.columns[angle].zero == "straight_180":
        facts = _neutral_zero(facts)
    return facts


def _neutral_zero(facts: pl.DataFrame) -> pl.DataFrame:
    motions = {d: motion_of(d) for d in code_list("test_definition")}
    offset = pl.col("definition").replace_strict(motions, default=None, return_dtype=pl.String)
    straight = pl.col("angle_hundredth_deg")
    sign = {m: from_straight_180(0, m) for m in ("flexion", "extension")}
    turned = (
        pl.when(offset == "flexion")
        .then(pl.lit(sign["flexion"]) - straight)
        .when(offset == "extension")
        .then(straight + pl.lit(sign["extension"]))
    )
    refused = offset.is_in(["flexion", "extension"]).not_() & pl.col("reason").is_null()
    return facts.with_columns(
        turned.alias("angle_hundredth_deg"),
        pl.when(refused)
        .then(pl.lit(str(Quarantine.ANGLE_IMPOSSIBLE)))
        .otherwise(pl.col("reason"))
        .alias("reason"),
    )


def _collapse(facts: pl.DataFrame, table: Table) -> pl.DataFrame:
    """Make one fact of equal repeats; "not recorded" on one row does not contradict another row."""
    what = [*_columns(table), *FAILURE]
    distinct = facts.unique(subset=what, keep="first", maintain_order=True)
    filled = distinct.with_columns(_filled_over(name, table) for name in table.values)
    return filled.unique(subset=what, keep="first", maintain_order=True)


def _filled_over(name: str, table: Table) -> pl.Expr:
    """Give a row that lacks a value the one that all other rows of its key agree on."""
    key = list(table.key)
    found = pl.col(name)
    known = is_recorded(table, name, found)
    readable = pl.col("reason").is_null()
    values = pl.when(known & readable).then(found)
    one = values.drop_nulls().n_unique().over(key) == 1
    return (
        pl.when(~known & readable & one).then(values.max().over(key)).otherwise(found).alias(name)
    )


def _together(table: Table, frames: list[pl.DataFrame]) -> pl.DataFrame:
    facts = pl.concat(frames) if len(frames) > 1 else frames[0]
    if table.repeats and len(frames) > 1:
        facts = _collapse(facts, table)
    return facts
