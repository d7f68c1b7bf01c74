"""The fits behind a comparison: which columns are in the model, and the three ways with the pretest."""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from pipeline.compared import Compared
from pipeline.measurement_error import error_variances
from pipeline.mixed_model.contrast import Estimate, estimate, with_dependent_columns
from pipeline.mixed_model.description import Factor, ModelDescription, Number
from pipeline.mixed_model.errors_in_variables import CorrectedModel, correct_for_error
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.fit import MixedModel, fit
from pipeline.mixed_model.marginal_mean import marginal_weights
from pipeline.mixed_model.sufficient_statistics import collect
from pipeline.random_terms import RandomTerms, absorbed, random_terms, with_groups
from schemas.errors import ModelError
from schemas.plan import NUMERIC_COVARIATES, Analysis, Plan, Pretest, Question
from schemas.vocabulary import NOT_RECORDED

LEVEL, CELL = "level", "cell"
"""Column that is compared: the levels of the question, or the finer cells."""

OUTCOMES = {"gain": ("gain_deg", "pretest_deg"), "pain": ("pain_change", "pain_before")}
"""Columns of each outcome and of its pretest."""

IN_GAIN = -1.0
"""How often a gain holds the pretest's reading: it is the retest less the pretest."""


@dataclass(frozen=True, eq=False)
class Layout:
    """Pairs made ready for a fit, with the terms that they can carry.

    Attributes
    ----------
    rows : polars.DataFrame
        The pairs, nothing missing in the columns of the model.
    outcome, pretest : str
        Their columns.
    factors : tuple of Factor
        What is compared first, so that it is kept before all others.
    numbers : tuple of Number
        Without the pretest.
    constant : tuple of str
        Covariates that do not vary and are left out; the pretest among them where it doesn't.
    random : RandomTerms
        Random terms.
    """

    rows: pl.DataFrame
    outcome: str
    pretest: str
    factors: tuple[Factor, ...]
    numbers: tuple[Number, ...]
    constant: tuple[str, ...]
    random: RandomTerms

    def description(self, *, with_pretest: bool) -> ModelDescription:
        """Describe the model.

        Parameters
        ----------
        with_pretest : bool
            True to adjust for the pretest.

        Returns
        -------
        ModelDescription
            Fitted by REML.
        """
        is_in = with_pretest and self.pretest not in self.constant
        pretest = (Number(name=self.pretest),) if is_in else ()
        return ModelDescription(
            outcome=self.outcome,
            fixed=(*self.factors, *pretest, *self.numbers),
            random=self.random.terms,
        )


