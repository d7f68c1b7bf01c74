"""Angles: any declared unit to integer hundredths of a degree, rounded half to even once.

Units are those of UCUM: ``deg`` = 2 [pi].rad/360, ``gon`` = 0.9 deg (UCUM 2.1, table 4 and 6).
"""

import re
from decimal import ROUND_HALF_EVEN, Decimal

from pipeline.notation.number import read_number
from schemas.reason import Quarantine

PI = Decimal("3.14159265358979323846264338327950288419716939937510")
"""Pi to 50 decimals (OEIS A000796, from memory; tested against the standard library's float)."""

DEGREES_PER_UNIT = {"deg": Decimal(1), "gon": Decimal("0.9"), "rad": Decimal(180) / PI}
"""Factor of each unit; exact but for the radian, which has 28 digits."""

_WRITTEN_UNIT = {
    "deg": re.compile(r"(°|º|deg\.?|degrees?)$", re.IGNORECASE),
    "rad": re.compile(r"rad\.?$", re.IGNORECASE),
    "gon": re.compile(r"gon$", re.IGNORECASE),
}


def read_angle(text: str, *, unit: str, decimal_mark: str = ".") -> int | Quarantine:
    """Read one angle.

    Parameters
    ----------
    text : str
        A cell such as ``35``, ``34,5`` or ``35°``. A unit written in the cell must be the declared one.
    unit : {"deg", "rad", "gon"}
        Declared unit.
    decimal_mark : {".", ","}
        Declared decimal mark.

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
    """
    number = read_number(_WRITTEN_UNIT[unit].sub("", text.strip()), decimal_mark=decimal_mark)
    if isinstance(number, Quarantine):
        return number
    hundredths = number * DEGREES_PER_UNIT[unit] * 100
    return int(hundredths.to_integral_value(rounding=ROUND_HALF_EVEN))


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
