"""How often 68 % intervals hold the truth in layered sediment.

Run ``python tests/simulation/layered_coverage.py [holes] [seed] [processes]``; prints a table in
Markdown, row by row. The truth is not the fitted model: beds of lognormal thickness, each with a
mean of its own, or white scatter, about an exponential of porosity; and a difference of scan and
samples that the beds share, with a tenth of the samples too high.

A hole is 290 m long, with samples at uniformly random depths. Porosity: 0.7 exp(-z / 800 m), beds
of 0.02, measurement 0.004. Density: the scan is the truth over 0.985 with 0.010 g/cm^3 of noise,
samples have 0.008 g/cm^3, beds of 0.015 g/cm^3 set them apart, and one in ten is high by
0.08 g/cm^3. Without stated errors the scatter sets the scale of both.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import xarray as xr

from corephys.products.compaction import fits
from corephys.products.compaction.data import Choices, Data
from corephys.products.compaction.models import MODELS
from corephys.sensors.gamma import ties
from corephys.uncertainty import Measured

SPAN, SURFACE, LENGTH = 290.0, 0.7, 800.0  # m, 1, m
BEDS, NOISE = 0.02, 0.004  # porosity
FACTOR, SCAN, SAMPLE, APART, HIGH, SHARE = 0.985, 0.010, 0.008, 0.015, 0.08, 0.1  # g/cm^3
THICKNESSES = (0.0, 0.2, 2.0, 10.0, 15.0, 40.0)  # m; zero is white scatter
NUMBERS = (12, 25, 60, 300)
SPREAD = 0.7  # of the logarithm of bed thickness


def beds(rng, thickness, z):
    """Standard normal values that are the same within a bed."""
    if thickness == 0.0:
        return rng.normal(size=z.size)
    count = int(4.0 * SPAN / thickness) + 80
    drawn = thickness * np.exp(rng.normal(-0.5 * SPREAD**2, SPREAD, count))
    # The hole begins well inside the sequence, so that its first bed is as long as any other.
    start = 10.0 * thickness * rng.uniform(1.0, 2.0)
    edges = np.cumsum(drawn) - start
    return rng.normal(size=count + 1)[np.searchsorted(edges, z)]


def length_of_hole(z, y, stated):
    """Whether the interval of 1 / L holds the truth, and whether it is flagged."""
    model = MODELS["exponential"]
    data = Data(
        z,
        None,
        y,
        np.full(z.size, NOISE) if stated else None,
        np.ones(z.size, dtype=int),
        {},
        {},
        0,
    )
    # The fit without its checks by blocks of depth, which leave the interval as it is.
    found, *_, spread = fits._least_squares(model, data, Choices(stated), {})
    value, u = found.values["decay_length"], found.errors["decay_length"]
    return abs(1.0 / value - 1.0 / LENGTH) <= u / value**2, spread.few


def tie_of_hole(z, scan, samples, stated):
    """The same of the factor between scan and samples."""
    x, y = (
        Measured(xr.DataArray(values, dims="reading"), np.full(z.size, u if stated else np.nan), {})
        for values, u in ((scan, SCAN), (samples, SAMPLE))
    )
    row = ties._one(x, y, z, np.ones(z.size, dtype=bool))
    return abs(row["factor"] - FACTOR) <= row["u"], row["few"]


def count(seed, thickness, number, holes):
    """Counts of one row, for stated and unknown errors: (2, holes, 4)."""
    rng = np.random.default_rng([seed, round(10.0 * thickness), number])
    out = np.zeros((2, holes, 4), dtype=bool)
    for hole in range(holes):
        z = np.sort(rng.uniform(0.0, SPAN, number))
        y = SURFACE * np.exp(-z / LENGTH) + BEDS * beds(rng, thickness, z)
        y += rng.normal(0.0, NOISE, number)
        truth = 1.5 + 0.001 * z
        scan = truth / FACTOR + rng.normal(0.0, SCAN, number)
        samples = truth + APART * beds(rng, thickness, z) + rng.normal(0.0, SAMPLE, number)
        samples += HIGH * (rng.random(number) < SHARE)
        for way, stated in enumerate((True, False)):
            length, tie = length_of_hole(z, y, stated), tie_of_hole(z, scan, samples, stated)
            out[way, hole] = (*length, *tie)
    return out


def _cells(inside, few):
    """Coverage of all, of those without the flag, and the share that is flagged, in per cent."""
    kept = f"{100 * inside[~few].mean():.0f}" if (~few).sum() >= 20 else "-"
    return f"{100 * inside.mean():.0f} | {kept} | {100 * few.mean():.0f}"


def main(holes=500, seed=1, processes=2):
    """Print the table."""
    print(
        "| beds | samples | errors | length | not flagged | flagged | tie | not flagged | flagged |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    rows = [(t, n) for t in THICKNESSES for n in NUMBERS]
    with ProcessPoolExecutor(processes) as pool:
        parts = [pool.submit(count, seed, t, n, holes) for t, n in rows]
        for (thickness, number), part in zip(rows, parts, strict=True):
            for way, errors in zip(part.result(), ("stated", "unknown"), strict=True):
                bed = f"{thickness:g} m" if thickness else "white"
                length, tie = _cells(way[:, 0], way[:, 1]), _cells(way[:, 2], way[:, 3])
                print(f"| {bed} | {number} | {errors} | {length} | {tie} |", flush=True)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
