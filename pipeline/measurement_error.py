"""Measurement error of a test: what the plan names, and the smallest change it can tell apart.

Nothing is called beyond error without its standard error of measurement (SEM) and that one's source.
"""

from math import sqrt

import numpy as np
import polars as pl

from pipeline.cell import Cell
from pipeline.mixed_model.exact_sums import Array
from pipeline.rounding import significant
from schemas.errors import ModelError
from schemas.plan import MeasurementError, Plan

MDC95_PER_SEM = 1.96 * sqrt(2)
"""MDC95 = 1.96 x sqrt(2) x SEM: the error of a difference of two readings (Weir 2005, J. Strength
Cond. Res. 19:231; from memory)."""


def error_variances(pairs: pl.DataFrame, plan: Plan) -> Array:
    """Give the error variance of each pretest.

    Parameters
    ----------
    pairs : polars.DataFrame, shape (n, …)
        With ``definition`` and ``instrument``.
    plan : Plan
        Names the SEM of each test.

    Returns
    -------
    ndarray, shape (n,)
        In square degrees.

    Raises
    ------
    ModelError
        If the plan names no SEM for a test among the pairs.
    """
    known = _named(pairs, plan)
    if known is None:
        raise ModelError(
            f"plan {plan.report}",
            "the plan names no measurement error for every test and instrument",
            "Add it to the plan under measurement_error, with its source.",
        )
    tests = pairs.select("definition", "instrument").rows()
    return np.array([known[test].sem_deg ** 2 for test in tests])


def minimal_detectable_change(pairs: pl.DataFrame, plan: Plan, name: str) -> Cell | None:
    """Give the smallest change that the measurement can tell apart in one patient.

    Parameters
    ----------
    pairs : polars.DataFrame
        With ``definition`` and ``instrument``.
    plan : Plan
        Names the SEM of each test.
    name : str
        Name of the comparison.

    Returns
    -------
    Cell or None
        MDC95 in degrees, the largest where several tests are pooled; None where a SEM is missing.
    """
    known = _named(pairs, plan)
    if not known:
        return None
    largest = max(known.values(), key=lambda error: error.sem_deg)
    value = significant(MDC95_PER_SEM * largest.sem_deg)
    return Cell(
        f"{name}.mdc",
        "smallest detectable change in one patient",
        "deg",
        value,
        None,
        note=largest.source,
    )


def _named(pairs: pl.DataFrame, plan: Plan) -> dict[tuple[str, str], MeasurementError] | None:
    errors = {(e.definition, e.instrument): e for e in plan.measurement_error}
    tests = pairs.select("definition", "instrument").unique().rows()
    return {test: errors[test] for test in sorted(tests)} if set(tests) <= set(errors) else None
