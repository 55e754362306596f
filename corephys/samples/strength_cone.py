"""Undrained shear strength from the depth to which a cone falls into the sample."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.samples.strength_result import beyond, impossible, numbers, result
from corephys.uncertainty import Measured, bare, stated

__all__ = ["cone_factor", "fall_cone"]

_C = constants.CONSTANTS
_T = thresholds.DEFAULTS
_SAME_ANGLE = 0.05  # degree, for an angle that was converted from another unit
_BY_ANGLE = {30.0: _C["fall_cone_factor_30"], 60.0: _C["fall_cone_factor_60"]}


def cone_factor(cone_angle: Any) -> tuple[Any, Any]:
    """Factor of a fall cone by its angle, with its standard uncertainty.

    Parameters
    ----------
    cone_angle : Quantity, DataArray or str
        Full angle at the tip [degree]: 30 or 60, NaN where it is not known.

    Returns
    -------
    tuple of float or array
        Factor and uncertainty, pure numbers.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For another angle, to which no factor is known here.

    Notes
    -----
    0.80 at 30 degrees and 0.27 at 60 degrees (Hansbo 1957, ISO 17892-6, from memory). Published
    factors of 30 degrees run from 0.5 to 1.33, with roughness of the cone and rate of the clay:
    a factor of one's own, from a vane in the same mud, is better, and its source is stated.
    """
    angle = units.as_floats(cone_angle, "degree", "cone_angle")
    plain = np.asarray(angle, dtype=float)
    factor, spread = np.full(plain.shape, np.nan), np.full(plain.shape, np.nan)
    for degrees, constant in _BY_ANGLE.items():
        here = np.isclose(plain, degrees, atol=_SAME_ANGLE)
        factor[here], spread[here] = constant.value, constant.uncertainty
    other = np.isfinite(plain) & np.isnan(factor)
    if other.any():
        raise ValueError(
            f"no cone factor is known for {plain[other].flat[0]:g} degree ({int(other.sum())} "
            "readings); give factor and factor_uncertainty, or cones of 30 or 60 degree"
        )
    if hasattr(angle, "dims"):
        return angle.copy(data=factor), angle.copy(data=spread)
    return (factor, spread) if factor.ndim else (float(factor), float(spread))


def _factors_used(cone_angle: Any) -> dict[str, Any]:
    """Tabled factors of the angles that occur, by name of their row."""
    plain = np.asarray(units.as_floats(cone_angle, "degree", "cone_angle"), dtype=float)
    return {
        row.name: row for degrees, row in _BY_ANGLE.items()
        if np.isclose(plain, degrees, atol=_SAME_ANGLE).any()
    }  # fmt: skip


def _kernel(penetration: Any, mass: Any, factor: Any, *, gravity: float) -> tuple[Any, Any]:
    """Strength [kPa] from mm and g, and by the depth [kPa/mm]."""
    depth = np.where(np.asarray(penetration) > 0.0, penetration, np.nan)
    strength = factor * mass * gravity / depth**2
    return strength, -2.0 * strength / depth


def fall_cone(
    penetration: Any, cone_mass: Any, cone_angle: Any = None, *, factor: Any = None,
    factor_uncertainty: Any = None, gravity: Any = _C["gravity"],
    penetration_uncertainty: Any = None,
    least_penetration: Any = _T["fall_cone_least_penetration"],
    greatest_penetration: Any = _T["fall_cone_greatest_penetration"], reason: Any = 0,
) -> xr.Dataset:  # fmt: skip
    """Undrained shear strength from a fall cone.

    Parameters
    ----------
    penetration : DataArray, Quantity or str, (reading)
        [mm].
    cone_mass : DataArray, Quantity or str
        Of all that falls [g].
    cone_angle : DataArray, Quantity or str, optional
        Full angle at the tip [degree]; gives the factor where none is stated.
    factor : Quantity, DataArray, Constant or float, optional
        K of the cone, a pure number.
    factor_uncertainty : Quantity or float, optional
        Of K, a pure number; effect ``cone_factor``. Unknown gives NaN.
    gravity : Quantity, str or Constant
        [m/s^2].
    penetration_uncertainty : Quantity, DataArray or str, optional
        Random, of one reading [mm]; unknown gives NaN.
    least_penetration, greatest_penetration : Quantity, str or Constant
        Range of the method [mm].
    reason : int or DataArray of int
        Reasons already found.

    Returns
    -------
    Dataset
        ``undrained_shear_strength`` [kPa] with uncertainty, effects and flags:
        ``beyond_method_range`` outside the range of penetration; a penetration that is not above
        zero gives NaN and ``impossible_value``. The factor stands among the constants; attribute
        ``safety``.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        When neither factor nor angle is given, a single penetration or mass is not above zero, or
        an angle has no known factor.

    Notes
    -----
    s_u = K m g / d^2 (Hansbo 1957). The error of K is that of all readings with one cone; cones of
    two angles are taken to err together, since roughness and rate act on both. Errors of mass and
    gravity, below 0.5 %, are left out.
    """
    if factor is None and cone_angle is None:
        raise ValueError("give cone_angle, or the factor of the cone with its source in your notes")
    series.require_same_positions(
        penetration=penetration, cone_mass=cone_mass, cone_angle=cone_angle
    )
    if factor is None:
        used, u_factor = cone_factor(cone_angle)
        if factor_uncertainty is not None:
            u_factor = stated(factor_uncertainty, "1", "factor_uncertainty")
    else:
        used = numbers(factor, "1", "factor")
        u_factor = stated(factor_uncertainty, "1", "factor_uncertainty", of=factor)
    depth = numbers(penetration, "mm", "penetration")
    strength, by_depth = series.apply(
        _kernel, depth, numbers(cone_mass, "g", "cone_mass"), used, outputs=2,
        gravity=float(positive(gravity, "m/s^2", "gravity")),
    )  # fmt: skip
    random = -by_depth * stated(penetration_uncertainty, "mm", "penetration_uncertainty")
    effects = {"cone_factor": strength * (bare(u_factor) / bare(used))}
    low = float(positive(least_penetration, "mm", "least_penetration"))
    high = float(positive(greatest_penetration, "mm", "greatest_penetration"))
    out = beyond((depth < low) | (depth > high))
    found = series.joined_reasons(out, impossible(depth <= 0.0), reason)
    return result(
        Measured(strength, random, effects, found),
        ("factor of the cone, stated or by its angle", "s_u = K m g / d^2"),
        {
            **({"cone_factor": (factor, factor_uncertainty)} if factor is not None
               else _factors_used(cone_angle)),
            "gravity": gravity, "least_penetration": least_penetration,
            "greatest_penetration": greatest_penetration,
        },
    )  # fmt: skip
