"""Two invented reports, built by hand: a network of clinics, and one clinic like a trial."""

import dataclasses
from html.parser import HTMLParser

import pytest

from pipeline.cell import Cell
from pipeline.imprint import Imprint
from pipeline.summary import (
    BeforeAfter,
    Characteristic,
    Comparison,
    ContrastResult,
    FlowStep,
    Level,
    RetestRow,
    Retests,
    Summary,
    TableOne,
    Verdict,
)

WITHHELD_COUNT = 7777
"""Stands in withheld cells, and may stand nowhere in what is published."""

TECHNIQUES = ("lateral distraction", "long-axis distraction", "inferior glide")
BIASES = ("neutral", "congruent, held", "congruent, combined", "opposed")


def _withheld(name, label, unit):
    return Cell(
        name,
        label,
        unit,
        None,
        WITHHELD_COUNT,
        n_pairs=WITHHELD_COUNT,
        base=WITHHELD_COUNT,
        status="c",
    )


def _count(name, label, unit, value, base=None):
    return Cell(name, label, unit, float(value), int(value), base=base)


def _mean(name, label, unit, value, half, n):
    return Cell(
        name, label, unit, value, n, low=round(value - half, 6), high=round(value + half, 6),
        standard_error=round(half / 1.96, 6), degrees_of_freedom=181.25, n_pairs=n + 31,
    )  # fmt: skip


def _contrast(name, first, second, value, half, word, *, family=True, unit="deg"):
    cell = dataclasses.replace(
        _mean(name, f"{first} - {second}", unit, value, half, 613), p_value=0.012345
    )
    if family:
        cell = dataclasses.replace(
            cell, adjusted_p_value=0.0246913, simultaneous_low=round(value - 1.4 * half, 6),
            simultaneous_high=round(value + 1.4 * half, 6),
        )  # fmt: skip
    return ContrastResult(first, second, cell, Verdict(word, is_simultaneous=family))


def _pretest(name, first, second, value, word="larger", unit="deg"):
    labels = (
        "unadjusted",
        "adjusted for the pretest",
        "adjusted for the pretest corrected for measurement error",
    )
    results = []
    for place, label in enumerate(labels):
        result = _contrast(
            f"{name}.pretest.{place}",
            first,
            second,
            value + 0.111 * place,
            0.97,
            word,
            family=False,
            unit=unit,
        )
        results.append(
            dataclasses.replace(result, cell=dataclasses.replace(result.cell, label=label))
        )
    return tuple(results)


def _fit(name, pairs, patients, clinics):
    return (
        _count(f"{name}.fit.pairs", "pairs", "pairs", pairs),
        _count(f"{name}.fit.patients", "patients", "patients", patients),
        _count(f"{name}.fit.clinics", "clinics", "clinics", clinics),
        Cell(f"{name}.fit.criterion", "REML criterion", "", 4387.123456, None),
    )


