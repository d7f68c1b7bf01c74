"""Numbers with check digits, against published example numbers and an independent computation."""

import numpy as np
import polars as pl
import pytest

from pipeline.identifier.number import LONG_NUMBERS, SCHEMES, UNMISTAKABLE, compact, holds_vin
from synthetic_data.person_number import PERSON_NUMBERS, draw_person_number


def found(text, patterns=(*SCHEMES, *UNMISTAKABLE)):
    return [
        pattern.what
        for pattern in patterns
        if pl.Series([text]).str.contains(pattern.regex)[0]
        and (pattern.holds is None or pattern.holds(text))
    ]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("943 476 5919", "NHS"),  # example of the NHS data dictionary
        ("756.9217.0769.85", "Switzerland"),  # example of the Swiss Central Compensation Office
        ("529.982.247-25", "Brazil"),  # usual example of the CPF rule, from memory
        ("123-456-782", "Canada"),  # Luhn by hand: 1 4 3 8 5 3 7 7 2 sum to 40
        ("131052-308T", "Finland"),  # example of the Digital and Population Data Services Agency
        ("19811218-9876", "Sweden"),  # 811218-9876, example of the Swedish Tax Agency
        ("44051401359", "Poland"),  # usual example of PESEL, from memory
        ("111222333", "Netherlands"),  # usual test number of the BSN, from memory
        ("12345678Z", "Spain"),  # usual example of the DNI, from memory
        ("MRTMTT91D08F205J", "Italy"),  # example in the Ministry's explanation, from memory
        ("255081416802538", "France"),  # usual example of the NIR, from memory
        ("85.07.30-033.28", "Belgium"),  # usual example of the national register, from memory
        ("2341 2341 2346", "India"),  # usual example of the Verhoeff rule of Aadhaar, from memory
        ("123 456 782", "Australia, tax"),  # test number of the Australian Taxation Office
        ("65 170839 J 003", "pension insurance"),  # example in § 2 VKVV's explanation, from memory
        ("QQ123456C".replace("QQ", "AB"), "national insurance"),  # form of HMRC's example
        ("219-99-9999", "social security"),  # an area that is given, unlike 000, 666 and 9xx
        ("4111 1111 1111 1111", "payment card"),  # usual test number, ISO/IEC 7812-1
        ("GB82 WEST 1234 5698 7654 32", "IBAN"),  # example of the ISO 13616 registry
        ("1M8GDM9AXKP042788", "VIN"),  # worked example of the check digit rule, 49 CFR 565
        ("490154203237518", "IMEI"),  # usual example of 3GPP TS 23.003, from memory
        ("2123 45670 1", "Medicare"),  # usual example, from memory
        ("A123456780", "health insurance"),  # usual example, from memory
    ],
)
def test_published_examples_hold(text, words):
    assert [what for what in found(text) if words in what]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("943 476 5918", "NHS"), ("756.9217.0769.84", "Switzerland"), ("123-456-783", "Canada"), ("131052-308U", "Finland"),
        ("GB82 WEST 1234 5698 7654 33", "IBAN"), ("1M8GDM9A1KP042788", "VIN"), ("12345678A", "Spain"), ("4111 1111 1111 1112", "payment card"),
        ("000-12-3456", "social security"), ("666-12-3456", "social security"), ("123-00-4567", "social security"), ("123-45-0000", "social security"),
    ],
)  # fmt: skip
def test_a_wrong_check_digit_or_area_does_not_hold(text, words):
    assert not [what for what in found(text) if words in what]


@pytest.mark.parametrize("scheme", sorted(PERSON_NUMBERS))
def test_numbers_computed_independently_hold(scheme):
    rng = np.random.default_rng(11)
    numbers = [draw_person_number(rng, scheme) for _ in range(100)]
    assert all(found(number) for number in numbers)


@pytest.mark.parametrize(
    "text",
    [
        "12345678",
        "MRN 12345",
        "XK-4471-99021",
        "D500-0946-500",
        "123 456 789 012",
        "C02XK0ABJG55",
        "B-QX 1234",
    ],
)
def test_long_numbers_are_no_measurements(text):
    assert found(text, LONG_NUMBERS)


@pytest.mark.parametrize(
    "text",
    [
        "123456",
        "0.523598775598",
        "S 20-0-120",
        "120 118 119 120",
        "45,5",
        "IR90ER90",
        "M16.11",
        "IRsup90",
        "2024-2025",
        "R(F90)45-0-30",
        "40.5 41.0 42.5",
    ],
)
def test_measurements_are_no_long_numbers(text):
    assert not found(text, LONG_NUMBERS)


def test_separators_do_not_count():
    assert compact(" a12.34-56/7 ") == "A1234567"
    assert not holds_vin("1M8GDM9AXKP04278")
