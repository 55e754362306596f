"""Stages of the split core and of the hole: samples, heating curves, formation temperature."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.downhole import formation_temperature as formation
from corephys.ground import flags, provenance, series, units
from corephys.ground.constants import CONSTANTS
from corephys.reduction.context import Context, Skipped, pore_water_density
from corephys.reduction.scan_place import of_kind, with_bits
from corephys.samples import index_properties as index
from corephys.samples import needle

__all__ = [
    "formation_conductivity", "formation_temperature", "index_properties", "thermal_conductivity",
]  # fmt: skip

_K = "properties/thermal_conductivity"
FORMATION = "properties/formation_conductivity"


def index_properties(context: Context) -> None:
    """Phase relations of the discrete samples."""
    table = context.table("samples/index_properties")
    recipe, keys = context.recipe, context.recipe["index_properties"]
    volumes = {name: table[name] for name in ("dry_volume", "wet_volume") if name in table}
    if not volumes:
        raise Skipped("samples/index_properties.csv has neither dry_volume nor wet_volume")
    reason = np.asarray(table["reason"].values) if "reason" in table else np.int64(0)
    if keys["pycnometer_standards"] and "dry_volume" in volumes:
        volumes["dry_volume"], doubt = _on_the_scale_of_its_cell(context, table)
        reason = reason | doubt
    optional = {
        name: table[name]
        for name in ("container_mass", "container_volume", "wet_volume_method")
        if name in table
    }
    found = index.phase_relations(
        table["wet_mass"],
        table["dry_mass"],
        **volumes,
        **optional,
        route=keys["route"],
        wet_volume_uncertainty=keys["wet_volume_uncertainty"],
        wet_volume_systematic=keys["wet_volume_systematic"],
        **_pore_water(context, table),
        salinity_uncertainty=recipe["hole"]["pore_water_salinity_uncertainty"],
        pore_water_density_uncertainty=keys["pore_water_density_uncertainty"],
        salt_density=keys["salt_density"],
        mass_uncertainty=keys["mass_uncertainty"],
        mass_systematic=keys["mass_systematic"],
        volume_uncertainty=keys["volume_uncertainty"],
        volume_systematic=keys["volume_systematic"],
        reason=reason if np.ndim(reason) == 0 else table["wet_mass"].copy(data=reason),
    )
    context.results["properties/index_properties"] = found
    if keys["culprits"] and "dry_volume" in volumes and not optional:
        with context.part("index properties: likely culprits"):
            _name_culprits(context, table, volumes["dry_volume"])


def _pore_water(context: Context, table: xr.Dataset) -> dict[str, Any]:
    """Salinity and density of the pore water: by depth where there is a table, else the hole's."""
    recipe = context.recipe
    keys = recipe["index_properties"]
    stated = {
        "salinity": recipe["hole"]["pore_water_salinity"],
        "pore_water_density": pore_water_density(recipe, "index_properties"),
    }
    waters = context.optional("pore_water")
    if not keys["pore_water_table"] or waters is None or "depth" not in table.coords:
        return stated
    if "salinity" not in waters or "depth" not in waters.coords:
        context.notes.append("pore_water.csv has no column salinity [g/kg]; the hole's is taken")
        return stated
    found = index.pore_water_at(
        table["wet_mass"]["depth"], waters["depth"], waters["salinity"],
        temperature=recipe["hole"]["laboratory_temperature"],
    )  # fmt: skip
    held = int((found["reason"].values != 0).sum())
    if held:
        context.notes.append(
            f"{held} samples lie above or below pore_water.csv, whose end values are held there"
        )
    like = table["wet_mass"]
    names = ("salinity",) if keys["pore_water_density"] else ("salinity", "pore_water_density")
    by_depth = {
        name: like.copy(data=found[name].values).assign_attrs(units=found[name].attrs["units"])
        for name in names
    }
    return stated | by_depth


