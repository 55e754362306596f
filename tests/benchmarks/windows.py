"""Every window of many heating runs, and the whole reduction: time, memory, plain least squares.

Run on demand: ``python -m tests.benchmarks.windows [runs] [samples]``. The loop is timed on a
sample of windows and scaled; the slopes and errors of that sample are compared.
"""

from __future__ import annotations

import sys
import time
import tracemalloc

import numpy as np
import xarray as xr

from corephys.numerics.window_regression import all_windows
from corephys.samples import needle
from tests.benchmarks.row import Row

MINIMUM = 20


def runs_of(number, samples, seed=1):
    """Heating curves with noise and a drift, temperatures in K."""
    rng = np.random.default_rng(seed)
    t = np.linspace(2.0, 300.0, samples)
    slope = rng.uniform(0.15, 0.35, (number, 1))
    noise = rng.normal(0, 1e-4, (number, samples))
    return np.log(t), 293.15 + slope * np.log(t) + 1e-5 * t + noise


def by_least_squares(x, y):
    """Slope and its standard error of one window."""
    design = np.column_stack([np.ones(x.size), x])
    solution, *_ = np.linalg.lstsq(design, y, rcond=None)
    residual = y - design @ solution
    s2 = residual @ residual / (x.size - 2)
    return solution[1], np.sqrt(s2 * np.linalg.inv(design.T @ design)[1, 1])


def table_of(number, samples, seed=3):
    """Runs of a table as the library takes it, half a minute of samples before heating."""
    rng = np.random.default_rng(seed)
    step = 300.0 / samples
    time = np.arange(-20 * step, 300.0 + step / 2, step)
    slope = rng.uniform(0.15, 0.35, (number, 1))
    logs = np.log(np.maximum(time, step) + 1.0)
    curves = 20.0 + slope * logs * (time > 0) + rng.normal(0, 1e-3, (number, time.size))
    rows = curves.size
    return xr.Dataset(
        {
            "geometry": ("row", np.full(rows, "full_space", dtype=object)),
            "heating_power": ("row", np.full(rows, 3.0), {"units": "W/m"}),
            "radius": ("row", np.full(rows, 1.0), {"units": "mm"}),
            "time": ("row", np.tile(time, number), {"units": "s"}),
            "temperature": ("row", curves.ravel(), {"units": "degC"}),
        },
        coords={"run": ("row", np.repeat(np.arange(number), time.size))},
    )


def measured(call):
    """Seconds and the most memory above what was there before [MiB], in two calls."""
    start = time.perf_counter()
    call()
    seconds = time.perf_counter() - start
    tracemalloc.start()
    call()
    memory = tracemalloc.get_traced_memory()[1] / 2**20
    tracemalloc.stop()
    return seconds, memory


def scan(x, y):
    """All windows, none of them kept."""
    for _ in all_windows(x, y, minimum=MINIMUM):
        pass


def whole(number, samples):
    """Print time and memory of the windows alone and of the reduction with all its checks."""
    x, y = runs_of(number, samples)
    seconds, memory = measured(lambda: scan(x, y))
    print(f"  windows alone {seconds:.2f} s, {memory:.0f} MiB")
    table = table_of(number, samples)
    needle.thermal_conductivity(table.isel(row=slice(0, 2 * samples)))  # imports and tables
    for check in (False, True):
        seconds, memory = measured(lambda: needle.thermal_conductivity(table, cross_check=check))  # noqa: B023
        print(f"  thermal_conductivity, cross-check {check}: {seconds:.2f} s, {memory:.0f} MiB")


def main(number: int = 2000, samples: int = 200) -> list[Row]:
    """Print times, the ratio and the largest difference; return them for the table."""
    x, y = runs_of(number, samples)
    start = time.perf_counter()
    windows, best = 0, np.full(number, np.inf)
    for fit in all_windows(x, y, minimum=MINIMUM):
        windows += fit.slope.size
        np.minimum(best, fit.slope_error.min(axis=1), out=best)
    ours = time.perf_counter() - start
    rng = np.random.default_rng(2)
    kept = {}
    for fit in all_windows(x, y[:5], minimum=MINIMUM):
        kept[fit.length] = fit
    worst_slope = worst_error = 0.0
    start = time.perf_counter()
    sample = 3000
    for _ in range(sample):
        run, length = int(rng.integers(5)), int(rng.integers(MINIMUM, samples + 1))
        i = int(rng.integers(samples - length + 1))
        slope, error = by_least_squares(x[i : i + length], y[run, i : i + length])
        fit = kept[length]
        difference = abs(fit.slope[run, i] - slope)
        worst_slope = max(worst_slope, difference / max(abs(slope), error))
        worst_error = max(worst_error, abs(fit.slope_error[run, i] / error - 1.0))
    loop = (time.perf_counter() - start) / sample * windows
    print(f"{number} runs of {samples} samples, {windows:,} windows: ours {ours:.2f} s, least "
          f"squares one by one {loop:.0f} s (scaled), ratio {loop / ours:.0f}")  # fmt: skip
    print(f"  slopes differ by {worst_slope:.1e} of the larger of slope and standard error, "
          f"standard errors by {worst_error:.1e} of themselves")  # fmt: skip
    whole(number, samples)
    size = f"{number:,} runs of {samples}, {windows:,} windows"
    return [Row("every window of heating runs", size, ours, naive=loop)]


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
