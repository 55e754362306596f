"""Stations of a heat flow as plain arrays: usable temperatures, means of many, and the fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import companions, flags, series, thresholds, units
from corephys.hole.placing.depth_uncertainty import sharing
from corephys.numerics.line import Line
from corephys.products.heat_flow.carriers import Carrier
from corephys.products.heat_flow.line import best_line, gains, with_beds, with_excess
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Measurement, Scalar

# --------------------------------------------------------------------------------------------------
# Means of many temperatures, and the covariance of their resistances, as plain arrays.
#
# A temperature log has thousands of rows. A covariance between all of them would take the square of
# their number. The line of temperature against resistance is the same for means over cells of
# depth, since both axes are averaged with the same weights.


# Units of the variables of interpolated resistivity; a caller may have converted them.
_COMPACT_UNITS = {
    "carried_depth": "m",
    "carried_resistivity": "m K/W",
    "carried_resistivity_smooth": "m K/W",
    "carried_resistivity_u_random": "m K/W",
    "carried_resistivity_scatter": "m K/W",
    "depth_u_random": "m",
    "depth_group_effects": "m",
}
FEW = thresholds.count("temperature_cells")
CONDUCTIVITY, SCATTER, DEPTH = "conductivity", "natural scatter of conductivity", "depth"


@dataclass(frozen=True)
class Means:
    """Assignment of readings to the points whose means they form.

    Parameters
    ----------
    index : (n,) ndarray of int
        Readings in use, among those offered.
    cell : (n,) ndarray of int
        Point that each of them belongs to.
    share : (n,) ndarray
        Its weight there; the weights of a point add up to one.
    size : int
        Points.
    """

    index: np.ndarray
    cell: np.ndarray
    share: np.ndarray
    size: int

    @classmethod
    def each(cls, size: int) -> Means:
        """Every reading is a point."""
        return cls.of_readings(np.arange(size))

    @classmethod
    def of_readings(cls, index: np.ndarray) -> Means:
        """Every reading in use is a point."""
        return cls(index, np.arange(index.size), np.ones(index.size), index.size)

    @classmethod
    def over_cells(cls, index: np.ndarray, depth: np.ndarray, variance: np.ndarray) -> Means:
        """Readings in use, averaged over cells of depth where they are many.

        Parameters
        ----------
        index : (n,) ndarray of int
            Readings in use.
        depth, variance : (n,) ndarray
            Their depths [m] and the variances of their temperatures [K^2].

        Returns
        -------
        Means
            Inverse variances are the weights; all are equal where a variance is not known.
        """
        if index.size <= FEW:
            return cls.of_readings(index)
        top, width = depth.min(), np.ptp(depth) / FEW
        cell = np.zeros(index.size, dtype=int)
        if width > 0.0:
            cell = np.minimum(((depth - top) / width).astype(int), FEW - 1)
        _, cell = np.unique(cell, return_inverse=True)
        # A single unknown variance would make its weight NaN, and with it the mean of its cell.
        known = bool(np.all(np.isfinite(variance) & (variance > 0.0)))
        weight = 1.0 / variance if known else np.ones(index.size)
        share = weight / np.bincount(cell, weight)[cell]
        return cls(index, cell, share, int(cell.max()) + 1)

    def of(self, along: Any) -> np.ndarray:
        """Means of values along the readings offered."""
        values = np.asarray(along, dtype=float)[self.index]
        return np.bincount(self.cell, self.share * values, minlength=self.size)

    def variance(self, along: Any) -> np.ndarray:
        """Variances of the means of independent values along the readings offered."""
        values = np.asarray(along, dtype=float)[self.index]
        return np.bincount(self.cell, self.share**2 * values, minlength=self.size)

    def weights(self, carrier: Carrier, depth: np.ndarray) -> np.ndarray:
        """Weights of the resistivities in the resistance of each point, (size, m).

        ``depth`` holds those of the readings in use.
        """
        found = np.zeros((self.size, carrier.depth.size))
        for part, rows in carrier.blocks(depth):
            np.add.at(found, self.cell[part], self.share[part, None] * rows)
        return found


@dataclass(frozen=True)
class DepthErrors:
    """Errors of depth that differ between readings.

    Parameters
    ----------
    random : (n,) ndarray
        Standard uncertainty of each depth for itself [m].
    shared : (s, n) ndarray
        One-sigma effects that a group of readings shares [m].
    group : (n,) ndarray of int
        Core, station or reading that each belongs to.
    """

    random: np.ndarray
    shared: np.ndarray
    group: np.ndarray

    @property
    def total(self) -> np.ndarray:
        """Variance of each depth [m^2]."""
        return np.asarray(self.random**2 + (self.shared**2).sum(axis=0))

    def covariance(self, means: Means, scale: np.ndarray) -> np.ndarray:
        """Covariance of the means of depth errors times ``scale`` along the readings in use."""
        index, factor = means.index, means.share * scale
        own = np.bincount(means.cell, (factor * self.random[index]) ** 2, minlength=means.size)
        found = np.diag(own)
        _, group = np.unique(self.group[index], return_inverse=True)
        for effect in self.shared[:, index]:
            if group.max(initial=-1) + 1 == index.size:  # nothing is shared
                each = np.bincount(means.cell, (factor * effect) ** 2, minlength=means.size)
                found = found + np.diag(each)
                continue
            from scipy.sparse import coo_array

            table = coo_array((factor * effect, (means.cell, group))).tocsr()
            found = found + (table @ table.T).toarray()
        return found


def depth_errors(errors: xr.Dataset) -> DepthErrors:
    """Errors of depth of ``corephys.depth.uncertainty`` [m], without those of the complete hole."""
    own = errors["depth_core_effects"].transpose("core_source", ...).values
    return DepthErrors(
        np.asarray(errors["depth_u_random"].values), np.asarray(own), sharing(errors)[0]
    )


def resistance_covariances(
    carrier: Carrier,
    depth: np.ndarray,
    errors: DepthErrors | None,
    means: Means,
    weights: np.ndarray | None = None,
) -> dict[str, np.ndarray]:
    """Random covariances of the resistances of points by cause.

    Parameters
    ----------
    carrier : Carrier
        Carrier of m conductivities.
    depth : (n,) ndarray
        Depths of the readings in use [m].
    errors : DepthErrors or None
        Errors of depth of the readings offered.
    means : Means
        Means of the readings.
    weights : (size, m) ndarray, optional
        Weights of ``means.weights``, where they were computed before.

    Returns
    -------
    dict of str to (size, size) ndarray
        [m^4 K^2/W^2].
    """
    w = means.weights(carrier, depth) if weights is None else weights
    parts = {CONDUCTIVITY: (w * carrier.own) @ w.T, SCATTER: (w * carrier.spread) @ w.T}
    if errors is not None:
        parts[DEPTH] = errors.covariance(means, carrier.local(depth))
    return parts


def between(carrier: Carrier, depth: np.ndarray) -> np.ndarray:
    """Upper limit of the covariance of resistances by beds between the conductivities.

    Parameters
    ----------
    carrier : Carrier
        Carrier of m conductivities.
    depth : (n,) ndarray
        Depths of the points of the line [m].

    Returns
    -------
    (n, n) ndarray
        [m^4 K^2/W^2].

    Notes
    -----
    Beds as thick as the distance h of two conductivities, with the natural scatter s of
    resistivity, make the resistance a random walk of variance s^2 h a metre. Between two points
    whose resistances are known it is a Brownian bridge, covariance s^2 h (x - x y / h) at
    x <= y; below the last point a walk from there.
    """
    z, spread = carrier.depth, carrier.spread
    if carrier.how in ("harmonic_mean", "trend"):  # no reading holds the walk
        thick = np.median(np.diff(z)) if z.size > 1 else 1.0
        return spread.mean() * thick * np.minimum(depth[:, None], depth[None, :])
    edge = np.concatenate([[min(0.0, z[0])], z])
    height = np.diff(edge)
    height = np.append(np.where(height > 0.0, height, 1.0), np.inf)
    apart = np.append(height[:-1], np.median(height[:-1]))
    rate = np.append(spread, spread[-1]) * apart
    cell = np.clip(np.searchsorted(edge, depth, side="right") - 1, 0, z.size)
    past = np.maximum(depth - edge[cell], 0.0)
    low = np.minimum(past[:, None], past[None, :])
    bridge = rate[cell, None] * (low - np.outer(past, past / height[cell]))
    return np.where(cell[:, None] == cell[None, :], bridge, 0.0)


def compact(carrier: Carrier, errors: DepthErrors | None, dim: str) -> dict[str, xr.DataArray]:
    """Variables of a Dataset from which the covariance of any means can be computed.

    Parameters
    ----------
    carrier : Carrier
        Interpolated conductivities.
    errors : DepthErrors or None
        Errors of depth of the readings.
    dim : str
        Dimension of the readings.

    Returns
    -------
    dict of str to DataArray
        Along ``point`` the resistivities, along the readings the errors of their depths.
    """

    def along(values: np.ndarray, dims: Any, unit: str, words: str) -> xr.DataArray:
        return xr.DataArray(values, dims=dims, attrs={"units": unit, "long_name": words})

    name = "thermal resistivity that is carried between depths"
    found = {
        "carried_depth": along(carrier.depth, "point", "m", f"depth of the {name}"),
        "carried_resistivity": along(carrier.resistivity, "point", "m K/W", name),
        "carried_resistivity_smooth": along(
            carrier.smooth, "point", "m K/W", f"{name}, without the scatter of the readings"
        ),
        "carried_resistivity_u_random": along(
            np.sqrt(carrier.own), "point", "m K/W", f"random standard uncertainty of {name}"
        ),
        "carried_resistivity_scatter": along(
            np.sqrt(carrier.spread), "point", "m K/W", f"natural scatter of {name}"
        ),
    }
    if errors is not None:
        found["depth_u_random"] = along(
            errors.random, dim, "m", "standard uncertainty of each depth for itself"
        )
        found["depth_group"] = along(errors.group, dim, "1", "depths of one number err together")
        found["depth_group_effects"] = along(
            errors.shared, ("group_source", dim), "m", "one-sigma effects on depths of one number"
        )
    return found


def from_compact(resistance: xr.Dataset) -> tuple[Carrier, DepthErrors | None]:
    """The carrier and the errors of depth from the variables that :func:`compact` made."""
    if "carried_resistivity" not in resistance:
        raise ValueError(
            "the resistances have neither thermal_resistance_covariance nor carried_resistivity; "
            "compute them with thermal_resistance(...)"
        )

    def of(name: str) -> np.ndarray:
        held = companions.in_library_units(resistance, name, _COMPACT_UNITS)
        return np.asarray(held.values, dtype=float)

    carrier = Carrier(
        str(resistance.attrs["carrier"]),
        of("carried_depth"),
        of("carried_resistivity"),
        of("carried_resistivity_smooth"),
        of("carried_resistivity_u_random") ** 2,
        of("carried_resistivity_scatter") ** 2,
    )
    if "depth_u_random" not in resistance:
        return carrier, None
    group = np.asarray(resistance["depth_group"].values)
    axis = resistance["depth_group_effects"].dims.index("group_source")
    shared = np.moveaxis(of("depth_group_effects"), axis, 0)
    return carrier, DepthErrors(of("depth_u_random"), shared, group)


# --------------------------------------------------------------------------------------------------
# Stations of a heat flow as plain arrays: usable ones, the seafloor, the fit.


TEMPERATURE, WATER, EXCESS = "temperature", "bottom water", "excess scatter of temperature"
BEDS = "beds between conductivities"
_TEMPERATURE = "equilibrium_temperature"
_COVARIANCE = "thermal_resistance_covariance"


@dataclass(frozen=True)
class Stations:
    """Temperatures and resistances with their errors; means where there are many.

    Parameters
    ----------
    resistance, temperature, variance : (n,) ndarray
        [m^2 K/W], [degC], [K^2]; a variance that is not known is NaN.
    covariance : (n, n) ndarray
        Covariance of the resistances [m^4 K^2/W^2].
    effects : dict of str to pair of (n,) ndarray
        One-sigma effects on resistance and temperature by source.
    parts : dict of str to (n, n) ndarray
        Covariances that add up to ``covariance``, by cause.
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
    def points(
        self,
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray | None]:
        """Arguments of the functions of the line."""
        return self.resistance, self.temperature, self.covariance, self.variance, self.guide


