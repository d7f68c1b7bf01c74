"""Complementary suppression, attacked: what a reader could work out is worked out by brute force."""

import itertools
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cell import Cell
from pipeline.disclosure import protect_summary, protect_table
from pipeline.summary import (
    Characteristic,
    ContrastResult,
    FlowStep,
    Level,
    RetestRow,
    Retests,
    Verdict,
    cells_of,
)
from tests.reports.conftest import build_network


def count(name, value, unit="pairs", patients=None):
    return Cell(name, name, unit, value, value if patients is None else patients)


def table_of(values):
    return tuple(
        tuple(count(f"{i}.{j}", v, "patients") for j, v in enumerate(row))
        for i, row in enumerate(values)
    )


def rows_that_fit(shown, total):
    """All ways to fill one row's hidden places with its total kept."""
    hidden = [place for place, value in enumerate(shown) if value is None]
    left = total - sum(value for value in shown if value is not None)
    for fill in itertools.product(range(left + 1), repeat=max(len(hidden) - 1, 0)):
        if not hidden:
            yield shown
            return
        if sum(fill) <= left:
            row = list(shown)
            for place, value in zip(hidden, (*fill, left - sum(fill)), strict=True):
                row[place] = value
            yield row


def possible_tables(shown, values):
    """All tables that a reader of the shown cells and of all totals can't rule out."""
    columns = [sum(column) for column in zip(*values, strict=True)]
    choices = [list(rows_that_fit(s, sum(v))) for s, v in zip(shown, values, strict=True)]
    for table in itertools.product(*choices):
        if [sum(column) for column in zip(*table, strict=True)] == columns:
            yield table


SIZES = st.sampled_from([(2, 2), (3, 2), (2, 3), (3, 3)])
TABLES = SIZES.flatmap(
    lambda size: st.lists(
        st.lists(st.integers(0, 7), min_size=size[1], max_size=size[1]),
        min_size=size[0],
        max_size=size[0],
    )
)


@settings(max_examples=120, deadline=None)
@given(TABLES)
def test_no_small_count_of_a_table_with_all_totals_can_be_shown_to_be_small(values):
    smallest = 4
    grid = protect_table(table_of(values), smallest)
    shown = [[None if c.status == "c" else c.value for c in row] for row in grid]
    small = [(i, j) for i, row in enumerate(values) for j, v in enumerate(row) if 0 < v < smallest]
    assert all(shown[i][j] is None for i, j in small)
    if not small or all(v is None for row in shown for v in row):
        return  # nothing is left to hide behind
    most = dict.fromkeys(small, 0)
    for table in possible_tables(shown, values):
        for i, j in small:
            most[i, j] = max(most[i, j], table[i][j])
        if all(value >= smallest for value in most.values()):
            return
    # A count may be bounded only where all that it could hide behind is withheld already.
    for (i, j), bound in most.items():
        row, column = shown[i], [line[j] for line in shown]
        rest = [v for v in (*row, *column) if v]
        assert bound >= smallest or not rest, (values, shown, (i, j), bound)


def test_lines_that_are_safe_one_by_one_can_give_a_count_away_together():
    # Every row and column has two hidden cells of 11 or more together, and yet the 1 would follow:
    # rows 1 and 2 share two columns with it alone left over (a bridge between two cycles).
    values = [
        [20, 12, 90, 90, 90],
        [14, 13, 1, 90, 90],
        [90, 90, 15, 16, 90],
        [90, 90, 90, 17, 18],
        [90, 90, 90, 19, 21],
    ]
    grid = protect_table(table_of(values), 11)
    hidden = {c.name for row in grid for c in row if c.status == "c"}
    assert "1.2" in hidden
    row = [c for c in grid[1] if c.status == "c"]
    column = [r[2] for r in grid if r[2].status == "c"]
    assert len(row) > 1
    assert len(column) > 1


def summary(**changes):
    return replace(build_network(), **changes)


def find(found, name):
    return next(
        cell
        for cell in cells_of((found.comparisons, found.flow, found.table_one, found.retests))
        if cell.name == name
    )


