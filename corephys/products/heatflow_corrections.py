"""Corrections of a heat flow: each optional, signed and by itself, beside the uncorrected value."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import series
from corephys.products.heatflow_stations import (
    Fit,
    Stations,
    fitted,
    line_quantities,
    usable_stations,
    with_seafloor,
)
from corephys.uncertainty import Measured

__all__ = ["corrected", "corrections"]

_ALLOW = ("good", "not_evaluated")
_T, _A, _SEA = "equilibrium_temperature", "temperature_anomaly", "seafloor_temperature_anomaly"
Shift = tuple[float, dict[str, float]]


def corrected(temperature: xr.Dataset, *anomalies: xr.Dataset) -> xr.Dataset:
    """Temperatures with anomalies taken off, for a fit of their own.

    Parameters
    ----------
    temperature : Dataset, (reading)
        ``equilibrium_temperature`` [degC].
    *anomalies : Dataset, (reading)
        ``temperature_anomaly`` [K] at the same positions.

    Returns
    -------
    Dataset
        ``equilibrium_temperature`` [degC] with the uncertainties of both; the attribute
        ``uncorrected`` says that the given temperatures are the uncorrected ones.

    Raises
    ------
    PositionError
        When the series lie at different positions.
    ValueError
        Without an anomaly.

    Notes
    -----
    T - sum of anomalies: conduction is linear, so that disturbances add (definition).
    """
    if not anomalies:
        raise ValueError("no anomaly was given; there is nothing to correct")
    for other in anomalies:
        series.require_same_positions(temperature=temperature, anomaly=other)
    measured = series.unpack(temperature, _T)
    parts = [series.unpack(other, _A) for other in anomalies]
    values = measured.values - sum(np.asarray(part.values) for part in parts)
    u, effects = uncertainty.combine([(1.0, measured), *((-1.0, part) for part in parts)])
    steps = [*json.loads(temperature.attrs.get("steps", "[]"))]
    for other in anomalies:
        steps += [f"taken off: {step}" for step in json.loads(other.attrs.get("steps", "[]"))]
    return series.build(
        {_T: Measured(values, u, effects, measured.reason)}, steps=tuple(steps),
        uncorrected="the given temperatures; corrections are tabulated beside them",
    )  # fmt: skip


def corrections(
    temperature: Any, resistance: xr.Dataset, *, anomalies: Mapping[str, xr.Dataset] | None = None,
    sedimentation: xr.Dataset | None = None, bottom_water_temperature: Any = None,
    bottom_water_temperature_uncertainty: Any = None, allow: tuple[str, ...] = _ALLOW,
) -> xr.Dataset:  # fmt: skip
    """Every correction of a heat flow with its sign and its errors, beside the uncorrected one.

    Parameters
    ----------
    temperature : Dataset or DataArray, (reading)
        ``equilibrium_temperature`` [degC].
    resistance : Dataset, (reading)
        From ``thermal_resistance`` at the same positions [m^2 K/W].
    anomalies : mapping of str to Dataset, optional
        ``temperature_anomaly`` [K] at the same positions by the name of its cause.
    sedimentation : Dataset, optional
        ``temperature_rise_ratio`` at the same positions, from ``sedimentation``.
    bottom_water_temperature, bottom_water_temperature_uncertainty : Quantity or str, optional
        The point at the seafloor [degC, K]; an anomaly moves it too.
    allow : tuple of str
        Flag levels of the temperatures that are used.

    Returns
    -------
    Dataset
        Along ``correction``: ``heat_flow_correction`` [mW/m^2], what is added, and ``heat_flow``
        [mW/m^2] with this correction alone; the first is ``none`` and the last ``all together``.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        Without a correction, or with fewer than three points.

    Notes
    -----
    With the weights w of the line, q = sum w T: an anomaly a moves q by sum w a and is taken off;
    under sedimentation q is left with F = sum w R r of its steady value, r the rise of temperature
    over its steady value, and is divided by F. Refraction by relief or by bodies of other
    conductivity has no closed form and is not here.
    """
    given = dict(anomalies or {})
    if not given and sedimentation is None:
        raise ValueError("no correction was given: name anomalies, or sedimentation, or both")
    stations = with_seafloor(
        usable_stations(temperature, resistance, allow), bottom_water_temperature,
        bottom_water_temperature_uncertainty,
    )  # fmt: skip
    fit = fitted(stations)
    shifts = {}
    for name, dataset in given.items():
        series.require_same_positions(temperature=temperature, **{name.replace(" ", "_"): dataset})
        shifts[name] = _anomaly_shift(dataset, stations, fit)
    factor: Shift = (1.0, {})
    if sedimentation is not None:
        series.require_same_positions(temperature=temperature, sedimentation=sedimentation)
        factor = _factor(sedimentation, stations, fit)
    return _table(stations, fit, shifts, factor, sedimentation is not None)


def _anomaly_shift(dataset: xr.Dataset, stations: Stations, fit: Fit) -> Shift:
    """What an anomaly adds to the heat flow [mW/m^2], and its effects; random ones as one more."""
    weights, means = 1e3 * fit.gain[1], stations.means
    inner, sea = weights[: means.size], weights[means.size :].sum()
    below = series.take(series.unpack(dataset, _A), slice(None))
    surface = series.unpack(dataset, _SEA) if _SEA in dataset else Measured(0.0)
    effects = {
        source: float(inner @ means.of(effect) + sea * np.asarray(surface.effects.get(source, 0.0)))
        for source, effect in below.effects.items()
    }
    scatter = float(np.sqrt(inner**2 @ means.variance(below.u_random**2)))
    if scatter != 0.0:
        effects["scatter of the correction"] = scatter
    return float(inner @ means.of(below.values) + sea * float(surface.values)), effects


def _factor(dataset: xr.Dataset, stations: Stations, fit: Fit) -> Shift:
    """Share of the steady heat flow that the line sees under sedimentation, and its effects."""
    ratio = series.take(series.unpack(dataset, "temperature_rise_ratio"), slice(None))
    means = stations.means
    weights = (fit.gain[1] * stations.resistance)[: means.size]
    return float(weights @ means.of(ratio.values)), {
        source: float(weights @ means.of(effect)) for source, effect in ratio.effects.items()
    }


def _table(
    stations: Stations, fit: Fit, shifts: dict[str, Shift], factor: Shift, buried: bool
) -> xr.Dataset:
    flow = line_quantities(fit, 0)["heat_flow"]
    rows: list[tuple[str, Shift, Shift]] = [("none", (0.0, {}), (1.0, {}))]
    rows += [(name, shift, (1.0, {})) for name, shift in shifts.items()]
    if buried:
        rows.append(("sedimentation", (0.0, {}), factor))
    every = {s for _, effects in shifts.values() for s in effects}
    total = {s: sum(effects.get(s, 0.0) for _, effects in shifts.values()) for s in every}
    rows.append(("all together", (sum(s[0] for s in shifts.values()), total), factor))
    sources = sorted({*flow.effects, *every, *factor[1]})
    size = len(rows)
    after, added, random = np.empty((3, size))
    by_source, by_correction = np.zeros((2, len(sources), size))
    for i, (_, (shift, moves), (share, bends)) in enumerate(rows):
        after[i] = (flow.values - shift) / share
        added[i] = after[i] - flow.values
        random[i] = flow.u_random / share
        for j, source in enumerate(sources):
            own = -moves.get(source, 0.0) / share - after[i] * bends.get(source, 0.0) / share
            steady = flow.effects.get(source, 0.0)
            by_correction[j, i] = own + steady * (1.0 / share - 1.0)
            by_source[j, i] = own + steady / share
    names = np.array([name for name, _, _ in rows], dtype=object)
    coords = {"correction": ("correction", names, {"long_name": "what was corrected for"})}

    def along(part: np.ndarray) -> xr.DataArray:
        return xr.DataArray(part, dims="correction", coords=coords)

    def spread(table: np.ndarray) -> dict[str, Any]:
        named = zip(sources, table, strict=True)
        return {source: xr.Variable("correction", row) for source, row in named}

    return series.build(
        {"heat_flow": Measured(along(after), along(random), spread(by_source)),
         "heat_flow_correction": Measured(
             along(added), along(np.abs(random - flow.u_random)), spread(by_correction))},
        steps=("corrections one at a time and all together, added to the heat flow of the line",),
        heat_flow_uncorrected=float(flow.values), points_used=stations.resistance.size,
        bottom_water="included" if stations.seafloor else "left out",
    )  # fmt: skip
