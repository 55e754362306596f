"""Volume magnetic susceptibility of a core from the readings of a loop around it.

The order of the work: the reading in air, the unit, and the volume factor, which corrects for the
part of the loop that the core does not fill.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, fits, flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.laws import law, with_unit
from corephys.ground.provenance import constants_attribute
from corephys.ground.sensor import (
    ROOM,
    Option,
    RandomPart,
    Reduction,
    Sensor,
    Source,
    Stage,
    TableFormat,
    Term,
    Track,
    constant_text,
    number,
    of_kind,
    option_from,
    optional,
    series_like,
    with_reason,
)
from corephys.uncertainty import Measured, given_uncertainty

if TYPE_CHECKING:
    import pint
    from matplotlib.axes import Axes

    from corephys.ground.types import Dimensional, Floats, Numbers, Scalar

__all__ = [
    "SENSOR",
    "UNITS",
    "Baseline",
    "drift_baseline",
    "magnetic_susceptibility",
    "suggest_unwrapping",
    "to_si",
    "volume_factor",
    "volume_factor_quadratic",
]

# --------------------------------------------------------------------------------------------------
# Reading of the meter in air, interpolated in time.


_T = thresholds.DEFAULTS


@dataclass(frozen=True)
class Baseline(fits.FitResult):
    """Reading in air at the times of readings on the core.

    Parameters
    ----------
    values : float, ndarray or DataArray, (reading)
        Reading in air, in the unit of the readings.
    uncertainty : float, ndarray or DataArray, (reading)
        Standard uncertainty in that unit; NaN where unknown.
    reason : int, ndarray or DataArray of int, (reading)
        ``no_baseline`` where no reading in air is close in time.
    air_time, air_reading, air_uncertainty : ndarray, (air)
        Times [s] of the readings in air, these readings and their standard uncertainties, in the
        unit of the readings.
    time : DataArray or ndarray, (reading)
        Times of the readings since the same moment [s].
    """

    values: Any
    uncertainty: Any
    reason: Any
    air_time: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    air_reading: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    air_uncertainty: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    time: Any = field(default=None, repr=False)

    _TITLE = "Reading of the susceptibility meter in air"

    @property
    def dataset(self) -> xr.Dataset:
        """Reading in air at each reading, with its uncertainty and reasons."""
        words = "reading in air at the time of the reading, in its unit"
        rows = [fits.Parameter("air_reading", self.values, "1", words, self.uncertainty)]
        return fits.baseline_parameters(rows, self.reason, self.air_time.size)

    def _draw(self, ax: Axes) -> None:
        """Readings in air, and the baseline at the times of the readings."""
        air = (self.air_time, self.air_reading, self.air_uncertainty)
        fits.draw_baseline(ax, self.values, self.uncertainty, self.reason, self.time, air)
        ax.set_ylabel("reading in air, in the unit of the meter")


def _baseline_kernel(
    when: np.ndarray, at: np.ndarray, air: np.ndarray, sigma: np.ndarray, *, span: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Baseline, its uncertainty and reasons at the times ``when`` [s]; NaN for an unknown time.

    ``at`` are rising times of readings in air [s], ``air`` and ``sigma`` their values and
    uncertainties. z = (1 - w) z_1 + w z_2, u^2 = ((1 - w) u_1)^2 + (w u_2)^2.
    """
    when = np.asarray(when, dtype=float)
    known = np.isfinite(when)
    t = np.where(known, when, at[0])
    after = np.searchsorted(at, t, side="right")
    left, right = np.maximum(after - 1, 0), np.minimum(after, at.size - 1)
    gap = np.where(at[right] > at[left], at[right] - at[left], 1.0)
    w = np.clip((t - at[left]) / gap, 0.0, 1.0)
    values = (1.0 - w) * air[left] + w * air[right]
    uncertainty = np.hypot((1.0 - w) * sigma[left], w * sigma[right])
    nearest = np.minimum(np.abs(t - at[left]), np.abs(at[right] - t))
    far = ~known | (nearest > span)
    reason = np.where(far, flags.bit("no_baseline"), 0).astype(np.int64)
    missing = np.where(known, 0.0, np.nan)
    return values + missing, uncertainty + missing, reason


