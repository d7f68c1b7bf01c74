"""What a report says of a fitted model itself: its size, its variances, what was dropped."""

import numpy as np

from pipeline.cell import Cell
from pipeline.mixed_model.fit import MixedModel
from pipeline.rounding import significant
from schemas.plan import COVARIATES


def variance_cells(model: MixedModel, name: str, unit: str) -> tuple[Cell, ...]:
    """Give the standard deviations between and within patients.

    Parameters
    ----------
    model : MixedModel
        The fit.
    name : str
        Name of the comparison.
    unit : str
        Unit of the outcome.

    Returns
    -------
    tuple of Cell
        Between patients, and within.
    """
    note = "estimated at zero; degrees of freedom count patients" if model.is_singular else ""
    between = significant(float(np.sqrt(model.group_variance)))
    within = significant(float(np.sqrt(model.sigma2)))
    n = model.n_groups
    return (
        Cell(
            f"{name}.sd.between", "standard deviation between patients", unit, between, n, note=note
        ),
        Cell(f"{name}.sd.within", "standard deviation within patients", unit, within, n),
    )


def fit_cells(model: MixedModel, name: str, n_clinics: int) -> tuple[Cell, ...]:
    """Give the numbers of pairs, patients and clinics, and the criterion.

    Parameters
    ----------
    model : MixedModel
        The fit.
    name : str
        Name of the comparison.
    n_clinics : int
        Clinics behind it.

    Returns
    -------
    tuple of Cell
        In this order.
    """
    n = model.n_groups
    label = "−2 × restricted log-likelihood"
    return (
        Cell(f"{name}.fit.pairs", "pairs", "pairs", model.n_rows, n),
        Cell(f"{name}.fit.patients", "patients", "patients", n, n),
        Cell(f"{name}.fit.clinics", "clinics", "clinics", n_clinics, n),
        Cell(f"{name}.fit.criterion", label, "", significant(model.criterion, 9), n),
    )


def dropped_terms(model: MixedModel, constant: tuple[str, ...]) -> tuple[str, ...]:
    """Say in words what could not be estimated.

    Parameters
    ----------
    model : MixedModel
        The fit.
    constant : tuple of str
        Covariates that do not vary.

    Returns
    -------
    tuple of str
        One a term, with the reason; clinics are not named.
    """
    same = [f"{COVARIATES.get(c, c)}: the same in all pairs" for c in constant]
    return (*same, *(f"{_words(term)}: follows from other terms" for term in model.dropped))


def _words(term: str) -> str:
    name, _, level = term.partition("=")
    if name == "clinic":
        return "clinic"  # clinics are not named
    named = COVARIATES.get(name, name)
    return f"{named}, {level.replace('_', ' ')}" if level else named
