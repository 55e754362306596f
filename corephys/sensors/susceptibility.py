"""Volume magnetic susceptibility of a core from the readings of a loop around it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, thresholds, units
from corephys.ground.arguments import positive
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
    optional,
    series_like,
    with_reason,
)
from corephys.uncertainty import Measured, stated

__all__ = [
    "SENSOR",
    "UNITS",
    "Baseline",
    "drift_baseline",
    "magnetic_susceptibility",
    "suggest_unwrapping",
    "susceptibility_kernel",
    "to_si",
    "volume_factor",
    "volume_factor_quadratic",
]

# --------------------------------------------------------------------------------------------------
# What the meter reads without a core, between the times when it was read in air.


_T = thresholds.DEFAULTS


@dataclass(frozen=True)
class Baseline:
    """Reading in air at the times of readings on the core.

    Parameters
    ----------
    values : float, ndarray or DataArray, (reading)
        In the unit of the readings.
    uncertainty : float, ndarray or DataArray, (reading)
        Standard uncertainty in that unit; NaN where it is not known.
    reason : int, ndarray or DataArray of int, (reading)
        ``no_baseline`` where no reading in air lies near in time.
    """

    values: Any
    uncertainty: Any
    reason: Any


def baseline_kernel(
    when: Any, at: np.ndarray, air: np.ndarray, sigma: np.ndarray, *, span: float
) -> tuple[Any, Any, Any]:
    """Baseline, its uncertainty and reasons.

    Parameters
    ----------
    when : ndarray
        Times of readings [s]; NaN for unknown.
    at, air, sigma : ndarray, (air)
        Rising times [s], readings in air and their uncertainty.
    span : float
        Farthest that the nearest reading in air may be [s].

    Returns
    -------
    tuple of ndarray
        In the unit of the readings, and int64 reasons. Without a time, values are NaN.

    Notes
    -----
    z = (1 - w) z_1 + w z_2, u^2 = ((1 - w) u_1)^2 + (w u_2)^2 (JCGM 100:2008, 5.1.2).
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
    time: Any,
    air_time: Any,
    air_reading: Any,
    *,
    air_uncertainty: Any = None,
    span: Any = _T["baseline_span"],
) -> Baseline:
    """Reading in air at the time of each reading, linear between readings in air.

    Parameters
    ----------
    time : Quantity, DataArray or ndarray, (reading)
        Of the readings on the core: [s], or calendar times.
    air_time : Quantity, DataArray or ndarray, (air)
        When the meter was read in air, of the same kind [s].
    air_reading : float, ndarray or DataArray, (air)
        What it read, in the unit of the readings [1].
    air_uncertainty : float, optional
        Random standard uncertainty of one reading in air, in that unit [1].
    span : Quantity or str
        Farthest in time that the nearest reading in air may be [s].

    Returns
    -------
    Baseline
        In the unit of the readings, with reasons ``no_baseline``.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit, or when one time is a calendar time and one is not.
    ValueError
        When no reading in air has both a time and a value.

    Notes
    -----
    Linear between readings in air, before the first and after the last held constant: common
    practice. The uncertainty of a reading in air is how far it lies from the line between its
    neighbours (root mean square of all, with the noise of the line taken out), which holds both
    noise and drift that is not linear; a larger stated one goes before. Without a stated one and
    with fewer than three readings in air it is NaN, unknown.
    """
    at, when = series.seconds(air_time=air_time, time=time)
    air = np.atleast_1d(np.asarray(plain_numbers(air_reading, "air_reading"), dtype=float))
    at = np.broadcast_to(np.asarray(at, dtype=float), air.shape)
    usable = np.isfinite(at) & np.isfinite(air)
    if not usable.any():
        raise ValueError(
            "no reading in air has both a time and a value; give at least one, or leave the "
            "baseline out"
        )
    at, group = np.unique(at[usable], return_inverse=True)  # readings of one time are one
    counts = np.bincount(group)
    air = np.bincount(group, weights=air[usable]) / counts
    stated = units.as_floats(air_uncertainty, "1", "air_uncertainty", optional=True)
    one = np.fmax(_scatter(at, air), np.nan if stated is None else float(stated))
    values, uncertainty, reason = series.apply(
        baseline_kernel,
        when,
        outputs=3,
        dtypes=[float, float, np.int64],
        at=at,
        air=air,
        sigma=one / np.sqrt(counts),
        span=positive(span, "s", "span", zero=True),
    )
    return Baseline(values, uncertainty, reason)


