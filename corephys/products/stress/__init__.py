"""Vertical stress and pressure below the seafloor, from the density of the sediment above."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.cards import RESEARCH_ONLY
from corephys.ground.laws import law
from corephys.products.stress.bounds import (
    CompactionReference,
    effective_stress_of_porosity,
    fit_reference,
    lambda_star,
    overpressure_bound,
    reference_of_indices,
)
from corephys.products.stress.column import inside, integral, random_part, readings_of
from corephys.products.stress.comparison import (
    compare_choices,
    pressure_margins,
    with_in_situ_water,
)
from corephys.products.stress.fluids import (
    equivalent_density,
    fluid_column_pressure,
    in_situ_water_density,
    water_above,
)
from corephys.products.stress.gaps import density_of_porosity, porosity_of_fit
from corephys.products.stress.profiles import profile
from corephys.uncertainty import Measured, given_uncertainty

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Scalar, WithUnit

__all__ = [
    "CompactionReference",
    "compare_choices",
    "density_of_porosity",
    "effective_stress_of_layers",
    "effective_stress_of_porosity",
    "equivalent_density",
    "fit_reference",
    "fluid_column_pressure",
    "in_situ_water_density",
    "lambda_star",
    "overpressure_bound",
    "porosity_of_fit",
    "pressure_margins",
    "profile",
    "reference_of_indices",
    "vertical_effective_stress",
    "with_in_situ_water",
]

_C = constants.CONSTANTS
_T = thresholds.DEFAULTS
_NAME = "vertical_effective_stress"


@law(
    "kPa",
    thickness="positive m",
    bulk_density="g/cm^3",
    pore_water_density="nonnegative g/cm^3",
    gravity="positive m/s^2",
)
def effective_stress_of_layers(
    thickness: Dimensional,
    bulk_density: Dimensional,
    *,
    pore_water_density: Scalar = _C["pore_water_density"],
    gravity: Scalar = _C["gravity"],
) -> WithUnit:
    """Effective stress at the bottom of each layer of a column.

    Parameters
    ----------
    thickness : Quantity or DataArray, (layer)
        Thickness of the layers, from the top downward [m].
    bulk_density : Quantity or DataArray, (layer)
        Bulk density of the layers [g/cm^3].
    pore_water_density : Quantity, str or Constant
        Density of the pore water, at hydrostatic pressure [g/cm^3]; zero gives the total stress.
    gravity : Quantity, str or Constant
        Acceleration of gravity [m/s^2].

    Returns
    -------
    Quantity or DataArray, (layer)
        Vertical effective stress [kPa]. Research estimate; not for well control, mud weight,
        casing, slope or structural decisions; follow local codes and licensed practice.

    Raises
    ------
    ValueError
        For a layer without thickness, or another number of densities.

    Notes
    -----
    sigma' = sum (rho - rho_f) g dz, the definition of effective stress (Terzaghi 1943) with
    hydrostatic pressure.
    """
    stress = _weight_above(
        np.atleast_1d(np.asarray(thickness, dtype=float)),
        np.atleast_1d(np.asarray(bulk_density, dtype=float)),
        pore_water_density,
        gravity,
    )
    held = thickness if isinstance(thickness, xr.DataArray) else bulk_density
    return held.copy(data=stress) if isinstance(held, xr.DataArray) and held.ndim else stress


def _weight_above(dz: np.ndarray, rho: np.ndarray, fluid: Any, gravity: Any) -> Any:
    """Submerged weight on an area at the bottom of each layer: 1 g/cm^3 m^2/s^2 is 1 kPa."""
    if dz.shape != rho.shape or not (dz > 0.0).all():
        raise ValueError(
            f"thickness has {dz.size} values and bulk_density {rho.size}; give one density for "
            "each layer, and thicknesses above zero"
        )
    return np.cumsum((rho - fluid) * gravity * dz)


def vertical_effective_stress(
    density: xr.Dataset,
    *,
    at: xr.DataArray | xr.Dataset,
    pore_water_density: xr.Dataset | Scalar = _C["pore_water_density"],
    pore_water_density_uncertainty: Scalar | None = None,
    gravity: Scalar = _C["gravity"],
    gravity_uncertainty: Scalar | None = None,
    largest_gap: Scalar = _T["stress_gap"],
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> xr.Dataset:
    """Vertical effective stress at depths, from a density profile.

    Parameters
    ----------
    density : Dataset, (reading)
        ``bulk_density`` with its depth, of samples or of a scan.
    at : DataArray or Dataset, (reading)
        Positions at which the stress is wanted, with the coordinate ``depth`` [m].
    pore_water_density : Dataset, Quantity, str or Constant
        Density of the pore water, at hydrostatic pressure [g/cm^3]; a Dataset holds it by depth.
    pore_water_density_uncertainty : Quantity or str, optional
        Systematic standard uncertainty [g/cm^3], effect ``pore_water_density``; that of the
        constant, else NaN.
    gravity : Quantity, str or Constant
        Acceleration of gravity [m/s^2].
    gravity_uncertainty : Quantity or str, optional
        Systematic standard uncertainty [m/s^2], effect ``gravity``; that of the constant, else
        NaN.
    largest_gap : Quantity or str
        Distance to the nearest density [m] beyond which a stress is flagged
        ``interpolated_input``.
    allow : tuple of str
        Flag levels of the densities that may be used.

    Returns
    -------
    Dataset, (reading)
        ``vertical_effective_stress`` [kPa] with uncertainty, effects and flags, at the positions
        of ``at``; NaN more than ``largest_gap`` below the deepest density. The attribute
        ``density_state`` states whether the densities are those of the laboratory. Research
        estimate; not for well control, mud weight, casing, slope or structural decisions; follow
        local codes and licensed practice.

    Raises
    ------
    ValueError
        With fewer than two usable densities, or densities or positions without a depth.

    Notes
    -----
    sigma' = integral of (rho - rho_f) g dz from the seafloor (Terzaghi 1943 with hydrostatic
    pressure). Density is linear between readings, averaged over readings at one depth, and
    constant above the first and below the last. The stress is linear in the densities: random
    variances add with the squares of their weights, effects with their weights.
    """
    readings = readings_of(density, allow, largest_gap)
    col, gap = readings.column, readings.largest_gap
    if "depth" not in getattr(at, "coords", {}):
        raise ValueError(
            "at has no depth; give a series with the coordinate depth, or use stress.profile, "
            "which takes depths"
        )
    where = at["depth"]
    target = np.asarray(units.as_floats(where, "m", "depth"), dtype=float)
    spot = inside(col.depth, target)
    g = float(positive(gravity, "m/s^2", "gravity"))
    water, by_source, _ = water_above(pore_water_density, target, pore_water_density_uncertainty)
    mass = integral(col.depth, col.density, spot) - water
    random = g * random_part(col.depth, col.u_random, spot)
    effects = {source: g * integral(col.depth, e, spot) for source, e in col.effects.items()}
    for source, part in by_source.items():
        effects[source] = effects.get(source, 0.0) - g * part
    effects["gravity"] = mass * given_uncertainty(
        gravity_uncertainty, "m/s^2", "gravity_uncertainty", gravity
    )
    near = np.abs(
        target[:, None] - col.depth[np.clip(spot.left[:, None] + [0, 1], 0, col.depth.size - 1)]
    )
    reason = np.where(near.min(axis=1, initial=np.inf) > gap, flags.bit("interpolated_input"), 0)
    beyond = (target > col.depth[-1] + gap) | (target < 0.0)
    stress = np.where(beyond, np.nan, g * mass)
    placed = where.copy(deep=False, data=stress).drop_attrs(deep=False)
    placed.name = None
    return series.build(
        {_NAME: Measured(placed, random, effects, reason.astype(np.int64))},
        steps=("sigma' = integral of (rho - rho_f) g dz, hydrostatic pressure (Terzaghi 1943)",),
        constants={
            "pore_water_density": (pore_water_density, pore_water_density_uncertainty),
            "gravity": (gravity, gravity_uncertainty),
            "largest_gap": largest_gap,
        },
        density_state=readings.state,
        safety=RESEARCH_ONLY,
    )
