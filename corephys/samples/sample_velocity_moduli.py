"""Elastic moduli of an isotropic sample from its two velocities and its density."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys import flags, series, uncertainty
from corephys.uncertainty import Measured, bare

__all__ = ["elastic_moduli"]

_NAMES = ("shear_modulus", "bulk_modulus", "young_modulus", "poisson_ratio", "p_wave_modulus")
_INPUTS = ("p_wave_velocity", "s_wave_velocity", "bulk_density")


def _moduli(p: Any, s: Any, rho: Any) -> tuple[Any, ...]:
    """The five [GPa, 1] and their derivatives by each input, from km/s and g/cm^3."""
    p, s, rho = np.broadcast_arrays(*(np.asarray(part, dtype=float) for part in (p, s, rho)))
    m, g = rho * p**2, rho * s**2
    dm, dg = (2 * rho * p, 0.0 * p, p**2), (0.0 * s, 2 * rho * s, s**2)
    with np.errstate(divide="ignore", invalid="ignore"):
        less = np.where(m == g, np.nan, m - g)
        young = g * (3 * m - 4 * g) / less
        poisson = (m - 2 * g) / (2 * less)
        # By M and by G, from which the chain rule takes them to the inputs.
        by = {
            "shear_modulus": (0.0, 1.0),
            "bulk_modulus": (1.0, -4.0 / 3.0),
            "young_modulus": ((g / less) ** 2, (3 * m**2 - 8 * m * g + 4 * g**2) / less**2),
            "poisson_ratio": (g / (2 * less**2), -m / (2 * less**2)),
            "p_wave_modulus": (1.0, 0.0),
        }
    values = (g, m - 4.0 / 3.0 * g, young, poisson, m)
    slopes = [by[n][0] * a + by[n][1] * b for n in _NAMES for a, b in zip(dm, dg, strict=True)]
    return (*values, *slopes)


def elastic_moduli(
    p_wave_velocity: Any, s_wave_velocity: Any, bulk_density: Any, *,
    p_wave_velocity_uncertainty: Any = None, s_wave_velocity_uncertainty: Any = None,
    bulk_density_uncertainty: Any = None, reason: Any = 0,
) -> xr.Dataset:  # fmt: skip
    """Shear, bulk, Young's and P-wave modulus and Poisson's ratio.

    Parameters
    ----------
    p_wave_velocity, s_wave_velocity : Dataset, DataArray, Quantity or str
        [m/s], at the same positions and along the same axis; a Dataset brings its uncertainties.
    bulk_density : Dataset, DataArray, Quantity or str
        [g/cm^3].
    p_wave_velocity_uncertainty, s_wave_velocity_uncertainty : Quantity, DataArray, optional
        Random [m/s], of what is no Dataset.
    bulk_density_uncertainty : Quantity, DataArray or str, optional
        Random [g/cm^3].
    reason : int or DataArray of int
        Reasons already found.

    Returns
    -------
    Dataset
        ``shear_modulus``, ``bulk_modulus``, ``young_modulus``, ``p_wave_modulus`` [GPa] and
        ``poisson_ratio`` [1] with uncertainties and effects; an effect that two inputs share, such
        as the calliper's, enters once with its sign. An S-wave too fast for the P-wave
        (V_p^2 <= 4/3 V_s^2) is ``impossible_value``.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    KeyError
        When a Dataset does not hold its quantity.
    PositionError
        When the series lie at different positions.

    Notes
    -----
    G = rho V_s^2, M = rho V_p^2, K = M - 4 G / 3, E = G (3 M - 4 G) / (M - G),
    nu = (M - 2 G) / (2 (M - G)): Mavko, Mukerji and Dvorkin, The Rock Physics Handbook (2009).
    They hold for an isotropic body; a sample whose axes differ has moduli by direction. In soft
    mud G is small, nu is near 0.5 and the errors of M decide those of K. Uncertainty by JCGM
    100:2008, 5.1.
    """
    given = dict(zip(_INPUTS, (p_wave_velocity, s_wave_velocity, bulk_density), strict=True))
    series.require_same_positions(**given)
    random = (p_wave_velocity_uncertainty, s_wave_velocity_uncertainty, bulk_density_uncertainty)
    inputs = [
        series.unpack(value, name, uncertainty_given=u)
        for (name, value), u in zip(given.items(), random, strict=True)
    ]
    found = series.apply(_from_metres, *(part.values for part in inputs), outputs=20)
    values = dict(zip(_NAMES, found[:5], strict=True))
    too_fast = xr.apply_ufunc(_too_fast, values["bulk_modulus"])
    known = series.joined_reasons(*(_of(part.reason) for part in inputs), bare(too_fast), reason)
    measured = {}
    for number, name in enumerate(_NAMES):
        slopes = found[5 + 3 * number : 8 + 3 * number]
        spread, effects = uncertainty.combine(list(zip(slopes, inputs, strict=True)))
        measured[name] = Measured(values[name], spread, effects, known)
    return _with_p_wave_modulus(measured)


def _from_metres(p: Any, s: Any, rho: Any) -> tuple[Any, ...]:
    """Velocities in m/s: derivatives by them are a thousandth of those by km/s."""
    found = _moduli(p / 1e3, s / 1e3, rho)
    return tuple(
        part / 1e3 if number >= 5 and (number - 5) % 3 < 2 else part
        for number, part in enumerate(found)
    )


def _too_fast(bulk: Any) -> Any:
    return np.where(bulk <= 0.0, flags.bit("impossible_value"), 0).astype(np.int64)


def _of(reason: Any) -> Any:
    """Reasons of an input, as far as they speak of its worth as an input."""
    worst = flags.from_reason(np.asarray(reason))
    bits = np.where(worst >= flags.BAD, flags.bit("input_bad"), 0).astype(np.int64)
    return xr.Variable("reading", bits) if bits.ndim else int(bits)


def _with_p_wave_modulus(measured: dict[str, Measured]) -> xr.Dataset:
    """The P-wave modulus is a step on the way: it goes along beside the quantities."""
    step = "p_wave_modulus"
    # The vocabulary's bulk modulus lends its unit, GPa.
    lent = series.build({"bulk_modulus": measured[step]})
    result = series.build(
        {name: part for name, part in measured.items() if name != step},
        steps=("G = rho V_s^2, M = rho V_p^2", "K = M - 4 G / 3, E, nu of an isotropic body"),
    )
    for end in ("", "_u_random", "_u_systematic", "_effects"):
        if f"bulk_modulus{end}" in lent:
            part = lent[f"bulk_modulus{end}"]
            words = str(part.attrs["long_name"]).replace("bulk modulus", "P-wave modulus")
            part.attrs = {"units": "GPa", "long_name": words}
            result[step + end] = part
    return result