def _scatter(at: np.ndarray, air: np.ndarray) -> float:
    """Standard deviation of one reading in air about the line between its neighbours."""
    if at.size < 3:
        return float("nan")
    w = (at[1:-1] - at[:-2]) / (at[2:] - at[:-2])
    off = air[1:-1] - (1.0 - w) * air[:-2] - w * air[2:]
    return float(np.sqrt(np.mean(off**2 / (1.0 + w**2 + (1.0 - w) ** 2))))


# --------------------------------------------------------------------------------------------------
# What a loop reads of a core inside it, and the units of old and new readings.


_C = constants.CONSTANTS

# Volume susceptibility in SI per number in the unit: 4 pi from cgs, by the definition of either.
UNITS = {"1e-5 SI": 1e-5, "SI": 1.0, "1e-6 cgs": 4e-6 * math.pi, "cgs": 4.0 * math.pi}
_OF_MASS = ("/kg", "/g", "kg-1", "kg^-1", "g-1", "g^-1")


def si_factor(unit: str) -> float:
    """Volume susceptibility in SI that one in a unit is; an error names the units there are."""
    if unit in UNITS:
        return UNITS[unit]
    known = ", ".join(repr(word) for word in UNITS)
    if any(part in str(unit) for part in _OF_MASS):
        raise units.UnitError(
            f"unit is {unit!r}, of susceptibility by mass; expected one by volume: {known}. "
            "Multiply by the bulk density first"
        )
    raise units.UnitError(f"unit is {unit!r}; expected one of {known}")


def plain_numbers(value: Any, name: str) -> Any:
    """Readings as floats: they are numbers, whose unit is said beside them."""
    if isinstance(value, xr.DataArray):
        given = value.attrs.get("units", "1")
        if given != "1":
            raise units.UnitError(
                f"{name} carries the unit {given!r}; expected plain numbers of the meter, with "
                "their unit in the argument unit"
            )
        return units.position_in_library_units(value.drop_attrs(deep=False)).astype(float)
    if isinstance(value, (list, tuple)):
        value = np.asarray(value, dtype=float)
    return units.as_floats(value, "1", name)


def to_si(reading: Any, unit: str) -> Any:
    """Bring a susceptibility by volume to SI.

    Parameters
    ----------
    reading : float, ndarray or DataArray
        Numbers in ``unit``; any shape.
    unit : {"1e-5 SI", "SI", "1e-6 cgs", "cgs"}
        Of the numbers.

    Returns
    -------
    float, ndarray or DataArray
        Volume susceptibility in SI, dimensionless.

    Raises
    ------
    UnitError
        For another unit; one by mass is refused, since it needs the bulk density.

    Notes
    -----
    kappa(SI) = 4 pi kappa(cgs), the definition of the two systems.

    Examples
    --------
    >>> round(to_si(100.0, "1e-5 SI"), 6)
    0.001
    """
    return plain_numbers(reading, "reading") * si_factor(unit)


def factor_kernel(diameter: Any, effective: Any, coefficient: Any) -> Any:
    """Volume factor K [1] = c (d / D)^3 of diameters in one unit."""
    return coefficient * (diameter / effective) ** 3


