"""How many facts a row of an export holds, worked out from its codebook alone."""

from typing import Any

import polars as pl

from schemas.layout import Layout
from schemas.record import Record


def n_facts(layout: Layout, record: Record) -> pl.Expr:
    """Count the facts of one record in each row.

    Parameters
    ----------
    layout : Layout
        Layout of the part.
    record : Record
        One of its records.

    Returns
    -------
    polars.Expr
        0, 1, or 2 where the row says the same of each side.
    """
    yields = pl.lit(True)  # noqa: FBT003 - the neutral element
    for header, values in record.when.items():
        yields &= pl.col(header).is_in(list(values))
    if record.where_filled:
        yields &= pl.any_horizontal(_is_filled(layout, h) for h in record.where_filled)
    for piece in layout.pieces(record).values():
        if piece.component:
            yields &= _is_filled(layout, piece.column)
    n = pl.lit(1)
    side = layout.sources(record).get("side")
    if record.both_sides == "each" and side:
        both = [value for value, code in layout.columns[side].codes.items() if code == "both"]
        n = pl.when(pl.col(side).is_in(both)).then(2).otherwise(1)
    return pl.when(yields.fill_null(value=False)).then(n).otherwise(0)


def facts_from(layout: Layout, row: dict[str, Any], header: str | None) -> list[str]:
    """List the facts of a row that rest on one of its cells.

    Parameters
    ----------
    layout : Layout
        Layout of the part.
    row : dict of str to str or None
        Header to cell.
    header : str or None
        The cell; None: all facts of the row.

    Returns
    -------
    list of str
        Canonical table of each fact; a table as often as it has facts.
    """
    own = [h for h in layout.own if h in row]
    frame = pl.DataFrame({h: [row[h]] for h in own}, schema=dict.fromkeys(own, pl.String))
    brought = {h for link in layout.links if header in link.on for h in link.brings}
    tables = []
    for record in layout.records:
        used = set(layout.sources(record).values())
        if header is None or header in used or used & brought:
            tables += [record.table] * int(frame.select(n_facts(layout, record)).item())
    return tables


def _is_filled(layout: Layout, header: str) -> pl.Expr:
    missing = sorted(layout.missing_in(header))
    return pl.col(header).is_not_null() & ~pl.col(header).is_in(missing)
