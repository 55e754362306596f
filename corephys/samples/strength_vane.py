"""Undrained shear strength from the torque of a vane, and the spring that measures the torque."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.provenance import SourcedText
from corephys.numerics.line import ordinary_line
from corephys.samples.strength_result import beyond, impossible, numbers, result
from corephys.uncertainty import Measured, bare, covariance_effects, stated

__all__ = ["Spring", "calibrate_spring", "vane", "vane_constant"]

_T = thresholds.DEFAULTS


@dataclass(frozen=True)
class Spring:
    """Torque = zero + constant rotation.

    Parameters
    ----------
    constant : float
        [N m/degree].
    zero : float
        Torque at no rotation [N m], such as friction.
    covariance : (2, 2) ndarray
        Of constant [N m/degree] and zero [N m]; NaN where it is not known.
    residual : ndarray, (standard)
        Torque less line [N m].
    """

    constant: float
    zero: float = 0.0
    covariance: np.ndarray = field(default_factory=lambda: np.full((2, 2), np.nan))
    residual: np.ndarray = field(default_factory=lambda: np.empty(0))

    def describe(self) -> str:
        """Constant and zero in one line."""
        u = float(np.sqrt(self.covariance[0, 0]))
        return f"{self.constant:.5g} +- {u:.2g} N m/degree, zero {self.zero:.2g} N m"


def _volume(diameter: Any, height: Any, ends: float) -> tuple[Any, Any, Any]:
    """K [mm^3] and its derivatives by diameter and height [mm^2]."""
    side = 0.5 * np.pi * diameter**2 * height
    one = np.pi * diameter**3 / 12.0
    by_diameter = np.pi * diameter * height + ends * np.pi * diameter**2 / 4.0
    return side + ends * one, by_diameter, 0.5 * np.pi * diameter**2


def vane_constant(diameter: Any, height: Any, *, ends: int = 2) -> Any:
    """Torque of a vane over the strength of what it shears.

    Parameters
    ----------
    diameter, height : Quantity, DataArray, Constant or str
        Of the blades [mm].
    ends : {2, 1}
        End faces that shear: 2 where the vane is buried, 1 where its top lies in the face of the
        core.

    Returns
    -------
    float or array
        [m^3].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        When a length is not above zero, or ``ends`` is neither 1 nor 2.

    Notes
    -----
    K = (pi D^2 H / 2) (1 + D / (3 H)) for two ends, (1 + D / (6 H)) for one: the moments of a
    cylinder with the full strength on side and ends, geometry; as in ASTM D4648.
    """
    _one_or_two(ends)
    d, h = positive(diameter, "mm", "diameter"), positive(height, "mm", "height")
    return 1e-9 * _volume(d, h, float(ends))[0]


def _one_or_two(ends: Any) -> None:
    if ends not in (1, 2):
        raise ValueError(f"ends is {ends!r}; a vane shears 2 end faces, or 1 where its top is bare")


def calibrate_spring(
    rotation: Any, torque: Any, *, torque_uncertainty: Any = None
) -> Spring:  # fmt: skip
    """Constant of a spring from known torques.

    Parameters
    ----------
    rotation : DataArray or Quantity, (standard)
        [degree].
    torque : DataArray or Quantity, (standard)
        Of the standards, such as a weight on an arm [N m].
    torque_uncertainty : Quantity, DataArray or str, optional
        Random, of the standards and of their reading [N m]; without it the scatter about the line
        sets the errors.

    Returns
    -------
    Spring
        Constant [N m/degree] and zero [N m] with their covariance.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        With fewer than three standards, or all at one rotation.

    Notes
    -----
    Weighted line of torque on rotation: JCGM 100:2008, annex H.3.
    """
    x = np.ravel(np.asarray(units.as_floats(rotation, "degree", "rotation"), dtype=float))
    y = np.ravel(np.asarray(units.as_floats(torque, "N m", "torque"), dtype=float))
    sigma = units.as_floats(
        torque_uncertainty, "N m", "torque_uncertainty", difference=True, optional=True
    )
    known = np.isfinite(x) & np.isfinite(y)
    if sigma is not None:
        sigma = np.broadcast_to(np.ravel(np.asarray(sigma, dtype=float)), x.shape)[known]
    x, y = x[known], y[known]
    if x.size < 3 or np.ptp(x) == 0.0:
        raise ValueError(f"{x.size} standards do not fix a spring; give three or more rotations")
    line = ordinary_line(x, y, sigma)
    turned = line.covariance[::-1, ::-1]
    residual = y - line.intercept - line.slope * x
    return Spring(line.slope, line.intercept, np.array(turned), residual)


def _kernel(torque: Any, diameter: Any, height: Any, *, ends: float) -> tuple[Any, ...]:
    """Strength [kPa], and per torque [kPa/(N m)], diameter and height [kPa/mm]."""
    torque, diameter, height = np.broadcast_arrays(torque, diameter, height)
    built = (diameter > 0.0) & (height > 0.0)
    wide, tall = np.where(built, diameter, np.nan), np.where(built, height, np.nan)
    size, by_d, by_h = _volume(wide, tall, ends)
    strength = 1e6 * torque / size
    return strength, 1e6 / size, -strength * by_d / size, -strength * by_h / size


def vane(
    torque: Any = None, *, diameter: Any, height: Any, ends: int = 2, rotation: Any = None,
    spring: Any = None, spring_uncertainty: Any = None, torque_uncertainty: Any = None,
    torque_scale_uncertainty: Any = None, rotation_uncertainty: Any = None,
    diameter_uncertainty: Any = None, height_uncertainty: Any = None,
    limit: Any = _T["vane_strength_limit"], reason: Any = 0,
) -> xr.Dataset:  # fmt: skip
    """Undrained shear strength from a vane.

    Parameters
    ----------
    torque : DataArray, Quantity or str, (reading), optional
        [N m]; or else ``rotation`` of a spring.
    diameter, height : DataArray, Quantity or str
        Of the blades [mm].
    ends : {2, 1}
        End faces that shear, see :func:`vane_constant`.
    rotation : DataArray, Quantity or str, (reading), optional
        Of the spring [degree].
    spring : Spring, Quantity or str, optional
        From :func:`calibrate_spring`, or its constant [N m/degree].
    spring_uncertainty : Quantity or str, optional
        Systematic, of a stated constant [N m/degree]; effect ``spring``.
    torque_uncertainty, rotation_uncertainty : Quantity, DataArray or str, optional
        Random, of one reading [N m], [degree]; unknown gives NaN.
    torque_scale_uncertainty : Quantity or float, optional
        Relative, of the scale of all torques [1]; effect ``spring``, where there is no rotation.
    diameter_uncertainty, height_uncertainty : Quantity or str, optional
        Systematic, of the blades [mm]; together the effect ``vane_constant``.
    limit : Quantity, str or Constant
        Strength above which a vane is not trusted [kPa].
    reason : int or DataArray of int
        Reasons already found.

    Returns
    -------
    Dataset
        ``undrained_shear_strength`` [kPa] with uncertainty, effects and flags:
        ``beyond_method_range`` above ``limit``; ``impossible_value`` for a negative torque, and
        without a strength where a length of the vane is not above zero. Attribute ``safety``.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        When neither torque nor rotation with a spring is given, a single torque is negative or a
        single length not above zero, or ``ends`` is not 1 or 2.

    Notes
    -----
    s_u = T / K (definition; ASTM D4648), K by :func:`vane_constant`; T = zero + c rotation with a
    spring. In the face of a split core the blades shear planes along the core, the ground fails on
    others.
    """
    _one_or_two(ends)
    series.require_same_positions(torque=torque, rotation=rotation, diameter=diameter,
                                  height=height)  # fmt: skip
    moment, u_moment, per_spring = _torque(
        torque, rotation, spring, spring_uncertainty, torque_uncertainty,
        torque_scale_uncertainty, rotation_uncertainty,
    )  # fmt: skip
    strength, per_torque, by_d, by_h = series.apply(
        _kernel, moment, numbers(diameter, "mm", "diameter"), numbers(height, "mm", "height"),
        outputs=4, ends=float(ends),
    )  # fmt: skip
    bad = impossible((bare(moment) < 0.0) | (np.isnan(strength) & ~np.isnan(moment)))
    dead = np.int64(0) if rotation is not None else _zero_throughout(moment)
    u_d = stated(diameter_uncertainty, "mm", "diameter_uncertainty")
    u_h = stated(height_uncertainty, "mm", "height_uncertainty")
    effects = {source: per_torque * part for source, part in per_spring.items()}
    # A greater vane makes the strength less.
    effects["vane_constant"] = -(((by_d * u_d) ** 2 + (by_h * u_h) ** 2) ** 0.5)
    high = beyond(strength > float(positive(limit, "kPa", "limit")))
    found = series.joined_reasons(high, bad, dead, reason)
    return result(
        Measured(strength, per_torque * u_moment, effects, found),
        ("torque from the spring, where there is one", "K of the vane", "s_u = T / K"),
        {
            "ends": f"end faces that shear: {ends}", "limit": limit,
            "spring": SourcedText(spring.describe(), "fitted") if isinstance(spring, Spring)
            else (spring, spring_uncertainty),
        },
    )  # fmt: skip


def _zero_throughout(readings: Any) -> Any:
    """Reasons of readings that are all zero: the instrument gave none."""
    if hasattr(getattr(readings, "data", readings), "dask"):
        return np.int64(0)
    plain = np.asarray(getattr(readings, "values", getattr(readings, "magnitude", readings)))
    known = plain.astype(float)[np.isfinite(plain.astype(float))]
    return np.int64(flags.bit("impossible_value") if known.size and not known.any() else 0)


def _torque(
    torque: Any, rotation: Any, spring: Any, u_spring: Any, u_torque: Any, u_scale: Any,
    u_rotation: Any,
) -> tuple[Any, Any, dict[str, Any]]:  # fmt: skip
    """Torque [N m], its random uncertainty and its effects [N m]."""
    random = stated(u_torque, "N m", "torque_uncertainty")
    if rotation is None:
        if torque is None:
            raise ValueError("give torque, or rotation and the spring's constant")
        moment = numbers(torque, "N m", "torque", zero=True)
        return moment, random, {"spring": moment * stated(u_scale, "1", "torque_scale_uncertainty")}
    if torque is not None or spring is None:
        raise ValueError(
            "rotation needs spring, a constant such as '0.0012 N m/degree' or what "
            "strength.calibrate_spring gives, and no torque beside it"
        )
    turned = numbers(rotation, "degree", "rotation", zero=True)
    used = spring if isinstance(spring, Spring) else Spring(
        float(positive(spring, "N m/degree", "spring"))
    )  # fmt: skip
    moment = used.zero + used.constant * turned
    random = used.constant * stated(u_rotation, "degree", "rotation_uncertainty")
    if spring is used:
        ones = turned * 0.0 + 1.0
        return moment, random, covariance_effects([turned, ones], used.covariance, "spring")
    return moment, random, {"spring": turned * stated(u_spring, "N m/degree", "spring_uncertainty")}
