"""Stages of the split core: velocities of samples, strength, consolidation."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, units
from corephys.reduction.context import Context, Skipped
from corephys.reduction.stress import stress_at
from corephys.samples import consolidation, sample_velocity, strength

__all__ = ["consolidation_tests", "sample_velocities", "shear_strength"]


def sample_velocities(context: Context) -> None:
    """Velocities of samples along their axes, their anisotropy, and moduli where S was sent."""
    table = context.table("samples/velocity")
    keys = context.recipe["sample_velocity"]
    if keys["delay"] is None:
        raise Skipped("[sample_velocity] delay is not known; zero is said as '0 us'")
    waves = table["wave"].values if "wave" in table else np.full(table.sizes["reading"], "P")
    with_s = bool((waves == "S").any())
    if with_s and keys["s_delay"] is None:
        context.notes.append("[sample_velocity] s_delay is not known: S-waves of samples left out")
        table = table.isel(reading=waves != "S")
    options = {name: keys[name] for name in keys if name != "within"}
    found = sample_velocity.reduce_table(table, **options)
    for name, dataset in found.items():
        context.results[f"properties/{_HOMES[name]}"] = dataset
    along = found.get("p_wave_velocity")
    if along is None:
        return
    with context.part("velocity of samples: anisotropy"):
        # Suspect readings pair as well: their flags go along into the result.
        pairs = sample_velocity.anisotropy(
            along, within=keys["within"], allow=(*context.levels, "suspect")
        )
        if pairs.sizes["reading"]:
            context.results["properties/sample_anisotropy"] = pairs


_HOMES = {"p_wave_velocity": "sample_velocity", "s_wave_velocity": "sample_s_wave_velocity"}


def shear_strength(context: Context) -> None:
    """Undrained strength of every test, sensitivity, and ratio to the effective stress."""
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
                "samples/strength.csv: all torques of the vane are zero, so that no strength of it "
                "is used; check the column torque [N m], or give the rotation and the spring"
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
            context.notes.append("strength: no effective stress, so no ratio to it")
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
    """Curves, indices, yield stress, rate, and what they say of the load that lies above."""
    table = context.table("samples/consolidation")
    keys = context.recipe["consolidation"]
    given = {
        "void_ratio_uncertainty": keys["void_ratio_uncertainty"],
        "initial_void_ratio_uncertainty": keys["initial_void_ratio_uncertainty"],
        **_initial_void_ratio(context, table),
    }
    points = consolidation.curve(table, **given)
    context.results["properties/consolidation_curve"] = points
    with context.part("consolidation: compression indices"):
        context.results["properties/compression_indices"] = consolidation.indices(points)
    if "height" in table and "time" in table:
        with context.part("consolidation: rate"):
            context.results["properties/consolidation_rate"] = consolidation.consolidation_rate(
                table, drainage=keys["drainage"], height_uncertainty=keys["height_uncertainty"],
                **given,
            )  # fmt: skip
    with context.part("consolidation: yield stress"):
        _yield_stress(context, points)


def _yield_stress(context: Context, points: xr.Dataset) -> None:
    """Yield stress of every test, and its relation to the load that lies above."""
    yields = consolidation.yield_stress(points)
    context.results["properties/yield_stress"] = yields
    load = stress_at(context, yields)
    if load is None:
        context.notes.append("consolidation: no effective stress, so no overconsolidation ratio")
        return
    stress = load["vertical_effective_stress"]
    above = stress.values <= 0.0
    if above.any():
        context.notes.append(
            f"consolidation: {int(above.sum())} tests bear no load, at the seafloor or above it: "
            "no ratio and no bound for them"
        )
        load["vertical_effective_stress"] = stress.copy(data=np.where(above, np.nan, stress))
    past = consolidation.overconsolidation_ratio(yields, load)
    context.results["products/overconsolidation"] = past
    context.results["products/overpressure_bound"] = consolidation.overpressure_bound(yields, load)
    context.results["properties/sample_quality"] = consolidation.sample_quality(points, load, past)


def _initial_void_ratio(context: Context, table: xr.Dataset) -> dict[str, Any]:
    """Void ratio that a test of heights begins with: that of the nearest sample."""
    if "void_ratio" in table and np.isfinite(table["void_ratio"].values).any():
        return {}
    samples = context.results.get("properties/index_properties")
    if samples is None:
        raise Skipped("the tests have heights alone, and no sample gives the initial void ratio")
    good = flags.usable(samples["void_ratio_flag"].values, context.levels)
    depth, known = samples["depth"].values[good], samples["void_ratio"].values[good]
    tests = table["test"].values.astype(str)
    reach = float(units.as_floats(context.recipe["consolidation"]["nearest_sample"], "m", "reach"))
    found = []
    for name in dict.fromkeys(tests):
        at = float(table["depth"].values[tests == name][0])
        apart = np.abs(depth - at)
        if not apart.size or not apart.min() <= reach:
            raise Skipped(f"no good sample within {reach:g} m of test {name} at {at:.2f} m")
        found.append(float(known[np.argmin(apart)]))
    names = np.array(list(dict.fromkeys(tests)), dtype=object)
    return {
        "initial_void_ratio": xr.DataArray(
            found, dims="test", coords={"test": names}, attrs={"units": "1"}
        )
    }
