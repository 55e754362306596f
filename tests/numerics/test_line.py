"""Lines: certified data elsewhere; here other algorithms, symmetries, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from corephys.numerics import line


def _scatter(seed, n=9, slope=-0.7):
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(0, 10, n))
    ux, uy = rng.uniform(0.1, 0.5, n), rng.uniform(0.1, 0.5, n)
    y = 3.0 + slope * x + rng.normal(0, 0.4, n)
    return x + rng.normal(0, ux), y, ux, uy


def _full_covariance(seed, n):
    rng = np.random.default_rng(seed)
    root = rng.normal(0, 0.3, (n, n))
    return root @ root.T + 0.02 * np.eye(n)


@pytest.mark.parametrize("seed", range(4))
def test_generalised_line_is_the_minimum_over_the_true_points(seed):
    """The adjusted points are parameters of their own: least squares in n + 2 unknowns."""
    x, y, *_ = _scatter(seed, 8)
    cx, cy = _full_covariance(seed + 10, 8), _full_covariance(seed + 20, 8)
    wx, wy = (np.linalg.inv(np.linalg.cholesky(c)) for c in (cx, cy))

    def residual(p):
        return np.concatenate([wx @ (x - p[2:]), wy @ (y - p[0] - p[1] * p[2:])])

    found = line.generalised_line(x, y, cx, cy)
    start = np.concatenate([[found.intercept + 0.1, found.slope * 1.05], x])
    best = optimize.least_squares(residual, start, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert found.intercept == pytest.approx(best.x[0], rel=1e-6)
    assert found.slope == pytest.approx(best.x[1], rel=1e-6)
    assert found.chi_square == pytest.approx(2.0 * best.cost, rel=1e-9)
    # Gauss-Newton covariance of the two parameters among all of them.
    whole = np.linalg.inv(best.jac.T @ best.jac)[:2, :2]
    np.testing.assert_allclose(found.covariance, whole, rtol=1e-4)


def test_correlation_of_the_two_errors_of_a_point():
    """York's line against a search for the least sum of squares with correlated errors."""
    x, y, ux, uy = _scatter(5)
    r = np.linspace(-0.6, 0.6, x.size)

    def chi_square(p):
        variance = uy**2 + p[1] ** 2 * ux**2 - 2.0 * p[1] * r * ux * uy
        return float(np.sum((y - p[0] - p[1] * x) ** 2 / variance))

    found = line.york(x, y, ux, uy, r)
    options = {"xatol": 1e-10, "fatol": 1e-13, "maxiter": 4000}
    start = [found.intercept + 0.1, found.slope * 1.1]
    best = optimize.minimize(chi_square, start, method="Nelder-Mead", options=options)
    assert found.slope == pytest.approx(best.x[1], rel=1e-6)
    assert found.intercept == pytest.approx(best.x[0], rel=1e-6)
    assert found.chi_square == pytest.approx(best.fun, rel=1e-9)


def test_exact_abscissae_leave_generalised_least_squares():
    x, y, *_ = _scatter(6)
    cy = _full_covariance(7, x.size)
    found = line.generalised_line(x, y, np.zeros(x.size), cy)
    design = np.column_stack([np.ones(x.size), x])
    whole = np.linalg.inv(design.T @ np.linalg.solve(cy, design))
    np.testing.assert_allclose(found.covariance, whole, rtol=1e-9)
    expected = whole @ design.T @ np.linalg.solve(cy, y)
    np.testing.assert_allclose([found.intercept, found.slope], expected, rtol=1e-9)
    diagonal = line.generalised_line(x, y, np.zeros(x.size), np.full(x.size, 0.09))
    plain = line.ordinary_line(x, y, np.full(x.size, 0.3))
    np.testing.assert_allclose(diagonal.covariance, plain.covariance, rtol=1e-9)


def test_a_slope_of_zero_settles():
    x = np.arange(6.0)
    y = np.array([1.0, -1.0, 0.0, 0.0, -1.0, 1.0])
    for found in (
        line.generalised_line(x, y, np.full(6, 0.01), np.ones(6)),
        line.york(x, y, np.full(6, 0.1), np.ones(6)),
        line.orthogonal_line(x, y),
        line.ordinary_line(x, y),
    ):
        assert found.slope == pytest.approx(0.0, abs=1e-12)
        assert found.intercept == pytest.approx(0.0, abs=1e-12)


