"""Times of half and of nine tenths of primary consolidation from the readings of one step."""

from __future__ import annotations

import numpy as np

from corephys.ground import thresholds
from corephys.numerics.yield_point import natural_cubic

__all__: list[str] = []

_FLAT = thresholds.value("tail_flat")
_BEND = thresholds.value("tail_least_bend")
EARLY = 0.5  # share of consolidation up to which settlement goes with the root of time (Taylor)
RATIO = 1.15  # abscissae at nine tenths: true curve over straight line (Taylor 1948)


def logarithm_of_time(time: np.ndarray, height: np.ndarray) -> float:
    """Time of half the primary consolidation [s]; NaN where the curve does not show its parts.

    The height at the start comes from the early parabola (readings at a time and four times it),
    the end of primary consolidation from the steepest tangent against log time and the straight
    tail: Casagrande and Fadum (1940). Times [s], heights [mm], in order of time.
    """
    t, h = time[time > 0], height[time > 0]
    x = np.log10(t)
    span = h[0] - h[-1]
    if t.size < 8 or span <= 0:
        return float("nan")
    # Tangent: least squares of three neighbours, the steepest.
    steep, tangent = _steepest(x, h)
    tail = _tail(x, h, steep + 2, float(tangent[0]))
    if tail is None:
        return float("nan")
    crossing = (tail[1] - tangent[1]) / (tangent[0] - tail[0])
    end = float(np.polyval(tail, crossing))
    start = _start(t, h, end)
    return _time_at(x, h, 0.5 * (start + end))


def _steepest(x: np.ndarray, h: np.ndarray) -> tuple[int, np.ndarray]:
    """First of the three neighbours that fall most steeply; slope and intercept of their line."""
    xs, hs = (np.lib.stride_tricks.sliding_window_view(part, 3) for part in (x, h))
    middle, level = xs.mean(axis=1), hs.mean(axis=1)
    away = xs - middle[:, None]
    slope = (away * (hs - level[:, None])).sum(axis=1) / (away**2).sum(axis=1)
    first = int(np.argmin(slope))
    return first, np.array([slope[first], level[first] - slope[first] * middle[first]])


def _tail(x: np.ndarray, h: np.ndarray, after: int, steepest: float) -> np.ndarray | None:
    """Line through the last readings: as many as stay flat, three at least."""
    best = None
    for first in range(x.size - 3, after, -1):
        local = (h[first + 1] - h[first]) / (x[first + 1] - x[first])
        if best is not None and local < _FLAT * steepest:
            break
        best = np.polyfit(x[first:], h[first:], 1)
    return best if best is not None and best[0] > _BEND * steepest else None


def _start(t: np.ndarray, h: np.ndarray, end: float) -> float:
    """Height before consolidation: h against the root of time, extended to zero."""
    first = float(h[0])
    for _ in range(5):
        early = h >= first - EARLY * (first - end)
        if early.sum() < 2:
            early = np.arange(t.size) < 2
        value = np.polyfit(np.sqrt(t[early]), h[early], 1)[1]
        if abs(value - first) < 1e-7 * abs(first - end):
            break
        first = float(value)
    return first


def _time_at(x: np.ndarray, h: np.ndarray, level: float) -> float:
    """Time at which the height passes a level, along log10 time."""
    fine = np.linspace(x[0], x[-1], 4000)
    smooth = natural_cubic(x, h, fine)[0]
    below = np.flatnonzero(smooth <= level)
    if not below.size or below[0] == 0:
        return float("nan")
    i = int(below[0])
    part = (smooth[i - 1] - level) / (smooth[i - 1] - smooth[i])
    return float(10.0 ** (fine[i - 1] + part * (fine[i] - fine[i - 1])))


def root_of_time(time: np.ndarray, height: np.ndarray) -> float:
    """Time of nine tenths of the primary consolidation [s]; NaN where the line meets no reading.

    A straight line through the early readings against the root of time; the line of 1.15 times
    its abscissae meets the curve at nine tenths: Taylor (1948). Times [s], heights [mm].
    """
    t, h = time[time > 0], height[time > 0]
    x = np.sqrt(t)
    if t.size < 8 or not h[-1] < h[0]:
        return float("nan")
    # The spline is laid over log time, in which readings are usually even.
    fine = np.linspace(np.log(x[0]), np.log(x[-1]), 2000)
    root, smooth = np.exp(fine), natural_cubic(np.log(x), h, fine)[0]
    found, first, end = float("nan"), float(h[0]), float(h[-1])
    for _ in range(20):
        early = h >= first - EARLY * (first - end)
        early = early if early.sum() >= 3 else np.arange(t.size) < 3
        line = np.polyfit(x[early], h[early], 1)
        gap = smooth - (line[1] + line[0] / RATIO * root)
        gap[root < x[early].max()] = -1.0  # noise about the line itself crosses nothing
        above = np.flatnonzero((gap[1:] > 0) & (gap[:-1] <= 0))
        if not above.size:
            return float("nan")
        new = float(root[above[0] + 1])
        if new == found:
            break
        found, first = new, float(line[1])
        end = first - (first - float(np.interp(found, x, h))) / 0.9  # of primary consolidation
    return found**2
