"""Adapters of the seismic products."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from tests.adapters.registry import Inputs, adapter, array, straight


@adapter("seismic.ricker", "corephys.products.seismic.traces.ricker")
def ricker(inputs: Inputs) -> Any:
    """The wavelet at one time, which is a sample of it."""
    found = cp.seismic.ricker(
        inputs["frequency"], inputs["time_step"], phase=inputs.get("phase", "0 degree")
    )
    return float(found.sel(time=inputs["time"], method="nearest"))


@adapter("seismic.rotate_phase", "corephys.products.seismic.traces.rotate_phase")
def rotate(inputs: Inputs) -> Any:
    """A cosine burst, whose rotation is a cosine of another phase where its envelope is flat."""
    time = np.arange(-400, 401) * 1e-3
    envelope = np.exp(-((time / 0.15) ** 2))
    burst = xr.DataArray(
        envelope * np.cos(2 * np.pi * inputs["frequency_Hz"] * time),
        dims="time",
        coords={"time": ("time", time, {"units": "s"})},
    )
    turned = cp.seismic.rotate_phase(burst, inputs["phase"])
    return float(turned.sel(time=0.0, method="nearest"))


straight(
    "seismic.quarter_wavelength",
    "corephys.products.seismic.averaging.quarter_wavelength",
    "velocity",
    "frequency",
)


@adapter("seismic.layered_medium", "corephys.products.seismic.averaging.layered_medium")
def layers(inputs: Inputs) -> Any:
    return cp.seismic.layered_medium(
        cp.quantity(np.array(inputs["thickness_m"]), "m"),
        cp.quantity(np.array(inputs["density"]), "g/cm^3"),
        cp.quantity(np.array(inputs["vp"]), "m/s"),
        cp.quantity(np.array(inputs["vs"]), "m/s"),
    )


def _profile(inputs: Inputs, per_layer: int = 1) -> xr.Dataset:
    """Readings at the middle of thin slices of layers of constant density and velocity."""
    counts = np.round(np.array(inputs["thickness_m"]) / inputs["slice_m"]).astype(int)
    depth = (np.arange(counts.sum()) + 0.5) * inputs["slice_m"]
    place = {"depth": array(depth, "m")}
    return cp.seismic.profile(
        array(np.repeat(inputs["density"], counts), "g/cm^3").assign_coords(place),
        array(np.repeat(inputs["velocity"], counts), "m/s").assign_coords(place),
        merge_within="0 m",
    )


@adapter("seismic.backus", "corephys.products.seismic.averaging.backus")
def averaged(inputs: Inputs) -> Any:
    """The middle of a pile of layers, averaged over all of it."""
    profile = _profile(inputs)
    found = cp.seismic.backus(profile, length=inputs["length"])
    row = found.isel(reading=found.sizes["reading"] // 2)
    return {
        name: float(row[name]) for name in ("p_wave_velocity", "bulk_density", "acoustic_impedance")
    }


@adapter("seismic.profile", "corephys.products.seismic.profiles.profile")
def filled(inputs: Inputs) -> Any:
    """The impedance in the middle of a gap between two readings."""
    place = {"depth": array(inputs["depth_m"], "m")}
    found = cp.seismic.profile(
        array(inputs["density"], "g/cm^3").assign_coords(place),
        array(inputs["velocity"], "m/s").assign_coords(place),
    )
    row = int(np.argmin(np.abs(found["depth"].values - inputs["at_m"])))
    return {"acoustic_impedance": float(found["acoustic_impedance"][row])}


@adapter("seismic.reflectivity", "corephys.products.seismic.traces.reflectivity")
def coefficients(inputs: Inputs) -> Any:
    """All that is reflected at one boundary, whether it lies on a sample or between two."""
    found = cp.seismic.reflectivity(_profile(inputs), time_step=inputs["time_step"])
    total = np.arctanh(found["reflection_coefficient"].values).sum()
    return float(np.tanh(total))


@adapter("seismic.synthetic", "corephys.products.seismic.traces.synthetic")
def trace(inputs: Inputs) -> Any:
    """The greatest swing of the trace of one boundary: the coefficient times the wavelet's peak."""
    found = cp.seismic.reflectivity(_profile(inputs), time_step=inputs["time_step"])
    made = cp.seismic.synthetic(
        found, cp.seismic.ricker(inputs["frequency"], inputs["time_step"]), draws=0
    )
    return float(made["synthetic_trace"].max())


def _times(inputs: Inputs, **options: Any) -> xr.Dataset:
    return cp.seismic.time_depth(_profile(inputs), **options)


@adapter("seismic.time_depth", "corephys.products.seismic.times.time_depth")
def table(inputs: Inputs) -> Any:
    found = _times(
        inputs,
        datum="sea_level",
        water_depth=inputs["water_depth"],
        sound_speed=inputs["sound_speed"],
    )
    return float(found["two_way_time_from_sea_level"][-1])


@adapter("seismic.time_at_depth", "corephys.products.seismic.times.time_at_depth")
def at_depth(inputs: Inputs) -> Any:
    found = cp.seismic.time_at_depth(_times(inputs), inputs["depth"])
    return float(found["two_way_time"][0])


@adapter("seismic.depth_at_time", "corephys.products.seismic.times.depth_at_time")
def at_time(inputs: Inputs) -> Any:
    return float(cp.seismic.depth_at_time(_times(inputs), inputs["time"])["depth"][0])


def _shots(depth: Any, one_way: Any) -> xr.Dataset:
    place = {"depth": array(depth, "m")}
    return array(one_way, "s").assign_coords(place).to_dataset(name="one_way_time")


@adapter("seismic.check_shot_times", "corephys.products.seismic.times.check_shot_times")
def shots(inputs: Inputs) -> Any:
    found = cp.seismic.check_shot_times(
        _shots(inputs["depth_m"], inputs["one_way_s"]),
        datum="sea_level",
        water_depth=inputs["water_depth"],
        sound_speed=inputs["sound_speed"],
    )
    return float(found["two_way_time"][-1])


@adapter("seismic.compare_times", "corephys.products.seismic.times.compare_times")
def compared(inputs: Inputs) -> Any:
    first, second = (
        cp.seismic.check_shot_times(_shots(inputs["depth_m"], inputs[key]))
        for key in ("one_way_s", "other_s")
    )
    found = cp.seismic.compare_times(core=first, check_shots=second)
    return {"spread": float(found["spread"][-1]), "difference": float(found["difference"][0, -1])}
