"""Thermal conductivity: formulas, heating runs, repeats, directions, bounds and the formation."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr
from scipy.special import exp1

import corephys as cp
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case

POWER, RADIUS = 2.7, 0.0005  # W/m and m


@case("needle.conductivity_from_slope", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "slope": draw.series("K", 0.1, 0.4),
        "heating_power": draw.choice(draw.scalar("W/m", 2.0, 4.0), draw.series("W/m", 2.0, 4.0)),
        "geometry": draw.choice("full_space", "half_space"),
    }


@case("needle.conductivity_from_two_times")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "first_time": draw.scalar("s", 10.0, 30.0), "second_time": draw.series("s", 60.0, 120.0),
        "first_temperature": draw.series("degC", 20.0, 22.0),
        "second_temperature": draw.series("degC", 22.2, 23.0),
        "heating_power": draw.series("W/m", 2.0, 4.0),
    }  # fmt: skip


@case("needle.heating_power", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "current": draw.series("A", 0.1, 0.3),
        "resistance_per_length": draw.series("ohm/m", 30.0, 90.0),
        "wires": draw.choice(1, 2),
    }


@case("needle.line_source_rise")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "time": draw.series("s", 1.0, 200.0), "heating_power": draw.scalar("W/m", 2.0, 4.0),
        "conductivity": draw.series("W/(m K)", 0.7, 3.0),
        "diffusivity": draw.scalar("m^2/s", 2e-7, 8e-7), "radius": draw.scalar("mm", 0.5, 2.0),
    }  # fmt: skip


@case("needle.cylinder_rise", rows="none", size=(2, 3))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "time": cp.quantity(draw.rising(1.0, 200.0), "s"),
        "heating_power": draw.scalar("W/m", 2.0, 4.0),
        "conductivity": draw.scalar("W/(m K)", 0.7, 3.0),
        "volumetric_heat_capacity": draw.scalar("MJ/(m^3 K)", 2.5, 4.0),
        "radius": draw.scalar("mm", 0.5, 2.0),
        "needle_heat_capacity": draw.scalar("J/(m K)", 1.0, 6.0),
    }


def heating(draw: Draw) -> xr.Dataset:
    """A table of heating runs: a line source with a drift, and noise of half a millikelvin."""
    rng = np.random.default_rng(draw.integer(0, 9999))
    time = np.concatenate([np.arange(-30.0, 0.0, 5.0), np.arange(2.0, 92.0, 3.0)])
    columns: dict[str, list[Any]] = {
        n: [] for n in ("run", "time", "temperature", "heating_power", "offset", "direction")
    }
    for run in range(draw.size):
        k = float(draw.numbers(0.8, 2.0, 1)[0])
        after = np.maximum(time, 1e-3)
        rise = POWER / (4 * np.pi * k) * exp1(RADIUS**2 * 3.3e6 / (4 * k * after))
        temperature = 20.0 + np.where(time > 0, rise, 0.0) + 1e-4 * time
        columns["temperature"].extend(temperature + 5e-4 * rng.normal(size=time.size))
        columns["time"].extend(time)
        columns["run"].extend([str(run)] * time.size)
        columns["heating_power"].extend([POWER] * time.size)
        columns["offset"].extend([10.0 * run + 5.0] * time.size)
        columns["direction"].extend([draw.choice("along", "across")] * time.size)
    size = len(columns["run"])
    return draw.table(
        run=columns["run"], direction=columns["direction"], geometry=["full_space"] * size,
        core=["1"] * size, section=["1"] * size, time=("s", columns["time"]),
        temperature=("degC", columns["temperature"]), offset=("cm", columns["offset"]),
        heating_power=("W/m", columns["heating_power"]), radius=("m", [RADIUS] * size),
        boundary_distance=("mm", [25.0] * size),
    )  # fmt: skip


def of_runs(function: Any) -> Any:
    """Call a function with the runs of a table in a given order, each with its rows in time."""

    def call(table: xr.Dataset, runs: np.ndarray, **options: Any) -> Any:
        names = table["run"].values.astype(str)
        rows = np.concatenate([np.flatnonzero(names == str(run)) for run in runs])
        return function(table.isel(row=rows), **options)

    return call


def conduct(**arguments: Any) -> xr.Dataset:
    """Thermal conductivity of the runs."""
    return of_runs(cp.needle.thermal_conductivity)(**arguments)


@case("needle.thermal_conductivity", size=(2, 3), rtol=1e-5, call=conduct)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "table": heating(draw),
        "runs": np.array([str(run) for run in range(draw.size)], dtype=object),
        "heating_power_uncertainty": draw.scalar("1", 0.005, 0.02),
        "volumetric_heat_capacity": draw.scalar("MJ/(m^3 K)", 3.0, 3.6),
        "heat_capacity_uncertainty": draw.scalar("1", 0.05, 0.1),
        "minimum_window": draw.scalar("s", 18.0, 25.0), "cross_check": False,
    }  # fmt: skip


@case("needle.thermal_conductivity#cylinder", rows="none", size=(1, 1), rtol=1e-5, call=conduct)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "table": heating(draw), "runs": np.array(["0"], dtype=object),
        "needle_heat_capacity": draw.choice("3 MJ/(m^3 K)", cp.quantity(3.0, "MJ/(m^3 K)")),
        "volumetric_heat_capacity": "3.3 MJ/(m^3 K)",
        "boundary_distance": draw.scalar("mm", 20.0, 30.0),
    }  # fmt: skip


@case("needle.windows", rows="none", size=(1, 1), rtol=1e-5)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "table": heating(draw), "run": "0", "minimum_window": draw.scalar("s", 18.0, 25.0),
        "volumetric_heat_capacity": draw.scalar("MJ/(m^3 K)", 3.0, 3.6),
        "boundary_distance": draw.scalar("mm", 20.0, 30.0),
    }  # fmt: skip


def conductivities(draw: Draw) -> xr.Dataset:
    """Conductivities along and across the core, two or three of them at one place."""
    found = draw.dataset(("heating_power", "heat_capacity"), thermal_conductivity=(0.8, 1.8))
    place = np.arange(draw.size) // 3
    return found.assign_coords(
        offset=("reading", 10.0 * place, {"units": "cm"}),
        depth=("reading", 4.0 + 0.5 * place, {"units": "m"}),
        core=("reading", np.array(["1"] * draw.size, dtype=object)),
        direction=("reading", np.array(["along", "across", "across"] * draw.size)[: draw.size]),
    )


def by_place(function: str) -> Any:
    """Call a function and sort what it returns by place: it lists places as they first appear."""

    def call(**arguments: Any) -> xr.Dataset:
        return getattr(cp.needle, function)(**arguments).sortby(["depth", "direction"])

    return call


@case("needle.combine_repeats", rows="set", size=(6, 8), call=by_place("combine_repeats"))
def _(draw: Draw) -> dict[str, Any]:
    return {"dataset": conductivities(draw)}


def pairs_by_place(**arguments: Any) -> xr.Dataset:
    """Pairs in the order of their depth."""
    return cp.needle.anisotropy(**arguments).sortby("depth")


@case("needle.anisotropy", rows="set", size=(6, 8), call=pairs_by_place)
def _(draw: Draw) -> dict[str, Any]:
    return {"dataset": conductivities(draw), "within": draw.scalar("cm", 10.0, 30.0)}


@case("needle.in_situ")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "conductivity": draw.dataset(("heating_power",), thermal_conductivity=(0.8, 1.8)),
        "water_depth": draw.scalar("m", 500.0, 5000.0),
        "depth": draw.choice(None, draw.series("m", 1.0, 500.0)),
        "temperature": draw.series("degC", 2.0, 40.0),
        "laboratory_temperature": draw.choice(
            draw.scalar("degC", 18.0, 24.0), draw.series("degC", 18.0, 24.0)
        ),
        "density": draw.choice(
            draw.scalar("g/cm^3", 1.4, 2.2), draw.dataset(("gamma",), bulk_density=(1.4, 2.2))
        ),
        "temperature_uncertainty": draw.scalar("K", 0.1, 2.0),
        "laboratory_temperature_uncertainty": draw.scalar("K", 0.1, 2.0),
        "density_uncertainty": draw.scalar("g/cm^3", 0.01, 0.2),
        "form_uncertainty": draw.scalar("1", 0.2, 0.6),
        "water_per_cent": draw.scalar("m", 1700.0, 1900.0),
        "warming_per_cent": draw.scalar("K", 3.5, 4.5),
    }


@case("needle.in_situ#arrays")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "conductivity": draw.series("W/(m K)", 0.8, 1.8),
        "water_depth": draw.scalar("m", 500.0, 5000.0), "depth": draw.series("m", 1.0, 500.0),
        "temperature": draw.series("degC", 2.0, 40.0),
        "laboratory_temperature": draw.scalar("degC", 18.0, 24.0),
        "density": draw.series("g/cm^3", 1.4, 2.2),
    }  # fmt: skip


@case("needle.mixing_bounds")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "porosity": draw.choice(
            draw.series("1", 0.2, 0.9), draw.dataset(("balance",), porosity=(0.2, 0.9))
        ),
        "grain_conductivity": draw.choice(
            draw.scalar("W/(m K)", 2.0, 4.0), draw.series("W/(m K)", 2.0, 4.0)
        ),
        "water_conductivity": draw.scalar("W/(m K)", 0.55, 0.65),
        "measured": draw.choice(
            draw.dataset(("heating_power",), thermal_conductivity=(0.7, 2.0)),
            draw.series("W/(m K)", 0.7, 2.0),
            None,
        ),
    }  # fmt: skip


@case("needle.formation_conductivity")
def _(draw: Draw) -> dict[str, Any]:
    measured = conductivities(draw)
    moved = draw.choice(True, False)
    in_situ = cp.needle.in_situ(
        measured, "3000 m", None, "9 degC", "21 degC", "1.7 g/cm^3",
        temperature_uncertainty="1 K", density_uncertainty="0.1 g/cm^3",
        laboratory_temperature_uncertainty="1 K",
    )  # fmt: skip
    return {
        "conductivity": measured, "in_situ": in_situ if moved else None,
        "anisotropy": draw.choice(draw.scalar("1", 1.0, 1.3), draw.series("1", 1.0, 1.3)),
        "anisotropy_uncertainty": draw.scalar("1", 0.01, 0.1),
        "corrections": ("anisotropy", "in_situ") if moved else draw.choice((), ("anisotropy",)),
    }  # fmt: skip
