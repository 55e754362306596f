"""Friction pulses in a probe's record: the penetration, later motion and the pull-out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from corephys.ground import thresholds

GATE = thresholds.value("pulse_gate")
LEAST_RISE = thresholds.value("pulse_least_rise")
STAYS = thresholds.value("pulse_stays")
ONE_PUSH = thresholds.value("pulse_one_push")  # s
RETURNED = thresholds.value("pulse_returned")
SHORT_STAY = thresholds.value("pulse_short_stay")
END = thresholds.value("pulse_end")  # s
FELL = thresholds.value("pulse_fell")
FOOT = thresholds.value("pulse_foot")
RETURN = thresholds.value("pulse_return")  # s
_SCALES = (1, 4)  # samples averaged on either side
_AROUND = 10  # samples for the local noise
_LEVEL = 4  # samples for a level
_TANGENT = 20  # samples for a tangent


@dataclass(frozen=True)
class Pulse:
    """One sudden rise.

    Parameters
    ----------
    before, peak : int
        Last sample before the rise and the hottest one.
    rise : float
        [K].
    """

    before: int
    peak: int
    rise: float


def noise(values: np.ndarray) -> float:
    """Scatter of neighbouring samples [K] from second differences; at least that of the digits."""
    if values.size < 5:
        return float("nan")
    second = values[2:] - 2.0 * values[1:-1] + values[:-2]
    scatter = 1.4826 * float(np.median(np.abs(second))) / np.sqrt(6.0)
    return max(scatter, digit(values) / np.sqrt(12.0))


def digit(values: np.ndarray) -> float:
    """Smallest step between samples [K]: the resolution, where there are few digits."""
    steps = np.abs(np.diff(values))
    return float(steps[steps > 0].min()) if np.any(steps > 0) else 0.0


def pulses(time: np.ndarray, values: np.ndarray) -> list[Pulse]:
    """Every sudden rise that stays, in order of time [s]; values in degC.

    A rise is a difference of neighbouring samples, or of the means of four on either side, above
    the gate. Its first sample is found from the steepest difference backwards.
    """
    sigma, n = noise(values), values.size
    if not np.isfinite(sigma):
        return []
    # A record without noise still has a resolution.
    sigma = max(sigma, 1e-5)
    rising = np.zeros(n, bool)  # between the sample before and this one
    for scale in _SCALES:
        sums = np.concatenate([[0.0], np.cumsum(values)])
        i = np.arange(scale, n - scale + 1)
        change = (sums[i + scale] - 2.0 * sums[i] + sums[i - scale]) / scale
        rising[i[change > GATE * sigma * np.sqrt(2.0 / scale)]] = True
    found: list[Pulse] = []
    for run in _runs(np.flatnonzero(rising)):
        pulse = _pulse(values, run, sigma)
        if pulse is None or _slow(time, pulse):
            continue
        last = found[-1] if found else None
        if last and pulse.before <= last.peak:
            continue
        if last and time[pulse.before] - time[last.peak] < ONE_PUSH:
            # A penetration in steps begins with the first of them.
            base = values[last.peak] - last.rise
            found[-1] = Pulse(last.before, pulse.peak, float(values[pulse.peak] - base))
            continue
        found.append(pulse)
    return found


def _slow(time: np.ndarray, pulse: Pulse) -> bool:
    """Whether a rise took longer than a push: warming, and no friction."""
    lasted = time[pulse.peak] - time[pulse.before]
    return bool(pulse.peak - pulse.before > _LEVEL and lasted > ONE_PUSH)


def _runs(index: np.ndarray) -> list[np.ndarray]:
    """Stretches of samples without a gap of more than two."""
    return np.split(index, np.flatnonzero(np.diff(index) > 2) + 1) if index.size else []


def _pulse(values: np.ndarray, run: np.ndarray, sigma: float) -> Pulse | None:
    """The rise in a run of raised differences, or None where it does not stay."""
    steps = np.diff(values)
    low, high = max(int(run[0]) - 2, 0), min(int(run[-1]) + 2, steps.size)
    steepest = low + int(np.argmax(steps[low:high]))
    gate = max(2.0 * np.sqrt(2.0) * sigma, 0.05 * steps[steepest])
    before = steepest
    while before > 0 and steps[before - 1] > gate:
        before -= 1
    after = min(int(run[-1]) + 3, values.size)
    peak = before + 1 + int(np.argmax(values[before + 1 : max(after, before + 2)]))
    level = float(np.median(values[max(before - 2, 0) : before + 1]))
    rise = float(values[peak] - level)
    local = noise(values[max(before - _AROUND, 0) : peak + _AROUND])
    local = max(sigma, local) if np.isfinite(local) else sigma
    follows = values[peak + 1 : peak + 3]
    stays = not follows.size or float(np.mean(follows)) - level > STAYS * rise
    return Pulse(before, peak, rise) if stays and rise > LEAST_RISE * local else None


def penetration(time: np.ndarray, values: np.ndarray, found: list[Pulse]) -> int | None:
    """Which of the pulses is the penetration; None where none is.

    The first after which the probe cooled for at least a seventh of the longest stay and did not
    come back to where it had been: the spike at the mudline returns to the water's temperature,
    the pulse of the pull-out falls below the level before it.
    """
    stays = np.zeros(len(found))
    for i, pulse in enumerate(found):
        stop = found[i + 1].before if i + 1 < len(found) else values.size - 1
        base = _level(values, pulse.before)
        fall = _fall(time, values, pulse, stop, base)
        stop = stop if fall is None else fall
        if _level(values, stop, pulse.peak) - base > RETURNED * pulse.rise:
            stays[i] = time[stop] - time[pulse.peak]
    if not np.any(stays > 0):
        return None
    return int(np.flatnonzero(stays >= SHORT_STAY * stays.max())[0])


def _level(values: np.ndarray, last: int, earliest: int = 0) -> float:
    """Median of the few samples up to this one."""
    return float(np.median(values[max(last - _LEVEL + 1, earliest) : last + 1]))


def pull_out(
    time: np.ndarray, values: np.ndarray, found: list[Pulse], chosen: int, *, ends: bool = True
) -> int | None:
    """Last sample before the probe was pulled out; None where the record stops before it.

    A pulse within a minute of the end, unless ``ends`` says that the end is known; one after
    which the temperature falls faster than it did before; or such a fall without a pulse.
    """
    first = found[chosen]
    base = _level(values, first.before)
    later = found[chosen + 1 :]
    for i, pulse in enumerate(later):
        before = later[i - 1].peak if i else first.peak
        fall = _fall(time, values, Pulse(before, before, first.rise), pulse.before, base)
        if fall is not None:
            return fall
        if ends and time[-1] - time[pulse.peak] < END:
            return pulse.before
        stop = later[i + 1].before if i + 1 < len(later) else values.size - 1
        # A second push that was held for a while before the pull-out is not the pull-out.
        fall = _fall(time, values, Pulse(pulse.peak, pulse.peak, first.rise), stop, base)
        stop = stop if fall is None else fall
        if _sinks(time, values, before, pulse.before, (pulse.peak, stop), base):
            return pulse.before
    last = later[-1].peak if later else first.peak
    return _fall(time, values, Pulse(last, last, first.rise), values.size - 1, base)


def _sinks(
    time: np.ndarray, values: np.ndarray, since: int, at: int, after: tuple[int, int], base: float
) -> bool:
    """Whether samples after one lie below the straight line through those before it.

    A decay falls ever more slowly and stays above its tangent, with or without more heat; what
    lies below it by a part of the excess over the level before the penetration was not conducted.
    """
    rows = slice(max(since + 1, at - _TANGENT + 1), at + 1)
    if at + 1 - rows.start < _LEVEL:
        return False
    level = _level(values, at, since)
    slope = min(float(np.polyfit(time[rows] - time[at], values[rows], 1)[0]), 0.0)
    later = np.arange(after[0] + 1, after[1] + 1)
    later = later[time[later] - time[after[0]] <= RETURN]
    bound = level + slope * (time[later] - time[at])
    margin = max(FELL * (level - base), 8.0 * max(noise(values), 1e-5))
    return bool(np.sum(values[later] < bound - margin) >= 2)


def _fall(time: np.ndarray, values: np.ndarray, pulse: Pulse, stop: int, base: float) -> int | None:
    """Last sample before a fall that no conduction gives, between a peak and ``stop``."""
    drops = -np.diff(values)
    for i in range(pulse.peak + 2 * _LEVEL, stop):
        ahead = min(int(np.searchsorted(time, time[i] + RETURN)), stop)
        if time[i] - time[pulse.peak] < END or ahead - i < 2:
            continue
        lowest = float(np.partition(values[i + 1 : ahead + 1], 1)[1])
        if lowest > values[i] - FELL * (values[i] - base):
            continue
        if _sinks(time, values, pulse.peak, i, (i, ahead), base):
            return _foot(time, values, i, i + int(np.argmax(drops[i:ahead])))
    return None


def _foot(time: np.ndarray, values: np.ndarray, earliest: int, steepest: int) -> int:
    """Last undisturbed sample before the steepest drop: before the drop, and before a rise to it.

    The pulse of a pull-out into cold water is gone within a sample or two and is no pulse then.
    """
    steps = np.diff(values)
    while steepest > earliest and steps[steepest - 1] < FOOT * steps[steepest]:
        steepest -= 1
    near = max(int(np.searchsorted(time, time[steepest] - END)), earliest)
    rises = np.flatnonzero(steps[near:steepest] > GATE * np.sqrt(2.0) * max(noise(values), 1e-5))
    return near + int(rises[0]) if rises.size else steepest
