"""What the stages of the scan share: geometry, grain density and values on readings."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, thresholds, units
from corephys.hole.placing import layout
from corephys.products import porosity
from corephys.reduction.context import (
    Context,
    Skipped,
    pore_water_density,
    scalar,
    seconds_since,
    section_values,
)

__all__ = [
    "GRAVITY", "below_seafloor", "core_temperature", "coring_methods", "elapsed_on", "geometry",
    "grain_density_for", "layer_names", "of_kind", "series_like", "with_bits",
    "with_reason",
]  # fmt: skip

GRAVITY = constants.CONSTANTS["gravity"]


def series_like(series: xr.DataArray, values: np.ndarray, unit: str) -> xr.DataArray:
    """Values on the positions of a series."""
    return series.copy(deep=False, data=np.asarray(values, dtype=float)).assign_attrs(units=unit)


def geometry(context: Context, table: xr.Dataset) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Core diameter and bore [mm] and density of the annulus [g/cm^3] of every reading.

    A core without an annulus fills its liner: its diameter is the bore.
    """
    nominal = scalar(context.recipe, "liner", "bore", "mm")
    water = units.read_scalar(pore_water_density(context.recipe, "porosity"))[0]
    slurry = scalar(context.recipe, "gamma", "slurry_density", "g/cm^3")
    diameter = section_values(context.hole, table, "core_diameter", float("nan"))
    diameter = np.where(np.isnan(diameter), nominal, diameter)
    annulus = section_values(context.hole, table, "annulus", "none")
    bore = np.where(annulus == "none", diameter, np.maximum(nominal, diameter))
    density_of = {"none": 0.0, "air": 0.0, "water": water, "slurry": slurry}
    fluid = np.array([density_of[str(kind)] for kind in annulus], dtype=float)
    return diameter, bore, fluid


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
                bounds = {"sample_layer": layer_names(context, samples),
                          "layer": layer_names(context, table)}  # fmt: skip
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


def with_reason(dataset: xr.Dataset, name: str, where: np.ndarray, reason: str) -> xr.Dataset:
    """A series with one more reason where it applies, and its flags anew."""
    return with_bits(dataset, name, np.where(where, flags.bit(reason), 0))


def with_bits(dataset: xr.Dataset, name: str, bits: np.ndarray) -> xr.Dataset:
    """A series with more bits in its reasons, and its flags anew."""
    if not np.any(bits):
        return dataset
    found = dataset.copy()
    masks = found[f"{name}_reason"].values | bits
    for part, values in (("reason", masks), ("flag", flags.from_reason(masks))):
        found[f"{name}_{part}"] = found[f"{name}_{part}"].copy(data=values)
    return found


def of_kind(table: xr.Dataset, kind: str, otherwise: str = "standard") -> xr.Dataset:
    """Rows of a table of standards of one kind; an empty kind is ``otherwise``."""
    if "kind" not in table:
        return table if kind == otherwise else table.isel(row=[])
    kinds = table["kind"].values
    return table.isel(row=(kinds == kind) | ((kinds == "") & (kind == otherwise)))


def elapsed_on(table: xr.Dataset, reference: Any) -> np.ndarray | None:
    """Seconds since a reference of every reading; a missing time is taken from the middle."""
    if "time" not in table or reference is None:
        return None
    elapsed = seconds_since(table["time"].values, reference)
    if elapsed is None:
        return None
    return np.where(np.isnan(elapsed), float(np.nanmedian(elapsed)), elapsed)


def core_temperature(context: Context, table: xr.Dataset, here: xr.DataArray) -> xr.DataArray:
    """Temperature of the core at every reading; that of the laboratory where none was read."""
    room = scalar(context.recipe, "hole", "laboratory_temperature", "degC")
    if "temperature" not in table:
        return series_like(here, np.full(here.size, room), "degC")
    warm = table["temperature"].values.astype(float)
    return series_like(here, np.where(np.isnan(warm), room, warm), "degC")


def layer_names(context: Context, dataset: xr.Dataset) -> np.ndarray:
    """Name of the layer of every reading, by depth; "all" without a table of layers."""
    return layout.layer_column(context.optional("layers"), dataset["depth"].values)


def below_seafloor(
    context: Context, dataset: xr.Dataset
) -> tuple[xr.DataArray, xr.DataArray, str | None]:
    """In-situ temperature [degC] and pressure [dbar] of every reading, and what the first is worth.

    The temperature is a straight line through the usable stations and the seafloor, the pressure
    that of a column of pore water from the sea's surface down.
    """
    hole = context.recipe["hole"]
    if hole["water_depth"] is None or hole["bottom_water_temperature"] is None:
        raise Skipped("in-situ conditions need [hole] water_depth and bottom_water_temperature")
    stations = context.result("properties/formation_temperature")
    usable = flags.usable(stations["equilibrium_temperature_flag"].values, context.levels)
    z = stations["depth"].values[usable]
    warm = stations["equilibrium_temperature"].values[usable]
    bottom = scalar(context.recipe, "hole", "bottom_water_temperature", "degC")
    if z.size < 1:
        raise Skipped("in-situ conditions need a usable formation temperature")
    gradient = float(z @ (warm - bottom) / (z @ z))
    scatter = float(np.sqrt(np.mean((warm - bottom - gradient * z) ** 2)))
    here = dataset[next(iter(dataset.data_vars))]
    depth = dataset["depth"].values
    water = units.read_scalar(pore_water_density(context.recipe, "porosity"))[0]
    column = scalar(context.recipe, "hole", "water_depth", "m") + depth
    pressure = water * 1e3 * GRAVITY.value * column / 1e4
    u = f"{max(scatter, thresholds.value('in_situ_least_scatter')):.4g} K"
    return (
        series_like(here, bottom + gradient * depth, "degC"),
        series_like(here, pressure, "dbar"),
        u,
    )
