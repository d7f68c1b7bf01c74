"""Dates in the one format that the codebook declares; an order is never guessed."""

from datetime import UTC, date, datetime

from schemas.reason import Quarantine

EARLIEST = date(1980, 1, 1)
"""Earliest date of a visit that is believed; common practice, no source."""


def read_date(text: str, *, date_format: str, latest: date) -> date | Quarantine:
    """Read one date.

    Parameters
    ----------
    text : str
        A cell.
    date_format : str
        Declared format, such as ``%d.%m.%Y``.
    latest : datetime.date
        Day of the export: nothing in it can be later.

    Returns
    -------
    datetime.date or Quarantine
        The date, or why none.

    Examples
    --------
    >>> read_date("03/04/2025", date_format="%d/%m/%Y", latest=date(2026, 1, 1))
    datetime.date(2025, 4, 3)
    """
    try:
        found = datetime.strptime(text.strip(), date_format).replace(tzinfo=UTC).date()
    except ValueError:
        return Quarantine.DATE_UNREADABLE
    return found if EARLIEST <= found <= latest else Quarantine.DATE_IMPOSSIBLE
