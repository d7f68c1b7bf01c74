"""Days, months and great ages: 45 CFR 164.514(b)(2)(i)(C) keeps the year and ages to 89."""

import polars as pl
import pytest

from pipeline.identifier.day import COMPACT_DAY, DAYS, GREAT_AGE


def holds(text, *patterns):
    return any(
        pl.Series([text]).str.contains(p.regex)[0] and (p.holds is None or p.holds(text))
        for p in patterns
    )


@pytest.mark.parametrize(
    "text",
    [
        "1951-03-02", "2.3.51", "02.03.1951", "3/2/51", "seen 1951/03/02", "3 May 2024", "May 3, 2024", "12. März 2024", "1er juillet 1951", "3 de enero de 1951",
        "3 gennaio 1951", "3 augustus 1951", "5 stycznia 1951", "3-Nov-51", "Oct 1951", "2024-05", "05/2024", "3rd June", "12. tammikuuta 1951", "2024年5月3日",
        "KW 12/2024", "02 . 03 . 1951",
    ],
)  # fmt: skip
def test_a_day_or_month_is_found(text):
    assert holds(text, *DAYS)


@pytest.mark.parametrize(
    "text",
    [
        "S 20-0-120", "R(F90) 45-0-30", "120-0-20", "20-0-12", "10-0-10", "0-10-20", "2x45s", "3 x 1 min", "gr 3+", "III--", "30-35", ">45", "0,6981", "90 s total",
        "10 lag", "35/40", "R 35 L 40", "1951", "45/46/47", "40-41-42", "5.2024", "1.0472", "2 sets", "3 mar", "10 dec", "may 3x", "2024", "10:30:00", "3/4",
    ],
)  # fmt: skip
def test_measurements_and_years_are_no_days(text):
    assert not holds(text, *DAYS)


def test_eight_digits_are_a_day_if_they_fit():
    assert holds("20240503", COMPACT_DAY)
    assert holds("03051951", COMPACT_DAY)
    assert holds("20240503T0930", COMPACT_DAY)
    assert not holds("20241345", COMPACT_DAY)
    assert not holds("12345678", COMPACT_DAY)


@pytest.mark.parametrize(
    "text",
    [
        "94 years",
        "94yo",
        "aged 90",
        "94 J.",
        "101 ans",
        "Alter: 95",
        "90-jährig",
        "93 anni",
        "92-year-old",
    ],
)
def test_an_age_over_89_is_found(text):
    assert holds(text, GREAT_AGE)


@pytest.mark.parametrize(
    "text",
    [
        "89 years",
        "94",
        "94 deg",
        "90 s",
        "94 lat",
        "12 years",
        "194 years",
        "aged 45",
        "0.94 years",
    ],
)
def test_other_numbers_are_no_great_ages(text):
    assert not holds(text, GREAT_AGE)
