"""Sums that a fit needs: one pass over the rows, after which the rows are not needed again.

The rows are divided into cells, one for each combination of groups that occurs (this patient's left
hip at that visit, by this clinician). Of each cell the sums of the columns are kept, and of all rows
together the cross-products. Both are additive: those of two partitions add up to those of all rows.
They are exact (``exact_sums``): order changes no bit of the fit, nor does partitioning where readings
have a decimal unit; other numbers are rounded to each partition's own grid of 47 binary digits.
"""

from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np
import polars as pl
from threadpoolctl import threadpool_limits

from pipeline.mixed_model.columns import Column, column_values, levels_of, raw_columns
from pipeline.mixed_model.description import INTERCEPT, TIMES, ModelDescription
from pipeline.mixed_model.exact_sums import (
    BLOCK_ROWS,
    LIMB_DIGITS,
    LONGEST_BLOCK,
    ONES,
    Array,
    Grid,
    Integers,
    grid_of,
    limbs_of,
    whole,
)
from pipeline.mixed_model.group_code import Codes, cells_of
from pipeline.mixed_model.usable_row import usable_rows
from schemas.errors import ModelError


@dataclass(frozen=True, eq=False)
class Statistics:
    """Sums over rows.

    Attributes
    ----------
    description : ModelDescription
        The model that they are for.
    columns : tuple of str, length k
        Column of ones, every level's indicator, numbers, splines and products of them, the outcome
        last.
    units : tuple of Fraction, length k
        What 1 stands for in the sums of each column.
    products : ndarray of int, shape (k, k)
        Cross-products of the columns over all rows, exact.
    varying : tuple of str, length m
        Columns that vary by group: the column of ones and the slopes.
    groups : polars.DataFrame, shape (c, g)
        Group labels of each cell, sorted.
    sums : ndarray, shape (m, c, k)
        Of each cell, the sum of each varying column times each column.
    levels : dict of str to tuple of str
        Levels of each factor that occur.
    n_rows, n_left_out : int
        Rows counted, and rows left out because a value is missing or the weight is zero.
    log_weights : float
        Sum of the logarithms of the weights; 0 without weights.
    """

    description: ModelDescription
    columns: tuple[str, ...]
    units: tuple[Fraction, ...]
    products: Integers
    varying: tuple[str, ...]
    groups: pl.DataFrame
    sums: Array
    levels: dict[str, tuple[str, ...]]
    n_rows: int
    n_left_out: int
    log_weights: float

    def mean(self, column: str) -> float:
        """Give the mean of a column over the rows, weighted where the model has weights.

        Parameters
        ----------
        column : str
            Name of a column.

        Returns
        -------
        float
            Its mean.
        """
        place = self.columns.index(column)
        unit = self.units[place] / self.units[0]
        return float(Fraction(self.products[0, place], self.products[0, 0]) * unit)


def collect(rows: pl.DataFrame | pl.LazyFrame, description: ModelDescription) -> Statistics:
    """Add up rows.

    Parameters
    ----------
    rows : polars.DataFrame or polars.LazyFrame, shape (n, ...)
        Rows with the columns that the description names.
    description : ModelDescription
        The model.

    Returns
    -------
    Statistics
        The sums.

    Raises
    ------
    ModelError
        If a column is missing or holds what the model cannot use.
    """
    frame, n_left_out = usable_rows(rows, description)
    if frame.is_empty():
        raise ModelError("mixed model", "no row has all values", "Look at the missing values.")
    levels = levels_of(description, frame)
    columns = raw_columns(description, levels)
    weights = _roots(frame, description)
    order, starts = cells_of(frame.select(description.grouping))
    groups = frame.select(description.grouping)[order[starts]]
    frame = _enumerated(frame, levels)
    slices = _Slices(frame, columns, description, weights)
    with threadpool_limits(limits=1, user_api="blas"):
        sums, products = _add_blocks(slices, order, starts)
    return Statistics(
        description=description,
        columns=slices.names,
        units=tuple(grid.unit for grid in slices.grids),
        products=products,
        varying=(INTERCEPT, *description.slopes),
        groups=groups,
        sums=sums,
        levels=levels,
        n_rows=frame.height,
        n_left_out=n_left_out,
        log_weights=0.0 if weights is None else float(2.0 * np.sort(np.log(weights)).sum()),
    )


