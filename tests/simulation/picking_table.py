"""Bias and scatter of every picker on simulated arrivals, as a table.

Run on demand: ``python tests/simulation/picking_table.py [waveforms]``. The signal-to-noise ratio
is that of the greatest deflection of the pulse to the root mean square of the noise, 20 log10 of
it. Bias is the median error against the true onset, scatter 1.4826 times the median absolute
deviation: what a few wild picks do is in the share of errors above 2 us. ``covered`` is the
share of picks within one standard uncertainty of the median pick.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import flags
from corephys.sensors import pwave
from data_demo.simulator.waveforms import synthetic_arrivals

LEVELS_DB = (40.0, 30.0, 20.0, 10.0, 5.0)
NOISES = {"white": None, "50 to 500 kHz": (50.0, 500.0)}
PICKERS = {"onset": None, "threshold": (0.1, 0.3, 0.5), "correlation": None}
WATER_TIME = 45.0


def table(waveforms: int = 2000, seed: int = 1) -> pd.DataFrame:
    """One row for each noise, ratio and picker; times in us."""
    rng = np.random.default_rng(seed)
    _, trace = synthetic_arrivals(rng, 1, WATER_TIME, 60.0)
    rows = []
    for noise, band in NOISES.items():
        for decibels in LEVELS_DB:
            onsets = rng.uniform(40.0, 60.0, waveforms)
            time, values = synthetic_arrivals(rng, waveforms, onsets, decibels, band_khz=band)
            array = xr.DataArray(
                values, dims=("reading", "time"), coords={"time": ("time", time, {"units": "us"})}
            )
            for method, levels in PICKERS.items():
                for level in levels or (None,):
                    picked = pwave.pick(
                        array, method=method, level=level, water_trace=trace[0],
                        water_travel_time=f"{WATER_TIME} us",
                    )  # fmt: skip
                    words = method if level is None else f"{method} {level:g}"
                    rows.append(
                        {"noise": noise, "S/N [dB]": decibels, "picker": words,
                         **_judged(picked, onsets)}
                    )  # fmt: skip
    return pd.DataFrame(rows).set_index(["noise", "S/N [dB]", "picker"])


def _judged(picked: xr.Dataset, onsets: np.ndarray) -> dict[str, float]:
    error = picked["travel_time"].values - onsets
    known = np.isfinite(error)
    if not known.any():
        return {}
    bias = np.median(error[known])
    u = picked["travel_time_u_random"].values
    reason = picked["travel_time_reason"].values
    doubt = flags.bit("no_arrival") | flags.bit("weak_arrival")
    return {
        "bias [us]": bias,
        "scatter [us]": 1.4826 * np.median(np.abs(error[known] - bias)),
        "off by 2 us": float(np.mean(~(np.abs(error) < 2.0))),
        "u_random [us]": float(np.median(u[np.isfinite(u)])) if np.isfinite(u).any() else np.nan,
        "covered": float(np.mean(np.abs(error - bias) <= u)),
        "flagged": float(np.mean((reason & doubt) != 0)),
    }


if __name__ == "__main__":
    pd.set_option("display.width", 120, "display.max_rows", 200)
    print(table(int(sys.argv[1]) if len(sys.argv) > 1 else 2000).round(3).to_string())
