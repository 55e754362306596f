"""Stages of the scan: calibrations, density and velocity, and their flags."""

from __future__ import annotations

import numpy as np
import xarray as xr

from corephys import flags, quality, series, units, vocabulary
from corephys.products import porosity
from corephys.reduction.context import (
    Context,
    Skipped,
    pore_water_density,
    scalar,
    seconds_since,
    section_values,
)  # fmt: skip
from corephys.sensors import gamma, pwave
from corephys.uncertainty import Measured

__all__ = [
    "density",
    "gamma_calibration",
    "pwave_calibration",
    "scan_flags",
    "supplied",
    "velocity",
]


def gamma_calibration(context: Context) -> None:
    """Fit the gamma standards."""
    table = context.table("standards/gamma")
    keys = context.recipe["gamma"]
    if "kind" in table:
        kinds = table["kind"].values
        table = table.isel(row=(kinds == "standard") | (kinds == ""))
        if not table.sizes["row"]:
            raise Skipped("standards/gamma.csv has no row of kind standard")
    reference = keys["reference_time"]
    elapsed = None
    if "time" in table:
        stamps = table["time"].values
        if reference is None and not np.isnat(stamps).all():
            reference = str(np.sort(stamps[~np.isnat(stamps)])[0])
        elapsed = seconds_since(stamps, reference) if reference else None
    decay = 1.0
    if elapsed is not None:
        since = units.quantity(np.nan_to_num(elapsed), "s")
        decay = gamma.decay_factor(since, half_life=keys["half_life"])
    temperature = context.recipe["hole"]["laboratory_temperature"]
    if "temperature" in table and np.isfinite(table["temperature"].values).any():
        temperature = units.quantity(float(np.nanmean(table["temperature"].values)), "degC")
    calibration = gamma.calibrate(
        table["counts"].values * units.quantity(1.0, "count"),
        counting_time(table, keys["time"]),
        table["aluminium_thickness"],
        table["bore"] if "bore" in table else context.recipe["liner"]["bore"],
        dead_time=keys["dead_time"],
        dead_time_uncertainty=keys["dead_time_uncertainty"],
        background_rate=keys["background_rate"],
        background_rate_uncertainty=keys["background_rate_uncertainty"],
        time_kind=keys["time"],
        decay=decay,
        water_temperature=temperature,
        order=None if keys["order"] == "by AICc" else int(keys["order"]),
    )
    context.objects["gamma_calibration"] = calibration
    context.objects["gamma_reference"] = reference
    context.results["properties/gamma_calibration"] = _calibration_table(calibration)


def counting_time(table: xr.Dataset, kind: str) -> xr.DataArray:
    """The column of counting times of the stated kind."""
    name = f"{kind}_time"
    if name not in table:
        other = "live_time" if kind == "real" else "real_time"
        have = f"it has {other}" if other in table else "it has neither"
        raise Skipped(
            f"the recipe says [gamma] time = {kind!r}, so the table needs a column {name} [s]; "
            f"{have}"
        )
    return table[name]


def _calibration_table(calibration: gamma.Calibration) -> xr.Dataset:
    """The standards and the fit, for the figure and the archive."""
    fitted = np.polynomial.polynomial.polyval(calibration.areal_density, calibration.coefficients)
    parts = {
        "areal_density": (calibration.areal_density, "g/cm^2", "areal density inside the liner"),
        "log_rate": (calibration.log_rate, "1", "logarithm of the net count rate"),
        "log_rate_uncertainty": (calibration.log_rate_uncertainty, "1", "its counting uncertainty"),
        "fitted": (fitted, "1", "fitted logarithm of the net count rate"),
        "residual": (calibration.residual, "1", "measured less fitted"),
    }
    dataset = xr.Dataset(
        {
            name: ("standard", values, {"units": unit, "long_name": words})
            for name, (values, unit, words) in parts.items()
        }
    )
    dataset.attrs = {
        "description": calibration.describe(),
        "coefficients": list(map(float, calibration.coefficients)),
        "reduced_chi_square": calibration.reduced_chi_square,
        "order": calibration.covariance.shape[0] - 1,
    }
    return dataset


