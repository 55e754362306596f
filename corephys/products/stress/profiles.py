"""Overburden, hydrostatic pressure and effective stress along a hole, with gaps filled."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.cards import RESEARCH_ONLY
from corephys.ground.choices import matching
from corephys.products.stress.column import (
    Column,
    Layering,
    estimate,
    inside,
    integral,
    random_part,
    readings_of,
    unseen,
)
from corephys.products.stress.fluids import places, water_above
from corephys.products.stress.gaps import (
    FILLS,
    Filled,
    fill_column,
    filled_column,
    in_filled,
    left_empty,
    share_filled,
)
from corephys.uncertainty import Measured, combine, given_uncertainty

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Scalar

__all__ = ["profile"]

_C = constants.CONSTANTS
_T = thresholds.DEFAULTS


def profile(
    density: xr.Dataset,
    *,
    at: xr.Dataset | Dimensional | None = None,
    step: Scalar = "1 m",
    water_depth: Scalar | None = None,
    fill: str | xr.Dataset = "linear",
    largest_gap: Scalar = _T["stress_gap"],
    pore_water_density: xr.Dataset | Scalar = _C["pore_water_density"],
    pore_water_density_uncertainty: Scalar | None = None,
    sea_water_density: Scalar = _C["sea_water_column_density"],
    sea_water_density_uncertainty: Scalar | None = None,
    water_depth_uncertainty: Scalar | None = None,
    depth_uncertainty: Scalar | None = None,
    gravity: Scalar = _C["gravity"],
    gravity_uncertainty: Scalar | None = None,
    layer_scatter: Scalar | None = None,
    layer_length: Scalar | None = None,
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> xr.Dataset:
    """Vertical stresses along a hole, from a density profile that may have gaps.

    Parameters
    ----------
    density : Dataset, (reading)
        ``bulk_density`` [g/cm^3] with its depth, in any order. Readings are sorted and averaged at
        one depth, and overlapping cores are combined; attributes hold their numbers.
    at : Dataset, DataArray or Quantity, optional
        Depths below seafloor [m]; where not given, every ``step`` from the seafloor to the last
        reading.
    step : Quantity or str
        Spacing of the depths [m].
    water_depth : Quantity or str, optional
        Water depth [m]; where not given, stresses from sea level are not computed.
    fill : {"linear", "none"} or Dataset
        Density in gaps: a straight line; none, which ends the stress at the first gap; or
        ``bulk_density`` by depth, such as :func:`density_of_porosity` gives for a compaction fit.
    largest_gap : Quantity or str
        Greatest distance between readings [m] that is not a gap. Below the last reading the stress
        continues for this distance, or without limit where ``fill`` is a Dataset.
    pore_water_density : Dataset, Quantity, str or Constant
        Density of the pore water [g/cm^3]; see :func:`in_situ_water_density` for one by depth.
    pore_water_density_uncertainty, sea_water_density_uncertainty : Quantity or str, optional
        Effects ``pore_water_density`` and ``sea_water_density`` [g/cm^3]; those of the constants,
        else NaN.
    sea_water_density : Quantity, str or Constant
        Mean density of the water column [g/cm^3].
    water_depth_uncertainty : Quantity or str, optional
        Effect ``water_depth`` [m] on stresses from sea level; unknown gives NaN.
    depth_uncertainty : Quantity or str, optional
        Standard uncertainty of the seafloor in the depth scale [m], effect ``depth``: the water
        column is shorter by as much as the sediment is longer. No effect where not given.
    gravity : Quantity, str or Constant
        Acceleration of gravity [m/s^2].
    gravity_uncertainty : Quantity or str, optional
        Effect ``gravity`` [m/s^2]; that of the constant, else NaN.
    layer_scatter, layer_length : Quantity or str, optional
        Scatter of the density about its trend [g/cm^3] and length of its correlation in depth [m],
        for layers between readings that were not measured; estimated from the readings where not
        given. A scatter of '0 g/cm^3' excludes these layers from the uncertainty.
    allow : tuple of str
        Flag levels of the densities that may be used.

    Returns
    -------
    Dataset, (reading)
        ``vertical_effective_stress``, ``overburden_below_seafloor``,
        ``hydrostatic_below_seafloor`` and with a water depth ``overburden_stress`` and
        ``hydrostatic_pressure`` from sea level [kPa], above air pressure;
        ``bulk_density`` [g/cm^3] as used; ``filled_share`` [1], the share of the effective stress
        that comes from filled density. Filled depths and all stresses below them are flagged
        ``interpolated_input``. The random error of a depth is also part of all depths below it.
        Research estimate; not for well control, mud weight, casing, slope or structural
        decisions; follow local codes and licensed practice.

    Raises
    ------
    ValueError
        With fewer than two usable densities, an unknown fill, or a fill that does not cover a gap.

    Notes
    -----
    sigma_v = rho_sw g z_w + integral of rho g dz, P_h = rho_sw g z_w + integral of rho_f g dz,
    sigma' = sigma_v - P_h (Terzaghi 1943). Density is linear between readings and held above the
    first. The error from layers between readings is that of the integral of a first-order Markov
    process.
    """
    if not isinstance(fill, xr.Dataset):
        fill = matching(fill, FILLS) or fill
    readings = readings_of(density, allow, largest_gap)
    where = places(at) if at is not None else _grid(readings.column.depth[-1], step)
    z = where["depth"].values
    filled = filled_column(readings.column, fill, readings.largest_gap, _deepest(z))
    layering = _layering(readings.column, fill, layer_scatter, layer_length)
    g = float(positive(gravity, "m/s^2", "gravity"))
    below = _solid(filled, layering, z)
    mass, by_source, water_top = water_above(pore_water_density, z, pore_water_density_uncertainty)
    pores = Measured(mass, 0.0, by_source)
    sea = (
        None
        if water_depth is None
        else _sea(
            water_depth, water_depth_uncertainty, sea_water_density, sea_water_density_uncertainty
        )
    )
    shift = given_uncertainty(depth_uncertainty, "m", "depth_uncertainty")
    if depth_uncertainty is not None:
        # The readings may already have an effect named depth: the same name is the same error.
        below.effects["depth"] = below.effects.get("depth", 0.0) + np.full(
            z.shape, filled.column.density[0] * shift
        )
        pores.effects["depth"] = np.full(z.shape, water_top * shift)
        if sea is not None:
            sea.effects["depth"] = -_number(sea_water_density) * shift
    masses = {
        "overburden_below_seafloor": below,
        "hydrostatic_below_seafloor": pores,
        "vertical_effective_stress": _joined(below, pores, -1.0),
    }
    if sea is not None:
        masses["overburden_stress"] = _joined(below, sea, 1.0)
        masses["hydrostatic_pressure"] = _joined(pores, sea, 1.0)
    u_g = given_uncertainty(gravity_uncertainty, "m/s^2", "gravity_uncertainty", gravity)
    share = share_filled(filled, z, below.values, pores.values)
    known = (z >= 0.0) & ~left_empty(filled, fill, readings.largest_gap, z)
    dataset = series.build(
        {**_stresses(masses, where, known, share, g, u_g), **_density(filled, where, known)},
        steps=(
            "sigma_v = integral of rho g dz",
            "P_h = integral of rho_f g dz",
            "sigma' = sigma_v - P_h (Terzaghi 1943)",
        ),
        constants={
            "pore_water_density": (pore_water_density, pore_water_density_uncertainty),
            "gravity": (gravity, gravity_uncertainty),
            "largest_gap": largest_gap,
            **(
                {}
                if sea is None
                else {
                    "sea_water_density": (sea_water_density, sea_water_density_uncertainty),
                    "water_depth": (water_depth, water_depth_uncertainty),
                }
            ),
        },
        safety=RESEARCH_ONLY,
        density_state=readings.state,
        **readings.counts,
        fill=_words(fill),
        filled_parts=json.dumps([[round(a, 3), round(b, 3)] for a, b in filled.parts]),
        layer_scatter=layering.scatter,
        layer_length=layering.length,
    )
    words = "share of the vertical effective stress that comes from filled density"
    share = np.where(known, share, np.nan)
    dataset["filled_share"] = (where.dims, share, {"units": "1", "long_name": words})
    return dataset


def _grid(deepest: float, step: Any) -> xr.DataArray:
    """Depths from the seafloor to the last reading, which is always included."""
    h = float(positive(step, "m", "step"))
    z = np.append(np.arange(0.0, deepest - 1e-6 * h, h), deepest)
    return places(units.quantity(z, "m"))


def _deepest(z: np.ndarray) -> float:
    """Deepest target [m]; zero where none is finite."""
    finite = z[np.isfinite(z)]
    return float(finite.max()) if finite.size else 0.0


def _words(value: str | xr.Dataset) -> str:
    """Description of the filling, for the attributes."""
    return "by depth" if isinstance(value, xr.Dataset) else str(value)


def _number(density: Scalar) -> float:
    """Density of sea water [g/cm^3]."""
    return float(positive(density, "g/cm^3", "sea_water_density"))


def _layering(readings: Column, fill: Any, scatter: Any, length: Any) -> Layering:
    """Scatter and length as given; the rest estimated from the readings about their trend."""
    s = None if scatter is None else float(positive(scatter, "g/cm^3", "layer_scatter", zero=True))
    far = None if length is None else float(positive(length, "m", "layer_length"))
    if s is not None and s == 0.0:
        return Layering(0.0, far or 1.0)
    if s is not None and far is not None:
        return Layering(s, far)
    z, rho = readings.depth, readings.density
    if isinstance(fill, xr.Dataset):
        trend = fill_column(fill)
        residual = rho - np.interp(z, trend.depth, trend.density)
        residual = residual - residual.mean()
    else:
        order = 1 if z.size > 4 else 0
        residual = rho - np.polyval(np.polyfit(z, rho, order), z)
    found = estimate(z, residual, readings.u_random)
    return Layering(found.scatter if s is None else s, far or found.length)


def _solid(filled: Filled, layering: Layering, z: np.ndarray) -> Measured:
    """Mass of sediment above each depth for each area [g/cm^3 m]."""
    col, at = filled.column, inside(filled.column.depth, z)
    hidden = unseen(col.depth, layering, at, filled.trend)
    random = np.hypot(random_part(col.depth, col.u_random, at), hidden)
    effects = {source: integral(col.depth, e, at) for source, e in col.effects.items()}
    return Measured(integral(col.depth, col.density, at), random, effects)


def _sea(depth: Any, u_depth: Any, density: Any, u_density: Any) -> Measured:
    """Mass of the water column for each area [g/cm^3 m]."""
    rho = _number(density)
    above = float(positive(depth, "m", "water_depth", zero=True))
    u = given_uncertainty(u_density, "g/cm^3", "sea_water_density_uncertainty", density)
    return Measured(
        rho * above,
        0.0,
        {
            "sea_water_density": above * u,
            "water_depth": rho * given_uncertainty(u_depth, "m", "water_depth_uncertainty"),
        },
    )


def _joined(one: Measured, other: Measured, sign: float) -> Measured:
    """Sum or difference of two masses, with their shared effects."""
    random, effects = combine([(1.0, one), (sign, other)])
    return Measured(one.values + sign * other.values, random, effects)


def _stresses(
    masses: dict[str, Measured],
    where: xr.DataArray,
    known: np.ndarray,
    share: np.ndarray,
    g: float,
    u_g: Any,
) -> dict[str, Measured]:
    """Masses times gravity, with its effect and the flags of filled density."""
    reason = np.where(share > 0.0, flags.bit("interpolated_input"), 0).astype(np.int64)
    found = {}
    for name, mass in masses.items():
        values = np.where(known, g * np.asarray(mass.values), np.nan)
        effects = {source: g * np.asarray(e) for source, e in mass.effects.items()}
        effects["gravity"] = np.asarray(mass.values) * u_g
        found[name] = Measured(
            where.copy(data=values),
            g * np.asarray(mass.u_random),
            effects,
            0 if name.startswith("hydrostatic") else reason,
        )
    return found


def _density(filled: Filled, where: xr.DataArray, known: np.ndarray) -> dict[str, Measured]:
    """Density used at each depth, with the flags of filled parts."""
    col, z = filled.column, where["depth"].values

    def at(part: np.ndarray) -> np.ndarray:
        return np.asarray(np.interp(z, col.depth, part))

    reason = np.where(in_filled(filled, z), flags.bit("interpolated_input"), 0).astype(np.int64)
    values = where.copy(data=np.where(known, at(col.density), np.nan))
    effects = {source: at(e) for source, e in col.effects.items()}
    return {"bulk_density": Measured(values, at(col.u_random), effects, reason)}
