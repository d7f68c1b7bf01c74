"""Places, and the ZIP codes of 45 CFR 164.514(b)(2)(i)(B)."""

import polars as pl
import pytest

from pipeline.identifier.place import PLACES, RESTRICTED_ZIP_PREFIXES, unsafe_zip


def is_place(text):
    return any(
        pl.Series([text]).str.contains(p.regex)[0] and (p.holds is None or p.holds(text))
        for p in PLACES
    )


def test_the_restricted_prefixes_are_the_seventeen_of_the_census_of_2000():
    # guidance of the Department of Health and Human Services (2012), question on ZIP codes
    listed = (
        "036, 059, 063, 102, 203, 556, 692, 790, 821, 823, 830, 831, 878, 879, 884, 890, and 893"
    )
    assert listed.replace(" and", "").split(", ") == sorted(RESTRICTED_ZIP_PREFIXES)
    assert len(RESTRICTED_ZIP_PREFIXES) == 17
    assert all(len(prefix) == 3 and prefix.isdigit() for prefix in RESTRICTED_ZIP_PREFIXES)


def test_three_digits_may_stay_unless_few_people_live_there():
    assert not any(map(unsafe_zip, ("100", "000", "941", " 606 ")))
    assert all(
        map(unsafe_zip, ("036", "36", "59", "63", "893", "10001", "10001-1234", "1000", "x"))
    )


@pytest.mark.parametrize(
    "text",
    [
        "12 Quillmere Street", "4 high mill close", "PO Box 12", "Tannhofstraße 7", "Krähenweg 7a", "Eichstetter Str. 9", "Am Mühlgraben 4",
        "12, rue de la Fontenelle", "12 bis avenue Clairvaudon", "Calle Villarrosa 8", "Via Castelverdi 3", "Hooghelaan 3", "Storholmsgatan 4",
        "Fjellbergveien 3", "ul. Brzozogaju 5", "Rua da Ribalta 5", "ZZ9 9ZZ", "K1A 0B1", "12345-6789", "CA 90001", "PLZ 10115", "D-10115",
        "10115 Quillstadt", "1234 ZX", "114 55 Björkdalen", "30-120 Brzozogaj", "1200-123",
    ],
)  # fmt: skip
def test_an_address_or_postcode_is_found(text):
    assert is_place(text)


@pytest.mark.parametrize(
    "text",
    [
        "S 20-0-120", "30-120", "45-120", "IR90 4ER", "R 35 L 40", "90 s total", "3 x 1 min", "120-0-20", "45", "10115", "2x45s", "90 deg", "40 degrees",
        "M16.11", "L-1234"[:4], "3 sets st", "am Gelenk 3", "Grad 3", "1200 deg",
    ],
)  # fmt: skip
def test_measurements_are_no_places(text):
    assert not is_place(text)
