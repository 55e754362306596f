"""Gaps of a density profile: how they are filled, and the share of a stress that comes from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import xarray as xr

from corephys.ground import companions, constants, series, units
from corephys.products.stress.column import Column, inside, integral
from corephys.products.stress.fluids import places
from corephys.uncertainty import Measured, combine, covariance_effects, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Scalar

__all__ = [
    "Filled",
    "density_of_porosity",
    "porosity_of_fit",
]

_C = constants.CONSTANTS
FILLS = ("linear", "none")
_NODES = 8  # least number of nodes of a filling in a gap


class _DepthFit(Protocol):
    """Attributes of a fit of compaction that a curve needs; the room is not imported here."""

    @property
    def model(self) -> Any: ...

    @property
    def dataset(self) -> xr.Dataset: ...

    @property
    def values(self) -> tuple[float, ...]: ...


@dataclass(frozen=True)
class Filled:
    """Column whose gaps are filled.

    Parameters
    ----------
    column : Column
        Readings and nodes of the filling, sorted.
    trend : (n,) ndarray of bool
        Nodes that belong to the filling.
    parts : tuple of pairs of float
        Top and bottom of the filled parts [m]; the last may end at the deepest target.
    last : float
        Depth of the last reading [m].
    """

    column: Column
    trend: np.ndarray
    parts: tuple[tuple[float, float], ...]
    last: float


def density_of_porosity(
    porosity: xr.Dataset,
    *,
    grain_density: xr.Dataset | Scalar = _C["grain_density"],
    grain_density_uncertainty: Scalar | None = None,
    pore_water_density: Scalar = _C["pore_water_density"],
    pore_water_density_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Bulk density from porosity, such as that of a compaction fit, for filling gaps.

    Parameters
    ----------
    porosity : Dataset, (reading) or (curve)
        ``porosity`` [1] with its depth: a series with uncertainties, or the curve of a fit with
        its band ``lower`` to ``upper``, which becomes the effect ``compaction_fit``;
        :func:`porosity_of_fit` gives a curve whose errors keep their names.
    grain_density, pore_water_density : Quantity, str or Constant
        Density of the grains and of the pore water [g/cm^3].
    grain_density_uncertainty, pore_water_density_uncertainty : Quantity or str, optional
        Effects of these names [g/cm^3]; those of the constants, else NaN.

    Returns
    -------
    Dataset, (reading)
        ``bulk_density`` [g/cm^3] by depth.

    Raises
    ------
    ValueError
        For a porosity outside 0 to 1, or without a depth.

    Notes
    -----
    rho = phi rho_w + (1 - phi) rho_g, saturated: definition.
    """
    if "depth" not in getattr(porosity, "coords", {}):
        raise ValueError(
            "the porosity has no depth; give a Dataset with porosity and the coordinate depth"
        )
    porosity = companions.library_units(porosity, {"lower": "1", "upper": "1"})
    if "curve" in porosity.dims:
        porosity = porosity.rename(curve="reading")
    phi = series.unpack(porosity, "porosity")
    values = np.asarray(without_coords(phi.values), dtype=float)
    wrong = np.isfinite(values) & ((values < 0.0) | (values > 1.0))
    if wrong.any():
        raise ValueError(
            f"a porosity of {values[wrong][0]:g} lies outside 0 to 1; if it is in per cent, give "
            "its unit as '%'"
        )
    if "upper" in porosity:
        half = (porosity["upper"].values - porosity["lower"].values) / 2.0
        phi = Measured(phi.values, 0.0, {"compaction_fit": half}, phi.reason)
    grain = series.unpack(
        grain_density,
        "grain_density",
        source="grain_density",
        uncertainty_given=grain_density_uncertainty,
    )
    water = series.unpack(
        pore_water_density,
        "pore_water_density",
        source="pore_water_density",
        uncertainty_given=pore_water_density_uncertainty,
    )
    solid, fluid = without_coords(grain.values), without_coords(water.values)
    density = values * fluid + (1.0 - values) * solid
    random, effects = combine(
        [
            (fluid - solid, phi),
            (1.0 - values, _known(grain, "grain_density")),
            (values, _known(water, "pore_water_density")),
        ]
    )
    where = xr.DataArray(density, dims="reading", coords={"depth": porosity["depth"]})
    return series.build(
        {"bulk_density": Measured(where, random, effects, without_coords(phi.reason))},
        steps=("rho = phi rho_w + (1 - phi) rho_g",),
        constants={
            "grain_density": (grain_density, grain_density_uncertainty),
            "pore_water_density": (pore_water_density, pore_water_density_uncertainty),
        },
    )


