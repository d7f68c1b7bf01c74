"""Holm p-values and simultaneous intervals of a family, against published tables and worked examples."""

import numpy as np
import pytest

from pipeline.cell import Cell
from pipeline.multiplicity import adjust_family


def contrast(place, value=1.0, error=1.0, df=20.0, p_value=0.01):
    return Cell(f"c{place}", "a − b", "deg", value, 30, standard_error=error, degrees_of_freedom=df,
                p_value=p_value)  # fmt: skip


def factor(cells, covariance):
    """Half width over standard error, the same for all."""
    found = adjust_family(cells, np.asarray(covariance))
    halves = [(c.simultaneous_high - c.simultaneous_low) / 2 / c.standard_error for c in found]
    assert halves == pytest.approx([halves[0]] * len(halves), rel=1e-4)
    return halves[0]


@pytest.mark.parametrize(
    ("n_contrasts", "df", "printed"),
    [
        # Dunnett CW (1955) JASA 50:1096-1121, table 2a as reprinted with correlation 1/2, two-sided
        # 5 % (from memory).
        (1, 20, 2.09), (2, 20, 2.38), (3, 20, 2.54), (2, 10, 2.57), (2, 60, 2.27),
    ],
)  # fmt: skip
def test_intervals_are_dunnetts_where_levels_are_compared_with_one(n_contrasts, df, printed):
    covariance = np.full((n_contrasts, n_contrasts), 0.5) + 0.5 * np.eye(n_contrasts)
    cells = tuple(contrast(i, df=float(df)) for i in range(n_contrasts))
    assert round(factor(cells, covariance), 2) == printed


def test_intervals_lie_between_students_and_bonferronis_and_narrow_with_correlation():
    cells = (contrast(0), contrast(1))
    factors = [factor(cells, [[1.0, r], [r, 1.0]]) for r in (0.0, 0.5, 0.9)]
    # Student's t table: 2.086 at 20 degrees of freedom (5 %), 2.423 at 2.5 %, Bonferroni's for two.
    assert 2.086 < factors[2] < factors[1] < factors[0] < 2.423


def test_each_interval_is_around_its_own_estimate_in_its_own_unit():
    cells = (contrast(0, value=5.0, error=2.0), contrast(1, value=-1.0, error=0.5))
    found = adjust_family(cells, np.array([[4.0, 0.2], [0.2, 0.25]]))
    for cell in found:
        middle = (cell.simultaneous_low + cell.simultaneous_high) / 2
        assert middle == pytest.approx(cell.value, abs=1e-5)
    widths = [c.simultaneous_high - c.simultaneous_low for c in found]
    assert widths[0] / widths[1] == pytest.approx(4.0, rel=1e-5)


def test_the_smallest_degrees_of_freedom_hold_for_the_family():
    covariance = np.array([[1.0, 0.5], [0.5, 1.0]])
    mixed = (contrast(0, df=10.0), contrast(1, df=500.0))
    same = (contrast(0, df=10.0), contrast(1, df=10.0))
    assert factor(mixed, covariance) == factor(same, covariance)


def test_p_values_are_holms():
    # Worked out by hand after Holm (1979): 4 × 0.005, 3 × 0.011, 2 × 0.02 and at least that.
    cells = tuple(contrast(i, p_value=p) for i, p in enumerate((0.02, 0.005, 0.03, 0.011)))
    found = adjust_family(cells, np.eye(4))
    assert [c.adjusted_p_value for c in found] == pytest.approx([0.04, 0.02, 0.04, 0.033])


def test_a_contrast_without_an_estimate_does_not_count():
    blank = Cell("c9", "a − b", "deg", None, 30, status="n", note="why")
    cells = (contrast(0), blank, contrast(1, p_value=0.04))
    covariance = np.array([[1.0, 9.0, 0.5], [9.0, 9.0, 9.0], [0.5, 9.0, 1.0]])
    found = adjust_family(cells, covariance)
    assert found[1] == blank
    assert [found[i].adjusted_p_value for i in (0, 2)] == pytest.approx([0.02, 0.04])
    alone = adjust_family((cells[0], cells[2]), np.array([[1.0, 0.5], [0.5, 1.0]]))
    assert (found[0], found[2]) == alone
    assert adjust_family((blank,), np.ones((1, 1))) == (blank,)
