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
    with pytest.raises(ValueError, match="not positive definite"):
        line.generalised_line(x, y, np.zeros(x.size), -np.ones(x.size))
    with pytest.raises(ValueError, match="upright or round"):
        line.orthogonal_line(np.array([0.0, 1.0, 0.0, 1.0]), np.array([0.0, 0.0, 1.0, 1.0]))
