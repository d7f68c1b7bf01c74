"""Numbers for the groups that labels name."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

Codes = NDArray[np.int64]


def codes_of(labels: pl.DataFrame) -> Codes:
    """Give the distinct rows of labels numbers, in their order.

    Parameters
    ----------
    labels : polars.DataFrame, shape (n, g)
        Labels without nulls.

    Returns
    -------
    ndarray of int, shape (n,)
        Numbers from 0 without gaps.
    """
    keys, span = _keys(labels)
    return renumbered(keys, span if span < 4 * len(keys) + 1000 else None)[0]


def cells_of(labels: pl.DataFrame) -> tuple[Codes, Codes]:
    """Give an order of rows in which each cell's rows stand together, and where each begins.

    Parameters
    ----------
    labels : polars.DataFrame, shape (n, g)
        Labels without nulls.

    Returns
    -------
    order : ndarray of int, shape (n,)
        The order.
    starts : ndarray of int, shape (c,)
        Place of each cell's first row in it.
    """
    keys, _ = _keys(labels)
    order = np.argsort(keys, kind="stable")
    return order, np.flatnonzero(np.diff(keys[order], prepend=-1))


def _keys(labels: pl.DataFrame) -> tuple[Codes, int]:
    """Give distinct rows of labels distinct keys below a bound, in their order."""
    total, span = np.zeros(labels.height, dtype=np.int64), 1
    for series in labels:
        codes, n_levels = _codes(series)
        if span * n_levels > 2**62:
            total, span = renumbered(total)
        total = total * n_levels + codes
        span *= n_levels
    return total, span


def _codes(series: pl.Series) -> tuple[Codes, int]:
    if series.dtype.is_integer():
        values = series.to_numpy()
        low, high = int(values.min()), int(values.max())
        if high - low < 4 * len(values) + 1000:
            return renumbered(values.astype(np.int64) - low, high - low + 1)
        return renumbered(values.astype(np.int64))
    text = series if series.dtype == pl.String else series.cast(pl.String)
    known = text.unique().sort()
    codes = text.replace_strict(known, pl.arange(known.len(), eager=True), return_dtype=pl.Int64)
    return codes.to_numpy(), known.len()


def renumbered(values: Codes, span: int | None = None) -> tuple[Codes, int]:
    """Give distinct values numbers in their order, by a table where their span is short.

    Parameters
    ----------
    values : ndarray of int, shape (n,)
        Values.
    span : int, optional
        They lie from 0 below it.

    Returns
    -------
    codes : ndarray of int, shape (n,)
        Numbers from 0 without gaps.
    n_known : int
        How many there are.
    """
    if span is None:
        known, codes = np.unique(values, return_inverse=True)
        return codes.astype(np.int64), len(known)
    present = np.zeros(span, dtype=bool)
    present[values] = True
    number = np.cumsum(present) - 1
    return number[values].astype(np.int64), int(number[-1]) + 1
