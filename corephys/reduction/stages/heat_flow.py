"""Stages of heat flow: resistance, line, intervals, bend, corrections, draws, extrapolation."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import units
from corephys.ground.sensor import scalar
from corephys.products import heat_flow as product
from corephys.reduction.context import BOTH, Context, Skipped, temperatures, usable_stations
from corephys.reduction.stages.samples import FORMATION
from corephys.reduction.stages.scan import of_stations

__all__ = ["corrections", "heat_flow", "monte_carlo", "temperature_below", "thermal_resistance"]

_T, _K = "properties/formation_temperature", "properties/thermal_conductivity"


def thermal_resistance(context: Context) -> None:
    """Thermal resistance at the stations, by the chosen interpolation of conductivity."""
    conductivity, temperature = _conductivity(context), _temperature(context)
    found = product.thermal_resistance(
        conductivity,
        at=temperature,
        how=context.recipe["heat_flow"]["carrier"],
        allow=context.levels,
        **_depths(context),
    )
    context.results["products/thermal_resistance"] = _of_temperatures(context, found)


def heat_flow(context: Context) -> None:
    """Heat flow of the line, by interpolation, between stations, and a test for curvature."""
    resistance = context.result("products/thermal_resistance")
    temperature, conductivity = _temperature(context), _conductivity(context)
    shared = _shared(context, temperature)
    found = product.bullard(temperature, resistance, **shared)
    context.results["products/heat_flow"] = _of_temperatures(context, found)
    context.results["products/heat_flow_by_carrier"] = product.compare_carriers(
        temperature, conductivity, resistance=resistance, **shared, **_depths(context)
    )
    with context.part("heat flow: between stations"):
        context.results["products/heat_flow_intervals"] = product.intervals(
            temperature, resistance, **shared
        )
    with context.part("heat flow: bend"):
        context.results["products/heat_flow_curvature"] = product.curvature(
            temperature,
            resistance,
            **shared,
            significance=context.recipe["heat_flow"]["bend_significance"],
        )


def corrections(context: Context) -> None:
    """Corrections that the recipe chooses, each beside the uncorrected heat flow."""
    resistance = context.result("products/thermal_resistance")
    context.result("products/heat_flow")
    temperature = _temperature(context)
    anomalies = _anomalies(context, temperature)
    buried = _sedimentation(context, temperature)
    if not anomalies and buried is None:
        raise Skipped(
            "no correction is chosen; set [heat_flow] sedimentation_rate, bottom_water_step or "
            "heat_production"
        )
    context.results["products/heat_flow_corrections"] = product.corrections(
        temperature,
        resistance,
        anomalies=anomalies,
        sedimentation=buried,
        **_shared(context, temperature),
    )


def monte_carlo(context: Context) -> None:
    """Heat flow by Monte Carlo, with draws of all its errors."""
    keys = context.recipe["heat_flow"]
    draws = int(keys["monte_carlo_draws"])
    if not draws:
        raise Skipped("[heat_flow] monte_carlo_draws is 0; set a number above 0 to draw errors")
    context.result("products/heat_flow")
    temperature, conductivity = _temperature(context), _conductivity(context)
    context.results["products/heat_flow_monte_carlo"] = product.monte_carlo(
        temperature,
        conductivity,
        how=keys["carrier"],
        resistance=context.result("products/thermal_resistance"),
        draws=draws,
        **_shared(context, temperature),
        **_depths(context),
    )


def temperature_below(context: Context) -> None:
    """Temperatures of the line from the seafloor to a depth below the last station."""
    keys = context.recipe["heat_flow"]
    if keys["extrapolate_to"] is None:
        raise Skipped("[heat_flow] extrapolate_to is not given; set a depth below the stations")
    context.result("products/heat_flow")
    temperature, conductivity = _temperature(context), _conductivity(context)
    depth = scalar(context.recipe, "heat_flow", "extrapolate_to", "m")
    production, given = _production(context)
    context.results["products/temperature_below"] = product.temperature_at(
        units.quantity(np.linspace(0.0, depth, 101), "m"),
        temperature,
        conductivity,
        how=keys["carrier"],
        resistance=context.result("products/thermal_resistance"),
        heat_production=production,
        heat_production_uncertainty=given,
        **_shared(context, temperature),
        **_depths(context),
    )


def _temperature(context: Context) -> xr.Dataset:
    """Temperatures that the recipe chooses: of the stations, of a log, or of both."""
    found, path = temperatures(context)
    return context.result(path) if found is None else found


def _of_temperatures(context: Context, found: xr.Dataset) -> xr.Dataset:
    """A result with the path of its temperatures, and what is to be known of a log."""
    temperature, path = temperatures(context)
    if temperature is None or path == _T:
        return found
    if path == BOTH:
        context.results[BOTH] = temperature
    status = temperature.attrs["status"]
    return found.assign_attrs(temperatures_from=path, status=status)


def _conductivity(context: Context) -> xr.Dataset:
    """Corrected conductivities if the recipe sets a correction, else as measured."""
    return context.result(FORMATION if FORMATION in context.results else _K)


def _depths(context: Context) -> dict[str, Any]:
    """Arguments for the uncertainty of the stations' depths."""
    return {
        "depth_uncertainty": of_stations(context, _temperature(context)),
        "datum_uncertainty": context.recipe["heat_flow"]["datum_uncertainty"],
    }