def _diameters(core_diameter: Any, loop_diameter: Any) -> tuple[Any, float]:
    core = units.as_floats(core_diameter, "mm", "core_diameter")
    loop = float(units.as_floats(loop_diameter, "mm", "loop_diameter"))
    if np.any(np.asarray(core) > loop) or np.any(np.asarray(core) <= 0.0):
        worst = float(np.nanmax(np.asarray(core)))
        raise ValueError(
            f"core_diameter is {worst:g} mm and loop_diameter {loop:g} mm; a core is thicker than "
            "nothing and passes through its loop. Give the aperture as loop_diameter"
        )
    return core, loop


def volume_factor(
    core_diameter: Any,
    loop_diameter: Any,
    *,
    coefficient: Any = _C["loop_volume_factor"],
    allowance: Any = _C["loop_allowance"],
) -> Any:
    """Reading of a loop over the volume susceptibility of the core inside it.

    Parameters
    ----------
    core_diameter : Quantity, DataArray or str
        [mm]; a scalar or one a reading.
    loop_diameter : Quantity or str
        Aperture of the loop [mm].
    coefficient : float or Constant
        Of the formula [1].
    allowance : Quantity, str or Constant
        From the aperture to the effective diameter of the loop [mm].

    Returns
    -------
    float, ndarray or DataArray
        K [1]; the volume susceptibility is the reading over K.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For a core that does not pass through the loop.

    Notes
    -----
    K = 3.45 (d / D)^3, D the aperture with 8 mm added: methods note on conversion to SI of a core
    laboratory, whose tables give 1 / K = 0.576, 0.687, 0.914 and 1.01 for cores of 70, 66, 60 and
    58 mm in a loop of 80 mm (no source with a year). The frequency of the meter changes K.
    """
    core, loop = _diameters(core_diameter, loop_diameter)
    more = float(units.as_floats(allowance, "mm", "allowance"))
    return factor_kernel(core, loop + more, units.as_floats(coefficient, "1", "coefficient"))


def volume_factor_quadratic(
    core_diameter: Any,
    loop_diameter: Any,
    *,
    c0: Any = _C["loop_quadratic_c0"],
    c1: Any = _C["loop_quadratic_c1"],
    c2: Any = _C["loop_quadratic_c2"],
) -> Any:
    """Reading of a loop over the volume susceptibility, from a quadratic.

    Parameters
    ----------
    core_diameter : Quantity, DataArray or str
        [mm]; a scalar or one a reading.
    loop_diameter : Quantity or str
        Aperture of the loop [mm].
    c0, c1, c2 : float or Constant
        Of the quadratic [1].

    Returns
    -------
    float, ndarray or DataArray
        K [1]; the volume susceptibility is the reading over K.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For a core that does not pass through the loop.

    Notes
    -----
    K = 4.8566 x^2 - 3.0163 x + 0.6448 with x = d / aperture (from memory). :func:`volume_factor`
    divides by another diameter, the aperture and 8 mm: the two x are not the same number. For
    cores of 58 to 70 mm in a loop of 80 mm the two factors differ by 2.4 % at most.
    """
    core, loop = _diameters(core_diameter, loop_diameter)
    x = core / loop
    a, b, c = (
        units.as_floats(value, "1", name) for name, value in (("c0", c0), ("c1", c1), ("c2", c2))
    )
    return a + b * x + c * x**2


# --------------------------------------------------------------------------------------------------
# Where a counter seems to have begun again: a suggestion beside the readings, never a change.


_NOTE = (
    "a suggestion: readings are not changed; how many ranges were lost cannot be known from the "
    "readings, the smallest number that joins them is given"
)


