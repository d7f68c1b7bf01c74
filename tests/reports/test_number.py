"""How numbers are written. Rounding is checked against Python's own half-even ``round`` of tenths
that are exact in binary."""

import pytest

from pipeline.cell import Cell
from reports.number import (
    count_of,
    estimate,
    fixed,
    limits,
    number,
    plain,
    probability,
    quantity,
    share_of,
    simultaneous,
)


@pytest.mark.parametrize("quarters", range(-9, 10))
def test_rounding_is_half_to_even(quarters):
    value = quarters / 4  # exact in binary, so Python's round is exact too
    assert float(fixed(value, 1).replace("\u2212", "-")) == round(value, 1)


def test_rounding_looks_at_the_decimal_as_stored():
    assert fixed(1.15, 1) == "1.2"  # binary 1.15 lies below; the stored decimal is a tie
    assert fixed(1.25, 1) == "1.2"


def test_minus_spaces_and_zero():
    assert fixed(-3.14, 1) == "\u22123.1"
    assert fixed(-0.04, 1) == "0.0"
    assert fixed(9999, 0) == "9999"
    assert fixed(1234567, 0) == "1\u202f234\u202f567"


def test_decimals_follow_the_unit():
    assert number(5.449, "deg") == "5.4"
    assert number(0.5249, "share") == "52"
    assert number(12.0, "pairs") == "12"
    assert number(4387.126, "") == "4387.13"
    assert quantity(1.83, "deg") == "1.8°"
    assert quantity(0.5, "share") == "50\u00a0%"
    assert quantity(1.0, "clinics") == "1\u00a0clinic"
    assert quantity(2.0, "clinics") == "2\u00a0clinics"


def test_intervals_are_written_with_to():
    cell = Cell("a", "a", "deg", 5.4, 40, low=-4.6, high=6.1)
    assert estimate(cell) == "5.4 (\u22124.6 to 6.1)"
    assert limits(None, 1.0, "deg") == ""
    assert simultaneous(cell) == "[z]"


def test_p_values():
    assert [probability(p) for p in (0.0004, 0.001, 0.0456, None)] == [
        "<0.001",
        "0.001",
        "0.046",
        "[z]",
    ]


@pytest.mark.parametrize("status", ["c", "x", "z", "n"])
def test_a_marker_stands_instead_of_every_number(status):
    cell = Cell("a", "a", "deg", 5.4, 7, low=4.6, high=6.1, p_value=0.01, status=status)
    assert plain(cell) == estimate(cell) == count_of(cell.n_patients, cell) == f"[{status}]"


def test_an_unreliable_estimate_keeps_its_number():
    assert plain(Cell("a", "a", "deg", 5.4, 12, status="u")) == "5.4 [u]"


def test_no_percentage_below_twenty_patients():
    assert share_of(Cell("a", "a", "share", 0.5, 19, low=0.3, high=0.7)) == "[u]"
    assert share_of(Cell("a", "a", "share", 0.5, 20, low=0.3, high=0.7)) == "50 (30 to 70)"
