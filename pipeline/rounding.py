"""Rounding of published numbers, once, so that the same records give the same bytes."""

from math import floor, isfinite, log10

DIGITS = 6
"""Significant decimals of every published number."""


def significant(value: float, digits: int = DIGITS) -> float:
    """Round to significant decimals.

    Parameters
    ----------
    value : float
        A finite number.
    digits : int
        Decimals that are kept.

    Returns
    -------
    float
        The rounded number; zero is never negative.

    Examples
    --------
    >>> significant(5.578954590882), significant(-0.00012345678), significant(-0.0)
    (5.57895, -0.000123457, 0.0)
    """
    if value == 0 or not isfinite(value):
        return abs(value) if value == 0 else value
    return round(value, digits - 1 - floor(log10(abs(value)))) + 0.0
