"""The page as a whole: every number, nothing withheld, safe, reachable, the same bytes each time."""

import base64
import csv
import dataclasses
import hashlib
import io
import json
import os
import pathlib
import re
import subprocess
import sys
from decimal import ROUND_HALF_EVEN, Decimal
from itertools import pairwise

import pytest

from pipeline.cell import Cell
from pipeline.summary import cells_of
from reports.number import COUNT_UNITS
from reports.page import render_report

_NUMBER = re.compile(r"(?<![\w.])\u2212?\d+(?:\u202f\d{3})*(?:\.\d+)?")
_FIELDS = (
    "value",
    "low",
    "high",
    "simultaneous_low",
    "simultaneous_high",
    "p_value",
    "adjusted_p_value",
    "degrees_of_freedom",
    "sd",
    "n_patients",
    "n_pairs",
    "base",
)


def _written(value, decimals):
    exact = Decimal(repr(float(value))).quantize(Decimal(10) ** -decimals, rounding=ROUND_HALF_EVEN)
    text = f"{abs(exact):,f}" if abs(exact) >= 10000 else f"{abs(exact):f}"
    return ("\u2212" if exact < 0 else "") + text.replace(",", "\u202f")


def _allowed(results):
    """Every way in which a number of results.json may be written."""
    found = {
        "95",
        "0.001",
        _written(results["smallest_count"], 0),
        _written(len(results["clinics"]), 0),
    }
    for cell in results["cells"].values():
        for name in _FIELDS:
            if name in cell:
                found |= {_written(cell[name], d) for d in (0, 1, 2, 3)}
                if cell["unit"] == "share":
                    found |= {_written(Decimal(repr(cell[name])) * 100, 0)}
        if cell.get("base") and cell["unit"] != "share":
            found.add(_written(cell["value"] / cell["base"] * 100, 1))
    return found


def _drawn_numbers(page):
    """Numbers in tables, drawings, findings and the flow, without the labels of axes."""
    texts = [*page.numbers, *page.findings]
    for figure in page.figures:
        labels = [
            t
            for t, a in figure["texts"]
            if not (a.get("class") == "f-grey" and _NUMBER.fullmatch(t))
        ]
        texts += [figure["desc"], *labels]
    return [number for text in texts for number in _NUMBER.findall(text)]


def _changed(part):
    """The same report from other results: every number differs."""
    if isinstance(part, Cell):
        if part.unit in COUNT_UNITS:
            names, change = ("value", "n_patients", "n_pairs", "base"), lambda x: x * 3
        elif part.unit == "share":
            names, change = ("value", "low", "high"), lambda x: round(x * 0.83, 6)
        else:
            names, change = (
                ("value", "low", "high", "simultaneous_low", "simultaneous_high", "sd"),
                lambda x: round(x * 1.37, 6),
            )
        return dataclasses.replace(
            part, **{n: change(getattr(part, n)) for n in names if getattr(part, n) is not None}
        )
    if isinstance(part, tuple):
        return tuple(_changed(item) for item in part)
    if dataclasses.is_dataclass(part):
        return dataclasses.replace(
            part, **{f.name: _changed(getattr(part, f.name)) for f in dataclasses.fields(part)}
        )
    return part


@pytest.mark.parametrize("make", [lambda s: s, _changed], ids=["as given", "changed results"])
def test_every_number_drawn_is_in_the_results(summary, imprint, read_page, make):
    files = render_report(make(summary), imprint)
    allowed = _allowed(json.loads(files["data/results.json"]))
    drawn = _drawn_numbers(read_page(files["index.html"]))
    assert len(drawn) > 40
    assert [number for number in drawn if number not in allowed] == []


def test_every_value_of_the_results_is_on_the_page(files, read_page):
    page = read_page(files["index.html"])
    shown = set(_NUMBER.findall(page.text))
    for name, cell in json.loads(files["data/results.json"])["cells"].items():
        if "value" not in cell:
            continue
        value = Decimal(repr(cell["value"])) * (100 if cell["unit"] == "share" else 1)
        assert shown & {_written(value, d) for d in (0, 1, 2)}, name


