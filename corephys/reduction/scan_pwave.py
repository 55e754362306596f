"""Stages of the P-wave: calibration and velocity."""

from __future__ import annotations

import numpy as np
import xarray as xr

from corephys import units
from corephys.reduction.context import Context, Skipped, scalar, section_values
from corephys.reduction.scan_place import geometry, series_like
from corephys.sensors import pwave

__all__ = ["pwave_calibration", "velocity"]


def pwave_calibration(context: Context) -> None:
    """Delay of the electronics and of the liner from the P-wave standards."""
    recipe, keys = context.recipe, context.recipe["pwave"]
    if keys["delay"] is not None:
        context.objects["pwave_calibration"] = None
        return
    table = context.table("standards/pwave")
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
    liner = section_values(context.hole, table, "liner", "full")
    here = table["travel_time"]
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
    context.results["properties/velocity"] = pwave.velocity(
        here,
        table["thickness"],
        calibration=calibration,
        **stated,
        wall=recipe["liner"]["wall"],
        liner=here.copy(deep=False, data=liner.astype(object)),
        gap=series_like(here, _fluid_gap(context, table, liner), "mm"),
        core_diameter_uncertainty=keys["core_diameter_uncertainty"],
        thickness_uncertainty=keys["thickness_uncertainty"],
        travel_time_uncertainty=keys["travel_time_uncertainty"],
        amplitude=amplitude,
        amplitude_gate=float(keys["amplitude_gate"]) if amplitude is not None else None,
        reason=table.get("reason", 0),
    )


def _fluid_gap(context: Context, table: xr.Dataset, liner: np.ndarray) -> np.ndarray:
    """Fluid between a thin core and its liner [mm]: what the calliper leaves over."""
    diameter, bore, _ = geometry(context, table)
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
    return {"liner_delay": f"{delay:.9g} us", "liner_delay_uncertainty": f"{u:.9g} us"}
