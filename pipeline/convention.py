"""Conventions that hold for whole facts: zero, norm, position, sides, and what was looked up.

Each one takes facts and gives them back, some of them with a reason why they cannot be accepted.
"""

import polars as pl

from pipeline.harmonisation import POSITION, HarmonisedColumn
from pipeline.linking import UNLINKED
from pipeline.notation.angle import from_straight_180
from schemas.check import OLDEST
from schemas.field import BOTH_SIDES
from schemas.layout import Layout
from schemas.reason import Quarantine
from schemas.record import Record
from schemas.table import Table
from schemas.vocabulary import NOT_RECORDED, code_list, motion_of

FAILURE = ("reason", "column", "value")
"""Columns beside each fact: why it cannot be read, where, and what was found; null where it can."""

_MARK, _WHY, _WHERE = "\x1fmark", "\x1fwhy", "\x1fwhere"


def apply_conventions(
    facts: pl.DataFrame,
    rows: tuple[pl.DataFrame, pl.Series],
    used: list[HarmonisedColumn],
    layout: Layout,
    record: Record,
) -> pl.DataFrame:
    """Apply every convention to the facts of one record.

    Parameters
    ----------
    facts : polars.DataFrame, shape (n_facts, n_columns)
        Canonical columns and ``FAILURE``.
    rows : tuple of polars.DataFrame and polars.Series
        The part's text, and the positions of the rows that the facts were taken from.
    used : list of HarmonisedColumn
        The decoded columns that the record takes.
    layout : Layout
        The part.
    record : Record
        The record.

    Returns
    -------
    polars.DataFrame
        The facts; a row about both sides may have become two.
    """
    frame, at = rows
    facts = _with_positions(facts, at, used)
    facts = _with_unlinked(facts, frame, at, record, layout)
    facts = _with_zero(facts, layout, record)
    header = layout.sources(record).get("side")
    return facts if header is None else _with_sides(facts, record, header)


def fill_not_recorded(facts: pl.DataFrame, table: Table) -> pl.DataFrame:
    """Give what a fact does not state the code for "not recorded".

    Parameters
    ----------
    facts : polars.DataFrame
        Canonical columns of one table.
    table : Table
        The table.

    Returns
    -------
    polars.DataFrame
        The facts.
    """
    own = [n for n in table.coded if n in table.values or n == "instrument"]
    if table.name == "treatment":
        own.append("grade")
    facts = facts.with_columns(
        pl.col(name).fill_null(pl.lit(NOT_RECORDED, dtype=facts.schema[name])) for name in own
    )
    if table.name == "treatment":
        neutral = (pl.col("bias_direction") == "neutral") & (pl.col("bias_manner") == NOT_RECORDED)
        none = pl.lit("not_applicable", dtype=facts.schema["bias_manner"])
        facts = facts.with_columns(
            pl.when(neutral).then(none).otherwise("bias_manner").alias("bias_manner")
        )
    if table.name == "patient":
        # The age at the first record stands for a patient whose age goes on; an age that cannot be
        # believed stays beside it, to be quarantined.
        believed = pl.col("age_years").is_between(0, OLDEST)
        first = pl.when(believed).then("age_years").min().over("patient")
        facts = facts.with_columns(
            pl.when(believed).then(first).otherwise("age_years").alias("age_years")
        )
    return facts


def _refuse(
    facts: pl.DataFrame, wrong: pl.Expr, reason: Quarantine | pl.Expr, column: str | pl.Expr
) -> pl.DataFrame:
    """Give facts a reason where they have none yet."""
    why = pl.lit(str(reason)) if isinstance(reason, Quarantine) else reason
    where = pl.lit(column) if isinstance(column, str) else column
    new = wrong & pl.col("reason").is_null()
    return facts.with_columns(
        pl.when(new).then(why).otherwise("reason").alias("reason"),
        pl.when(new).then(where).otherwise("column").alias("column"),
    )


