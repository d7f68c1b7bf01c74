"""From a snapshot and a plan to the content of a report."""

import hashlib
import string
from dataclasses import dataclass

import polars as pl

from pipeline.analysis.bias import select_for_bias
from pipeline.analysis.grade import select_for_grade
from pipeline.analysis.selection import Selection
from pipeline.analysis.technique import select_for_technique
from pipeline.before_after import build_before_after
from pipeline.cell import Cell
from pipeline.cohort import PATIENT, Cohort, build_cohort
from pipeline.disclosure import protect_summary
from pipeline.gain_model import compare
from pipeline.pairing import Pairs, match_pairs
from pipeline.participant_flow import build_flow, count
from pipeline.proportion import wilson_interval
from pipeline.retest import FULL, NONE, PARTIAL, RetestRecords, retest_records
from pipeline.rounding import significant
from pipeline.store.snapshot import Snapshot
from pipeline.summary import Comparison, RetestRow, Retests, Summary
from pipeline.table_one import build_table_one
from schemas.errors import PlanError
from schemas.plan import BIAS_LEVELS, Analysis, Assignment, PairKind, Plan, Question
from schemas.reason import REASON_TEXT, NoPair
from schemas.vocabulary import label_of

_FEW_CLINICS = 5


def conduct_study(snapshot: Snapshot, plan: Plan) -> Summary:
    """Answer the questions of a plan from a snapshot, with small numbers withheld.

    Parameters
    ----------
    snapshot : Snapshot
        Records of the clinics of the plan.
    plan : Plan
        The analysis plan.

    Returns
    -------
    Summary
        The content of the report, safe to publish.

    Raises
    ------
    PlanError
        If the clinics of the plan have no records of its joint.
    """
    cohort = build_cohort(snapshot.tables, plan.joint)
    if cohort.tests.is_empty():
        raise PlanError(
            f"plan {plan.report}",
            f"the store has no measured test of the {plan.joint} for the clinics of this plan",
            "Ingest their exports first, or correct “clinics” and “joint” in the plan.",
        )
    pairs = {kind: match_pairs(cohort, kind) for kind in _kinds(plan)}
    answers = [answer for analysis in plan.analyses for answer in _answer(pairs, analysis, plan)]
    main = answers[0]
    letters = clinic_letters(tuple(snapshot.account), snapshot.content_digest)
    within = pairs.get(PairKind.WITHIN_VISIT)
    retests = _retests(retest_records(cohort, within), letters) if within else Retests((), ())
    summary = Summary(
        report=plan.report,
        title=plan.title,
        population=plan.population,
        invented=plan.invented,
        date=plan.date.isoformat(),
        period=_period(cohort),
        clinics=tuple(sorted(letters.values())),
        smallest_count=plan.smallest_count,
        comparisons=tuple(answer.comparison for answer in answers),
        flow=build_flow(
            _readings(snapshot),
            snapshot.tables["range_test"].filter(pl.col("joint") == plan.joint),
            cohort,
            pairs[main.analysis.pair],
            main.selection,
            main.analysis.pair,
        ),
        table_one=build_table_one(main.selection.pairs, *_columns(main)),
        before_after=build_before_after(
            main.selection.pairs, main.analysis.motion, plan.smallest_count
        ),
        retests=retests,
        limits=_limits(main, plan, len(letters), retests),
    )
    return protect_summary(summary)


@dataclass(frozen=True)
class _Answer:
    analysis: Analysis
    selection: Selection
    comparison: Comparison


def _kinds(plan: Plan) -> list[PairKind]:
    """Kinds of pair that are needed; retests are documented within visits, or not by design."""
    asked = {_kind(analysis) for analysis in plan.analyses}
    return sorted(asked if asked == {PairKind.COURSE} else asked | {PairKind.WITHIN_VISIT})


def _kind(analysis: Analysis) -> PairKind:
    return PairKind.STEPWISE if analysis.question is Question.BIAS else analysis.pair


def _answer(pairs: dict[PairKind, Pairs], analysis: Analysis, plan: Plan) -> list[_Answer]:
    analysis = analysis.model_copy(update={"pair": _kind(analysis)})
    frame = pairs[analysis.pair].frame
    outcomes = ("gain", "pain") if analysis.question is Question.GRADE else ("gain",)
    answers = []
    for outcome in outcomes:
        name = f"{analysis.question}.{analysis.motion}.{outcome}"
        if analysis.question is Question.TECHNIQUE:
            selection = select_for_technique(frame, analysis, name)
        elif analysis.question is Question.BIAS:
            selection = select_for_bias(frame, analysis, name)
        else:
            selection = select_for_grade(frame, analysis, name, outcome)
        comparison = compare(
            selection.pairs, analysis, plan, outcome=outcome, not_modelled=selection.not_modelled
        )
        answers.append(_Answer(analysis, selection, comparison))
    return answers


