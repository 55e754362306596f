"""Ten million gamma readings with uncertainty and flags: ours, pandas columns, memory.

Run on demand: ``python tests/benchmarks/gamma.py [readings]``. Both sides return the same outputs
in the same types; times are the best of three in one run, so only the ratio means something.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np
import pandas as pd

from corephys import flags
from corephys.sensors.gamma_kernel import density_kernel

C = np.array([9.8, -0.0746, -1e-5])
TAU, BACKGROUND, DIAMETER, BORE, FLUID = 5e-6, 12.0, 6.5, 6.6, 1.07
HALF_LIFE = 30.05 * 365.25 * 86400.0
INTERCEPT, SLOPE, DOMAIN = 0.05, 0.95, (3.0, 20.0)


def ours(counts, seconds, elapsed):
    """The kernel and the flags as the library calls them."""
    rho, u, reason = density_kernel(
        counts, seconds, elapsed, DIAMETER, BORE, FLUID, INTERCEPT, SLOPE, coefficients=C,
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
    f["mean"] = f["areal"] / DIAMETER - FLUID * (BORE / DIAMETER - 1)
    f["density"] = INTERCEPT + SLOPE * f["mean"]
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


def best(function, *arguments, repeat=3):
    """Shortest of a few runs [s] and the last result."""
    times = []
    for _ in range(repeat):
        result = None
        start = time.perf_counter()
        result = function(*arguments)
        times.append(time.perf_counter() - start)
    return min(times), result


def peak():
    """Highest resident memory of the process so far [MiB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main(n: int) -> None:
    """Print times, the ratio and the memory."""
    counts = np.random.default_rng(1).poisson(28000.0, n).astype(float)
    seconds = np.full(n, 5.0)
    elapsed = np.linspace(0.0, 1e7, n)
    ours(counts[:1000], seconds[:1000], elapsed[:1000])
    before = peak()
    t_ours, result = best(ours, counts, seconds, elapsed)
    used = peak() - before
    outputs = sum(a.nbytes for a in result) / 2**20
    frame = pd.DataFrame({"counts": counts, "seconds": seconds, "elapsed": elapsed})
    t_pandas, other = best(baseline, frame, repeat=2)
    for a, b in zip(result, other, strict=True):
        np.testing.assert_allclose(a, b.to_numpy(), rtol=1e-10)
    print(f"gamma, {n:,} readings: ours {t_ours:.3f} s, pandas columns {t_pandas:.3f} s, "
          f"ratio {t_pandas / t_ours:.1f}")  # fmt: skip
    print(f"  outputs {outputs:.0f} MiB, peak above inputs {used:.0f} MiB "
          f"({used / outputs:.2f} times the outputs, three runs)")  # fmt: skip


if __name__ == "__main__":
    main(int(float(sys.argv[1])) if len(sys.argv) > 1 else 10_000_000)
