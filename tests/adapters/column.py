"""Adapters of reference curves, columns without their load, and rebound."""

from __future__ import annotations

from typing import Any

import numpy as np

import corephys as cp
from corephys.ground import units
from corephys.products.compaction import rebounds as apart
from corephys.products.compaction.column import burial_history
from corephys.products.compaction.reference import reference_curve
from tests.adapters.registry import Inputs, adapter, array, straight

straight(
    "compaction.reference_porosity",
    "corephys.products.compaction.reference.reference_porosity",
    "depth",
)


@adapter("compaction.reference_depth", "corephys.products.compaction.reference.reference_depth")
def depth_of_a_curve(inputs: Inputs) -> Any:
    found = cp.compaction.reference_depth(inputs.pop("porosity"), **inputs)
    return found.to("m").magnitude


straight(
    "compaction.solid_thickness",
    "corephys.products.compaction.column.solid_thickness",
    "top",
    "bottom",
)
straight("compaction.decompact", "corephys.products.compaction.column.decompact", "top", "bottom")
straight(
    "compaction.original_thickness",
    "corephys.products.compaction.column.original_thickness",
    "top",
    "bottom",
)
straight(
    "compaction.column_effective_stress",
    "corephys.products.compaction.column.column_effective_stress",
    "depth",
)


@adapter("compaction.reference_curve", "corephys.products.compaction.reference.reference_curve")
def numbers(inputs: Inputs) -> Any:
    """Numbers of a curve, its decay constant in the unit that the row asks for."""
    curve = reference_curve(inputs["name"])
    per = inputs.get("per", "km")
    return {
        "surface_porosity": curve.surface_porosity,
        "decay_length": curve.decay_length,
        "decay_constant": units.convert(1.0 / curve.decay_length, "1/m", f"1/{per}"),
    }


@adapter("compaction.burial_history", "corephys.products.compaction.column.burial_history")
def peeled(inputs: Inputs) -> Any:
    """Bottom of the lowest layer when the upper ones were not there."""
    edges = np.array(inputs["edges_km"]) * 1e3
    ages = array(np.arange(edges.size, dtype=float), "kyr", "layer")
    found = burial_history(
        array(edges[:-1], "m", "layer"),
        array(edges[1:], "m", "layer"),
        surface_porosity=inputs["surface_porosity"],
        decay_length=inputs["decay_length"],
        top_age=ages[:-1],
        bottom_age=ages[1:],
        at=cp.quantity(np.array([edges.size - 2.0]), "kyr"),
    )
    return {"depth_bottom": found["depth_bottom"].values[0, -1]}


def _measured(name: str, value: float, unit: str) -> Any:
    """One value as a Dataset of the library has it."""
    return array([value], unit).to_dataset(name=name).assign_coords(depth=array([1.0], "m"))


@adapter("compaction.rebound", "corephys.products.compaction.rebounds.rebound")
def swelling(inputs: Inputs) -> Any:
    stress = _measured("vertical_effective_stress", inputs.pop("stress_kPa"), "kPa")
    return apart.rebound(
        _measured("porosity", inputs.pop("porosity"), "1"), stress=stress, **inputs
    )


@adapter("compaction.rebound_by_depth", "corephys.products.compaction.rebounds.rebound_by_depth")
def by_depth(inputs: Inputs) -> Any:
    porosity = _measured("porosity", inputs["porosity"], "1")
    depth = array([inputs["depth_m"]], "m")
    return apart.rebound_by_depth(porosity, kind=inputs["kind"], depth=depth)


@adapter("compaction.rebound_density", "corephys.products.compaction.rebounds.rebound_density")
def denser(inputs: Inputs) -> Any:
    gained = _measured("porosity_rebound", inputs["porosity_rebound"], "1")
    return apart.rebound_density(
        _measured("bulk_density", inputs["bulk_density_g_cm3"], "g/cm^3"),
        rebound=gained,
        grain_density=inputs["grain_density"],
        pore_water_density=inputs["pore_water_density"],
    )
