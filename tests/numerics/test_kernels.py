"""Kernels against independent routes: quadrature, least squares, pandas, closed forms."""

from __future__ import annotations

import itertools
import tracemalloc

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special

from corephys.numerics import cylinder, line, polynomial, rolling, window_regression


def _decay_by_quadrature(alpha, tau):
    def integrand(s):
        u = np.exp(s)
        delta = (u * special.j0(u) - alpha * special.j1(u)) ** 2 + (
            u * special.y0(u) - alpha * special.y1(u)
        ) ** 2
        return np.exp(-tau * u * u) / delta

    high = 0.5 * np.log(50.0 / tau)
    parts = np.linspace(-18.0, high, 24)
    pieces = itertools.pairwise(parts)
    total = sum(integrate.quad(integrand, a, b, epsabs=0, epsrel=1e-12)[0] for a, b in pieces)
    return 4.0 * alpha / np.pi**2 * total


@pytest.mark.parametrize("alpha", [0.5, 1.0, 2.3, 4.0])
@pytest.mark.parametrize("tau", [1e-3, 0.07, 1.0, 40.0, 1e3])
def test_decay_agrees_with_adaptive_quadrature(alpha, tau):
    assert cylinder.decay(alpha, tau) == pytest.approx(_decay_by_quadrature(alpha, tau), rel=1e-10)


def test_decay_starts_at_one_and_broadcasts():
    found = cylinder.decay(np.array([[1.0], [2.0]]), np.array([0.0, 0.1, 1.0]))
    assert found.shape == (2, 3)
    np.testing.assert_array_equal(found[:, 0], 1.0)
    with pytest.raises(ValueError, match="positive"):
        cylinder.decay(0.0, 1.0)


def test_derivatives_are_those_of_the_decay():
    alpha, tau, h = 1.7, np.array([0.05, 0.5, 5.0, 50.0]), 1e-5
    value, by_tau, by_alpha = cylinder.decay_with_derivatives(alpha, tau)
    up, down = cylinder.decay(alpha, tau * (1 + h)), cylinder.decay(alpha, tau * (1 - h))
    np.testing.assert_allclose(by_tau, (up - down) / (2 * h * tau), rtol=1e-7)
    up, down = cylinder.decay(alpha + h, tau), cylinder.decay(alpha - h, tau)
    np.testing.assert_allclose(by_alpha, (up - down) / (2 * h), rtol=1e-6)
    np.testing.assert_allclose(value, cylinder.decay(alpha, tau), rtol=1e-14)


def test_heating_is_the_integral_of_the_decay():
    for tau in (0.05, 1.0, 30.0):
        whole, _ = integrate.quad(lambda t: cylinder.decay(2.0, t), 0.0, tau, epsrel=1e-10)
        assert cylinder.heating(2.0, tau) == pytest.approx(4.0 * whole, rel=1e-8)


def test_generalised_line_is_yorks_for_independent_errors():
    rng = np.random.default_rng(4)
    x = np.linspace(0, 10, 12)
    ux, uy = rng.uniform(0.1, 0.4, 12), rng.uniform(0.2, 0.5, 12)
    y = 1.0 + 2.0 * x + rng.normal(0, 0.5, 12)
    a, b = line.york(x, y, ux, uy), line.generalised_line(x, y, ux**2, uy**2)
    assert b.slope == pytest.approx(a.slope, rel=1e-12)
    assert b.intercept == pytest.approx(a.intercept, rel=1e-10)
    np.testing.assert_allclose(b.covariance, a.covariance, rtol=1e-9)
    assert b.chi_square == pytest.approx(a.chi_square, rel=1e-10)


def test_correlated_errors_in_x_are_covered():
    """Slopes of a line whose abscissae accumulate errors scatter as the covariance says."""
    rng = np.random.default_rng(8)
    n, truth = 8, 0.06
    step = 20.0
    w = np.tril(np.ones((n, n)))
    cx = w @ np.diag(np.full(n, 1.5**2)) @ w.T
    x = np.cumsum(np.full(n, step))
    pulls = []
    for _ in range(1500):
        seen = x + w @ rng.normal(0, 1.5, n)
        fit = line.generalised_line(
            seen, 2 + truth * x + rng.normal(0, 0.05, n), cx, np.full(n, 0.0025)
        )
        pulls.append((fit.slope - truth) / fit.slope_uncertainty)
    assert np.mean(np.abs(pulls) < 1) == pytest.approx(0.683, abs=0.04)


def test_line_refuses_what_has_no_slope():
    with pytest.raises(ValueError, match="two points at different places"):
        line.ordinary_line(np.array([1.0, 1.0]), np.array([1.0, 2.0]))
    with pytest.raises(ValueError, match="uncertainties must be positive"):
        line.york(np.arange(3.0), np.arange(3.0), np.zeros(3), np.ones(3))


