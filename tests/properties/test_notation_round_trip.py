"""Every notation reads back what was written in it, and no text makes a reader stumble."""

import time
from datetime import date, timedelta
from decimal import Decimal
from types import SimpleNamespace

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from pipeline.notation.angle import DEGREES_PER_UNIT, read_angle
from pipeline.notation.composite import Component, read_composite, read_composite_angle
from pipeline.notation.date import read_date
from pipeline.notation.dose import read_dose, read_seconds, read_weeks
from pipeline.notation.grade import MODIFIERS, ROMAN, read_grade
from pipeline.notation.number import read_number, read_whole
from pipeline.notation.pain import read_pain
from pipeline.notation.percent import read_percent_of_norm
from schemas.reason import Quarantine

TRIPLET = ("extension", "zero", "flexion")
SIDES = ("right", "left")
LATEST = date(2026, 6, 30)
TAKEN = SimpleNamespace(limit="bound", band="midpoint", about="number")

READERS = {
    "number": read_number,
    "number, inexact": lambda text: read_number(text, decimal_mark=",", inexact=TAKEN),
    "whole": read_whole,
    "angle": lambda text: read_angle(text, unit="deg", inexact=TAKEN),
    "angle, lack": lambda text: read_angle(text, unit="gon", sign="lack_is_written", inexact=TAKEN),
    "percent": lambda text: read_percent_of_norm(text, norm_deg=Decimal(45), inexact=TAKEN),
    "pieces": lambda text: read_composite(text, order=SIDES, separator="/"),
    "labelled pieces": lambda text: read_composite(text, order=SIDES, separator="R L"),
    "sides": lambda text: read_composite_angle(text, order=SIDES, separator="-"),
    "triplet": lambda text: read_composite_angle(text, order=TRIPLET),
    "sftr": lambda text: read_composite_angle(text, order="sftr", decimal_mark=","),
    "by size": lambda text: read_composite_angle(text, order="by_size"),
    "grade": lambda text: read_grade(text, scale="oscillatory", two_grades="lower"),
    "dose": lambda text: read_dose(text, total_time="one_set"),
    "seconds": lambda text: read_seconds(text, unit="min"),
    "weeks": lambda text: read_weeks(text, unit="mo"),
    "pain": lambda text: read_pain(text, scale="0-100", inexact=TAKEN),
    "date": lambda text: read_date(text, date_format="%d.%m.%Y %H:%M", latest=LATEST),
    "serial": lambda text: read_date(text, date_format="excel_1900", latest=LATEST),
}

DASHES = st.sampled_from(["-", "–", " - ", " – ", "\N{MINUS SIGN}", "—", "\N{NO-BREAK SPACE}-"])
HUNDREDTHS = st.integers(min_value=0, max_value=16000)
SYMBOLS = "0123456789-–—−.,/°'\"″ xX×%<>≥~:;()SFRTIVLabcgmostl+\N{NO-BREAK SPACE}５٣²½"
SCRIPTS = ("0", "٠", "０", "०")
"""Zeros of the ASCII, Arabic-Indic, full-width and Devanagari digits."""


def written(hundredths, mark="."):
    return f"{Decimal(hundredths) / 100:f}".replace(".", mark)


@pytest.mark.parametrize("name", READERS)
@given(text=st.text(max_size=40) | st.text(alphabet=SYMBOLS, max_size=20))
@example(text="")
@example(text="35²")
@example(text="9" * 5000)
def test_any_text_is_read_or_refused(name, text):
    READERS[name](text)


LONG = {
    "digits": "9" * 10_000_000,
    "blanks": "1" + " " * 10_000_000 + "x",
    "hyphens": "1-" * 5_000_000,
    "words": "R 35 L 40 " * 1_000_000,
    "planes": "S 20-0-120 " * 1_000_000,
    "letters": "lag " * 2_500_000,
    "degrees": "5°" * 5_000_000,
    "primes": "2x1'" * 2_500_000,
}


