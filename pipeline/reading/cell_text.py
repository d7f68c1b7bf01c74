"""Stored numbers, dates and times as text, the same from a workbook and from a Parquet file."""

from datetime import timedelta
from decimal import Decimal

import polars as pl

TRUE, FALSE = "TRUE", "FALSE"

_MIDNIGHT = " 00:00:00"
_FIRST_DAY, _LAST_DAY = -719_162, 2_932_896  # 0001-01-01 and 9999-12-31 in days from 1970-01-01


def number_text(numbers: pl.Series) -> pl.Series:
    """Write numbers in the fewest digits that give the same number back, never with an exponent.

    Parameters
    ----------
    numbers : polars.Series, shape (n,)
        Integers, decimals or floats.

    Returns
    -------
    polars.Series, shape (n,)
        Text with a decimal point; a whole float has none. Null stays null.
    """
    text = numbers.cast(pl.String)
    if not numbers.dtype.is_float():
        return text
    text = text.str.strip_suffix(".0")
    exponents = text.filter(text.str.contains("e", literal=True)).unique().to_list()
    if not exponents:
        return text
    plain = [format(Decimal(number), "f") for number in exponents]
    return text.replace(exponents, plain)


def moment_text(moments: pl.Series) -> pl.Series:
    """Write days and moments: ``YYYY-MM-DD``, and the time behind it where it is not midnight.

    Parameters
    ----------
    moments : polars.Series, shape (n,)
        Dates, or moments without a time zone.

    Returns
    -------
    polars.Series, shape (n,)
        Text. One outside the years 1 to 9999 is its stored number, which no date format reads.
    """
    stored = moments.to_physical()
    per_day = 1
    if isinstance(moments.dtype, pl.Datetime):
        per_day = 86_400 * {"ms": 10**3, "us": 10**6, "ns": 10**9}[moments.dtype.time_unit]
    first = max(_FIRST_DAY * per_day, -(2**63))
    last = min((_LAST_DAY + 1) * per_day - 1, 2**63 - 1)
    is_known = stored.is_between(first, last).fill_null(value=True)
    known = moments.set(~is_known, None)
    text = known.dt.to_string("%Y-%m-%d" if per_day == 1 else "%Y-%m-%d %H:%M:%S%.f")
    return text.str.strip_suffix(_MIDNIGHT).zip_with(is_known, stored.cast(pl.String))


def duration_text(duration: timedelta) -> str:
    """Write a duration as hours, minutes and seconds, as workbooks show it.

    Parameters
    ----------
    duration : datetime.timedelta
        The duration.

    Returns
    -------
    str
        Such as ``36:00:00``; a fraction of a second stands behind a point.

    Examples
    --------
    >>> duration_text(timedelta(days=1, hours=12))
    '36:00:00'
    >>> duration_text(-timedelta(seconds=1.5))
    '-0:00:01.5'
    """
    sign = "-" if duration < timedelta(0) else ""
    microseconds = abs(duration) // timedelta(microseconds=1)
    seconds, fraction = divmod(microseconds, 10**6)
    text = f"{sign}{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    return text + (f".{fraction:06d}".rstrip("0") if fraction else "")
