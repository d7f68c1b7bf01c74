"""Holm p-values and simultaneous intervals for a family of contrasts.

The intervals are Bonferroni's: each at the confidence 1 - 0.05 / m for m contrasts. They hold together
however the contrasts are correlated, and are a little wider than need be. Holm's p-values are never
larger than Bonferroni's, so that an adjusted p below 0.05 can stand beside an interval that just
reaches zero; the interval decides the words.

References
----------
Holm S (1979). A simple sequentially rejective multiple test procedure. Scand. J. Stat. 6:65-70.
"""

from dataclasses import replace

from statsmodels.stats.multitest import multipletests

from pipeline.cell import Cell
from pipeline.mixed_model.contrast import quantile
from pipeline.rounding import significant

ERROR_RATE = 0.05
"""Of the whole family; common practice, no source."""


def adjust_family(cells: tuple[Cell, ...]) -> tuple[Cell, ...]:
    """Give each contrast of a family its adjusted p-value and simultaneous interval.

    Parameters
    ----------
    cells : tuple of Cell
        The family; a contrast without an estimate does not count.

    Returns
    -------
    tuple of Cell
        The same contrasts.
    """
    tested = [cell.p_value for cell in cells if cell.p_value is not None]
    holm = iter(multipletests(tested, method="holm")[1] if tested else ())
    confidence = 1.0 - ERROR_RATE / max(len(tested), 1)
    return tuple(
        cell if cell.p_value is None else _adjusted(cell, confidence, float(next(holm)))
        for cell in cells
    )


def _adjusted(cell: Cell, confidence: float, p_value: float) -> Cell:
    value, error = float(cell.value or 0), float(cell.standard_error or 0)
    half = quantile(confidence, float(cell.degrees_of_freedom or 1)) * error
    return replace(
        cell,
        simultaneous_low=significant(value - half),
        simultaneous_high=significant(value + half),
        adjusted_p_value=significant(p_value),
    )