def suggest_unwrapping(
    readings: Any,
    *,
    counter_range: float,
    groups: Any = None,
    least_jump: float = _T["wrap_least_jump"],
    longest: int = _T["wrap_longest"],
) -> xr.Dataset:
    """Suggest where a counter of limited range began again.

    Parameters
    ----------
    readings : ndarray or DataArray, (reading)
        Of the meter in its own unit [1], in order along each core, before any baseline.
    counter_range : float
        At which the counter begins again, in that unit [1].
    groups : array of labels, (reading), optional
        No jump is looked for from one group to the next; the coordinates core and run of the
        readings without it, one group where there are none.
    least_jump : float
        Share of the range that a jump between neighbours must exceed.
    longest : int
        Most readings of one wrapped stretch. A longer one cannot be told from two strong beds
        with weak core between them.

    Returns
    -------
    Dataset, (reading)
        ``suggested_ranges`` [count], ``suggested_reading`` in the unit of the readings and
        ``reason`` with the bit ``counter_wrapped``. The number of ranges cannot be known from
        the readings: the smallest that joins the stretch to its neighbours is given, and a whole
        range more on both of its edges looks the same.

    Raises
    ------
    ValueError
        For a range that is not positive, a share outside of 0 to 1, or other labels than readings.

    Notes
    -----
    Definition: a fall by more than ``least_jump`` ranges opens a stretch, further falls count one
    range more, rises one less, and the stretch is taken only where it comes back to none within
    the group. A stretch that begins or ends with its group is not found.
    """
    values = plain_numbers(readings, "readings")
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
        ranges[known] = lost_ranges(flat[known] / size, least_jump, longest)
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


def _members(readings: Any, groups: Any, size: int) -> list[np.ndarray]:
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
            raise ValueError(f"groups has {label.size} labels for {size} readings; give one each")
        kinds, numbers = np.unique(label.astype(str), return_inverse=True)
        code = code * kinds.size + numbers
    order = np.argsort(code, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(code[order])) + 1) if size else []


def lost_ranges(fractions: np.ndarray, least_jump: float, longest: int) -> np.ndarray:
    """Ranges lost by each reading of one group, readings in ranges; zero where none seem so."""
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
    """First reading and counts of the stretch that the first of some large jumps opens."""
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
# The order of the work: the reading in air, the unit, the share of the loop that the core fills.
# The diameter is the usual error: it enters with its third power, and a diameter that is taken from
# the liner while the core is 5 mm thinner costs a fifth of the susceptibility.


def susceptibility_kernel(
    reading: Any,
    baseline: Any,
    core_diameter: Any,
    *,
    scale: float,
    loop: float,
    effective: float,
    coefficient: float,
) -> tuple[Any, Any, Any]:
    """Volume susceptibility, its change per unit of reading, and reasons.

    Parameters
    ----------
    reading, baseline : float or ndarray
        In the unit of the readings.
    core_diameter : float or ndarray
        [mm].
    scale : float
        SI per unit of the readings.
    loop, effective : float
        Aperture and effective diameter of the loop [mm]; NaN for no volume factor.
    coefficient : float
        Of the volume factor [1].

    Returns
    -------
    tuple of ndarray
        In SI, dimensionless; int64 reasons, ``impossible_value`` and NaN for a core that does not
        pass through the loop.

    Notes
    -----
    kappa = (r - z) scale / K, K of :func:`volume_factor`, 1 without a loop (geometry).
    """
    reading, baseline, diameter = np.broadcast_arrays(
        *(np.asarray(part, dtype=float) for part in (reading, baseline, core_diameter))
    )
    slope, refused = np.full(reading.shape, scale), np.zeros(reading.shape, dtype=bool)
    if not np.isnan(loop):
        refused = (diameter <= 0.0) | (diameter > loop)
        size = np.where(refused, np.nan, diameter)
        slope = scale / factor_kernel(size, effective, coefficient)
    reason = np.where(refused, flags.bit("impossible_value"), 0).astype(np.int64)
    return (reading - baseline) * slope, slope, reason


