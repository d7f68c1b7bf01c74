"""Outcomes simulated from a fitted model, as sums: the rows are not needed.

The sums of a simulated outcome are drawn from their exact joint distribution. Within a cell all random
effects are the same, so that they enter by the cell's cross-products alone. The residuals of a cell are
split in two independent parts: what its varying columns explain, and the rest. Of the rest, what the
columns of the fixed part explain is normal with the cross-products that are left of them within cells,
and the square of what is left then is chi-squared.

References
----------
Anderson TW (2003). An introduction to multivariate statistical analysis, 3rd ed. Wiley, theorems 2.4.1
and 7.3.1, for normal vectors and their squares split by projections.
"""

from dataclasses import dataclass, replace
from fractions import Fraction
from math import floor, log2, sqrt

import numpy as np

from pipeline.mixed_model.exact_sums import Array, Integers
from pipeline.mixed_model.fit import MixedModel
from pipeline.mixed_model.group_code import Codes, codes_of
from pipeline.mixed_model.sufficient_statistics import Statistics
from pipeline.mixed_model.theta import term_factor

FLAT = 1e-11
"""Directions with a smaller part of the squares are not there."""

FINENESS = 44
"""Binary digits of the residuals' standard deviation that a simulated outcome is written with."""

BLOCK_CELLS = 2**14
"""Cells that are taken at a time."""


@dataclass(frozen=True, eq=False)
class RandomPart:
    """One random term.

    Attributes
    ----------
    codes : ndarray of int, shape (c,)
        Group of each cell.
    n_levels : int
        Number of groups.
    columns : tuple of int, length q
        Places of what varies among the statistics' varying columns.
    factor : ndarray, shape (q, q)
        Cholesky factor of the random effects' covariance, in the outcome's unit.
    """

    codes: Codes
    n_levels: int
    columns: tuple[int, ...]
    factor: Array


@dataclass(frozen=True, eq=False)
class Simulation:
    """What the sums of simulated outcomes are drawn from.

    Attributes
    ----------
    statistics : Statistics
        Sums of the rows; all but those of the outcome stay as they are.
    coefficients : ndarray of int, shape (k - 1,)
        Coefficient of each column but the outcome, in units of the simulated outcome by the column's.
    unit : Fraction
        What 1 stands for in the sums of a simulated outcome.
    random : tuple of RandomPart
        The random terms.
    sigma : float
        Standard deviation of the residuals.
    cells : ndarray, shape (c, m, m)
        Cross-products of the varying columns within each cell.
    cell_roots : ndarray, shape (c, m, m)
        A root of the inverse of each, or of a generalised inverse.
    within_root : ndarray, shape (k - 1, w)
        A root of what is left of the columns' cross-products within cells.
    n_other : int
        Rows less the directions that cells and columns explain.
    """

    statistics: Statistics
    coefficients: Integers
    unit: Fraction
    random: tuple[RandomPart, ...]
    sigma: float
    cells: Array
    cell_roots: Array
    within_root: Array
    n_other: int

    def draw(self, generator: np.random.Generator) -> Statistics:
        """Simulate an outcome.

        Parameters
        ----------
        generator : numpy.random.Generator
            Source of randomness.

        Returns
        -------
        Statistics
            The sums with the simulated outcome in place of the one that was fitted.
        """
        effects = np.zeros((self.cells.shape[1], len(self.cells)))
        for part in self.random:
            normal = generator.standard_normal((part.n_levels, len(part.columns)))
            effects[list(part.columns)] += (normal @ part.factor.T)[part.codes].T
        normal = generator.standard_normal(self.cells.shape[:2])
        effects += self.sigma * np.einsum("cij,cj->ic", self.cell_roots, normal)
        within = generator.standard_normal((self.within_root.shape[1],))
        rest = float(generator.chisquare(self.n_other)) if self.n_other else 0.0
        cell_sums = np.einsum("cij,jc->ic", self.cells, effects)
        column_sums = self._column_sums(effects) + self.sigma * self.within_root @ within
        square = float((effects * cell_sums).sum())
        square += self.sigma**2 * (float(within @ within) + rest)
        return self._with_outcome(cell_sums, column_sums, square)

    def _column_sums(self, effects: Array) -> Array:
        """Add up each column times the effects of the cells."""
        units = _units(self.statistics)
        total = np.zeros(len(units) - 1)
        for row, place in enumerate(_varying_places(self.statistics)):
            total += units[place] * (effects[row] @ self.statistics.sums[row][:, :-1])
        found: Array = total * units[:-1]
        return found

    def _with_outcome(self, cell_sums: Array, column_sums: Array, square: float) -> Statistics:
        """Add the fixed part in whole numbers, so that a large level costs no digit."""
        old, fixed = self.statistics, self.coefficients
        units, unit = _units(old), float(self.unit)
        places = _varying_places(old)
        sums, products = old.sums.copy(), old.products.copy()
        for row, place in enumerate(places):
            level = old.sums[row][:, :-1] @ fixed.astype(np.float64)
            sums[row][:, -1] = level + np.rint(cell_sums[row] / (units[place] * unit))
        random = [int(value) for value in np.rint(column_sums / (units[:-1] * unit))]
        ours = old.products[:-1, :-1] @ fixed
        products[:-1, -1] = products[-1, :-1] = ours + np.array(random, dtype=object)
        cross = sum(a * b for a, b in zip(fixed, random, strict=True))
        products[-1, -1] = (
            sum(a * b for a, b in zip(fixed, ours, strict=True))
            + 2 * cross
            + round(square / unit**2)
        )
        return replace(old, sums=sums, products=products, units=(*old.units[:-1], self.unit))


