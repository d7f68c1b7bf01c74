"""Dose and durations: sets and seconds of each set, weeks of a complaint."""

import re
from decimal import Decimal

from pipeline.notation.number import read_number
from schemas.reason import Quarantine

SECONDS = {"s": 1, "min": 60}
DAYS = {"d": Decimal(1), "wk": Decimal(7), "mo": Decimal("30.4375"), "a": Decimal("365.25")}
"""Days of each unit: UCUM's mean Julian month and year (UCUM 2.1, table 6)."""

_UNIT = r"seconds?|secs?|sekunden?|sek|s|minutes?|minuten?|mins?|min|''|[\"″”′'’]"
_TIME = rf"(?P<long>\d{{1,4}}(?:[.,]\d{{1,2}})?)\s{{0,5}}(?P<unit>{_UNIT})\.?"
_CLOCK = r"(?P<minutes>\d{1,2})(?::|['′’]\s?)(?P<seconds>[0-5]\d)(?:''|[\"″”])?"
_BARE = r"(?P<bare>\d{1,4})"
_SETS = r"(?P<sets>\d{1,3})"
_TOTAL = r"(?:in\s)?(?:total|gesamt|insgesamt|ges)\.?"


def _pattern(before: str, times: tuple[str, ...], after: str) -> tuple[re.Pattern[str], ...]:
    return tuple(re.compile(before + time + after, re.IGNORECASE) for time in times)


_DOSES = (
    *_pattern(rf"{_SETS}\s{{0,5}}[x×*/]\s{{0,5}}", (_TIME, _CLOCK, _BARE), ""),
    *_pattern(rf"{_SETS}\s{{0,5}}sets?\s{{0,5}}(?:of|à|[x×*])\s{{0,5}}", (_TIME, _CLOCK), ""),
    *_pattern("", (_TIME, _CLOCK), rf"\s{{0,5}}[x×*]\s{{0,5}}{_SETS}(?:\s{{0,5}}sets?)?"),
)
_TOTALS = (
    *_pattern("", (_TIME, _CLOCK), rf"\s{{0,5}}{_TOTAL}"),
    *_pattern(rf"{_TOTAL}\s{{0,5}}:?\s{{0,5}}", (_TIME, _CLOCK), ""),
)


def read_dose(text: str, *, total_time: str = "refuse") -> tuple[int, int] | Quarantine:
    """Read sets and the time of each.

    Parameters
    ----------
    text : str
        A cell such as ``2x45s``, ``3 x 1 min``, ``2 x 1:30``, ``3 sets of 30 s``, ``30 s x 2`` or ``2/30``.
        Sets come first, and seconds are meant where no unit is written; a time that comes first has
        its unit written.
    total_time : {"refuse", "one_set"}
        Whether a cell that states a total time alone, such as ``90 s total``, is one set of it.

    Returns
    -------
    tuple of int or Quarantine
        Sets and whole seconds of each, or why none.

    Examples
    --------
    >>> read_dose("3 x 1 min"), read_dose("2/30"), read_dose("30 s x 2")
    ((3, 60), (2, 30), (2, 30))
    >>> read_dose("90 s total").value, read_dose("90 s total", total_time="one_set")
    ('dose_total_only', (1, 90))
    """
    plain = text.strip()
    found = _first_match(_DOSES, plain)
    total = None if found else _first_match(_TOTALS, plain)
    match = found or total
    seconds = None if match is None else _seconds(match.groupdict())
    if match is None or seconds is None:
        return Quarantine.DOSE_UNREADABLE
    if total is None:
        return int(match["sets"]), seconds
    return (1, seconds) if total_time == "one_set" else Quarantine.DOSE_TOTAL_ONLY


def _first_match(patterns: tuple[re.Pattern[str], ...], plain: str) -> re.Match[str] | None:
    return next((match for p in patterns if (match := p.fullmatch(plain))), None)


def _seconds(time: dict[str, str | None]) -> int | None:
    """Give whole seconds; a prime is a minute, two are a second."""
    if time.get("minutes"):
        return int(str(time["minutes"])) * 60 + int(str(time["seconds"]))
    if time.get("bare"):
        return int(str(time["bare"]))
    unit = str(time["unit"]).lower()
    is_minute = unit.startswith("min") or unit in {"'", "′", "’"}
    seconds = Decimal(str(time["long"]).replace(",", ".")) * SECONDS["min" if is_minute else "s"]
    return int(seconds) if seconds == seconds.to_integral_value() else None


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