def magnetic_susceptibility(
    reading: Any,
    *,
    unit: str,
    baseline: Any = 0.0,
    core_diameter: Any = None,
    loop_diameter: Any = None,
    volume_corrected: bool = False,
    reading_uncertainty: Any = None,
    core_diameter_uncertainty: Any = None,
    coefficient: Any = _C["loop_volume_factor"],
    allowance: Any = _C["loop_allowance"],
    loop_factor_uncertainty: Any = _C["loop_factor_uncertainty"],
    reason: Any = 0,
) -> xr.Dataset:
    """Volume magnetic susceptibility of a core in SI.

    Parameters
    ----------
    reading : DataArray, (reading)
        Of the meter, plain numbers in ``unit``.
    unit : {"1e-5 SI", "SI", "1e-6 cgs", "cgs"}
        Of readings, baseline and ``reading_uncertainty``.
    baseline : float, DataArray or Baseline
        Reading in air, from :func:`drift_baseline` with its uncertainty and reasons; the
        uncertainty of bare numbers other than zero is unknown.
    core_diameter : Quantity, DataArray or str, optional
        [mm]; a scalar or one a reading.
    loop_diameter : Quantity or str, optional
        Aperture of the loop [mm]; without it no volume factor is applied and the systematic
        uncertainty is unknown.
    volume_corrected : bool
        The readings already are per volume, as in many archives.
    reading_uncertainty : float, optional
        Random standard uncertainty of one reading, in ``unit``; unknown gives NaN.
    core_diameter_uncertainty : Quantity or str, optional
        Systematic, of the calliper [mm]; unknown gives NaN.
    coefficient, allowance
        As for :func:`volume_factor`.
    loop_factor_uncertainty : Quantity, str, float or Constant
        Systematic, relative, of the volume factor, a fraction.
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
        For a bare length, a wrong unit, or a susceptibility by mass.
    PositionError
        When the series lie at different positions.
    ValueError
        For readings that would be corrected twice, or a loop without a core diameter.

    Notes
    -----
    kappa = (r - z) / K, K = 3.45 (d / (loop + 8 mm))^3, sources at :func:`volume_factor`;
    effects -3 kappa / d u_d and -kappa u_K / K (JCGM 100:2008, 5.1). The uncertainty of the
    baseline is counted as random, although neighbours in time share it.
    """
    _check(loop_diameter, core_diameter, volume_corrected)
    zero = baseline if isinstance(baseline, Baseline) else _bare_baseline(baseline)
    series.require_same_positions(reading=reading, baseline=zero.values, diameter=core_diameter)
    with_loop = loop_diameter is not None
    loop = float(positive(loop_diameter, "mm", "loop_diameter")) if with_loop else np.nan
    size = positive(core_diameter, "mm", "core_diameter") if with_loop else np.nan
    kappa, slope, found = series.apply(
        susceptibility_kernel,
        plain_numbers(reading, "reading"),
        plain_numbers(zero.values, "baseline"),
        size,
        outputs=3,
        dtypes=[float, float, np.int64],
        scale=si_factor(unit),
        loop=loop,
        effective=loop + float(units.as_floats(allowance, "mm", "allowance")),
        coefficient=float(units.as_floats(coefficient, "1", "coefficient")),
    )
    u = units.as_floats(reading_uncertainty, "1", "reading_uncertainty", optional=True)
    random = slope * (zero.uncertainty**2 + (np.nan if u is None else u) ** 2) ** 0.5
    u_d = stated(core_diameter_uncertainty, "mm", "core_diameter_uncertainty")
    u_k = stated(loop_factor_uncertainty, "1", "loop_factor_uncertainty")
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


def _bare_baseline(baseline: Any) -> Baseline:
    """A baseline without an uncertainty, unknown save where there is none to be taken off."""
    none = np.ndim(baseline) == 0 and float(baseline) == 0.0
    return Baseline(baseline, 0.0 if none else np.nan, 0)


