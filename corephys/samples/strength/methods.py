"""Undrained shear strength by vane, fall cone, hand penetrometer and unconfined compression."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, fits, flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.cards import RESEARCH_ONLY
from corephys.ground.laws import law
from corephys.ground.provenance import SourcedText
from corephys.numerics.line import ordinary_line
from corephys.uncertainty import Measured, covariance_effects, given_uncertainty, without_coords

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from corephys.ground.types import Dimensional, Fraction, Numbers, Scalar, WithUnit

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
# Shared by all methods: the safety line, the checks of arguments and the layout of results.


NAME = "undrained_shear_strength"
SAFETY = RESEARCH_ONLY
RELATIVE = (
    "a relative profile: coring, storage, rate and direction of shear set it apart from the ground"
)


def numbers(value: Fraction | None, unit: str, name: str, *, zero: bool = False) -> Numbers:
    """Convert an argument to floats; a single number must be above zero.

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


def beyond(outside: Numbers) -> Numbers:
    """Bit ``beyond_method_range`` where True, 0 elsewhere; a pure number."""
    return _bits(outside, "beyond_method_range")


def impossible(bad: Numbers) -> Numbers:
    """Bit ``impossible_value`` where True, 0 elsewhere; a pure number."""
    return _bits(bad, "impossible_value")


def _bits(where: Numbers, reason: str) -> Numbers:
    """Bit of a reason where True, with the positions of ``where``."""

    def mask(here: np.ndarray) -> np.ndarray:
        return np.where(here, flags.bit(reason), 0).astype(np.int64)

    return xr.apply_ufunc(mask, where)


def result(
    measured: Measured, steps: tuple[str, ...], constants: dict[str, object], **attributes: object
) -> xr.Dataset:
    """Dataset of a strength, with its safety line.

    Parameters
    ----------
    measured : Measured
        Undrained shear strength [kPa].
    steps : tuple of str
        Equations of the method, in words.
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
# Vane: torque of the vane, and the spring that measures the torque.


_T = thresholds.DEFAULTS


@dataclass(frozen=True)
class Spring(fits.FitResult):
    """Calibration of a torque spring: torque = zero + constant rotation.

    Parameters
    ----------
    constant : float
        Spring constant [N m/degree].
    zero : float
        Torque at zero rotation [N m], such as that of friction.
    covariance : (2, 2) ndarray
        Covariance of constant [N m/degree] and zero [N m]; NaN where unknown.
    residual : ndarray, (standard)
        Measured torque less the line [N m].
    rotation, torque, torque_uncertainty : ndarray, (standard)
        The standards [degree], [N m], and their random uncertainty [N m], NaN where not given.
    """

    constant: float
    zero: float = 0.0
    covariance: np.ndarray = field(default_factory=lambda: np.full((2, 2), np.nan))
    residual: np.ndarray = field(default_factory=lambda: np.empty(0))
    rotation: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    torque: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    torque_uncertainty: Any = field(default=float("nan"), repr=False)

    _TITLE = "Calibration of a torque spring, torque = zero + constant rotation"

    @property
    def dataset(self) -> xr.Dataset:
        """Constant and zero with their uncertainties."""
        random = np.sqrt(np.diag(self.covariance))
        return fits.parameters(
            [
                fits.Parameter(
                    "constant", self.constant, "N m/degree", "constant of the spring", random[0]
                ),
                fits.Parameter("zero", self.zero, "N m", "torque at zero rotation", random[1]),
            ],
            equation="torque = zero + constant rotation",
            covariance=self.covariance,
            standards=self.rotation.size,
        )

    def _draw(self, ax: Axes) -> None:
        """Torque of the standards against their rotation."""
        x, u = self.rotation, self.torque_uncertainty
        fits.draw_points(ax, x, self.torque, u_y=u, label="standards")
        edge = np.array([min(0.0, x.min()), x.max()]) if x.size else np.array([0.0, 90.0])
        fits.draw_curve(ax, edge, self.zero + self.constant * edge)
        ax.set_xlabel("rotation [degree]")
        ax.set_ylabel("torque [N m]")

    def describe(self) -> str:
        """Return constant and zero in one line of text."""
        u = float(np.sqrt(self.covariance[0, 0]))
        return f"{self.constant:.5g} +- {u:.2g} N m/degree, zero {self.zero:.2g} N m"


def _volume(diameter: Numbers, height: Numbers, ends: float) -> tuple[Numbers, Numbers, Numbers]:
    """Vane constant K [mm^3] and its derivatives by diameter and height [mm^2]."""
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


def _one_or_two(ends: int) -> None:
    """Raise an error for another number of end faces."""
    if ends not in (1, 2):
        raise ValueError(
            f"ends is {ends!r}; it must be 2 for a buried vane, or 1 for a vane with a free top"
        )


def calibrate_spring(
    rotation: Dimensional, torque: Dimensional, *, torque_uncertainty: Dimensional | None = None
) -> Spring:
    """Calibrate a torque spring with known torques.

    Parameters
    ----------
    rotation : DataArray or Quantity, (standard)
        Rotation of the spring [degree].
    torque : DataArray or Quantity, (standard)
        Torque of the standards, such as a weight on an arm [N m].
    torque_uncertainty : Quantity, DataArray or str, optional
        Random uncertainty of the standards and of their reading [N m]. If not given, the scatter
        about the line gives the errors.

    Returns
    -------
    Spring
        Constant [N m/degree] and zero [N m] with their covariance.

    Raises
    ------
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
        raise ValueError(
            f"{x.size} standards at {np.unique(x).size} rotations do not fix constant and zero; "
            "give three or more, at two rotations at least"
        )
    line = ordinary_line(x, y, sigma)
    turned = line.covariance[::-1, ::-1]
    residual = y - line.intercept - line.slope * x
    u = np.full(x.shape, np.nan) if sigma is None else sigma
    return Spring(line.slope, line.intercept, np.array(turned), residual, x, y, u)


