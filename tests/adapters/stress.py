"""Adapters of stress."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

import corephys as cp
from corephys.products import stress
from tests.adapters.registry import Inputs, adapter, array


@adapter("stress.effective_stress_of_layers", "corephys.products.stress.effective_stress_of_layers")
def of_layers(inputs: Inputs) -> Any:
    found = stress.effective_stress_of_layers(
        cp.quantity(np.array(inputs["thickness_m"]), "m"),
        cp.quantity(np.array(inputs["density"]), "g/cm^3"),
        pore_water_density=f"{inputs['pore_water_density']} g/cm^3",
        gravity=f"{inputs['gravity']} m/s^2",
    )
    return float(found[-1].to("kPa").magnitude)


@adapter("stress.vertical_effective_stress", "corephys.products.stress.vertical_effective_stress")
def of_profile(inputs: Inputs) -> Any:
    """Layers of constant density: a reading at the top and one at the bottom of each."""
    ends = np.cumsum([0.0, *inputs["thickness_m"]])
    depth = np.array([z for t, b in pairwise(ends) for z in (t + 1e-9, b)])
    density = array(np.repeat(inputs["density"], 2), "g/cm^3").assign_coords(
        depth=array(depth, "m")
    )
    at = array([0.0], "m").assign_coords(depth=array([ends[-1]], "m"))
    found = stress.vertical_effective_stress(
        density.to_dataset(name="bulk_density"),
        at=at,
        pore_water_density=f"{inputs['pore_water_density']} g/cm^3",
        gravity=f"{inputs['gravity']} m/s^2",
    )
    return found["vertical_effective_stress"].item()


def _densities(thickness: list[float], density: list[float], name: str = "bulk_density") -> Any:
    """Layers of constant density as readings just inside their ends."""
    ends = np.cumsum([0.0, *thickness])
    depth = np.array([z for t, b in pairwise(ends) for z in (t + 1e-9, b)])
    values = array(np.repeat(density, 2), "g/cm^3").assign_coords(depth=array(depth, "m"))
    return values.to_dataset(name=name)


@adapter("stress.profile", "corephys.products.stress.profiles.profile")
def of_whole_profile(inputs: Inputs) -> Any:
    bottom = float(np.sum(inputs["thickness_m"]))
    fluid: Any = f"{inputs.get('pore_water_density', 0)} g/cm^3"
    if "water_table_m" in inputs:
        dry = inputs["water_table_m"]
        water = [0.0, inputs["pore_water_density"]]
        fluid = _densities([dry, bottom - dry], water, "pore_water_density")
    given = {
        "water_depth": "0 m",
        **{key: inputs[key] for key in ("water_depth",) if key in inputs},
    }
    return stress.profile(
        _densities(inputs["thickness_m"], inputs["density"]),
        at=cp.quantity(bottom, "m"),
        pore_water_density=fluid,
        gravity=f"{inputs['gravity']} m/s^2",
        sea_water_density=f"{inputs.get('sea_water_density', 1.03)} g/cm^3",
        **given,
    )


@adapter("stress.profile of compaction", "corephys.products.stress.profiles.profile")
def of_compaction(inputs: Inputs) -> Any:
    """Density of an exponential porosity every 0.25 m, the gap between two readings filled."""
    z = np.arange(0.0, inputs["z_m"] + 0.1, 0.25)
    phi = inputs["phi0"] * np.exp(-z * inputs["c_per_km"] / 1000.0)
    curve = array(phi, "1").assign_coords(depth=array(z, "m")).to_dataset(name="porosity")
    rho = stress.density_of_porosity(
        curve,
        grain_density=f"{inputs['rho_g']} g/cm^3",
        pore_water_density=f"{inputs['rho_w']} g/cm^3",
    )
    return stress.profile(
        rho,
        at=cp.quantity(inputs["z_m"], "m"),
        gravity=f"{inputs['g']} m/s^2",
        pore_water_density=f"{inputs['rho_w']} g/cm^3",
    )


@adapter("stress.density_of_porosity", "corephys.products.stress.gaps.density_of_porosity")
def density_of_porosity(inputs: Inputs) -> Any:
    phi = array([inputs["porosity"]], "1").assign_coords(depth=array([1.0], "m"))
    return stress.density_of_porosity(
        phi.to_dataset(name="porosity"),
        grain_density=inputs["grain_density"],
        pore_water_density=inputs["pore_water_density"],
    )


@adapter("stress.fluid_column_pressure", "corephys.products.stress.fluids.fluid_column_pressure")
def fluid_column_pressure(inputs: Inputs) -> Any:
    return stress.fluid_column_pressure(inputs.pop("at"), **inputs)


@adapter("stress.equivalent_density", "corephys.products.stress.fluids.equivalent_density")
def equivalent_density(inputs: Inputs) -> Any:
    return stress.equivalent_density(inputs.pop("pressure"), inputs.pop("at"), **inputs)


@adapter("stress.in_situ_water_density", "corephys.products.stress.fluids.in_situ_water_density")
def in_situ_water_density(inputs: Inputs) -> Any:
    return stress.in_situ_water_density(inputs.pop("at"), **inputs)


@adapter("stress.lambda_star", "corephys.products.stress.bounds.lambda_star")
def lambda_star(inputs: Inputs) -> Any:
    return stress.lambda_star(inputs["pressure"], inputs["hydrostatic"], inputs["overburden"])


def _reference(inputs: Inputs) -> stress.CompactionReference:
    if inputs["model"] == "exponential":
        return stress.CompactionReference("exponential", inputs["first"], inputs["second"])
    return stress.reference_of_indices(
        void_ratio=inputs["first"], compression_index=inputs["second"]
    )


@adapter(
    "stress.effective_stress_of_porosity",
    "corephys.products.stress.bounds.effective_stress_of_porosity",
)
def effective_stress_of_porosity(inputs: Inputs) -> Any:
    return stress.effective_stress_of_porosity(inputs["porosity"], reference=_reference(inputs))


def _here(name: str, value: float, unit: str) -> Any:
    data = array([value], unit).assign_coords(depth=array([100.0], "m"))
    return data.to_dataset(name=name)


@adapter("stress.overpressure_bound", "corephys.products.stress.bounds.overpressure_bound")
def overpressure_bound(inputs: Inputs) -> Any:
    profile = _here("vertical_effective_stress", inputs["stress_kPa"], "kPa")
    profile["hydrostatic_pressure"] = ("reading", [inputs["hydrostatic_kPa"]], {"units": "kPa"})
    porosity = _here("porosity", inputs["porosity"], "1")
    return stress.overpressure_bound(porosity, profile, reference=_reference(inputs))


@adapter("stress.pressure_margins", "corephys.products.stress.comparison.pressure_margins")
def pressure_margins(inputs: Inputs) -> Any:
    profile = _here("overburden_stress", inputs["overburden_kPa"], "kPa")
    profile["hydrostatic_pressure"] = ("reading", [inputs["hydrostatic_kPa"]], {"units": "kPa"})
    return stress.pressure_margins(
        _here("fluid_column_pressure", inputs["pressure_kPa"], "kPa"), profile
    )


@adapter("stress.with_in_situ_water", "corephys.products.stress.comparison.with_in_situ_water")
def with_in_situ_water(inputs: Inputs) -> Any:
    return stress.with_in_situ_water(
        _here("bulk_density", inputs["density"], "g/cm^3"),
        inputs["pore_water_density"],
        laboratory_water_density=inputs["laboratory_water_density"],
        grain_density=inputs["grain_density"],
    )
