"""Correlation with gaps, against the plain coefficient of what two series share."""

from __future__ import annotations

import numpy as np
import pytest

from corephys.numerics import masked_correlation as numerics


def by_hand(reference, short, lag, least):
    """np.corrcoef of the shared samples at one lag."""
    at = np.arange(short.size) + lag
    inside = (at >= 0) & (at < reference.size)
    y, x = reference[at[inside]], short[inside]
    both = np.isfinite(x) & np.isfinite(y)
    if both.sum() < least or np.ptp(x[both]) == 0 or np.ptp(y[both]) == 0:
        return np.nan, int(both.sum())
    return np.corrcoef(x[both], y[both])[0, 1], int(both.sum())


def series_with_gaps(seed, size, length, share):
    rng = np.random.default_rng(seed)
    reference = 1.7 + 0.1 * np.cumsum(rng.normal(size=size)) / 10
    start = int(rng.integers(0, size - length))
    short = 3.0 + 2.0 * reference[start : start + length] + rng.normal(0, 0.01, length)
    reference, short = reference.copy(), short.copy()
    reference[rng.random(size) < share] = np.nan
    reference[size // 2 : size // 2 + length // 3] = np.nan
    short[rng.random(length) < share] = np.nan
    return reference, short, start


@pytest.mark.parametrize("share", [0.0, 0.02, 0.3])
@pytest.mark.parametrize("size, length", [(300, 40), (5000, 37), (90, 90), (1000, 1)])
def test_every_lag_is_the_plain_correlation(size, length, share):
    if length < size:
        reference, short, _ = series_with_gaps(size, size, length, share)
    else:
        reference, short = np.random.default_rng(5).normal(size=(2, size))
    ready = numerics.Reference.prepare(reference, length)
    r, n = numerics.masked_correlation(ready, short, 5)
    where = numerics.lags(ready)
    for at in np.unique(np.linspace(0, where.size - 1, 400).astype(int)):
        expected, shared = by_hand(reference, short, where[at], 5)
        assert n[at] == shared
        np.testing.assert_allclose(r[at], expected, atol=2e-12)


def test_true_lags_are_found_through_gaps():
    rng = np.random.default_rng(11)
    reference = np.convolve(rng.normal(size=4100), np.ones(9) / 9, "valid")
    starts = rng.integers(0, reference.size - 200, 30)
    cores = np.array([reference[s : s + 200] for s in starts]) * 1.4 - 2.0
    cores += rng.normal(0, 0.05, cores.shape)
    cores[:, 60:75] = np.nan
    reference[1000:1040] = np.nan
    found = list(numerics.best_lags(reference, cores, 100))
    assert [lag for lag, _, _ in found] == list(starts)


def test_a_core_that_hangs_over_the_beginning_has_a_negative_lag():
    rng = np.random.default_rng(3)
    whole = rng.normal(size=400)
    ((lag, r, n),) = numerics.best_lags(whole[100:], whole[None, 60:160], 30)
    assert (lag, n) == (-40, 60)
    assert r == pytest.approx(1.0, abs=1e-12)


def test_constants_and_empty_series_have_no_correlation():
    reference = np.random.default_rng(1).normal(size=100)
    flat = np.full((1, 20), 2.0)
    empty = np.full((1, 20), np.nan)
    for short in (flat, empty):
        ((lag, r, n),) = numerics.best_lags(reference, short, 5)
        assert (lag, n) == (0, 0) and np.isnan(r)


def test_wrong_lengths_are_refused():
    ready = numerics.Reference.prepare(np.arange(50.0), 10)
    with pytest.raises(ValueError, match="prepared for 10"):
        numerics.masked_correlation(ready, np.arange(11.0), 5)
    with pytest.raises(ValueError, match="nothing to correlate"):
        numerics.Reference.prepare(np.full(50, np.nan), 10)
