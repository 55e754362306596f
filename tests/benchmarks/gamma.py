"""Ten million gamma readings with uncertainty and flags: ours, pandas columns, memory.

Run on demand: ``python -m tests.benchmarks.gamma [readings]``. Both sides return the same outputs
in the same types; the ratio is the median of pairs run in turn.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np
import pandas as pd

from corephys.ground import flags
from corephys.sensors.gamma.calibration import Calibration
from corephys.sensors.gamma.chain import Sediment, density_kernel
from tests.benchmarks.row import Row

C = np.array([9.8, -0.0746, -1e-5])
TAU, BACKGROUND, DIAMETER, BORE, FLUID = 5e-6, 12.0, 6.5, 6.6, 1.07
HALF_LIFE = 30.05 * 365.25 * 86400.0
DOMAIN = (3.0, 20.0)
SCALE = Calibration.nominal()
GRAIN, WATER, Z_GRAIN, Z_WATER = 2.70, 1.0248, 0.4995, 0.5525
INTERCEPT, SLOPE = Sediment(GRAIN, WATER, Z_GRAIN, Z_WATER, 1.0).scale(SCALE)


def ours(counts, seconds, elapsed):
    """The kernel and the flags as the library calls them."""
    rho, u, reason = density_kernel(
        counts, seconds, elapsed, DIAMETER, BORE, FLUID, INTERCEPT, SLOPE, *C,
        dead_time=TAU, background=BACKGROUND, real_time=True, domain=DOMAIN, path=False,
        decay_constant=np.log(2.0) / HALF_LIFE,
    )  # fmt: skip
    return rho, u, reason, flags.from_reason(reason)


def baseline(frame):
    """What a practitioner writes: one column of a pandas frame after the other."""
    f = frame.copy(deep=False)
    f["rate"] = f["counts"] / f["seconds"]
    f["live"] = 1 - f["rate"] * TAU
    f["gross"] = f["rate"] / f["live"]
    f["net"] = f["gross"] - BACKGROUND
    f["u_net"] = f["gross"] / np.sqrt(f["counts"])
    f["u_log"] = f["u_net"] / f["net"]
    f["decayed"] = f["net"] * 2.0 ** (f["elapsed"] / HALF_LIFE)
    f["log"] = np.log(f["decayed"])
    f["root"] = np.sqrt(C[1] ** 2 - 4 * C[2] * (C[0] - f["log"]))
    f["areal"] = 2 * (C[0] - f["log"]) / (f["root"] - C[1])
    f["mean"] = f["areal"] / BORE
    f["core"] = (f["mean"] * BORE - FLUID * (BORE - DIAMETER)) / DIAMETER
    water = SCALE.water_density * SCALE.water_ratio
    per_density = (SCALE.aluminium_density * SCALE.aluminium_ratio - water) / (
        SCALE.aluminium_density - SCALE.water_density
    )
    f["electrons"] = water + (f["core"] - SCALE.water_density) * per_density
    f["porosity"] = (Z_GRAIN * GRAIN - f["electrons"]) / (Z_GRAIN * GRAIN - Z_WATER * WATER)
    f["density"] = GRAIN - f["porosity"] * (GRAIN - WATER)
    f["u_density"] = abs(SLOPE) / DIAMETER * f["u_log"] / f["root"]
    saturated = (f["net"] <= 0) | (f["live"] <= 0)
    beyond = (f["areal"] < DOMAIN[0]) | (f["areal"] > DOMAIN[1])
    f["reason"] = np.int64(0)
    f.loc[beyond, "reason"] = flags.bit("beyond_calibration")
    f.loc[saturated, "reason"] = flags.bit("counter_saturated")
    f["flag"] = np.int8(flags.GOOD)
    f.loc[beyond, "flag"] = flags.SUSPECT
    f.loc[saturated, "flag"] = flags.BAD
    f.loc[saturated, ["density", "u_density"]] = np.nan
    return f["density"], f["u_density"], f["reason"], f["flag"]


def clock(function, *arguments):
    """Time of one run [s] and its result."""
    start = time.perf_counter()
    result = function(*arguments)
    return time.perf_counter() - start, result


def peak():
    """Highest resident memory of the process so far [MiB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main(n: int = 10_000_000) -> list[Row]:
    """Print times, the ratio and the memory; return them for the table."""
    counts = np.random.default_rng(1).poisson(28000.0, n).astype(float)
    seconds = np.full(n, 5.0)
    elapsed = np.linspace(0.0, 1e7, n)
    ours(counts[:1000], seconds[:1000], elapsed[:1000])
    before = peak()
    _, result = clock(ours, counts, seconds, elapsed)
    used = peak() - before
    outputs = sum(a.nbytes for a in result) / 2**20
    frame = pd.DataFrame({"counts": counts, "seconds": seconds, "elapsed": elapsed})
    _, other = clock(baseline, frame)
    for a, b in zip(result, other, strict=True):
        np.testing.assert_allclose(a, b.to_numpy(), rtol=1e-10)
    del result, other
    # In turn, so that a disturbance of the machine meets both; only the ratio means something.
    pairs = [
        (clock(ours, counts, seconds, elapsed)[0], clock(baseline, frame)[0]) for _ in range(9)
    ]
    mine, theirs = np.median(pairs, axis=0)
    ratio = np.median([b / a for a, b in pairs])
    print(
        f"gamma, {n:,} readings: ours {mine:.3f} s, pandas columns {theirs:.3f} s, "
        f"median ratio of nine pairs {ratio:.1f}"
    )
    print(
        f"  outputs {outputs:.0f} MiB, peak above inputs {used:.0f} MiB "
        f"({used / outputs:.2f} times the outputs)"
    )
    return [Row("bulk density of gamma counts", f"{n:,} readings", mine, theirs, memory=used)]


if __name__ == "__main__":
    main(*(int(float(word)) for word in sys.argv[1:]))
