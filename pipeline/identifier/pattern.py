"""A pattern of identifiers: its class in the rule, its shape, and the check that a look-alike fails.

Classes are the letters of the Safe Harbor rule, 45 CFR 164.514(b)(2)(i)(A) to (R).
"""

from collections.abc import Callable
from dataclasses import dataclass

SAFE_HARBOR = {
    "A": "names",
    "B": "places smaller than a state",
    "C": "dates but for the year, and ages over 89",
    "D": "telephone numbers",
    "E": "fax numbers",
    "F": "e-mail addresses",
    "G": "social security numbers",
    "H": "medical record numbers",
    "I": "health plan beneficiary numbers",
    "J": "account numbers",
    "K": "certificate and licence numbers",
    "L": "vehicle identifiers and plates",
    "M": "device identifiers and serial numbers",
    "N": "web addresses",
    "O": "network addresses",
    "P": "biometric identifiers",
    "Q": "full-face photographs",
    "R": "any other unique number, characteristic or code",
}
"""Classes of the rule by letter. Source: 45 CFR 164.514(b)(2)(i), wording shortened, from memory."""


@dataclass(frozen=True)
class Pattern:
    """One kind of identifier.

    Attributes
    ----------
    what : str
        What it is, in words.
    safe_harbor : str
        Letter of its class.
    regex : str
        Shape that a value has to contain, in the regular expressions of polars: a cheap first sieve.
    holds : callable or None
        Says of a value of that shape whether it is one; None where the shape is enough.
    chance : float
        Share of arbitrary numbers of that shape that ``holds`` lets pass; 0 where it is no matter of
        chance and a single value is enough.
    """

    what: str
    safe_harbor: str
    regex: str
    holds: Callable[[str], bool] | None = None
    chance: float = 0.0
