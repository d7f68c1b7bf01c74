"""Grades of mobilisation: one grade of a declared scale, with its modifier.

Modifiers exist for oscillatory III and IV only; sustained traction runs from I to III and has none
(textbook convention, from memory). A bare number without a declared scale is never read.

A hyphen after a grade is a modifier where nothing follows (``III-``) and stands between two grades where
one follows (``III-IV``); ``III--IV`` may be either and is not read.
"""

import re
from typing import Any

from schemas.reason import Quarantine
from schemas.vocabulary import code_list

ROMAN = {"1": "I", "2": "II", "3": "III", "4": "IV", "5": "V"}
MODIFIERS = ("--", "-", "none", "+", "++")
"""Modifiers of one grade from the first resistance to the limit of range."""

_ONE_CHARACTER = str.maketrans(
    {"Ⅰ": "I", "Ⅱ": "II", "Ⅲ": "III", "Ⅳ": "IV", "Ⅴ": "V"} | dict.fromkeys("−–‐‑", "-")
)
_NAME = r"(?:(?:grade|grado|grad|gr|g)\.?\s{0,5})?"
_NUMERAL = r"([1-5]|III|II|IV|I|V)"
_GRADE = re.compile(rf"{_NAME}{_NUMERAL}\s{{0,5}}(--|-|\+\+|\+)?", re.IGNORECASE)
_TWO_GRADES = re.compile(
    rf"{_NAME}{_NUMERAL}\s{{0,5}}(?:"
    rf"(\+\+|\+)?\s{{0,5}}-|(--|-|\+\+|\+)?\s{{0,5}}(/|\sto\s|\sbis\s)"
    rf")\s{{0,5}}{_NAME}{_NUMERAL}\s{{0,5}}(--|-|\+\+|\+)?",
    re.IGNORECASE,
)

_Grade = tuple[str, str]


def read_grade(text: str, *, scale: str, two_grades: str = "refuse") -> _Grade | Quarantine:
    """Read one grade.

    Parameters
    ----------
    text : str
        A cell such as ``III``, ``3``, ``gr 3+`` or ``IV-``.
    scale : {"oscillatory", "sustained_traction"}
        Declared scale.
    two_grades : {"refuse", "first", "second", "lower", "higher"}
        Which grade counts where the cell holds two, such as ``3/4`` or ``III-IV``. Both have to be grades
        of the scale; ``3/5`` is always refused, since it may mean grade 3 of five.

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
    >>> read_grade("III-IV", scale="oscillatory", two_grades="lower")
    ('III', 'none')
    """
    plain = text.strip().translate(_ONE_CHARACTER)
    details = code_list("grade_scale")[scale].details
    one = _GRADE.fullmatch(plain)
    if one is not None:
        return _checked(one[1], one[2], details)
    two = _TWO_GRADES.fullmatch(plain)
    if two is None:
        return Quarantine.GRADE_UNREADABLE
    first = _checked(two[1], two[2] or two[3], details)
    second = _checked(two[5], two[6], details)
    is_of_five = two[4] == "/" and second == ("V", "none")
    if two_grades == "refuse" or is_of_five:
        return Quarantine.TWO_GRADES
    if isinstance(first, Quarantine) or isinstance(second, Quarantine):
        return Quarantine.GRADE_IMPOSSIBLE
    lower, higher = sorted((first, second), key=lambda grade: _rank(grade, details["grades"]))
    return {"first": first, "second": second, "lower": lower, "higher": higher}[two_grades]


def _checked(numeral: str, modifier: str | None, details: dict[str, Any]) -> _Grade | Quarantine:
    grade = ROMAN.get(numeral, numeral.upper())
    if grade not in details["grades"] or (modifier and grade not in details["modified"]):
        return Quarantine.GRADE_IMPOSSIBLE
    return grade, modifier or "none"


def _rank(grade: _Grade, grades: list[str]) -> tuple[int, int]:
    return grades.index(grade[0]), MODIFIERS.index(grade[1])
