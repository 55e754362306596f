"""Stations of a heat flow as plain arrays: which are used, the seafloor, the fit, its parts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, units
from corephys.numerics.line import Line
from corephys.products.heatflow_line import best_line, exceeded, gains, with_beds, with_excess
from corephys.products.heatflow_means import (
    CONDUCTIVITY,
    Means,
    between,
    from_compact,
    resistance_covariances,
)
from corephys.products.heatflow_points import Carrier
from corephys.uncertainty import Measured

TEMPERATURE, WATER, EXCESS = "temperature", "bottom water", "excess scatter of temperature"
BEDS = "beds between conductivities"
_COVARIANCE = "thermal_resistance_covariance"


@dataclass(frozen=True)
class Stations:
    """Temperatures and resistances with what is known of their errors; means where they are many.

    Parameters
    ----------
    resistance, temperature, variance : (n,) ndarray
        [m^2 K/W], [degC], [K^2]; a variance that is not known is NaN.
    covariance : (n, n) ndarray
        Of the resistances [m^4 K^2/W^2].
    effects : dict of str to pair of (n,) ndarray
        One-sigma effects on resistance and temperature by source.
    parts : dict of str to (n, n) ndarray
        Covariances that add up to ``covariance``, by what they come from.
    depth : (n,) ndarray
        [m]; NaN where it is not known.
    offered : int
        Readings before any was left out.
    means : Means
        Readings that make up each point, without the seafloor.
    reading_depth : ndarray
        Depths of the readings in use [m].
    between : (n, n) ndarray
        Most that the sediment between the conductivities can add to ``covariance``; zero where
        the points are no denser than the conductivities, and each has such beds for itself.
    guide : (n,) ndarray or None
        Resistances without the scatter of the readings [m^2 K/W], where they are known.
    seafloor : bool
        Whether the last point is the seafloor.
    """

    resistance: np.ndarray
    temperature: np.ndarray
    variance: np.ndarray
    covariance: np.ndarray
    effects: dict[str, tuple[np.ndarray, np.ndarray]]
    parts: dict[str, np.ndarray]
    depth: np.ndarray
    offered: int
    means: Means
    reading_depth: np.ndarray
    between: np.ndarray
    guide: np.ndarray | None
    seafloor: bool = False

    @property
    def points(self) -> Any:
        """As the line takes them."""
        return self.resistance, self.temperature, self.covariance, self.variance, self.guide


@dataclass(frozen=True)
class Fit:
    """The line of temperature against resistance and what moves it.

    Parameters
    ----------
    line, first : Line
        After and before an excess scatter was added.
    gain : (2, n) ndarray
        Derivatives of intercept and slope by the temperatures of the points.
    effects : dict of str to (2,) ndarray
        One-sigma shifts of intercept [K] and slope [W/m^2].
    noise : (n, n) ndarray
        Covariance of the temperatures with what was added [K^2].
    excess : float
        Scatter added to the temperatures [K].
    beds : float
        Share of ``between`` that was added.
    known : bool
        Whether all uncertainties were known.
    """

    line: Line
    first: Line
    gain: np.ndarray
    effects: dict[str, np.ndarray]
    noise: np.ndarray
    excess: float
    beds: float
    known: bool


def usable_stations(temperature: Any, resistance: xr.Dataset, allow: tuple[str, ...]) -> Stations:
    """Stations whose temperature may be used, with what is known of either axis.

    Parameters
    ----------
    temperature : Dataset or DataArray, (reading)
        ``equilibrium_temperature`` [degC].
    resistance : Dataset, (reading)
        From ``thermal_resistance`` at the same positions [m^2 K/W].
    allow : tuple of str
        Flag levels that are used.

    Returns
    -------
    Stations
        In the order given; more than 200 as means over as many cells of depth.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When temperature and resistance lie at different positions.
    ValueError
        When the resistances are not those of ``thermal_resistance``.
    """
    series.require_same_positions(temperature=temperature, resistance=resistance)
    t = series.unpack(temperature, "equilibrium_temperature")
    r = series.unpack(resistance, "thermal_resistance")
    use = np.isfinite(np.asarray(t.values)) & np.isfinite(np.asarray(r.values))
    name = "equilibrium_temperature_flag"
    if isinstance(temperature, xr.Dataset) and name in temperature:
        use &= flags.usable(temperature[name].values, allow)
    index = np.flatnonzero(use)
    depth = np.full(index.size, np.nan)
    if "depth" in resistance.coords:
        placed = units.position_in_library_units(resistance["thermal_resistance"])
        depth = np.asarray(placed["depth"].values, dtype=float)[index]
    variance = np.asarray(t.u_random * np.ones(use.size), dtype=float) ** 2
    means = Means.of_readings(index)
    if _COVARIANCE not in resistance:
        means = Means.over_cells(index, depth, variance[index])
    covariance, parts = _covariances(resistance, depth, means)
    zero = np.zeros(use.size)
    effects = {
        source: (means.of(r.effects.get(source, zero)), means.of(t.effects.get(source, zero)))
        for source in sorted({*t.effects, *r.effects})
    }
    middle = means.used(depth)
    unseen, guide = np.zeros(covariance.shape), None
    if "carried_resistivity" in resistance:
        carrier = from_compact(resistance)[0]
        if means.size > carrier.depth.size:
            unseen = between(carrier, middle)
        guide = means.weights(carrier, depth) @ carrier.smooth
    return Stations(
        means.of(r.values), means.of(t.values), means.variance(variance), covariance, effects,
        parts, middle, use.size, means, depth, unseen, guide,
    )  # fmt: skip


def _covariances(
    resistance: xr.Dataset, depth: np.ndarray, means: Means
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Covariance of the resistances of the points, and its parts by what they come from."""
    split = f"{_COVARIANCE}_parts"
    if _COVARIANCE not in resistance:
        carrier, errors = from_compact(resistance)
        parts = resistance_covariances(carrier, depth, errors, means)
        return np.sum(list(parts.values()), axis=0), parts
    square = np.ix_(means.index, means.index)
    whole = np.asarray(resistance[_COVARIANCE].values)[square]
    if split not in resistance:
        return whole, {CONDUCTIVITY: whole}
    return whole, {
        str(part): np.asarray(resistance[split].isel(part=i).values)[square]
        for i, part in enumerate(resistance[split]["part"].values)
    }


