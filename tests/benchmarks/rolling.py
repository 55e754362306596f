"""Median and median absolute deviation of one window, by section: ours, pandas and whole-array.

The flags are those of the exact test: distance from the median of the window over the median
absolute deviation of that same window.

Run on demand: ``python -m tests.benchmarks.rolling [readings]``. ``rolling.apply`` is timed on a
sample of the sections and scaled; all results are compared. Only the ratios mean something.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np
import pandas as pd
from numpy.lib.stride_tricks import sliding_window_view

from corephys.numerics.rolling import rolling_median_and_mad
from corephys.quality import checks
from corephys.quality.scan_index import ScanIndex
from tests.benchmarks.row import Row

WINDOW, SECTIONS, SAMPLED = 11, 10_000, 200
STEP, THRESHOLD = 2.0, 3.5  # cm, and standard deviations


def spread(window):
    """Median absolute deviation of the values of one window."""
    known = window[~np.isnan(window)]
    return np.median(np.abs(known - np.median(known)))


def by_apply(values, section):
    """What pandas offers for a statistic of its own."""
    grouped = pd.Series(values).groupby(section)
    options = {"window": WINDOW, "center": True, "min_periods": 1}
    median = grouped.rolling(**options).median()
    return median.to_numpy(), grouped.rolling(**options).apply(spread, raw=True).to_numpy()


def by_windows(values, starts):
    """One array of all windows padded with NaN, and nanmedian."""
    half = WINDOW // 2
    pad = np.full(half, np.nan)
    pieces = np.split(values, starts[1:])
    padded = np.concatenate([part for piece in pieces for part in (pad, piece, pad)])
    at = np.concatenate(
        [
            np.arange(piece.size) + start + 2 * half * k
            for k, (piece, start) in enumerate(zip(pieces, starts, strict=True))
        ]
    )
    table = sliding_window_view(padded, WINDOW)[at]
    median = np.nanmedian(table, axis=1)
    return median, np.nanmedian(np.abs(table - median[:, None]), axis=1)


def timed(function, *arguments, repeat=1):
    """Shortest of a few runs [s] and the last result."""
    times = []
    for _ in range(repeat):
        start = time.perf_counter()
        result = function(*arguments)
        times.append(time.perf_counter() - start)
    return min(times), result


def peak():
    """Highest resident memory of the process so far [MiB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def whole_test(values, places):
    """The test as the library makes it."""
    return checks.rolling_spikes(values, np.nan, places, threshold=THRESHOLD, window=WINDOW * STEP)


def other_test(values, section):
    """How many the test flags that takes a rolling median twice."""
    options = {"window": WINDOW, "center": True, "min_periods": 1}
    median = pd.Series(values).groupby(section).rolling(**options).median().to_numpy()
    away = pd.Series(np.abs(values - median))
    again = away.groupby(section).rolling(**options).median().to_numpy()
    return int(np.sum(away.to_numpy() > THRESHOLD * 1.4826 * again))


def main(readings: int = 1_000_000) -> list[Row]:
    """Print times, ratios and the memory above the input; return them for the table."""
    rng = np.random.default_rng(1)
    values = np.cumsum(rng.normal(0, 0.01, readings)) + rng.normal(0, 0.05, readings)
    values[rng.random(readings) < 0.01] = np.nan
    starts = np.linspace(0, readings, SECTIONS, endpoint=False).astype(int)
    section = np.repeat(np.arange(SECTIONS), np.diff(np.append(starts, readings)))
    rolling_median_and_mad(values[:1000], np.array([0]), WINDOW)
    offset = STEP * (np.arange(readings) - starts[section])
    places = ScanIndex.from_codes(np.zeros_like(section), section, offset)
    before = peak()
    flags = whole_test(values, places)
    used_by_test = peak() - before
    ours, result = timed(rolling_median_and_mad, values, starts, WINDOW)
    ours = min(ours, timed(rolling_median_and_mad, values, starts, WINDOW, repeat=3)[0])
    whole, other = timed(by_windows, values, starts)
    few = section < SAMPLED
    applied, third = timed(by_apply, values[few], section[few])
    applied *= readings / few.sum()
    for mine, theirs, sampled in zip(result, other, third, strict=True):
        np.testing.assert_allclose(mine, theirs, atol=1e-12)
        np.testing.assert_allclose(mine[few], sampled, atol=1e-12)
    print(
        f"{readings:,} readings in {SECTIONS:,} sections, windows of {WINDOW}: ours {ours:.2f} s "
        f"(results {2 * values.nbytes / 2**20:.0f} MiB)"
    )
    exact = np.abs(values - other[0]) > THRESHOLD * 1.4826 * other[1]
    flagged = timed(whole_test, values, places, repeat=4)[0]
    np.testing.assert_array_equal(flags, exact)
    print(
        f"  the whole test {flagged:.2f} s, {used_by_test:.0f} MiB above the input, "
        f"{whole / flagged:.1f} and {applied / flagged:.0f} times faster than the two below: "
        f"{flags.sum():,} flags, all those of the exact test and no other; the rolling median of "
        f"distances from a rolling median flags {other_test(values, section):,}"
    )
    print(f"  groupby().rolling().apply {applied:.0f} s (scaled), ratio {applied / ours:.0f}")
    print(f"  all windows and nanmedian {whole:.1f} s, ratio {whole / ours:.0f}")
    size = f"{readings:,} readings, windows of {WINDOW}"
    return [
        Row("rolling median and deviation", size, ours, whole, applied),
        Row("rolling test for spikes", size, flagged, whole, applied, used_by_test),
    ]


if __name__ == "__main__":
    main(*(int(float(word)) for word in sys.argv[1:]))
