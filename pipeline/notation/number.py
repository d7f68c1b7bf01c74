"""Numbers as clinics write them, read exactly or refused with a reason."""

import re
from decimal import Decimal

from schemas.reason import Quarantine

_NUMBER = {
    ".": re.compile(r"[+-]?\d{1,6}(\.\d{1,20})?"),
    ",": re.compile(r"[+-]?\d{1,6}([.,]\d{1,20})?"),
}
_BAND = re.compile(r"[<>≤≥~≈].*|\d+([.,]\d+)?\s*[-–—]\s*\d+([.,]\d+)?.*")


def read_number(text: str, *, decimal_mark: str = ".") -> Decimal | Quarantine:
    """Read one number exactly.

    Parameters
    ----------
    text : str
        A cell.
    decimal_mark : {".", ","}
        Declared decimal mark. With a comma declared, a point is still read as a decimal mark, since
        thousands separators are refused in either case.

    Returns
    -------
    decimal.Decimal or Quarantine
        The number, or why there is none.

    Examples
    --------
    >>> read_number("34,5", decimal_mark=",")
    Decimal('34.5')
    >>> read_number(">45").value
    'censored_or_banded'
    """
    plain = text.strip().replace("\N{MINUS SIGN}", "-")
    if _NUMBER[decimal_mark].fullmatch(plain):
        return Decimal(plain.replace(",", "."))
    if _BAND.fullmatch(plain):
        return Quarantine.CENSORED_OR_BANDED
    if re.fullmatch(r"[^\W\d_][^\d]*", plain):
        return Quarantine.WORDS_INSTEAD_OF_NUMBER
    return Quarantine.NOT_A_NUMBER


def read_whole(text: str) -> int | Quarantine:
    """Read one whole number.

    Parameters
    ----------
    text : str
        A cell; ``3`` and ``3.0`` are both three.

    Returns
    -------
    int or Quarantine
        The number, or why there is none.

    Examples
    --------
    >>> read_whole("3.0"), read_whole("2.5").value
    (3, 'not_a_number')
    """
    number = read_number(text)
    if isinstance(number, Quarantine):
        return number
    return int(number) if number == number.to_integral_value() else Quarantine.NOT_A_NUMBER
