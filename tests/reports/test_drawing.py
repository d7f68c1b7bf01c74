"""Drawings: scale, places of marks, colours that can be seen.

Contrast follows WCAG 2.2 (relative luminance and contrast ratio, formulas from memory): 4.5 for
text, 3 for marks that carry data.
"""

import re
from importlib.resources import files

import pytest

from reports.figure.canvas import scale_for
from reports.figure.drawing import COLOURS
from reports.figure.interval import interval_figure


def test_a_scale_has_round_ends_that_hold_all_values():
    scale = scale_for([-1.3, 8.3], 0.0, 100.0)
    assert (scale.low, scale.high, scale.ticks) == (
        -2.0,
        10.0,
        (-2.0, 0.0, 2.0, 4.0, 6.0, 8.0, 10.0),
    )
    assert scale.place(4.0) == 50.0


def test_marks_lie_where_their_values_say(network):
    figure = interval_figure(network.comparisons[2])
    places = [
        float(x) for x in re.findall(r'transform="translate\(([\d.]+),[\d.]+\)" d="M', figure.wide)
    ]
    # axis from 0 to 10 degrees between 250 and 540 units: 4.6 and 3.8 degrees
    assert places == [pytest.approx(250 + 29 * 4.6), pytest.approx(250 + 29 * 3.8)]


def test_a_withheld_row_is_a_box_over_the_whole_axis(network):
    figure = interval_figure(network.comparisons[0])
    boxes = [tag for tag in re.findall(r"<path[^>]*>", figure.wide) if "stroke-dasharray" in tag]
    assert len(boxes) == 1
    assert re.search(r"h290v", boxes[0])  # 540 - 250
    assert figure.wide.count(">withheld<") == 1
    assert figure.wide.count(">not estimable<") == 1


def test_no_figure_where_every_mean_is_withheld(network):
    assert interval_figure(network.comparisons[4]) is None


def _luminance(colour):
    digits = colour.lstrip("#")
    digits = "".join(c * 2 for c in digits) if len(digits) == 3 else digits
    parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(first, second):
    high, low = sorted((_luminance(first), _luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_in_both_themes():
    style = files("reports").joinpath("templates", "style.css").read_text(encoding="utf-8")
    themes = [
        dict(re.findall(r"--(\w+):(#[0-9a-f]+)", rule))
        for rule in re.findall(r":root\{[^}]*#[^}]*\}", style)
    ]
    assert len(themes) == 3  # light, dark, print
    for theme in themes:
        for text in ("main", "text", "grey", "rust"):
            assert _contrast(theme[text], theme["paper"]) >= 4.5, (text, theme)
    assert {name: themes[0][name] for name in ("main", "text", "grey", "grid")} == {
        name: COLOURS[name] for name in ("main", "text", "grey", "grid")
    }