def _check(loop_diameter: Any, core_diameter: Any, volume_corrected: bool) -> None:
    if volume_corrected and loop_diameter is not None:
        raise ValueError(
            "volume_corrected is True and loop_diameter is given: the readings would be corrected "
            "for volume twice. Leave loop_diameter out, or say volume_corrected=False"
        )
    if loop_diameter is not None and core_diameter is None:
        raise ValueError(
            "loop_diameter is given and core_diameter is not; the volume factor needs both, such "
            "as core_diameter='66 mm'"
        )


def _steps(with_loop: bool, volume_corrected: bool, unit: str) -> tuple[str, ...]:
    last = "no volume factor: the loop is not known"
    if volume_corrected:
        last = "no volume factor: the readings already are per volume"
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
    """Susceptibility of the scan, and where its counter may have begun again."""
    table = context.table("scan/susceptibility")
    keys = context.recipe["susceptibility"]
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
    """Reading in air at the time of every reading; zero where the hole has none."""
    standards = context.optional("standards/susceptibility")
    if standards is None or not context.recipe["susceptibility"]["drift"]:
        return 0.0
    air = of_kind(standards, "blank")
    timed = "time" in air and "time" in table
    if not air.sizes["row"] or not timed or np.isnat(table["time"].values).all():
        return 0.0
    if np.isnat(air["time"].values).all():
        return 0.0
    return drift_baseline(
        table["time"],
        air["time"].values,
        air["reading"].values,
        air_uncertainty=context.recipe["susceptibility"]["reading_uncertainty"],
    )


def _air_reading(context: Reduction, table: xr.Dataset) -> Any:
    """Reading in air at the times of a table, in the unit of the readings."""
    base = _baseline_of(context, table)
    return np.asarray(base.values) if isinstance(base, Baseline) else base


def _unwrapped(
    context: Reduction, found: xr.Dataset, here: xr.DataArray, counter_range: float
) -> xr.Dataset:
    """Flag what a wrapped counter would explain; the readings stay as they are."""
    suggestion = suggest_unwrapping(here.assign_attrs(units="1"), counter_range=counter_range)
    wrapped = suggestion["reason"].values != 0
    if wrapped.any():
        context.notes.append(
            f"susceptibility: {int(wrapped.sum())} readings look as if the counter had begun "
            f"again at {counter_range:g}; nothing was added to them, see suggested_reading"
        )
    for name in ("suggested_ranges", "suggested_reading"):
        found[name] = (
            found["magnetic_susceptibility"].dims,
            suggestion[name].values,
            {"units": "1", "long_name": name.replace("_", " ")},
        )
    return with_reason(found, "magnetic_susceptibility", wrapped, "counter_wrapped")


def _check_standards(context: Reduction, checks: xr.Dataset) -> tuple[np.ndarray, Any, str, str]:
    """Readings of the check standard over its value known [1]."""
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
        "unit": Option("1e-5 SI", "1e-5 SI|SI|1e-6 cgs|cgs", "of the readings"),
        "drift": Option(True, "switch", "take the reading in air off, linear in time"),
        "loop_diameter": Option(None, "mm", "aperture of the loop; no volume factor without it"),
        "loop_allowance": Option(
            constant_text("loop_allowance"), "mm", "from the aperture to the effective loop"
        ),
        "loop_factor_uncertainty": Option(
            constant_text("loop_factor_uncertainty", "2 %"),
            "%",
            "systematic, relative, of the volume factor",
        ),
        "volume_corrected": Option(False, "switch", "the readings already are per volume"),
        "reading_uncertainty": Option(None, "number", "random, in the unit of the readings"),
        "core_diameter_uncertainty": Option(None, "mm", "systematic, shared with the density"),
        "counter_range": Option(None, "number", "of a counter that may have wrapped"),
    },
    quality_options={
        "response_susceptibility": Option(
            thresholds.DEFAULTS["response_susceptibility"], "cm", "the same of the loop"
        )
    },
    response_width=("quality", "response_susceptibility"),
    stages=(Stage("susceptibility", _stage),),
    check=_check_standards,
    warms_up=True,
    track=Track("#7A4E9E", logarithmic=True),
)
