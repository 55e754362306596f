"""Heat flow: thermal resistance from conductivities, and the line of temperature against it.

Conductivity is known at points and needed between them. Every way of carrying it from point to
point is a choice, so the ways stand side by side and their spread is a number of its own.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys import flags, series, uncertainty, units
from corephys.numerics.line import Line
from corephys.products.heatflow_carriers import CARRIERS, Points, merge, resistance, scatter
from corephys.products.heatflow_line import best_line, exceeded, line_effects, student, with_excess
from corephys.uncertainty import Measured

__all__ = ["CARRIERS", "bullard", "compare_carriers", "thermal_resistance"]

_ALLOW = ("good", "not_evaluated")
_K = "thermal_conductivity"


def thermal_resistance(
    conductivity: Any, *, at: Any, how: str = "linear", allow: tuple[str, ...] = _ALLOW
) -> xr.Dataset:
    """Thermal resistance between the seafloor and given depths.

    Parameters
    ----------
    conductivity : Dataset or DataArray, (reading)
        ``thermal_conductivity`` [W/(m K)] with the coordinate ``depth`` [m].
    at : Dataset, DataArray or Quantity
        Depths [m], or a series with the coordinate ``depth``.
    how : {"linear", "steps", "harmonic mean", "trend"}
        What stands between the points: the resistivity 1/k linear from point to point; that of
        the nearest point; one harmonic mean for the hole, weighted by thickness; or a straight
        line of 1/k against depth. Resistances in series add, so resistivity is what is carried.
        Beyond the first and the last point "linear" and "steps" keep their values.
    allow : tuple of str
        Flag levels of the conductivity that are used.

    Returns
    -------
    Dataset
        ``thermal_resistance`` [m^2 K/W] with uncertainty, effects and flags, and
        ``thermal_resistance_covariance`` [m^4 K^2/W^2], the random part between all depths, which
        share the sediment above them.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For an unknown way, a conductivity without depth, no usable conductivity, or fewer than
        three depths for a trend.

    Notes
    -----
    R(z) = integral of dz / k from the seafloor (Bullard 1939, Proceedings of the Royal Society A
    173, 474). With the derivatives J of R by the conductivities the random covariance is
    J diag(u^2 + s^2) J', and an effect is J times the effect of the conductivities (JCGM 102:2011,
    6.2). s is the natural scatter of the conductivities about their carrier beyond their own
    errors: a needle reads a few centimetres and stands for metres. It is a moment estimate (each
    point against its neighbours, or against the line or the mean), and NaN with one depth only.
    An estimate from few points is uncertain itself: it enters multiplied by Student's t for
    68.27 % at its degrees of freedom, so that one standard uncertainty holds what it says.
    Readings less than 10 cm apart share that scatter and are averaged first.
    """
    if how not in CARRIERS:
        raise ValueError(f"how is {how!r}; there is {', '.join(CARRIERS)}")
    points, used, left_out = _points(conductivity, allow)
    if how == "trend" and points.depth.size < 3:
        raise ValueError(f"a trend needs conductivities at three depths, not {points.depth.size}")
    target, depth = _target(at)
    values, by_k = resistance(points, depth, how)
    natural, freedom = scatter(points, how)
    # An error that is not stated shows in the scatter, which then holds both.
    own = np.where(np.isfinite(points.u_random), points.u_random, 0.0)
    covariance = (by_k * (own**2 + (natural * student(freedom)) ** 2)) @ by_k.T

    def along(part: np.ndarray) -> xr.DataArray:
        return target.copy(deep=False, data=part)

    result = Measured(
        along(values), along(np.sqrt(np.diag(covariance))),
        {source: along(by_k @ effect) for source, effect in points.effects.items()},
    )  # fmt: skip
    dataset = series.build(
        {"thermal_resistance": result},
        steps=(f"resistance by {how}, from the seafloor down (Bullard 1939)",),
        carrier=how,
        conductivities_used=used,
        conductivities_left_out=left_out,
        conductivity_depths=int(points.depth.size),
        natural_scatter_of_conductivity=natural,
        natural_scatter_degrees_of_freedom=freedom,
    )
    dataset["thermal_resistance_covariance"] = xr.DataArray(
        covariance, dims=(*target.dims, f"{target.dims[0]}_2"),
        attrs={"units": "m^4 K^2/W^2", "long_name": "random covariance of thermal resistance"},
    )  # fmt: skip
    return dataset


def _points(conductivity: Any, allow: tuple[str, ...]) -> tuple[Points, int, int]:
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


def _target(at: Any) -> tuple[xr.DataArray, np.ndarray]:
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


def bullard(
    temperature: Any, resistance: xr.Dataset, *, bottom_water_temperature: Any = None,
    bottom_water_temperature_uncertainty: Any = None, allow: tuple[str, ...] = _ALLOW,
) -> xr.Dataset:  # fmt: skip
    """Heat flow from the line of temperature against thermal resistance.

    Parameters
    ----------
    temperature : Dataset or DataArray, (reading)
        ``equilibrium_temperature`` [degC].
    resistance : Dataset, (reading)
        From :func:`thermal_resistance` at the same positions [m^2 K/W].
    bottom_water_temperature : Quantity or str, optional
        Makes the seafloor a point, at resistance zero [degC]; left out where not given.
    bottom_water_temperature_uncertainty : Quantity or str, optional
        Standard uncertainty of that point [K], independent of the others.
    allow : tuple of str
        Flag levels of the temperatures that are used.

    Returns
    -------
    Dataset
        ``heat_flow`` [mW/m^2] and ``surface_temperature`` [degC] with uncertainties, effects and
        flags; ``heat_flow_interval (bound)`` [mW/m^2], the 68 % interval; and with a point at the
        seafloor ``heat_flow_without_bottom_water`` [mW/m^2] and
        ``seafloor_temperature_difference`` [K], the intercept without that point less the water.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When temperature and resistance lie at different positions.
    ValueError
        With fewer than three points.

    Notes
    -----
    T = T0 + q R (Bullard 1939, Proceedings of the Royal Society A 173, 474): steady, vertical
    conduction without sources. The most likely line with errors in both axes and correlated
    resistances (York and others 2004, American Journal of Physics 72, 367, for full covariances).
    Effects go through the line to first order, with both axes moved by one standard uncertainty
    of a source. Where chi-square exceeds its degrees of freedom an independent scatter of the
    temperatures, as large as makes it equal, is added to their variances (Mandel and Paule 1970,
    Analytical Chemistry 42, 1194). A chi-square that chance exceeds in less than 1 % of holes
    flags the fit, by the F distribution with the degrees of freedom of the natural scatter below,
    since that is itself an estimate. The interval takes Student's t at n - 2 degrees of freedom
    for the random part. Where the uncertainty of any point is not known the points weigh by what
    is known and the random uncertainty is NaN.
    """
    base, stations, used = _bullard_points(temperature, resistance, allow)
    points = _with_seafloor(
        stations, bottom_water_temperature, bottom_water_temperature_uncertainty
    )
    number = points[0].size
    freedom = float(resistance.attrs.get("natural_scatter_degrees_of_freedom", np.inf))
    line, effects, first, excess, known = _fitted(points)
    probability = exceeded(first, freedom)
    reason = flags.bit("poor_fit") if probability < 0.01 else 0
    spread = 1.0 if known else float("nan")
    quantities = {
        "heat_flow": Measured(
            1e3 * line.slope, 1e3 * spread * line.slope_uncertainty,
            {source: 1e3 * shift[1] for source, shift in effects.items()}, reason,
        ),
        "surface_temperature": Measured(
            line.intercept, spread * line.intercept_uncertainty,
            {source: shift[0] for source, shift in effects.items()}, reason,
        ),
    }  # fmt: skip
    dataset = series.build(
        quantities,
        steps=("T = T0 + q R (Bullard 1939), errors in both axes (York and others 2004)",),
        points_used=number,
        temperatures_used=used,
        temperatures_left_out=int(base - used),
        bottom_water="included" if bottom_water_temperature is not None else "left out",
        chi_square=first.chi_square,
        reduced_chi_square=first.chi_square / first.degrees_of_freedom,
        chi_square_probability=probability,
        excess_scatter_of_temperature=excess,
        carrier=str(resistance.attrs.get("carrier", "")),
    )
    dataset["heat_flow_interval"] = _interval(quantities["heat_flow"], line.degrees_of_freedom)
    if bottom_water_temperature is not None and used >= 3:
        dataset.update(_without_seafloor(stations, float(points[1][-1])))
    return dataset


def _fitted(points: Any) -> tuple[Line, dict[str, np.ndarray], Line, float, bool]:
    """Line and effects, the line before any excess scatter, that scatter [K], and what is known."""
    x, y, cx, cy, effects = points
    if x.size < 3:
        raise ValueError(f"{x.size} usable points make no line with an uncertainty; it needs three")
    first, known = best_line(x, y, cx, cy)
    line, excess = first, 0.0
    if first.chi_square > first.degrees_of_freedom and known:
        line, excess = with_excess(points, first)
    shifts = line_effects((x, y, cx, cy + excess**2, effects), line)
    return line, shifts, first, excess, known


def _bullard_points(temperature: Any, resistance: xr.Dataset, allow: tuple[str, ...]) -> Any:
    """Usable stations: resistance, temperature, both covariances and the effects of either."""
    series.require_same_positions(temperature=temperature, resistance=resistance)
    t = series.unpack(temperature, "equilibrium_temperature")
    r = series.unpack(resistance, "thermal_resistance")
    use = np.isfinite(np.asarray(t.values)) & np.isfinite(np.asarray(r.values))
    name = "equilibrium_temperature_flag"
    if isinstance(temperature, xr.Dataset) and name in temperature:
        use &= flags.usable(temperature[name].values, allow)
    index = np.flatnonzero(use)
    cx = np.asarray(resistance["thermal_resistance_covariance"])[np.ix_(index, index)]
    t, r = series.take(t, index), series.take(r, index)
    zero = np.zeros(index.size)
    effects = {
        source: (r.effects.get(source, zero), t.effects.get(source, zero))
        for source in sorted({*t.effects, *r.effects})
    }
    return use.size, (r.values, t.values, cx, t.u_random**2, effects), index.size


def _with_seafloor(points: Any, value: Any, given: Any) -> Any:
    """The points and, where its temperature is given, the seafloor as the last one.

    Its resistance is zero and certain.
    """
    if value is None:
        return points
    x, y, cx, cy, effects = points
    water = units.as_floats(value, "degC", "bottom_water_temperature")
    u = units.as_floats(
        given, "K", "bottom_water_temperature_uncertainty", difference=True, optional=True
    )
    u = float("nan") if u is None else float(u)
    wider = {s: (np.append(ex, 0.0), np.append(ey, 0.0)) for s, (ex, ey) in effects.items()}
    return np.append(x, 0.0), np.append(y, water), np.pad(cx, (0, 1)), np.append(cy, u**2), wider


def _interval(flow: Measured, freedom: int) -> xr.DataArray:
    """68.27 % interval: Student's t for the random part, one sigma of the effects."""
    factor = student(freedom)
    systematic = uncertainty.norm(flow.effects) if flow.effects else 0.0
    half = np.hypot(factor * flow.u_random, systematic)
    return xr.DataArray(
        [flow.values - half, flow.values + half], dims="bound",
        coords={"bound": ("bound", np.array(["lower", "upper"], dtype=object),
                          {"long_name": "end of the interval"})},
        attrs={"units": "mW/m^2", "long_name": "68 % interval of heat flow"},
    )  # fmt: skip


