"""What was done between two tests: the sequence of bouts, and what may be said of it as a whole.

A pair is never silently given the last bout's treatment: where the bouts differ, the attribute is
``several``, and a question that compares it leaves the pair out with that reason. A rotation bias is
the exception that usual practice needs: a neutral first bout followed by biased ones counts as that
bias, as long as all biased bouts agree.
"""

import polars as pl

from schemas.vocabulary import NOT_RECORDED

SEVERAL = "several"
ATTRIBUTES = (
    "n_bouts_between",
    "technique",
    "grade_scale",
    "grade",
    "purpose",
    "bias_direction",
    "bias_manner",
    "total_seconds",
    "stopped_early",
    "sequence",
)
"""Columns of an exposure."""


def exposure_of_bouts(bouts: pl.DataFrame, key: list[str]) -> pl.DataFrame:
    """Summarise the bouts of each key.

    Parameters
    ----------
    bouts : polars.DataFrame
        Bouts in their order, as in ``Cohort.bouts``.
    key : list of str
        Columns that say which bouts belong together.

    Returns
    -------
    polars.DataFrame
        One row per key: ``ATTRIBUTES``. ``sequence`` is the biases in order, such as
        ``neutral → internal combined``.
    """
    biased = pl.col("bias_direction").is_in(["internal", "external"])
    words = (
        pl.when(biased & (pl.col("bias_manner") != NOT_RECORDED))
        .then(pl.col("bias_direction") + " " + pl.col("bias_manner"))
        .otherwise(pl.col("bias_direction"))
    )
    return (
        bouts.with_columns(words.alias("words"))
        .group_by(key, maintain_order=True)
        .agg(
            pl.len().cast(pl.Int64).alias("n_bouts_between"),
            _one(pl.col("technique")).alias("technique"),
            _one(pl.col("grade_scale")).alias("grade_scale"),
            _one(pl.col("grade")).alias("grade"),
            _one(pl.col("purpose")).alias("purpose"),
            _bias("bias_direction").alias("bias_direction"),
            _bias("bias_manner").alias("bias_manner"),
            pl.when(pl.col("seconds").null_count() == 0)
            .then(pl.col("seconds").sum())
            .alias("total_seconds"),
            pl.col("stopped_early").any().alias("stopped_early"),
            pl.col("words").str.join(" → ").alias("sequence"),
        )
    )


def _one(column: pl.Expr) -> pl.Expr:
    return pl.when(column.n_unique() == 1).then(column.first()).otherwise(pl.lit(SEVERAL))


def _bias(name: str) -> pl.Expr:
    """Give the one value of all biased bouts; else neutral, unless something was not recorded."""
    biased = pl.col("bias_direction").is_in(["internal", "external"])
    found = pl.col(name).filter(biased)
    unbiased = pl.lit("neutral" if name == "bias_direction" else "not_applicable")
    unknown = (pl.col("bias_direction") == NOT_RECORDED).any()
    same = pl.struct("bias_direction", "bias_manner").filter(biased).n_unique()
    return (
        pl.when(unknown)
        .then(pl.lit(NOT_RECORDED))
        .when(found.len() == 0)
        .then(unbiased)
        .when(same == 1)
        .then(found.first())
        .otherwise(pl.lit(SEVERAL))
    )
