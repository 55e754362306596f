"""Electrical resistivity: baseline, brines, electrodes, other conditions, and Archie's law."""

from __future__ import annotations

from typing import Any

import numpy as np

import corephys as cp
from tests.metamorphic.arguments import Draw, Seeded
from tests.metamorphic.case import case


def brines(draw: Draw, size: int) -> dict[str, Any]:
    """Responses to brines whose conductivity rises by a quarter from one to the next."""
    conductivity = 0.8 * 1.3 ** np.arange(size)
    response = 60.0 * conductivity**0.95 * (1.0 + draw.numbers(-0.01, 0.01, size))
    return {
        "response": draw.series("mV", 0, 1, values=response + 12.0, dim="standard"),
        "conductivity": draw.series("S/m", 0, 1, values=conductivity, dim="standard"),
        "baseline": "12 mV",
    }


def weighed(draw: Draw, size: int) -> dict[str, Any]:
    """Responses to brines that were weighed, not measured."""
    salinity = 6.0 * 1.35 ** np.arange(size)
    warm = 18.0 + draw.numbers(0.0, 6.0, size)
    response = 60.0 * (0.14 * salinity) ** 0.95 * (1.0 + draw.numbers(-0.01, 0.01, size))
    return {
        "response": draw.series("mV", 0, 1, values=response, dim="standard"),
        "salinity": draw.series("g/kg", 0, 1, values=salinity, dim="standard"),
        "temperature": draw.series("degC", 0, 1, values=warm, dim="standard"),
        "brine": draw.choice("sodium_chloride", "sea"),
    }


def fitted(draw: Draw) -> cp.resistivity.Calibration:
    """A calibration as a reduction has it."""
    return cp.resistivity.calibrate(**brines(draw, 6), response_uncertainty="0.5 mV")


def scattered(draw: Draw, size: float) -> np.ndarray:
    """Factors about one that are never all alike, so that a fit has scatter to judge."""
    fixed = np.random.default_rng(11).normal(0.0, 0.5, draw.size)
    return 1.0 + size * (fixed + 0.3 * draw.numbers(-1.0, 1.0))


def either(draw: Draw, unit: str, low: float, high: float) -> Any:
    """A series, or one quantity for all readings."""
    return draw.choice(draw.series(unit, low, high), draw.scalar(unit, low, high))


@case(
    "resistivity.calibrate", rows="set", size=(5, 7), dims=("standard",), rtol=1e-7,
    only=lambda path: not path.startswith("/used"),  # the record of what was given
)  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    given = draw.choice(brines, weighed)(draw, draw.size)
    return {
        **given,
        "order": draw.choice(None, 1, 2),
        "response_uncertainty": draw.choice(None, draw.scalar("mV", 0.5, 3.0)),
        "brine_uncertainty": draw.scalar("1", 0.005, 0.02),
    }


@case("resistivity.electrical_resistivity", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    diameters = {
        "core_diameter": either(draw, "mm", 58.0, 66.0),
        "bore": draw.scalar("mm", 66.0, 67.0),
        "core_diameter_uncertainty": draw.scalar("mm", 0.1, 0.5),
    }
    return {
        "response": draw.series("mV", 60.0, 200.0),
        "calibration": fitted(draw),
        "temperature": either(draw, "degC", 18.0, 23.0),
        "baseline": either(draw, "mV", 8.0, 14.0),
        "response_uncertainty": draw.scalar("mV", 0.2, 1.0),
        "baseline_uncertainty": draw.scalar("mV", 0.1, 0.5),
        **draw.choice({}, diameters),
    }


@case("resistivity.air_baseline")
def _(draw: Draw) -> dict[str, Any]:
    air = 7
    return {
        "time": draw.series("s", 0, 1, values=draw.rising(0.0, 40000.0, air), dim="air"),
        "reading_time": draw.series("s", -2000.0, 60000.0),
        "response": draw.series("mV", 0, 1, values=10.0 + draw.numbers(-1, 1, air), dim="air"),
        "response_uncertainty": draw.choice(None, draw.scalar("mV", 0.05, 0.3)),
        "span": draw.scalar("hour", 0.5, 5.0),
    }


@case("resistivity.brine_conductivity")
def _(draw: Draw) -> dict[str, Any]:
    brine = draw.choice("sodium_chloride", "sea")
    return {
        "salinity": either(draw, "g/kg", 2.0, 41.0),
        "temperature": draw.series("degC", 4.0, 30.0),
        "brine": brine,
    }


@case("resistivity.four_electrode")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "voltage": draw.series("mV", 5.0, 50.0),
        "current": either(draw, "mA", 0.8, 1.2),
        "cell_constant": draw.choice(
            draw.scalar("m", 0.03, 0.05), cp.resistivity.wenner_constant("5 mm")
        ),
        "cell_constant_uncertainty": draw.scalar("mm", 0.1, 0.5),
        "voltage_uncertainty": draw.scalar("mV", 0.05, 0.2),
        "current_uncertainty": draw.scalar("mA", 0.001, 0.01),
        "temperature": either(draw, "degC", 18.0, 23.0),
    }


