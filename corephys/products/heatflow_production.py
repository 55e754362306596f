"""Heat made in the sediment: how it bends the temperatures and lessens the heat flow downward."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import flags, series, units
from corephys.ground.arguments import positive
from corephys.products.heatflow_carriers import resistivity
from corephys.products.heatflow_points import usable_points, wanted
from corephys.uncertainty import Measured

__all__ = ["heat_production_correction"]

_ALLOW = ("good", "not_evaluated")
_NAME = "heat_production"
_FINE = 2000  # pieces of the integral
_LAYERS = 200  # means of a dense profile


def heat_production_correction(
    heat_production: Any, conductivity: Any, *, at: Any, heat_production_uncertainty: Any = None,
    how: str = "linear", allow: tuple[str, ...] = _ALLOW,
) -> xr.Dataset:  # fmt: skip
    """Anomaly of temperature and change of heat flow by heat that the sediment makes.

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
        Way of carrying conductivity, as for ``thermal_resistance``.
    allow : tuple of str
        Flag levels that are used, of either.

    Returns
    -------
    Dataset
        ``temperature_anomaly`` [K], what heat production takes from T0 + q0 R, and
        ``heat_flow_change`` [mW/m^2], heat flow at the depth less that at the seafloor: both
        negative. ``seafloor_temperature_anomaly`` is zero.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For a heat production below zero or a profile without a usable value.

    Notes
    -----
    q(z) = q0 - integral of A, T = T0 + q0 R - integral of (integral of A) dz / k; with one A this
    is q0 - A z and, with one k, A z^2 / 2 k (Bullard 1939, Proceedings of the Royal Society A 173,
    474). A profile is linear between its values and constant beyond them; more than 200 are
    averaged by layers. Errors of the conductivity in this small term are left out.
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

    nothing = Measured(0.0, 0.0, dict.fromkeys(production.effects, 0.0))
    return series.build(
        {"temperature_anomaly": carried(rise, 1e-6), "heat_flow_change": carried(heat, 1e-3),
         "seafloor_temperature_anomaly": nothing},
        steps=("heat made above a depth does not come from below it (Bullard 1939)",),
        carrier=how, heat_productions_used=int(known.size),
    )  # fmt: skip


def _running(pieces: np.ndarray) -> np.ndarray:
    return np.concatenate([np.zeros((1, pieces.shape[1])), np.cumsum(pieces, axis=0)])


def _profile(value: Any, given: Any, allow: tuple[str, ...]) -> tuple[Measured, np.ndarray]:
    """Heat productions [uW/m^3] and their depths, one depth for a single value."""
    if not isinstance(value, (xr.Dataset, xr.DataArray)) or not value.dims:
        size = float(positive(value, "uW/m^3", _NAME, zero=True))
        u = float(uncertainty.stated(given, "uW/m^3", "heat_production_uncertainty", value))
        return Measured(np.array([size]), np.zeros(1), {_NAME: np.array([u])}), np.zeros(1)
    if "depth" not in value.coords:
        raise ValueError("a profile of heat production needs the coordinate depth")
    measured = series.unpack(value, _NAME)
    values = np.asarray(measured.values, dtype=float)
    depth = np.asarray(units.position_in_library_units(value)["depth"].values, dtype=float)
    use = np.isfinite(values) & np.isfinite(depth) & (values >= 0.0)
    if isinstance(value, xr.Dataset) and f"{_NAME}_flag" in value:
        use &= flags.usable(value[f"{_NAME}_flag"].values, allow)
    if not use.any():
        raise ValueError(f"none of {values.size} heat productions is usable; zero or more is")
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
