"""Correlation of short series with a long one at every lag, without the gaps of both.

Sums over the common samples of two series are made of prefix sums over stretches without gaps, so
that only the sum of products needs a Fourier transform. That of the long series is computed once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

__all__ = ["Reference", "best_lags", "lags", "masked_correlation"]

_COARSE = 4  # smallest ratio of the transform length to the length of a short series
_TOUCHES = 8  # ratio of lags at a gap to all lags, above which a transform is cheaper


@dataclass(frozen=True)
class Reference:
    """A long series, prepared for short ones of one length.

    Parameters
    ----------
    length : int
        Samples of a short series.
    size : int
        Samples of the long one.
    level, scale : float
        Number subtracted from the series, and number by which it was divided.
    prefix : (3, padded + 1) ndarray
        Running sums of one, value and square, without gaps.
    gaps : tuple of three (t,) ndarray of int, or None
        For every lag whose window touches a gap: the lag, and the first and last samples of the
        short series in the gap. None for many gaps, for which a transform is cheaper.
    blocks : (b, f) ndarray of complex
        Transforms of the pieces, overlapping by one short series.
    masks : (b, f) ndarray of complex or None
        Transforms of the masks of samples that are not in a gap, for many gaps.
    width : int
        Samples of a piece.
    """

    length: int
    size: int
    level: float
    scale: float
    prefix: np.ndarray
    gaps: tuple[np.ndarray, np.ndarray, np.ndarray] | None
    blocks: np.ndarray
    masks: np.ndarray | None
    width: int

    @classmethod
    def prepare(cls, reference: np.ndarray, length: int) -> Reference:
        """Pad, centre and transform a long series.

        Parameters
        ----------
        reference : (n,) ndarray
            Evenly spaced series, NaN in gaps.
        length : int
            Samples of the short series.

        Returns
        -------
        Reference
            Ready for :func:`masked_correlation`.

        Raises
        ------
        ValueError
            When the series has no number, or the length is not positive.
        """
        y = np.asarray(reference, dtype=float)
        there = np.isfinite(y)
        if length < 1 or not there.any():
            raise ValueError(
                f"reference has {int(there.sum())} numbers among {y.size} samples and length is "
                f"{length}; a correlation needs one number and a length of 1 at least"
            )
        level = float(y[there].mean())
        scale = float(y[there].std()) or 1.0
        edge = np.zeros(length - 1)
        mask = np.concatenate([edge, there, edge])
        filled = np.concatenate([edge, np.where(there, (y - level) / scale, 0.0), edge])
        prefix = np.zeros((3, mask.size + 1))
        np.cumsum([mask, filled, filled**2], axis=1, out=prefix[:, 1:])
        width = 1 << int(np.ceil(np.log2(max(_COARSE * length, 1024))))
        stretches = _stretches(mask == 0.0)
        few = int(np.sum(np.diff(stretches, axis=1) + length)) <= _TOUCHES * mask.size
        return cls(
            length,
            y.size,
            level,
            scale,
            prefix,
            _touched(stretches, length, y.size + length - 1) if few else None,
            _transforms(filled, length, width),
            None if few else _transforms(mask, length, width),
            width,
        )


def _transforms(series: np.ndarray, length: int, width: int) -> np.ndarray:
    """Transforms of pieces of a series that overlap by one short series."""
    step = width - length + 1
    pieces = -(-(series.size - length + 1) // step)
    longer = np.zeros(pieces * step + length - 1)
    longer[: series.size] = series
    windows = np.lib.stride_tricks.sliding_window_view(longer, width)[::step]
    return np.asarray(np.fft.rfft(windows, axis=1))


def _touched(
    stretches: np.ndarray, length: int, number: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lags whose window touches a gap, and the part of the short series that lies in it."""
    first, end = stretches[:, 0], stretches[:, 1]
    low, high = np.maximum(first - length + 1, 0), np.minimum(end, number)
    count = np.maximum(high - low, 0)
    gap = np.repeat(np.arange(count.size), count)
    within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    at = low[gap] + within
    return at, np.clip(first[gap] - at, 0, length), np.clip(end[gap] - at, 0, length)


def lags(reference: Reference) -> np.ndarray:
    """Lags at which a short series meets the reference.

    Parameters
    ----------
    reference : Reference
        As prepared.

    Returns
    -------
    (l,) ndarray of int
        Where in the reference the first sample of the short series lies; negative where it hangs
        over the beginning.
    """
    return np.arange(-(reference.length - 1), reference.size)