@dataclass(frozen=True)
class Fit:
    """The line of temperature against resistance with its uncertainties.

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


def usable_temperatures(temperature: Measurement | Measured, allow: Sequence[str]) -> Measured:
    """Temperatures [degC] of the stations, NaN where the flag does not allow their use.

    A result of this function may be passed again: it is returned unchanged.
    """
    measured = series.unpack(temperature, _TEMPERATURE)
    flag = f"{_TEMPERATURE}_flag"
    if not isinstance(temperature, xr.Dataset) or flag not in temperature:
        return measured
    usable = flags.usable(temperature[flag].values, allow)
    values = np.where(usable, np.asarray(measured.values, dtype=float), np.nan)
    return replace(measured, values=values)


def usable_stations(
    temperature: Measurement | Measured,
    resistance: xr.Dataset,
    allow: Sequence[str],
    water: Scalar | None = None,
    u_water: Scalar | None = None,
) -> Stations:
    """Stations whose temperature may be used, and the seafloor where its temperature is given.

    Parameters
    ----------
    temperature : Dataset, DataArray or Measured, (reading)
        ``equilibrium_temperature`` [degC], or what :func:`usable_temperatures` made of it.
    resistance : Dataset, (reading)
        From ``thermal_resistance`` at the same positions [m^2 K/W].
    allow : sequence of str
        Flag levels that are used.
    water, u_water : Quantity or str, optional
        Temperature of the bottom water [degC] and its standard uncertainty [K]. The seafloor is
        then the last point, with a resistance of exactly zero.

    Returns
    -------
    Stations
        In the order given; more than 200 as means over as many cells of depth.

    Raises
    ------
    PositionError
        When temperature and resistance lie at different positions.
    ValueError
        When the resistances are not those of ``thermal_resistance``.
    """
    series.require_same_positions(temperature=temperature, resistance=resistance)
    t = usable_temperatures(temperature, allow)
    r = series.unpack(resistance, "thermal_resistance")
    use = np.isfinite(np.asarray(t.values)) & np.isfinite(np.asarray(r.values))
    index = np.flatnonzero(use)
    placed = np.full(use.size, np.nan)
    if "depth" in resistance.coords:
        held = units.position_in_library_units(resistance["thermal_resistance"])
        placed = np.asarray(held["depth"].values, dtype=float)
    depth = placed[index]
    variance = np.asarray(t.u_random * np.ones(use.size), dtype=float) ** 2
    few = _COVARIANCE in resistance
    means = Means.of_readings(index) if few else Means.over_cells(index, depth, variance[index])
    # Resistances of other origin may lack what was carried, but then need their covariance.
    carrier, errors, weights = None, None, None
    if not few or "carried_resistivity" in resistance:
        carrier, errors = from_compact(resistance)
        weights = means.weights(carrier, depth)
    if few or carrier is None:
        covariance, parts = _held_covariances(resistance, index)
    else:
        parts = resistance_covariances(carrier, depth, errors, means, weights)
        covariance = np.sum(list(parts.values()), axis=0)
    zero = np.zeros(use.size)
    effects = {
        source: (means.of(r.effects.get(source, zero)), means.of(t.effects.get(source, zero)))
        for source in sorted({*t.effects, *r.effects})
    }
    middle = means.of(placed)
    unseen = np.zeros(covariance.shape)
    if carrier is not None and means.size > carrier.depth.size:
        unseen = between(carrier, middle)
    stations = Stations(
        means.of(r.values),
        means.of(t.values),
        means.variance(variance),
        covariance,
        effects,
        parts,
        middle,
        use.size,
        means,
        depth,
        unseen,
        None if carrier is None or weights is None else weights @ carrier.smooth,
    )
    return stations if water is None else _with_seafloor(stations, water, u_water)


def _held_covariances(
    resistance: xr.Dataset, index: np.ndarray
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Covariance of the resistances in use, and its parts by cause, as ``thermal_resistance`` gave
    them."""
    split = f"{_COVARIANCE}_parts"
    square = np.ix_(index, index)
    complete = np.asarray(resistance[_COVARIANCE].values)[square]
    if split not in resistance:
        return complete, {CONDUCTIVITY: complete}
    return complete, {
        str(part): np.asarray(resistance[split].isel(part=i).values)[square]
        for i, part in enumerate(resistance[split]["part"].values)
    }


