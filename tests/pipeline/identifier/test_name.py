"""Names by their form; all are made up."""

import pytest

from pipeline.identifier.name import is_marked_name, is_name, is_single_name


@pytest.mark.parametrize(
    "text",
    [
        "Poppy Quillmere", "Quillmere, Poppy", "quillmere poppy", "P. Quillmere", "Quillmere P.", "Dr. Quillmere", "Frau von der Mühlau",
        "van der Hooghe", "de la Fontenelle", "O'Farrowby, M", "ÍÑIGO DE LOS ARRAYALES", "Mrs A. B. Wexcombe-Combe", "Лунёва Зоряна",
        "M. Ravignac", "note: Dr Quillmere says", "Αλκυόνη Θαλασσίδη",
    ],
)  # fmt: skip
def test_a_name_is_found(text):
    assert is_name(text)


@pytest.mark.parametrize(
    "text",
    [
        "Hard capsular", "bone to bone", "fest elastisch", "R 35 L 40", "gr 3+", "III--", "left hip", "Long axis distraction", "Grade IV", "T 1", "S 20-0-120",
        "L", "cap", "sehr stark", "pain, muscular", "Innenrotation links", "M", "d", "Physio B", "R(F90) 45-0-30", "N. n.",
    ],
)  # fmt: skip
def test_words_of_the_trade_are_no_names(text):
    assert not is_name(text)


@pytest.mark.parametrize(
    "text",
    [
        "Quillmere",
        "QUILLMERE",
        "quillmere",
        "O'Farrowby",
        "Wex-Combe",
        "k.quillmere",
        "p_quillmere2",
        "莫须有",
        "莫 须有",
    ],
)
def test_one_word_is_a_name_among_person_numbers(text):
    assert is_single_name(text)


@pytest.mark.parametrize(
    "text", ["H00012", "AB", "Ng", "T-07", "Physio", "test", "A1", "7f3a9c2e", "PT-B", "K.L."]
)
def test_numbers_and_initials_are_no_single_names(text):
    assert not is_single_name(text)


def test_some_single_words_are_names_anywhere():
    assert all(
        map(is_marked_name, ("Agnieszka", "BIRGIT", "McTavendale", "L’Hermitain", "Nowakiewicz"))
    )
    assert not any(map(is_marked_name, ("capsular", "Quillmere", "Kapsel", "Max", "mus")))
