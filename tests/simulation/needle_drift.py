"""What a drift of the needle costs: bias, share flagged good and coverage by kind of drift.

Run on demand: ``python tests/simulation/needle_drift.py [runs] [first seed]``. The curves are those
of the simulator's cylinder with a film of water, whose physics shares nothing with the reduction;
the drift is a line or an exponential that has so many kelvins left when heating begins.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import xarray as xr

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from corephys.ground import flags
from corephys.samples import needle
from data_demo.simulator import needle as simulated

NAME, NOISE, STEP, END = "thermal_conductivity", 1e-3, 2.0, 240.0
# K/s of a line, or K and s of an exponential
DRIFTS = (
    ("line", 1e-4, np.inf), ("line", 5e-4, np.inf), ("line", 1e-3, np.inf),
    ("exponential", 0.3, 120.0), ("exponential", 0.3, 600.0), ("exponential", 0.3, 2000.0),
)  # fmt: skip
BEFORE = (20.0, 60.0, 180.0)  # s


def runs(kind, size, settling, before, number, seed):
    """Table of heating runs with a drift, and their true conductivities."""
    rng = np.random.default_rng(seed)
    time = np.arange(-before, END + STEP / 2.0, STEP)
    drift = size * time if kind == "line" else -size * np.exp(-time / settling)
    truth, curves = rng.uniform(0.85, 1.5, number), []
    for k in truth:
        film, heat = rng.uniform(*simulated.FILM), 1e6 * rng.uniform(3.0, 3.7)
        rise = simulated.rise(time, k, heat, 3.0, 0.6 / film, False)
        curves.append(np.round(20.0 + rise + drift + rng.normal(0.0, NOISE, time.size), 4))
    names = np.arange(1, number + 1).astype(str).astype(object)
    columns = {
        "heating_power": (np.full(number * time.size, 3.0), "W/m"),
        "time": (np.tile(time, number), "s"),
        "temperature": (np.concatenate(curves), "degC"),
        "radius": (np.full(number * time.size, 1.0), "mm"),
    }
    table = xr.Dataset(
        {key: ("row", values, {"units": unit}) for key, (values, unit) in columns.items()},
        coords={"run": ("row", np.repeat(names, time.size))},
    )
    table["geometry"] = ("row", np.full(table.sizes["row"], "full_space", dtype=object))
    return table, truth


def score(kind, size, settling, before, number, seed):
    """Bias [1], root mean square error [1], share good, share inside, stated error [1]."""
    table, truth = runs(kind, size, settling, before, number, seed)
    found = needle.thermal_conductivity(table, heating_power_uncertainty="0 %")
    error = found[NAME].values / truth - 1.0
    u = np.hypot(found[f"{NAME}_u_random"].values, found[f"{NAME}_u_systematic"].values) / truth
    known = np.isfinite(error)
    return {
        "bias": error[known].mean(),
        "rms": np.sqrt(np.mean(error[known] ** 2)),
        "good": np.mean(found[f"{NAME}_flag"].values == flags.GOOD),
        "inside": np.mean(np.abs(error[known]) <= u[known]),
        "stated": np.median(u[known]),
    }


def main(number, first):
    """Print the table of all drifts and records."""
    print(f"{number} runs each, first seed {first}; bias, rms and stated error in per cent")
    print(f"{'drift':<34}{'before':>8}{'bias':>8}{'rms':>8}{'stated':>8}{'good':>8}{'inside':>8}")
    for i, (kind, size, settling) in enumerate(DRIFTS):
        words = f"line of {1e3 * size:g} mK/s"
        if kind != "line":
            words = f"exponential of {size:g} K, {settling:g} s"
        for before in BEFORE:
            row = score(kind, size, settling, before, number, [first, i, int(before)])
            per_cent = {key: 100.0 * value for key, value in row.items()}
            print(
                f"{words:<34}{before:>6.0f} s{per_cent['bias']:>8.2f}{per_cent['rms']:>8.2f}"
                f"{per_cent['stated']:>8.2f}{per_cent['good']:>7.0f}%{per_cent['inside']:>7.0f}%"
            )


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*(given + [60, 1][len(given) :]))