def test_every_cell_stands_in_the_results_under_its_name(summary, files):
    cells = json.loads(files["data/results.json"])["cells"]
    for cell in cells_of(summary):
        if cell.status in {"", "u"}:
            assert cells[cell.name]["value"] == cell.value
            assert cells[cell.name].get("n_patients") == cell.n_patients
        else:
            assert set(cells[cell.name]) == {"label", "unit", "status", "note"}
    assert set(cells) == {cell.name for cell in cells_of(summary)}


def test_two_different_cells_of_one_name_are_refused(network, imprint):
    last = network.retests.reasons[-1]
    twice = dataclasses.replace(network.retests.reasons[0], name=last.name)
    changed = dataclasses.replace(
        network, retests=dataclasses.replace(network.retests, reasons=(twice, last))
    )
    with pytest.raises(ValueError, match=re.escape(last.name)):
        render_report(changed, imprint)


def test_nothing_withheld_is_anywhere(network, imprint, withheld_count):
    def hide(part):
        if isinstance(part, Cell) and part.status == "c":
            return dataclasses.replace(part, value=float(withheld_count), low=77.7711, high=77.7722, standard_error=77.7733,
                                       p_value=0.77774, sd=77.7755)  # fmt: skip
        if isinstance(part, tuple):
            return tuple(hide(item) for item in part)
        if dataclasses.is_dataclass(part):
            return dataclasses.replace(
                part, **{f.name: hide(getattr(part, f.name)) for f in dataclasses.fields(part)}
            )
        return part

    clean, hidden = render_report(network, imprint), render_report(hide(network), imprint)
    assert clean == hidden  # not even a coordinate or a scale depends on what is withheld
    for path, content in hidden.items():
        assert b"7777" not in content.replace(b"\xe2\x80\xaf", b""), path
        assert b"77.77" not in content, path


def test_withheld_cells_are_empty_in_files_with_the_marker_beside(network_files):
    rows = list(
        csv.DictReader(
            io.StringIO(network_files["data/technique_internal_rotation_means.csv"].decode())
        )
    )
    withheld = rows[-1]
    assert (withheld["group"], withheld["label"]) == ("Inferior glide", "Opposed")
    assert [
        withheld[k] for k in ("patients", "patients_status", "mean", "mean_low", "mean_status")
    ] == ["", "c", "", "", "c"]
    assert rows[-2]["mean_status"] == "n"
    assert (rows[0]["mean"], rows[0]["mean_low"], rows[0]["mean_status"]) == ("4.6", "3.7", "")


def test_every_row_of_a_file_has_the_fields_of_its_header(files):
    for path, content in files.items():
        if path.endswith(".csv"):
            header, *rows = csv.reader(io.StringIO(content.decode()))
            assert len(set(header)) == len(header), path
            assert rows, path
            assert {len(row) for row in rows} == {len(header)}, path


def test_markers_are_explained_under_their_table(network_files, read_page):
    said = read_page(network_files["index.html"]).sentences
    assert (
        "[c] withheld for confidentiality: fewer than 11 patients, or could be derived from a total."
        in said
    )
    assert "[n] not estimable: the level never occurs in two clinics." in said


def test_a_flow_that_does_not_add_up_is_refused(network, imprint):
    first = network.flow[0]
    wrong = dataclasses.replace(first, losses=(dataclasses.replace(first.losses[0], value=610.0),))
    with pytest.raises(ValueError, match="does not add up"):
        render_report(dataclasses.replace(network, flow=(wrong, *network.flow[1:])), imprint)


def test_flow_shown_adds_up(network_files):
    rows = list(csv.DictReader(io.StringIO(network_files["data/flow.csv"].decode())))
    losses = [
        int(r["count"]) for r in rows if r["group"] == "Lost after: Readings of range received"
    ]
    boxes = [
        int(r["count"])
        for r in rows
        if r["unit"] == "readings" and not r["group"].startswith("Lost")
    ]
    assert boxes[0] - sum(losses) == boxes[1]


