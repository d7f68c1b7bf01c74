"""Headers that promise an identifier; words of each language are common practice, no source."""

import pytest

from pipeline.identifier.header import is_zip_header, promised_identifiers


@pytest.mark.parametrize(
    ("header", "letters"),
    [
        ("Surname", "A"), ("PatientName", "A"), ("Vorname", "A"), ("Prénom", "A"), ("Nazwisko", "A"), ("Фамилия", "A"),
        ("PLZ", "B"), ("Wohnort", "B"), ("código postal", "B"), ("home_address", "B"), ("Straße", "B"), ("Ort", "B"),
        ("DOB", "C"), ("BirthDate", "C"), ("Fødselsdato", "C"), ("Date de naissance", "C"), ("Sterbedatum", "C"),
        ("Téléphone", "D"), ("Handy", "D"), ("Fax No.", "E"), ("eMail", "F"), ("SSN", "G"), ("NHS No", "G"),
        ("MRN", "H"), ("Fallnummer", "H"), ("Versicherten-Nr.", "I"), ("IBAN", "J"), ("Driver's license", "K"),
        ("Kennzeichen", "L"), ("Seriennummer", "M"), ("Website", "N"), ("IPAddress", "O"), ("Fingerprint", "P"),
        ("patient_photo", "Q"), ("User ID", "R"),
    ],
)  # fmt: skip
def test_a_header_promises_its_class(header, letters):
    found = promised_identifiers(header, "activity")
    assert "".join(promise.safe_harbor for promise in found) == letters


@pytest.mark.parametrize(
    "header",
    [
        "Name of test", "Test name", "Gerät", "Device", "Mobility", "Mobilisation", "Serien", "Nombre de séries", "Datum", "Date",
        "Age", "Alter", "EndFeel", "Endgefühl", "Cap", "Winkel_rad", "Site", "VisitNo", "Visit date", "Photo angle app",
        "Retest", "Bout", "Grade", "Dose", "Hip", "Cell line", "Row", "DNA",
    ],
)  # fmt: skip
def test_headers_of_the_trade_promise_nothing(header):
    found = promised_identifiers(header, "visit_date" if "dat" in header.lower() else "angle")
    assert [p for p in found if p.safe_harbor != "Q"] == []


@pytest.mark.parametrize(
    "header", ["PatientNo", "Patient ID", "Fallnummer", "Dossier", "MRN", "Case no"]
)
@pytest.mark.parametrize("field", ["patient", "visit", "episode", "clinician"])
def test_a_person_number_may_be_called_so_where_it_belongs(header, field):
    assert promised_identifiers(header, field) == ()


def test_a_day_of_admission_may_head_a_visit_date_and_a_day_of_birth_never():
    assert promised_identifiers("Admission date", "visit_date") == ()
    assert promised_identifiers("Admission date", "activity")[0].safe_harbor == "C"
    assert promised_identifiers("Date of birth", "visit_date")[0].safe_harbor == "C"
    assert promised_identifiers("Patient name", "patient")[0].safe_harbor == "A"


def test_zip_headers_are_told_from_others():
    assert [h for h in ("ZIP", "Zip code", "ZIP3", "zipcode", "Zipper", "PLZ") if is_zip_header(h)] == [
        "ZIP", "Zip code", "ZIP3", "zipcode",
    ]  # fmt: skip
