"""Adapters of the needle probe beyond its line and cylinder sources."""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.ground import series, units
from corephys.samples.needle.combining import anisotropy
from corephys.samples.needle.formation import formation_conductivity
from corephys.uncertainty import Measured
from tests.adapters.registry import Inputs, adapter, array, straight

straight(
    "needle.heating_power",
    "corephys.samples.needle.heating_power",
    "current",
    "resistance_per_length",
)
straight(
    "needle.in_situ",
    "corephys.samples.needle.formation.in_situ",
    "conductivity",
    "water_depth",
    "depth",
    "temperature",
    "laboratory_temperature",
    "density",
)
straight("needle.mixing_bounds", "corephys.samples.needle.formation.mixing_bounds", "porosity")


@adapter("needle.anisotropy", "corephys.samples.needle.combining.anisotropy")
def two_runs(inputs: Inputs) -> Any:
    """One run along and one across at the same depth."""
    read = [units.as_floats(inputs[key], "W/(m K)", key) for key in ("along", "across")]
    values = array(read, "W/(m K)").assign_coords(
        depth=("reading", np.array([5.0, 5.0]), {"units": "m"}),
        direction=("reading", np.array(["along", "across"], dtype=object)),
    )
    runs = series.build({"thermal_conductivity": Measured(values, 0.01, {"heating_power": 0.0})})
    return anisotropy(runs)


@adapter(
    "needle.formation_conductivity", "corephys.samples.needle.formation.formation_conductivity"
)
def formation(inputs: Inputs) -> Any:
    """One conductivity by a needle along or across the core, and its first effect by name."""
    read = units.as_floats(inputs["conductivity"], "W/(m K)", "conductivity")
    where = np.array([inputs["direction"]], dtype=object)
    values = array([float(read)], "W/(m K)").assign_coords(direction=("reading", where))
    runs = series.build({"thermal_conductivity": Measured(values, 0.0)})
    rest = {key: inputs[key] for key in ("anisotropy", "anisotropy_uncertainty") if key in inputs}
    found = formation_conductivity(runs, **rest, corrections=tuple(inputs.get("corrections", ())))
    return found.sel(source="conductivity_anisotropy")
