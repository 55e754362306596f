"""Many weighted exponential fits of one set of data at once, as a bootstrap asks for."""

from __future__ import annotations

import numpy as np
from numpy.polynomial import chebyshev

__all__ = ["solve_batch"]

_NODES = 24  # of the interpolation in the rate: twelve digits over the range used
_BLOCK = 4_000_000  # numbers of weights that are worked on at one time, 32 MB
_RANGE = 2.0  # change of rate times extent of x that one interpolation covers, each way
_FARTHEST = 8  # ranges to either side that are searched for the rate of a row


def solve_batch(
    x: np.ndarray, y: np.ndarray, weights: np.ndarray, rate: float
) -> tuple[np.ndarray, np.ndarray]:
    """Weighted least squares of y = a exp(-c x) for many rows of weights, without bounds.

    Parameters
    ----------
    x, y : ndarray, (n,)
        Data in any unit.
    weights : ndarray, (m, n)
        Weights of the squares, zero or more; counts of a bootstrap.
    rate : float
        c of the data themselves, near which the others lie, in the inverse unit of x.

    Returns
    -------
    tuple of ndarray, (m,)
        a at x = 0 and c; NaN where a row of weights leaves no solution.

    Notes
    -----
    Variable projection (Golub and Pereyra 1973, SIAM Journal on Numerical Analysis 10, 413): with
    S(c) = sum w exp(-2 c x) and T(c) = sum w y exp(-c x) the amplitude is T / S, and the rate is
    the root of 2 T' S - T S', by Newton's iteration. S and T are sums of smooth functions of c, so
    that their Chebyshev interpolants for all rows of weights are two matrix products. Rows whose
    rate leaves the range are solved about rates farther out.
    """
    low, extent = float(x.min()), float(np.ptp(x)) or 1.0
    u = (x - low) / extent  # keeps the exponentials near one
    c = np.full(weights.shape[0], np.nan)
    a = np.full(weights.shape[0], np.nan)
    rows = max(1, _BLOCK // max(x.size, 1))
    for start in range(0, weights.shape[0], rows):
        part = slice(start, start + rows)
        a[part], c[part] = _rows(u, y, weights[part], rate * extent)
    with np.errstate(over="ignore"):
        return a * np.exp(np.clip(c * low / extent, -50.0, 50.0)), c / extent


def _rows(
    u: np.ndarray, y: np.ndarray, weights: np.ndarray, middle: float
) -> tuple[np.ndarray, np.ndarray]:
    a = np.full(weights.shape[0], np.nan)
    c = np.full(weights.shape[0], np.nan)
    left = np.arange(weights.shape[0])
    for shift in sorted(range(-_FARTHEST, _FARTHEST + 1), key=abs):
        if not left.size:
            break
        chosen = weights if left.size == weights.shape[0] else weights[left]
        found, amplitude, inside = _about(u, y, chosen, middle + 1.5 * _RANGE * shift)
        a[left[inside]], c[left[inside]] = amplitude[inside], found[inside]
        left = left[~inside]
    return a, c


def _about(
    u: np.ndarray, y: np.ndarray, weights: np.ndarray, middle: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rates near a middle, amplitudes, and which rows found a least value inside the range."""
    nodes = np.cos(np.pi * (np.arange(_NODES) + 0.5) / _NODES)
    e = np.exp(-np.outer(u, middle + _RANGE * nodes))
    to_series = chebyshev.chebvander(nodes, _NODES - 1) * (2.0 / _NODES)
    to_series[:, 0] *= 0.5
    sums = weights @ np.concatenate([(y[:, None] * e) @ to_series, (e * e) @ to_series], axis=1)
    t, s = sums[:, :_NODES].T, sums[:, _NODES:].T
    series = [(t, s)]
    for _ in range(2):
        series.append(tuple(chebyshev.chebder(part, axis=0) for part in series[-1]))  # type: ignore[arg-type]
    v = np.zeros(weights.shape[0])
    with np.errstate(all="ignore"):
        for _ in range(40):
            (t0, s0), (t1, s1), (t2, s2) = (
                (_value(one, v), _value(other, v)) for one, other in series
            )
            slope = 2.0 * t1 * s0 - t0 * s1
            bend = 2.0 * t2 * s0 + t1 * s1 - t0 * s2
            # Where the explained sum T^2 / S is not bent downward, go uphill by a short way.
            uphill = np.where(t0 * bend < 0.0, -slope / bend, 0.25 * np.sign(t0 * slope))
            step = np.clip(uphill, -0.5, 0.5)
            v = np.clip(v + step, -1.0, 1.0)
            if not np.any(np.abs(step[np.abs(v) < 1.0]) > 1e-13):
                break
        amplitude = _value(t, v) / _value(s, v)
        inside = (np.abs(v) < 1.0) & (np.abs(step) < 1e-9) & np.isfinite(amplitude)
        return middle + _RANGE * v, amplitude, inside


def _value(coefficients: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Chebyshev series (k, m) at its own place for each row (Clenshaw)."""
    one = np.zeros_like(v)
    two = np.zeros_like(v)
    for row in coefficients[:0:-1]:
        one, two = row + 2.0 * v * one - two, one
    return np.asarray(coefficients[0] + v * one - two)