def test_major_axis_is_the_first_principal_axis():
    for slope in (-3.0, -0.2, 0.3, 8.0):
        x, y, *_ = _scatter(8, 12, slope)
        found = line.orthogonal_line(x, y)
        _, vectors = np.linalg.eigh(np.cov(x, y))
        assert found.slope == pytest.approx(vectors[1, -1] / vectors[0, -1], rel=1e-10)
        # Exchange of the axes gives the same line.
        turned = line.orthogonal_line(y, x)
        assert turned.slope == pytest.approx(1.0 / found.slope, rel=1e-10)


def test_major_axis_of_points_on_a_line():
    x = np.arange(5.0)
    found = line.orthogonal_line(x, 2.0 - 0.5 * x)
    assert (found.slope, found.intercept) == pytest.approx((-0.5, 2.0))
    np.testing.assert_allclose(found.covariance, 0.0, atol=1e-25)
    assert np.all(np.isinf(line.orthogonal_line(x[:2], x[:2]).covariance))


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 99), st.floats(-1e3, 1e3), st.floats(-1e3, 1e3), st.floats(1e-3, 1e3),
    st.floats(1e-3, 1e3),
)  # fmt: skip
def test_shift_scale_and_order(seed, right, up, wide, high):
    x, y, ux, uy = _scatter(seed)
    order = np.random.default_rng(seed).permutation(x.size)
    cx, cy = _full_covariance(seed, x.size), _full_covariance(seed + 1, x.size)
    fits = {
        "york": lambda p, q, a, b, o: line.york(p, q, a * ux[o], b * uy[o]),
        "generalised": lambda p, q, a, b, o: line.generalised_line(
            p, q, a**2 * cx[np.ix_(o, o)], b**2 * cy[np.ix_(o, o)]
        ),
        "ordinary": lambda p, q, a, b, o: line.ordinary_line(p, q, b * uy[o]),
    }
    still = np.arange(x.size)
    for fit in fits.values():
        plain = fit(x, y, 1.0, 1.0, still)
        moved = fit(wide * (x[order] + right), high * (y[order] + up), wide, high, order)
        slope = plain.slope * high / wide
        error = plain.slope_uncertainty * high / wide
        assert moved.slope == pytest.approx(slope, abs=1e-7 * error)
        assert moved.slope_uncertainty == pytest.approx(error, rel=1e-6)
        assert moved.chi_square == pytest.approx(plain.chi_square, rel=1e-7)
        # The line goes through the same place.
        middle = x.mean()
        expected = high * (plain.intercept + plain.slope * middle + up)
        there = moved.intercept + moved.slope * wide * (middle + right)
        assert there == pytest.approx(expected, abs=1e-6 * plain.intercept_uncertainty * high)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 99))
def test_york_does_not_mind_which_axis_is_which(seed):
    x, y, ux, uy = _scatter(seed, 15, -1.0)
    one, other = line.york(x, y, ux, uy), line.york(y, x, uy, ux)
    assert other.slope == pytest.approx(1.0 / one.slope, rel=1e-8)
    assert other.intercept == pytest.approx(-one.intercept / one.slope, rel=1e-8)
    assert other.chi_square == pytest.approx(one.chi_square, rel=1e-8)


def test_lines_refuse_what_they_cannot_use():
    x, y, ux, uy = _scatter(1)
    hole = np.where(np.arange(x.size) == 2, np.nan, 1.0)
    for bad in (
        lambda: line.york(x * hole, y, ux, uy),
        lambda: line.york(x, y, ux, uy * hole),
        lambda: line.generalised_line(x, y * hole, ux**2, uy**2),
        lambda: line.generalised_line(x, y, ux**2, uy**2 * hole),
        lambda: line.ordinary_line(x, y, uy * hole),
        lambda: line.orthogonal_line(x * hole, y),
    ):
        with pytest.raises(ValueError, match="not finite"):
            bad()
    with pytest.raises(ValueError, match="equally long"):
        line.ordinary_line(x, y[:-1])
    with pytest.raises(ValueError, match="must be positive"):
        line.ordinary_line(x, y, np.zeros(x.size))
    with pytest.raises(ValueError, match="must be positive definite"):
        line.generalised_line(x, y, np.zeros(x.size), -np.ones(x.size))
    with pytest.raises(ValueError, match="no slope fits best"):
        line.orthogonal_line(np.array([0.0, 1.0, 0.0, 1.0]), np.array([0.0, 0.0, 1.0, 1.0]))


