"""Means of many temperatures, and the covariance of their resistances, as plain arrays.

A temperature log has thousands of rows. A covariance between all of them would take the square of
their number. The line of temperature against resistance is the same for means over cells of
depth, since both axes are averaged with the same weights.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import companions, thresholds
from corephys.hole.placing.depth_uncertainty import sharing
from corephys.products.heatflow_points import Carrier

# Units of the variables that hold what is carried; a caller may have converted them.
_COMPACT_UNITS = {
    "carried_depth": "m", "carried_resistivity": "m K/W", "carried_resistivity_smooth": "m K/W",
    "carried_resistivity_u_random": "m K/W", "carried_resistivity_scatter": "m K/W",
    "depth_u_random": "m", "depth_group_effects": "m",
}  # fmt: skip
FEW = thresholds.count("temperature_cells")
CONDUCTIVITY, SCATTER, DEPTH = "conductivity", "natural scatter of conductivity", "depth"


@dataclass(frozen=True)
class Means:
    """Which readings make up each point.

    Parameters
    ----------
    index : (n,) ndarray of int
        Readings in use, among those offered.
    cell : (n,) ndarray of int
        Point that each of them belongs to.
    share : (n,) ndarray
        Its weight there; the weights of a point add up to one.
    size : int
        Points.
    """

    index: np.ndarray
    cell: np.ndarray
    share: np.ndarray
    size: int

    @classmethod
    def each(cls, size: int) -> Means:
        """Every reading is a point."""
        return cls.of_readings(np.arange(size))

    @classmethod
    def of_readings(cls, index: np.ndarray) -> Means:
        """Every reading in use is a point."""
        return cls(index, np.arange(index.size), np.ones(index.size), index.size)

    @classmethod
    def over_cells(cls, index: np.ndarray, depth: np.ndarray, variance: np.ndarray) -> Means:
        """Readings in use, averaged over cells of depth where they are many.

        Parameters
        ----------
        index : (n,) ndarray of int
            Readings in use.
        depth, variance : (n,) ndarray
            Their depths [m] and the variances of their temperatures [K^2].

        Returns
        -------
        Means
            Inverse variances are the weights; all are equal where a variance is not known.
        """
        if index.size <= FEW:
            return cls.of_readings(index)
        top, width = depth.min(), np.ptp(depth) / FEW
        cell = np.zeros(index.size, dtype=int)
        if width > 0.0:
            cell = np.minimum(((depth - top) / width).astype(int), FEW - 1)
        _, cell = np.unique(cell, return_inverse=True)
        known = bool(np.all(np.isfinite(variance) & (variance > 0.0)))
        weight = 1.0 / variance if known else np.ones(index.size)
        share = weight / np.bincount(cell, weight)[cell]
        return cls(index, cell, share, int(cell.max()) + 1)

    def of(self, along: Any) -> np.ndarray:
        """Means of values along the readings offered."""
        return self.used(np.asarray(along, dtype=float)[self.index])

    def used(self, values: np.ndarray) -> np.ndarray:
        """Means of values along the readings in use."""
        return np.bincount(self.cell, self.share * values, minlength=self.size)

    def variance(self, along: Any) -> np.ndarray:
        """Variances of the means of independent values along the readings offered."""
        values = np.asarray(along, dtype=float)[self.index]
        return np.bincount(self.cell, self.share**2 * values, minlength=self.size)

    def weights(self, carrier: Carrier, depth: np.ndarray) -> np.ndarray:
        """Weights of the resistivities in the resistance of each point, (size, m).

        ``depth`` holds those of the readings in use.
        """
        found = np.zeros((self.size, carrier.depth.size))
        for part, rows in carrier.blocks(depth):
            np.add.at(found, self.cell[part], self.share[part, None] * rows)
        return found


@dataclass(frozen=True)
class DepthErrors:
    """Errors of depth that differ between readings.

    Parameters
    ----------
    random : (n,) ndarray
        Standard uncertainty of each depth for itself [m].
    shared : (s, n) ndarray
        One-sigma effects that a group of readings shares [m].
    group : (n,) ndarray of int
        Core, station or reading that each belongs to.
    """

    random: np.ndarray
    shared: np.ndarray
    group: np.ndarray

    @property
    def total(self) -> np.ndarray:
        """Variance of each depth [m^2]."""
        return np.asarray(self.random**2 + (self.shared**2).sum(axis=0))

    def covariance(self, means: Means, scale: np.ndarray) -> np.ndarray:
        """Covariance of the means of depth errors times ``scale`` along the readings in use."""
        index, factor = means.index, means.share * scale
        own = np.bincount(means.cell, (factor * self.random[index]) ** 2, minlength=means.size)
        found = np.diag(own)
        _, group = np.unique(self.group[index], return_inverse=True)
        for effect in self.shared[:, index]:
            if group.max(initial=-1) + 1 == index.size:  # nothing is shared
                each = np.bincount(means.cell, (factor * effect) ** 2, minlength=means.size)
                found = found + np.diag(each)
                continue
            from scipy.sparse import coo_array

            table = coo_array((factor * effect, (means.cell, group))).tocsr()
            found = found + (table @ table.T).toarray()
        return found


def depth_errors(errors: xr.Dataset) -> DepthErrors:
    """What ``corephys.depth.uncertainty`` found, without the effects that the hole shares.

    Lengths in ``errors`` are in metres.
    """
    own = errors["depth_core_effects"].transpose("core_source", ...).values
    return DepthErrors(
        np.asarray(errors["depth_u_random"].values), np.asarray(own), sharing(errors)[0]
    )


def resistance_covariances(
    carrier: Carrier, depth: np.ndarray, errors: DepthErrors | None, means: Means,
    weights: np.ndarray | None = None,
) -> dict[str, np.ndarray]:  # fmt: skip
    """Random covariances of the resistances of points by what they come from.

    Parameters
    ----------
    carrier : Carrier
        Of m points.
    depth : (n,) ndarray
        Of the readings in use [m].
    errors : DepthErrors or None
        Of the readings offered.
    means : Means
        Of the readings.
    weights : (size, m) ndarray, optional
        From ``means.weights``, where they are at hand.

    Returns
    -------
    dict of str to (size, size) ndarray
        [m^4 K^2/W^2].
    """
    w = means.weights(carrier, depth) if weights is None else weights
    parts = {CONDUCTIVITY: (w * carrier.own) @ w.T, SCATTER: (w * carrier.spread) @ w.T}
    if errors is not None:
        parts[DEPTH] = errors.covariance(means, carrier.local(depth))
    return parts


def between(carrier: Carrier, depth: np.ndarray) -> np.ndarray:
    """Most that the sediment between the conductivities can add to the covariance of resistances.

    Parameters
    ----------
    carrier : Carrier
        Of m points.
    depth : (n,) ndarray
        Of the points of the line [m].

    Returns
    -------
    (n, n) ndarray
        [m^4 K^2/W^2].

    Notes
    -----
    Beds as thick as the distance h of two conductivities, with the natural scatter s of
    resistivity, make the resistance a random walk of variance s^2 h a metre. Between two points
    whose resistances are known it is a Brownian bridge, covariance s^2 h (x - x y / h) at
    x <= y; below the last point a walk from there.
    """
    z, spread = carrier.depth, carrier.spread
    if carrier.how in ("harmonic mean", "trend"):  # no reading holds the walk
        thick = np.median(np.diff(z)) if z.size > 1 else 1.0
        return spread.mean() * thick * np.minimum(depth[:, None], depth[None, :])
    edge = np.concatenate([[min(0.0, z[0])], z])
    height = np.diff(edge)
    height = np.append(np.where(height > 0.0, height, 1.0), np.inf)
    apart = np.append(height[:-1], np.median(height[:-1]))
    rate = np.append(spread, spread[-1]) * apart
    cell = np.clip(np.searchsorted(edge, depth, side="right") - 1, 0, z.size)
    past = np.maximum(depth - edge[cell], 0.0)
    low = np.minimum(past[:, None], past[None, :])
    bridge = rate[cell, None] * (low - np.outer(past, past / height[cell]))
    return np.where(cell[:, None] == cell[None, :], bridge, 0.0)


def compact(carrier: Carrier, errors: DepthErrors | None, dim: str) -> dict[str, xr.DataArray]:
    """What the covariance of any means can be computed from, as variables of a Dataset.

    Parameters
    ----------
    carrier : Carrier
        Of the conductivities.
    errors : DepthErrors or None
        Of the readings.
    dim : str
        Dimension of the readings.

    Returns
    -------
    dict of str to DataArray
        Along ``point`` what is carried, along the readings the errors of their depths.
    """

    def along(values: np.ndarray, dims: Any, unit: str, words: str) -> xr.DataArray:
        return xr.DataArray(values, dims=dims, attrs={"units": unit, "long_name": words})

    name = "thermal resistivity that is carried between depths"
    found = {
        "carried_depth": along(carrier.depth, "point", "m", f"depth of the {name}"),
        "carried_resistivity": along(carrier.resistivity, "point", "m K/W", name),
        "carried_resistivity_smooth": along(
            carrier.smooth, "point", "m K/W", f"{name}, without the scatter of the readings"
        ),
        "carried_resistivity_u_random": along(
            np.sqrt(carrier.own), "point", "m K/W", f"random standard uncertainty of {name}"
        ),
        "carried_resistivity_scatter": along(
            np.sqrt(carrier.spread), "point", "m K/W", f"natural scatter of {name}"
        ),
    }
    if errors is not None:
        found["depth_u_random"] = along(
            errors.random, dim, "m", "standard uncertainty of each depth for itself"
        )
        found["depth_group"] = along(errors.group, dim, "1", "depths of one number err together")
        found["depth_group_effects"] = along(
            errors.shared, ("group_source", dim), "m", "one-sigma effects on depths of one number"
        )
    return found


def from_compact(resistance: xr.Dataset) -> tuple[Carrier, DepthErrors | None]:
    """The carrier and the errors of depth of a Dataset that holds what ``compact`` made."""
    if "carried_resistivity" not in resistance:
        raise ValueError(
            "the resistances have neither thermal_resistance_covariance nor carried_resistivity; "
            "compute them with thermal_resistance(...)"
        )

    def of(name: str) -> np.ndarray:
        held = companions.in_library_units(resistance, name, _COMPACT_UNITS)
        return np.asarray(held.values, dtype=float)

    carrier = Carrier(
        str(resistance.attrs["carrier"]), of("carried_depth"), of("carried_resistivity"),
        of("carried_resistivity_smooth"), of("carried_resistivity_u_random") ** 2,
        of("carried_resistivity_scatter") ** 2,
    )  # fmt: skip
    if "depth_u_random" not in resistance:
        return carrier, None
    group = np.asarray(resistance["depth_group"].values)
    axis = resistance["depth_group_effects"].dims.index("group_source")
    shared = np.moveaxis(of("depth_group_effects"), axis, 0)
    return carrier, DepthErrors(of("depth_u_random"), shared, group)
