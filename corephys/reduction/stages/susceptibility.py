"""Stage of magnetic susceptibility."""

from __future__ import annotations

import numpy as np
import xarray as xr

from corephys.reduction.context import Context
from corephys.reduction.stages.scan import geometry, of_kind, series_like, with_reason
from corephys.sensors import susceptibility

__all__ = ["air_reading", "magnetic_susceptibility"]


def magnetic_susceptibility(context: Context) -> None:
    """Susceptibility of the scan, and readings whose counter may have wrapped."""
    table = context.table("scan/susceptibility")
    keys = context.recipe["susceptibility"]
    here = table["meter_reading"]
    with_loop = keys["loop_diameter"] is not None and not keys["volume_corrected"]
    diameter = series_like(here, geometry(context, table)[0], "mm") if with_loop else None
    uncertainty = keys["reading_uncertainty"]
    found = susceptibility.magnetic_susceptibility(
        here.assign_attrs(units="1"),
        unit=keys["unit"],
        baseline=_baseline(context, table),
        core_diameter=diameter,
        loop_diameter=keys["loop_diameter"] if with_loop else None,
        volume_corrected=keys["volume_corrected"],
        reading_uncertainty=None if uncertainty is None else float(uncertainty),
        core_diameter_uncertainty=keys["core_diameter_uncertainty"],
        allowance=keys["loop_allowance"],
        loop_factor_uncertainty=keys["loop_factor_uncertainty"],
        reason=table.get("reason", 0),
    )
    if keys["counter_range"] is not None:
        found = _suggested(context, found, here, float(keys["counter_range"]))
    context.results["properties/susceptibility"] = found


def _baseline(context: Context, table: xr.Dataset) -> float | susceptibility.Baseline:
    """Reading in air at the time of every reading; zero where none can be interpolated."""
    standards = context.optional("standards/susceptibility")
    if standards is None or not context.recipe["susceptibility"]["drift"]:
        return 0.0
    air = of_kind(standards, "blank")
    timed = "time" in air and "time" in table
    if not air.sizes["row"] or not timed or np.isnat(table["time"].values).all():
        return 0.0
    if np.isnat(air["time"].values).all():
        return 0.0
    return susceptibility.drift_baseline(
        table["time"],
        air["time"].values,
        air["reading"].values,
        air_uncertainty=context.recipe["susceptibility"]["reading_uncertainty"],
    )


def air_reading(context: Context, table: xr.Dataset) -> np.ndarray | float:
    """Reading in air at the times of a table, in the unit of the readings."""
    base = _baseline(context, table)
    return np.asarray(base.values) if isinstance(base, susceptibility.Baseline) else base


def _suggested(
    context: Context, found: xr.Dataset, here: xr.DataArray, counter_range: float
) -> xr.Dataset:
    """Flag readings that a wrapped counter would explain; no reading is changed."""
    suggestion = susceptibility.suggest_unwrapping(
        here.assign_attrs(units="1"), counter_range=counter_range
    )
    wrapped = suggestion["reason"].values != 0
    if wrapped.any():
        context.notes.append(
            f"susceptibility: {int(wrapped.sum())} readings look as if the counter had wrapped "
            f"at {counter_range:g}; they are unchanged, see suggested_reading"
        )
    for name in ("suggested_ranges", "suggested_reading"):
        found[name] = (
            found["magnetic_susceptibility"].dims,
            suggestion[name].values,
            {"units": "1", "long_name": name.replace("_", " ")},
        )
    return with_reason(found, "magnetic_susceptibility", wrapped, "counter_wrapped")
