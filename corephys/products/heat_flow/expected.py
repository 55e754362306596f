"""Expected temperature below the stations, heat flow of an age, and conductivity of mud."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, thresholds, units
from corephys.ground.arguments import measured_fraction, positive
from corephys.ground.choices import choice, plain_words
from corephys.products.heat_flow.adjustments import heat_production_correction
from corephys.products.heat_flow.carriers import Carried, carry, wanted
from corephys.products.heat_flow.resistance import resistance_by
from corephys.products.heat_flow.stations import (
    DEPTH,
    Stations,
    fitted,
    station_weights,
    usable_stations,
)
from corephys.uncertainty import Measured, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Fraction, Measurement, Scalar

__all__ = [
    "conductivity_at_temperature",
    "conductivity_of_water_content",
    "heat_flow_of_age",
    "temperature_at",
]

# --------------------------------------------------------------------------------------------------
# Temperature at a depth from the line of a heat flow, also below the last station.


_ALLOW = ("good", "not_evaluated")
_T = "equilibrium_temperature"


def temperature_at(
    at: xr.Dataset | Dimensional,
    temperature: Measurement,
    conductivity: Measurement,
    *,
    how: str = "linear",
    resistance: xr.Dataset | None = None,
    heat_production: Measurement | str | None = None,
    heat_production_uncertainty: Scalar | None = None,
    bottom_water_temperature: Scalar | None = None,
    bottom_water_temperature_uncertainty: Scalar | None = None,
    depth_uncertainty: Scalar | xr.Dataset | None = None,
    datum_uncertainty: Scalar | None = None,
    allow: Sequence[str] = _ALLOW,
) -> xr.Dataset:
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
        Interpolation of conductivity, as for ``thermal_resistance``; below the last reading it is
        an assumption.
    resistance : Dataset, optional
        From ``thermal_resistance`` of the same conductivities at the temperatures, if it is at
        hand [m^2 K/W]; its uncertainties of depth are taken then.
    heat_production : Dataset, DataArray, Quantity or str, optional
        Same as for ``heat_production_correction`` [uW/m^3]. The line is then fitted to
        temperatures without its anomaly, which is added again to the result.
    heat_production_uncertainty : Quantity or str, optional
        Standard uncertainty of a single value [uW/m^3].
    bottom_water_temperature, bottom_water_temperature_uncertainty : Quantity or str, optional
        Temperature of the point at the seafloor [degC] and its standard uncertainty [K].
    depth_uncertainty : Quantity, str or Dataset, optional
    datum_uncertainty : Quantity or str, optional
        Uncertainties of the depths of stations, as for ``thermal_resistance`` [m].
    allow : sequence of str
        Flag levels that are used, of both series.

    Returns
    -------
    Dataset
        ``equilibrium_temperature`` [degC] of the line with uncertainty and effects, and
        ``distance_below_last_station`` [m]. Below the last station the reason ``extrapolated`` is
        set. The attributes ``last_station`` and ``last_conductivity`` are the depths of the
        last of each [m].

    Raises
    ------
    ValueError
        With fewer than three points, a depth above the seafloor, or as from
        ``thermal_resistance``.

    Notes
    -----
    T(z) = T0 + q R(z) - integral of (integral of A) dz / k. T0, q and R(z) depend on the same
    conductivities: the random variance is that of sum w_i (T_i - q R_i) + q R(z), where w are the
    derivatives by the temperatures of the stations, so that the uncertainty of a conductivity
    above two stations does not count twice between them (JCGM 102:2011). Natural scatter of
    conductivity below the last reading is included; a change of sediment there is not.
    """
    target, depth = wanted(at)
    if np.any(depth < 0.0):
        raise ValueError(
            f"a depth of {np.nanmin(depth):g} m lies above the seafloor; give depths of 0 or more"
        )
    resistance = resistance_by(
        how,
        conductivity,
        resistance,
        at=temperature,
        depth_uncertainty=depth_uncertainty,
        datum_uncertainty=datum_uncertainty,
        allow=allow,
    )
    points = usable_stations(
        temperature,
        resistance,
        allow,
        bottom_water_temperature,
        bottom_water_temperature_uncertainty,
    )
    last = float(np.max(points.reading_depth, initial=-np.inf))
    # The anomaly at stations and targets in one call, so that both have the same profile.
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
        {
            _T: Measured(
                along(values), along(u), {s: along(e) for s, e in effects.items()}, along(reason)
            )
        },
        steps=(
            "T = T0 + q R(z) of the line through the stations (Bullard 1939)"
            + (", less the bend of heat production" if made is not None else ""),
        ),
        carrier=how,
        last_station=last,
        last_conductivity=float(carried.carrier.depth[-1]),
        heat_production="not given, not carried" if made is None else "carried",
        depth_uncertainty=resistance.attrs["depth_uncertainty"],
        datum_uncertainty=resistance.attrs["datum_uncertainty"],
    )
    dataset["distance_below_last_station"] = along(beyond).assign_attrs(
        units="m", long_name="distance below the last station"
    )
    return dataset


