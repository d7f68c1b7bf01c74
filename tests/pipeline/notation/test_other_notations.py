"""Grades, doses, durations, pain, dates and whole numbers."""

from datetime import date
from types import SimpleNamespace

import pytest

from pipeline.notation.date import read_date
from pipeline.notation.dose import read_dose, read_seconds, read_weeks
from pipeline.notation.grade import read_grade
from pipeline.notation.number import read_whole
from pipeline.notation.pain import read_pain
from schemas.reason import REASON_TEXT, Quarantine


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
        ("3/4", Quarantine.TWO_GRADES),
        ("Gr. IV--", ("IV", "--")),
        ("Grad 3", ("III", "none")),
        ("G3", ("III", "none")),
        ("grado III", ("III", "none")),
        ("Ⅲ+", ("III", "+")),
        ("grade three", Quarantine.GRADE_UNREADABLE),
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
        ("90 s total", Quarantine.DOSE_TOTAL_ONLY),
        ("total 90 s", Quarantine.DOSE_TOTAL_ONLY),
        ("90s ges.", Quarantine.DOSE_TOTAL_ONLY),
        ("2 x 1:30", (2, 90)),
        ("2 x 1:75", Quarantine.DOSE_UNREADABLE),
        ('2×45"', (2, 45)),
        ("2x1'30\"", (2, 90)),
        ("2x2'", (2, 120)),
        ("3 sets of 30 s", (3, 30)),
        ("3x30 sec", (3, 30)),
        ("2 x 1,5 min", (2, 90)),
        ("30s x 2", (2, 30)),
        ("30x2", (30, 2)),  # sets come first where no unit says otherwise: the limits refuse it
        ("90", Quarantine.DOSE_UNREADABLE),
        ("90 s", Quarantine.DOSE_UNREADABLE),
        ("90 total", Quarantine.DOSE_UNREADABLE),
        ("2x1.25 s", Quarantine.DOSE_UNREADABLE),
        ("two", Quarantine.DOSE_UNREADABLE),
    ],
)
def test_doses(text, expected):
    assert read_dose(text) == expected


def test_a_total_time_is_one_set_where_the_codebook_says_so():
    assert read_dose("90s ges.", total_time="one_set") == (1, 90)
    assert read_dose("total: 1:30", total_time="one_set") == (1, 90)
    assert read_dose("2x45s", total_time="one_set") == (2, 45)
    assert read_dose("90 s", total_time="one_set") is Quarantine.DOSE_UNREADABLE


@pytest.mark.parametrize(
    ("text", "first", "second", "lower", "higher"),
    [
        ("3/4", "III", "IV", "III", "IV"),
        ("IV-III", "IV", "III", "III", "IV"),
        ("III–IV", "III", "IV", "III", "IV"),
        ("II to III", "II", "III", "II", "III"),
        ("Gr. II / Gr. I", "II", "I", "I", "II"),
    ],
)
def test_of_two_grades_the_one_counts_that_the_codebook_names(text, first, second, lower, higher):
    expected = {"first": first, "second": second, "lower": lower, "higher": higher}
    for rule, grade in expected.items():
        assert read_grade(text, scale="oscillatory", two_grades=rule) == (grade, "none")
    assert read_grade(text, scale="oscillatory") is Quarantine.TWO_GRADES


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("III-", ("III", "-")),  # nothing follows: a modifier
        ("III- / IV", ("III", "-")),
        ("III+-IV", ("III", "+")),
        ("IV-/IV+", ("IV", "-")),
        ("III--IV", Quarantine.GRADE_UNREADABLE),  # III- and IV, or III-- and IV?
        ("3/5", Quarantine.TWO_GRADES),  # grade 3 of five?
        ("II+/III", Quarantine.GRADE_IMPOSSIBLE),
        ("III/IV/V", Quarantine.GRADE_UNREADABLE),
    ],
)
def test_a_hyphen_is_a_modifier_or_a_band(text, expected):
    assert read_grade(text, scale="oscillatory", two_grades="lower") == expected


def test_two_grades_are_both_on_the_scale():
    found = read_grade("III/IV", scale="sustained_traction", two_grades="lower")
    assert found is Quarantine.GRADE_IMPOSSIBLE


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
    assert read_pain("37 mm", scale="0-100") == 3.7
    assert read_pain("37 mm", scale="0-10") is Quarantine.NOT_A_NUMBER