def drift_baseline(
    time: pint.Quantity | np.ndarray | xr.DataArray,
    air_time: pint.Quantity | np.ndarray | xr.DataArray,
    air_reading: Numbers | Sequence[float],
    *,
    air_uncertainty: float | None = None,
    span: Scalar = _T["baseline_span"],
) -> Baseline:
    """Reading in air at the time of each reading, linear between readings in air.

    Parameters
    ----------
    time : Quantity, DataArray or ndarray, (reading)
        Times of the readings on the core: [s], or calendar times.
    air_time : Quantity, DataArray or ndarray, (air)
        Times of the readings in air, of the same kind [s].
    air_reading : float, ndarray or DataArray, (air)
        Readings in air, in the unit of the readings [1].
    air_uncertainty : float, optional
        Random standard uncertainty of one reading in air, in that unit [1].
    span : Quantity or str
        A reading farther than this from every reading in air gets the reason ``no_baseline`` [s].

    Returns
    -------
    Baseline
        Reading in air at each time, in the unit of the readings.

    Raises
    ------
    UnitError
        When one time is a calendar time and the other is not.
    ValueError
        When no reading in air has both a time and a value.

    Notes
    -----
    Linear between readings in air, constant before the first and after the last: common practice.
    The uncertainty of a reading in air is its distance from the line between its neighbours (root
    mean square of all, less the noise of the line), which includes noise and drift that is not
    linear. A larger given uncertainty replaces it. If none is given and there are fewer than three
    readings in air, it is NaN.
    """
    at, when = series.seconds(air_time=air_time, time=time)
    air = np.atleast_1d(np.asarray(_plain_numbers(air_reading, "air_reading"), dtype=float))
    at = np.broadcast_to(np.asarray(at, dtype=float), air.shape)
    usable = np.isfinite(at) & np.isfinite(air)
    if not usable.any():
        raise ValueError(
            f"none of {air.size} readings in air has both a time and a value; give at least one, "
            "or leave the baseline out"
        )
    # Readings at one time are averaged: between them there is no time to interpolate.
    at, group = np.unique(at[usable], return_inverse=True)
    counts = np.bincount(group)
    air = np.bincount(group, weights=air[usable]) / counts
    given = units.as_floats(air_uncertainty, "1", "air_uncertainty", optional=True)
    one = np.fmax(_scatter(at, air), np.nan if given is None else float(given))
    sigma = one / np.sqrt(counts)
    values, uncertainty, reason = series.apply(
        _baseline_kernel,
        when,
        outputs=3,
        dtypes=[float, float, np.int64],
        at=at,
        air=air,
        sigma=sigma,
        span=positive(span, "s", "span", zero=True),
    )
    return Baseline(values, uncertainty, reason, at, air, sigma, when)


def _scatter(at: np.ndarray, air: np.ndarray) -> float:
    """Standard deviation of one reading in air about the line between its neighbours."""
    if at.size < 3:
        return float("nan")
    w = (at[1:-1] - at[:-2]) / (at[2:] - at[:-2])
    # Three readings are in each distance: divided by their weights, it is that of one reading.
    off = air[1:-1] - (1.0 - w) * air[:-2] - w * air[2:]
    return float(np.sqrt(np.mean(off**2 / (1.0 + w**2 + (1.0 - w) ** 2))))


# --------------------------------------------------------------------------------------------------
# Volume factor of a loop around a core, and the units of old and new readings.


_C = constants.CONSTANTS

# Volume susceptibility in SI of one in each unit; 4 pi from cgs to SI by definition.
UNITS = {"1e-5 SI": 1e-5, "SI": 1.0, "1e-6 cgs": 4e-6 * math.pi, "cgs": 4.0 * math.pi}
_OF_MASS = ("/kg", "/g", "kg-1", "kg^-1", "g-1", "g^-1")


def _si_factor(unit: str) -> float:
    """Volume susceptibility in SI of one in a unit."""
    if unit in UNITS:
        return UNITS[unit]
    known = ", ".join(repr(word) for word in UNITS)
    if any(part in str(unit) for part in _OF_MASS):
        raise units.UnitError(
            f"unit is {unit!r}, a unit of susceptibility by mass; expected one by volume: {known}. "
            "Multiply by the bulk density first"
        )
    raise units.UnitError(f"unit is {unit!r}; expected one of {known}")


