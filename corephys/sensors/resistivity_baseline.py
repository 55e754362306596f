"""What a contactless sensor reads in air, between the times when it was read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds, units
from corephys.ground.arguments import positive

__all__ = ["Baseline", "air_baseline"]

_T = thresholds.DEFAULTS


@dataclass(frozen=True)
class Baseline:
    """Baseline at the times of readings.

    Parameters
    ----------
    values : DataArray or ndarray, (reading)
        [mV].
    uncertainty : DataArray or ndarray, (reading)
        Standard uncertainty [mV]; NaN where it is not known.
    reason : DataArray or ndarray of int, (reading)
        ``no_baseline`` where no reading in air lies near enough.
    wander : float
        Growth of the variance of the baseline in time [mV^2/s].
    """

    values: Any
    uncertainty: Any
    reason: Any
    wander: float


def baseline_kernel(
    when: Any, time: np.ndarray, response: np.ndarray, *, noise: float, wander: float, span: float
) -> tuple[Any, Any, Any]:
    """Baseline, its uncertainty and reasons.

    Parameters
    ----------
    when : ndarray
        Times of readings [s].
    time, response : ndarray, (air)
        Rising times [s] and responses in air [mV].
    noise, wander : float
        Standard uncertainty of one reading in air [mV]; growth of variance [mV^2/s].
    span : float
        Farthest that a reading may lie outside the readings in air, and half the longest gap
        between two of them [s].

    Returns
    -------
    tuple of ndarray
        [mV], [mV], int64 reasons.

    Notes
    -----
    b = (1 - w) b_1 + w b_2; variance ((1 - w)^2 + w^2) u^2 + q (t - t_1) (t_2 - t) / (t_2 - t_1),
    a random walk tied at both ends; outside u^2 + q |t - t_1| (Brownian bridge, a definition).
    """
    when = np.asarray(when, dtype=float)
    after = np.clip(np.searchsorted(time, when, side="right"), 1, max(time.size - 1, 1))
    first = time[after - 1]
    last = time[np.minimum(after, time.size - 1)]
    length = np.where(last > first, last - first, 1.0)
    w = np.clip((when - first) / length, 0.0, 1.0)
    values = (1.0 - w) * response[after - 1] + w * response[np.minimum(after, time.size - 1)]
    away = np.maximum(np.maximum(time[0] - when, when - time[-1]), 0.0)
    inside = (when - first) * (last - when) / length
    variance = ((1.0 - w) ** 2 + w**2) * noise**2 + wander * np.where(away > 0, away, inside)
    nearest = np.where(away > 0, away, np.minimum(when - first, last - when))
    reason = np.where(nearest <= span, 0, flags.bit("no_baseline")).astype(np.int64)
    return values, np.sqrt(variance), reason


def air_baseline(
    time: Any, reading_time: Any, response: Any, *, response_uncertainty: Any = None,
    span: Any = _T["baseline_span"],
) -> Baseline:  # fmt: skip
    """Baseline at the times of readings from readings in air before, between and after.

    Parameters
    ----------
    time : Quantity or DataArray, (air)
        When the sensor was read in air: [s], or calendar times.
    reading_time : Quantity or DataArray, (reading)
        Of the readings on the core, of the same kind.
    response : Quantity or DataArray, (air)
        In air [mV].
    response_uncertainty : Quantity or str, optional
        Random standard uncertainty of one response in air [mV]; unknown gives NaN.
    span : Quantity or str
        A reading farther than this from every reading in air is given the reason
        ``no_baseline`` [s].

    Returns
    -------
    Baseline
        Values, uncertainty and reasons [mV].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit, or where one time is a calendar time and one is not.
    ValueError
        When no reading in air has both time and response.

    Notes
    -----
    Linear in time between readings in air, held constant outside: common practice. The baseline
    is taken to wander as a random walk, at a rate found from how far each reading in air lies
    from the line between its neighbours (from the two of them where there are only two).
    """
    t, when = series.seconds(time=time, reading_time=reading_time)
    b = np.atleast_1d(np.asarray(units.as_floats(response, "mV", "response"), dtype=float))
    t = np.broadcast_to(np.asarray(t, dtype=float), b.shape)
    usable = np.isfinite(t) & np.isfinite(b)
    if not usable.any():
        raise ValueError("no reading in air has both a time and a response")
    # Readings of one time are one reading.
    t, where = np.unique(t[usable], return_inverse=True)
    counts = np.bincount(where)
    b = np.bincount(where, weights=b[usable]) / counts
    u = units.as_floats(
        response_uncertainty, "mV", "response_uncertainty", difference=True, optional=True
    )
    noise = float("nan") if u is None else float(u) / np.sqrt(counts.min())
    wander = _wander(t, b, 0.0 if np.isnan(noise) else noise)
    values, sigma, reason = series.apply(
        baseline_kernel, when, outputs=3, dtypes=[float, float, np.int64], time=t, response=b,
        noise=noise, wander=wander, span=positive(span, "s", "span", zero=True),
    )  # fmt: skip
    return Baseline(_stamped(values), _stamped(sigma), reason, wander)


def _wander(t: np.ndarray, b: np.ndarray, noise: float) -> float:
    """Rate at which the variance grows; NaN for one reading in air."""
    if t.size < 2:
        return float("nan")
    if t.size == 2:
        return max(float(((b[1] - b[0]) ** 2 - 2.0 * noise**2) / (t[1] - t[0])), 0.0)
    before, after = t[1:-1] - t[:-2], t[2:] - t[1:-1]
    w = before / (before + after)
    off = b[1:-1] - (1.0 - w) * b[:-2] - w * b[2:]
    excess = off**2 - noise**2 * (1.0 + w**2 + (1.0 - w) ** 2)
    return max(float(np.mean(excess / (before * after / (before + after)))), 0.0)


def _stamped(values: Any) -> Any:
    return values.assign_attrs(units="mV") if isinstance(values, xr.DataArray) else values
