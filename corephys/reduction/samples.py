"""Stages of the split core and of the hole: samples, heating curves, formation temperature."""

from __future__ import annotations

import numpy as np
import xarray as xr

from corephys.downhole import formation_temperature as formation
from corephys.reduction.context import Context, Skipped, pore_water_density
from corephys.samples import index_properties as index
from corephys.samples import needle

__all__ = ["formation_temperature", "index_properties", "thermal_conductivity"]


def index_properties(context: Context) -> None:
    """Phase relations of the discrete samples."""
    table = context.table("samples/index_properties")
    recipe, keys = context.recipe, context.recipe["index_properties"]
    volumes = {name: table[name] for name in ("dry_volume", "wet_volume") if name in table}
    if not volumes:
        raise Skipped("samples/index_properties.csv has neither dry_volume nor wet_volume")
    optional = {}
    if "container_mass" in table:
        optional["container_mass"] = table["container_mass"]
    context.results["properties/index_properties"] = index.phase_relations(
        table["wet_mass"],
        table["dry_mass"],
        **volumes,
        **optional,
        salinity=recipe["hole"]["pore_water_salinity"],
        salinity_uncertainty=recipe["hole"]["pore_water_salinity_uncertainty"],
        pore_water_density=pore_water_density(recipe, "index_properties"),
        pore_water_density_uncertainty=keys["pore_water_density_uncertainty"],
        salt_density=keys["salt_density"],
        mass_uncertainty=keys["mass_uncertainty"],
        mass_systematic=keys["mass_systematic"],
        volume_uncertainty=keys["volume_uncertainty"],
        volume_systematic=keys["volume_systematic"],
        reason=table.get("reason", 0),
    )


def thermal_conductivity(context: Context) -> None:
    """Conductivity of every heating run, repeats combined where the recipe says so."""
    table = context.table("samples/needle")
    keys = context.recipe["needle"]
    runs = needle.thermal_conductivity(
        table,
        heating_power_uncertainty=keys["heating_power_uncertainty"],
        minimum_window=keys["minimum_window"],
    )
    if keys["combine_repeats"]:
        context.results["properties/heating_runs"] = runs
        runs = needle.combine_repeats(runs)
    context.results["properties/thermal_conductivity"] = runs


def formation_temperature(context: Context) -> None:
    """Equilibrium temperature of every station."""
    table = context.table("downhole/formation_temperature")
    stations = context.table("downhole/stations")
    tools = context.table("downhole/tools")
    keys = context.recipe["formation_temperature"]
    conductivity = station_conductivity(context, stations)
    context.results["properties/formation_temperature"] = formation.equilibrium_temperature(
        table,
        stations,
        tools,
        conductivity=conductivity,
        conductivity_uncertainty=keys["conductivity_uncertainty"],
        heat_capacity_uncertainty=keys["heat_capacity_uncertainty"],
        thermometer_uncertainty=keys["thermometer_uncertainty"],
    )


def station_conductivity(context: Context, stations: xr.Dataset) -> xr.DataArray:
    """Conductivity at each station: its own, else from the needle runs at its depth."""
    if "conductivity" in stations and np.isfinite(stations["conductivity"].values).all():
        return stations["conductivity"]
    measured = context.results.get("properties/thermal_conductivity")
    if measured is None:
        raise Skipped("stations have no conductivity and no heating run gives one")
    usable = (measured["thermal_conductivity_flag"] == 1).values
    depth = measured["depth"].values[usable]
    order = np.argsort(depth)
    if not order.size:
        raise Skipped("no good heating run to take the stations' conductivity from")
    values = np.interp(
        stations["depth"].values, depth[order],
        measured["thermal_conductivity"].values[usable][order],
    )  # fmt: skip
    if "conductivity" in stations:
        own = stations["conductivity"].values
        values = np.where(np.isnan(own), values, own)
    return stations["depth"].copy(data=values).assign_attrs(units="W/(m K)")