def test_the_flow_says_where_its_unit_changes(network_files, read_page):
    said = read_page(network_files["index.html"]).sentences
    assert [s for s in said if s.startswith("From here on")] == ["From here on counted in pairs."]


HOSTILE = (
    "</script><script>alert(1)</script>",
    "=1+1",
    "\u202eabc\u200f",
    "<b onclick=x>&amp;",
    "@SUM(A1)",
)


def test_text_from_the_records_is_never_markup_nor_a_formula(network, imprint, read_page):
    levels = tuple(
        dataclasses.replace(level, label=label, group=label)
        for level, label in zip(network.comparisons[0].cells, HOSTILE * 3, strict=False)
    )
    main = dataclasses.replace(
        network.comparisons[0], cells=levels, motion=HOSTILE[0], definitions=HOSTILE[:1],
        primary=dataclasses.replace(network.comparisons[0].primary, first=HOSTILE[0], second=HOSTILE[2]),
    )  # fmt: skip
    rows = tuple(
        dataclasses.replace(row, label=label)
        for row, label in zip(network.retests.rows, HOSTILE, strict=False)
    )
    changed = dataclasses.replace(
        network, title=HOSTILE[0], population=HOSTILE[3], period=HOSTILE[2], comparisons=(main,),
        retests=dataclasses.replace(network.retests, rows=rows),
    )  # fmt: skip
    files = render_report(
        changed, dataclasses.replace(imprint, command=HOSTILE[0], network=HOSTILE[3])
    )
    page = read_page(files["index.html"])  # its own check: tags are balanced
    assert "script" not in {tag for tag, _ in page.tags}
    assert not any(
        key.startswith("on") or key == "style" for _, attributes in page.tags for key in attributes
    )
    assert HOSTILE[0] in page.text
    labels = [
        row["label"] for row in csv.DictReader(io.StringIO(files["data/retests.csv"].decode()))
    ]
    assert labels[:2] == [HOSTILE[0], "'=1+1"]
    assert labels[4] == "'@SUM(A1)"
    assert json.loads(files["data/results.json"])["identifier"] == imprint.identifier


def test_the_policy_allows_the_one_style_and_nothing_else(files):
    page = files["index.html"].decode()
    style = re.findall(r"<style>(.*?)</style>", page, re.DOTALL)
    assert len(style) == 1
    digest = base64.b64encode(hashlib.sha256(style[0].encode()).digest()).decode()
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1]
    assert policy == (
        f"default-src 'none'; style-src 'sha256-{digest}'; script-src 'none'; img-src data:; base-uri 'none'; form-action 'none'"
    )


def test_the_page_needs_no_other_file(files, read_page):
    page = read_page(files["index.html"])
    sources = [
        a[k] for tag, a in page.tags for k in ("src", "href", "xlink:href") if k in a and tag != "a"
    ]
    assert sources == ["data:,"]
    assert "@import" not in files["index.html"].decode()
    assert "url(" not in files["index.html"].decode()
    links = {a["href"] for tag, a in page.tags if tag == "a"}
    assert {link for link in links if not link.startswith("#")} == set(files) - {"index.html"}
    assert {link[1:] for link in links if link.startswith("#")} <= set(page.ids)
    assert len(files["index.html"]) < 300_000  # the limit is 500 kB


def test_structure_of_the_page(files, read_page, imprint):
    page = read_page(files["index.html"])
    tags = [tag for tag, _ in page.tags]
    assert len(page.ids) == len(set(page.ids))
    assert (
        tags.count("h1") == tags.count("main") == tags.count("header") == tags.count("footer") == 1
    )
    levels = [int(tag[1]) for tag in tags if re.fullmatch(r"h[1-6]", tag)]
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert dict(page.tags[0][1]) == {"lang": "en"}
    assert (
        imprint.identifier in re.search(rb"<title>(.*?)</title>", files["index.html"])[1].decode()
    )
    first_link = next(a for tag, a in page.tags if tag == "a")
    assert (first_link["class"], first_link["href"]) == ("skip", "#findings")
    assert all("scope" in a for tag, a in page.tags if tag == "th")
    assert len(page.findings) == 3


