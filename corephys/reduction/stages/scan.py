"""Values shared by the stages of the scan, and the uncertainty of depth.

The shared values are geometry, grain density, usable stations and constants fitted to standards.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, thresholds
from corephys.ground.registry import Compiled
from corephys.ground.sensor import coefficients, keep_constants, scalar
from corephys.hole.placing import depth, layout
from corephys.products import porosity
from corephys.reduction.context import (
    Context,
    Skipped,
    samples_with,
    seconds_since,
)
from corephys.sensors import gamma

__all__ = [
    "coring_methods",
    "depth_uncertainty",
    "elapsed_on",
    "grain_density_for",
    "grain_density_of_hole",
    "of_gamma",
    "of_stations",
]

# --------------------------------------------------------------------------------------------------
# Geometry, grain density and other values at the readings.


def grain_density_for(context: Context, table: xr.Dataset) -> xr.Dataset | str:
    """Grain density at the readings: from the samples, else the recipe's constant."""
    return context.once("grain density", lambda: _grain_density(context, table), table)


def _grain_density(context: Context, table: xr.Dataset) -> xr.Dataset | str:
    """Grain density at the readings, interpolated between the samples where there are enough."""
    samples, _ = samples_with(context, "grain_density")
    context.instead("properties/index_properties", "the recipe's grain density is used")
    if samples is not None and context.recipe["porosity"]["grain_density"] == "from_samples":
        good = flags.usable(samples["grain_density_flag"].values, context.levels)
        good = int(np.sum(good & np.isfinite(samples["grain_density"].values)))
        if good >= thresholds.count("grain_density_samples"):
            bounds: dict[str, Any] = {}
            if context.optional("layers") is not None:
                bounds = {
                    "sample_layer": context.layer_names(samples),
                    "layer": context.layer_names(table),
                }
            found = porosity.grain_density_at(samples, to=table, allow=context.levels, **bounds)
            if found.attrs["layers_without_samples"]:
                context.note(
                    f"layers without a usable sample: {found.attrs['layers_without_samples']}; "
                    "the grain density of the complete hole is used there"
                )
            return found
        # The median of too few samples would be worse than the usual grain density.
        context.note(f"only {good} usable samples; the recipe's grain density is used")
    value: str = context.recipe["gamma"]["grain_density"]
    return value


def grain_density_of_hole(context: Context) -> constants.Constant:
    """One grain density for the hole: the median of the samples, else the recipe's constant."""
    return context.once("grain density of the hole", lambda: _one_grain_density(context))


def _one_grain_density(context: Context) -> constants.Constant:
    """Grain density of the samples where there are enough; else that of the recipe."""
    context.instead("properties/index_properties", "the recipe's grain density is used")
    samples, _ = samples_with(context, "grain_density")
    found = None
    if samples is not None:
        found = porosity.grain_density_of_hole(samples, allow=context.levels)
    if found is not None:
        return found
    keys = context.recipe["gamma"]
    value = scalar(context.recipe, "gamma", "grain_density", "g/cm^3")
    u = scalar(context.recipe, "gamma", "grain_density_uncertainty", "g/cm^3")
    constant = getattr(keys["grain_density"], "constant", None)
    if constant is not None and u == constant.uncertainty:
        return constant  # both keys have their defaults: keep the source of the constant
    origin = getattr(keys["grain_density"], "origin", "recipe")
    return constants.Constant("grain_density", value, "g/cm^3", u, "", "", origin)


def coring_methods(context: Context, table: xr.Dataset) -> np.ndarray:
    """Coring method of every reading; an empty text where it is unknown."""
    if "core" not in table.coords:
        return np.full(table.sizes["reading"], "", dtype=object)
    return layout.method_of(context.leaf("cores"), table["core"].values)


def elapsed_on(table: xr.Dataset, reference: str | None) -> np.ndarray | None:
    """Seconds of every reading since a reference; the median replaces a missing time."""
    if "time" not in table or reference is None:
        return None
    elapsed = seconds_since(table["time"].values, reference)
    if elapsed is None:
        return None
    return np.where(np.isnan(elapsed), float(np.nanmedian(elapsed)), elapsed)


