"""Moduli of an isotropic body from its two velocities and its density, with their slopes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from corephys import uncertainty
from corephys.ground import flags, series
from corephys.uncertainty import Measured, without_coords

__all__ = ["NAMES", "isotropic"]

NAMES = (
    "shear_modulus",
    "bulk_modulus",
    "young_modulus",
    "poisson_ratio",
    "p_wave_modulus",
    "lame_parameter",
)


def _isotropic_kernel(p: Any, s: Any, rho: Any) -> tuple[Any, ...]:
    """The moduli of :data:`NAMES` and their derivatives by each input.

    Parameters
    ----------
    p, s, rho : float or ndarray
        P- and S-wave velocity [m/s], density [g/cm^3].

    Returns
    -------
    tuple of ndarray
        Six values [GPa, 1], then three derivatives of each, by p, s and rho.

    Notes
    -----
    G = rho V_s^2, M = rho V_p^2, K = M - 4 G / 3, E = G (3 M - 4 G) / (M - G),
    nu = (M - 2 G) / (2 (M - G)), lambda = M - 2 G: Mavko, Mukerji and Dvorkin (2009).
    """
    p, s, rho = np.broadcast_arrays(*(np.asarray(part, dtype=float) for part in (p, s, rho)))
    p, s = p / 1e3, s / 1e3
    m, g = rho * p**2, rho * s**2
    # By m/s, a thousandth of those by km/s.
    dm, dg = (2e-3 * rho * p, 0.0 * p, p**2), (0.0 * s, 2e-3 * rho * s, s**2)
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
            "lame_parameter": (1.0, -2.0),
        }
    values = (g, m - 4.0 / 3.0 * g, young, poisson, m, m - 2.0 * g)
    slopes = [by[n][0] * a + by[n][1] * b for n in NAMES for a, b in zip(dm, dg, strict=True)]
    return (*values, *slopes)


def isotropic(inputs: Sequence[Measured], reason: Any = 0) -> dict[str, Measured]:
    """The moduli with their uncertainties.

    Parameters
    ----------
    inputs : sequence of three Measured
        P- and S-wave velocity [m/s], density [g/cm^3]; an effect that they share, such as the
        calliper's, enters once with its sign.
    reason : int or array of int
        Reasons already found; those of the inputs are left to the caller.

    Returns
    -------
    dict of str to Measured
        By :data:`NAMES` [GPa, 1]. An S-wave too fast for the P-wave is ``impossible_value``.

    Notes
    -----
    Uncertainty by JCGM 100:2008, 5.1.
    """
    count = len(NAMES)
    found = series.apply(_isotropic_kernel, *(part.values for part in inputs), outputs=4 * count)
    values = dict(zip(NAMES, found[:count], strict=True))
    too_fast = series.apply(_too_fast, values["bulk_modulus"], dtypes=[np.int64])
    known = series.joined_reasons(without_coords(too_fast), reason)
    measured = {}
    for place, name in enumerate(NAMES):
        slopes = found[count + 3 * place : count + 3 * place + 3]
        spread, effects = uncertainty.combine(list(zip(slopes, inputs, strict=True)))
        measured[name] = Measured(values[name], spread, effects, known)
    return measured


def _too_fast(bulk: Any) -> Any:
    return np.where(bulk <= 0.0, flags.bit("impossible_value"), 0).astype(np.int64)