def simulation_of(model: MixedModel) -> Simulation:
    """Prepare to simulate outcomes from a fit, at its own estimates.

    Parameters
    ----------
    model : MixedModel
        The fit.

    Returns
    -------
    Simulation
        What outcomes are drawn from.
    """
    statistics, sigma = model.statistics, sqrt(model.sigma2)
    cells = _cell_products(statistics)
    roots, rank = _inverse_roots(cells)
    within = _root(_within_products(model, roots))
    finest = min(1.0, *(float(unit) for unit in statistics.units if unit))
    unit = Fraction(2) ** (floor(log2(sigma)) + floor(log2(finest)) - FINENESS)
    return Simulation(
        statistics=statistics,
        coefficients=_whole_coefficients(model, unit),
        unit=unit,
        random=_random_parts(model),
        sigma=sigma,
        cells=cells,
        cell_roots=roots,
        within_root=within,
        n_other=statistics.n_rows - rank - within.shape[1],
    )


def _units(statistics: Statistics) -> Array:
    return np.array([float(unit) for unit in statistics.units])


def _varying_places(statistics: Statistics) -> list[int]:
    return [statistics.columns.index(name) for name in statistics.varying]


def _whole_coefficients(model: MixedModel, unit: Fraction) -> Integers:
    statistics = model.statistics
    found = np.zeros(len(statistics.columns) - 1, dtype=object)
    for name, value in zip(model.terms, model.coefficients, strict=True):
        place = statistics.columns.index(name)
        found[place] = round(Fraction(float(value)) * statistics.units[place] / unit)
    return found


def _random_parts(model: MixedModel) -> tuple[RandomPart, ...]:
    statistics, parts = model.statistics, []
    for place, term in enumerate(model.description.random):
        codes = codes_of(statistics.groups.select(term.by))
        columns = tuple(statistics.varying.index(name) for name in term.columns)
        factor = sqrt(model.sigma2) * term_factor(model.description, place, model.theta)
        parts.append(RandomPart(codes, int(codes.max()) + 1, columns, factor))
    return tuple(parts)


def _cell_products(statistics: Statistics) -> Array:
    places = _varying_places(statistics)
    units = _units(statistics)[places]
    found: Array = np.moveaxis(statistics.sums[:, :, places], 0, 1) * np.outer(units, units)
    return found


def _inverse_roots(products: Array) -> tuple[Array, int]:
    """Give a root of a generalised inverse of each matrix, and the sum of their ranks."""
    scale = np.sqrt(np.einsum("cii->ci", products))
    scale[scale == 0.0] = 1.0
    values, vectors = np.linalg.eigh(products / (scale[:, :, None] * scale[:, None, :]))
    there = values > FLAT
    inverse = np.where(there, 1.0 / np.sqrt(np.where(there, values, 1.0)), 0.0)
    return vectors * inverse[:, None, :] / scale[:, :, None], int(there.sum())


def _within_products(model: MixedModel, roots: Array) -> Array:
    """Give what is left of the columns' cross-products within cells, shape (k - 1, k - 1)."""
    statistics, origins = model.statistics, model.problem.structure.basis.origins[:-1]
    units, places = _units(statistics), _varying_places(statistics)
    whole = np.array([int(origin) for origin in origins], dtype=object)
    products = statistics.products[:-1, :-1]
    taken = np.outer(whole, products[0])
    # Less whole numbers near the columns' means: within cells that changes nothing but the digits.
    centred = products - taken - taken.T + products[0, 0] * np.outer(whole, whole)
    left = centred.astype(np.float64)
    for start in range(0, len(roots), BLOCK_CELLS):
        part = slice(start, start + BLOCK_CELLS)
        sums = statistics.sums[:, part, :-1] - statistics.sums[:, part, :1] * origins
        for direction in range(roots.shape[2]):
            weights = roots[part, :, direction] * units[places]
            explained = np.einsum("cv,vck->ck", weights, sums)
            left -= explained.T @ explained
    found: Array = left * np.outer(units[:-1], units[:-1])
    return _cleared(found, centred, units)


def _cleared(left: Array, centred: Integers, units: Array) -> Array:
    """Set to zero what rounding has left of columns that do not differ within cells."""
    squares = np.diag(centred).astype(np.float64) * units[:-1] ** 2
    gone = np.diag(left) <= FLAT * squares
    left[gone], left[:, gone] = 0.0, 0.0
    return left


def _root(matrix: Array) -> Array:
    """Give a root of a matrix that may be singular, a column for each direction."""
    scale = np.sqrt(np.diag(matrix))
    scale[scale == 0.0] = 1.0
    values, vectors = np.linalg.eigh(matrix / np.outer(scale, scale))
    there = values > FLAT * 10.0
    found: Array = scale[:, None] * vectors[:, there] * np.sqrt(values[there])
    return found
