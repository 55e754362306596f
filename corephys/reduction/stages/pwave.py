"""Stages of the P-wave: arrivals, calibration, velocity, and velocity in situ."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import constants, thresholds, units
from corephys.ground.provenance import SourcedText, with_constants
from corephys.ground.sensor import core_temperature
from corephys.hole.placing import depth as positions
from corephys.reduction.context import Context, Skipped, scalar
from corephys.reduction.stages import scan
from corephys.reduction.stages.scan import (
    of_kind,
    series_like,
)
from corephys.sensors import pwave

__all__ = ["arrivals", "in_situ_velocity", "pwave_calibration", "velocity"]

_T = thresholds.DEFAULTS
_AUTOMATIC = ("onset", "threshold", "correlation")


def arrivals(context: Context) -> None:
    """Pick the recorded waveforms, every way beside the others; manual picks stay apart."""
    waves = context.optional("scan/pwave_waveforms")
    if waves is None:
        if context.recipe["pwave"]["pick"] in _AUTOMATIC:
            raise Skipped(
                f"[pwave] pick = {context.recipe['pwave']['pick']!r} needs the waveforms, "
                "scan/pwave_waveforms.nc; the times of the table are used"
            )
        return
    keys = context.recipe["pwave"]
    time = waves["record_time"].values
    early, late = float(time[0]), float(time[-1])
    gate = (
        keys["gate_start"] or f"{early + 0.1 * (late - early):.6g} us",
        keys["gate_end"] or f"{late:.6g} us",
    )
    level = float(keys["threshold_level"])
    water: dict[str, Any] = {}
    if "water_trace" in waves and "water_travel_time" in waves:
        water = {
            "water_trace": waves["water_trace"],
            "water_travel_time": units.quantity(float(waves["water_travel_time"]), "us"),
        }
    method = keys["pick"] if keys["pick"] in _AUTOMATIC else "onset"
    context.results["properties/arrivals"] = pwave.pick(
        waves["waveform"],
        method=method,
        gate=gate,
        levels=tuple(sorted({0.1, level, 0.5})),
        level=level,
        manual=_manual(context, waves),
        reason=waves.get("reason", 0),
        **water,
    )


def _rows(table: xr.Dataset, waves: xr.Dataset) -> np.ndarray:
    """Row of the waveforms at the position and pass of every row of a table, or -1."""
    keys = ("core", "section", "offset", "run")
    frames = [
        pd.MultiIndex.from_arrays(
            [np.round(p[k].values, 3) if k == "offset" else p[k].values for k in keys]
        )
        for p in (waves, table)
    ]
    first = ~frames[0].duplicated()
    found = frames[0][first].get_indexer(frames[1])
    return np.where(found >= 0, np.flatnonzero(first)[np.clip(found, 0, None)], -1)


def _manual(context: Context, waves: xr.Dataset) -> xr.DataArray | None:
    """Manual picks of the table at the positions of the waveforms."""
    table = context.optional("scan/pwave")
    if table is None or "travel_time_manual" not in table:
        return None
    row = _rows(waves, table)
    manual = np.where(row >= 0, table["travel_time_manual"].values[np.clip(row, 0, None)], np.nan)
    return series_like(waves["waveform"].isel(record_time=0, drop=True), manual, "us")


def _travel_time(context: Context, table: xr.Dataset) -> tuple[xr.DataArray, Any, Any]:
    """Travel times that the recipe asks for, their uncertainty and reasons."""
    keys = context.recipe["pwave"]
    here, reason = table["travel_time"], table.get("reason", 0)
    if keys["pick"] == "manual":
        if "travel_time_manual" not in table:
            raise Skipped("[pwave] pick = 'manual' and scan/pwave.csv has no travel_time_manual")
        manual = table["travel_time_manual"].values
        return series_like(here, manual, "us"), keys["travel_time_uncertainty"], reason
    picks = context.results.get("properties/arrivals")
    if keys["pick"] == "table" or picks is None:
        return here, keys["travel_time_uncertainty"], reason
    row = _rows(table, picks)
    at, known = np.clip(row, 0, None), row >= 0
    time = np.where(known, picks["travel_time"].values[at], np.nan)
    u = np.where(known, picks["travel_time_u_random"].values[at], np.nan)
    found = np.where(known, picks["travel_time_reason"].values[at], 0)
    joined = here.copy(deep=False, data=(np.asarray(reason) | found).astype(np.int64))
    return series_like(here, time, "us"), series_like(here, u, "us"), joined


def pwave_calibration(context: Context) -> None:
    """Delay of the electronics and of the liner from the P-wave standards."""
    recipe, keys = context.recipe, context.recipe["pwave"]
    if keys["delay"] is not None:
        context.objects["pwave_calibration"] = None
        return
    table = of_kind(context.table("standards/pwave"), "standard")
    if "temperature" not in table:
        raise ValueError(
            "standards/pwave.csv has no column 'temperature [degC]', which the speed in the "
            "standards needs"
        )
    context.objects["pwave_calibration"] = pwave.calibrate(
        table["length"],
        table["travel_time"],
        temperature=table["temperature"],
        medium=table.get("medium", "water"),
        liner=table.get("liner", "none"),
        wall=recipe["liner"]["wall"],
        liner_velocity=recipe["liner"]["velocity"],
        liner_velocity_uncertainty=recipe["liner"]["velocity_uncertainty"],
    )


def velocity(context: Context) -> None:
    """P-wave velocity of the scan."""
    table = context.table("scan/pwave")
    if "pwave_calibration" not in context.objects:
        raise Skipped("there are no P-wave standards and no [pwave] delay")
    recipe, keys = context.recipe, context.recipe["pwave"]
    liner = context.section_values(table, "liner", "full")
    here, u_time, reason = _travel_time(context, table)
    amplitude = table.get("amplitude")
    context.objects["velocity_measured"] = True  # and not supplied: it has pulses of its own
    calibration = context.objects["pwave_calibration"]
    stated = (
        {}
        if calibration is not None
        else {
            "delay": keys["delay"],
            "delay_uncertainty": keys["delay_uncertainty"],
            **_liner_delay(context),
        }
    )
    found = pwave.velocity(
        here,
        table["thickness"],
        calibration=calibration,
        **stated,
        wall=recipe["liner"]["wall"],
        liner=here.copy(deep=False, data=liner.astype(object)),
        gap=series_like(here, _fluid_gap(context, table, liner), "mm"),
        core_diameter_uncertainty=keys["core_diameter_uncertainty"],
        thickness_uncertainty=keys["thickness_uncertainty"],
        travel_time_uncertainty=u_time,
        amplitude=amplitude,
        amplitude_gate=float(keys["amplitude_gate"]) if amplitude is not None else None,
        reason=reason,
    )
    if calibration is not None:
        scan.of_pwave(found, calibration)
    context.results["properties/velocity"] = found


def in_situ_velocity(context: Context) -> None:
    """Velocity at the temperature and pressure of the formation, beside the other."""
    form = context.recipe["pwave"]["in_situ"]
    if form == "none":
        return
    found = context.result("properties/velocity")
    temperature, pressure, u = context.below_seafloor(found)
    table, hole = context.optional("scan/pwave"), context.recipe["hole"]
    warm: Any = hole["laboratory_temperature"]
    if table is not None and "temperature" in table:
        warm = core_temperature(context, table, found["p_wave_velocity"])
    porosity = None
    if form == "slowness":
        porosity = positions.match(
            context.result("products/porosity"),
            to=found,
            within=_T["match_reach"],
            how="nearest",
            allow=(*context.levels, "suspect"),
        )
    context.results["properties/velocity_in_situ"] = with_constants(
        pwave.in_situ_velocity(
            found,
            laboratory_temperature=warm,
            in_situ_temperature=temperature,
            in_situ_pressure=pressure,
            form=form,
            porosity=porosity,
            salinity=hole["pore_water_salinity"],
            in_situ_temperature_uncertainty=u,
            laboratory_temperature_uncertainty=context.recipe["resistivity"][
                "temperature_uncertainty"
            ],
            in_situ_pressure_uncertainty=_T["in_situ_pressure_uncertainty"],
            salinity_uncertainty=hole["pore_water_salinity_uncertainty"],
        ),
        gravity=constants.CONSTANTS["gravity"],
    )


def _fluid_gap(context: Context, table: xr.Dataset, liner: np.ndarray) -> np.ndarray:
    """Fluid between a thin core and its liner [mm]: what the calliper leaves over."""
    diameter, bore, _ = context.geometry(table)
    walls = np.select([liner == "full", liner == "half"], [2.0, 1.0], 0.0)
    inside = table["thickness"].values - walls * scalar(context.recipe, "liner", "wall", "mm")
    thin = bore > diameter
    return np.where(thin, np.clip(inside - diameter, 0.0, None), 0.0)


def _liner_delay(context: Context) -> dict[str, str]:
    """Delay of two walls from their thickness and velocity, where no standards give it [us]."""
    wall = scalar(context.recipe, "liner", "wall", "mm")
    speed = scalar(context.recipe, "liner", "velocity", "m/s")
    u_speed = context.recipe["liner"]["velocity_uncertainty"]
    delay = 2e3 * wall / speed
    u = float(units.as_floats(u_speed, "m/s", "velocity_uncertainty")) / speed * delay
    words = f"two walls of {wall:g} mm at {speed:g} m/s"
    text = SourcedText(f"{delay:.9g} us", "calculated", words)
    return {"liner_delay": text, "liner_delay_uncertainty": f"{u:.9g} us"}
