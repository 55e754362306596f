"""Stages that make products of properties: porosity, seismic, compaction."""

from __future__ import annotations

import numpy as np
import xarray as xr

from corephys import flags, units
from corephys.products import compaction, porosity
from corephys.reduction.context import Context, Skipped, pore_water_density
from corephys.reduction.scan_place import grain_density_for

__all__ = ["compaction_fit", "porosity_from_density"]


def porosity_from_density(context: Context) -> None:
    """Porosity of the scan from its density and the grain density of the samples."""
    density = context.result("properties/density")
    recipe, keys = context.recipe, context.recipe["porosity"]
    grain = grain_density_for(context, density)
    known = isinstance(grain, xr.Dataset)
    context.results["products/porosity"] = porosity.from_density(
        density,
        grain_density=grain,
        grain_density_uncertainty=None if known else recipe["gamma"]["grain_density_uncertainty"],
        pore_water_density=pore_water_density(context.recipe, "porosity"),
        pore_water_density_uncertainty=keys["pore_water_density_uncertainty"],
    )


def compaction_fit(context: Context) -> None:
    """Exponential fit of porosity against depth."""
    keys = context.recipe["compaction"]
    path = "properties/index_properties" if keys["porosity"] == "samples" else "products/porosity"
    source = context.results.get(path)
    if source is None and keys["porosity"] == "samples":
        source, path = context.results.get("products/porosity"), "products/porosity"
        if source is not None:
            context.notes.append("no samples: the compaction fit uses the porosity of the scan")
    if source is None:
        raise Skipped("no porosity, neither of samples nor of the scan")
    usable = int(flags.usable(source["porosity_flag"].values, context.levels).sum())
    if usable < 5:
        raise Skipped(f"{usable} usable porosities are too few for a fit; it needs five")
    known = source["porosity_u_random"].values > 0.0
    if keys["absolute_sigma"] and not known.any():
        raise Skipped(
            "no porosity has a known uncertainty; say [compaction] absolute_sigma = false to let "
            "the scatter set the scale"
        )
    fit = compaction.fit(
        source,
        absolute_sigma=keys["absolute_sigma"],
        excess_scatter=keys["excess_scatter"],
        allow=context.levels,
    )
    context.objects["compaction"] = fit
    result = fit.dataset
    result.attrs["porosity_from"] = path
    context.results["products/compaction"] = result
    top, bottom = float(np.nanmin(source["depth"])), float(np.nanmax(source["depth"]))
    grid = units.quantity(np.linspace(min(top, 0.0), bottom, 201), "m")
    context.results["products/compaction_curve"] = fit.predict(grid)
