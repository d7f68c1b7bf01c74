"""Compare levels of a treatment by a mixed-effects model of gains.

The patient is random (two hips and several visits of one person are alike), the clinic fixed. The
primary contrast is given three times: not adjusted for the pretest, adjusted for it, and adjusted
for the pretest corrected for its measurement error. Which of them is right depends on what the
treatment was chosen by, so they are published together.
"""

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import polars as pl
from statsmodels.stats.multitest import multipletests

from pipeline.cell import NOT_ESTIMABLE, Cell
from pipeline.cohort import PATIENT
from pipeline.compared import Compared, ContrastPlan, compared_levels
from pipeline.measurement_error import error_variances, minimal_detectable_change
from pipeline.mixed_model.contrast import Estimate, estimate, quantile
from pipeline.mixed_model.design import Design, build_design
from pipeline.mixed_model.errors_in_variables import CorrectedModel, Measured, fit_corrected
from pipeline.mixed_model.fit import MixedModel, fit_mixed_model, group_codes
from pipeline.mixed_model.sufficient_statistics import Array
from pipeline.rounding import significant
from pipeline.summary import Comparison, ContrastResult, Level, Verdict
from schemas.errors import ConvergenceError, ModelError
from schemas.plan import COVARIATES, NUMERIC_COVARIATES, Analysis, Plan, Pretest
from schemas.vocabulary import label_of

LEVEL, CELL = "level", "cell"
_ALPHA = 0.05
_UNITS = {"gain": "deg", "pain": "points"}
_OUTCOMES = {"gain": ("gain_deg", "pretest_deg"), "pain": ("pain_change", "pain_before")}
_PRETEST_LABELS = {
    Pretest.UNADJUSTED: "not adjusted for the pretest",
    Pretest.ADJUSTED: "adjusted for the pretest",
    Pretest.CORRECTED: "adjusted for the pretest, corrected for measurement error",
}


@dataclass(frozen=True, eq=False)
class _Fit:
    """A model with the design it stands on."""

    model: MixedModel | CorrectedModel
    design: Design

    def mean_of(self, factor: str, levels: tuple[str, ...]) -> Array:
        means = [self.design.mean_at(factor, level) for level in levels]
        return np.asarray(np.mean(means, axis=0))

    def estimate(self, weights: Array) -> Estimate:
        return estimate(self.model, weights)


def compare(
    pairs: pl.DataFrame,
    analysis: Analysis,
    plan: Plan,
    *,
    outcome: str,
    not_modelled: tuple[Cell, ...] = (),
) -> Comparison:
    """Answer one question on one outcome.

    Parameters
    ----------
    pairs : polars.DataFrame
        Selected pairs with ``level``, ``group`` and ``bias`` (``pipeline.analysis``).
    analysis : Analysis
        The question; a covariate's missing numbers have been left out and counted.
    plan : Plan
        Measurement errors and the smallest worthwhile difference.
    outcome : {"gain", "pain"}
        Gain in degrees, or change of pain in points (negative is less pain).
    not_modelled : tuple of Cell
        Pairs that were left out, by reason.

    Returns
    -------
    Comparison
        Numbers rounded to six significant decimals. The simultaneous intervals are Bonferroni's over
        the family. ``range - pain`` is the contrast of the grade question for both outcomes.

    Raises
    ------
    ConvergenceError
        If a fit did not converge.
    """
    compared = compared_levels(pairs, analysis, outcome)
    blank = _blank(pairs, analysis, plan, compared, not_modelled)
    if len(compared.present) < 2:
        found = ", ".join(compared.labels[code] for code in compared.present) or "none"
        return replace(blank, problem=f"Pairs of at least two levels are needed; found: {found}.")
    try:
        return _answer(pairs, analysis, plan, compared, blank)
    except ConvergenceError:
        raise
    except ModelError as error:
        return replace(
            blank, problem=f"{error.problem[0].upper()}{error.problem[1:]}. {error.remedy}"
        )


def _answer(
    pairs: pl.DataFrame, analysis: Analysis, plan: Plan, compared: Compared, blank: Comparison
) -> Comparison:
    fits = _three_fits(pairs, analysis, plan, compared)
    main = fits[analysis.pretest]
    if isinstance(main, ModelError):
        raise main
    judge = partial(_verdict, plan=plan, outcome=compared.outcome)
    pretest = tuple(
        _pretest_contrast(kind, fit, pairs, compared, judge) for kind, fit in fits.items()
    )
    place = list(fits).index(analysis.pretest)
    primary = pretest[place]
    label = f"{primary.first} − {primary.second}"
    named = replace(primary.cell, name=f"{compared.name}.primary", label=label)
    primary = replace(primary, cell=named)
    adjusted = fits[Pretest.ADJUSTED]
    mixed = adjusted if analysis.pretest is Pretest.CORRECTED else main
    return replace(
        blank,
        levels=_levels(main, pairs, compared),
        cells=_cells(pairs, analysis, compared),
        primary=primary,
        family=_family(main, pairs, compared, judge),
        pretest=pretest,
        pretest_agrees=_agree(pretest),
        dropped=_dropped(mixed),
        variances=_variances(mixed, compared),
        fit=_fit_cells(mixed, pairs, compared),
    )