def _name_culprits(context: Context, table: xr.Dataset, volume: xr.DataArray) -> None:
    """What most likely sets a sample apart, beside the samples; nothing is corrected."""
    keys = context.recipe["index_properties"]
    said = index.likely_culprit(
        table["wet_mass"],
        table["dry_mass"],
        volume,
        **_pore_water(context, table),
        salt_density=keys["salt_density"],
    )
    words = said["likely_culprit"].values
    if (words == "").all():
        return
    context.results["properties/sample_culprits"] = said
    found = context.results["properties/index_properties"]
    for name in [n for n in found.data_vars if f"{n}_reason" in found]:
        found = with_bits(found, str(name), said["reason"].values)
    context.results["properties/index_properties"] = found
    for row in np.flatnonzero(words != ""):
        depth = f" at {float(table['depth'].values[row]):.2f} m" if "depth" in table.coords else ""
        context.notes.append(f"sample {row}{depth} stands apart; likely culprit: {words[row]}")


def _on_the_scale_of_its_cell(
    context: Context, table: xr.Dataset
) -> tuple[xr.DataArray, np.ndarray]:
    """Dry volumes scaled by the standards of their pycnometer cells, and reasons."""
    volume = table["dry_volume"]
    nothing = np.zeros(volume.size, np.int64)
    standards = context.optional("standards/pycnometer")
    if standards is None:
        return volume, nothing
    standards = of_kind(standards, "standard")
    cell = table["cell"].values if "cell" in table else np.full(volume.size, "")
    names = standards["cell"].values if "cell" in standards else ""
    if not standards.sizes["row"]:
        return volume, nothing
    cells = index.pycnometer_cells(
        standards["value"],
        standards["reading"],
        cell=names,
    )
    context.results["properties/pycnometer_cells"] = cells
    fixed = index.corrected_volume(volume, cell, cells)
    return volume.copy(data=fixed["volume"].values), fixed["reason"].values


def thermal_conductivity(context: Context) -> None:
    """Conductivity of every heating run, repeats combined where the recipe says so."""
    table = context.table("samples/needle")
    keys = context.recipe["needle"]
    runs = needle.thermal_conductivity(
        table,
        heating_power_uncertainty=keys["heating_power_uncertainty"],
        minimum_window=keys["minimum_window"],
        boundary_distance=keys["boundary_distance"],
        cross_check=keys["cross_check"],
        chosen_windows=keys["windows"],
    )
    if keys["combine_repeats"]:
        context.results["properties/heating_runs"] = runs
        runs = needle.combine_repeats(runs, allow=context.levels)
    context.results["properties/thermal_conductivity"] = runs
    _name_odd_runs(context, table)


def _name_odd_runs(context: Context, table: xr.Dataset) -> None:
    """Name the heating runs whose column of times or temperatures cannot be meant."""
    heated = table["time"].values > 0.0
    rows = pd.DataFrame({
        "run": table["run"].values, "time": table["time"].values,
        "temperature": table["temperature"].values,
    })[heated]  # fmt: skip
    by_run = rows.groupby("run", sort=False)
    span = by_run["temperature"].max() - by_run["temperature"].min()
    flat = span.index[(span == 0.0) & (by_run["temperature"].count() > 1)]
    twice = by_run["time"].apply(lambda time: bool(time.dropna().duplicated().any()))
    for names, words in (
        (flat, "the temperature does not change while the needle heats; check the column of the "
               "thermometer and the heating"),
        (twice.index[twice.to_numpy(dtype=bool)],
         "a time stands there twice; give each row its own time, and each run its own name"),
    ):  # fmt: skip
        if len(names):
            context.note(f"heating runs {', '.join(map(str, names))}: {words}")


def formation_temperature(context: Context) -> None:
    """Equilibrium temperature of every station."""
    table = context.table("downhole/formation_temperature")
    stations = context.table("downhole/stations")
    tools = context.table("downhole/tools")
    if "response_table" in tools:
        named = sorted({str(name) for name in tools["response_table"].values if str(name)})
        if named:
            raise Skipped(
                f"tools.csv names the response table {', '.join(named)}, which a hole folder "
                "cannot hold; call formation_temperature.equilibrium_temperature with responses=..."
            )
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
        chosen_windows=keys["windows"],
    )


