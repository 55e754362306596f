"""The exponential's kernels against SciPy's solvers, counts by hand and loops over blocks."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.optimize import brentq, curve_fit

from corephys.numerics import exponential as kernel
from corephys.numerics.exponential import solve_batch


def decay(x, a, rate):
    return a * np.exp(-rate * x)


def data(seed=1, size=60, low=20.0, high=500.0, length=300.0, noise=0.02):
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(low, high, size))
    return x, decay(x, 0.7, 1 / length) + rng.normal(0, noise, size)


def by_scipy(x, y, weights=None, first=(0.7, 1 / 300)):
    keep = np.ones(x.size, bool) if weights is None else weights > 0
    sigma = None if weights is None else 1 / np.sqrt(weights[keep])
    options = {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-15}
    return curve_fit(decay, x[keep], y[keep], first, sigma=sigma, method="trf", **options)[0]


def test_first_values_are_those_of_the_line_through_the_logarithms():
    x = np.array([0.0, 100.0, 200.0, 400.0])
    a, length = kernel.start(x, 0.6 * np.exp(-x / 250))
    assert (a, length) == (pytest.approx(0.6), pytest.approx(250.0))
    # Values that are not positive have no logarithm and are left out.
    y = np.append(0.6 * np.exp(-x / 250), [0.0, -0.1])
    a, length = kernel.start(np.append(x, [50.0, 60.0]), y)
    assert (a, length) == (pytest.approx(0.6), pytest.approx(250.0))


def test_first_values_stay_in_bounds():
    x = np.linspace(0.0, 100.0, 5)
    assert kernel.start(x, np.exp(x / 10))[1] == pytest.approx(100.0 / 1e-3)  # it rises
    assert kernel.start(x, np.exp(-3 * x))[1] == pytest.approx(100.0 / 50.0)  # it drops at once
    few = np.array([1.0, 2.0])
    assert kernel.start(few, np.array([0.5, 0.2])) == (1.0, pytest.approx(1e3))  # no line of two
    three = np.array([0.0, 1.0, 2.0])
    assert kernel.start(three, np.exp(-three)) == (pytest.approx(1.0), pytest.approx(1.0))
    assert kernel.start(np.full(4, 3.0), np.full(4, 0.5))[1] <= 1e3  # no spread of places


def solve(x, y, rate=None):
    """Amplitude and rate of one unweighted fit: a batch of one row."""
    first = 1.0 / kernel.start(x, y)[1] if rate is None else rate
    a, found = solve_batch(x, y, np.ones((1, x.size)), first)
    return float(a[0]), float(found[0])


def by_batch(x, y, weights):
    """A solver of rows for block_checks: amplitude and decay length of each."""
    a, rate = solve_batch(x, y, weights, 1.0 / 300.0)
    return np.column_stack([a, 1.0 / rate])


BY_BATCH = {
    "curve": lambda x, a, length: decay(x, a, 1.0 / length),
    "solver": by_batch,
    "rate": lambda p: 1.0 / p[1],
}


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("shift", [0.0, -250.0, 3000.0])
def test_solve_batch_of_one_row_equals_scipy(seed, shift):
    x, y = data(seed, noise=0.05)
    a, rate = solve(x + shift, y)
    expected = by_scipy(x, y)
    assert rate == pytest.approx(expected[1], rel=1e-7)
    assert a == pytest.approx(expected[0] * math.exp(expected[1] * shift), rel=1e-6)
    again = solve(x + shift, y, 5 * rate)  # from far off
    assert again == (pytest.approx(a, rel=1e-7), pytest.approx(rate, rel=1e-8))


def test_solve_batch_goes_through_data_without_scatter():
    x = np.linspace(0.0, 600.0, 9)
    a, rate = solve(x, decay(x, 0.8, 1 / 90.0), 1 / 400)
    assert (a, 1 / rate) == (pytest.approx(0.8, rel=1e-9), pytest.approx(90.0, rel=1e-9))
    a, rate = solve(x, decay(x, 0.2, -1 / 900.0))  # a rise is a negative rate
    assert (a, 1 / rate) == (pytest.approx(0.2, rel=1e-8), pytest.approx(-900.0, rel=1e-8))


def test_solve_batch_equals_scipy_for_weights_far_and_near():
    x, y = data(3, noise=0.05)
    rng = np.random.default_rng(4)
    weights = rng.integers(0, 4, (40, x.size)).astype(float)
    weights[0] = 1.0
    a, rate = solve_batch(x, y, weights, 1 / 280)
    for row in range(len(weights)):
        expected = by_scipy(x, y, weights[row])
        assert rate[row] == pytest.approx(expected[1], rel=2e-7)
        assert a[row] == pytest.approx(expected[0], rel=2e-7)
    # From a rate far off: the answers are the same.
    far = solve_batch(x, y, weights, 1 / 60)
    np.testing.assert_allclose(far[1], rate, rtol=1e-9)
    np.testing.assert_allclose(far[0], a, rtol=1e-9)
    # Another unit or origin of x changes what it must and nothing else.
    in_km = solve_batch(x / 1000, y, weights, 1000 / 280)
    np.testing.assert_allclose(in_km[1], 1000 * rate, rtol=1e-10)
    np.testing.assert_allclose(in_km[0], a, rtol=1e-10)


def test_solve_batch_goes_in_blocks_of_rows(monkeypatch):
    from corephys.numerics import exponential as kernel

    x, y = data(5, size=20)
    weights = np.random.default_rng(6).integers(0, 3, (31, 20)).astype(float)
    whole = solve_batch(x, y, weights, 1 / 300)
    monkeypatch.setattr(kernel, "_BLOCK", 20 * 7)
    parts = solve_batch(x, y, weights, 1 / 300)
    np.testing.assert_allclose(parts[0], whole[0], rtol=1e-12)
    np.testing.assert_allclose(parts[1], whole[1], rtol=1e-12)
    monkeypatch.setattr(kernel, "_BLOCK", 1)
    np.testing.assert_allclose(solve_batch(x, y, weights, 1 / 300)[1], whole[1], rtol=1e-12)


def test_solve_batch_says_nothing_where_there_is_no_solution():
    x, y = data(7, size=12)
    weights = np.ones((3, 12))
    weights[1] = 0.0
    a, rate = solve_batch(x, y, weights, 1 / 300)
    assert np.isnan([a[1], rate[1]]).all() and np.isfinite([a[0], rate[0], a[2], rate[2]]).all()
    # The best exponential through one spike at the end rises without bound: no rate is made up.
    a, rate = solve_batch(x, np.where(np.arange(12) == 11, 1.0, 0.0), weights, 1 / 300)
    assert np.isnan(rate).all() and np.isnan(a).all()


@pytest.mark.parametrize("scatter", [0.3, 1.0, 40.0])
def test_mandel_paule_is_the_root(scatter):
    rng = np.random.default_rng(9)
    sigma = rng.uniform(0.5, 2.0, 30)
    residual = rng.normal(0, np.hypot(sigma, scatter)) * 1.5
    found = kernel.mandel_paule(residual, sigma, 28)
    root = brentq(
        lambda v: np.sum(residual**2 / (sigma**2 + v)) - 28, 0, 1e6, xtol=1e-14, rtol=1e-14
    )
    assert found == pytest.approx(math.sqrt(root), rel=1e-9)


def test_mandel_paule_is_zero_where_the_errors_explain_the_residuals():
    assert kernel.mandel_paule(np.array([0.5, -0.5, 0.5]), np.ones(3), 2) == 0.0
    assert kernel.mandel_paule(np.array([5.0, -5.0]), np.ones(2), 0) == 0.0
    # Exactly explained: chi-square is the degrees of freedom.
    assert kernel.mandel_paule(np.array([1.0, -1.0]), np.ones(2), 2) == 0.0
    one = kernel.mandel_paule(np.array([3.0, -3.0]), np.ones(2), 1)
    assert one == pytest.approx(math.sqrt(17.0))  # 18 / (1 + v) = 1
    # A single large residual beside known errors: 100 / (0 + v) = 1
    assert kernel.mandel_paule(np.array([10.0]), np.array([1e-9]), 1) == pytest.approx(10.0)


def test_lag_correlation_by_hand():
    # (1*2 + 2*-1 + -1*3) / (1 + 4 + 1 + 9)
    assert kernel.lag_correlation(np.array([1.0, 2.0, -1.0, 3.0])) == pytest.approx(-3 / 15)
    assert kernel.lag_correlation(np.zeros(5)) == 0.0
    assert kernel.lag_correlation(np.array([1e-9, 1e-9])) == pytest.approx(0.5)


def test_neighbours_by_counting():
    x = np.array([3.0, 0.0, 1.0, 1.0, 2.5, 9.0])
    assert kernel.neighbours(x, 2.0).tolist() == [2, 3, 3, 3, 2, 1]
    assert kernel.neighbours(x, 1.0).tolist() == [2, 1, 2, 2, 2, 1]
    expected = [[int(np.sum(np.abs(x - at) <= r / 2)) for at in x] for r in (0.0, 4.0, 13.0)]
    assert [kernel.neighbours(x, r).tolist() for r in (0.0, 4.0, 13.0)] == expected


def by_a_loop(x, y, blocks, curve, solver, rate, fitted, along):
    """The definitions, block by block, with NumPy's own splitting."""
    order = np.argsort(along, kind="stable")
    x, y = x[order], y[order]
    edges = [math.ceil(b * x.size / blocks) for b in range(blocks + 1)]
    parts = [np.arange(a, b) for a, b in itertools.pairwise(edges)]
    errors, constant, rates, means = [], 0.0, [], []
    residual = y - curve(x, *fitted)
    for part in parts:
        rest = np.setdiff1d(np.arange(x.size), part)
        found = solver(x[rest], y[rest])
        rates.append(rate(found))
        errors.append(np.mean((y[part] - curve(x[part], *found)) ** 2))
        constant += np.sum((y[part] - y[rest].mean()) ** 2)
        means += [residual[part].mean()] * part.size
    whole = sum(e * p.size for e, p in zip(errors, parts, strict=True))
    rates = np.array(rates)
    variance = (blocks - 1) / blocks * np.sum((rates - rates.mean()) ** 2)
    return (
        1 - whole / constant, np.var(means) / np.var(residual),
        math.sqrt(variance) / abs(rate(fitted)), errors, math.sqrt(whole / x.size),
    )  # fmt: skip


