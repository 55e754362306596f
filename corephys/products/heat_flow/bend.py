"""Test for curvature of temperature against thermal resistance, and its possible causes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import constants, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.products.heat_flow.stations import (
    Fit,
    Stations,
    fitted,
    usable_stations,
)
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Measurement, Scalar

__all__ = ["curvature"]

_C = constants.CONSTANTS
_T = thresholds.DEFAULTS
_ALLOW = ("good", "not_evaluated")
_TEMPERATURE = "equilibrium_temperature"
_YEAR = 31557600.0  # s
Model = Callable[[np.ndarray], np.ndarray]  # temperatures at resistances
# Sign of the bend -> its possible causes: temperatures alone cannot separate them.
_CAUSES = {
    1: (
        "pore water that flows downward",
        "bottom water that became warmer",
        "fast sedimentation",
        "conductivity too high at depth or too low above",
    ),
    -1: (
        "pore water that flows upward",
        "bottom water that became colder",
        "heat production",
        "conductivity too low at depth or too high above",
    ),
}
_EITHER = ("one bad station", "relief or bodies of other conductivity nearby")


@dataclass(frozen=True)
class _Bent:
    """A fit with one more parameter than the line.

    ``parameters`` and ``covariance`` of (start, slope, bend); ``chi_square`` with the covariance
    of the line's residuals.
    """

    parameters: np.ndarray
    covariance: np.ndarray
    chi_square: float


def curvature(
    temperature: Measurement,
    resistance: xr.Dataset,
    *,
    significance: float = _T["bend_significance"],
    water_heat_capacity: Scalar = _C["water_heat_capacity"],
    bottom_water_temperature: Scalar | None = None,
    bottom_water_temperature_uncertainty: Scalar | None = None,
    allow: Sequence[str] = _ALLOW,
) -> xr.Dataset:
    """Test whether temperature against thermal resistance is straight, with possible causes.

    Parameters
    ----------
    temperature : Dataset or DataArray, (reading)
        ``equilibrium_temperature`` [degC].
    resistance : Dataset, (reading)
        From ``thermal_resistance`` at the same positions [m^2 K/W].
    significance : float
        Share of straight profiles that the test may call curved [1].
    water_heat_capacity : Quantity, str or Constant
        Volumetric heat capacity of pore water [MJ/(m^3 K)].
    bottom_water_temperature, bottom_water_temperature_uncertainty : Quantity or str, optional
        Temperature of the point at the seafloor [degC] and its standard uncertainty [K].
    allow : sequence of str
        Flag levels of the temperatures that are used.

    Returns
    -------
    Dataset
        ``bend`` [W^2/(m^4 K)], twice the quadratic term, and its uncertainty; ``probability`` of
        a larger bend by chance, and ``probability_by_stated_errors``; ``peclet_number`` over the
        points and ``pore_water_velocity`` [mm/yr], downward positive, that would explain the bend;
        ``heat_flow_by_end (end)`` [mW/m^2]; and ``residual (model, reading)`` [K] of line,
        parabola and flow. Attributes: ``shape``, "straight" or "curved", and ``candidates``, the
        possible causes.

    Raises
    ------
    ValueError
        With fewer than four points, or a significance outside 0 to 1.

    Notes
    -----
    F = (chi2_line - chi2_parabola) (n - 3) / chi2_parabola, with the weights of the line: it needs
    the errors only up to a common scale. The two probabilities differ where the given errors are
    far larger than the scatter, or common to the stations: ``shape`` follows the scatter, the
    uncertainty of the bend the given errors. Steady flow of pore water: T = a + b (exp(g R) - 1)
    / g with g = (rho c) v, whose Peclet number is g R (Bredehoeft and Papadopulos 1965, Water
    Resources Research 1, 325); against resistance instead of depth it holds for layers too.
    Effects of the temperatures are not in the test: a drifting thermometer also causes a bend.
    """
    if not 0.0 < significance < 1.0:
        raise ValueError(f"significance is {significance:g}; it must be between 0 and 1")
    capacity = 1e6 * float(positive(water_heat_capacity, "MJ/(m^3 K)", "water_heat_capacity"))
    points = usable_stations(
        temperature,
        resistance,
        allow,
        bottom_water_temperature,
        bottom_water_temperature_uncertainty,
    )
    size = points.resistance.size
    if size < 4:
        raise series.TooFewError(f"{size} usable points cannot show a bend; it needs four")
    fit = fitted(points)
    omega = _omega(points, fit)
    straight = _solve(points, omega, None)
    parabola = _solve(points, omega, lambda x: 0.5 * x**2)
    probability = _by_chance(straight.chi_square, parabola.chi_square, size - 3)
    growth, flow = _flow(points, omega, parabola)
    bend = float(parabola.parameters[2])
    known = np.sqrt(max(parabola.chi_square / (size - 3), 1.0))
    u_bend = known * float(np.sqrt(parabola.covariance[2, 2])) if fit.known else float("nan")
    u_growth = u_bend / abs(float(parabola.parameters[1]))
    span = float(np.ptp(points.resistance))
    per_year = 1e3 * _YEAR / capacity
    shape = "curved" if probability < significance else "straight"
    dataset = series.build(
        {
            "peclet_number": Measured(growth * span, u_growth * span),
            "pore_water_velocity": Measured(growth * per_year, u_growth * per_year),
        },
        steps=(
            "T(R) with a quadratic term by the F test; with steady flow of pore water "
            "(Bredehoeft and Papadopulos 1965)",
        ),
        constants={"water_heat_capacity": water_heat_capacity, "significance": significance},
        shape=shape,
        significance=significance,
        points_used=size,
        candidates="; ".join((*_CAUSES[1 if bend > 0 else -1], *_EITHER))
        if shape == "curved"
        else "none needed",
        bottom_water="included" if points.seafloor else "left out",
        reduced_chi_square_line=straight.chi_square / (size - 2),
        reduced_chi_square_parabola=parabola.chi_square / (size - 3),
    )
    ends = np.array([points.resistance.min(), points.resistance.max()])
    chances = (probability, _by_stated(straight, parabola) if fit.known else float("nan"))
    extra = _tables(bend, u_bend, chances, 1e3 * (parabola.parameters[1] + bend * ends))
    models = (_line(straight), _line(parabola, bend), flow)
    return dataset.assign({**extra, **_residuals(models, temperature, resistance, points)})


def _omega(points: Stations, fit: Fit) -> np.ndarray:
    """Covariance of the residuals of the line before any excess scatter; known up to a scale."""
    variance = points.variance
    if not fit.known:
        sound = np.isfinite(variance) & (variance > 0)
        usual = float(np.median(variance[sound])) if sound.any() else 1.0
        return np.diag(np.where(sound, variance, usual))
    return np.diag(variance) + fit.line.slope**2 * points.covariance


def _solve(points: Stations, omega: np.ndarray, bend: Model | None) -> _Bent:
    """Generalised least squares of a line, with one more column where ``bend`` is given."""
    x, y = points.resistance, points.temperature
    columns = [np.ones(x.size), x] + ([] if bend is None else [bend(x)])
    factor = np.linalg.cholesky(omega)
    design = np.linalg.solve(factor, np.column_stack(columns))
    seen = np.linalg.solve(factor, y)
    # Columns of one size, so that a resistance of hundreds squared does no harm.
    scale = np.linalg.norm(design, axis=0)
    found = np.linalg.lstsq(design / scale, seen, rcond=None)[0] / scale
    left = seen - design @ found
    covariance = np.linalg.inv((design / scale).T @ (design / scale)) / np.outer(scale, scale)
    return _Bent(found, covariance, float(left @ left))


def _by_chance(line: float, parabola: float, freedom: int) -> float:
    from scipy.special import fdtrc

    if parabola <= 0.0:
        return 0.0 if line > 0.0 else 1.0
    return float(fdtrc(1, freedom, max(line - parabola, 0.0) * freedom / parabola))


def _by_stated(straight: _Bent, parabola: _Bent) -> float:
    from scipy.special import gammaincc

    return float(gammaincc(0.5, 0.5 * max(straight.chi_square - parabola.chi_square, 0.0)))


def _line(bent: _Bent, bend: float = 0.0) -> Model:
    start, slope = bent.parameters[:2]
    return lambda x: start + slope * x + 0.5 * bend * x**2


def _flow(points: Stations, omega: np.ndarray, start: _Bent) -> tuple[float, Model]:
    """Growth g [W/(m^2 K)] of the best steady flow, and its temperatures by resistance."""
    from scipy.optimize import minimize_scalar

    x = points.resistance
    top, span = x.min(), float(np.ptp(x))

    def shape(peclet: float, along: np.ndarray) -> np.ndarray:
        """Curve from zero to one across the points; at no flow a straight line."""
        part = (along - top) / span
        if abs(peclet) < 1e-6:
            return np.asarray(part + 0.5 * peclet * part * (part - 1.0))
        return np.asarray(np.expm1(peclet * part) / np.expm1(peclet))

    factor = np.linalg.cholesky(omega)
    seen = np.linalg.solve(factor, points.temperature)

    def fit(peclet: float) -> tuple[float, np.ndarray]:
        columns = np.column_stack([np.ones(x.size), shape(peclet, x)])
        design = np.linalg.solve(factor, columns)
        found = np.linalg.lstsq(design, seen, rcond=None)[0]
        left = seen - design @ found
        return float(left @ left), found

    likely = float(start.parameters[2] / start.parameters[1]) * span
    reach = max(4.0 * abs(likely), 1.0)
    best = minimize_scalar(
        lambda peclet: fit(peclet)[0],
        bounds=(-min(reach, 30.0), min(reach, 30.0)),
        method="bounded",
        options={"xatol": 1e-10},
    )
    peclet = float(best.x)
    level, rise = fit(peclet)[1]
    return peclet / span, lambda along: level + rise * shape(peclet, along)


def _tables(
    bend: float, u_bend: float, chances: tuple[float, float], ends: np.ndarray
) -> dict[str, xr.DataArray]:
    unit = {"units": "W^2/(m^4 K)"}
    return {
        "bend": xr.DataArray(
            bend, attrs={**unit, "long_name": "change of heat flow with thermal resistance"}
        ),
        "bend_u_random": xr.DataArray(
            u_bend, attrs={**unit, "long_name": "random standard uncertainty of the bend"}
        ),
        "probability": xr.DataArray(
            chances[0], attrs={"units": "1", "long_name": "probability of a larger bend by chance"}
        ),
        "probability_by_stated_errors": xr.DataArray(
            chances[1],
            attrs={"units": "1", "long_name": "the same by the stated errors as they are"},
        ),
        "heat_flow_by_end": xr.DataArray(
            ends,
            dims="end",
            coords={
                "end": (
                    "end",
                    np.array(["top", "bottom"], dtype=object),
                    {"long_name": "end of the points"},
                )
            },
            attrs={"units": "mW/m^2", "long_name": "heat flow of the parabola at its ends"},
        ),
    }


def _residuals(
    models: Sequence[Model], temperature: Measurement, resistance: xr.Dataset, stations: Stations
) -> dict[str, xr.DataArray]:
    """Residuals at every temperature offered, NaN where it was left out."""
    index = stations.means.index
    template = units.position_in_library_units(resistance["thermal_resistance"])
    t = np.asarray(series.unpack(temperature, _TEMPERATURE).values)[index]
    r = np.asarray(series.unpack(resistance, "thermal_resistance").values)[index]
    whole = np.full((len(models), stations.offered), np.nan)
    for row, model in zip(whole, models, strict=True):
        row[index] = t - model(r)
    return {
        "residual": xr.DataArray(
            whole,
            dims=("model", *template.dims),
            coords={
                "model": (
                    "model",
                    np.array(["line", "parabola", "flow"], dtype=object),
                    {"long_name": "what was fitted"},
                ),
                **{str(key): c.variable for key, c in template.coords.items()},
            },
            attrs={"units": "K", "long_name": "temperature less what was fitted"},
        )
    }
