"""The fits behind a comparison: which columns are in the model, and the three ways with the pretest."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.cohort import PATIENT
from pipeline.compared import Compared
from pipeline.measurement_error import error_variances
from pipeline.mixed_model.contrast import Estimate, estimate, with_dependent_columns
from pipeline.mixed_model.design import Design, build_design
from pipeline.mixed_model.errors_in_variables import CorrectedModel, Measured, fit_corrected
from pipeline.mixed_model.fit import MixedModel, fit_mixed_model, group_codes
from pipeline.mixed_model.sufficient_statistics import Array
from schemas.errors import ModelError
from schemas.plan import NUMERIC_COVARIATES, Analysis, Plan, Pretest, Question

LEVEL, CELL = "level", "cell"
"""Column that is compared: the levels of the question, or the finer cells."""

OUTCOMES = {"gain": ("gain_deg", "pretest_deg"), "pain": ("pain_change", "pain_before")}
"""Columns of each outcome and of its pretest."""


@dataclass(frozen=True, eq=False)
class GainFit:
    """A model with the design it stands on.

    Attributes
    ----------
    model : MixedModel or CorrectedModel
        Gives the estimates.
    design : Design
        Its fixed part.
    mixed : MixedModel
        Gives the variances; the same as ``model`` but for a corrected one.
    """

    model: MixedModel | CorrectedModel
    design: Design
    mixed: MixedModel

    def mean_of(self, factor: str, levels: tuple[str, ...]) -> Array:
        """Give the weights of the mean of some levels, each counted equally.

        Parameters
        ----------
        factor : str
            Column that is compared.
        levels : tuple of str
            Its levels.

        Returns
        -------
        ndarray, shape (p,)
            Weights on the columns of the design.
        """
        means = [self.design.mean_at(factor, level) for level in levels]
        terms = self.design.terms
        own = tuple(i for i, term in enumerate(terms) if term.partition("=")[0] == factor)
        return with_dependent_columns(self.model, np.asarray(np.mean(means, axis=0)), own)

    def estimate(self, weights: Array) -> Estimate:
        """Estimate a mean or a contrast.

        Parameters
        ----------
        weights : ndarray, shape (p,)
            Weights on the columns of the design.

        Returns
        -------
        Estimate
            The estimate.
        """
        return estimate(self.model, weights)


def fit_three_ways(
    pairs: pl.DataFrame, analysis: Analysis, plan: Plan, compared: Compared
) -> dict[Pretest, GainFit | ModelError]:
    """Fit without the pretest, with it, and with it corrected for measurement error.

    Parameters
    ----------
    pairs : polars.DataFrame
        The pairs.
    analysis : Analysis
        Its covariates.
    plan : Plan
        Its measurement errors.
    compared : Compared
        What is compared.

    Returns
    -------
    dict of Pretest to GainFit or ModelError
        In this order; the corrected one may say why it is not estimable.
    """
    adjusted = fit_gains(pairs, analysis, compared, with_pretest=True)
    try:
        corrected: GainFit | ModelError = _corrected(adjusted, pairs, plan, compared)
    except ModelError as error:
        corrected = error
    return {
        Pretest.UNADJUSTED: fit_gains(pairs, analysis, compared, with_pretest=False),
        Pretest.ADJUSTED: adjusted,
        Pretest.CORRECTED: corrected,
    }


def fit_gains(
    pairs: pl.DataFrame,
    analysis: Analysis,
    compared: Compared,
    *,
    with_pretest: bool,
    main: str = LEVEL,
) -> GainFit:
    """Fit one mixed model.

    Parameters
    ----------
    pairs : polars.DataFrame
        The pairs.
    analysis : Analysis
        Its covariates.
    compared : Compared
        What is compared.
    with_pretest : bool
        True to adjust for the pretest.
    main : {"level", "cell"}
        Column that is compared.

    Returns
    -------
    GainFit
        The fit.
    """
    order = compared.present if main == LEVEL else compared.cell_order(pairs)
    design = build_design(
        pairs,
        _factors(pairs, analysis, main, order),
        _numbers(analysis, compared, with_pretest=with_pretest),
    )
    outcome = pairs[OUTCOMES[compared.outcome][0]].to_numpy()
    model = fit_mixed_model(outcome, design.matrix, design.terms, _people(pairs))
    return GainFit(model, design, model)


def same_as_compared(analysis: Analysis, main: str = LEVEL) -> tuple[str, ...]:
    """Name covariates that say what the compared levels say, so that they can't be told apart.

    Parameters
    ----------
    analysis : Analysis
        The question.
    main : {"level", "cell"}
        Column that is compared.

    Returns
    -------
    tuple of str
        Covariates that are left out.
    """
    if analysis.question is Question.GRADE:
        return ("purpose",)
    if analysis.question is Question.BIAS or main == CELL:
        return ("bias_relation",)
    return ()


def _factors(
    pairs: pl.DataFrame, analysis: Analysis, main: str, order: tuple[str, ...]
) -> dict[str, tuple[str, ...]]:
    """Categories of the model: what is compared first, so that it is kept before all others."""
    named = [c for c in analysis.covariates if c not in NUMERIC_COVARIATES]
    named = [c for c in named if c not in same_as_compared(analysis, main)]
    several = [c for c in ("clinic", "definition") if pairs[c].n_unique() > 1]
    return {main: order} | dict.fromkeys(dict.fromkeys([*several, *named]), ())


def _numbers(analysis: Analysis, compared: Compared, *, with_pretest: bool) -> tuple[str, ...]:
    pretest = OUTCOMES[compared.outcome][1]
    own = [c for c in analysis.covariates if c in NUMERIC_COVARIATES and c != pretest]
    return (pretest, *own) if with_pretest else tuple(own)


def _people(pairs: pl.DataFrame) -> Array:
    return pairs.select(pl.concat_str(PATIENT, separator="\x1f")).to_series().to_numpy()


def _corrected(adjusted: GainFit, pairs: pl.DataFrame, plan: Plan, compared: Compared) -> GainFit:
    """Fit the retest, whose error is not the pretest's, and speak of it as a gain.

    The pretest is centred in the design: with its mean taken from the retest too, the coefficients
    are those of gains, and only the pretest's own is larger by one.

    Raises
    ------
    ModelError
        If there is no pretest or no measurement error to correct for.
    """
    if compared.outcome != "gain":
        raise ModelError(
            compared.name,
            "the plan names no measurement error of a pain score",
            "Read the other two contrasts instead.",
        )
    pretest = OUTCOMES[compared.outcome][1]
    if pretest not in adjusted.design.terms:
        raise ModelError(
            compared.name, "the pretest does not vary", "Read the unadjusted contrast."
        )
    column = adjusted.design.terms.index(pretest)
    rows = Measured(
        outcome=pairs["gain_deg"].to_numpy() + adjusted.design.matrix[:, column],
        design=adjusted.design.matrix,
        groups=group_codes(_people(pairs)),
        column=column,
        error_variance=error_variances(pairs, plan),
    )
    return GainFit(fit_corrected(adjusted.mixed, rows), adjusted.design, adjusted.mixed)
