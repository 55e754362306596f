"""Adapters of heat flow."""

from __future__ import annotations

from typing import Any

import numpy as np

import corephys as cp
from corephys.ground import units
from tests.adapters.registry import Inputs, adapter, array, straight


@adapter(
    "heat_flow.thermal_resistance", "corephys.products.heat_flow.resistance.thermal_resistance"
)
def resistance(inputs: Inputs) -> Any:
    """Layers: a measurement just inside each end, so that the nearest one is the layer's own."""
    bottom = np.cumsum(inputs["thickness"])
    top = bottom - np.array(inputs["thickness"])
    depth = np.ravel(np.column_stack([top + 1.0, bottom - 1.0]))
    conductivity = array(np.repeat(inputs["conductivity"], 2), "W/(m K)")
    return cp.heat_flow.thermal_resistance(
        conductivity.assign_coords(depth=array(depth, "m")),
        at=array(bottom[-1:], "m"),
        how="steps",
    )


@adapter("heat_flow.bullard", "corephys.products.heat_flow.bullard")
def bullard(inputs: Inputs) -> Any:
    """Temperatures exactly on T0 + q R, through sediment of one conductivity."""
    conductivity, r = inputs["conductivity"], np.array(inputs["resistance"])
    depth = array(r * conductivity, "m")
    known = array([conductivity] * r.size, "W/(m K)").assign_coords(depth=depth)
    temperature = array(inputs["bottom"] + 1e-3 * inputs["heat_flow"] * r, "degC")
    temperature = temperature.assign_coords(depth=depth)
    return cp.heat_flow.bullard(temperature, cp.heat_flow.thermal_resistance(known, at=temperature))


@adapter("heat_flow.bullard of layers", "corephys.products.heat_flow.bullard")
def bullard_of_layers(inputs: Inputs) -> Any:
    """Temperatures at the ends of layers, all of equal weight, the surface among them."""
    bottom = np.cumsum(inputs["thickness"])
    top = bottom - np.array(inputs["thickness"])
    depth = np.ravel(np.column_stack([top + 1.0, bottom - 1.0]))
    known = array(np.repeat(inputs["conductivity"], 2), "W/(m K)")
    known = known.assign_coords(depth=array(depth, "m"))
    surface, *below = inputs["temperature"]
    warm = array(below, "degC").assign_coords(depth=array(bottom, "m"))
    return cp.heat_flow.bullard(
        warm,
        cp.heat_flow.thermal_resistance(known, at=warm, how="steps"),
        bottom_water_temperature=f"{surface} degC",
    )


@adapter("heat_flow.intervals", "corephys.products.heat_flow.station_intervals.intervals")
def of_intervals(inputs: Inputs) -> Any:
    """One interval from the seafloor to a station, through layers."""
    bottom = np.cumsum(inputs["thickness"])
    top = bottom - np.array(inputs["thickness"])
    depth = np.ravel(np.column_stack([top + 1.0, bottom - 1.0]))
    known = array(np.repeat(inputs["conductivity"], 2), "W/(m K)")
    known = known.assign_coords(depth=array(depth, "m"))
    warm = array([inputs["temperature"]], "degC").assign_coords(depth=array(bottom[-1:], "m"))
    found = cp.heat_flow.intervals(
        warm,
        cp.heat_flow.thermal_resistance(known, at=warm, how="steps"),
        bottom_water_temperature=f"{inputs['bottom']} degC",
    )
    return {name: found[name].values.ravel()[0] for name in found.data_vars}


@adapter(
    "heat_flow.intervals of a gradient", "corephys.products.heat_flow.station_intervals.intervals"
)
def of_a_gradient(inputs: Inputs) -> Any:
    """The conductivity at which a gradient is a heat flow."""
    resistance = cp.heat_flow.thermal_resistance(
        array([1.0], "W/(m K)").assign_coords(depth=array([0.0], "m")),
        at=array([100.0], "m").assign_coords(depth=array([100.0], "m")),
    )
    gradient, flow = inputs["gradient"], inputs["heat_flow"]
    resistance["thermal_resistance"][:] = 100.0 * gradient / flow
    warm = array([0.1 * gradient], "degC").assign_coords(depth=array([100.0], "m"))
    found = cp.heat_flow.intervals(warm, resistance, bottom_water_temperature="0 degC")
    return {"thermal_conductivity": found["thermal_conductivity"].values[0]}


