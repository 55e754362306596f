"""Rate of consolidation: coefficient, hydraulic conductivity and permeability."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, thresholds, units
from corephys.ground.choices import choice
from corephys.ground.laws import law
from corephys.numerics.yield_point import natural_cubic
from corephys.samples.consolidation.curves import SAFETY, Step, along, curve, gather
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Scalar, WithUnit

__all__ = ["coefficient_from_time", "consolidation_rate", "hydraulic_conductivity", "permeability"]

# --------------------------------------------------------------------------------------------------
# Times of half and of nine tenths of primary consolidation, from the readings of one step.


_FLAT = thresholds.value("tail_flat")
_BEND = thresholds.value("tail_least_bend")
EARLY = 0.5  # share of consolidation up to which settlement follows the root of time (Taylor)
RATIO = 1.15  # root of time at nine tenths: true curve over straight line (Taylor 1948)


# Places in log time at which the smooth curve is searched for a height.
_PLACES_LOGARITHM = 4000
_PLACES_ROOT = 2000


@dataclass(frozen=True)
class _SmoothCurves:
    """Spline through the readings of one step as weights of the heights, for both methods.

    The times of a step stay the same while its heights are moved one by one for the uncertainty,
    and a spline is linear in them.
    """

    fine: np.ndarray  # log10 of time [s]
    weights: np.ndarray
    root: np.ndarray  # root of time [s^0.5]
    root_weights: np.ndarray

    @classmethod
    def of(cls, t: np.ndarray) -> _SmoothCurves:
        """Weights for readings at times above zero [s]."""
        one, x = np.eye(t.size), np.sqrt(t)
        fine = np.linspace(np.log10(t[0]), np.log10(t[-1]), _PLACES_LOGARITHM)
        # In log time readings are usually evenly spaced.
        logs = np.linspace(np.log(x[0]), np.log(x[-1]), _PLACES_ROOT)
        return cls(
            fine,
            natural_cubic(np.log10(t), one, fine)[0],
            np.exp(logs),
            natural_cubic(np.log(x), one, logs)[0],
        )


def logarithm_of_time(
    time: np.ndarray, height: np.ndarray, curves: _SmoothCurves | None = None
) -> float:
    """Time of half the primary consolidation [s]; NaN for a curve without tangent and tail.

    The height at the start comes from the early parabola (readings at a time and four times it),
    the end of primary consolidation from the steepest tangent against log time and the straight
    tail: Casagrande and Fadum (1940). Times [s], heights [mm], in order of time. ``curves`` belong
    to these times.
    """
    t, h = time[time > 0], height[time > 0]
    x = np.log10(t)
    span = h[0] - h[-1]
    if t.size < 8 or span <= 0:
        return float("nan")
    # Three neighbours instead of two, so that the tangent does not follow the noise of a reading.
    steep, tangent = _steepest(x, h)
    tail = _tail(x, h, steep + 2, float(tangent[0]))
    if tail is None:
        return float("nan")
    crossing = (tail[1] - tangent[1]) / (tangent[0] - tail[0])
    end = float(tail[0] * crossing + tail[1])
    start = _start(t, h, end)
    curves = curves or _SmoothCurves.of(t)
    return _time_at(curves.fine, curves.weights @ h, 0.5 * (start + end))


def _steepest(x: np.ndarray, h: np.ndarray) -> tuple[int, np.ndarray]:
    """Index of the first of the three steepest neighbours; slope and intercept of their line."""
    xs, hs = (np.lib.stride_tricks.sliding_window_view(part, 3) for part in (x, h))
    middle, level = xs.mean(axis=1), hs.mean(axis=1)
    away = xs - middle[:, None]
    slope = (away * (hs - level[:, None])).sum(axis=1) / (away**2).sum(axis=1)
    first = int(np.argmin(slope))
    return first, np.array([slope[first], level[first] - slope[first] * middle[first]])


def _line(x: np.ndarray, h: np.ndarray) -> tuple[float, float]:
    """Slope and intercept of the least-squares line."""
    middle, level = float(x.mean()), float(h.mean())
    away = x - middle
    slope = float(away @ (h - level) / (away @ away))
    return slope, level - slope * middle


def _tail(x: np.ndarray, h: np.ndarray, after: int, steepest: float) -> tuple[float, float] | None:
    """Line through the last readings that are flat, three at least; None without them."""
    longest = None
    for first in range(x.size - 3, after, -1):
        local = (h[first + 1] - h[first]) / (x[first + 1] - x[first])
        if longest is not None and local < _FLAT * steepest:
            break
        longest = first
    if longest is None:
        return None
    best = _line(x[longest:], h[longest:])
    return best if best[0] > _BEND * steepest else None


def _start(t: np.ndarray, h: np.ndarray, end: float) -> float:
    """Height before consolidation [mm]: h against the root of time, extended to zero time."""
    first = float(h[0])
    for _ in range(5):
        early = h >= first - EARLY * (first - end)
        if early.sum() < 2:
            early = np.arange(t.size) < 2
        value = _line(np.sqrt(t[early]), h[early])[1]
        if abs(value - first) < 1e-7 * abs(first - end):
            break
        first = value
    return first


def _time_at(fine: np.ndarray, smooth: np.ndarray, level: float) -> float:
    """Time at which the height passes a level [s], interpolated in log10 of time."""
    below = np.flatnonzero(smooth <= level)
    if not below.size or below[0] == 0:
        return float("nan")
    i = int(below[0])
    part = (smooth[i - 1] - level) / (smooth[i - 1] - smooth[i])
    return float(10.0 ** (fine[i - 1] + part * (fine[i] - fine[i - 1])))


def root_of_time(
    time: np.ndarray, height: np.ndarray, curves: _SmoothCurves | None = None
) -> float:
    """Time of nine tenths of the primary consolidation [s]; NaN where line and curve do not meet.

    A straight line through the early readings against the root of time; the line of 1.15 times
    its abscissae meets the curve at nine tenths: Taylor (1948). Times [s], heights [mm].
    ``curves`` belong to these times.
    """
    t, h = time[time > 0], height[time > 0]
    x = np.sqrt(t)
    if t.size < 8 or not h[-1] < h[0]:
        return float("nan")
    curves = curves or _SmoothCurves.of(t)
    root, smooth = curves.root, curves.root_weights @ h
    found, first, end = float("nan"), float(h[0]), float(h[-1])
    for _ in range(20):
        early = h >= first - EARLY * (first - end)
        early = early if early.sum() >= 3 else np.arange(t.size) < 3
        slope, intercept = _line(x[early], h[early])
        gap = smooth - (intercept + slope / RATIO * root)
        gap[root < x[early].max()] = -1.0  # noise about the line itself is not a crossing
        above = np.flatnonzero((gap[1:] > 0) & (gap[:-1] <= 0))
        if not above.size:
            return float("nan")
        new = float(root[above[0] + 1])
        if new == found:
            break
        found, first = new, intercept
        end = first - (first - float(np.interp(found, x, h))) / 0.9  # of primary consolidation
    return found**2


# --------------------------------------------------------------------------------------------------
# Coefficient of consolidation, hydraulic conductivity and permeability from readings in time.


_C = constants.CONSTANTS
_FACTOR = {0.5: _C["time_factor_half"], 0.9: _C["time_factor_nine_tenths"]}
FEWEST_READINGS = thresholds.count("time_readings")
AGREE = thresholds.value("rate_methods_agree")


@law("m^2/s", drainage_path="m", time="s")
def coefficient_from_time(
    drainage_path: Dimensional, time: Dimensional, *, share: float = 0.5
) -> WithUnit:
    """Coefficient of consolidation from the time of half or nine tenths of the consolidation.

    Parameters
    ----------
    drainage_path : Quantity, DataArray or str
        Longest path of the water out of the disc [mm]: half its height where both faces drain.
    time : Quantity, DataArray or str
        Time in which that share of the consolidation takes place [s].
    share : {0.5, 0.9}
        Share of primary consolidation [1].

    Returns
    -------
    Quantity or DataArray
        Coefficient of consolidation [m^2/s].

    Raises
    ------
    ValueError
        For another share.

    Notes
    -----
    cv = T H^2 / t with T = 0.197 at one half and 0.848 at nine tenths: Terzaghi's solution for a
    load that is uniform over the height (Taylor 1948, Fundamentals of Soil Mechanics).
    """
    if share not in _FACTOR:
        raise ValueError(f"share is {share!r}; it must be 0.5 or 0.9")
    return _FACTOR[share].value * drainage_path**2 / time


@law(
    "m/s",
    coefficient="m^2/s",
    compressibility="1/Pa",
    pore_water_density="kg/m^3",
    gravity="m/s^2",
)
def hydraulic_conductivity(
    coefficient: Dimensional,
    compressibility: Dimensional,
    *,
    pore_water_density: Dimensional = _C["pore_water_density"],
    gravity: Dimensional = _C["gravity"],
) -> WithUnit:
    """Hydraulic conductivity from coefficient of consolidation and compressibility.

    Parameters
    ----------
    coefficient : Quantity, DataArray or str
        Coefficient of consolidation [m^2/s].
    compressibility : Quantity, DataArray or str
        Compressibility of volume, strain over stress [1/MPa].
    pore_water_density, gravity : Quantity, DataArray, str or Constant
        Density of the pore water [g/cm^3] and acceleration of gravity [m/s^2].

    Returns
    -------
    Quantity or DataArray
        Hydraulic conductivity [m/s].

    Notes
    -----
    k = cv mv rho g: definition of cv in Terzaghi (1925).
    """
    return coefficient * compressibility * pore_water_density * gravity


@law(
    "m^2",
    conductivity="m/s",
    viscosity="Pa s",
    pore_water_density="kg/m^3",
    gravity="m/s^2",
)
def permeability(
    conductivity: Dimensional,
    *,
    viscosity: Dimensional = _C["sea_water_viscosity"],
    pore_water_density: Dimensional = _C["pore_water_density"],
    gravity: Dimensional = _C["gravity"],
) -> WithUnit:
    """Permeability from hydraulic conductivity.

    Parameters
    ----------
    conductivity : Quantity, DataArray or str
        Hydraulic conductivity [m/s].
    viscosity : Quantity, DataArray, str or Constant
        Viscosity of the water at the temperature of the test [Pa s].
    pore_water_density, gravity : Quantity, DataArray, str or Constant
        Density of the pore water [g/cm^3] and acceleration of gravity [m/s^2].

    Returns
    -------
    Quantity or DataArray
        Permeability [m^2].

    Notes
    -----
    K = k mu / (rho g): definition.
    """
    return conductivity * viscosity / (pore_water_density * gravity)


def consolidation_rate(
    table: xr.Dataset,
    *,
    drainage: str = "both",
    height_uncertainty: Scalar | None = None,
    pore_water_density: Scalar = _C["pore_water_density"],
    viscosity: Scalar = _C["sea_water_viscosity"],
    **initial: Any,
) -> xr.Dataset:
    """Coefficient of consolidation of every step with readings in time.

    Parameters
    ----------
    table : Dataset, (row)
        Table as for :func:`corephys.samples.consolidation.curves.curve`, with ``height`` [mm] and
        ``time`` [s] since the load of the step was applied.
    drainage : {"both", "one"}
        Faces that drain; the path of the water is half the height, or the complete height.
    height_uncertainty : Quantity or str, optional
        Random standard uncertainty of a reading [mm]; NaN if not given.
    pore_water_density, viscosity : Quantity, str or Constant
        Density [g/cm^3] and viscosity [Pa s] of the pore water.
    **initial
        Keywords of :func:`corephys.samples.consolidation.curves.curve`.

    Returns
    -------
    Dataset, (reading)
        One reading for each step with readings in time: ``coefficient_of_consolidation`` [m^2/s],
        the geometric mean of both methods, with their difference as systematic part;
        ``coefficient_log_time``, ``coefficient_root_time``; ``hydraulic_conductivity`` [m/s];
        ``permeability`` [m^2]. ``models_disagree`` where the methods differ by more than a quarter;
        ``poor_fit`` where only one gives a time, ``missing_value`` where none does.

    Raises
    ------
    ValueError
        For another drainage, or a table without heights in time.

    Notes
    -----
    Logarithm of time: Casagrande and Fadum (1940); root of time: Taylor (1948). Only steps with a
    higher stress than the step before are reduced. k = cv mv rho g, mv = strain of the step over
    its stress.
    """
    drainage = choice(drainage, ("both", "one"), "drainage")
    if "height" not in table or "time" not in table:
        raise ValueError(
            "the rate of consolidation needs the columns height [mm] and time [s]; add them"
        )
    noise = units.as_floats(
        height_uncertainty, "mm", "height_uncertainty", difference=True, optional=True
    )
    points = curve(table, **initial)
    place, rows, found = 0, [], []
    for test in gather(table):
        before: Step | None = None
        for step in test.steps:
            rising = before is not None and step.stress > before.stress > 0
            if rising and _readings(step) >= FEWEST_READINGS and before is not None:
                e0, e1 = points["void_ratio"].values[place - 1 : place + 1]
                m = (e0 - e1) / (1.0 + e0) / (1e3 * (step.stress - before.stress))
                rows.append(step.row)
                found.append(
                    [
                        *_both(step, 0.5 if drainage == "both" else 1.0, noise),
                        m,
                        step.number,
                        step.stress,
                        0.5 * (e0 + e1),
                        step.reason,
                    ]
                )
            before, place = step, place + 1
    columns = np.array(found, dtype=float).reshape(-1, 9).T
    return _result(table, rows, columns, pore_water_density, viscosity, drainage)


def _readings(step: Step) -> int:
    """Number of complete readings after the load was applied."""
    return int(np.sum(np.isfinite(step.time) & np.isfinite(step.height) & (step.time > 0)))


def _both(step: Step, share: float, noise: float | None) -> tuple[float, float, float, float]:
    """Coefficient by both methods [m^2/s], random relative uncertainty, mean height [mm]."""
    known = np.isfinite(step.time) & np.isfinite(step.height)
    t, h = step.time[known], step.height[known]
    middle = 0.5 * (h[0] + h[-1])
    after = t > 0
    curves = _SmoothCurves.of(t[after]) if after.sum() > 1 else None

    def times(height: np.ndarray) -> np.ndarray:
        half, late = logarithm_of_time(t, height, curves), root_of_time(t, height, curves)
        factors = np.array([_FACTOR[0.5].value, _FACTOR[0.9].value])
        # 1e-3 turns mm into m; share is 0.5 of the height where both faces drain.
        return np.asarray(factors * (1e-3 * share * middle) ** 2 / np.array([half, late]))

    value = times(h)
    if noise is None:
        return float(value[0]), float(value[1]), float("nan"), float(middle)
    variance = 0.0
    for shift in float(noise) * np.eye(h.size):
        change = 0.5 * np.log(times(h + shift) / times(h - shift))
        variance += float(np.nanmean(change)) ** 2 if np.isfinite(change).any() else 0.0
    return float(value[0]), float(value[1]), float(np.sqrt(variance)), float(middle)


def _result(
    table: xr.Dataset,
    rows: list[int],
    columns: np.ndarray,
    pore_water_density: Scalar,
    viscosity: Scalar,
    drainage: str,
) -> xr.Dataset:
    """Coefficient, hydraulic conductivity and permeability of the steps in ``columns``."""
    by_log, by_root, random, height, m, number, stress, ratio, given = columns
    both = np.stack([by_log, by_root])
    known = np.isfinite(both)
    logs = np.where(known, np.log(np.where(known, both, 1.0)), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        best = np.exp(logs.sum(axis=0) / known.sum(axis=0))
    best = np.where(known.any(axis=0), best, np.nan)
    half = 0.5 * np.abs(np.log(by_log / by_root))
    reason = given.astype(np.int64)
    reason[2.0 * half > np.log(1.0 + AGREE)] |= flags.bit("models_disagree")
    reason[known.sum(axis=0) == 1] |= flags.bit("poor_fit")
    coords = along(table, rows, step=number)
    c = xr.DataArray(best, dims="reading", coords=coords)
    fluid = {"pore_water_density": pore_water_density}
    # Without attributes: build() stamps unit and name of each quantity afresh.
    k = hydraulic_conductivity(
        c.assign_attrs(units="m^2/s"), units.quantity(m, "1/Pa"), **fluid
    ).drop_attrs()
    effects = {"consolidation_fit": half}
    dataset = series.build(
        {
            name: Measured(v, v * random, {s: v * part for s, part in effects.items()}, reason)
            for name, v in (("coefficient_of_consolidation", c), ("hydraulic_conductivity", k))
        },
        steps=_STEPS,
        safety=SAFETY,
        constants={
            "drainage": drainage,
            "viscosity": viscosity,
            "pore_water_density": pore_water_density,
            "gravity": _C["gravity"],
            **{row.name: row for row in _FACTOR.values()},
        },
    )
    deep = permeability(k.assign_attrs(units="m/s"), viscosity=viscosity, **fluid)
    extra = (
        ("coefficient_log_time", by_log, "m^2/s", "coefficient by the logarithm of time"),
        ("coefficient_root_time", by_root, "m^2/s", "coefficient by the root of time"),
        ("permeability", deep.values, "m^2", "permeability"),
        ("compressibility", 1e6 * m, "1/MPa", "strain of the step over its increment of stress"),
        ("mean_void_ratio", ratio, "1", "mean void ratio of the step"),
        ("stress", stress, "kPa", "vertical effective stress at the end of the step"),
        ("mean_height", height, "mm", "mean height of the disc in the step"),
    )
    return dataset.assign(
        {
            name: ("reading", array, {"units": unit, "long_name": words})
            for name, array, unit, words in extra
        }
    )


_STEPS = (
    "t50 by the logarithm of time, cv = 0.197 H^2 / t50 (Casagrande and Fadum 1940)",
    "t90 by the root of time, cv = 0.848 H^2 / t90 (Taylor 1948)",
    "H: half the mean height of the step where both faces drain",
    "k = cv mv rho g; permeability = k mu / (rho g)",
)