def density(context: Context) -> None:
    """Bulk density of the scan."""
    table = context.table("scan/gamma")
    calibration = context.objects.get("gamma_calibration")
    if calibration is None:
        raise Skipped("there is no gamma calibration, so counts cannot become density")
    recipe, keys = context.recipe, context.recipe["gamma"]
    diameter, bore, fluid = geometry(context, table)
    elapsed = None
    if "time" in table and context.objects.get("gamma_reference"):
        elapsed = seconds_since(table["time"].values, context.objects["gamma_reference"])
    here = table["counts"]
    if elapsed is not None:
        middle = float(np.nanmedian(elapsed))
        elapsed = np.where(np.isnan(elapsed), middle, elapsed)
    grain = grain_density_for(context, table)
    grain_keys = (
        {}
        if isinstance(grain, xr.Dataset)
        else {"grain_density_uncertainty": keys["grain_density_uncertainty"]}
    )
    context.results["properties/density"] = gamma.bulk_density(
        here.assign_attrs(units="count"),
        counting_time(table, keys["time"]),
        calibration=calibration,
        core_diameter=series_like(here, diameter, "mm"),
        bore=series_like(here, bore, "mm"),
        annulus_density=series_like(here, fluid, "g/cm^3"),
        elapsed="0 s" if elapsed is None else series_like(here, elapsed, "s"),
        half_life=keys["half_life"],
        core_diameter_uncertainty=keys["core_diameter_uncertainty"],
        grain_density=grain,
        pore_water_density=pore_water_density(recipe, "porosity"),
        reason=table.get("reason", 0),
        **grain_keys,
    )


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
    if samples is not None and context.recipe["porosity"]["grain_density"] == "from samples":
        good = int((samples["grain_density_flag"] == 1).sum())
        if good >= 3:
            return porosity.grain_density_at(samples, to=table)
        context.notes.append(f"{good} good samples: the recipe's grain density is used")
    value: str = context.recipe["gamma"]["grain_density"]
    return value


def pwave_calibration(context: Context) -> None:
    """Delay of the electronics and of the liner from the P-wave standards."""
    recipe, keys = context.recipe, context.recipe["pwave"]
    if keys["delay"] is not None:
        context.objects["pwave_calibration"] = None
        return
    table = context.table("standards/pwave")
    context.objects["pwave_calibration"] = pwave.calibrate(
        table["length"],
        table["travel_time"],
        temperature=table["temperature"],
        medium=table.get("medium", "water"),
        liner=table.get("liner", "none"),
        wall=recipe["liner"]["wall"],
        liner_velocity=recipe["liner"]["velocity"],
        liner_velocity_uncertainty=recipe["liner"]["velocity_uncertainty"],
    )


def velocity(context: Context) -> None:
    """P-wave velocity of the scan."""
    table = context.table("scan/pwave")
    if "pwave_calibration" not in context.objects:
        raise Skipped("there are no P-wave standards and no [pwave] delay")
    recipe, keys = context.recipe, context.recipe["pwave"]
    liner = section_values(context.hole, table, "liner", "full")
    here = table["travel_time"]
    amplitude = table.get("amplitude")
    context.objects["velocity_measured"] = True  # and not supplied: it has pulses of its own
    calibration = context.objects["pwave_calibration"]
    stated = (
        {}
        if calibration is not None
        else {
            "delay": keys["delay"],
            "delay_uncertainty": keys["delay_uncertainty"],
            **_liner_delay(context),
        }
    )
    context.results["properties/velocity"] = pwave.velocity(
        here,
        table["thickness"],
        calibration=calibration,
        **stated,
        wall=recipe["liner"]["wall"],
        liner=here.copy(deep=False, data=liner.astype(object)),
        gap=series_like(here, _fluid_gap(context, table, liner), "mm"),
        core_diameter_uncertainty=keys["core_diameter_uncertainty"],
        thickness_uncertainty=keys["thickness_uncertainty"],
        travel_time_uncertainty=keys["travel_time_uncertainty"],
        amplitude=amplitude,
        amplitude_gate=float(keys["amplitude_gate"]) if amplitude is not None else None,
        reason=table.get("reason", 0),
    )


