"""Exports that identify someone: each holds what its name says, and is stopped for that reason alone."""

import csv
import re

import pytest

from pipeline.reading.export import read_export
from pipeline.screening import screen
from schemas.errors import DeliveryError
from synthetic_data.codebook import read_codebook
from synthetic_data.identifier_export import identifier_exports

CLAIMS = {
    "email": ("EndFeel", r"\S.* [a-z.]+@[a-z]+\.example", 1),
    "phone": ("EndFeel", r"0[\d ]{9,}", 1),
    "name": ("PatientNo", r"[A-Z][a-z]+ [A-Z][a-z]+", 1),
    "birth_date": ("BirthDate", r"19\d\d-\d\d-\d\d", 3),
    "undeclared": ("Postcode", r"[A-Z]+\d+ \d[A-Z]+", 3),
}
"""Kind to the column that identifies, how it looks there, and in how many records."""

SAID = {
    "email": "“EndFeel” holds an e-mail address",
    "phone": "“EndFeel” holds a telephone number",
    "name": "“PatientNo” holds a person's name",
    "birth_date": "“BirthDate” is named like a date of birth",
    "undeclared": "does not declare the column “Postcode”",
}


@pytest.fixture
def exports(tmp_path):
    made = identifier_exports(tmp_path)
    return {export.path.stem.removeprefix("identifier_"): export for export in made}


def read(export, codebook):
    return read_export(export.path, codebook.file, codebook.places, codebook.set_aside)


def records(export):
    with export.path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_each_kind_has_one_export(exports):
    assert list(exports) == list(CLAIMS)


@pytest.mark.parametrize("kind", CLAIMS)
def test_it_holds_what_it_claims_and_nothing_else(exports, kind):
    column, pattern, n = CLAIMS[kind]
    rows = records(exports[kind])
    assert len(rows) == 3
    assert sum(bool(re.fullmatch(pattern, row[column])) for row in rows) == n
    for other, (elsewhere, other_pattern, _) in CLAIMS.items():
        if other != kind and elsewhere in rows[0]:
            assert not any(re.fullmatch(other_pattern, row[elsewhere]) for row in rows), other


@pytest.mark.parametrize("kind", CLAIMS)
def test_its_codebook_is_valid_and_signed_off(exports, kind):
    codebook = read_codebook(exports[kind].codebook_path.read_text(encoding="utf-8"))
    assert codebook.reviewed_by is not None
    assert codebook.reviewed_on is not None
    unknown = set(records(exports[kind])[0]) - set(codebook.columns) - set(codebook.ignore)
    assert unknown == ({"Postcode"} if kind == "undeclared" else set())


def test_the_birth_date_is_declared_as_something_else(exports):
    text = exports["birth_date"].codebook_path.read_text(encoding="utf-8")
    assert read_codebook(text).columns["BirthDate"].field == "activity"


@pytest.mark.parametrize("kind", CLAIMS)
def test_the_screen_stops_it_for_that_reason_and_shows_no_value(exports, kind):
    export = exports[kind]
    codebook = read_codebook(export.codebook_path.read_text(encoding="utf-8"))
    with pytest.raises(DeliveryError) as stopped:
        screen(read(export, codebook), codebook)
    said = str(stopped.value)
    assert SAID[kind] in said
    assert "nothing was stored" in said
    column, pattern, _ = CLAIMS[kind]
    for row in records(export):
        if re.fullmatch(pattern, row[column]):
            assert row[column] not in said


@pytest.mark.parametrize("kind", ["email", "phone", "name"])
def test_without_the_planted_cell_the_export_passes(exports, kind):
    export = exports[kind]
    column, pattern, _ = CLAIMS[kind]
    rows = records(export)
    kept = [row for row in rows if not re.fullmatch(pattern, row[column])]
    assert len(kept) == 2
    with export.path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(kept)
    codebook = read_codebook(export.codebook_path.read_text(encoding="utf-8"))
    assert screen(read(export, codebook), codebook)["rows"].height == 2
