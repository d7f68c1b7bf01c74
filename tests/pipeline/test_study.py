"""The content of a report: everything counted adds up, and nothing names a clinic or shows a small number."""

import dataclasses

import pytest

from pipeline.store.delivery import commit_delivery
from pipeline.store.ledger import create_store
from pipeline.store.snapshot import take_snapshot
from pipeline.study import clinic_letters, conduct_study
from pipeline.summary import cells_of
from schemas.errors import PlanError
from schemas.plan import Plan
from tests.conftest import KEY, LONG, bout_row, long_csv, range_row
from tests.pipeline.store.test_store import NOW

PLAN = {
    "report": "r", "version": 1, "date": "2026-06-30", "title": "t", "population": "Invented hips",
    "smallest_count": 3,
    "analyses": [
        {
            "question": "technique", "motion": "internal_rotation",
            "levels": ["lateral_distraction", "long_axis_distraction"],
            "primary": {"first": "lateral_distraction", "second": "long_axis_distraction"},
        },
        {"question": "bias", "motion": "internal_rotation"},
        {"question": "grade", "motion": "internal_rotation"},
    ],
}  # fmt: skip


def hip(person, place):
    """Two sides of one patient at one visit; every fourth side is not retested."""
    rows = []
    for side in ("L", "R"):
        tech = "LAT" if place % 2 else "LAX"
        who = {
            "id": f"{person}{place}",
            "hip": side,
            "sex": "F" if place % 3 else "M",
            "age": str(50 + place),
        }
        noise = place * 37 % 13 / 4 + (place * 11 + 5 * (side == "L")) % 7 / 4
        gain = 4 + place % 2 + noise
        pretest = 18 + place * 5 % 9
        rows += [
            range_row(1, pretest, pain="4", **who),
            bout_row(2, tech=tech, grade="III" if place % 3 else "II", **who),
            range_row(3, pretest + gain, pain="2", **who),
            bout_row(
                4,
                tech=tech,
                bias="IR" if place % 4 else "N",
                manner="c" if place % 4 else "",
                **who,
            ),
        ]
        if place % 2:
            rows += [
                range_row(1, "90", test="FLEX", **who),
                range_row(5, "95", test="FLEX", **who),
            ]
        if place % 4 or side == "L":
            last = gain + (place * 17 + 3 * (side == "L")) % 5 / 2
            rows.append(range_row(5, pretest + last, pain="2", **who))
    return rows


@pytest.fixture(scope="module")
def snapshot(tmp_path_factory):
    from pathlib import Path

    from pipeline.intake import prepare_delivery
    from pipeline.reading.export import read_export
    from schemas.settings import Settings
    from tests.conftest import signed

    folder = Path(tmp_path_factory.mktemp("study"))
    store = create_store(folder)
    for clinic, people in (("harbour", range(1, 25)), ("millrace", range(25, 41))):
        path = folder / f"{clinic}.csv"
        path.write_text(long_csv(*(row for p in people for row in hip(clinic[0], p))))
        codebook = signed(LONG, clinic=clinic)
        book = codebook.codebook
        reading = read_export(path, book.file, book.places)
        commit_delivery(store, prepare_delivery(reading, codebook, Settings(), KEY), KEY, NOW)
    return take_snapshot(store)


@pytest.fixture(scope="module")
def summary(snapshot):
    return conduct_study(snapshot, Plan.model_validate(PLAN))


def test_the_flow_adds_up_inside_every_unit(summary):
    shown = [
        step
        for step in summary.flow
        if all(c.value is not None for c in (*step.counts, *step.losses))
    ]
    assert len(shown) >= 3
    for step, following in zip(summary.flow, summary.flow[1:], strict=False):
        if step.counts[0].unit != following.counts[0].unit or step not in shown:
            continue
        lost = sum(cell.value for cell in step.losses)
        assert step.counts[0].value == lost + following.counts[0].value, step.label
    assert summary.flow[-1].counts[0].value == summary.comparisons[0].fit[0].value


def test_the_counts_are_those_of_the_records(summary):
    counts = {cell.name: cell.value for cell in cells_of(summary)}
    # 40 patients with two sides, three readings each; every fourth patient's right side lacks the last.
    # Every second patient has a flexion pair on both sides as well.
    assert counts["flow.in_use"] == 40 * 2 * 3 - 10 + 20 * 2 * 2
    assert counts["flow.pairs.other_motion"] == 20 * 2
    assert counts["flow.compared"] == 80 - 10
    assert counts["flow.compared.patients"] == 40
    assert counts["retests.all.treated"] == 80
    assert counts["retests.all.full"] == 70
    assert counts["table_one.patients.1"] == counts["table_one.patients.2"] == 20


def test_no_clinic_is_named(summary):
    text = str(dataclasses.asdict(summary))
    assert "harbour" not in text
    assert "millrace" not in text
    assert {row.label for row in summary.retests.rows} == {"Clinic A", "Clinic B", "All clinics"}


def test_letters_say_nothing_of_the_clinic_and_change_with_the_records():
    clinics = tuple(f"clinic{i}" for i in range(40))
    letters = clinic_letters(clinics, "a" * 64)
    assert len(set(letters.values())) == 40
    assert letters == clinic_letters(clinics[::-1], "a" * 64)
    assert letters != clinic_letters(clinics, "b" * 64)
    assert sorted(letters, key=letters.get) != list(clinics)


def test_every_name_stands_for_one_number(summary):
    seen = {}
    for cell in cells_of(summary):
        assert seen.setdefault(cell.name, cell) == cell


def test_the_questions_are_answered_from_their_own_pairs(summary):
    technique, bias, gain, pain = summary.comparisons
    assert [c.pair_kind for c in summary.comparisons] == [
        "within_visit",
        "stepwise",
        "within_visit",
        "within_visit",
    ]
    assert technique.primary.cell.value == pytest.approx(1.0, abs=1.0)
    assert (gain.outcome, pain.outcome) == ("gain", "pain")
    assert bias.fit[0].value == 70
    assert "at least two levels" in pain.problem  # the second bout is III for everyone


def test_limits_are_those_that_apply(summary):
    assert set(summary.limits) == {
        "not_assigned", "few_clinics", "retests_missing", "no_measurement_error", "between_people_only",
    }  # fmt: skip
    assert summary.period == "2026"


def test_the_same_snapshot_and_plan_give_the_same_content(snapshot, summary):
    assert conduct_study(snapshot, Plan.model_validate(PLAN)) == summary


def test_a_plan_without_records_is_refused(snapshot):
    empty = dataclasses.replace(snapshot, tables={n: t.clear() for n, t in snapshot.tables.items()})
    with pytest.raises(PlanError, match="no measured test") as error:
        conduct_study(empty, Plan.model_validate(PLAN))
    assert "Ingest" in error.value.remedy