def _columns(main: _Answer) -> tuple[tuple[str, str], tuple[str, str]]:
    """Give the two levels of Table 1 and their labels."""
    analysis = main.analysis
    if analysis.question is Question.TECHNIQUE and analysis.primary is not None:
        pair = (analysis.primary.first, analysis.primary.second)
        return pair, (label_of("technique", pair[0]), label_of("technique", pair[1]))
    if analysis.question is Question.BIAS:
        return (BIAS_LEVELS[2], BIAS_LEVELS[0]), ("congruent bias, combined", "neutral")
    return ("range", "pain"), ("grades III–IV", "grades I–II")


def clinic_letters(clinics: tuple[str, ...], content_digest: str) -> dict[str, str]:
    """Assign each clinic a letter for one version.

    Parameters
    ----------
    clinics : tuple of str
        Codes of the clinics.
    content_digest : str
        Digest of the records: another version shuffles the letters anew.

    Returns
    -------
    dict of str to str
        Letter of each clinic; its place in the alphabet says nothing of the clinic.
    """

    def shuffled(clinic: str) -> str:
        return hashlib.sha256(f"{content_digest} {clinic}".encode()).hexdigest()

    letters = [
        *string.ascii_uppercase,
        *(a + b for a in string.ascii_uppercase for b in string.ascii_uppercase),
    ]
    return dict(zip(sorted(clinics, key=shuffled), letters, strict=False))


def _readings(snapshot: Snapshot) -> dict[str, int]:
    total: dict[str, int] = {}
    for tables in snapshot.account.values():
        for what, number in tables.get("range_test", {}).items():
            total[what] = total.get(what, 0) + number
    return total


def _period(cohort: Cohort) -> str:
    tested = cohort.visits.join(
        cohort.tests.select(*PATIENT, "visit").unique(), on=[*PATIENT, "visit"], how="semi"
    )
    periods = tested["period"].drop_nulls()
    if periods.is_empty():
        return "Dates not recorded"
    first, last = str(periods.min()), str(periods.max())
    return first if first == last else f"{first} to {last}"


def _retests(records: RetestRecords, letters: dict[str, str]) -> Retests:
    rows = [
        _retest_row(records.frame.filter(pl.col("clinic") == clinic), f"Clinic {letter}", letter)
        for clinic, letter in sorted(letters.items(), key=lambda item: item[1])
    ]
    rows.append(_retest_row(records.frame, "All clinics", "all"))
    reasons = tuple(
        count(f"retests.reason.{reason}", REASON_TEXT[reason].label, "sides", n, people)
        for reason in NoPair
        if (n := (found := records.frame.filter(pl.col("reason") == str(reason))).height)
        and (people := found.select(PATIENT).n_unique())
    )
    return Retests(
        tuple(rows), tuple(sorted(reasons, key=lambda cell: (-int(cell.value or 0), cell.name)))
    )


def _retest_row(frame: pl.DataFrame, label: str, short: str) -> RetestRow:
    people = frame.select(PATIENT).n_unique()
    counts = {status: frame.filter(pl.col("status") == status) for status in (FULL, PARTIAL, NONE)}
    cells = {
        status: count(
            f"retests.{short}.{status}",
            status,
            "sides",
            rows.height,
            rows.select(PATIENT).n_unique(),
        )
        for status, rows in counts.items()
    }
    n_full, n = counts[FULL].height, frame.height
    if n:
        low, high = wilson_interval(n_full, n)
        share = Cell(
            f"retests.{short}.share", "share retested in full", "share", significant(n_full / n), people,
            low=significant(low), high=significant(high), base=n,
        )  # fmt: skip
    else:
        share = Cell(
            f"retests.{short}.share", "share retested in full", "share", None, 0,
            status="z", note="no treated side",
        )  # fmt: skip
    treated = count(f"retests.{short}.treated", "treated sides", "sides", n, people)
    return RetestRow(label, treated, cells[FULL], cells[PARTIAL], cells[NONE], share)


def _limits(main: _Answer, plan: Plan, n_clinics: int, retests: Retests) -> tuple[str, ...]:
    both = main.selection.pairs.group_by(PATIENT).agg(pl.col("level").n_unique() > 1)
    found = {
        "not_assigned": plan.assignment is Assignment.CLINICIAN,
        "assignment_not_stated": plan.assignment is Assignment.NOT_STATED,
        "one_clinic": n_clinics == 1,
        "few_clinics": 1 < n_clinics < _FEW_CLINICS,
        "retests_missing": any(row.full.value != row.treated.value for row in retests.rows),
        "no_measurement_error": not plan.measurement_error,
        "between_people_only": not bool(both["level"].any()),
    }
    return tuple(name for name, applies in found.items() if applies)