def _plain_numbers(value: Any, name: str) -> Any:
    """Readings as floats: they are pure numbers, whose unit is a separate argument."""
    if isinstance(value, xr.DataArray):
        given = value.attrs.get("units", "1")
        if given != "1":
            raise units.UnitError(
                f"{name} has the unit {given!r}; expected plain numbers of the meter, with their "
                "unit in the argument unit"
            )
        return units.position_in_library_units(value.drop_attrs(deep=False)).astype(float)
    if isinstance(value, (list, tuple)):
        value = np.asarray(value, dtype=float)
    return units.as_floats(value, "1", name)


def to_si(reading: Numbers | Sequence[float], unit: str) -> Numbers:
    """Convert a susceptibility by volume to SI.

    Parameters
    ----------
    reading : float, ndarray or DataArray
        Numbers in ``unit``; any shape.
    unit : {"1e-5 SI", "SI", "1e-6 cgs", "cgs"}
        Unit of the numbers.

    Returns
    -------
    float, ndarray or DataArray
        Volume susceptibility in SI, dimensionless.

    Raises
    ------
    UnitError
        For another unit. A susceptibility by mass is refused, because its conversion needs the bulk
        density.

    Notes
    -----
    kappa(SI) = 4 pi kappa(cgs), the definition of the two systems.

    Examples
    --------
    >>> round(to_si(100.0, "1e-5 SI"), 6)
    0.001
    """
    found = _plain_numbers(reading, "reading") * _si_factor(unit)
    return with_unit(found, "1")


def _factor_kernel(diameter: Any, effective: Any, coefficient: Any) -> Any:
    """Volume factor K [1] = c (d / D)^3 of diameters in one unit."""
    return coefficient * (diameter / effective) ** 3


def _check_loop(core: Numbers, loop: Numbers) -> None:
    """Refuse a core diameter that is not positive or above the aperture, both in mm."""
    bad = (np.asarray(core) > loop) | (np.asarray(core) <= 0.0)
    if np.any(bad):
        first = np.ravel(np.broadcast_to(core, bad.shape))[np.flatnonzero(bad)[0]]
        raise ValueError(
            f"core_diameter is {first:g} mm and loop_diameter {np.max(loop):g} mm; core_diameter "
            "must be positive and at most loop_diameter. Give the aperture as loop_diameter"
        )


@law("1", core_diameter="mm", loop_diameter="mm", coefficient="1", allowance="mm")
def volume_factor(
    core_diameter: Floats,
    loop_diameter: Floats,
    *,
    coefficient: Floats = _C["loop_volume_factor"],
    allowance: Floats = _C["loop_allowance"],
) -> Floats:
    """Reading of a loop over the volume susceptibility of the core inside it.

    Parameters
    ----------
    core_diameter : Quantity, DataArray or str
        Diameter of the core [mm]; a scalar or one value for each reading.
    loop_diameter : Quantity or str
        Aperture of the loop [mm].
    coefficient : float or Constant
        Coefficient of the formula [1].
    allowance : Quantity, str or Constant
        Effective diameter of the loop less its aperture [mm].

    Returns
    -------
    float, ndarray or DataArray
        K [1]; the volume susceptibility is the reading over K.

    Raises
    ------
    ValueError
        For a core diameter that is not positive or above the aperture.

    Notes
    -----
    K = 3.45 (d / D)^3, D the aperture plus 8 mm: methods note on conversion to SI of a core
    laboratory, whose tables give 1 / K = 0.576, 0.687, 0.914 and 1.01 for cores of 70, 66, 60 and
    58 mm in a loop of 80 mm (no source with a year). The frequency of the meter changes K.
    """
    _check_loop(core_diameter, loop_diameter)
    return _factor_kernel(core_diameter, loop_diameter + allowance, coefficient)


