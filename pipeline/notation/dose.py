"""Dose and durations: sets and seconds of each set, weeks of a complaint."""

import re
from decimal import Decimal

from pipeline.notation.number import read_number
from schemas.reason import Quarantine

SECONDS = {"s": 1, "min": 60}
DAYS = {"d": Decimal(1), "wk": Decimal(7), "mo": Decimal("30.4375"), "a": Decimal("365.25")}
"""Days of each unit: UCUM's mean Julian month and year (UCUM 2.1, table 6)."""

_DOSE = re.compile(
    r"(\d{1,3})\s*(?:x|×|\*|/)\s*(\d{1,4})\s*(s|sec|secs|seconds?|min|mins|minutes?)?\.?",
    re.IGNORECASE,
)


def read_dose(text: str) -> tuple[int, int] | Quarantine:
    """Read sets and the time of each.

    Parameters
    ----------
    text : str
        A cell such as ``2x45s``, ``3 x 1 min`` or ``2/30`` (seconds where no unit is written).

    Returns
    -------
    tuple of int or Quarantine
        Sets and seconds of each, or why none.

    Examples
    --------
    >>> read_dose("3 x 1 min"), read_dose("2/30")
    ((3, 60), (2, 30))
    """
    match = _DOSE.fullmatch(text.strip())
    if match is None:
        return Quarantine.DOSE_UNREADABLE
    unit = "min" if (match[3] or "s").lower().startswith("min") else "s"
    return int(match[1]), int(match[2]) * SECONDS[unit]


def read_seconds(text: str, *, unit: str, decimal_mark: str = ".") -> int | Quarantine:
    """Read a time in seconds.

    Parameters
    ----------
    text : str
        A cell.
    unit : {"s", "min"}
        Declared unit.
    decimal_mark : {".", ","}
        Declared decimal mark.

    Returns
    -------
    int or Quarantine
        Whole seconds, or why none.

    Examples
    --------
    >>> read_seconds("1,5", unit="min", decimal_mark=",")
    90
    """
    number = read_number(text, decimal_mark=decimal_mark)
    if isinstance(number, Quarantine):
        return number
    seconds = number * SECONDS[unit]
    return int(seconds) if seconds == seconds.to_integral_value() else Quarantine.DOSE_UNREADABLE


def read_weeks(text: str, *, unit: str, decimal_mark: str = ".") -> float | Quarantine:
    """Read a duration in weeks.

    Parameters
    ----------
    text : str
        A cell.
    unit : {"d", "wk", "mo", "a"}
        Declared unit.
    decimal_mark : {".", ","}
        Declared decimal mark.

    Returns
    -------
    float or Quarantine
        Weeks to one decimal, or why none.

    Examples
    --------
    >>> read_weeks("3", unit="mo")
    13.0
    """
    number = read_number(text, decimal_mark=decimal_mark)
    if isinstance(number, Quarantine):
        return number
    return round(float(number * DAYS[unit] / 7), 1)