@pytest.mark.parametrize("kind", LONG)
def test_a_cell_of_ten_megabytes_is_refused_at_once(kind):
    for name, read in READERS.items():
        start = time.perf_counter()
        found = read(LONG[kind])
        assert isinstance(found, Quarantine), name
        # A reader that went back over the text would take minutes; the limit is loose on purpose.
        assert time.perf_counter() - start < 5, name


@given(
    st.integers(-5000, 16000),
    st.sampled_from(["", "°", " deg"]),
    st.sampled_from(["-", "−", "–", "‑", "－"]),
    st.sampled_from(SCRIPTS),
    st.sampled_from([".", ","]),
)
def test_an_angle_survives_sign_unit_script_and_mark(hundredths, unit, minus, zero, mark):
    text = written(abs(hundredths), mark).translate(
        {ord(str(digit)): chr(ord(zero) + digit) for digit in range(10)}
    )
    text = f"\N{NO-BREAK SPACE}{minus if hundredths < 0 else ''}{text}{unit} "
    assert read_angle(text, unit="deg", decimal_mark=mark) == hundredths


@given(HUNDREDTHS)
def test_each_way_to_write_a_sign_reads_back(hundredths):
    text = written(hundredths)
    for sign, cell in {
        "lack_is_positive": text,
        "extension_is_negative": text,
        "lack_is_written": f"{text}° lag",
    }.items():
        assert read_angle(cell, unit="deg", sign=sign) == -hundredths


@given(st.integers(0, 180), st.integers(0, 59))
def test_degrees_and_minutes_read_back(whole, minutes):
    found = read_angle(f"{whole}°{minutes:02d}'", unit="deg")
    assert abs(found - whole * 100 - minutes * 5 / 3) <= 0.5


@given(HUNDREDTHS, HUNDREDTHS, st.sampled_from(["-", "–", " to ", "° - "]))
def test_a_band_reads_back_both_ends(one, two, between):
    lower, upper = sorted((one, two))
    cell = f"{written(lower)}{between}{written(upper)}"
    for band, expected in {"lower": lower, "upper": upper}.items():
        rule = SimpleNamespace(limit="refuse", band=band, about="refuse")
        assert read_angle(cell, unit="deg", inexact=rule) == expected
    assert read_angle(cell, unit="deg") is Quarantine.CENSORED_OR_BANDED


@given(HUNDREDTHS, HUNDREDTHS, DASHES, st.sampled_from(["reached", "first", "last"]))
def test_a_triplet_reads_back_exactly(one, two, dash, kind):
    lower, upper = sorted((one, two))
    numbers, expected = {
        "reached": ((one, 0, two), (one, two)),
        "first": ((0, lower, upper), (-lower, upper)),
        "last": ((upper, lower, 0), (upper, -lower)),
    }[kind]
    cell = dash.join(written(number) for number in numbers)
    for unit, factor in DEGREES_PER_UNIT.items():
        if unit != "deg":
            cell = dash.join(f"{Decimal(n) / 100 / factor:.12f}" for n in numbers)
        found = read_composite_angle(cell, order=TRIPLET, unit=unit)
        assert tuple(found.values()) == expected


@given(st.lists(st.tuples(HUNDREDTHS, HUNDREDTHS), min_size=3, max_size=3), st.permutations("SFR"))
def test_sftr_reads_back_in_any_order_of_the_planes(sizes, letters):
    values = dict(zip("SFR", sizes, strict=True))
    cell = "; ".join(
        f"{letter}{'(F90)' if letter == 'R' else ''} {written(values[letter][0])}-0-"
        f"{written(values[letter][1])}"
        for letter in letters
    )
    found = read_composite_angle(cell, order="sftr")
    assert found == {
        Component("extension", None): values["S"][0],
        Component("flexion", None): values["S"][1],
        Component("abduction", None): values["F"][0],
        Component("adduction", None): values["F"][1],
        Component("external_rotation", 90): values["R"][0],
        Component("internal_rotation", 90): values["R"][1],
    }


