"""Arrivals in batches of waveforms: onset, first crossing of a level, lag against a reference."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

__all__ = [
    "AT_EDGE",
    "CONSTANT",
    "FOUND",
    "NO_VALUE",
    "SHORT_GATE",
    "Correlation",
    "Onset",
    "correlation",
    "onset",
    "threshold",
]

FOUND, NO_VALUE, CONSTANT, SHORT_GATE, AT_EDGE = range(5)
SHORTEST_GATE = 12  # samples
_PART = 5  # smallest number of samples for a variance
_FLOOR = 1e-12  # times the variance of the gate: less is rounding, and zero has no logarithm
_BLOCK = 196608  # values of a block: large enough to make calls cheap, small against memory
_PAIRS = 4096  # parts whose splits are tried at one time, so that arrays fit into the cache
_STEP = 8  # samples between the splits that are tried first
_SLACK = 1e-3  # tolerance of the criterion, far above its rounding
_QUIET = 10  # samples before the gate for a separate mean


class Onset(NamedTuple):
    """Onsets of waveforms, one a waveform.

    Parameters
    ----------
    index : (n,) ndarray
        Sample number of the onset, with its fraction; NaN without an onset.
    sample : (n,) ndarray of int
        First sample after the onset; -1 without an onset.
    contrast : (n,) ndarray
        Difference of the criterion from that of a gate without onset; NaN without an onset.
    outcome : (n,) ndarray of int8
        FOUND, NO_VALUE (NaN in the gate), CONSTANT, SHORT_GATE, or AT_EDGE: the criterion falls
        to an end of the gate, so that an onset lies outside, or the variance nowhere rises.
    """

    index: np.ndarray
    sample: np.ndarray
    contrast: np.ndarray
    outcome: np.ndarray


class Correlation(NamedTuple):
    """Lags of waveforms behind a reference, one a waveform.

    Parameters
    ----------
    lag : (n,) ndarray
        Lag [samples], positive for a later waveform; NaN without a lag, or if the greatest
        coefficient lies at the end of the range.
    coefficient : (n,) ndarray
        Normalised correlation at the lag, 1 for equal shapes.
    """

    lag: np.ndarray
    coefficient: np.ndarray


def onset(waveforms: np.ndarray, *, first: int, last: int) -> Onset:
    """Split the gate of each waveform where noise turns to signal.

    Parameters
    ----------
    waveforms : ndarray, (n, samples)
        Floats or whole numbers; a constant offset has no effect.
    first, last : int
        First and last sample of the gate, both included.

    Returns
    -------
    Onset

    Notes
    -----
    The k at which AIC(k) = k ln var(x[:k]) + (N - k - 1) ln var(x[k:]) is least (Maeda 1985,
    Zisin 38, 365; from memory), x the N samples of the gate, k from 5 to N - 5; the fraction from
    the parabola through the least value and its neighbours. A variance below 1e-12 times that of
    the gate is set to this. Only splits at which the variance rises are used: in a gate that
    includes the end of the pulse, this end is often the split of least criterion.

    The sum of squares before a split never falls with k and that after it never rises, so that
    the criterion at every eighth split bounds it in between. The others are tried only where the
    bound lies below the least value so far; the result is the same as for all splits.
    """
    waveforms = np.asarray(waveforms)
    first, last = max(first, 0), min(last, waveforms.shape[1] - 1)
    number, length = waveforms.shape[0], last + 1 - first
    found = Onset(
        np.full(number, np.nan),
        np.full(number, -1),
        np.full(number, np.nan),
        np.full(number, FOUND, dtype=np.int8),
    )
    if length < SHORTEST_GATE:
        found.outcome[:] = SHORT_GATE
        return found
    criterion = _Criterion(length)
    rows = max(1, _BLOCK // length)
    for begin in range(0, number, rows):
        part = slice(begin, begin + rows)
        _pick(criterion, waveforms[part, first : last + 1], Onset(*(a[part] for a in found)))
    found.index[:] += first
    found.sample[found.sample >= 0] += first
    return found


def _pick(criterion: _Criterion, gate: np.ndarray, found: Onset) -> None:
    """Fill the part of the answer that belongs to a block of gates."""
    mean = gate.mean(axis=1, dtype=float)
    x = np.zeros((len(gate), criterion.padded))
    np.subtract(gate, mean[:, None], out=x[:, : criterion.length])
    energy = np.einsum("ij,ij->i", x, x)
    known = np.isfinite(energy)
    # Equal values differ from their mean by its rounding, no more.
    still = energy <= criterion.length * (4.0 * np.finfo(float).eps * np.abs(mean)) ** 2
    found.outcome[:] = np.where(known, np.where(still, CONSTANT, FOUND), NO_VALUE)
    picked = np.flatnonzero(found.outcome == FOUND)
    if picked.size == 0:
        return
    if picked.size < len(gate):
        x, energy = x[picked], energy[picked]
    x *= (1.0 / np.sqrt(energy))[:, None]
    k, least, left, right = criterion.least(x)
    at_edge = (k == _PART) | (k == criterion.length - _PART) | np.isinf(least)
    with np.errstate(divide="ignore", invalid="ignore"):
        bend = left - 2.0 * least + right
        whole = (bend > 0.0) & np.isfinite(bend)
        fraction = np.where(whole, 0.5 * (left - right) / bend, 0.0)
    found.index[picked] = np.where(at_edge, np.nan, k + np.clip(fraction, -0.5, 0.5))
    found.sample[picked] = np.where(at_edge, -1, k)
    found.contrast[picked] = criterion.whole - least
    found.outcome[picked[at_edge]] = AT_EDGE


class _Criterion:
    """The criterion for gates of one length, centred and scaled to a sum of squares of one."""

    def __init__(self, length: int) -> None:
        self.length = length
        self.padded = -(-length // _STEP) * _STEP
        self.whole = -(length - 1) * np.log(length)
        # By split, 0 to the padded length; past the ends there is one sample, so that no
        # logarithm fails. AIC in sums of squares E: k ln(E / k) is k ln E - k ln k.
        k = np.arange(self.padded + 1.0)
        allowed = (k >= _PART) & (k <= length - _PART)
        before, behind = self.counts(k)
        self.own = -before * np.log(before) - (behind - 1.0) * np.log(behind)
        self.closed = np.where(allowed, self.own, np.inf)
        self.level = np.log(behind / before)  # of logarithms whose variances are equal
        tables = (self.closed, self.level, before, behind)
        # The same by place in a part and part.
        self.tables = [np.ascontiguousarray(a[:-1].reshape(-1, _STEP).T) for a in tables]

    def counts(self, k: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Samples before and behind a split."""
        return np.maximum(k, 1.0), np.maximum(self.length - k, 1.0)

    def logarithms(
        self,
        counts: tuple[np.ndarray, np.ndarray],
        total: np.ndarray,
        squares: np.ndarray,
        end: np.ndarray,
    ) -> tuple[np.ndarray, np.ndarray]:
        """Logarithms of the sums of squares about their means before and behind the split."""
        before, behind = counts
        rest = end - total
        rest *= rest
        rest /= behind
        second = 1.0 - squares
        second -= rest
        first = total * total
        first /= before
        np.subtract(squares, first, out=first)
        least = _FLOOR / self.length
        np.maximum(first, least * before, out=first)
        np.maximum(second, least * behind, out=second)
        return np.log(first, out=first), np.log(second, out=second)

    def least(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """The best split of each gate, the criterion there and at its two neighbours."""
        rows, parts = len(x), self.padded // _STEP
        pieces = x.reshape(rows * parts, _STEP)
        ones = np.ones(_STEP)
        sums = np.zeros((2, rows, parts + 1))
        np.cumsum((pieces @ ones).reshape(rows, parts), axis=1, out=sums[0, :, 1:])
        np.cumsum(((pieces * pieces) @ ones).reshape(rows, parts), axis=1, out=sums[1, :, 1:])
        row, part = self.open_parts(sums)
        values = self.inside(pieces, sums, row, part)
        lowest = values.min(axis=0)
        # Pairs come row by row, and every row has one.
        least = np.minimum.reduceat(lowest, np.flatnonzero(np.diff(row, prepend=-1)))
        pair = np.flatnonzero(lowest == least[row])
        pair = pair[np.flatnonzero(np.diff(row[pair], prepend=-1))]
        split = part[pair] * _STEP + values[:, pair].argmin(axis=0)
        beside = np.clip(np.concatenate([split - 1, split + 1]), 0, self.padded - 1)
        twice = np.tile(np.arange(rows), 2)
        values = self.inside(pieces, sums, twice, beside // _STEP)
        left, right = values[beside % _STEP, np.arange(2 * rows)].reshape(2, rows)
        return split, least, left, right

    def open_parts(self, sums: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Rows and parts in which a split may be better than all at the ends of parts."""
        k = np.arange(0, self.padded + 1, _STEP)
        count, weight = self.counts(k)
        before, behind = self.logarithms((count, weight), *sums, sums[0, :, -1:])
        own, weight = self.own[k], weight - 1.0
        tried = before * count + behind * weight + self.closed[k]
        tried[behind - before <= self.level[k]] = np.inf
        best = tried.min(axis=1, keepdims=True)
        # Between two ends the logarithms are no less than these, and for fixed logarithms the
        # criterion is concave in k: least at an end.
        before, behind = before[:, :-1], behind[:, 1:]
        bound = np.minimum(
            before * count[:-1] + behind * weight[:-1] + own[:-1],
            before * count[1:] + behind * weight[1:] + own[1:],
        )
        row, part = np.nonzero(bound <= best + _SLACK)
        return row, part

    def inside(
        self, pieces: np.ndarray, sums: np.ndarray, row: np.ndarray, part: np.ndarray
    ) -> np.ndarray:
        """The criterion at every split of some parts of some rows, (step, pairs)."""
        values = np.empty((_STEP, len(row)))
        for begin in range(0, len(row), _PAIRS):
            some = slice(begin, begin + _PAIRS)
            values[:, some] = self._inside(pieces, sums, row[some], part[some])
        return values

    def _inside(
        self, pieces: np.ndarray, sums: np.ndarray, row: np.ndarray, part: np.ndarray
    ) -> np.ndarray:
        piece = pieces[row * (self.padded // _STEP) + part].T
        own = np.empty((2, _STEP, len(row)))
        own[:, 0] = sums[:, row, part]
        own[0, 1:] = piece[:-1]
        np.multiply(own[0, 1:], own[0, 1:], out=own[1, 1:])
        for step in range(1, _STEP):
            own[:, step] += own[:, step - 1]
        closed, level, count, weight = (np.take(a, part, axis=1) for a in self.tables)
        before, behind = self.logarithms((count, weight), *own, sums[0, row, -1])
        level += before
        falling = behind <= level
        before *= count
        weight -= 1.0
        behind *= weight
        before += behind
        before += closed
        np.copyto(before, np.inf, where=falling)
        return before


def threshold(
    waveforms: np.ndarray, levels: tuple[float, ...], *, first: int, last: int
) -> tuple[np.ndarray, np.ndarray]:
    """First crossing of shares of the greatest deflection.

    Parameters
    ----------
    waveforms : ndarray, (n, samples)
        Floats or whole numbers.
    levels : tuple of float
        Shares between 0 and 1.
    first, last : int
        First and last sample of the gate, both in it.

    Returns
    -------
    tuple of (levels, n) ndarray and (n,) ndarray
        Sample numbers with their fraction by a straight line between samples, NaN where the level
        is passed at the first sample of the gate already, and the greatest absolute deflection.

    Notes
    -----
    Deflections are from the mean of the samples before the gate, or of the whole waveform where
    fewer than ten lie before it. Definition.
    """
    waveforms = np.asarray(waveforms)
    number, samples = waveforms.shape
    first, last = max(first, 0), min(last, samples - 1)
    crossing, peak = np.full((len(levels), number), np.nan), np.full(number, np.nan)
    if last - first < 1:
        return crossing, peak
    rows = max(1, _BLOCK // samples)
    for begin in range(0, number, rows):
        part = slice(begin, begin + rows)
        block = waveforms[part]
        rest = block[:, :first] if first >= _QUIET else block
        x = block[:, first : last + 1] - rest.mean(axis=1, dtype=float, keepdims=True)
        size = np.abs(x)
        peak[part] = size.max(axis=1)
        every = np.arange(len(x))
        for number_of, level in enumerate(levels):
            at = (size >= level * peak[part, None]).argmax(axis=1)
            # Upright: the deflection that crosses may be a trough, and follow a crest.
            sign = np.sign(x[every, at])
            above, below = size[every, at], sign * x[every, np.maximum(at - 1, 0)]
            with np.errstate(divide="ignore", invalid="ignore"):
                share = (level * peak[part] - below) / (above - below)
            inside = (at > 0) & (peak[part] > 0.0)
            crossing[number_of, part] = np.where(inside, first + at - 1 + share, np.nan)
    return crossing, peak


def correlation(
    waveforms: np.ndarray, reference: np.ndarray, *, greatest: int | None = None
) -> Correlation:
    """Lag at which waveforms are most like a reference.

    Parameters
    ----------
    waveforms : ndarray, (n, samples)
        Floats or whole numbers.
    reference : ndarray, (samples,)
        Reference with the same sampling.
    greatest : int, optional
        Greatest lag in both directions [samples]; by default half of the samples.

    Returns
    -------
    Correlation

    Notes
    -----
    Means are taken off, the product is summed over the overlap and divided by the norms of both
    whole traces; the fraction from the parabola through the greatest value and its neighbours.
    By the fast Fourier transform, padded so that nothing wraps round. Definition.
    """
    waveforms, reference = np.asarray(waveforms), np.asarray(reference, dtype=float)
    number, samples = waveforms.shape
    greatest = samples // 2 if greatest is None else min(greatest, samples - 1)
    size = 1 << (samples + greatest).bit_length()
    lag, coefficient = np.full((2, number), np.nan)
    known = reference - reference.mean()
    norm = np.sqrt(known @ known)
    if not norm > 0.0:
        return Correlation(lag, coefficient)
    spectrum = np.conj(np.fft.rfft(known / norm, size))
    rows = max(1, _BLOCK // samples)
    for begin in range(0, number, rows):
        part = slice(begin, begin + rows)
        x = waveforms[part] - waveforms[part].mean(axis=1, dtype=float, keepdims=True)
        length = np.sqrt(np.einsum("ij,ij->i", x, x))
        usable = np.flatnonzero(length > 0.0)
        if usable.size == 0:
            continue
        x = x[usable] / length[usable, None]
        whole = np.fft.irfft(np.fft.rfft(x, size, axis=1) * spectrum, size, axis=1)
        value = np.concatenate([whole[:, size - greatest :], whole[:, : greatest + 1]], axis=1)
        lag[begin + usable], coefficient[begin + usable] = _summit(value, greatest)
    return Correlation(lag, coefficient)


def _summit(value: np.ndarray, zero: int) -> tuple[np.ndarray, np.ndarray]:
    """Place of the greatest value of each row, from ``zero``, and that value."""
    at, every = value.argmax(axis=1), np.arange(len(value))
    inside = (at > 0) & (at < value.shape[1] - 1)
    middle = np.clip(at, 1, value.shape[1] - 2)
    left, top, right = (value[every, middle + step] for step in (-1, 0, 1))
    bend = left - 2.0 * top + right
    with np.errstate(divide="ignore", invalid="ignore"):
        fraction = np.where(bend < 0.0, 0.5 * (left - right) / bend, 0.0)
    return np.where(inside, at - zero + fraction, np.nan), value[every, at]
