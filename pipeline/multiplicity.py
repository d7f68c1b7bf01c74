"""Holm p-values and simultaneous intervals for a family of contrasts.

The intervals are those of the single step: one multiple of every standard error, from the distribution
of the largest |t| of the family, with the contrasts' own correlation. They hold together and are never
wider than Bonferroni's. Holm's p-values come from another procedure, so that an adjusted p just below
0.05 can stand beside an interval that just reaches zero; the interval decides the words.

References
----------
Holm S (1979). A simple sequentially rejective multiple test procedure. Scand. J. Stat. 6:65-70.
Hothorn T, Bretz F, Westfall P (2008). Simultaneous inference in general parametric models. Biometrical
Journal 50:346-363.
"""

from dataclasses import replace

import numpy as np

from pipeline.cell import Cell
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.simultaneous import holm, simultaneous_intervals
from pipeline.rounding import significant

ERROR_RATE = 0.05
"""Of the whole family; common practice, no source."""


def adjust_family(cells: tuple[Cell, ...], covariance: Array) -> tuple[Cell, ...]:
    """Give each contrast of a family its adjusted p-value and simultaneous interval.

    Parameters
    ----------
    cells : tuple of Cell, length m
        The family; a contrast without an estimate does not count.
    covariance : ndarray, shape (m, m)
        Joint covariance of the contrasts, in the cells' unit squared.

    Returns
    -------
    tuple of Cell
        The same contrasts. Their degrees of freedom are taken as the smallest of the family.
    """
    tested = [place for place, cell in enumerate(cells) if cell.p_value is not None]
    if not tested:
        return cells
    family = [cells[place] for place in tested]
    numbers = [(cell.value, cell.degrees_of_freedom, cell.p_value) for cell in family]
    value, freedom, p_value = np.array(numbers, dtype=np.float64).T
    joint = covariance[np.ix_(tested, tested)]
    found = simultaneous_intervals(value, joint, freedom, confidence=1.0 - ERROR_RATE)
    adjusted = {
        place: replace(
            cell,
            simultaneous_low=significant(float(low)),
            simultaneous_high=significant(float(high)),
            adjusted_p_value=significant(float(step)),
        )
        for place, cell, low, high, step in zip(
            tested, family, found.low, found.high, holm(p_value), strict=True
        )
    }
    return tuple(adjusted.get(place, cell) for place, cell in enumerate(cells))