@law("1", core_diameter="mm", loop_diameter="mm", c0="1", c1="1", c2="1")
def volume_factor_quadratic(
    core_diameter: Floats,
    loop_diameter: Floats,
    *,
    c0: Floats = _C["loop_quadratic_c0"],
    c1: Floats = _C["loop_quadratic_c1"],
    c2: Floats = _C["loop_quadratic_c2"],
) -> Floats:
    """Reading of a loop over the volume susceptibility of the core, from a quadratic.

    Parameters
    ----------
    core_diameter : Quantity, DataArray or str
        Diameter of the core [mm]; a scalar or one value for each reading.
    loop_diameter : Quantity or str
        Aperture of the loop [mm].
    c0, c1, c2 : float or Constant
        Coefficients of the quadratic [1].

    Returns
    -------
    float, ndarray or DataArray
        K [1]; the volume susceptibility is the reading over K.

    Raises
    ------
    ValueError
        For a core diameter that is not positive or above the aperture.

    Notes
    -----
    K = 4.8566 x^2 - 3.0163 x + 0.6448 with x = d / aperture (from memory). :func:`volume_factor`
    divides by the aperture plus 8 mm instead of the aperture. For cores of 58 to 70 mm in a loop
    of 80 mm the two factors differ by at most 2.4 %.
    """
    _check_loop(core_diameter, loop_diameter)
    x = core_diameter / loop_diameter
    return c0 + c1 * x + c2 * x**2


# --------------------------------------------------------------------------------------------------
# Counter overflow: a suggestion beside the readings, which are not changed.


_NOTE = (
    "a suggestion: readings are not changed; the number of lost ranges cannot be known from the "
    "readings, the smallest number that joins them is given"
)


def suggest_unwrapping(
    readings: Numbers | Sequence[float],
    *,
    counter_range: float,
    groups: Sequence[object] | np.ndarray | None = None,
    least_jump: float = _T["wrap_least_jump"],
    longest: int = _T["wrap_longest"],
) -> xr.Dataset:
    """Suggest where a counter of limited range passed its end and restarted at zero.

    Parameters
    ----------
    readings : ndarray or DataArray, (reading)
        Readings of the meter in its own unit [1], in order along each core, before any baseline.
    counter_range : float
        Reading at which the counter restarts at zero, in that unit [1].
    groups : array of labels, (reading), optional
        Group of each reading; jumps between groups are ignored. If not given, groups come from the
        coordinates core and run of the readings; without them all readings form one group.
    least_jump : float
        Smallest jump between neighbours, as a share of the range.
    longest : int
        Largest number of readings in one wrapped interval. A longer interval cannot be
        distinguished from two strong beds with weak core between them.

    Returns
    -------
    Dataset, (reading)
        ``suggested_ranges`` [count], ``suggested_reading`` in the unit of the readings and
        ``reason`` with the bit ``counter_wrapped``. The number of ranges cannot be known from
        the readings: the smallest number that joins the interval to its neighbours is given, and
        one range more at both of its edges looks the same.

    Raises
    ------
    ValueError
        For a range that is not positive, a share outside 0 to 1, or when the number of labels
        differs from that of readings.

    Notes
    -----
    Definition: a fall by more than ``least_jump`` ranges opens an interval; each further fall
    counts one range more, each rise one less. The interval is suggested only where the count
    returns to zero within the group. An interval that begins or ends with its group is not found.
    """
    values = _plain_numbers(readings, "readings")
    size = float(counter_range)
    if not size > 0.0 or not 0.0 < least_jump < 1.0:
        raise ValueError(
            f"counter_range is {counter_range!r} and least_jump {least_jump!r}; expected a range "
            "above 0 and a share between 0 and 1"
        )
    flat = np.atleast_1d(np.asarray(values, dtype=float))
    ranges = np.zeros(flat.size, dtype=np.int64)
    for members in _members(readings, groups, flat.size):
        known = members[np.isfinite(flat[members])]
        ranges[known] = _lost_ranges(flat[known] / size, least_jump, longest)
    wrapped = np.where(ranges > 0, flags.bit("counter_wrapped"), 0).astype(np.int64)
    dims = readings.dims if isinstance(readings, xr.DataArray) else ("reading",)
    coords = values.coords if isinstance(values, xr.DataArray) else {}
    return xr.Dataset(
        {
            "suggested_ranges": (dims, ranges, {"units": "count", "long_name": "ranges lost"}),
            "suggested_reading": (dims, flat + size * ranges, {"long_name": "suggested reading"}),
            "reason": (dims, wrapped, flags.reason_attributes("suggested reading")),
        },
        coords=coords,
        attrs={
            "note": _NOTE,
            "counter_range": size,
            "constants": constants_attribute({"least_jump": least_jump, "longest": longest}),
        },
    )