def _blank(
    pairs: pl.DataFrame,
    analysis: Analysis,
    plan: Plan,
    compared: Compared,
    not_modelled: tuple[Cell, ...],
) -> Comparison:
    """Make the comparison without any estimate."""
    in_model = [c for c in analysis.covariates if c != _OUTCOMES[compared.outcome][1]]
    words = [COVARIATES[c] for c in in_model]
    if analysis.pretest is not Pretest.UNADJUSTED:
        words.insert(0, "pretest")
    if pairs["clinic"].n_unique() > 1:
        words.append("clinic")
    worthwhile = plan.smallest_worthwhile if compared.outcome == "gain" else None
    return Comparison(
        name=compared.name,
        question=str(analysis.question),
        motion=label_of("motion", analysis.motion),
        outcome=compared.outcome,
        pair_kind=str(analysis.pair),
        definitions=_labels(pairs, "definition", "test_definition"),
        instruments=_labels(pairs, "instrument", "instrument"),
        levels=(),
        cells=(),
        primary=None,
        family=(),
        pretest=(),
        primary_pretest=str(analysis.pretest),
        pretest_agrees=True,
        adjusted_for=tuple(words),
        dropped=(),
        variances=(),
        fit=(),
        not_modelled=not_modelled,
        minimal_detectable_change=minimal_detectable_change(pairs, plan, compared.name)
        if compared.outcome == "gain"
        else None,
        smallest_worthwhile=Cell(
            f"{compared.name}.worthwhile",
            "smallest worthwhile difference",
            "deg",
            worthwhile.degrees,
            None,
            note=worthwhile.source,
        )
        if worthwhile
        else None,
    )


def _labels(pairs: pl.DataFrame, column: str, code_list: str) -> tuple[str, ...]:
    return tuple(label_of(code_list, code) for code in sorted(pairs[column].unique().to_list()))


def _factors(
    pairs: pl.DataFrame, analysis: Analysis, main: str, order: tuple[str, ...]
) -> dict[str, tuple[str, ...]]:
    """Categories of the model: what is compared first, so that it is kept before all others."""
    named = [c for c in analysis.covariates if c not in NUMERIC_COVARIATES]
    if main == CELL:  # the cells are made of the bias, so it can't stand beside them
        named = [c for c in named if c != "bias_relation"]
    several = [c for c in ("clinic", "definition") if pairs[c].n_unique() > 1]
    return {main: order} | dict.fromkeys(dict.fromkeys([*several, *named]), ())


def _numbers(analysis: Analysis, compared: Compared, *, with_pretest: bool) -> tuple[str, ...]:
    pretest = _OUTCOMES[compared.outcome][1]
    own = [c for c in analysis.covariates if c in NUMERIC_COVARIATES and c != pretest]
    return (pretest, *own) if with_pretest else tuple(own)


def _fit(
    pairs: pl.DataFrame,
    analysis: Analysis,
    compared: Compared,
    *,
    with_pretest: bool,
    main: str = LEVEL,
) -> _Fit:
    order = compared.present if main == LEVEL else compared.cell_order(pairs)
    design = build_design(
        pairs,
        _factors(pairs, analysis, main, order),
        _numbers(analysis, compared, with_pretest=with_pretest),
    )
    outcome = pairs[_OUTCOMES[compared.outcome][0]].to_numpy()
    return _Fit(fit_mixed_model(outcome, design.matrix, design.terms, _people(pairs)), design)


def _people(pairs: pl.DataFrame) -> Array:
    return pairs.select(pl.concat_str(PATIENT, separator="\x1f")).to_series().to_numpy()


def _three_fits(
    pairs: pl.DataFrame, analysis: Analysis, plan: Plan, compared: Compared
) -> dict[Pretest, _Fit | ModelError]:
    adjusted = _fit(pairs, analysis, compared, with_pretest=True)
    try:
        corrected: _Fit | ModelError = _corrected(adjusted, pairs, plan, compared)
    except ModelError as error:
        corrected = error
    return {
        Pretest.UNADJUSTED: _fit(pairs, analysis, compared, with_pretest=False),
        Pretest.ADJUSTED: adjusted,
        Pretest.CORRECTED: corrected,
    }


