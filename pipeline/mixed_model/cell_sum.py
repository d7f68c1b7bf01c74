"""Sums of the cells on the orthonormal basis, in the order of the chain."""

import numpy as np

from pipeline.mixed_model.basis import Basis
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.grouping import Grouping
from pipeline.mixed_model.sufficient_statistics import Statistics
from pipeline.mixed_model.tally import Index, adder, tally

BLOCK_CELLS = 2**14
"""Cells that are brought to the basis at a time: few enough for the processor's cache."""


class CellSums:
    """Sums of the cells on the basis, in the order of the chain.

    Attributes
    ----------
    products : list of ndarray, shape (c, m)
        For each varying column, its sums times every varying column.
    basis : list of ndarray, shape (c, j)
        For each varying column, its sums times basis and residual.
    outer_columns : list of (ndarray of int, int)
        Outer column of each cell, and the varying column it belongs to; one for each grouping and
        column that varies by it.
    n_outer : int
        Outer columns.
    """

    def __init__(
        self, statistics: Statistics, basis: Basis, order: Index, outer: list[Grouping]
    ) -> None:
        units = np.array([float(unit) for unit in statistics.units])
        places = [statistics.columns.index(name) for name in statistics.varying]
        self.products, self.basis = [], []
        for row, place in enumerate(places):
            products = np.empty((len(order), len(places)))
            on_basis = np.empty((len(order), basis.transform.shape[1]))
            for block in range(0, len(order), BLOCK_CELLS):
                part = slice(block, block + BLOCK_CELLS)
                sums = statistics.sums[row][order[part]]
                products[part] = sums[:, places] * (units[places] * units[place])
                sums -= sums[:, :1] * basis.origins
                np.matmul(sums, basis.transform * units[place], out=on_basis[part])
            self.products.append(products)
            self.basis.append(on_basis)
        self.outer_columns: list[tuple[Index, int]] = []
        self.n_outer = 0
        for grouping in outer:
            width = len(grouping.columns)
            for place, column in enumerate(grouping.columns):
                columns = self.n_outer + grouping.codes[order] * width + place
                self.outer_columns.append((columns, column))
            self.n_outer += grouping.n_levels * width

    def outer_dense(self) -> Array:
        """Add up on outer columns by basis and residual."""
        total = np.zeros((self.n_outer, self.basis[0].shape[1]))
        for columns, varying in self.outer_columns:
            total += adder(columns, self.n_outer) @ self.basis[varying]
        return total

    def outer_outer(self, pairs: Index) -> Array:
        """Add up on pairs of outer columns."""
        total = np.zeros(len(pairs))
        for i, (left, one) in enumerate(self.outer_columns):
            for right, other in self.outer_columns[i:]:
                keys = np.minimum(left, right) * self.n_outer + np.maximum(left, right)
                target = np.searchsorted(pairs, keys)
                total += tally(target, self.products[one][:, other], len(pairs))
        return total
