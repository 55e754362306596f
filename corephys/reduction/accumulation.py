"""Stage of accumulation: sedimentation and mass accumulation rates between the ages of a hole."""

from __future__ import annotations

import json

import numpy as np
import xarray as xr

from corephys.ground import flags, series
from corephys.ground.provenance import used_constants
from corephys.products import accumulation
from corephys.reduction.context import Context, Skipped

__all__ = ["accumulation_rates"]


def accumulation_rates(context: Context) -> None:
    """Rates between neighbouring ages; masses with the dry density of the samples between."""
    table = context.table("ages")
    if "age" not in table:
        raise Skipped("no column age [kyr] in ages.csv")
    keys = context.recipe["accumulation"]
    age = table["age"]
    if int((np.isfinite(age.values) & np.isfinite(table["depth"].values)).sum()) < 2:
        raise Skipped("fewer than two usable ages in ages.csv")
    u_age = table.get("age_uncertainty")
    if u_age is None:
        context.notes.append("ages without age_uncertainty: their rates have no known uncertainty")
    elif (u_age.values < 0.0).any():
        context.notes.append(
            f"accumulation: {int((u_age.values < 0.0).sum())} values of age_uncertainty are below "
            "zero and count as not known"
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
            "rates that no sediment has, flagged out_of_usual_range; are the ages of ages.csv in "
            "the unit of their header, age [kyr]?",
            found.attrs["unlikely_rates"],
        ),
        ("intervals shorter than the ages resolve", found.attrs["unresolved"]),
    ):
        if places != "none":
            context.notes.append(f"accumulation: {word}: {places}")
    context.results["products/accumulation"] = found
    density = context.results.get("properties/index_properties")
    if density is None or not _any_usable(density, context.levels):
        context.notes.append(
            "accumulation: no usable dry density of samples, so no mass accumulation"
        )
        return
    with context.part("accumulation: mass accumulation"):
        mean = accumulation.interval_density(density, found, allow=context.levels)
        mass = accumulation.mass_accumulation_rate(mean, found)
        context.results["products/accumulation"] = _joined(found, mean, mass)


def _any_usable(density: xr.Dataset, levels: tuple[str, ...]) -> bool:
    """Whether the samples hold one dry density that the recipe allows."""
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
