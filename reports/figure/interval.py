"""Dot and interval figure: adjusted means of levels, in groups, with what they rest on."""

import textwrap
from dataclasses import dataclass

from markupsafe import Markup

from pipeline.cell import Cell
from pipeline.summary import Comparison, Level
from reports.figure.canvas import Canvas, scale_for
from reports.figure.drawing import NARROW, TEXT_SIZE, WIDE, Figure, Words, static_svg, text_width
from reports.number import estimate, fixed, is_shown, quantity
from reports.phrase import capital, isolated
from reports.wording import heading, outcome_name
from reports.wording_en import PAIR_KIND, TEXT

_LABEL_CHARACTERS = {WIDE: 20, NARROW: 30}
_INDENT = 12.0


@dataclass(frozen=True)
class _Line:
    """One line of the drawing: a heading, or a level with its height."""

    middle: float
    level: Level | None
    text: str


def interval_figure(comparison: Comparison) -> Figure | None:
    """Draw the adjusted means of a comparison.

    Parameters
    ----------
    comparison : Comparison
        Its cells by technique and bias are drawn where there are any, else its levels.

    Returns
    -------
    Figure or None
        None where no mean can be shown.
    """
    levels = comparison.cells or comparison.levels
    if not any(is_shown(level.cell) for level in levels):
        return None
    name = f"figure-{comparison.name}".replace(".", "-").replace("_", "-")
    title = heading(comparison)
    description = _description(comparison, levels)
    drawings = [
        _drawing(comparison, levels, width, Words(f"{name}-{kind}", title, description))
        for width, kind in ((WIDE, "wide"), (NARROW, "narrow"))
    ]
    return Figure(name, title, _caption(comparison), *drawings)


def _caption(comparison: Comparison) -> str:
    parts = [TEXT["caption_interval"].format(outcome=outcome_name(comparison))]
    if _error(comparison) is not None:
        parts.append(TEXT["caption_mdc"])
    parts.append(
        TEXT["tests_used"].format(
            definitions="; ".join(isolated(d) for d in comparison.definitions) or TEXT["not_shown"],
            instruments="; ".join(isolated(i) for i in comparison.instruments) or TEXT["not_shown"],
            pair_kind=PAIR_KIND[comparison.pair_kind],
        )
    )
    return " ".join(parts)


def _description(comparison: Comparison, levels: tuple[Level, ...]) -> str:
    said = []
    for level in levels:
        label = (
            f"{isolated(level.group)}, {isolated(level.label)}"
            if level.group
            else isolated(level.label)
        )
        said.append(f"{label}: {_estimate_words(level.cell)}")
    return capital(f"adjusted mean {outcome_name(comparison)}. " + ". ".join(said) + ".")


def _estimate_words(cell: Cell) -> str:
    if is_shown(cell):
        return estimate(cell)
    return (
        TEXT["withheld"]
        if cell.status == "c"
        else TEXT["not_estimable"]
        if cell.status == "n"
        else TEXT["not_shown"]
    )


def _error(comparison: Comparison) -> float | None:
    error = comparison.minimal_detectable_change
    return error.value if error is not None and comparison.outcome == "gain" else None


def _drawing(comparison: Comparison, levels: tuple[Level, ...], width: int, words: Words) -> Markup:
    size = TEXT_SIZE[width]
    top = size * (3.6 if _error(comparison) is not None else 1.9) + (
        size * 0.4 if width == NARROW else 0
    )
    lines, bottom = _lines(levels, width, top)
    values = [0.0]
    for level in levels:
        if is_shown(level.cell):
            values += [
                v for v in (level.cell.value, level.cell.low, level.cell.high) if v is not None
            ]
    values += [v for v in (_error(comparison),) if v is not None]
    left, right = (250.0, 540.0) if width == WIDE else (20.0, 320.0)
    canvas = Canvas(width, round(bottom + size * 3.4), scale_for(values, left, right))
    rows = [line.middle for line in lines if line.level is not None]
    bands = [(top, bottom)] if width == WIDE else [(y - size * 0.6, y + size * 0.7) for y in rows]
    canvas.axis(bands)
    _draw_error(canvas, comparison, top, bands)
    _draw_levels(canvas, lines)
    _write_words(canvas, comparison, lines, bottom)
    return static_svg(canvas.layers, (canvas.width, canvas.height), words)


