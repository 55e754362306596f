"""Rows of one-dimensional consolidation."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.samples import consolidation
from corephys.samples.consolidation import yield_stresses
from tests.adapters.registry import Inputs, adapter, straight


def table(inputs: Inputs) -> xr.Dataset:
    """One test with the stresses and the void ratios or heights of a row."""
    stress = np.asarray(inputs["stress_kpa"], float)
    columns = {
        "test": ("row", np.full(stress.size, "A", dtype=object)),
        "step": ("row", np.arange(1.0, stress.size + 1.0)),
        "stress": ("row", stress, {"units": "kPa"}),
    }
    for key, name, unit in (
        ("void_ratio", "void_ratio", "1"),
        ("height_mm", "height", "mm"),
        ("time_s", "time", "s"),
    ):
        if key in inputs:
            columns[name] = ("row", np.asarray(inputs[key], float), {"units": unit})
    return xr.Dataset(columns)


def _curve(inputs: Inputs) -> xr.Dataset:
    known = ("initial_void_ratio", "initial_height", "height_of_solids")
    return consolidation.curve(table(inputs), **{k: inputs[k] for k in known if k in inputs})


straight(
    "consolidation.solids_height",
    "corephys.samples.consolidation.curves.solids_height",
    "dry_mass",
    "diameter",
)
straight(
    "consolidation.coefficient_from_time",
    "corephys.samples.consolidation.rates.coefficient_from_time",
    "drainage_path",
    "time",
)
straight(
    "consolidation.hydraulic_conductivity",
    "corephys.samples.consolidation.rates.hydraulic_conductivity",
    "coefficient",
    "compressibility",
)
straight(
    "consolidation.permeability",
    "corephys.samples.consolidation.rates.permeability",
    "conductivity",
)
straight(
    "consolidation.overconsolidation_ratio",
    "corephys.samples.consolidation.history.overconsolidation_ratio",
    "yield_stress",
    "vertical_effective_stress",
)
straight(
    "consolidation.overpressure_bound",
    "corephys.samples.consolidation.history.overpressure_bound",
    "yield_stress",
    "vertical_effective_stress",
)


@adapter("consolidation.curve", "corephys.samples.consolidation.curves.curve")
def last_void_ratio(inputs: Inputs) -> Any:
    """Void ratio of the last step, or of the start."""
    found = _curve(inputs)
    return {"last": found["void_ratio"][-1], "initial": found["initial_void_ratio"][0]}


@adapter("consolidation.indices", "corephys.samples.consolidation.yield_stresses.indices")
def indices(inputs: Inputs) -> Any:
    """Indices of one test."""
    found = consolidation.indices(_curve(inputs), points=inputs.get("points", 3))
    return found.isel(reading=0)


@adapter("consolidation.sample_quality", "corephys.samples.consolidation.history.sample_quality")
def quality(inputs: Inputs) -> Any:
    """Change of void ratio of one test."""
    found = consolidation.sample_quality(_curve(inputs), inputs["vertical_effective_stress"])
    return found.isel(reading=0)


def _construction(name: str) -> None:
    def call(inputs: Inputs) -> Any:
        if "corner_kpa" in inputs:
            x = np.arange(1.0, 3.2001, inputs["spacing"])
            past = np.maximum(x - np.log10(inputs["corner_kpa"]), 0.0)
            stress, e = 10.0**x, 2.0 - 0.1 * (x - 1.0) - 0.5 * past
        else:
            stress = np.asarray(inputs["stress_kpa"], float)
            e = np.asarray(inputs["void_ratio"], float)
        return getattr(yield_stresses, name)(stress, e, inputs.get("initial", e[0]))

    adapter(f"consolidation.{name}", f"corephys.samples.consolidation.yield_stresses.{name}")(call)


for _name in ("by_curvature", "by_work", "by_specific_volume"):
    _construction(_name)
