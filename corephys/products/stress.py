"""Vertical effective stress under hydrostatic pressure, from the density of what lies above."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys import constants, flags, series, units
from corephys.bounds import positive
from corephys.display import RESEARCH_ONLY
from corephys.uncertainty import Measured, bare

__all__ = ["effective_stress_of_layers", "vertical_effective_stress"]

_C = constants.CONSTANTS
_NAME = "vertical_effective_stress"


def effective_stress_of_layers(
    thickness: Any, bulk_density: Any, *, fluid_density: Any = _C["pore_water_density"],
    gravity: Any = _C["gravity"],
) -> Any:  # fmt: skip
    """Effective stress at the bottom of every layer of a column.

    Parameters
    ----------
    thickness : Quantity or DataArray, (layer)
        From the top downward [m].
    bulk_density : Quantity or DataArray, (layer)
        [g/cm^3].
    fluid_density : Quantity, str or Constant
        Of the fluid whose pressure is hydrostatic [g/cm^3]; zero gives the total stress.
    gravity : Quantity, str or Constant
        [m/s^2].

    Returns
    -------
    ndarray, (layer)
        [kPa]. Research estimate; not for well control, mud weight, casing, slope or structural
        decisions; follow local codes and licensed practice.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For a layer without thickness, or another number of densities.

    Notes
    -----
    sigma' = sum (rho - rho_f) g dz, the definition of effective stress (Terzaghi 1943) with
    hydrostatic pressure.
    """
    dz = np.atleast_1d(np.asarray(positive(thickness, "m", "thickness"), dtype=float))
    rho = np.atleast_1d(np.asarray(units.as_floats(bulk_density, "g/cm^3", "bulk_density")))
    if dz.shape != rho.shape or not (dz > 0.0).all():
        raise ValueError(
            f"{dz.size} thicknesses and {rho.size} densities; give one density a layer, and a "
            "thickness above zero to each"
        )
    fluid = float(positive(fluid_density, "g/cm^3", "fluid_density", zero=True))
    g = float(positive(gravity, "m/s^2", "gravity"))
    return np.cumsum((rho - fluid) * g * dz)


def vertical_effective_stress(
    density: xr.Dataset, *, at: Any, fluid_density: Any = _C["pore_water_density"],
    fluid_density_uncertainty: Any = None, gravity: Any = _C["gravity"],
    largest_gap: Any = "30 m", allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> xr.Dataset:  # fmt: skip
    """Vertical effective stress at depths, from a density profile.

    Parameters
    ----------
    density : Dataset, (reading)
        ``bulk_density`` with its depth, of samples or of a scan.
    at : DataArray or Dataset, (reading)
        Where the stress is wanted: anything with the coordinate ``depth`` [m].
    fluid_density : Quantity, str or Constant
        Of the fluid whose pressure is hydrostatic [g/cm^3].
    fluid_density_uncertainty : Quantity or str, optional
        Effect ``pore_water_density``; that of the constant, else NaN.
    gravity : Quantity, str or Constant
        [m/s^2].
    largest_gap : Quantity or str
        Distance to the nearest density [m] beyond which a stress is marked
        ``interpolated_input``.
    allow : tuple of str
        Flag levels of the densities that may be used.

    Returns
    -------
    Dataset, (reading)
        ``vertical_effective_stress`` [kPa] with uncertainty, effects and flags, at the positions
        of ``at``; NaN below ``largest_gap`` under the deepest density. Research estimate; not for
        well control, mud weight, casing, slope or structural decisions; follow local codes and
        licensed practice.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        With fewer than two usable densities.

    Notes
    -----
    sigma' = integral of (rho - rho_f) g dz from the seafloor (Terzaghi 1943 with hydrostatic
    pressure). Density is linear between readings, those at one depth averaged, and held above the
    first and below the last. The stress is linear in the densities: random errors add by the
    squares of their weights, effects by their weights.
    """
    rho = series.unpack(density, "bulk_density")
    depth = np.asarray(units.as_floats(density["depth"], "m", "depth"), dtype=float)
    values = np.asarray(bare(rho.values), dtype=float)
    use = np.isfinite(values) & np.isfinite(depth)
    use &= flags.usable(flags.from_reason(np.asarray(bare(rho.reason))), allow)
    if use.sum() < 2:
        raise ValueError(f"{int(use.sum())} usable densities; a profile needs two at least")
    order = np.flatnonzero(use)[np.argsort(depth[use], kind="stable")]
    z = depth[order]
    where = at["depth"]
    target = np.asarray(units.as_floats(where, "m", "depth"), dtype=float)
    weights = _weights(z, target)
    g = float(positive(gravity, "m/s^2", "gravity"))
    fluid = float(positive(fluid_density, "g/cm^3", "fluid_density", zero=True))
    if fluid_density_uncertainty is None:
        known = isinstance(fluid_density, constants.Constant)
        u_fluid = float(fluid_density.uncertainty) if known else float("nan")
    else:
        u_fluid = float(
            units.as_floats(fluid_density_uncertainty, "g/cm^3", "fluid_density_uncertainty")
        )
    stress = g * (weights @ values[order] - fluid * target)

    def carried(part: Any) -> np.ndarray:
        return np.broadcast_to(np.asarray(bare(part), dtype=float), values.shape)[order]

    random = g * np.sqrt(weights**2 @ carried(rho.u_random) ** 2)
    effects = {source: g * (weights @ carried(e)) for source, e in rho.effects.items()}
    water = effects.get("pore_water_density", 0.0)
    effects["pore_water_density"] = water - g * target * u_fluid
    gap = float(positive(largest_gap, "m", "largest_gap"))
    apart = np.min(np.abs(target[:, None] - z[None, :]), axis=1, initial=np.inf)
    reason = np.where(apart > gap, flags.bit("interpolated_input"), 0).astype(np.int64)
    beyond = (target > z[-1] + gap) | (target < 0.0)
    placed = where.copy(deep=False, data=np.where(beyond, np.nan, stress)).drop_attrs(deep=False)
    placed.name = None
    return series.build(
        {_NAME: Measured(placed, random, effects, reason)},
        steps=("sigma' = integral of (rho - rho_f) g dz, hydrostatic pressure (Terzaghi 1943)",),
        constants={"fluid_density": str(fluid_density), "gravity": str(gravity)},
        safety=RESEARCH_ONLY,
    )  # fmt: skip


def _weights(z: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Matrix that integrates a profile, linear between its depths, from 0 to each target [m]."""
    # Ends are held: a reading of the same density is put at the seafloor and at the target.
    readings = z
    z, group, number = np.unique(readings, return_inverse=True, return_counts=True)
    if z.size == 1:
        return np.multiply.outer(target, np.full(readings.size, 1.0 / readings.size))
    matrix = np.zeros((target.size, z.size))
    for row, deep in enumerate(target):
        if not np.isfinite(deep):
            matrix[row] = np.nan
            continue
        inside = z[(z > 0.0) & (z < deep)]
        knots = np.concatenate([[0.0], inside, [max(deep, 0.0)]])
        half = 0.5 * np.diff(knots)
        quadrature = np.zeros(knots.size)
        quadrature[:-1] += half
        quadrature[1:] += half
        at = np.clip(knots, z[0], z[-1])
        right = np.clip(np.searchsorted(z, at), 1, z.size - 1)
        left = right - 1
        share = (at - z[left]) / (z[right] - z[left])
        np.add.at(matrix[row], left, quadrature * (1.0 - share))
        np.add.at(matrix[row], right, quadrature * share)
    return np.asarray((matrix / number)[:, group])  # readings at one depth share it
