"""Stages that flag readings: check standards, cores not at room temperature, tests of the scan."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys import quality
from corephys.ground import thresholds, units
from corephys.ground.cards import SEALED_SOURCE
from corephys.ground.registry import SENSORS
from corephys.ground.sensor import Check, Sensor, of_kind, scalar, series_like, with_reason
from corephys.quality import equilibration, standards
from corephys.reduction.context import Context, Skipped, samples_with, seconds_since
from corephys.reduction.recipe import Recipe
from corephys.reduction.stages.gamma import counting_time
from corephys.reduction.stages.scan import HOMES
from corephys.sensors import gamma
from corephys.sensors.gamma.calibration import standard_density

__all__ = ["baseline_of", "control_charts", "quality_settings", "scan_flags", "settling"]

# --------------------------------------------------------------------------------------------------
# Control charts of the check standards, and cores not at room temperature.


def control_charts(context: Context) -> None:
    """A control chart of each sensor's check standard, and flags of the readings it concerns."""
    if not context.recipe["quality"]["control_charts"]:
        return
    watched = 0
    for sensor in SENSORS.records():
        check = sensor.check or _CHECKS.get(sensor.name)
        if check is None:
            continue
        table = context.optional(f"standards/{sensor.name}")
        checks = None if table is None else of_kind(table, "check")
        if checks is None or not checks.sizes["row"] or "time" not in checks:
            continue
        watched += 1
        with context.part(f"standards watched: {sensor.name}"):
            _chart(context, sensor, check, checks)
    if not watched:
        raise Skipped("no table of standards has rows of kind check with a time; add them")


def _chart(context: Context, sensor: Sensor, check: Check, checks: xr.Dataset) -> None:
    """The control chart of one sensor, and flags of the readings it concerns."""
    found = check(context, checks)
    if found is None:
        return
    values, sigma, unit, words = found
    chart = standards.control_chart(
        checks["time"].values,
        xr.DataArray(values, dims="standard", attrs={"units": unit}),
        uncertainty=sigma,
        baseline=baseline_of(np.isfinite(values)),
    )
    dataset = chart.dataset.assign_attrs(sensor=sensor.name, checked=words)
    if sensor.name == "gamma":
        dataset = dataset.assign_attrs(safety=SEALED_SOURCE)
    context.results[f"properties/control_{sensor.name}"] = dataset
    _flag(context, sensor, chart)


def baseline_of(known: np.ndarray) -> int | None:
    """Number of first checks that set the centre; None, for all, where there are no more."""
    usual = thresholds.count("control_chart_usual")
    return usual if int(known.sum()) > usual else None


def _flag(context: Context, sensor: Sensor, chart: standards.ControlChart) -> None:
    """Flag the readings of a sensor taken while its standard was out of control."""
    table, found = context.optional(f"scan/{sensor.name}"), context.results.get(sensor.path)
    if chart.status == "out_of_control":
        alarms = int(chart.dataset["alarm"].sum())
        context.notes.append(
            f"check standard of {sensor.name}: {alarms} alarms, the first at "
            f"{_first(chart)}; readings up to the next good check are flagged"
        )
    if table is None or found is None or "time" not in table:
        return
    late = standards.out_of_control(chart, table["time"].values) != 0
    context.results[sensor.path] = with_reason(
        found, sensor.quantity, late, "standard_out_of_control"
    )


def _first(chart: standards.ControlChart) -> str:
    """Time of the first alarm to the minute."""
    at = chart.dataset["time"].values[chart.dataset["alarm"].values]
    return str(at.astype("datetime64[m]")[0]) if at.size else "no time"


# Departures of the checks, their uncertainty if known, unit, and words for the chart.
Found = tuple[np.ndarray, np.ndarray | None, str, str] | None


