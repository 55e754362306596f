"""Formation temperature from the cooling of a probe, and the temperature of the bottom water."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case

RADIUS, OWN, HEAT = 8e-3, 720.0, 3.3e6  # m, J/(m K), J/(m^3 K)

NOT_MEASURED = {
    "formation_temperature.decay_function": "takes two dimensionless numbers, which have no unit "
    "to change",
    "formation_temperature.late_decay_function": "takes two dimensionless numbers, which have no "
    "unit to change",
}


def record(draw: Draw) -> tuple[np.ndarray, np.ndarray, float]:
    """Time since penetration [s], temperature [degC] and conductivity of one station."""
    k = float(draw.numbers(0.9, 1.4, 1)[0])
    time = np.arange(0.0, 600.0, 10.0)
    alpha = 2 * np.pi * RADIUS**2 * HEAT / OWN
    since = np.maximum(time - 1.5, 1.0)
    fall = cp.formation_temperature.decay_function(alpha, k / HEAT / RADIUS**2 * since)
    noise = 1e-3 * np.random.default_rng(draw.integer(0, 9999)).normal(size=time.size)
    return time, np.where(time < 1.5, 2.0, 12.0 + 3.5 * fall) + noise, k


def records(draw: Draw, count: int | None = None) -> dict[str, Any]:
    """The three tables of some stations."""
    number = count or draw.size
    columns: dict[str, list[Any]] = {"station": [], "time": [], "temperature": []}
    conductivity = []
    for station in range(number):
        time, temperature, k = record(draw)
        columns["station"].extend([f"T{station}"] * time.size)
        columns["time"].extend(time + 900.0)
        columns["temperature"].extend(temperature)
        conductivity.append(k)
    table = draw.table(
        station=columns["station"], time=("s", columns["time"]),
        temperature=("degC", columns["temperature"]),
    )  # fmt: skip
    stations = draw.table(
        station=[f"T{i}" for i in range(number)], tool=["probe"] * number,
        depth=("m", 50.0 * (1.0 + np.arange(number))),
        # Between two samples: which of them count does not hang on rounding.
        penetration_time=("s", [901.3] * number), end_time=("s", [1484.0] * number),
        conductivity=("W/(m K)", conductivity),
    )  # fmt: skip
    tools = draw.table(
        dim="tool_row", tool=["probe"], radius=("mm", [1e3 * RADIUS]),
        heat_capacity=("J/(m K)", [OWN]), u_heat_capacity=("J/(m K)", [20.0]),
    )  # fmt: skip
    return {"table": table, "stations": stations, "tools": tools}


def of_stations(function: str) -> Any:
    """Call a function with some stations in a given order."""

    def call(stations: xr.Dataset, order: np.ndarray, **options: Any) -> xr.Dataset:
        held = list(stations["station"].values.astype(str))
        rows = [held.index(str(name)) for name in order]
        return getattr(cp.formation_temperature, function)(
            stations=stations.isel(row=rows), **options
        )

    return call


def names(draw: Draw) -> np.ndarray:
    """Names of the stations."""
    return np.array([f"T{i}" for i in range(draw.size)], dtype=object)


@case("formation_temperature.equilibrium_temperature", size=(2, 2), rtol=1e-5,
      call=of_stations("equilibrium_temperature"))  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    return {
        **records(draw),
        "order": names(draw),
        "conductivity_uncertainty": draw.scalar("1", 0.02, 0.08),
        "volumetric_heat_capacity": draw.choice(None, draw.scalar("MJ/(m^3 K)", 3.0, 3.6)),
        "heat_capacity_uncertainty": draw.scalar("1", 0.02, 0.08),
        "thermometer_uncertainty": draw.scalar("K", 0.001, 0.01),
    }


# An effect of a millikelvin is the difference of two fits of some 10 degC: of the 1e-12 of these
# 1e-8 is left, and processors differ in the last bits.
@case("formation_temperature.equilibrium_temperature#rows", rows="set", dims=("sample",),
      size=(60, 60), rtol=1e-7, call=cp.formation_temperature.equilibrium_temperature)  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    time, temperature, k = record(draw)
    found = records(draw, 1)
    found["table"] = draw.table(
        dim="sample", station=["T0"] * time.size, time=("s", time + 900.0),
        temperature=("degC", temperature),
    )  # fmt: skip
    return {**found, "conductivity": cp.quantity(k, "W/(m K)")}


@case("formation_temperature.valley", rows="none", size=(1, 1), rtol=1e-5)
def _(draw: Draw) -> dict[str, Any]:
    return {
        **records(draw),
        "conductivities": draw.series("W/(m K)", 0, 1, values=[0.9, 1.0, 1.2], dim="trial"),
        "volumetric_heat_capacity": draw.scalar("MJ/(m^3 K)", 3.0, 3.6),
    }


@case("formation_temperature.fitted_decay", rows="none", size=(1, 1), rtol=1e-6)
def _(draw: Draw) -> dict[str, Any]:
    found = records(draw)
    heat = draw.scalar("MJ/(m^3 K)", 3.0, 3.6)
    result = cp.formation_temperature.equilibrium_temperature(
        **found, volumetric_heat_capacity=heat, conductivity_uncertainty="5 %",
        heat_capacity_uncertainty="5 %", thermometer_uncertainty="0.002 K",
    )  # fmt: skip
    return {
        "table": found["table"], "station": found["stations"], "tools": found["tools"],
        "result": result.isel(reading=0), "volumetric_heat_capacity": heat,
    }  # fmt: skip


@case("formation_temperature.penetration_time", rows="set", dims=("sample",), size=(120, 120),
      rtol=1e-7)  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    time, temperature, _ = record(draw)
    water = np.arange(-600.0, 0.0, 10.0)
    noise = 1e-3 * np.random.default_rng(draw.integer(0, 9999)).normal(size=water.size)
    return {
        "table": draw.table(
            dim="sample", station=["T0"] * 120, time=("s", np.append(water, time) + 900.0),
            temperature=("degC", np.append(2.0 + noise, temperature)),
        )
    }  # fmt: skip


@case("formation_temperature.bottom_water_temperature", rows="none", size=(2, 3), rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    samples = 8
    noise = draw.numbers(-0.002, 0.002, samples * draw.size)
    stations = np.repeat(names(draw), samples)
    return {
        "table": draw.table(
            station=stations, kind=["bottom_water"] * stations.size,
            time=("s", np.tile(np.arange(samples) * 10.0, draw.size)),
            temperature=("degC", 2.0 + noise),
        ),
        "thermometer_uncertainty": draw.scalar("K", 0.001, 0.01),
    }  # fmt: skip


@case("formation_temperature.bottom_water_temperature#rows", rows="set", dims=("row",),
      size=(6, 12), rtol=1e-7)  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    return {
        "table": draw.table(
            station=draw.words("T0", "T1"), kind=["bottom_water"] * draw.size,
            time=("s", draw.rising(0.0, 100.0)),
            temperature=("degC", 2.0 + draw.numbers(-0.05, 0.05)),
        )
    }  # fmt: skip


@case("formation_temperature.late_time_temperature", rows="set", size=(3, 6), rtol=1e-7,
      dims=("sample",))  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    time = draw.rising(600.0, 3000.0)
    return {
        "time": draw.series("s", 0, 1, values=time, dim="sample"),
        "temperature": draw.series(
            "degC", 0, 1, values=10.0 + 200.0 / time + draw.numbers(0.0, 0.01), dim="sample"
        ),
    }