def _shared(context: Context, temperature: xr.Dataset) -> dict[str, Any]:
    """Arguments for the point at the seafloor and the usable flags; Skipped with few stations."""
    keys, hole = context.recipe["heat_flow"], context.recipe["hole"]
    bottom = hole["bottom_water_temperature"] if keys["include_bottom_water"] else None
    usable = usable_stations(context)[0].size
    if usable + (bottom is not None) < 3:
        # Two points always lie on a line: no residual would be left to test the fit.
        raise Skipped(
            f"{usable} usable formation temperatures; heat flow needs three points, the seafloor "
            "among them"
        )
    return {
        "bottom_water_temperature": bottom,
        "bottom_water_temperature_uncertainty": hole["bottom_water_temperature_uncertainty"],
        "allow": context.levels,
    }


def _anomalies(context: Context, temperature: xr.Dataset) -> dict[str, xr.Dataset]:
    """Temperature anomalies of the chosen corrections, by name."""
    keys = context.recipe["heat_flow"]
    found = {}
    if keys["bottom_water_step"] is not None:
        if keys["bottom_water_step_time"] is None:
            raise Skipped("[heat_flow] bottom_water_step needs bottom_water_step_time; give both")
        found["bottom water"] = product.bottom_water_anomaly(
            temperature,
            change=keys["bottom_water_step"],
            since=keys["bottom_water_step_time"],
            change_uncertainty=keys["bottom_water_step_uncertainty"],
            since_uncertainty=keys["bottom_water_step_time_uncertainty"],
            **_diffusivity(keys),
        )
    production, given = _production(context)
    if production is not None:
        found["heat production"] = product.heat_production_correction(
            production,
            _conductivity(context),
            at=temperature,
            heat_production_uncertainty=given,
            how=keys["carrier"],
            allow=context.levels,
        )
    return found


def _sedimentation(context: Context, temperature: xr.Dataset) -> xr.Dataset | None:
    """Effect of sedimentation, or None where the recipe gives no rate."""
    keys = context.recipe["heat_flow"]
    if keys["sedimentation_rate"] is None:
        return None
    if keys["sedimentation_time"] is None:
        raise Skipped("[heat_flow] sedimentation_rate needs sedimentation_time; give both")
    return product.sedimentation(
        temperature,
        rate=keys["sedimentation_rate"],
        duration=keys["sedimentation_time"],
        rate_uncertainty=keys["sedimentation_rate_uncertainty"],
        duration_uncertainty=keys["sedimentation_time_uncertainty"],
        **_diffusivity(keys),
    )


def _diffusivity(keys: Mapping[str, Any]) -> dict[str, Any]:
    """Arguments for the diffusivity."""
    return {name: keys[name] for name in ("diffusivity", "diffusivity_uncertainty")}


def _production(context: Context) -> tuple[xr.Dataset | str | None, str | None]:
    """Heat production that the recipe chooses, and its uncertainty where it is one value."""
    keys = context.recipe["heat_flow"]
    if keys["heat_production"] == "none":
        return None, None
    if keys["heat_production"] == "constant":
        if keys["heat_production_value"] is None:
            raise Skipped("[heat_flow] heat_production = 'constant' needs heat_production_value")
        return keys["heat_production_value"], keys["heat_production_value_uncertainty"]
    if "products/heat_production" not in context.results:
        raise Skipped(
            "no products/heat_production in this hole; set [natural_gamma] mass_basis, or "
            "[heat_flow] heat_production = 'constant'"
        )
    return context.results["products/heat_production"], None
