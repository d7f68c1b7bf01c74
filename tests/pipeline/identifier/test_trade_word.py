"""Words of the trade."""

from pipeline.identifier.trade_word import is_trade_word, plain_letters, trade_words


def test_every_code_and_label_of_the_code_lists_is_a_word_of_the_trade():
    assert {"capsular", "distraction", "goniometer", "supine"} <= trade_words()
    assert is_trade_word("long-axis")
    assert is_trade_word("Kapsulär")
    assert is_trade_word("GLIDES")
    assert is_trade_word("goniometers")
    assert not is_trade_word("long-Quillmere")


def test_letters_are_compared_without_case_and_accents():
    assert plain_letters("Höft ÆØÅ Łódź") == "hoft aeoa lodz"
