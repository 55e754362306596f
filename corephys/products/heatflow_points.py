"""Conductivities that may be used, carried to the depths that resistances are wanted at."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, units
from corephys.products.heatflow_carriers import (
    CARRIERS,
    Points,
    merge,
    resistivity,
    scatter,
    smooth_resistivity,
    weights,
)
from corephys.products.heatflow_line import student

_K = "thermal_conductivity"
_BLOCK = 500_000  # weights that are held at a time, 4 MB


@dataclass(frozen=True)
class Carrier:
    """Resistivities at their points and the way in which they are carried between them.

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
        """W [m], (n, m), whose product with the resistivities is the resistance at the depths."""
        return weights(self.depth, depth, self.how)

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
    """Usable conductivities of a hole and how they are carried.

    Parameters
    ----------
    carrier : Carrier
        Of the m points.
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


def carry(conductivity: Any, how: str, allow: tuple[str, ...]) -> Carried:
    """Usable conductivities as resistivities with their variances and effects."""
    if how not in CARRIERS:
        raise ValueError(f"how is {how!r}; there is {', '.join(CARRIERS)}")
    points, used, left_out = usable_points(conductivity, allow)
    if how == "trend" and points.depth.size < 3:
        raise series.TooFewError(
            f"a trend needs conductivities at three depths, not {points.depth.size}"
        )
    natural, freedom = scatter(points, how)
    k, smooth = points.conductivity, smooth_resistivity(points, how)
    # Relative errors of the readings, at the smooth value: a reading high by chance weighs no more.
    # An error that is not stated shows in the scatter, which then holds both; where there is no
    # scatter nothing is known of it.
    unknown = 0.0 if natural > 0.0 else np.nan
    own = (np.where(np.isfinite(points.u_random), points.u_random, unknown) / k * smooth) ** 2
    spread = (natural * student(freedom) * smooth**2) ** 2
    effects = {source: -effect / k**2 for source, effect in points.effects.items()}
    carrier = Carrier(how, points.depth, 1.0 / k, smooth, own, spread)
    return Carried(carrier, used, left_out, effects, natural, freedom)


def usable_points(conductivity: Any, allow: tuple[str, ...]) -> tuple[Points, int, int]:
    """Usable conductivities, in the order of depth and without repeats."""
    measured = series.unpack(conductivity, _K)
    values = np.asarray(measured.values, dtype=float)
    if "depth" not in getattr(measured.values, "coords", {}):
        raise ValueError("the conductivities need the coordinate depth")
    depth = np.asarray(measured.values["depth"].values, dtype=float)
    use = np.isfinite(values) & np.isfinite(depth) & (values > 0)
    if isinstance(conductivity, xr.Dataset) and f"{_K}_flag" in conductivity:
        use &= flags.usable(conductivity[f"{_K}_flag"].values, allow)
    if not use.any():
        raise ValueError(f"none of {values.size} conductivities is usable")
    index = np.flatnonzero(use)
    picked = series.take(measured, index[np.argsort(depth[index], kind="stable")])
    return merge(np.sort(depth[index]), picked), int(use.sum()), int((~use).sum())


def wanted(at: Any) -> tuple[xr.DataArray, np.ndarray]:
    """A DataArray at the wanted positions, and its depths in metres."""
    if isinstance(at, (xr.Dataset, xr.DataArray)):
        at = units.position_in_library_units(at)
    if isinstance(at, xr.Dataset):
        if "depth" not in at.coords:
            raise ValueError("at: the Dataset has no coordinate depth")
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