def _kernel(
    torque: Numbers, diameter: Numbers, height: Numbers, *, ends: float
) -> tuple[Numbers, ...]:
    """Strength [kPa], and its derivatives by torque [kPa/(N m)], diameter and height [kPa/mm]."""
    torque, diameter, height = np.broadcast_arrays(torque, diameter, height)
    built = (diameter > 0.0) & (height > 0.0)
    wide, tall = np.where(built, diameter, np.nan), np.where(built, height, np.nan)
    size, by_d, by_h = _volume(wide, tall, ends)
    strength = 1e6 * torque / size  # N m over mm^3 is 1e9 Pa
    return strength, 1e6 / size, -strength * by_d / size, -strength * by_h / size


def vane(
    torque: Dimensional | None = None,
    *,
    diameter: Dimensional,
    height: Dimensional,
    ends: int = 2,
    rotation: Dimensional | None = None,
    spring: Spring | Scalar | None = None,
    spring_uncertainty: Scalar | None = None,
    torque_uncertainty: Dimensional | None = None,
    torque_scale_uncertainty: Fraction | None = None,
    rotation_uncertainty: Dimensional | None = None,
    diameter_uncertainty: Scalar | None = None,
    height_uncertainty: Scalar | None = None,
    limit: Scalar = _T["vane_strength_limit"],
    reason: int | xr.DataArray = 0,
) -> xr.Dataset:
    """Undrained shear strength from a vane.

    Parameters
    ----------
    torque : DataArray, Quantity or str, (reading), optional
        Torque at failure [N m]; otherwise give ``rotation`` and ``spring``.
    diameter, height : DataArray, Quantity or str
        Diameter and height of the blades [mm].
    ends : {2, 1}
        Number of end faces that shear, see :func:`vane_constant`.
    rotation : DataArray, Quantity or str, (reading), optional
        Rotation of the spring at failure [degree].
    spring : Spring, Quantity or str, optional
        Spring from :func:`calibrate_spring`, or its constant [N m/degree].
    spring_uncertainty : Quantity or str, optional
        Systematic uncertainty of a given constant [N m/degree]; effect ``spring``.
    torque_uncertainty, rotation_uncertainty : Quantity, DataArray or str, optional
        Random uncertainty of one reading [N m], [degree]; NaN if not given.
    torque_scale_uncertainty : Quantity or float, optional
        Relative uncertainty of the scale of all torques [1]; effect ``spring``, without a rotation.
    diameter_uncertainty, height_uncertainty : Quantity or str, optional
        Systematic uncertainty of the blades [mm]; together the effect ``vane_constant``.
    limit : Quantity, str or Constant
        Strength above which a vane is unreliable [kPa].
    reason : int or DataArray of int
        Bit mask of reasons already found.

    Returns
    -------
    Dataset
        ``undrained_shear_strength`` [kPa] with uncertainty, effects and flags:
        ``beyond_method_range`` above ``limit``; ``impossible_value`` for a negative torque, and
        with a strength of NaN where a length of the vane is not above zero. Attribute ``safety``.

    Raises
    ------
    PositionError
        When the series have different positions.
    ValueError
        When neither torque nor rotation with a spring is given, a single torque is negative or a
        single length not above zero, or ``ends`` is not 1 or 2.

    Notes
    -----
    s_u = T / K (definition; ASTM D4648), K by :func:`vane_constant`; T = zero + c rotation with a
    spring. In the face of a split core the blades shear planes along the core; a failure in the
    ground follows other planes.
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
    bad = impossible((without_coords(moment) < 0.0) | (np.isnan(strength) & ~np.isnan(moment)))
    # With a spring a rotation of zero may be friction; a torque of zero in every row is not a test.
    dead = np.int64(0) if rotation is not None else _zero_throughout(moment)
    u_d = given_uncertainty(diameter_uncertainty, "mm", "diameter_uncertainty")
    u_h = given_uncertainty(height_uncertainty, "mm", "height_uncertainty")
    effects = {source: per_torque * part for source, part in per_spring.items()}
    # Negative, because a larger vane gives a smaller strength for the same torque.
    effects["vane_constant"] = -(((by_d * u_d) ** 2 + (by_h * u_h) ** 2) ** 0.5)
    high = beyond(strength > float(positive(limit, "kPa", "limit")))
    found = series.joined_reasons(high, bad, dead, reason)
    return result(
        Measured(strength, per_torque * u_moment, effects, found),
        ("torque from the spring, if given", "K of the vane", "s_u = T / K"),
        {
            "ends": f"end faces that shear: {ends}",
            "limit": limit,
            "spring": SourcedText(spring.describe(), "fitted")
            if isinstance(spring, Spring)
            else (spring, spring_uncertainty),
        },
    )


def _zero_throughout(readings: Numbers) -> np.int64:
    """Reason ``impossible_value`` where all readings are zero: the instrument gave no signal."""
    if hasattr(getattr(readings, "data", readings), "dask"):
        return np.int64(0)  # a look at the values would compute them
    plain = np.asarray(getattr(readings, "values", getattr(readings, "magnitude", readings)))
    known = plain.astype(float)[np.isfinite(plain.astype(float))]
    return np.int64(flags.bit("impossible_value") if known.size and not known.any() else 0)


def _torque(
    torque: Dimensional | None,
    rotation: Dimensional | None,
    spring: Spring | Scalar | None,
    u_spring: Scalar | None,
    u_torque: Dimensional | None,
    u_scale: Fraction | None,
    u_rotation: Dimensional | None,
) -> tuple[Numbers, Numbers, dict[str, Numbers]]:
    """Torque [N m], its random uncertainty and its effects [N m]."""
    random = given_uncertainty(u_torque, "N m", "torque_uncertainty")
    if rotation is None:
        if torque is None:
            raise ValueError(
                "neither torque nor rotation is given; give torque, or rotation and spring"
            )
        moment = numbers(torque, "N m", "torque", zero=True)
        return (
            moment,
            random,
            {"spring": moment * given_uncertainty(u_scale, "1", "torque_scale_uncertainty")},
        )
    if torque is not None or spring is None:
        raise ValueError(
            "rotation needs spring and excludes torque; give spring= as a constant such as "
            "'0.0012 N m/degree', or from strength.calibrate_spring"
        )
    turned = numbers(rotation, "degree", "rotation", zero=True)
    used = (
        spring
        if isinstance(spring, Spring)
        else Spring(float(positive(spring, "N m/degree", "spring")))
    )
    moment = used.zero + used.constant * turned
    random = used.constant * given_uncertainty(u_rotation, "degree", "rotation_uncertainty")
    if spring is used:
        ones = turned * 0.0 + 1.0
        return moment, random, covariance_effects([turned, ones], used.covariance, "spring")
    return (
        moment,
        random,
        {"spring": turned * given_uncertainty(u_spring, "N m/degree", "spring_uncertainty")},
    )


# --------------------------------------------------------------------------------------------------
# Fall cone: strength from the penetration of a cone that falls into the sample.


_C = constants.CONSTANTS
_SAME_ANGLE = 0.05  # degree; an angle converted from radians may differ by rounding
_BY_ANGLE = {30.0: _C["fall_cone_factor_30"], 60.0: _C["fall_cone_factor_60"]}


def cone_factor(cone_angle: Dimensional) -> tuple[Numbers, Numbers]:
    """Factor of a fall cone for its angle, with the standard uncertainty of the factor.

    Parameters
    ----------
    cone_angle : Quantity, DataArray or str
        Full angle at the tip [degree]: 30 or 60, or NaN where unknown.

    Returns
    -------
    tuple of float or array
        Factor and uncertainty, pure numbers.

    Raises
    ------
    ValueError
        For another angle, for which the library has no factor.

    Notes
    -----
    0.80 at 30 degrees and 0.27 at 60 degrees (Hansbo 1957, ISO 17892-6, from memory). Published
    factors at 30 degrees range from 0.5 to 1.33, depending on the roughness of the cone and on the
    rate. A factor from a vane in the same sediment is better; record its source.
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
            "readings); give factor and factor_uncertainty, or an angle of 30 or 60 degree"
        )
    if hasattr(angle, "dims"):
        return angle.copy(data=factor), angle.copy(data=spread)
    return (factor, spread) if factor.ndim else (float(factor), float(spread))