def _technique(name="technique.internal_rotation"):
    levels = tuple(
        Level(
            "",
            label,
            _mean(f"{name}.level.{i}", label, "deg", 5.1 - 0.83 * i, 0.71 + 0.1 * i, 402 - 61 * i),
        )
        for i, label in enumerate(TECHNIQUES)
    )
    cells = []
    for i, technique in enumerate(TECHNIQUES):
        for j, bias in enumerate(BIASES):
            cell_name, words = f"{name}.cell.{i}.{j}", f"{technique}, {bias}"
            value = 4.6 - 0.9 * i + (0, 0.8, 1.3, -2.2)[j]
            cell = _mean(cell_name, words, "deg", value, 0.9 + 0.13 * j, 131 - 17 * i - 9 * j)
            if (i, j) == (2, 3):
                cell = _withheld(cell_name, words, "deg")
            if (i, j) == (2, 2):
                cell = Cell(
                    cell_name,
                    words,
                    "deg",
                    None,
                    40,
                    status="n",
                    note="the level never occurs in two clinics",
                )
            cells.append(Level(technique, bias, cell))
    lateral, long_axis, glide = TECHNIQUES
    return Comparison(
        name=name, question="technique", motion="internal rotation", outcome="gain", pair_kind="within_visit",
        definitions=("internal rotation, supine at 90° of hip flexion, passive",), instruments=("digital inclinometer",),
        levels=levels, cells=tuple(cells),
        primary=_contrast(f"{name}.primary", lateral, long_axis, 1.83, 0.955, "larger", family=False),
        family=(
            _contrast(f"{name}.family.0", lateral, glide, 1.66, 0.7, "larger"),
            _contrast(f"{name}.family.1", long_axis, glide, -0.23, 0.91, "unsure"),
            ContrastResult(
                lateral, "posterior glide", _withheld(f"{name}.family.2", "withheld contrast", "deg"),
                Verdict("none", is_simultaneous=True),
            ),
        ),
        pretest=_pretest(name, lateral, long_axis, 1.71), primary_pretest="adjusted", pretest_agrees=True,
        adjusted_for=("pretest", "condition", "pretest end feel", "age"), dropped=("activity: one level only",),
        variances=(
            Cell(f"{name}.sd.patient", "between patients", "deg", 2.345678, 1002, low=2.01, high=2.71),
            Cell(f"{name}.sd.clinic", "between clinics", "deg", 0.0, 1002, note="estimated at zero"),
        ),
        varying=("patient", "clinic"),
        cautious=Cell(
            f"{name}.primary.cautious", f"{lateral} − {long_axis}", "deg", 1.83, 360, low=0.60234, high=3.05766,
            standard_error=0.47757, degrees_of_freedom=5.0, note="clinics, less the terms that differ only between clinics",
        ),
        fit=_fit(name, 12043, 1002, 6),
        not_modelled=(
            _count(f"{name}.lost.several", "several techniques between the two tests", "pairs", 318),
            _withheld(f"{name}.lost.thrust", "a thrust", "pairs"),
        ),
        minimal_detectable_change=Cell(f"{name}.mdc", "smallest detectable change", "deg", 8.3163, None, note="invented source"),
        smallest_worthwhile=Cell(f"{name}.worthwhile", "smallest worthwhile difference", "deg", 2.0, None, note="set by the network"),
    )  # fmt: skip


def _bias():
    name = "bias.internal_rotation"
    levels = tuple(
        Level(
            "", label, _mean(f"{name}.level.{i}", label, "deg", 2.05 + 0.4 * i, 0.62, 288 - 20 * i)
        )
        for i, label in enumerate(BIASES)
    )
    return dataclasses.replace(
        _technique(name), question="bias", pair_kind="stepwise", levels=levels, cells=(),
        primary=_contrast(f"{name}.primary", "congruent, combined", "neutral", 0.34, 0.88, "unsure", family=False),
        family=(_contrast(f"{name}.family.0", "congruent, combined", "congruent, held", 0.1, 0.8, "alike"),),
        pretest=_pretest(name, "congruent, combined", "neutral", 0.31, "unsure"), pretest_agrees=False,
    )  # fmt: skip


def _grade(outcome):
    name = f"grade.internal_rotation.{outcome}"
    unit, shift = ("deg", 4.0) if outcome == "gain" else ("points", -1.9)
    first, second = "grades aimed at range", "grades aimed at pain"
    levels = (
        Level("", first, _mean(f"{name}.level.0", first, unit, shift + 0.6, 0.42, 377)),
        Level("", second, _mean(f"{name}.level.1", second, unit, shift - 0.2, 0.47, 352)),
    )
    pain = outcome == "pain"
    return dataclasses.replace(
        _technique(name), question="grade", outcome=outcome, levels=levels, cells=(), family=(),
        primary=_contrast(f"{name}.primary", first, second, -0.8 if pain else 0.7, 0.31, "smaller" if pain else "larger", family=False, unit=unit),
        pretest=_pretest(name, first, second, -0.9 if pain else 0.77, "smaller" if pain else "larger", unit),
        minimal_detectable_change=None if pain else _technique(name).minimal_detectable_change,
        smallest_worthwhile=None if pain else _technique(name).smallest_worthwhile,
    )  # fmt: skip


def _failed():
    name = "technique.flexion"
    return dataclasses.replace(
        _technique(name), motion="flexion", levels=(), cells=(), primary=None, family=(), pretest=(), adjusted_for=(),
        dropped=(), variances=(), fit=(), minimal_detectable_change=None, smallest_worthwhile=None,
        varying=(), cautious=None, problem="fewer than two techniques have pairs of flexion.",
    )  # fmt: skip


