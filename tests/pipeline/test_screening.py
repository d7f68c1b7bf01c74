"""The screen: an identifier in any cell stops the export, and the message does not repeat it."""

import pytest

from pipeline.identifier.masking import mask
from schemas.errors import CodebookError, DeliveryError
from tests.conftest import LONG, long_csv, range_row


@pytest.mark.parametrize(
    ("row", "column", "what", "secret"),
    [
        (range_row(1, "25", feel="a.b@example.org"), "feel", "an e-mail address", "example"),
        (range_row(1, "25", feel="+49-30-1234567"), "feel", "a telephone number", "1234567"),
        (range_row(1, "25", feel="(555)-123-4567"), "feel", "a telephone number", "4567"),
        (range_row(1, "25", feel="030/7654321"), "feel", "a telephone number", "7654321"),
        (
            range_row(1, "25", feel="01711234567"),
            "feel",
            "a telephone number",
            "1234567",
        ),
        (range_row(1, "25", feel="123-45-6789"), "feel", "a social security number", "6789"),
        (range_row(1, "25", feel="1951-03-02"), "feel", "a date outside a date column", "1951"),
        (range_row(1, "25", feel="2.3.51"), "feel", "a date outside a date column", "51"),
        (range_row(1, "25", feel="https://example.org/p/1"), "feel", "a web address", "example"),
        (range_row(1, "25", feel="10.20.30.40"), "feel", "a network address", "10.20"),
        (range_row(1, "25", id="Exampleton"), "id", "a person's name", "Exampleton"),
        (range_row(1, "25", id="EXAMPLETON"), "id", "a person's name", "EXAMPLETON"),
        (range_row(1, "25", who="Ng"), "who", None, "Ng"),
        (range_row(1, "a.b@example.org"), "angle", "an e-mail address", "example"),
    ],
)
def test_an_identifier_stops_the_export(deliver, row, column, what, secret):
    if what is None:  # two letters are as likely a code
        deliver(long_csv(row))
        return
    with pytest.raises(DeliveryError) as error:
        deliver(long_csv(range_row(1, "20"), row))
    assert f"column “{column}” holds {what} in 1 value (first in record 2" in error.value.problem
    assert "nothing was stored" in error.value.problem
    assert "ignore" in error.value.remedy
    assert secret not in str(error.value)


def test_a_full_name_among_the_person_numbers_is_found(deliver):
    text = long_csv(range_row(1, "25")).replace("A1", '"Exampleton, Kim"')
    with pytest.raises(DeliveryError, match="a person's name"):
        deliver(text)


@pytest.mark.parametrize(
    "header", ["Date of birth", "DOB", "Geburtsdatum", "First name", "e-mail", "PLZ"]
)
def test_a_header_that_promises_an_identifier_is_refused_however_declared(deliver, header):
    columns = LONG["columns"] | {header: {"field": "activity"}}
    text = long_csv(range_row(1, "25")).replace(",note", f",note,{header}").replace(",\n", ",,\n")
    with pytest.raises(DeliveryError, match="is named like"):
        deliver(text, columns=columns)


def test_an_undeclared_column_is_refused_and_an_ignored_one_dropped(deliver):
    text = long_csv(range_row(1, "25", note="anything-at-all@example.org"))
    assert "note" not in deliver(text).raw.columns
    with pytest.raises(DeliveryError) as error:
        deliver(text, ignore={})
    assert "does not declare the column “note”" in error.value.problem


def test_a_declared_column_that_is_missing_is_named_with_its_neighbours(deliver):
    text = long_csv(range_row(1, "25")).replace("angle", "angles")
    with pytest.raises((CodebookError, DeliveryError)) as error:
        deliver(text, ignore={"note": "free text", "angles": "for this test"})
    assert "column “angle”" in error.value.place
    assert "nearest: angles" in error.value.problem


def test_clean_exports_raise_no_alarm(deliver):
    row = range_row(1, "0.52359877", id="H-000123", who="T-07", age="45", pain="3", feel="cap")
    assert deliver(long_csv(row)).account["source_row"]["accepted"] == 1


def test_a_mask_shows_the_shape_alone():
    assert mask("Kim Exampleton, 2.3.1951") == "xxx xxxxxxxxxx, 9.9.9999"
    assert len(mask("x" * 500)) == 40
