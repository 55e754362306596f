"""Undrained shear strength by vane, fall cone, hand penetrometer and unconfined compression."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.cards import RESEARCH_ONLY
from corephys.ground.laws import law
from corephys.ground.provenance import SourcedText
from corephys.numerics.line import ordinary_line
from corephys.uncertainty import Measured, bare, covariance_effects, stated

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, WithUnit

__all__ = [
    "SAFETY",
    "Spring",
    "calibrate_spring",
    "cone_factor",
    "fall_cone",
    "penetrometer",
    "unconfined",
    "unconfined_peak",
    "vane",
    "vane_constant",
]

# --------------------------------------------------------------------------------------------------
# What every result of strength carries: its line of safety and the names of its effects.


NAME = "undrained_shear_strength"
SAFETY = RESEARCH_ONLY
RELATIVE = (
    "a relative profile: coring, storage, rate and direction of shear set it apart from the ground"
)


def numbers(value: Any, unit: str, name: str, *, zero: bool = False) -> Any:
    """Take an argument through the door that has to be above zero.

    Parameters
    ----------
    value : Quantity, DataArray, str or Constant
        The argument as the caller gave it.
    unit : str
        The unit the calculation works in.
    name : str
        Name of the argument, for the message.
    zero : bool
        Zero itself may be given.

    Returns
    -------
    float or array
        Floats in ``unit``. One value for all readings is refused where it cannot be; a reading of
        a series passes, and is flagged where it is used.
    """
    found = units.as_floats(value, unit, name)
    return found if np.ndim(found) else positive(value, unit, name, zero=zero)


def beyond(outside: Any) -> Any:
    """The bit ``beyond_method_range``, a pure number, where True stands; 0 elsewhere."""
    return _bits(outside, "beyond_method_range")


def impossible(bad: Any) -> Any:
    """The bit ``impossible_value``, a pure number, where True stands; 0 elsewhere."""
    return _bits(bad, "impossible_value")


def _bits(where: Any, reason: str) -> Any:
    def mask(here: Any) -> Any:
        return np.where(here, flags.bit(reason), 0).astype(np.int64)

    return xr.apply_ufunc(mask, where)


def result(
    measured: Measured, steps: tuple[str, ...], constants: dict[str, Any], **attributes: Any
) -> xr.Dataset:
    """The Dataset of a strength, with its line of safety.

    Parameters
    ----------
    measured : Measured
        Undrained shear strength [kPa].
    steps : tuple of str
        Equations in words.
    constants : dict of str to anything that :func:`corephys.ground.provenance.records` takes
        Numbers that were used, as the caller gave them.
    **attributes
        Further global attributes.

    Returns
    -------
    Dataset
        ``undrained_shear_strength`` [kPa]; attributes ``safety`` and ``use``.
    """
    return series.build(
        {NAME: measured},
        steps=steps,
        constants=constants,
        safety=SAFETY,
        use=RELATIVE,
        **attributes,
    )


# --------------------------------------------------------------------------------------------------
# Undrained shear strength from the torque of a vane, and the spring that measures the torque.


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


@law("m^3", diameter="positive mm", height="positive mm")
def vane_constant(diameter: Dimensional, height: Dimensional, *, ends: int = 2) -> WithUnit:
    """Torque of a vane over the strength of the sediment that it shears.

    Parameters
    ----------
    diameter, height : Quantity, DataArray, Constant or str
        Diameter and height of the blades [mm].
    ends : {2, 1}
        Number of end faces that shear: 2 for a buried vane, 1 for a vane whose top lies in the
        face of the core.

    Returns
    -------
    Quantity or DataArray
        Vane constant [m^3].

    Raises
    ------
    ValueError
        When a length is not above zero, or ``ends`` is neither 1 nor 2.

    Notes
    -----
    K = (pi D^2 H / 2) (1 + D / (3 H)) for two ends, (1 + D / (6 H)) for one: the moments of a
    cylinder with the full strength on side and ends, geometry; as in ASTM D4648.
    """
    _one_or_two(ends)
    return 1e-9 * _volume(diameter, height, float(ends))[0]  # mm^3 to m^3


def _one_or_two(ends: Any) -> None:
    if ends not in (1, 2):
        raise ValueError(f"ends is {ends!r}; a vane shears 2 end faces, or 1 where its top is bare")


def calibrate_spring(rotation: Any, torque: Any, *, torque_uncertainty: Any = None) -> Spring:
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
    torque: Any = None,
    *,
    diameter: Any,
    height: Any,
    ends: int = 2,
    rotation: Any = None,
    spring: Any = None,
    spring_uncertainty: Any = None,
    torque_uncertainty: Any = None,
    torque_scale_uncertainty: Any = None,
    rotation_uncertainty: Any = None,
    diameter_uncertainty: Any = None,
    height_uncertainty: Any = None,
    limit: Any = _T["vane_strength_limit"],
    reason: Any = 0,
) -> xr.Dataset:
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
    series.require_same_positions(
        torque=torque, rotation=rotation, diameter=diameter, height=height
    )
    moment, u_moment, per_spring = _torque(
        torque,
        rotation,
        spring,
        spring_uncertainty,
        torque_uncertainty,
        torque_scale_uncertainty,
        rotation_uncertainty,
    )
    strength, per_torque, by_d, by_h = series.apply(
        _kernel,
        moment,
        numbers(diameter, "mm", "diameter"),
        numbers(height, "mm", "height"),
        outputs=4,
        ends=float(ends),
    )
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
            "ends": f"end faces that shear: {ends}",
            "limit": limit,
            "spring": SourcedText(spring.describe(), "fitted")
            if isinstance(spring, Spring)
            else (spring, spring_uncertainty),
        },
    )


def _zero_throughout(readings: Any) -> Any:
    """Reasons of readings that are all zero: the instrument gave none."""
    if hasattr(getattr(readings, "data", readings), "dask"):
        return np.int64(0)
    plain = np.asarray(getattr(readings, "values", getattr(readings, "magnitude", readings)))
    known = plain.astype(float)[np.isfinite(plain.astype(float))]
    return np.int64(flags.bit("impossible_value") if known.size and not known.any() else 0)


def _torque(
    torque: Any,
    rotation: Any,
    spring: Any,
    u_spring: Any,
    u_torque: Any,
    u_scale: Any,
    u_rotation: Any,
) -> tuple[Any, Any, dict[str, Any]]:
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
    used = (
        spring
        if isinstance(spring, Spring)
        else Spring(float(positive(spring, "N m/degree", "spring")))
    )
    moment = used.zero + used.constant * turned
    random = used.constant * stated(u_rotation, "degree", "rotation_uncertainty")
    if spring is used:
        ones = turned * 0.0 + 1.0
        return moment, random, covariance_effects([turned, ones], used.covariance, "spring")
    return moment, random, {"spring": turned * stated(u_spring, "N m/degree", "spring_uncertainty")}


# --------------------------------------------------------------------------------------------------
# Undrained shear strength from the depth to which a cone falls into the sample.


_C = constants.CONSTANTS
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
        row.name: row
        for degrees, row in _BY_ANGLE.items()
        if np.isclose(plain, degrees, atol=_SAME_ANGLE).any()
    }


def _kernel_cone(penetration: Any, mass: Any, factor: Any, *, gravity: float) -> tuple[Any, Any]:
    """Strength [kPa] from mm and g, and by the depth [kPa/mm]."""
    depth = np.where(np.asarray(penetration) > 0.0, penetration, np.nan)
    strength = factor * mass * gravity / depth**2
    return strength, -2.0 * strength / depth


def fall_cone(
    penetration: Any,
    cone_mass: Any,
    cone_angle: Any = None,
    *,
    factor: Any = None,
    factor_uncertainty: Any = None,
    gravity: Any = _C["gravity"],
    penetration_uncertainty: Any = None,
    least_penetration: Any = _T["fall_cone_least_penetration"],
    greatest_penetration: Any = _T["fall_cone_greatest_penetration"],
    reason: Any = 0,
) -> xr.Dataset:
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
        _kernel_cone,
        depth,
        numbers(cone_mass, "g", "cone_mass"),
        used,
        outputs=2,
        gravity=float(positive(gravity, "m/s^2", "gravity")),
    )
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
            **(
                {"cone_factor": (factor, factor_uncertainty)}
                if factor is not None
                else _factors_used(cone_angle)
            ),
            "gravity": gravity,
            "least_penetration": least_penetration,
            "greatest_penetration": greatest_penetration,
        },
    )


# --------------------------------------------------------------------------------------------------
# Undrained shear strength as half of a compressive one: hand penetrometer, unconfined test.


_SLENDER = tuple(thresholds.value(f"specimen_{end}_slenderness") for end in ("least", "greatest"))
_SLACK = thresholds.value("specimen_slenderness_slack")


def _half_stress(load: Any, diameter: Any, strain: Any) -> Any:
    """Half of the load over the area [kPa] from N and mm; the area grows with the strain."""
    wide = np.where(np.asarray(diameter) > 0.0, diameter, np.nan)
    return 0.5e3 * load * (1.0 - strain) / (0.25 * np.pi * wide**2)


def _strain(shortening: Any, height: Any) -> Any:
    return shortening / np.where(np.asarray(height) > 0.0, height, np.nan)


def penetrometer(
    reading: Any = None,
    *,
    axial_load: Any = None,
    diameter: Any = None,
    reading_uncertainty: Any = None,
    load_uncertainty: Any = None,
    scale_uncertainty: Any = None,
    limit: Any = _T["penetrometer_strength_limit"],
    reason: Any = 0,
) -> xr.Dataset:
    """Undrained shear strength from a hand penetrometer.

    Parameters
    ----------
    reading : DataArray, Quantity or str, (reading), optional
        Compressive strength as its scale shows it [kPa]; or else ``axial_load`` and ``diameter``.
    axial_load : DataArray, Quantity or str, (reading), optional
        At which the foot goes in [N].
    diameter : DataArray, Quantity or str, optional
        Of the foot [mm].
    reading_uncertainty, load_uncertainty : Quantity, DataArray or str, optional
        Random, of one reading [kPa], [N]; unknown gives NaN.
    scale_uncertainty : Quantity or float, optional
        Relative, of its spring [1]; effect ``penetrometer_spring``. Unknown gives NaN.
    limit : Quantity, str or Constant
        Strength at the end of the scale [kPa].
    reason : int or DataArray of int
        Reasons already found.

    Returns
    -------
    Dataset
        ``undrained_shear_strength`` [kPa] with uncertainty, effects and flags:
        ``beyond_method_range`` at ``limit`` and above. Attribute ``safety``.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        When neither reading nor load and diameter are given, or a single one is negative or zero.

    Notes
    -----
    s_u = q / 2 (definition of a compressive strength without friction), q as read or load over
    area. The scale is an empirical one; how far its q is that of the clay is not in the
    uncertainty.
    """
    if (reading is None) == (axial_load is None or diameter is None):
        raise ValueError("give reading, or axial_load and diameter of the foot, and not both")
    share = stated(scale_uncertainty, "1", "scale_uncertainty")
    if reading is not None:
        strength = 0.5 * numbers(reading, "kPa", "reading", zero=True)
        random = 0.5 * stated(reading_uncertainty, "kPa", "reading_uncertainty")
    else:
        series.require_same_positions(axial_load=axial_load, diameter=diameter)
        load = numbers(axial_load, "N", "axial_load", zero=True)
        foot = numbers(diameter, "mm", "diameter")
        strength = series.apply(_half_stress, load, foot, 0.0)
        u_load = stated(load_uncertainty, "N", "load_uncertainty")
        random = series.apply(_half_stress, 1.0, foot, 0.0) * u_load
    high = beyond(strength >= float(positive(limit, "kPa", "limit")))
    return result(
        Measured(
            strength,
            random,
            {"penetrometer_spring": strength * share},
            series.joined_reasons(high, reason),
        ),
        ("q as read, or load over the foot's area", "s_u = q / 2"),
        {"limit": limit},
    )


def unconfined(
    axial_load: Any,
    shortening: Any,
    *,
    diameter: Any,
    height: Any,
    load_uncertainty: Any = None,
    load_scale_uncertainty: Any = None,
    diameter_uncertainty: Any = None,
    strain_limit: Any = _T["unconfined_strain_limit"],
    reason: Any = 0,
) -> xr.Dataset:
    """Undrained shear strength from the peaks of unconfined compressions.

    Parameters
    ----------
    axial_load, shortening : DataArray, Quantity or str, (reading)
        At the peak of each sample [N], [mm].
    diameter, height : DataArray, Quantity or str
        Of the sample before the test [mm].
    load_uncertainty, diameter_uncertainty : Quantity, DataArray or str, optional
        Random, of one load [N] and one sample's diameter [mm]; unknown gives NaN.
    load_scale_uncertainty : Quantity or float, optional
        Relative, of the load cell [1]; effect ``load_cell``. Unknown gives NaN.
    strain_limit : Quantity, float or Constant
        Strain up to which a peak counts [1].
    reason : int or DataArray of int
        Reasons already found.

    Returns
    -------
    Dataset
        ``undrained_shear_strength`` [kPa] with uncertainty, effects and flags:
        ``beyond_method_range`` above the strain limit and for a height outside 2 to 2.5
        diameters. Attribute ``safety``.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        When a single load is negative, or a single length not above zero.

    Notes
    -----
    A = A_0 / (1 - strain), q_u = F / A, s_u = q_u / 2 (ASTM D2166, from memory): volume is
    kept, since nothing drains.
    """
    series.require_same_positions(
        axial_load=axial_load, shortening=shortening, diameter=diameter, height=height
    )
    load = numbers(axial_load, "N", "axial_load", zero=True)
    wide, tall = numbers(diameter, "mm", "diameter"), numbers(height, "mm", "height")
    strain = series.apply(_strain, units.as_floats(shortening, "mm", "shortening"), tall)
    strength = series.apply(_half_stress, load, wide, strain)
    per_load = series.apply(_half_stress, 1.0, wide, strain)
    random = (
        (per_load * stated(load_uncertainty, "N", "load_uncertainty")) ** 2
        + (2 * strength / wide * stated(diameter_uncertainty, "mm", "diameter_uncertainty")) ** 2
    ) ** 0.5
    share = stated(load_scale_uncertainty, "1", "load_scale_uncertainty")
    most = float(positive(strain_limit, "1", "strain_limit"))
    slender = tall / wide
    out = (
        (strain > most + 1e-9)
        | (slender < (1.0 - _SLACK) * _SLENDER[0])
        | (slender > (1.0 + _SLACK) * _SLENDER[1])
    )
    bad = impossible((strain < 0.0) | (strain >= 1.0) | (tall <= 0.0) | (wide <= 0.0))
    found = series.joined_reasons(beyond(out), bad, reason)
    return result(
        Measured(strength, random, {"load_cell": strength * share}, found),
        ("strain = shortening / height, A = A_0 / (1 - strain)", "q_u = F / A", "s_u = q_u / 2"),
        {"strain_limit": strain_limit},
    )


def unconfined_peak(
    axial_load: Any, shortening: Any, *, diameter: Any, height: Any, **options: Any
) -> xr.Dataset:
    """Undrained shear strength from the whole curve of one unconfined compression.

    Parameters
    ----------
    axial_load, shortening : DataArray or Quantity, (row)
        Of one test in order of time [N], [mm].
    diameter, height : Quantity or str
        Of the sample before the test [mm].
    **options
        Uncertainties, strain limit and reasons of :func:`unconfined`.

    Returns
    -------
    Dataset
        One ``undrained_shear_strength`` [kPa] as :func:`unconfined` gives it. Attribute
        ``peak_strain`` and ``peak``: ``reached``, or ``at the strain limit`` where the stress still
        rises there, or ``not reached`` where the curve ends before and still rises, which is
        ``beyond_method_range``: such a strength is a lower bound, and ``bound`` says so.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        With fewer than three points that are known, or a shortening that starts past the limit.

    Notes
    -----
    q_u = max of F (1 - strain) / A_0 up to the strain limit, where the curve is read between its
    points (ASTM D2166, from memory).
    """
    f = np.ravel(np.asarray(units.as_floats(axial_load, "N", "axial_load"), dtype=float))
    x = np.ravel(np.asarray(units.as_floats(shortening, "mm", "shortening"), dtype=float))
    if f.shape != x.shape:
        raise ValueError(f"axial_load has {f.size} points and shortening {x.size}")
    tall = float(positive(height, "mm", "height"))
    most = float(
        positive(options.get("strain_limit", _T["unconfined_strain_limit"]), "1", "strain_limit")
    )
    known = np.isfinite(f) & np.isfinite(x)
    f, strain = f[known], x[known] / tall
    inside = strain <= most
    if f.size < 3 or not inside.any():
        raise ValueError(
            f"{f.size} points, {int(inside.sum())} of them up to a strain of {most:g}, show no peak"
        )
    after = np.flatnonzero(~inside)
    if after.size:  # the curve at the limit itself
        k = int(after[0])
        at_limit = np.interp(most, strain[k - 1 : k + 1], f[k - 1 : k + 1]) if k else f[0]
        f, strain = np.append(f[:k], at_limit), np.append(strain[:k], most)
    peak = int(np.argmax(f * (1.0 - strain)))
    last = peak == f.size - 1
    found = "reached" if not last else "at the strain limit" if after.size else "not reached"
    known_reason = options.pop("reason", 0) | (
        flags.bit("beyond_method_range") if found == "not reached" else 0
    )
    answer = unconfined(
        units.quantity(f[peak], "N"),
        units.quantity(strain[peak] * tall, "mm"),
        diameter=diameter,
        height=height,
        reason=known_reason,
        **options,
    )
    answer.attrs |= {"peak": found, "peak_strain": float(strain[peak])}
    if found == "not reached":
        answer.attrs["bound"] = "lower bound of the strength: the curve ends while it still rises"
    return answer
