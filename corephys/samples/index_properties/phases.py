"""Phases of a sample: arithmetic with exact derivatives, and the covariance of their errors."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import constants, seawater, units
from corephys.ground.provenance import constants_attribute
from corephys.uncertainty import without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Numbers, Scalar

__all__ = ["joint_uncertainty"]

# --------------------------------------------------------------------------------------------------
# Phases of a sample as plain arithmetic, with exact derivatives.


PROPERTIES = (
    "bulk_density",
    "dry_density",
    "grain_density",
    "porosity",
    "void_ratio",
    "water_content_wet",
    "water_content_dry",
)
INPUTS = ("wet_mass", "dry_mass", "volume", "salinity", "pore_water_density", "salt_density")
ROUTES = ("dry_volume", "wet_volume", "calliper")  # the last has the volume by calliper as well
# Step of the complex derivative Im f(x + i h) / h. It can be this small, because nothing is
# subtracted and so nothing is lost to rounding.
_TINY = 1e-30


def phases(
    wet_mass: Numbers,
    dry_mass: Numbers,
    volume: Numbers,
    salinity: Numbers,
    pore_water_density: Numbers,
    salt_density: Numbers,
    calliper_volume: Numbers = None,
    *,
    route: str,
) -> tuple[Numbers, ...]:
    """Seven properties in the order of ``PROPERTIES``, as plain numbers, real or complex.

    Masses are in g, volumes in cm^3, salinity is a mass fraction. ``volume`` is that of the dried
    sample (grains and salt), or by the route "wet_volume" that of the wet sample (grains and pore
    water). By the route "calliper" the pores are the volume by calliper less the grains, whether
    they are full of water or not.
    """
    water = (wet_mass - dry_mass) / (1.0 - salinity)
    solids = wet_mass - water
    pores = water / pore_water_density
    dried = route != "wet_volume"
    grains = volume - water * salinity / salt_density if dried else volume - pores
    if route == "calliper":
        pores = calliper_volume - grains
    total = grains + pores
    return (
        wet_mass / total,
        solids / total,
        solids / grains,
        pores / total,
        pores / grains,
        water / wet_mass,
        water / solids,
    )


def phases_with_partials(*inputs: Numbers, route: str) -> tuple[np.ndarray, np.ndarray]:
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


# --------------------------------------------------------------------------------------------------
# Covariance of the errors of porosity, grain density and void ratio: to first order, and by draws.


_C = constants.CONSTANTS
JOINT = ("porosity", "grain_density", "void_ratio")
_BLOCK = 2_000_000  # draws at once, some 100 megabytes


def joint_uncertainty(
    wet_mass: Dimensional,
    dry_mass: Dimensional,
    dry_volume: Dimensional,
    *,
    mass_uncertainty: Scalar,
    volume_uncertainty: Scalar,
    salinity: Dimensional = _C["pore_water_salinity"],
    pore_water_density: Dimensional = _C["pore_water_density"],
    salt_density: Dimensional = _C["salt_density"],
    draws: int = 0,
    seed: int = 0,
) -> xr.Dataset:
    """Covariance of porosity, grain density and void ratio of each sample.

    Parameters
    ----------
    wet_mass, dry_mass : DataArray, Quantity or str, (reading)
        Net masses before and after drying [g].
    dry_volume : DataArray, Quantity or str, (reading)
        Net volume of the dried sample [cm^3].
    mass_uncertainty, volume_uncertainty : Quantity or str
        Random standard uncertainty of one weighing [g] and of one volume [cm^3].
    salinity, pore_water_density, salt_density
        As for :func:`corephys.index_properties.phase_relations` [g/kg], [g/cm^3].
    draws : int
        Number of normal draws for each sample; 0 gives the first order alone.
    seed : int
        Seed of the draws.

    Returns
    -------
    Dataset, (reading, property, other)
        ``covariance`` to first order, in the units of the properties, and ``correlation`` [1];
        with draws also ``covariance_by_draws`` and ``correlation_by_draws``. ``property`` and
        ``other`` are porosity, grain_density and void_ratio.

    Notes
    -----
    J S J^T with exact derivatives J (JCGM 100:2008, 5.2), and draws (JCGM 101:2008). The first
    order holds while the error of the volume is small beside the volume of the grains. At an error
    of a tenth of that volume the draws give a few per cent more, and heavy tails.
    """
    net = [
        np.atleast_1d(np.asarray(without_coords(units.as_floats(value, unit, name)), dtype=float))
        for value, unit, name in (
            (wet_mass, "g", "wet_mass"),
            (dry_mass, "g", "dry_mass"),
            (dry_volume, "cm^3", "dry_volume"),
        )
    ]
    sigma = np.array(
        [
            float(units.as_floats(mass_uncertainty, "g", "mass_uncertainty")),
            float(units.as_floats(mass_uncertainty, "g", "mass_uncertainty")),
            float(units.as_floats(volume_uncertainty, "cm^3", "volume_uncertainty")),
        ]
    )
    fluid = [
        np.asarray(without_coords(seawater.salinity_floats(salinity)), dtype=float) / 1e3,
        np.asarray(
            without_coords(units.as_floats(pore_water_density, "g/cm^3", "pore_water_density"))
        ),
        np.asarray(without_coords(units.as_floats(salt_density, "g/cm^3", "salt_density"))),
    ]
    inputs = [np.asarray(a, dtype=float) for a in np.broadcast_arrays(*net, *fluid)]
    rows = [PROPERTIES.index(name) for name in JOINT]
    _, partials = phases_with_partials(*inputs, route="dry_volume")
    scaled = partials[:, rows, :3] * sigma
    used = {
        "salinity": salinity,
        "pore_water_density": pore_water_density,
        "salt_density": salt_density,
    }
    result = xr.Dataset(
        coords={"property": list(JOINT), "other": list(JOINT)},
        attrs={"constants": constants_attribute(used)},
    )
    _put(result, np.einsum("nik,njk->nij", scaled, scaled), "")
    if draws:
        _put(result, _by_draws(inputs, sigma, rows, int(draws), seed), "_by_draws")
    return result


def _by_draws(
    inputs: list[np.ndarray], sigma: np.ndarray, rows: list[int], draws: int, seed: int
) -> np.ndarray:
    """Covariance of the properties ``rows`` from normal draws of masses and volume."""
    rng = np.random.default_rng(seed)
    size = inputs[0].size
    found = np.empty((size, len(rows), len(rows)))
    step = max(1, _BLOCK // draws)
    for start in range(0, size, step):
        part = slice(start, min(start + step, size))
        base = [a[part, None] for a in inputs]
        moved = [
            b + s * rng.normal(size=(base[0].shape[0], draws))
            for b, s in zip(base[:3], sigma, strict=True)
        ]
        with np.errstate(divide="ignore", invalid="ignore"):
            values = phases(*moved, *base[3:], route="dry_volume")
        drawn = np.stack([values[row] for row in rows], axis=1)
        off = drawn - drawn.mean(axis=2, keepdims=True)
        found[part] = np.einsum("nid,njd->nij", off, off) / (draws - 1)
    return found


def _put(result: xr.Dataset, covariance: np.ndarray, ending: str) -> None:
    """Add a covariance and its correlation to the result."""
    with np.errstate(divide="ignore", invalid="ignore"):
        size = np.sqrt(np.einsum("nii->ni", covariance))
        correlation = covariance / (size[:, :, None] * size[:, None, :])
    dims = ("reading", "property", "other")
    how = " by draws" if ending else ", to first order"
    result[f"covariance{ending}"] = (dims, covariance, {"long_name": f"covariance{how}"})
    result[f"correlation{ending}"] = (
        dims,
        correlation,
        {"units": "1", "long_name": f"correlation{how}"},
    )
