"""Tables of a comparison: adjusted means, contrasts, pretest handling, what the estimate rests on."""

from pipeline.cell import Cell
from pipeline.summary import Comparison, ContrastResult, Level
from reports.number import is_shown, number, plain, quantity
from reports.phrase import capital, isolated
from reports.table.content import (
    Column,
    Row,
    Table,
    estimate_column,
    family_columns,
    p_column,
    patients_column,
)
from reports.wording import question, verdict_words
from reports.wording_en import TEXT


def file_stem(comparison: Comparison) -> str:
    """Give the beginning of the names of a comparison's files.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    str
        Letters, digits and underscores alone.
    """
    return "".join(c if c.isascii() and c.isalnum() else "_" for c in comparison.name)


def means_table(comparison: Comparison, smallest_count: int) -> Table:
    """Make the table of adjusted means by technique and bias.

    Parameters
    ----------
    comparison : Comparison
        The comparison; its ``cells`` are shown.
    smallest_count : int
        No number rests on fewer patients.

    Returns
    -------
    Table
        The same numbers as the figure.
    """
    return _level_table(comparison, comparison.cells, "means", smallest_count)


def levels_table(comparison: Comparison, smallest_count: int) -> Table:
    """Make the table of the adjusted mean of each level.

    Parameters
    ----------
    comparison : Comparison
        The comparison; its ``levels`` are shown.
    smallest_count : int
        No number rests on fewer patients.

    Returns
    -------
    Table
        One row a level.
    """
    return _level_table(comparison, comparison.levels, "levels", smallest_count)


def contrasts_table(comparison: Comparison, smallest_count: int) -> Table:
    """Make the table of all differences between levels.

    Parameters
    ----------
    comparison : Comparison
        The comparison.
    smallest_count : int
        No number rests on fewer patients.

    Returns
    -------
    Table
        The primary contrast, then its family.
    """
    primary = () if comparison.primary is None else (comparison.primary,)
    rows = [_contrast_row(comparison, contrast, TEXT["primary_group"]) for contrast in primary]
    rows += [
        _contrast_row(comparison, contrast, TEXT["family_group"]) for contrast in comparison.family
    ]
    columns = (
        Column("in_words", TEXT["verdict_title"], plain, ()),
        estimate_column("difference", TEXT[f"difference_{comparison.outcome}_title"]),
        *(family_columns() if comparison.family else (p_column(),)),
        patients_column(),
    )
    return Table(
        name=f"{file_stem(comparison)}_contrasts",
        caption=TEXT["caption_contrasts"].format(heading=question(comparison)),
        label_title=TEXT["contrast_title"],
        columns=columns,
        rows=tuple(rows),
        smallest_count=smallest_count,
        notes=_contrast_notes(comparison),
    )


def pretest_table(comparison: Comparison, smallest_count: int) -> Table:
    """Make the table of the primary contrast under three ways of handling the pretest.

    Parameters
    ----------
    comparison : Comparison
        The comparison.
    smallest_count : int
        No number rests on fewer patients.

    Returns
    -------
    Table
        One row a way.
    """
    rows = tuple(
        Row(capital(c.cell.label), (verdict_words(comparison, c), c.cell))
        for c in comparison.pretest
    )
    columns = (
        Column("in_words", TEXT["verdict_title"], plain, ()),
        estimate_column("difference", TEXT[f"difference_{comparison.outcome}_title"]),
    )
    return Table(
        name=f"{file_stem(comparison)}_pretest",
        caption=TEXT["caption_pretest"].format(heading=question(comparison)),
        label_title=TEXT["pretest_title"],
        columns=columns,
        rows=rows,
        smallest_count=smallest_count,
    )


def model_table(comparison: Comparison, smallest_count: int) -> Table:
    """Make the table of what a comparison rests on.

    Parameters
    ----------
    comparison : Comparison
        The comparison.
    smallest_count : int
        No number rests on fewer patients.

    Returns
    -------
    Table
        Size of the fit, pairs that are not in it, spreads, and what is set beside the estimates.
    """
    beside = (comparison.minimal_detectable_change, comparison.smallest_worthwhile)
    parts: tuple[tuple[str, tuple[Cell | None, ...]], ...] = (
        (TEXT["model_size"], comparison.fit),
        (TEXT["model_lost"], comparison.not_modelled),
        (TEXT["model_spread"], comparison.variances),
        (TEXT["model_error"], beside),
    )
    rows = [
        Row(capital(cell.label), (cell, _unit_words(cell), cell.note), group)
        for group, cells in parts
        for cell in cells
        if cell is not None
    ]
    columns = (
        Column(
            "value", TEXT["value_title"], plain, (("", "value"), ("_low", "low"), ("_high", "high"))
        ),
        Column("unit", TEXT["unit_title"], plain, ()),
        Column("note", TEXT["note_title"], plain, ()),
    )
    return Table(
        name=f"{file_stem(comparison)}_model",
        caption=TEXT["caption_model"].format(heading=question(comparison)),
        label_title=TEXT["term_title"],
        columns=columns,
        rows=tuple(rows),
        smallest_count=smallest_count,
    )


def _level_table(
    comparison: Comparison, levels: tuple[Level, ...], kind: str, smallest_count: int
) -> Table:
    title = TEXT[f"mean_{comparison.outcome}_title"]
    return Table(
        name=f"{file_stem(comparison)}_{kind}",
        caption=TEXT["caption_cells" if kind == "means" else "caption_levels"].format(
            heading=question(comparison)
        ),
        label_title=TEXT["level_title"],
        columns=(estimate_column("mean", title), patients_column(), _pairs_column()),
        rows=tuple(
            Row(capital(v.label), (v.cell, v.cell, v.cell), capital(v.group)) for v in levels
        ),
        smallest_count=smallest_count,
    )


def _pairs_column() -> Column:
    patients = patients_column()
    return Column(
        "pairs",
        TEXT["pairs_title"],
        lambda cell: patients.show(_on_pairs(cell)),
        (("", "n_pairs"),),
    )


def _on_pairs(cell: Cell) -> Cell:
    return Cell(
        cell.name,
        cell.label,
        cell.unit,
        cell.value,
        cell.n_pairs,
        status=cell.status,
        note=cell.note,
    )


def _contrast_row(comparison: Comparison, contrast: ContrastResult, group: str) -> Row:
    label = f"{isolated(contrast.first)} \N{MINUS SIGN} {isolated(contrast.second)}"
    cell = contrast.cell
    n_numbers = 5 if comparison.family else 3
    return Row(capital(label), (verdict_words(comparison, contrast), *(cell,) * n_numbers), group)


def _contrast_notes(comparison: Comparison) -> tuple[str, ...]:
    """Explain the intervals, and give the cautious one where there is one."""
    notes = [TEXT["family_rule"]] if comparison.family else []
    cell = comparison.cautious
    if cell is not None and is_shown(cell):
        freedom = number(cell.degrees_of_freedom or 0.0, "")
        interval = (
            f"{number(cell.low or 0.0, cell.unit)} to {quantity(cell.high or 0.0, cell.unit)}"
        )
        notes.append(TEXT["cautious"].format(freedom=freedom, groups=cell.note, interval=interval))
    return tuple(notes)


def _unit_words(cell: Cell) -> str:
    return {"deg": "°", "share": "%"}.get(cell.unit, cell.unit)
