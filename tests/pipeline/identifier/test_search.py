"""The search: what each column may hold, the share rule for check digits, and what is shown."""

import time

import numpy as np
import polars as pl
import pytest

from pipeline.identifier.search import find_identifiers, search_values
from pipeline.reading.reading import RECORD
from schemas.codebook import Codebook
from schemas.column import Column
from synthetic_data.person_number import PERSON_NUMBERS, draw_person_number

CODEBOOK = {
    "codebook": "events",
    "clinic": "harbour",
    "version": 1,
    "delivery": {"kind": "full"},
    "file": {"missing": ["k.A."]},
    "columns": {
        "id": {"field": "patient"},
        "visit": {"field": "visit"},
        "day": {"field": "visit_date", "date_format": "%Y-%m-%d"},
        "hip": {"field": "side", "codes": {"L": "left", "R": "right"}},
        "seq": {"field": "event"},
        "kind": {"field": "row_kind"},
        "test": {"field": "definition", "codes": {"Quillmere Test": "hip_flexion_supine_passive"}},
        "angle": {"field": "angle", "unit": "deg"},
        "feel": {"field": "end_feel", "codes": {"cap": "capsular"}},
    },
    "records": [
        {"table": "patient"},
        {"table": "visit"},
        {"table": "range_test", "when": {"kind": ["Poppy Row"]}},
    ],
}


def search(named=None, codebook=None, **columns):
    layout = Codebook.model_validate(codebook or CODEBOOK).layout
    n = max(len(values) for values in columns.values())
    frame = pl.DataFrame(
        {h: columns.get(h, [""] * n) for h in layout.columns}
        | {RECORD: [2 * record for record in range(1, n + 1)]}  # torn rows leave gaps
    )
    return list(find_identifiers(frame, layout, named))


def test_a_finding_says_where_how_often_and_which_class_and_shows_no_letter():
    found = search(feel=["cap", "a.b@example.org", "cap", "c.d@example.org", "a.b@example.org"])
    (mail,) = [finding for finding in found if finding.safe_harbor == "F"]
    assert (mail.column, mail.what) == ("feel", "an e-mail address")
    assert (mail.n_values, mail.record, mail.masked) == (2, 4, "x.x@xxxxxxx.xxx")
    assert not [f for f in found if "example" in f.masked]


@pytest.mark.parametrize(
    "column", ["id", "visit", "day", "hip", "seq", "kind", "test", "angle", "feel"]
)
def test_a_mail_address_is_found_in_every_column(column):
    assert "F" in {f.safe_harbor for f in search(**{column: ["", "a.b@example.org"]})}


def test_what_the_codebook_names_is_no_name_and_no_missing_marker_is_searched():
    assert search(kind=["Poppy Row"], test=["Quillmere Test"], feel=["k.A."]) == []
    assert {f.column for f in search(kind=["Poppy Quillmere"], test=["Quillmere, T."])} == {
        "kind",
        "test",
    }
    assert search(named={"hip": ["Poppy Hip"]}, hip=["Poppy Hip"]) == []
    assert search(hip=["Poppy Hip"]) != []


def test_each_value_is_told_once_by_what_tells_most():
    (finding,) = search(feel=["k.quill@example.org"])
    assert finding.what == "an e-mail address"
    (finding,) = search(feel=["123-45-6789"])
    assert finding.what == "a social security number"


def test_a_date_is_allowed_in_a_date_column_and_in_a_visit_number_alone():
    days = ["2025-05-05", "31.02.2025", "12.03.2052", "5. Mai 2025"]
    assert search(day=days) == []
    assert search(visit=days[:3]) == []
    assert {f.safe_harbor for f in search(feel=days)} >= {"C"}
    assert {f.safe_harbor for f in search(id=["1951-03-02"])} == {"C"}


def test_plain_numbers_are_never_searched():
    assert search(angle=["45", "0.52359877559", "0,6981", "-5", "123456", "1.2024"]) == []


def test_an_age_over_89_is_allowed_in_a_column_of_ages():
    ages = pl.Series(["94", "94 years"])
    assert list(search_values(ages, (), Column(field="age_years"))) == []
    assert list(search_values(ages, (), Column(field="activity"))) != []


@pytest.mark.parametrize("scheme", sorted(PERSON_NUMBERS))
def test_national_numbers_of_a_whole_column_are_found_among_person_numbers(scheme):
    rng = np.random.default_rng(5)
    numbers = [draw_person_number(rng, scheme) for _ in range(60)]
    assert "G" in {f.safe_harbor for f in search(id=numbers)}


