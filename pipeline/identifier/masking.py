"""What may be shown of a cell: numbers and words of the trade in clear, everything else as its shape."""

import re

LONGEST = 40
"""Characters shown at most."""

_PLAIN_VALUE = re.compile(r"(?:[\d\s.,;:<>≤≥~°+/x*()-]|s|sec|min|deg|mm){1,20}")
_MOST_DIGITS = 6
"""Seven digits and more may be the number of a person or a telephone."""
_TRADE_WORDS = ("full", "limited", "normal", "wnl", "nt", "nad", "n/a", "i", "ii", "iii", "iv", "v")


def mask(text: str) -> str:
    """Show the shape of a value and not the value.

    Parameters
    ----------
    text : str
        A value that may identify someone.

    Returns
    -------
    str
        Letters as ``x``, digits as ``9``, at most 40 characters.

    Examples
    --------
    >>> mask("a.b@example.org")
    'x.x@xxxxxxx.xxx'
    """
    shape = re.sub(r"[^\W\d_]", "x", re.sub(r"\d", "9", text.strip()))
    return shape if len(shape) <= LONGEST else shape[: LONGEST - 1] + "…"


def shown_value(text: str) -> str:
    """Give a value as it may be shown: numbers, trade words and single letters in clear, others masked.

    Parameters
    ----------
    text : str
        A cell.

    Returns
    -------
    str
        The cell, or its shape.

    Examples
    --------
    >>> shown_value(">45"), shown_value("full"), shown_value("Ms Example")
    ('>45', 'full', 'xx xxxxxxx')
    """
    plain = _PLAIN_VALUE.fullmatch(text) and sum(c.isdigit() for c in text) <= _MOST_DIGITS
    if plain or len(text.strip()) == 1 or text.strip().rstrip("+-").strip().lower() in _TRADE_WORDS:
        return text.strip()
    return mask(text)
