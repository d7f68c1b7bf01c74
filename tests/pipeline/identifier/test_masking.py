"""What may be shown of a cell."""

import pytest

from pipeline.identifier.masking import mask, shown_value


def test_a_mask_shows_the_shape_alone():
    assert mask("Kim Exampleton, 2.3.1951") == "xxx xxxxxxxxxx, 9.9.9999"
    assert mask("Ćwiąkała 7") == "xxxxxxxx 9"
    assert len(mask("x" * 500)) == 40


@pytest.mark.parametrize(
    "text", [">45", "120-0-20", "2x45s", "full", "III", "0,6981", "n/a", "iv-"]
)
def test_numbers_and_words_of_the_trade_are_shown(text):
    assert shown_value(text) == text


@pytest.mark.parametrize(
    ("text", "shown"),
    [("030 1234567", "999 9999999"), ("Kim", "xxx"), ("1234567", "9999999"), ("H12", "x99")],
)
def test_everything_else_is_masked(text, shown):
    assert shown_value(text) == shown
