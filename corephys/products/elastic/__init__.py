"""Rock physics: moduli, averages and bounds, velocity models, fluids and frames.

The order of the work: compute the moduli of the measured core, mix the minerals of its grains,
compare it with models and bounds at the same porosity, and flag readings outside the bounds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import xarray as xr

from corephys.ground import moduli, series
from corephys.products.elastic.averages import hashin_shtrikman, hill, reuss, voigt
from corephys.products.elastic.fluids import (
    brine,
    fluid_mixture,
    fluid_substitution,
    frame_modulus,
    gassmann,
)
from corephys.products.elastic.frames import (
    contact_cement,
    contacts_of_porosity,
    critical_porosity,
    hertz_mindlin,
    krief,
    soft_sand,
    stiff_sand,
)
from corephys.products.elastic.minerals import (
    MATERIALS,
    Material,
    material,
    materials,
    mineral_mixture,
)
from corephys.products.elastic.models import (
    MEANINGS,
    MODELS,
    bounds_check,
    porosity_from_velocity,
    velocity_models,
)
from corephys.products.elastic.propagation import measured_inputs, reading
from corephys.products.elastic.reflections import reflection_at_angle
from corephys.products.elastic.velocities import (
    castagna,
    from_moduli,
    gardner,
    han,
    raymer,
    s_wave_from_frame,
    wood,
    wyllie,
)

if TYPE_CHECKING:
    from corephys.ground.types import Measurement
    from corephys.products.elastic.propagation import Uncertainties

__all__ = [
    "MATERIALS",
    "MEANINGS",
    "MODELS",
    "Material",
    "bounds_check",
    "brine",
    "castagna",
    "contact_cement",
    "contacts_of_porosity",
    "critical_porosity",
    "dynamic_moduli",
    "fluid_mixture",
    "fluid_substitution",
    "frame_modulus",
    "from_moduli",
    "gardner",
    "gassmann",
    "han",
    "hashin_shtrikman",
    "hertz_mindlin",
    "hill",
    "krief",
    "material",
    "materials",
    "mineral_mixture",
    "porosity_from_velocity",
    "raymer",
    "reflection_at_angle",
    "reuss",
    "s_wave_from_frame",
    "soft_sand",
    "stiff_sand",
    "velocity_models",
    "voigt",
    "wood",
    "wyllie",
]


def dynamic_moduli(
    p_wave_velocity: Measurement | str,
    s_wave_velocity: Measurement | str,
    bulk_density: Measurement | str,
    *,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Moduli of a core from its two velocities and its density.

    Parameters
    ----------
    p_wave_velocity, s_wave_velocity : Dataset, DataArray, Quantity or str
        Velocities [m/s] at the same positions; a Dataset brings its uncertainties, effects and
        reasons.
    bulk_density : Dataset, DataArray, Quantity or str
        Bulk density [g/cm^3].
    uncertainties : mapping of str to Quantity, optional
        Random standard uncertainties by name of the argument, for arguments without a Dataset.

    Returns
    -------
    Dataset
        ``bulk_modulus``, ``shear_modulus``, ``young_modulus``, ``p_wave_modulus``,
        ``lame_parameter`` [GPa] and ``poisson_ratio`` [1] with uncertainties, effects and flags.
        An error that inputs share, such as the core diameter, enters once with its sign.

    Raises
    ------
    ValueError
        When no value of an argument is above zero.
    PositionError
        When the series lie at different positions.

    Notes
    -----
    G = rho V_s^2, M = rho V_p^2, K = M - 4 G / 3, lambda = M - 2 G: Mavko, Mukerji and Dvorkin,
    The Rock Physics Handbook (2009). These are moduli at the strains of sound waves, about one
    millionth; a mechanical test at larger strains gives lower moduli.

    Examples
    --------
    >>> found = dynamic_moduli("2600 m/s", "1100 m/s", "2.1 g/cm^3")
    >>> float(found["bulk_modulus"].round(3))
    10.808
    """
    given = {
        "p_wave_velocity": p_wave_velocity,
        "s_wave_velocity": s_wave_velocity,
        "bulk_density": bulk_density,
    }
    arguments = {name: reading(value, name) for name, value in given.items()}
    inputs = list(measured_inputs(arguments, uncertainties).values())
    reason = series.joined_reasons(*(part.reason for part in inputs))
    return series.build(
        moduli.isotropic(inputs, reason),
        steps=("G = rho V_s^2, M = rho V_p^2", "K = M - 4 G / 3, lambda = M - 2 G"),
    )