def _corrected(adjusted: _Fit, pairs: pl.DataFrame, plan: Plan, compared: Compared) -> _Fit:
    if compared.outcome != "gain":
        raise ModelError(
            compared.name,
            "the plan names no measurement error of a pain score",
            "Read the other two contrasts instead.",
        )
    pretest = _OUTCOMES[compared.outcome][1]
    if pretest not in adjusted.design.terms or not isinstance(adjusted.model, MixedModel):
        raise ModelError(
            compared.name, "the pretest does not vary", "Read the unadjusted contrast."
        )
    rows = Measured(
        outcome=pairs["retest_deg"].to_numpy(),
        design=adjusted.design.matrix,
        groups=group_codes(_people(pairs)),
        column=adjusted.design.terms.index(pretest),
        error_variance=error_variances(pairs, plan),
    )
    return _Fit(fit_corrected(adjusted.model, rows), adjusted.design)


def _contrast_weights(fit: _Fit, contrast: ContrastPlan) -> Array:
    difference = fit.mean_of(LEVEL, contrast.first) - fit.mean_of(LEVEL, contrast.second)
    return np.asarray(difference)


def _contrast_cell(
    fit: _Fit | ModelError,
    contrast: ContrastPlan,
    pairs: pl.DataFrame,
    compared: Compared,
    name: str,
) -> Cell:
    rows = [pairs.filter(pl.col("level").is_in(side)) for side in (contrast.first, contrast.second)]
    cell = Cell(
        name=name,
        label=f"{contrast.first_label} − {contrast.second_label}",
        unit=_UNITS[compared.outcome],
        value=None,
        n_patients=min(side.select(PATIENT).n_unique() for side in rows),
        n_pairs=sum(side.height for side in rows),
    )
    try:
        if isinstance(fit, ModelError):
            raise fit
        return _filled(cell, fit.estimate(_contrast_weights(fit, contrast)))
    except ModelError as error:
        return replace(cell, status=NOT_ESTIMABLE, note=error.problem)


def _filled(cell: Cell, found: Estimate, *, with_p: bool = True) -> Cell:
    return replace(
        cell,
        value=significant(found.estimate),
        low=significant(found.low),
        high=significant(found.high),
        standard_error=significant(found.standard_error),
        degrees_of_freedom=significant(found.degrees_of_freedom),
        p_value=significant(found.p) if with_p else None,
    )


def _pretest_contrast(
    kind: Pretest,
    fit: _Fit | ModelError,
    pairs: pl.DataFrame,
    compared: Compared,
    judge: "partial[Verdict]",
) -> ContrastResult:
    contrast = compared.primary
    cell = _contrast_cell(fit, contrast, pairs, compared, f"{compared.name}.pretest.{kind}")
    cell = replace(cell, label=_PRETEST_LABELS[kind])
    return ContrastResult(
        contrast.first_label, contrast.second_label, cell, judge(cell, is_simultaneous=False)
    )


def _family(
    fit: _Fit, pairs: pl.DataFrame, compared: Compared, judge: "partial[Verdict]"
) -> tuple[ContrastResult, ...]:
    """Give all other contrasts, with Holm p-values and Bonferroni intervals over them."""
    cells = [
        _contrast_cell(fit, contrast, pairs, compared, f"{compared.name}.contrast.{contrast.name}")
        for contrast in compared.family
    ]
    tested = [cell.p_value for cell in cells if cell.p_value is not None]
    holm = iter(multipletests(tested, method="holm")[1] if tested else ())
    confidence = 1.0 - _ALPHA / max(len(tested), 1)
    results = []
    for contrast, cell in zip(compared.family, cells, strict=True):
        judged = cell
        if cell.p_value is not None:
            judged = _simultaneous(cell, confidence, float(next(holm)))
        verdict = judge(judged, is_simultaneous=True)
        results.append(ContrastResult(contrast.first_label, contrast.second_label, judged, verdict))
    return tuple(results)


def _simultaneous(cell: Cell, confidence: float, adjusted: float) -> Cell:
    value, error = float(cell.value or 0), float(cell.standard_error or 0)
    half = quantile(confidence, float(cell.degrees_of_freedom or 1)) * error
    return replace(
        cell,
        simultaneous_low=significant(value - half),
        simultaneous_high=significant(value + half),
        adjusted_p_value=significant(adjusted),
    )


def _verdict(cell: Cell, *, plan: Plan, outcome: str, is_simultaneous: bool) -> Verdict:
    low, high = (
        (cell.simultaneous_low, cell.simultaneous_high)
        if is_simultaneous
        else (cell.low, cell.high)
    )
    if low is None or high is None:
        return Verdict("none", is_simultaneous)
    limit = (
        plan.smallest_worthwhile.degrees if plan.smallest_worthwhile and outcome == "gain" else 0
    )
    if low > 0 or high < 0:
        word = "larger" if low > 0 else "smaller"
    elif -limit < low and high < limit:
        word = "alike"
    else:
        word = "unsure"
    return Verdict(word, is_simultaneous)


