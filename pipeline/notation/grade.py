"""Grades of mobilisation: one grade of a declared scale, with its modifier.

Modifiers exist for oscillatory III and IV only; sustained traction runs from I to III and has none
(textbook convention, from memory). A bare number without a declared scale is never read.
"""

import re

from schemas.reason import Quarantine
from schemas.vocabulary import code_list

ROMAN = {"1": "I", "2": "II", "3": "III", "4": "IV", "5": "V"}
_GRADE = re.compile(
    r"(?:gr(?:ade|ad)?\.?\s*)?([1-5]|III|II|IV|I|V)\s*(--|-|\+\+|\+)?", re.IGNORECASE
)


def read_grade(text: str, *, scale: str) -> tuple[str, str] | Quarantine:
    """Read one grade.

    Parameters
    ----------
    text : str
        A cell such as ``III``, ``3``, ``gr 3+`` or ``IV-``.
    scale : {"oscillatory", "sustained_traction"}
        Declared scale.

    Returns
    -------
    tuple of str or Quarantine
        Grade in Roman numerals and modifier (``--``, ``-``, ``none``, ``+``, ``++``), or why none.

    Examples
    --------
    >>> read_grade("gr 3+", scale="oscillatory")
    ('III', '+')
    >>> read_grade("II+", scale="oscillatory").value
    'grade_impossible'
    """
    plain = text.strip().replace("\N{MINUS SIGN}", "-").replace("–", "-")
    match = _GRADE.fullmatch(plain)
    if match is None:
        return Quarantine.GRADE_UNREADABLE
    grade = ROMAN.get(match[1], match[1].upper())
    modifier = match[2] or "none"
    details = code_list("grade_scale")[scale].details
    if grade not in details["grades"]:
        return Quarantine.GRADE_IMPOSSIBLE
    if modifier != "none" and grade not in details["modified"]:
        return Quarantine.GRADE_IMPOSSIBLE
    return grade, modifier