def porosity_of_fit(fit: _DepthFit, at: xr.Dataset | Dimensional) -> xr.Dataset:
    """Curve of a compaction fit with errors by name, so that they combine with those of readings.

    Parameters
    ----------
    fit : CompactionFit
        Fit of porosity against depth, from :func:`corephys.compaction.fit`.
    at : Quantity or DataArray, (reading)
        Depths below seafloor [m].

    Returns
    -------
    Dataset, (reading)
        ``porosity`` [1]; the systematic effects of the porosities keep their names, the random
        errors of the parameters become ``compaction_fit_1`` and so on.

    Raises
    ------
    ValueError
        For a fit against effective stress.

    Notes
    -----
    Linear propagation through the derivatives of the curve (JCGM 100:2008, 5.2).
    """
    if fit.model.abscissa != "depth":
        raise ValueError(
            f"the fit is against {fit.model.abscissa.replace('_', ' ')}; give a fit against depth"
        )
    where = places(at)
    z = where["depth"].values
    slopes = fit.model.jacobian(z, *fit.values)
    data = fit.dataset
    effects = covariance_effects(list(slopes.T), data["covariance"].values, "compaction_fit")
    for i, source in enumerate(data["source"].values if "source" in data.sizes else ()):
        shifts = [float(data[f"{name}_effects"].values[i]) for name in fit.model.names]
        effects[str(source)] = slopes @ np.array(shifts)
    values = where.copy(data=np.asarray(fit.model.curve(z, *fit.values), dtype=float))
    return series.build(
        {"porosity": Measured(values, 0.0, effects)}, steps=("curve of a compaction fit",)
    )


def _known(part: Measured, source: str) -> Measured:
    """Single number without random error; its systematic error is NaN if not given."""
    if part.effects:
        return part
    return Measured(part.values, 0.0, {source: float("nan")}, part.reason)


def filled_column(
    readings: Column, fill: str | xr.Dataset, largest_gap: float, deepest: float
) -> Filled:
    """Column with its gaps filled down to the deepest target [m].

    Nodes are added only for a Dataset; "linear" and "none" keep the nodes of the readings.
    """
    z = readings.depth
    holes = [(0.0, float(z[0]))] if z[0] > largest_gap else []
    holes += [(float(z[i]), float(z[i + 1])) for i in np.flatnonzero(readings.filled)]
    if not isinstance(fill, xr.Dataset):
        if fill not in FILLS:
            raise ValueError(
                f"fill is {fill!r}; expected linear, none, or a Dataset with bulk_density by "
                "depth, such as density_of_porosity gives for a compaction fit"
            )
        held = [(float(z[-1]), deepest)] if deepest > z[-1] else []
        return Filled(readings, np.zeros(z.size, dtype=bool), tuple(holes + held), float(z[-1]))
    if deepest > z[-1]:
        holes.append((float(z[-1]), deepest))
    trend = fill_column(fill)
    top, bottom = trend.depth[0], trend.depth[-1]
    nodes = [_nodes(a, b, top=a == 0.0 < z[0], end=b == deepest) for a, b in holes]
    added = np.concatenate([*nodes, np.empty(0)])
    if added.size and (added.min() < top - 1e-9 or added.max() > bottom + 1e-9):
        raise ValueError(
            f"fill covers {top:g} to {bottom:g} m and the gaps lie from {added.min():g} to "
            f"{added.max():g} m; give a curve that covers them"
        )
    return Filled(*_joined(readings, trend, added), tuple(holes), float(z[-1]))


