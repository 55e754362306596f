"""Reflection of a P-wave at an angle, from the boundary conditions between two bodies."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import units
from corephys.products.elastic.propagation import Argument, elastic_model, reading
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Measurement
    from corephys.products.elastic.propagation import Uncertainties

__all__ = ["reflection_at_angle"]

_QUANTITIES = ("p_wave_velocity", "s_wave_velocity", "bulk_density")
# S-wave velocity of a fluid relative to its P-wave: zero would make the equations singular, and
# an S-wave this slow carries no energy that a double could show.
_STIFFNESS_OF_A_FLUID = 1e-5


def reflection_kernel(
    angle: np.ndarray,
    p_1: np.ndarray,
    s_1: np.ndarray,
    rho_1: np.ndarray,
    p_2: np.ndarray,
    s_2: np.ndarray,
    rho_2: np.ndarray,
) -> np.ndarray:
    """Complex displacement coefficients (..., 4): reflected P and S, transmitted P and S.

    The angle of incidence is in rad from the normal, velocities are in m/s; 1 is above and 2
    below, and a fluid has s = 0. Displacement and traction are continuous (Zoeppritz 1919,
    Nachrichten der Gesellschaft der Wissenschaften zu Goettingen 66): four equations.
    """
    parts = (angle, p_1, s_1, rho_1, p_2, s_2, rho_2)
    angle, p_1, s_1, rho_1, p_2, s_2, rho_2 = (
        np.asarray(part, dtype=complex) for part in np.broadcast_arrays(*parts)
    )
    s_1, s_2 = (
        np.where(s == 0.0, _STIFFNESS_OF_A_FLUID * p, s) for s, p in ((s_1, p_1), (s_2, p_2))
    )
    along = np.sin(angle) / p_1
    down, up = 1.0, -1.0
    waves = [
        _wave(along, p_1, s_1, rho_1, up, shear=False),
        _wave(along, p_1, s_1, rho_1, up, shear=True),
        [-part for part in _wave(along, p_2, s_2, rho_2, down, shear=False)],
        [-part for part in _wave(along, p_2, s_2, rho_2, down, shear=True)],
    ]
    incident = _wave(along, p_1, s_1, rho_1, down, shear=False)
    matrix = np.stack([np.stack(wave, axis=-1) for wave in waves], axis=-1)
    given = -np.stack(incident, axis=-1)[..., None]
    # Displacements are of order one and tractions of order rho V: rows are scaled to one size,
    # or the solution would lose digits.
    size = np.max(np.abs(matrix), axis=-1, keepdims=True)
    return np.linalg.solve(matrix / size, given / size)[..., 0]


def _wave(
    along: np.ndarray, p: np.ndarray, s: np.ndarray, rho: np.ndarray, way: float, *, shear: bool
) -> list[np.ndarray]:
    """Displacement and traction on a level plane of a wave of unit amplitude.

    ``along`` is the horizontal slowness [s/m], which all waves at the boundary share.
    """
    speed = s if shear else p
    across = way * np.sqrt(1.0 / speed**2 - along**2)
    x, z = (across * speed, -along * speed) if shear else (along * speed, across * speed)
    mu = rho * s**2
    lam = rho * p**2 - 2.0 * mu
    level = mu * (across * x + along * z)
    upright = lam * (along * x + across * z) + 2.0 * mu * across * z
    return [x, z, level, upright]


def reflection_at_angle(
    angle: Dimensional,
    *,
    upper: Mapping[str, Measurement | str] | xr.Dataset,
    lower: Mapping[str, Measurement | str] | xr.Dataset,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Reflection coefficient of a plane P-wave that meets a boundary at an angle.

    Parameters
    ----------
    angle : Quantity, DataArray or str
        Angle of incidence from the normal, 0 to 90 degrees, such as "30 deg" or "0.5 rad".
    upper, lower : mapping or Dataset
        ``p_wave_velocity``, ``s_wave_velocity`` [m/s] and ``bulk_density`` [g/cm^3] of the two
        sides; the wave comes from the upper side. Water has an S-wave velocity of "0 m/s".
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``upper_p_wave_velocity`` [m/s] and so on, random.

    Returns
    -------
    Dataset
        ``reflection_coefficient`` [1] of displacement with uncertainty. Beyond the critical angle
        it is complex: NaN, flagged ``beyond_method_range``.

    Raises
    ------
    ValueError
        For an angle outside 0 to 90 degrees, or a side without one of the three quantities.

    Notes
    -----
    Zoeppritz (1919), solved from the boundary conditions: plane wave, flat boundary, two isotropic
    half-spaces without loss. At normal incidence it is (Z_2 - Z_1) / (Z_2 + Z_1).

    Examples
    --------
    >>> upper = {"p_wave_velocity": "2800 m/s", "s_wave_velocity": "1400 m/s",
    ...          "bulk_density": "2.2 g/cm^3"}
    >>> lower = {"p_wave_velocity": "3100 m/s", "s_wave_velocity": "1600 m/s",
    ...          "bulk_density": "2.3 g/cm^3"}
    >>> found = reflection_at_angle("30 deg", upper=upper, lower=lower)
    >>> float(found["reflection_coefficient"].round(6))
    0.050711
    """
    incidence = units.as_floats(angle, "rad", "angle")
    plain = np.atleast_1d(np.asarray(incidence, dtype=float))
    outside = (plain < 0.0) | (plain > 0.5 * np.pi)
    if outside.any():
        raise ValueError(
            f"the angle of incidence is {np.degrees(plain[outside][0]):g} degrees; give it from "
            "the normal, 0 to 90 degrees"
        )
    return elastic_model(
        _real_part,
        ("reflection_coefficient",),
        {
            "angle": Measured(incidence, 0.0, {}),
            **_side("1", "upper", upper),
            **_side("2", "lower", lower),
        },
        uncertainties,
        beyond=_beyond_critical,
        steps=("continuity of displacement and traction (Zoeppritz 1919)",),
    )


def _side(mark: str, side: str, body: Mapping[str, Any] | xr.Dataset) -> dict[str, Argument]:
    """Velocities and density of one side, by the names of the kernel."""
    found = {}
    for letter, name in zip(("p", "s", "rho"), _QUANTITIES, strict=True):
        if name not in body:
            raise ValueError(f"{side} lacks {name}; give {', '.join(_QUANTITIES)}")
        given = body if isinstance(body, xr.Dataset) else body[name]
        found[f"{letter}_{mark}"] = reading(given, name, name=f"{side}_{name}", zero=letter == "s")
    return found


def _real_part(
    angle: np.ndarray,
    p_1: np.ndarray,
    s_1: np.ndarray,
    rho_1: np.ndarray,
    p_2: np.ndarray,
    s_2: np.ndarray,
    rho_2: np.ndarray,
) -> np.ndarray:
    """Coefficient of the reflected P-wave, NaN beyond the critical angle."""
    found = reflection_kernel(angle, p_1, s_1, rho_1, p_2, s_2, rho_2)[..., 0].real
    return np.where(_beyond_critical(angle, p_1, p_2), np.nan, found)


def _beyond_critical(angle: np.ndarray, p_1: np.ndarray, p_2: np.ndarray) -> np.ndarray:
    """Where no P-wave is transmitted, so that the coefficient is complex."""
    return np.sin(angle) * p_2 > p_1
