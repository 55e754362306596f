"""Late motion of a cooling probe: breaks, steps and bursts that no decay by conduction has."""

from __future__ import annotations

import numpy as np

from corephys.downhole import formation_decay, formation_pulses
from corephys.ground import thresholds

CERTAIN = thresholds.value("motion_improvement")
VISIBLE = thresholds.value("motion_visible")
BURST = thresholds.value("motion_burst")
_PLACES = 40  # at which a break is tried
_START = thresholds.value("motion_start")


def late_motion(time: np.ndarray, values: np.ndarray, probe: formation_decay.Probe) -> float | None:
    """Time [s] at which a record [degC] stops being a decay; None where it is one to its end.

    The decay may be that of another conductivity and heat capacity: the fit is made linear with
    its derivatives by both, so that a wrong one is not taken for motion. What a step or a change
    of slope then still explains is motion where it is certain and larger than the scatter.
    """
    first = int(np.searchsorted(time, _START * float(time[-1])))
    last = time.size - 1
    if last - first + 1 < 3 * formation_decay.FEWEST:
        return None
    decay = formation_decay.fit(time, values, probe, first, last)
    if decay is None:
        return None
    t, y = time[first:], values[first:]
    shape = probe.shape(t - decay.shift)
    basis = np.column_stack(
        [np.ones_like(t), shape.value, shape.by_time, shape.by_conductivity, shape.by_probe]
    )
    basis, _ = np.linalg.qr(basis / np.linalg.norm(basis, axis=0))
    residual = y - basis @ (basis.T @ y)
    least = formation_decay.HARMLESS * abs(decay.amplitude)
    broken = _break(t, residual, basis, least)
    # A record of few digits flickers between two of them: half a digit squared is no burst.
    burst = _burst(t, residual, max(least, 0.5 * formation_pulses.digit(y)))
    times = [when for when in (broken, burst) if when is not None]
    return min(times) if times else None


def _break(t: np.ndarray, residual: np.ndarray, basis: np.ndarray, least: float) -> float | None:
    """Time of the step or change of slope that betters the fit most, where it is certain."""
    places = np.linspace(t[0] + 0.08 * np.ptp(t), t[0] + 0.95 * np.ptp(t), _PLACES)
    later = t[:, None] - places
    columns = np.concatenate([np.maximum(later, 0.0), (later > 0).astype(float)], axis=1)
    plain = columns - basis @ (basis.T @ columns)
    size = np.sum(plain**2, axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = plain.T @ residual / size
        gain = np.where(size > 1e-9 * np.sum(columns**2, axis=0), share**2 * size, 0.0)
    best = int(np.argmax(gain))
    total, free = float(residual @ residual), t.size - basis.shape[1] - 1
    left = max(total - float(gain[best]), 0.0)
    scatter = np.sqrt(left / free)
    height = abs(float(share[best])) * float(np.ptp(columns[:, best]))
    certain = float(gain[best]) * free > CERTAIN * left
    if not (certain and height > max(VISIBLE * scatter, least)):
        return None
    # The place is known to its neighbour.
    return float(places[best % _PLACES] - (places[1] - places[0]))


def _burst(t: np.ndarray, residual: np.ndarray, least: float) -> float | None:
    """Start of the first stretch whose neighbouring residuals differ far more than usual."""
    squares = np.diff(residual) ** 2
    length = max(10, squares.size // 20)
    if squares.size < 3 * length:
        return None
    sums = np.concatenate([[0.0], np.cumsum(squares)])
    local = (sums[length:] - sums[:-length]) / length
    # The median of one squared difference is 0.455 of its mean (chi-square of one degree).
    usual = max(float(np.median(squares)) / 0.455, least**2)
    loud = np.flatnonzero(local > BURST * usual)
    if not loud.size:
        return None
    start = int(loud[0])
    inside = np.flatnonzero(squares[start : start + length] > BURST * usual)
    return float(t[start + (int(inside[0]) if inside.size else 0)])


def usable_part(
    time: np.ndarray, values: np.ndarray, probe: formation_decay.Probe
) -> tuple[int, bool, bool]:
    """Samples before the first disturbance, and whether it was a second pulse or late motion.

    Time since penetration [s], values [degC]. A disturbance so early that less than a fifth of
    the record lies before it cuts nothing: the whole is fitted, and flagged.
    """
    whole = time.size
    pulses = [p for p in formation_pulses.pulses(time, values) if time[p.peak] > _grace(time)]
    size = _cut(time, pulses[0].before + 1) if pulses else whole
    if size == whole and pulses:
        return whole, True, False
    when = late_motion(time[:size], values[:size], probe)
    if when is None:
        return size, bool(pulses), False
    size = min(size, _cut(time, int(np.searchsorted(time, when))))
    return size, bool(pulses), True


def _grace(time: np.ndarray) -> float:
    """Time in which a rise still belongs to the penetration [s]."""
    return min(formation_pulses.ONE_PUSH, 0.05 * float(time[-1]))


def _cut(time: np.ndarray, size: int) -> int:
    enough = size >= 2 * formation_decay.FEWEST and time[size - 1] >= 0.2 * time[-1]
    return size if enough else time.size
