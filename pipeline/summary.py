"""The content of one report: what crosses from ``pipeline`` to ``reports``, made of cells."""

from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass

from pipeline.cell import Cell


@dataclass(frozen=True)
class Verdict:
    """What may be said of a contrast, decided by rule from an interval.

    Attributes
    ----------
    word : {"larger", "smaller", "alike", "unsure", "none"}
        ``larger``: the first level's gain was larger; ``alike``: the interval lies inside plus or
        minus the smallest worthwhile difference; ``unsure``: the records can't tell; ``none``: there
        is no estimate, or it is withheld.
    is_simultaneous : bool
        True where the simultaneous interval decided (every contrast but the primary one).
    """

    word: str
    is_simultaneous: bool


@dataclass(frozen=True)
class ContrastResult:
    """One difference between two levels.

    Attributes
    ----------
    first, second : str
        Labels of the two levels; the difference is first minus second.
    cell : Cell
        The difference with interval, standard error, degrees of freedom and p-values.
    verdict : Verdict
        What may be said of it.
    """

    first: str
    second: str
    cell: Cell
    verdict: Verdict


@dataclass(frozen=True)
class Level:
    """Adjusted mean of one level.

    Attributes
    ----------
    group : str
        Heading under which it stands, such as a technique; empty where there is no grouping.
    label : str
        The level, in words.
    cell : Cell
        Adjusted mean with interval, patients and pairs.
    """

    group: str
    label: str
    cell: Cell


@dataclass(frozen=True)
class Comparison:
    """One question on one motion and outcome, answered from one kind of pair.

    Attributes
    ----------
    name : str
        Dotted name, such as ``technique.internal_rotation``.
    question : {"technique", "bias", "grade"}
        The question.
    motion : str
        Label of the motion.
    outcome : {"gain", "pain"}
        Gain in degrees, or change of pain in points (negative is less pain).
    pair_kind : {"within_visit", "stepwise", "course"}
        Kind of pair.
    definitions, instruments : tuple of str
        Labels of what the estimates rest on.
    levels : tuple of Level
        Adjusted mean for each level compared, in the plan's order.
    cells : tuple of Level
        Adjusted means by technique (group) and rotation bias (label); empty where no bias applies.
    primary : ContrastResult or None
        The one primary contrast; None where the comparison could not be estimated.
    family : tuple of ContrastResult
        All other contrasts, with Holm p-values and simultaneous intervals.
    pretest : tuple of ContrastResult
        The primary contrast unadjusted, adjusted for the pretest, and adjusted for the pretest
        corrected for measurement error, in this order; labels are in ``cell.label``.
    primary_pretest : {"adjusted", "unadjusted", "corrected"}
        Which of the three the plan made the primary one.
    pretest_agrees : bool
        False where the three lead to different verdicts, or to estimates of different sign.
    adjusted_for : tuple of str
        Words for what was adjusted for.
    dropped : tuple of str
        Terms that could not be estimated and were dropped, with the reason.
    variances : tuple of Cell
        Standard deviation of each random term and of what is left, in the outcome's unit.
    fit : tuple of Cell
        Numbers of pairs, patients, clinics and, where they are random, clinicians, and the REML
        criterion.
    not_modelled : tuple of Cell
        Matched pairs that are not in the model, one reason each; with the modelled ones they add up
        to all pairs of this kind.
    minimal_detectable_change : Cell or None
        MDC95 in degrees, with its source as note.
    smallest_worthwhile : Cell or None
        In degrees, with its source as note.
    varying : tuple of str
        Words for the random terms: what gains vary by at random.
    cautious : Cell or None
        The primary contrast with degrees of freedom counted by groups whose variance is estimated at
        zero, with what was counted as note; None where that is no wider.
    problem : str
        Why nothing could be estimated; empty otherwise.
    """

    name: str
    question: str
    motion: str
    outcome: str
    pair_kind: str
    definitions: tuple[str, ...]
    instruments: tuple[str, ...]
    levels: tuple[Level, ...]
    cells: tuple[Level, ...]
    primary: ContrastResult | None
    family: tuple[ContrastResult, ...]
    pretest: tuple[ContrastResult, ...]
    primary_pretest: str
    pretest_agrees: bool
    adjusted_for: tuple[str, ...]
    dropped: tuple[str, ...]
    variances: tuple[Cell, ...]
    fit: tuple[Cell, ...]
    not_modelled: tuple[Cell, ...]
    minimal_detectable_change: Cell | None
    smallest_worthwhile: Cell | None
    varying: tuple[str, ...] = ()
    cautious: Cell | None = None
    problem: str = ""


