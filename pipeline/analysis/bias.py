"""The bias question: range gained at the second step after a neutral first.

Usual practice begins with a neutral bout and goes on with a biased one, so biases are compared at
the second step, between the interim test and the next one.
"""

import polars as pl

from pipeline.analysis.selection import Selection, divide, with_bias
from schemas.plan import BIAS_LEVELS, Analysis
from schemas.reason import NotModelled


def select_for_bias(pairs: pl.DataFrame, analysis: Analysis, name: str) -> Selection:
    """Select the second steps after a neutral first bout.

    Parameters
    ----------
    pairs : polars.DataFrame
        Stepwise pairs.
    analysis : Analysis
        The question.
    name : str
        Name of the comparison.

    Returns
    -------
    Selection
        ``level`` is the relation of the second bout's bias to the tested rotation.
    """
    own = with_bias(pairs, analysis.motion).with_columns(
        pl.col("bias").alias("level"), pl.col("technique").alias("group")
    )
    second = (pl.col("step") == 2) & (pl.col("previous_bias") == "neutral").fill_null(value=False)
    reasons = [
        (NotModelled.OUT_OF_SCOPE, pl.col("purpose") == "thrust"),
        (NotModelled.NOT_SECOND_STEP, ~second),
        (NotModelled.NOT_RECORDED, ~pl.col("level").is_in(BIAS_LEVELS)),
    ]
    return divide(own, reasons, analysis, name)
