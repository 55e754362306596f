"""Heat flow: resistances, lines of temperature, corrections, what is expected."""

from __future__ import annotations

from typing import Any

import xarray as xr

import corephys as cp
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case

# A matrix between readings has their order along both of its sides.
SQUARE = ("reading", "reading_2")


def needles(draw: Draw) -> xr.Dataset:
    """Conductivities of needle probes; some readings lie within the distance that is averaged."""
    return draw.dataset(("needle", "thermal_drift"), thermal_conductivity=(0.8, 1.6))


def stations(draw: Draw) -> xr.Dataset:
    """Temperatures that rise with depth, so that a line through them is well posed.

    A station of formation temperature lies at a depth and in no core.
    """
    depth = draw.positions["depth"][1]
    warm = 2.0 + 0.08 * depth + draw.numbers(-0.05, 0.05)
    found = draw.dataset(("thermistor", "clock"), equilibrium_temperature=warm)
    return found.drop_vars(["core", "section", "offset"])


def water(draw: Draw) -> dict[str, Any]:
    """The point at the seafloor, or none."""
    if draw.choice(True, False):
        return {}
    return {
        "bottom_water_temperature": draw.scalar("degC", 1.0, 3.0),
        "bottom_water_temperature_uncertainty": draw.scalar("K", 0.01, 0.1),
    }


def shaky(draw: Draw) -> dict[str, Any]:
    """Errors of depth: none, one for all readings, or those of each reading."""
    kind = draw.choice("none", "one", "each")
    if kind == "none":
        return {}
    datum = {"datum_uncertainty": draw.scalar("m", 0.1, 1.0)}
    if kind == "one":
        return {"depth_uncertainty": draw.scalar("m", 0.05, 0.5), **datum}
    found = cp.depth.uncertainty(
        stations(draw), tide="1.2 m", heave="0.3 m", drill_string_relative="0.1 %"
    )
    return {"depth_uncertainty": found, **datum}


def resisting(draw: Draw) -> xr.Dataset:
    """Resistances at the depths of the stations."""
    return cp.heat_flow.thermal_resistance(needles(draw), at=stations(draw), **shaky(draw))


def line(draw: Draw) -> dict[str, Any]:
    """What every line of temperature against resistance takes."""
    return {"temperature": stations(draw), "resistance": resisting(draw), **water(draw)}


@case("heat_flow.thermal_resistance", examples=2, rows="set", dims=SQUARE)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "conductivity": needles(draw),
        "at": draw.choice(stations(draw), depths(draw)),
        "how": draw.choice(*cp.heat_flow.CARRIERS) if draw.size > 3 else "linear",
    }


@case(
    "heat_flow.thermal_resistance#depth errors",
    examples=2,
    rows="set",
    dims=SQUARE,
    call=cp.heat_flow.thermal_resistance,
)
def _(draw: Draw) -> dict[str, Any]:
    return {"conductivity": needles(draw), "at": stations(draw), **shaky(draw)}  # fmt: skip


