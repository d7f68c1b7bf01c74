"""The technique question: range gained by technique."""

import polars as pl

from pipeline.analysis.selection import Selection, divide, with_bias
from pipeline.exposure import SEVERAL
from schemas.plan import Analysis
from schemas.reason import NotModelled
from schemas.vocabulary import NOT_RECORDED


def select_for_technique(pairs: pl.DataFrame, analysis: Analysis, name: str) -> Selection:
    """Select the pairs in which one technique of the plan was used throughout.

    Parameters
    ----------
    pairs : polars.DataFrame
        Matched pairs of the plan's kind.
    analysis : Analysis
        The question.
    name : str
        Name of the comparison.

    Returns
    -------
    Selection
        ``level`` and ``group`` are the technique.
    """
    technique = pl.col("technique")
    own = with_bias(pairs, analysis.motion).with_columns(
        technique.alias("level"), technique.alias("group")
    )
    reasons = [
        (NotModelled.OUT_OF_SCOPE, pl.col("purpose") == "thrust"),
        (NotModelled.SEVERAL_TECHNIQUES, technique == SEVERAL),
        (NotModelled.NOT_RECORDED, technique.is_null() | (technique == NOT_RECORDED)),
        (NotModelled.NOT_COMPARED, ~technique.is_in(analysis.levels)),
        (NotModelled.SEVERAL_BIASES, pl.col("bias") == SEVERAL),
    ]
    return divide(own, reasons, analysis, name)
