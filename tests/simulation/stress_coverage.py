"""Count how often the intervals of the stress hold the truth, on made ground with its own physics.

Run as ``python tests/simulation/stress_coverage.py 400 1``: holes and first seed. The ground is
beds of random thickness in a compacting mud with a slow cycle; nothing of it is the package's own
model of layers. Samples share a calibration error, water and gravity are off by their errors.
"""

from __future__ import annotations

import sys
from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from corephys import uncertainty
from corephys.ground import series
from corephys.products import compaction, stress
from corephys.uncertainty import Measured

BOTTOM, STEP = 300.0, 0.05
WATER, GRAIN, GRAVITY = 1.024, 2.70, 9.80665
U_WATER, U_GRAVITY, U_RANDOM, U_SHARED = 0.002, 0.03, 0.010, 0.008  # standard uncertainties
DEPTHS = (30.0, 100.0, 200.0, 290.0)


def ground(rng: np.random.Generator, bed: float) -> tuple[np.ndarray, np.ndarray]:
    """Depth and density: an exponential mud, beds of lognormal thickness, a cycle of 15 to 40 m."""
    z = np.arange(0.0, BOTTOM + STEP, STEP)
    phi = rng.uniform(0.65, 0.8) * np.exp(-z / rng.uniform(800.0, 2500.0))
    ends = np.cumsum(rng.lognormal(np.log(bed), 0.7, int(8 * BOTTOM / bed)))
    offset = rng.normal(0.0, 0.02, ends.size + 1)[np.searchsorted(ends, z)]
    cycle = 0.012 * np.sin(2 * np.pi * z / rng.uniform(15.0, 40.0) + rng.uniform(0.0, 6.3))
    phi = np.clip(phi + offset + cycle, 0.05, 0.95)
    return z, GRAIN - phi * (GRAIN - WATER)


def measured(
    rng: np.random.Generator,
    z: np.ndarray,
    rho: np.ndarray,
    spacing: float,
    gap: float,
    shared: float,
) -> xr.Dataset:
    """Samples at uneven distances with a gap, noise, and one calibration error for all."""
    at = np.cumsum(rng.uniform(0.4, 1.6, int(2 * BOTTOM / spacing)) * spacing)
    top = rng.uniform(60.0, 150.0)
    at = at[(at < BOTTOM) & ~((at > top) & (at < top + gap))]
    values = np.interp(at, z, rho) + rng.normal(0.0, U_RANDOM, at.size)
    values += rng.normal(0.0, shared * U_SHARED)
    series_of = xr.DataArray(
        values, dims="reading", coords={"depth": ("reading", at, {"units": "m"})}
    )
    full = {"calibration": np.full(at.size, shared * U_SHARED)}
    return series.build({"bulk_density": Measured(series_of, np.full(at.size, U_RANDOM), full)})


def filling(density: xr.Dataset) -> xr.Dataset:
    """The compaction fit of the samples' own porosities as a density."""
    rho = density["bulk_density"].values
    z = density["depth"]
    values = xr.DataArray((GRAIN - rho) / (GRAIN - WATER), dims="reading", coords={"depth": z})
    u = np.full(rho.size, U_RANDOM / (GRAIN - WATER))
    effect = -density["bulk_density_effects"].sel(source="calibration").values / (GRAIN - WATER)
    phi = series.build({"porosity": Measured(values, u, {"calibration": effect})})
    fit = compaction.fit(phi, absolute_sigma=True)
    curve = stress.porosity_of_fit(fit, cp.quantity(np.linspace(0.0, BOTTOM, 301), "m"))
    return stress.density_of_porosity(
        curve, grain_density=f"{GRAIN} g/cm^3", grain_density_uncertainty="0 g/cm^3",
        pore_water_density=f"{WATER} g/cm^3", pore_water_density_uncertainty="0 g/cm^3",
    )  # fmt: skip


def one(
    rng: np.random.Generator, case: tuple[float, float, str, float], shared: float
) -> np.ndarray:
    """Error over standard uncertainty of the effective stress at the depths."""
    spacing, gap, fill, bed = case
    z, rho = ground(rng, bed)
    u_g, u_water = shared * U_GRAVITY, shared * U_WATER
    g, water = rng.normal(GRAVITY, u_g), rng.normal(WATER, u_water)
    mass = np.concatenate([[0.0], np.cumsum(0.5 * (rho[1:] + rho[:-1]) * STEP)])
    truth = g * (np.interp(DEPTHS, z, mass) - water * np.array(DEPTHS))
    density = measured(rng, z, rho, spacing, gap, shared)
    found: Any = stress.profile(
        density, at=cp.quantity(np.array(DEPTHS), "m"),
        fill=filling(density) if fill == "compaction" else "linear",
        pore_water_density=f"{WATER} g/cm^3", pore_water_density_uncertainty=f"{u_water} g/cm^3",
        gravity=f"{GRAVITY} m/s^2", gravity_uncertainty=f"{u_g} m/s^2",
    )  # fmt: skip
    u = uncertainty.total(found, "vertical_effective_stress").values
    return np.asarray((found["vertical_effective_stress"].values - truth) / u)


CASES = {
    "samples every 4 m": (4.0, 0.0, "linear", 3.0),
    "samples every 4 m, thick beds": (4.0, 0.0, "linear", 10.0),
    "samples every 10 m, thin beds": (10.0, 0.0, "linear", 1.5),
    "scan every 0.2 m": (0.2, 0.0, "linear", 3.0),
    "gap of 60 m, straight": (4.0, 60.0, "linear", 3.0),
    "gap of 60 m, compaction": (4.0, 60.0, "compaction", 3.0),
}


def count(case: str, holes: int, seed: int, shared: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Share of intervals (k = 1) that hold the truth, and rms of error over uncertainty.

    ``shared`` scales the errors that all readings of a hole have in common; without them only
    noise and unseen layers are left, which is the harder test.
    """
    rng = np.random.default_rng(seed)
    scaled = np.array([one(rng, CASES[case], shared) for _ in range(holes)])
    return (np.abs(scaled) < 1.0).mean(axis=0), np.sqrt((scaled**2).mean(axis=0))


if __name__ == "__main__":
    holes, seed = int(sys.argv[1]), int(sys.argv[2])
    for shared, words in ((1.0, "all errors"), (0.0, "noise and layers alone")):
        for case in CASES:
            found = count(case, holes if "scan" not in case else max(holes // 4, 20), seed, shared)
            rows = zip(DEPTHS, *found, strict=True)
            cells = [f"{d:.0f} m {100 * s:.0f} % ({r:.2f})" for d, s, r in rows]
            print(f"{words}, {case}: {', '.join(cells)}")
