"""Flags of series, control charts of standards, and the warming of cores."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from corephys.ground import units
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case

NOT_MEASURED = {
    "quality.axis_departure": "pure numbers of no unit; quality.settled is its door",
    "quality.findings": "texts of a hole that was read already; no number goes in or comes out",
    "quality.cumulative_sums": "departures in standard deviations, pure numbers in order of time",
}


def scanned(draw: Draw, size: int, **ranges: Any) -> xr.Dataset:
    """A scan every 2 cm along two sections, with quantities as a stage gives them."""
    made = Draw(draw._source, size)
    half = size // 2
    offset = np.concatenate([2.0 + 2.0 * np.arange(half), 2.0 + 2.0 * np.arange(size - half)])
    section = np.where(np.arange(size) < half, "1", "2").astype(object)
    made.positions = {
        "core": ("reading", np.array(["1"] * size, dtype=object)),
        "section": ("reading", section),
        "offset": ("reading", offset, {"units": "cm"}),
        "depth": ("reading", 10.0 + 0.02 * np.arange(size), {"units": "m"}),
    }
    return made.dataset(flagged=False, **ranges)


def sections(draw: Draw) -> xr.Dataset:
    """The two sections of the scan."""
    return draw.table(
        "row", core=["1", "1"], section=["1", "2"],
        length=("m", [0.5, float(draw.numbers(0.4, 0.6, 1)[0])]),
    )  # fmt: skip


@case("quality.flag", rows="set", size=(24, 40), rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    size = draw.size
    noise = np.random.default_rng(3).normal(0.0, 0.01, size)
    density = 1.7 + noise + 0.01 * draw.numbers(-1.0, 1.0)
    density[draw.integer(3, size - 4)] += draw.choice(0.0, 0.4, -0.5)
    removed = draw.table(
        "row", core=["1"], section=["2"], **{"from": ("cm", [10.0]), "to": ("cm", [14.0])},
        kind=["open_void"], when=["after_scan"],
    )  # fmt: skip
    if draw.choice("density", "velocity") == "density":
        companions: dict[str, Any] = {
            "samples": scanned(draw, 4, bulk_density=np.array([1.7, 1.75, 1.68, 2.0])),
        }
        return {
            "dataset": scanned(draw, size, bulk_density=density),
            "name": "bulk_density",
            "sections": draw.choice(None, sections(draw)),
            "removed": draw.choice(None, removed),
            "companions": draw.choice(None, companions),
        }
    velocity = 1600.0 * (1.0 + noise)
    velocity[draw.integer(3, size - 4)] *= draw.choice(1.0, 0.8)
    amplitude = 50.0 * (1.0 + 5.0 * noise)
    amplitude[draw.integer(3, size - 4)] *= draw.choice(1.0, 0.05)
    dataset = scanned(draw, size, p_wave_velocity=velocity)
    beside = scanned(draw, size, bulk_density=density)
    return {
        "dataset": dataset,
        "name": "p_wave_velocity",
        "sections": sections(draw),
        "removed": removed,
        "amplitude": dataset["p_wave_velocity"].copy(data=amplitude).assign_attrs(units="1"),
        "companions": draw.choice(None, {"bulk_density": cp.quality.flag(beside, "bulk_density")}),
    }


def of_tree(density: Any, velocity: Any, allow: Any) -> Any:
    """Tables of an audit of two series, in one order of their rows."""
    tree = xr.DataTree.from_dict({"properties/density": density, "properties/velocity": velocity})
    found = cp.quality.audit(tree, allow=allow)
    keys = ["quantity", "core", "reason"]
    return {
        "readings": found.readings.sort_values(keys, ignore_index=True),
        "cores": found.cores.sort_values(keys[:2], ignore_index=True),
    }


@case("quality.audit", rows="set", size=(12, 20), call=of_tree)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "density": draw.dataset(bulk_density=(1.05, 2.2)),
        "velocity": draw.dataset(p_wave_velocity=(1300.0, 2200.0)),
        "allow": draw.choice(("good", "not_evaluated"), ("good", "suspect")),
    }


def times(draw: Draw, size: int, dim: str) -> xr.DataArray:
    """Times some hours apart, as seconds or as calendar times."""
    seconds = draw.rising(0.0, 3e5, size)
    if draw.choice(True, False):
        return draw.series("s", 0, 1, values=seconds, dim=dim)
    when = np.datetime64("2026-01-01T00:00:00", "ns") + (1e9 * seconds).astype("timedelta64[ns]")
    return xr.DataArray(when, dims=dim, coords=draw.positions if dim == "reading" else {})


def checked(draw: Draw, size: int) -> dict[str, Any]:
    """A check standard that steps by some standard deviations on its way, or does not."""
    noise = np.random.default_rng(7).normal(0.0, 0.01, size) + 0.003 * draw.numbers(-1, 1, size)
    step = np.where(np.arange(size) >= draw.integer(4, size - 2), draw.choice(0.0, 0.06), 0.0)
    return {
        "time": times(draw, size, "standard"),
        "value": draw.series("g/cm^3", 0, 1, values=1.99 + noise + step, dim="standard"),
        "reference": draw.choice(None, "1.99 g/cm^3"),
        "uncertainty": draw.choice(None, draw.scalar("g/cm^3", 0.008, 0.012)),
        "baseline": draw.choice(None, 6),
    }


def in_unit(**arguments: Any) -> Any:
    """The chart with its values in g/cm^3: it stays in the unit of the standards."""
    chart = cp.quality.control_chart(**arguments)
    table = chart.dataset
    for name in ("value", "centre", "sigma", "lower", "upper"):
        given = table[name].attrs["units"]
        table[name] = units.convert(table[name], given, "g/cm^3").assign_attrs(units="g/cm^3")
    return {"table": table.rename_dims(standard="in_time"), "status": chart.status}


@case(
    "quality.control_chart", rows="set", size=(12, 20), dims=("standard",), call=in_unit, rtol=1e-7
)
def _(draw: Draw) -> dict[str, Any]:
    return {
        **checked(draw, draw.size),
        "rules": draw.choice(cp.quality.RULES[:2], cp.quality.RULES),
    }


@case("quality.out_of_control")
def _(draw: Draw) -> dict[str, Any]:
    given = checked(draw, 14)
    kind = given["time"].dtype.kind
    when = times(draw, draw.size, "reading")
    while when.dtype.kind != kind:
        when = times(draw, draw.size, "reading")
    return {"chart": cp.quality.control_chart(**given), "times": when}


@case("quality.settled", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    hours = draw.numbers(0.5, 6.0)
    surface = {
        "surface_conductance": draw.scalar("W/(m^2 K)", 5.0, 15.0),
        "conductivity": draw.scalar("W/(m K)", 0.8, 1.3),
    }
    return {
        "time_on_deck": draw.series("s", 0, 1, values=np.full(draw.size, 1000.0)),
        "time": draw.series("s", 0, 1, values=1000.0 + 3600.0 * hours),
        "laboratory_temperature": draw.scalar("degC", 19.0, 23.0),
        "core_diameter": either_diameter(draw),
        "core_temperature": draw.choice(None, draw.series("degC", 15.0, 22.0)),
        "deck_temperature": draw.scalar("degC", 2.0, 8.0),
        "tolerance": draw.scalar("K", 0.2, 1.0),
        "diffusivity": draw.scalar("m^2/s", 2.5e-7, 3.5e-7),
        **draw.choice({}, surface),
    }


def either_diameter(draw: Draw) -> Any:
    """A diameter of each reading, or one for all."""
    return draw.choice(draw.series("mm", 58.0, 66.0), draw.scalar("cm", 5.8, 6.6))
