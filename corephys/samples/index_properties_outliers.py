"""Samples that stand apart from their neighbours: lost grains, swapped cells, mistyped masses."""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.ground import thresholds

NEIGHBOURS = thresholds.count("outlier_neighbours")
FEWEST = thresholds.count("outlier_samples")
SCALE = 1.4826  # of a median absolute deviation to a standard deviation of normal data
# Least scatter taken for granted, so that alike samples do not condemn each other: repeatability
# of grain density and of porosity between laboratories.
GRAIN_DENSITY_FLOOR = thresholds.value("grain_density_floor")  # g/cm^3
POROSITY_FLOOR = thresholds.value("porosity_floor")


def far_from_neighbours(
    values: Any, valid: Any, *, depth: Any, floor: float, threshold: float
) -> Any:
    """Say which values lie far from the median of their neighbours.

    Parameters
    ----------
    values : ndarray, (n,) or ()
        One property of the samples.
    valid : ndarray of bool, (n,)
        Samples that may serve as neighbours.
    depth : ndarray or None
        To sort by [m]; the order of the table without it.
    floor : float
        Least standard deviation, in the unit of the values.
    threshold : float
        Standard deviations.

    Returns
    -------
    ndarray of bool, shape of ``values``
        |x - local line| > threshold max(1.4826 MAD, floor), the MAD that of all deviations. The
        line is that of Theil (1950) and Sen (1968) through the neighbours: half of them may be
        wrong, and a trend with depth is no deviation.
    """
    x = np.asarray(values, dtype=float)
    far = np.zeros(x.shape, dtype=bool)
    use = np.isfinite(x) & np.broadcast_to(np.asarray(valid), x.shape)
    if x.ndim != 1 or use.sum() < FEWEST:
        return far
    chosen = np.flatnonzero(use)
    place = np.arange(x.size, dtype=float)
    if depth is not None and np.isfinite(np.asarray(depth, dtype=float)[chosen]).all():
        place = np.asarray(depth, dtype=float)
        chosen = chosen[np.argsort(place[chosen], kind="stable")]
    deviation = from_local_line(place[chosen], x[chosen])
    scale = max(SCALE * float(np.median(np.abs(deviation))), floor)
    far[chosen] = np.abs(deviation) > threshold * scale
    return far


def from_local_line(place: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Each value less a robust line through the neighbours around it."""
    size = values.size
    width = min(NEIGHBOURS, size - (size + 1) % 2)
    half = width // 2
    # At the ends the window stands still: the first samples share the first full window.
    window = np.clip(np.arange(size), half, size - 1 - half) - half
    x = np.lib.stride_tricks.sliding_window_view(place, width)
    y = np.lib.stride_tricks.sliding_window_view(values, width)
    one, other = np.triu_indices(width, 1)
    run = x[:, other] - x[:, one]
    rise = y[:, other] - y[:, one]
    level = run == 0  # samples at one depth say nothing of the trend
    slopes = np.where(level, np.nan, rise / np.where(level, 1.0, run))
    some = ~level.all(axis=1)
    slope = np.zeros(x.shape[0])
    slope[some] = np.nanmedian(slopes[some], axis=1)
    intercept = np.median(y - slope[:, None] * x, axis=1)
    return np.asarray(values - slope[window] * place - intercept[window])
