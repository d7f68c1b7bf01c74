"""Disclosure control: nothing small is shown, and nothing withheld can be worked out."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cell import Cell
from pipeline.disclosure import protect_sum, protect_summary, protect_table, withhold_small
from pipeline.summary import cells_of
from tests.reports.conftest import build_network

SMALLEST = 11


def cell(name, value):
    return Cell(str(name), str(name), "patients", value, value)


def cells(*values):
    return tuple(cell(place, value) for place, value in enumerate(values))


def shown(protected):
    return [None if c.status == "c" else c.value for c in protected]


@pytest.mark.parametrize(("value", "expected"), [(0, 0), (1, None), (10, None), (11, 11)])
def test_one_to_ten_are_withheld_and_a_true_zero_is_not(value, expected):
    # CMS cell size suppression policy (ResDAC, version 2024-01-26): no cell of 1 to 10; 0 may be shown.
    assert shown([withhold_small(cell("a", value), SMALLEST)]) == [expected]


def test_a_withheld_cell_holds_no_number_at_all():
    full = Cell(
        "a", "l", "deg", 1.5, 7, 1.0, 2.0, 0.5, 2.5, 0.2, 9.0, 0.01, 0.02, 3.0, 9, 20, "", "a note"
    )
    left = withhold_small(full, SMALLEST)
    numbers = {
        name: v for name, v in vars(left).items() if name not in {"name", "label", "unit", "status"}
    }
    assert set(numbers.values()) == {None, ""}
    assert left.status == "c"


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ((45, 6), (None, None)),  # the other one gives it away
        ((45, 20, 6), (45, None, None)),
        ((45, 20, 6, 7), (45, 20, None, None)),  # together 13, and not told apart
        ((45, 20, 3, 4), (45, None, None, None)),  # together 7: the sum itself would be small
        ((45, 20, 0), (45, 20, 0)),
        ((6, 0, 0), (None, None, None)),  # nothing to hide behind: zeros go as well
        ((45, 20), (45, 20)),
    ],
)
def test_a_sum_with_a_small_part_hides_enough(values, expected):
    assert tuple(shown(protect_sum(cells(*values), SMALLEST))) == expected


def test_the_table_of_the_worked_example():
    # Rows A 45/6, B 38/22, C 60/14 with all totals published: hiding the 6 alone fails twice.
    rows = tuple(
        (cell(f"{n}1", a), cell(f"{n}2", b))
        for n, a, b in (("A", 45, 6), ("B", 38, 22), ("C", 60, 14))
    )
    grid = [shown(row) for row in protect_table(rows, SMALLEST)]
    assert grid == [[None, None], [38, 22], [None, None]]


def possible(values, hidden):
    """All ways to fill the hidden places that keep the total: what a reader can work out."""
    total = sum(values[i] for i in hidden)
    return [
        fill
        for fill in itertools.product(range(total + 1), repeat=len(hidden))
        if sum(fill) == total
    ]


@settings(max_examples=150, deadline=None)
@given(st.lists(st.integers(0, 30), min_size=1, max_size=5), st.integers(2, 12))
def test_no_withheld_count_follows_from_the_total(values, smallest):
    protected = shown(protect_sum(cells(*values), smallest))
    hidden = [i for i, v in enumerate(protected) if v is None]
    assert all(v is None for v, true in zip(protected, values, strict=True) if 0 < true < smallest)
    if not hidden or len(values) == 1:
        return
    fills = possible(values, hidden)
    for place in range(len(hidden)):
        found = {fill[place] for fill in fills}
        assert len(found) > 1, (values, protected)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(*[st.integers(0, 40)] * 3), min_size=2, max_size=4))
def test_every_row_and_column_of_a_table_is_safe(values):
    rows = tuple(
        tuple(cell(f"{i}.{j}", v) for j, v in enumerate(row)) for i, row in enumerate(values)
    )
    grid = [shown(row) for row in protect_table(rows, SMALLEST)]
    for line, true in [
        *zip(grid, values, strict=True),
        *zip(zip(*grid, strict=True), zip(*values, strict=True), strict=True),
    ]:
        hidden = [t for v, t in zip(line, true, strict=True) if v is None]
        assert all(v is None for v, t in zip(line, true, strict=True) if 0 < t < SMALLEST)
        if hidden and len(hidden) < len(line):
            assert len(hidden) > 1
            assert sum(hidden) >= SMALLEST


def test_protecting_twice_changes_nothing():
    once = protect_summary(build_network())
    assert protect_summary(once) == once


def test_no_cell_of_a_summary_rests_on_few_patients():
    protected = protect_summary(build_network())
    for found in cells_of(protected):
        if found.n_patients is not None:
            assert found.n_patients == 0 or found.n_patients >= protected.smallest_count, found.name