def _bends(
    production: Measurement | str | None,
    given: Scalar | None,
    conductivity: Measurement,
    depth: np.ndarray,
    how: str,
    allow: Sequence[str],
) -> tuple[np.ndarray, Measured | None]:
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
            # Errors of its profile are mostly common; the random rest is treated as common too,
            # which gives the larger uncertainty.
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


# --------------------------------------------------------------------------------------------------
# Expected values where nothing was measured: heat flow of an age, conductivity of mud.


_C = constants.CONSTANTS
_DRIEST = thresholds.value("mud_least_water")
_WETTEST = thresholds.value("mud_greatest_water")
_PLATE = (
    "young_ocean_heat_flow",
    "old_ocean_heat_flow",
    "old_ocean_excess",
    "old_ocean_decay",
    "plate_onset_age",
)
_MUD: tuple[str, ...] = (
    "mud_resistivity_dry",
    "mud_resistivity_of_water",
    "mud_resistivity_scatter",
)


def heat_flow_of_age(
    age: Dimensional, *, cooling: str = "plate", half_space: Scalar = _C["half_space_heat_flow"]
) -> xr.Dataset:
    """Heat flow expected for the age of the ocean floor by conductive cooling.

    Parameters
    ----------
    age : Quantity, DataArray or str
        Age of the ocean floor [Myr].
    cooling : {"plate", "half_space"}
        Cooling of a plate of finite thickness, or of a half-space.
    half_space : Quantity, str or Constant
        Heat flow of the half-space at 1 Myr [mW/m^2].

    Returns
    -------
    Dataset
        ``heat_flow_of_age`` [mW/m^2]; its uncertainty is unknown. Measured values are mostly
        lower on floor younger than about 65 Myr, where sea water removes part of the heat.

    Raises
    ------
    ValueError
        For an unknown way of cooling or an age that is not positive.

    Notes
    -----
    510 / sqrt(t) up to 55 Myr and 48 + 96 exp(-0.0278 t) beyond (Stein and Stein 1992, Nature
    359, 123); C / sqrt(t) for the half-space (Parsons and Sclater 1977, Journal of Geophysical
    Research 82, 803, from memory). The two branches of the plate differ by 0.04 mW/m^2 where
    they meet.

    Examples
    --------
    >>> float(heat_flow_of_age("4 Myr")["heat_flow_of_age"])
    255.0
    """
    cooling = choice(cooling, ("plate", "half_space"), "cooling")
    t = positive(age, "Myr", "age")
    if cooling == "half_space":
        at_one = float(positive(half_space, "mW/m^2", "half_space"))
        found = series.apply(lambda years: at_one / np.sqrt(years), t)
    else:
        young, old, more, decay, bend = (_C[name].value for name in _PLATE)
        found = series.apply(
            lambda years: np.where(
                years <= bend, young / np.sqrt(years), old + more * np.exp(-decay * years)
            ),
            t,
        )
    used = {"half_space": half_space} if cooling == "half_space" else {r: _C[r] for r in _PLATE}
    return series.build(
        {"heat_flow_of_age": Measured(found)},
        steps=(f"heat flow of {plain_words(cooling)} cooling at the age of the ocean floor",),
        constants=used,
    )


