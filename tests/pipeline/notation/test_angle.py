"""Angles: exact conversion to hundredths of a degree."""

import math
from decimal import Decimal
from types import SimpleNamespace

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.notation.angle import DEGREES_PER_UNIT, PI, from_straight_180, read_angle
from schemas.reason import Quarantine


@pytest.mark.parametrize(
    ("text", "unit", "mark", "hundredths"),
    [
        ("35", "deg", ".", 3500),
        ("34,5", "deg", ",", 3450),
        ("34.5", "deg", ",", 3450),
        ("35°", "deg", ".", 3500),
        ("35 deg", "deg", ".", 3500),
        ("\N{MINUS SIGN}10", "deg", ".", -1000),
        ("50", "gon", ".", 4500),
        ("٣٥", "deg", ".", 3500),  # Arabic-Indic digits are digits
        # Half a hundredth goes to the even neighbour: 34.515 is 3451.5 and 34.525 is 3452.5.
        ("34.515", "deg", ".", 3452),
        ("34.525", "deg", ".", 3452),
        # 40 deg = 0.6981317007977318 rad (computed from 40 pi / 180).
        ("0.6981317007977318", "rad", ".", 4000),
        ("0,6981", "rad", ",", 4000),
        # A degree has 60 minutes (SI brochure, 9th edition, table 8).
        ("35°30'", "deg", ".", 3550),
        ("-0° 30′", "deg", ".", -50),
        ("35°20'", "deg", ".", 3533),
        ("–10", "deg", ".", -1000),  # an en dash that a word processor put there
        ("３５", "deg", ".", 3500),  # full-width digits are digits
        ("\N{NO-BREAK SPACE}35\N{NO-BREAK SPACE}°", "deg", ".", 3500),
    ],
)
def test_an_angle_becomes_hundredths_of_a_degree(text, unit, mark, hundredths):
    assert read_angle(text, unit=unit, decimal_mark=mark) == hundredths


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("full", Quarantine.WORDS_INSTEAD_OF_NUMBER),
        ("WNL", Quarantine.WORDS_INSTEAD_OF_NUMBER),
        (">45", Quarantine.CENSORED_OR_BANDED),
        ("~30", Quarantine.CENSORED_OR_BANDED),
        ("30-35", Quarantine.CENSORED_OR_BANDED),
        ("30 – 35", Quarantine.CENSORED_OR_BANDED),
        ("1.234.5", Quarantine.NOT_A_NUMBER),
        ("3 5", Quarantine.NOT_A_NUMBER),
        ("35 rad", Quarantine.NOT_A_NUMBER),
        ("nan", Quarantine.WORDS_INSTEAD_OF_NUMBER),
        ("1e3", Quarantine.NOT_A_NUMBER),
        ("35° 30", Quarantine.NOT_A_NUMBER),
        ("35°61'", Quarantine.NOT_A_NUMBER),
        ("3°5", Quarantine.NOT_A_NUMBER),
        ("35²", Quarantine.NOT_A_NUMBER),
        ("35½", Quarantine.NOT_A_NUMBER),
        ("３５．５", Quarantine.NOT_A_NUMBER),  # a full-width point is no declared decimal mark
        ("3\N{ZERO WIDTH SPACE}5", Quarantine.NOT_A_NUMBER),
        ("10 lag", Quarantine.NOT_A_NUMBER),
        ("lack 10", Quarantine.NOT_A_NUMBER),
        ("about full", Quarantine.WORDS_INSTEAD_OF_NUMBER),
        ("ca. 30", Quarantine.CENSORED_OR_BANDED),
    ],
)
def test_what_is_no_single_number_is_refused_with_its_reason(text, reason):
    assert read_angle(text, unit="deg") is reason


def test_the_factors_are_those_of_ucum():
    # UCUM 2.1: deg = 2 [pi].rad/360, gon = 0.9 deg. Checked against pint's own unit registry too.
    assert DEGREES_PER_UNIT["gon"] == Decimal("0.9")
    assert float(DEGREES_PER_UNIT["rad"]) == 360 / (2 * math.pi)
    registry = pint.UnitRegistry()
    assert float(DEGREES_PER_UNIT["rad"]) == pytest.approx(
        registry.Quantity(1, "radian").to("degree").magnitude, rel=1e-15
    )
    assert float(DEGREES_PER_UNIT["gon"]) == pytest.approx(
        registry.Quantity(1, "grade").to("degree").magnitude, rel=1e-15
    )
    assert float(PI) == math.pi


@given(st.integers(min_value=-5000, max_value=16000))
def test_degrees_survive_the_way_through_every_unit(hundredths):
    for unit, factor in DEGREES_PER_UNIT.items():
        written = f"{Decimal(hundredths) / 100 / factor:.12f}"
        assert read_angle(written, unit=unit) == hundredths