def _members(
    readings: object, groups: Sequence[object] | np.ndarray | None, size: int
) -> list[np.ndarray]:
    """Indices of each group, in order."""
    if groups is not None:
        labels = [np.asarray(groups)]
    elif isinstance(readings, xr.DataArray):
        labels = [readings[key].values for key in ("core", "run") if key in readings.coords]
    else:
        labels = []
    code = np.zeros(size, dtype=np.int64)
    for label in labels:
        if label.shape != (size,):
            raise ValueError(
                f"groups has {label.size} labels for {size} readings; give one for each reading"
            )
        kinds, numbers = np.unique(label.astype(str), return_inverse=True)
        code = code * kinds.size + numbers
    order = np.argsort(code, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(code[order])) + 1) if size else []


def _lost_ranges(fractions: np.ndarray, least_jump: float, longest: int) -> np.ndarray:
    """Number of ranges lost by each reading of one group; readings are given in ranges."""
    found = np.zeros(fractions.size, dtype=np.int64)
    jumps = np.diff(fractions)
    large = np.flatnonzero(np.abs(jumps) > least_jump)
    number = 0
    while number < large.size:
        stretch = _stretch(jumps, large[number:], longest)
        if stretch is None:
            number += 1
            continue
        first, counts = stretch
        found[first : first + counts.size] = counts
        number += int(np.searchsorted(large[number:], first + counts.size - 1, side="right"))
    return found


def _stretch(jumps: np.ndarray, large: np.ndarray, longest: int) -> tuple[int, np.ndarray] | None:
    """First reading and counts of the interval that the first of several large jumps opens."""
    first = int(large[0]) + 1
    lost, counts = 0, np.zeros(longest, dtype=np.int64)
    for jump in large:
        begin = int(jump) + 1 - first
        if begin > longest:
            return None
        lost += 1 if jumps[jump] < 0 else -1
        if lost < 0:
            return None
        if lost == 0:
            return (first, counts[:begin]) if begin else None
        counts[begin:] = lost
    return None


# --------------------------------------------------------------------------------------------------
# Volume magnetic susceptibility of a core from the readings of a loop around it.
#
# The diameter is the usual source of error, because it enters with its third power. Where the bore
# of the liner is used for a core that is 5 mm thinner, the susceptibility is too low by a fifth.