def test_a_written_pain_scale_is_the_declared_one():
    assert read_pain("5/10", scale="0-10") == 5.0
    assert read_pain("5 of 10", scale="0-10") == 5.0
    assert read_pain("50/100", scale="0-100") == 5.0
    assert read_pain("50/100", scale="0-10") is Quarantine.PAIN_IMPOSSIBLE
    assert read_pain("5/10", scale="0-100") is Quarantine.PAIN_IMPOSSIBLE
    assert read_pain("5/3", scale="0-10") is Quarantine.NOT_A_NUMBER


def test_a_band_of_pain_follows_the_rule_of_the_codebook():
    rule = SimpleNamespace(limit="refuse", band="midpoint", about="refuse")
    assert read_pain("4-5", scale="0-10") is Quarantine.CENSORED_OR_BANDED
    assert read_pain("4-5", scale="0-10", inexact=rule) == 4.5
    assert read_pain("4-5/10", scale="0-10", inexact=rule) == 4.5
    assert read_pain(">7", scale="0-10", inexact=rule) is Quarantine.CENSORED_OR_BANDED


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


LATEST = date(2025, 6, 30)


@pytest.mark.parametrize(
    ("text", "system", "expected"),
    [
        # Microsoft, DATEVALUE function: 1 January 2008 is serial number 39448 and 22 August 2011 is 40777.
        ("39448", "excel_1900", date(2008, 1, 1)),
        ("40777", "excel_1900", date(2011, 8, 22)),
        # ECMA-376 part 1, DATEVALUE: 1 February 2006 is 38749 and, in the 1904 system, 37287.
        ("38749", "excel_1900", date(2006, 2, 1)),
        ("37287", "excel_1904", date(2006, 2, 1)),
        ("43831", "excel_1900", date(2020, 1, 1)),  # from memory
        ("43831.75", "excel_1900", date(2020, 1, 1)),
        ("43831,999", "excel_1900", date(2020, 1, 1)),
        ("59", "excel_1900", Quarantine.DATE_IMPOSSIBLE),
        ("60", "excel_1900", Quarantine.DATE_IMPOSSIBLE),  # 29 February 1900 never was
        ("0", "excel_1904", Quarantine.DATE_IMPOSSIBLE),
        ("43,831", "excel_1900", Quarantine.DATE_IMPOSSIBLE),  # a thousands separator is not one
        ("45839", "excel_1900", Quarantine.DATE_IMPOSSIBLE),  # 1 July 2025, after the export
        ("2020-01-01", "excel_1900", Quarantine.DATE_UNREADABLE),
        ("-1", "excel_1900", Quarantine.DATE_UNREADABLE),
        ("4.3831E4", "excel_1900", Quarantine.DATE_UNREADABLE),
        ("9999999", "excel_1900", Quarantine.DATE_UNREADABLE),
    ],
)
def test_serial_numbers_of_spreadsheets(text, system, expected):
    assert read_date(text, date_format=system, latest=LATEST) == expected


def test_the_two_systems_of_serial_numbers_are_1462_days_apart():
    # Microsoft, "1900 date system and 1904 date system": the difference is 1462 days.
    one = read_date("40000", date_format="excel_1900", latest=LATEST)
    assert read_date("38538", date_format="excel_1904", latest=LATEST) == one
    assert 40000 - 38538 == 1462


def test_a_time_of_day_is_dropped():
    text, date_format = "5.4.2024 23:59:59", "%d.%m.%Y %H:%M:%S"
    assert read_date(text, date_format=date_format, latest=LATEST) == date(2024, 4, 5)
    unfinished = read_date("5.4.2024", date_format=date_format, latest=LATEST)
    assert unfinished is Quarantine.DATE_UNREADABLE


def test_every_reason_has_its_words():
    assert {*Quarantine} <= REASON_TEXT.keys()
    assert all(REASON_TEXT[reason].label and REASON_TEXT[reason].remedy for reason in Quarantine)


def test_a_fraction_is_no_whole_number():
    assert read_whole("3.0") == 3
    assert read_whole("2.5") is Quarantine.NOT_A_NUMBER
