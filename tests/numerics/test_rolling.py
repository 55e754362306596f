"""Rolling medians by hand, in blocks, and with what is no number."""

from __future__ import annotations

import numpy as np
import pytest

from corephys.numerics import rolling
from corephys.numerics.rolling import rolling_median, rolling_median_and_mad


def test_by_hand_in_two_groups():
    values = np.array([1.0, 5.0, 2.0, 8.0, 10.0, 40.0])
    starts = np.array([0, 4])
    # Windows 1 5 | 1 5 2 | 5 2 8 | 2 8 || 10 40 | 10 40.
    median = [3.0, 2.0, 5.0, 5.0, 25.0, 25.0]
    mad = [2.0, 1.0, 3.0, 3.0, 15.0, 15.0]
    found = rolling_median_and_mad(values, starts, 3)
    np.testing.assert_array_equal(found, [median, mad])
    np.testing.assert_array_equal(rolling_median(values, starts, 3), median)


@pytest.mark.parametrize("window", [1, 3, 51])
def test_what_is_no_number_is_left_out(window):
    values = np.array([np.inf, 4.0, -np.inf, np.nan, 7.0, 1.0, -np.inf])
    gaps = np.where(np.isfinite(values), values, np.nan)
    starts = np.array([0])
    for found in (rolling_median_and_mad(values, starts, window)[0],
                  rolling_median(values, starts, window)):  # fmt: skip
        np.testing.assert_array_equal(found, rolling_median(gaps, starts, window))
    whole = rolling_median_and_mad(values, starts, window)
    np.testing.assert_array_equal(whole, rolling_median_and_mad(gaps, starts, window))
    if window == 51:
        np.testing.assert_array_equal(whole[0], 4.0)
        np.testing.assert_array_equal(whole[1], 3.0)


def test_one_reading_is_its_own_median():
    assert [float(a[0]) for a in rolling_median_and_mad(np.array([3.0]), np.array([0]), 1)] == [
        3,
        0,
    ]
    empty = rolling_median_and_mad(np.empty(0), np.array([0]), 3)
    assert [a.size for a in empty] == [0, 0]
    assert rolling_median(np.empty(0), np.array([0]), 3).size == 0


@pytest.mark.parametrize("block", [1, 7, 40])
def test_blocks_change_nothing(monkeypatch, block):
    values = np.random.default_rng(block).normal(size=100)
    values[[3, 50, 51, 52, 53]] = np.nan
    starts = np.array([0, 30, 31, 77])
    whole = rolling_median_and_mad(values, starts, 5)
    monkeypatch.setattr(rolling, "_BLOCK", block)
    np.testing.assert_array_equal(rolling_median_and_mad(values, starts, 5), whole)


def test_huge_readings_do_not_overflow():
    """Half of the sum of two readings near the largest double is no infinity."""
    values = np.array([1.7e308, 1.5e308, 1.6e308, 1.4e308])
    starts = np.array([0])
    median, mad = rolling_median_and_mad(values, starts, 7)
    np.testing.assert_allclose(median, 1.55e308, rtol=1e-12)
    np.testing.assert_allclose(mad, 1e307, rtol=1e-10)


def _by_definition(values, starts, window):
    """Median and median absolute deviation of every window, one by one."""
    half, ends = window // 2, np.append(starts, values.size)[1:]
    found = []
    for place in range(values.size):
        group = np.searchsorted(starts, place, "right") - 1
        low, high = max(place - half, starts[group]), min(place + half + 1, ends[group])
        inside = values[low:high][np.isfinite(values[low:high])]
        middle = np.median(inside) if inside.size else np.nan
        found.append([middle, np.median(np.abs(inside - middle)) if inside.size else np.nan])
    return np.array(found).T


@pytest.mark.parametrize("kind", ["noise", "steps", "walk", "tails"])
@pytest.mark.parametrize("window", [67, 101, 401])
def test_wide_windows_hold_the_same_numbers_bit_by_bit(kind, window):
    rng = np.random.default_rng(window)
    values = {
        "noise": rng.normal(size=700),
        "steps": rng.integers(0, 4, 700).astype(float),  # many equal readings
        "walk": np.cumsum(rng.normal(size=700)),
        "tails": rng.normal(size=700) ** 9,
    }[kind]
    values[rng.random(700) < 0.1] = np.nan
    values[[5, 300, 301]] = np.inf, -np.inf, np.inf
    values[400:480] = np.nan  # some windows hold no value
    starts = np.array([0, 3, 250, 251, 620])
    wide = rolling_median_and_mad(values, starts, window)
    half = min(window // 2, 369)
    narrow = rolling._of_narrow_windows(values, starts, half)
    np.testing.assert_array_equal(wide, narrow)
    np.testing.assert_array_equal(rolling._of_wide_windows(values, starts, half), narrow)
    np.testing.assert_allclose(wide, _by_definition(values, starts, window), rtol=1e-15)


def test_a_reading_in_a_wide_window_costs_little_more_than_in_a_narrow_one(monkeypatch):
    """Eight times the readings in a window: three times the numbers that are sorted or counted."""
    values = np.random.default_rng(0).normal(size=20_000)
    starts = np.arange(0, values.size, 4_000)
    plain, work = rolling._shared_table, []

    def counted(table, window, share):
        work.append(table.size + table.shape[0] * share * share)
        return plain(table, window, share)

    monkeypatch.setattr(rolling, "_shared_table", counted)
    total = []
    for window in (201, 1601):
        work.clear()
        rolling_median_and_mad(values, starts, window)
        total.append(sum(work) / values.size)
    assert total[0] < 40.0
    assert total[1] < 4.0 * total[0]
