"""Heat flow between neighbouring stations, and how far the intervals agree."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds
from corephys.numerics.line import Line
from corephys.products.heatflow_line import best_line, gains
from corephys.products.heatflow_stations import (
    Stations,
    chance,
    usable_stations,
    with_seafloor,
)
from corephys.uncertainty import Measured

__all__ = ["intervals"]

_UNLIKELY = thresholds.value("line_least_probability")
_ALLOW = ("good", "not_evaluated")


def intervals(
    temperature: Any, resistance: xr.Dataset, *, bottom_water_temperature: Any = None,
    bottom_water_temperature_uncertainty: Any = None, allow: tuple[str, ...] = _ALLOW,
) -> xr.Dataset:  # fmt: skip
    """Heat flow between each station and the next one down.

    Parameters
    ----------
    temperature : Dataset or DataArray, (reading)
        ``equilibrium_temperature`` [degC].
    resistance : Dataset, (reading)
        From ``thermal_resistance`` at the same positions [m^2 K/W].
    bottom_water_temperature, bottom_water_temperature_uncertainty : Quantity or str, optional
        Make the seafloor the first point [degC, K].
    allow : tuple of str
        Flag levels of the temperatures that are used.

    Returns
    -------
    Dataset
        Along ``interval``, of neighbouring means where temperatures are more than 200:
        ``heat_flow`` [mW/m^2], ``temperature_gradient`` [K/km] and
        ``thermal_conductivity`` [W/(m K)], the harmonic mean between the two; with ``depth``
        their middle and ``top`` and ``bottom`` [m]; ``heat_flow_covariance`` [mW^2/m^4].
        ``heat_flow_mean`` is the plain mean and ``heat_flow_weighted_mean`` that by the full
        covariance. The attributes ``chi_square`` and ``chi_square_probability`` say whether the
        intervals agree with one heat flow.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When temperature and resistance lie at different positions.
    ValueError
        With fewer than two points, or two at one depth.

    Notes
    -----
    q = (T2 - T1) / (R2 - R1). Two intervals share the station between them, so that their errors
    go against each other: covariance D C D' with D the differences. The plain mean over evenly
    spaced stations leans on the two ends alone. The weighted mean is sum a dT / sum a dR with the
    weights a of generalised least squares of dT on dR, which is the slope of the line of
    ``bullard`` before any excess scatter (JCGM 102:2011). Weights taken from the covariance of
    the ratios themselves would favour intervals whose heat flow is low by chance.
    """
    stations = with_seafloor(
        usable_stations(temperature, resistance, allow), bottom_water_temperature,
        bottom_water_temperature_uncertainty,
    )  # fmt: skip
    x, y, cx, cy, _ = stations.points
    effects = stations.effects
    order = _order(stations)
    count = order.size - 1
    difference = np.zeros((count, x.size))
    rows = np.arange(count)
    difference[rows, order[1:]], difference[rows, order[:-1]] = 1.0, -1.0
    dx, dy = difference @ x, difference @ y
    depth = stations.depth[order]
    flow, dz = dy / dx, np.diff(depth)
    by_t = difference / dx[:, None]
    by_r = -flow[:, None] * by_t
    covariance = 1e6 * ((by_t * cy) @ by_t.T + by_r @ cx @ by_r.T)
    shifts = {s: 1e3 * (by_t @ ey + by_r @ ex) for s, (ex, ey) in effects.items()}
    coords = {
        "top": ("interval", depth[:-1], _words("upper end of the interval")),
        "bottom": ("interval", depth[1:], _words("lower end of the interval")),
        "depth": ("interval", 0.5 * (depth[1:] + depth[:-1]), _words("middle of the interval")),
    }

    def along(part: Any) -> xr.DataArray:
        return xr.DataArray(part, dims="interval", coords=coords)

    def shared(by: Any) -> dict[str, xr.Variable]:
        return {s: xr.Variable("interval", by(ex, ey)) for s, (ex, ey) in effects.items()}

    found = {
        "heat_flow": Measured(
            along(1e3 * flow), along(np.sqrt(np.diag(covariance))),
            {s: xr.Variable("interval", e) for s, e in shifts.items()},
        ),
        "temperature_gradient": Measured(
            along(1e3 * dy / dz), along(1e3 * np.sqrt(difference**2 @ cy) / dz),
            shared(lambda ex, ey: 1e3 * (difference @ ey) / dz),
        ),
        "thermal_conductivity": Measured(
            along(dz / dx),
            along(dz / dx**2 * np.sqrt(np.diag(difference @ cx @ difference.T))),
            shared(lambda ex, ey: -dz / dx**2 * (difference @ ex)),
        ),
    }  # fmt: skip
    means, line = _means(stations, 1e3 * flow, covariance, shifts)
    return _finish({**found, **means}, covariance, line, stations)


def _order(stations: Stations) -> np.ndarray:
    """Stations from the top down; refused where two lie at one place."""
    x = stations.resistance
    if x.size < 2:
        raise series.TooFewError(f"{x.size} usable points make no interval; it needs two")
    order = np.argsort(x, kind="stable")
    step = np.diff(x[order])
    if np.any(step <= 0.0):
        where = stations.depth[order][int(np.argmin(step))]
        raise ValueError(
            f"two stations lie at {where:g} m with no resistance between them: no heat flow can "
            "be told; leave one out or average them"
        )
    if np.any(np.diff(stations.depth[order]) <= 0.0):
        raise ValueError("resistance does not grow with depth here; check the conductivities")
    return np.asarray(order)


def _means(
    stations: Stations, flow: np.ndarray, covariance: np.ndarray, shifts: dict[str, np.ndarray]
) -> tuple[dict[str, Measured], Line | None]:
    """Plain and weighted mean [mW/m^2], and the line of the latter where all errors are known."""
    plain = np.full(flow.size, 1.0 / flow.size)
    even = Measured(
        float(plain @ flow), float(np.sqrt(plain @ covariance @ plain)),
        {s: float(plain @ e) for s, e in shifts.items()},
    )  # fmt: skip
    line, known = best_line(*stations.points)
    if not known:
        return {"heat_flow_mean": even, "heat_flow_weighted_mean": replace(even)}, None
    gain = gains(*stations.points, line)[1]
    shared = stations.effects.items()
    weighted = Measured(
        1e3 * line.slope, 1e3 * line.slope_uncertainty,
        {s: 1e3 * float(gain @ (ey - line.slope * ex)) for s, (ex, ey) in shared},
    )  # fmt: skip
    return {"heat_flow_mean": even, "heat_flow_weighted_mean": weighted}, line


def _finish(
    quantities: dict[str, Measured], covariance: np.ndarray, line: Line | None, stations: Stations
) -> xr.Dataset:
    freedom = len(covariance) - 1
    probability = float("nan")
    if freedom and line is not None:
        probability = chance(stations, line, np.inf)
    if probability < _UNLIKELY:
        for name in ("heat_flow_mean", "heat_flow_weighted_mean"):
            quantities[name].reason = flags.bit("poor_fit")
    dataset = series.build(
        quantities,
        steps=("q = (T2 - T1) / (R2 - R1) between neighbours (Bullard 1939)",),
        chi_square=float("nan") if line is None else line.chi_square,
        degrees_of_freedom=freedom, chi_square_probability=probability,
        bottom_water="included" if stations.seafloor else "left out",
    )  # fmt: skip
    dataset["heat_flow_covariance"] = xr.DataArray(
        covariance, dims=("interval", "interval_2"),
        attrs={"units": "mW^2/m^4", "long_name": "random covariance of the heat flows"},
    )  # fmt: skip
    return dataset


def _words(text: str) -> dict[str, str]:
    return {"units": "m", "long_name": text}