def _factors_used(cone_angle: Dimensional) -> dict[str, constants.Constant]:
    """Constants of the angles that occur, by name."""
    plain = np.asarray(units.as_floats(cone_angle, "degree", "cone_angle"), dtype=float)
    return {
        row.name: row
        for degrees, row in _BY_ANGLE.items()
        if np.isclose(plain, degrees, atol=_SAME_ANGLE).any()
    }


def _kernel_cone(
    penetration: Numbers, mass: Numbers, factor: Numbers, *, gravity: float
) -> tuple[Numbers, Numbers]:
    """Strength [kPa] from mm and g, and its derivative by the depth [kPa/mm].

    Grams times m/s^2 over mm^2 are kPa, so no factor is needed.
    """
    depth = np.where(np.asarray(penetration) > 0.0, penetration, np.nan)
    strength = factor * mass * gravity / depth**2
    return strength, -2.0 * strength / depth


def fall_cone(
    penetration: Dimensional,
    cone_mass: Dimensional,
    cone_angle: Dimensional | None = None,
    *,
    factor: Fraction | None = None,
    factor_uncertainty: Fraction | None = None,
    gravity: Scalar = _C["gravity"],
    penetration_uncertainty: Dimensional | None = None,
    least_penetration: Scalar = _T["fall_cone_least_penetration"],
    greatest_penetration: Scalar = _T["fall_cone_greatest_penetration"],
    reason: int | xr.DataArray = 0,
) -> xr.Dataset:
    """Undrained shear strength from a fall cone.

    Parameters
    ----------
    penetration : DataArray, Quantity or str, (reading)
        Penetration of the cone [mm].
    cone_mass : DataArray, Quantity or str
        Mass of all falling parts [g].
    cone_angle : DataArray, Quantity or str, optional
        Full angle at the tip [degree]; it sets the factor where ``factor`` is not given.
    factor : Quantity, DataArray, Constant or float, optional
        Cone factor K, a pure number.
    factor_uncertainty : Quantity or float, optional
        Standard uncertainty of K, a pure number; effect ``cone_factor``. NaN if not given.
    gravity : Quantity, str or Constant
        Acceleration of gravity [m/s^2].
    penetration_uncertainty : Quantity, DataArray or str, optional
        Random uncertainty of one reading [mm]; NaN if not given.
    least_penetration, greatest_penetration : Quantity, str or Constant
        Range of the method [mm].
    reason : int or DataArray of int
        Bit mask of reasons already found.

    Returns
    -------
    Dataset
        ``undrained_shear_strength`` [kPa] with uncertainty, effects and flags:
        ``beyond_method_range`` outside the range of penetration; a penetration that is not above
        zero gives NaN and ``impossible_value``. The attribute ``constants`` records the factor;
        attribute ``safety``.

    Raises
    ------
    PositionError
        When the series have different positions.
    ValueError
        When neither factor nor angle is given, a single penetration or mass is not above zero, or
        an angle has no known factor.

    Notes
    -----
    s_u = K m g / d^2 (Hansbo 1957). The error of K is common to all readings with one cone. The
    errors of cones of two angles are taken as one, since roughness and rate act on both. Errors of
    mass and gravity, below 0.5 %, are neglected.
    """
    if factor is None and cone_angle is None:
        raise ValueError("neither cone_angle nor factor is given; give one of them")
    series.require_same_positions(
        penetration=penetration, cone_mass=cone_mass, cone_angle=cone_angle
    )
    if factor is None:
        used, u_factor = cone_factor(cone_angle)
        if factor_uncertainty is not None:
            u_factor = given_uncertainty(factor_uncertainty, "1", "factor_uncertainty")
    else:
        used = numbers(factor, "1", "factor")
        u_factor = given_uncertainty(factor_uncertainty, "1", "factor_uncertainty", of=factor)
    depth = numbers(penetration, "mm", "penetration")
    strength, by_depth = series.apply(
        _kernel_cone,
        depth,
        numbers(cone_mass, "g", "cone_mass"),
        used,
        outputs=2,
        gravity=float(positive(gravity, "m/s^2", "gravity")),
    )
    random = -by_depth * given_uncertainty(penetration_uncertainty, "mm", "penetration_uncertainty")
    effects = {"cone_factor": strength * (without_coords(u_factor) / without_coords(used))}
    low = float(positive(least_penetration, "mm", "least_penetration"))
    high = float(positive(greatest_penetration, "mm", "greatest_penetration"))
    out = beyond((depth < low) | (depth > high))
    found = series.joined_reasons(out, impossible(depth <= 0.0), reason)
    return result(
        Measured(strength, random, effects, found),
        ("factor of the cone, as given or by its angle", "s_u = K m g / d^2"),
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
# Half of a compressive strength: hand penetrometer and unconfined test.


_SLENDER = tuple(thresholds.value(f"specimen_{end}_slenderness") for end in ("least", "greatest"))
_SLACK = thresholds.value("specimen_slenderness_slack")


def _half_stress(load: Numbers, diameter: Numbers, strain: Numbers) -> Numbers:
    """Half of load over area [kPa] from N and mm; the area grows with the strain."""
    wide = np.where(np.asarray(diameter) > 0.0, diameter, np.nan)
    return 0.5e3 * load * (1.0 - strain) / (0.25 * np.pi * wide**2)


def _strain(shortening: Numbers, height: Numbers) -> Numbers:
    """Axial strain; NaN where the height is not above zero."""
    return shortening / np.where(np.asarray(height) > 0.0, height, np.nan)


def penetrometer(
    reading: Dimensional | None = None,
    *,
    axial_load: Dimensional | None = None,
    diameter: Dimensional | None = None,
    reading_uncertainty: Dimensional | None = None,
    load_uncertainty: Dimensional | None = None,
    scale_uncertainty: Fraction | None = None,
    limit: Scalar = _T["penetrometer_strength_limit"],
    reason: int | xr.DataArray = 0,
) -> xr.Dataset:
    """Undrained shear strength from a hand penetrometer.

    Parameters
    ----------
    reading : DataArray, Quantity or str, (reading), optional
        Compressive strength as read on the scale [kPa]; otherwise give ``axial_load`` and
        ``diameter``.
    axial_load : DataArray, Quantity or str, (reading), optional
        Load at which the foot penetrates [N].
    diameter : DataArray, Quantity or str, optional
        Diameter of the foot [mm].
    reading_uncertainty, load_uncertainty : Quantity, DataArray or str, optional
        Random uncertainty of one reading [kPa], [N]; NaN if not given.
    scale_uncertainty : Quantity or float, optional
        Relative uncertainty of the spring [1]; effect ``penetrometer_spring``. NaN if not given.
    limit : Quantity, str or Constant
        Strength at the end of the scale [kPa].
    reason : int or DataArray of int
        Bit mask of reasons already found.

    Returns
    -------
    Dataset
        ``undrained_shear_strength`` [kPa] with uncertainty, effects and flags:
        ``beyond_method_range`` at ``limit`` and above. Attribute ``safety``.

    Raises
    ------
    PositionError
        When the series have different positions.
    ValueError
        When neither reading nor load and diameter are given, or a single one is negative or zero.

    Notes
    -----
    s_u = q / 2 (definition of a compressive strength without friction), q as read or load over
    area. The scale is empirical; the uncertainty does not include the difference of its q from the
    compressive strength of the clay.
    """
    if (reading is None) == (axial_load is None or diameter is None):
        count = sum(one is not None for one in (reading, axial_load, diameter))
        raise ValueError(
            f"{count or 'none'} of reading, axial_load and diameter are given; give either "
            "reading, or axial_load and diameter of the foot"
        )
    share = given_uncertainty(scale_uncertainty, "1", "scale_uncertainty")
    if reading is not None:
        strength = 0.5 * numbers(reading, "kPa", "reading", zero=True)
        random = 0.5 * given_uncertainty(reading_uncertainty, "kPa", "reading_uncertainty")
    else:
        series.require_same_positions(axial_load=axial_load, diameter=diameter)
        load = numbers(axial_load, "N", "axial_load", zero=True)
        foot = numbers(diameter, "mm", "diameter")
        strength = series.apply(_half_stress, load, foot, 0.0)
        u_load = given_uncertainty(load_uncertainty, "N", "load_uncertainty")
        random = series.apply(_half_stress, 1.0, foot, 0.0) * u_load
    high = beyond(strength >= float(positive(limit, "kPa", "limit")))
    return result(
        Measured(
            strength,
            random,
            {"penetrometer_spring": strength * share},
            series.joined_reasons(high, reason),
        ),
        ("q as read, or load over the area of the foot", "s_u = q / 2"),
        {"limit": limit},
    )


def unconfined(
    axial_load: Dimensional,
    shortening: Dimensional,
    *,
    diameter: Dimensional,
    height: Dimensional,
    load_uncertainty: Dimensional | None = None,
    load_scale_uncertainty: Fraction | None = None,
    diameter_uncertainty: Dimensional | None = None,
    strain_limit: Fraction = _T["unconfined_strain_limit"],
    reason: int | xr.DataArray = 0,
) -> xr.Dataset:
    """Undrained shear strength from the peaks of unconfined compressions.

    Parameters
    ----------
    axial_load, shortening : DataArray, Quantity or str, (reading)
        Load [N] and shortening [mm] at the peak of each sample.
    diameter, height : DataArray, Quantity or str
        Diameter and height of the sample before the test [mm].
    load_uncertainty, diameter_uncertainty : Quantity, DataArray or str, optional
        Random uncertainty of one load [N] and of the diameter of one sample [mm]; NaN if not given.
    load_scale_uncertainty : Quantity or float, optional
        Relative uncertainty of the load cell [1]; effect ``load_cell``. NaN if not given.
    strain_limit : Quantity, float or Constant
        Largest strain at which a peak is accepted [1].
    reason : int or DataArray of int
        Bit mask of reasons already found.

    Returns
    -------
    Dataset
        ``undrained_shear_strength`` [kPa] with uncertainty, effects and flags:
        ``beyond_method_range`` above the strain limit and for a height outside 2 to 2.5
        diameters. Attribute ``safety``.

    Raises
    ------
    PositionError
        When the series have different positions.
    ValueError
        When a single load is negative, or a single length not above zero.

    Notes
    -----
    A = A_0 / (1 - strain), q_u = F / A, s_u = q_u / 2 (ASTM D2166, from memory): the volume is
    constant, since no water drains.
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
        (per_load * given_uncertainty(load_uncertainty, "N", "load_uncertainty")) ** 2
        + (
            2
            * strength
            / wide
            * given_uncertainty(diameter_uncertainty, "mm", "diameter_uncertainty")
        )
        ** 2
    ) ** 0.5
    share = given_uncertainty(load_scale_uncertainty, "1", "load_scale_uncertainty")
    most = float(positive(strain_limit, "1", "strain_limit"))
    slender = tall / wide
    out = (
        (strain > most + 1e-9)  # a peak at the limit itself is accepted
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
    axial_load: Dimensional,
    shortening: Dimensional,
    *,
    diameter: Scalar,
    height: Scalar,
    **options: Any,
) -> xr.Dataset:
    """Undrained shear strength from the complete curve of one unconfined compression.

    Parameters
    ----------
    axial_load, shortening : DataArray or Quantity, (row)
        Load [N] and shortening [mm] of one test, in order of time.
    diameter, height : Quantity or str
        Diameter and height of the sample before the test [mm].
    **options
        Uncertainties, strain limit and reasons, as for :func:`unconfined`.

    Returns
    -------
    Dataset
        One ``undrained_shear_strength`` [kPa], as from :func:`unconfined`. Attributes
        ``peak_strain`` and ``peak``: ``reached``; ``at the strain limit`` where the stress still
        rises at the limit; or ``not reached`` where the curve ends before the limit and still
        rises. The last is flagged ``beyond_method_range``, and the attribute ``bound`` marks the
        strength as a lower bound.

    Raises
    ------
    ValueError
        With fewer than three known points, or a shortening that starts beyond the limit.

    Notes
    -----
    q_u = max of F (1 - strain) / A_0 up to the strain limit, at which the curve is interpolated
    (ASTM D2166, from memory).
    """
    f = np.ravel(np.asarray(units.as_floats(axial_load, "N", "axial_load"), dtype=float))
    x = np.ravel(np.asarray(units.as_floats(shortening, "mm", "shortening"), dtype=float))
    if f.shape != x.shape:
        raise ValueError(
            f"axial_load has {f.size} points and shortening {x.size}; give the same number of both"
        )
    tall = float(positive(height, "mm", "height"))
    most = float(
        positive(options.get("strain_limit", _T["unconfined_strain_limit"]), "1", "strain_limit")
    )
    known = np.isfinite(f) & np.isfinite(x)
    f, strain = f[known], x[known] / tall
    inside = strain <= most
    if f.size < 3 or not inside.any():
        raise ValueError(
            f"{f.size} points, {int(inside.sum())} of them up to a strain of {most:g}, show no "
            "peak; give three or more, from the start of the test on"
        )
    after = np.flatnonzero(~inside)
    if after.size:  # end the curve at the limit, interpolated between its points
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