def _flow():
    return (
        FlowStep(
            "Readings of range received",
            (_count("flow.received", "readings", "readings", 31422),),
            (_count("flow.received.bad", "quarantined", "readings", 611),),
        ),
        FlowStep(
            "Readings in use",
            (
                _count("flow.in_use", "readings", "readings", 30811),
                _count("flow.in_use.p", "patients", "patients", 1204),
            ),
            (),
        ),
        FlowStep(
            "Matched pairs",
            (
                _count("flow.pairs", "pairs", "pairs", 12361),
                _count("flow.pairs.p", "patients", "patients", 1033),
            ),
            (
                _count(
                    "flow.pairs.several", "several techniques between the two tests", "pairs", 318
                ),
            ),
        ),
        FlowStep(
            "In the main comparison",
            (
                _count("flow.end", "pairs", "pairs", 12043),
                _count("flow.end.p", "patients", "patients", 1002),
            ),
            (),
        ),
    )


def _table_one(first, second):
    def row(heading, label, kind, cells, difference, key):
        cell = Cell(f"table_one.{key}.smd", "standardised difference", "", difference, 700)
        if difference is None:
            cell = Cell(
                f"table_one.{key}.smd", "standardised difference", "", None, None, status="z"
            )
        return Characteristic(heading, label, kind, cells, cell)

    def pair(key, unit, values, **more):
        return tuple(
            Cell(f"table_one.{key}.{i}", key, unit, v, 341, **more) for i, v in enumerate(values)
        )

    withheld = tuple(_withheld(f"table_one.other.{i}", "other", "patients") for i in (0, 1))
    return TableOne(
        (first, second),
        (
            row("Patients", "Patients", "count", pair("patients", "patients", (402.0, 341.0)), None, "patients"),
            row("Age", "Age", "mean", pair("age", "years", (46.25, 48.75), sd=12.84), 0.19, "age"),
            row("Condition", "capsular stiffness", "share", pair("capsular", "patients", (149.0, 131.0), base=402), 0.07, "capsular"),
            row("Condition", "osteoarthritis", "share", pair("oa", "patients", (121.0, 87.0), base=402), -0.134, "oa"),
            dataclasses.replace(
                row("Condition", "other", "share", withheld, None, "other"),
                standardised_difference=_withheld("table_one.other.smd", "standardised difference", ""),
            ),
            row("Pretest", "Pretest", "mean", pair("pretest", "deg", (23.14, 25.2), sd=6.43), 0.32, "pretest"),
        ),
        "Each patient at the first pair of a column.",
    )  # fmt: skip


def _retests(n_clinics):
    def row(letter, label, treated, full, partial):
        key = f"retests.{letter}"
        none = treated - full - partial
        share = Cell(
            f"{key}.share",
            "share",
            "share",
            round(full / treated, 6),
            treated // 3,
            low=0.7012,
            high=0.8034,
            base=treated,
        )
        counts = [
            _count(f"{key}.{n}", n, "sides", v)
            for n, v in (("treated", treated), ("full", full), ("partial", partial), ("none", none))
        ]
        return RetestRow(label, *counts, share)

    rows = [
        row(letter, f"Clinic {letter}", 640 + 53 * i, 490 + 31 * i, 70 + 3 * i)
        for i, letter in enumerate("ABCDEF"[:n_clinics])
    ]
    if n_clinics > 2:
        parts = [
            _withheld(f"retests.small.{n}", n, "sides")
            for n in ("treated", "full", "partial", "none")
        ]
        rows.append(
            RetestRow("Clinic G", *parts, _withheld("retests.small.share", "share", "share"))
        )
    rows.append(row("all", "All clinics", 4901, 3737, 501))
    reasons = (
        _count("retests.reason.none", "no retest", "sides", 388),
        _withheld("retests.reason.side", "other side retested", "sides"),
    )
    return Retests(tuple(rows), reasons)


def _before_after(motion):
    groups = []
    for i in range(5):
        values = (12.3 + 5.1 * i, 19.6 + 4.2 * i, 7.3 - 0.9 * i)
        labels = ("pretest", "retest", "gain")
        groups.append(
            tuple(
                Cell(f"before_after.{i}.{n}", n, "deg", round(v, 6), 201 + i, n_pairs=240 + i)
                for n, v in zip(labels, values, strict=True)
            )
        )
    return BeforeAfter(motion, tuple(groups))