def masked_correlation(
    reference: Reference, short: np.ndarray, least: int
) -> tuple[np.ndarray, np.ndarray]:
    """Pearson correlation of one short series with the reference at every lag.

    Parameters
    ----------
    reference : Reference
        As prepared for this length.
    short : (length,) ndarray
        NaN in gaps.
    least : int
        Samples that both must have at a lag; two at least.

    Returns
    -------
    tuple of (l,) ndarray and (l,) ndarray of int
        Correlation, NaN where too few samples are shared or either does not vary over them; and
        the number of samples shared.

    Raises
    ------
    ValueError
        When the series has another length than the reference was prepared for.

    Notes
    -----
    r = (n Sxy - Sx Sy) / sqrt((n Sxx - Sx^2) (n Syy - Sy^2)) over the samples that both have
    (definition; Padfield 2012, IEEE Transactions on Image Processing 21, 2706, for masks by
    transforms). Sxy is a convolution by overlap and save; n, Sy and Syy are prefix sums of the
    reference over the unbroken stretches of the short series, Sx and Sxx prefix sums of the short
    series outside the gaps of the reference.
    """
    if short.shape != (reference.length,):
        raise ValueError(
            f"short has {short.size} samples; it must have the {reference.length} for which the "
            "reference was prepared"
        )
    there = np.isfinite(short)
    x = np.zeros(short.size)
    if there.any():
        level, scale = float(short[there].mean()), float(short[there].std()) or 1.0
        x[there] = (short[there] - level) / scale
    number = reference.size + reference.length - 1
    sxy = _products(reference, reference.blocks, x)[:number]
    n, sy, syy = _over_stretches(reference, there, number)
    sx, sxx = _outside_gaps(reference, x, number)
    vx, vy = n * sxx - sx * sx, n * syy - sy * sy
    # What is left of two equal sums is rounding: a series that does not vary has no correlation.
    varies = (vx > 1e-12 * n * sxx) & (vy > 1e-12 * n * syy) & (n >= max(least, 2))
    r = np.full(number, np.nan)
    top = n * sxy - sx * sy
    r[varies] = top[varies] / np.sqrt(vx[varies] * vy[varies])
    return np.clip(r, -1.0, 1.0, out=r), n.astype(int)


def _products(reference: Reference, blocks: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Sum of products at every lag: each piece is convolved, its spoilt end left off."""
    spectrum = np.conj(np.fft.rfft(x, reference.width))
    pieces = np.fft.irfft(blocks * spectrum, reference.width, axis=1)
    return pieces[:, : reference.width - reference.length + 1].ravel()


def _over_stretches(reference: Reference, there: np.ndarray, number: int) -> np.ndarray:
    """Count, sum and sum of squares of the reference under the samples that are there."""
    total = np.zeros((3, number))
    for row, running in zip(total, reference.prefix, strict=True):
        for first, end in _stretches(there):
            row += running[end : end + number]
            row -= running[first : first + number]
    return total


def _outside_gaps(reference: Reference, x: np.ndarray, number: int) -> np.ndarray:
    """Sum and sum of squares of the short series over the samples that the reference has."""
    if reference.gaps is None:
        masks = reference.masks
        assert masks is not None
        return np.stack([_products(reference, masks, part)[:number] for part in (x, x**2)])
    at, lower, upper = reference.gaps
    total = np.empty((2, number))
    for row, part in enumerate((x, x**2)):
        running = np.concatenate([[0.0], np.cumsum(part)])
        lost = np.bincount(at, running[upper] - running[lower], minlength=number)
        np.subtract(running[-1], lost, out=total[row])
    return total


def _stretches(mask: np.ndarray) -> np.ndarray:
    """First and one past the last index of every unbroken stretch of True, (s, 2)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return edges.reshape(-1, 2)


def best_lags(
    reference: np.ndarray, short: np.ndarray, least: int
) -> Iterator[tuple[int, float, int]]:
    """Best lag of each of many short series, one at a time.

    Parameters
    ----------
    reference : (n,) ndarray
        NaN in gaps.
    short : (m, length) ndarray
        NaN in gaps and beyond the end of a shorter series.
    least : int
        Samples that both must have.

    Yields
    ------
    tuple of lag, correlation and number of samples shared
        The largest correlation; NaN and lag 0 where there is none.

    Notes
    -----
    See :func:`masked_correlation`; memory is that of one series at all lags.
    """
    ready = Reference.prepare(reference, short.shape[1])
    for one in short:
        r, n = masked_correlation(ready, one, least)
        if np.isnan(r).all():
            yield 0, float("nan"), 0
            continue
        at = int(np.nanargmax(r))
        yield at - (ready.length - 1), float(r[at]), int(n[at])
