"""Magnetic susceptibility: the loop, its baseline, and counters that begin again."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case


def meter(draw: Draw, low: float, high: float, dim: str = "reading") -> xr.DataArray:
    """Readings of the meter: no unit of their own, which other units would change."""
    found = draw.series("1", low, high, dim=dim)
    del found.attrs["units"]
    return found


def either(draw: Draw, unit: str, low: float, high: float) -> Any:
    """A series, or one quantity for all readings."""
    return draw.choice(draw.series(unit, low, high), draw.scalar(unit, low, high))


def in_unit(name: str) -> Callable[..., Any]:
    """The function with the word of its unit: "1e-5 SI" is no quantity that could be converted."""

    def call(number: int, **arguments: Any) -> Any:
        word = ("1e-5 SI", "SI", "1e-6 cgs", "cgs")[number]
        return getattr(cp.susceptibility, name)(unit=word, **arguments)

    return call


@case("susceptibility.magnetic_susceptibility", lazy=True, call=in_unit("magnetic_susceptibility"))
def _(draw: Draw) -> dict[str, Any]:
    loop = {
        "core_diameter": either(draw, "mm", 58.0, 68.0),
        "loop_diameter": draw.scalar("mm", 75.0, 90.0),
        "core_diameter_uncertainty": draw.scalar("mm", 0.1, 0.5),
        "allowance": draw.scalar("mm", 5.0, 9.0),
    }
    return {
        "reading": meter(draw, -1.0, 500.0),
        "number": draw.integer(0, 3),
        "baseline": draw.choice(0.0, 1.5, meter(draw, -1.0, 1.0)),
        "reading_uncertainty": draw.choice(None, 0.4),
        **draw.choice({}, loop),
    }


def with_baseline(reading: Any, **arguments: Any) -> Any:
    """Baseline alone and the susceptibility over it."""
    baseline = cp.susceptibility.drift_baseline(**arguments)
    return [
        {"values": np.asarray(baseline.values), "uncertainty": np.asarray(baseline.uncertainty),
         "reason": np.asarray(baseline.reason)},
        cp.susceptibility.magnetic_susceptibility(reading, unit="1e-5 SI", baseline=baseline),
    ]  # fmt: skip


@case("susceptibility.drift_baseline", call=with_baseline, lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    air = 7
    return {
        "reading": meter(draw, -1.0, 500.0),
        "time": draw.series("s", -2000.0, 60000.0),
        "air_time": draw.series("s", 0, 1, values=draw.rising(0.0, 40000.0, air), dim="air"),
        "air_reading": draw.numbers(-1.0, 1.0, air),
        "air_uncertainty": draw.choice(None, 0.3),
        "span": draw.scalar("hour", 0.5, 5.0),
    }


@case("susceptibility.suggest_unwrapping", rows="order", size=(6, 14))
def _(draw: Draw) -> dict[str, Any]:
    true = 7000.0 + 4000.0 * draw.numbers(0.0, 1.0)
    return {
        "readings": meter(draw, 0.0, 1.0).copy(data=true % 10000.0),
        "counter_range": 10000.0,
        "groups": draw.choice(None, np.array(["A"] * draw.size, dtype=object)),
    }


@case("susceptibility.to_si", lazy=True, call=in_unit("to_si"))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "reading": meter(draw, -1.0, 500.0),
        "number": draw.integer(0, 3),
    }


@case("susceptibility.volume_factor")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "core_diameter": draw.series("mm", 58.0, 68.0),
        "loop_diameter": draw.scalar("mm", 75.0, 90.0),
        "allowance": draw.scalar("mm", 5.0, 9.0),
    }


@case("susceptibility.volume_factor_quadratic")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "core_diameter": draw.series("mm", 58.0, 68.0),
        "loop_diameter": draw.scalar("mm", 75.0, 90.0),
    }
