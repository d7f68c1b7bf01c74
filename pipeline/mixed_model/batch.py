"""Sums of rows that come in batches, such as a query's result that is larger than memory.

A batch is added up and let go before the next one is asked for. What is kept are sums: one entry for
each combination of groups that occurred so far.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import polars as pl

from pipeline.mixed_model.description import ModelDescription
from pipeline.mixed_model.partition import collect_part, combine_parts
from pipeline.mixed_model.sufficient_statistics import Statistics

if TYPE_CHECKING:
    import duckdb

ROWS_PER_BATCH = 500_000
"""About 100 MB of ten columns while they are added up."""


def collect_query(
    connection: "duckdb.DuckDBPyConnection",
    sql: str,
    description: ModelDescription,
    *,
    rows_per_batch: int = ROWS_PER_BATCH,
) -> Statistics:
    """Add up the rows of a query, a batch at a time.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Where the query is run.
    sql : str
        A query whose result has the columns that the description names, in any order of rows.
    description : ModelDescription
        The model.
    rows_per_batch : int
        Rows that are in memory at once.

    Returns
    -------
    Statistics
        The sums over all rows.
    """
    return collect_batches(_frames(connection.sql(sql), rows_per_batch), description)


def collect_batches(batches: Iterable[pl.DataFrame], description: ModelDescription) -> Statistics:
    """Add up batches of rows.

    Parameters
    ----------
    batches : Iterable of polars.DataFrame
        Rows with the columns that the description names; some may have none that can be used.
    description : ModelDescription
        The model.

    Returns
    -------
    Statistics
        The sums over all batches.
    """
    parts: list[Statistics] = []
    for batch in batches:
        parts.append(collect_part(batch, description))
        # Like sizes are merged, as in a merge sort: no sum is merged more than a few times.
        while len(parts) > 1 and 2 * len(parts[-1].groups) >= len(parts[-2].groups):
            last = parts.pop()
            parts[-1] = _merged(parts[-1], last)
    return combine_parts(parts)


def _merged(one: Statistics, other: Statistics) -> Statistics:
    if one.n_rows or other.n_rows:
        return combine_parts([one, other])
    return replace(one, n_left_out=one.n_left_out + other.n_left_out)


def _frames(found: "duckdb.DuckDBPyRelation", rows_per_batch: int) -> Iterator[pl.DataFrame]:
    for batch in found.to_arrow_reader(rows_per_batch):
        frame = pl.from_arrow(batch)
        assert isinstance(frame, pl.DataFrame)  # noqa: S101  # a record batch has columns
        yield frame
