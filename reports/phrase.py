"""Phrases: labels, dates and small numbers as they stand in a sentence."""

import unicodedata
from datetime import date

from reports.wording_en import NUMBER_WORDS

_RIGHT_TO_LEFT = frozenset(
    {"R", "AL", "AN", "RLE", "RLO", "RLI", "LRE", "LRO", "LRI", "PDF", "PDI"}
)
_MARKS = frozenset("\u200e\u200f\u061c")
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July",
    "August", "September", "October", "November", "December",
)  # fmt: skip


def capital(words: str) -> str:
    """Begin words with a capital letter.

    Parameters
    ----------
    words : str
        The words.

    Returns
    -------
    str
        With the first letter as a capital.

    Examples
    --------
    >>> capital("long-axis distraction")
    'Long-axis distraction'
    """
    return words[:1].upper() + words[1:]


def isolated(label: str) -> str:
    """Keep a label that is written from right to left from turning the words around it.

    Parameters
    ----------
    label : str
        Words from the records or the plan.

    Returns
    -------
    str
        The label, between isolating marks where it needs them.
    """
    if any(c in _MARKS or unicodedata.bidirectional(c) in _RIGHT_TO_LEFT for c in label):
        return f"\u2068{label}\u2069"
    return label


def date_words(iso_date: str) -> str:
    """Write a date in words.

    Parameters
    ----------
    iso_date : str
        Such as ``2025-03-31``.

    Returns
    -------
    str
        Such as ``31 March 2025``; as given where it is no ISO date.

    Examples
    --------
    >>> date_words("2025-03-31")
    '31 March 2025'
    """
    try:
        day = date.fromisoformat(iso_date)
    except ValueError:
        return iso_date
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def clinics_words(n_clinics: int) -> str:
    """Say how many clinics there are.

    Parameters
    ----------
    n_clinics : int
        Their number.

    Returns
    -------
    str
        Such as "six clinics".

    Examples
    --------
    >>> clinics_words(1), clinics_words(12)
    ('one clinic', '12 clinics')
    """
    return f"{in_words(n_clinics)} clinic{'' if n_clinics == 1 else 's'}"


def in_words(count: int) -> str:
    """Write a small whole number in words.

    Parameters
    ----------
    count : int
        The number.

    Returns
    -------
    str
        Such as "three"; in figures from eleven.
    """
    return NUMBER_WORDS[count] if count < len(NUMBER_WORDS) else str(count)
