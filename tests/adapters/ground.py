"""Adapters of constants, sea water and mixing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import corephys as cp
from tests.adapters.registry import Inputs, adapter, straight

# Constants ---------------------------------------------------------------------------------------


@adapter("constants.get", "corephys.ground.constants.get")
def constant(inputs: Inputs) -> float:
    return cp.constants.get(inputs["name"]).value


@adapter("constants ratio", "corephys.ground.constants.get")
def constant_ratio(inputs: Inputs) -> float:
    return (
        cp.constants.get(inputs["numerator"]).value / cp.constants.get(inputs["denominator"]).value
    )


# Sea water and mixing ----------------------------------------------------------------------------

for _name in ("density", "sound_speed", "conductivity"):
    straight(
        f"seawater.{_name}",
        f"corephys.ground.seawater.{_name}",
        "salinity",
        "temperature",
        "pressure",
    )
straight("seawater.absolute_salinity", "corephys.ground.seawater.absolute_salinity", "salinity")


def _mean(name: str) -> None:
    @adapter(f"mixing.{name}", f"corephys.ground.mixing.{name}")
    def mean(inputs: Inputs) -> Any:
        from corephys.ground import mixing

        values = [f"{value!r} {inputs['unit']}" for value in inputs["values"]]
        return getattr(mixing, name)(inputs["fractions"], values)


for _name in ("arithmetic_mean", "geometric_mean", "harmonic_mean"):
    _mean(_name)
straight(
    "mixing.volumetric_heat_capacity", "corephys.ground.mixing.volumetric_heat_capacity", "porosity"
)
straight(
    "mixing.heat_capacity_from_conductivity",
    "corephys.ground.mixing.heat_capacity_from_conductivity",
    "conductivity",
)


@adapter(
    "mixing.hashin_shtrikman_conductivity", "corephys.ground.mixing.hashin_shtrikman_conductivity"
)
def bounds(inputs: Inputs) -> Mapping[str, Any]:
    from corephys.ground import mixing

    return dict(
        zip(("lower", "upper"), mixing.hashin_shtrikman_conductivity(**inputs), strict=True)
    )


straight("mixing.suspension_velocity", "corephys.ground.mixing.suspension_velocity", "porosity")
