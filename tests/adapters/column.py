"""Adapters of reference curves, columns without their load, and rebound."""

from __future__ import annotations

from typing import Any

import numpy as np

import corephys as cp
from corephys.products import compaction_rebound as apart
from corephys.products.compaction_burial import burial_history
from corephys.products.compaction_reference import reference_curve
from tests.adapters.registry import Inputs, adapter, array, straight

_ROOM = "corephys.products.compaction"

straight("compaction.reference_porosity", f"{_ROOM}_reference.reference_porosity", "depth")
straight("compaction.reference_depth", f"{_ROOM}_reference.reference_depth", "porosity")
straight("compaction.solid_thickness", f"{_ROOM}_column.solid_thickness", "top", "bottom")
straight("compaction.decompact", f"{_ROOM}_column.decompact", "top", "bottom")
straight("compaction.original_thickness", f"{_ROOM}_column.original_thickness", "top", "bottom")
straight("compaction.column_effective_stress", f"{_ROOM}_stress.column_effective_stress", "depth")


@adapter("compaction.reference_curve", f"{_ROOM}_reference.reference_curve")
def numbers(inputs: Inputs) -> Any:
    """Numbers of a curve, its decay constant in the unit that the row asks for."""
    curve = reference_curve(inputs["name"])
    per = inputs.get("per", "km")
    return {
        "surface_porosity": curve.surface_porosity,
        "decay_length": curve.decay_length,
        "decay_constant": cp.units.convert(1.0 / curve.decay_length, "1/m", f"1/{per}"),
    }


@adapter("compaction.burial_history", f"{_ROOM}_burial.burial_history")
def peeled(inputs: Inputs) -> Any:
    """Bottom of the lowest layer when the upper ones were not there."""
    edges = np.array(inputs["edges_km"]) * 1e3
    ages = array(np.arange(edges.size, dtype=float), "kyr", "layer")
    found = burial_history(
        array(edges[:-1], "m", "layer"), array(edges[1:], "m", "layer"),
        surface_porosity=inputs["surface_porosity"], decay_length=inputs["decay_length"],
        top_age=ages[:-1], bottom_age=ages[1:], at=cp.quantity(np.array([edges.size - 2.0]), "kyr"),
    )  # fmt: skip
    return {"depth_bottom": found["depth_bottom"].values[0, -1]}


def _measured(name: str, value: float, unit: str) -> Any:
    """One value as a Dataset of the library has it."""
    return array([value], unit).to_dataset(name=name).assign_coords(depth=array([1.0], "m"))


@adapter("compaction.rebound", f"{_ROOM}_rebound.rebound")
def swelling(inputs: Inputs) -> Any:
    stress = _measured("vertical_effective_stress", inputs.pop("stress_kPa"), "kPa")
    return apart.rebound(
        _measured("porosity", inputs.pop("porosity"), "1"), stress=stress, **inputs
    )


@adapter("compaction.rebound_by_depth", f"{_ROOM}_rebound.rebound_by_depth")
def by_depth(inputs: Inputs) -> Any:
    porosity = _measured("porosity", inputs["porosity"], "1")
    depth = array([inputs["depth_m"]], "m")
    return apart.rebound_by_depth(porosity, kind=inputs["kind"], depth=depth)


@adapter("compaction.rebound_density", f"{_ROOM}_rebound.rebound_density")
def denser(inputs: Inputs) -> Any:
    gained = _measured("porosity_rebound", inputs["porosity_rebound"], "1")
    return apart.rebound_density(
        _measured("bulk_density", inputs["bulk_density_g_cm3"], "g/cm^3"), rebound=gained,
        grain_density=inputs["grain_density"], pore_water_density=inputs["pore_water_density"],
    )  # fmt: skip
