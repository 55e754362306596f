"""What the meter reads without a core, between the times when it was read in air."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from corephys.ground import flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.sensors.susceptibility_loop import plain_numbers

__all__ = ["Baseline", "drift_baseline"]

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
    time: Any, air_time: Any, air_reading: Any, *, air_uncertainty: Any = None,
    span: Any = _T["baseline_span"],
) -> Baseline:  # fmt: skip
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
        baseline_kernel, when, outputs=3, dtypes=[float, float, np.int64],
        at=at, air=air, sigma=one / np.sqrt(counts), span=positive(span, "s", "span", zero=True),
    )  # fmt: skip
    return Baseline(values, uncertainty, reason)


def _scatter(at: np.ndarray, air: np.ndarray) -> float:
    """Standard deviation of one reading in air about the line between its neighbours."""
    if at.size < 3:
        return float("nan")
    w = (at[1:-1] - at[:-2]) / (at[2:] - at[:-2])
    off = air[1:-1] - (1.0 - w) * air[:-2] - w * air[2:]
    return float(np.sqrt(np.mean(off**2 / (1.0 + w**2 + (1.0 - w) ** 2))))
