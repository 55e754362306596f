"""Adapters of samples and the needle."""

from __future__ import annotations

from typing import Any

import corephys as cp
from tests.adapters.registry import Inputs, adapter, straight

# Index properties --------------------------------------------------------------------------------

straight(
    "index_properties.phase_relations",
    "corephys.samples.index_properties.phase_relations",
    "wet_mass",
    "dry_mass",
)


@adapter(
    "index_properties.phase_relations from water content",
    "corephys.samples.index_properties.phase_relations",
)
def from_water_content(inputs: Inputs) -> Any:
    """Masses of 100 g of wet sediment, made from a printed water content and grain density."""
    water = 100.0 * inputs["water_content_wet"]
    salt = water * inputs["salinity"]
    solids = 100.0 - water
    volume = solids / inputs["grain_density"] + salt / inputs["salt_density"]
    return cp.index_properties.phase_relations(
        "100 g",
        f"{solids + salt!r} g",
        f"{volume!r} cm^3",
        salinity=f"{1000 * inputs['salinity']!r} g/kg",
        pore_water_density=f"{inputs['pore_water_density']!r} g/cm^3",
        salt_density=f"{inputs['salt_density']!r} g/cm^3",
    )


straight(
    "index_properties.phase_relations_from_water_content",
    "corephys.samples.index_properties.phase_relations_from_water_content",
    "water_content_wet",
    "grain_density",
)

# Line and cylinder sources -----------------------------------------------------------------------

straight("needle.line_source_rise", "corephys.samples.needle.line_source_rise", "time")
straight(
    "needle.conductivity_from_slope",
    "corephys.samples.needle.conductivity_from_slope",
    "slope",
    "heating_power",
    "geometry",
)
straight(
    "needle.conductivity_from_two_times",
    "corephys.samples.needle.conductivity_from_two_times",
    "first_time",
    "second_time",
    "first_temperature",
    "second_temperature",
    "heating_power",
    "geometry",
)
straight("needle.cylinder_rise", "corephys.samples.needle.cylinder_rise", "time")
straight(
    "formation_temperature.decay_function",
    "corephys.downhole.temperature.decay_function",
    "alpha",
    "tau",
)
straight("numerics.cylinder.heating", "corephys.numerics.cylinder.heating", "alpha", "tau")