def build_network():
    return Summary(
        report="network", title="Hip range gains by technique and rotation bias", population="Adults treated in an invented network of practices",
        invented=True, date="2025-03-31", period="January 2023 to December 2024", clinics=tuple("ABCDEF"), smallest_count=11,
        comparisons=(_technique(), _bias(), _grade("gain"), _grade("pain"), _failed()), flow=_flow(),
        table_one=_table_one(*TECHNIQUES[:2]), before_after=_before_after("internal rotation"), retests=_retests(6),
        limits=("not_assigned", "few_clinics", "retests_missing"),
    )  # fmt: skip


def build_single_clinic():
    name, first, second = "technique.extension", "soft-tissue stretch", "usual care"
    main = dataclasses.replace(
        _technique(name), motion="extension", pair_kind="course", cells=(), family=(),
        levels=(
            Level("", first, _mean(f"{name}.level.0", first, "deg", 3.62, 1.51, 24)),
            Level("", second, _mean(f"{name}.level.1", second, "deg", 1.04, 1.55, 23)),
        ),
        primary=_contrast(f"{name}.primary", first, second, 2.58, 2.11, "larger", family=False),
        pretest=_pretest(name, first, second, 2.58), fit=_fit(name, 47, 47, 1), not_modelled=(),
        minimal_detectable_change=None, smallest_worthwhile=None, dropped=(),
    )  # fmt: skip
    return Summary(
        report="single", title="Extension after stretching or usual care", population="Adults of one invented clinic", invented=False,
        date="2024-06-30", period="dates not recorded", clinics=("A",), smallest_count=5, comparisons=(main,), flow=_flow()[2:],
        table_one=_table_one(first, second), before_after=None, retests=_retests(1),
        limits=("one_clinic", "between_people_only", "no_measurement_error"),
    )  # fmt: skip


def build_imprint():
    return Imprint(
        identifier="0123456789ab", input_hash="a" * 64, content_digest="b" * 64, plan_sha256="c" * 64, code_sha256="d" * 64,
        software="arcgain 0.1.0", packages={"polars": "2.1.0", "altair": "6.3.0"},
        command="arcgain publish plans/network.yaml", network="Invented network", authors=(),
    )  # fmt: skip


@pytest.fixture(scope="session")
def network():
    return build_network()


@pytest.fixture(scope="session")
def single_clinic():
    return build_single_clinic()


@pytest.fixture(scope="session")
def imprint():
    return build_imprint()


@pytest.fixture(scope="session", params=["network", "single_clinic"])
def summary(request):
    return request.getfixturevalue(request.param)


@pytest.fixture(scope="session")
def network_files(network, imprint):
    from reports.page import render_report

    return render_report(network, imprint)


@pytest.fixture(scope="session")
def files(summary, imprint):
    from reports.page import render_report

    return render_report(summary, imprint)


class PageReader(HTMLParser):
    """Reads a page into what its tests look at."""

    _VOID = frozenset({"meta", "link", "br"})

    def __init__(self, page):
        super().__init__()
        self.open, self.ids, self.tags, self.figures = [], [], [], []
        self.visible, self.numbers, self.findings, self.sentences = [], [], [], []
        self.feed(page.decode())

    def handle_starttag(self, tag, attrs):
        attributes = dict(attrs)
        self.tags.append((tag, attributes))
        if "id" in attributes:
            self.ids.append(attributes["id"])
        if tag == "svg":
            self.figures.append({"attributes": attributes, "title": "", "desc": "", "texts": []})
        if tag not in self._VOID:
            self.open.append((tag, attributes))

    def handle_endtag(self, tag):
        assert self.open[-1][0] == tag, (self.open[-1], tag)
        self.open.pop()

    def handle_data(self, data):
        if not data.strip() or not self.open or self.open[-1][0] == "style":
            return
        tag, attributes = self.open[-1]
        self.visible.append(data)
        if any(name == "svg" for name, _ in self.open):
            self._read_drawing(tag, attributes, data)
        elif any(name == "td" and own["class"].startswith("num") for name, own in self.open):
            self.numbers.append(data)
        elif tag == "p":
            is_finding = any(own.get("id") == "findings" for _, own in self.open)
            (self.findings if is_finding else self.sentences).append(data)

    def _read_drawing(self, tag, attributes, data):
        if tag in {"title", "desc"}:
            self.figures[-1][tag] += data
        else:
            self.figures[-1]["texts"].append((data, attributes))

    @property
    def text(self):
        return "\n".join(self.visible)


@pytest.fixture(scope="session")
def read_page():
    return PageReader


@pytest.fixture(scope="session")
def withheld_count():
    return WITHHELD_COUNT
