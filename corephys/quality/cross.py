"""Tests of one sensor against another, and against the samples."""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.ground import constants, mixing, thresholds
from corephys.quality.places import Places

__all__ = ["below_bound", "nearest"]

_C = constants.CONSTANTS
_UNKNOWN = thresholds.value("bound_unknown_velocity")


def nearest(places: Places, other: Places, usable: Any, reach: float) -> np.ndarray:
    """Nearest usable reading of another series in the same section.

    Parameters
    ----------
    places, other : Places
        Of the readings, and of the other series in the same codes.
    usable : (m,) ndarray of bool
        Of the other series.
    reach : float
        How far off it may be [cm].

    Returns
    -------
    (n,) ndarray of int
        Row of the other series, -1 where none is near.
    """
    rows = np.flatnonzero(np.asarray(usable, dtype=bool) & np.isfinite(other.tape))
    found = np.full(places.offset.shape, -1)
    if not rows.size:
        return found
    rows = rows[np.argsort(other.tape[rows], kind="stable")]
    tape = other.tape[rows]
    known = np.flatnonzero(np.isfinite(places.tape))
    here = places.tape[known]
    after = np.clip(np.searchsorted(tape, here), 0, rows.size - 1)
    before = np.clip(after - 1, 0, None)
    closer = np.where(np.abs(tape[before] - here) <= np.abs(tape[after] - here), before, after)
    near = np.abs(tape[closer] - here) <= reach + 1e-6
    found[known[near]] = rows[closer[near]]
    return found


def below_bound(
    velocity: Any, uncertainty: Any, density: Any, *, margin: float,
    grain_density: Any = _C["grain_density"], grain_modulus: Any = _C["softest_grain_modulus"],
    fluid_density: Any = _C["pore_water_density"], fluid_velocity: Any = _C["sea_water_velocity"],
) -> np.ndarray:  # fmt: skip
    """Velocities below the least that their density allows.

    Parameters
    ----------
    velocity, uncertainty : (n,) ndarray
        [m/s]; an unknown uncertainty counts as one per cent of the velocity.
    density : (n,) ndarray
        Bulk density at the same place [g/cm^3].
    margin : float
        In standard uncertainties.
    grain_density, grain_modulus, fluid_density, fluid_velocity : Constant
        Of the softest usual grains and of the pore water.

    Returns
    -------
    (n,) ndarray of bool

    Notes
    -----
    The bound is the suspension of Wood (1941), A Textbook of Sound, with soft grains: gas in the
    pores, cracks or a wrong pick lie below it, a saturated sediment does not.
    """
    rho, v = np.asarray(density, dtype=float), np.asarray(velocity, dtype=float)
    rg, rf = grain_density.value, fluid_density.value
    share = np.clip((rg - rho) / (rg - rf), 0.0, 1.0)
    bound = mixing.wood_kernel(
        share, rf * fluid_velocity.value**2 * 1e-6, grain_modulus.value, rf, rg
    )
    u = np.asarray(uncertainty, dtype=float)
    u = np.where(np.isfinite(u), u, _UNKNOWN * v)
    with np.errstate(invalid="ignore"):
        return np.asarray(v + margin * u < bound)
