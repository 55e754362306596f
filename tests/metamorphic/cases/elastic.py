"""Rock physics: moduli, averages and bounds, velocity models, fluids and frames."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import corephys as cp
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case

NOT_MEASURED = {
    "elastic.material": "looks a mineral or fluid up by its name",
    "elastic.materials": "lists the table of minerals and fluids",
}


# Materials ---------------------------------------------------------------------------------------


def grains(draw: Draw) -> dict[str, Any]:
    """Moduli and density of a mineral."""
    return {
        "bulk_modulus": draw.scalar("GPa", 20.0, 80.0),
        "shear_modulus": draw.scalar("GPa", 6.0, 45.0),
        "density": draw.scalar("g/cm^3", 2.55, 2.9),
    }


def water(draw: Draw) -> Any:
    """A pore fluid: by its moduli, or the Dataset of brine, or that of one row a reading."""
    kind = draw.choice("moduli", "name", "dataset")
    if kind == "name":
        return "sea_water"
    if kind == "dataset":
        return draw.dataset(
            ("brine_salinity",), fluid_bulk_modulus=(2.2, 2.8), fluid_density=(1.0, 1.08)
        )
    return {
        "bulk_modulus": draw.scalar("GPa", 2.2, 2.8),
        "shear_modulus": "0 GPa",
        "density": draw.scalar("g/cm^3", 1.0, 1.08),
    }


PHASES = ("mineral", "soft_mineral", "cement", "fluid", "new_fluid")


def _phase(name: str, given: Any) -> Any:
    return cp.elastic.Material(name, **given) if isinstance(given, dict) else given


def with_phases(function: str) -> Callable[..., Any]:
    """Call a function with materials made of their moduli and densities."""

    def call(**arguments: Any) -> Any:
        made = {k: _phase(k, v) if k in PHASES else v for k, v in arguments.items()}
        if "phases" in made:
            made["phases"] = [_phase(f"phase_{n}", p) for n, p in enumerate(made["phases"])]
        if "fluids" in made:
            made["fluids"] = [_phase(f"fluid_{n}", p) for n, p in enumerate(made["fluids"])]
        return getattr(cp.elastic, function)(**made)

    return call


def of_phases(function: str, **choices: Any) -> Any:
    """Register a case of a function that takes materials."""
    name, _, more = function.partition("#")
    return case(f"elastic.{function}" if more else f"elastic.{name}",
                call=with_phases(name), **choices)  # fmt: skip


def mineral_uncertainties(draw: Draw, *names: str) -> dict[str, Any]:
    """Uncertainties of mineral properties by name."""
    given = {
        "mineral_bulk_modulus": draw.scalar("GPa", 0.2, 3.0),
        "mineral_shear_modulus": draw.scalar("GPa", 0.2, 3.0),
        "mineral_density": draw.scalar("g/cm^3", 0.005, 0.03),
        "fluid_bulk_modulus": draw.scalar("GPa", 0.005, 0.05),
        "fluid_density": draw.scalar("g/cm^3", 0.001, 0.01),
    }
    return {name: given[name] for name in names}


# From measured velocities ------------------------------------------------------------------------


@case("elastic.dynamic_moduli", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "p_wave_velocity": draw.dataset(p_wave_velocity=(2000.0, 4000.0)),
        "s_wave_velocity": draw.series("m/s", 600.0, 1200.0),
        "bulk_density": draw.dataset(bulk_density=(1.6, 2.5)),
        "uncertainties": {"s_wave_velocity": draw.scalar("m/s", 3.0, 20.0)},
    }


@case("elastic.from_moduli", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "bulk_modulus": draw.dataset(bulk_modulus=(3.0, 30.0)),
        "shear_modulus": draw.series("GPa", 0.1, 15.0),
        "bulk_density": draw.dataset(bulk_density=(1.6, 2.5)),
        "uncertainties": {"shear_modulus": draw.series("GPa", 0.02, 0.2)},
    }


@of_phases("bounds_check", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    soft = {"soft_mineral": grains(draw)} if draw.choice(True, False) else {}
    return {
        "p_wave_velocity": draw.dataset(p_wave_velocity=(1400.0, 5500.0)),
        "porosity": draw.dataset(("core_diameter", "grain_density"), porosity=(0.1, 0.8)),
        "mineral": grains(draw),
        "fluid": water(draw),
        "margin": float(draw.integer(1, 3)),
        "uncertainties": mineral_uncertainties(draw, "mineral_bulk_modulus", "mineral_density"),
        **soft,
    }


@of_phases("s_wave_from_frame", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "p_wave_velocity": draw.dataset(p_wave_velocity=(1800.0, 3500.0)),
        "bulk_density": draw.dataset(bulk_density=(1.7, 2.4)),
        "porosity": draw.dataset(("core_diameter", "grain_density"), porosity=(0.2, 0.6)),
        "mineral": grains(draw),
        "fluid": water(draw),
        "uncertainties": mineral_uncertainties(draw, "mineral_bulk_modulus"),
    }


@case("elastic.reflection_at_angle", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    # The sides differ: two equal ones reflect nothing but rounding.
    def side(faster: float) -> dict[str, Any]:
        return {
            "p_wave_velocity": draw.dataset(p_wave_velocity=(1800.0 + faster, 2600.0 + faster)),
            "s_wave_velocity": draw.series("m/s", 300.0 + faster, 700.0 + faster),
            "bulk_density": draw.dataset(bulk_density=(1.7, 2.4)),
        }

    return {
        "angle": draw.choice(
            draw.scalar("degree", 0.0, 60.0), draw.series("degree", 0.0, 60.0),
            draw.scalar("rad", 0.0, 1.0),
        ),
        "upper": side(0.0),
        "lower": side(900.0),
        "uncertainties": {"upper_s_wave_velocity": draw.scalar("m/s", 3.0, 20.0)},
    }  # fmt: skip


# Fitted relations --------------------------------------------------------------------------------


@case("elastic.gardner", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "p_wave_velocity": draw.dataset(p_wave_velocity=(1500.0, 5000.0)),
        "factor": draw.scalar("kg/m^3", 280.0, 330.0),
        "uncertainties": {"factor": draw.scalar("kg/m^3", 1.0, 9.0), "exponent": 0.003},
    }


@case("elastic.castagna", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "p_wave_velocity": draw.dataset(p_wave_velocity=(1200.0, 5000.0)),
        "intercept": draw.scalar("m/s", 1300.0, 1400.0),
        "uncertainties": {"intercept": draw.scalar("m/s", 5.0, 30.0)},
    }


@case("elastic.han", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "porosity": draw.dataset(porosity=(0.02, 0.4)),
        "clay": draw.series("1", 0.0, 0.5),
        "clean": draw.scalar("m/s", 5300.0, 5700.0),
        "by_porosity": draw.scalar("m/s", 6500.0, 7200.0),
        "uncertainties": {
            "clay": draw.scalar("1", 0.01, 0.05),
            "clean": draw.scalar("m/s", 20.0, 60.0),
            "by_clay": draw.scalar("m/s", 20.0, 60.0),
        },
    }


# Averages and bounds -----------------------------------------------------------------------------


def mixture(draw: Draw) -> dict[str, Any]:
    """Fractions of three phases that add to one, one phase by its name."""
    first = draw.numbers(0.1, 0.5)
    second = (1.0 - first) * draw.numbers(0.2, 0.8)
    shares = [first, second, 1.0 - first - second]
    return {
        "fractions": [draw.series("1", 0.0, 1.0, values=share) for share in shares],
        "phases": [grains(draw), grains(draw), draw.choice("clay", "sea_water")],
        "uncertainties": {
            "fraction_1": draw.series("1", 0.005, 0.03),
            "bulk_modulus_2": draw.scalar("GPa", 0.2, 3.0),
            "shear_modulus_2": draw.scalar("GPa", 0.2, 3.0),
        },
    }


of_phases("voigt", lazy=True)(mixture)
of_phases("reuss", lazy=True)(mixture)
of_phases("hill", lazy=True)(mixture)


@of_phases("hashin_shtrikman", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {**mixture(draw), "bound": draw.choice("upper", "lower")}


@of_phases("hashin_shtrikman#porosity", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    porosity = draw.dataset(porosity=(0.1, 0.8))
    solid = porosity.copy()
    solid["porosity"] = (1.0 - porosity["porosity"]).assign_attrs(porosity["porosity"].attrs)
    return {
        "fractions": [solid, porosity],
        "phases": [grains(draw), "sea_water"],
        "bound": draw.choice("upper", "lower"),
    }


@case("elastic.mineral_mixture", rows="none")
def _(draw: Draw) -> dict[str, Any]:
    first = float(draw.numbers(0.1, 0.5, 1)[0])
    return {"shares": {"quartz": f"{first!r} 1", "clay": "40 %", "calcite": f"{0.6 - first!r} 1"}}


# Pore fluids -------------------------------------------------------------------------------------


@case("elastic.brine", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "temperature": draw.series("degC", 2.0, 90.0),
        "pressure": draw.choice(draw.series("MPa", 0.1, 60.0), draw.scalar("MPa", 0.1, 60.0)),
        "salinity": draw.choice(draw.series("g/kg", 2.0, 41.0), draw.scalar("g/kg", 2.0, 41.0)),
        "uncertainties": {
            "temperature": draw.scalar("K", 0.05, 1.0),
            "pressure": draw.scalar("MPa", 0.01, 0.5),
            "salinity": draw.scalar("g/kg", 0.1, 1.0),
        },
    }


@of_phases("fluid_mixture", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    gas = draw.numbers(0.001, 0.2)
    return {
        "fractions": [draw.series("1", 0.0, 1.0, values=share) for share in (gas, 1.0 - gas)],
        "fluids": ["gas", water(draw)],
        "how": draw.choice("uniform", "patchy"),
        "uncertainties": {"fraction_1": draw.scalar("1", 0.0005, 0.01)},
    }


# Frames ------------------------------------------------------------------------------------------


@case("elastic.contacts_of_porosity", rows="none")
def _(draw: Draw) -> dict[str, Any]:
    return {"porosity": draw.scalar("1", 0.3, 0.7)}


def framed(draw: Draw) -> dict[str, Any]:
    """Porosity and mineral."""
    return {
        "porosity": draw.dataset(porosity=(0.1, 0.6)),
        "mineral": grains(draw),
        "uncertainties": mineral_uncertainties(
            draw, "mineral_bulk_modulus", "mineral_shear_modulus"
        ),
    }


of_phases("krief", lazy=True)(framed)


@of_phases("critical_porosity", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    given = framed(draw)
    given["uncertainties"]["critical"] = draw.scalar("1", 0.005, 0.03)
    return {**given, "critical": draw.scalar("1", 0.38, 0.7)}


@of_phases("contact_cement", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "porosity": draw.dataset(porosity=(0.28, 0.38)),
        "mineral": grains(draw),
        "cement": grains(draw),
        "where": draw.choice("contacts", "coats"),
        "critical": draw.scalar("1", 0.36, 0.4),
        "uncertainties": {"cement_shear_modulus": draw.scalar("GPa", 0.2, 3.0)},
    }


def pressed(draw: Draw) -> dict[str, Any]:
    """Effective pressure on a pack of grains."""
    return {
        "effective_pressure": draw.choice(
            draw.series("MPa", 0.1, 20.0), draw.dataset(vertical_effective_stress=(100.0, 2e4))
        ),
        "mineral": grains(draw),
        "critical": draw.scalar("1", 0.35, 0.45),
        "adhesion": draw.choice(1.0, 0.4),
        "uncertainties": {
            "critical": draw.scalar("1", 0.005, 0.03),
            "contacts": draw.scalar("1", 0.1, 1.0),
            "adhesion": draw.scalar("1", 0.01, 0.1),
        },
    }


of_phases("hertz_mindlin", lazy=True)(pressed)


def packed(draw: Draw) -> dict[str, Any]:
    """Porosity and effective pressure of a pack."""
    return {**pressed(draw), "porosity": draw.dataset(porosity=(0.2, 0.6))}


of_phases("soft_sand", lazy=True)(packed)
of_phases("stiff_sand", lazy=True)(packed)


@of_phases("gassmann", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "frame_bulk_modulus": draw.dataset(frame_bulk_modulus=(0.5, 12.0)),
        "porosity": draw.dataset(porosity=(0.1, 0.6)),
        "mineral": grains(draw),
        "fluid": water(draw),
        "uncertainties": mineral_uncertainties(draw, "mineral_bulk_modulus"),
    }


@of_phases("frame_modulus", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "bulk_modulus": draw.dataset(bulk_modulus=(4.0, 18.0)),
        "porosity": draw.dataset(porosity=(0.1, 0.6)),
        "mineral": grains(draw),
        "fluid": water(draw),
        "uncertainties": mineral_uncertainties(draw, "mineral_bulk_modulus"),
    }


@of_phases("fluid_substitution", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "p_wave_velocity": draw.dataset(p_wave_velocity=(2000.0, 3500.0)),
        "s_wave_velocity": draw.choice(None, draw.series("m/s", 600.0, 1200.0)),
        "bulk_density": draw.dataset(bulk_density=(1.7, 2.4)),
        "porosity": draw.dataset(("core_diameter", "grain_density"), porosity=(0.2, 0.5)),
        "mineral": grains(draw),
        "fluid": water(draw),
        "new_fluid": draw.choice("gas", "water"),
        "uncertainties": mineral_uncertainties(draw, "mineral_bulk_modulus", "mineral_density"),
    }


# Velocity of porosity, and back ------------------------------------------------------------------


@of_phases("wood", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "porosity": draw.dataset(porosity=(0.1, 0.9)),
        "mineral": grains(draw),
        "fluid": water(draw),
        "uncertainties": mineral_uncertainties(draw, "mineral_bulk_modulus", "mineral_density"),
    }


def averaged(draw: Draw) -> dict[str, Any]:
    """Porosity and the velocities of grains and fluid."""
    return {
        "porosity": draw.dataset(porosity=(0.05, 0.8)),
        "grain_velocity": draw.scalar("m/s", 4500.0, 6500.0),
        "fluid_velocity": draw.scalar("m/s", 1450.0, 1600.0),
        "uncertainties": {
            "grain_velocity": draw.scalar("m/s", 20.0, 200.0),
            "fluid_velocity": draw.scalar("m/s", 1.0, 10.0),
        },
    }


case("elastic.wyllie", lazy=True)(averaged)


@case("elastic.raymer", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    densities = {
        "grain_density": draw.scalar("g/cm^3", 2.55, 2.9),
        "fluid_density": draw.scalar("g/cm^3", 1.0, 1.08),
    }
    return {**averaged(draw), **draw.choice(densities, {})}


def under_pressure(draw: Draw) -> dict[str, Any]:
    """What models of velocity take beside porosity or velocity."""
    pressure = draw.choice(
        None, draw.scalar("MPa", 0.5, 10.0), draw.series("MPa", 0.5, 10.0),
        draw.dataset(("pore_water_density",), vertical_effective_stress=(500.0, 1e4)),
    )  # fmt: skip
    return {
        "mineral": grains(draw),
        "fluid": water(draw),
        "effective_pressure": pressure,
        "critical": draw.scalar("1", 0.38, 0.65),
        "models": None if pressure is None else draw.choice(None, ("krief", "soft_sand")),
    }


@of_phases("velocity_models", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "porosity": draw.dataset(porosity=(0.1, 0.8)),
        **under_pressure(draw),
        "uncertainties": mineral_uncertainties(draw, "mineral_bulk_modulus", "mineral_density"),
    }


# The grid of the inverse and its halvings are the same for every row; roots are found to 1e-13.
@of_phases("porosity_from_velocity", lazy=True, rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "p_wave_velocity": draw.dataset(p_wave_velocity=(1700.0, 4500.0)),
        **under_pressure(draw),
        "uncertainties": mineral_uncertainties(draw, "mineral_bulk_modulus", "mineral_density"),
    }
