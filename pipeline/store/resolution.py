"""The order of truth: which of several statements about one record is current.

A later stated export wins a key, and a full export replaces all earlier ones of its layout. For what
exports repeat (patient, episode, visit) each value is won for itself, since "not recorded" in one layout
says nothing against another that has it. Nothing here knows in which order the deliveries arrived.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from operator import attrgetter

import polars as pl

from pipeline.recorded import is_recorded
from pipeline.store.holding import Held
from schemas.table import Table

_OTHER = "_other"
_ROW = "_row"


@dataclass(frozen=True)
class Resolution:
    """The current facts of one table and clinic.

    Attributes
    ----------
    current : polars.DataFrame, shape (n_current, n_columns)
        One row for each key, sorted by key.
    n_duplicate : int
        Further rows that say what the current row of their key says.
    n_superseded : int
        Rows that said something else earlier.
    """

    current: pl.DataFrame
    n_duplicate: int
    n_superseded: int


def split_replaced(deliveries: Iterable[Held]) -> tuple[tuple[Held, ...], tuple[Held, ...]]:
    """Part the deliveries that count from those that another one has replaced.

    A full export replaces all of its layout that rank lower. The same file, read with a higher version
    of its codebook, replaces the earlier reading of it: a record that was misread would else stay
    beside the right one, under another key.

    Parameters
    ----------
    deliveries : Iterable of Held
        Deliveries of any clinics.

    Returns
    -------
    tuple of two tuples of Held
        Those that count, highest rank first and equal ranks by identifier; and those replaced.
    """
    ordered = sorted(deliveries, key=attrgetter("delivery"))
    ordered.sort(key=attrgetter("rank"), reverse=True)  # equal ranks keep their order
    # The first full delivery of a layout, and the first reading of a file, are the highest.
    full: dict[tuple[str, str], Held] = {}
    reading: dict[tuple[tuple[str, str], str], Held] = {}
    for held in ordered:
        reading.setdefault((held.layout, held.source_sha256), held)
        if held.kind == "full":
            full.setdefault(held.layout, held)
    replaced = {
        held.delivery
        for held in ordered
        if held.rank < full.get(held.layout, held).rank
        or held.rank < reading[held.layout, held.source_sha256].rank
    }
    return (
        tuple(held for held in ordered if held.delivery not in replaced),
        tuple(held for held in ordered if held.delivery in replaced),
    )


def resolve_table(table: Table, frames: Sequence[pl.DataFrame]) -> Resolution:
    """Choose the current row of every key.

    Parameters
    ----------
    table : Table
        The canonical table.
    frames : sequence of polars.DataFrame
        At least one delivery's rows each, sorted by key, highest rank first.

    Returns
    -------
    Resolution
        Current rows, and how many others there were.
    """
    if len(frames) == 1:
        return Resolution(frames[0], 0, 0)
    key = list(table.key)
    rows = pl.concat(frames).with_row_index(_ROW)
    chosen = rows.unique(key, keep="first", maintain_order=True)
    others = rows.join(chosen.select(_ROW), on=_ROW, how="anti")
    if table.repeats:
        chosen = _with_known_values(table, chosen, rows)
    current = chosen.drop(_ROW).sort(key)
    n_superseded = count_differing(table, others.drop(_ROW), current) if others.height else 0
    return Resolution(current, others.height - n_superseded, n_superseded)


def count_differing(table: Table, some: pl.DataFrame, others: pl.DataFrame) -> int:
    """Count rows whose key has other values in a second frame.

    Parameters
    ----------
    table : Table
        The canonical table.
    some : polars.DataFrame
        Rows to count.
    others : polars.DataFrame
        Rows to compare with, each key once.

    Returns
    -------
    int
        Number of rows of ``some`` that ``others`` contradicts. A missing value differs from a stated
        one, but not in what exports repeat.
    """
    names = list(table.key) + list(table.values)
    pairs = some.select(names).join(
        others.select(names), on=list(table.key), how="inner", suffix=_OTHER, nulls_equal=True
    )
    differs = [_contradicts(table, value) for value in table.values]
    return pairs.filter(pl.any_horizontal(differs)).height


def _contradicts(table: Table, value: str) -> pl.Expr:
    one, other = pl.col(value), pl.col(value + _OTHER)
    if not table.repeats:
        return one.ne_missing(other)
    known = is_recorded(table, value, one) & is_recorded(table, value, other)
    return known & (one != other).fill_null(value=False)


def _with_known_values(table: Table, chosen: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Fill what the current row lacks with what the highest other row says."""
    key = list(table.key)
    known = rows.group_by(key, maintain_order=True).agg(
        pl.col(value).filter(is_recorded(table, value, pl.col(value))).first().alias(value + _OTHER)
        for value in table.values
    )
    joined = chosen.join(known, on=key, how="left", maintain_order="left")
    filled = [pl.coalesce(value + _OTHER, value).alias(value) for value in table.values]
    return joined.with_columns(filled).select(chosen.columns)
