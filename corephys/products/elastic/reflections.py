"""Reflection of a P-wave at an angle, from the conditions where two bodies meet."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import flags, series, units
from corephys.products.elastic import propagation as carry
from corephys.uncertainty import Measured

__all__ = ["reflection_at_angle", "reflection_kernel"]

_QUANTITIES = ("p_wave_velocity", "s_wave_velocity", "bulk_density")
_STIFFNESS_OF_A_FLUID = 1e-5  # of the P-wave velocity: its S-wave then carries nothing


def reflection_kernel(
    angle: Any, p_1: Any, s_1: Any, rho_1: Any, p_2: Any, s_2: Any, rho_2: Any
) -> Any:
    """Displacement coefficients of the four waves that leave the boundary.

    Parameters
    ----------
    angle : float or ndarray
        Of incidence, from the normal [rad].
    p_1, s_1, rho_1, p_2, s_2, rho_2 : float or ndarray
        Velocities [m/s] and densities above (1) and below (2); a fluid has s = 0.

    Returns
    -------
    (..., 4) ndarray of complex
        Reflected P and S, transmitted P and S [1]; complex beyond the critical angle.

    Notes
    -----
    Displacement and traction are continuous (Zoeppritz 1919, Nachrichten der Gesellschaft der
    Wissenschaften zu Goettingen 66): four equations for reflected and transmitted P and S.
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
    # Displacements are of order one and tractions of order rho V: rows of one size.
    size = np.max(np.abs(matrix), axis=-1, keepdims=True)
    return np.linalg.solve(matrix / size, given / size)[..., 0]


def _wave(along: Any, p: Any, s: Any, rho: Any, way: float, *, shear: bool) -> list[Any]:
    """Displacement and traction on a level plane of a wave of unit amplitude."""
    speed = s if shear else p
    across = way * np.sqrt(1.0 / speed**2 - along**2)
    x, z = (across * speed, -along * speed) if shear else (along * speed, across * speed)
    mu = rho * s**2
    lam = rho * p**2 - 2.0 * mu
    level = mu * (across * x + along * z)
    upright = lam * (along * x + across * z) + 2.0 * mu * across * z
    return [x, z, level, upright]


@carry.names_checked
def reflection_at_angle(
    angle: Any,
    *,
    upper: Mapping[str, Any] | xr.Dataset,
    lower: Mapping[str, Any] | xr.Dataset,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
    """Reflection coefficient of a plane P-wave that meets a boundary at an angle.

    Parameters
    ----------
    angle : Quantity, DataArray or str
        Of incidence, from the normal, 0 to 90 degrees, such as "30 deg" or "0.5 rad".
    upper, lower : mapping or Dataset
        ``p_wave_velocity``, ``s_wave_velocity`` [m/s] and ``bulk_density`` [g/cm^3] of the two
        sides; the wave comes from the upper. Water has an S-wave of "0 m/s".
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``upper_p_wave_velocity`` [m/s] and so on, random.

    Returns
    -------
    Dataset
        ``reflection_coefficient`` [1] of displacement with uncertainty. Beyond the critical angle,
        where it is complex, NaN flagged ``beyond_method_range``.

    Raises
    ------
    UnitError, ValueError
        For a bare number, a wrong unit, a velocity that cannot be, an angle beyond 0 to 90 degrees.

    Notes
    -----
    Zoeppritz (1919), solved from the boundary conditions themselves: plane wave, flat boundary, two
    isotropic half-spaces without loss. At right angles (Z_2 - Z_1) / (Z_2 + Z_1).

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
    plain = units.as_floats(angle, "rad", "angle")
    number = np.asarray(plain, dtype=float)
    if np.any((number < 0.0) | (number > 0.5 * np.pi)):
        raise ValueError("the angle of incidence is from the normal, 0 to 90 degrees")
    inputs = _both_sides(plain, {"upper": upper, "lower": lower}, uncertainties)

    def kernel(**parts: Any) -> tuple[Any, ...]:
        found = reflection_kernel(*(parts[key] for key in _ORDER))
        critical = np.sin(parts["angle"]) * parts["p_2"] > parts["p_1"]
        return (np.where(critical, np.nan, found[..., 0].real),)

    found = carry.propagate(kernel, ("reflection_coefficient",), inputs)
    coefficient = found["reflection_coefficient"]
    beyond = series.apply(
        _beyond, *(uncertainty.bare(inputs[key].values) for key in _CRITICAL), dtypes=[np.int64]
    )
    coefficient.reason = series.joined_reasons(coefficient.reason, beyond)
    return series.build(found, steps=("continuity of displacement and traction (Zoeppritz 1919)",))


def _both_sides(
    angle: Any, bodies: Mapping[str, Any], uncertainties: Mapping[str, Any] | None
) -> dict[str, Measured]:
    """Velocities and density of both sides by kernel name, with the angle."""
    inputs = {"angle": Measured(angle, 0.0, {})}
    for mark, (side, body) in zip("12", bodies.items(), strict=True):
        for letter, name in zip(("p", "s", "rho"), _QUANTITIES, strict=True):
            if name not in body:
                raise ValueError(f"{side} lacks {name}; it needs {', '.join(_QUANTITIES)}")
            given = body if isinstance(body, xr.Dataset) else body[name]
            inputs[f"{letter}_{mark}"] = carry.quantity(
                given, name, uncertainties, key=f"{side}_{name}", zero=letter == "s"
            )
    return inputs


_ORDER = ("angle", "p_1", "s_1", "rho_1", "p_2", "s_2", "rho_2")
_CRITICAL = ("angle", "p_1", "p_2")


def _beyond(angle: Any, p_1: Any, p_2: Any) -> Any:
    critical = np.sin(angle) * p_2 > p_1
    return np.where(critical, flags.bit("beyond_method_range"), 0).astype(np.int64)
