"""Grades, doses, durations, pain, dates and whole numbers."""

from datetime import date

import pytest

from pipeline.notation.date import read_date
from pipeline.notation.dose import read_dose, read_seconds, read_weeks
from pipeline.notation.grade import read_grade
from pipeline.notation.number import read_whole
from pipeline.notation.pain import read_pain
from schemas.reason import Quarantine


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("III", ("III", "none")),
        ("3", ("III", "none")),
        ("gr 3+", ("III", "+")),
        ("Grade IV-", ("IV", "-")),
        ("iv --", ("IV", "--")),
        ("4 \N{MINUS SIGN}", ("IV", "-")),
        ("V", ("V", "none")),
        # Modifiers exist on III and IV only (textbook convention, from memory).
        ("II+", Quarantine.GRADE_IMPOSSIBLE),
        ("1-", Quarantine.GRADE_IMPOSSIBLE),
        ("3/4", Quarantine.GRADE_UNREADABLE),
        ("6", Quarantine.GRADE_UNREADABLE),
        ("firm", Quarantine.GRADE_UNREADABLE),
    ],
)
def test_oscillatory_grades(text, expected):
    assert read_grade(text, scale="oscillatory") == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("III", ("III", "none")),
        # Traction has three grades and no modifiers: the scales are not interconvertible.
        ("IV", Quarantine.GRADE_IMPOSSIBLE),
        ("3+", Quarantine.GRADE_IMPOSSIBLE),
    ],
)
def test_traction_grades(text, expected):
    assert read_grade(text, scale="sustained_traction") == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2x45s", (2, 45)),
        ("3 x 1 min", (3, 60)),
        ("3 × 30 sec", (3, 30)),
        ("2/30", (2, 30)),
        ("90 s total", Quarantine.DOSE_UNREADABLE),
        ("two", Quarantine.DOSE_UNREADABLE),
    ],
)
def test_doses(text, expected):
    assert read_dose(text) == expected


def test_times_become_whole_seconds():
    assert read_seconds("1,5", unit="min", decimal_mark=",") == 90
    assert read_seconds("30.5", unit="s") is Quarantine.DOSE_UNREADABLE


def test_durations_use_the_mean_month_and_year_of_ucum():
    # UCUM 2.1: mo_j = a_j/12, a_j = 365.25 d.
    assert read_weeks("12", unit="mo") == round(365.25 / 7, 1) == 52.2
    assert read_weeks("1", unit="a") == 52.2
    assert read_weeks("14", unit="d") == 2.0
    assert read_weeks("2,5", unit="wk", decimal_mark=",") == 2.5


def test_pain_is_in_points_of_ten():
    assert read_pain("37", scale="0-100") == 3.7
    assert read_pain("7", scale="0-10") == 7.0
    assert read_pain("bad", scale="0-10") is Quarantine.WORDS_INSTEAD_OF_NUMBER


@pytest.mark.parametrize(
    ("text", "date_format", "expected"),
    [
        ("03/04/2025", "%d/%m/%Y", date(2025, 4, 3)),
        ("03/04/2025", "%m/%d/%Y", date(2025, 3, 4)),
        ("5.4.2024", "%d.%m.%Y", date(2024, 4, 5)),
        # A two-digit year does not fit: 24 is never read as the year 24.
        ("5.4.24", "%d.%m.%Y", Quarantine.DATE_UNREADABLE),
        ("31.02.2025", "%d.%m.%Y", Quarantine.DATE_UNREADABLE),
        ("2025-12-31", "%Y-%m-%d", Quarantine.DATE_IMPOSSIBLE),
        ("0024-04-05", "%Y-%m-%d", Quarantine.DATE_IMPOSSIBLE),
    ],
)
def test_dates_are_read_in_the_declared_format_alone(text, date_format, expected):
    assert read_date(text, date_format=date_format, latest=date(2025, 6, 30)) == expected


def test_a_fraction_is_no_whole_number():
    assert read_whole("3.0") == 3
    assert read_whole("2.5") is Quarantine.NOT_A_NUMBER
