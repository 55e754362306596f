"""Heat flow: thermal resistance from conductivities, and the line of temperature against it.

Conductivity is known at points and needed between them. How it is interpolated is a choice:
:func:`compare_carriers` computes the heat flow by each of the ways, and the spread between them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import flags, series, thresholds
from corephys.products.heat_flow.adjustments import (
    corrected_temperature,
    corrections,
    heat_production_correction,
)
from corephys.products.heat_flow.bend import curvature
from corephys.products.heat_flow.carriers import CARRIERS, usable_points
from corephys.products.heat_flow.expected import (
    conductivity_at_temperature,
    conductivity_of_water_content,
    heat_flow_of_age,
    temperature_at,
)
from corephys.products.heat_flow.line import best_line, student
from corephys.products.heat_flow.resistance import resistance_by, thermal_resistance
from corephys.products.heat_flow.station_intervals import intervals, monte_carlo
from corephys.products.heat_flow.stations import (
    BEDS,
    EXCESS,
    TEMPERATURE,
    WATER,
    Fit,
    Stations,
    chance,
    fitted,
    line_quantities,
    usable_stations,
    usable_temperatures,
)
from corephys.products.heat_flow.transients import (
    bottom_water_anomaly,
    seasonal_anomaly,
    sedimentation,
)
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Measurement, Scalar

__all__ = [
    "CARRIERS",
    "bottom_water_anomaly",
    "bullard",
    "compare_carriers",
    "conductivity_at_temperature",
    "conductivity_of_water_content",
    "corrected_temperature",
    "corrections",
    "curvature",
    "heat_flow_of_age",
    "heat_production_correction",
    "intervals",
    "monte_carlo",
    "seasonal_anomaly",
    "sedimentation",
    "temperature_at",
    "thermal_resistance",
]

_UNLIKELY = thresholds.value("line_least_probability")
_ALLOW = ("good", "not_evaluated")


def bullard(
    temperature: Measurement,
    resistance: xr.Dataset,
    *,
    bottom_water_temperature: Scalar | None = None,
    bottom_water_temperature_uncertainty: Scalar | None = None,
    allow: Sequence[str] = _ALLOW,
) -> xr.Dataset:
    """Heat flow from the line of temperature against thermal resistance.

    Parameters
    ----------
    temperature : Dataset or DataArray, (reading)
        ``equilibrium_temperature`` [degC]. More than 200 are averaged over as many cells of
        depth, each mean with its variance; resistances with the same weights.
    resistance : Dataset, (reading)
        From :func:`thermal_resistance` at the same positions [m^2 K/W].
    bottom_water_temperature : Quantity or str, optional
        Bottom-water temperature [degC], which adds the seafloor as a point at resistance zero.
    bottom_water_temperature_uncertainty : Quantity or str, optional
        Standard uncertainty of that point [K], independent of the others.
    allow : sequence of str
        Flag levels of the temperatures that are used.

    Returns
    -------
    Dataset
        ``heat_flow`` [mW/m^2] and ``surface_temperature`` [degC] with uncertainties, effects and
        flags; ``heat_flow_interval (bound)`` [mW/m^2], the 68 % interval;
        ``heat_flow_random_parts (part)`` [mW/m^2], standard uncertainties whose squares add up to
        that of ``heat_flow_u_random``; and with a point at the seafloor
        ``heat_flow_without_bottom_water`` [mW/m^2] and
        ``seafloor_temperature_difference`` [K], the intercept without that point less the water.

    Raises
    ------
    PositionError
        When temperature and resistance lie at different positions.
    ValueError
        With fewer than three points.

    Notes
    -----
    T = T0 + q R (Bullard 1939, Proceedings of the Royal Society A 173, 474): steady, vertical
    conduction without sources. Both axes have errors, those of the resistances correlated: with
    Omega = C_T + q^2 C_R the line solves [1, R_s]' Omega^-1 (T - T0 - q R) = 0, R_s the resistance
    of the smooth conductivities, which is correlated with the true resistance and shares no error
    with the data (an instrument; Fuller 1987, Measurement Error Models, from memory). If each
    reading of conductivity set its own weight, dense temperatures would bias the heat flow upward.
    For resistances without ``carried_resistivity`` the adjusted points replace R_s, which gives
    the most likely line (York and others 2004, American Journal of Physics 72, 367). Effects are
    propagated to first order, with both axes moved by one standard uncertainty of a source.

    Where chi-square exceeds its degrees of freedom, an independent scatter of the temperatures is
    added to their variances that makes the two equal (Mandel and Paule 1970, Analytical Chemistry
    42, 1194). Temperatures denser than the conductivities resolve beds between the conductivities:
    there the scatter added first is that of beds at most as thick as the distance of the
    conductivities, which neighbours share. The fit is flagged where chance exceeds its chi-square
    in less than 1 % of holes, by the F distribution with the degrees of freedom of the natural
    scatter, which is itself an estimate, and with such beds included. The interval takes
    Student's t at n - 2 degrees of freedom for the random part. Where the uncertainty of a point
    is unknown, the weights follow the known ones and the random uncertainty is NaN.
    """
    points = usable_stations(
        temperature,
        resistance,
        allow,
        bottom_water_temperature,
        bottom_water_temperature_uncertainty,
    )
    fit = fitted(points)
    freedom = float(resistance.attrs.get("natural_scatter_degrees_of_freedom", np.inf))
    probability = chance(points, fit.first, freedom)
    quantities = line_quantities(fit, flags.bit("poor_fit") if probability < _UNLIKELY else 0)
    used = points.means.index.size
    dataset = series.build(
        quantities,
        steps=("T = T0 + q R (Bullard 1939), errors in both axes, weights by depth alone",),
        points_used=points.resistance.size,
        temperatures_used=used,
        temperatures_left_out=int(points.offered - used),
        temperature_means=points.means.size if points.means.size < used else 0,
        bottom_water="included" if points.seafloor else "left out",
        chi_square=fit.first.chi_square,
        reduced_chi_square=fit.first.chi_square / fit.first.degrees_of_freedom,
        chi_square_probability=probability,
        excess_scatter_of_temperature=fit.excess,
        share_of_beds_between_conductivities=fit.beds,
        carrier=str(resistance.attrs.get("carrier", "")),
        depth_uncertainty=str(resistance.attrs.get("depth_uncertainty", "")),
        datum_uncertainty=str(resistance.attrs.get("datum_uncertainty", "")),
    )
    dataset["heat_flow_interval"] = _interval(quantities["heat_flow"], fit.line.degrees_of_freedom)
    dataset["heat_flow_random_parts"] = _random_parts(points, fit)
    if points.seafloor and used >= 3:
        dataset.update(_without_seafloor(points))
    return dataset


def _random_parts(points: Stations, fit: Fit) -> xr.DataArray:
    """Standard uncertainties [mW/m^2] whose squares add up to the random variance of heat flow."""
    gain, own = fit.gain[1], points.variance.copy()
    parts = {}
    if points.seafloor:
        parts[WATER] = gain[-1] ** 2 * own[-1]
        own[-1] = 0.0
    parts[TEMPERATURE] = float(np.sum(gain**2 * own))
    parts[EXCESS] = float(np.sum(gain**2) * fit.excess**2)
    if fit.beds:
        parts[BEDS] = float(fit.beds * fit.first.slope**2 * gain @ points.between @ gain)
    for part, covariance in points.parts.items():
        parts[part] = float(fit.line.slope**2 * gain @ covariance @ gain)
    # The gain is that of the fitted line, the covariance that of its adjusted points. They differ
    # by a term of second order, which is distributed over the parts so that they add up.
    scale = fit.line.covariance[1, 1] / sum(parts.values()) if fit.known else float("nan")
    parts = {part: scale * value for part, value in parts.items()}
    names = np.array(list(parts), dtype=object)
    return xr.DataArray(
        1e3 * np.sqrt(list(parts.values())),
        dims="part",
        coords={"part": ("part", names, {"long_name": "cause of the part"})},
        attrs={"units": "mW/m^2", "long_name": "random standard uncertainty of heat flow by part"},
    )


def _interval(flow: Measured, freedom: int) -> xr.DataArray:
    """68.27 % interval: Student's t for the random part, one sigma of the effects."""
    factor = student(freedom)
    systematic = uncertainty.norm(flow.effects) if flow.effects else 0.0
    half = np.hypot(factor * flow.u_random, systematic)
    return xr.DataArray(
        [flow.values - half, flow.values + half],
        dims="bound",
        coords={
            "bound": (
                "bound",
                np.array(["lower", "upper"], dtype=object),
                {"long_name": "end of the interval"},
            )
        },
        attrs={"units": "mW/m^2", "long_name": "68 % interval of heat flow"},
    )


