"""Sides: the one or two sides that a cell speaks of."""

from schemas.reason import Quarantine
from schemas.vocabulary import NOT_RECORDED, code_list

BOTH = "both"
"""Code that a codebook may give to a value that speaks of either side."""


def read_side(text: str, codes: dict[str, str]) -> tuple[str, ...] | Quarantine:
    """Read the side or sides of a cell.

    Parameters
    ----------
    text : str
        A cell.
    codes : dict of str to str
        Value in the export to ``left``, ``right``, ``both`` or ``not_recorded``; the codes ``left`` and
        ``right`` stand for themselves, ``both`` has to be declared.

    Returns
    -------
    tuple of str or Quarantine
        One side, or left and right, or why none.

    Examples
    --------
    >>> read_side("bilat", {"bilat": "both"}), read_side("B", {"L": "left"}).value
    (('left', 'right'), 'side_unknown')
    """
    value = text.strip()
    code = codes.get(value, value)
    if code == BOTH and value in codes:
        return ("left", "right")
    if code == NOT_RECORDED:
        return Quarantine.MISSING_KEY
    return (code,) if code in code_list("side") else Quarantine.SIDE_UNKNOWN
