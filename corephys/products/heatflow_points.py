"""Conductivities that may be used, and the depths that resistances are wanted at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from corephys import flags, series, units
from corephys.products.heatflow_carriers import (
    CARRIERS,
    Points,
    merge,
    resistance,
    resistivity,
    scatter,
)
from corephys.products.heatflow_line import student

_K = "thermal_conductivity"


@dataclass(frozen=True)
class Carried:
    """Resistances of the usable conductivities at wanted depths.

    Parameters
    ----------
    points : Points
        The conductivities, m of them.
    used, left_out : int
        Readings.
    values, local : (n,) ndarray
        Resistance [m^2 K/W] and resistivity [m K/W] at each depth.
    by_k : (n, m) ndarray
        dR/dk.
    natural, freedom : float
        Natural scatter [W/(m K)] and its degrees of freedom.
    own, spread : (m,) ndarray
        Variances of the readings and of the natural scatter [W^2/(m K)^2].
    """

    points: Points
    used: int
    left_out: int
    values: np.ndarray
    local: np.ndarray
    by_k: np.ndarray
    natural: float
    freedom: float
    own: np.ndarray
    spread: np.ndarray


def carry(conductivity: Any, depth: np.ndarray, how: str, allow: tuple[str, ...]) -> Carried:
    """Carry the usable conductivities to depths [m] and integrate from the seafloor."""
    if how not in CARRIERS:
        raise ValueError(f"how is {how!r}; there is {', '.join(CARRIERS)}")
    points, used, left_out = usable_points(conductivity, allow)
    if how == "trend" and points.depth.size < 3:
        raise ValueError(f"a trend needs conductivities at three depths, not {points.depth.size}")
    values, by_k = resistance(points, depth, how)
    natural, freedom = scatter(points, how)
    # An error that is not stated shows in the scatter, which then holds both.
    own = np.where(np.isfinite(points.u_random), points.u_random, 0.0) ** 2
    spread = np.full(own.size, (natural * student(freedom)) ** 2)
    local = resistivity(points, depth, how)
    return Carried(points, used, left_out, values, local, by_k, natural, freedom, own, spread)


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
