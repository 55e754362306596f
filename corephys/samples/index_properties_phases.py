"""The phases of a sample as plain arithmetic, with exact derivatives."""

from __future__ import annotations

from typing import Any

import numpy as np

PROPERTIES = (
    "bulk_density", "dry_density", "grain_density", "porosity", "void_ratio", "water_content_wet",
    "water_content_dry",
)  # fmt: skip
INPUTS = ("wet_mass", "dry_mass", "volume", "salinity", "pore_water_density", "salt_density")
ROUTES = ("dry volume", "wet volume", "calliper")  # the last has the calliper's volume as well
_TINY = 1e-30  # step of the complex derivative; no rounding, as nothing is subtracted


def phases(
    wet_mass: Any, dry_mass: Any, volume: Any, salinity: Any, pore_water_density: Any,
    salt_density: Any, calliper_volume: Any = None, *, route: str,
) -> tuple[Any, ...]:  # fmt: skip
    """The seven properties in the order of ``PROPERTIES``, plain numbers, real or complex.

    g and cm^3, salinity a mass fraction; ``volume`` of the dried sample (grains and salt) or, by
    the route of that name, of the wet one (grains and pore water). By the route of the calliper
    pores are what the grains leave of its volume, whether they hold water or not.
    """
    water = (wet_mass - dry_mass) / (1.0 - salinity)
    solids = wet_mass - water
    pores = water / pore_water_density
    dried = route != "wet volume"
    grains = volume - water * salinity / salt_density if dried else volume - pores
    if route == "calliper":
        pores = calliper_volume - grains
    total = grains + pores
    return (
        wet_mass / total, solids / total, solids / grains, pores / total, pores / grains,
        water / wet_mass, water / solids,
    )  # fmt: skip


def phases_with_partials(*inputs: Any, route: str) -> tuple[np.ndarray, np.ndarray]:
    """Properties (..., 7) and their derivatives (..., 7, 6 or 7) by each of the inputs."""
    arrays = np.broadcast_arrays(*(np.asarray(value, dtype=float) for value in inputs))
    with np.errstate(divide="ignore", invalid="ignore"):
        values = np.stack(phases(*arrays, route=route), axis=-1)
        columns = []
        for position in range(len(arrays)):
            shifted = [a + 1j * _TINY if i == position else a for i, a in enumerate(arrays)]
            found = np.broadcast_arrays(*phases(*shifted, route=route))
            columns.append(np.stack(found, axis=-1).imag / _TINY)
    return values, np.stack(columns, axis=-1)
