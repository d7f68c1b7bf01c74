"""The distribution of the largest |t| keeps its bounds whatever its numerical error."""

import numpy as np
import pytest
from scipy.stats import t

from pipeline.mixed_model.largest_t import LargestT, find_quantile, largest_t, student_tail

SIZES = np.array([0.5, 2.0, 4.0])


def test_a_table_that_is_too_small_gives_students_tail():
    short = LargestT(rank=3, n_distinct=4, reach=np.array([0.1]), share=np.array([1.0]))
    assert short.tail(SIZES, 9.0) == pytest.approx(2 * t.sf(SIZES, 9.0), rel=1e-12)


def test_a_table_that_is_too_large_gives_sidaks_bound():
    long = LargestT(rank=8, n_distinct=3, reach=np.array([1.0]), share=np.array([1.0]))
    expected = 1 - (1 - 2 * t.sf(SIZES, 9.0)) ** 3
    assert long.tail(SIZES, 9.0) == pytest.approx(expected, rel=1e-9)


def test_the_shares_are_those_of_all_directions_and_no_reach_exceeds_one():
    found = largest_t(np.array([[1.0, 0.3, 1.0], [0.3, 1.0, 0.3], [1.0, 0.3, 1.0]]))
    assert (found.rank, found.n_distinct) == (2, 2)
    assert found.share.sum() == pytest.approx(1.0, abs=1e-12)
    # Between two axes cos(x) >= cos(half their angle); 0.3 is the cosine of the axes' angle, and the
    # wider gap is that of -0.3.
    assert found.reach.min() == pytest.approx(np.sqrt((1 - 0.3) / 2), abs=3e-4)
    assert found.reach.max() == pytest.approx(1.0, abs=3e-4)


def test_very_many_degrees_of_freedom_are_the_normal_distribution():
    assert student_tail(2.0, 1e9) == student_tail(2.0, np.inf)
    assert student_tail(2.0, 9e7) == pytest.approx(student_tail(2.0, np.inf), rel=1e-7)


def test_a_quantile_far_out_is_found():
    # Cauchy's distribution: P(|T| > c) = 1 - 2 atan(c) / pi.
    found = find_quantile(lambda c: float(student_tail(c, 1.0)), 0.9999)
    assert found == pytest.approx(np.tan(0.9999 * np.pi / 2), rel=1e-8)
