"""The drawing: a chart specification as static, accessible SVG for a page.

The renderer's output is trimmed to what shows; each mark keeps its literal colour and gets a class
beside it, by which the page's style gives the dark theme. Marks have no names of their own, since
those would be one more copy of every number.
"""

import re
from dataclasses import dataclass
from xml.etree import ElementTree as ET

import altair as alt
import vl_convert
from markupsafe import Markup

COLOURS = {
    "main": "#005a9c",
    "text": "#1b1f24",
    "grey": "#57606a",
    "grid": "#d0d7de",
    "paper": "#ffffff",
}
"""Meaning of a mark to its literal colour in the light theme."""

WIDE, NARROW = 720, 340
"""Widths of the two drawings of a figure, in units of the drawing."""

TEXT_SIZE = {WIDE: 15.5, NARROW: 13}
"""So that text is at least 11 px where the drawing is shown smallest (512 and 288 px)."""

CHARACTER_WIDTH = 0.56
"""Mean width of a character of a sans font, as a share of its size; from memory."""

_SVG = "http://www.w3.org/2000/svg"
_CLASS_OF = {colour: name for name, colour in COLOURS.items()}
_DROPPED = {
    "class",
    "role",
    "pointer-events",
    "font-family",
    "opacity",
    "stroke-miterlimit",
    "version",
}
_NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?|-?\d+e-\d+")
_COORDINATES = ("d", "transform", "x", "y", "x1", "x2", "y1", "y2", "width", "height", "points")


@dataclass(frozen=True)
class Figure:
    """One figure in both drawings.

    Attributes
    ----------
    name : str
        Name, unique in the report.
    title : str
        Its heading.
    caption : str
        What it shows, how, and from what.
    wide, narrow : markupsafe.Markup
        The two drawings.
    """

    name: str
    title: str
    caption: str
    wide: Markup
    narrow: Markup


@dataclass(frozen=True)
class Words:
    """What a drawing says to those who can't see it.

    Attributes
    ----------
    name : str
        Prefix of its ids, unique on the page.
    title : str
        Its title.
    description : str
        Its main numbers.
    """

    name: str
    title: str
    description: str


def static_svg(layers: list[alt.Chart], size: tuple[int, int], words: Words) -> Markup:
    """Render layers of one drawing.

    Parameters
    ----------
    layers : list of altair.Chart
        Layers that share their scales, the lowest first.
    size : (int, int)
        Width and height in units of the drawing.
    words : Words
        Title, description and name.

    Returns
    -------
    markupsafe.Markup
        SVG with role, title, description and unique ids, without any script, style or link.
    """
    chart = (
        alt.layer(*layers)
        .properties(
            width=size[0],
            height=size[1],
            autosize=alt.AutoSizeParams(type="none"),
            padding=0,
            background="transparent",
        )
        .configure_view(stroke=None)
    )
    drawn = vl_convert.vegalite_to_svg(chart.to_dict(), show_warnings=False, allowed_base_urls=[])
    root = ET.fromstring(drawn)  # noqa: S314 - our own renderer's output
    _trim(root)
    return Markup(_named(root, size, words))  # noqa: S704 - escaped by the XML writer


def text_width(text: str, size: float) -> float:
    """Estimate the width of a text.

    Parameters
    ----------
    text : str
        The text.
    size : float
        Font size in units of the drawing.

    Returns
    -------
    float
        In units of the drawing.
    """
    return len(text) * size * CHARACTER_WIDTH


def _trim(element: ET.Element) -> None:
    """Drop what doesn't show, and give each coloured mark its class."""
    for child in list(element):
        _trim(child)
        if _is_empty(child):
            element.remove(child)
    classes = []
    for key in list(element.attrib):
        value = element.attrib[key]
        if key in _DROPPED or key.startswith("aria-"):
            del element.attrib[key]
        elif key in {"fill", "stroke"} and value in _CLASS_OF:
            classes.append(f"{key[0]}-{_CLASS_OF[value]}")
        elif key in _COORDINATES:
            element.attrib[key] = _NUMBER.sub(_two_decimals, value)
    if classes:
        element.set("class", " ".join(sorted(classes)))


def _is_empty(element: ET.Element) -> bool:
    tag = element.tag.removeprefix(f"{{{_SVG}}}")
    if element.get("display") == "none" or element.get("d") == "":
        return True
    if tag == "path" and element.get("fill") is None and element.get("stroke") is None:
        return True
    return tag == "g" and len(element) == 0


def _two_decimals(match: re.Match[str]) -> str:
    written = f"{float(match[0]):.2f}".rstrip("0").rstrip(".")
    return "0" if written == "-0" else written


def _named(root: ET.Element, size: tuple[int, int], words: Words) -> str:
    title_id, description_id = f"{words.name}-title", f"{words.name}-desc"
    root.attrib.clear()
    root.attrib.update(
        {
            "viewBox": f"0 0 {size[0]} {size[1]}",
            "width": str(size[0]),
            "height": str(size[1]),
            "role": "img",
            "aria-labelledby": title_id,
            "aria-describedby": description_id,
            "font-family": "sans-serif",
            "fill": "none",
        }
    )
    title = ET.Element(f"{{{_SVG}}}title", {"id": title_id})
    title.text = words.title
    description = ET.Element(f"{{{_SVG}}}desc", {"id": description_id})
    description.text = words.description
    root[:0] = [title, description]
    ET.register_namespace("", _SVG)
    return ET.tostring(root, encoding="unicode")