def _susceptibility_kernel(
    reading: float | np.ndarray,
    baseline: float | np.ndarray,
    core_diameter: float | np.ndarray,
    *,
    scale: float,
    loop: float,
    effective: float,
    coefficient: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Volume susceptibility in SI, its change per unit of reading, and reasons.

    Diameters are in mm, ``scale`` is SI per unit of the readings; with ``loop`` NaN the volume
    factor is 1. A core that does not pass through the loop gives NaN and ``impossible_value``.
    """
    reading, baseline, diameter = np.broadcast_arrays(
        *(np.asarray(part, dtype=float) for part in (reading, baseline, core_diameter))
    )
    slope, refused = np.full(reading.shape, scale), np.zeros(reading.shape, dtype=bool)
    if not np.isnan(loop):
        refused = (diameter <= 0.0) | (diameter > loop)
        size = np.where(refused, np.nan, diameter)
        slope = scale / _factor_kernel(size, effective, coefficient)
    reason = np.where(refused, flags.bit("impossible_value"), 0).astype(np.int64)
    return (reading - baseline) * slope, slope, reason


def magnetic_susceptibility(
    reading: Numbers | Sequence[float],
    *,
    unit: str,
    baseline: Numbers | Baseline = 0.0,
    core_diameter: Dimensional | None = None,
    loop_diameter: Scalar | None = None,
    volume_corrected: bool = False,
    reading_uncertainty: float | None = None,
    core_diameter_uncertainty: Scalar | None = None,
    coefficient: float | Scalar = _C["loop_volume_factor"],
    allowance: Scalar = _C["loop_allowance"],
    loop_factor_uncertainty: float | Scalar = _C["loop_factor_uncertainty"],
    reason: int | np.ndarray | xr.DataArray = 0,
) -> xr.Dataset:
    """Volume magnetic susceptibility of a core in SI.

    Parameters
    ----------
    reading : DataArray, (reading)
        Readings of the meter, plain numbers in ``unit``.
    unit : {"1e-5 SI", "SI", "1e-6 cgs", "cgs"}
        Unit of readings, baseline and ``reading_uncertainty``.
    baseline : float, DataArray or Baseline
        Reading in air; the result of :func:`drift_baseline` includes uncertainty and reasons. The
        uncertainty of plain numbers other than zero is unknown.
    core_diameter : Quantity, DataArray or str, optional
        Diameter of the core [mm]; a scalar or one value for each reading.
    loop_diameter : Quantity or str, optional
        Aperture of the loop [mm]; if not given, no volume factor is applied and the systematic
        uncertainty is unknown.
    volume_corrected : bool
        Whether the volume factor is already applied to the readings, as in many archives.
    reading_uncertainty : float, optional
        Random standard uncertainty of one reading, in ``unit``; NaN if not given.
    core_diameter_uncertainty : Quantity or str, optional
        Systematic standard uncertainty of the core diameter [mm]; NaN if not given.
    coefficient, allowance
        Coefficient [1] and allowance [mm] of :func:`volume_factor`.
    loop_factor_uncertainty : Quantity, str, float or Constant
        Systematic relative uncertainty of the volume factor, a fraction.
    reason : int or DataArray of int
        Reasons already found for these readings.

    Returns
    -------
    Dataset
        ``magnetic_susceptibility`` with uncertainty, effects ``core_diameter`` and
        ``loop_factor``, and flags. Negative values down to -1.5e-5 are physical (diamagnetic).

    Raises
    ------
    UnitError
        For a susceptibility by mass.
    PositionError
        When the series lie at different positions.
    ValueError
        For readings that would be corrected twice, or a loop without core diameter.

    Notes
    -----
    kappa = (r - z) / K, K = 3.45 (d / (loop + 8 mm))^3, sources at :func:`volume_factor`;
    effects -3 kappa / d u_d and -kappa u_K / K (JCGM 100:2008, 5.1). The uncertainty of the
    baseline is treated as random, although it is correlated between neighbours in time.
    """
    _check(loop_diameter, core_diameter, volume_corrected)
    zero = baseline if isinstance(baseline, Baseline) else _plain_baseline(baseline)
    series.require_same_positions(reading=reading, baseline=zero.values, diameter=core_diameter)
    with_loop = loop_diameter is not None
    loop = float(positive(loop_diameter, "mm", "loop_diameter")) if with_loop else np.nan
    # Without a loop the diameter is not used, and its effect is unknown.
    size = positive(core_diameter, "mm", "core_diameter") if with_loop else np.nan
    kappa, slope, found = series.apply(
        _susceptibility_kernel,
        _plain_numbers(reading, "reading"),
        _plain_numbers(zero.values, "baseline"),
        size,
        outputs=3,
        dtypes=[float, float, np.int64],
        scale=_si_factor(unit),
        loop=loop,
        effective=loop + float(units.as_floats(allowance, "mm", "allowance")),
        coefficient=float(units.as_floats(coefficient, "1", "coefficient")),
    )
    u = units.as_floats(reading_uncertainty, "1", "reading_uncertainty", optional=True)
    random = slope * (zero.uncertainty**2 + (np.nan if u is None else u) ** 2) ** 0.5
    u_d = given_uncertainty(core_diameter_uncertainty, "mm", "core_diameter_uncertainty")
    u_k = given_uncertainty(loop_factor_uncertainty, "1", "loop_factor_uncertainty")
    effects = {
        "core_diameter": -3.0 * kappa / size * u_d,
        "loop_factor": -kappa * (u_k if with_loop else np.nan),
    }
    for part in (found, zero.reason):
        reason = series.joined_reasons(part, reason)
    return series.build(
        {"magnetic_susceptibility": Measured(kappa, random, effects, reason)},
        steps=_steps(with_loop, volume_corrected, unit),
        constants={"unit": f"readings in {unit}"}
        | (
            {
                "loop_diameter": loop_diameter,
                "coefficient": coefficient,
                "allowance": allowance,
                "loop_factor_uncertainty": loop_factor_uncertainty,
            }
            if with_loop
            else {}
        ),
    )


def _plain_baseline(baseline: Numbers) -> Baseline:
    """Baseline from plain numbers; its uncertainty is unknown, except for a baseline of zero."""
    none = np.ndim(baseline) == 0 and float(baseline) == 0.0
    return Baseline(baseline, 0.0 if none else np.nan, 0)


def _check(loop_diameter: object, core_diameter: object, volume_corrected: bool) -> None:
    """Refuse a second volume correction, and a loop without a core diameter."""
    if volume_corrected and loop_diameter is not None:
        raise ValueError(
            "volume_corrected is True and loop_diameter is given: the readings would be corrected "
            "for volume twice. Leave loop_diameter out, or set volume_corrected=False"
        )
    if loop_diameter is not None and core_diameter is None:
        raise ValueError(
            "loop_diameter is given and core_diameter is not; the volume factor needs both, such "
            "as core_diameter='70 mm'"
        )


def _steps(with_loop: bool, volume_corrected: bool, unit: str) -> tuple[str, ...]:
    """The steps of the reduction in words."""
    last = "no volume factor: the loop is not known"
    if volume_corrected:
        last = "no volume factor: the readings are already corrected for volume"
    if with_loop:
        last = "volume factor K = c (d / (loop + allowance))^3; kappa = reading / K"
    return (
        "reading less the reading in air at its time",
        f"from {unit} to SI" + (", 4 pi" if "cgs" in unit else ""),
        last,
    )


# --------------------------------------------------------------------------------------------------
# Its stage of a reduction.


def _stage(context: Reduction) -> None:
    """Susceptibility of the scan, and readings whose counter may have wrapped."""
    table = context.table("scan/susceptibility")
    keys = context.recipe["susceptibility"]
    # The column is called reading in the file; the dimension of every series has that name here.
    here = table["meter_reading"]
    with_loop = keys["loop_diameter"] is not None and not keys["volume_corrected"]
    diameter = series_like(here, context.geometry(table)[0], "mm") if with_loop else None
    uncertainty = keys["reading_uncertainty"]
    found = magnetic_susceptibility(
        here.assign_attrs(units="1"),
        unit=keys["unit"],
        baseline=_baseline_of(context, table),
        core_diameter=diameter,
        loop_diameter=keys["loop_diameter"] if with_loop else None,
        volume_corrected=keys["volume_corrected"],
        reading_uncertainty=None if uncertainty is None else float(uncertainty),
        core_diameter_uncertainty=keys["core_diameter_uncertainty"],
        allowance=keys["loop_allowance"],
        loop_factor_uncertainty=keys["loop_factor_uncertainty"],
        reason=table.get("reason", 0),
    )
    if keys["counter_range"] is not None:
        found = _unwrapped(context, found, here, float(keys["counter_range"]))
    context.results["properties/susceptibility"] = found


def _baseline_of(context: Reduction, table: xr.Dataset) -> float | Baseline:
    """Reading in air at the time of every reading; zero without readings in air."""
    standards = context.optional("standards/susceptibility")
    if standards is None or not context.recipe["susceptibility"]["drift"]:
        return 0.0
    air = of_kind(standards, "blank")
    if not np.isfinite(air["reading"].values).any():
        return 0.0
    times = [part["time"].values for part in (air, table) if "time" in part]
    if len(times) < 2 or any(np.isnat(part).all() for part in times):
        return _untimed(context, air["reading"].values)
    return drift_baseline(
        table["time"],
        air["time"].values,
        air["reading"].values,
        air_uncertainty=context.recipe["susceptibility"]["reading_uncertainty"],
    )


def _untimed(context: Reduction, air: np.ndarray) -> Baseline:
    """Mean of the readings in air where times are unknown, with their scatter.

    The drift between them is part of that scatter, which one reading does not show.
    """
    known = air[np.isfinite(air)]
    u = float(known.std(ddof=1)) if known.size > 1 else float("nan")
    words = (
        "susceptibility: the readings or the blanks have no time, so that the drift of the sensor "
        f"is not known; the mean of {known.size} blanks is subtracted. Add the column time to both"
    )
    if words not in context.notes:  # the check standards take the same baseline
        context.notes.append(words)
    return Baseline(float(known.mean()), u, flags.bit("no_baseline"))


def _air_reading(context: Reduction, table: xr.Dataset) -> np.ndarray | float:
    """Reading in air at the times of a table, in the unit of the readings."""
    base = _baseline_of(context, table)
    return np.asarray(base.values) if isinstance(base, Baseline) else base


def _unwrapped(
    context: Reduction, found: xr.Dataset, here: xr.DataArray, counter_range: float
) -> xr.Dataset:
    """Flag readings that a wrapped counter would explain; no reading is changed."""
    suggestion = suggest_unwrapping(here.assign_attrs(units="1"), counter_range=counter_range)
    wrapped = suggestion["reason"].values != 0
    if wrapped.any():
        context.notes.append(
            f"susceptibility: {int(wrapped.sum())} readings look as if the counter had wrapped "
            f"at {counter_range:g}; they are unchanged, see suggested_reading"
        )
    for name in ("suggested_ranges", "suggested_reading"):
        found[name] = (
            found["magnetic_susceptibility"].dims,
            suggestion[name].values,
            {"units": "1", "long_name": name.replace("_", " ")},
        )
    return with_reason(found, "magnetic_susceptibility", wrapped, "counter_wrapped")


def _check_standards(context: Reduction, checks: xr.Dataset) -> tuple[np.ndarray, None, str, str]:
    """Net reading of the check over its known value [1]."""
    net = checks["reading"].values - _air_reading(context, checks)
    known = checks["value"].values
    return net / np.where(known != 0, known, np.nan), None, "1", "reading over the value known"


# --------------------------------------------------------------------------------------------------
# The record: what the other rooms need of this sensor.


SENSOR = Sensor(
    name="susceptibility",
    quantity="magnetic_susceptibility",
    scan=TableFormat((number("reading", None), *optional(ROOM))),
    standards=TableFormat((number("value", None), number("reading", None))),
    terms=(
        Term(
            "magnetic_susceptibility",
            "1",
            "volume magnetic susceptibility (SI)",
            (-2e-5, 0.09),
            (-1e-4, 1),
        ),
    ),
    sources=(Source("loop_factor", "calibration", "factor of the susceptibility loop"),),
    random=(RandomPart("magnetic_susceptibility", "", "reading", "reading of the susceptibility"),),
    options={
        "unit": Option("1e-5 SI", "1e-5 SI|SI|1e-6 cgs|cgs", "unit of the readings"),
        "drift": Option(True, "switch", "subtract the reading in air, linear in time"),
        "loop_diameter": option_from(
            magnetic_susceptibility,
            "loop_diameter",
            "mm",
            "aperture of the loop; no volume factor if not given",
        ),
        "loop_allowance": option_from(
            magnetic_susceptibility,
            "allowance",
            "mm",
            "difference between the effective loop diameter and the aperture",
        ),
        "loop_factor_uncertainty": Option(
            constant_text("loop_factor_uncertainty", "2 %"),
            "%",
            "standard uncertainty of the volume factor, systematic, relative",
        ),
        "volume_corrected": option_from(
            magnetic_susceptibility,
            "volume_corrected",
            "switch",
            "the readings already are per volume",
        ),
        "reading_uncertainty": option_from(
            magnetic_susceptibility,
            "reading_uncertainty",
            "number",
            "standard uncertainty of one reading in its unit, random",
        ),
        "core_diameter_uncertainty": option_from(
            magnetic_susceptibility,
            "core_diameter_uncertainty",
            "mm",
            "standard uncertainty of the core diameter, systematic, shared with the density",
        ),
        "counter_range": Option(None, "number", "range of a counter that may have wrapped"),
    },
    quality_options={
        "response_susceptibility": Option(
            thresholds.DEFAULTS["response_susceptibility"],
            "cm",
            "width of the response of the susceptibility loop along the core",
        ),
    },
    response_width=("quality", "response_susceptibility"),
    stages=(Stage("susceptibility", _stage),),
    check=_check_standards,
    warms_up=True,
    track=Track("#5C3A21", logarithmic=True),
)
