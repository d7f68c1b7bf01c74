"""Compare levels of a treatment by a mixed-effects model of gains.

Random are the patient, and hip, visit, clinician, clinic and level by clinic as far as the pairs carry
them (``pipeline.random_terms``); fewer than five clinics are fixed. The primary contrast is given three
times: not adjusted for the pretest, adjusted for it, and adjusted for the pretest corrected for its
measurement error. Which of them is right depends on what the treatment was chosen by, so they are
published together.
"""

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.cell import NOT_ESTIMABLE, Cell
from pipeline.cohort import PATIENT
from pipeline.compared import Compared, ContrastPlan, compared_levels
from pipeline.gain_fit import (
    CELL,
    LEVEL,
    OUTCOMES,
    GainFit,
    fit_gains,
    fit_three_ways,
    lay_out,
    same_as_compared,
)
from pipeline.measurement_error import minimal_detectable_change
from pipeline.mixed_model.contrast import Estimate
from pipeline.mixed_model.exact_sums import Array
from pipeline.model_account import (
    cautious_cell,
    dropped_terms,
    fit_cells,
    random_words,
    variance_cells,
)
from pipeline.multiplicity import adjust_family
from pipeline.rounding import significant
from pipeline.summary import Comparison, ContrastResult, Level
from pipeline.verdict import agree, judge
from schemas.errors import ConvergenceError, ModelError
from schemas.plan import COVARIATES, Analysis, PairKind, Plan, Pretest
from schemas.vocabulary import label_of

