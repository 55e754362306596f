"""Heat flow against the number of temperatures: bias, coverage, flags and time.

Run on demand: ``python tests/simulation/dense_temperatures.py [holes] [first seed]``. A hole is
beds of lognormal thickness and conductivity on a trend; temperatures are summed bed by bed, so that
nothing of the reduction is in them. Needles every 12 m read one bed each with noise of their own
and a shared error of the power, thermometers share an error too. In the second table they lie
across the core in a laboratory, and read neither the vertical conductivity nor that in situ.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import xarray as xr

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from corephys.ground import flags, series
from corephys.products import heat_flow
from corephys.samples import needle
from corephys.uncertainty import Measured

BOTTOM, WATER_DEPTH, LABORATORY = 400.0, 2500.0, 20.0  # m, m, degC
U = {"temperature": 0.005, "thermometer": 0.003, "needle": 0.015, "power": 0.010, "water": 0.01}
NUMBERS, BEDS = (4, 7, 14, 50, 200, 1000, 5000), (0.5, 2.0, 10.0, 40.0)  # 1, m
WAYS = ("in the formation", "in the laboratory", "in the laboratory, corrected")


def _series(name, depth, values, u, effects):
    coords = {
        "depth": ("reading", np.asarray(depth, float), {"units": "m"}),
        "direction": ("reading", np.full(np.size(depth), "across", dtype=object)),
    }
    array = xr.DataArray(np.asarray(values, float), dims="reading", coords=coords)
    along = {s: xr.DataArray(np.broadcast_to(e, array.shape), dims="reading")
             for s, e in effects.items()}  # fmt: skip
    return series.build({name: Measured(array, u, along)})


def hole(rng, size, bed, laboratory=False):
    """Temperatures, needle readings, bottom water [degC] and true heat flow [mW/m^2]."""
    thick = bed * np.exp(rng.normal(-0.125, 0.5, int(3 * BOTTOM / bed) + 20))
    edge = np.append(0.0, np.cumsum(thick))
    middle = 0.5 * (edge[1:] + edge[:-1])
    k = (rng.uniform(0.85, 1.1) + rng.uniform(0.0, 1e-3) * middle) * np.exp(
        rng.uniform(0.04, 0.14) * rng.normal(size=middle.size)
    )
    flow, water = rng.uniform(30.0, 110.0), rng.uniform(1.0, 4.0)
    warm = water + np.append(0.0, np.cumsum(1e-3 * flow * np.diff(edge) / k))
    at = np.linspace(max(BOTTOM / size, 10.0 if size < 50 else 0.0), BOTTOM - 5.0, size)
    shared = U["thermometer"] * rng.normal()
    seen = np.interp(at, edge, warm) + U["temperature"] * rng.normal(size=size) + shared
    known = np.arange(rng.uniform(1.0, 6.0), BOTTOM, 12.0)
    read = k[np.searchsorted(edge, known) - 1]
    if laboratory:
        change = (WATER_DEPTH + 1.7 * known) / 182900.0
        change += (np.interp(known, edge, warm) - LABORATORY) / 400.0
        read = read * np.sqrt(rng.uniform(1.0, 1.1)) / (1.0 + change * (1.0 + 0.5 * rng.normal()))
    read = read * (1.0 + U["power"] * rng.normal()) * (
        1.0 + U["needle"] * rng.normal(size=known.size)
    )  # fmt: skip
    return (
        _series("equilibrium_temperature", at, seen, U["temperature"],
                {"thermometer": U["thermometer"]}),
        _series("thermal_conductivity", known, read, U["needle"] * read,
                {"heating_power": U["power"] * read}),
        water + U["water"] * rng.normal(), flow,
    )  # fmt: skip


def _formation(needles, warm, water, corrected):
    line = np.polyfit(np.append(0.0, warm["depth"].values),
                      np.append(water, warm["equilibrium_temperature"].values), 1)  # fmt: skip
    below = needles["thermal_conductivity"].copy(data=np.polyval(line, needles["depth"].values))
    situ = needle.in_situ(
        needles, f"{WATER_DEPTH} m", None, below.assign_attrs(units="degC"), f"{LABORATORY} degC",
        "1.7 g/cm^3", temperature_uncertainty="0 K", laboratory_temperature_uncertainty="0 K",
        density_uncertainty="0 g/cm^3",
    )  # fmt: skip
    chosen = ("anisotropy", "in_situ") if corrected else ()
    return needle.formation_conductivity(needles, in_situ=situ, corrections=chosen)


def one(rng, size, bed, way=WAYS[0]):
    """Error and half width of the interval [1], whether flagged good, and time of the line [s]."""
    warm, needles, water, flow = hole(rng, size, bed, laboratory=way != WAYS[0])
    if way != WAYS[0]:
        needles = _formation(needles, warm, water, way == WAYS[2])
    start = time.process_time()
    found = heat_flow.bullard(
        warm, heat_flow.thermal_resistance(needles, at=warm),
        bottom_water_temperature=f"{water} degC",
        bottom_water_temperature_uncertainty=f"{U['water']} K",
    )  # fmt: skip
    spent = time.process_time() - start
    low, high = found["heat_flow_interval"].values
    good = int(found["heat_flow_flag"]) == flags.GOOD
    return float(found["heat_flow"]) / flow - 1.0, 0.5 * (high - low) / flow, good, spent


def score(holes, seed, size, bed, way=WAYS[0]):
    """Mean error and its own error, scatter [1], share inside, share good, time of a line [s]."""
    rows = [one(np.random.default_rng([seed, i]), size, bed, way) for i in range(holes)]
    error, half, good, spent = np.array(rows, dtype=float).T
    return {
        "bias": error.mean(), "of_bias": error.std() / np.sqrt(holes), "scatter": error.std(),
        "stated": half.mean(), "inside": np.mean(np.abs(error) <= half), "good": good.mean(),
        "seconds": np.median(spent),
    }  # fmt: skip


def main(holes, seed, numbers=NUMBERS, beds=BEDS, ways=WAYS):
    """Print the tables."""
    print(f"{holes} holes each, seed {seed}; errors in per cent of the heat flow")
    head = ("bed", "temperatures", "bias", "scatter", "stated", "inside", "good", "time")
    for way in ways:
        print(f"needles {way}")
        print("".join(f"{word:>14}" for word in head))
        for bed in beds if way == WAYS[0] else beds[1:2]:
            for size in numbers:
                row = score(holes, seed, size, bed, way)
                bias = f"{100 * row['bias']:.2f} +- {100 * row['of_bias']:.2f}"
                print(
                    f"{bed:>12g} m{size:>14}{bias:>14}"
                    f"{100 * row['scatter']:>14.2f}{100 * row['stated']:>14.2f}"
                    f"{100 * row['inside']:>13.0f}%{100 * row['good']:>13.0f}%"
                    f"{1e3 * row['seconds']:>11.1f} ms",
                    flush=True,
                )


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*(given + [200, 1][len(given) :]))
