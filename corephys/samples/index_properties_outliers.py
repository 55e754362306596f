"""Samples that stand apart from their neighbours: lost grains, swapped cells, mistyped masses."""

from __future__ import annotations

from typing import Any

import numpy as np

NEIGHBOURS = 11  # samples, five on either side
FEWEST = 5  # below this there is nothing to compare with
SCALE = 1.4826  # of a median absolute deviation to a standard deviation of normal data
# Least scatter taken for granted, so that alike samples do not condemn each other: repeatability
# of grain density and of porosity between laboratories (common practice, no source).
GRAIN_DENSITY_FLOOR = 0.05  # g/cm^3
POROSITY_FLOOR = 0.012


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
        |x - local median| > threshold max(1.4826 MAD, floor), the MAD that of all deviations.
    """
    x = np.asarray(values, dtype=float)
    far = np.zeros(x.shape, dtype=bool)
    use = np.isfinite(x) & np.broadcast_to(np.asarray(valid), x.shape)
    if x.ndim != 1 or use.sum() < FEWEST:
        return far
    chosen = np.flatnonzero(use)
    if depth is not None:
        chosen = chosen[np.argsort(np.asarray(depth, dtype=float)[chosen], kind="stable")]
    y = x[chosen]
    width = min(NEIGHBOURS, y.size - (y.size + 1) % 2)
    half = width // 2
    # At the ends the window stands still: the first samples share the first full window.
    centres = np.clip(np.arange(y.size), half, y.size - 1 - half)
    windows = np.lib.stride_tricks.sliding_window_view(y, width)
    deviation = y - np.median(windows, axis=1)[centres - half]
    scale = max(SCALE * float(np.median(np.abs(deviation))), floor)
    far[chosen] = np.abs(deviation) > threshold * scale
    return far
