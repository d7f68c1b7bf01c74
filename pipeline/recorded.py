"""What a fact states: a null and the code "not recorded" state nothing."""

import polars as pl

from schemas.table import Table
from schemas.vocabulary import NOT_RECORDED


def is_recorded(table: Table, name: str, column: pl.Expr) -> pl.Expr:
    """Say whether a value states anything.

    Parameters
    ----------
    table : Table
        The canonical table.
    name : str
        One of its value columns.
    column : polars.Expr
        The values.

    Returns
    -------
    polars.Expr
        False for null and for "not recorded".
    """
    known = column.is_not_null()
    return known & (column != NOT_RECORDED) if name in table.coded else known