class _Slices:
    """Columns of the rows as whole numbers, a block of rows at a time."""

    def __init__(
        self,
        frame: pl.DataFrame,
        columns: tuple[Column, ...],
        description: ModelDescription,
        weights: Array | None,
    ) -> None:
        self.frame, self.columns, self.weights = frame, columns, weights
        self.outcome = description.outcome
        self.names = (*(column.name for column in columns), self.outcome)
        self.varying = [self.names.index(name) for name in (INTERCEPT, *description.slopes)]
        known: dict[str, Grid] = {}
        self.grids = [self._grid(column, known) for column in columns]
        self.grids.append(grid_of(self._weighed(self._outcome(frame), weights)))
        limbs = np.cumsum([0, *(grid.n_limbs for grid in self.grids)]).tolist()
        self.limbs = [slice(a, b) for a, b in pairwise(limbs)]

    def _grid(self, column: Column, known: dict[str, Grid]) -> Grid:
        """Find a column's grid; a number times indicators keeps the number's."""
        numbers = tuple(part for part in column.parts if part.kind != "level")
        if not numbers and self.weights is None:
            return ONES
        name = TIMES.join(part.name for part in numbers)
        if self.weights is not None or name not in known:
            core = column if self.weights is not None else Column(name, numbers)
            values = self._weighed(column_values(core, self.frame), self.weights)
            known[name] = grid_of(values)
        return known[name]

    def _outcome(self, frame: pl.DataFrame) -> Array:
        return frame[self.outcome].cast(pl.Float64).to_numpy()

    def _weighed(self, values: Array, weights: Array | None) -> Array:
        return values if weights is None else values * weights

    def limb_rows(self, rows: Codes) -> Array:
        """Give the limbs of every column for some rows, a row of the matrix for each limb."""
        part = self.frame[rows]
        weights = None if self.weights is None else self.weights[rows]
        matrix = np.empty((self.limbs[-1].stop, len(rows)))
        for place, grid in enumerate(self.grids):
            column = self.columns[place] if place < len(self.columns) else None
            values = self._outcome(part) if column is None else column_values(column, part)
            numbers = grid.integers(self._weighed(values, weights))
            matrix[self.limbs[place]] = limbs_of(numbers, grid.n_limbs)
        return matrix


def _add_blocks(slices: _Slices, order: Codes, starts: Codes) -> tuple[Array, Integers]:
    n_columns, n_varying = len(slices.names), len(slices.varying)
    sums = np.empty((n_varying, len(starts), n_columns))
    n_limbs = slices.limbs[-1].stop
    products = np.zeros((n_limbs, n_limbs), dtype=object)
    ends = np.append(starts[1:], len(order))
    first = 0
    while first < len(starts):
        last = int(np.searchsorted(ends, starts[first] + BLOCK_ROWS, side="right"))
        last = max(last, first + 1)
        limbs = slices.limb_rows(order[starts[first] : ends[last - 1]])
        within = starts[first:last] - starts[first]
        for place, varying in enumerate(slices.varying):
            for column in range(n_columns):
                sums[place, first:last, column] = _cell_sums(
                    slices, limbs, (varying, column), within
                )
        for block in range(0, limbs.shape[1], LONGEST_BLOCK):
            part = limbs[:, block : block + LONGEST_BLOCK]
            products += whole(part @ part.T)
        first = last
    return sums, _joined(products, slices.grids)


def _cell_sums(slices: _Slices, limbs: Array, pair: tuple[int, int], starts: Codes) -> Array:
    """Add up a varying column times a column, cell by cell."""
    varying, column = (limbs[slices.limbs[place]] for place in pair)
    if pair[0] == 0 and slices.weights is None:  # the column of ones
        found = np.add.reduceat(column, starts, axis=1)
        for limb in range(1, len(found)):
            found[0] += found[limb] * float(2 ** (LIMB_DIGITS * limb))
        first: Array = found[0]
        return first
    total = np.zeros(len(starts))
    for i, left in enumerate(varying):
        for j, right in enumerate(column):
            part = np.add.reduceat(left * right, starts)
            total += part * float(2 ** (LIMB_DIGITS * (i + j)))
    return total


def _joined(products: Integers, grids: list[Grid]) -> Integers:
    """Put the limbs of the cross-products together."""
    n_limbs = sum(grid.n_limbs for grid in grids)
    joins = np.zeros((len(grids), n_limbs), dtype=object)
    place = 0
    for column, grid in enumerate(grids):
        for limb in range(grid.n_limbs):
            joins[column, place] = 2 ** (LIMB_DIGITS * limb)
            place += 1
    joined: Integers = joins @ products @ joins.T
    return joined


def _enumerated(frame: pl.DataFrame, levels: dict[str, tuple[str, ...]]) -> pl.DataFrame:
    """Write categories as numbers, once for all columns that come of them."""
    written = [
        pl.col(name).cast(pl.String).cast(pl.Enum(known))
        for name, known in levels.items()
        if frame[name].dtype != pl.Boolean
    ]
    return frame.with_columns(written)


def _roots(frame: pl.DataFrame, description: ModelDescription) -> Array | None:
    if description.weights is None:
        return None
    roots: Array = np.sqrt(frame[description.weights].cast(pl.Float64).to_numpy())
    return roots
