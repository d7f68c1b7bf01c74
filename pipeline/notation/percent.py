"""Ranges as a percentage of a published norm that the codebook names."""

import re
from decimal import Decimal

from pipeline.notation.angle import to_hundredths
from pipeline.notation.number import InexactRule, plain_text, read_number
from schemas.reason import Quarantine
from schemas.vocabulary import code_list

SHARES_END = 2
"""A number above 0 up to this one without a percent sign may be a share of 1, as spreadsheets keep
a percentage; common practice, no source."""

_PERCENT_SIGN = re.compile(r"(.{1,60}?)\s{0,5}[%％]")


def norm_degrees(code: str) -> Decimal:
    """Give the degrees of a norm.

    Parameters
    ----------
    code : str
        Code of the list ``norm``.

    Returns
    -------
    decimal.Decimal
        Degrees, as published.

    Examples
    --------
    >>> norm_degrees("roaas_1982_flexion")
    Decimal('120.3')
    """
    return Decimal(str(code_list("norm")[code].details["degrees"]))


def read_percent_of_norm(
    text: str,
    *,
    norm_deg: Decimal,
    decimal_mark: str = ".",
    inexact: InexactRule | None = None,
) -> int | Quarantine:
    """Read an angle that is written as a percentage of a norm.

    Parameters
    ----------
    text : str
        A cell such as ``80 %`` or ``80``.
    norm_deg : decimal.Decimal
        The norm in degrees.
    decimal_mark : {".", ","}
        Declared decimal mark.
    inexact : InexactRule or None
        Which number a limit, a band or an approximate number stands for; None: none.

    Returns
    -------
    int or Quarantine
        Hundredths of a degree, or why there is no angle.

    Examples
    --------
    >>> read_percent_of_norm("80 %", norm_deg=Decimal(45))
    3600
    """
    plain = plain_text(text)
    written = _PERCENT_SIGN.fullmatch(plain)
    percent = read_number(
        written[1] if written else plain, decimal_mark=decimal_mark, inexact=inexact
    )
    if isinstance(percent, Quarantine):
        return percent
    if percent < 0:
        return Quarantine.ANGLE_IMPOSSIBLE
    if written is None and 0 < percent <= SHARES_END:
        return Quarantine.PERCENT_UNCLEAR
    return to_hundredths(percent * norm_deg / 100)