def _without_seafloor(points: Stations) -> dict[str, xr.DataArray]:
    """Heat flow of the stations alone, and their temperature at the seafloor less bottom water."""
    x, y, cx, cy, guide = points.points
    water = float(y[-1])
    inner = None if guide is None else guide[:-1]
    line, _ = best_line(x[:-1], y[:-1], cx[:-1, :-1].copy(), cy[:-1], inner)
    flow = {"units": "mW/m^2", "long_name": "heat flow without the point at the seafloor"}
    apart = {
        "units": "K",
        "long_name": "temperature at the seafloor from the stations alone, less bottom water",
    }
    return {
        "heat_flow_without_bottom_water": xr.DataArray(1e3 * line.slope, attrs=flow),
        "seafloor_temperature_difference": xr.DataArray(line.intercept - water, attrs=apart),
    }


def compare_carriers(
    temperature: Measurement,
    conductivity: Measurement,
    *,
    resistance: xr.Dataset | None = None,
    bottom_water_temperature: Scalar | None = None,
    bottom_water_temperature_uncertainty: Scalar | None = None,
    depth_uncertainty: Scalar | xr.Dataset | None = None,
    datum_uncertainty: Scalar | None = None,
    allow: Sequence[str] = _ALLOW,
) -> xr.Dataset:
    """Heat flow by each way of interpolating conductivity between its points.

    Parameters
    ----------
    temperature : Dataset, (reading)
        ``equilibrium_temperature`` [degC] with the coordinate ``depth``.
    conductivity : Dataset, (reading)
        ``thermal_conductivity`` [W/(m K)] with the coordinate ``depth``.
    resistance : Dataset, optional
        From :func:`thermal_resistance` of the same conductivities at the temperatures, if it is at
        hand [m^2 K/W]: the result of its own carrier.
    bottom_water_temperature, bottom_water_temperature_uncertainty, allow
        Same as for :func:`bullard` [degC, K].
    depth_uncertainty : Quantity, str or Dataset, optional
    datum_uncertainty : Quantity or str, optional
        Same as for :func:`thermal_resistance` [m].

    Returns
    -------
    Dataset
        ``heat_flow`` [mW/m^2] along ``carrier``, its standard uncertainty and reduced chi-square;
        the attribute ``spread`` is the largest less the smallest [mW/m^2]. A trend through fewer
        than three depths is left out.

    Raises
    ------
    ValueError
        Same as from :func:`bullard` and :func:`thermal_resistance`.

    Notes
    -----
    Same source as :func:`thermal_resistance` and :func:`bullard`. The spread is not a standard
    uncertainty: all ways use the same readings.
    """
    # The temperatures are the same for all carriers: converted and selected once.
    readings = usable_temperatures(temperature, allow)
    depths = usable_points(conductivity, allow)[0].depth.size
    ways = [way for way in CARRIERS if way != "trend" or depths >= 3]
    flow, total, reduced = np.empty((3, len(ways)))
    for i, way in enumerate(ways):
        same = resistance is not None and resistance.attrs.get("carrier") == way
        carried = resistance_by(
            way,
            conductivity,
            resistance if same else None,
            at=temperature,
            depth_uncertainty=depth_uncertainty,
            datum_uncertainty=datum_uncertainty,
            allow=allow,
        )
        points = usable_stations(
            readings,
            carried,
            allow,
            bottom_water_temperature,
            bottom_water_temperature_uncertainty,
        )
        fit = fitted(points)
        systematic = sum(shift[1] ** 2 for shift in fit.effects.values()) if fit.effects else np.nan
        random = fit.line.slope_uncertainty if fit.known else np.nan
        flow[i], total[i] = 1e3 * fit.line.slope, 1e3 * np.sqrt(random**2 + systematic)
        reduced[i] = fit.first.chi_square / fit.first.degrees_of_freedom
    unit = {"units": "mW/m^2"}
    return xr.Dataset(
        {
            "heat_flow": ("carrier", flow, {**unit, "long_name": "heat flow"}),
            "heat_flow_uncertainty": (
                "carrier",
                total,
                {**unit, "long_name": "standard uncertainty of heat flow"},
            ),
            "reduced_chi_square": (
                "carrier",
                reduced,
                {"units": "1", "long_name": "reduced chi-square of the line"},
            ),
        },
        coords={
            "carrier": (
                "carrier",
                np.array(ways, dtype=object),
                {"long_name": "way of carrying conductivity"},
            )
        },
        attrs={"spread": float(np.ptp(flow)), "spread_units": "mW/m^2"},
    )
