"""Minerals and waters of the simulated ground: formulas, densities and physical constants.

Densities, elastic moduli, conductivities and heat capacities are rounded handbook values from
memory: they define an invented world and are not used to reduce any measurement.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import gsw
import numpy as np
import xraylib

GAMMA_LINE = 661.657  # keV, the caesium-137 line


@dataclass(frozen=True)
class Mineral:
    """One mineral: formula, density [g/cm^3], moduli [GPa], conductivity [W/(m K)]."""

    formula: str
    density: float
    bulk_modulus: float
    shear_modulus: float
    conductivity: float
    heat_capacity: float  # MJ/(m^3 K)


MINERALS = {
    "quartz": Mineral("SiO2", 2.65, 37.0, 44.0, 7.7, 1.96),
    "calcite": Mineral("CaCO3", 2.71, 77.0, 32.0, 3.6, 2.22),
    "illite": Mineral("K0.65Al2.65Si3.35O12H2", 2.78, 25.0, 9.0, 1.9, 2.25),
    "kaolinite": Mineral("Al2Si2O9H4", 2.61, 21.0, 7.0, 2.3, 2.40),
    "pyrite": Mineral("FeS2", 5.02, 147.0, 133.0, 19.0, 2.60),
}
POLYCARBONATE, POLYCARBONATE_DENSITY = "C16H14O3", 1.20  # g/cm^3
ALUMINIUM_DENSITY = 2.699  # g/cm^3
WATER_CONDUCTIVITY = 0.60  # W/(m K)
WATER_HEAT_CAPACITY = 4.10  # MJ/(m^3 K)
SEA_SALT = {"NaCl": 0.779, "MgCl2": 0.108, "MgSO4": 0.070, "CaSO4": 0.043}  # mass fractions


@lru_cache(maxsize=64)
def attenuation_parts(formula: str) -> tuple[float, float]:
    """Total and coherent mass attenuation at the caesium line [cm^2/g]."""
    total = xraylib.CS_Total_CP(formula, GAMMA_LINE)
    coherent = xraylib.CS_Rayl_CP(formula, GAMMA_LINE)
    return float(total), float(coherent)


def mass_attenuation(formula: str, forward_fraction: float) -> float:
    """Mass attenuation [cm^2/g] seen by a detector that still receives part of the coherent beam.

    Coherent scatter at this energy is thrown almost straight forward; `forward_fraction` (0 to 1)
    of it reaches the detector and so does not attenuate.
    """
    total, coherent = attenuation_parts(formula)
    return total - forward_fraction * coherent


def mixture_attenuation(fractions: dict[str, float], forward_fraction: float) -> float:
    """Mass attenuation [cm^2/g] of a mixture given as formula -> mass fraction."""
    return sum(w * mass_attenuation(f, forward_fraction) for f, w in fractions.items())


def sea_water_attenuation(salinity: float, forward_fraction: float) -> float:
    """Mass attenuation [cm^2/g] of water with `salinity` [g/kg] of sea salt."""
    salt = salinity / 1000.0
    parts = {"H2O": 1.0 - salt} | {f: salt * w for f, w in SEA_SALT.items()}
    return mixture_attenuation(parts, forward_fraction)


def water_density(salinity, temperature):
    """Density [g/cm^3] of water at the surface, salinity [g/kg], temperature [degC]."""
    conservative = gsw.CT_from_t(salinity, temperature, 0.0)
    return gsw.rho(salinity, conservative, 0.0) / 1000.0


def water_velocity(salinity, temperature):
    """Sound speed [m/s] of water at the surface, salinity [g/kg], temperature [degC]."""
    conservative = gsw.CT_from_t(salinity, temperature, 0.0)
    return np.asarray(gsw.sound_speed(salinity, conservative, 0.0))
