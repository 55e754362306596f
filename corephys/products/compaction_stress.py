"""Effective stress in a column that compacts along one exponential."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, series, units
from corephys.ground.arguments import positive
from corephys.ground.cards import RESEARCH_ONLY
from corephys.products.compaction_column import solid_kernel
from corephys.uncertainty import Measured, stated

__all__ = ["column_effective_stress"]

_C = constants.CONSTANTS


def column_effective_stress(
    depth: Any, *, surface_porosity: Any, decay_length: Any,
    surface_porosity_uncertainty: Any = None, decay_length_uncertainty: Any = None,
    grain_density: Any = _C["grain_density"], grain_density_uncertainty: Any = None,
    fluid_density: Any = _C["pore_water_density"], fluid_density_uncertainty: Any = None,
    gravity: Any = _C["gravity"],
) -> xr.Dataset:  # fmt: skip
    """Vertical effective stress under an exponential of porosity, with hydrostatic pressure.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Below seafloor [m].
    surface_porosity : float or Quantity
        [1].
    decay_length : Quantity or str
        [m].
    surface_porosity_uncertainty, decay_length_uncertainty : Quantity, float or str, optional
        Effects ``surface_porosity`` [1] and ``decay_length`` [m]; unknown gives NaN.
    grain_density, fluid_density : Quantity, str or Constant
        [g/cm^3].
    grain_density_uncertainty, fluid_density_uncertainty : Quantity or str, optional
        Effects ``grain_density`` and ``pore_water_density``; those of the constants, else NaN.
    gravity : Quantity, str or Constant
        [m/s^2].

    Returns
    -------
    Dataset
        ``vertical_effective_stress`` [kPa] with effects and flags. Research estimate; not for
        well control, mud weight, casing, slope or structural decisions; follow local codes and
        licensed practice.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For a surface porosity outside 0 to 1, a depth above the seafloor, or a length or density
        that is not above zero.

    Notes
    -----
    sigma' = (rho_g - rho_f) g (z - phi0 L (1 - exp(-z / L))): the weight of the grains in water
    above, with porosity of Athy (1930) and effective stress of Terzaghi (1943).
    """
    z = units.as_floats(depth, "m", "depth")
    plain = np.asarray(z, dtype=float)
    if (plain < 0.0).any():
        raise ValueError(f"depth is {np.nanmin(plain):g} m; give depths below the seafloor")
    phi0 = float(units.as_floats(surface_porosity, "1", "surface_porosity"))
    if not 0.0 < phi0 < 1.0:
        raise ValueError(
            f"surface_porosity is {phi0:g}; it has to lie between 0 and 1. Per cent are given "
            "with their unit '%'"
        )
    length = float(positive(decay_length, "m", "decay_length"))
    grains = float(positive(grain_density, "g/cm^3", "grain_density"))
    fluid = float(positive(fluid_density, "g/cm^3", "fluid_density", zero=True))
    g = float(positive(gravity, "m/s^2", "gravity"))
    solids = solid_kernel(0.0, plain, phi0, length)
    weight = (grains - fluid) * g
    shrunk = np.exp(-plain / length)
    partials = {
        "surface_porosity": (-weight * length * (1.0 - shrunk), surface_porosity_uncertainty, "1"),
        "decay_length": (
            -weight * phi0 * (1.0 - shrunk * (1.0 + plain / length)), decay_length_uncertainty, "m",
        ),
        "grain_density": (g * solids, grain_density_uncertainty, "g/cm^3"),
        "pore_water_density": (-g * solids, fluid_density_uncertainty, "g/cm^3"),
    }  # fmt: skip
    of = {"grain_density": grain_density, "pore_water_density": fluid_density}
    effects = {
        source: partial * stated(u, unit, f"uncertainty of {source}", of.get(source))
        for source, (partial, u, unit) in partials.items()
    }
    stress: Any = weight * solids
    if isinstance(z, xr.DataArray):
        stress = z.copy(deep=False, data=stress)
    return series.build(
        {"vertical_effective_stress": Measured(stress, 0.0, effects)},
        steps=("sigma' = (rho_g - rho_f) g (thickness of the grains above), hydrostatic pressure",),
        constants={
            "surface_porosity": (surface_porosity, surface_porosity_uncertainty),
            "decay_length": (decay_length, decay_length_uncertainty),
            "grain_density": (grain_density, grain_density_uncertainty),
            "fluid_density": (fluid_density, fluid_density_uncertainty), "gravity": gravity,
        },
        safety=RESEARCH_ONLY,
    )  # fmt: skip
