"""What may be said: three short sentences, no causal word, direction by rule."""

import dataclasses
import re

import pytest

from pipeline.summary import Verdict
from reports.catalogue import render_catalogue
from reports.phrase import isolated
from reports.wording import against_error, findings, heading, primary_sentence, verdict_words
from reports.wording_en import FORBIDDEN, LIMITS, TEXT

_FORBIDDEN = re.compile(r"\b(?:" + "|".join(FORBIDDEN) + r")\b", re.IGNORECASE)


def _with(comparison, word, value=None, **changes):
    contrast = comparison.primary
    cell = contrast.cell if value is None else dataclasses.replace(contrast.cell, value=value)
    primary = dataclasses.replace(contrast, cell=cell, verdict=Verdict(word, is_simultaneous=False))
    return dataclasses.replace(comparison, primary=primary, **changes)


def _all_variants(summary):
    for comparison in summary.comparisons:
        if comparison.primary is None:
            yield dataclasses.replace(summary, comparisons=(comparison,))
            continue
        for word in ("larger", "smaller", "alike", "unsure", "none"):
            for codes in ((code,) for code in LIMITS):
                yield dataclasses.replace(
                    summary,
                    comparisons=(_with(comparison, word),),
                    limits=(*codes, "retests_missing"),
                )


def test_findings_are_three_short_sentences_whatever_the_result(summary):
    for variant in _all_variants(summary):
        said = findings(variant)
        assert len(said) == 3
        for sentence in said:
            assert len(sentence.split()) <= 25, sentence
            assert sentence.endswith(".")
            assert len(re.findall(r"[.!?](?=\s|$)", sentence)) == 1, sentence
            abbreviations = re.findall(r"\b[A-Z]{2,}\b", sentence)
            assert abbreviations == [], sentence


def test_findings_of_the_network(network):
    compared, found, open_question = findings(network)
    assert compared == (
        "We compared three treatments for gain of internal rotation, "
        "in 12\u202f043\u00a0matched test pairs of 1002\u00a0patients from six clinics."
    )
    assert found == (
        "Lateral distraction went with larger gains than long-axis distraction: 1.8° "
        "(95\u00a0% confidence interval 0.9 to 2.8); measurement error in one patient: 8.3°."
    )
    assert open_question == (
        "Clinicians chose the treatments, and 76\u00a0% of treated sides were fully retested: "
        "these records can't tell what another choice would have brought."
    )


def test_the_forbidden_list_catches_what_it_is_for():
    for claim in ("caused gain", "It led to more", "improves range", "is effective", "it works", "a better technique",
                  "no difference", "a trend towards", "significant", "due to the glide", "causal"):  # fmt: skip
        assert _FORBIDDEN.search(claim), claim
    assert not _FORBIDDEN.search(
        "a network of clinics; reproduce; inferior glide went with more range"
    )


def test_no_rendered_page_holds_a_forbidden_word(files, read_page):
    assert _FORBIDDEN.findall(read_page(files["index.html"]).text) == []
    assert _FORBIDDEN.findall(read_page(render_catalogue([])).text) == []
    for path, content in files.items():
        if path.startswith("data/"):
            assert _FORBIDDEN.findall(content.decode()) == [], path


def test_no_string_of_the_catalogue_holds_a_forbidden_word():
    limits = [part for pair in LIMITS.values() for part in pair]
    assert [text for text in (*TEXT.values(), *limits) if _FORBIDDEN.search(text)] == []


@pytest.mark.parametrize(
    ("word", "expected"),
    [
        (
            "larger",
            "Lateral distraction went with larger gains of internal rotation than long-axis distraction",
        ),
        (
            "smaller",
            "Lateral distraction went with smaller gains of internal rotation than long-axis distraction",
        ),
        ("alike", "Lateral distraction and long-axis distraction were alike within ±2.0°"),
        ("unsure", "Which technique went with more internal rotation?"),
        ("none", "Which technique went with more internal rotation?"),
    ],
)
def test_a_heading_states_the_result_only_where_the_verdict_allows(network, word, expected):
    assert heading(_with(network.comparisons[0], word)) == expected


def test_unsure_gives_the_differences_that_fit(network):
    assert primary_sentence(_with(network.comparisons[0], "unsure")) == (
        "Lateral distraction or long-axis distraction: the records can't tell which gain was larger; differences from "
        "0.9° to 2.8° fit them."
    )


def test_pain_is_worded_by_the_sign_of_its_difference(network):
    pain = network.comparisons[3]
    for word in ("larger", "smaller"):
        fell_by_more = _with(pain, word, value=-0.8)
        assert (
            heading(fell_by_more)
            == "Grades aimed at range went with a larger fall in pain than grades aimed at pain"
        )
        assert verdict_words(fell_by_more, fell_by_more.primary) == "pain fell by more"
        fell_by_less = _with(pain, word, value=0.8)
        assert (
            heading(fell_by_less)
            == "Grades aimed at range went with a smaller fall in pain than grades aimed at pain"
        )
        assert verdict_words(fell_by_less, fell_by_less.primary) == "pain fell by less"


@pytest.mark.parametrize(
    ("value", "words"),
    [(0.2, "less than a tenth of"), (2.77, "about a third of"), (-2.77, "about a third of"), (4.2, "about half of"),
     (8.3, "about as large as"), (12.0, "larger than")],
)  # fmt: skip
def test_a_difference_is_set_against_the_measurement_error(network, value, words):
    said = against_error(_with(network.comparisons[0], "larger", value=value))
    assert (
        f"is {words} the smallest change the measurement can tell apart in one patient (8.3°; invented source)"
        in said
    )


def test_without_a_measurement_error_it_says_so(single_clinic):
    assert against_error(single_clinic.comparisons[0]) == TEXT["no_error"]


def test_a_withheld_contrast_is_named_withheld_without_numbers(network):
    main = network.comparisons[0]
    cell = dataclasses.replace(main.primary.cell, value=None, status="c")
    primary = dataclasses.replace(
        main.primary, cell=cell, verdict=Verdict("none", is_simultaneous=False)
    )
    changed = dataclasses.replace(
        network, comparisons=(dataclasses.replace(main, primary=primary),)
    )
    assert findings(changed)[1] == (
        "The difference between lateral distraction and long-axis distraction is withheld for confidentiality."
    )


def test_the_pretest_sentence_follows_the_three_contrasts(network_files, read_page):
    said = read_page(network_files["index.html"]).sentences
    agree = [s for s in said if s.startswith("The three ways of handling the pretest agree;")]
    disagree = [s for s in said if s.startswith("The three ways of handling the pretest disagree,")]
    assert (len(agree), len(disagree)) == (3, 1)  # only the bias question disagrees


def test_right_to_left_labels_are_isolated():
    assert isolated("plain") == "plain"
    assert isolated("\u05d0\u05d1") == "\u2068\u05d0\u05d1\u2069"
    assert isolated("a\u200fb") == "\u2068a\u200fb\u2069"