@case("heat_flow.bullard", examples=2, rows="set", dims=SQUARE, size=(4, 7), rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    return line(draw)


# The flow of pore water is the least of a misfit, which a search finds to half of the digits.
@case("heat_flow.curvature", examples=2, rows="set", dims=SQUARE, size=(5, 7), rtol=1e-4)
def _(draw: Draw) -> dict[str, Any]:
    return {**line(draw), "water_heat_capacity": draw.scalar("MJ/(m^3 K)", 4.0, 4.2)}


@case("heat_flow.intervals", examples=2, rows="set", dims=SQUARE, size=(3, 6), rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    return line(draw)


@case("heat_flow.compare_carriers", examples=2, rows="set", size=(4, 6), rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "temperature": stations(draw), "conductivity": needles(draw), **water(draw), **shaky(draw),
    }  # fmt: skip


# Draws are made with seven digits.
@case("heat_flow.monte_carlo", examples=2, rows="set", size=(4, 6), rtol=1e-5)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "temperature": stations(draw), "conductivity": needles(draw), "draws": 200,
        **water(draw), **shaky(draw),
    }  # fmt: skip


@case("heat_flow.temperature_at", examples=2, rows="set", size=(4, 6), rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    made = {
        "heat_production": draw.scalar("uW/m^3", 0.5, 2.0),
        "heat_production_uncertainty": draw.scalar("uW/m^3", 0.05, 0.5),
    }
    return {
        "at": draw.choice(depths(draw), draw.scalar("m", 5.0, 100.0)),
        "temperature": stations(draw), "conductivity": needles(draw),
        **draw.choice({}, made), **water(draw), **shaky(draw),
    }  # fmt: skip


@case("heat_flow.heat_production_correction", examples=2, rows="set")
def _(draw: Draw) -> dict[str, Any]:
    one = {
        "heat_production": draw.scalar("uW/m^3", 0.5, 2.0),
        "heat_production_uncertainty": draw.scalar("uW/m^3", 0.05, 0.5),
    }
    profile = {"heat_production": draw.dataset(("potassium",), heat_production=(0.5, 2.0))}
    return {
        **draw.choice(one, profile),
        "conductivity": needles(draw),
        "at": draw.choice(stations(draw), depths(draw)),
    }


# Corrections -------------------------------------------------------------------------------------


def warmed(draw: Draw) -> dict[str, Any]:
    """Steps of the bottom water, one or two."""
    steps = draw.choice(1, 2)

    def each(unit: str, low: float, high: float) -> Any:
        if steps == 1:
            return draw.scalar(unit, low, high)
        return draw.series(unit, 0, 0, values=draw.numbers(low, high, steps), dim="step")

    return {
        "change": each("K", 0.1, 2.0),
        "since": each("yr", 1.0, 300.0),
        "diffusivity": draw.scalar("m^2/s", 2e-7, 4e-7),
        "change_uncertainty": draw.scalar("K", 0.01, 0.2),
        "since_uncertainty": draw.scalar("yr", 0.1, 20.0),
        "diffusivity_uncertainty": draw.scalar("m^2/s", 1e-8, 5e-8),
    }


def buried(draw: Draw) -> dict[str, Any]:
    """Steady sedimentation."""
    return {
        "rate": draw.scalar("mm/yr", 0.01, 2.0),
        "duration": draw.scalar("kyr", 10.0, 3000.0),
        "diffusivity": draw.scalar("m^2/s", 2e-7, 4e-7),
        "rate_uncertainty": draw.scalar("mm/yr", 0.001, 0.2),
        "duration_uncertainty": draw.scalar("kyr", 1.0, 100.0),
        "diffusivity_uncertainty": draw.scalar("m^2/s", 1e-8, 5e-8),
    }


def depths(draw: Draw) -> xr.DataArray:
    """Depths as values: a DataArray without positions of its own."""
    return xr.DataArray(draw.numbers(1.0, 200.0), dims="reading", attrs={"units": "m"})


def somewhere(draw: Draw) -> Any:
    """Depths, or a series that has them."""
    return draw.choice(stations(draw), depths(draw))


# Effects are central differences, which leaves them eight digits.
@case("heat_flow.bottom_water_anomaly", rtol=1e-6)
def _(draw: Draw) -> dict[str, Any]:
    return {"at": somewhere(draw), **warmed(draw)}


@case("heat_flow.seasonal_anomaly", rtol=1e-6)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "at": somewhere(draw),
        "amplitude": draw.scalar("K", 0.1, 2.0),
        "period": draw.scalar("yr", 0.9, 11.0),
        "since_maximum": draw.scalar("yr", 0.0, 1.0),
        "diffusivity": draw.scalar("m^2/s", 2e-7, 4e-7),
        "amplitude_uncertainty": draw.scalar("K", 0.01, 0.2),
        "since_maximum_uncertainty": draw.scalar("yr", 0.01, 0.1),
        "diffusivity_uncertainty": draw.scalar("m^2/s", 1e-8, 5e-8),
    }


@case("heat_flow.sedimentation", rtol=1e-6)
def _(draw: Draw) -> dict[str, Any]:
    return {"at": somewhere(draw), **buried(draw)}


def _corrected(temperature: Any, anomalies: Any) -> Any:
    return cp.heat_flow.corrected_temperature(temperature, *anomalies)


@case("heat_flow.corrected_temperature", call=_corrected)
def _(draw: Draw) -> dict[str, Any]:
    warm = stations(draw)
    anomaly = cp.heat_flow.bottom_water_anomaly(warm, **warmed(draw))
    other = draw.dataset(("thermistor",), temperature_anomaly=(-0.5, 0.5))
    other = other.drop_vars(["core", "section", "offset"])
    return {"temperature": warm, "anomalies": draw.choice((anomaly,), (anomaly, other))}


@case("heat_flow.corrections", examples=2, rows="set", dims=SQUARE, size=(4, 6), rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    given = line(draw)
    warm = given["temperature"]
    anomalies = {"bottom water": cp.heat_flow.bottom_water_anomaly(warm, **warmed(draw))}
    load = {"sedimentation": cp.heat_flow.sedimentation(warm, **buried(draw))}
    return {**given, "anomalies": anomalies, **draw.choice({}, load)}


# What is expected --------------------------------------------------------------------------------


@case("heat_flow.heat_flow_of_age")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "age": draw.series("Myr", 1.0, 150.0),
        "cooling": draw.choice("plate", "half_space"),
        "half_space": draw.scalar("mW/m^2", 450.0, 520.0),
    }


@case("heat_flow.conductivity_of_water_content")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "water_content": draw.choice(
            draw.dataset(water_content_wet=(0.1, 0.9)), draw.series("1", 0.1, 0.9)
        ),
        "conditions": draw.choice("seafloor", "laboratory"),
    }


@case("heat_flow.conductivity_at_temperature")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "conductivity": draw.series("W/(m K)", 1.0, 4.0),
        "temperature": draw.choice(
            draw.series("degC", 5.0, 150.0), draw.scalar("degC", 5.0, 150.0)
        ),
    }
