"""Stages of stress: effective stress at samples, profile, fluid column and overpressure bound."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, units
from corephys.ground.sensor import scalar
from corephys.products import stress
from corephys.products.stress.fluids import pressure_halfway
from corephys.reduction.context import (
    SAMPLES,
    Context,
    Skipped,
    pore_water_density,
    samples_with,
    sea_water_density,
)
from corephys.reduction.stages.scan import grain_density_of_hole

__all__ = ["effective_stress", "stress_at", "stress_profile"]


def effective_stress(context: Context) -> None:
    """Vertical effective stress at every sample of the hole, with hydrostatic pressure."""
    keys = context.recipe["stress"]
    path = "properties/density"
    density = context.results.get(path)
    if keys["density"] == "samples":
        scan = density
        density, path = samples_with(context, "bulk_density")
    elif density is None:
        density = _supplied_samples(context)
        path = SAMPLES
    if density is None and keys["density"] == "samples":
        density, path = scan, "properties/density"
        if density is not None:
            context.note("no samples: the stress is computed from the density of the scan")
    if density is None:
        raise Skipped("no bulk_density; stress needs that of samples or of the scan")
    usable = flags.usable(density["bulk_density_flag"].values, context.levels)
    if int((usable & np.isfinite(density["bulk_density"].values)).sum()) < 2:
        raise Skipped(f"fewer than two usable densities in {path}; stress needs two")
    found = stress.vertical_effective_stress(
        density, at=density, allow=context.levels, **_fluid(context)
    )
    found.attrs["density_from"] = path
    context.results["products/effective_stress"] = found


def _supplied_samples(context: Context) -> xr.Dataset | None:
    """Supplied density of samples, for a hole without a density of the scan."""
    samples = context.results.get(SAMPLES)
    if samples is None or "supplied_from" not in samples.attrs or "bulk_density" not in samples:
        return None
    context.note("no density of the scan: the stress is computed from that of supplied samples")
    return samples


def stress_at(context: Context, where: xr.Dataset) -> xr.Dataset | None:
    """Vertical effective stress at the depths of other samples, or None without a density."""
    made = context.results.get("products/effective_stress")
    if made is None:
        return None
    return stress.vertical_effective_stress(
        context.results[made.attrs["density_from"]],
        at=where,
        allow=context.levels,
        **_fluid(context),
    )


def _fluid(context: Context) -> dict[str, Any]:
    """Arguments for the pore water: as given, else from salinity and bottom-water temperature."""
    keys, hole = context.recipe["stress"], context.recipe["hole"]
    fluid = keys["pore_water_density"]
    if fluid is None:
        warm = hole["bottom_water_temperature"] or hole["laboratory_temperature"]
        fluid = sea_water_density(context.recipe, "pore_water_density", warm)
    return {
        "pore_water_density": fluid,
        "pore_water_density_uncertainty": keys["pore_water_density_uncertainty"],
        "largest_gap": keys["largest_gap"],
    }


def stress_profile(context: Context) -> None:
    """Overburden, hydrostatic pressure and effective stress down the hole, gaps filled."""
    made = context.result("products/effective_stress")
    density = context.results[made.attrs["density_from"]]
    profile = stress.profile(density, **_of_profile(context, density))
    context.results["products/stress_profile"] = profile
    with context.part("stress profile: column of drilling fluid"):
        _fluid_column(context, profile)
    with context.part("stress profile: bound of the overpressure by porosity"):
        _bound(context, density)


def _of_profile(context: Context, density: xr.Dataset) -> dict[str, Any]:
    """Arguments of a profile at any depths of this hole."""
    keys, hole = context.recipe["stress"], context.recipe["hole"]
    found = {
        **_fluid(context),
        "allow": context.levels,
        "fill": _fill(context, density),
        "depth_uncertainty": keys["depth_uncertainty"],
    }
    if hole["water_depth"] is None:
        context.note("[hole] water_depth is not given: pressures from sea level not computed")
        return found
    return {**found, **_sea(context)}


def _sea(context: Context) -> dict[str, Any]:
    """Arguments for the water column: as given, else from salinity and bottom water."""
    keys, hole = context.recipe["stress"], context.recipe["hole"]
    given = keys["sea_water_density"]
    if given is None:
        warm = hole["bottom_water_temperature"] or "3 degC"
        deep = scalar(context.recipe, "hole", "water_depth", "m")
        middle = units.quantity(pressure_halfway(deep), "dbar")
        given = sea_water_density(
            context.recipe, "sea_water_density", warm, middle, ", halfway down"
        )
    return {
        "water_depth": hole["water_depth"],
        "water_depth_uncertainty": keys["water_depth_uncertainty"],
        "sea_water_density": given,
        "sea_water_density_uncertainty": keys["sea_water_density_uncertainty"],
    }


def _fill(context: Context, density: xr.Dataset) -> xr.Dataset | str:
    """Density that fills gaps: by the compaction fit, or straight lines where there is none."""
    word = context.recipe["stress"]["fill"]
    if word != "compaction":
        return word
    fit = context.objects.get("compaction")
    if fit is None:
        context.note("[stress] fill: no compaction fit; gaps are filled with straight lines")
        return "linear"
    if fit.model.abscissa != "depth":
        context.note(
            "[stress] fill: the compaction fit is not a function of depth; gaps are filled with "
            "straight lines"
        )
        return "linear"
    if fit.verdict:
        context.note(f"[stress] fill: warning, the compaction fit: {'; '.join(fit.verdict)}")
    bottom = float(np.nanmax(density["depth"].values))
    grid = units.quantity(np.linspace(0.0, 1.2 * bottom, 241), "m")
    curve, recipe = stress.porosity_of_fit(fit, grid), context.recipe
    return stress.density_of_porosity(
        curve,
        grain_density=grain_density_of_hole(context),
        pore_water_density=pore_water_density(recipe, "porosity"),
        pore_water_density_uncertainty=recipe["porosity"]["pore_water_density_uncertainty"],
    )


def _fluid_column(context: Context, profile: xr.Dataset) -> None:
    """Pressure of a column of drilling fluid beside the formation's, if its density is given."""
    keys = context.recipe["stress"]
    if keys["drilling_fluid_density"] is None:
        return
    if "overburden_stress" not in profile:
        context.notes.append("[stress] fluid column not computed: give [hole] water_depth")
        return
    column = stress.fluid_column_pressure(
        profile,
        drilling_fluid_density=keys["drilling_fluid_density"],
        drilling_fluid_density_uncertainty=keys["drilling_fluid_density_uncertainty"],
        column_from=keys["fluid_column_from"],
        **_sea(context),
    )
    context.results["products/fluid_column"] = column
    context.results["products/fluid_column_margins"] = stress.pressure_margins(column, profile)


def _bound(context: Context, density: xr.Dataset) -> None:
    """Lower bound of the overpressure by porosity, if the recipe gives a reference curve."""
    keys = context.recipe["stress"]
    given = [keys[f"reference_{name}"] for name in ("void_ratio", "compression_index")]
    if None in given:
        if given != [None, None]:
            context.notes.append(
                "[stress] the bound of the overpressure needs both reference_void_ratio and "
                "reference_compression_index; give both"
            )
        return
    porosity, _ = samples_with(context, "void_ratio")
    if porosity is None:
        context.notes.append("no samples: bound of the overpressure by porosity not computed")
        return
    reference = stress.reference_of_indices(
        void_ratio=keys["reference_void_ratio"],
        compression_index=keys["reference_compression_index"],
        at_stress=keys["reference_stress"],
        void_ratio_uncertainty=keys["reference_void_ratio_uncertainty"],
        compression_index_uncertainty=keys["reference_compression_index_uncertainty"],
        scatter=keys["reference_scatter"],
        words="[stress] of the recipe",
    )
    profile = stress.profile(density, at=porosity, **_of_profile(context, density))
    context.results["products/overpressure_bound_of_porosity"] = stress.overpressure_bound(
        porosity, profile, reference=reference, allow=context.levels
    )
