"""Mixing laws: conductivity, heat capacity and the slowest sound of a sediment."""

from __future__ import annotations

from typing import Any

from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case


def phases(draw: Draw) -> dict[str, Any]:
    """Two phases whose fractions of each reading make one."""
    share = draw.series("1", 0.1, 0.9)
    return {
        "fractions": [share, (1.0 - share).assign_attrs(units="1")],
        "values": [
            draw.scalar("W/(m K)", 0.55, 0.65),
            draw.choice(draw.series("W/(m K)", 2.0, 7.0), draw.scalar("W/(m K)", 2.0, 7.0)),
        ],
        "unit": "W/(m K)",
    }


case("mixing.arithmetic_mean", lazy=True)(phases)
case("mixing.geometric_mean", lazy=True)(phases)
case("mixing.harmonic_mean", lazy=True)(phases)


@case("mixing.hashin_shtrikman_conductivity")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "porosity": draw.series("1", 0.1, 0.9),
        "grain_conductivity": draw.choice(
            draw.series("W/(m K)", 2.0, 7.0), draw.scalar("W/(m K)", 2.0, 7.0)
        ),
        "water_conductivity": draw.scalar("W/(m K)", 0.55, 0.65),
    }


@case("mixing.volumetric_heat_capacity", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "porosity": draw.series("1", 0.1, 0.9),
        "grain_heat_capacity": draw.scalar("MJ/(m^3 K)", 2.0, 2.4),
        "water_heat_capacity": draw.scalar("MJ/(m^3 K)", 4.0, 4.2),
    }


@case("mixing.heat_capacity_from_conductivity")
def _(draw: Draw) -> dict[str, Any]:
    return {"conductivity": draw.series("W/(m K)", 0.7, 1.7)}


@case("mixing.suspension_velocity", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "porosity": draw.series("1", 0.1, 0.9),
        "fluid_modulus": draw.scalar("GPa", 2.2, 2.5),
        "grain_modulus": draw.scalar("GPa", 30.0, 80.0),
        "fluid_density": draw.scalar("g/cm^3", 1.0, 1.04),
        "grain_density": draw.choice(
            draw.series("g/cm^3", 2.6, 2.8), draw.scalar("g/cm^3", 2.6, 2.8)
        ),
    }