def test_a_single_small_loss_does_not_follow_from_the_steps_around_it():
    flow = (
        FlowStep("before", (count("before", 120),), (count("lost", 6),)),
        FlowStep("after", (count("after", 114),), ()),
    )
    protected = protect_summary(summary(flow=flow, comparisons=(), before_after=None)).flow
    shown = {c.name: c.value for step in protected for c in (*step.counts, *step.losses)}
    assert shown["lost"] is None
    assert None in {shown["before"], shown["after"]}


def test_few_patients_lost_between_two_steps_do_not_follow_from_their_numbers():
    flow = (
        FlowStep("before", (count("t", 300), count("t.p", 106, "patients")), ()),
        FlowStep("middle", (count("m", 250), count("m.p", 103, "patients")), ()),
        FlowStep("after", (count("a", 200), count("a.p", 100, "patients")), ()),
    )
    protected = protect_summary(summary(flow=flow, comparisons=(), before_after=None)).flow
    assert [step.counts[1].value for step in protected] == [None, None, 100]


def level(group, label, n_patients, n_pairs=None):
    name = f"x.{group or 'level'}.{label}"
    return Level(
        group,
        label,
        Cell(name, label, "deg", 3.0, n_patients, 2.0, 4.0, n_pairs=n_pairs or n_patients),
    )


def contrast(first, second, n_patients, n_pairs):
    cell = Cell(
        f"x.contrast.{first}-{second}", "", "deg", 1.0, n_patients, 0.5, 2.0, n_pairs=n_pairs
    )
    return ContrastResult(first, second, cell, Verdict("larger", is_simultaneous=True))


def small_third_level():
    """A 60, B 20 and C 6 pairs; A's pairs are 54 and 6 by bias."""
    main = build_network().comparisons[0]
    return replace(
        main,
        levels=(level("", "A", 60), level("", "B", 20), level("", "C", 6)),
        cells=(level("A", "held", 54), level("A", "neutral", 6), level("B", "held", 20)),
        primary=contrast("A", "B", 20, 80),
        family=(contrast("A", "C", 6, 66), contrast("B", "C", 6, 26)),
        pretest=(),
        fit=(count("x.fit.pairs", 86, patients=86), count("x.fit.patients", 86, "patients")),
        not_modelled=(),
    )


def test_a_withheld_level_does_not_follow_from_finer_cells_contrasts_or_the_model():
    done = protect_summary(summary(comparisons=(small_third_level(),), flow=(), before_after=None))
    one = done.comparisons[0]
    # C is small; B goes with it, as 86 - 60 - 20 would give C away.
    assert [lv.cell.n_pairs for lv in one.levels] == [60, None, None]
    # 60 - 54 = 6 would give the finer cell away, whatever is withheld under another technique.
    assert [lv.cell.n_pairs for lv in one.cells] == [None, None, None]
    # A - B rests on 80 pairs: 80 - 60 would be B again, and B's mean would follow from A's.
    assert all(r.cell.status == "c" for r in (one.primary, *one.family))
    assert {r.verdict.word for r in (one.primary, *one.family)} == {"none"}


def test_nothing_of_a_column_of_few_patients_is_left_not_even_its_zeros_and_their_base():
    cells = tuple(Cell(f"p.{i}", "patients", "patients", n, n) for i, n in enumerate((40, 6)))
    zeros = tuple(
        Cell(f"z.{i}", "zero", "patients", n, n, base=b)
        for i, (n, b) in enumerate(((20, 40), (0, 6)))
    )
    none = Cell("d", "", "", 0.2, 6)
    table = replace(
        build_network().table_one,
        rows=(
            Characteristic("Patients", "Patients", "count", cells, replace(none, name="d1")),
            Characteristic("Side", "left", "share", zeros, replace(none, name="d2")),
        ),
    )
    done = protect_summary(summary(table_one=table, comparisons=(), before_after=None)).table_one
    assert [(row.cells[1].value, row.cells[1].base) for row in done.rows] == [(None, None)] * 2
    assert done.rows[0].cells[0].value == 40


