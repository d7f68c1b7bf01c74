"""Contacts; forms of telephone numbers by country are common practice, ranges those for fiction."""

import polars as pl
import pytest

from pipeline.identifier.contact import (
    FOUR_PAIRS_AT_ODDS,
    NATIONAL_GROUPS,
    UNMISTAKABLE,
    could_be_readings,
)


def letters(text, patterns=UNMISTAKABLE):
    found = set()
    for pattern in patterns:
        if pl.Series([text]).str.contains(pattern.regex)[0] and (
            pattern.holds is None or pattern.holds(text)
        ):
            found.add(pattern.safe_harbor)
    return "".join(sorted(found))


@pytest.mark.parametrize(
    ("text", "letter"),
    [
        ("k.quill+hip@example.org", "FN"), ("k quill (at) example.org", "FN"), ("k at example dot org", "F"),
        # RFC 2606 and RFC 5737, RFC 3849: names and addresses for documentation
        ("https://example.com/a", "N"), ("www.example.net", "N"), ("example.org", "N"), ("files.de/xy", "N"),
        ("192.0.2.1", "O"), ("seen from 203.0.113.9:80", "O"), ("2001:db8::1", "O"), ("2001:db8:0:0:0:0:0:1", "O"),
        ("00:00:5e:00:53:af", "M"), ("00-00-5E-00-53-AF", "M"),
        # 555-0100 to 555-0199 are kept for fiction (NANPA); Ofcom's drama numbers 020 7946 0xxx
        ("(212) 555-0147", "D"), ("212.555.0147", "D"), ("+1 212 555 0147", "D"), ("020 7946 0123", "D"),
        ("+44 20 7946 0123", "D"), ("0044 20 7946 0123", "D"), ("030/23125 123", "D"), ("Tel. 23125123", "D"), ("+33 6 39 98 44 51", "D"),
        ("Fax 030 23125123", "DE"), ("fax: 231255", "E"),
        ("face.jpg", "Q"), ("IMG_1.HEIC", "Q"), ("fingerprint.wsq", "P"), ("iris scan", "P"), ("voice.wav", "P"),
    ],
)  # fmt: skip
def test_a_contact_is_found_wherever_it_stands(text, letter):
    assert set(letters(text)) <= set(letter)
    assert letters(text)


@pytest.mark.parametrize(
    "text",
    [
        "S 20-0-120", "R(F90) 45-0-30", "120-0-20", "2x45s", "3 x 1 min", "0,6981", "90 s total", "35/40", "R 35 L 40",
        "2025-05-05T10:30:00+02:00", "10:30:00", "12.03.2052", "1.2.3.400", "300.1.1.1", "45-46-47-45-44-46", "H-2024-0001",
        "120 118 119", "n.d.", "l.b.w.", "2024-000123",
    ],
)  # fmt: skip
def test_measurements_days_and_person_numbers_are_no_contacts(text):
    assert letters(text) == ""


@pytest.mark.parametrize(
    "text", ["612 345 678", "912 34 567", "555-0147", "07700900123", "4444 5555"]
)
def test_national_groups_count_outside_person_numbers(text):
    assert letters(text, NATIONAL_GROUPS) == "D"
    assert letters(text) == ""


def test_four_pairs_count_among_readings_only_with_a_leading_nought():
    assert letters("20 55 01 29", (FOUR_PAIRS_AT_ODDS,)) == "D"
    assert letters("45 46 47 44", (FOUR_PAIRS_AT_ODDS,)) == ""


def test_readings_are_several_numbers_of_a_goniometer():
    assert could_be_readings("45.5 / 46.0 / 0.5")
    assert not could_be_readings("45 361")
    assert not could_be_readings("07 45")
    assert not could_be_readings("45")
