"""Tables of a comparison: what stands under the contrasts, and what is said of the model."""

import dataclasses

import pytest

from pipeline.disclosure import protect_summary
from reports.section import comparison_section
from reports.table.comparison import contrasts_table, model_table
from reports.table.content import shown_entries

CAUTIOUS = (
    "A spread between groups was estimated at zero. With only 5 degrees of freedom (clinics, less the "
    "terms that differ only between clinics) the interval of the primary contrast would be {}."
)


def test_the_cautious_interval_stands_under_the_contrasts(network):
    technique = network.comparisons[0]
    notes = contrasts_table(technique, 11).notes
    assert "simultaneous interval decides" in notes[0]
    assert notes[1:] == (CAUTIOUS.format("0.6 to 3.1°"),)
    pain = dataclasses.replace(technique.cautious, unit="points")
    shown = contrasts_table(dataclasses.replace(technique, cautious=pain, family=()), 11).notes
    assert shown == (CAUTIOUS.format("0.6 to 3.1\N{NO-BREAK SPACE}points"),)
    without = dataclasses.replace(technique, cautious=None)
    assert contrasts_table(without, 11).notes == notes[:1]


def test_the_cautious_interval_is_withheld_with_the_primary_contrast(network):
    technique = network.comparisons[0]
    few = dataclasses.replace(technique.levels[0].cell, n_patients=3)
    level = dataclasses.replace(technique.levels[0], cell=few)
    changed = dataclasses.replace(technique, levels=(level, *technique.levels[1:]))
    safe = protect_summary(dataclasses.replace(network, comparisons=(changed,))).comparisons[0]
    assert (safe.primary.cell.status, safe.cautious.status) == ("c", "c")
    assert (safe.cautious.low, safe.cautious.note) == (None, "")
    assert len(contrasts_table(safe, 11).notes) == 1


def test_the_spreads_are_listed_with_what_to_know_of_them(network):
    table = model_table(network.comparisons[0], 11)
    rows = {row.label: shown_entries(table, row) for row in table.rows}
    assert [e.text for e in rows["Between clinics"]] == ["0.0", "°", "estimated at zero"]
    assert rows["Between patients"][0].text.startswith("2.3")


@pytest.mark.parametrize(
    ("adjusted_for", "varying", "said"),
    [
        (("pretest",), ("patient", "clinic"),
         ["Adjusted for pretest.", "Taken as varying at random from one to the next: patient, clinic."]),
        (("pretest", "clinic"), ("patient",),
         ["Adjusted for pretest, clinic.", "Taken as varying at random from one to the next: patient.",
          ("With fewer than five clinics each has a mean of its own; nothing is said on how far clinics "
           "differ.")]),
    ],
)  # fmt: skip
def test_what_is_random_and_what_is_fixed_is_said(network, adjusted_for, varying, said):
    comparison = dataclasses.replace(
        network.comparisons[0], adjusted_for=adjusted_for, varying=varying, dropped=()
    )
    section = comparison_section(network, comparison)
    assert list(section.model_words) == said