@case("resistivity.cell_constant", rows="set", dims=("repeat",))
def _(draw: Draw) -> dict[str, Any]:
    return {
        "voltage": draw.series("mV", 4.9, 5.1, dim="repeat"),
        "current": draw.series("mA", 0.99, 1.01, dim="repeat"),
        "conductivity": draw.scalar("S/m", 4.0, 6.0),
        "conductivity_uncertainty": draw.scalar("S/m", 0.01, 0.05),
    }


@case(
    "resistivity.wenner_constant", rows="none",
    only=lambda path: path != "/source",  # words with the rounded spacing
)  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    return {
        "spacing": draw.scalar("mm", 3.0, 10.0),
        "spacing_uncertainty": draw.scalar("mm", 0.02, 0.2),
        "geometry_factor": float(draw.numbers(0.8, 1.0, 1)[0]),
        "geometry_factor_uncertainty": float(draw.numbers(0.01, 0.05, 1)[0]),
    }


@case("resistivity.pore_water_resistivity")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "salinity": either(draw, "g/kg", 5.0, 41.0),
        "temperature": draw.series("degC", 2.0, 30.0),
        "pressure": either(draw, "dbar", 0.0, 5000.0),
        "salinity_uncertainty": draw.scalar("g/kg", 0.1, 1.0),
        "temperature_uncertainty": draw.scalar("K", 0.05, 0.5),
    }


@case("resistivity.formation_factor")
def _(draw: Draw) -> dict[str, Any]:
    water: dict[str, Any] = {
        "salinity": either(draw, "g/kg", 30.0, 40.0),
        "temperature": either(draw, "degC", 18.0, 23.0),
        "salinity_uncertainty": draw.scalar("g/kg", 0.1, 1.0),
        "temperature_uncertainty": draw.scalar("K", 0.05, 0.5),
    }
    kind = draw.choice("salinity", "dataset", "given")
    if kind == "dataset":
        water = {"pore_water_resistivity": draw.dataset(pore_water_resistivity=(0.18, 0.24))}
    if kind == "given":
        water = {
            "pore_water_resistivity": either(draw, "ohm m", 0.18, 0.24),
            "pore_water_resistivity_uncertainty": draw.scalar("ohm m", 0.001, 0.01),
        }
    core: dict[str, Any] = {"resistivity": draw.dataset(electrical_resistivity=(0.3, 3.0))}
    if draw.choice(True, False):
        core = {
            "resistivity": draw.series("ohm m", 0.3, 3.0),
            "resistivity_uncertainty": either(draw, "ohm m", 0.005, 0.05),
        }
    return {**core, **water}


@case("resistivity.cementation_exponent")
def _(draw: Draw) -> dict[str, Any]:
    if draw.choice(True, False):
        return {
            "formation_factor": draw.series("1", 1.5, 8.0),
            "porosity": draw.series("1", 0.3, 0.8),
            "formation_factor_uncertainty": either(draw, "1", 0.02, 0.1),
            "porosity_uncertainty": draw.scalar("1", 0.002, 0.02),
        }
    return {
        "formation_factor": draw.dataset(formation_factor=(1.5, 8.0)),
        "porosity": draw.dataset(porosity=(0.3, 0.8)),
    }


@case("resistivity.archie_formation_factor", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "porosity": draw.series("1", 0.2, 0.9),
        "a": float(draw.numbers(0.8, 1.3, 1)[0]),
        "m": float(draw.numbers(1.5, 2.5, 1)[0]),
    }


def archie_rows(draw: Draw) -> dict[str, Any]:
    """Formation factors that go with porosities by F = phi^-2, with scatter."""
    porosity = 0.55 * scattered(draw, 0.2)
    factor = porosity**-2.0 * scattered(draw, 0.05)[::-1]
    if draw.choice(True, False):
        return {
            "formation_factor": draw.dataset(("core_diameter",), formation_factor=factor),
            "porosity": draw.dataset(("core_diameter", "grain_density"), porosity=porosity),
        }
    return {
        "formation_factor": draw.series("1", 0, 1, values=factor),
        "porosity": draw.series("1", 0, 1, values=porosity),
    }


