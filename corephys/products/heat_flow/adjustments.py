"""Corrections of a heat flow, each optional and signed, and heat production in the sediment."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import flags, series, units
from corephys.ground.arguments import positive
from corephys.products.heat_flow.carriers import resistivity, usable_points, wanted
from corephys.products.heat_flow.stations import (
    Fit,
    Stations,
    fitted,
    line_quantities,
    usable_stations,
)
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Measurement, Scalar

__all__ = ["corrected_temperature", "corrections", "heat_production_correction"]

# --------------------------------------------------------------------------------------------------
# Heat production in the sediment: it curves the temperatures and lowers the heat flow at depth.


_ALLOW = ("good", "not_evaluated")
_NAME = "heat_production"
_FINE = 2000  # pieces of the integral
_LAYERS = 200  # means of a dense profile


def heat_production_correction(
    heat_production: Measurement | str,
    conductivity: Measurement,
    *,
    at: xr.Dataset | Dimensional,
    heat_production_uncertainty: Scalar | None = None,
    how: str = "linear",
    allow: Sequence[str] = _ALLOW,
) -> xr.Dataset:
    """Anomaly of temperature and change of heat flow by heat production in the sediment.

    Parameters
    ----------
    heat_production : Dataset, DataArray, Quantity or str
        ``heat_production`` [uW/m^3]: one value, or a profile with the coordinate ``depth`` [m].
    conductivity : Dataset or DataArray, (reading)
        ``thermal_conductivity`` [W/(m K)] with the coordinate ``depth`` [m].
    at : Dataset, DataArray or Quantity
        Depths [m], or a series with the coordinate ``depth``.
    heat_production_uncertainty : Quantity or str, optional
        Standard uncertainty of a single value [uW/m^3]; unknown gives NaN.
    how : str
        Interpolation of conductivity, as for ``thermal_resistance``.
    allow : sequence of str
        Flag levels that are used, of both series.

    Returns
    -------
    Dataset
        ``temperature_anomaly`` [K], temperature less T0 + q0 R, and ``heat_flow_change``
        [mW/m^2], heat flow at the depth less that at the seafloor: both negative.
        ``seafloor_temperature_anomaly`` is zero.

    Raises
    ------
    ValueError
        For a heat production below zero or a profile without a usable value.

    Notes
    -----
    q(z) = q0 - integral of A, T = T0 + q0 R - integral of (integral of A) dz / k; with one A this
    is q0 - A z and, with one k, A z^2 / 2 k (Bullard 1939, Proceedings of the Royal Society A 173,
    474). A profile is linear between its values and constant beyond them; more than 200 are
    averaged by layers. Errors of the conductivity are neglected in this small term.
    """
    target, depth = wanted(at)
    production, known = _profile(heat_production, heat_production_uncertainty, allow)
    points = usable_points(conductivity, allow)[0]
    fine = np.linspace(0.0, max(np.nanmax(depth), 1e-9), _FINE + 1)
    if depth.size <= _FINE:
        fine = np.unique(np.append(fine, depth[np.isfinite(depth)]))
    step = np.diff(fine)[:, None]
    shares = np.column_stack([np.interp(fine, known, row) for row in np.eye(known.size)])
    heat = _running(0.5 * (shares[1:] + shares[:-1]) * step)
    warmth = heat * resistivity(points, fine, how)[:, None]
    rise = _running(0.5 * (warmth[1:] + warmth[:-1]) * step)

    def carried(table: np.ndarray, unit: float) -> Measured:
        def along(part: np.ndarray) -> xr.DataArray:
            found = np.interp(depth, fine, part)
            return target.copy(deep=False, data=np.where(np.isfinite(depth), found, np.nan))

        by_value = -unit * table
        return Measured(
            along(by_value @ production.values),
            along(np.sqrt(by_value**2 @ production.u_random**2)),
            {source: along(by_value @ effect) for source, effect in production.effects.items()},
        )

    # No sediment above the seafloor, hence no heat produced there.
    nothing = Measured(0.0, 0.0, dict.fromkeys(production.effects, 0.0))
    return series.build(
        {
            "temperature_anomaly": carried(rise, 1e-6),
            "heat_flow_change": carried(heat, 1e-3),
            "seafloor_temperature_anomaly": nothing,
        },
        steps=("heat flow less the heat produced above each depth (Bullard 1939)",),
        carrier=how,
        heat_productions_used=int(known.size),
    )


def _running(pieces: np.ndarray) -> np.ndarray:
    return np.concatenate([np.zeros((1, pieces.shape[1])), np.cumsum(pieces, axis=0)])


def _profile(value: Any, given: Any, allow: Sequence[str]) -> tuple[Measured, np.ndarray]:
    """Heat productions [uW/m^3] and their depths, one depth for a single value."""
    if not isinstance(value, (xr.Dataset, xr.DataArray)) or not value.dims:
        size = float(positive(value, "uW/m^3", _NAME, zero=True))
        u = float(
            uncertainty.given_uncertainty(given, "uW/m^3", "heat_production_uncertainty", value)
        )
        return Measured(np.array([size]), np.zeros(1), {_NAME: np.array([u])}), np.zeros(1)
    if "depth" not in value.coords:
        raise ValueError("a profile of heat production needs the coordinate depth; add it in m")
    measured = series.unpack(value, _NAME)
    values = np.asarray(measured.values, dtype=float)
    depth = np.asarray(units.position_in_library_units(value)["depth"].values, dtype=float)
    use = np.isfinite(values) & np.isfinite(depth) & (values >= 0.0)
    if isinstance(value, xr.Dataset) and f"{_NAME}_flag" in value:
        use &= flags.usable(value[f"{_NAME}_flag"].values, allow)
    if not use.any():
        raise ValueError(
            f"none of {values.size} heat productions is usable; one of zero or more with a depth "
            "and an allowed flag is needed"
        )
    index = np.flatnonzero(use)
    index = index[np.argsort(depth[index], kind="stable")]
    picked = series.take(measured, index)
    return _layered(picked, depth[index])


def _layered(picked: Measured, depth: np.ndarray) -> tuple[Measured, np.ndarray]:
    """Means of a dense profile by layers; values at one depth are averaged too."""
    width = (depth[-1] - depth[0]) / _LAYERS
    if depth.size > _LAYERS and width > 0.0:
        layer = np.minimum(((depth - depth[0]) / width).astype(int), _LAYERS - 1)
    else:
        layer = np.cumsum(np.diff(depth, prepend=depth[0]) > 0.0)
    _, layer = np.unique(layer, return_inverse=True)
    count = np.bincount(layer)

    def mean(part: Any) -> np.ndarray:
        return np.asarray(np.bincount(layer, np.asarray(part, dtype=float)) / count)

    u = np.sqrt(np.bincount(layer, np.asarray(picked.u_random) ** 2)) / count
    effects = {source: mean(effect) for source, effect in picked.effects.items()}
    return Measured(mean(picked.values), u, effects), mean(depth)


# --------------------------------------------------------------------------------------------------
# Corrections of a heat flow: each optional, signed and separate, beside the uncorrected value.


_T, _A, _SEA = "equilibrium_temperature", "temperature_anomaly", "seafloor_temperature_anomaly"
Shift = tuple[float, dict[str, float]]


def corrected_temperature(temperature: xr.Dataset, *anomalies: xr.Dataset) -> xr.Dataset:
    """Temperatures less their anomalies, for a separate fit.

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
        ``uncorrected`` refers to the given temperatures.

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
        raise ValueError("no anomaly was given; give one Dataset or more of temperature_anomaly")
    for other in anomalies:
        series.require_same_positions(temperature=temperature, anomaly=other)
    measured = series.unpack(temperature, _T)
    parts = [series.unpack(other, _A) for other in anomalies]
    values = measured.values - sum(np.asarray(part.values) for part in parts)
    u, effects = uncertainty.combine([(1.0, measured), *((-1.0, part) for part in parts)])
    steps = [*json.loads(temperature.attrs.get("steps", "[]"))]
    for other in anomalies:
        steps += [f"subtracted: {step}" for step in json.loads(other.attrs.get("steps", "[]"))]
    return series.build(
        {_T: Measured(values, u, effects, measured.reason)},
        steps=tuple(steps),
        uncorrected="the given temperatures; corrections are tabulated beside them",
    )


