"""Compact types of the canonical columns while facts are made, compared and sorted.

Coded columns have few values and are numbers with names (``Enum``); pseudonyms repeat and are plain
numbers until the end. Both are in the order of the alphabet: sorting the numbers sorts the names. The
store writes plain text.
"""

import numpy as np
import polars as pl

from pipeline.coded import code_text
from schemas.field import BOTH_SIDES
from schemas.table import TABLES
from schemas.vocabulary import NOT_RECORDED, code_list

PSEUDONYMS = ("patient", "visit", "episode", "clinician")
"""Columns whose names are those of one delivery."""

Names = dict[str, pl.Series]
"""All pseudonyms of each kind in a delivery, in the order of the alphabet."""

_GRADES = ("I", "II", "III", "IV", "V")
_MODIFIERS = ("--", "-", "none", "+", "++")


def compact_kinds(clinic: str, joint: str) -> dict[str, pl.DataType]:
    """Give the type of each canonical column.

    Parameters
    ----------
    clinic, joint : str
        Clinic of the delivery, and joint of its codebook.

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
    numbers = dict.fromkeys(PSEUDONYMS, pl.UInt32())
    return kinds | own | {"grade_modifier": _enum(*_MODIFIERS)} | numbers


def number_names(texts: pl.Series, names: pl.Series) -> pl.Series:
    """Replace pseudonyms by their numbers.

    Parameters
    ----------
    texts : polars.Series, shape (n,)
        Pseudonyms, coded; the empty text is none.
    names : polars.Series, shape (n_names,)
        All pseudonyms of the kind, in the order of the alphabet.

    Returns
    -------
    polars.Series of UInt32, shape (n,)
        Place among the names; null where there is none.
    """
    coded = code_text(texts)
    places = names.search_sorted(coded.texts.fill_null("")).cast(pl.UInt32)
    known = (coded.texts != "").fill_null(value=False)
    return coded.spread(pl.select(pl.when(known).then(places)).to_series()).alias(texts.name)


def name_numbers(numbers: pl.Series, names: pl.Series) -> pl.Series:
    """Put names in place of their numbers.

    Parameters
    ----------
    numbers : polars.Series of UInt32, shape (n,)
        Places among the names, or null.
    names : polars.Series, shape (n_names,)
        The names, in the order of the alphabet.

    Returns
    -------
    polars.Series of Enum, shape (n,)
        The names that occur are its categories: a type with all of them is slow to pass about.
    """
    used = numbers.unique().drop_nulls().sort()
    if not used.len():
        return numbers.cat.to(pl.Enum([])).alias(numbers.name)
    lowest = int(used[0])
    places = np.zeros(int(used[-1]) - lowest + 1, dtype=np.uint32)
    places[used.to_numpy() - lowest] = np.arange(used.len(), dtype=np.uint32)
    placed = pl.Series(places).gather(numbers - lowest)
    return placed.cat.to(pl.Enum(names.gather(used))).alias(numbers.name)


def _coded(listed: str, name: str) -> pl.Enum:
    both = (BOTH_SIDES,) if name == "side" else ()
    return _enum(*code_list(listed), *both)


def _enum(*codes: str) -> pl.Enum:
    return pl.Enum(sorted({*codes, NOT_RECORDED}))
