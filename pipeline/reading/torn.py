"""Rows that cannot be read, each by itself; and when there are so many that the file is refused."""

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.reading.reading import LINE, RECORD, TORN
from schemas.errors import DeliveryError
from schemas.reason import Quarantine

FEW = 3
"""So many ragged rows are never held against a file. Common practice, no source."""

SHARE = 0.05
"""A larger share of ragged rows speaks for a wrong delimiter. Common practice, no source."""

_SHOWN = 5


def torn_rows(
    records: Sequence[int], lines: Sequence[int], values: Sequence[str], reason: Quarantine
) -> pl.DataFrame:
    """Put rows that could not be read in a frame.

    Parameters
    ----------
    records : sequence of int
        Number of each row within its part, from 1.
    lines : sequence of int
        Line at which each begins, from 1.
    values : sequence of str
        What is wrong with each, without any text of its cells.
    reason : Quarantine
        Why they could not be read.

    Returns
    -------
    polars.DataFrame, shape (n_torn, 4)
        With the columns of ``TORN``.
    """
    content = {RECORD: records, LINE: lines, "reason": [str(reason)] * len(values), "value": values}
    return pl.DataFrame(content, schema=TORN)


def ragged_rows(
    n_cells: np.ndarray[tuple[int], np.dtype[np.int64]],
    lines: np.ndarray[tuple[int], np.dtype[np.int64]],
    n_columns: int,
    name: str,
) -> pl.DataFrame:
    """Find the rows with more or fewer cells than the header.

    Parameters
    ----------
    n_cells : numpy.ndarray, shape (n_rows,)
        Cells of each row; below 0 for a row that is cut off inside quotation marks.
    lines : numpy.ndarray, shape (n_rows,)
        Line at which each begins.
    n_columns : int
        Cells of the header.
    name : str
        Name of the file.

    Returns
    -------
    polars.DataFrame, shape (n_torn, 4)
        These rows, with the columns of ``TORN``.

    Raises
    ------
    DeliveryError
        If there are so many that the file itself must be wrong, or no row is whole.
    """
    ragged = np.flatnonzero(n_cells != n_columns)
    values = [
        "cut off inside quotation marks" if n < 0 else f"{n} cells instead of {n_columns}"
        for n in n_cells[ragged].tolist()
    ]
    is_many = ragged.size > FEW and ragged.size > SHARE * n_cells.size
    if ragged.size and (is_many or ragged.size == n_cells.size):
        places = [f"record {at + 1} (line {lines[at]})" for at in ragged[:_SHOWN].tolist()]
        shown = ", ".join(f"{at}: {value}" for at, value in zip(places, values, strict=False))
        more = f" and {ragged.size - _SHOWN} more" if ragged.size > _SHOWN else ""
        raise DeliveryError(
            name,
            f"the header has {n_columns} columns, but {ragged.size} of {n_cells.size} records differ: "
            f"{shown}{more}",
            "Check the delimiter. Look for one inside a value (it needs quotation marks) or a cut-off "
            "line.",
        )
    return torn_rows((ragged + 1).tolist(), lines[ragged].tolist(), values, Quarantine.ROW_TORN)
