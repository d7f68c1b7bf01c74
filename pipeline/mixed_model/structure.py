"""Nested and crossed groups of a model, laid out for elimination.

The groups that divide one another (visit in hip in patient in clinic) form a chain, from the finest
*stage* to the coarsest, which can be eliminated one unit at a time. What is left, such as clinicians who see patients of
several hips or a technique within a clinic, are the *outer* columns. Each unit of a stage touches
few of them; what it touches is an *entry*.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.mixed_model.basis import Basis, orthonormal_basis
from pipeline.mixed_model.cell_sum import CellSums
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.grouping import Grouping, check_levels, divide_chain, merged_groupings
from pipeline.mixed_model.size_class import SizeClasses, merge_sorts, size_classes
from pipeline.mixed_model.stage import Stage, build_stages, place_pairs, unit_numbers
from pipeline.mixed_model.sufficient_statistics import Statistics
from pipeline.mixed_model.tally import Index


@dataclass(frozen=True, eq=False)
class Structure:
    """All numbers that the criterion needs.

    Attributes
    ----------
    statistics : Statistics
        Where they come from.
    basis : Basis
        Fixed part and outcome.
    stages : tuple of Stage
        The chain, finest first.
    outer : tuple of Grouping
        Groupings outside the chain, in order of their columns.
    n_outer : int
        Outer columns.
    pairs : ndarray of int, shape (n_pairs,)
        ``a * n_outer + b`` with a <= b for each pair of outer columns that can be other than zero.
    dense : ndarray, shape (rows of the finest stage, units, z + j)
        Of each unit of the finest stage (or each sort of them, with classes): sums of each varying
        column times the chain's varying columns (z), the basis and the residual (j).
    entries : ndarray, shape (rows, n_entries)
        The same on outer columns.
    chain : tuple of int
        Varying columns of the chain: the first z columns of ``dense``.
    outer_outer : ndarray, shape (n_pairs,)
        Cross-products of the outer columns.
    outer_dense : ndarray, shape (n_outer, j)
        Cross-products of outer columns with basis and residual.
    classes : SizeClasses or None
        Where they pay.
    """

    statistics: Statistics
    basis: Basis
    stages: tuple[Stage, ...]
    outer: tuple[Grouping, ...]
    n_outer: int
    pairs: Index
    dense: Array
    entries: Array
    chain: tuple[int, ...]
    outer_outer: Array
    outer_dense: Array
    classes: SizeClasses | None

    @property
    def groupings(self) -> list[Grouping]:
        """All groupings: those of the chain, finest first, then the outer ones."""
        return [*(stage.grouping for stage in self.stages), *self.outer]

    def cell_sums(self) -> tuple[Array, Array]:
        """Give rows (or weights) of each cell and the sum of its least-squares residuals.

        The residuals are scaled to a total square of 1; cells are in the statistics' order.
        """
        sums = self.statistics.sums[0]
        residuals = (sums - sums[:, :1] * self.basis.origins) @ self.basis.transform[:, -1]
        return sums[:, 0], residuals


def build_structure(statistics: Statistics, *, by_size: bool = True) -> Structure:
    """Lay out the groups of some sums.

    Parameters
    ----------
    statistics : Statistics
        The sums.
    by_size : bool
        False to keep every unit apart, as conditional modes need.

    Returns
    -------
    Structure
        The layout.

    Raises
    ------
    ModelError
        If the groups cannot carry their terms.
    """
    basis = orthonormal_basis(statistics)
    groupings = merged_groupings(statistics)
    for grouping in groupings:
        check_levels(grouping, statistics)
    chain, outer = divide_chain(groupings)
    order = np.lexsort([grouping.codes for grouping in chain])
    cells = CellSums(statistics, basis, order, outer)
    outer_dense = cells.outer_dense()
    numbers = [unit_numbers([g.codes[order] for g in chain[level:]]) for level in range(len(chain))]
    used = tuple(sorted({column for grouping in chain for column in grouping.columns}))
    stages, dense, entries = build_stages(cells, chain, numbers, used)
    cells.basis.clear()  # the largest part, and added up by now
    pairs, stages = place_pairs(stages, cells)
    classes = None
    if by_size and len(used) == 1 and len(chain[0].columns) == 1:
        classes = size_classes(stages[0], dense, entries, len(pairs), cells.n_outer)
    if classes is not None:
        stages, dense, entries, classes = merge_sorts(stages, dense, entries, classes)
    return Structure(
        statistics=statistics,
        basis=basis,
        stages=tuple(stages),
        outer=tuple(outer),
        n_outer=cells.n_outer,
        pairs=pairs,
        dense=dense,
        entries=entries,
        chain=used,
        outer_outer=cells.outer_outer(pairs),
        outer_dense=outer_dense,
        classes=classes,
    )