def formation_conductivity(context: Context) -> None:
    """Effects of direction, pressure and temperature on conductivity, and the asked corrections."""
    measured = context.result(_K)
    keys = context.recipe["needle"]
    options = {
        "anisotropy": keys["anisotropy"],
        "anisotropy_uncertainty": keys["anisotropy_uncertainty"],
        "in_situ": _in_situ(context, measured),
    }
    asked = {"anisotropy": keys["anisotropy_correction"], "in situ": keys["in_situ_correction"]}
    chosen = tuple(name for name, wanted in asked.items() if wanted)
    if "in situ" in chosen and keys["conditions"] == "in situ":
        raise ValueError(
            "[needle] in_situ_correction is on, and conditions states that the conductivities are "
            "in situ already; change one of the two"
        )
    if options["in_situ"] is None:
        context.notes.append(
            "conductivity in situ is not known: it needs the depth of each run, [hole] water_depth "
            "and bottom_water_temperature or two formation temperatures"
        )
    context.results[_K] = needle.formation_conductivity(measured, **options)
    if chosen:
        context.results[FORMATION] = needle.formation_conductivity(
            measured, **options, corrections=chosen
        )


def _in_situ(context: Context, measured: xr.Dataset) -> xr.Dataset | None:
    """Conductivities at pressure and temperature of the formation, where these are known."""
    hole, keys = context.recipe["hole"], context.recipe["needle"]
    if keys["conditions"] == "in situ":
        same = series.unpack(measured, "thermal_conductivity")
        return series.build({"thermal_conductivity": same, "thermal_conductivity_in_situ": same})
    if hole["water_depth"] is None or "depth" not in measured.coords:
        return None
    depth = np.asarray(measured["depth"].values, dtype=float)
    found = _temperature_below(context, depth)
    if found is None:
        return None
    warm, unsure = (measured["thermal_conductivity"].copy(data=part) for part in found[:2])
    own = float(units.as_floats(keys["in_situ_temperature_uncertainty"], "K", "", difference=True))
    unsure = (unsure**2 + own**2) ** 0.5
    below = needle.in_situ(
        measured, hole["water_depth"], None, warm.assign_attrs(units="degC"),
        hole["laboratory_temperature"], CONSTANTS["sediment_density"],
        temperature_uncertainty=unsure.assign_attrs(units="K"),
        laboratory_temperature_uncertainty=keys["laboratory_temperature_uncertainty"],
        form_uncertainty=keys["in_situ_form_uncertainty"],
    )  # fmt: skip
    return provenance.with_constants(below, **found[2])


def _temperature_below(
    context: Context, depth: np.ndarray
) -> tuple[np.ndarray, np.ndarray, dict[str, Any]] | None:
    """Temperatures [degC], what the gradient leaves open [K], and the constants used."""
    water = context.recipe["hole"]["bottom_water_temperature"]
    known = [(0.0, float(units.as_floats(water, "degC", "bottom_water_temperature")))] * (
        water is not None
    )
    stations = context.results.get("properties/formation_temperature")
    if stations is not None:
        name = "equilibrium_temperature"
        use = flags.usable(stations[f"{name}_flag"].values, context.levels)
        use &= np.isfinite(stations[name].values)
        known += list(zip(stations["depth"].values[use], stations[name].values[use], strict=True))
    z, t = np.array(known, dtype=float).reshape(-1, 2).T
    if np.unique(z).size > 1:
        return np.polyval(np.polyfit(z, t, 1), depth), np.zeros(depth.size), {}
    if water is None:
        return None
    usual = CONSTANTS["seafloor_gradient"]
    used = {"seafloor_gradient": usual}
    return t[0] + usual.value * depth, usual.uncertainty * depth, used


def station_conductivity(context: Context, stations: xr.Dataset) -> xr.DataArray:
    """Conductivity at each station: its own, else from the needle runs at its depth."""
    if "conductivity" in stations and np.isfinite(stations["conductivity"].values).all():
        return stations["conductivity"]
    measured = context.results.get("properties/thermal_conductivity")
    if measured is None:
        raise Skipped("stations have no conductivity and no heating run gives one")
    usable = flags.usable(measured["thermal_conductivity_flag"].values, context.levels)
    usable &= np.isfinite(measured["thermal_conductivity"].values)
    depth = measured["depth"].values[usable]
    order = np.argsort(depth)
    if not order.size:
        raise ValueError(
            f"stations have no conductivity, and none of {usable.size} conductivities of heating "
            "runs is usable; their flags say why"
        )
    values = np.interp(
        stations["depth"].values, depth[order],
        measured["thermal_conductivity"].values[usable][order],
    )  # fmt: skip
    if "conductivity" in stations:
        own = stations["conductivity"].values
        values = np.where(np.isnan(own), values, own)
    return stations["depth"].copy(data=values).assign_attrs(units="W/(m K)")