def _agree(contrasts: tuple[ContrastResult, ...]) -> bool:
    known = [c for c in contrasts if c.cell.value is not None]
    words = {c.verdict.word for c in known}
    signs = {(c.cell.value or 0) > 0 for c in known}
    return len(words) <= 1 and len(signs) <= 1


def _mean_cell(fit: _Fit, factor: str, code: str, rows: pl.DataFrame, cell: Cell) -> Cell:
    cell = replace(cell, n_patients=rows.select(PATIENT).n_unique(), n_pairs=rows.height)
    if rows.is_empty():
        return replace(cell, status=NOT_ESTIMABLE, note="no pairs")
    try:
        return _filled(cell, fit.estimate(fit.design.mean_at(factor, code)), with_p=False)
    except ModelError as error:
        return replace(cell, status=NOT_ESTIMABLE, note=error.problem)


def _levels(fit: _Fit, pairs: pl.DataFrame, compared: Compared) -> tuple[Level, ...]:
    unit = _UNITS[compared.outcome]
    return tuple(
        Level(
            "",
            label,
            _mean_cell(
                fit,
                LEVEL,
                code,
                pairs.filter(pl.col("level") == code),
                Cell(f"{compared.name}.level.{code}", label, unit, None, 0),
            ),
        )
        for code, label in compared.labels.items()
    )


def _cells(pairs: pl.DataFrame, analysis: Analysis, compared: Compared) -> tuple[Level, ...]:
    """Give adjusted means by technique and bias, or by purpose and grade, from a second fit.

    Raises
    ------
    ConvergenceError
        If that fit did not converge.
    """
    marked = compared.with_cells(pairs)
    order = compared.cell_order(marked)
    if len(order) < 2:
        return ()
    try:
        fit = _fit(
            marked,
            analysis,
            compared,
            with_pretest=analysis.pretest is not Pretest.UNADJUSTED,
            main=CELL,
        )
    except ConvergenceError:
        raise
    except ModelError:
        return ()
    found = []
    for code in order:
        group, label = compared.cell_labels(code)
        name = f"{compared.name}.cell.{code}"
        cell = Cell(name, f"{group}, {label}", _UNITS[compared.outcome], None, 0)
        rows = marked.filter(pl.col(CELL) == code)
        found.append(Level(group, label, _mean_cell(fit, CELL, code, rows, cell)))
    return tuple(found)


def _dropped(fit: _Fit | ModelError) -> tuple[str, ...]:
    if isinstance(fit, ModelError) or not isinstance(fit.model, MixedModel):
        return ()
    constant = [f"{COVARIATES.get(c, c)}: the same in all pairs" for c in fit.design.constant]
    aliased = [f"{_words(t)}: follows from other terms" for t in fit.model.dropped]
    return (*constant, *aliased)


def _words(term: str) -> str:
    name, _, level = term.partition("=")
    named = COVARIATES.get(name, name)
    if name == "clinic":
        return "clinic"  # clinics are not named
    return f"{named}, {level.replace('_', ' ')}" if level else named


def _variances(fit: _Fit | ModelError, compared: Compared) -> tuple[Cell, ...]:
    if isinstance(fit, ModelError) or not isinstance(fit.model, MixedModel):
        return ()
    model, unit = fit.model, _UNITS[compared.outcome]
    note = "estimated at zero" if model.is_singular else ""
    between = significant(float(np.sqrt(model.group_variance)))
    within = significant(float(np.sqrt(model.sigma2)))
    n = model.n_groups
    name = f"{compared.name}.sd"
    return (
        Cell(f"{name}.between", "standard deviation between patients", unit, between, n, note=note),
        Cell(f"{name}.within", "standard deviation within patients", unit, within, n),
    )


def _fit_cells(fit: _Fit | ModelError, pairs: pl.DataFrame, compared: Compared) -> tuple[Cell, ...]:
    n_patients, n_clinics = pairs.select(PATIENT).n_unique(), pairs["clinic"].n_unique()
    name = f"{compared.name}.fit"
    counts = (
        Cell(f"{name}.pairs", "pairs", "pairs", pairs.height, n_patients),
        Cell(f"{name}.patients", "patients", "patients", n_patients, n_patients),
        Cell(f"{name}.clinics", "clinics", "clinics", n_clinics, n_patients),
    )
    if isinstance(fit, ModelError) or not isinstance(fit.model, MixedModel):
        return counts
    criterion = significant(fit.model.criterion, 9)
    label = "−2 × restricted log-likelihood"
    return (*counts, Cell(f"{name}.criterion", label, "", criterion, n_patients))
