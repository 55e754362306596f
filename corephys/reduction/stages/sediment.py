"""Stages of the sediment: porosity of the scan, its compaction, and accumulation between ages."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds, units
from corephys.ground.provenance import used_constants
from corephys.hole.placing import described
from corephys.products import accumulation, compaction, porosity
from corephys.reduction.context import Context, Skipped, pore_water_density, samples_with
from corephys.reduction.stages import supplied
from corephys.reduction.stages.scan import grain_density_for
from corephys.reduction.stages.stress import stress_at

if TYPE_CHECKING:
    import pint

__all__ = [
    "accumulation_rates",
    "compaction_by_layer",
    "compaction_by_lithology",
    "compaction_fit",
    "compaction_models",
    "porosity_from_density",
]

# --------------------------------------------------------------------------------------------------
# Porosity of the scan.


def porosity_from_density(context: Context) -> None:
    """Porosity of the scan from its density and the grain density of the samples."""
    if supplied.porosity_of_the_scan(context):
        return
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


# --------------------------------------------------------------------------------------------------
# Compaction: the chosen fit, its bootstrap, all models for comparison, the layers.


_GRID = 201  # points of a curve; smooth in a figure, small in a file


def compaction_fit(context: Context) -> None:
    """The compaction fit that the recipe chooses, its curve and its bootstrap."""
    keys = context.recipe["compaction"]
    source, path = _porosity(context)
    model = compaction.MODELS[keys["model"]]
    stress = stress_at(context, source)
    if model.abscissa != "depth" and stress is None:
        raise Skipped(f"no effective stress for the model {model.name!r}; it needs a density")
    forced = keys["surface_porosity"]
    if forced is not None and "surface_porosity" not in model.names:
        raise Skipped(
            f"[compaction] surface_porosity is given, but the model {model.name!r} has none; leave "
            "it out"
        )
    if forced is not None and not 0.0 <= forced <= 1.0:
        raise ValueError(f"[compaction] surface_porosity is {forced:g}; expected 0 to 1")
    fit = context.recalled(
        compaction.fit,
        source,
        stress=stress if model.abscissa != "depth" else None,
        model=model.name,
        robust=keys["robust"],
        fixed=None if forced is None else {"surface_porosity": forced},
        **_shared(context, source),
    )
    context.objects["compaction"] = fit
    context.results["products/compaction"] = fit.dataset.assign_attrs(porosity_from=path)
    depth, load = _grid(source, stress)
    context.results["products/compaction_curve"] = (
        fit.predict(depth) if model.abscissa == "depth" else fit.predict(depth, stress=load)
    )
    if keys["bootstrap"] and keys["robust"] == "none":
        with context.part("compaction: bootstrap"):
            context.results["products/compaction_bootstrap"] = context.recalled(
                compaction.bootstrap,
                fit,
                replicates=int(keys["bootstrap"]),
                block=keys["bootstrap_block"],
            )


def compaction_models(context: Context) -> None:
    """All models of compaction on the same porosities, with their curves."""
    if not context.recipe["compaction"]["compare"]:
        raise Skipped("[compaction] compare is off; set it to true")
    source, path = _porosity(context)
    stress = stress_at(context, source)
    found = context.recalled(
        compaction.compare_models, source, stress=stress, **_shared(context, source)
    )
    depth, load = _grid(source, stress)
    curves = [
        fit.predict(depth) if fit.model.abscissa == "depth" else fit.predict(depth, stress=load)
        for fit in found.fits.values()
    ]
    out = found.dataset.copy()
    words = {"units": "1", "long_name": "porosity of the fits"}
    out["porosity"] = (("model", "curve"), [c["porosity"].values for c in curves], words)
    out = out.assign_coords(depth=next(c["depth"] for c in curves))
    out.attrs["porosity_from"] = path
    context.results["products/compaction_models"] = out


def compaction_by_layer(context: Context) -> None:
    """The model of the recipe, fitted to each layer with enough samples."""
    keys = context.recipe["compaction"]
    if not keys["by_layer"]:
        raise Skipped("[compaction] by_layer is off; set it to true")
    layers = context.table("layers")
    source, _ = _porosity(context)
    model = compaction.MODELS[keys["model"]]
    stress = stress_at(context, source) if model.abscissa != "depth" else None
    context.results["products/compaction_by_layer"] = compaction.fit_by_layer(
        source,
        layers,
        stress=stress,
        model=model.name,
        robust=keys["robust"],
        **_shared(context, source),
    ).dataset


def compaction_by_lithology(context: Context) -> None:
    """The model of the recipe, fitted to each lithology with enough samples."""
    keys = context.recipe["compaction"]
    if not keys["by_lithology"]:
        raise Skipped("[compaction] by_lithology is off; set it to true")
    source, _ = _porosity(context)
    words = described.lithology(
        source, description=context.optional("description"), layers=context.optional("layers")
    )
    if words.attrs["source"] == "none":
        raise Skipped("no lithology in description.csv or layers.csv; add the column to one")
    model = compaction.MODELS[keys["model"]]
    stress = stress_at(context, source) if model.abscissa != "depth" else None
    fits = compaction.fit_by_layer(
        source,
        words,
        stress=stress,
        model=model.name,
        robust=keys["robust"],
        **_shared(context, source),
    )
    found = fits.dataset.rename({"layer": "lithology"})
    found["lithology"].attrs["long_name"] = "lithology"
    context.results["products/compaction_by_lithology"] = found.assign_attrs(
        lithology_from=words.attrs["source"], not_described=fits.without_layer
    )


def _porosity(context: Context) -> tuple[xr.Dataset, str]:
    """The porosity to fit, of samples or of the scan, and its path in the reduced hole."""
    keys = context.recipe["compaction"]
    path = "products/porosity"
    source = context.results.get(path)
    if keys["porosity"] == "samples":
        source, path = samples_with(context, "porosity")
    if source is None and keys["porosity"] == "samples":
        source, path = context.results.get("products/porosity"), "products/porosity"
        words = "no samples: the compaction fit uses the porosity of the scan"
        if source is not None and words not in context.notes:
            context.notes.append(words)
    if source is None:
        raise Skipped("no products/porosity; compaction needs that of samples or of the scan")
    usable = int(flags.usable(source["porosity_flag"].values, context.levels).sum())
    if usable < thresholds.count("compaction_samples"):
        least = thresholds.count("compaction_samples")
        raise Skipped(f"{usable} usable porosities; a compaction fit needs {least} or more")
    if _absolute(context, source):
        source = _with_uncertainty(context, source)
    return source, path


def _absolute(context: Context, source: xr.Dataset) -> bool:
    """Whether the fit takes the uncertainties unscaled; supplied porosities may have none."""
    wanted: bool = context.recipe["compaction"]["absolute_sigma"]
    usable = flags.usable(source["porosity_flag"].values, context.levels)
    known = source["porosity_u_random"].values > 0.0
    if not wanted or "supplied_from" not in source.attrs or (known & usable).any():
        return wanted
    context.note(
        f"{source.attrs['supplied_from']} gives no uncertainty of porosity: the compaction fit "
        "weights all porosities alike, and its uncertainties follow from the scatter"
    )
    return False


def _with_uncertainty(context: Context, source: xr.Dataset) -> xr.Dataset:
    """Porosities with a known uncertainty; the others are left out, with a note."""
    known = source["porosity_u_random"].values > 0.0
    advice = "set [compaction] absolute_sigma = false to scale uncertainties by the scatter"
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


def _shared(context: Context, source: xr.Dataset) -> dict[str, Any]:
    """Arguments that all fits of compaction share."""
    keys = context.recipe["compaction"]
    return {
        "absolute_sigma": _absolute(context, source),
        "excess_scatter": keys["excess_scatter"],
        "allow": context.levels,
    }


def _grid(
    source: xr.Dataset, stress: xr.Dataset | None
) -> tuple[pint.Quantity, pint.Quantity | None]:
    """Depths of a curve from the seafloor down, and the stress at each."""
    z = source["depth"].values
    depth = np.linspace(min(float(np.nanmin(z)), 0.0), float(np.nanmax(z)), _GRID)
    if stress is None:
        return units.quantity(depth, "m"), None
    load = stress["vertical_effective_stress"].values
    known = np.isfinite(z) & np.isfinite(load) & (z > 0.0)
    order = np.argsort(z[known])
    at, there = np.append(0.0, z[known][order]), np.append(0.0, load[known][order])
    # Models in log stress need a stress above zero; 0.01 kPa is the load of a millimetre of mud.
    between = np.maximum(np.interp(depth, at, there), 0.01)
    return units.quantity(depth, "m"), units.quantity(between, "kPa")


# --------------------------------------------------------------------------------------------------
# Accumulation: sedimentation and mass accumulation rates between ages.


def accumulation_rates(context: Context) -> None:
    """Rates between neighbouring ages; masses by the dry density of the samples between them."""
    table = context.table("ages")
    if "age" not in table:
        raise Skipped("no column age [kyr] in ages.csv")
    keys = context.recipe["accumulation"]
    age = table["age"]
    if int((np.isfinite(age.values) & np.isfinite(table["depth"].values)).sum()) < 2:
        raise Skipped("fewer than two usable ages in ages.csv; a rate needs two")
    u_age = table.get("age_uncertainty")
    if u_age is None:
        context.notes.append("ages without age_uncertainty: their rates have no known uncertainty")
    elif (u_age.values < 0.0).any():
        context.notes.append(
            f"accumulation: {int((u_age.values < 0.0).sum())} values of age_uncertainty are below "
            "zero and count as unknown"
        )
        u_age = u_age.where(u_age >= 0.0).assign_attrs(u_age.attrs)
    found = accumulation.sedimentation_rate(
        age,
        age_uncertainty=u_age,
        depth_uncertainty=keys["depth_uncertainty"],
        growth_factor=keys["growth_factor"],
        growth_factor_uncertainty=keys["growth_factor_uncertainty"],
        age_scale_uncertainty=keys["age_scale_uncertainty"],
        smoothing=keys["smoothing"],
    )
    for word, places in (
        ("reversed ages, kept and flagged", found.attrs["reversed_ages"]),
        (
            "unusual rates, flagged out_of_usual_range; check that the ages in ages.csv are in the "
            "unit of their header, age [kyr]",
            found.attrs["unlikely_rates"],
        ),
        ("intervals too short for the uncertainty of the ages", found.attrs["unresolved"]),
    ):
        if places != "none":
            context.notes.append(f"accumulation: {word}: {places}")
    context.results["products/accumulation"] = found
    density, _ = samples_with(context, "dry_density")
    if density is None or not _any_usable(density, context.levels):
        context.notes.append(
            "accumulation: without a usable dry density mass accumulation is not computed"
        )
        return
    with context.part("accumulation: mass accumulation"):
        mean = accumulation.interval_density(density, found, allow=context.levels)
        mass = accumulation.mass_accumulation_rate(mean, found)
        context.results["products/accumulation"] = _joined(found, mean, mass)


def _any_usable(density: xr.Dataset, levels: tuple[str, ...]) -> bool:
    """Whether the samples have a dry density that products may use."""
    if "dry_density" not in density:
        return False
    allowed = flags.usable(density["dry_density_flag"].values, levels)
    return bool((allowed & np.isfinite(density["dry_density"].values)).any())


def _joined(found: xr.Dataset, mean: xr.Dataset, mass: xr.Dataset) -> xr.Dataset:
    """Rates, densities and masses of the same intervals as one table."""
    parts = {"sedimentation_rate": found, "dry_density": mean, "mass_accumulation_rate": mass}
    steps = [step for part in parts.values() for step in json.loads(part.attrs["steps"])]
    words = {k: v for k, v in found.attrs.items() if k not in ("steps", "constants")}
    joined = series.build(
        {name: series.unpack(part, name) for name, part in parts.items()},
        steps=tuple(steps),
        constants=used_constants(found),
        **words,
    )
    joined["samples"] = mean["samples"].variable
    for part in (found, mass):
        for name in part.data_vars:
            if str(name).endswith(("_covariance", "_u_ages")):
                joined[name] = part[name].variable
    return joined
