"""Free text where a code or a number should stand."""

import pytest

from pipeline.identifier.free_text import is_free_text


@pytest.mark.parametrize(
    "text", ["saw her brother", "hard Quillmere", "x" * 61, "plays the violin"]
)
def test_free_text_is_found(text):
    assert is_free_text(text)


@pytest.mark.parametrize(
    "text",
    [
        "hard, painful",
        "bone to bone",
        "S 20-0-120",
        "unknowncode",
        "not tested",
        "40 mit Schmerz",
        "2 x 30 Sek.",
    ],
)
def test_codes_and_notations_are_none(text):
    assert not is_free_text(text)
