"""Onsets of many waveforms: ours against one waveform after another with cumulative sums.

Run on demand: ``python -m tests.benchmarks.picking [waveforms] [pairs]``. Both pick in the same
gate and have to agree on every sample. The two run in turn, and the median ratio of the pairs is
given beside that of the shortest runs: only ratios mean something on a busy machine.
"""

from __future__ import annotations

import sys
import time
import tracemalloc

import numpy as np

from corephys.numerics.arrival import onset
from data_demo.simulator.waveforms import synthetic_arrivals
from tests.benchmarks.row import Row

SAMPLES, PART, FLOOR = 1024, 5, 1e-12


def by_loop(waveforms, first, last):
    """The same criterion at every split with a rise, each waveform for itself."""
    length = last + 1 - first
    k = np.arange(PART, length - PART + 1)
    behind = length - k
    picks = np.empty(len(waveforms), dtype=int)
    for number, waveform in enumerate(waveforms):
        x = waveform[first : last + 1].astype(float)
        x -= x.mean()
        total, squares = np.cumsum(x), np.cumsum(x * x)
        s, q = total[k - 1], squares[k - 1]
        least = FLOOR * squares[-1] / length
        before = np.maximum((q - s * s / k) / k, least)
        rest = total[-1] - s
        after = np.maximum((squares[-1] - q - rest * rest / behind) / behind, least)
        values = k * np.log(before) + (behind - 1) * np.log(after)
        picks[number] = k[np.argmin(np.where(after > before, values, np.inf))]
    return picks + first


def timed(function, *arguments, **keywords):
    """Time of one run [s] and its result."""
    start = time.perf_counter()
    result = function(*arguments, **keywords)
    return time.perf_counter() - start, result


def memory(function, *arguments, **keywords):
    """Most memory that a call holds at a time, its results included [MiB]."""
    tracemalloc.start()
    function(*arguments, **keywords)
    used = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return used / 2**20


def made(waveforms, signal_to_noise_db):
    """Simulated arrivals in single precision, made in parts to keep the memory low."""
    rng = np.random.default_rng(1)
    parts = []
    for begin in range(0, waveforms, 5000):
        number = min(5000, waveforms - begin)
        onsets = rng.uniform(30.0, 70.0, number)
        _, values = synthetic_arrivals(rng, number, onsets, signal_to_noise_db, SAMPLES)
        parts.append((100.0 + values).astype(np.float32))
    return np.concatenate(parts)


def compare(values, first, last, pairs, words):
    """Print the ratios for one set of waveforms and one gate; return them for the table."""
    used = memory(onset, values, first=first, last=last)
    times = []
    for _ in range(pairs):
        mine, ours = timed(onset, values, first=first, last=last)
        theirs, picks = timed(by_loop, values, first, last)
        times.append((mine, theirs))
        inside = ours.sample >= 0  # the loop also picks the edge of the gate
        edge = (picks == first + PART) | (picks == last + 1 - PART)
        np.testing.assert_array_equal(inside, ~edge)
        np.testing.assert_array_equal(ours.sample[inside], picks[inside])
    mine, theirs = np.array(times).T
    print(
        f"{words}: ours {mine.min():.2f} s, loop {theirs.min():.2f} s; ratio "
        f"{np.median(theirs / mine):.1f} (median of {pairs} pairs), "
        f"{theirs.min() / mine.min():.1f} (shortest runs); {used:.0f} MiB above the input; "
        f"{inside.mean():.1%} picked, all equal"
    )
    mine, theirs = (float(np.median(part)) for part in (mine, theirs))
    what = "onsets, " + words.partition("waveforms, ")[2]
    return Row(what, f"{len(values):,} waveforms", mine, theirs, memory=used)


def main(waveforms: int = 100_000, pairs: int = 5) -> list[Row]:
    """Compare on clear, poor and empty waveforms, in the whole trace and in a gate."""
    rows = []
    for level in (20.0, 5.0, -60.0):
        values = made(waveforms, level)
        words = f"{waveforms:,} waveforms, peak {level:g} dB over the noise"
        rows.append(compare(values, 0, SAMPLES - 1, pairs, f"{words}, complete trace"))
        if level == 20.0:
            rows.append(compare(values, 200, 800, pairs, f"{words}, gate of 601 samples"))
    return rows


if __name__ == "__main__":
    main(*(int(float(argument)) for argument in sys.argv[1:]))
