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
    with pytest.raises(ValueError, match="short has 11 samples; it must have the 10"):
        numerics.masked_correlation(ready, np.arange(11.0), 5)
    with pytest.raises(ValueError, match="reference has 0 numbers among 50 samples"):
        numerics.Reference.prepare(np.full(50, np.nan), 10)


def test_as_many_shared_samples_as_asked_for_are_enough():
    rng = np.random.default_rng(7)
    reference, short = rng.normal(size=60), rng.normal(size=12)
    reference[30:33] = np.nan
    ready = numerics.Reference.prepare(reference, 12)
    for least in (1, 2, 3, 9, 12, 13):
        r, n = numerics.masked_correlation(ready, short, least)
        np.testing.assert_array_equal(np.isfinite(r), n >= max(least, 2))
        assert n.dtype.kind == "i"
    # Two points always lie on a line.
    r, n = numerics.masked_correlation(ready, short, 1)
    np.testing.assert_allclose(np.abs(r[n == 2]), 1.0, rtol=1e-9)


@pytest.mark.parametrize("share", [0.05, 0.5])
def test_gaps_by_sums_and_by_transforms_agree(monkeypatch, share):
    reference, short, _ = series_with_gaps(3, 3000, 50, share)
    found = []
    for touches in (0, 10**9):
        monkeypatch.setattr(numerics, "_TOUCHES", touches)
        ready = numerics.Reference.prepare(reference, 50)
        assert (ready.gaps is None, ready.masks is None) == (touches == 0, touches > 0)
        found.append(numerics.masked_correlation(ready, short, 5))
    np.testing.assert_array_equal(found[0][1], found[1][1])
    np.testing.assert_allclose(found[0][0], found[1][0], atol=1e-9)


def test_no_correlation_where_either_stands_still_over_what_is_shared():
    rng = np.random.default_rng(9)
    reference = rng.normal(size=200)
    reference[80:120] = 4.0
    short = rng.normal(size=20)
    ready = numerics.Reference.prepare(reference, 20)
    r, n = numerics.masked_correlation(ready, short, 5)
    where = numerics.lags(ready)
    still = (where >= 80) & (where <= 100)
    assert np.isnan(r[still]).all() and (n[still] == 20).all()
    assert np.isfinite(r[(n >= 5) & ~still]).all()
    half = np.where(np.arange(20) < 10, 1.0, np.nan)
    half[10:] = rng.normal(size=10)
    r, n = numerics.masked_correlation(ready, half, 5)
    # Over the end only the ten equal samples are shared.
    assert np.isnan(r[where == 190]).all() and n[where == 190] == 10


def test_level_and_scale_do_not_matter():
    reference, short, _ = series_with_gaps(21, 500, 40, 0.02)
    plain = list(numerics.best_lags(reference, short[None], 10))
    moved = list(numerics.best_lags(1e-6 * reference - 4.0, 1e5 * short[None] + 1e6, 10))
    turned = list(numerics.best_lags(-reference, -short[None], 10))
    for (lag, r, n), (other_lag, other, m) in zip(plain * 2, moved + turned, strict=True):
        assert (lag, n) == (other_lag, m)
        assert r == pytest.approx(other, abs=1e-8)


def test_lags_run_from_one_shared_sample_to_one_shared_sample():
    ready = numerics.Reference.prepare(np.arange(9.0), 4)
    np.testing.assert_array_equal(numerics.lags(ready), np.arange(-3, 9))
    _, n = numerics.masked_correlation(ready, np.arange(4.0), 2)
    np.testing.assert_array_equal(n, [1, 2, 3, 4, 4, 4, 4, 4, 4, 3, 2, 1])


def test_one_sample_and_no_length_are_at_the_bounds():
    ready = numerics.Reference.prepare(np.array([np.nan, 3.0, np.nan]), 1)
    r, n = numerics.masked_correlation(ready, np.array([2.0]), 2)
    np.testing.assert_array_equal(n, [0, 1, 0])
    assert np.isnan(r).all()
    with pytest.raises(ValueError, match="length is 0; a correlation needs"):
        numerics.Reference.prepare(np.arange(5.0), 0)


def test_a_series_without_a_lag_does_not_end_the_others():
    rng = np.random.default_rng(15)
    reference = rng.normal(size=80)
    short = np.stack([np.full(15, 2.0), reference[40:55], np.full(15, np.nan), reference[3:18]])
    assert [lag for lag, _, _ in numerics.best_lags(reference, short, 6)] == [0, 40, 0, 3]


def test_whole_numbers_serve_and_the_reference_says_what_was_taken_off():
    reference = np.random.default_rng(16).integers(0, 50, 90)
    ready = numerics.Reference.prepare(reference, 20)
    assert (ready.level, ready.scale) == pytest.approx((reference.mean(), reference.std()))
    assert (ready.size, ready.length) == (90, 20)
    r, _ = numerics.masked_correlation(ready, reference[30:50], 20)
    assert (numerics.lags(ready)[np.nanargmax(r)], np.nanmax(r)) == (30, pytest.approx(1.0))
    still = numerics.Reference.prepare(np.full(30, 7), 5)
    assert (still.level, still.scale) == (7.0, 1.0)
    assert np.isnan(numerics.masked_correlation(still, np.arange(5.0), 2)[0]).all()
