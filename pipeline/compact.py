"""Compact types of the canonical columns while facts are made, compared and sorted.

Coded columns have few values and pseudonyms repeat, so both are numbers with names (``Enum``), in the
order of the alphabet: sorting the numbers sorts the names. The store writes plain text.
"""

import polars as pl

from schemas.field import BOTH_SIDES
from schemas.reason import Quarantine
from schemas.table import TABLES
from schemas.vocabulary import NOT_RECORDED, code_list

PSEUDONYMS = ("patient", "visit", "episode", "clinician")
"""Columns whose names are those of one delivery."""

REASONS = pl.Enum(sorted(str(reason) for reason in Quarantine))

_GRADES = ("I", "II", "III", "IV", "V")
_MODIFIERS = ("--", "-", "none", "+", "++")


def compact_kinds(
    clinic: str, joint: str, pseudonyms: dict[str, pl.Enum]
) -> dict[str, pl.DataType]:
    """Give the type of each canonical column.

    Parameters
    ----------
    clinic, joint : str
        Clinic of the delivery, and joint of its codebook.
    pseudonyms : dict of str to polars.Enum
        Names of patients, visits, episodes and clinicians.

    Returns
    -------
    dict of str to polars.DataType
        By column.
    """
    kinds: dict[str, pl.DataType] = {}
    for table in TABLES.values():
        for name, kind in (table.key | table.values).items():
            listed = table.coded.get(name)
            kinds[name] = _coded(listed, name) if listed else kind
    joints = pl.Enum(sorted({joint, *code_list("joint"), NOT_RECORDED}))
    own = {"clinic": pl.Enum([clinic]), "joint": joints, "grade": _enum(*_GRADES)}
    return kinds | own | {"grade_modifier": _enum(*_MODIFIERS)} | pseudonyms


def _coded(listed: str, name: str) -> pl.Enum:
    both = (BOTH_SIDES,) if name == "side" else ()
    return _enum(*code_list(listed), *both)


def _enum(*codes: str) -> pl.Enum:
    return pl.Enum(sorted({*codes, NOT_RECORDED}))