@pytest.mark.parametrize("size", [24, 31, 60])
def test_block_checks_are_their_definitions(size):
    x, y = data(10, size=size, noise=0.05)
    rng = np.random.default_rng(11)
    mixed = rng.permutation(size)
    x, y = x[mixed], y[mixed]
    a, rate = solve(x, y)
    found = kernel.block_checks(x, y, 6, (a, 1 / rate), **BY_BATCH)
    expected = by_a_loop(
        x, y, 6, decay, lambda u, v: solve(u, v, rate), lambda p: p[1], (a, rate), x
    )
    assert found.blocks == 6
    assert found.skill == pytest.approx(expected[0], rel=1e-9)
    assert found.between == pytest.approx(expected[1], rel=1e-9)
    assert found.rate == pytest.approx(expected[2], rel=1e-9)
    np.testing.assert_allclose(found.errors, expected[3], rtol=1e-9)
    assert found.error == pytest.approx(expected[4], rel=1e-9)


def test_block_checks_of_another_curve_along_another_axis():
    x, y = data(12, size=40, noise=0.05)
    along = np.random.default_rng(13).permutation(40).astype(float)

    def line(u, level, slope):
        return level + slope * u

    def solver(u, v):
        return tuple(np.polynomial.polynomial.polyfit(u, v, 1))

    fitted = solver(x, y)

    def rows(u, v, weights):
        return [solver(u[w > 0], v[w > 0]) for w in weights]

    options = {"curve": line, "solver": rows, "rate": lambda p: p[1]}
    found = kernel.block_checks(x, y, 5, fitted, along=along, **options)
    expected = by_a_loop(x, y, 5, line, solver, lambda p: p[1], fitted, along)
    assert found.skill == pytest.approx(expected[0], rel=1e-9)
    assert found.between == pytest.approx(expected[1], rel=1e-9)
    assert found.rate == pytest.approx(expected[2], rel=1e-9)
    np.testing.assert_allclose(found.errors, expected[3], rtol=1e-9)


