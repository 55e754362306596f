"""Impedance, reflections, travel times, synthetic traces and their tie."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case


def by_depth(function: str) -> Callable[..., Any]:
    """Call a function whose result comes in the order of depth, with rows of its own."""

    def call(**arguments: Any) -> xr.Dataset:
        found: xr.Dataset = getattr(cp.seismic, function)(**arguments)
        return found.rename(reading="row")

    return call


@case("seismic.acoustic_impedance", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "density": draw.dataset(bulk_density=(1.3, 2.4)),
        "velocity": draw.dataset(p_wave_velocity=(1450.0, 4000.0)),
    }


@case("seismic.acoustic_impedance#series")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "density": draw.series("g/cm^3", 1.3, 2.4),
        "velocity": draw.series("m/s", 1450.0, 4000.0),
    }


@case("seismic.reflection_coefficient", rows="set", size=(3, 6),
      call=by_depth("reflection_coefficient"))  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    return {"impedance": draw.dataset(acoustic_impedance=(2.0, 8.0))}


@case("seismic.two_way_time", rows="set", size=(3, 6), call=by_depth("two_way_time"))
def _(draw: Draw) -> dict[str, Any]:
    return {"velocity": draw.dataset(flagged=False, p_wave_velocity=(1450.0, 4000.0))}


@case("seismic.two_way_time#depth", rows="set", size=(3, 6), call=by_depth("two_way_time"))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "velocity": draw.series("m/s", 1450.0, 4000.0),
        "depth": draw.series("m", 0.0, 1.0, values=draw.rising(1.0, 80.0)),
    }


@case("seismic.water_two_way_time", rows="none")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "water_depth": draw.scalar("m", 100.0, 5000.0),
        "sound_speed": draw.scalar("m/s", 1480.0, 1520.0),
    }


@case("seismic.quarter_wavelength", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "velocity": draw.series("m/s", 1450.0, 4000.0),
        "frequency": draw.scalar("Hz", 50.0, 300.0),
    }


def _sounded(draw: Draw) -> xr.Dataset:
    return draw.dataset(flagged=False, bulk_density=(1.3, 2.4), p_wave_velocity=(1450.0, 4000.0))


@case("seismic.backus", rows="order", size=(3, 6))
def _(draw: Draw) -> dict[str, Any]:
    frequency = {"frequency": draw.scalar("Hz", 100.0, 400.0)}
    length = {"length": draw.scalar("m", 1.0, 20.0)}
    return {"profile": _sounded(draw), **draw.choice(frequency, length, {**frequency, **length})}


@case("seismic.layered_medium", rows="set", dims=("layer",))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "thickness": draw.series("m", 0.1, 3.0, dim="layer"),
        "density": draw.series("g/cm^3", 1.5, 2.4, dim="layer"),
        "p_wave_velocity": draw.series("m/s", 1800.0, 4000.0, dim="layer"),
        "s_wave_velocity": draw.series("m/s", 300.0, 1200.0, dim="layer"),
    }


@case("seismic.profile", rows="set", size=(4, 7), call=by_depth("profile"))
def _(draw: Draw) -> dict[str, Any]:
    given = {
        "density": draw.dataset(flagged=False, bulk_density=(1.3, 2.4)),
        "velocity": draw.dataset(flagged=False, p_wave_velocity=(1450.0, 4000.0)),
        "overlap": draw.choice("average", "upper_core", "lower_core"),
        "merge_within": draw.scalar("m", 0.1, 1.0),
        "largest_gap": draw.scalar("m", 5.0, 8.0),
        "fill": draw.choice("linear", "none"),
        "fill_spacing": draw.scalar("m", 0.9, 2.0),
        "edge": draw.scalar("m", 1.0, 10.0),
    }
    return given


@case("seismic.profile#trend", rows="order", size=(4, 7), call=by_depth("profile"))
def _(draw: Draw) -> dict[str, Any]:
    trend = _sounded(draw).drop_vars(["core", "section", "offset"])
    reach = ("reading", np.linspace(0.0, 200.0, draw.size), {"units": "m"})
    return {
        "density": draw.dataset(flagged=False, bulk_density=(1.3, 2.4)),
        "velocity": draw.dataset(flagged=False, p_wave_velocity=(1450.0, 4000.0)),
        "largest_gap": draw.scalar("m", 3.0, 8.0),
        "fill": "trend",
        "trend": trend.assign_coords(depth=reach),
        "fill_spacing": draw.scalar("m", 0.9, 2.0),
    }


# Traces ------------------------------------------------------------------------------------------


def _impedances(draw: Draw) -> xr.Dataset:
    """A profile of at least 20 m."""
    found = draw.dataset(
        flagged=False, acoustic_impedance=(2.0, 8.0), p_wave_velocity=(1450.0, 2500.0)
    )
    return found.assign_coords(depth=("reading", draw.rising(0.0, 200.0), {"units": "m"}))


@case("seismic.reflectivity", rows="order", size=(6, 8))
def _(draw: Draw) -> dict[str, Any]:
    profile = _impedances(draw)
    length = ("reading", draw.numbers(1.0, 6.0), {"units": "m"})
    return {
        "profile": draw.choice(profile, profile.assign(averaging_length=length)),
        "time_step": draw.scalar("ms", 0.4, 1.0),
        "top": draw.choice(None, draw.scalar("MPa s/m", 1.5, 1.6)),
    }


@case("seismic.synthetic", rows="order", size=(6, 7),
      without={"quantities": "a wavelet is a series with its times"})  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    top = draw.choice(None, "1.55 MPa s/m")
    return {
        "reflections": cp.seismic.reflectivity(_impedances(draw), time_step="0.5 ms", top=top),
        "wavelet": cp.seismic.ricker("250 Hz", "0.5 ms", phase=draw.scalar("degree", 0.0, 90.0)),
        "draws": 5,
    }


def trace_of(draw: Draw, samples: int, unit: str = "s") -> xr.DataArray:
    """Amplitudes of a wavelet on coefficients that were drawn."""
    pulse = cp.seismic.ricker("200 Hz", "0.5 ms").values
    # Coefficients that are all equal make no trace to be tied: some of them are fixed.
    coefficients = np.sin(7.3 * np.arange(samples) ** 1.5) + draw.numbers(-1.0, 1.0, samples)
    values = np.convolve(coefficients, pulse, mode="same")
    time = 0.1 + 5e-4 * np.arange(samples)
    return xr.DataArray(
        values, dims="time", coords={"two_way_time": ("time", time, {"units": unit})}
    )


@case("seismic.tie", rows="order", size=(2, 2), rtol=1e-6,
      without={"quantities": "a trace is a series with its times"})  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    trace = trace_of(draw, 90)
    noise = 0.1 * draw.numbers(-1.0, 1.0, 50)
    cut = trace.isel(time=slice(20, 70))
    return {
        "synthetic": cut + noise,
        "trace": trace.assign_attrs(units="mV"),
        "window": draw.choice(None, ("0.111 s", "0.133 s")),
        "largest_shift": draw.scalar("ms", 2.0, 6.0),
        "rotate": draw.choice(True, False),
        "drift_window": draw.choice(None, draw.scalar("ms", 9.0, 10.0)),
    }


@case("seismic.ricker", rows="none")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "frequency": draw.scalar("Hz", 30.0, 200.0),
        "time_step": draw.scalar("ms", 0.4, 0.9),
        "length": draw.choice(None, draw.scalar("ms", 70.0, 90.0)),
        "phase": draw.scalar("degree", -90.0, 90.0),
    }


def _pulse(draw: Draw) -> xr.DataArray:
    shape = cp.seismic.ricker("100 Hz", "0.5 ms")
    return shape + 0.01 * np.exp(-((np.arange(shape.size) - draw.integer(20, 30)) ** 2) / 50.0)


@case("seismic.wavelet", rows="none",
      without={"quantities": "without a time step the times come with the series"})  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    return {
        "values": _pulse(draw).assign_attrs(units="1"),
        "phase": draw.scalar("degree", -90.0, 90.0),
    }


@case("seismic.wavelet#step", rows="none")
def _(draw: Draw) -> dict[str, Any]:
    return {"values": _pulse(draw).values, "time_step": draw.scalar("ms", 0.4, 0.9)}


@case("seismic.rotate_phase", rows="none")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "series": xr.DataArray(draw.numbers(-1.0, 1.0, 20), dims="time"),
        "phase": draw.scalar("degree", -90.0, 90.0),
    }


@case("seismic.average_wavelet", rows="set", size=(3, 4), dims=("trace",), rtol=1e-6)
def _(draw: Draw) -> dict[str, Any]:
    pulse = cp.seismic.ricker("200 Hz", "0.5 ms").values
    rows = []
    for _trace in range(draw.size):
        row = 0.02 * draw.numbers(-1.0, 1.0, 100)
        start = draw.integer(25, 35)
        row[start : start + pulse.size] += pulse
        rows.append(row)
    time = ("time", 0.1 + 5e-4 * np.arange(100), {"units": "s"})
    return {
        "traces": xr.DataArray(np.array(rows), dims=("trace", "time"), coords={"time": time}),
        "before": draw.scalar("ms", 5.0, 8.0),
        "after": draw.scalar("ms", 5.0, 8.0),
    }


# Times -------------------------------------------------------------------------------------------


@case("seismic.time_depth", rows="order", size=(3, 6))
def _(draw: Draw) -> dict[str, Any]:
    water = {
        "datum": "sea_level",
        "water_depth": draw.scalar("m", 500.0, 4000.0),
        "sound_speed": draw.scalar("m/s", 1480.0, 1520.0),
        "sound_speed_uncertainty": draw.scalar("m/s", 1.0, 5.0),
    }
    return {"profile": _sounded(draw), **draw.choice({}, water)}


@case("seismic.check_shot_times", rows="set", size=(3, 6), call=by_depth("check_shot_times"))
def _(draw: Draw) -> dict[str, Any]:
    name = draw.choice("one_way_time", "two_way_time")
    columns = {name: ("s", draw.rising(0.7, 1.5))}
    water = {
        "datum": "sea_level",
        "water_depth": draw.scalar("m", 200.0, 400.0),
        "sound_speed": draw.scalar("m/s", 1480.0, 1520.0),
    }
    return {
        "table": draw.table("reading", **columns),
        "time_uncertainty": draw.choice(None, draw.scalar("ms", 0.5, 2.0)),
        **draw.choice({}, water),
    }


def times(draw: Draw, top: float = 0.0, bottom: float = 0.1) -> xr.Dataset:
    """Times that grow with depth."""
    return draw.dataset(flagged=False, two_way_time=draw.rising(top, bottom))


@case("seismic.compare_times", rows="order", size=(4, 6))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "core": times(draw),
        "log": times(draw),
        "check_shots": draw.choice(None, times(draw)),
        "zero": draw.choice("seafloor", "first_common_depth"),
    }


# The table has other rows than the depths or times at which it is read.
@case("seismic.time_at_depth", dims=("target", "reading"))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "table": times(Draw(draw._source, draw.size + 3)),
        "depth": draw.series("m", 1.0, 60.0, dim="target"),
        "outside": "flag",
    }


@case("seismic.depth_at_time", dims=("target", "reading"))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "table": times(Draw(draw._source, draw.size + 3)),
        "time": draw.series("s", 0.001, 0.12, dim="target"),
        "outside": "flag",
    }
