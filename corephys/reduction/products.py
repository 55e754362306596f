"""Porosity of the scan."""

from __future__ import annotations

import xarray as xr

from corephys.products import porosity
from corephys.reduction.context import Context, pore_water_density
from corephys.reduction.scan_place import grain_density_for

__all__ = ["porosity_from_density"]


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
