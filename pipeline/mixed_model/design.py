"""Design of the fixed part: factors in treatment coding, numbers centred, and marginal means on it."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.mixed_model.sufficient_statistics import Array

INTERCEPT = "(intercept)"


@dataclass(frozen=True, eq=False)
class Design:
    """Columns of the fixed part.

    Attributes
    ----------
    matrix : ndarray, shape (n, p)
        A column of ones, a column for each level of a factor but its first, the centred numbers.
    terms : tuple of str, length p
        Names: ``factor=level`` or the number's name.
    factors : dict of str to tuple of str
        Levels of each factor that varies, in order; the first is the reference.
    constant : tuple of str
        Factors and numbers that do not vary in these rows and are left out.
    """

    matrix: Array
    terms: tuple[str, ...]
    factors: dict[str, tuple[str, ...]]
    constant: tuple[str, ...]

    def mean_at(self, factor: str, level: str) -> Array:
        """Give the weights of the marginal mean of one level.

        Other factors have equal weights over their levels, numbers stand at their mean.

        Parameters
        ----------
        factor, level : str
            Factor and level; a factor that does not vary gives the overall mean.

        Returns
        -------
        ndarray, shape (p,)
            Weights on the columns of the design.
        """
        weights = np.zeros(len(self.terms))
        weights[0] = 1.0
        for name, levels in self.factors.items():
            for other in levels[1:]:
                share = float(other == level) if name == factor else 1.0 / len(levels)
                weights[self.terms.index(f"{name}={other}")] = share
        return weights


def build_design(
    rows: pl.DataFrame, factors: dict[str, tuple[str, ...]], numbers: tuple[str, ...]
) -> Design:
    """Build the design of some rows.

    Parameters
    ----------
    rows : polars.DataFrame, shape (n, …)
        No nulls in the columns named.
    factors : dict of str to tuple of str
        Column to the order of its levels; levels that are not listed follow in order of name.
    numbers : tuple of str
        Numeric columns; centred on their mean.

    Returns
    -------
    Design
        The design.
    """
    columns, terms, varying, constant = [np.ones(rows.height)], [INTERCEPT], {}, []
    for name, order in factors.items():
        levels = _levels(rows[name], order)
        if len(levels) < 2:
            constant.append(name)
            continue
        varying[name] = levels
        for level in levels[1:]:
            columns.append((rows[name] == level).to_numpy().astype(np.float64))
            terms.append(f"{name}={level}")
    for name in numbers:
        values = rows[name].cast(pl.Float64).to_numpy()
        if np.ptp(values) == 0:
            constant.append(name)
            continue
        columns.append(values - np.sort(values).mean())  # sorted: the same for any order of rows
        terms.append(name)
    return Design(np.column_stack(columns), tuple(terms), varying, tuple(constant))


def _levels(column: pl.Series, order: tuple[str, ...]) -> tuple[str, ...]:
    present = set(column.unique().to_list())
    known = [level for level in order if level in present]
    return (*known, *sorted(present - set(known)))