@pytest.mark.parametrize("slope", [-3.0, 0.4])
def test_major_axis_by_the_feet_of_its_points(slope):
    """Distances and errors from the feet of the perpendiculars, without York."""
    x, y, *_ = _scatter(12, 11, slope)
    found = line.orthogonal_line(x, y)
    steep = 1.0 + found.slope**2
    off = y - found.intercept - found.slope * x
    foot = np.column_stack([x + found.slope * off / steep, y - off / steep])
    squares = np.sum((np.column_stack([x, y]) - foot) ** 2)
    assert found.chi_square == pytest.approx(squares, rel=1e-10)
    assert found.degrees_of_freedom == 9
    # Weighted least squares on the feet, the scatter as the error of either axis.
    design = np.column_stack([np.ones(11), foot[:, 0]])
    whole = squares / 9 * steep * np.linalg.inv(design.T @ design)
    np.testing.assert_allclose(found.covariance, whole, rtol=1e-9)
    assert found.intercept_uncertainty == pytest.approx(np.sqrt(whole[0, 0]))
    two = line.orthogonal_line(x[:2], y[:2])
    np.testing.assert_array_equal(two.covariance, np.full((2, 2), np.inf))
    assert two.degrees_of_freedom == 0


def test_major_axis_of_equal_and_of_nearly_upright_scatter():
    square = line.orthogonal_line(np.array([0.0, 1.0, 2.0]), np.array([1.0, 0.0, 2.0]))
    assert square.slope == pytest.approx(1.0)  # equal spreads: the bisector, whatever the scatter
    # Nearly upright, a difference of like numbers would leave no digit of 1e9.
    x = 1e-9 * np.array([-1.0, 0.0, 1.0])
    assert line.orthogonal_line(x, 1e9 * x).slope == pytest.approx(1e9, rel=1e-12)
    assert line.orthogonal_line(1e9 * x, x).slope == pytest.approx(1e-9, rel=1e-12)


def test_all_lines_count_their_freedom():
    x, y, ux, uy = _scatter(3, 7)
    one = np.ones(7)
    for found in (
        line.ordinary_line(x, y), line.ordinary_line(x, y, uy), line.york(x, y, ux, uy),
        line.generalised_line(x, y, one, one),
    ):  # fmt: skip
        assert found.degrees_of_freedom == 5


def test_without_uncertainties_the_scatter_gives_them():
    # By hand: x 0 1 2, y 0 2 1: slope 1/2, intercept 1/2, residuals -1/2 1 -1/2, their squares 3/2.
    found = line.ordinary_line(np.arange(3.0), np.array([0.0, 2.0, 1.0]))
    assert (found.slope, found.intercept) == (pytest.approx(0.5), pytest.approx(0.5))
    assert found.chi_square == pytest.approx(1.5)
    np.testing.assert_allclose(found.covariance, 1.5 * np.array([[5 / 6, -0.5], [-0.5, 0.5]]))
    # x 0 1 2 3, y 0 1 1 2: slope 3/5, squares of the residuals 1/5, spread over two.
    four = line.ordinary_line(np.arange(4.0), np.array([0.0, 1.0, 1.0, 2.0]))
    assert four.slope_uncertainty**2 == pytest.approx(0.2 / 2 / 5)
    two = line.ordinary_line(np.arange(2.0), np.array([3.0, 4.0]))
    assert not np.isfinite(two.covariance).any()


@pytest.mark.parametrize(
    "y",
    [
        [3.0, 2.0, -1.0, 2.0, 2.8], [3.9, 3.0, 5.2, 1.1, 4.8], [-1.7, 2.2, 1.1, 1.2, -1.0],
        [1.2, 0.4, 3.9, -0.1, 1.8],
    ],
)  # fmt: skip
def test_a_line_far_worse_than_its_errors_is_found_by_search(y, monkeypatch):
    """Equal errors in both axes: the principal axis, which needs no iteration."""
    searched = []
    search = line._search
    monkeypatch.setattr(line, "_search", lambda *a: searched.append(1) or search(*a))
    x, y = np.arange(5.0), np.array(y)
    found = line.generalised_line(x, y, np.full(5, 0.25), np.full(5, 0.25))
    assert searched
    values, vectors = np.linalg.eigh(np.cov(x, y))
    assert found.slope == pytest.approx(vectors[1, 1] / vectors[0, 1], rel=1e-6)
    assert found.intercept == pytest.approx(y.mean() - found.slope * x.mean(), abs=1e-6)
    # The smaller spread is the sum of squared distances over n - 1.
    assert found.chi_square == pytest.approx(4.0 * values[0] / 0.25, rel=1e-9)


def test_the_search_leaves_what_the_iteration_finds():
    """Other errors in every point and between points, and a first slope of zero."""
    x, y, *_ = _scatter(2, 8)
    cx, cy = _full_covariance(31, 8), _full_covariance(32, 8)
    found = line.generalised_line(x, y, cx, cy)
    for first in (found.slope * 1.3, 0.0):
        searched = line._search(first, x, y, cx, cy)
        assert searched == pytest.approx([found.intercept, found.slope], rel=1e-6)