def test_sections_keep_their_order_and_stay_when_empty(files, read_page):
    sections = [a["id"] for tag, a in read_page(files["index.html"]).tags if tag == "section"]
    assert sections == [
        "findings",
        "main",
        "further",
        "flow",
        "patients",
        "before-after",
        "retests",
        "limits",
        "cautions",
        "cite",
    ]


def test_invented_records_are_named_so(network_files, imprint, single_clinic, read_page):
    assert "Invented records." in read_page(network_files["index.html"]).text
    assert (
        "Invented records."
        not in read_page(render_report(single_clinic, imprint)["index.html"]).text
    )


def test_every_drawing_is_named_and_has_a_table_under_it(files, read_page):
    page = read_page(files["index.html"])
    assert page.figures
    for figure in page.figures:
        attributes = figure["attributes"]
        assert attributes["role"] == "img"
        assert attributes["aria-labelledby"] in page.ids
        assert attributes["aria-describedby"] in page.ids
        assert figure["title"]
        assert _NUMBER.search(figure["desc"])
    assert len(page.figures) == 2 * [tag for tag, _ in page.tags].count("figure")
    body = files["index.html"].decode()
    for after in body.split("</figure>")[1:]:
        assert re.match(r"\s*<details>\s*<summary>The same numbers as a table", after)


def test_no_mark_carries_a_name_or_an_exact_value(files):
    drawings = re.findall(r"<svg.*?</svg>", files["index.html"].decode(), re.DOTALL)
    for drawing in drawings:
        assert drawing.count("aria-") == 2
        assert "style=" not in drawing
        coordinates = re.findall(r' (?:d|transform|x|y|x2|y2)="([^"]*)"', drawing)
        assert not [c for c in coordinates if re.search(r"\.\d{3}", c)]
        assert min(float(size) for size in re.findall(r'font-size="([\d.]+)', drawing)) >= 13


def test_bold_marks_differences_above_a_tenth(network_files):
    body = network_files["index.html"].decode()
    table = body[
        body.index('id="table-table-one"') : body.index(
            "Data file", body.index('id="table-table-one"')
        )
    ]
    assert set(re.findall(r"<b>([^<]*)</b>", table)) == {"0.19", "\u22120.13", "0.32"}


def test_the_single_clinic_says_what_is_missing(single_clinic, imprint, read_page):
    said = read_page(render_report(single_clinic, imprint)["index.html"]).sentences
    assert "The plan asks for no further comparison." in said
    assert "There are too few pairs to show range before and after by starting range." in said


_PRINT_DIGEST = """
import hashlib, json, sys
sys.path.insert(0, sys.argv[1])
import conftest
from reports.page import render_report
files = render_report(conftest.build_network(), conftest.build_imprint())
print(json.dumps({path: hashlib.sha256(content).hexdigest() for path, content in files.items()}))
"""


def test_same_bytes_in_processes_of_other_hash_seed_zone_and_locale(network_files):
    here = pathlib.Path(__file__).parent
    expected = {
        path: hashlib.sha256(content).hexdigest() for path, content in network_files.items()
    }
    for seed, zone, locale in (("1", "Asia/Tokyo", "C"), ("4242", "America/Lima", "C.UTF-8")):
        environment = {
            **os.environ,
            "PYTHONHASHSEED": seed,
            "TZ": zone,
            "LC_ALL": locale,
            "PYTHONPATH": str(here.parents[1]),
        }
        command = [sys.executable, "-c", _PRINT_DIGEST, str(here)]
        output = subprocess.run(
            command, env=environment, capture_output=True, text=True, check=True
        ).stdout
        assert json.loads(output) == expected
