"""Rows that a model can use: every value there, every number finite, a weight above zero."""

import polars as pl

from pipeline.mixed_model.description import ModelDescription
from schemas.errors import ModelError, nearest_names


def usable_rows(
    rows: pl.DataFrame | pl.LazyFrame, description: ModelDescription
) -> tuple[pl.DataFrame, int]:
    """Keep the rows that have every value of the model, and a weight above zero.

    Parameters
    ----------
    rows : polars.DataFrame or polars.LazyFrame
        Rows.
    description : ModelDescription
        The model.

    Returns
    -------
    frame : polars.DataFrame
        The rows, with the columns of the model.
    n_left_out : int
        Number of other rows.

    Raises
    ------
    ModelError
        If a column is missing, not numeric where it must be, or infinite.
    """
    needed = used_columns(description)
    frame = rows.lazy().collect_schema()
    for name in needed:
        if name not in frame:
            known = nearest_names(name, frame.names())
            raise ModelError(
                "mixed model", f"the rows have no column “{name}”", f"Nearest names: {known}."
            )
    numeric = [n for n in _numbers(description) if frame[n].is_float()]
    whole_frame = rows.lazy().select(needed).collect()
    usable = pl.all_horizontal(
        pl.col(needed).is_not_null(), *(~pl.col(n).is_nan() for n in numeric)
    )
    if description.weights:
        usable &= pl.col(description.weights) != 0
    kept = whole_frame.filter(usable)
    for name in _numbers(description):
        _check_number(kept[name], weight=name == description.weights)
    return kept, whole_frame.height - kept.height


def used_columns(description: ModelDescription) -> list[str]:
    """Name the columns of rows that a model reads.

    Parameters
    ----------
    description : ModelDescription
        The model.

    Returns
    -------
    list of str
        Each once.
    """
    fixed = [term.name for term in description.main_terms]
    weights = [description.weights] if description.weights else []
    names = [description.outcome, *fixed, *description.slopes, *description.grouping, *weights]
    return list(dict.fromkeys(names))


def _numbers(description: ModelDescription) -> list[str]:
    numbers = [term.name for term in description.main_terms if term.kind != "factor"]
    weights = [description.weights] if description.weights else []
    return list(dict.fromkeys([description.outcome, *numbers, *description.slopes, *weights]))


def _check_number(series: pl.Series, *, weight: bool) -> None:
    """Refuse what cannot be added up.

    Raises
    ------
    ModelError
        If the column is not numeric, is infinite, or is a negative weight.
    """
    problem = None
    if not series.dtype.is_numeric() and series.dtype != pl.Boolean:
        problem = f"is {series.dtype}, not a number"
    elif series.dtype.is_float() and series.is_infinite().any():
        problem = "holds an infinite value"
    elif weight and (series < 0).any():
        problem = "holds a negative weight"
    if problem:
        raise ModelError(
            "mixed model", f"column “{series.name}” {problem}", "Correct the rows before the fit."
        )
