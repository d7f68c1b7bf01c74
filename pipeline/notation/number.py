"""Numbers as clinics write them, read exactly or refused with a reason."""

import re
from decimal import Decimal
from typing import Protocol

from schemas.reason import Quarantine

_SIGN = str.maketrans(dict.fromkeys("\N{MINUS SIGN}‐‑‒–－﹣", "-"))
"""Signs that word processors put in place of a hyphen; the em dash separates and is no sign."""

_NUMBER = {
    ".": re.compile(r"[+-]?\d{1,6}(\.\d{1,20})?"),
    ",": re.compile(r"[+-]?\d{1,6}([.,]\d{1,20})?"),
}
_LIMIT = re.compile(r"(?:[<>]=?|=[<>]|[≤≥])(.{1,40})")
_BAND = re.compile(r"(.{0,30}?\d)\s{0,5}(?:[-—]|(?<=\s)(?:to|bis)(?=\s))\s{0,5}([+-]?\d.{0,30})")
_ABOUT = re.compile(
    r"(?:[~≈]|(?:approximately|approx|about|circa|ca|etwa|environ|env)(?:\.|(?=[\s\d])))\s{0,5}"
    r"(.{1,40})",
    re.IGNORECASE,
)
_INEXACT = re.compile(r"[<>≤≥~≈].*|=[<>].*|\d+([.,]\d+)?\s*[-—]\s*\d+([.,]\d+)?.*", re.DOTALL)
_WORDS = re.compile(r"[^\W\d_][^\d]*")


class InexactRule(Protocol):
    """What becomes of a value that is no single number, as a codebook states it."""

    @property
    def limit(self) -> str:
        """``refuse`` or ``bound``, for ``>45``."""

    @property
    def band(self) -> str:
        """``refuse``, ``lower``, ``midpoint`` or ``upper``, for ``30-35``."""

    @property
    def about(self) -> str:
        """``refuse`` or ``number``, for ``~30``."""


def plain_text(text: str) -> str:
    """Take the spaces around a cell away and write every minus sign as a hyphen.

    Parameters
    ----------
    text : str
        A cell.

    Returns
    -------
    str
        The same with one kind of hyphen. Digits of any script stay: they are read as digits.

    Examples
    --------
    >>> plain_text("\N{NO-BREAK SPACE}\N{MINUS SIGN}10 ")
    '-10'
    """
    return text.strip().translate(_SIGN)


def read_number(
    text: str, *, decimal_mark: str = ".", inexact: InexactRule | None = None
) -> Decimal | Quarantine:
    """Read one number exactly.

    Parameters
    ----------
    text : str
        A cell.
    decimal_mark : {".", ","}
        Declared decimal mark. With a comma declared, a point is still read as a decimal mark, since
        thousands separators are refused in either case.
    inexact : InexactRule or None
        Which number a limit, a band or an approximate number stands for; None: none.

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
    plain = plain_text(text)
    exact = _exact(plain, decimal_mark)
    found = _inexact(plain, decimal_mark, inexact) if exact is None else exact
    if found is not None:
        return found
    if _INEXACT.fullmatch(plain):
        return Quarantine.CENSORED_OR_BANDED
    return (
        Quarantine.WORDS_INSTEAD_OF_NUMBER if _WORDS.fullmatch(plain) else Quarantine.NOT_A_NUMBER
    )


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


def _exact(plain: str, decimal_mark: str) -> Decimal | None:
    plain = plain.strip()
    if _NUMBER[decimal_mark].fullmatch(plain):
        return Decimal(plain.replace(",", "."))
    return None


def _inexact(
    plain: str, decimal_mark: str, inexact: InexactRule | None
) -> Decimal | Quarantine | None:
    """Give the number that stands for an inexact one, the refusal, or None where it is neither."""
    limit, about, band = (p.fullmatch(plain) for p in (_LIMIT, _ABOUT, _BAND))
    if written := limit or about:
        number = _exact(written[1], decimal_mark)
        if number is None or inexact is None:
            return None if number is None else Quarantine.CENSORED_OR_BANDED
        is_taken = inexact.limit == "bound" if limit else inexact.about == "number"
        return number if is_taken else Quarantine.CENSORED_OR_BANDED
    return None if band is None else _of_band(band[1], band[2], decimal_mark, inexact)


def _of_band(
    low: str, high: str, decimal_mark: str, inexact: InexactRule | None
) -> Decimal | Quarantine | None:
    lower, upper = _exact(low, decimal_mark), _exact(high, decimal_mark)
    if lower is None or upper is None:
        return None
    if inexact is None or upper < lower:
        return Quarantine.CENSORED_OR_BANDED
    taken = {"lower": lower, "upper": upper, "midpoint": (lower + upper) / 2}
    return taken.get(inexact.band, Quarantine.CENSORED_OR_BANDED)
