"""Usable conductivities, and how they are interpolated between their points."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds, units
from corephys.ground.choices import choice
from corephys.products.heat_flow.line import student
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Measurement

CARRIERS = ("linear", "steps", "harmonic_mean", "trend")
# Readings closer than this [m] share the natural scatter, so that they are averaged first.
NEAR = thresholds.value("carrier_near")


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


def resistivity(points: Points, depth: np.ndarray, how: str) -> np.ndarray:
    """Thermal resistivity interpolated to each depth.

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
    (n,) ndarray
        1/k [m K/W].
    """
    known, inverse = points.depth, 1.0 / points.conductivity
    if how == "trend":
        return _trend(known, np.column_stack([np.ones(depth.size), depth])) @ inverse
    if how == "harmonic_mean":
        return np.where(np.isfinite(depth), _thickness(known) @ inverse, np.nan)
    if how == "linear":
        return np.interp(depth, known, inverse)
    nearest = inverse[np.searchsorted(0.5 * (known[1:] + known[:-1]), depth)]
    return np.where(np.isfinite(depth), nearest, np.nan)


def smooth_resistivity(points: Points, how: str) -> np.ndarray:
    """Resistivity at the points without their scatter.

    Parameters
    ----------
    points : Points
        Where conductivity is known [m], [W/(m K)].
    how : str
        One of :data:`CARRIERS`.

    Returns
    -------
    (m,) ndarray
        The straight line of 1/k against depth within the range of the readings; the harmonic mean
        for that carrier and for fewer than three points [m K/W].

    Notes
    -----
    The error of a reading enters the resistance as u/k^2. Taken at the reading's own k, a reading
    that is high by chance has a small error and a large weight. The line of temperature against
    resistance then lies too steep, by up to four times the square of the coefficient of variation
    where temperatures are dense. At the smooth value weights and errors are independent.
    """
    z, inverse = points.depth, 1.0 / points.conductivity
    if how == "harmonic_mean" or z.size < 3:
        return np.full(z.size, _thickness(z) @ inverse)
    line = _trend(z, np.column_stack([np.ones(z.size), z])) @ inverse
    return np.clip(line, inverse.min(), inverse.max())


def _integral_of_lines(known: np.ndarray, depth: np.ndarray) -> np.ndarray:
    """Weights of the integral from the first point to each depth, linear between the points."""
    size, rows = known.size, np.arange(depth.size)
    step = np.diff(known)
    share = 0.5 * (np.append(0.0, step) + np.append(step, 0.0))
    below = np.clip(np.searchsorted(known, depth, side="right") - 1, 0, size - 1)
    found = np.where(np.arange(size) < below[:, None], share, 0.0)
    past = depth - known[below]  # negative above the first point
    part = np.zeros(depth.size)
    inner = (below < size - 1) & (past > 0.0)
    part[inner] = 0.5 * past[inner] ** 2 / step[below[inner]]
    found[rows, below] = np.append(0.0, 0.5 * step)[below] + past - part
    found[rows[inner], below[inner] + 1] = part[inner]
    found[~np.isfinite(depth)] = np.nan
    return found


def _integral_of_steps(known: np.ndarray, depth: np.ndarray) -> np.ndarray:
    """Weights of the integral to each depth, constant up to the middle between two points.

    Up to a constant of each point that does not depend on the depth.
    """
    middles = 0.5 * (known[1:] + known[:-1])
    return np.clip(depth[:, None], np.append(-np.inf, middles), np.append(middles, np.inf))


def _thickness(known: np.ndarray) -> np.ndarray:
    """Share of the column, from the seafloor to the last point, that lies nearest to each point."""
    edges = np.concatenate([[min(0.0, known[0])], 0.5 * (known[1:] + known[:-1]), [known[-1]]])
    thickness = np.diff(edges)
    # A single point at the seafloor has no thickness, and represents the complete column.
    return thickness / thickness.sum() if thickness.sum() > 0 else np.ones(1)


def _trend(known: np.ndarray, terms: np.ndarray) -> np.ndarray:
    """Weights of the straight line of 1/k against depth, fitted with equal weights."""
    return np.asarray(terms @ np.linalg.pinv(np.column_stack([np.ones(known.size), known])))


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
    elif how == "harmonic_mean" or n == 2:
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


# --------------------------------------------------------------------------------------------------
# Usable conductivities, interpolated to the depths of the resistances.


_K = "thermal_conductivity"
_BLOCK = 500_000  # weights that are held at a time, 4 MB


@dataclass(frozen=True)
class Carrier:
    """Resistivities at their points and how they are interpolated between them.

    Parameters
    ----------
    how : str
        One of ``CARRIERS``.
    depth, resistivity, smooth : (m,) ndarray
        [m], [m K/W], and the same without the scatter of the readings [m K/W].
    own, spread : (m,) ndarray
        Variances of a resistivity by its reading and by the natural scatter [m^2 K^2/W^2].
    """

    how: str
    depth: np.ndarray
    resistivity: np.ndarray
    smooth: np.ndarray
    own: np.ndarray
    spread: np.ndarray

    def weights(self, depth: np.ndarray) -> np.ndarray:
        """W [m], (n, m), such that R = W (1/k) is the resistance between zero and each depth."""
        known = self.depth
        if self.how == "trend":
            return _trend(known, np.column_stack([depth, 0.5 * depth**2]))
        if self.how == "harmonic_mean":
            return np.outer(depth, _thickness(known))
        integral = _integral_of_lines if self.how == "linear" else _integral_of_steps
        return integral(known, depth) - integral(known, np.zeros(1))

    def blocks(self, depth: np.ndarray) -> Iterator[tuple[slice, np.ndarray]]:
        """Weights of some depths at a time, so that memory does not grow with their number."""
        size = max(_BLOCK // self.depth.size, 1)
        for start in range(0, depth.size, size):
            part = slice(start, min(start + size, depth.size))
            yield part, self.weights(depth[part])

    def local(self, depth: np.ndarray) -> np.ndarray:
        """Resistivity [m K/W] at the depths."""
        points = Points(self.depth, 1.0 / self.resistivity, self.own, {})
        return resistivity(points, depth, self.how)


@dataclass(frozen=True)
class Carried:
    """Usable conductivities of a hole and how they are interpolated.

    Parameters
    ----------
    carrier : Carrier
        Carrier of the m points.
    used, left_out : int
        Readings.
    effects : dict of str to (m,) ndarray
        One-sigma effects on the resistivities by source [m K/W].
    natural, freedom : float
        Natural scatter [W/(m K)] and its degrees of freedom.
    """

    carrier: Carrier
    used: int
    left_out: int
    effects: dict[str, np.ndarray]
    natural: float
    freedom: float


def carry(conductivity: Measurement, how: str, allow: Sequence[str]) -> Carried:
    """Usable conductivities as resistivities with their variances and effects."""
    how = choice(how, CARRIERS, "how")
    points, used, left_out = usable_points(conductivity, allow)
    if how == "trend" and points.depth.size < 3:
        raise series.TooFewError(
            f"conductivities at {points.depth.size} depths are too few for a trend; it needs three"
        )
    natural, freedom = scatter(points, how)
    k, smooth = points.conductivity, smooth_resistivity(points, how)
    # Relative errors of the readings, at the smooth value: a reading that is high by chance must
    # not get more weight. An error that is not given is part of the scatter, which then includes
    # both; without scatter the error is unknown.
    unknown = 0.0 if natural > 0.0 else np.nan
    own = (np.where(np.isfinite(points.u_random), points.u_random, unknown) / k * smooth) ** 2
    spread = (natural * student(freedom) * smooth**2) ** 2
    effects = {source: -effect / k**2 for source, effect in points.effects.items()}
    carrier = Carrier(how, points.depth, 1.0 / k, smooth, own, spread)
    return Carried(carrier, used, left_out, effects, natural, freedom)


def usable_points(conductivity: Measurement, allow: Sequence[str]) -> tuple[Points, int, int]:
    """Usable conductivities, in the order of depth and without repeats."""
    measured = series.unpack(conductivity, _K)
    values = np.asarray(measured.values, dtype=float)
    if "depth" not in getattr(measured.values, "coords", {}):
        raise ValueError(
            "the conductivities have no coordinate depth; give a series placed in the hole"
        )
    depth = np.asarray(measured.values["depth"].values, dtype=float)
    use = np.isfinite(values) & np.isfinite(depth) & (values > 0)
    if isinstance(conductivity, xr.Dataset) and f"{_K}_flag" in conductivity:
        use &= flags.usable(conductivity[f"{_K}_flag"].values, allow)
    if not use.any():
        raise ValueError(
            f"none of {values.size} conductivities is usable; one above zero with a depth and an "
            "allowed flag is needed"
        )
    index = np.flatnonzero(use)
    picked = series.take(measured, index[np.argsort(depth[index], kind="stable")])
    return merge(np.sort(depth[index]), picked), int(use.sum()), int((~use).sum())


def wanted(at: xr.Dataset | Dimensional) -> tuple[xr.DataArray, np.ndarray]:
    """A DataArray at the positions of ``at``, and its depths in metres."""
    if isinstance(at, (xr.Dataset, xr.DataArray)):
        at = units.position_in_library_units(at)
    if isinstance(at, xr.Dataset):
        if "depth" not in at.coords:
            raise ValueError("at: the Dataset has no coordinate depth; give depths or a series")
        along = at["depth"]
    elif isinstance(at, xr.DataArray) and "depth" in at.coords and at.name != "depth":
        along = at["depth"]
    else:
        along = None
    depth = np.atleast_1d(np.asarray(units.as_floats(at if along is None else along, "m", "at")))
    if along is None:
        words = {"units": "m", "long_name": "depth below seafloor, as laid out", "positive": "down"}
        along = xr.DataArray(depth, dims="reading", coords={"depth": ("reading", depth, words)})
    return along.reset_coords(drop=True) if along.ndim == 0 else along, depth.astype(float)
