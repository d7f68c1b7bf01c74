"""Before and after figure: mean pretest to mean retest in groups of starting range."""

from markupsafe import Markup

from pipeline.cell import Cell
from pipeline.summary import BeforeAfter
from reports.figure.canvas import Canvas, scale_for
from reports.figure.drawing import NARROW, TEXT_SIZE, WIDE, Figure, Words, static_svg
from reports.number import is_shown, number
from reports.phrase import capital, isolated
from reports.wording_en import FIFTHS, TEXT

Group = tuple[Cell, Cell, Cell]


def group_label(index: int, n_groups: int) -> str:
    """Name a group of starting range.

    Parameters
    ----------
    index : int
        Its place from the lowest, from 0.
    n_groups : int
        How many there are.

    Returns
    -------
    str
        Such as "lowest fifth".
    """
    return FIFTHS[index] if n_groups == len(FIFTHS) else f"group {index + 1} of {n_groups}"


def before_after_figure(before_after: BeforeAfter) -> Figure | None:
    """Draw mean pretest and retest of each group.

    Parameters
    ----------
    before_after : BeforeAfter
        The groups.

    Returns
    -------
    Figure or None
        None where no group can be shown.
    """
    if not any(_is_drawn(group) for group in before_after.groups):
        return None
    title = TEXT["before_after_result"]
    description = _description(before_after)
    wide, narrow = (
        _drawing(before_after, width, Words(f"figure-before-after-{kind}", title, description))
        for width, kind in ((WIDE, "wide"), (NARROW, "narrow"))
    )
    caption = TEXT["caption_figure_before_after"].format(
        motion=capital(isolated(before_after.motion))
    )
    return Figure("figure-before-after", title, caption, wide, narrow)


def _is_drawn(group: Group) -> bool:
    return is_shown(group[0]) and is_shown(group[1])


def _words(group: Group) -> str:
    pretest, retest, _ = group
    if not _is_drawn(group) or pretest.value is None or retest.value is None:
        return TEXT["withheld"] if "c" in {cell.status for cell in group} else TEXT["not_shown"]
    return f"{number(pretest.value, 'deg')} to {number(retest.value, 'deg')}"


def _description(before_after: BeforeAfter) -> str:
    n_groups = len(before_after.groups)
    said = [
        f"{group_label(i, n_groups)}: {_words(group)}"
        for i, group in enumerate(before_after.groups)
    ]
    return (
        f"{capital(isolated(before_after.motion))}, mean pretest to mean retest, degrees. "
        + "; ".join(said)
        + "."
    )


def _drawing(before_after: BeforeAfter, width: int, words: Words) -> Markup:
    size, is_wide = TEXT_SIZE[width], width == WIDE
    groups = before_after.groups
    top, step = size * 2.0, size * (1.75 if is_wide else 2.7)
    bottom = top + step * len(groups) + size * 0.4
    heights = [top + step * i + (step / 2 if is_wide else size * 1.95) for i in range(len(groups))]
    drawn = [(y, group) for y, group in zip(heights, groups, strict=True) if _is_drawn(group)]
    values = [cell.value for _, group in drawn for cell in group[:2] if cell.value is not None]
    left, right = (250.0, 540.0) if is_wide else (20.0, 320.0)
    canvas = Canvas(width, round(bottom + size * 3.4), scale_for(values, left, right))
    canvas.axis([(top, bottom)] if is_wide else [(y - size * 0.6, y + size * 0.7) for y in heights])
    canvas.boxes(
        [y for y, g in zip(heights, groups, strict=True) if _words(g) == TEXT["withheld"]],
        size * 0.42,
    )
    pairs = [
        (g[0].value, g[1].value, y)
        for y, g in drawn
        if g[0].value is not None and g[1].value is not None
    ]
    canvas.lines([(pretest, retest, y, y) for pretest, retest, y in pairs], "main", 2.5)
    canvas.dots([(pretest, y) for pretest, _, y in pairs], is_open=True)
    canvas.dots([(retest, y) for _, retest, y in pairs])
    shift = 0.0 if is_wide else size * 1.15
    labels = [(y - shift, capital(group_label(i, len(groups)))) for i, y in enumerate(heights)]
    canvas.texts(labels, 0)
    canvas.texts(
        [(y - shift, _words(g)) for y, g in zip(heights, groups, strict=True)], width, align="right"
    )
    canvas.texts([(size * 0.9, TEXT["group_label"] if is_wide else "")], 0, bold=True)
    canvas.texts([(size * 0.9, f"{TEXT['before_after_head']}, °")], width, align="right", bold=True)
    canvas.texts([(bottom + size * 2.4, TEXT["axis_range"])], (left + right) / 2, align="center")
    return static_svg(canvas.layers, (canvas.width, canvas.height), words)
