"""Several values in one cell: pieces, neutral-zero triplets and SFTR."""

from decimal import Decimal

import pytest

from pipeline.notation.angle import read_angle
from pipeline.notation.composite import (
    Component,
    read_composite,
    read_composite_angle,
    read_neutral_zero,
    read_sftr,
)
from schemas.reason import Quarantine

EXTENSION_FIRST = ("extension", "zero", "flexion")
FLEXION_FIRST = ("flexion", "zero", "extension")
SIDES = ("right", "left")


def degrees(found):
    return {component.name: hundredths / 100 for component, hundredths in found.items()}


@pytest.mark.parametrize(
    ("text", "order", "expected"),
    [
        # Engelhardt, Lexikon Orthopaedie und Unfallchirurgie, "Neutral-0-Methode": hip 10/0/130 in
        # the order extension/flexion.
        ("10-0-130", EXTENSION_FIRST, {"extension": 10, "flexion": 130}),
        # A worked example on sportgesundheit.eu, "Neutral-Null-Methode", hip of one side with a
        # contracture, extension/flexion: 0 - 10 - 90.
        ("0 - 10 - 90", EXTENSION_FIRST, {"extension": -10, "flexion": 90}),
        # A teacher's answer in the forum fernlehrgang-heilpraktiker.com, flexion/extension: 150-20-0 bends
        # from 20 to 150, and extension/flexion 10-10-0 is stiff at 10 of extension.
        ("150-20-0", FLEXION_FIRST, {"flexion": 150, "extension": -20}),
        ("10-10-0", EXTENSION_FIRST, {"extension": 10, "flexion": -10}),
        # Textbook rule, from memory: a fixed joint has its one number twice or once.
        ("0-20-20", EXTENSION_FIRST, {"extension": -20, "flexion": 20}),
        ("0-20", EXTENSION_FIRST, {"extension": -20, "flexion": 20}),
        ("20-0", EXTENSION_FIRST, {"extension": 20, "flexion": -20}),
        ("20-0", FLEXION_FIRST, {"flexion": 20, "extension": -20}),
        ("0-20-100", EXTENSION_FIRST, {"extension": -20, "flexion": 100}),
        ("0-0-100", EXTENSION_FIRST, {"extension": 0, "flexion": 100}),
        ("20°–0°–120°", EXTENSION_FIRST, {"extension": 20, "flexion": 120}),
        ("20—0—120", EXTENSION_FIRST, {"extension": 20, "flexion": 120}),
        ("12.5-0-120.25", EXTENSION_FIRST, {"extension": 12.5, "flexion": 120.25}),
    ],
)
def test_a_neutral_zero_triplet_gives_both_motions(text, order, expected):
    assert degrees(read_composite_angle(text, order=order)) == expected


@pytest.mark.parametrize(
    "text",
    [
        "20-5-120",  # no zero
        "20-120",  # two numbers, none of them zero
        "-20-0-120",  # a negative number, or one that is missing?
        "20--0-120",
        "0-20-10",  # cannot reach less than where it starts
        "0-20-0",
        "0-20-100-5",
        "20",
        "0",
        "20-0-",
        ">20-0-120",
        "20-0-1e2",
        "20-0-120 pain",
        "S 20-0-120",
    ],
)
def test_what_is_no_triplet_is_refused_as_a_whole(text):
    found = read_composite_angle(text, order=EXTENSION_FIRST)
    assert found is Quarantine.COMPOSITE_UNREADABLE


def test_words_in_place_of_a_triplet_are_words():
    found = read_composite_angle("full", order=EXTENSION_FIRST)
    assert found is Quarantine.WORDS_INSTEAD_OF_NUMBER


def test_numbers_of_a_triplet_are_not_negative_and_have_a_zero():
    numbers = [Decimal(-20), Decimal(0), Decimal(120)]
    assert read_neutral_zero(numbers, EXTENSION_FIRST) is Quarantine.COMPOSITE_UNREADABLE
    assert read_neutral_zero([Decimal(3)] * 3, EXTENSION_FIRST) is Quarantine.COMPOSITE_UNREADABLE
    assert read_neutral_zero([], EXTENSION_FIRST) is Quarantine.COMPOSITE_UNREADABLE


def test_a_triplet_keeps_the_declared_unit_and_decimal_mark():
    # 50 gon = 45 deg (UCUM: gon = 0.9 deg).
    found = read_composite_angle("50/0/50", order=EXTENSION_FIRST, separator="/", unit="gon")
    assert degrees(found) == {"extension": 45, "flexion": 45}
    found = read_composite_angle("12,5-0-120", order=EXTENSION_FIRST, decimal_mark=",")
    assert degrees(found) == {"extension": 12.5, "flexion": 120}


def test_pieces_of_a_triplet_are_canonical_text():
    found = read_composite("0-20-100", order=EXTENSION_FIRST, separator="-")
    assert found == {"extension": "-20", "flexion": "100"}


ALL = {
    Component("extension", None): 2000,
    Component("flexion", None): 12000,
    Component("abduction", None): 4500,
    Component("adduction", None): 3000,
    Component("external_rotation", 90): 4500,
    Component("internal_rotation", 90): 3500,
}


@pytest.mark.parametrize(
    "text",
    [
        "S 20-0-120 F 45-0-30 R(F90) 45-0-35",
        "S20-0-120, F45-0-30, R(F90)45-0-35",
        "S: 20/0/120; F: 45/0/30; R (S90): 45/0/35",
        "R(S90) 45–0–35 F 45 - 0 - 30 S 20° - 0° - 120°",
        "S\N{NO-BREAK SPACE}20-0-120 F 45-0-30 R(F90°) 45-0-35",
    ],
)
def test_sftr_names_the_motions_in_fixed_order(text):
    # The order away - start - towards of each plane: Gerhardt and Russe (1975), from memory.
    assert read_composite_angle(text, order="sftr") == ALL