def _without_seafloor(stations: Any, water: float) -> dict[str, xr.DataArray]:
    x, y, cx, cy, _ = stations
    line, _ = best_line(x, y, cx, cy)
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
    temperature: Any, conductivity: Any, *, bottom_water_temperature: Any = None,
    bottom_water_temperature_uncertainty: Any = None, allow: tuple[str, ...] = _ALLOW,
) -> xr.Dataset:  # fmt: skip
    """Heat flow by every way of carrying conductivity between its points.

    Parameters
    ----------
    temperature : Dataset, (reading)
        ``equilibrium_temperature`` [degC] with the coordinate ``depth``.
    conductivity : Dataset, (reading)
        ``thermal_conductivity`` [W/(m K)] with the coordinate ``depth``.
    bottom_water_temperature, bottom_water_temperature_uncertainty, allow
        As for :func:`bullard` [degC, K].

    Returns
    -------
    Dataset
        ``heat_flow`` [mW/m^2] along ``carrier``, its standard uncertainty and reduced chi-square;
        the attribute ``spread`` is the largest less the smallest [mW/m^2]. A trend through fewer
        than three depths is left out.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        As from :func:`bullard` and :func:`thermal_resistance`.

    Notes
    -----
    Same source as :func:`thermal_resistance` and :func:`bullard`. The spread is no standard
    uncertainty: the ways use the same readings.
    """
    depths = _points(conductivity, allow)[0].depth.size
    ways = [way for way in CARRIERS if way != "trend" or depths >= 3]
    flow, total, reduced = np.empty((3, len(ways)))
    for i, way in enumerate(ways):
        resistance = thermal_resistance(conductivity, at=temperature, how=way, allow=allow)
        points = _bullard_points(temperature, resistance, allow)[1]
        points = _with_seafloor(
            points, bottom_water_temperature, bottom_water_temperature_uncertainty
        )
        line, effects, first, _, known = _fitted(points)
        systematic = sum(shift[1] ** 2 for shift in effects.values()) if effects else np.nan
        random = line.slope_uncertainty if known else np.nan
        flow[i], total[i] = 1e3 * line.slope, 1e3 * np.sqrt(random**2 + systematic)
        reduced[i] = first.chi_square / first.degrees_of_freedom
    unit = {"units": "mW/m^2"}
    return xr.Dataset(
        {
            "heat_flow": ("carrier", flow, {**unit, "long_name": "heat flow"}),
            "heat_flow_uncertainty": (
                "carrier", total, {**unit, "long_name": "standard uncertainty of heat flow"},
            ),
            "reduced_chi_square": (
                "carrier", reduced, {"units": "1", "long_name": "reduced chi-square of the line"},
            ),
        },
        coords={
            "carrier": (
                "carrier", np.array(ways, dtype=object),
                {"long_name": "way of carrying conductivity"},
            )
        },
        attrs={"spread": float(np.ptp(flow)), "spread_units": "mW/m^2"},
    )  # fmt: skip
