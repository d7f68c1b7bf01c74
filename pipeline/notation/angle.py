"""Angles: any declared unit to integer hundredths of a degree, rounded half to even once.

Units are those of UCUM: ``deg`` = 2 [pi].rad/360, ``gon`` = 0.9 deg (UCUM 2.1, table 4 and 6).
"""

import re
from decimal import ROUND_HALF_EVEN, Decimal

from pipeline.notation.number import InexactRule, plain_text, read_number
from schemas.reason import Quarantine

PI = Decimal("3.14159265358979323846264338327950288419716939937510")
"""Pi to 50 decimals (OEIS A000796, from memory; tested against the standard library's float)."""

DEGREES_PER_UNIT = {"deg": Decimal(1), "gon": Decimal("0.9"), "rad": Decimal(180) / PI}
"""Factor of each unit; exact but for the radian, which has 28 digits."""

_BEFORE_END_OR_BAND = r"(?=\s{0,5}$|\s{0,5}(?:[-—]|\s(?:to|bis)\s)\s{0,5}\d)"
_WRITTEN_UNIT = {
    "deg": re.compile(r"(?:°|º|degrees?|deg\.?)" + _BEFORE_END_OR_BAND, re.IGNORECASE),
    "rad": re.compile(r"rad\.?" + _BEFORE_END_OR_BAND, re.IGNORECASE),
    "gon": re.compile(r"gon" + _BEFORE_END_OR_BAND, re.IGNORECASE),
}
_MINUTES = re.compile(r"([+-]?)(\d{1,3})\s?[°º]\s?([0-5]?\d)\s?['′’]")
_LACK = r"(?:lag|lack|deficit|defizit|déficit)"
_LACK_WRITTEN = re.compile(
    rf"{_LACK}(?:\s{{1,5}}(?:of|von))?\s{{0,5}}:?\s{{0,5}}([^\s:].{{0,60}})|(.{{1,60}}?)\s{{0,5}}{_LACK}",
    re.IGNORECASE,
)


def read_angle(
    text: str,
    *,
    unit: str,
    decimal_mark: str = ".",
    sign: str = "as_recorded",
    inexact: InexactRule | None = None,
) -> int | Quarantine:
    """Read one angle.

    Parameters
    ----------
    text : str
        A cell such as ``35``, ``34,5``, ``35°`` or ``35°30'``. A unit written in the cell must be the
        declared one.
    unit : {"deg", "rad", "gon"}
        Declared unit.
    decimal_mark : {".", ","}
        Declared decimal mark.
    sign : {"as_recorded", "lack_is_positive", "lack_is_written", "extension_is_negative"}
        ``lack_is_positive``: the column holds a lack of range, which becomes negative; a negative
        number in it may mean either and is refused. ``lack_is_written``: a number beside the word
        lag, lack or deficit becomes negative, unless it has a minus sign as well, which is refused.
        ``extension_is_negative``: the export writes extension below zero.
    inexact : InexactRule or None
        Which number a limit, a band or an approximate number stands for; None: none.

    Returns
    -------
    int or Quarantine
        Hundredths of a degree, or why there is no angle.

    Examples
    --------
    >>> read_angle("34,5", unit="deg", decimal_mark=",")
    3450
    >>> read_angle("0.6981317", unit="rad")
    4000
    >>> read_angle("10 lag", unit="deg", sign="lack_is_written")
    -1000
    """
    plain = plain_text(text)
    written = _LACK_WRITTEN.fullmatch(plain) if sign == "lack_is_written" else None
    if written:
        plain = (written[1] or written[2]).strip()
    degrees = _degrees(plain, unit, decimal_mark, inexact)
    if isinstance(degrees, Quarantine):
        return degrees
    if written or sign == "lack_is_positive":
        # A lack of -10 may be ten degrees beyond zero or ten short of it.
        return Quarantine.SIGN_UNKNOWABLE if degrees < 0 else to_hundredths(-degrees)
    return to_hundredths(-degrees if sign == "extension_is_negative" else degrees)


def to_hundredths(degrees: Decimal) -> int:
    """Round degrees to hundredths, half to even.

    Parameters
    ----------
    degrees : decimal.Decimal
        Degrees.

    Returns
    -------
    int
        Hundredths of a degree.
    """
    return int((degrees * 100).to_integral_value(rounding=ROUND_HALF_EVEN))


def without_unit(text: str, unit: str) -> str:
    """Take the declared unit away where it stands at the end of a cell or of the lower end of a band.

    Parameters
    ----------
    text : str
        A cell; another unit than the declared one stays and makes it unreadable.
    unit : {"deg", "rad", "gon"}
        Declared unit.

    Returns
    -------
    str
        The rest.

    Examples
    --------
    >>> without_unit("35°", "deg"), without_unit("35 rad", "deg")
    ('35', '35 rad')
    """
    return _WRITTEN_UNIT[unit].sub("", text).strip()


def from_straight_180(hundredths: int, motion: str) -> int | Quarantine:
    """Turn an angle of the system in which a straight hip is 180 into neutral-zero.

    Parameters
    ----------
    hundredths : int
        Hundredths of a degree as recorded.
    motion : str
        Flexion is 180 less the angle, extension the angle less 180 (textbook rule, from memory);
        for other motions the system says nothing.

    Returns
    -------
    int or Quarantine
        Hundredths of a degree in neutral-zero.

    Examples
    --------
    >>> from_straight_180(6000, "flexion"), from_straight_180(19500, "extension")
    (12000, 1500)
    """
    if motion == "flexion":
        return 18000 - hundredths
    if motion == "extension":
        return hundredths - 18000
    return Quarantine.ANGLE_IMPOSSIBLE


def _degrees(
    plain: str, unit: str, decimal_mark: str, inexact: InexactRule | None
) -> Decimal | Quarantine:
    minutes = _MINUTES.fullmatch(plain) if unit == "deg" else None
    if minutes:
        size = Decimal(minutes[2]) + Decimal(minutes[3]) / 60
        return -size if minutes[1] == "-" else size
    number = read_number(without_unit(plain, unit), decimal_mark=decimal_mark, inexact=inexact)
    return number if isinstance(number, Quarantine) else number * DEGREES_PER_UNIT[unit]