def _fluid_gap(context: Context, table: xr.Dataset, liner: np.ndarray) -> np.ndarray:
    """Fluid between a thin core and its liner [mm]: what the calliper leaves over."""
    diameter, bore, _ = geometry(context, table)
    walls = np.select([liner == "full", liner == "half"], [2.0, 1.0], 0.0)
    inside = table["thickness"].values - walls * scalar(context.recipe, "liner", "wall", "mm")
    thin = bore > diameter
    return np.where(thin, np.clip(inside - diameter, 0.0, None), 0.0)


def _liner_delay(context: Context) -> dict[str, str]:
    """Delay of two walls from their thickness and velocity, where no standards give it [us]."""
    wall = scalar(context.recipe, "liner", "wall", "mm")
    speed = scalar(context.recipe, "liner", "velocity", "m/s")
    u_speed = context.recipe["liner"]["velocity_uncertainty"]
    delay = 2e3 * wall / speed
    u = float(units.as_floats(u_speed, "m/s", "velocity_uncertainty")) / speed * delay
    return {"liner_delay": f"{delay:.9g} us", "liner_delay_uncertainty": f"{u:.9g} us"}


def supplied(context: Context) -> None:
    """Values that came already reduced: kept, marked supplied, used where nothing else is."""
    table = context.table("scan/reduced")
    homes = {"bulk_density": "properties/density", "p_wave_velocity": "properties/velocity"}
    names = table["quantity"].values.astype(str)
    for name in dict.fromkeys(names):
        if name not in vocabulary.TERMS:
            context.notes.append(f"scan/reduced.csv holds {name!r}, which is no known quantity")
            continue
        part = table.isel(reading=names == name)
        path = homes.get(name, f"properties/{name}")
        if path in context.results:
            path = f"properties/supplied_{name}"
        context.results[path] = _supplied_series(part, name)


def _supplied_series(part: xr.Dataset, name: str) -> xr.Dataset:
    """One quantity of scan/reduced.csv as a series with flags."""
    wanted = vocabulary.TERMS[name].unit
    values = np.empty(part.sizes["reading"])
    u = np.full(values.shape, np.nan)
    given = part["unit"].values.astype(str)
    for unit in set(given):
        rows = given == unit
        values[rows] = units.convert(part["value"].values[rows], unit, wanted)
        if "uncertainty" in part:
            per = units.convert(1.0, unit, wanted) - units.convert(0.0, unit, wanted)
            u[rows] = part["uncertainty"].values[rows] * per
    reason = flags.bit("supplied") | (part["reason"].values if "reason" in part else 0)
    here = part["value"]
    measured = Measured(
        here.copy(deep=False, data=values),
        u,
        {},
        here.copy(deep=False, data=reason.astype(np.int64)),
    )
    return series.build({name: measured}, steps=("supplied already reduced",))


def scan_flags(context: Context) -> None:
    """Look for ends, voids, spikes, thin fills and weak coupling; flags only, no value changes."""
    if not context.recipe["quality"]["evaluate"]:
        raise Skipped("the recipe says [quality] evaluate = false")
    found = context.results
    if "properties/density" not in found and "properties/velocity" not in found:
        raise Skipped("no density and no velocity to look at")
    shared = {
        "sections": context.optional("sections"),
        "removed": context.optional("removed"),
    }
    waves = context.optional("scan/pwave")
    amplitude = None if waves is None else waves.get("amplitude")
    if "properties/density" in found:
        beside = {} if amplitude is None else {"p_wave_amplitude": amplitude}
        found["properties/density"] = quality.flag(
            found["properties/density"], "bulk_density", companions=beside, **shared
        )
    if "properties/velocity" in found:
        beside = {}
        if "properties/density" in found:
            beside["bulk_density"] = found["properties/density"]
        found["properties/velocity"] = quality.flag(
            found["properties/velocity"], "p_wave_velocity",
            amplitude=amplitude if context.objects.get("velocity_measured") else None,
            companions=beside, **shared,
        )  # fmt: skip
