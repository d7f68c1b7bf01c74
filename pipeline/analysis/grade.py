"""The grade question: range and pain after grades III-IV and after I-II."""

import polars as pl

from pipeline.analysis.selection import Selection, divide, with_bias
from pipeline.exposure import SEVERAL
from schemas.plan import PURPOSE_LEVELS, Analysis
from schemas.reason import NotModelled

LEAST_PAIN = 2
"""Pretest pain below this cannot fall by an amount that counts; a change of 2 points or 30 % is the
usual limit (Farrar 2001, Pain 94:149; the figures from memory)."""


def select_for_grade(pairs: pl.DataFrame, analysis: Analysis, name: str, outcome: str) -> Selection:
    """Select the pairs whose bouts all had one purpose: pain (I-II) or range (III-IV).

    Parameters
    ----------
    pairs : polars.DataFrame
        Matched pairs of the plan's kind.
    analysis : Analysis
        The question.
    name : str
        Name of the comparison.
    outcome : {"gain", "pain"}
        For pain, both tests need a pain score and the pretest at least ``LEAST_PAIN``.

    Returns
    -------
    Selection
        ``level`` is the purpose of the grades.
    """
    purpose = pl.col("purpose")
    own = with_bias(pairs, analysis.motion).with_columns(
        purpose.alias("level"), pl.col("technique").alias("group")
    )
    reasons = [
        (NotModelled.OUT_OF_SCOPE, purpose == "thrust"),
        (NotModelled.SEVERAL_PURPOSES, purpose == SEVERAL),
        (NotModelled.NOT_RECORDED, ~purpose.is_in(PURPOSE_LEVELS)),
    ]
    if outcome == "pain":
        little = (pl.col("pain_before") < LEAST_PAIN) | pl.col("pain_change").is_null()
        reasons.append((NotModelled.LITTLE_PAIN, little.fill_null(value=True)))
    return divide(own, reasons, analysis, name)