def test_block_checks_of_what_leaves_nothing_to_judge():
    x, y = data(14, size=12)
    assert kernel.block_checks(x[:11], y[:11], 10, (0.7, 300.0), **BY_BATCH) is None
    assert kernel.block_checks(x, y, 3, (0.7, 300.0), **BY_BATCH) is None
    assert kernel.block_checks(x, y, 10, (0.7, 300.0), **BY_BATCH).blocks == 4
    flat = {
        "curve": lambda u, level: np.full(u.shape, level),
        "solver": lambda u, v, weights: [(v[w > 0].mean(),) for w in weights],
    }
    found = kernel.block_checks(x, np.full(12, 0.5), 4, (0.5,), rate=lambda p: 0.0, **flat)
    assert math.isnan(found.skill) and found.between == 0.0 and found.rate == math.inf
    assert found.error == 0.0


@pytest.mark.parametrize("low", [0.0, 40.0])
def test_solve_batch_finds_rates_far_from_the_first(low):
    """Exact data: whatever the weights, the curve itself; its change over the data is e^25."""
    x = np.linspace(low, low + 2.0, 25)
    weights = np.random.default_rng(12).uniform(0.1, 2.0, (3, 25))
    for offset in (-12.5, -7.5, -1.25, 0.0, 1.25, 3.75, 12.5):
        a, rate = solve_batch(x, 0.7 * np.exp(-(1.5 + offset) * (x - low)), weights, 1.5)
        np.testing.assert_allclose(rate, 1.5 + offset, rtol=1e-8, atol=1e-8)
        if low == 0.0:
            np.testing.assert_allclose(a, 0.7, rtol=1e-8)
    a, rate = solve_batch(x, np.exp(-31.0 * (x - low)), weights, 30.0)
    np.testing.assert_allclose(rate, 31.0, rtol=1e-8)