def corrections(
    temperature: Measurement,
    resistance: xr.Dataset,
    *,
    anomalies: Mapping[str, xr.Dataset] | None = None,
    sedimentation: xr.Dataset | None = None,
    bottom_water_temperature: Scalar | None = None,
    bottom_water_temperature_uncertainty: Scalar | None = None,
    allow: Sequence[str] = _ALLOW,
) -> xr.Dataset:
    """All corrections of a heat flow with sign and uncertainty, beside the uncorrected value.

    Parameters
    ----------
    temperature : Dataset or DataArray, (reading)
        ``equilibrium_temperature`` [degC].
    resistance : Dataset, (reading)
        From ``thermal_resistance`` at the same positions [m^2 K/W].
    anomalies : mapping of str to Dataset, optional
        ``temperature_anomaly`` [K] at the same positions, by the name of the cause.
    sedimentation : Dataset, optional
        ``temperature_rise_ratio`` at the same positions, from ``sedimentation``.
    bottom_water_temperature, bottom_water_temperature_uncertainty : Quantity or str, optional
        Temperature of the point at the seafloor [degC] and its standard uncertainty [K]; an
        anomaly changes this point too.
    allow : sequence of str
        Flag levels of the temperatures that are used.

    Returns
    -------
    Dataset
        Along ``correction``: ``heat_flow_correction`` [mW/m^2], which is added, and ``heat_flow``
        [mW/m^2] with this correction alone; the first is ``none`` and the last ``all together``.

    Raises
    ------
    PositionError
        When the series lie at different positions.
    ValueError
        Without a correction, or with fewer than three points.

    Notes
    -----
    With the weights w of the line, q = sum w T: an anomaly a changes q by sum w a, which is
    subtracted. Sedimentation reduces q to F = sum w R r of its steady value, where r is the rise
    of temperature over its steady value; q is divided by F. Refraction by relief or by bodies of
    other conductivity has no closed form and is not included.
    """
    given = dict(anomalies or {})
    if not given and sedimentation is None:
        raise ValueError("no correction was given; give anomalies=, sedimentation=, or both")
    stations = usable_stations(
        temperature,
        resistance,
        allow,
        bottom_water_temperature,
        bottom_water_temperature_uncertainty,
    )
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
    """Change of heat flow by an anomaly [mW/m^2] and its effects; random parts are one effect."""
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
    """Heat flow of the line under sedimentation over its steady value, and its effects."""
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
        {
            "heat_flow": Measured(along(after), along(random), spread(by_source)),
            "heat_flow_correction": Measured(
                along(added), along(np.abs(random - flow.u_random)), spread(by_correction)
            ),
        },
        steps=("corrections one at a time and all together, added to the heat flow of the line",),
        heat_flow_uncorrected=float(flow.values),
        points_used=stations.resistance.size,
        bottom_water="included" if stations.seafloor else "left out",
    )
