"""DuckDB over frames in memory: for joins on order rather than equality, and for questions in SQL.

It owns no file and loads no extension: nothing is written, and nothing is fetched.
"""

from collections.abc import Iterator
from contextlib import contextmanager

import duckdb
import polars as pl

_OFFLINE: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}


@contextmanager
def connect(**frames: pl.DataFrame) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open a connection that knows some frames by name.

    Parameters
    ----------
    **frames : polars.DataFrame
        Frames by the name that they have in SQL, such as the tables of a snapshot.

    Yields
    ------
    duckdb.DuckDBPyConnection
        ``sql(text).pl()`` gives a frame; rows have no order unless the query states one.

    Examples
    --------
    >>> with connect(tests=pl.DataFrame({"angle": [20, 30]})) as db:
    ...     db.sql("SELECT max(angle) AS most FROM tests").pl()["most"].to_list()
    [30]
    """
    connection = duckdb.connect(":memory:", config=_OFFLINE)
    try:
        for name, frame in frames.items():
            connection.register(name, frame.to_arrow())
        yield connection
    finally:
        connection.close()
