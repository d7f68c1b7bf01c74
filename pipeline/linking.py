"""Bring together the parts of an export: look up the columns that a row has in another part.

A row whose key is not in the other part, or stands there on rows that differ, keeps its number and says
so: its records are quarantined, none is dropped.
"""

from collections.abc import Iterable

import polars as pl

from pipeline.reading.reading import LINE, RECORD
from schemas.layout import Layout, Link
from schemas.reason import Quarantine

UNLINKED = "\x1funlinked"
"""Column with the first look-up that failed, as ``reason|number of the link|header``; null where all were found."""

_HIT = "\x1fhit"
_KEY = "\x1fkey{}"


def link_parts(frames: dict[str, pl.DataFrame], layout: Layout) -> pl.DataFrame:
    """Widen the rows of one part by the columns that it looks up.

    Parameters
    ----------
    frames : dict of str to polars.DataFrame
        Declared text columns of every part, with ``RECORD`` and ``LINE``.
    layout : Layout
        The part and its links.

    Returns
    -------
    polars.DataFrame, shape (n_rows, n_declared + 3)
        All columns of the layout, ``RECORD``, ``LINE`` and, where there are links, ``UNLINKED``; rows in
        their order.
    """
    rows = frames[layout.part]
    if not layout.links:
        return rows
    rows = rows.with_columns(pl.lit(None, dtype=pl.String).alias(UNLINKED))
    for number, link in enumerate(layout.links):
        rows = _widen(rows, frames[link.part], link, number)
    return rows.select(*layout.columns, RECORD, LINE, UNLINKED)


def count_unused(rows: pl.DataFrame, part: str, linked: list[tuple[Layout, pl.DataFrame]]) -> int:
    """Count the rows of a part that no row of another part looks up, directly or through a third.

    Parameters
    ----------
    rows : polars.DataFrame
        Declared text columns of a part that yields no record of its own.
    part : str
        Its name.
    linked : list of tuple of Layout and polars.DataFrame
        The parts that look up, each with its rows as ``link_parts`` has widened them.

    Returns
    -------
    int
        Rows that say nothing about any record.
    """
    for layout, wide in linked:
        for link in layout.links:
            if link.part == part:
                keys = [_KEY.format(n) for n in range(len(link.on))]
                seen = wide.select(_keys(link.on)).unique()
                rows = rows.with_columns(_keys(link.on.values())).join(seen, on=keys, how="anti")
    return rows.height


def _keys(headers: Iterable[str]) -> list[pl.Expr]:
    return [
        pl.col(header).cast(pl.String).str.strip_chars().alias(_KEY.format(n))
        for n, header in enumerate(headers)
    ]


def _widen(rows: pl.DataFrame, other: pl.DataFrame, link: Link, number: int) -> pl.DataFrame:
    keys = [_KEY.format(n) for n in range(len(link.on))]
    found = other.select(*_keys(link.on.values()), *link.brings).unique(maintain_order=True)
    twice = found.select(keys).is_duplicated()
    hits = found.filter(~twice).with_columns(pl.lit(value=True).alias(_HIT))
    doubtful = (
        found.filter(twice).select(keys).unique().with_columns(pl.lit(value=False).alias(_HIT))
    )
    known = pl.concat([hits, doubtful], how="diagonal")
    wide = rows.with_columns(_keys(link.on)).join(known, on=keys, how="left", maintain_order="left")
    header = next(iter(link.on))
    problem = (
        pl.when(pl.col(_HIT).is_null())
        .then(pl.lit(f"{Quarantine.LOOK_UP_MISSING}|{number}|{header}"))
        .when(~pl.col(_HIT))
        .then(pl.lit(f"{Quarantine.LOOK_UP_AMBIGUOUS}|{number}|{header}"))
    )
    return wide.with_columns(
        pl.coalesce(UNLINKED, problem).alias(UNLINKED),
        *(pl.col(name).cast(pl.String).fill_null("") for name in link.brings),
    ).drop(*keys, _HIT)