def _gamma(context: Context, checks: xr.Dataset) -> Found:
    """Measured less known density, on the scale of the standards [g/cm^3]."""
    fits = context.objects.get("gamma_calibrations")
    if fits is None:
        return None
    calibration = next(iter(fits.values()))
    if calibration.scale != "aluminium_and_water":
        return None
    keys, reference = context.recipe["gamma"], context.objects["gamma_reference"]
    elapsed = None if reference is None else seconds_since(checks["time"].values, reference)
    bore = (
        checks["bore"]
        if "bore" in checks
        else units.quantity(units.as_floats(context.recipe["liner"]["bore"], "cm", "bore"), "cm")
    )
    wide = units.quantity(np.asarray(units.as_floats(bore, "cm", "bore")), "cm")
    here = checks["counts"].rename({"row": "reading"}).assign_attrs(units="count")
    time = counting_time(checks, keys["time"]).rename({"row": "reading"})
    read = gamma.bulk_density(
        here,
        time,
        calibration=calibration,
        core_diameter=wide,
        bore=wide,
        elapsed="0 s" if elapsed is None else series_like(here, np.nan_to_num(elapsed), "s"),
        half_life=keys["half_life"],
        effects=False,
    )
    known = standard_density(
        checks["aluminium_thickness"],
        bore,
        water_density=units.quantity(calibration.water_density, "g/cm^3"),
        aluminium_density=units.quantity(calibration.aluminium_density, "g/cm^3"),
    )
    error = read["apparent_density"].values - np.asarray(units.as_floats(known, "g/cm^3", "known"))
    return error, None, "g/cm^3", "measured density less that of the standard"


# Checks of sensors whose stages stand in this folder; the record of any other holds its own.
_CHECKS: dict[str, Callable[[Context, xr.Dataset], Found]] = {
    "gamma": _gamma,
}


def settling(context: Context) -> None:
    """Flag readings of cores not at room temperature, for sensors that depend on it."""
    keys, hole = context.recipe["quality"], context.recipe["hole"]
    if not keys["settling"]:
        return
    cores = context.optional("cores")
    on_deck = {}
    if cores is not None and "time_on_deck" in cores:
        on_deck = dict(zip(cores["core"].values, cores["time_on_deck"].values, strict=True))
    deck = keys["deck_temperature"] or hole["bottom_water_temperature"]
    for sensor in SENSORS.records():
        if not sensor.warms_up:
            continue
        with context.part(f"cores at room temperature: {sensor.name}"):
            _settle(context, sensor, on_deck, deck)


def _settle(
    context: Context, sensor: Sensor, on_deck: Mapping[str, np.datetime64], deck: str | None
) -> None:
    """Flag the readings of one sensor on cores not at room temperature."""
    keys, hole = context.recipe["quality"], context.recipe["hole"]
    table, found = context.optional(f"scan/{sensor.name}"), context.results.get(sensor.path)
    if table is None or found is None or "core" not in table.coords:
        return
    first = table[next(iter(table.data_vars))]
    up = np.array([on_deck.get(c, np.datetime64("NaT")) for c in table["core"].values])
    timed = "time" in table and not np.isnat(up.astype("datetime64[s]")).all()
    warm = table.get("temperature")
    if warm is None and (not timed or deck is None):
        return
    diameter = series_like(first, context.geometry(table)[0], "mm")
    nothing = np.full(up.shape, np.datetime64("NaT"), dtype="datetime64[s]")
    judged = equilibration.settled(
        up.astype("datetime64[s]") if timed else nothing,
        table["time"].values if timed else nothing,
        laboratory_temperature=hole["laboratory_temperature"],
        core_diameter=diameter,
        core_temperature=warm,
        # A measured temperature is better evidence than one expected from the time on deck.
        deck_temperature=deck if timed and warm is None else None,
        tolerance=keys["settling_tolerance"],
        surface_conductance=keys["surface_conductance"],
    )
    cold = judged["reason"].values != 0
    context.results[sensor.path] = with_reason(
        found, sensor.quantity, cold, "temperature_not_settled"
    )
    if cold.any():
        names = ", ".join(dict.fromkeys(table["core"].values[cold].astype(str)))
        context.notes.append(f"{sensor.name}: not at room temperature when scanned: core {names}")