def _with_positions(
    facts: pl.DataFrame, rows: pl.Series, used: list[HarmonisedColumn]
) -> pl.DataFrame:
    """Refuse an angle whose cell states another position than its test definition."""
    for column in used:
        if POSITION not in column.table.columns or "definition" not in facts.columns:
            continue
        stated = column.at(POSITION, rows)
        if stated.null_count() == len(stated):
            continue
        nominal = {
            code: entry.details.get("hip_flexion_deg")
            for code, entry in code_list("test_definition").items()
        }
        defined = facts["definition"].replace_strict(nominal, default=None, return_dtype=pl.Int64)
        wrong = stated.is_not_null() & stated.ne_missing(defined)
        facts = _refuse(
            facts.with_columns(wrong.alias(_MARK)),
            pl.col(_MARK),
            Quarantine.POSITION_DIFFERS,
            column.piece.column,
        ).drop(_MARK)
    return facts


def _with_unlinked(
    facts: pl.DataFrame, frame: pl.DataFrame, rows: pl.Series, record: Record, layout: Layout
) -> pl.DataFrame:
    """Give the reason of a failed look-up to facts that needed it."""
    if UNLINKED not in frame.columns:
        return facts
    failed = frame[UNLINKED].gather(rows).cast(pl.String)
    if failed.null_count() == len(failed):
        return facts
    used = set(layout.sources(record).values())
    needed = [n for n, link in enumerate(layout.links) if used & set(link.brings)]
    parts = failed.str.splitn("|", 3).struct.rename_fields(["why", "link", "where"]).struct.unnest()
    wrong = (parts["link"].cast(pl.Int64) <= max(needed, default=-1)).fill_null(value=False)
    marked = facts.with_columns(
        wrong.alias(_MARK), parts["why"].alias(_WHY), parts["where"].alias(_WHERE)
    )
    # The failed look-up is the cause; a missing or unreadable value behind it is the consequence.
    marked = marked.with_columns(
        pl.when(_MARK).then(None).otherwise(pl.col(name)).alias(name) for name in FAILURE
    )
    refused = _refuse(marked, pl.col(_MARK), pl.col(_WHY), pl.col(_WHERE))
    return refused.drop(_MARK, _WHY, _WHERE)


def _with_zero(facts: pl.DataFrame, layout: Layout, record: Record) -> pl.DataFrame:
    """Bring an angle to neutral-zero, and refuse a norm or a zero of another motion."""
    header = layout.sources(record).get("angle")
    if header is None:
        return facts
    column = layout.columns[header]
    motions = {d: motion_of(d) for d in code_list("test_definition")}
    motion = pl.col("definition").replace_strict(motions, default=None, return_dtype=pl.String)
    if column.zero == "straight_180":
        facts = _neutral_zero(facts, motion, header)
    if column.percent_of is not None:
        expected = str(code_list("norm")[column.percent_of].details["motion"])
        facts = _refuse(facts, motion != expected, Quarantine.NORM_DIFFERS, header)
    return facts


def _neutral_zero(facts: pl.DataFrame, motion: pl.Expr, header: str) -> pl.DataFrame:
    straight = pl.col("angle_hundredth_deg")
    sign = {m: from_straight_180(0, m) for m in ("flexion", "extension")}
    turned = (
        pl.when(motion == "flexion")
        .then(pl.lit(sign["flexion"]) - straight)
        .when(motion == "extension")
        .then(straight + pl.lit(sign["extension"]))
    )
    wrong = motion.is_in(["flexion", "extension"]).not_()
    return _refuse(facts, wrong, Quarantine.ANGLE_IMPOSSIBLE, header).with_columns(
        turned.alias("angle_hundredth_deg")
    )


def _with_sides(facts: pl.DataFrame, record: Record, header: str) -> pl.DataFrame:
    """Make a fact of each side where a row says the same of both, or refuse it."""
    both = (facts["side"] == BOTH_SIDES).fill_null(value=False)
    if not both.any():
        return facts
    one = facts.filter(~both)
    twice = facts.filter(both)
    if record.both_sides == "refuse":
        unknown = twice.with_columns(pl.lit(None, dtype=facts.schema["side"]).alias("side"))
        refused = _refuse(unknown, pl.lit(value=True), Quarantine.SIDE_UNKNOWN, header)
        return pl.concat([one, refused])
    kind = facts.schema["side"]
    sides = [
        twice.with_columns(pl.lit(side, dtype=kind).alias("side")) for side in code_list("side")
    ]
    return pl.concat([one, *sides])
