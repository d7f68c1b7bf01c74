"""Angles: exact conversion to hundredths of a degree."""

import math
from decimal import Decimal

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
