"""Stages of compaction: the fit that is chosen, its bootstrap, the models beside it, the layers."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, thresholds, units
from corephys.products import compaction
from corephys.reduction.context import Context, Skipped
from corephys.reduction.stress import stress_at

__all__ = ["compaction_by_layer", "compaction_fit", "compaction_models"]

_GRID = 201  # points of a curve


def compaction_fit(context: Context) -> None:
    """The fit of porosity that the recipe chooses, its curve and its bootstrap."""
    keys = context.recipe["compaction"]
    source, path = _porosity(context)
    model = compaction.MODELS[keys["model"]]
    stress = stress_at(context, source)
    if model.abscissa != "depth" and stress is None:
        raise Skipped(f"no effective stress for the model {model.name!r}; it needs a density")
    forced = keys["surface_porosity"]
    if forced is not None and "surface_porosity" not in model.names:
        raise Skipped(f"the model {model.name!r} has no surface porosity to be forced")
    if forced is not None and not 0.0 <= forced <= 1.0:
        raise ValueError(
            f"[compaction] surface_porosity is {forced:g}; it has to lie between 0 and 1"
        )
    fit = compaction.fit(
        source,
        stress=stress if model.abscissa != "depth" else None,
        model=model.name,
        robust=keys["robust"],
        fixed=None if forced is None else {"surface_porosity": forced},
        **_shared(context),
    )
    context.objects["compaction"] = fit
    result = fit.dataset
    result.attrs["porosity_from"] = path
    context.results["products/compaction"] = result
    depth, load = _grid(source, stress)
    context.results["products/compaction_curve"] = (
        fit.predict(depth) if model.abscissa == "depth" else fit.predict(depth, stress=load)
    )
    if keys["bootstrap"] and keys["robust"] == "none":
        with context.part("compaction: bootstrap"):
            context.results["products/compaction_bootstrap"] = compaction.bootstrap(
                fit, replicates=int(keys["bootstrap"]), block=keys["bootstrap_block"]
            )


def compaction_models(context: Context) -> None:
    """All models of compaction on the same porosities, with their curves."""
    if not context.recipe["compaction"]["compare"]:
        raise Skipped("[compaction] compare is off")
    source, path = _porosity(context)
    stress = stress_at(context, source)
    found = compaction.compare(source, stress=stress, **_shared(context))
    depth, load = _grid(source, stress)
    curves = [
        fit.predict(depth) if fit.model.abscissa == "depth" else fit.predict(depth, stress=load)
        for fit in found.fits.values()
    ]
    out = found.dataset
    words = {"units": "1", "long_name": "porosity of the fits"}
    out["porosity"] = (("model", "curve"), [c["porosity"].values for c in curves], words)
    out = out.assign_coords(depth=next(c["depth"] for c in curves))
    out.attrs["porosity_from"] = path
    context.results["products/compaction_models"] = out


def compaction_by_layer(context: Context) -> None:
    """The model of the recipe for each layer that has samples enough."""
    keys = context.recipe["compaction"]
    if not keys["by_layer"]:
        raise Skipped("[compaction] by_layer is off")
    layers = context.table("layers")
    source, _ = _porosity(context)
    model = compaction.MODELS[keys["model"]]
    stress = stress_at(context, source) if model.abscissa != "depth" else None
    context.results["products/compaction_by_layer"] = compaction.fit_by_layer(
        source, layers, stress=stress, model=model.name, robust=keys["robust"],
        **_shared(context),
    ).dataset  # fmt: skip


def _porosity(context: Context) -> tuple[xr.Dataset, str]:
    """The porosity that is fitted, of samples or of the scan, and where it stands."""
    keys = context.recipe["compaction"]
    path = "properties/index_properties" if keys["porosity"] == "samples" else "products/porosity"
    source = context.results.get(path)
    if source is None and keys["porosity"] == "samples":
        source, path = context.results.get("products/porosity"), "products/porosity"
        words = "no samples: the compaction fit uses the porosity of the scan"
        if source is not None and words not in context.notes:
            context.notes.append(words)
    if source is None:
        raise Skipped("no porosity, neither of samples nor of the scan")
    usable = int(flags.usable(source["porosity_flag"].values, context.levels).sum())
    if usable < thresholds.count("compaction_samples"):
        raise Skipped(f"{usable} usable porosities are too few for a fit; it needs five")
    if keys["absolute_sigma"]:
        source = _with_uncertainty(context, source)
    return source, path


def _with_uncertainty(context: Context, source: xr.Dataset) -> xr.Dataset:
    """Porosities that have a weight; those without a known uncertainty are left out and said."""
    known = source["porosity_u_random"].values > 0.0
    advice = "say [compaction] absolute_sigma = false to let the scatter set the scale"
    usable = flags.usable(source["porosity_flag"].values, context.levels)
    if not (known & usable).any():
        raise Skipped(f"no porosity has a known uncertainty; {advice}")
    unknown = int((~known & usable).sum())
    if not unknown:
        return source
    words = (
        f"{unknown} porosities without a known uncertainty have no weight in the compaction fit; "
        f"{advice}"
    )
    if words not in context.notes:
        context.notes.append(words)
    return source.isel(reading=np.flatnonzero(known | ~usable))


def _shared(context: Context) -> dict[str, Any]:
    keys = context.recipe["compaction"]
    return {
        "absolute_sigma": keys["absolute_sigma"],
        "excess_scatter": keys["excess_scatter"],
        "allow": context.levels,
    }


def _grid(source: xr.Dataset, stress: xr.Dataset | None) -> tuple[Any, Any]:
    """Depths of a curve from the seafloor down, and the stress at each."""
    z = source["depth"].values
    depth = np.linspace(min(float(np.nanmin(z)), 0.0), float(np.nanmax(z)), _GRID)
    if stress is None:
        return units.quantity(depth, "m"), None
    load = stress["vertical_effective_stress"].values
    known = np.isfinite(z) & np.isfinite(load) & (z > 0.0)
    order = np.argsort(z[known])
    at, there = np.append(0.0, z[known][order]), np.append(0.0, load[known][order])
    # Below a hundredth of a kilopascal a logarithm of stress says nothing.
    between = np.maximum(np.interp(depth, at, there), 0.01)
    return units.quantity(depth, "m"), units.quantity(between, "kPa")