@pytest.mark.parametrize(
    ("recorded", "motion", "neutral_zero"),
    # Textbook rule, from memory: straight is 180, so 60 is 120 of flexion and 195 is 15 of extension.
    [(6000, "flexion", 12000), (19500, "extension", 1500), (17000, "extension", -1000)],
)
def test_the_180_system_becomes_neutral_zero(recorded, motion, neutral_zero):
    assert from_straight_180(recorded, motion) == neutral_zero


def test_the_180_system_says_nothing_of_rotation():
    assert from_straight_180(3000, "internal_rotation") is Quarantine.ANGLE_IMPOSSIBLE


@pytest.mark.parametrize(
    ("text", "sign", "expected"),
    [
        ("-10", "as_recorded", -1000),
        ("10", "lack_is_positive", -1000),
        ("0", "lack_is_positive", 0),
        ("-10", "lack_is_positive", Quarantine.SIGN_UNKNOWABLE),
        ("-10", "extension_is_negative", 1000),
        ("10", "extension_is_negative", -1000),
        ("10 lag", "lack_is_written", -1000),
        ("lack 10", "lack_is_written", -1000),
        ("10° deficit", "lack_is_written", -1000),
        ("Defizit: 10", "lack_is_written", -1000),
        ("lack of 10°", "lack_is_written", -1000),
        ("10", "lack_is_written", 1000),
        ("-10", "lack_is_written", -1000),
        ("-10 lag", "lack_is_written", Quarantine.SIGN_UNKNOWABLE),
        ("10 lagging", "lack_is_written", Quarantine.NOT_A_NUMBER),
        ("lag", "lack_is_written", Quarantine.WORDS_INSTEAD_OF_NUMBER),
    ],
)
def test_the_sign_means_what_the_codebook_says(text, sign, expected):
    assert read_angle(text, unit="deg", sign=sign) == expected


def rule(limit="refuse", band="refuse", about="refuse"):
    return SimpleNamespace(limit=limit, band=band, about=about)


@pytest.mark.parametrize(
    ("text", "inexact", "expected"),
    [
        (">45", rule(limit="bound"), 4500),
        ("≥ 45°", rule(limit="bound"), 4500),
        ("<20", rule(limit="bound"), 2000),
        (">=45", rule(limit="bound"), 4500),
        (">45", rule(band="lower", about="number"), Quarantine.CENSORED_OR_BANDED),
        ("30-35", rule(band="lower"), 3000),
        ("30–35", rule(band="midpoint"), 3250),
        ("30 to 35", rule(band="upper"), 3500),
        ("30°-35°", rule(band="midpoint"), 3250),
        ("5-8", rule(band="midpoint"), 650),
        ("-5-0", rule(band="midpoint"), -250),
        ("30,5-31", rule(band="midpoint"), Quarantine.CENSORED_OR_BANDED),  # the mark is a point
        ("35-30", rule(band="midpoint"), Quarantine.CENSORED_OR_BANDED),
        ("30-35", rule(limit="bound"), Quarantine.CENSORED_OR_BANDED),
        ("~30", rule(about="number"), 3000),
        ("ca. 30", rule(about="number"), 3000),
        ("approx 30°", rule(about="number"), 3000),
        ("about full", rule(about="number"), Quarantine.WORDS_INSTEAD_OF_NUMBER),
        ("~30", rule(limit="bound"), Quarantine.CENSORED_OR_BANDED),
        (">30-35", rule("bound", "midpoint", "number"), Quarantine.CENSORED_OR_BANDED),
    ],
)
def test_an_inexact_value_follows_the_rule_of_the_codebook(text, inexact, expected):
    assert read_angle(text, unit="deg", inexact=inexact) == expected


def test_a_midpoint_is_exact_and_rounded_once():
    # (30.01 + 30.02) / 2 = 30.015: half a hundredth goes to the even neighbour, 30.02.
    assert read_angle("30.01-30.02", unit="deg", inexact=rule(band="midpoint")) == 3002
    assert read_angle("30.03-30.04", unit="deg", inexact=rule(band="midpoint")) == 3004


def test_a_printed_total_in_place_of_a_rotation_fits_every_notation():
    """Why a range check exists: nothing in the notation shows that 78.5 is not the rotation.

    Kouyoumdjian and others (2012), Orthop Traumatol Surg Res 98:17-23, abstract: seated, the total is
    78.5, and external rotation is printed as 78.5 beside an internal rotation of 37.9.
    """
    total, printed, internal = (read_angle(t, unit="deg") for t in ("78.5", "78.5", "37.9"))
    assert total - internal == 4060
    assert printed != total - internal
    assert printed + internal > total