@dataclass(frozen=True, eq=False)
class GainFit:
    """A model with what it stands on.

    Attributes
    ----------
    model : MixedModel or CorrectedModel
        Gives the estimates.
    mixed : MixedModel
        Gives the variances; the same as ``model`` but for a corrected one.
    random : RandomTerms
        Its random terms; those that the fixed part takes up are left out.
    constant : tuple of str
        Covariates that do not vary and were left out.
    """

    model: MixedModel | CorrectedModel
    mixed: MixedModel
    random: RandomTerms
    constant: tuple[str, ...]

    def mean_of(self, factor: str, levels: tuple[str, ...]) -> Array:
        """Give the weights of the mean of some levels, each counted equally.

        Parameters
        ----------
        factor : str
            Column that is compared.
        levels : tuple of str
            Levels of it, all with pairs.

        Returns
        -------
        ndarray, shape (p,)
            Weights on the columns of the design: equal over the levels of every other factor, numbers
            at their mean.
        """
        means = marginal_weights(self.mixed, (factor,))
        chosen = means.cells[factor].is_in(levels).to_numpy()
        names = self.mixed.columns
        own = tuple(i for i, name in enumerate(names) if name.partition("=")[0] == factor)
        return with_dependent_columns(self.model, means.weights[chosen].mean(axis=0), own)

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

    def covariance(self, weights: Array) -> Array:
        """Give the joint covariance of several contrasts.

        Parameters
        ----------
        weights : ndarray, shape (m, p)
            Weights on the columns of the design, a row a contrast; all estimable.

        Returns
        -------
        ndarray, shape (m, m)
            In the outcome's unit squared.
        """
        kept = weights[:, list(self.model.kept_columns)]
        return np.asarray(kept @ self.model.covariance @ kept.T)


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

    Raises
    ------
    ModelError
        If the pairs cannot carry the model.
    ConvergenceError
        If a fit did not converge.
    """
    layout = lay_out(pairs, analysis, compared)
    adjusted = fit_gains(layout, with_pretest=True)
    try:
        corrected: GainFit | ModelError = _corrected(adjusted, layout, plan, compared)
    except ModelError as error:
        corrected = error
    return {
        Pretest.UNADJUSTED: fit_gains(layout, with_pretest=False),
        Pretest.ADJUSTED: adjusted,
        Pretest.CORRECTED: corrected,
    }


def lay_out(
    pairs: pl.DataFrame, analysis: Analysis, compared: Compared, *, main: str = LEVEL
) -> Layout:
    """Choose the terms of the model that some pairs can carry.

    Parameters
    ----------
    pairs : polars.DataFrame
        The pairs.
    analysis : Analysis
        Its covariates.
    compared : Compared
        What is compared.
    main : {"level", "cell"}
        Column that is compared.

    Returns
    -------
    Layout
        Rows and terms.

    Raises
    ------
    ModelError
        If no patient has more than one pair, or the outcome does not vary.
    """
    outcome, pretest = OUTCOMES[compared.outcome]
    if pairs[outcome].n_unique() < 2:
        raise ModelError(
            "mixed model",
            "the outcome is the same in all pairs",
            "Check the export: gains that never differ are often a filled-in default.",
        )
    rows = with_groups(pairs)
    random = random_terms(rows)
    numbers = [c for c in analysis.covariates if c in NUMERIC_COVARIATES and c != pretest]
    factors = _factors(rows, analysis, main, random)
    same = [c for c in (*factors, pretest, *numbers) if rows[c].n_unique() < 2]
    order = compared.present if main == LEVEL else compared.cell_order(pairs)
    return Layout(
        rows=rows.with_columns(pl.col(factors).fill_null(NOT_RECORDED)),
        outcome=outcome,
        pretest=pretest,
        factors=tuple(
            Factor(name=c, levels=order if c == main else ()) for c in factors if c not in same
        ),
        numbers=tuple(Number(name=c) for c in numbers if c not in same),
        constant=tuple(same),
        random=random,
    )


def fit_gains(layout: Layout, *, with_pretest: bool) -> GainFit:
    """Fit one mixed model.

    Parameters
    ----------
    layout : Layout
        Rows and terms.
    with_pretest : bool
        True to adjust for the pretest.

    Returns
    -------
    GainFit
        The fit.

    Raises
    ------
    ModelError
        If the pairs cannot carry the model.
    ConvergenceError
        If the fit did not converge.
    """
    statistics = collect(layout.rows, layout.description(with_pretest=with_pretest))
    while name := absorbed(statistics, layout.random):
        fewer = layout.random.without(name, "follows from other terms")
        layout = replace(layout, random=fewer)
        statistics = collect(layout.rows, layout.description(with_pretest=with_pretest))
    model = fit(statistics)
    constant = tuple(c for c in layout.constant if with_pretest or c != layout.pretest)
    return GainFit(model, model, layout.random, constant)


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
    rows: pl.DataFrame, analysis: Analysis, main: str, random: RandomTerms
) -> tuple[str, ...]:
    """Categories of the model: what is compared, the clinic where it is fixed, then the others."""
    named = [c for c in analysis.covariates if c not in NUMERIC_COVARIATES]
    named = [c for c in named if c not in same_as_compared(analysis, main)]
    clinic = ["clinic"] if random.has_fixed_clinics else []
    definition = ["definition"] if rows["definition"].n_unique() > 1 else []
    return tuple(dict.fromkeys([main, *clinic, *definition, *named]))


def _corrected(adjusted: GainFit, layout: Layout, plan: Plan, compared: Compared) -> GainFit:
    """Correct the adjusted fit for the measurement error of the pretest.

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
    if layout.pretest in layout.constant:
        raise ModelError(
            compared.name, "the pretest does not vary", "Read the unadjusted contrast."
        )
    errors = error_variances(layout.rows, plan)
    mean = float(np.sort(errors).mean())  # sorted: the same for any order of rows
    corrected = correct_for_error(adjusted.mixed, layout.pretest, mean, share_in_outcome=IN_GAIN)
    return replace(adjusted, model=corrected)
