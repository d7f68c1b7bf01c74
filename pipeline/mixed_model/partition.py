"""Sums of the parts of a frame: of each clinic, of each file, of each batch.

A part may hold no row that the model can use. Its sums are then empty; they count the rows left out,
and add to those of other parts like any.
"""

from fractions import Fraction

import numpy as np
import polars as pl

from pipeline.mixed_model.columns import raw_columns
from pipeline.mixed_model.description import INTERCEPT, Factor, ModelDescription
from pipeline.mixed_model.merging import combine
from pipeline.mixed_model.sufficient_statistics import Statistics, collect
from pipeline.mixed_model.usable_row import usable_rows, used_columns
from schemas.errors import ModelError

Label = tuple[str, ...]
"""Values that name a group, as text."""


def collect_part(rows: pl.DataFrame, description: ModelDescription) -> Statistics:
    """Add up the rows of a part, which may have none.

    Parameters
    ----------
    rows : polars.DataFrame, shape (n, ...)
        Rows with the columns that the description names.
    description : ModelDescription
        The model.

    Returns
    -------
    Statistics
        The sums; of no rows where none has all values.
    """
    usable, n_left_out = usable_rows(rows, description)
    if usable.is_empty():
        return _nothing(usable, description, n_left_out)
    return collect(rows, description)


def combine_parts(parts: list[Statistics]) -> Statistics:
    """Add up the sums of parts, some of which may be empty.

    Parameters
    ----------
    parts : list of Statistics
        Sums of the same model over rows that do not overlap.

    Returns
    -------
    Statistics
        The sums over all of them.

    Raises
    ------
    ModelError
        If no part has a row.
    """
    if not any(part.n_rows for part in parts):
        raise ModelError("mixed model", "no row has all values", "Look at the missing values.")
    return combine(parts)


def collect_by(
    frame: pl.DataFrame, description: ModelDescription, by: str | tuple[str, ...]
) -> dict[Label, Statistics]:
    """Add up the rows of each group.

    Parameters
    ----------
    frame : polars.DataFrame, shape (n, ...)
        Rows with the columns that the description names, and those that name the groups.
    description : ModelDescription
        The model.
    by : str or tuple of str
        Columns that name the groups, such as the clinic; they need not occur in the model.

    Returns
    -------
    dict of tuple of str to Statistics
        The sums by group, in order of the labels; without the rows of no group, and without groups
        that have no row with all values.
    """
    names = [by] if isinstance(by, str) else list(by)
    needed = list(dict.fromkeys([*names, *used_columns(description)]))
    known = frame.select(name for name in needed if name in frame.columns).drop_nulls(names)
    found = {
        tuple(str(value) for value in label): collect_part(rows, description)
        for label, rows in known.partition_by(names, as_dict=True).items()
    }
    return {label: found[label] for label in sorted(found) if found[label].n_rows}


def _nothing(frame: pl.DataFrame, description: ModelDescription, n_left_out: int) -> Statistics:
    """Give the sums of no rows; a unit of 0 says that a column has no grid yet."""
    factors = [term.name for term in description.main_terms if isinstance(term, Factor)]
    levels: dict[str, tuple[str, ...]] = dict.fromkeys(factors, ())
    names = [column.name for column in raw_columns(description, levels)]
    columns = (*names, description.outcome)
    varying = (INTERCEPT, *description.slopes)
    return Statistics(
        description=description,
        columns=columns,
        units=(Fraction(0),) * len(columns),
        products=np.zeros((len(columns), len(columns)), dtype=object),
        varying=varying,
        groups=frame.select(description.grouping),
        sums=np.zeros((len(varying), 0, len(columns))),
        levels=levels,
        n_rows=0,
        n_left_out=n_left_out,
        log_weights=0.0,
    )
