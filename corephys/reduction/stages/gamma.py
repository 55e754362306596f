"""Stages of gamma density: calibrations, density, and the tie to the samples."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import units
from corephys.ground.cards import SEALED_SOURCE
from corephys.ground.constants import Constant
from corephys.ground.sensor import of_kind, series_like
from corephys.hole.placing import depth as positions
from corephys.reduction.context import (
    Context,
    Skipped,
    calculated,
    pore_water_density,
    samples_with,
    seconds_since,
)
from corephys.reduction.stages import scan
from corephys.reduction.stages.scan import (
    coring_methods,
    elapsed_on,
    grain_density_for,
)
from corephys.sensors import gamma

if TYPE_CHECKING:
    import pint

__all__ = ["counting_time", "density", "density_tie", "gamma_calibration"]


def gamma_calibration(context: Context) -> None:
    """Fit the gamma standards: one calibration, or one a set where sets lie apart in time."""
    table = of_kind(context.table("standards/gamma"), "standard")
    if not table.sizes["row"]:
        raise Skipped("standards/gamma.csv has no row of kind standard; add them")
    keys = context.recipe["gamma"]
    reference = keys["reference_time"]
    if reference is None and "time" in table:
        stamps = table["time"].values
        if not np.isnat(stamps).all():
            reference = str(np.sort(stamps[~np.isnat(stamps)])[0])
    dead_time = _dead_time(context, table, reference)
    groups = _sets(table, reference, keys["calibrations"] == "interpolated")
    order = None if keys["order"] == "by_aicc" else int(keys["order"])
    fits = {label: _fit(context, part, reference, dead_time, order) for label, part in groups}
    if len({fit.covariance.shape[0] for fit in fits.values()}) > 1:
        # Interpolation needs one degree for all sets: the one with the lowest sum of AICc.
        order = min(
            (1, 2), key=lambda k: sum(fit.criterion.get(k, np.inf) for fit in fits.values())
        )
        fits = {label: _fit(context, part, reference, dead_time, order) for label, part in groups}
    context.objects["gamma_calibrations"] = fits
    context.objects["gamma_set_times"] = [_middle(part, reference) for _, part in groups]
    context.objects["gamma_reference"] = reference
    for number, (label, fit) in enumerate(fits.items()):
        name = "properties/gamma_calibration"
        made = _calibration_table(fit)
        made.attrs |= _set_attributes(label, groups[number][1])
        context.results[name if not number else f"{name}_{label}"] = made
    if len(fits) > 1:
        context.notes.append(
            f"gamma density is calibrated by {len(fits)} sets of standards "
            f"({', '.join(fits)}), interpolated in time"
        )


def _set_attributes(label: str, table: xr.Dataset) -> dict[str, str]:
    """Name of a set of standards, and the mean of its times where it has any."""
    times = table["time"].values if "time" in table else np.empty(0, "datetime64[s]")
    known = times[~np.isnat(times)].astype("datetime64[s]").astype(np.int64)
    if not known.size:
        return {"calibration_set": label}
    middle = np.datetime64(round(float(known.mean())), "s")
    return {"calibration_set": label, "calibration_time": str(middle)}


def _dead_time(
    context: Context, table: xr.Dataset, reference: str | None
) -> tuple[str | Constant, str | pint.Quantity | None]:
    """Dead time and its uncertainty: as given, or from the standards if the recipe sets that."""
    keys = context.recipe["gamma"]
    if not keys["dead_time_from_standards"]:
        return keys["dead_time"], keys["dead_time_uncertainty"]
    if keys["time"] == "live":
        raise ValueError(
            "[gamma] dead_time_from_standards needs real counting times; the dead time is already "
            "subtracted from live times. Set [gamma] time = 'real'"
        )
    found = gamma.dead_time_from_standards(
        table["counts"].values * units.quantity(1.0, "count"),
        counting_time(table, "real"),
        table["aluminium_thickness"],
        table["bore"] if "bore" in table else context.recipe["liner"]["bore"],
        background_rate=keys["background_rate"],
        decay=_decay(context, table, reference),
        water_temperature=_water_temperature(context, table),
    )
    context.notes.append(
        f"dead time of the gamma counter from {found.standards} standards: {found}, reduced "
        f"chi-square {found.reduced_chi_square:.2f}; any other curvature of ln I is counted as "
        "dead time"
    )
    words = f"{found.standards} standards, the line of ln I straight"
    value = calculated("dead_time", float(found.value), "s", words, origin="fitted")
    return value, units.quantity(float(found.uncertainty), "s")


def _sets(table: xr.Dataset, reference: str | None, apart: bool) -> list[tuple[str, xr.Dataset]]:
    """Standards by set, in the order of time; all together where sets or times are missing."""
    if not apart or "set" not in table or "time" not in table:
        return [("all", table)]
    labels = table["set"].values.astype(str)
    names = list(dict.fromkeys(labels))
    if len(names) < 2:
        return [(names[0] or "all", table)]
    groups = [(name or "unnamed", table.isel(row=labels == name)) for name in names]
    middles = [_middle(part, reference) for _, part in groups]
    if np.isnan(middles).any() or len(set(middles)) < len(middles):
        return [("all", table)]
    return [groups[i] for i in np.argsort(middles)]


def _middle(table: xr.Dataset, reference: str | None) -> float:
    """Time of a set of standards since the reference [s]."""
    if reference is None or "time" not in table:
        return 0.0
    elapsed = seconds_since(table["time"].values, reference)
    return float("nan") if elapsed is None else float(np.nanmean(elapsed))


def _decay(context: Context, table: xr.Dataset, reference: str | None) -> float | np.ndarray:
    """Decay factor of the source at the times of the standards; 1 without times."""
    if reference is None or "time" not in table:
        return 1.0
    elapsed = seconds_since(table["time"].values, reference)
    if elapsed is None:
        return 1.0
    since = units.quantity(np.nan_to_num(elapsed), "s")
    return gamma.decay_factor(since, half_life=context.recipe["gamma"]["half_life"])


def _water_temperature(context: Context, table: xr.Dataset) -> pint.Quantity | str:
    """Temperature of the water in the standards: their mean, else the laboratory's."""
    if "temperature" in table and np.isfinite(table["temperature"].values).any():
        return units.quantity(float(np.nanmean(table["temperature"].values)), "degC")
    return context.recipe["hole"]["laboratory_temperature"]


