"""Who was counted: from the readings received to the pairs in the main comparison.

Every loss has one reason. Inside one unit (readings, tests, pairs) the losses and what is left add up
to what was there before; where the unit changes, a step of its own says so.
"""

import polars as pl

from pipeline.analysis.selection import Selection
from pipeline.cell import Cell
from pipeline.cohort import PATIENT, Cohort
from pipeline.pairing import TEST, Pairs
from pipeline.summary import FlowStep
from schemas.plan import PairKind
from schemas.reason import REASON_TEXT, NoPair, NotModelled
from schemas.vocabulary import NOT_RECORDED

_LOST_READINGS = {
    "quarantined": "quarantined: could not be used as recorded",
    "duplicate": "sent twice",
    "superseded": "replaced by a later export",
    "out_of_scope": "declared out of scope",
    "withdrawn": "withdrawn by the patient",
}
_PAIRS = {
    PairKind.WITHIN_VISIT: "Pretest and retest of one visit",
    PairKind.STEPWISE: "Tests before and after one bout (one test can give several)",
    PairKind.COURSE: "First and last test of an episode",
}


def build_flow(
    account: dict[str, int],
    range_tests: pl.DataFrame,
    cohort: Cohort,
    pairs: Pairs,
    selection: Selection,
    kind: PairKind,
) -> tuple[FlowStep, ...]:
    """Build the participant flow of the main comparison.

    Parameters
    ----------
    account : dict of str to int
        Counts of the table ``range_test`` over the clinics of the plan.
    range_tests : polars.DataFrame
        Current rows of that table.
    cohort : Cohort
        Records of the joint.
    pairs : Pairs
        Pairs of the main comparison's kind, over all motions.
    selection : Selection
        The pairs in the main comparison.
    kind : PairKind
        Kind of pair.

    Returns
    -------
    tuple of FlowStep
        Readings received, readings in use, tests, pairs, pairs in the main comparison.
    """
    return (
        _received(account),
        _in_use(range_tests),
        _tests(cohort, pairs, kind),
        _pairs(pairs, selection, kind),
        _compared(selection),
    )


def count(name: str, label: str, unit: str, value: int, n_patients: int | None = None) -> Cell:
    """Make the cell of a count.

    Parameters
    ----------
    name, label, unit : str
        As in ``Cell``.
    value : int
        The count.
    n_patients : int or None
        Patients behind it; where they are not known, the count itself is the most there can be.

    Returns
    -------
    Cell
        The cell.
    """
    return Cell(name, label, unit, value, value if n_patients is None else n_patients)


def _people(frame: pl.DataFrame) -> int:
    return frame.select(PATIENT).n_unique()


def _received(account: dict[str, int]) -> FlowStep:
    losses = tuple(
        count(f"flow.received.{what}", label, "readings", account.get(what, 0))
        for what, label in _LOST_READINGS.items()
        if account.get(what, 0)
    )
    received = count("flow.received", "readings", "readings", account.get("read", 0))
    return FlowStep("Readings of range received", (received,), losses)


def _in_use(range_tests: pl.DataFrame) -> FlowStep:
    cells = (
        count("flow.in_use", "readings", "readings", range_tests.height, _people(range_tests)),
        count("flow.in_use.patients", "patients", "patients", _people(range_tests)),
    )
    return FlowStep("Readings in use", cells, ())


def _tests(cohort: Cohort, pairs: Pairs, kind: PairKind) -> FlowStep:
    tested = cohort.tests.select(TEST) if kind is not PairKind.COURSE else None
    matched = pairs.frame.select(TEST).unique()
    both = pl.concat([matched, pairs.unmatched.select(TEST)])
    n_tests = both.height if tested is None else tested.n_unique()
    losses = tuple(
        count(
            f"flow.tests.{reason}",
            REASON_TEXT[reason].label,
            "tests",
            rows.height,
            _people(rows),
        )
        for reason in NoPair
        if (rows := pairs.unmatched.filter(pl.col("reason") == str(reason))).height
    )
    what = "of one side over an episode" if kind is PairKind.COURSE else "of one side at one visit"
    cells = (
        count("flow.tests", "tests", "tests", n_tests, _people(both)),
        count("flow.tests.patients", "patients", "patients", _people(both)),
    )
    return FlowStep(f"Tests {what}, by test definition and instrument", cells, losses)


def _pairs(pairs: Pairs, selection: Selection, kind: PairKind) -> FlowStep:
    frame = pairs.frame
    motions = selection.pairs["motion"].unique().to_list()
    known = {cell.name.rpartition(".")[2]: cell for cell in selection.not_modelled}
    n_own = selection.pairs.height + sum(int(cell.value or 0) for cell in selection.not_modelled)
    other = frame.filter(~pl.col("motion").is_in(motions))
    n_other = frame.height - n_own
    losses = [
        Cell(f"flow.pairs.{reason}", cell.label, "pairs", cell.value, cell.n_patients)
        for reason, cell in known.items()
    ]
    if n_other:
        label = REASON_TEXT[NotModelled.OTHER_MOTION].label
        losses.insert(0, count("flow.pairs.other_motion", label, "pairs", n_other, _people(other)))
    cells = (
        count("flow.pairs", "pairs", "pairs", frame.height, _people(frame)),
        count("flow.pairs.patients", "patients", "patients", _people(frame)),
    )
    return FlowStep(_PAIRS[kind], cells, tuple(losses))


def _compared(selection: Selection) -> FlowStep:
    frame = selection.pairs
    clinicians = frame.filter(
        pl.col("clinician").is_not_null() & (pl.col("clinician") != NOT_RECORDED)
    )
    cells = [
        count("flow.compared", "pairs", "pairs", frame.height, _people(frame)),
        count("flow.compared.patients", "patients", "patients", _people(frame)),
    ]
    if clinicians.height:
        n = clinicians["clinician"].n_unique()
        cells.append(
            count("flow.compared.clinicians", "clinicians", "clinicians", n, _people(frame))
        )
    n_clinics = frame["clinic"].n_unique()
    cells.append(count("flow.compared.clinics", "clinics", "clinics", n_clinics, _people(frame)))
    return FlowStep("In the main comparison", tuple(cells), ())
