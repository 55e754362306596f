"""Stages of samples and downhole stations.

Index properties, heating curves, formation temperature, velocity, strength and consolidation.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.downhole import temperature as formation
from corephys.downhole.temperature.gradient import line_or_usual_gradient
from corephys.ground import flags, provenance, series, thresholds
from corephys.ground.choices import plain_words
from corephys.ground.constants import CONSTANTS
from corephys.ground.sensor import of_kind, scalar, with_bits
from corephys.reduction.context import (
    Context,
    Skipped,
    pore_water_density,
    samples_with,
    usable_stations,
)
from corephys.reduction.copies import table_rows
from corephys.reduction.stages.stress import stress_at
from corephys.samples import consolidation, needle, strength, velocity
from corephys.samples import index_properties as index
from corephys.samples.needle.runs import KEYS as RUN_KEYS

__all__ = [
    "consolidation_tests",
    "formation_conductivity",
    "formation_temperature",
    "index_properties",
    "sample_velocities",
    "shear_strength",
    "thermal_conductivity",
]

# --------------------------------------------------------------------------------------------------
# Index properties, heating curves and formation temperature.


_K = "properties/thermal_conductivity"
FORMATION = "properties/formation_conductivity"


def index_properties(context: Context) -> None:
    """Phase relations of the discrete samples."""
    table = context.table("samples/index_properties")
    recipe, keys = context.recipe, context.recipe["index_properties"]
    volumes = {name: table[name] for name in ("dry_volume", "wet_volume") if name in table}
    if not volumes:
        raise Skipped(
            "samples/index_properties.csv has neither dry_volume nor wet_volume; add one of them"
        )
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
        context.notes.append(
            "pore_water.csv needs the columns depth [m] and salinity [g/kg]; the salinity of the "
            "hole is used instead"
        )
        return stated
    found = index.pore_water_at(
        table["wet_mass"]["depth"],
        waters["depth"],
        waters["salinity"],
        temperature=recipe["hole"]["laboratory_temperature"],
    )
    held = int((found["reason"].values != 0).sum())
    if held:
        context.notes.append(
            f"{held} samples lie above or below the depths of pore_water.csv; its first and last "
            "salinities are used there"
        )
    like = table["wet_mass"]
    names = ("salinity",) if keys["pore_water_density"] else ("salinity", "pore_water_density")
    by_depth = {
        name: like.copy(data=found[name].values).assign_attrs(units=found[name].attrs["units"])
        for name in names
    }
    return stated | by_depth


def _name_culprits(context: Context, table: xr.Dataset, volume: xr.DataArray) -> None:
    """Flag outlying samples and name their most likely cause; no value is corrected."""
    keys = context.recipe["index_properties"]
    found_causes = index.likely_culprit(
        table["wet_mass"],
        table["dry_mass"],
        volume,
        **_pore_water(context, table),
        salt_density=keys["salt_density"],
    )
    words = found_causes["likely_culprit"].values
    if (words == "").all():
        return
    context.results["properties/sample_culprits"] = found_causes
    found = context.results["properties/index_properties"]
    for name in [n for n in found.data_vars if f"{n}_reason" in found]:
        found = with_bits(found, str(name), found_causes["reason"].values)
    context.results["properties/index_properties"] = found
    number = table_rows(table, "reading")
    for row in np.flatnonzero(words != ""):
        depth = f" at {float(table['depth'].values[row]):.2f} m" if "depth" in table.coords else ""
        culprit = plain_words(words[row])
        context.notes.append(
            f"sample {number[row]}{depth} is an outlier; likely culprit: {culprit}"
        )


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
    """Conductivity of every heating run; repeats are combined if the recipe sets that."""
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
    _note_means(context, runs, "heating runs", "needle_most_samples")
    if keys["combine_repeats"]:
        context.results["properties/heating_runs"] = runs
        runs = needle.combine_repeats(runs, allow=context.levels)
    context.results["properties/thermal_conductivity"] = runs
    _name_odd_runs(context, table)


def _note_means(context: Context, dataset: xr.Dataset, what: str, limit: str) -> None:
    """Note records so long that means of neighbouring samples stand for their samples."""
    if "samples_in_mean" in dataset:
        many = dataset["samples_in_mean"].values > 1.0
        context.note(
            f"{int(many.sum())} of {many.size} {what} have more than {thresholds.count(limit):,} "
            "samples; means of neighbouring samples are used, see samples_in_mean"
        )


def _name_odd_runs(context: Context, table: xr.Dataset) -> None:
    """Note heating runs whose times repeat or whose temperatures do not change."""
    heated = table["time"].values > 0.0
    # Runs of one name at different places are different runs, as for the evaluation.
    places = [str(name) for name in RUN_KEYS[:5] if name in table]
    columns = {name: table[name].values for name in (*places, "time", "temperature")}
    rows = pd.DataFrame(columns)[heated]
    by_run = rows.groupby(places, sort=False, dropna=False)
    span = by_run["temperature"].max() - by_run["temperature"].min()
    flat = (span == 0.0) & (by_run["temperature"].count() > 1)
    timed = rows.dropna(subset="time")
    again = timed.duplicated([*places, "time"]).reindex(rows.index, fill_value=False)
    twice = again.groupby([rows[name] for name in places], sort=False, dropna=False).any()
    for which, words in (
        (
            flat,
            "the temperature does not change while the needle heats; check the column of the "
            "thermometer and the heating",
        ),
        (twice, "a time occurs twice; give each row its own time, and each run its own name"),
    ):
        found = which[which].index.to_frame(index=False).to_dict("records")
        if found:
            named = "; ".join(_run_in_words(place) for place in found[:5])
            named += f"; and {len(found) - 5} more" if len(found) > 5 else ""
            context.note(f"heating runs {named}: {words}")


def _run_in_words(place: Mapping[Any, Any]) -> str:
    """Name and place of a heating run, such as ``1 (core 2, section 3, offset 22.5 cm)``."""
    known = {name: value for name, value in place.items() if value != "" and not pd.isna(value)}
    parts = [f"{name} {known[name]}" for name in ("core", "section") if name in known]
    if "offset" in known:
        parts.append(f"offset {known['offset']:.4g} cm")
    elif "depth" in known:
        parts.append(f"depth {known['depth']:.4g} m")
    return f"{place['run']} ({', '.join(parts)})" if parts else str(place["run"])


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
    found = context.results["properties/formation_temperature"] = context.recalled(
        formation.equilibrium_temperature,
        table,
        stations,
        tools,
        conductivity=conductivity,
        conductivity_uncertainty=keys["conductivity_uncertainty"],
        heat_capacity_uncertainty=keys["heat_capacity_uncertainty"],
        thermometer_uncertainty=keys["thermometer_uncertainty"],
        chosen_windows=keys["windows"],
    )
    _note_means(context, found, "temperature records", "record_most_samples")


def formation_conductivity(context: Context) -> None:
    """Effects of direction, pressure and temperature on conductivity, and chosen corrections."""
    measured = context.result(_K)
    if "supplied_from" in measured.attrs and "direction" not in measured.coords:
        context.note(
            f"{measured.attrs['supplied_from']}: thermal conductivities are used as supplied; the "
            "effects of anisotropy and of in-situ conditions are not in their uncertainties"
        )
        return
    keys = context.recipe["needle"]
    options = {
        "anisotropy": keys["anisotropy"],
        "anisotropy_uncertainty": keys["anisotropy_uncertainty"],
        "in_situ": _in_situ(context, measured),
    }
    asked = {"anisotropy": keys["anisotropy_correction"], "in_situ": keys["in_situ_correction"]}
    chosen = tuple(name for name, wanted in asked.items() if wanted)
    if "in_situ" in chosen and keys["conditions"] == "in_situ":
        raise ValueError(
            "[needle] in_situ_correction is on, but conditions states that the conductivities "
            "already are in situ; change one of the two"
        )
    if options["in_situ"] is None:
        context.notes.append(
            "conductivity in situ not computed: it needs the depth of each run, [hole] water_depth "
            "and bottom_water_temperature or two formation temperatures"
        )
    context.results[_K] = needle.formation_conductivity(measured, **options)
    if chosen:
        context.results[FORMATION] = needle.formation_conductivity(
            measured, **options, corrections=chosen
        )


def _in_situ(context: Context, measured: xr.Dataset) -> xr.Dataset | None:
    """Conductivities at the pressure and temperature of the formation; None where unknown."""
    hole, keys = context.recipe["hole"], context.recipe["needle"]
    if keys["conditions"] == "in_situ":
        same = series.unpack(measured, "thermal_conductivity")
        return series.build({"thermal_conductivity": same, "thermal_conductivity_in_situ": same})
    if hole["water_depth"] is None or "depth" not in measured.coords:
        return None
    depth = np.asarray(measured["depth"].values, dtype=float)
    found = _temperature_below(context, depth)
    if found is None:
        return None
    warm, unsure = (measured["thermal_conductivity"].copy(data=part) for part in found[:2])
    own = scalar(context.recipe, "needle", "in_situ_temperature_uncertainty", "K")
    unsure = (unsure**2 + own**2) ** 0.5
    below = needle.in_situ(
        measured,
        hole["water_depth"],
        None,
        warm.assign_attrs(units="degC"),
        hole["laboratory_temperature"],
        CONSTANTS["sediment_density"],
        temperature_uncertainty=unsure.assign_attrs(units="K"),
        laboratory_temperature_uncertainty=keys["laboratory_temperature_uncertainty"],
        form_uncertainty=keys["in_situ_form_uncertainty"],
    )
    return provenance.with_constants(below, **found[2])


def _temperature_below(
    context: Context, depth: np.ndarray
) -> tuple[np.ndarray, np.ndarray, dict[str, Any]] | None:
    """Temperatures [degC], their uncertainty by an assumed gradient [K], and constants used."""
    water = context.recipe["hole"]["bottom_water_temperature"]
    z, t = usable_stations(context)
    if water is not None:
        bottom = scalar(context.recipe, "hole", "bottom_water_temperature", "degC")
        z, t = np.append(0.0, z), np.append(bottom, t)
    one_depth = np.unique(z).size < 2
    if one_depth and water is None:
        return None
    usual = CONSTANTS["seafloor_gradient"]
    warm, unsure = line_or_usual_gradient(depth, z, t, usual.value, usual.uncertainty)
    return warm, unsure, {"seafloor_gradient": usual} if one_depth else {}


def station_conductivity(context: Context, stations: xr.Dataset) -> xr.DataArray:
    """Conductivity at each station: as given, else interpolated between the heating runs."""
    if "conductivity" in stations and np.isfinite(stations["conductivity"].values).all():
        return stations["conductivity"]
    measured = context.results.get("properties/thermal_conductivity")
    if measured is None:
        raise Skipped(
            "no conductivity at the stations; give the column conductivity in stations.csv, or "
            "heating runs in samples/needle.csv"
        )
    usable = flags.usable(measured["thermal_conductivity_flag"].values, context.levels)
    usable &= np.isfinite(measured["thermal_conductivity"].values)
    depth = measured["depth"].values[usable]
    order = np.argsort(depth)
    if not order.size:
        raise ValueError(
            f"no conductivity at the stations: none of {usable.size} heating runs has a usable "
            "conductivity (see their flags). Give the column conductivity in stations.csv"
        )
    values = np.interp(
        stations["depth"].values,
        depth[order],
        measured["thermal_conductivity"].values[usable][order],
    )
    if "conductivity" in stations:
        own = stations["conductivity"].values
        values = np.where(np.isnan(own), values, own)
    return stations["depth"].copy(data=values).assign_attrs(units="W/(m K)")


# --------------------------------------------------------------------------------------------------
# Velocities of samples, strength and consolidation.


def sample_velocities(context: Context) -> None:
    """P- and S-wave velocities of samples along their axes, and their anisotropy."""
    table = context.table("samples/velocity")
    keys = context.recipe["sample_velocity"]
    if keys["delay"] is None:
        raise Skipped("[sample_velocity] delay is not given; for no delay, write '0 us'")
    waves = table["wave"].values if "wave" in table else np.full(table.sizes["reading"], "P")
    with_s = bool((waves == "S").any())
    if with_s and keys["s_delay"] is None:
        context.notes.append("[sample_velocity] s_delay is not given: S-waves of samples left out")
        table = table.isel(reading=waves != "S")
    options = {name: keys[name] for name in keys if name != "within"}
    found = velocity.reduce_table(table, **options)
    for name, dataset in found.items():
        context.results[f"properties/{_HOMES[name]}"] = dataset
    along = found.get("p_wave_velocity")
    if along is None:
        return
    with context.part("velocity of samples: anisotropy"):
        # Suspect readings are paired as well: the result inherits their flags.
        pairs = velocity.anisotropy(
            along, within=keys["within"], allow=(*context.levels, "suspect")
        )
        if pairs.sizes["reading"]:
            context.results["properties/sample_anisotropy"] = pairs


_HOMES = {"p_wave_velocity": "sample_velocity", "s_wave_velocity": "sample_s_wave_velocity"}


def shear_strength(context: Context) -> None:
    """Undrained strength of every test, sensitivity, and ratio to effective stress."""
    table = context.table("samples/strength")
    keys = context.recipe["strength"]
    options = {
        method: {name: keys[key] for name, key in names.items() if keys[key] is not None}
        for method, names in _STRENGTH.items()
    }
    found = strength.undrained_shear_strength(table, **options)
    context.results["properties/strength"] = found
    vane = table["method"].values == "vane"
    if "torque" in table and vane.any():
        torque = table["torque"].values[vane]
        if np.isfinite(torque).any() and not torque[np.isfinite(torque)].any():
            context.note(
                "samples/strength.csv: all vane torques are zero, so no vane strength is used; "
                "check the column torque [N m], or give the rotation and the spring"
            )
    if "core" in found.coords:
        with context.part("strength: sensitivity"):
            pairs = strength.sensitivity(
                found, within=keys["within"], allow=(*context.levels, "suspect")
            )
            if pairs.sizes["reading"]:
                context.results["properties/sensitivity"] = pairs
    with context.part("strength: ratio to the effective stress"):
        peak = found.isel(reading=found["state"].values == "peak")
        below = stress_at(context, peak) if peak.sizes["reading"] else None
        if below is None:
            context.notes.append("strength: without effective stress its ratio is not computed")
            return
        context.results["products/strength_ratio"] = strength.strength_ratio(peak, below)


# Method -> argument of its function -> key of the recipe.
_STRENGTH = {
    "vane": {
        "torque_uncertainty": "vane_torque_uncertainty",
        "torque_scale_uncertainty": "vane_torque_scale_uncertainty",
        "diameter_uncertainty": "vane_diameter_uncertainty",
        "height_uncertainty": "vane_height_uncertainty",
    },
    "fall_cone": {
        "factor": "cone_factor",
        "factor_uncertainty": "cone_factor_uncertainty",
        "penetration_uncertainty": "cone_penetration_uncertainty",
    },
    "penetrometer": {
        "load_uncertainty": "penetrometer_load_uncertainty",
        "scale_uncertainty": "penetrometer_scale_uncertainty",
    },
    "unconfined": {
        "load_uncertainty": "unconfined_load_uncertainty",
        "load_scale_uncertainty": "unconfined_load_scale_uncertainty",
        "diameter_uncertainty": "unconfined_diameter_uncertainty",
    },
}


def consolidation_tests(context: Context) -> None:
    """Curves, indices, yield stress, rate, and the overconsolidation by the present load."""
    table = context.table("samples/consolidation")
    keys = context.recipe["consolidation"]
    given = {
        "void_ratio_uncertainty": keys["void_ratio_uncertainty"],
        "initial_void_ratio_uncertainty": keys["initial_void_ratio_uncertainty"],
        **_initial_void_ratio(context, table),
    }
    points = context.recalled(consolidation.curve, table, **given)
    context.results["properties/consolidation_curve"] = points
    with context.part("consolidation: compression indices"):
        context.results["properties/compression_indices"] = context.recalled(
            consolidation.indices, points
        )
    if "height" in table and "time" in table:
        with context.part("consolidation: rate"):
            context.results["properties/consolidation_rate"] = context.recalled(
                consolidation.consolidation_rate,
                table,
                drainage=keys["drainage"],
                height_uncertainty=keys["height_uncertainty"],
                **given,
            )
    with context.part("consolidation: yield stress"):
        _yield_stress(context, points)


def _yield_stress(context: Context, points: xr.Dataset) -> None:
    """Yield stress of every test, and its ratio to the present effective stress."""
    yields = context.recalled(consolidation.yield_stress, points)
    context.results["properties/yield_stress"] = yields
    load = stress_at(context, yields)
    if load is None:
        context.notes.append(
            "consolidation: without effective stress the overconsolidation ratio is not computed"
        )
        return
    stress = load["vertical_effective_stress"]
    above = stress.values <= 0.0
    if above.any():
        context.notes.append(
            f"consolidation: {int(above.sum())} tests lie at the seafloor or above it, where there "
            "is no load; their ratio and bound are not computed"
        )
        load["vertical_effective_stress"] = stress.copy(data=np.where(above, np.nan, stress))
    past = consolidation.overconsolidation_ratio(yields, load)
    context.results["products/overconsolidation"] = past
    context.results["products/overpressure_bound"] = consolidation.overpressure_bound(yields, load)
    context.results["properties/sample_quality"] = consolidation.sample_quality(points, load, past)


def _initial_void_ratio(context: Context, table: xr.Dataset) -> dict[str, Any]:
    """First void ratio of tests that give heights alone: that of the nearest sample."""
    if "void_ratio" in table and np.isfinite(table["void_ratio"].values).any():
        return {}
    samples, _ = samples_with(context, "void_ratio")
    if samples is None:
        raise Skipped(
            "consolidation tests with heights alone need the initial void ratio of a sample; give "
            "the column void_ratio, or samples/index_properties.csv"
        )
    good = flags.usable(samples["void_ratio_flag"].values, context.levels)
    depth, known = samples["depth"].values[good], samples["void_ratio"].values[good]
    tests = table["test"].values.astype(str)
    reach = scalar(context.recipe, "consolidation", "nearest_sample", "m")
    found = []
    for name in dict.fromkeys(tests):
        at = float(table["depth"].values[tests == name][0])
        apart = np.abs(depth - at)
        if not apart.size or not apart.min() <= reach:
            raise Skipped(
                f"no usable sample within {reach:g} m of test {name} at {at:.2f} m; give its "
                "initial void ratio by the column void_ratio"
            )
        found.append(float(known[np.argmin(apart)]))
    names = np.array(list(dict.fromkeys(tests)), dtype=object)
    return {
        "initial_void_ratio": xr.DataArray(
            found, dims="test", coords={"test": names}, attrs={"units": "1"}
        )
    }