def conductivity_of_water_content(
    water_content: Fraction | xr.Dataset, *, conditions: str = "seafloor"
) -> xr.Dataset:
    """Thermal conductivity of mud from its water content alone.

    Parameters
    ----------
    water_content : Dataset, DataArray, Quantity or str
        ``water_content_wet``, mass of water over wet mass [1].
    conditions : {"seafloor", "laboratory"}
        Conditions of the conductivity; in the laboratory it is 4 % higher.

    Returns
    -------
    Dataset
        ``thermal_conductivity`` [W/(m K)]. Its random uncertainty combines 4 % of scatter with
        that of the water content, and is unknown where that is. Water contents below 0.2 or above
        0.8 are flagged ``beyond_calibration``.

    Raises
    ------
    ValueError
        For unknown conditions, or when no water content lies between 0 and 1.

    Notes
    -----
    1 / k = (168 + 678 w) cm s K/cal (Bullard 1963, The Sea 3, 224). An estimate for holes without
    needle measurements; it does not hold for quartz or carbonate.

    Examples
    --------
    >>> round(float(conductivity_of_water_content("0.45 1")["thermal_conductivity"]), 3)
    0.884
    """
    conditions = choice(conditions, ("seafloor", "laboratory"), "conditions")
    water = measured_fraction(series.unpack(water_content, "water_content_wet"), "water_content")
    share = np.asarray(water.values, dtype=float)
    if not np.any((share > 0.0) & (share < 1.0)):
        raise ValueError(
            f"water_content is {share.flat[0]:g}; give a share of the wet mass, between 0 and 1"
        )
    dry, wet = (units.as_floats(_C[name], "m K/W", name) for name in _MUD[:2])
    factor, used = 1.0, _MUD
    if conditions == "laboratory":
        used = (*_MUD, "laboratory_to_seafloor_conductivity")
        factor = 1.0 / (1.0 + _C["laboratory_to_seafloor_conductivity"].value / 100.0)
    resistivity = (dry + wet * water.values) / factor
    k = xr.where((share >= 0.0) & (share <= 1.0), 1.0 / resistivity, np.nan)
    slope = -wet / factor * np.asarray(k) ** 2
    own = np.asarray(water.u_random, dtype=float)
    random = np.hypot(_C["mud_resistivity_scatter"].value * np.asarray(k), slope * own)
    reason = np.where((share < _DRIEST) | (share > _WETTEST), flags.bit("beyond_calibration"), 0)
    effects = {source: slope * np.asarray(effect) for source, effect in water.effects.items()}
    values = water.values * 0.0 + k if isinstance(water.values, xr.DataArray) else float(k)
    return series.build(
        {
            "thermal_conductivity": Measured(
                values,
                random,
                effects,
                series.joined_reasons(without_coords(water.reason), reason.astype(np.int64)),
            )
        },
        steps=(f"conductivity of water content at {conditions} conditions (Bullard 1963)",),
        constants={row: _C[row] for row in used},
    )


def conductivity_at_temperature(conductivity: Dimensional, temperature: Dimensional) -> xr.Dataset:
    """Thermal conductivity of sedimentary rock at a temperature from that at 25 degC.

    Parameters
    ----------
    conductivity : Quantity, DataArray or str
        Thermal conductivity at 25 degC [W/(m K)].
    temperature : Quantity, DataArray or str
        Temperature of the result [degC].

    Returns
    -------
    Dataset
        ``thermal_conductivity`` [W/(m K)]; its uncertainty is unknown.

    Raises
    ------
    PositionError
        When the series lie at different positions.
    ValueError
        When no conductivity is positive.

    Notes
    -----
    k = k0 / (0.99 + T (a - b / k0)), k0 = 0.54 k25 + sqrt(1.16 k25^2 - 0.39 k25) / 2, T in degC
    (Vosteen and Schellschmidt 2003, Physics and Chemistry of the Earth 28, 499, sedimentary rock;
    the relation and its numbers are from memory and doubtful). Soft mud follows its water: see
    ``needle.in_situ``.
    """
    series.require_same_positions(conductivity=conductivity, temperature=temperature)
    k25 = positive(conductivity, "W/(m K)", "conductivity")
    warm = units.as_floats(temperature, "degC", "temperature")
    a, b = _C["warm_rock_a"].value, _C["warm_rock_b"].value

    def kernel(k: Any, t: Any) -> Any:
        k0 = 0.54 * k + 0.5 * np.sqrt(np.maximum(1.16 * k**2 - 0.39 * k, 0.0))
        return k0 / (0.99 + t * (a - b / k0))

    return series.build(
        {"thermal_conductivity": Measured(series.apply(kernel, k25, warm))},
        steps=("conductivity at temperature (Vosteen and Schellschmidt 2003, from memory)",),
        constants={row: _C[row] for row in ("warm_rock_a", "warm_rock_b")},
    )