def _lines(levels: tuple[Level, ...], width: int, top: float) -> tuple[list[_Line], float]:
    """Lay out headings and levels from the top; give them and the height where they end."""
    size = TEXT_SIZE[width]
    lines: list[_Line] = []
    height, group = top + size * 0.4, ""
    for level in levels:
        if level.group and level.group != group:
            lines.append(_Line(height + size * 0.95, None, capital(level.group)))
            height += size * 1.7
        group = level.group
        label = level.label
        if width == NARROW and is_shown(level.cell) and level.cell.n_patients is not None:
            label += f" ({fixed(level.cell.n_patients, 0)})"
        text = "\n".join(
            textwrap.wrap(label, _LABEL_CHARACTERS[width], max_lines=2, placeholder=" …")
        )
        taller = size * 1.2 * text.count("\n")
        step = size * (1.75 if width == WIDE else 2.7) + taller
        middle = height + step / 2 if width == WIDE else height + taller + size * 1.9
        lines.append(_Line(middle, level, text))
        height += step
    return lines, height + size * 0.5


def _draw_error(
    canvas: Canvas, comparison: Comparison, top: float, bands: list[tuple[float, float]]
) -> None:
    error = _error(comparison)
    if error is None:
        return
    size = TEXT_SIZE[canvas.width]
    short = (top - size * 0.4, top)
    canvas.lines([(error, error, *band) for band in (short, *bands)], "grey", 1.5, dash=True)
    text = TEXT["mdc_mark"].format(mdc=quantity(error, "deg"))
    half = text_width(text, size) / 2
    place = min(max(canvas.scale.place(error), half), canvas.width - half)
    canvas.texts([(top - size * 1.2, text)], place, align="center", grey=True)


def _draw_levels(canvas: Canvas, lines: list[_Line]) -> None:
    shown = [
        (line.middle, line.level.cell) for line in lines if line.level and is_shown(line.level.cell)
    ]
    withheld = [line.middle for line in lines if line.level and line.level.cell.status == "c"]
    canvas.boxes(withheld, TEXT_SIZE[canvas.width] * 0.42)
    intervals = [
        (c.low, c.high, y, y) for y, c in shown if c.low is not None and c.high is not None
    ]
    canvas.lines(intervals, "main", 3.5)
    canvas.dots([(c.value, y) for y, c in shown if c.value is not None])


def _write_words(canvas: Canvas, comparison: Comparison, lines: list[_Line], bottom: float) -> None:
    size = TEXT_SIZE[canvas.width]
    is_wide = canvas.width == WIDE
    has_groups = any(line.level is None for line in lines)
    indent = _INDENT if has_groups and is_wide else 0.0
    levels = [(line, line.level) for line in lines if line.level is not None]
    shift = 0.0 if is_wide else size * 1.15
    head = size * 0.9
    canvas.texts([(line.middle, line.text) for line in lines if line.level is None], 0, bold=True)
    if is_wide:
        canvas.texts([(line.middle, line.text) for line, _ in levels], indent)
        patients = [(line.middle, _patients(level.cell)) for line, level in levels]
        canvas.texts(patients, 232, align="right")
        canvas.texts([(head, TEXT["patients_head"])], 232, align="right", bold=True)
    else:
        for line, _ in levels:
            lift = size * 0.6 * line.text.count("\n")
            canvas.texts([(line.middle - shift - lift, line.text)], 0)
        canvas.texts([(head, TEXT["label_head_narrow"])], 0, bold=True)
    estimates = [(line.middle - shift, _estimate_words(level.cell)) for line, level in levels]
    canvas.texts(estimates, canvas.width, align="right")
    unit = "°" if comparison.outcome == "gain" else "points"
    canvas.texts(
        [(head, f"{TEXT['estimate_head']}, {unit}")], canvas.width, align="right", bold=True
    )
    axis = TEXT[f"axis_{comparison.outcome}" + ("" if is_wide else "_narrow")]
    middle = (canvas.scale.left + canvas.scale.right) / 2
    canvas.texts([(bottom + size * 2.4, axis)], middle, align="center")


def _patients(cell: Cell) -> str:
    return fixed(cell.n_patients, 0) if is_shown(cell) and cell.n_patients is not None else ""
