"""Elastic moduli of an isotropic sample from its two velocities and its density."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, moduli, series

__all__ = ["elastic_moduli"]

_INPUTS = ("p_wave_velocity", "s_wave_velocity", "bulk_density")


def elastic_moduli(
    p_wave_velocity: Any, s_wave_velocity: Any, bulk_density: Any, *,
    p_wave_velocity_uncertainty: Any = None, s_wave_velocity_uncertainty: Any = None,
    bulk_density_uncertainty: Any = None, reason: Any = 0,
) -> xr.Dataset:  # fmt: skip
    """Shear, bulk, Young's and P-wave modulus, Lamé's first parameter and Poisson's ratio.

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
        ``shear_modulus``, ``bulk_modulus``, ``young_modulus``, ``p_wave_modulus``,
        ``lame_parameter`` [GPa] and ``poisson_ratio`` [1] with uncertainties and effects; an effect
        that two inputs share, such as the calliper's, enters once with its sign. An S-wave too fast
        for the P-wave (V_p^2 <= 4/3 V_s^2) is ``impossible_value``.

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
    known = series.joined_reasons(*(_of(part.reason) for part in inputs), reason)
    return series.build(
        moduli.isotropic(inputs, known),
        steps=("G = rho V_s^2, M = rho V_p^2", "K = M - 4 G / 3, E, nu of an isotropic body"),
    )


def _of(reason: Any) -> Any:
    """Reasons of an input, as far as they speak of its worth as an input."""
    worst = flags.from_reason(np.asarray(reason))
    bits = np.where(worst >= flags.BAD, flags.bit("input_bad"), 0).astype(np.int64)
    return xr.Variable("reading", bits) if bits.ndim else int(bits)