def with_seafloor(stations: Stations, value: Any, given: Any) -> Stations:
    """The stations and, where its temperature is given, the seafloor as the last point.

    Parameters
    ----------
    stations : Stations
        Usable ones.
    value, given : Quantity, str or None
        Temperature of the bottom water [degC] and its standard uncertainty [K].

    Returns
    -------
    Stations
        The resistance of the seafloor is zero and certain.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    """
    if value is None:
        return stations
    water = units.as_floats(value, "degC", "bottom_water_temperature")
    u = units.as_floats(
        given, "K", "bottom_water_temperature_uncertainty", difference=True, optional=True
    )
    u = float("nan") if u is None else float(u)
    return replace(
        stations,
        resistance=np.append(stations.resistance, 0.0),
        temperature=np.append(stations.temperature, water),
        variance=np.append(stations.variance, u**2),
        covariance=np.pad(stations.covariance, (0, 1)),
        effects={
            s: (np.append(x, 0.0), np.append(y, 0.0)) for s, (x, y) in stations.effects.items()
        },
        parts={part: np.pad(each, (0, 1)) for part, each in stations.parts.items()},
        between=np.pad(stations.between, (0, 1)),
        guide=None if stations.guide is None else np.append(stations.guide, 0.0),
        depth=np.append(stations.depth, 0.0),
        seafloor=True,
    )


def station_weights(stations: Stations, carrier: Carrier) -> np.ndarray:
    """Weights [m], (n, m), of the resistivities in the resistance of each point."""
    found = stations.means.weights(carrier, stations.reading_depth)
    return np.pad(found, ((0, 1), (0, 0))) if stations.seafloor else found


