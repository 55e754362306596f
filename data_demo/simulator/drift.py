"""Slow drift of a sensor's zero, and when its zero is read in air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

HOUR, DAY = 3600.0, 86400.0  # s
KNOT = 600.0  # s


@dataclass(frozen=True)
class Drift:
    """Zero of a sensor against time: a level, a trend, a daily swing and a wandering part."""

    level: float
    trend: float  # per hour
    swing: float
    phase: float
    wander: np.ndarray  # one value per knot

    def at(self, elapsed):
        """Zero at times [s] after the reference time."""
        elapsed = np.asarray(elapsed, dtype=float)
        wander = np.interp(elapsed, KNOT * np.arange(len(self.wander)), self.wander)
        daily = self.swing * np.sin(2.0 * np.pi * elapsed / DAY + self.phase)
        return self.level + self.trend * elapsed / HOUR + daily + wander


def make_drift(rng, last, *, level, trend, swing, walk, memory) -> Drift:
    """Draw a drift up to `last` [s].

    The wandering part begins as a random walk of `walk` per square root of an hour and forgets
    over `memory` [h], so that it stays within walk * sqrt(memory / 2).
    """
    number = int(last / KNOT) + 2
    keep = np.exp(-KNOT / (memory * HOUR))
    spread = walk * np.sqrt(memory / 2.0)
    steps = spread * np.sqrt(1.0 - keep**2) * rng.normal(0.0, 1.0, number)
    steps[0] /= np.sqrt(1.0 - keep**2)
    wander = lfilter([1.0], [1.0, -keep], steps)
    return Drift(level, rng.normal(0.0, trend), swing, rng.uniform(0.0, 2.0 * np.pi), wander)


def air_times(elapsed, every):
    """Times [s] of readings in air: before, after and every `every` [s] within each stretch of
    scanning, where a pause longer than `every` ends a stretch."""
    elapsed = np.sort(np.asarray(elapsed, dtype=float))
    breaks = np.flatnonzero(np.diff(elapsed) > every)
    starts = elapsed[np.concatenate([[0], breaks + 1])]
    stops = elapsed[np.concatenate([breaks, [len(elapsed) - 1]])]
    times = [
        np.linspace(start - 60.0, stop + 60.0, 1 + int(np.ceil((stop - start + 120.0) / every)))
        for start, stop in zip(starts, stops, strict=True)
    ]
    return np.rint(np.concatenate(times))