_UNITS = {"gain": "deg", "pain": "points"}
_PRETEST_LABELS = {
    Pretest.UNADJUSTED: "not adjusted for the pretest",
    Pretest.ADJUSTED: "adjusted for the pretest",
    Pretest.CORRECTED: "adjusted for the pretest, corrected for measurement error",
}


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
        Numbers rounded to six significant decimals. The simultaneous intervals hold for the family
        as a whole. ``range - pain`` is the contrast of the grade question for both outcomes.

    Raises
    ------
    ConvergenceError
        If a fit did not converge.
    """
    if outcome != "gain" and analysis.pretest is Pretest.CORRECTED:
        # A pain score has no named measurement error: its primary contrast is the adjusted one.
        analysis = analysis.model_copy(update={"pretest": Pretest.ADJUSTED})
    plan = _with_own_errors(plan, analysis.pair)
    compared = _with_enough_patients(compared_levels(pairs, analysis, outcome), pairs, plan)
    blank = _blank(pairs, analysis, plan, compared, not_modelled)
    if len(compared.present) < 2:
        found = ", ".join(compared.labels[code] for code in compared.present) or "none"
        return replace(blank, problem=f"Pairs of at least two levels are needed; found: {found}.")
    try:
        return _answer(pairs, analysis, plan, compared, blank)
    except ConvergenceError as error:
        raise ConvergenceError(compared.name, error.problem, error.remedy) from error
    except ModelError as error:
        return replace(
            blank, problem=f"{error.problem[0].upper()}{error.problem[1:]}. {error.remedy}"
        )


def _answer(
    pairs: pl.DataFrame, analysis: Analysis, plan: Plan, compared: Compared, blank: Comparison
) -> Comparison:
    fits = fit_three_ways(pairs, analysis, plan, compared)
    main = fits[analysis.pretest]
    if isinstance(main, ModelError):
        raise main
    worthwhile = blank.smallest_worthwhile.value if blank.smallest_worthwhile else None
    pretest = tuple(
        _pretest_contrast(kind, fit, pairs, compared, worthwhile) for kind, fit in fits.items()
    )
    place = list(fits).index(analysis.pretest)
    primary = pretest[place]
    label = f"{primary.first} − {primary.second}"
    named = replace(primary.cell, name=f"{compared.name}.primary", label=label)
    primary = replace(primary, cell=named)
    return replace(
        blank,
        levels=_levels(main, pairs, compared),
        cells=_cells(pairs, analysis, compared),
        primary=primary,
        family=_family(main, pairs, compared, worthwhile),
        pretest=pretest,
        pretest_agrees=agree(pretest),
        cautious=cautious_cell(main, primary.cell),
        adjusted_for=(*blank.adjusted_for, *(("clinic",) if main.random.has_fixed_clinics else ())),
        varying=random_words(main.random, analysis.question),
        dropped=dropped_terms(main, analysis.question),
        variances=variance_cells(main, compared, _UNITS[compared.outcome]),
        fit=fit_cells(main, compared.name),
    )


def _with_own_errors(plan: Plan, kind: PairKind) -> Plan:
    """Keep the measurement errors found under the conditions of these pairs; never mix them."""
    conditions = "between_days" if kind is PairKind.COURSE else "same_session"
    errors = tuple(e for e in plan.measurement_error if e.conditions == conditions)
    return plan.model_copy(update={"measurement_error": errors})


def _with_enough_patients(compared: Compared, pairs: pl.DataFrame, plan: Plan) -> Compared:
    """Leave a level with few patients out of a mean of several levels.

    Its own mean is withheld, and would follow from theirs and the contrast.
    """
    primary = compared.primary
    if len(primary.first) < 2:
        return compared
    sizes = {
        code: pairs.filter(pl.col("level") == code).select(PATIENT).n_unique()
        for code in primary.first
    }
    enough = tuple(code for code, size in sizes.items() if size >= plan.smallest_count)
    if len(enough) != 1:
        return compared
    label = f"{primary.first_label} {enough[0].rpartition('_')[2]}"
    return replace(compared, primary=replace(primary, first=enough, first_label=label))


def _blank(
    pairs: pl.DataFrame,
    analysis: Analysis,
    plan: Plan,
    compared: Compared,
    not_modelled: tuple[Cell, ...],
) -> Comparison:
    """Make the comparison without any estimate."""
    left_out = (OUTCOMES[compared.outcome][1], *same_as_compared(analysis))
    in_model = [c for c in analysis.covariates if c not in left_out]
    words = [COVARIATES[c] for c in in_model]
    if analysis.pretest is not Pretest.UNADJUSTED:
        words.insert(0, "pretest")
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


def _contrast_weights(fit: GainFit, contrast: ContrastPlan) -> Array:
    difference = fit.mean_of(LEVEL, contrast.first) - fit.mean_of(LEVEL, contrast.second)
    return np.asarray(difference)


def _contrast_cell(
    fit: GainFit | ModelError,
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
    if not all(side.height for side in rows):
        return replace(cell, status=NOT_ESTIMABLE, note="one of the two has no pairs")
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
    fit: GainFit | ModelError,
    pairs: pl.DataFrame,
    compared: Compared,
    worthwhile: float | None,
) -> ContrastResult:
    contrast = compared.primary
    cell = _contrast_cell(fit, contrast, pairs, compared, f"{compared.name}.pretest.{kind}")
    cell = replace(cell, label=_PRETEST_LABELS[kind])
    return ContrastResult(
        contrast.first_label,
        contrast.second_label,
        cell,
        judge(cell, worthwhile, is_simultaneous=False),
    )


def _family(
    fit: GainFit, pairs: pl.DataFrame, compared: Compared, worthwhile: float | None
) -> tuple[ContrastResult, ...]:
    """Give all other contrasts, with Holm p-values and simultaneous intervals over them."""
    if not compared.family:
        return ()
    cells = tuple(
        _contrast_cell(fit, contrast, pairs, compared, f"{compared.name}.contrast.{contrast.name}")
        for contrast in compared.family
    )
    joint = fit.covariance(np.array([_contrast_weights(fit, c) for c in compared.family]))
    return tuple(
        ContrastResult(
            contrast.first_label,
            contrast.second_label,
            cell,
            judge(cell, worthwhile, is_simultaneous=True),
        )
        for contrast, cell in zip(compared.family, adjust_family(cells, joint), strict=True)
    )


def _mean_cell(fit: GainFit, factor: str, code: str, rows: pl.DataFrame, cell: Cell) -> Cell:
    cell = replace(cell, n_patients=rows.select(PATIENT).n_unique(), n_pairs=rows.height)
    if rows.is_empty():
        return replace(cell, status=NOT_ESTIMABLE, note="no pairs")
    try:
        return _filled(cell, fit.estimate(fit.mean_of(factor, (code,))), with_p=False)
    except ModelError as error:
        return replace(cell, status=NOT_ESTIMABLE, note=error.problem)


def _levels(fit: GainFit, pairs: pl.DataFrame, compared: Compared) -> tuple[Level, ...]:
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
        fit = fit_gains(
            lay_out(marked, analysis, compared, main=CELL),
            with_pretest=analysis.pretest is not Pretest.UNADJUSTED,
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
