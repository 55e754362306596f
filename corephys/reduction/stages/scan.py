"""Values shared by the stages of the scan, supplied values, and the uncertainty of depth.

The shared values are geometry, grain density, usable stations and constants fitted to standards.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys import quality
from corephys.downhole.temperature.gradient import line_from_seafloor
from corephys.ground import constants, flags, series, thresholds, units, vocabulary
from corephys.hole.placing import depth, layout
from corephys.products import porosity
from corephys.products.stress.fluids import pressure_of_column
from corephys.reduction.context import (
    Context,
    Skipped,
    pore_water_density,
    scalar,
    seconds_since,
    section_values,
)
from corephys.sensors import gamma, natural_gamma, pwave, resistivity
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    import pint

__all__ = [
    "GRAVITY",
    "below_seafloor",
    "core_temperature",
    "coring_methods",
    "depth_uncertainty",
    "elapsed_on",
    "geometry",
    "grain_density_for",
    "keep",
    "layer_names",
    "of_gamma",
    "of_kind",
    "of_natural_gamma",
    "of_pwave",
    "of_resistivity",
    "of_stations",
    "series_like",
    "supplied",
    "usable_grain_densities",
    "usable_stations",
    "with_bits",
    "with_reason",
]

# --------------------------------------------------------------------------------------------------
# Geometry, grain density and other values at the readings.


GRAVITY = constants.CONSTANTS["gravity"]


def series_like(series: xr.DataArray, values: np.ndarray, unit: str) -> xr.DataArray:
    """Values at the positions of a series, with their unit."""
    return series.copy(deep=False, data=np.asarray(values, dtype=float)).assign_attrs(units=unit)


def geometry(context: Context, table: xr.Dataset) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Core diameter and bore [mm] and density of the annulus [g/cm^3] of every reading.

    The bore of a core without an annulus is its diameter: such a core fills its liner.
    """
    return context.once("geometry", lambda: _geometry(context, table), table)


def _geometry(context: Context, table: xr.Dataset) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Geometry of every reading from sections.csv and the nominal liner."""
    nominal = scalar(context.recipe, "liner", "bore", "mm")
    water = _water(context)
    slurry = scalar(context.recipe, "gamma", "slurry_density", "g/cm^3")
    diameter = section_values(context, table, "core_diameter", float("nan"))
    diameter = np.where(np.isnan(diameter), nominal, diameter)
    annulus = section_values(context, table, "annulus", "none")
    # A calliper errs: a core that seems wider than its liner sets the bore.
    bore = np.where(annulus == "none", diameter, np.maximum(nominal, diameter))
    density_of = {"none": 0.0, "air": 0.0, "water": water, "slurry": slurry}
    fluid = np.array([density_of[str(kind)] for kind in annulus], dtype=float)
    return diameter, bore, fluid


def _water(context: Context) -> float:
    """Density of the pore water in the laboratory [g/cm^3]."""
    density = pore_water_density(context.recipe, "porosity")
    return float(units.as_floats(density, "g/cm^3", "pore_water_density"))


def usable_grain_densities(context: Context) -> np.ndarray:
    """Grain densities of the samples that products may use [g/cm^3]; empty without samples."""

    def usable() -> np.ndarray:
        samples = context.results.get("properties/index_properties")
        if samples is None:
            return np.empty(0)
        values = samples["grain_density"].values
        good = flags.usable(samples["grain_density_flag"].values, context.levels)
        return np.asarray(values[good & np.isfinite(values)], dtype=float)

    return context.once("usable grain densities", usable)


def grain_density_for(context: Context, table: xr.Dataset) -> xr.Dataset | str:
    """Grain density at the readings: from the samples, else the recipe's constant."""
    return context.once("grain density", lambda: _grain_density(context, table), table)


