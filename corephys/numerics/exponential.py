"""Exponential decay y = a exp(-x / L): many weighted fits at once, excess scatter, and checks of a
fit on blocks of the abscissa."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import chebyshev

__all__ = [
    "Checks",
    "block_checks",
    "lag_correlation",
    "mandel_paule",
    "neighbours",
    "solve_batch",
    "start",
]

# --------------------------------------------------------------------------------------------------
# First values, excess scatter, and checks of a fit on blocks of the abscissa.


@dataclass(frozen=True)
class Checks:
    """Cross-validation of a fit on blocks of the abscissa.

    Parameters
    ----------
    skill : float
        One less the ratio of its squared error on left-out blocks to that of a constant.
    between : float
        Share of the residual variance that is between the blocks.
    rate : float
        Jackknife uncertainty of 1 / L over the blocks, relative.
    blocks : int
        Number of blocks, of equal count.
    errors : ndarray, (blocks,)
        Mean squared error on each block, predicted from the others.
    error : float
        Root of the mean squared error over all points, each predicted from the other blocks.
    """

    skill: float
    between: float
    rate: float
    blocks: int
    errors: np.ndarray
    error: float


def start(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """First values of a and L from a straight line through ln y.

    Parameters
    ----------
    x, y : ndarray, (n,)
        Data; ``y`` mostly positive.

    Returns
    -------
    tuple of a and L
        Values in the units of y and x.
    """
    keep = y > 0
    span = float(np.ptp(x)) or 1.0
    enough = keep.sum() > 2 and np.ptp(x[keep]) > 0.0
    slope, intercept = np.polyfit(x[keep], np.log(y[keep]), 1) if enough else (0.0, 0.0)
    rate = float(np.clip(-slope, 1e-3 / span, 50.0 / span))
    return float(np.exp(np.clip(intercept, -5, 5))), 1.0 / rate


def mandel_paule(residual: np.ndarray, sigma: np.ndarray, freedom: int) -> float:
    """Scatter that, added to the variances, makes the reduced chi-square one; zero if it is below.

    Parameters
    ----------
    residual, sigma : ndarray, (n,)
        Residuals and standard uncertainties, in one unit.
    freedom : int
        Degrees of freedom.

    Returns
    -------
    float
        In the same unit.

    Notes
    -----
    Mandel and Paule (1970), Analytical Chemistry 42, 1194: root of a falling function, bisected.
    """
    square = residual**2

    def excess(variance: float) -> float:
        return float(np.sum(square / (sigma**2 + variance))) - freedom

    if freedom <= 0 or excess(0.0) <= 0.0:
        return 0.0
    low, high = 0.0, float(square.sum())
    for _ in range(200):
        middle = 0.5 * (low + high)
        if middle in (low, high):  # neighbouring floats: no step is left
            break
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return float(np.sqrt(0.5 * (low + high)))


def lag_correlation(residual: np.ndarray) -> float:
    """Correlation of each residual with the next one.

    Parameters
    ----------
    residual : ndarray, (n,)
        In the order of the abscissa, about zero.

    Returns
    -------
    float
        Between -1 and 1; zero where all residuals are.
    """
    total = float(residual @ residual)
    return float(residual[:-1] @ residual[1:]) / total if total > 0 else 0.0


def neighbours(x: np.ndarray, reach: float) -> np.ndarray:
    """How many points lie within half a reach of each, itself among them.

    Parameters
    ----------
    x : ndarray, (n,)
        Positions.
    reach : float
        In the unit of x.

    Returns
    -------
    ndarray of int, (n,)
        At least one.
    """
    ordered = np.sort(x)
    high = np.searchsorted(ordered, x + 0.5 * reach, side="right")
    return high - np.searchsorted(ordered, x - 0.5 * reach, side="left")


def block_checks(
    x: np.ndarray,
    y: np.ndarray,
    blocks: int,
    fitted: Sequence[float],
    *,
    curve: Callable[..., np.ndarray],
    solver: Callable[[np.ndarray, np.ndarray, np.ndarray], Iterable[Sequence[float]]],
    rate: Callable[[Sequence[float]], float],
    along: np.ndarray | None = None,
) -> Checks | None:
    """Check a fit on blocks of equal count along x.

    Parameters
    ----------
    x, y : ndarray, (n,)
        Data.
    blocks : int
        Number of blocks wanted; fewer where a block would hold less than three points.
    fitted : sequence of float
        Parameters of the fit whose residuals are examined.
    curve : callable
        ``curve(x, *parameters)``.
    solver : callable
        ``solver(x, y, weights)`` to the parameters of a fit for each row of weights, (blocks, n);
        the weight of the points of the block left out is zero, of the others one.
    rate : callable
        ``rate(parameters)``: the number whose jackknife uncertainty is given.
    along : ndarray, (n,), optional
        Coordinate along which the blocks lie; x where it is not given.

    Returns
    -------
    Checks or None
        None with fewer than four blocks.

    Notes
    -----
    Blocked cross-validation (Roberts and others 2017, Ecography 40, 913) and the delete-a-group
    jackknife (Efron and Stein 1981, Annals of Statistics 9, 586).
    """
    blocks = min(blocks, x.size // 3)
    if blocks < 4:
        return None
    order = np.argsort(x if along is None else along, kind="stable")
    x, y = x[order], y[order]
    number = np.arange(x.size) * blocks // x.size
    left_in = number != np.arange(blocks)[:, None]
    errors, constant, rates = np.zeros(blocks), 0.0, []
    for block, found in enumerate(solver(x, y, left_in.astype(float))):
        seen = left_in[block]
        rates.append(rate(found))
        errors[block] = np.sum((y[~seen] - curve(x[~seen], *found)) ** 2)
        constant += float(np.sum((y[~seen] - y[seen].mean()) ** 2))
    residual = y - curve(x, *fitted)
    means = np.array([residual[number == b].mean() for b in range(blocks)])[number]
    spread = np.asarray(rates) - np.mean(rates)
    jackknife = np.sqrt((blocks - 1) / blocks * np.sum(spread**2))
    total, whole, own = float(residual.var()), float(errors.sum()), rate(fitted)
    return Checks(
        1.0 - whole / constant if constant > 0 else float("nan"),
        float(means.var()) / total if total > 0 else 0.0,
        float(jackknife / abs(own)) if own else float("inf"),
        blocks,
        errors / np.bincount(number),
        float(np.sqrt(whole / x.size)),
    )


# --------------------------------------------------------------------------------------------------
# Many weighted exponential fits of one set of data at once, as a bootstrap asks for.


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