def test_a_scatter_that_is_best_upright_is_refused():
    """No slope at all and more height than the errors in x leave room for: no line y of x."""
    x, y = np.arange(5.0), np.array([4.6, -7.2, -4.0, 0.2, 0.9])
    with pytest.raises(RuntimeError, match="no slope fits best"):
        line.york(x, y, np.ones(5), np.full(5, 0.1))
    with pytest.raises(RuntimeError, match="no slope fits best"):
        line.generalised_line(x, y, np.ones(5), np.full(5, 0.01))


def test_york_and_the_generalised_line_refuse_each_bad_error():
    x, y, ux, uy = _scatter(1)
    hole = np.where(np.arange(x.size) == 2, np.nan, 1.0)
    with pytest.raises(ValueError, match="not finite"):
        line.york(x, y, ux * hole, uy)
    with pytest.raises(ValueError, match="not finite"):
        line.generalised_line(x, y, ux**2 * hole, uy**2)
    for a, b in ((ux * (hole > 0), uy), (ux, uy * (hole > 0)), (-ux, uy), (ux, -uy)):
        with pytest.raises(ValueError, match="uncertainties must be positive in both axes"):
            line.york(x, y, a, b)


def test_instrumental_line_is_the_ratio_of_sums_along_the_instrument():
    """Equal errors: (z - mean)'y over (z - mean)'x, and its variance, by hand."""
    rng = np.random.default_rng(41)
    z = np.linspace(0.0, 10.0, 9)
    x, y = z + rng.normal(0, 0.2, 9), 1.0 + 2.0 * z + rng.normal(0, 0.3, 9)
    found = line.instrumental_line(x, y, np.full(9, 0.04), np.full(9, 0.09), z)
    u = z - z.mean()
    assert found.slope == pytest.approx((u @ y) / (u @ x), rel=1e-12)
    variance = (0.09 + found.slope**2 * 0.04) * (u @ u) / (u @ x) ** 2
    assert found.slope_uncertainty == pytest.approx(np.sqrt(variance), rel=1e-9)
    residual = y - found.intercept - found.slope * x
    chi = residual @ residual / (0.09 + found.slope**2 * 0.04)
    assert found.chi_square == pytest.approx(chi, rel=1e-9)


def test_instrumental_line_with_x_for_the_instrument_is_generalised_least_squares():
    rng = np.random.default_rng(42)
    x = np.linspace(0.0, 5.0, 8)
    root = rng.normal(size=(8, 8))
    cy = root @ root.T + np.eye(8)
    y = 3.0 - 0.5 * x + rng.normal(0, 1.0, 8)
    one = line.instrumental_line(x, y, np.zeros(8), cy, x)
    two = line.generalised_line(x, y, np.zeros(8), cy)
    assert one.slope == pytest.approx(two.slope, rel=1e-9)
    np.testing.assert_allclose(one.covariance, two.covariance, rtol=1e-9)


def test_instrumental_line_does_not_lean_on_what_is_stated_of_the_errors():
    """Half of the variance of x stated as its error, and none there: York's slope is far off."""
    rng = np.random.default_rng(43)
    z = np.linspace(0.0, 1.0, 40)
    slopes = []
    for _ in range(200):
        x, y = z, 2.0 * z + rng.normal(0, 0.3, 40)
        stated = np.full(40, 0.25**2)
        slopes.append([
            f(x, y, stated, np.full(40, 1e-4), *more).slope
            for f, more in ((line.instrumental_line, (z,)), (line.generalised_line, ()))
        ])  # fmt: skip
    mean, error = np.mean(slopes, axis=0), np.std(slopes, axis=0) / np.sqrt(200)
    assert abs(mean[0] - 2.0) < 4.0 * error[0]
    assert mean[1] - 2.0 > 10.0 * error[1]


def test_instrumental_line_refuses_what_has_no_slope():
    x = np.arange(5.0)
    with pytest.raises(ValueError, match="must be positive definite"):
        line.instrumental_line(x, x, np.zeros(5), -np.ones(5), x)
    with pytest.raises(ValueError, match="not finite"):
        line.instrumental_line(x, x, np.zeros(5), np.ones(5), x * np.nan)
    with pytest.raises(ValueError, match="instrument has the value 1 at all points; it needs two"):
        line.instrumental_line(x, x, np.zeros(5), np.ones(5), np.ones(5))
