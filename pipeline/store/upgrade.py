"""Upgrades: how a part of an older layout is read as one of today's.

Parts are immutable, so an older one stays as it was written. Each step of ``SCHEMA_VERSION`` adds one
pure function here; reading applies the steps between the part's layout and today's.
"""

from collections.abc import Callable

import polars as pl

from schemas.table import QUARANTINED, SCHEMA_VERSION

Step = Callable[[str, pl.DataFrame], pl.DataFrame]
"""Takes the name of a table and its frame in one layout; gives the frame in the next."""


def _add_line(table: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Add the line of a quarantined fact, which layout 1 did not keep."""
    if table != QUARANTINED:
        return frame
    return frame.with_columns(pl.lit(None, dtype=pl.Int64).alias("source_line"))


STEPS: dict[int, Step] = {1: _add_line}
"""By the layout that a step starts from."""


def upgrade_frame(
    table: str,
    frame: pl.DataFrame,
    written: int,
) -> pl.DataFrame:
    """Bring a part to today's layout.

    Parameters
    ----------
    table : str
        Name of the part's table.
    frame : polars.DataFrame
        The part as written.
    written : int
        Layout in which it was written.

    Returns
    -------
    polars.DataFrame
        The part in today's layout; the same object where nothing was to do.
    """
    for layout in range(written, SCHEMA_VERSION):
        frame = STEPS[layout](table, frame)
    return frame
