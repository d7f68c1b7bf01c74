"""Free text: several words where a code or a number should stand cannot be searched safely (class R)."""

import re

from pipeline.identifier.pattern import Pattern
from pipeline.identifier.trade_word import is_trade_word

LONGEST_CODE = 60
"""Characters; no code or notation is longer. Common practice, no source."""

_WORD = re.compile(r"[^\W\d_]{2,}")


def is_free_text(text: str) -> bool:
    """Say whether a cell is free text.

    Parameters
    ----------
    text : str
        A cell of a column that holds codes or numbers.

    Returns
    -------
    bool
        True for two words and more of which one is not of the trade, and for any long cell.

    Examples
    --------
    >>> is_free_text("hard, painful"), is_free_text("S 20-0-120"), is_free_text("saw her brother")
    (False, False, True)
    """
    if len(text) > LONGEST_CODE:
        return True
    words = _WORD.findall(text)
    return len(words) > 1 and any(not is_trade_word(word) for word in words)


FREE_TEXT = Pattern("free text", "R", r"\p{L}{2}.*[^\p{L}].*\p{L}{2}|.{61}", is_free_text)
"""Free text in a column of codes or numbers."""
