"""Heat flow between neighbouring stations, and heat flow with all errors drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds
from corephys.numerics.line import Line, estimating_rows, lines_from_sums
from corephys.products.heat_flow.carriers import Carried, carry
from corephys.products.heat_flow.line import best_line, gains, guided
from corephys.products.heat_flow.resistance import resistance_by
from corephys.products.heat_flow.stations import (
    DEPTH,
    Fit,
    Stations,
    chance,
    fitted,
    line_quantities,
    station_weights,
    usable_stations,
)
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Measurement, Scalar

__all__ = ["intervals", "monte_carlo"]

# --------------------------------------------------------------------------------------------------
# Heat flow between neighbouring stations, and whether the intervals agree.


_UNLIKELY = thresholds.value("line_least_probability")
_ALLOW = ("good", "not_evaluated")


def intervals(
    temperature: Measurement,
    resistance: xr.Dataset,
    *,
    bottom_water_temperature: Scalar | None = None,
    bottom_water_temperature_uncertainty: Scalar | None = None,
    allow: Sequence[str] = _ALLOW,
) -> xr.Dataset:
    """Heat flow between each station and the next one down.

    Parameters
    ----------
    temperature : Dataset or DataArray, (reading)
        ``equilibrium_temperature`` [degC].
    resistance : Dataset, (reading)
        From ``thermal_resistance`` at the same positions [m^2 K/W].
    bottom_water_temperature, bottom_water_temperature_uncertainty : Quantity or str, optional
        Temperature [degC] and standard uncertainty [K] of the seafloor, the first point.
    allow : sequence of str
        Flag levels of the temperatures that are used.

    Returns
    -------
    Dataset
        Along ``interval``, of neighbouring means where temperatures are more than 200:
        ``heat_flow`` [mW/m^2], ``temperature_gradient`` [K/km] and
        ``thermal_conductivity`` [W/(m K)], the harmonic mean between the two; with ``depth``
        their middle and ``top`` and ``bottom`` [m]; ``heat_flow_covariance`` [mW^2/m^4].
        ``heat_flow_mean`` is the plain mean and ``heat_flow_weighted_mean`` that by the full
        covariance. The attributes ``chi_square`` and ``chi_square_probability`` test whether the
        intervals agree with one heat flow.

    Raises
    ------
    PositionError
        When temperature and resistance lie at different positions.
    ValueError
        With fewer than two points, or two at one depth.

    Notes
    -----
    q = (T2 - T1) / (R2 - R1). Two intervals share the station between them, so that their errors
    have opposite signs: covariance D C D' with D the differences. The plain mean over evenly
    spaced stations depends on the two ends alone. The weighted mean is sum a dT / sum a dR with the
    weights a of generalised least squares of dT on dR, which is the slope of the line of
    ``bullard`` before any excess scatter (JCGM 102:2011). Weights taken from the covariance of
    the ratios themselves would favour intervals whose heat flow is low by chance.
    """
    stations = usable_stations(
        temperature,
        resistance,
        allow,
        bottom_water_temperature,
        bottom_water_temperature_uncertainty,
    )
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
    # Derivatives of the heat flows by the temperatures and by the resistances.
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
            along(1e3 * flow),
            along(np.sqrt(np.diag(covariance))),
            {s: xr.Variable("interval", e) for s, e in shifts.items()},
        ),
        "temperature_gradient": Measured(
            along(1e3 * dy / dz),
            along(1e3 * np.sqrt(difference**2 @ cy) / dz),
            shared(lambda ex, ey: 1e3 * (difference @ ey) / dz),
        ),
        "thermal_conductivity": Measured(
            along(dz / dx),
            along(dz / dx**2 * np.sqrt(np.diag(difference @ cx @ difference.T))),
            shared(lambda ex, ey: -dz / dx**2 * (difference @ ex)),
        ),
    }
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
            f"two stations lie at {where:g} m with no resistance between them, so that their heat "
            "flow is undefined; leave one out or average them"
        )
    deeper = np.diff(stations.depth[order])
    if np.any(deeper <= 0.0):
        i = int(np.argmin(deeper))
        upper, lower = sorted(stations.depth[order][i : i + 2])
        raise ValueError(
            f"thermal resistance falls from the station at {upper:g} m to that at {lower:g} m; it "
            "must increase with depth. Check the conductivities and the depths"
        )
    return np.asarray(order)


def _means(
    stations: Stations, flow: np.ndarray, covariance: np.ndarray, shifts: dict[str, np.ndarray]
) -> tuple[dict[str, Measured], Line | None]:
    """Plain and weighted mean [mW/m^2], and the line of the latter where all errors are known."""
    plain = np.full(flow.size, 1.0 / flow.size)
    even = Measured(
        float(plain @ flow),
        float(np.sqrt(plain @ covariance @ plain)),
        {s: float(plain @ e) for s, e in shifts.items()},
    )
    line, known = best_line(*stations.points)
    if not known:
        return {"heat_flow_mean": even, "heat_flow_weighted_mean": replace(even)}, None
    gain = gains(*stations.points, line)[1]
    shared = stations.effects.items()
    weighted = Measured(
        1e3 * line.slope,
        1e3 * line.slope_uncertainty,
        {s: 1e3 * float(gain @ (ey - line.slope * ex)) for s, (ex, ey) in shared},
    )
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
        degrees_of_freedom=freedom,
        chi_square_probability=probability,
        bottom_water="included" if stations.seafloor else "left out",
    )
    dataset["heat_flow_covariance"] = xr.DataArray(
        covariance,
        dims=("interval", "interval_2"),
        attrs={"units": "mW^2/m^4", "long_name": "random covariance of the heat flows"},
    )
    return dataset


def _words(text: str) -> dict[str, str]:
    return {"units": "m", "long_name": text}


# --------------------------------------------------------------------------------------------------
# Heat flow with its errors drawn: temperatures, conductivities, depths and what they share.
#
# The resistance of a station is linear in the resistivities, so that the lines of a block of draws
# need one matrix product and come in closed form.


_FEWEST = thresholds.count("heat_flow_draws")
_QUANTILES = (0.025, 0.158655, 0.5, 0.841345, 0.975)
_BLOCK = 2.5e6  # bytes of one array of draws


@dataclass(frozen=True)
class _Sums:
    """What a draw is made of, as weighted sums (two a draw: intercept and slope).

    ``resistivity``, ``smooth`` and ``spread`` are the resistivities of the readings, their smooth
    values [m K/W] and standard deviations relative to these (m,);
    ``by_resistivity`` (m, 2), ``by_depth`` and ``by_temperature`` (n, 2) carry standard normals
    to the sums; ``shared`` (sources, m) are relative effects on the resistivities, and
    ``shared_depth`` and ``shared_temperature`` (sources, 2) effects on the sums.
    """

    temperature: np.ndarray
    resistivity: np.ndarray
    smooth: np.ndarray
    spread: np.ndarray
    by_resistivity: np.ndarray
    by_depth: np.ndarray
    by_temperature: np.ndarray
    shared: np.ndarray
    shared_depth: np.ndarray
    shared_temperature: np.ndarray
    freedom: int


def monte_carlo(
    temperature: Measurement,
    conductivity: Measurement,
    *,
    how: str = "linear",
    resistance: xr.Dataset | None = None,
    draws: int = 10000,
    seed: int = 1,
    student: bool = True,
    bottom_water_temperature: Scalar | None = None,
    bottom_water_temperature_uncertainty: Scalar | None = None,
    depth_uncertainty: Scalar | xr.Dataset | None = None,
    datum_uncertainty: Scalar | None = None,
    allow: Sequence[str] = _ALLOW,
) -> xr.Dataset:
    """Heat flow by Monte Carlo, beside its first-order uncertainty.

    Parameters
    ----------
    temperature : Dataset, (reading)
        ``equilibrium_temperature`` [degC] with the coordinate ``depth`` [m].
    conductivity : Dataset, (reading)
        ``thermal_conductivity`` [W/(m K)] with the coordinate ``depth`` [m].
    how : str
        Interpolation of conductivity, as for ``thermal_resistance``.
    resistance : Dataset, optional
        From ``thermal_resistance`` of the same conductivities at the temperatures, if it is at
        hand [m^2 K/W]; its uncertainties of depth are taken then.
    draws : int
        Number of draws, at least 100; quantiles of 10,000 are good to 1.5 % of the standard
        uncertainty.
    seed : int
        Seed of the random numbers; the same seed gives the same result.
    student : bool
        Whether the scatter of temperatures is widened by Student's t in the interval; it is never
        widened in the moments.
    bottom_water_temperature, bottom_water_temperature_uncertainty : Quantity or str, optional
        Temperature of the point at the seafloor [degC] and its standard uncertainty [K].
    depth_uncertainty : Quantity, str or Dataset, optional
    datum_uncertainty : Quantity or str, optional
        Same as for ``thermal_resistance`` [m].
    allow : sequence of str
        Flag levels that are used, of both series.

    Returns
    -------
    Dataset
        ``heat_flow`` [mW/m^2] and ``surface_temperature`` [degC], means of the draws, their
        random scatter and first-order effects; ``heat_flow_quantile (probability)`` and
        ``heat_flow_interval (bound)``, 68.27 % of the draws; ``heat_flow_skewness``; and
        ``heat_flow_first_order`` with ``heat_flow_first_order_uncertainty``.

    Raises
    ------
    ValueError
        For fewer than 100 draws or three points, or when the uncertainty of a temperature is
        unknown.

    Notes
    -----
    JCGM 101:2008. Each draw solves the equation of ``bullard`` with the weights of its line: a line
    fitted anew to resistances that err twice would be too flat. Resistivities scatter lognormally
    about the smooth resistivity, moved to that of the reading; temperatures and depths are
    normal; an effect is one draw for all it touches. Conductivities scatter by their own error
    and by the natural scatter of ``thermal_resistance``. Student's t, at n - 2 degrees of
    freedom, is a normal over the root of a drawn chi-square.
    """
    if draws < _FEWEST or int(draws) != draws:
        raise ValueError(f"draws is {draws}; quantiles need an integer of at least 100")
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
    fit = fitted(points)
    if not fit.known:
        unknown = int(np.sum(~np.isfinite(points.variance) | (points.variance <= 0)))
        raise series.TooFewError(
            f"the uncertainty of {unknown} of {points.variance.size} temperatures or of the "
            "conductivities is unknown, so that there is nothing to draw from; give it, or leave "
            "those points out"
        )
    carried = carry(conductivity, how, allow)
    random, whole, wide = _draw(_sums(points, fit, carried), int(draws), seed)
    result = _moments(fit, random, whole)
    return _result(result, fit, wide if student else whole, whole).assign_attrs(
        draws=int(draws),
        seed=seed,
        student=str(student).lower(),
        carrier=how,
        points_used=points.resistance.size,
        bottom_water="included" if points.seafloor else "left out",
        excess_scatter_of_temperature=fit.excess,
        depth_uncertainty=resistance.attrs["depth_uncertainty"],
        datum_uncertainty=resistance.attrs["datum_uncertainty"],
    )


def _sums(points: Stations, fit: Fit, carried: Carried) -> _Sums:
    x, y, cx, _, guide = points.points
    effects, carrier = points.effects, carried.carrier
    along = guided(x, y, cx, fit.noise, guide, fit.line)
    rows = estimating_rows(along, fit.noise + fit.line.slope**2 * cx)
    weights, zero = station_weights(points, carrier), np.zeros(carrier.depth.size)
    # Random numbers go to the stations from the top down, whatever the order of their rows.
    order = np.lexsort((points.depth, np.arange(x.size) >= points.means.size))
    square = np.ix_(order, order)
    sources = list(effects)
    shared = np.array([-carried.effects.get(s, zero) / carrier.resistivity for s in sources])
    beyond = np.array([effects[s][0] - weights @ carried.effects.get(s, zero) for s in sources])
    return _Sums(
        temperature=rows @ y,
        resistivity=carrier.resistivity,
        smooth=carrier.smooth,
        spread=np.sqrt(np.log1p((carrier.own + carrier.spread) / carrier.smooth**2)),
        by_resistivity=(rows @ weights).T,
        by_depth=_root(points.parts[DEPTH][square]) @ rows.T[order]
        if DEPTH in points.parts
        else np.zeros((0, 2)),
        by_temperature=_root(fit.noise[square]) @ rows.T[order],
        shared=shared.reshape(len(sources), zero.size),
        shared_depth=beyond.reshape(len(sources), x.size) @ rows.T,
        shared_temperature=np.array([effects[s][1] for s in sources]).reshape(-1, x.size) @ rows.T,
        freedom=fit.line.degrees_of_freedom,
    )


def _root(covariance: np.ndarray) -> np.ndarray:
    """Matrix L whose product L' L is a covariance."""
    diagonal = np.diag(covariance)
    if np.array_equal(covariance, np.diag(diagonal)):
        return np.diag(np.sqrt(diagonal))
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))).T)


