"""The canvas: layers of marks on one shared pair of scales, vertical positions in drawing units."""

import math
from dataclasses import dataclass, field
from typing import Any, Literal

import altair as alt

from reports.figure.drawing import COLOURS, TEXT_SIZE
from reports.number import fixed

_STEPS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
_MOST_TICKS = 8


@dataclass(frozen=True)
class Scale:
    """Horizontal scale of a drawing.

    Attributes
    ----------
    low, high : float
        Ends of the axis, in the outcome's unit.
    left, right : float
        Where they lie, in units of the drawing.
    ticks : tuple of float
        Values with a grid line and a label.
    """

    low: float
    high: float
    left: float
    right: float
    ticks: tuple[float, ...]

    def place(self, value: float) -> float:
        """Place a value.

        Parameters
        ----------
        value : float
            In the outcome's unit.

        Returns
        -------
        float
            Where it lies, in units of the drawing.
        """
        return self.left + (value - self.low) / (self.high - self.low) * (self.right - self.left)


def scale_for(values: list[float], left: float, right: float) -> Scale:
    """Choose a scale with round ends that holds all values.

    Parameters
    ----------
    values : list of float
        What has to fit, in the outcome's unit; may be empty.
    left, right : float
        Where the axis ends lie.

    Returns
    -------
    Scale
        With at most eight steps.
    """
    low, high = min(values, default=0.0), max(values, default=1.0)
    if high <= low:
        high = low + 1.0
    step = next(
        (s for s in _STEPS if (high - low) / s <= _MOST_TICKS - 1), (high - low) / _MOST_TICKS
    )
    first, last = math.floor(low / step), math.ceil(high / step)
    ticks = tuple(round(i * step, 6) for i in range(first, last + 1))
    return Scale(ticks[0], ticks[-1], left, right, ticks)


@dataclass
class Canvas:
    """Marks of one drawing, kept by layer.

    Attributes
    ----------
    width, height : int
        Size in units of the drawing.
    scale : Scale
        Horizontal scale.
    layers : list of altair.Chart
        Layers drawn so far.
    """

    width: int
    height: int
    scale: Scale
    layers: list[alt.Chart] = field(default_factory=list)

    def lines(
        self,
        marks: list[tuple[float, float, float, float]],
        colour: str,
        width: float,
        *,
        dash: bool = False,
    ) -> None:
        """Draw straight lines.

        Parameters
        ----------
        marks : list of (float, float, float, float)
            Start and end value, start and end height.
        colour : str
            Meaning of the colour.
        width : float
            Line width.
        dash : bool
            True for a dashed line.
        """
        rows = [dict(zip(("x", "x2", "y", "y2"), mark, strict=True)) for mark in marks]
        style: dict[str, Any] = {"color": COLOURS[colour], "strokeWidth": width}
        if dash:
            style["strokeDash"] = [5, 4]
        self._add(rows, alt.MarkDef(type="rule", **style), x2="x2", y2="y2")

    def dots(self, marks: list[tuple[float, float]], *, is_open: bool = False) -> None:
        """Draw round marks.

        Parameters
        ----------
        marks : list of (float, float)
            Value and height.
        is_open : bool
            True for a grey ring instead of a filled dot.
        """
        rows = [{"x": x, "y": y} for x, y in marks]
        paint: dict[str, Any] = (
            {"fill": COLOURS["paper"], "stroke": COLOURS["grey"]}
            if is_open
            else {"fill": COLOURS["main"], "stroke": None}
        )
        self._add(
            rows,
            alt.MarkDef(type="point", shape="circle", size=95, strokeWidth=2, opacity=1, **paint),
        )

    def boxes(self, heights: list[float], half: float) -> None:
        """Draw a dashed box over the whole axis, which says nothing of any value.

        Parameters
        ----------
        heights : list of float
            Middle of each box.
        half : float
            Half the height of a box.
        """
        rows = [
            {"x": self.scale.low, "x2": self.scale.high, "y": y - half, "y2": y + half}
            for y in heights
        ]
        mark = alt.MarkDef(
            type="rect",
            fill=None,
            fillOpacity=0,
            stroke=COLOURS["grey"],
            strokeWidth=1,
            strokeDash=[3, 3],
            opacity=1,
        )
        self._add(rows, mark, x2="x2", y2="y2")

    def texts(
        self,
        marks: list[tuple[float, str]],
        place: float,
        *,
        align: Literal["left", "center", "right"] = "left",
        bold: bool = False,
        grey: bool = False,
    ) -> None:
        """Write texts one below another.

        Parameters
        ----------
        marks : list of (float, str)
            Height of the middle, and text; a line break starts a new line.
        place : float
            Horizontal place in units of the drawing.
        align : str
            Side of the text that lies there.
        bold : bool
            True for bold text.
        grey : bool
            True for grey text.
        """
        size = TEXT_SIZE[self.width]
        rows = [
            {"y": y - text.count("\n") * size * 0.6, "text": text.split("\n")}
            for y, text in marks
            if text
        ]
        mark = alt.MarkDef(
            type="text", align=align, baseline="middle", fontSize=size, lineHeight=size * 1.2, limit=0,
            fontWeight="bold" if bold else "normal", color=COLOURS["grey" if grey else "text"],
        )  # fmt: skip
        if rows:
            chart = (
                alt.Chart(alt.InlineData(values=rows))
                .mark_text()
                .encode(x=alt.value(place), y=self._height(), text="text:N")
            )
            chart.mark = mark
            self.layers.append(chart)

    def axis(self, bands: list[tuple[float, float]]) -> None:
        """Draw grid lines, the zero line, and the labels under them.

        Parameters
        ----------
        bands : list of (float, float)
            Heights between which the lines run, from the top; they pause between bands, where
            text stands.
        """
        bottom = bands[-1][1]
        unit_decimals = 0 if all(tick.is_integer() for tick in self.scale.ticks) else 1
        self.lines([(t, t, *band) for t in self.scale.ticks for band in bands], "grid", 1)
        if 0 in self.scale.ticks:
            self.lines([(0, 0, *band) for band in bands], "grey", 1.5)
        for tick in self.scale.ticks:
            self.texts(
                [(bottom + TEXT_SIZE[self.width], fixed(tick, unit_decimals))],
                self.scale.place(tick),
                align="center",
                grey=True,
            )

    def _height(self) -> alt.Y:
        return alt.Y(
            "y:Q",
            axis=None,
            scale=alt.Scale(
                domain=[0, self.height], range=[0, self.height], nice=False, zero=False
            ),
        )

    def _add(self, rows: list[dict[str, float]], mark: alt.MarkDef, **ends: str) -> None:
        if not rows:
            return
        span = alt.Scale(
            domain=[self.scale.low, self.scale.high],
            range=[self.scale.left, self.scale.right],
            nice=False,
            zero=False,
        )
        chart = (
            alt.Chart(alt.InlineData(values=rows))
            .mark_rule()
            .encode(x=alt.X("x:Q", axis=None, scale=span), y=self._height(), **ends)
        )
        chart.mark = mark
        self.layers.append(chart)