@dataclass(frozen=True)
class FlowStep:
    """One box of the participant flow.

    Attributes
    ----------
    label : str
        What is counted.
    counts : tuple of Cell
        What remains at this step; the first cell is the unit that the losses are counted in.
    losses : tuple of Cell
        What is lost between this step and the next, one reason each. Losses and the next step's
        first cell add up to this step's first cell.
    """

    label: str
    counts: tuple[Cell, ...]
    losses: tuple[Cell, ...]


@dataclass(frozen=True)
class Characteristic:
    """One row of Table 1.

    Attributes
    ----------
    heading : str
        Characteristic it belongs to, such as "Condition"; equal to ``label`` where it is one row.
    label : str
        The row.
    kind : {"count", "mean", "share"}
        ``mean``: value and sd; ``share``: value is the number of patients, base the column's number.
    cells : tuple of Cell
        One a column.
    standardised_difference : Cell
        Between the two columns compared; not applicable where there are not two.
    """

    heading: str
    label: str
    kind: str
    cells: tuple[Cell, ...]
    standardised_difference: Cell


@dataclass(frozen=True)
class TableOne:
    """Patients compared, by what they were treated with.

    Attributes
    ----------
    columns : tuple of str
        Labels of the columns.
    rows : tuple of Characteristic
        Characteristics, in order.
    note : str
        Which patients, at which visit.
    """

    columns: tuple[str, ...]
    rows: tuple[Characteristic, ...]
    note: str


@dataclass(frozen=True)
class RetestRow:
    """Documentation of retests of one clinic, or of all.

    Attributes
    ----------
    label : str
        "Clinic A", or "All clinics".
    treated, full, partial, none : Cell
        Treated sides of visits, and how many were retested in full, in part and not.
    share_full : Cell
        Share retested in full, with its Wilson interval.
    """

    label: str
    treated: Cell
    full: Cell
    partial: Cell
    none: Cell
    share_full: Cell


@dataclass(frozen=True)
class Retests:
    """Documentation of retests.

    Attributes
    ----------
    rows : tuple of RetestRow
        One a clinic by its letter, then all clinics.
    reasons : tuple of Cell
        Why a treated side is not documented in full, one reason each.
    """

    rows: tuple[RetestRow, ...]
    reasons: tuple[Cell, ...]


@dataclass(frozen=True)
class BeforeAfter:
    """Mean pretest and retest of the main comparison's pairs, by group of starting range.

    Attributes
    ----------
    motion : str
        Label of the motion.
    groups : tuple of tuple of Cell
        For each fifth of starting range: mean pretest, mean retest and mean gain, in degrees.
    """

    motion: str
    groups: tuple[tuple[Cell, Cell, Cell], ...]


@dataclass(frozen=True)
class Summary:
    """Everything one report says.

    Attributes
    ----------
    report, title, population : str
        Name, title and whose records these are.
    invented : bool
        True for invented records.
    date : str
        Date of the version, ISO.
    period : str
        First to last period of the visits, or "Dates not recorded".
    clinics : tuple of str
        Letters of the clinics.
    smallest_count : int
        No number rests on fewer patients.
    comparisons : tuple of Comparison
        In the plan's order; the first is the main one.
    flow : tuple of FlowStep
        Who was counted.
    table_one : TableOne
        Patients compared.
    before_after : BeforeAfter or None
        Range before and after.
    retests : Retests
        Documentation of retests.
    limits : tuple of str
        Codes of the limits that apply, for the wording: ``not_assigned``,
        ``assignment_not_stated``, ``few_clinics``, ``one_clinic``, ``retests_missing``,
        ``no_measurement_error``, ``between_people_only``.
    """

    report: str
    title: str
    population: str
    invented: bool
    date: str
    period: str
    clinics: tuple[str, ...]
    smallest_count: int
    comparisons: tuple[Comparison, ...]
    flow: tuple[FlowStep, ...]
    table_one: TableOne
    before_after: BeforeAfter | None
    retests: Retests
    limits: tuple[str, ...]


def cells_of(part: object) -> Iterator[Cell]:
    """Walk through every cell of a summary, or of a part of one, in a fixed order.

    Parameters
    ----------
    part : object
        A summary, one of its parts, or a tuple of parts.

    Yields
    ------
    Cell
        Each cell; one that stands in two places is given twice.
    """
    if isinstance(part, Cell):
        yield part
    elif isinstance(part, tuple):
        for item in part:
            yield from cells_of(item)
    elif is_dataclass(part):
        for field in fields(part):
            yield from cells_of(getattr(part, field.name))
