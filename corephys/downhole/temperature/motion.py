"""Motion of a temperature probe: friction pulses in its record, and late motion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from corephys.downhole.temperature import decay as formation_decay
from corephys.ground import thresholds

__all__ = []

# --------------------------------------------------------------------------------------------------
# Friction pulses: the penetration, later motion and the pull-out.


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
# Numbers of samples. A short average finds a sharp pulse, a long one a slow pulse under noise.
_SCALES = (1, 4)  # averaged on either side of a possible rise
_AROUND = 10  # for the noise around a pulse
_LEVEL = 4  # for a level
_TANGENT = 20  # for a tangent


@dataclass(frozen=True)
class Pulse:
    """Sudden rise of a record.

    Parameters
    ----------
    before, peak : int
        Last sample before the rise and the hottest one.
    rise : float
        Rise of temperature [K].
    """

    before: int
    peak: int
    rise: float


def noise(values: np.ndarray) -> float:
    """Scatter of neighbouring samples [K] from second differences; at least that of rounding."""
    if values.size < 5:
        return float("nan")
    second = values[2:] - 2.0 * values[1:-1] + values[:-2]
    scatter = 1.4826 * float(np.median(np.abs(second))) / np.sqrt(6.0)
    return max(scatter, digit(values) / np.sqrt(12.0))


def digit(values: np.ndarray) -> float:
    """Smallest step between samples [K], the resolution of a record with few digits."""
    steps = np.abs(np.diff(values))
    return float(steps[steps > 0].min()) if np.any(steps > 0) else 0.0


def find_pulses(time: np.ndarray, values: np.ndarray) -> list[Pulse]:
    """Every sudden rise that stays, in order of time [s]; values in degC.

    A rise is a difference of neighbouring samples, or of the means of four on either side, above
    the gate. Its first sample is found from the steepest difference backwards.
    """
    sigma, n = noise(values), values.size
    if not np.isfinite(sigma):
        return []
    # 0.01 mK, below the resolution of any probe, for simulated records without noise.
    sigma = max(sigma, 1e-5)
    rising = np.zeros(n, bool)  # from the sample before to this one
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
            # A penetration in several pushes begins with the first of them.
            base = values[last.peak] - last.rise
            found[-1] = Pulse(last.before, pulse.peak, float(values[pulse.peak] - base))
            continue
        found.append(pulse)
    return found


def _slow(time: np.ndarray, pulse: Pulse) -> bool:
    """Whether a rise took longer than a push: then it is warming and not friction."""
    lasted = time[pulse.peak] - time[pulse.before]
    return bool(pulse.peak - pulse.before > _LEVEL and lasted > ONE_PUSH)


def _runs(index: np.ndarray) -> list[np.ndarray]:
    """Stretches of samples without a gap of more than two."""
    return np.split(index, np.flatnonzero(np.diff(index) > 2) + 1) if index.size else []


def _pulse(values: np.ndarray, run: np.ndarray, sigma: float) -> Pulse | None:
    """Rise in a run of large differences; None where the temperature returns at once."""
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
    """Index of the pulse that is the penetration; None where none is.

    It is the first pulse after which the probe cooled for at least a seventh of the longest stay
    and did not return to the temperature before it. A spike at the mudline returns to the
    temperature of the water; the pulse of the pull-out falls below the level before it.
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
    """Median of the last samples up to this one."""
    return float(np.median(values[max(last - _LEVEL + 1, earliest) : last + 1]))