def _fit(
    context: Context,
    table: xr.Dataset,
    reference: str | None,
    dead_time: tuple[str, str | None],
    order: int | None,
) -> gamma.Calibration:
    keys = context.recipe["gamma"]
    return gamma.calibrate(
        table["counts"].values * units.quantity(1.0, "count"),
        counting_time(table, keys["time"]),
        table["aluminium_thickness"],
        table["bore"] if "bore" in table else context.recipe["liner"]["bore"],
        dead_time=dead_time[0],
        dead_time_uncertainty=dead_time[1],
        background_rate=keys["background_rate"],
        background_rate_uncertainty=keys["background_rate_uncertainty"],
        time_kind=keys["time"],
        decay=_decay(context, table, reference),
        water_temperature=_water_temperature(context, table),
        order=order,
        scale=keys["scale"],
    )


def counting_time(table: xr.Dataset, kind: str) -> xr.DataArray:
    """The column of counting times of the given kind, ``"real"`` or ``"live"``."""
    name = f"{kind}_time"
    if name not in table:
        other = "live_time" if kind == "real" else "real_time"
        have = "it has neither"
        if other in table:
            have = (
                f"it has {other}. Set [gamma] time = {other.removesuffix('_time')!r} if the scan "
                "and the standards hold that time"
            )
        raise Skipped(f"[gamma] time is {kind!r}, so the table needs a column {name} [s]; {have}")
    return table[name]


def _calibration_table(calibration: gamma.Calibration) -> xr.Dataset:
    """The standards and the fit as a table, for figures and archives."""
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
        "safety": SEALED_SOURCE,
        "density_scale": calibration.scale,
        "coefficients": list(map(float, calibration.coefficients)),
        "reduced_chi_square": calibration.reduced_chi_square,
        "order": calibration.covariance.shape[0] - 1,
    }
    scan.of_gamma(dataset, calibration)
    return dataset


def density(context: Context) -> None:
    """Bulk density of the scan."""
    table = context.table("scan/gamma")
    fits = context.objects.get("gamma_calibrations")
    if fits is None:
        raise Skipped("no gamma calibration; it needs standards/gamma.csv")
    recipe, keys = context.recipe, context.recipe["gamma"]
    seconds = counting_time(table, keys["time"])
    if not np.any((table["counts"].values > 0) & (seconds.values > 0)):
        raise Skipped(
            "no reading of scan/gamma.csv has both counts and a counting time above zero; check "
            "the two columns"
        )
    diameter, bore, fluid = context.geometry(table)
    elapsed = elapsed_on(table, context.objects["gamma_reference"])
    here = table["counts"]
    since = "0 s" if elapsed is None else series_like(here, elapsed, "s")
    times = units.quantity(np.array(context.objects["gamma_set_times"]), "s")
    if len(fits) > 1 and elapsed is None:
        raise Skipped(
            "the standards come in sets at several times and the readings have no time; give the "
            "column time, or [gamma] calibrations = 'together'"
        )
    calibration = (
        next(iter(fits.values()))
        if len(fits) == 1
        else gamma.interpolate_calibrations(fits, times, since)
    )
    grain = grain_density_for(context, table)
    grain_keys = (
        {}
        if isinstance(grain, xr.Dataset)
        else {"grain_density_uncertainty": keys["grain_density_uncertainty"]}
    )
    context.results["properties/density"] = gamma.bulk_density(
        here.assign_attrs(units="count"),
        seconds,
        calibration=calibration,
        core_diameter=series_like(here, diameter, "mm"),
        bore=series_like(here, bore, "mm"),
        annulus_density=series_like(here, fluid, "g/cm^3"),
        elapsed=since,
        half_life=keys["half_life"],
        core_diameter_uncertainty=keys["core_diameter_uncertainty"],
        grain_density=grain,
        pore_water_density=pore_water_density(recipe, "porosity"),
        reason=table.get("reason", 0),
        **grain_keys,
    )


def density_tie(context: Context) -> None:
    """Factor to the samples by coring method, and the tied density beside the untied one."""
    if not context.recipe["gamma"]["tie_to_samples"]:
        return  # opt-in: no note about it as missing
    density = context.result("properties/density")
    samples, _ = samples_with(context, "bulk_density")
    if samples is None:
        raise Skipped("no bulk_density of samples; the tie needs it")
    at_samples = positions.match(
        density,
        to=samples,
        within=context.recipe["gamma"]["tie_within"],
        how="mean_over_footprint",
        allow=context.levels,
    )
    factor = gamma.tie_factor(
        at_samples, samples, coring_method=coring_methods(context, samples), allow=context.levels
    )
    context.results["properties/density_tie"] = factor
    context.results["properties/density_tied"] = gamma.tied_density(
        density, factor, coring_method=coring_methods(context, density)
    )