def test_windows_equal_least_squares_on_a_large_offset():
    rng = np.random.default_rng(2)
    t = np.linspace(2.0, 200.0, 60)
    x = np.log(t)
    y = 293.15 + rng.uniform(0.2, 0.3, (3, 1)) * x + rng.normal(0, 1e-4, (3, 60))
    z = 1.0 / t
    # In a late window ln t and 1/t are nearly one line: both ways lose the digits of that.
    for second, digits in ((None, 1e-10), (z, 1e-7)):
        for fit in window_regression.all_windows(x, y, minimum=12, second=second):
            i = fit.starts[-1]
            part = slice(i, i + fit.length)
            columns = [np.ones(fit.length), x[part]] + ([z[part]] if second is not None else [])
            design = np.column_stack(columns)
            for run in range(3):
                solution, *_ = np.linalg.lstsq(design, y[run, part], rcond=None)
                residual = y[run, part] - design @ solution
                variance = residual @ residual / (fit.length - design.shape[1])
                error = np.sqrt(variance * np.linalg.inv(design.T @ design)[1, 1])
                scale = max(abs(solution[1]), error)
                assert abs(fit.slope[run, -1] - solution[1]) < digits * scale
                assert abs(fit.slope_error[run, -1] - error) < 10 * digits * scale


def test_windows_of_runs_of_different_length_stay_inside():
    t = np.arange(1.0, 41.0)
    y = np.vstack([np.log(t), 2 * np.log(t)])
    y[1, 25:] = np.nan
    for fit in window_regression.all_windows(np.log(t), y, minimum=5, valid=np.array([40, 25])):
        np.testing.assert_allclose(fit.slope[0], 1.0, rtol=1e-9)
        inside = fit.valid[1]
        assert inside.sum() == max(0, 25 - fit.length + 1)
        np.testing.assert_allclose(fit.slope[1][inside], 2.0, rtol=1e-9)


def test_windows_refuse_what_cannot_be_fitted():
    with pytest.raises(ValueError, match="no degree of freedom"):
        next(window_regression.all_windows(np.arange(9.0), np.ones((1, 9)), minimum=2))
    with pytest.raises(ValueError, match="a window of 12 samples does not fit into 9"):
        next(window_regression.all_windows(np.arange(9.0), np.ones((1, 9)), minimum=12))


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 60), st.sampled_from([1, 3, 5, 11]), st.integers(0, 2**32 - 1))
def test_rolling_median_equals_a_loop(n, window, seed):
    rng = np.random.default_rng(seed)
    values = np.round(rng.normal(0, 1, n), 2)
    values[rng.random(n) < 0.2] = np.nan
    starts = np.unique(np.concatenate([[0], rng.integers(0, n, 3)]))
    median, mad = rolling.rolling_median_and_mad(values, starts, window)
    np.testing.assert_array_equal(rolling.rolling_median(values, starts, window), median)
    ends = np.append(starts[1:], n)
    for a, b in zip(starts, ends, strict=True):
        for i in range(a, b):
            part = values[max(a, i - window // 2) : min(b, i + window // 2 + 1)]
            part = part[~np.isnan(part)]
            if part.size == 0:
                assert np.isnan(median[i]) and np.isnan(mad[i])
                continue
            assert median[i] == pytest.approx(np.median(part), abs=1e-12)
            assert mad[i] == pytest.approx(np.median(np.abs(part - np.median(part))), abs=1e-12)


def test_rolling_median_equals_pandas_in_the_middle():
    values = np.random.default_rng(1).normal(0, 1, 500)
    median, _ = rolling.rolling_median_and_mad(values, np.array([0]), 11)
    expected = pd.Series(values).rolling(11, center=True).median().to_numpy()
    np.testing.assert_allclose(median[5:-5], expected[5:-5], rtol=1e-12)
    np.testing.assert_array_equal(rolling.rolling_median(values, np.array([0]), 11), median)
    for function in (rolling.rolling_median, rolling.rolling_median_and_mad):
        for window in (4, 0, -3):
            with pytest.raises(ValueError, match=f"window is {window}; it must be an odd"):
                function(values, np.array([0]), window)


def test_a_long_window_holds_little_memory():
    """Windows are sorted a few at a time, however long they are."""
    values = np.random.default_rng(2).normal(0, 1, 20_000)
    tracemalloc.start()
    median, mad = rolling.rolling_median_and_mad(values, np.array([0]), 3001)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 30e6  # all windows at once: 480 MB
    part = values[8500:11501]
    assert median[10_000] == np.median(part)
    assert mad[10_000] == np.median(np.abs(part - np.median(part)))


@settings(max_examples=50, deadline=None)
@given(st.integers(1, 3), st.floats(-1e3, 1e3), st.floats(1e-3, 1e3))
def test_polynomial_is_numpys_and_does_not_mind_the_origin(order, shift, scale):
    rng = np.random.default_rng(order)
    x = shift + scale * np.linspace(0, 1, 12)
    sigma = rng.uniform(0.5, 2.0, 12)
    y = rng.normal(0, 1, 12)
    coefficients, covariance, chi_square = polynomial.fit_polynomial(x, y, sigma, order)
    series, (resid, *_rest) = np.polynomial.Polynomial.fit(x, y, order, w=1 / sigma, full=True)
    fitted = np.polynomial.polynomial.polyval(x, coefficients)
    np.testing.assert_allclose(fitted, series(x), atol=1e-6 * np.abs(coefficients).max())
    assert chi_square == pytest.approx(float(resid[0]), rel=1e-8)
    assert np.all(np.diag(covariance) > 0)
