"""The phases of a sample as plain arithmetic, with exact derivatives."""

from __future__ import annotations

from typing import Any

import numpy as np

PROPERTIES = (
    "bulk_density", "dry_density", "grain_density", "porosity", "void_ratio", "water_content_wet",
    "water_content_dry",
)  # fmt: skip
INPUTS = ("wet_mass", "dry_mass", "volume", "salinity", "pore_water_density", "salt_density")
_TINY = 1e-30  # step of the complex derivative; no rounding, as nothing is subtracted


def phases(
    wet_mass: Any, dry_mass: Any, volume: Any, salinity: Any, pore_water_density: Any,
    salt_density: Any, *, dried: bool,
) -> tuple[Any, ...]:  # fmt: skip
    """The seven properties in the order of ``PROPERTIES``, plain numbers, real or complex.

    g and cm^3, salinity a mass fraction; ``volume`` of the dried sample (grains and salt) or of
    the wet one (grains and pore water).
    """
    water = (wet_mass - dry_mass) / (1.0 - salinity)
    solids = wet_mass - water
    pores = water / pore_water_density
    grains = volume - water * salinity / salt_density if dried else volume - pores
    total = grains + pores
    return (
        wet_mass / total, solids / total, solids / grains, pores / total, pores / grains,
        water / wet_mass, water / solids,
    )  # fmt: skip


def phases_with_partials(*inputs: Any, dried: bool) -> tuple[np.ndarray, np.ndarray]:
    """Properties (..., 7) and their derivatives (..., 7, 6) by each of ``INPUTS``."""
    arrays = np.broadcast_arrays(*(np.asarray(value, dtype=float) for value in inputs))
    with np.errstate(divide="ignore", invalid="ignore"):
        values = np.stack(phases(*arrays, dried=dried), axis=-1)
        columns = []
        for position in range(len(arrays)):
            shifted = [a + 1j * _TINY if i == position else a for i, a in enumerate(arrays)]
            found = np.broadcast_arrays(*phases(*shifted, dried=dried))
            columns.append(np.stack(found, axis=-1).imag / _TINY)
    return values, np.stack(columns, axis=-1)