@given(st.integers(0, 5000), st.integers(5001, 16000), st.booleans())
def test_by_size_reads_back_in_either_order(extension, flexion, is_flexion_first):
    sizes = (flexion, extension) if is_flexion_first else (extension, flexion)
    found = read_composite_angle("-0-".join(map(written, sizes)), order="by_size")
    assert found == {
        Component("extension", None): extension,
        Component("flexion", None): flexion,
    }


@given(st.integers(-5000, 16000), st.integers(-5000, 16000), st.sampled_from(["/", ";", "|", " "]))
def test_pieces_read_back(right, left, separator):
    cell = separator.join(map(written, (right, left)))
    found = read_composite_angle(cell, order=SIDES, separator=separator)
    assert found == {Component("right", None): right, Component("left", None): left}
    labelled = f"L {written(left)} R {written(right)}"
    assert read_composite_angle(labelled, order=SIDES, separator="R L") == found


@given(
    st.sampled_from([*ROMAN]), st.sampled_from(MODIFIERS), st.sampled_from(["", "Gr. ", "grade"])
)
def test_a_grade_reads_back(number, modifier, name):
    written_modifier = "" if modifier == "none" else modifier
    expected = (ROMAN[number], modifier)
    if modifier != "none" and number not in "34":
        expected = Quarantine.GRADE_IMPOSSIBLE
    for numeral in (number, ROMAN[number]):
        assert read_grade(f"{name}{numeral}{written_modifier}", scale="oscillatory") == expected


@given(st.integers(1, 50), st.integers(1, 3600))
def test_a_dose_reads_back(sets, seconds):
    cells = [f"{sets}x{seconds}s", f"{sets} × {seconds} sec", f"{sets}/{seconds}"]
    cells += [f"{sets} sets of {seconds} s", f'{seconds}" x {sets}']
    cells += [f"{sets} x {seconds // 60}:{seconds % 60:02d}"]
    assert {read_dose(cell) for cell in cells} == {(sets, seconds)}
    assert read_dose(f"{seconds} s total", total_time="one_set") == (1, seconds)


@given(st.integers(0, 100))
def test_pain_reads_back(tenths):
    assert read_pain(f"{tenths}/100", scale="0-100") == tenths / 10
    assert read_pain(f"{Decimal(tenths) / 10}", scale="0-10") == tenths / 10


@given(st.dates(date(1980, 1, 1), LATEST), st.integers(0, 86399))
def test_a_date_reads_back(day, second):
    clock = timedelta(seconds=second)
    cell = f"{day:%d.%m.%Y} {second // 3600:02d}:{second // 60 % 60:02d}"
    assert read_date(cell, date_format="%d.%m.%Y %H:%M", latest=LATEST) == day
    fraction = f"{clock / timedelta(days=1):.10f}"[1:]
    for system, zero in {"excel_1900": date(1899, 12, 30), "excel_1904": date(1904, 1, 1)}.items():
        cell = f"{(day - zero).days}{fraction}"
        assert read_date(cell, date_format=system, latest=LATEST) == day


@given(st.integers(0, 15000), st.sampled_from(["45", "120.3"]))
def test_a_percentage_reads_back(hundredths, norm):
    cell = f"{Decimal(hundredths) / Decimal(norm):.15f} %"
    assert read_percent_of_norm(cell, norm_deg=Decimal(norm)) == hundredths


@given(st.text(alphabet=SYMBOLS, max_size=12))
def test_what_is_read_is_the_number_in_the_cell(text):
    """Never half of it: all digits of a cell that is read as one angle are in the angle."""
    found = read_angle(text, unit="deg", decimal_mark=",")
    if isinstance(found, Quarantine) or "'" in text:
        return
    digits = "".join(character for character in text if character.isdigit() or character in ".,")
    assert abs(found) == round(Decimal(digits.replace(",", ".")) * 100)