@pytest.mark.parametrize(
    "scheme", ["GB health service", "NL BSN", "PL PESEL", "IN Aadhaar", "NO fødselsnummer"]
)
def test_three_mistyped_ones_of_sixty_do_not_hide_them_and_other_numbers_beside_them_neither(
    scheme,
):
    rng = np.random.default_rng(6)
    numbers = [draw_person_number(rng, scheme).replace(" ", "") for _ in range(60)]
    mistyped = [n[:-1] + str((int(n[-1]) + 1) % 10) for n in numbers[:3]]
    others = [f"T{n:05d}" for n in range(200)]
    assert {"G"} == {f.safe_harbor for f in search(id=mistyped + numbers[3:] + others)}


@pytest.mark.parametrize("n_digits", range(7, 15))
def test_arbitrary_and_consecutive_person_numbers_hold_no_check_digit(n_digits):
    rng = np.random.default_rng(n_digits)
    low, high = 10 ** (n_digits - 1), 10**n_digits - 1
    arbitrary = [str(n) for n in rng.integers(low, high, 500)]
    consecutive = [str(low + 203_151_000 % low + n) for n in range(500)]
    assert search(id=arbitrary) == []
    assert search(id=consecutive) == []


def test_person_numbers_of_random_letters_and_digits_raise_no_alarm():
    raw = np.random.default_rng(8).bytes(16 * 5_000).hex()
    rows = [raw[i : i + 32] for i in range(0, len(raw), 32)]
    shapes = [
        [f"{r[:8]}-{r[8:12]}-{r[12:16]}-{r[16:20]}-{r[20:]}" for r in rows],
        rows,
        [r[:8].upper() for r in rows],
        [f"{r[:4]}-{int(r[4:9], 16):07d}" for r in rows],
        [f"HAR/{2000 + int(r[:1], 16)}/{int(r[1:5], 16):05d}" for r in rows],
        [f"P{int(r[:3], 16)}.{int(r[3:6], 16)}" for r in rows],
    ]
    for texts in shapes:
        for field in ("patient", "visit", "episode", "clinician"):
            found = list(search_values(pl.Series(texts).unique(), (), Column(field=field)))
            assert [(p.what, hits[0]) for p, hits in found] == []


def test_a_few_numbers_that_hold_by_chance_are_not_believed():
    assert search(id=["9434765919"]) == []  # one in eleven ten-digit numbers passes
    assert search(id=["9434765919", "H1", "H2"]) == []


@pytest.mark.parametrize(
    "text",
    [
        "123-45-6789",
        "GB82WEST12345698765432",
        "AB123456C",
        "Quillmere",
        "Poppy Quillmere",
        "+49 30 23125123",
        "12 Quillmere Street",
    ],
)
def test_one_unmistakable_identifier_among_person_numbers_is_enough(text):
    assert [f.column for f in search(id=["H00001", text])] != []


def test_zip_codes_of_three_digits_pass_where_many_live_behind_them():
    codebook = CODEBOOK | {"columns": CODEBOOK["columns"] | {"ZIP": {"field": "activity"}}}
    assert search(codebook=codebook, ZIP=["100", "941", "000"]) == []
    (finding,) = search(codebook=codebook, ZIP=["100", "036", "36", "893", "000"])
    assert (finding.safe_harbor, finding.n_values, finding.record) == ("B", 3, 4)
    assert "B" in {f.safe_harbor for f in search(codebook=codebook, ZIP=["100", "10001"])}


def test_a_header_alone_is_a_finding_without_a_value():
    codebook = CODEBOOK | {
        "columns": CODEBOOK["columns"] | {"Date of birth": {"field": "activity"}}
    }
    (finding,) = search(codebook=codebook, id=["H1"])
    assert (finding.safe_harbor, finding.n_values, finding.record, finding.masked) == (
        "C",
        0,
        0,
        "",
    )


def test_a_million_person_numbers_are_searched_in_seconds():
    texts = pl.Series([f"{(n * 7919 + 1_234_567) % 10**10:010d}" for n in range(1_000_000)])
    began = time.perf_counter()
    assert list(search_values(texts, (), Column(field="patient"))) == []
    assert (
        time.perf_counter() - began < 10
    )  # 0.4 s on a quiet machine; a shared one may be far slower
