"""Bend of a curve: two joined lines, and the point of largest curvature with its bisector."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = [
    "Bend",
    "bisector_crossing",
    "joined_lines",
    "joined_lines_of_many",
    "largest_curvature",
    "natural_cubic",
]

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
    return joined_lines_of_many(x, y[None], weight, [beyond])[0]


def joined_lines_of_many(
    x: np.ndarray, y: np.ndarray, weight: np.ndarray, beyond: Sequence[int | None]
) -> list[Bend]:
    """Joined lines of many curves over one abscissa, see :func:`joined_lines`.

    Parameters
    ----------
    x, weight : ndarray, (n,)
        Abscissa in rising order and square root of the weight, in any unit.
    y : ndarray, (curves, n)
        Ordinates.
    beyond : sequence of int or None, (curves,)
        Points past the joint that each curve uses; None for all.

    Returns
    -------
    list of Bend
        One for each curve.
    """
    found = _joined(x, y, weight)
    seen: list[set[int]] = [set() for _ in found]
    while True:
        # Curves that need another fit, by the number of points that they use in it.
        waiting: dict[int, list[int]] = {}
        for row, (bend, many) in enumerate(zip(found, beyond, strict=True)):
            if many is None or not np.isfinite(bend.place):
                continue
            end = int(np.searchsorted(x, bend.place, side="right")) + many
            if (end >= x.size and not seen[row]) or end in seen[row]:
                continue
            seen[row].add(end)
            waiting.setdefault(max(end, FEWEST), []).append(row)
        if not waiting:
            return found
        for end, rows in waiting.items():
            for row, bend in zip(rows, _joined(x[:end], y[rows, :end], weight[:end]), strict=True):
                found[row] = bend


def _joined(x: np.ndarray, y: np.ndarray, weight: np.ndarray) -> list[Bend]:
    """Lines of curves, (curves, n), with the joint that costs least."""
    rows = np.arange(y.shape[0])
    if x.size < FEWEST:
        return [Bend(*([float("nan")] * 5)) for _ in rows]
    # Constant and slope are projected out once; what is left of each hinge is a line of its own.
    q, r = np.linalg.qr(np.stack([weight, x * weight], axis=1))
    weighted = y * weight
    rest = weighted - (weighted @ q) @ q.T
    # Even between neighbours, not along x: stresses double from step to step.
    index = np.linspace(1, x.size - 2, GRID * (x.size - 3) + 1)
    tried = np.interp(index, np.arange(x.size), x)[None]
    for _ in range(6):
        bend, costs = _hinges(x, weight, q, rest, tried)
        best = np.argmin(costs, axis=1)
        tried = np.broadcast_to(tried, costs.shape)
        place, cost, steeper = tried[rows, best], costs[rows, best], bend[rows, best]
        low = tried[rows, np.maximum(best - 1, 0)]
        high = tried[rows, np.minimum(best + 1, tried.shape[1] - 1)]
        tried = np.linspace(low, high, 13, axis=1)
    hinge = np.maximum(x - place[:, None], 0.0) * weight
    level, before = np.linalg.solve(r, ((weighted - hinge * steeper[:, None]) @ q).T)
    freedom = x.size - 4
    deviation = np.sqrt(cost / freedom) if freedom else np.full(rows.size, np.nan)
    columns = (place, before, before + steeper, level + before * place, deviation)
    return [Bend(*map(float, numbers)) for numbers in zip(*columns, strict=True)]


def _hinges(
    x: np.ndarray, weight: np.ndarray, q: np.ndarray, rest: np.ndarray, tried: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Change of slope and cost of every curve for every tried place of its joint."""
    hinge = np.maximum(x - tried[:, :, None], 0.0) * weight
    left = hinge - (hinge @ q) @ q.T
    bend = (left * rest[:, None]).sum(axis=2) / (left**2).sum(axis=2)
    cost = ((rest[:, None] - left * bend[:, :, None]) ** 2).sum(axis=2)
    return bend, cost


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
