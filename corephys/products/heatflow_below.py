"""Temperature at a depth from the line of a heat flow, also below the last station."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series
from corephys.products.heatflow_means import DEPTH
from corephys.products.heatflow_points import Carried, carry, wanted
from corephys.products.heatflow_production import heat_production_correction
from corephys.products.heatflow_resistance import thermal_resistance
from corephys.products.heatflow_stations import (
    Stations,
    fitted,
    station_weights,
    usable_stations,
    with_seafloor,
)
from corephys.uncertainty import Measured

__all__ = ["temperature_at"]

_ALLOW = ("good", "not_evaluated")
_T = "equilibrium_temperature"


def temperature_at(
    at: Any, temperature: Any, conductivity: Any, *, how: str = "linear",
    heat_production: Any = None, heat_production_uncertainty: Any = None,
    bottom_water_temperature: Any = None, bottom_water_temperature_uncertainty: Any = None,
    depth_uncertainty: Any = None, datum_uncertainty: Any = None,
    allow: tuple[str, ...] = _ALLOW,
) -> xr.Dataset:  # fmt: skip
    """Temperature at any depth from the line through the stations, with its band.

    Parameters
    ----------
    at : Dataset, DataArray or Quantity
        Depths [m], or a series with the coordinate ``depth``.
    temperature : Dataset, (reading)
        ``equilibrium_temperature`` [degC] of the stations with the coordinate ``depth`` [m].
    conductivity : Dataset or DataArray, (reading)
        ``thermal_conductivity`` [W/(m K)] with the coordinate ``depth`` [m].
    how : str
        Way of carrying conductivity, as for ``thermal_resistance``; below the last reading it is
        an assumption.
    heat_production : Dataset, DataArray, Quantity or str, optional
        As for ``heat_production_correction`` [uW/m^3]: the line is then fitted to temperatures
        without its bend, and the bend is put back.
    heat_production_uncertainty : Quantity or str, optional
        Of a single value [uW/m^3].
    bottom_water_temperature, bottom_water_temperature_uncertainty : Quantity or str, optional
        The point at the seafloor [degC, K].
    depth_uncertainty : Quantity, str or Dataset, optional
    datum_uncertainty : Quantity or str, optional
        Of the stations, as for ``thermal_resistance`` [m].
    allow : tuple of str
        Flag levels that are used, of either.

    Returns
    -------
    Dataset
        ``equilibrium_temperature`` [degC] of the line with uncertainty and effects, and
        ``distance_below_last_station`` [m]. Below the last station the reason ``extrapolated`` is
        set. The attributes ``last_station`` and ``last_conductivity`` say where the two end.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        With fewer than three points, a depth above the seafloor, or as from
        ``thermal_resistance``.

    Notes
    -----
    T(z) = T0 + q R(z) - integral of (integral of A) dz / k. T0, q and R(z) lean on the same
    conductivities: the random variance is that of sum w_i (T_i - q R_i) + q R(z), where w are the
    derivatives by the temperatures of the stations, so that a temperature between stations does
    not doubt the conductivity above it twice (JCGM 102:2011). Natural scatter of conductivity
    below the last reading is carried; a change of sediment there is not.
    """
    target, depth = wanted(at)
    if np.any(depth < 0.0):
        raise ValueError(f"a depth of {np.nanmin(depth):g} m lies above the seafloor")
    resistance = thermal_resistance(
        conductivity, at=temperature, how=how, depth_uncertainty=depth_uncertainty,
        datum_uncertainty=datum_uncertainty, allow=allow,
    )  # fmt: skip
    stations = usable_stations(temperature, resistance, allow)
    last = float(np.max(stations.reading_depth, initial=-np.inf))
    points = with_seafloor(stations, bottom_water_temperature, bottom_water_temperature_uncertainty)
    every = np.append(points.depth, depth)
    bend, made = _bends(
        heat_production, heat_production_uncertainty, conductivity, every, how, allow
    )
    size = points.depth.size
    points = replace(points, temperature=points.temperature - bend[:size])
    carried = carry(conductivity, how, allow)
    found = _along_line(points, carried, depth, bend, made)
    beyond = np.maximum(depth - last, 0.0)
    reason = np.where(beyond > 0.0, flags.bit("extrapolated"), 0).astype(np.int64)
    values, u, effects = found

    def along(part: np.ndarray) -> xr.DataArray:
        return target.copy(deep=False, data=part)

    dataset = series.build(
        {_T: Measured(along(values), along(u), {s: along(e) for s, e in effects.items()},
                      along(reason))},
        steps=("T = T0 + q R(z) of the line through the stations (Bullard 1939)"
               + (", less the bend of heat production" if made is not None else ""),),
        carrier=how, last_station=last,
        last_conductivity=float(carried.carrier.depth[-1]),
        heat_production="not given, not carried" if made is None else "carried",
        depth_uncertainty=resistance.attrs["depth_uncertainty"],
        datum_uncertainty=resistance.attrs["datum_uncertainty"],
    )  # fmt: skip
    dataset["distance_below_last_station"] = along(beyond).assign_attrs(
        units="m", long_name="distance below the last station"
    )
    return dataset


def _bends(
    production: Any, given: Any, conductivity: Any, depth: np.ndarray, how: str,
    allow: tuple[str, ...],
) -> tuple[np.ndarray, Measured | None]:  # fmt: skip
    """Anomaly by heat production at stations and depths [K], zero where none is given."""
    if production is None:
        return np.zeros(depth.size), None
    where = xr.DataArray(depth, dims="reading", attrs={"units": "m"})
    found = heat_production_correction(
        production, conductivity, at=where, heat_production_uncertainty=given, how=how, allow=allow
    )
    made = series.take(series.unpack(found, "temperature_anomaly"), slice(None))
    return np.asarray(made.values), made


def _along_line(
    points: Stations, carried: Carried, depth: np.ndarray, bend: np.ndarray, made: Measured | None
) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Values [degC], random uncertainty [K] and effects [K] at the depths."""
    fit, carrier, size = fitted(points), carried.carrier, points.depth.size
    slope = fit.line.slope
    at_stations = station_weights(points, carrier)
    values, variance = np.empty((2, depth.size))
    effects = {source: np.empty(depth.size) for source in points.effects}
    for part, rows in carrier.blocks(depth):
        r = rows @ carrier.resistivity
        values[part] = fit.line.intercept + slope * r + bend[size:][part]
        weights = fit.gain[0] + r[:, None] * fit.gain[1]
        by_resistivity = slope * (rows - weights @ at_stations)
        variance[part] = ((weights @ fit.noise) * weights).sum(axis=1)
        variance[part] += by_resistivity**2 @ (carrier.own + carrier.spread)
        if DEPTH in points.parts:
            variance[part] += slope**2 * ((weights @ points.parts[DEPTH]) * weights).sum(axis=1)
        if made is not None:
            # Its profile errs mostly as one; the random rest is carried as if it did, the larger
            # way.
            variance[part] += (made.u_random[size:][part] - weights @ made.u_random[:size]) ** 2
        for source, (ex, ey) in points.effects.items():
            effects[source][part] = weights @ (ey - slope * ex)
            if source in carried.effects:
                effects[source][part] += slope * (rows @ carried.effects[source])
        for source, effect in made.effects.items() if made is not None else ():
            shift = effects.setdefault(source, np.zeros(depth.size))
            shift[part] += effect[size:][part] - weights @ effect[:size]
    u = np.sqrt(variance) if fit.known else np.full(depth.size, np.nan)
    return values, u, effects