def test_sftr_keeps_rotations_of_two_positions_apart():
    found = read_sftr("R(F0) 45-0-40 R(F90) 45-0-30 R 50-0-20")
    assert found[Component("internal_rotation", 0)] == 40
    assert found[Component("internal_rotation", 90)] == 30
    assert found[Component("internal_rotation", None)] == 20


def test_sftr_with_a_contracture_and_with_a_fixed_joint():
    assert read_sftr("S 0-20-100")[Component("extension", None)] == -20
    assert read_sftr("S 0-20") == {
        Component("extension", None): -20,
        Component("flexion", None): 20,
    }


@pytest.mark.parametrize(
    "text",
    [
        "T 45-0-30",  # a plane that is not measured at the hip
        "X 45-0-30",
        "S 20-0-120 S 10-0-120",  # a plane twice
        "R(F90) 45-0-30 R(S90) 40-0-30",  # the same position twice
        "S 20-0-120 pain",
        "S 20-0-120 45-0-30",
        "20-0-120",
        "S 20-0-120-5",
        "S 20-0-120°5",
        "S(F90) 20-0-120",  # only a rotation has a position
        "R(F30) 45-0-30",  # flexed or abducted by 30?
        "R(T90) 45-0-30",
        "S -20-0-120",
        "S 5-10-20",
        "",
    ],
)
def test_what_is_no_sftr_is_refused_as_a_whole(text):
    assert read_composite_angle(text, order="sftr") is Quarantine.COMPOSITE_UNREADABLE


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("20-0-120", {"extension": 20, "flexion": 120}),
        ("120-0-20", {"extension": 20, "flexion": 120}),
        ("0-20-100", {"extension": -20, "flexion": 100}),
        ("100-20-0", {"extension": -20, "flexion": 100}),
        ("50-0-51", {"extension": 50, "flexion": 51}),  # extension ends at 50 in the vocabulary
    ],
)
def test_only_a_number_that_no_extension_reaches_tells_flexion(text, expected):
    assert degrees(read_composite_angle(text, order="by_size")) == expected


@pytest.mark.parametrize(
    "text", ["20-0-50", "0-20-40", "60-0-120", "R 45-0-60", "F 45-0-60", "R(F90) 45-0-60", "0-20"]
)
def test_an_order_that_cannot_be_known_is_refused(text):
    found = read_composite_angle(text, order="by_size")
    assert found is Quarantine.ORDER_UNKNOWABLE


def test_size_is_compared_in_degrees():
    # 60 gon is 54 degrees and can only be flexion; 55 gon is 49.5 degrees and may be either.
    assert degrees(read_composite_angle("10-0-60", order="by_size", unit="gon")) == {
        "extension": 9,
        "flexion": 54,
    }
    found = read_composite_angle("10-0-55", order="by_size", unit="gon")
    assert found is Quarantine.ORDER_UNKNOWABLE


@pytest.mark.parametrize(
    ("text", "separator", "expected"),
    [
        ("35/40", "/", ("35", "40")),
        ("35 / 40", "/", ("35", "40")),
        ("35/", "/", ("35", "")),
        ("/40", "/", ("", "40")),
        ("35 – 40", "-", ("35", "40")),
        ("35 - -10", " - ", ("35", "-10")),
        ("35   40", " ", ("35", "40")),
        ("35;40", ";", ("35", "40")),
        ("R 35 L 40", "R L", ("35", "40")),
        ("l: 40, r: 35", "R L", ("35", "40")),
        ("R35 L40", "R L", ("35", "40")),
        ("R 35 L", "R L", ("35", "")),
    ],
)
def test_a_cell_is_split_into_named_pieces(text, separator, expected):
    found = read_composite(text, order=SIDES, separator=separator)
    assert found == dict(zip(SIDES, expected, strict=True))


@pytest.mark.parametrize(
    ("text", "separator"),
    [
        ("35", "/"),
        ("35/40/45", "/"),
        ("-10", "-"),  # one negative number, or a side that is missing?
        ("30--10", "-"),
        ("30-", "-"),
        ("34.5", "."),
        ("R 35", "R L"),
        ("R 35 R 40", "R L"),
        ("R 35 L 40 R 30", "R L"),
        ("35 R L 40", "R L"),
        ("35 40", "R L"),
    ],
)
def test_what_does_not_have_the_declared_pieces_is_refused(text, separator):
    found = read_composite(text, order=SIDES, separator=separator)
    assert found is Quarantine.COMPOSITE_UNREADABLE


def test_a_decimal_comma_does_not_separate():
    found = read_composite("34,5", order=SIDES, separator=",", decimal_mark=",")
    assert found is Quarantine.COMPOSITE_UNREADABLE
    found = read_composite("34,5, 30", order=SIDES, separator=", ", decimal_mark=",")
    assert found == {"right": "34,5", "left": "30"}


def test_each_piece_of_a_plain_list_has_its_own_value_or_reason():
    found = read_composite_angle("35/full", order=SIDES, separator="/")
    assert found == {
        Component("right", None): 3500,
        Component("left", None): Quarantine.WORDS_INSTEAD_OF_NUMBER,
    }
    assert read_composite_angle("/", order=SIDES, separator="/") == {}


def test_a_piece_is_read_by_the_rules_of_its_column():
    def read_piece(text):
        return None if text == "NT" else read_angle(text, unit="deg", sign="lack_is_positive")

    found = read_composite_angle("10/NT", order=SIDES, separator="/", read_piece=read_piece)
    assert found == {Component("right", None): -1000}
