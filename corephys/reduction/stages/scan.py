"""What the stages of the scan share: geometry, grain density, fitted constants, supplied values,
uncertainty of depth."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds, units, vocabulary
from corephys.ground.registry import Compiled
from corephys.ground.sensor import (
    coefficients,
    keep_constants,
    of_kind,
    series_like,
    with_bits,
    with_reason,
)
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
    "of_gamma",
    "of_kind",
    "of_stations",
    "series_like",
    "supplied",
    "with_bits",
    "with_reason",
]

# --------------------------------------------------------------------------------------------------
# What the stages of the scan share: geometry, grain density and values on readings.


def grain_density_for(context: Context, table: xr.Dataset) -> xr.Dataset | str:
    """Grain density at the readings: from the samples, else the recipe's constant."""
    samples = context.results.get("properties/index_properties")
    context.instead("properties/index_properties", "the recipe's grain density is used")
    if samples is not None and context.recipe["porosity"]["grain_density"] == "from samples":
        allowed = flags.usable(samples["grain_density_flag"].values, context.levels)
        good = int((allowed & np.isfinite(samples["grain_density"].values)).sum())
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
                    "no usable sample in the layers "
                    f"{found.attrs['layers_without_samples']}: the grain density of the hole is "
                    "used there"
                )
            return found
        context.note(f"{good} usable samples: the recipe's grain density is used")
    value: str = context.recipe["gamma"]["grain_density"]
    return value


def coring_methods(context: Context, table: xr.Dataset) -> np.ndarray:
    """Coring method of every reading, an empty text where it is not known."""
    if "core" not in table.coords:
        return np.full(table.sizes["reading"], "", dtype=object)
    return layout.method_of(series.leaf(context.hole, "cores"), table["core"].values)


def elapsed_on(table: xr.Dataset, reference: Any) -> np.ndarray | None:
    """Seconds since a reference of every reading; a missing time is taken from the middle."""
    if "time" not in table or reference is None:
        return None
    elapsed = seconds_since(table["time"].values, reference)
    if elapsed is None:
        return None
    return np.where(np.isnan(elapsed), float(np.nanmedian(elapsed)), elapsed)


# --------------------------------------------------------------------------------------------------
# The constants that were fitted to standards, kept with what was reduced by them.


_LINE = ("logarithm of the rate without matter", "slope in areal density", "curvature")


def of_gamma(dataset: xr.Dataset, fit: gamma.Calibration) -> None:
    """Keep the coefficients of ln I = c0 + c1 x + c2 x^2."""
    rows = coefficients(fit.coefficients, fit.covariance, _LINE, ("1", "cm^2/g", "cm^4/g^2"))
    keep_constants(dataset, rows, fit.areal_density.size, fit.reduced_chi_square)


# --------------------------------------------------------------------------------------------------
# Values of the scan that came already reduced: kept and marked supplied.


HOMES = Compiled(lambda sensors: {sensor.quantity: sensor.path for sensor in sensors})


def supplied(context: Context) -> None:
    """Take the values of scan/reduced.csv, one a row or one a column."""
    table = context.table("scan/reduced")
    names: list[str] = []
    if "quantity" in table and "value" in table:
        names = list(dict.fromkeys(table["quantity"].values.astype(str)))
    columns = [name for name in map(str, table.data_vars) if name in vocabulary.TERMS]
    known = [name for name in names if name in vocabulary.TERMS]
    for name in names:
        if name not in known:
            context.notes.append(f"scan/reduced.csv holds {name!r}, which is no known quantity")
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
    """The rows of one quantity, each in the unit beside it."""
    part = table.isel(reading=table["quantity"].values.astype(str) == name)
    wanted = vocabulary.TERMS[name].unit
    values = np.empty(part.sizes["reading"])
    u = np.full(values.shape, np.nan)
    given = part["unit"].values.astype(str)
    for unit in dict.fromkeys(given):
        rows = given == unit
        values[rows] = units.convert(part["value"].values[rows], unit, wanted)
        if "uncertainty" in part:
            per = units.convert(1.0, unit, wanted) - units.convert(0.0, unit, wanted)
            u[rows] = part["uncertainty"].values[rows] * per
    return _series(part, name, part["value"], values, u)


def _column(table: xr.Dataset, name: str) -> xr.Dataset:
    """One column that bears the name of a quantity."""
    wanted = vocabulary.TERMS[name].unit
    here = table[name]
    values = units.convert(here.values, here.attrs.get("units", "1"), wanted)
    return _series(table, name, here, np.asarray(values, dtype=float), np.nan)


def _series(part: xr.Dataset, name: str, here: xr.DataArray, values: Any, u: Any) -> xr.Dataset:
    reason = flags.bit("supplied") | (part["reason"].values if "reason" in part else 0)
    measured = Measured(
        here.copy(deep=False, data=values),
        u,
        {},
        here.copy(deep=False, data=reason.astype(np.int64)),
    )
    return series.build({name: measured}, steps=("supplied already reduced",))


# --------------------------------------------------------------------------------------------------
# Stage of the uncertainty of depth: beside every reading, and for the stations of heat flow.


_PARTS = ("depth_u_random", "depth_u_core", "depth_u_systematic", "depth_u_total")
_STATED = ("tide", "heave", "drill_string", "drill_string_relative", "offset")


def depth_uncertainty(context: Context) -> None:
    """What is stated of depth, beside every property that has a core."""
    keys = context.recipe["depth"]
    cores = context.table("cores")
    stated = [name for name in _STATED if keys[name] is not None]
    if not stated and "top_uncertainty" not in cores:
        raise Skipped("nothing is stated of the depths ([depth] tide, heave, drill_string, offset)")
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
            f"[depth] does not state {', '.join(sorted(unknown))}: what it enters is not known "
            '("0 m" states that there is none)'
        )


def _of(keys: Any) -> dict[str, Any]:
    return {n: keys[n] for n in (*_STATED, "tide_is", "recovery_placement")}


def _has_a_place(dataset: xr.Dataset) -> bool:
    wanted = ("core", "section", "offset", "depth")
    return all(name in dataset.coords and dataset[name].dims == ("reading",) for name in wanted)


def of_stations(context: Context, temperature: xr.Dataset) -> Any:
    """Errors of the depths of the stations for the functions of heat flow.

    Parameters
    ----------
    context : Context
        Of the reduction.
    temperature : Dataset, (reading)
        Formation temperatures with the coordinate depth [m].

    Returns
    -------
    Dataset, str or None
        What [heat_flow] states of the stations, else what [depth] states of tide, heave and drill
        string, each lowering being one; None where neither says enough.
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
