"""One-dimensional compression: curves, indices, yield stress, rates and what follows from them."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case

STRESS = np.array([10, 20, 40, 80, 160, 320, 80, 20, 80, 320, 640, 1280], dtype=float)  # kPa


def compression(draw: Draw, count: int | None = None) -> xr.Dataset:
    """A table of tests, one row a step: loading, a loop of unloading and reloading, loading."""
    columns: dict[str, list[Any]] = {n: [] for n in ("test", "step", "stress", "height", "offset")}
    for test in range(count or draw.size):
        bend = float(draw.numbers(60.0, 150.0, 1)[0])
        highest, height = 0.0, 20.0
        before = 5.0
        for step, stress in enumerate(STRESS):
            slope = 0.9 if stress > max(highest, bend) else 0.12
            height -= slope * np.log10(stress / before)
            highest, before = max(highest, stress), stress
            columns["test"].append(f"t{test}")
            columns["step"].append(float(step))
            columns["stress"].append(stress)
            # Never on a line, so that its scatter is more than rounding.
            beside = 0.01 * (step % 3) + float(draw.numbers(-0.003, 0.003, 1)[0])
            columns["height"].append(height + beside)
            columns["offset"].append(20.0 * test + 5.0)
    size = len(columns["test"])
    return draw.table(
        test=columns["test"], core=["1"] * size, section=["1"] * size,
        step=("1", columns["step"]), stress=("kPa", columns["stress"]),
        height=("mm", columns["height"]), offset=("cm", columns["offset"]),
    )  # fmt: skip


def of_tests(function: str) -> Any:
    """Call a function with the tests of a table in a given order, each with its steps in order."""

    def call(table: xr.Dataset, tests: np.ndarray, **options: Any) -> xr.Dataset:
        names = table["test"].values.astype(str)
        rows = np.concatenate([np.flatnonzero(names == str(test)) for test in tests])
        return getattr(cp.consolidation, function)(table.isel({"row": rows}), **options)

    return call


def names(draw: Draw) -> np.ndarray:
    """Names of the tests of a table."""
    return np.array([f"t{test}" for test in range(draw.size)], dtype=object)


@case("consolidation.curve", rows="none", size=(1, 2))
def _(draw: Draw) -> dict[str, Any]:
    heights = draw.choice(True, False)
    return {
        "table": compression(draw),
        "initial_void_ratio": None if heights else draw.scalar("1", 1.5, 2.5),
        "height_of_solids": draw.scalar("mm", 6.0, 8.0) if heights else None,
        "initial_height": draw.scalar("mm", 20.0, 21.0),
        "void_ratio_uncertainty": draw.scalar("1", 0.005, 0.02),
        "initial_void_ratio_uncertainty": draw.scalar("1", 0.01, 0.05),
    }


@case("consolidation.curve#rows", rows="set", dims=("row",), size=(12, 12))
def _(draw: Draw) -> dict[str, Any]:
    return {"table": compression(draw, 1), "initial_void_ratio": draw.scalar("1", 1.5, 2.5)}


def curve(draw: Draw) -> xr.Dataset:
    """A curve as the library makes it."""
    return cp.consolidation.curve(
        compression(draw), initial_void_ratio="2.1 1",
        void_ratio_uncertainty=draw.choice(None, "0.01 1"),
        initial_void_ratio_uncertainty="0.03 1",
    )  # fmt: skip


def of_curves(function: str) -> Any:
    """Call a function with the tests of a curve in a given order."""

    def call(curve: xr.Dataset, tests: np.ndarray, **options: Any) -> xr.Dataset:
        held = curve["test"].values.astype(str)
        rows = np.concatenate([np.flatnonzero(held == str(test)) for test in tests])
        return getattr(cp.consolidation, function)(curve.isel(reading=rows), **options)

    return call


@case("consolidation.indices", size=(2, 3), rtol=1e-7, call=of_curves("indices"))
def _(draw: Draw) -> dict[str, Any]:
    return {"curve": curve(draw), "tests": names(draw)}


@case(
    "consolidation.yield_stress",
    rows="none",
    size=(1, 1),
    rtol=1e-6,
    call=of_curves("yield_stress"),
)
def _(draw: Draw) -> dict[str, Any]:
    return {"curve": curve(draw), "tests": names(draw)}


@case("consolidation.sample_quality", size=(2, 3), call=of_curves("sample_quality"))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "curve": curve(draw), "tests": names(draw),
        "vertical_effective_stress": draw.scalar("kPa", 20.0, 400.0),
        "overconsolidation_ratio": draw.scalar("1", 0.8, 3.0),
    }  # fmt: skip


def stresses(draw: Draw) -> dict[str, Any]:
    """Yield stresses and vertical effective stresses, as Datasets or series."""
    datasets = draw.choice(True, False)
    if datasets:
        top = draw.dataset(("yield_construction",), yield_stress=(40.0, 900.0))
        values = top["yield_stress"].values
        for end, factor in (("low", 0.8), ("high", 1.3)):
            top[f"yield_stress_{end}"] = ("reading", factor * values, {"units": "kPa"})
        load = draw.dataset(("density",), vertical_effective_stress=(40.0, 900.0))
        return {"yield_stress": top, "vertical_effective_stress": load}
    return {
        "yield_stress": draw.series("kPa", 40.0, 900.0),
        "vertical_effective_stress": draw.series("kPa", 40.0, 900.0),
        "yield_stress_uncertainty": draw.choice(
            draw.scalar("kPa", 1.0, 9.0), draw.series("kPa", 1.0, 9.0)
        ),
        "vertical_effective_stress_uncertainty": draw.scalar("kPa", 1.0, 9.0),
    }


@case("consolidation.overconsolidation_ratio")
def _(draw: Draw) -> dict[str, Any]:
    return stresses(draw)


@case("consolidation.overpressure_bound")
def _(draw: Draw) -> dict[str, Any]:
    return stresses(draw)


@case("consolidation.solids_height", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "dry_mass": draw.series("g", 50.0, 90.0), "diameter": draw.series("mm", 48.0, 64.0),
        "grain_density": draw.choice(
            draw.scalar("g/cm^3", 2.6, 2.8), draw.series("g/cm^3", 2.6, 2.8)
        ),
    }  # fmt: skip


@case("consolidation.coefficient_from_time")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "drainage_path": draw.series("mm", 8.0, 12.0), "time": draw.series("s", 30.0, 3000.0),
        "share": draw.choice(0.5, 0.9),
    }  # fmt: skip


@case("consolidation.hydraulic_conductivity")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "coefficient": draw.series("m^2/s", 1e-8, 1e-6),
        "compressibility": draw.series("1/MPa", 0.05, 3.0),
        "pore_water_density": draw.scalar("g/cm^3", 1.0, 1.04),
        "gravity": draw.scalar("m/s^2", 9.7, 9.9),
    }


@case("consolidation.permeability")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "conductivity": draw.series("m/s", 1e-10, 1e-8),
        "viscosity": draw.scalar("Pa s", 0.0009, 0.0012),
        "pore_water_density": draw.scalar("g/cm^3", 1.0, 1.04),
        "gravity": draw.scalar("m/s^2", 9.7, 9.9),
    }


def in_time(draw: Draw) -> xr.Dataset:
    """Two steps of a test read against time, with Terzaghi's consolidation and some creep."""
    time = np.array([0.0, 6, 15, 30, 60, 120, 240, 480, 900, 1800, 3600, 7200, 14400])
    columns: dict[str, list[Any]] = {n: [] for n in ("test", "step", "stress", "height", "time")}
    for test in range(draw.size):
        height = 20.0
        for step, stress in enumerate((50.0, 100.0, 200.0)):
            factor = float(draw.numbers(0.6, 1.5, 1)[0]) * 1e-3 * time
            degree = np.sqrt(np.tanh((2 * np.sqrt(factor / np.pi)) ** 2))
            creep = 0.02 * np.log10(1.0 + time / 600.0)
            columns["height"].extend(height - 0.6 * degree - creep)
            columns["time"].extend(time)
            columns["step"].extend([float(step)] * time.size)
            columns["stress"].extend([stress] * time.size)
            columns["test"].extend([f"t{test}"] * time.size)
            height -= 0.6 + 0.03
    return draw.table(
        test=columns["test"], step=("1", columns["step"]), stress=("kPa", columns["stress"]),
        height=("mm", columns["height"]), time=("s", columns["time"]),
    )  # fmt: skip


@case("consolidation.consolidation_rate", rows="none", size=(1, 1), rtol=1e-5,
      call=of_tests("consolidation_rate"))  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    return {
        "table": in_time(draw), "tests": names(draw),
        "drainage": draw.choice("both", "one"),
        "initial_void_ratio": draw.scalar("1", 1.5, 2.5),
        "pore_water_density": draw.scalar("g/cm^3", 1.0, 1.04),
        "viscosity": draw.scalar("Pa s", 0.0009, 0.0012),
    }  # fmt: skip