def _with_seafloor(stations: Stations, value: Scalar, given: Scalar | None) -> Stations:
    """The stations with the seafloor as the last point, at a resistance of exactly zero."""
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
    """The most likely line, with an excess scatter where the given errors are too small.

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
    # Covariances of resistance become those of temperature with the square of the slope.
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
    from scipy.special import fdtrc, gammaincc

    degrees = line.degrees_of_freedom
    # A scatter that is known exactly makes the F distribution a chi-square.
    if not np.isfinite(freedom):
        return float(gammaincc(degrees / 2.0, line.chi_square / 2.0))
    return float(fdtrc(degrees, freedom, line.chi_square / degrees))


def line_quantities(fit: Fit, reason: int) -> dict[str, Measured]:
    """Heat flow [mW/m^2] and temperature of the seafloor [degC] of a fit, with their errors."""
    line, spread = fit.line, 1.0 if fit.known else float("nan")
    return {
        "heat_flow": Measured(
            1e3 * line.slope,
            1e3 * spread * line.slope_uncertainty,
            {source: 1e3 * shift[1] for source, shift in fit.effects.items()},
            reason,
        ),
        "surface_temperature": Measured(
            line.intercept,
            spread * line.intercept_uncertainty,
            {source: shift[0] for source, shift in fit.effects.items()},
            reason,
        ),
    }