# --------------------------------------------------------------------------------------------------
# Constants fitted to standards, kept in the attributes of the results that use them.


_LINE = ("logarithm of the rate without matter", "slope in areal density", "curvature")


def of_gamma(dataset: xr.Dataset, fit: gamma.Calibration) -> None:
    """Keep the coefficients of ln I = c0 + c1 x + c2 x^2."""
    rows = coefficients(fit.coefficients, fit.covariance, _LINE, ("1", "cm^2/g", "cm^4/g^2"))
    keep_constants(dataset, rows, fit.areal_density.size, fit.reduced_chi_square)


# Result of each quantity of the scan.


HOMES = Compiled(lambda sensors: {sensor.quantity: sensor.path for sensor in sensors})


# --------------------------------------------------------------------------------------------------
# Uncertainty of depth at every reading, and at the stations of heat flow.


_PARTS = ("depth_u_random", "depth_u_core", "depth_u_systematic", "depth_u_total")
_STATED = ("tide", "heave", "drill_string", "drill_string_relative", "offset")


def depth_uncertainty(context: Context) -> None:
    """Uncertainty of depth beside every property that has a core, from [depth] of the recipe."""
    keys = context.recipe["depth"]
    cores = context.table("cores")
    stated = [name for name in _STATED if keys[name] is not None]
    if not stated and "top_uncertainty" not in cores:
        raise Skipped(
            "no uncertainty of depth is given; set [depth] tide, heave, drill_string or offset"
        )
    sections, removed = context.table("sections"), context.optional("removed")
    unknown: set[str] = set()
    for path, dataset in list(context.results.items()):
        if path.startswith("properties/") and _has_a_place(dataset):
            errors = depth.uncertainty(
                dataset, sections=sections, cores=cores, removed=removed, **_of(keys)
            )
            unknown |= set(filter(None, errors.attrs["not_stated"].split(", ")))
            kept = {name: errors[name].variable for name in _PARTS}
            if "depth_correction" in errors:
                kept["depth_correction"] = errors["depth_correction"].variable
            context.results[path] = dataset.assign(kept)
    if unknown:
        context.notes.append(
            f"[depth] {', '.join(sorted(unknown))} not given: uncertainties of depth that need it "
            'are unknown; write "0 m" for no error'
        )


def _of(keys: Mapping[str, Any]) -> dict[str, Any]:
    """Arguments of the uncertainty of depth from the recipe."""
    return {n: keys[n] for n in (*_STATED, "tide_is", "recovery_placement")}


def _has_a_place(dataset: xr.Dataset) -> bool:
    """Whether every reading has a core, section, offset and depth."""
    wanted = ("core", "section", "offset", "depth")
    if not all(name in dataset.coords and dataset[name].dims == ("reading",) for name in wanted):
        return False
    return bool((dataset["core"].values != "").all())  # supplied values may have a depth alone


def of_stations(context: Context, temperature: xr.Dataset) -> xr.Dataset | str | None:
    """Uncertainty of the stations' depths, for the functions of heat flow.

    Parameters
    ----------
    context : Context
        State of the reduction.
    temperature : Dataset, (reading)
        Formation temperatures with the coordinate depth [m].

    Returns
    -------
    Dataset, str or None
        The value of [heat_flow] depth_uncertainty, else from tide, heave and drill string of
        [depth], with one error for each lowering; None where neither is given.
    """
    stated = context.recipe["heat_flow"]["depth_uncertainty"]
    if "status" in temperature.attrs:
        return stated  # a log is one lowering: its readings share the errors of [depth]
    keys = context.recipe["depth"]
    string = keys["drill_string"] is not None or keys["drill_string_relative"] is not None
    if stated is not None or keys["tide"] is None or keys["heave"] is None or not string:
        return stated
    return depth.uncertainty(
        temperature,
        tide=keys["tide"],
        tide_is=keys["tide_is"],
        heave=keys["heave"],
        drill_string=keys["drill_string"],
        drill_string_relative=keys["drill_string_relative"],
    )
