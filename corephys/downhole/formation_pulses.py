"""Friction pulses in a probe's record: the penetration, later motion and the pull-out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

GATE = 5.0  # deviations of a difference that a rise must exceed
LEAST_RISE = 10.0  # noise that a whole pulse must exceed
STAYS = 0.25  # of the rise that the next two samples must still show
ONE_PUSH = 30.0  # s between rises that are one penetration in steps
RETURNED = 0.05  # of the rise left at the end, below which the probe was back where it had been
SHORT_STAY = 0.25  # of the longest decay in the record, below which no penetration is meant
END = 60.0  # s; a pulse so near to the end of a record is its pull-out
FELL = 0.1  # of the friction pulse: so far below the level before it a conducted decay never falls
_SCALES = (1, 4)  # samples averaged on either side
_AROUND = 10  # samples for the local noise
_LEVEL = 4  # samples for a level


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
    steps = np.abs(np.diff(values))
    finest = float(steps[steps > 0].min()) if np.any(steps > 0) else 0.0
    scatter = 1.4826 * float(np.median(np.abs(second))) / np.sqrt(6.0)
    return max(scatter, finest / np.sqrt(12.0))


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
        if pulse is None:
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

    The first after which the probe cooled for at least a quarter of the longest stay and did not
    come back to where it had been: the spike at the mudline returns to the water's temperature,
    the pulse of the pull-out falls below the level before it.
    """
    stays = np.zeros(len(found))
    for i, pulse in enumerate(found):
        stop = found[i + 1].before if i + 1 < len(found) else values.size - 1
        begin = _level(values, max(pulse.before - _LEVEL + 1, 0), pulse.before)
        end = _level(values, max(stop - _LEVEL + 1, pulse.peak), stop)
        if end - begin > RETURNED * pulse.rise:
            stays[i] = time[stop] - time[pulse.peak]
    if not np.any(stays > 0):
        return None
    return int(np.flatnonzero(stays >= SHORT_STAY * stays.max())[0])


def _level(values: np.ndarray, first: int, last: int) -> float:
    return float(np.median(values[first : last + 1]))


def pull_out(
    time: np.ndarray, values: np.ndarray, found: list[Pulse], chosen: int, *, ends: bool = True
) -> int | None:
    """Last sample before the probe was pulled out; None where the record stops before it.

    A pulse within a minute of the end, unless ``ends`` says that the end is known, or one after
    which the temperature falls further below the level before it than conduction can take it; or
    such a fall without a pulse.
    """
    first = found[chosen]
    base = _level(values, max(first.before - _LEVEL + 1, 0), first.before)
    for pulse in found[chosen + 1 :]:
        if ends and time[-1] - time[pulse.peak] < END:
            return pulse.before
        level = _level(values, max(pulse.before - _LEVEL + 1, 0), pulse.before)
        # Conduction leaves the probe above the formation, which the decay had not yet reached.
        lowest = level - max(FELL * first.rise, 0.3 * (level - base))
        if np.sum(values[pulse.peak :] < lowest) >= 2:
            return pulse.before
    return _fall(time, values, first)


def _fall(time: np.ndarray, values: np.ndarray, first: Pulse) -> int | None:
    """Last sample before a fall that is steeper than any since the first of the decay."""
    steps = -np.diff(values[first.peak :])
    sigma = max(noise(values), 1e-5)
    for i in range(2 * _LEVEL, steps.size):
        if time[first.peak + i] - time[first.peak] < END:
            continue
        # A decay falls ever more slowly: twice the mean fall of the steps before is none.
        usual = float(np.mean(steps[i - _LEVEL : i]))
        if steps[i] > 3.0 * usual + 0.05 * first.rise + GATE * np.sqrt(2.0) * sigma:
            return first.peak + i
    return None
