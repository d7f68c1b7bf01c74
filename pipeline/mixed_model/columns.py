"""Columns of the fixed part: which ones a description names, and their values on any frame.

The raw columns hold an indicator for every level, so that the design in treatment coding and every
marginal mean can be taken from them.
"""

from dataclasses import dataclass
from functools import reduce
from itertools import product
from typing import Literal

import numpy as np
import polars as pl

from pipeline.mixed_model.description import (
    INTERCEPT,
    TIMES,
    Factor,
    Interaction,
    ModelDescription,
    Number,
    Spline,
)
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.spline import spline_column
from schemas.errors import ModelError, nearest_names

Levels = dict[str, tuple[str, ...]]
"""Levels of each factor in order, the reference first."""

_BLOCK = 32_768
"""Rows that are written at once, so that the writes of their columns fall near each other."""


@dataclass(frozen=True)
class Part:
    """One factor of the product that makes a column.

    Attributes
    ----------
    term : Factor or Number or Spline
        Where it comes from; its name is the column of the rows.
    level : str
        Of a factor: the level that is indicated.
    index : int
        Of a spline: the column of its basis, from 0.
    """

    term: Factor | Number | Spline
    level: str = ""
    index: int = 0

    @property
    def kind(self) -> Literal["level", "number", "spline"]:
        """What it is: the indicator of a level, a number, a column of a spline's basis."""
        return "level" if self.term.kind == "factor" else self.term.kind

    @property
    def name(self) -> str:
        """Name such as ``technique=lateral``, ``pretest_deg`` or ``seconds[1]``."""
        match self.term:
            case Factor(name=name):
                return f"{name}={self.level}"
            case Spline(name=name):
                return f"{name}[{self.index + 1}]"
        return self.term.name


@dataclass(frozen=True)
class Column:
    """A column: the product of its parts.

    Attributes
    ----------
    name : str
        Names of the parts, joined.
    parts : tuple of Part
        Empty for the intercept: a product of nothing is one.
    """

    name: str
    parts: tuple[Part, ...] = ()


def raw_columns(description: ModelDescription, levels: Levels) -> tuple[Column, ...]:
    """List every column that the fixed part and the random slopes can be taken from.

    Parameters
    ----------
    description : ModelDescription
        The model.
    levels : dict of str to tuple of str
        Levels of each factor.

    Returns
    -------
    tuple of Column
        The intercept, the columns of each fixed term in the description's order with an indicator
        for every level, the random slopes that are not there yet; each name once.
    """
    parts = {term.name: _parts(term, levels) for term in description.main_terms}
    columns = [Column(INTERCEPT)]
    for term in description.fixed:
        columns += _term_columns(term, parts)
    columns += [_column((Part(Number(name=name)),)) for name in description.slopes]
    return tuple({column.name: column for column in columns}.values())


def coded_columns(description: ModelDescription, levels: Levels) -> tuple[str, ...]:
    """Name the columns of the design in treatment coding, in order of precedence.

    Parameters
    ----------
    description : ModelDescription
        The model.
    levels : dict of str to tuple of str
        Levels of each factor, the reference first; a factor with fewer than two gives no column.

    Returns
    -------
    tuple of str
        Names among the raw columns: intercept, factors, numbers, splines, then interactions, those
        of fewer terms first. Where columns are collinear the later one is to go.
    """
    coded = {name: order[1:] for name, order in levels.items()}
    parts = {term.name: _parts(term, coded) for term in description.main_terms}
    terms = sorted(description.fixed, key=_precedence)
    columns = [column for term in terms for column in _term_columns(term, parts)]
    return tuple(dict.fromkeys([INTERCEPT, *(column.name for column in columns)]))


def levels_of(description: ModelDescription, frame: pl.DataFrame) -> Levels:
    """Find the levels of each factor that occur.

    Parameters
    ----------
    description : ModelDescription
        The model.
    frame : polars.DataFrame, shape (n, …)
        The rows; nulls are no level.

    Returns
    -------
    dict of str to tuple of str
        For each factor the declared levels that occur, in declared order, then the others by name.

    Raises
    ------
    ModelError
        The frame has no such column.
    """
    factors = [term for term in description.main_terms if isinstance(term, Factor)]
    return {factor.name: _occurring(factor, frame) for factor in factors}


