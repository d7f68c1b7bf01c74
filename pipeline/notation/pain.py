"""Pain on the numeric 0-10 scale."""

import re
from decimal import Decimal

from pipeline.notation.number import InexactRule, plain_text, read_number
from schemas.reason import Quarantine

POINTS_PER_STEP = {"0-10": Decimal(1), "0-100": Decimal("0.1")}

_OF_SCALE = re.compile(r"(.{1,40}?)\s{0,5}(?:/|\sof\s|\svon\s)\s{0,5}(\d{2,3})", re.IGNORECASE)
_MILLIMETRES = re.compile(r"(.{1,40}?)\s{0,5}mm", re.IGNORECASE)


def read_pain(
    text: str, *, scale: str, decimal_mark: str = ".", inexact: InexactRule | None = None
) -> float | Quarantine:
    """Read a pain score.

    Parameters
    ----------
    text : str
        A cell such as ``4``, ``4/10`` or, of the second scale, ``37 mm``. A scale written in the cell must
        be the declared one.
    scale : {"0-10", "0-100"}
        Declared scale; the second is millimetres of a 100 mm line.
    decimal_mark : {".", ","}
        Declared decimal mark.
    inexact : InexactRule or None
        Which number a limit, a band or an approximate number stands for; None: none.

    Returns
    -------
    float or Quarantine
        Points of 0 to 10, to one decimal, or why none.

    Examples
    --------
    >>> read_pain("37", scale="0-100"), read_pain("5/10", scale="0-10")
    (3.7, 5.0)
    """
    plain = plain_text(text)
    written = _OF_SCALE.fullmatch(plain)
    if written and written[2] in {"10", "100"}:
        if scale != f"0-{written[2]}":
            return Quarantine.PAIN_IMPOSSIBLE
        plain = written[1]
    elif scale == "0-100" and (length := _MILLIMETRES.fullmatch(plain)):
        plain = length[1]
    number = read_number(plain, decimal_mark=decimal_mark, inexact=inexact)
    if isinstance(number, Quarantine):
        return number
    return float(round(number * POINTS_PER_STEP[scale], 1))