def _straight_geotherm(inputs: Inputs) -> tuple[Any, Any]:
    """Stations exactly on T0 + q z / k - A z^2 / 2 k."""
    depth = np.linspace(20.0, 200.0, 5)
    k = inputs["conductivity"]
    t = inputs["bottom"] + 1e-3 * inputs["heat_flow"] * depth / k
    t = t - 1e-6 * inputs["heat_production"] * depth**2 / (2.0 * k)
    coords = array(depth, "m")
    return (
        array(t, "degC").assign_coords(depth=coords),
        array(np.full(5, k), "W/(m K)").assign_coords(depth=coords),
    )


@adapter("heat_flow.temperature_at", "corephys.products.heat_flow.expected.temperature_at")
def geotherm(inputs: Inputs) -> Any:
    found = cp.heat_flow.temperature_at(
        inputs["depth"],
        *_straight_geotherm(inputs),
        heat_production=f"{inputs['heat_production']} uW/m^3",
    )
    return found["equilibrium_temperature"].item()


@adapter(
    "heat_flow.heat_production_correction",
    "corephys.products.heat_flow.adjustments.heat_production_correction",
)
def made_heat(inputs: Inputs) -> Any:
    known = array([inputs["conductivity"]], "W/(m K)").assign_coords(depth=array([0.0], "m"))
    return cp.heat_flow.heat_production_correction(
        inputs["heat_production"], known, at=inputs["depth"]
    )


for _name in ("bottom_water_anomaly", "seasonal_anomaly", "sedimentation"):
    straight(f"heat_flow.{_name}", f"corephys.products.heat_flow.transients.{_name}", "at")
straight(
    "heat_flow.conductivity_of_water_content",
    "corephys.products.heat_flow.expected.conductivity_of_water_content",
    "water_content",
)
straight(
    "heat_flow.conductivity_at_temperature",
    "corephys.products.heat_flow.expected.conductivity_at_temperature",
    "conductivity",
    "temperature",
)
straight(
    "heat_flow.heat_flow_of_age", "corephys.products.heat_flow.expected.heat_flow_of_age", "age"
)


@adapter(
    "heat_flow.resistivity_of_water_content",
    "corephys.products.heat_flow.expected.conductivity_of_water_content",
)
def resistivity_in_print(inputs: Inputs) -> float:
    """In the unit of print, cm s K/cal."""
    found = cp.heat_flow.conductivity_of_water_content(inputs["water_content"])
    k = cp.quantity(found["thermal_conductivity"].item(), "W/(m K)")
    return 1.0 / float(units.as_floats(k, "cal/(cm s K)", "k"))


@adapter(
    "heat_flow.recent_heat_production", "corephys.sensors.natural_gamma.stripping.heat_production"
)
def recent_heat(inputs: Inputs) -> Any:
    """Heat of scalar concentrations by constants of the table under other names."""
    per = {
        f"heat_per_{element}": cp.constants.get(f"heat_per_{element}_2020")
        for element in ("potassium", "uranium", "thorium")
    }
    return cp.natural_gamma.heat_production(
        inputs["potassium"],
        inputs["uranium"],
        inputs["thorium"],
        inputs["density"],
        mass_basis="dry",
        **per,
    )["heat_production"]


@adapter("units of heat flow", "corephys.ground.units.as_floats")
def unit_of_heat_flow(inputs: Inputs) -> float:
    """One heat flow unit is one microcalorie (thermochemical) a second and square centimetre."""
    return float(units.as_floats(f"{inputs['value']} ucal/(cm^2 s)", "mW/m^2", "value"))