def test_the_number_with_a_known_age_does_not_give_the_number_without_away():
    cells = tuple(Cell(f"p.{i}", "patients", "patients", 100, 100) for i in range(2))
    mean = (
        Cell("m.0", "Age", "years", 50.0, 94, sd=9.0),
        Cell("m.1", "Age", "years", 52.0, 100, sd=9.0),
    )
    missing = (
        Cell("n.0", "no age", "patients", 6, 6, base=100),
        Cell("n.1", "no age", "patients", 0, 0, base=100),
    )
    blank = Cell("d", "", "", None, None, status="z")
    table = replace(
        build_network().table_one,
        rows=tuple(
            Characteristic(h, label, kind, c, replace(blank, name=f"{label}.d"))
            for h, label, kind, c in (
                ("Patients", "Patients", "count", cells),
                ("Age", "Age", "mean", mean),
                ("Age", "Age: not recorded", "share", missing),
            )
        ),
    )
    done = protect_summary(summary(table_one=table, comparisons=(), before_after=None)).table_one
    assert done.rows[2].cells[0].status == "c"
    assert (done.rows[1].cells[0].value, done.rows[1].cells[0].n_patients) == (50.0, None)
    assert done.rows[1].cells[1].n_patients == 100


def test_the_share_goes_with_its_count_and_the_reasons_do_not_give_it_back():
    done = protect_summary(build_network()).retests
    for row in done.rows:
        if row.full.status == "c" or row.treated.status == "c":
            assert row.share_full.status == "c"


@pytest.mark.parametrize("smallest", [2, 11, 40, 200])
def test_protecting_twice_changes_nothing_at_any_smallest_count(smallest):
    once = protect_summary(summary(smallest_count=smallest))
    assert protect_summary(once) == once


def retest_row(name, full, partial, none):
    cells = [
        count(f"{name}.{what}", value, "sides")
        for what, value in (("full", full), ("partial", partial), ("none", none))
    ]
    n = full + partial + none
    share = Cell(f"{name}.share", "", "share", full / n, n, base=n)
    return RetestRow(name, count(f"{name}.treated", n, "sides"), *cells, share)


def protected_retests(rows, reasons):
    retests = Retests(tuple(rows), reasons)
    done = protect_summary(summary(retests=retests, comparisons=(), flow=(), before_after=None))
    return done.retests


def test_a_clinics_withheld_kind_does_not_follow_from_the_other_clinics():
    rows = (
        retest_row("A", 60, 6, 30),
        retest_row("B", 70, 40, 50),
        retest_row("C", 80, 45, 55),
        retest_row("all", 210, 91, 135),
    )
    shown = {
        row.label: [c.value for c in (row.full, row.partial, row.none)]
        for row in protected_retests(rows, ()).rows
    }
    assert shown["A"][1] is None
    partial = [shown[label][1] for label in ("A", "B", "C", "all")]
    assert partial.count(None) > 1, shown  # 91 - 40 - 45 = 6


def test_a_withheld_reason_does_not_follow_from_all_that_are_not_full():
    rows = (retest_row("A", 60, 20, 30), retest_row("all", 60, 20, 30))
    reasons = (count("r.1", 44, "sides"), count("r.2", 6, "sides"))  # 50 sides are not full
    done = protected_retests(rows, reasons)
    assert [reason.value for reason in done.reasons] == [None, None]


def test_a_count_that_stands_in_two_tables_is_withheld_in_both():
    # The model says 114 again, and lists what was lost once more.
    model = replace(
        small_third_level(),
        levels=(level("", "A", 70), level("", "B", 44)),
        cells=(),
        family=(),
        primary=None,
        fit=(count("x.fit.pairs", 114), count("x.fit.patients", 114, "patients")),
        not_modelled=tuple(
            replace(count(f"x.not.{what}", n), label=what)
            for what, n in (("lost", 6), ("other", 31))
        ),
    )
    flow = (
        FlowStep("before", (count("before", 151),), (count("lost", 6), count("other", 31))),
        FlowStep("after", (count("after", 114),), ()),
    )
    done = protect_summary(summary(flow=flow, comparisons=(model,), before_after=None))
    shown = {c.name: c.value for c in cells_of((done.flow, done.comparisons))}
    assert shown["lost"] is None
    assert shown["x.not.lost"] is None
    assert None in {shown["before"], shown["other"], shown["after"]}, "151 - 114 - 31 = 6"
    assert shown["other"] == shown["x.not.other"]
    assert shown["after"] == shown["x.fit.pairs"]
