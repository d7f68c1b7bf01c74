"""The clock, read in one place: everything else takes the time from its caller."""

from datetime import UTC, datetime


def now() -> datetime:
    """Give the present time.

    Returns
    -------
    datetime.datetime
        In UTC.
    """
    return datetime.now(tz=UTC)  # noqa: TID251 - the one place that reads the clock
