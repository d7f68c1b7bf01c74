"""Sections of a report: figures, tables and sentences put together for the page."""

from dataclasses import dataclass
from itertools import pairwise, zip_longest

from pipeline.cell import Cell
from pipeline.summary import Comparison, FlowStep, Summary
from reports.figure.drawing import Figure
from reports.figure.interval import interval_figure
from reports.number import is_shown, plain, quantity
from reports.phrase import capital, isolated
from reports.table.comparison import (
    contrasts_table,
    levels_table,
    means_table,
    model_table,
    pretest_table,
)
from reports.table.content import Table
from reports.wording import against_error, cautions, heading, pretest_sentence, primary_sentence
from reports.wording_en import MARKERS, TEXT


@dataclass(frozen=True)
class ComparisonSection:
    """One comparison as the page shows it.

    Attributes
    ----------
    anchor : str
        Id of its part of the page.
    heading : str
        Its result, or its question.
    problem : str
        Why nothing could be estimated; empty otherwise.
    figure : Figure or None
        Adjusted means; None where none can be shown.
    figure_table : Table
        The same numbers as the figure.
    levels : Table or None
        Means by level, where the figure shows another grouping.
    sentences : tuple of str
        What was found, set against measurement error.
    contrasts, pretest, model : Table
        Differences, the three ways of handling the pretest, and what the estimate rests on.
    pretest_words : str
        Whether the three ways agree.
    model_words : tuple of str
        What was adjusted for and what was left out.
    cautions : tuple of str
        Cautions that stand at the figure.
    """

    anchor: str
    heading: str
    problem: str
    figure: Figure | None
    figure_table: Table
    levels: Table | None
    sentences: tuple[str, ...]
    contrasts: Table
    pretest: Table
    model: Table
    pretest_words: str
    model_words: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def tables(self) -> tuple[Table, ...]:
        """All its tables that have rows.

        Returns
        -------
        tuple of Table
            In the order of the page.
        """
        listed = (self.figure_table, self.levels, self.contrasts, self.pretest, self.model)
        return tuple(table for table in listed if table is not None and table.rows)


@dataclass(frozen=True)
class FlowBox:
    """One box of the participant flow as the page shows it.

    Attributes
    ----------
    label : str
        What is counted.
    counts : tuple of str
        Counts in words, the unit of the losses first.
    losses : tuple of (str, str)
        Reason and count of each loss between this box and the next.
    turn : str
        Says where the next box counts in another unit; empty where it doesn't.
    """

    label: str
    counts: tuple[str, ...]
    losses: tuple[tuple[str, str], ...]
    turn: str


def comparison_section(summary: Summary, comparison: Comparison) -> ComparisonSection:
    """Put together what the page says of one comparison.

    Parameters
    ----------
    summary : Summary
        The report.
    comparison : Comparison
        One of its comparisons.

    Returns
    -------
    ComparisonSection
        Figure, tables and sentences.
    """
    least = summary.smallest_count
    by_cells = bool(comparison.cells)
    sentences = (primary_sentence(comparison), against_error(comparison))
    return ComparisonSection(
        anchor="comparison-"
        + "".join(c if c.isascii() and c.isalnum() else "-" for c in comparison.name),
        heading=heading(comparison),
        problem=comparison.problem,
        figure=interval_figure(comparison),
        figure_table=(means_table if by_cells else levels_table)(comparison, least),
        levels=levels_table(comparison, least) if by_cells else None,
        sentences=tuple(sentence for sentence in sentences if sentence),
        contrasts=contrasts_table(comparison, least),
        pretest=pretest_table(comparison, least),
        model=model_table(comparison, least),
        pretest_words=pretest_sentence(comparison) if comparison.pretest else "",
        model_words=_model_words(comparison),
        cautions=cautions(summary, comparison),
    )


def flow_boxes(flow: tuple[FlowStep, ...]) -> tuple[FlowBox, ...]:
    """Put together the participant flow.

    Parameters
    ----------
    flow : tuple of FlowStep
        Steps in order.

    Returns
    -------
    tuple of FlowBox
        One box a step.

    Raises
    ------
    ValueError
        If losses and the next step don't add up to a step: a fault of the program.
    """
    for step, following in pairwise(flow):
        parts = (*step.losses, following.counts[0])
        total = step.counts[0]
        is_known = total.unit == parts[-1].unit and all(is_shown(c) for c in (total, *parts))
        # Counts of one unit: whole numbers, so the sum is exact.
        if is_known and sum(cell.value or 0 for cell in parts) != total.value:
            raise ValueError(f"the flow does not add up after “{step.label}”")
    return tuple(
        FlowBox(
            step.label,
            tuple(_count_words(cell) for cell in step.counts),
            tuple((capital(cell.label), plain(cell)) for cell in step.losses),
            _turn(step, following),
        )
        for step, following in zip_longest(flow, flow[1:])
    )


def flow_marker_notes(flow: tuple[FlowStep, ...], smallest_count: int) -> tuple[str, ...]:
    """Explain each marker that stands in the flow.

    Parameters
    ----------
    flow : tuple of FlowStep
        Steps in order.
    smallest_count : int
        No number rests on fewer patients.

    Returns
    -------
    tuple of str
        One sentence a marker.
    """
    cells = [cell for step in flow for cell in (*step.counts, *step.losses)]
    used = {"" if is_shown(cell) else cell.status or "x" for cell in cells}
    return tuple(
        f"[{letter}] {words.format(smallest_count=smallest_count)}."
        for letter, words in MARKERS.items()
        if letter in used
    )


def _turn(step: FlowStep, following: FlowStep | None) -> str:
    if following is None or step.counts[0].unit == following.counts[0].unit:
        return ""
    return TEXT["flow_turn"].format(unit=following.counts[0].unit)


def _count_words(cell: Cell) -> str:
    if cell.value is None or not is_shown(cell):
        return f"{plain(cell)} {cell.unit or isolated(cell.label)}"
    return quantity(cell.value, cell.unit) + ("" if cell.unit else f" {isolated(cell.label)}")


def _model_words(comparison: Comparison) -> tuple[str, ...]:
    terms = ", ".join(comparison.adjusted_for)
    said = [TEXT["adjusted_for"].format(terms=terms) if terms else TEXT["adjusted_for_nothing"]]
    if comparison.varying:
        said.append(TEXT["varying"].format(terms=", ".join(comparison.varying)))
    if "clinic" in comparison.adjusted_for:
        said.append(TEXT["fixed_clinics"])
    if comparison.dropped:
        said.append(TEXT["dropped"].format(terms="; ".join(comparison.dropped)))
    return tuple(said)
