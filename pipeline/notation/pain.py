"""Pain on the numeric 0-10 scale."""

from decimal import Decimal

from pipeline.notation.number import read_number
from schemas.reason import Quarantine

POINTS_PER_STEP = {"0-10": Decimal(1), "0-100": Decimal("0.1")}


def read_pain(text: str, *, scale: str, decimal_mark: str = ".") -> float | Quarantine:
    """Read a pain score.

    Parameters
    ----------
    text : str
        A cell.
    scale : {"0-10", "0-100"}
        Declared scale; the second is millimetres of a 100 mm line.
    decimal_mark : {".", ","}
        Declared decimal mark.

    Returns
    -------
    float or Quarantine
        Points of 0 to 10, to one decimal, or why none.

    Examples
    --------
    >>> read_pain("37", scale="0-100")
    3.7
    """
    number = read_number(text, decimal_mark=decimal_mark)
    if isinstance(number, Quarantine):
        return number
    return float(round(number * POINTS_PER_STEP[scale], 1))