# --------------------------------------------------------------------------------------------------
# Tests of every series of the scan; flags only, no value changes.


_LENGTHS = (
    "spike_window",
    "level_window",
    "void_length",
    "crack_length",
    "least_length",
    "sample_reach",
)
_DENSITIES = ("void_density", "sample_difference")
_NUMBERS = (
    "end_trim",
    "spike_threshold",
    "spike_side_share",
    "low_threshold",
    "amplitude_fraction",
    "deaf_fraction",
    "void_share",
    "repeat_threshold",
    "bound_margin",
)


def quality_settings(recipe: Recipe) -> quality.Settings:
    """Thresholds of the tests from a recipe.

    Parameters
    ----------
    recipe : Recipe
        Complete.

    Returns
    -------
    Settings
        Lengths in cm, densities in g/cm^3.
    """
    widths = {}
    for sensor in SENSORS.records():
        section, key = sensor.response_width
        if section:
            widths[sensor.quantity] = scalar(recipe, section, key, "cm")
    given: dict[str, Any] = {name: scalar(recipe, "quality", name, "cm") for name in _LENGTHS}
    given |= {name: scalar(recipe, "quality", name, "g/cm^3") for name in _DENSITIES}
    given |= {name: float(recipe["quality"][name]) for name in _NUMBERS}
    return quality.Settings(
        response_width=widths, spike_test=recipe["quality"]["spike_test"], **given
    )


def scan_flags(context: Context) -> None:
    """Flag ends, voids, cracks, thin fills, weak coupling, spikes and contradictions."""
    if not context.recipe["quality"]["evaluate"]:
        raise Skipped("[quality] evaluate is false; set it to true to test the scan")
    found = context.results
    present = {name: path for name, path in HOMES.items() if path in found}
    if not present:
        raise Skipped(f"no series of the scan to test; it needs one of {', '.join(HOMES)}")
    shared = {
        "sections": context.optional("sections"),
        "removed": context.optional("removed"),
        "settings": quality_settings(context.recipe),
    }
    amplitude, own = _amplitude(context)
    # Density first: the voids that it shows are flagged in the other series as well.
    for name, path in present.items():
        beside: dict[str, Any] = {}
        if name == "bulk_density":
            if amplitude is not None:
                beside["p_wave_amplitude"] = amplitude
            samples, _ = samples_with(context, "bulk_density")
            if samples is not None and "offset" in samples.coords:
                beside["samples"] = samples
        elif "bulk_density" in present:
            beside["bulk_density"] = found[present["bulk_density"]]
        stage = f"flags of the scan: {name.replace('_', ' ')}"
        with context.part(stage):
            found[path] = quality.flag(
                found[path],
                name,
                companions=beside,
                allow=context.levels,
                amplitude=amplitude if name == "p_wave_velocity" and own else None,
                **shared,
            )
        if stage in context.failed:
            # Readings without a completed test must not count as good.
            everywhere = np.ones(found[path].sizes["reading"], dtype=bool)
            found[path] = with_reason(found[path], name, everywhere, "tests_failed")


def _amplitude(context: Context) -> tuple[xr.DataArray | None, bool]:
    """Amplitudes of the pulse, and whether the velocity comes from the same readings."""
    for path, measured in (("scan/pwave", True), ("scan/reduced", False)):
        waves = context.optional(path)
        if waves is not None and "amplitude" in waves:
            own = context.objects.get("velocity_measured", False) is measured
            if own and not measured and "supplied_velocity_rows" in context.objects:
                # Rows of other quantities, and blank cells, are no readings of the velocity.
                waves = waves.isel(reading=context.objects["supplied_velocity_rows"])
            return waves["amplitude"], own
    return None, False
