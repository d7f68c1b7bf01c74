"""Dates in the one format that the codebook declares; an order is never guessed.

Serial numbers of spreadsheets count days in one of two systems. That of 1900 has a 29 February 1900,
serial 60, which never was: from serial 61 on, day 0 is 30 December 1899. That of 1904 starts with serial
0 on 1 January 1904 (ECMA-376 part 1, section 18.17.4.1).
"""

import re
from datetime import UTC, date, datetime, timedelta

from schemas.reason import Quarantine

EARLIEST = date(1980, 1, 1)
"""Earliest date of a visit that is believed; common practice, no source."""

DAY_ZERO = {"excel_1900": date(1899, 12, 30), "excel_1904": date(1904, 1, 1)}
"""Day zero of each system of serial numbers; the first holds from serial 61 on, and what is below
lies before ``EARLIEST`` however it is counted."""

_SERIAL = re.compile(r"(\d{1,6})(?:[.,]\d{1,20})?")


def read_date(text: str, *, date_format: str, latest: date) -> date | Quarantine:
    """Read one date.

    Parameters
    ----------
    text : str
        A cell.
    date_format : str
        Declared format, such as ``%d.%m.%Y`` or, with a time of day that is dropped, ``%d.%m.%Y %H:%M``;
        or ``excel_1900`` or ``excel_1904`` for serial numbers, whose fraction is the time of day.
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
    >>> read_date("43831.5", date_format="excel_1900", latest=date(2026, 1, 1))
    datetime.date(2020, 1, 1)
    """
    if date_format in DAY_ZERO:
        found = _of_serial(text.strip(), date_format)
    else:
        try:
            found = datetime.strptime(text.strip(), date_format).replace(tzinfo=UTC).date()
        except ValueError:
            return Quarantine.DATE_UNREADABLE
    if isinstance(found, Quarantine):
        return found
    return found if EARLIEST <= found <= latest else Quarantine.DATE_IMPOSSIBLE


def _of_serial(text: str, system: str) -> date | Quarantine:
    match = _SERIAL.fullmatch(text)
    if match is None:
        return Quarantine.DATE_UNREADABLE
    return DAY_ZERO[system] + timedelta(days=int(match[1]))
