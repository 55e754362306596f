"""200 cores of 400 samples against 40,000 with gaps: time, memory, two plain ways.

Run on demand: ``python -m tests.benchmarks.correlation [cores]``. The loop over lags is timed on a
sample of lags and scaled.
"""

from __future__ import annotations

import sys
import time
import tracemalloc

import numpy as np
from scipy.signal import fftconvolve

from corephys.numerics.masked_correlation import Reference, best_lags, masked_correlation
from tests.benchmarks.row import Row

LEAST = 100


def data(cores, seed=1):
    """A reference with gaps, noisy pieces of it with a gap each, and where they come from."""
    rng = np.random.default_rng(seed)
    reference = np.convolve(rng.normal(size=40_020), np.ones(21) / 21, "valid")
    starts = rng.integers(0, reference.size - 400, cores)
    pieces = np.array([reference[s : s + 400] for s in starts])
    pieces += rng.normal(0, 0.05, pieces.shape)
    for piece, at in zip(pieces, rng.integers(20, 350, cores), strict=True):
        piece[at : at + 20] = np.nan
    for at in rng.integers(0, reference.size - 60, 60):
        reference[at : at + 40] = np.nan
    return reference, pieces, starts


def by_six_convolutions(reference, piece):
    """Correlation at every lag from six convolutions of values and masks."""
    m, k = np.isfinite(reference).astype(float), np.isfinite(piece).astype(float)[::-1]
    y, x = np.where(m > 0, reference, 0.0), np.where(k[::-1] > 0, piece, 0.0)[::-1]
    n, sx, sxx = (fftconvolve(m, part) for part in (k, x, x * x))
    sy, syy, sxy = (fftconvolve(a, b) for a, b in ((y, k), (y * y, k), (y, x)))
    n = np.round(n)
    with np.errstate(invalid="ignore", divide="ignore"):
        r = (n * sxy - sx * sy) / np.sqrt((n * sxx - sx**2) * (n * syy - sy**2))
    return np.where(n >= LEAST, r, np.nan)


def at_one_lag(reference, piece, lag):
    """Plain correlation of what is shared at one lag."""
    y = reference[lag : lag + piece.size]
    both = np.isfinite(y) & np.isfinite(piece)
    return np.corrcoef(piece[both], y[both])[0, 1] if both.sum() >= LEAST else np.nan


def main(cores=200) -> list[Row]:
    """Print a table of times in one run; return it for the table."""
    reference, pieces, starts = data(cores)
    begin = time.perf_counter()
    found = [lag for lag, _, _ in best_lags(reference, pieces, LEAST)]
    ours = time.perf_counter() - begin
    tracemalloc.start()
    list(best_lags(reference, pieces[:4], LEAST))
    peak = tracemalloc.get_traced_memory()[1] / 2**20
    tracemalloc.stop()

    begin = time.perf_counter()
    six = [int(np.nanargmax(by_six_convolutions(reference, p))) - 399 for p in pieces]
    convolutions = time.perf_counter() - begin

    sample = np.linspace(0, reference.size - 400, 1000).astype(int)
    begin = time.perf_counter()
    plain = np.array([at_one_lag(reference, pieces[0], lag) for lag in sample])
    loop = (time.perf_counter() - begin) / sample.size * (reference.size - 399) * cores
    r, _ = masked_correlation(Reference.prepare(reference, 400), pieces[0], LEAST)
    difference = np.nanmax(np.abs(r[sample + 399] - plain))

    print(f"{cores} cores of 400 against {reference.size}, 60 gaps and one a core")
    print(f"  here                 {ours:8.2f} s   {peak:.0f} MiB")
    print(f"  six convolutions     {convolutions:8.2f} s   {convolutions / ours:.1f} times")
    print(f"  loop over lags       {loop:8.1f} s   {loop / ours:.0f} times (scaled)")
    right = sum(a == b for a, b in zip(found, starts, strict=True))
    same = sum(a == b for a, b in zip(found, six, strict=True))
    print(f"  true lags {right} of {cores}; as the convolutions {same}; largest difference "
          f"from the plain coefficient {difference:.1e}")  # fmt: skip
    size = f"{cores} cores of 400 against {reference.size:,}"
    return [Row("correlation over all lags", size, ours, convolutions, loop, peak)]


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