def test_solve_batch_solves_each_row_about_its_own_rate():
    """Two curves in one set of data: weights choose which, and as many rows as points are far."""
    x = np.tile(np.linspace(0.0, 1.0, 6), 2)
    second = np.arange(12) >= 6
    y = np.where(second, 0.3 * np.exp(-8.0 * x), 0.9 * np.exp(-0.5 * x))
    chosen = np.repeat([False, True], [5, 12])
    a, rate = solve_batch(x, y, np.where(chosen[:, None], second, ~second).astype(float), 0.6)
    np.testing.assert_allclose(rate, np.where(chosen, 8.0, 0.5), rtol=1e-9)
    np.testing.assert_allclose(a, np.where(chosen, 0.3, 0.9), rtol=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_solve_batch_of_wild_readings_is_a_place_without_slope(seed):
    """Scatter as large as the curve: what is found has no slope and is bent the right way."""
    rng = np.random.default_rng(seed)
    x, y = np.sort(rng.uniform(0, 1, 15)), rng.normal(0.3, 0.5, 15)
    weights = rng.integers(0, 4, (200, 15)).astype(float)
    a, rate = solve_batch(x, y, weights, 1.0)
    found = np.isfinite(rate)
    assert found.mean() > 0.5

    def left(c):
        e = np.exp(-np.outer(c, x))
        t, s = (weights[found] * y * e).sum(axis=1), (weights[found] * e * e).sum(axis=1)
        return (weights[found] * y**2).sum(axis=1) - t * t / s, t / s

    least, amplitude = left(rate[found])
    np.testing.assert_allclose(a[found], amplitude, rtol=1e-6)
    for aside in (-1e-3, 1e-3):
        assert np.all(left(rate[found] + aside)[0] >= least * (1 - 1e-12))
