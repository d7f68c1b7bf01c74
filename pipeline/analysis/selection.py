"""Which pairs a question uses: each pair has one reason to be left out, or none."""

from dataclasses import dataclass

import polars as pl

from pipeline.cell import Cell
from pipeline.cohort import PATIENT
from pipeline.exposure import SEVERAL
from schemas.plan import NUMERIC_COVARIATES, Analysis
from schemas.reason import REASON_TEXT, NotModelled
from schemas.vocabulary import NOT_RECORDED, ROTATION_BIAS

NOT_APPLICABLE = "not_applicable"


@dataclass(frozen=True)
class Selection:
    """The pairs of one question.

    Attributes
    ----------
    pairs : polars.DataFrame
        Pairs in the model, with ``level`` (what is compared), ``group`` (technique) and ``bias``.
    not_modelled : tuple of Cell
        Pairs of this motion that are not, one reason each.
    """

    pairs: pl.DataFrame
    not_modelled: tuple[Cell, ...]


def bias_relation(motion: str) -> pl.Expr:
    """Say how the rotation bias of a treatment relates to the rotation that was tested.

    Parameters
    ----------
    motion : str
        Motion that was tested.

    Returns
    -------
    polars.Expr
        ``neutral``, ``congruent_held``, ``congruent_combined``, ``opposed``, ``several``,
        ``not_recorded``, or ``not_applicable`` for a test that is no rotation.
    """
    same = ROTATION_BIAS.get(motion)
    if same is None:
        return pl.lit(NOT_APPLICABLE)
    direction, manner = pl.col("bias_direction"), pl.col("bias_manner")
    return (
        pl.when(direction.is_in(["neutral", SEVERAL, NOT_RECORDED]))
        .then(direction)
        .when(direction != same)
        .then(pl.lit("opposed"))
        .when(manner.is_in(["held", "combined"]))
        .then(pl.lit("congruent_") + manner)
        .otherwise(pl.lit(NOT_RECORDED))
    )


def with_bias(pairs: pl.DataFrame, motion: str) -> pl.DataFrame:
    """Keep the pairs of one motion, and add the relation of the bias to it.

    Parameters
    ----------
    pairs : polars.DataFrame
        Matched pairs.
    motion : str
        Motion that is compared.

    Returns
    -------
    polars.DataFrame
        Pairs of the motion with ``bias`` and ``bias_relation``.
    """
    relation = bias_relation(motion)
    own = pairs.filter(pl.col("motion") == motion)
    return own.with_columns(relation.alias("bias"), relation.alias("bias_relation"))


def divide(
    pairs: pl.DataFrame, reasons: list[tuple[NotModelled, pl.Expr]], analysis: Analysis, name: str
) -> Selection:
    """Divide pairs into those in the model and those that are not.

    Parameters
    ----------
    pairs : polars.DataFrame
        Pairs of one motion with ``level``, ``group`` and ``bias``.
    reasons : list of tuple
        Reason codes with their conditions; the first that applies counts.
    analysis : Analysis
        Names the covariates, which may not be missing where they are numbers.
    name : str
        Name of the comparison, for the cells.

    Returns
    -------
    Selection
        The pairs and the counts of the others.
    """
    numbers = [c for c in analysis.covariates if c in NUMERIC_COVARIATES]
    if numbers:
        missing = pl.any_horizontal(pl.col(c).is_null() for c in numbers)
        reasons = [*reasons, (NotModelled.MISSING_COVARIATE, missing)]
    first = pl.coalesce(
        [pl.when(condition).then(pl.lit(str(code))) for code, condition in reasons]
        + [pl.lit(None, dtype=pl.String)]
    )
    marked = pairs.with_columns(first.alias("reason"))
    out = marked.filter(pl.col("reason").is_not_null())
    cells = tuple(
        _reason_cell(out.filter(pl.col("reason") == str(code)), code, name)
        for code in dict.fromkeys(code for code, _ in reasons)
    )
    return Selection(
        marked.filter(pl.col("reason").is_null()).drop("reason"),
        tuple(cell for cell in cells if cell.value),
    )


def _reason_cell(rows: pl.DataFrame, code: NotModelled, name: str) -> Cell:
    return Cell(
        name=f"{name}.not_modelled.{code}",
        label=REASON_TEXT[code].label,
        unit="pairs",
        value=rows.height,
        n_patients=rows.select(PATIENT).n_unique(),
        n_pairs=rows.height,
    )
