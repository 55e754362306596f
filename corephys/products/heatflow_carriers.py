"""Ways of carrying conductivity between its points, as plain arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from corephys import thresholds
from corephys.uncertainty import Measured

__all__ = ["CARRIERS", "Points", "merge", "resistance", "resistivity", "scatter"]

CARRIERS = ("linear", "steps", "harmonic mean", "trend")
NEAR = thresholds.value("carrier_near")  # m


@dataclass(frozen=True)
class Points:
    """Conductivities in the order of depth, no two at the same place.

    Parameters
    ----------
    depth, conductivity, u_random : (m,) ndarray
        [m], [W/(m K)], [W/(m K)]; an uncertainty that is not known is NaN.
    effects : dict of str to (m,) ndarray
        One-sigma effects by source [W/(m K)].
    """

    depth: np.ndarray
    conductivity: np.ndarray
    u_random: np.ndarray
    effects: dict[str, np.ndarray]


def merge(depth: np.ndarray, measured: Measured) -> Points:
    """Average readings that lie close together.

    Parameters
    ----------
    depth : (n,) ndarray
        Rising [m].
    measured : Measured
        Conductivities at those depths, (n,) [W/(m K)].

    Returns
    -------
    Points
        A group ends where the next reading lies 10 cm or more below the first of the group.
    """
    group = np.zeros(depth.size, dtype=int)
    first = depth[0]
    for i in range(1, depth.size):
        apart = depth[i] - first >= NEAR
        group[i] = group[i - 1] + apart
        first = depth[i] if apart else first
    count = np.bincount(group)

    def mean(part: np.ndarray) -> np.ndarray:
        return np.bincount(group, part) / count

    u = np.sqrt(np.bincount(group, np.asarray(measured.u_random) ** 2)) / count
    effects = {source: mean(effect) for source, effect in measured.effects.items()}
    return Points(mean(depth), mean(measured.values), u, effects)


def resistance(points: Points, depth: np.ndarray, how: str) -> tuple[np.ndarray, np.ndarray]:
    """Resistance between zero and each depth, and its derivatives.

    Parameters
    ----------
    points : Points
        Where conductivity is known.
    depth : (n,) ndarray
        [m]; NaN gives NaN.
    how : str
        One of :data:`CARRIERS`.

    Returns
    -------
    tuple of (n,) and (n, m) ndarray
        R [m^2 K/W] and dR/dk for each point [m^3 K^2/W^2].
    """
    k = points.conductivity
    if how == "trend":
        weights = _line_weights(points.depth, depth)
    elif how == "harmonic mean":
        weights = np.outer(depth, _thickness(points.depth))
    else:
        weights = _weights(points.depth, depth, how)
    return weights @ (1.0 / k), -weights / k**2


def resistivity(points: Points, depth: np.ndarray, how: str) -> np.ndarray:
    """Thermal resistivity at each depth, as it is carried there.

    Parameters
    ----------
    points, depth, how
        As for :func:`resistance`.

    Returns
    -------
    (n,) ndarray
        1/k [m K/W].
    """
    known, inverse = points.depth, 1.0 / points.conductivity
    if how == "trend":
        solver = np.linalg.pinv(np.column_stack([np.ones(known.size), known]))
        return np.asarray(np.column_stack([np.ones(depth.size), depth]) @ (solver @ inverse))
    if how == "harmonic mean":
        return np.where(np.isfinite(depth), _thickness(known) @ inverse, np.nan)
    if how == "linear":
        return np.interp(depth, known, inverse)
    nearest = inverse[np.searchsorted(0.5 * (known[1:] + known[:-1]), depth)]
    return np.where(np.isfinite(depth), nearest, np.nan)


def _weights(known: np.ndarray, depth: np.ndarray, how: str) -> np.ndarray:
    """W such that R = W (1/k): integrals of the weight of each point, from zero to each depth."""
    middles = 0.5 * (known[1:] + known[:-1])
    wanted = depth[np.isfinite(depth)]
    nodes = np.unique(np.concatenate([[0.0], known, middles, wanted]))
    if how == "linear":
        share = _hats(known, nodes)
        pieces = 0.5 * (share[1:] + share[:-1])
    else:
        nearest = np.searchsorted(middles, 0.5 * (nodes[1:] + nodes[:-1]))
        pieces = np.eye(known.size)[nearest]
    total = np.concatenate(
        [np.zeros((1, known.size)), np.cumsum(pieces * np.diff(nodes)[:, None], axis=0)]
    )
    total -= total[np.searchsorted(nodes, 0.0)]
    found = total[np.clip(np.searchsorted(nodes, depth), 0, nodes.size - 1)]
    found[~np.isfinite(depth)] = np.nan
    return np.asarray(found)


def _hats(known: np.ndarray, nodes: np.ndarray) -> np.ndarray:
    """Weight of each point at each node in linear interpolation, constant beyond the ends."""
    return np.column_stack([np.interp(nodes, known, row) for row in np.eye(known.size)])


def _thickness(known: np.ndarray) -> np.ndarray:
    """Share of the column, from the seafloor to the last point, that lies nearest to each point."""
    edges = np.concatenate([[min(0.0, known[0])], 0.5 * (known[1:] + known[:-1]), [known[-1]]])
    thickness = np.diff(edges)
    # A single point at the seafloor stands for everything.
    return thickness / thickness.sum() if thickness.sum() > 0 else np.ones(1)


def _line_weights(known: np.ndarray, depth: np.ndarray) -> np.ndarray:
    """W of the straight line of 1/k against depth, all points of equal weight."""
    solver = np.linalg.pinv(np.column_stack([np.ones(known.size), known]))
    return np.asarray(np.column_stack([depth, 0.5 * depth**2]) @ solver)


def scatter(points: Points, how: str) -> tuple[float, float]:
    """Natural scatter of conductivity about its carrier, beyond the errors of the readings.

    Parameters
    ----------
    points : Points
        Where conductivity is known.
    how : str
        One of :data:`CARRIERS`.

    Returns
    -------
    tuple of float and float
        Standard deviation [W/(m K)], zero where the errors explain all, NaN with one point; and
        its degrees of freedom, at least one.

    Notes
    -----
    Mean square of the residuals, each over its own variance factor, less that of the errors: from
    the line (n - 2), from the mean (n - 1), or for the carriers that pass through the points from
    each point less the straight line between its two neighbours. Those n - 2 residuals share
    points; with even spacing their correlations of -2/3 and 1/6 leave (n - 2) / 1.94 degrees of
    freedom (definition: twice the squared mean over the variance of the estimate).
    """
    z, k, n = points.depth, points.conductivity, points.depth.size
    if n < 2:
        return float("nan"), 1.0
    if how == "trend":
        residual = k - 1.0 / np.polyval(np.polyfit(z, 1.0 / k, 1), z)
        freedom = n - 2.0
        square = float(np.sum(residual**2)) / freedom
    elif how == "harmonic mean" or n == 2:
        freedom = n - 1.0
        square = float(np.sum((k - n / np.sum(1.0 / k)) ** 2)) / freedom
    else:
        lower = (z[1:-1] - z[:-2]) / (z[2:] - z[:-2])
        residual = k[1:-1] - (1.0 - lower) * k[:-2] - lower * k[2:]
        square = float(np.mean(residual**2 / (1.0 + lower**2 + (1.0 - lower) ** 2)))
        freedom = (n - 2.0) / (1.0 + 2.0 * (4.0 / 9.0 + 1.0 / 36.0))
    known = points.u_random[np.isfinite(points.u_random)]
    own = float(np.mean(known**2)) if known.size == n else 0.0
    return float(np.sqrt(max(square - own, 0.0))), max(freedom, 1.0)
