"""Gaps of a density profile: what fills them, and how much of a stress rests on that."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import companions, constants, series, units
from corephys.products.stress.column import Column, inside, integral
from corephys.products.stress.fluids import places
from corephys.uncertainty import Measured, bare, combine, covariance_effects

if TYPE_CHECKING:
    from corephys.ground.types import Scalar

__all__ = [
    "Filled",
    "density_of_porosity",
    "fill_column",
    "filled_column",
    "in_filled",
    "left_empty",
    "porosity_of_fit",
    "share_filled",
]

_C = constants.CONSTANTS
FILLS = ("linear", "none")
_NODES = 8  # of a trend in a gap, at least


@dataclass(frozen=True)
class Filled:
    """A column whose gaps are filled.

    Parameters
    ----------
    column : Column
        With the nodes of the filling among the readings.
    trend : (n,) ndarray of bool
        Nodes that are filling.
    parts : tuple of pairs of float
        Top and bottom of what is filled [m]; the last may end at the deepest target.
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
    """Bulk density of a porosity, such as that of a compaction fit, to fill gaps with.

    Parameters
    ----------
    porosity : Dataset, (reading) or (curve)
        ``porosity`` [1] with its depth: a series with uncertainties, or the curve of a fit with
        its band ``lower`` to ``upper``, which becomes the effect ``compaction_fit``; see
        :func:`porosity_of_fit` for a curve whose errors keep their names.
    grain_density, pore_water_density : Quantity, str or Constant
        [g/cm^3].
    grain_density_uncertainty, pore_water_density_uncertainty : Quantity or str, optional
        Effects of these names [g/cm^3]; those of the constants, else NaN.

    Returns
    -------
    Dataset, (reading)
        ``bulk_density`` [g/cm^3].

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
    values = np.asarray(bare(phi.values), dtype=float)
    wrong = np.isfinite(values) & ((values < 0.0) | (values > 1.0))
    if wrong.any():
        raise ValueError(
            f"a porosity of {values[wrong][0]:g} lies outside 0 to 1; in per cent? Then give its "
            "unit as '%'"
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
        "fluid_density",
        source="pore_water_density",
        uncertainty_given=pore_water_density_uncertainty,
    )
    solid, fluid = bare(grain.values), bare(water.values)
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
        {"bulk_density": Measured(where, random, effects, bare(phi.reason))},
        steps=("rho = phi rho_w + (1 - phi) rho_g",),
        constants={
            "grain_density": (grain_density, grain_density_uncertainty),
            "pore_water_density": (pore_water_density, pore_water_density_uncertainty),
        },
    )


def porosity_of_fit(fit: Any, at: Any) -> xr.Dataset:
    """Curve of a compaction fit with its errors by name, so that they meet those of the readings.

    Parameters
    ----------
    fit : CompactionFit
        Of porosity against depth, as :func:`corephys.compaction.fit` gives it.
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
        For a fit against something else than depth.

    Notes
    -----
    Linear propagation through the derivatives of the curve (JCGM 100:2008, 5.2).
    """
    if fit.model.abscissa != "depth":
        raise ValueError(
            f"the fit is against {fit.model.abscissa.replace('_', ' ')}; gaps are filled by one "
            "against depth"
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
    """A single number: without a random error of its own, its systematic one unknown or said."""
    if part.effects:
        return part
    return Measured(part.values, 0.0, {source: float("nan")}, part.reason)


def filled_column(readings: Column, fill: Any, largest_gap: float, deepest: float) -> Filled:
    """Put a filling into the gaps of a column.

    Parameters
    ----------
    readings : Column
        Without filling.
    fill : {"linear", "none"} or Dataset
        As for :func:`corephys.products.stress.profiles.profile`.
    largest_gap : float
        [m].
    deepest : float
        Deepest target [m].

    Returns
    -------
    Filled
        The readings themselves for a filling in words.

    Raises
    ------
    ValueError
        For an unknown word, or a filling that does not reach over a gap.
    """
    z = readings.depth
    holes = [(0.0, float(z[0]))] if z[0] > largest_gap else []
    holes += [(float(z[i]), float(z[i + 1])) for i in np.flatnonzero(readings.filled)]
    if not isinstance(fill, xr.Dataset):
        if fill not in FILLS:
            raise ValueError(
                f"fill is {fill!r}; it is 'linear', 'none', or a Dataset with bulk_density by "
                "depth, as density_of_porosity makes of a compaction fit"
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
            f"the filling reaches from {top:g} to {bottom:g} m, the gaps from {added.min():g} to "
            f"{added.max():g} m; give a curve that covers them"
        )
    return Filled(*_joined(readings, trend, added), tuple(holes), float(z[-1]))


def _nodes(a: float, b: float, *, top: bool, end: bool) -> np.ndarray:
    """Depths of a filling between a and b, at its ends close to the readings there."""
    number = max(_NODES, int((b - a) / 2.0)) + 1
    near = 1e-3 * (b - a) / number
    first, last = a if top else a + near, b if end else b - near
    return np.linspace(first, last, number)


def fill_column(fill: xr.Dataset) -> Column:
    """A filling as a column; its random errors are one error, named ``density_fill``.

    Parameters
    ----------
    fill : Dataset, (reading)
        ``bulk_density`` [g/cm^3] by depth.

    Returns
    -------
    Column
        Sorted.
    """
    rho = series.unpack(fill, "bulk_density")
    z = np.asarray(units.as_floats(fill["depth"], "m", "depth"), dtype=float)
    values = np.asarray(bare(rho.values), dtype=float)
    order = np.argsort(z, kind="stable")

    def carried(part: Any) -> np.ndarray:
        return np.broadcast_to(np.asarray(bare(part), dtype=float), z.shape)[order]

    effects = {source: carried(e) for source, e in rho.effects.items()}
    random = carried(rho.u_random)
    if not np.all(random == 0.0):
        effects["density_fill"] = random
    nothing = np.zeros(z.size)
    return Column(z[order], values[order], nothing, effects, np.ones(max(z.size - 1, 0), bool))


def _joined(readings: Column, trend: Column, added: np.ndarray) -> tuple[Column, np.ndarray]:
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
    """Which depths lie in a filled part.

    Parameters
    ----------
    filled : Filled
        Column with its gaps.
    z : (m,) ndarray
        Depths [m].

    Returns
    -------
    (m,) ndarray of bool
        The edges, where there are readings, are not.
    """
    found = np.zeros(z.shape, dtype=bool)
    for top, bottom in filled.parts:
        found |= ((z > top) | (top == 0.0)) & ((z < bottom) | (bottom > filled.last))
    return found


def left_empty(filled: Filled, fill: Any, largest_gap: float, z: np.ndarray) -> np.ndarray:
    """Which depths have no stress for want of densities above them.

    Parameters
    ----------
    filled : Filled
        Column with its gaps.
    fill : {"linear", "none"} or Dataset
        What stands in the gaps.
    largest_gap : float
        [m].
    z : (m,) ndarray
        Depths [m].

    Returns
    -------
    (m,) ndarray of bool
        Always for depths that are not numbers.
    """
    if isinstance(fill, xr.Dataset):
        return ~np.isfinite(z)
    empty = ~np.isfinite(z) | (z > filled.last + largest_gap)
    if fill == "none":
        empty |= z > min([filled.last, *(top for top, _ in filled.parts)])
    return np.asarray(empty)


def share_filled(filled: Filled, z: np.ndarray, solid: np.ndarray, water: np.ndarray) -> np.ndarray:
    """Share of the effective stress that comes from filled density.

    Parameters
    ----------
    filled : Filled
        Column with its gaps.
    z : (m,) ndarray
        Depths [m].
    solid, water : (m,) ndarray
        Integrals of density and of the density of water down to them [g/cm^3 m].

    Returns
    -------
    (m,) ndarray
        Zero where nothing is filled [1].
    """
    col, share, whole = filled.column, np.zeros(z.shape), solid - water
    mean = np.divide(water, z, out=np.zeros(z.shape), where=z > 0.0)  # of the water above
    for top, bottom in filled.parts:
        low, high = np.minimum(z, top), np.minimum(z, bottom)
        above, below = (integral(col.depth, col.density, inside(col.depth, d)) for d in (low, high))
        share += below - above - mean * (high - low)
    return np.divide(share, whole, out=np.zeros(z.shape), where=whole > 0.0)
