"""Bootstrap of an exponential fit: all draws at once against loops of competent fitters.

Run on demand: ``python -m tests.benchmarks.bootstrap [replicates] [points]``. The same weights go
to all; the loops start from the fit of the data; the lmfit loop is timed on a part of the draws and
scaled. Parameters of all draws are compared.
"""

from __future__ import annotations

import sys
import time
import tracemalloc

import lmfit
import numpy as np
from scipy.optimize import curve_fit, least_squares

from corephys.numerics.exponential import solve_batch, start
from corephys.products.compaction.certainty import block_weights
from tests.benchmarks.row import Row

LMFIT_DRAWS = 100


def data_of(points, seed=1):
    """Depths, porosities with scatter, and the fit of them."""
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(2.0, 600.0, points))
    y = 0.7 * np.exp(-x / 900.0) + rng.normal(0.0, 0.03, points)
    a, rate = solve_batch(x, y, np.ones((1, points)), 1.0 / start(x, y)[1])
    return x, y, (float(a[0]), float(rate[0]))


def curve(x, a, length):
    return a * np.exp(-x / length)


def by_curve_fit(x, y, weights, first):
    found = np.empty((len(weights), 2))
    for i, row in enumerate(weights):
        there = row > 0
        found[i] = curve_fit(
            curve, x[there], y[there], p0=first, sigma=row[there] ** -0.5,
            jac=lambda x, a, length: np.column_stack(
                [np.exp(-x / length), a * np.exp(-x / length) * x / length**2]
            ),
        )[0]  # fmt: skip
    return found


def by_lmfit(x, y, weights, first):
    model = lmfit.Model(curve)
    found = np.empty((len(weights), 2))
    for i, row in enumerate(weights):
        fit = model.fit(y, x=x, a=first[0], length=first[1], weights=np.sqrt(row))
        found[i] = fit.params["a"].value, fit.params["length"].value
    return found


def by_the_last_digit(x, y, weights, first):
    """A slow loop to the end of the arithmetic, for the comparison of parameters."""
    found = np.empty((len(weights), 2))
    for i, row in enumerate(weights):
        root = np.sqrt(row)
        solved = least_squares(
            lambda p, root=root: root * (y - p[0] * np.exp(-x * p[1] / first[1])),
            (first[0], 1.0), method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15,
        ).x  # fmt: skip
        found[i] = solved[0], first[1] / solved[1]
    return found


def timed(call, repeats=1):
    """Best wall time of some calls, and what the last one gave."""
    best = np.inf
    for _ in range(repeats):
        start = time.perf_counter()
        answer = call()
        best = min(best, time.perf_counter() - start)
    return best, answer


def main(replicates=1000, points=500) -> list[Row]:
    """Print times, ratios and differences; return them for the table."""
    x, y, (a, rate) = data_of(points)
    first = (a, 1.0 / rate)
    weights = block_weights(x, 10.0, replicates, np.random.default_rng(2))
    some = weights[:LMFIT_DRAWS]
    ours, (found_a, found_rate) = timed(lambda: solve_batch(x, y, weights, rate), 7)
    loop, fitted = timed(lambda: by_curve_fit(x, y, weights, first), 2)
    part, _ = timed(lambda: by_lmfit(x, y, some, first))
    long = part * replicates / len(some)
    tracemalloc.start()
    solve_batch(x, y, weights, rate)
    memory = tracemalloc.get_traced_memory()[1] / 2**20
    exact = by_the_last_digit(x, y, weights, first)
    ours_all = np.column_stack([found_a, 1.0 / found_rate])
    print(f"{replicates} draws of {points} points, one run")
    print(f"all at once      {1e3 * ours:9.1f} ms   {memory:.1f} MiB beside the weights")
    print(f"curve_fit loop   {1e3 * loop:9.1f} ms   {loop / ours:6.0f} times as long")
    print(f"lmfit loop       {1e3 * long:9.1f} ms   {long / ours:6.0f} times as long (scaled)")
    for name, other in (("converged loop", exact), ("curve_fit", fitted)):
        print(f"largest relative difference to {name}: {np.abs(ours_all / other - 1).max():.1e}")
    big = block_weights(x, 10.0, 20 * replicates, np.random.default_rng(3))
    tracemalloc.reset_peak()
    before = tracemalloc.get_traced_memory()[0]
    solve_batch(x, y, big, rate)
    peak = (tracemalloc.get_traced_memory()[1] - before) / 2**20
    print(f"twenty times the draws: {peak:.1f} MiB beside {big.nbytes / 2**20:.0f} MiB of weights")
    size = f"{replicates:,} draws of {points} points"
    return [Row("bootstrap of an exponential", size, ours, loop, long, memory)]


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
