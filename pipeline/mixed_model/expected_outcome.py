"""Expected outcome of given rows: fixed part, and conditional modes of groups that are known."""

import numpy as np
import polars as pl

from pipeline.mixed_model.columns import column_matrix, raw_columns
from pipeline.mixed_model.contrast import NOT_ESTIMABLE
from pipeline.mixed_model.description import INTERCEPT, TIMES, Factor, RandomTerm
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.fit import MixedModel
from pipeline.mixed_model.random_effect import conditional_modes, group_places
from pipeline.mixed_model.tally import Index
from schemas.errors import ModelError, nearest_names


def expected_outcome(
    model: MixedModel, frame: pl.DataFrame, *, known: tuple[RandomTerm, ...] = ()
) -> Array:
    """Add the conditional modes of known groups to the fixed part.

    Parameters
    ----------
    model : MixedModel
        The fit.
    frame : polars.DataFrame, shape (n, ...)
        Rows without missing values.
    known : tuple of RandomTerm
        Terms whose modes are added.

    Returns
    -------
    ndarray, shape (n,)
        In the outcome's unit.

    Raises
    ------
    ModelError
        A group or level does not occur in the records, or they can't tell what a row asks for.
    """
    value = fixed_rows(model, frame) @ model.coefficients
    for modes in conditional_modes(model) if known else ():
        if modes.term in known:
            effects = modes.values[known_places(modes.levels, frame)]
            value += np.einsum("nq,nq->n", varying_columns(frame, modes.term.columns), effects)
    return value


def fixed_rows(model: MixedModel, frame: pl.DataFrame) -> Array:
    """Evaluate the fixed part's columns.

    Parameters
    ----------
    model : MixedModel
        The fit.
    frame : polars.DataFrame, shape (n, ...)
        Rows without missing values.

    Returns
    -------
    ndarray, shape (n, r)
        Values of the model's ``terms``.

    Raises
    ------
    ModelError
        A level does not occur in the records, or they can't tell what a row asks for.
    """
    for term in model.description.main_terms:
        if isinstance(term, Factor):
            _check_levels(model, term, frame)
    raw = {column.name: column for column in raw_columns(model.description, model.levels)}
    values = column_matrix(tuple(raw[name] for name in model.columns), frame)
    kept = values[:, list(model.kept_columns)]
    if model.dropped_columns:
        dropped = values[:, list(model.dropped_columns)]
        apart = np.abs(kept @ model.aliases.T - dropped)
        if np.any(apart > NOT_ESTIMABLE * np.maximum(np.abs(dropped), 1.0)):
            raise ModelError(
                "prediction",
                "the records can't tell some rows apart from what else is in the model",
                f"Ask for rows as in the records ({', '.join(model.dropped)} can't be estimated).",
            )
    return kept


def complete_rows(frame: pl.DataFrame, names: list[str]) -> pl.Series:
    """Say which rows have a value in every one of some columns.

    Parameters
    ----------
    frame : polars.DataFrame, shape (n, ...)
        Rows.
    names : list of str
        Columns.

    Returns
    -------
    polars.Series of bool, shape (n,)
        False where a value is null or not a number.

    Raises
    ------
    ModelError
        A column is missing.
    """
    for name in names:
        if name not in frame.columns:
            near = nearest_names(name, frame.columns)
            raise ModelError(
                f"column “{name}”",
                "the model names it, but the rows do not have it",
                f"Name a column of the rows ({near}).",
            )
    floats = [name for name in names if frame.schema[name].is_float()]
    whole = [pl.col(name).is_not_null() for name in names]
    whole += [pl.col(name).is_nan().not_() for name in floats]
    return frame.select(pl.all_horizontal(pl.repeat(value=True, n=pl.len()), *whole)).to_series()


def known_places(levels: pl.DataFrame, frame: pl.DataFrame) -> Index:
    """Find the known group of each row.

    Parameters
    ----------
    levels : polars.DataFrame, shape (n_groups, g)
        Labels of the groups of the records.
    frame : polars.DataFrame, shape (n, ...)
        Rows with the columns of the labels.

    Returns
    -------
    ndarray of int, shape (n,)
        Place among the groups.

    Raises
    ------
    ModelError
        A row names another group.
    """
    places = group_places(levels, frame)
    n_unknown = int((places < 0).sum())
    if n_unknown:
        name = TIMES.join(levels.columns)
        raise ModelError(
            "prediction",
            f"{n_unknown:,} of {len(places):,} rows name a {name} that is not in the records",
            f"Take {name} as new.",
        )
    return places


def varying_columns(frame: pl.DataFrame, names: tuple[str, ...]) -> Array:
    """Evaluate what varies by group.

    Parameters
    ----------
    frame : polars.DataFrame, shape (n, ...)
        Rows without missing values.
    names : tuple of str, length q
        The intercept, slopes.

    Returns
    -------
    ndarray, shape (n, q)
        Ones, and the slopes' numbers.
    """
    found = np.ones((frame.height, len(names)))
    for place, name in enumerate(names):
        if name != INTERCEPT:
            found[:, place] = frame[name].cast(pl.Float64).to_numpy()
    return found


def _check_levels(model: MixedModel, term: Factor, frame: pl.DataFrame) -> None:
    """Refuse levels that the records do not have; they would pass for the reference.

    Raises
    ------
    ModelError
        There is one.
    """
    known = model.levels[term.name]
    n_unknown = int((~frame[term.name].cast(pl.String).is_in(known)).sum())
    if n_unknown:
        raise ModelError(
            f"column “{term.name}”",
            f"{n_unknown:,} of {frame.height:,} rows have a level that is not in the records",
            f"Name one of the model's levels ({', '.join(known[:5])}{', …' * (len(known) > 5)}).",
        )
