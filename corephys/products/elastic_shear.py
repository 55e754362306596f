"""S-wave velocity that nobody measured, from a P-wave and a frame of which one thing is assumed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import series
from corephys.products import elastic_carry as carry
from corephys.products.elastic_velocity import of_phases

__all__ = ["s_wave_from_frame"]


@carry.names_checked
def s_wave_from_frame(
    p_wave_velocity: Any, bulk_density: Any, porosity: Any, *, mineral: Any, fluid: Any,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:  # fmt: skip
    """S-wave velocity of a saturated rock whose frame has the ratio of moduli of its mineral.

    Parameters
    ----------
    p_wave_velocity : Dataset, DataArray, Quantity or str
        [m/s].
    bulk_density : Dataset, DataArray, Quantity or str
        [g/cm^3].
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    mineral, fluid : Material or str
        A name is looked up; a fluid may be the Dataset of :func:`brine`.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``p_wave_velocity`` [m/s], ``bulk_density`` [g/cm^3],
        ``porosity`` [1], random; ``mineral_bulk_modulus`` [GPa] and so on, systematic.

    Returns
    -------
    Dataset
        ``s_wave_velocity`` [m/s] and ``frame_bulk_modulus`` [GPa] with uncertainties; NaN where
        the P-wave is slower than the suspension or faster than the mineral. What the assumption
        is worth is not in the uncertainty.

    Raises
    ------
    UnitError, ValueError
        For a wrong unit, a velocity of zero, or a porosity outside 0 to 1.

    Notes
    -----
    G_d / K_d = G_m / K_m, as in the models of critical porosity and of Krief et al. (1990), and the
    equation of Gassmann (1951) give with x = K_d / K_m, r = 4/3 G_m / K_m, d = phi K_m / K_f + 1 -
    phi the quadratic r x^2 - (r d + d - 2 + M / K_m) x + d M / K_m - 1 = 0. Good to some per cent
    in rock; in mud the frame carries a small part of M and the S-wave means nothing.
    """
    given = {"p_wave_velocity": p_wave_velocity, "bulk_density": bulk_density, "porosity": porosity}
    carry.same_positions(**given)
    phases = of_phases(mineral, fluid, uncertainties)
    inputs = {
        "p": carry.quantity(p_wave_velocity, "p_wave_velocity", uncertainties),
        "rho": carry.quantity(bulk_density, "bulk_density", uncertainties),
        "porosity": carry.fraction(porosity, "porosity", uncertainties),
        "k_m": phases["k_m"], "g_m": phases["g_m"], "k_f": phases["k_f"],
    }  # fmt: skip
    found = carry.propagate(_kernel, ("s_wave_velocity", "frame_bulk_modulus"), inputs)
    return series.build(
        found, steps=("frame with the mineral's ratio of moduli", "Gassmann (1951)")
    )


def _kernel(p: Any, rho: Any, porosity: Any, k_m: Any, g_m: Any, k_f: Any) -> tuple[Any, ...]:
    m, r = rho * (p / 1e3) ** 2 / k_m, 4.0 / 3.0 * g_m / k_m
    d = porosity * k_m / k_f + 1.0 - porosity
    half = 0.5 * (r * d + d - 2.0 + m)
    # The root between nothing and the mineral, in the form that loses no digits.
    x = (d * m - 1.0) / (half + np.sqrt(half**2 - r * (d * m - 1.0)))
    x = np.where((x >= 0.0) & (x <= 1.0 + 1e-12), x, np.nan)
    return 1e3 * np.sqrt(x * g_m / rho), x * k_m
