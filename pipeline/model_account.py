"""What a report says of a fitted model itself: its size, its variances, what was dropped."""

from dataclasses import replace

import numpy as np

from pipeline.cell import Cell
from pipeline.cohort import PATIENT
from pipeline.compared import Compared
from pipeline.gain_fit import GainFit
from pipeline.mixed_model.contrast import CONFIDENCE, quantile
from pipeline.mixed_model.degrees_of_freedom import cautious
from pipeline.mixed_model.fit import FEW_GROUPS
from pipeline.random_terms import ENOUGH_CLINICS, WORDS, RandomTerms
from pipeline.rounding import significant
from schemas.plan import COVARIATES, Question

_COMPARED = {
    Question.TECHNIQUE: "technique",
    Question.BIAS: "rotation bias",
    Question.GRADE: "purpose of the grade",
}
"""What a question compares, in one word."""

_SPREADS = {
    "patient": "between patients",
    "hip": "between hips of one patient",
    "visit": "between visits of one hip",
    "clinician": "between clinicians",
    "clinic": "between clinics",
    "level_by_clinic": "of one {level} between clinics, beside the clinic's own",
}

_GROUPS = {
    "clinic": (("clinic",), "clinics"),
    "level_by_clinic": (("clinic",), "clinics"),
    "clinician": (("clinician",), "clinicians"),
    "patient": (tuple(PATIENT), "patients"),
}
"""By what degrees of freedom are counted where a term's variance is estimated at zero."""


def variance_cells(fit: GainFit, compared: Compared, unit: str) -> tuple[Cell, ...]:
    """Give the standard deviation of each random term, and of what is left.

    Parameters
    ----------
    fit : GainFit
        The fit.
    compared : Compared
        The comparison.
    unit : str
        Unit of the outcome.

    Returns
    -------
    tuple of Cell
        One for each random term, then the residual.
    """
    model, n = fit.mixed, _n_patients(fit)
    level = _COMPARED[compared.question]
    found = [
        Cell(
            f"{compared.name}.sd.{name}",
            f"standard deviation {_SPREADS[name].format(level=level)}",
            unit,
            significant(float(part.standard_deviations[0])),
            n,
            note="; ".join(_notes(name, part.n_levels, is_zero=part.is_singular)),
        )
        for name, part in zip(fit.random.names, model.components, strict=True)
    ]
    residual = significant(float(np.sqrt(model.sigma2)))
    label = "standard deviation left over, between pairs"
    return (*found, Cell(f"{compared.name}.sd.residual", label, unit, residual, n))


def fit_cells(fit: GainFit, name: str) -> tuple[Cell, ...]:
    """Give the numbers of pairs, patients, clinics and clinicians, and the criterion.

    Parameters
    ----------
    fit : GainFit
        The fit.
    name : str
        Name of the comparison.

    Returns
    -------
    tuple of Cell
        In this order; clinicians where they are a random term.
    """
    model, n = fit.mixed, _n_patients(fit)
    sizes = dict(zip(fit.random.names, (c.n_levels for c in model.components), strict=True))
    counts = {"pairs": model.n_rows, "patients": n, "clinics": fit.random.n_clinics}
    if "clinician" in sizes:
        counts["clinicians"] = sizes["clinician"]
    label = "−2 × restricted log-likelihood"
    return (
        *(Cell(f"{name}.fit.{unit}", unit, unit, size, n) for unit, size in counts.items()),
        Cell(f"{name}.fit.criterion", label, "", significant(model.criterion, 9), n),
    )


def random_words(random: RandomTerms, question: Question) -> tuple[str, ...]:
    """Name the random terms of a model.

    Parameters
    ----------
    random : RandomTerms
        The terms.
    question : Question
        What is compared.

    Returns
    -------
    tuple of str
        Words, in order.
    """
    return tuple(_term_words(name, question) for name in random.names)


def dropped_terms(fit: GainFit, question: Question) -> tuple[str, ...]:
    """Say in words what could not be estimated.

    Parameters
    ----------
    fit : GainFit
        The fit.
    question : Question
        What is compared.

    Returns
    -------
    tuple of str
        One a term, with the reason; clinics are not named.
    """
    same = [f"{_covariate(c)}: the same in all pairs" for c in fit.constant]
    dependent = [f"{_words(term)}: follows from other terms" for term in fit.mixed.dropped]
    random = [f"{_term_words(name, question)}: {why}" for name, why in fit.random.left_out]
    return (*same, *dependent, *random)


def cautious_cell(fit: GainFit, primary: Cell) -> Cell | None:
    """Give the interval of the primary contrast with degrees of freedom counted by groups.

    Where a variance between groups is estimated at zero, Satterthwaite's degrees of freedom count as
    if the groups were known to be alike.

    Parameters
    ----------
    fit : GainFit
        The fit.
    primary : Cell
        The primary contrast.

    Returns
    -------
    Cell or None
        None where no variance is zero, or the count is no smaller than the contrast's own degrees of
        freedom.
    """
    if primary.value is None or primary.standard_error is None:
        return None
    counted = [
        (cautious(fit.mixed, by), groups)
        for name, part in zip(fit.random.names, fit.mixed.components, strict=True)
        for by, groups in [_GROUPS.get(name, ((), ""))]
        if part.is_singular and groups
    ]
    freedom, groups = min(counted, default=(np.inf, ""))
    if freedom >= (primary.degrees_of_freedom or 0.0):
        return None
    half = quantile(CONFIDENCE, freedom) * primary.standard_error
    return replace(
        primary,
        name=f"{primary.name}.cautious",
        low=significant(primary.value - half),
        high=significant(primary.value + half),
        degrees_of_freedom=freedom,
        p_value=None,
        n_pairs=None,
        note=f"{groups}, less the terms that differ only between {groups}",
    )


def _n_patients(fit: GainFit) -> int:
    return fit.mixed.components[fit.random.names.index("patient")].n_levels


def _notes(name: str, n_levels: int, *, is_zero: bool) -> list[str]:
    """Say what to know of a standard deviation between groups."""
    notes = ["estimated at zero"] if is_zero else []
    if name == "level_by_clinic" and not is_zero:
        notes.append("a difference of two varies more, by the square root of two")
    if name in {"clinic", "level_by_clinic"} and n_levels < ENOUGH_CLINICS:
        notes.append("so few clinics can't tell how far clinics in general differ")
    elif n_levels < FEW_GROUPS:
        notes.append("so few groups can't tell it well")
    return notes


def _term_words(name: str, question: Question) -> str:
    return WORDS[name].format(level=_COMPARED[question])


def _covariate(column: str) -> str:
    return "pretest" if column in {"pretest_deg", "pain_before"} else COVARIATES.get(column, column)


def _words(term: str) -> str:
    name, _, level = term.partition("=")
    if name == "clinic":
        return "clinic"  # clinics are not named
    named = _covariate(name)
    return f"{named}, {level.replace('_', ' ')}" if level else named
