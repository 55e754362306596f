"""Adapters of index properties: volumes, old archives, water between clay layers."""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.samples import index_properties as index
from tests.adapters.registry import Inputs, adapter, array, straight

straight(
    "index_properties.cylinder_volume",
    "corephys.samples.index_properties.volumes.cylinder_volume",
    "diameter",
    "length",
)
straight(
    "index_properties.block_volume",
    "corephys.samples.index_properties.volumes.block_volume",
    "length",
    "width",
    "height",
)
straight(
    "index_properties.water_by_exchange_capacity",
    "corephys.samples.index_properties.water.water_by_exchange_capacity",
    "exchange_capacity",
)


@adapter("index_properties.recompute", "corephys.samples.index_properties.reported.recompute")
def recomputed(inputs: Inputs) -> Any:
    return index.recompute(
        array([inputs["water_content_wet"]], "%"),
        array([inputs["bulk_density"]], "g/cm^3"),
        pore_water_density=f"{inputs['pore_water_density']} g/cm^3",
    ).isel(reading=0)


@adapter(
    "index_properties.find_constants", "corephys.samples.index_properties.reported.find_constants"
)
def found(inputs: Inputs) -> Any:
    """A dozen made samples whose derived values were worked with the stated constants."""
    rng = np.random.default_rng(2)
    wet, dry, volume = rng.uniform(14, 18, 12), rng.uniform(8, 10, 12), rng.uniform(2.9, 3.3, 12)
    s, water, salt = inputs["salinity"] / 1e3, inputs["pore_water_density"], inputs["salt_density"]
    pore = (wet - dry) / (1.0 - s)
    grains = volume - pore * s / salt
    total = grains + pore / water
    return index.find_constants(
        array(wet / total, "g/cm^3"),
        array(pore / water / total, "1"),
        wet_mass=array(wet, "g"),
        dry_mass=array(dry, "g"),
        dry_volume=array(volume, "cm^3"),
        grain_density=array((wet - pore) / grains, "g/cm^3"),
    )


@adapter(
    "index_properties.porosity_without_interlayer_water",
    "corephys.samples.index_properties.water.porosity_without_interlayer_water",
)
def without_interlayer(inputs: Inputs) -> Any:
    return index.porosity_without_interlayer_water(
        array([inputs["porosity"]], "1"),
        array([inputs["dry_density"]], "g/cm^3"),
        interlayer_water=inputs["interlayer_water"],
    ).isel(reading=0)


@adapter(
    "index_properties.phase_relations by calliper",
    "corephys.samples.index_properties.phase_relations",
)
def by_calliper(inputs: Inputs) -> Any:
    """A soil of known grain density: its dried grains have the volume of mass over density."""
    return index.phase_relations(
        array([inputs["wet_mass"]], "g"),
        array([inputs["dry_mass"]], "g"),
        array([inputs["dry_mass"] / inputs["grain_density"]], "cm^3"),
        array([inputs["volume"]], "cm^3"),
        route="calliper",
        salinity="0 g/kg",
        pore_water_density="1 g/cm^3",
        salt_density="2.2 g/cm^3",
    ).isel(reading=0)