def _grain_density(context: Context, table: xr.Dataset) -> xr.Dataset | str:
    """Grain density at the readings, interpolated between the samples where there are enough."""
    samples = context.results.get("properties/index_properties")
    context.instead("properties/index_properties", "the recipe's grain density is used")
    if samples is not None and context.recipe["porosity"]["grain_density"] == "from samples":
        good = usable_grain_densities(context).size
        if good >= thresholds.count("grain_density_samples"):
            bounds: dict[str, Any] = {}
            if context.optional("layers") is not None:
                bounds = {
                    "sample_layer": layer_names(context, samples),
                    "layer": layer_names(context, table),
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


def coring_methods(context: Context, table: xr.Dataset) -> np.ndarray:
    """Coring method of every reading; an empty text where it is unknown."""
    if "core" not in table.coords:
        return np.full(table.sizes["reading"], "", dtype=object)
    return layout.method_of(series.leaf(context.hole, "cores"), table["core"].values)


def with_reason(dataset: xr.Dataset, name: str, where: np.ndarray, reason: str) -> xr.Dataset:
    """A series with one more reason where it applies, and flags to match."""
    return with_bits(dataset, name, np.where(where, flags.bit(reason), 0))


def with_bits(dataset: xr.Dataset, name: str, bits: np.ndarray) -> xr.Dataset:
    """A series with more bits in its reasons, and flags to match."""
    if not np.any(bits):
        return dataset
    found = dataset.copy()
    masks = found[f"{name}_reason"].values | bits
    for part, values in (("reason", masks), ("flag", flags.from_reason(masks))):
        found[f"{name}_{part}"] = found[f"{name}_{part}"].copy(data=values)
    return found


def of_kind(table: xr.Dataset, kind: str, otherwise: str = "standard") -> xr.Dataset:
    """Rows of one kind in a table of standards; an empty kind counts as ``otherwise``."""
    if "kind" not in table:
        return table if kind == otherwise else table.isel(row=[])
    kinds = table["kind"].values
    return table.isel(row=(kinds == kind) | ((kinds == "") & (kind == otherwise)))


def elapsed_on(table: xr.Dataset, reference: str | None) -> np.ndarray | None:
    """Seconds of every reading since a reference; the median replaces a missing time."""
    if "time" not in table or reference is None:
        return None
    elapsed = seconds_since(table["time"].values, reference)
    if elapsed is None:
        return None
    return np.where(np.isnan(elapsed), float(np.nanmedian(elapsed)), elapsed)


def core_temperature(context: Context, table: xr.Dataset, here: xr.DataArray) -> xr.DataArray:
    """Temperature of the core at every reading; the laboratory's where it was not measured."""
    room = scalar(context.recipe, "hole", "laboratory_temperature", "degC")
    if "temperature" not in table:
        return series_like(here, np.full(here.size, room), "degC")
    warm = table["temperature"].values.astype(float)
    return series_like(here, np.where(np.isnan(warm), room, warm), "degC")


def layer_names(context: Context, dataset: xr.Dataset) -> np.ndarray:
    """Name of the layer of every reading, by depth; "all" without a table of layers."""
    return layout.layer_column(context.optional("layers"), dataset["depth"].values)


def usable_stations(context: Context) -> tuple[np.ndarray, np.ndarray]:
    """Depth [m] and temperature [degC] of the stations that products may use."""

    def usable() -> tuple[np.ndarray, np.ndarray]:
        stations = context.results.get("properties/formation_temperature")
        if stations is None:
            return np.empty(0), np.empty(0)
        warm = stations["equilibrium_temperature"].values
        good = flags.usable(stations["equilibrium_temperature_flag"].values, context.levels)
        good &= np.isfinite(warm)
        return stations["depth"].values[good], warm[good]

    return context.once("usable stations", usable)


def below_seafloor(
    context: Context, dataset: xr.Dataset
) -> tuple[xr.DataArray, xr.DataArray, pint.Quantity]:
    """In-situ temperature and pressure of every reading, and the uncertainty of the temperature.

    The temperature [degC] is a straight line through the usable stations and the seafloor, the
    pressure [dbar] that of a column of pore water from the sea's surface down.
    """
    hole = context.recipe["hole"]
    if hole["water_depth"] is None or hole["bottom_water_temperature"] is None:
        raise Skipped("in-situ conditions need [hole] water_depth and bottom_water_temperature")
    context.result("properties/formation_temperature")
    z, warm = usable_stations(context)
    bottom = scalar(context.recipe, "hole", "bottom_water_temperature", "degC")
    if z.size < 1:
        raise Skipped("in-situ conditions need a usable formation temperature")
    gradient, scatter = line_from_seafloor(z, warm, bottom)
    here = dataset[next(iter(dataset.data_vars))]
    depth = dataset["depth"].values
    column = scalar(context.recipe, "hole", "water_depth", "m") + depth
    pressure = pressure_of_column(_water(context), GRAVITY.value, column)
    # A few stations may lie on a line by chance; their scatter is then too small.
    u = units.quantity(max(scatter, thresholds.value("in_situ_least_scatter")), "K")
    return (
        series_like(here, bottom + gradient * depth, "degC"),
        series_like(here, pressure, "dbar"),
        u,
    )


# --------------------------------------------------------------------------------------------------
# Constants fitted to standards, kept in the attributes of the results that use them.


Row = tuple[str, str, float, float, str]  # symbol, meaning, value, standard uncertainty, unit
_LINE = ("logarithm of the rate without matter", "slope in areal density", "curvature")
_RESPONSE = ("logarithm of the resistivity at 1 mV", "slope in the logarithm", "curvature")


def keep(dataset: xr.Dataset, rows: list[Row], standards: int, chi_square: float) -> None:
    """Write fitted constants into the attributes of a result.

    Parameters
    ----------
    dataset : Dataset
        Result that they belong to; changed in place.
    rows : list of (symbol, meaning, value, standard uncertainty, unit)
        Fitted constants; NaN for an unknown uncertainty.
    standards : int
        Number of standards in the fit.
    chi_square : float
        Reduced chi-square; NaN where there is none.
    """
    known = [
        [symbol, meaning, *(float(x) if np.isfinite(x) else None for x in (value, u)), unit]
        for symbol, meaning, value, u, unit in rows
    ]
    chi = float(chi_square) if np.isfinite(chi_square) else None
    dataset.attrs["fitted_constants"] = json.dumps(
        {"rows": known, "standards": int(standards), "reduced_chi_square": chi}
    )


def of_gamma(dataset: xr.Dataset, fit: gamma.Calibration) -> None:
    """Keep the coefficients of ln I = c0 + c1 x + c2 x^2."""
    rows = _coefficients(fit.coefficients, fit.covariance, _LINE, ("1", "cm^2/g", "cm^4/g^2"))
    keep(dataset, rows, fit.areal_density.size, fit.reduced_chi_square)


def of_resistivity(dataset: xr.Dataset, fit: resistivity.Calibration) -> None:
    """Keep the coefficients of log10(resistivity) = c0 + c1 x + c2 x^2."""
    rows = _coefficients(fit.coefficients, fit.covariance, _RESPONSE, ("1", "1", "1"))
    keep(dataset, rows, fit.log_response.size, fit.reduced_chi_square)


def of_pwave(dataset: xr.Dataset, fit: pwave.Calibration) -> None:
    """Keep the delays, and the velocities that were fitted to solid standards."""
    rows: list[Row] = [
        ("t0", "delay of transducers and electronics", fit.delay, fit.delay_uncertainty, "us"),
        (
            "tl",
            f"time in two walls of the liner, from {fit.liner_from}",
            fit.liner_delay,
            fit.liner_delay_uncertainty,
            "us",
        ),
    ]
    rows += [
        ("V", f"velocity of the standard {medium}", speed, float("nan"), "m/s")
        for medium, speed in fit.medium_velocity.items()
    ]
    keep(dataset, rows, fit.length.size, float("nan"))


def of_natural_gamma(dataset: xr.Dataset, fit: natural_gamma.Stripping, standards: int) -> None:
    """Keep sensitivities and background of every window."""
    rows: list[Row] = []
    elements = (("potassium", "%"), ("uranium", "mg/kg"), ("thorium", "mg/kg"))
    for row, window in enumerate(fit.windows):
        u = _standard(fit.covariance[row])
        for column, (element, unit) in enumerate(elements):
            meaning = f"window {window}, sensitivity to {element}"
            # Rate of 1 g/cm in view with one unit of the element.
            of = f"cm/(g s {unit})"
            rows.append(("S", meaning, float(fit.sensitivity[row, column]), float(u[column]), of))
        rows.append(
            (
                "b",
                f"window {window}, background",
                float(fit.background[row]),
                float(fit.background_uncertainty[row]),
                "1/s",
            )
        )
    keep(dataset, rows, standards, fit.reduced_chi_square)


def _coefficients(
    values: np.ndarray, covariance: np.ndarray, meanings: tuple[str, ...], units: tuple[str, ...]
) -> list[Row]:
    """The fitted coefficients; a coefficient that was held at zero is left out."""
    u = _standard(covariance)
    return [(f"c{i}", meanings[i], float(values[i]), float(u[i]), units[i]) for i in range(u.size)]


def _standard(covariance: np.ndarray) -> np.ndarray:
    """Standard uncertainties; NaN where rounding makes a variance negative."""
    variance = np.diag(covariance)
    return np.sqrt(np.where(variance >= 0.0, variance, np.nan))


# --------------------------------------------------------------------------------------------------
# Values of scan/reduced.csv, reduced elsewhere: kept and flagged as supplied.


HOMES = {name: f"properties/{place}" for name, place in quality.SCAN.items()}


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