def _nodes(a: float, b: float, *, top: bool, end: bool) -> np.ndarray:
    """Depths of a filling between a and b, with ends just inside the readings at a and b."""
    number = max(_NODES, int((b - a) / 2.0)) + 1
    near = 1e-3 * (b - a) / number
    first, last = a if top else a + near, b if end else b - near
    return np.linspace(first, last, number)


def fill_column(fill: xr.Dataset) -> Column:
    """Filling as a sorted column; its random errors become one effect, ``density_fill``."""
    rho = series.unpack(fill, "bulk_density")
    z = np.asarray(units.as_floats(fill["depth"], "m", "depth"), dtype=float)
    values = np.asarray(without_coords(rho.values), dtype=float)
    order = np.argsort(z, kind="stable")

    def carried(part: Any) -> np.ndarray:
        return np.broadcast_to(np.asarray(without_coords(part), dtype=float), z.shape)[order]

    effects = {source: carried(e) for source, e in rho.effects.items()}
    random = carried(rho.u_random)
    if not np.all(random == 0.0):
        effects["density_fill"] = random
    nothing = np.zeros(z.size)
    return Column(z[order], values[order], nothing, effects, np.ones(max(z.size - 1, 0), bool))


def _joined(readings: Column, trend: Column, added: np.ndarray) -> tuple[Column, np.ndarray]:
    """Readings and nodes of the filling in one column, and which nodes are filling."""
    z = np.concatenate([readings.depth, added])
    order = np.argsort(z, kind="stable")
    is_trend = (np.arange(z.size) >= readings.depth.size)[order]

    def joined(own: np.ndarray, other: np.ndarray) -> np.ndarray:
        at = np.interp(added, trend.depth, other) if added.size else added
        return np.asarray(np.concatenate([own, at])[order])

    none, no_trend = np.zeros(readings.depth.size), np.zeros(trend.depth.size)
    effects = {
        source: joined(readings.effects.get(source, none), trend.effects.get(source, no_trend))
        for source in {**readings.effects, **trend.effects}
    }
    column = Column(
        z[order],
        joined(readings.density, trend.density),
        joined(readings.u_random, no_trend),
        effects,
        is_trend[1:] | is_trend[:-1],
    )
    return column, is_trend


def in_filled(filled: Filled, z: np.ndarray) -> np.ndarray:
    """Which depths [m] lie inside a filled part; its edges are readings and do not count."""
    found = np.zeros(z.shape, dtype=bool)
    for top, bottom in filled.parts:
        found |= ((z > top) | (top == 0.0)) & ((z < bottom) | (bottom > filled.last))
    return found


def left_empty(
    filled: Filled, fill: str | xr.Dataset, largest_gap: float, z: np.ndarray
) -> np.ndarray:
    """Which depths [m] have no stress, because densities above them are missing."""
    if isinstance(fill, xr.Dataset):
        return ~np.isfinite(z)
    empty = ~np.isfinite(z) | (z > filled.last + largest_gap)
    if fill == "none":
        empty |= z > min([filled.last, *(top for top, _ in filled.parts)])
    return np.asarray(empty)


def share_filled(filled: Filled, z: np.ndarray, solid: np.ndarray, water: np.ndarray) -> np.ndarray:
    """Share [1] of the effective stress at depths [m] that comes from filled density.

    ``solid`` and ``water`` are the integrals of both densities down to the depths [g/cm^3 m].
    """
    col, share, whole = filled.column, np.zeros(z.shape), solid - water
    mean = np.divide(
        water, z, out=np.zeros(z.shape), where=z > 0.0
    )  # mean density of the water above
    for top, bottom in filled.parts:
        low, high = np.minimum(z, top), np.minimum(z, bottom)
        above, below = (integral(col.depth, col.density, inside(col.depth, d)) for d in (low, high))
        share += below - above - mean * (high - low)
    return np.divide(share, whole, out=np.zeros(z.shape), where=whole > 0.0)
