"""From hole folders to a store of readings: scans with all that their reduction asks for."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from typing import Any

import numpy as np
import xarray as xr

from corephys.archive_hole import read
from corephys.archive_readings import Scan
from corephys.reduction import complete_recipe, samples, scan_gamma, scan_pwave
from corephys.reduction.context import Context, Skipped, pore_water_density, section_values
from corephys.reduction.scan_gamma import counting_time
from corephys.reduction.scan_place import elapsed_on, geometry, grain_density_for
from corephys.sensors.pwave.calibration import wall_count

__all__ = ["collect_hole"]


def collect_hole(
    name: str, where: str, options: Mapping[str, Any], recipe: Any, sensors: tuple[str, ...]
) -> dict[str, Scan]:
    """Scans of one hole, as they are written to a store of readings.

    Parameters
    ----------
    name, where : str
        Of the hole, and its folder or URL.
    options : mapping
        For the file system of a URL.
    recipe : Recipe, mapping or None
        As for ``reduce``.
    sensors : tuple of str
        ``gamma``, ``pwave`` or both.

    Returns
    -------
    dict of str to Scan
        By sensor.

    Raises
    ------
    ValueError
        When the hole has nothing of what is asked for, or what a store cannot hold.

    Notes
    -----
    Calibrations, geometry and grain density are those of the stages of ``reduce``.
    """
    hole = read(where, options)
    context = Context(hole, complete_recipe(hole, recipe))
    found: dict[str, Scan] = {}
    lacking: list[str] = []
    with suppress(Skipped):
        samples.index_properties(context)
    for sensor in sensors:
        try:
            found[sensor] = _gamma(context) if sensor == "gamma" else _pwave(context)
        except Skipped as reason:
            lacking.append(f"{sensor}: {reason}")
    if not found:
        raise ValueError("nothing to collect: " + "; ".join(lacking))
    return found


def _gamma(context: Context) -> Scan:
    scan_gamma.gamma_calibration(context)
    table, keys = context.table("scan/gamma"), context.recipe["gamma"]
    fits = context.objects["gamma_calibrations"]
    if len(fits) > 1:
        raise ValueError(
            f"{context.hole.attrs.get('title', 'the hole')}: gamma is calibrated by {len(fits)} "
            "sets in time, which a store of readings cannot hold; collect with the recipe "
            "{'gamma': {'calibrations': 'together'}}, or reduce that hole as a whole"
        )
    diameter, bore, fluid = geometry(context, table)
    elapsed = elapsed_on(table, context.objects["gamma_reference"])
    columns = {
        "counts": table["counts"].values,
        "time": counting_time(table, keys["time"]).values,
        "elapsed": 0.0 if elapsed is None else elapsed,
        "core_diameter": diameter,
        "bore": bore,
        "annulus_density": fluid,
        "depth": table["depth"].values,
    }
    choices = {
        "calibration": next(iter(fits.values())),
        "half_life": keys["half_life"],
        "core_diameter_uncertainty": keys["core_diameter_uncertainty"],
        "grain_density_uncertainty": keys["grain_density_uncertainty"],
        "pore_water_density": pore_water_density(context.recipe, "porosity"),
    }
    grain = grain_density_for(context, table)
    if isinstance(grain, xr.Dataset):
        columns["grain_density"] = grain["grain_density"].values
    else:
        choices["grain_density"] = grain
    return Scan(columns, choices, _reason(table))


def _pwave(context: Context) -> Scan:
    scan_pwave.pwave_calibration(context)
    table, keys = context.table("scan/pwave"), context.recipe["pwave"]
    calibration = context.objects["pwave_calibration"]
    if keys["pick"] != "table" and context.optional("scan/pwave_waveforms") is not None:
        raise Skipped(
            f"[pwave] pick = {keys['pick']!r} takes times from waveforms; a store of readings "
            "holds those of the table, [pwave] pick = 'table'"
        )
    if calibration is None:
        raise Skipped("a store of readings holds P-wave scans with their standards")
    liner = section_values(context.hole, table, "liner", "full")
    columns = {
        "travel_time": table["travel_time"].values,
        "thickness": table["thickness"].values,
        "walls": wall_count(liner),
        "gap": scan_pwave._fluid_gap(context, table, liner),
        "depth": table["depth"].values,
    }
    if "amplitude" in table:
        columns["amplitude"] = table["amplitude"].values
    choices = {
        "calibration": calibration,
        "wall": context.recipe["liner"]["wall"],
        "core_diameter_uncertainty": keys["core_diameter_uncertainty"],
        "thickness_uncertainty": keys["thickness_uncertainty"],
        "travel_time_uncertainty": keys["travel_time_uncertainty"],
        "amplitude_gate": float(keys["amplitude_gate"]),
    }
    return Scan(columns, choices, _reason(table))


def _reason(table: xr.Dataset) -> Any:
    return table["reason"].values if "reason" in table else np.int64(0)