def by_name(**arguments: Any) -> Any:
    """Fits in the order of their names: the layers come in the order of the rows."""
    return dict(sorted(cp.resistivity.archie_fit(**arguments).items()))


@case(
    "resistivity.archie_fit", rows="set", size=(12, 18), rtol=1e-6, call=by_name,
    # The rest are the rows that went in, in their order.
    only=lambda path: not {"porosity", "formation_factor", "used"} & set(path.split("/")),
)  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    words = np.where(np.arange(draw.size) < draw.size // 2, "upper", "lower").astype(object)
    return {
        **archie_rows(draw),
        "layer": draw.choice(None, words),
        "fixed_a": draw.choice(None, 1.0),
    }


@case("resistivity.porosity_from_formation_factor")
def _(draw: Draw) -> dict[str, Any]:
    archie: dict[str, Any] = {
        "a": float(draw.numbers(0.8, 1.2, 1)[0]), "m": float(draw.numbers(1.8, 2.4, 1)[0]),
        "a_uncertainty": float(draw.numbers(0.01, 0.1, 1)[0]),
        "m_uncertainty": float(draw.numbers(0.01, 0.1, 1)[0]),
    }  # fmt: skip
    if draw.choice(True, False):
        fits = cp.resistivity.archie_fit(**archie_rows(Draw(Seeded(draw.integer(0, 99)), 9)))
        archie = {"archie": fits["all"]}
    surface: dict[str, Any] = {
        "surface_conductivity": draw.scalar("S/m", 0.01, 0.1),
        "surface_conductivity_uncertainty": draw.scalar("S/m", 0.001, 0.01),
        "pore_water_resistivity": either(draw, "ohm m", 0.18, 0.24),
    }
    factor: dict[str, Any] = {"formation_factor": draw.dataset(formation_factor=(1.6, 8.0))}
    if draw.choice(True, False):
        factor = {
            "formation_factor": draw.series("1", 1.6, 8.0),
            "formation_factor_uncertainty": either(draw, "1", 0.02, 0.1),
        }
    return {**factor, **archie, **draw.choice({}, surface)}


@case("resistivity.surface_conduction_fit", rows="set", size=(8, 14), rtol=1e-5)
def _(draw: Draw) -> dict[str, Any]:
    porosity = 0.55 * scattered(draw, 0.2)
    water = np.linspace(0.1, 2.0, draw.size)
    core = 1.0 / (porosity**2.0 / water + 0.05) * scattered(draw, 0.02)[::-1]
    if draw.choice(True, False):
        return {
            "resistivity": draw.dataset(electrical_resistivity=core),
            "pore_water_resistivity": draw.dataset(pore_water_resistivity=water),
            "porosity": draw.dataset(porosity=porosity),
        }
    return {
        "resistivity": draw.series("ohm m", 0, 1, values=core),
        "pore_water_resistivity": draw.series("ohm m", 0, 1, values=water),
        "porosity": draw.series("1", 0, 1, values=porosity),
        "fixed_a": draw.choice(1.0, None),
        "resistivity_uncertainty": draw.choice(None, either(draw, "ohm m", 0.01, 0.05)),
        "porosity_uncertainty": draw.scalar("1", 0.002, 0.02),
    }


@case("resistivity.to_reference_temperature")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "dataset": draw.dataset(electrical_resistivity=(0.3, 3.0)),
        "temperature": either(draw, "degC", 15.0, 25.0),
        "reference": draw.scalar("degC", 18.0, 25.0),
        "salinity": either(draw, "g/kg", 30.0, 40.0),
        "temperature_uncertainty": draw.scalar("K", 0.05, 0.5),
        "salinity_uncertainty": draw.scalar("g/kg", 0.1, 1.0),
    }


@case("resistivity.in_situ")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "dataset": draw.dataset(electrical_resistivity=(0.3, 3.0)),
        "temperature": either(draw, "degC", 15.0, 25.0),
        "in_situ_temperature": either(draw, "degC", 2.0, 40.0),
        "in_situ_pressure": either(draw, "dbar", 500.0, 5000.0),
        "salinity": draw.scalar("g/kg", 30.0, 40.0),
        "temperature_uncertainty": draw.scalar("K", 0.05, 0.5),
        "in_situ_temperature_uncertainty": draw.scalar("K", 0.05, 0.5),
        "salinity_uncertainty": draw.scalar("g/kg", 0.1, 1.0),
    }