def _draw(sums: _Sums, draws: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Intercepts and slopes (2, draws): random errors alone, with effects, and with Student's t."""
    rng = np.random.default_rng(seed)
    found = np.empty((3, 2, draws))
    size = max(int(_BLOCK / 8 / sums.resistivity.size), 1)
    scaled = (sums.by_resistivity * sums.resistivity[:, None]).astype(np.float32)
    spread, shared = sums.spread.astype(np.float32), sums.shared.astype(np.float32)
    ratio = (sums.smooth / sums.resistivity).astype(np.float32)
    for start in range(0, draws, size):
        n = min(size, draws - start)
        block = slice(start, start + n)
        # The logarithm's own mean is moved so that the mean resistivity stays the reading's.
        # Half the digits take half the time, and rounding is 1e-4 of the smallest usual scatter.
        factor = rng.standard_normal((n, spread.size), dtype=np.float32)
        factor *= spread
        factor -= 0.5 * spread**2
        np.exp(factor, out=factor)
        factor -= 1.0
        factor *= ratio
        factor += 1.0
        x_depth = rng.standard_normal((n, len(sums.by_depth))) @ sums.by_depth
        x = factor @ scaled + x_depth
        noise = rng.standard_normal((n, len(sums.by_temperature))) @ sums.by_temperature
        found[0, :, block] = lines_from_sums(x, sums.temperature + noise)
        z = rng.standard_normal((n, len(sums.shared)))
        if len(sums.shared):
            factor *= np.exp(-z.astype(np.float32) @ shared)
            x = factor @ scaled + x_depth + z @ sums.shared_depth
        common = sums.temperature + z @ sums.shared_temperature
        found[1, :, block] = lines_from_sums(x, common + noise)
        wider = np.sqrt(sums.freedom / rng.chisquare(sums.freedom, n))[:, None]
        found[2, :, block] = lines_from_sums(x, common + noise * wider)
    return found[0], found[1], found[2]


def _moments(fit: Fit, random: np.ndarray, whole: np.ndarray) -> dict[str, Measured]:
    """Means of the draws, the scatter of the random ones, and the first-order effects."""
    result = line_quantities(fit, 0)
    for name, row, unit in (("surface_temperature", 0, 1.0), ("heat_flow", 1, 1e3)):
        result[name].values = unit * float(whole[row].mean())
        result[name].u_random = unit * float(random[row].std())
    return result


def _result(
    quantities: dict[str, Measured], fit: Fit, wide: np.ndarray, whole: np.ndarray
) -> xr.Dataset:
    dataset = series.build(
        quantities,
        steps=("errors drawn and the line solved for each draw (JCGM 101:2008)",),
    )
    flow = 1e3 * whole[1]
    unit = {"units": "mW/m^2"}
    probability = {"units": "1", "long_name": "probability of a smaller heat flow"}
    deviation = flow - flow.mean()
    first = np.hypot(
        fit.line.slope_uncertainty, np.sqrt(sum(s[1] ** 2 for s in fit.effects.values()))
    )
    limits = np.quantile(1e3 * wide[1], [_QUANTILES[1], _QUANTILES[3]])
    return dataset.assign(
        heat_flow_quantile=(
            "probability",
            np.quantile(flow, _QUANTILES),
            {**unit, "long_name": "quantiles of the drawn heat flows"},
        ),
        heat_flow_interval=("bound", limits, {**unit, "long_name": "68 % interval of heat flow"}),
        heat_flow_skewness=(
            (),
            float((deviation**3).mean() / (deviation**2).mean() ** 1.5),
            {"units": "1", "long_name": "skewness of the drawn heat flows"},
        ),
        heat_flow_first_order=(
            (),
            1e3 * fit.line.slope,
            {**unit, "long_name": "heat flow of the line itself"},
        ),
        heat_flow_first_order_uncertainty=(
            (),
            1e3 * float(first),
            {**unit, "long_name": "first-order standard uncertainty of heat flow"},
        ),
        heat_flow_drawn_uncertainty=(
            (),
            float(flow.std()),
            {**unit, "long_name": "standard deviation of the drawn heat flows"},
        ),
    ).assign_coords(
        probability=("probability", np.array(_QUANTILES), probability),
        bound=(
            "bound",
            np.array(["lower", "upper"], dtype=object),
            {"long_name": "end of the interval"},
        ),
    )
