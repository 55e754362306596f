"""P-wave velocity from travel times: standards, picks, velocity, and the formation."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case


def standards(draw: Draw, count: int = 0) -> dict[str, Any]:
    """Blocks of a solid and liners of water, timed by a bench with a delay of about 8 us."""
    size = count or draw.size
    length = np.linspace(30.0, 70.0, size)
    medium = np.array(["water" if i % 2 else "acrylic" for i in range(size)], dtype=object)
    liner = np.array([("none", "full", "none", "half")[i % 4] for i in range(size)], dtype=object)
    warm = 18.0 + draw.numbers(0.0, 4.0, size)
    speed = np.where(medium == "water", 1482.3 + 3.0 * (warm - 20.0), 2730.0)
    walls = np.array([{"none": 0.0, "half": 1.0, "full": 2.0}[word] for word in liner])
    time = 8.2 + 1.1 * walls + 1e3 * length / speed + draw.numbers(-0.05, 0.05, size)
    return {
        "length": draw.series("mm", 0, 1, values=length, dim="standard"),
        "travel_time": draw.series("us", 0, 1, values=time, dim="standard"),
        "temperature": draw.series("degC", 0, 1, values=warm, dim="standard"),
        "medium": medium,
        "liner": liner,
        "wall": "2.5 mm",
    }


@case(
    "pwave.calibrate", rows="set", size=(6, 9), dims=("standard",), rtol=1e-7,
    only=lambda path: not path.startswith("/used"),  # the record of what was given
)  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    given = standards(draw)
    if draw.choice(True, False):  # one liner throughout: its delay comes from wall and velocity
        given["liner"] = "full"
    return {
        **given,
        "wall": draw.scalar("mm", 2.0, 3.0),
        "liner_velocity": draw.scalar("m/s", 2200.0, 2400.0),
        "liner_velocity_uncertainty": draw.scalar("m/s", 20.0, 100.0),
    }


@case("pwave.velocity", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    calibration = draw.choice(True, False)
    given: dict[str, Any] = {
        "delay": draw.scalar("us", 8.0, 8.4),
        "delay_uncertainty": draw.scalar("us", 0.02, 0.1),
        "liner_delay": draw.scalar("us", 2.0, 2.4),
        "liner_delay_uncertainty": draw.scalar("us", 0.02, 0.1),
    }
    if calibration:
        given = {"calibration": cp.pwave.calibrate(**standards(draw, 8))}
    words = draw.words("full", "half")
    amplitude = draw.series("1", 1.0, 100.0)
    return {
        "travel_time": draw.series("us", 45.0, 60.0),
        "thickness": draw.series("mm", 68.0, 72.0),
        **given,
        "wall": draw.scalar("mm", 2.0, 3.0),
        "liner": draw.choice("full", xr.DataArray(words, dims="reading", coords=draw.positions)),
        "gap": draw.choice(draw.series("mm", 0.0, 2.0), draw.scalar("mm", 0.0, 2.0)),
        "gap_velocity": draw.scalar("m/s", 1480.0, 1530.0),
        "wall_uncertainty": draw.scalar("mm", 0.02, 0.1),
        "core_diameter_uncertainty": draw.scalar("mm", 0.1, 0.5),
        "thickness_uncertainty": draw.scalar("mm", 0.05, 0.2),
        "travel_time_uncertainty": draw.scalar("us", 0.02, 0.1),
        **draw.choice({}, {"amplitude": amplitude, "amplitude_gate": 20.0}),
    }


@case("pwave.in_situ_velocity")
def _(draw: Draw) -> dict[str, Any]:
    slowness = draw.choice(True, False)
    at = draw.choice("pressure", "pressures", "depth")
    given: dict[str, Any] = {"in_situ_pressure": draw.scalar("dbar", 2000.0, 4000.0)}
    if at == "pressures":
        given = {"in_situ_pressure": draw.series("dbar", 2000.0, 4000.0)}
    if at == "depth":
        given = {"water_depth": draw.scalar("m", 1000.0, 4000.0)}
    return {
        "velocity": draw.dataset(p_wave_velocity=(1480.0, 2200.0)),
        "laboratory_temperature": draw.choice(
            draw.series("degC", 18.0, 23.0), draw.scalar("degC", 18.0, 23.0)
        ),
        "in_situ_temperature": draw.choice(
            draw.series("degC", 2.0, 30.0), draw.scalar("degC", 2.0, 30.0)
        ),
        **given,
        "form": "slowness" if slowness else "ratio",
        "porosity": draw.dataset(porosity=(0.4, 0.8)) if slowness else None,
        "salinity": draw.scalar("g/kg", 30.0, 38.0),
        "laboratory_temperature_uncertainty": draw.scalar("K", 0.1, 1.0),
        "in_situ_temperature_uncertainty": draw.scalar("K", 0.1, 1.0),
        "in_situ_pressure_uncertainty": draw.scalar("dbar", 1.0, 20.0),
        "salinity_uncertainty": draw.scalar("g/kg", 0.1, 1.0),
    }


HUM = np.random.default_rng(5).normal(0.0, 1.0, 40)


def waveform(at: np.ndarray, onset: float, size: float) -> np.ndarray:
    """A pulse of 500 kHz that begins at a time [us]."""
    since = np.maximum(at - onset, 0.0)
    return size * np.sin(np.pi * since) * since * np.exp(-since / 2.0)


@case(
    "pwave.pick", rows="set",
    without={"quantities": "a waveform has the coordinate time, which a Quantity cannot bear"},
    only=lambda path: path != "/amplitude",  # stays in the unit of the waveforms
)  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    at = np.arange(0.0, 90.0, 0.2)
    onsets, sizes = draw.numbers(35.0, 60.0), draw.numbers(200.0, 900.0)
    noise = HUM + 0.2 * draw.numbers(-1.0, 1.0, HUM.size)
    rows = [waveform(at, t, a) for t, a in zip(onsets, sizes, strict=True)]
    hum = np.stack([np.resize(np.roll(noise, 7 * i), at.size) for i in range(draw.size)])
    recorded = xr.DataArray(
        np.stack(rows) + hum, dims=("reading", "time"),
        coords={**draw.positions, "time": ("time", at, {"units": "us"})}, attrs={"units": "mV"},
    )  # fmt: skip
    method = draw.choice("onset", "threshold", "correlation")
    water: dict[str, Any] = {}
    if method == "correlation":
        water = {
            "water_trace": xr.DataArray(
                waveform(at, 46.0, 800.0), dims="time",
                coords={"time": ("time", at, {"units": "us"})}, attrs={"units": "mV"},
            ),
            "water_travel_time": "46 us",
            "water_travel_time_uncertainty": draw.scalar("us", 0.02, 0.1),
        }  # fmt: skip
    return {
        "waveforms": recorded,
        "method": method,
        "gate": ("30 us", "75 us"),
        "noise_gate": draw.choice(None, ("2 us", "25 us")),
        **water,
        "manual": draw.choice(None, draw.series("us", 0, 1, values=onsets + 0.3)),
        "level_spread_gate": draw.scalar("us", 0.5, 3.0),
    }
