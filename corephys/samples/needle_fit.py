"""The final fit of a heating curve: drift before heating and the curve in its window, together."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from corephys.ground import thresholds
from corephys.samples.needle_runs import FEWEST_BEFORE

_REAL = thresholds.value("neighbour_correlation_errors")
FEWEST_INSIDE = thresholds.count("needle_fit_samples")


@dataclass
class Fit:
    """Result of each run, (runs,) throughout.

    Parameters
    ----------
    slope : ndarray
        dT / d ln t [K].
    variance : ndarray
        Of the slope [K^2], residual autocorrelation included.
    rise_constant : ndarray
        Constant of the rise less the temperature before heating [K].
    level : ndarray
        Temperature before heating, carried to time zero [degC]; NaN where none was measured.
    drift, drift_error : ndarray
        [K/s]; NaN where nothing was measured before heating.
    drift_share : ndarray
        Change of the slope that the drift has been taken off, over the slope [1].
    deviation : ndarray
        Standard deviation of the residuals in the window [K].
    """

    slope: np.ndarray
    variance: np.ndarray
    rise_constant: np.ndarray
    level: np.ndarray
    drift: np.ndarray
    drift_error: np.ndarray
    drift_share: np.ndarray
    deviation: np.ndarray


def fit(
    time: np.ndarray, temperature: np.ndarray, before_time: np.ndarray,
    before_temperature: np.ndarray, inside: np.ndarray, line: np.ndarray, early: np.ndarray,
) -> Fit:  # fmt: skip
    """Least squares of T = a + d g before and T = c + d g + s x + e z in the window.

    Times g by which the drift has changed, since heating began [s], and temperatures [degC],
    (runs, samples), NaN outside: the time itself for a drift along a line, else that of
    :func:`corephys.samples.needle_drift.clock`. ``inside`` (runs, samples) bool says what is in
    the window; x is ``line`` and z is ``early``, as
    :func:`corephys.samples.needle_windows.regressors` gives them. Runs without samples before
    heating keep a drift of zero; runs with an empty window give NaN.
    """
    some = inside.sum(axis=1) >= FEWEST_INSIDE
    arrays = (time, temperature, before_time, before_temperature, inside, line, early)
    whole = {item.name: np.full(some.size, np.nan) for item in fields(Fit)}
    if some.any():
        part = _fit_all(*(array[some] for array in arrays))
        for name, values in whole.items():
            values[some] = getattr(part, name)
    return Fit(**whole)


def _fit_all(
    time: np.ndarray, temperature: np.ndarray, before_time: np.ndarray,
    before_temperature: np.ndarray, inside: np.ndarray, line: np.ndarray, early: np.ndarray,
) -> Fit:  # fmt: skip
    before = np.isfinite(before_time) & np.isfinite(before_temperature)
    told = before.sum(axis=1) >= FEWEST_BEFORE
    t = np.where(inside, time, 1.0)
    t0 = np.where(before, before_time, 0.0)
    late = np.maximum(np.max(np.where(inside, time, 0.0), axis=1), 1.0)[:, None]
    logs = np.where(inside, line, 0.0) - np.log(late)
    fading = np.where(inside, early, 0.0)
    largest = np.abs(fading).max(axis=1, keepdims=True)
    fading = np.where(inside, fading / np.where(largest > 0, largest, 1.0), 0.0)
    nought, one, nought0 = np.zeros_like(t), np.ones_like(t), np.zeros_like(t0)
    curve = np.stack([nought, one, t / late, logs, fading], axis=2) * inside[:, :, None]
    level = np.stack([np.ones_like(t0), nought0, t0 / late, nought0, nought0], axis=2)
    level = level * before[:, :, None]
    # A row that holds level and drift at zero where nothing was measured before heating.
    hold = np.zeros((t.shape[0], 2, 5))
    hold[:, 0, 0] = ~before.any(axis=1)
    hold[:, 1, 2] = ~told
    design = np.concatenate([curve, level, hold], axis=1)
    zero = np.where(inside, temperature, 0.0).sum(axis=1) / inside.sum(axis=1)
    zero = zero[:, None]
    values = np.concatenate(
        [
            np.where(inside, temperature - zero, 0.0),
            np.where(before, before_temperature - zero, 0.0),
            np.zeros((t.shape[0], 2)),
        ],
        axis=1,
    )
    q, r = np.linalg.qr(design)
    inverse = np.linalg.inv(r)
    found = np.einsum("rij,rj->ri", inverse, np.einsum("rsi,rs->ri", q, values))
    residual = values - np.einsum("rsi,ri->rs", design, found)
    rows = inside.sum(axis=1) + before.sum(axis=1)
    freedom = np.maximum(rows - 5 + hold.sum(axis=(1, 2)), 1)
    variance = (residual**2).sum(axis=1) / freedom
    unit = np.einsum("rij,rkj->rik", inverse, inverse)
    drift = found[:, 2] / late[:, 0]
    window = residual[:, : t.shape[1]]
    return Fit(
        slope=found[:, 3],
        variance=variance * unit[:, 3, 3] * inflation(window, inside),
        rise_constant=found[:, 1] - found[:, 3] * np.log(late[:, 0]) - found[:, 0],
        level=np.where(before.any(axis=1), found[:, 0] + zero[:, 0], np.nan),
        drift=np.where(told, drift, np.nan),
        drift_error=np.where(told, np.sqrt(variance * unit[:, 2, 2]) / late[:, 0], np.nan),
        drift_share=np.where(told, _drift_share(curve, found), np.nan),
        deviation=np.sqrt((window**2).sum(axis=1) / np.maximum(inside.sum(axis=1) - 3, 1)),
    )


def _drift_share(curve: np.ndarray, found: np.ndarray) -> np.ndarray:
    """By how much the slope would differ with the drift left in."""
    kept = curve[:, :, [1, 3, 4]]
    q, r = np.linalg.qr(kept)
    moved = np.linalg.solve(r, np.einsum("rsi,rs->ri", q, curve[:, :, 2])[:, :, None])[:, 1, 0]
    rises = found[:, 3] != 0.0  # a curve of one temperature has no slope to share
    return np.where(rises, moved * found[:, 2] / np.where(rises, found[:, 3], 1.0), np.nan)


def inflation(residual: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Factor (1 + r) / (1 - r) for residuals whose lag-one correlation r is real."""
    pairs = inside[:, 1:] & inside[:, :-1]
    products = np.where(pairs, residual[:, 1:] * residual[:, :-1], 0.0).sum(axis=1)
    squares = np.maximum((residual**2).sum(axis=1), np.finfo(float).tiny)
    r = products / squares
    certain = r > _REAL / np.sqrt(np.maximum(inside.sum(axis=1), 1))
    r = np.where(certain, np.clip(r, 0.0, 0.95), 0.0)
    return np.asarray((1.0 + r) / (1.0 - r))
