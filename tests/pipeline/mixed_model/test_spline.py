"""Natural cubic spline: the space of curves is the one that reference programs span."""

import numpy as np
import patsy
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline

from pipeline.mixed_model.spline import natural_spline_basis, spline_column

KNOTS, BOUNDARY = (20.0, 45.0, 60.0), (5.0, 110.0)
PLACES = (BOUNDARY[0], *KNOTS, BOUNDARY[1])
INSIDE = np.linspace(*BOUNDARY, 211)
AROUND = np.linspace(-60.0, 200.0, 521)


def with_intercept(values):
    return np.column_stack([np.ones(len(values)), natural_spline_basis(values, KNOTS, BOUNDARY)])


def unfitted(target, basis):
    """Largest residual of least squares, relative to the target's size."""
    coefficients = np.linalg.lstsq(basis, target, rcond=None)[0]
    return np.abs(target - basis @ coefficients).max() / np.abs(target).max()


def natural_curve(heights):
    """Natural cubic spline through the knots by scipy, drawn out as straight lines."""
    curve = CubicSpline(PLACES, heights, bc_type="natural")

    def evaluate(values):
        inside = np.clip(values, *BOUNDARY)
        return curve(inside) + curve(inside, 1) * (values - inside)

    return evaluate


@pytest.mark.parametrize("seed", range(5))
def test_spans_the_natural_splines_of_scipy_and_their_straight_ends(seed):
    # scipy.interpolate.CubicSpline(bc_type="natural"); fitted inside, compared inside and outside.
    curve = natural_curve(np.random.default_rng(seed).normal(0, 10, len(PLACES)))
    coefficients = np.linalg.lstsq(with_intercept(INSIDE), curve(INSIDE), rcond=None)[0]
    assert with_intercept(AROUND) @ coefficients == pytest.approx(curve(AROUND), abs=1e-9)


def test_spans_the_space_of_patsy_and_no_more():
    # patsy.cr, the natural cubic regression spline of patsy (after Wood 2006), with the same knots.
    reference = np.asarray(
        patsy.dmatrix(
            "cr(x, knots=knots, lower_bound=low, upper_bound=high) - 1",
            {"x": INSIDE, "knots": KNOTS, "low": BOUNDARY[0], "high": BOUNDARY[1]},
        )
    )
    own = with_intercept(INSIDE)
    assert reference.shape == own.shape == (211, 5)
    assert unfitted(reference, own) < 1e-9
    assert unfitted(own, reference) < 1e-9


def test_columns_are_those_of_the_equations():
    # Hastie, Tibshirani & Friedman 2009, equations 5.4-5.5, for knots 0, 1, 2, by hand:
    # d1 = (x^3 - (x-2)^3+)/2, d2 = ((x-1)^3+ - (x-2)^3+)/1; divided by the range, 2.
    # x=0.5: d1 = 1/16, d2 = 0. x=1.5: d1 = 27/16, d2 = 1/8. x=2: d1 = 4, d2 = 1.
    # x=3: d1 = (27-1)/2 = 13, d2 = 8-1 = 7.
    found = natural_spline_basis(np.array([-1.0, 0.5, 1.5, 2.0, 3.0]), (1.0,), (0.0, 2.0))
    expected = [[-1, 0], [0.5, 1 / 32], [1.5, 25 / 32], [2, 1.5], [3, 3]]
    assert found == pytest.approx(np.array(expected), abs=1e-14)


def test_second_derivative_is_zero_at_and_beyond_the_boundary_and_not_within():
    step = 0.5
    places = np.array([-40.0, BOUNDARY[0] - step, BOUNDARY[1] + step, 400.0])

    def second(x):
        low, middle, high = (natural_spline_basis(x + d, KNOTS, BOUNDARY) for d in (-step, 0, step))
        return (low - 2 * middle + high) / step**2

    assert np.abs(second(places)).max() < 1e-11
    assert np.abs(second(np.array([50.0, 70.0]))[:, 1:]).min() > 1e-3
    # It goes to zero in proportion to the distance from the boundary, on its inner side.
    near, nearer = (np.abs(second(np.array([BOUNDARY[1] - d]))[0, 1:]) for d in (4.0, 2.0))
    assert near == pytest.approx(2 * nearer, rel=1e-8)


@given(
    places=st.lists(st.integers(-200, 200), min_size=3, max_size=7, unique=True).map(sorted),
    away=st.lists(st.floats(0, 1000), min_size=2, max_size=2),
    side=st.sampled_from([0, -1]),
)
def test_is_straight_beyond_the_boundary(places, away, side):
    knots, boundary = tuple(places[1:-1]), (places[0], places[-1])
    near, far = sorted(away)
    sign = 1 if side else -1
    x = places[side] + sign * np.array([near, (near + far) / 2, far])
    low, middle, high = natural_spline_basis(x, knots, boundary)
    assert middle == pytest.approx((low + high) / 2, rel=1e-9, abs=1e-9)


def test_values_come_in_their_own_unit():
    # In minutes or in seconds, the columns differ by the factor 60 as the values do.
    seconds = natural_spline_basis(AROUND, KNOTS, BOUNDARY)
    knots, boundary = tuple(k / 60 for k in KNOTS), (BOUNDARY[0] / 60, BOUNDARY[1] / 60)
    minutes = natural_spline_basis(AROUND / 60, knots, boundary)
    assert minutes * 60 == pytest.approx(seconds, rel=1e-9, abs=1e-9)


def test_missing_values_stay_missing():
    found = natural_spline_basis(np.array([np.nan, 50.0]), KNOTS, BOUNDARY)
    assert np.isnan(found).tolist() == [[True] * 4, [False] * 4]


def test_one_column_is_that_of_the_basis():
    basis = natural_spline_basis(AROUND, KNOTS, BOUNDARY)
    for index in range(4):
        assert np.array_equal(spline_column(AROUND, KNOTS, BOUNDARY, index=index), basis[:, index])