def pull_out(
    time: np.ndarray, values: np.ndarray, found: list[Pulse], chosen: int, *, ends: bool = True
) -> int | None:
    """Last sample before the probe was pulled out; None where the record stops before it.

    The pull-out is a pulse within a minute of the end (only with ``ends``, for records whose end
    is not known otherwise), a pulse after which the temperature falls faster than before, or such
    a fall without a pulse.
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
        # A second push, held for a while before the pull-out, is not the pull-out itself.
        fall = _fall(time, values, Pulse(pulse.peak, pulse.peak, first.rise), stop, base)
        stop = stop if fall is None else fall
        if _sinks(time, values, before, pulse.before, (pulse.peak, stop), base):
            return pulse.before
    last = later[-1].peak if later else first.peak
    return _fall(time, values, Pulse(last, last, first.rise), values.size - 1, base)


def _sinks(
    time: np.ndarray, values: np.ndarray, since: int, at: int, after: tuple[int, int], base: float
) -> bool:
    """Whether samples after ``at`` lie below the straight line through those before it.

    A decay by conduction falls ever more slowly, so it stays above its tangent, with or without
    more heat. A fall below the tangent by a part of the excess over the level before the
    penetration is not conduction.
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
    """Last sample before a fall too steep for conduction, between a peak and ``stop``."""
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
    """Last undisturbed sample before the steepest drop, or before a short rise that leads to it.

    The friction pulse of a pull-out into cold water lasts a sample or two, too short to be found
    as a pulse.
    """
    steps = np.diff(values)
    while steepest > earliest and steps[steepest - 1] < FOOT * steps[steepest]:
        steepest -= 1
    near = max(int(np.searchsorted(time, time[steepest] - END)), earliest)
    rises = np.flatnonzero(steps[near:steepest] > GATE * np.sqrt(2.0) * max(noise(values), 1e-5))
    return near + int(rises[0]) if rises.size else steepest


# --------------------------------------------------------------------------------------------------
# Late motion of a cooling probe: breaks, steps and bursts that a decay by conduction lacks.


CERTAIN = thresholds.value("motion_improvement")
VISIBLE = thresholds.value("motion_visible")
BURST = thresholds.value("motion_burst")
_PLACES = 40  # trial times of a break
_START = thresholds.value("motion_start")


def late_motion(time: np.ndarray, values: np.ndarray, probe: formation_decay.Probe) -> float | None:
    """Time [s] at which a record [degC] stops being a decay; None for a decay to the end.

    The fit is linearised in conductivity and heat capacity as well, so that a wrong value of
    either is not taken for motion. A step or a change of slope that improves this fit is motion
    where it is significant and larger than the scatter.
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
    # A record with few digits alternates between two values; half a digit is therefore no burst.
    burst = _burst(t, residual, max(least, 0.5 * digit(y)))
    times = [when for when in (broken, burst) if when is not None]
    return min(times) if times else None


def _break(t: np.ndarray, residual: np.ndarray, basis: np.ndarray, least: float) -> float | None:
    """Time of the step or change of slope that improves the fit most, if it is significant."""
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
    # The motion lies between this trial time and the one before; the earlier one is safe.
    return float(places[best % _PLACES] - (places[1] - places[0]))


def _burst(t: np.ndarray, residual: np.ndarray, least: float) -> float | None:
    """Start of the first interval whose neighbouring residuals differ far more than usual."""
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
    """Number of samples before the first disturbance; second pulse or not, late motion or not.

    Time since penetration [s], values [degC]. The record is not cut at a disturbance with less
    than a fifth of the record before it: the complete record is then fitted and flagged.
    """
    everything = time.size
    pulses = [p for p in find_pulses(time, values) if time[p.peak] > _grace(time)]
    size = _cut(time, pulses[0].before + 1) if pulses else everything
    if size == everything and pulses:
        return everything, True, False
    when = late_motion(time[:size], values[:size], probe)
    if when is None:
        return size, bool(pulses), False
    size = min(size, _cut(time, int(np.searchsorted(time, when))))
    return size, bool(pulses), True


def _grace(time: np.ndarray) -> float:
    """Time up to which a rise still belongs to the penetration [s]."""
    return min(ONE_PUSH, 0.05 * float(time[-1]))


def _cut(time: np.ndarray, size: int) -> int:
    """Given number of samples, or all samples where these are too few for a fit."""
    enough = size >= 2 * formation_decay.FEWEST and time[size - 1] >= 0.2 * time[-1]
    return size if enough else time.size
