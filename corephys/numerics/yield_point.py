"""Bend of a curve: two joined lines, and the point of largest curvature with its bisector."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Bend", "bisector_crossing", "joined_lines", "largest_curvature", "natural_cubic"]

GRID = 12  # positions of the joint that are tried between two neighbouring points
FEWEST = 4  # smallest number of points for two lines


@dataclass(frozen=True)
class Bend:
    """Two lines that meet.

    Parameters
    ----------
    place : float
        Abscissa of the joint, in the unit of x; NaN if the curve does not steepen.
    before, after : float
        Slopes on both sides.
    level : float
        Ordinate of the joint.
    deviation : float
        Weighted standard deviation of the residuals; NaN without degrees of freedom.
    """

    place: float
    before: float
    after: float
    level: float
    deviation: float


def joined_lines(
    x: np.ndarray, y: np.ndarray, weight: np.ndarray, beyond: int | None = None
) -> Bend:
    """Least squares of y = a + b x + c (x - p) for x > p, with the joint p free.

    Parameters
    ----------
    x, y, weight : ndarray, (n,)
        Abscissa in rising order, ordinate and square root of the weight, in any unit.
    beyond : int, optional
        Use this number of points past the joint, found by iteration; all where not given.

    Returns
    -------
    Bend
        NaN for fewer than four points.

    Notes
    -----
    For a given joint the problem is linear; the joint is searched between the second and the last
    but one point (segmented least squares, Hudson 1966, Journal of the American Statistical
    Association 61, 1097, from memory).
    """
    found = _joined(x, y, weight)
    if beyond is None or not np.isfinite(found.place):
        return found
    seen: set[int] = set()
    while True:
        end = int(np.searchsorted(x, found.place, side="right")) + beyond
        if (end >= x.size and not seen) or end in seen:
            return found
        seen.add(end)
        part = slice(0, max(end, FEWEST))
        found = _joined(x[part], y[part], weight[part])
        if not np.isfinite(found.place):
            return found


def _joined(x: np.ndarray, y: np.ndarray, weight: np.ndarray) -> Bend:
    if x.size < FEWEST:
        return Bend(*([float("nan")] * 5))
    # Even between neighbours, not along x: stresses double from step to step.
    index = np.linspace(1, x.size - 2, GRID * (x.size - 3) + 1)
    tried = np.interp(index, np.arange(x.size), x)
    place, cost, found = float(x[1]), np.inf, np.zeros(3)
    for _ in range(6):
        solved, costs = _solve(x, y, weight, tried)
        best = int(np.argmin(costs))
        place, cost, found = float(tried[best]), float(costs[best]), solved[best]
        low, high = tried[max(best - 1, 0)], tried[min(best + 1, tried.size - 1)]
        tried = np.linspace(low, high, 13)
    freedom = x.size - 4
    deviation = float(np.sqrt(cost / freedom)) if freedom else float("nan")
    level = float(found[0] + found[1] * place)
    return Bend(place, float(found[1]), float(found[1] + found[2]), level, deviation)


def _solve(
    x: np.ndarray, y: np.ndarray, weight: np.ndarray, tried: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients and cost for every place of the joint at once."""
    hinge = np.maximum(x - tried[:, None], 0.0) * weight
    # Constant and slope are projected out once; what is left of each hinge is a line of its own.
    q, r = np.linalg.qr(np.stack([weight, x * weight], axis=1))
    rest, left = y * weight - q @ (q.T @ (y * weight)), hinge - (hinge @ q) @ q.T
    bend = (left @ rest) / (left**2).sum(axis=1)
    plain = np.linalg.solve(r, q.T @ (y[:, None] * weight[:, None] - hinge.T * bend)).T
    cost = ((rest - left * bend[:, None]) ** 2).sum(axis=1)
    return np.column_stack([plain, bend]), cost


def natural_cubic(x: np.ndarray, y: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Cubic spline through points with no curvature at its ends.

    Parameters
    ----------
    x : ndarray, (n,)
        Abscissae, rising.
    y : ndarray, (n,) or (n, k)
        Ordinates of one curve or of k curves.
    at : ndarray, (m,)
        Places inside the range of x.

    Returns
    -------
    ndarray, (3, m) or (3, m, k)
        Ordinate, slope and second derivative.

    Notes
    -----
    Second derivatives from the tridiagonal system of continuous slopes: any text on numerical
    analysis, such as Press and others (2007), Numerical Recipes, section 3.3 (from memory).
    """
    wide = (slice(None),) + (None,) * (y.ndim - 1)  # one column for each curve
    h = np.diff(x)[wide]
    rise = np.diff(y, axis=0)
    second = np.zeros(y.shape)
    if x.size > 2:
        span = np.diff(x)
        matrix = np.diag((span[1:] + span[:-1]) / 3.0)
        matrix += np.diag(span[1:-1] / 6.0, 1) + np.diag(span[1:-1] / 6.0, -1)
        second[1:-1] = np.linalg.solve(matrix, np.diff(rise / h, axis=0))
    i = np.clip(np.searchsorted(x, at, side="right") - 1, 0, x.size - 2)
    step, left, right = h[i], (x[i + 1] - at)[wide], (at - x[i])[wide]
    value = (
        (second[i] * left**3 + second[i + 1] * right**3) / (6.0 * step)
        + (y[i] / step - second[i] * step / 6.0) * left
        + (y[i + 1] / step - second[i + 1] * step / 6.0) * right
    )
    slope = (
        (second[i + 1] * right**2 - second[i] * left**2) / (2.0 * step)
        + rise[i] / step
        - (second[i + 1] - second[i]) * step / 6.0
    )
    return np.stack([value, slope, (second[i] * left + second[i + 1] * right) / step])


def largest_curvature(
    x: np.ndarray, y: np.ndarray, aspect: float = 1.0
) -> tuple[float, float, float]:
    """Point of largest downward curvature ahead of the steepest descent, and its slope.

    Parameters
    ----------
    x, y : ndarray, (n,)
        Points of a falling curve, x rising, in any unit.
    aspect : float
        Height of the drawing over its width when both axes span the data; curvature is a property
        of the drawing.

    Returns
    -------
    tuple of float
        Place, ordinate and slope dy/dx in the unit of the data.
    """
    scale = aspect * np.ptp(x) / np.ptp(y)
    at = np.linspace(x[0], x[-1], 2001)[1:-1]
    value, slope, second = natural_cubic(x, y, at)
    bent = -scale * second / (1.0 + (scale * slope) ** 2) ** 1.5
    bent[int(np.argmin(slope)) :] = -np.inf
    best = int(np.argmax(bent))
    return float(at[best]), float(value[best]), float(slope[best])


def bisector_crossing(
    point: tuple[float, float, float], slope: float, intercept: float, scale: float
) -> float:
    """Where the bisector of horizontal and tangent at a point meets a line.

    Parameters
    ----------
    point : tuple of float
        Place, ordinate and slope of the tangent.
    slope, intercept : float
        Parameters of the line.
    scale : float
        Length of a unit of y over that of a unit of x in the drawing: an angle is a property of
        the drawing.

    Returns
    -------
    float
        Abscissa.
    """
    place, ordinate, tangent = point
    half = np.tan(0.5 * np.arctan(scale * tangent)) / scale
    return float((ordinate - half * place - intercept) / (slope - half))
