"""Monte Carlo heat flows: time and memory beside a plain loop over the draws.

Run on demand: ``python -m tests.benchmarks.heat_flow [draws] [temperatures] [conductivities]``.
The loop integrates each draw with ``np.trapezoid`` and fits it with ``np.polyfit``; the ratio is
that of one run on one machine.
"""

from __future__ import annotations

import sys
import time
import tracemalloc

import numpy as np
import xarray as xr

from corephys.ground import series
from corephys.products import heat_flow
from corephys.uncertainty import Measured
from tests.benchmarks.row import Row

U_TEMPERATURE, SCATTER = 0.03, 0.03


def hole(temperatures, conductivities, seed=1):
    """Stations and conductivities of an invented hole of 300 m, heat flow 60 mW/m^2."""
    rng = np.random.default_rng(seed)
    z = np.linspace(0.0, 300.0, conductivities)
    k = (1.0 + 0.001 * z) * np.exp(rng.normal(0.0, SCATTER, z.size))
    at = np.linspace(10.0, 300.0, temperatures)
    warm = 2.0 + 0.06 * np.log1p(0.001 * at) / 0.001 + rng.normal(0, U_TEMPERATURE, at.size)
    return z, k, at, warm


def plain(z, k, at, warm, draws, seed=2):
    """One draw after another: every resistance by its own integral."""
    rng = np.random.default_rng(seed)
    found = np.empty(draws)
    for i in range(draws):
        resistivity = np.exp(rng.normal(0.0, SCATTER, k.size)) / k
        whole = np.concatenate(
            [[0.0], np.cumsum(0.5 * (resistivity[1:] + resistivity[:-1]) * np.diff(z))]
        )
        t = warm + rng.normal(0.0, U_TEMPERATURE, warm.size)
        found[i] = np.polyfit(np.interp(at, z, whole), t, 1)[0]
    return 1e3 * found


def as_series(name, depth, values, u):
    """A series as the library takes it."""
    array = xr.DataArray(
        values, dims="reading", coords={"depth": ("reading", depth, {"units": "m"})}
    )
    return series.build({name: Measured(array, u)})


def main(draws=100_000, temperatures=30, conductivities=200) -> list[Row]:
    """Print times, the ratio, the memory and how far the two and the first order agree."""
    z, k, at, warm = hole(temperatures, conductivities)
    stations = as_series("equilibrium_temperature", at, warm, U_TEMPERATURE)
    needles = as_series("thermal_conductivity", z, k, 0.001)
    heat_flow.monte_carlo(stations, needles, draws=100)  # imports
    start = time.perf_counter()
    found = heat_flow.monte_carlo(stations, needles, draws=draws)
    ours = time.perf_counter() - start
    tracemalloc.start()
    heat_flow.monte_carlo(stations, needles, draws=draws)
    memory = tracemalloc.get_traced_memory()[1] / 2**20
    tracemalloc.stop()
    sample = min(draws, 10000)
    start = time.perf_counter()
    flows = plain(z, k, at, warm, sample)
    loop = (time.perf_counter() - start) * draws / sample
    start = time.perf_counter()
    for _ in range(20):
        heat_flow.bullard(stations, heat_flow.thermal_resistance(needles, at=stations))
    quick = (time.perf_counter() - start) / 20
    print(f"{draws:,} heat flows of {temperatures} temperatures and {conductivities} "
          f"conductivities: ours {ours:.2f} s, loop {loop:.1f} s (scaled from {sample:,}), "
          f"ratio {loop / ours:.0f}; {memory:.0f} MiB")  # fmt: skip
    print(f"  loop {flows.mean():.3f} +- {flows.std():.3f}, "
          f"ours {float(found.heat_flow):.3f} +- {float(found.heat_flow_drawn_uncertainty):.3f}, "
          f"first order {float(found.heat_flow_first_order):.3f} +- "
          f"{float(found.heat_flow_first_order_uncertainty):.3f} mW/m^2 "
          f"in {1e3 * quick:.1f} ms")  # fmt: skip
    size = f"{draws:,} draws of {temperatures} and {conductivities}"
    return [
        Row("drawn heat flows", size, ours, naive=loop, memory=memory),
        Row("heat flow to first order", f"{temperatures} and {conductivities}", quick),
    ]


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