def column_values(column: Column, frame: pl.DataFrame) -> Array:
    """Evaluate a column on some rows.

    Parameters
    ----------
    column : Column
        The column.
    frame : polars.DataFrame, shape (n, …)
        Rows of the model or of a reference grid.

    Returns
    -------
    ndarray, shape (n,)
        The values; nan where a value that goes into them is null.

    Raises
    ------
    ModelError
        The frame has no such column, or a number's column is not numeric.
    """
    values = [_part_values(part, frame) for part in column.parts]
    return np.full(frame.height, _product(values))


def column_matrix(columns: tuple[Column, ...], frame: pl.DataFrame) -> Array:
    """Evaluate columns side by side.

    Parameters
    ----------
    columns : tuple of Column, length p
        The columns.
    frame : polars.DataFrame, shape (n, …)
        Rows of the model or of a reference grid.

    Returns
    -------
    ndarray, shape (n, p)
        Their values in row-major order; nan where a value that goes into them is null.

    Raises
    ------
    ModelError
        The frame has no such column, or a number's column is not numeric.
    """
    parts = dict.fromkeys(part for column in columns for part in column.parts)
    matrix = np.empty((frame.height, len(columns)))
    for start in range(0, frame.height, _BLOCK):
        block = slice(start, start + _BLOCK)
        rows = frame[block]
        values = {part: _part_values(part, rows) for part in parts}
        for j, column in enumerate(columns):
            matrix[block, j] = _product([values[part] for part in column.parts])
    return matrix


def _product(values: list[Array]) -> Array | float:
    return reduce(np.multiply, values) if values else 1.0


def _parts(term: Factor | Number | Spline, levels: Levels) -> tuple[Part, ...]:
    match term:
        case Factor():
            return tuple(Part(term, level=level) for level in levels[term.name])
        case Spline():
            return tuple(Part(term, index=i) for i in range(len(term.knots) + 1))
    return (Part(term),)


def _term_columns(
    term: Factor | Number | Spline | Interaction, parts: dict[str, tuple[Part, ...]]
) -> list[Column]:
    names = term.of if isinstance(term, Interaction) else (term.name,)
    return [_column(chosen) for chosen in product(*(parts[name] for name in names))]


def _column(parts: tuple[Part, ...]) -> Column:
    return Column(TIMES.join(part.name for part in parts), parts)


def _precedence(term: Factor | Number | Spline | Interaction) -> int:
    if isinstance(term, Interaction):
        return 1 + len(term.of)
    return (Factor, Number, Spline).index(type(term))


def _occurring(factor: Factor, frame: pl.DataFrame) -> tuple[str, ...]:
    distinct = _series(frame, factor.name).unique().drop_nulls()
    present = set(distinct.cast(pl.String).to_list())
    declared = [level for level in dict.fromkeys(factor.levels) if level in present]
    return (*declared, *sorted(present.difference(declared)))


def _part_values(part: Part, frame: pl.DataFrame) -> Array:
    match part.term:
        case Factor(name=name):
            return _float(_is_level(_series(frame, name), part.level))
        case Spline(name=name, knots=knots, boundary=boundary):
            return spline_column(_number(frame, name), knots, boundary, index=part.index)
    return _number(frame, part.term.name)


def _is_level(series: pl.Series, level: str) -> pl.Series:
    if isinstance(series.dtype, pl.String | pl.Categorical | pl.Enum):
        return series == level
    # Compared as text, without a text for every row: the values that read so are looked for.
    distinct = series.unique()
    return series.is_in(distinct.filter(distinct.cast(pl.String) == level).implode())


def _number(frame: pl.DataFrame, name: str) -> Array:
    series = _series(frame, name)
    if not series.dtype.is_numeric():
        problem = f"the model takes it as a number, but it holds {series.dtype}"
        raise ModelError(f"column “{name}”", problem, "Take it as a factor or give numbers.")
    return _float(series)


def _float(series: pl.Series) -> Array:
    return series.cast(pl.Float64).to_numpy()


def _series(frame: pl.DataFrame, name: str) -> pl.Series:
    if name not in frame.columns:
        near = nearest_names(name, frame.columns)
        problem = "the model names it, but the rows do not have it"
        raise ModelError(f"column “{name}”", problem, f"Name a column of the rows ({near}).")
    return frame[name]
