"""Values shared by the stages of the scan, supplied values, and the uncertainty of depth.

The shared values are geometry, grain density, usable stations and constants fitted to standards.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, thresholds, units, vocabulary
from corephys.ground.registry import Compiled
from corephys.ground.sensor import coefficients, keep_constants, scalar
from corephys.hole.placing import depth, layout
from corephys.products import porosity
from corephys.reduction.context import (
    Context,
    Skipped,
    seconds_since,
)
from corephys.sensors import gamma
from corephys.uncertainty import Measured

__all__ = [
    "coring_methods",
    "depth_uncertainty",
    "elapsed_on",
    "grain_density_for",
    "grain_density_of_hole",
    "of_gamma",
    "of_stations",
    "supplied",
]

# --------------------------------------------------------------------------------------------------
# Geometry, grain density and other values at the readings.


def grain_density_for(context: Context, table: xr.Dataset) -> xr.Dataset | str:
    """Grain density at the readings: from the samples, else the recipe's constant."""
    return context.once("grain density", lambda: _grain_density(context, table), table)


def _grain_density(context: Context, table: xr.Dataset) -> xr.Dataset | str:
    """Grain density at the readings, interpolated between the samples where there are enough."""
    samples = context.results.get("properties/index_properties")
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
    samples = context.results.get("properties/index_properties")
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
    return layout.method_of(series.leaf(context.hole, "cores"), table["core"].values)


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


# --------------------------------------------------------------------------------------------------
# Values of scan/reduced.csv, reduced elsewhere: kept and flagged as supplied.


HOMES = Compiled(lambda sensors: {sensor.quantity: sensor.path for sensor in sensors})


def supplied(context: Context) -> None:
    """Take the values of scan/reduced.csv, in rows or in columns."""
    table = context.table("scan/reduced")
    names: list[str] = []
    if "quantity" in table and "value" in table:
        names = list(dict.fromkeys(table["quantity"].values.astype(str)))
    columns = [name for name in map(str, table.data_vars) if name in vocabulary.TERMS]
    known = [name for name in names if name in vocabulary.TERMS]
    for name in names:
        if name not in known:
            context.notes.append(f"scan/reduced.csv: {name!r} is not a known quantity; left out")
    if not known and not columns:
        context.notes.append("scan/reduced.csv holds no known quantity")
    for name in dict.fromkeys([*known, *columns]):
        with context.part(f"supplied values: {name}"):
            dataset = _column(table, name) if name in columns else _by_row(table, name)
            path = HOMES.get(name, f"properties/{name}")
            if path in context.results:
                path = f"properties/supplied_{name}"
            context.results[path] = dataset


def _by_row(table: xr.Dataset, name: str) -> xr.Dataset:
    """The rows of one quantity, each converted from the unit in its row."""
    part = table.isel(reading=table["quantity"].values.astype(str) == name)
    wanted = vocabulary.TERMS[name].unit
    values = np.empty(part.sizes["reading"])
    u = np.full(values.shape, np.nan)
    given = part["unit"].values.astype(str)
    for unit in dict.fromkeys(given):
        rows = given == unit
        values[rows] = units.convert(part["value"].values[rows], unit, wanted)
        if "uncertainty" in part:
            # An uncertainty is a difference: the offset of a temperature scale drops out.
            per = units.convert(1.0, unit, wanted) - units.convert(0.0, unit, wanted)
            u[rows] = part["uncertainty"].values[rows] * per
    return _series(part, name, part["value"], values, u)


def _column(table: xr.Dataset, name: str) -> xr.Dataset:
    """One column named after a quantity."""
    wanted = vocabulary.TERMS[name].unit
    here = table[name]
    values = units.convert(here.values, here.attrs.get("units", "1"), wanted)
    return _series(table, name, here, np.asarray(values, dtype=float), np.nan)


def _series(
    part: xr.Dataset, name: str, here: xr.DataArray, values: np.ndarray, u: np.ndarray | float
) -> xr.Dataset:
    """Supplied values as a series with flags."""
    reason = flags.bit("supplied") | (part["reason"].values if "reason" in part else 0)
    measured = Measured(
        here.copy(deep=False, data=values),
        u,
        {},
        here.copy(deep=False, data=reason.astype(np.int64)),
    )
    return series.build({name: measured}, steps=("supplied already reduced",))


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
    return all(name in dataset.coords and dataset[name].dims == ("reading",) for name in wanted)


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