def fitted(stations: Stations) -> Fit:
    """The most likely line, with an excess scatter where the stated errors are too small.

    Parameters
    ----------
    stations : Stations
        At least three points.

    Returns
    -------
    Fit
        Intercept [degC] and slope [W/m^2].

    Raises
    ------
    ValueError
        For fewer than three points.
    """
    x, y, cx, cy, guide = stations.points
    if x.size < 3:
        raise series.TooFewError(
            f"{x.size} usable points make no line with an uncertainty; it needs three"
        )
    first, known = best_line(*stations.points)
    line, share, excess = first, 0.0, 0.0
    beds = first.slope**2 * stations.between
    if known and line.chi_square > line.degrees_of_freedom and np.any(beds > 0.0):
        line, share = with_beds(x, y, cx, np.diag(cy), guide, beds)
    noise = np.diag(cy) + share * beds
    # The rest, where beds cannot explain it: the search for the share ends within rounding of one.
    if known and line.chi_square > (1.0 + 1e-4) * line.degrees_of_freedom:
        line, excess = with_excess(x, y, cx, noise, guide, line)
    noise = noise + excess**2 * np.eye(x.size)
    gain = gains(x, y, cx, noise, guide, line)
    shifts = {s: gain @ (ey - line.slope * ex) for s, (ex, ey) in stations.effects.items()}
    return Fit(line, first, gain, shifts, noise, excess, share, known)


def chance(stations: Stations, line: Line, freedom: float) -> float:
    """Probability of a larger chi-square of the line by chance.

    Parameters
    ----------
    stations : Stations
        The points of the line.
    line : Line
        Without an excess scatter.
    freedom : float
        Degrees of freedom of the natural scatter, which is itself an estimate.

    Returns
    -------
    float
        By the F distribution. What the sediment does between the conductivities, at most, is added
        to the covariance first: dense temperatures resolve it, and it is no error of theirs.
    """
    beds = line.slope**2 * stations.between
    if line.chi_square > line.degrees_of_freedom and np.any(beds > 0.0):
        x, y, cx, cy, guide = stations.points
        line = best_line(x, y, cx, np.diag(cy) + beds, guide)[0]
    return exceeded(line, freedom)


def line_quantities(fit: Fit, reason: int) -> dict[str, Measured]:
    """Heat flow [mW/m^2] and temperature of the seafloor [degC] of a fit, with their errors."""
    line, spread = fit.line, 1.0 if fit.known else float("nan")
    return {
        "heat_flow": Measured(
            1e3 * line.slope, 1e3 * spread * line.slope_uncertainty,
            {source: 1e3 * shift[1] for source, shift in fit.effects.items()}, reason,
        ),
        "surface_temperature": Measured(
            line.intercept, spread * line.intercept_uncertainty,
            {source: shift[0] for source, shift in fit.effects.items()}, reason,
        ),
    }  # fmt: skip


def random_parts(stations: Stations, fit: Fit, row: np.ndarray | None = None) -> dict[str, float]:
    """Variances that make up the random variance of the slope, by what they come from.

    Parameters
    ----------
    stations : Stations
        The points of the fit.
    fit : Fit
        Their line.
    row : (n,) ndarray, optional
        Derivatives by the temperatures; those of the slope without it.

    Returns
    -------
    dict of str to float
        [W^2/m^4] for the slope, scaled to add up to the variance of the line. NaN where the
        uncertainties are not all known. A part that was not carried is not there.
    """
    gain = fit.gain[1] if row is None else row
    own = stations.variance.copy()
    parts = {}
    if stations.seafloor:
        parts[WATER] = gain[-1] ** 2 * own[-1]
        own[-1] = 0.0
    parts[TEMPERATURE] = float(np.sum(gain**2 * own))
    parts[EXCESS] = float(np.sum(gain**2) * fit.excess**2)
    if fit.beds:
        parts[BEDS] = float(fit.beds * fit.first.slope**2 * gain @ stations.between @ gain)
    for part, covariance in stations.parts.items():
        parts[part] = float(fit.line.slope**2 * gain @ covariance @ gain)
    if not fit.known:
        return dict.fromkeys(parts, float("nan"))
    # The gain is that of the fitted line, the covariance that of its adjusted points; between
    # the two lies a second order, which is shared out.
    scale = fit.line.covariance[1, 1] / sum(parts.values()) if row is None else 1.0
    return {part: scale * value for part, value in parts.items()}
