"""Adapters of rock physics: a row names phases by their numbers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import corephys as cp
from corephys.products import elastic
from corephys.products.elastic import averages, frames, velocities
from corephys.products.elastic import fluids as elastic_fluids
from tests.adapters.registry import Inputs, adapter


def phase(numbers: list[float], name: str = "phase") -> elastic.Material:
    """Bulk and shear modulus [GPa] and density [g/cm^3]."""
    k, g, rho = (*numbers, 1.0)[:3] if len(numbers) < 3 else numbers
    return elastic.Material(name, f"{k!r} GPa", f"{g!r} GPa", f"{rho!r} g/cm^3")


def _phases(inputs: Inputs) -> tuple[list[float], list[elastic.Material]]:
    return inputs["f"], [phase([k, g]) for k, g in zip(inputs["K"], inputs["G"], strict=True)]


def _average(function: Callable[..., Any], **keywords: Any) -> Callable[[Inputs], Any]:
    def call(inputs: Inputs) -> Any:
        more = {"bound": inputs["bound"]} if "bound" in inputs else keywords
        return function(*_phases(inputs), **more)

    return call


for _name in ("voigt", "reuss", "hill", "hashin_shtrikman"):
    adapter(f"elastic.{_name}", f"corephys.products.elastic.averages.{_name}")(
        _average(getattr(averages, _name))
    )


@adapter("elastic.dynamic_moduli", "corephys.products.elastic.dynamic_moduli")
def moduli(inputs: Inputs) -> Any:
    return cp.elastic.dynamic_moduli(inputs["p"], inputs["s"], inputs["rho"])


@adapter("elastic.from_moduli", "corephys.products.elastic.velocities.from_moduli")
def speeds(inputs: Inputs) -> Any:
    return velocities.from_moduli(inputs["K"], inputs["G"], inputs["rho"])


@adapter("elastic.contacts_of_porosity", "corephys.products.elastic.frames.contacts_of_porosity")
def contacts(inputs: Inputs) -> Any:
    return elastic.contacts_of_porosity(inputs["phi"]).value


@adapter("elastic.wood", "corephys.products.elastic.velocities.wood")
def wood(inputs: Inputs) -> Any:
    return elastic.wood(
        inputs["phi"], mineral=phase(inputs["mineral"]), fluid=phase(inputs["fluid"])
    )


@adapter("elastic.wyllie", "corephys.products.elastic.velocities.wyllie")
def wyllie(inputs: Inputs) -> Any:
    return elastic.wyllie(inputs["phi"], grain_velocity=inputs["Vm"], fluid_velocity=inputs["Vf"])


@adapter("elastic.raymer", "corephys.products.elastic.velocities.raymer")
def raymer(inputs: Inputs) -> Any:
    densities = {key: inputs[key] for key in ("grain_density", "fluid_density") if key in inputs}
    return elastic.raymer(
        inputs["phi"], grain_velocity=inputs["Vm"], fluid_velocity=inputs["Vf"], **densities
    )


@adapter("elastic.gassmann", "corephys.products.elastic.fluids.gassmann")
def gassmann(inputs: Inputs) -> Any:
    return elastic.gassmann(
        f"{inputs['dry']!r} GPa",
        inputs["phi"],
        mineral=phase([inputs["Km"], 44.0, 2.65]),
        fluid=phase([inputs["Kf"], 0.0, 1.0]),
    )


@adapter("elastic.frame_modulus", "corephys.products.elastic.fluids.frame_modulus")
def frame(inputs: Inputs) -> Any:
    return elastic.frame_modulus(
        f"{inputs['sat']!r} GPa",
        inputs["phi"],
        mineral=phase([inputs["Km"], 44.0, 2.65]),
        fluid=phase([inputs["Kf"], 0.0, 1.0]),
    )


@adapter("elastic.fluid_substitution", "corephys.products.elastic.fluids.fluid_substitution")
def substitution(inputs: Inputs) -> Any:
    """A rock given by its saturated modulus, and the modulus with the other fluid."""
    mineral = phase([inputs["Km"], 44.0, 2.65])
    shear, rho = 5.0, 2.1
    given = elastic.from_moduli(f"{inputs['sat']!r} GPa", f"{shear} GPa", f"{rho} g/cm^3")
    found = elastic.fluid_substitution(
        given,
        given,
        f"{rho} g/cm^3",
        inputs["phi"],
        mineral=mineral,
        fluid=phase([inputs["Kf"], 0.0, 1.0]),
        new_fluid=phase([inputs["new_Kf"], 0.0, 0.1]),
    )
    return cp.elastic.dynamic_moduli(found, found, found)


@adapter("elastic.gardner", "corephys.products.elastic.velocities.gardner")
def gardner(inputs: Inputs) -> Any:
    """Metric, or with the constants of feet."""
    if "feet" not in inputs:
        return elastic.gardner(inputs["v"])
    per_foot = 230.0 * 0.3048**-0.25  # kg/m^3 at 1 m/s
    return elastic.gardner(f"{inputs['feet'] * 0.3048!r} m/s", factor=f"{per_foot!r} kg/m^3")


@adapter("elastic.castagna", "corephys.products.elastic.velocities.castagna")
def castagna(inputs: Inputs) -> Any:
    return elastic.castagna(inputs["v"])


@adapter("elastic.han", "corephys.products.elastic.velocities.han")
def han(inputs: Inputs) -> Any:
    more = {"by_clay": inputs["by_clay"]} if "by_clay" in inputs else {}
    return elastic.han(inputs["phi"], inputs["C"], **more)


@adapter("elastic.krief", "corephys.products.elastic.frames.krief")
def krief(inputs: Inputs) -> Any:
    return elastic.krief(inputs["phi"], mineral=phase(inputs["mineral"]))


@adapter("elastic.critical_porosity", "corephys.products.elastic.frames.critical_porosity")
def critical(inputs: Inputs) -> Any:
    return elastic.critical_porosity(
        inputs["phi"], mineral=phase(inputs["mineral"]), critical=f"{inputs['critical']} 1"
    )


def _pack(inputs: Inputs) -> dict[str, Any]:
    return {
        "critical": f"{inputs['critical']} 1",
        "contacts": f"{inputs['contacts']} 1",
        "mineral": phase(inputs["mineral"]),
    }


@adapter("elastic.hertz_mindlin", "corephys.products.elastic.frames.hertz_mindlin")
def spheres(inputs: Inputs) -> Any:
    return elastic.hertz_mindlin(inputs["pressure"], adhesion=inputs["adhesion"], **_pack(inputs))


@adapter("elastic.soft_sand", "corephys.products.elastic.frames.soft_sand")
def soft(inputs: Inputs) -> Any:
    return elastic.soft_sand(inputs["phi"], inputs["pressure"], **_pack(inputs))


@adapter("elastic.stiff_sand", "corephys.products.elastic.frames.stiff_sand")
def stiff(inputs: Inputs) -> Any:
    return elastic.stiff_sand(inputs["phi"], inputs["pressure"], **_pack(inputs))


@adapter("elastic.contact_cement", "corephys.products.elastic.frames.contact_cement")
def cemented(inputs: Inputs) -> Any:
    return frames.contact_cement(
        inputs["phi"], cement=phase(inputs["cement"]), where=inputs["where"], **_pack(inputs)
    )


@adapter("elastic.brine", "corephys.products.elastic.fluids.brine")
def brine(inputs: Inputs) -> Any:
    return elastic_fluids.brine(inputs["salinity"], inputs["temperature"], inputs["pressure"])


@adapter("elastic.fluid_mixture", "corephys.products.elastic.fluids.fluid_mixture")
def fluids(inputs: Inputs) -> Any:
    return elastic.fluid_mixture(
        inputs["f"], [phase([k, 0.0, 1.0]) for k in inputs["K"]], how=inputs["how"]
    )


@adapter("elastic.reflection_at_angle", "corephys.products.elastic.reflections.reflection_at_angle")
def reflection(inputs: Inputs) -> Any:
    names = ("p_wave_velocity", "s_wave_velocity", "bulk_density")
    sides = {side: dict(zip(names, inputs[side], strict=True)) for side in ("upper", "lower")}
    return elastic.reflection_at_angle(inputs["angle"], **sides)


@adapter("elastic.bounds_check", "corephys.products.elastic.models.bounds_check")
def checked(inputs: Inputs) -> Any:
    return elastic.bounds_check(
        inputs["v"], inputs["phi"], mineral=phase(inputs["mineral"]), fluid=phase(inputs["fluid"])
    )


@adapter("elastic.velocity_models", "corephys.products.elastic.models.velocity_models")
def models(inputs: Inputs) -> Any:
    return elastic.velocity_models(
        inputs["phi"],
        mineral=phase(inputs["mineral"]),
        fluid=phase(inputs["fluid"]),
        models=[inputs["model"]],
    )


@adapter(
    "elastic.porosity_from_velocity", "corephys.products.elastic.models.porosity_from_velocity"
)
def inverse(inputs: Inputs) -> Any:
    return elastic.porosity_from_velocity(
        inputs["v"],
        mineral=phase(inputs["mineral"]),
        fluid=phase(inputs["fluid"]),
        models=[inputs["model"]],
    )


@adapter("elastic.s_wave_from_frame", "corephys.products.elastic.velocities.s_wave_from_frame")
def shear(inputs: Inputs) -> Any:
    return elastic.s_wave_from_frame(
        inputs["v"],
        inputs["rho"],
        inputs["phi"],
        mineral=phase(inputs["mineral"]),
        fluid=phase(inputs["fluid"]),
    )
