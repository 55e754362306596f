"""Relations between velocity, density, porosity and clay that were fitted to rocks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, series
from corephys.products import elastic_carry as carry

__all__ = ["castagna", "gardner", "han"]

_C = constants.CONSTANTS


@carry.names_checked
def gardner(
    p_wave_velocity: Any, *, factor: Any = _C["gardner_factor"],
    exponent: Any = _C["gardner_exponent"], uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:  # fmt: skip
    """Bulk density from P-wave velocity, for rock of which nothing else is known.

    Parameters
    ----------
    p_wave_velocity : Dataset, DataArray, Quantity or str
        [m/s].
    factor : Constant, Quantity or str
        Density at 1 m/s [kg/m^3].
    exponent : Constant or float
        [1].
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``p_wave_velocity`` [m/s], random; ``factor`` [kg/m^3] and
        ``exponent`` [1], systematic.

    Returns
    -------
    Dataset
        ``bulk_density`` [g/cm^3] with uncertainty.

    Raises
    ------
    UnitError, ValueError
        For a bare number, a wrong unit, or a velocity of zero.

    Notes
    -----
    rho = 310 V^0.25: Gardner, Gardner and Gregory (1974), Geophysics 39, 770. Fitted to
    consolidated rock: soft mud of 1.4 g/cm^3 comes out near 1.9.

    Examples
    --------
    >>> float(gardner("1600 m/s")["bulk_density"].round(4))
    1.9606
    """
    inputs = {
        "v": carry.quantity(p_wave_velocity, "p_wave_velocity", uncertainties),
        "factor": carry.number(factor, "kg/m^3", "factor", uncertainties),
        "exponent": carry.number(exponent, "1", "exponent", uncertainties),
    }

    def kernel(v: Any, factor: Any, exponent: Any) -> tuple[Any, ...]:
        return (1e-3 * factor * v**exponent,)

    found = carry.propagate(kernel, ("bulk_density",), inputs)
    return series.build(found, steps=("rho = a V^b (Gardner, Gardner and Gregory 1974)",))


@carry.names_checked
def castagna(
    p_wave_velocity: Any, *, intercept: Any = _C["castagna_intercept"],
    slope: Any = _C["castagna_slope"], uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:  # fmt: skip
    """S-wave velocity of a saturated mudrock from its P-wave velocity.

    Parameters
    ----------
    p_wave_velocity : Dataset, DataArray, Quantity or str
        [m/s].
    intercept : Constant, Quantity or str
        P-wave velocity at which the line has no S-wave [m/s].
    slope : Constant or float
        [1].
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``p_wave_velocity`` [m/s], random; ``intercept`` [m/s] and
        ``slope`` [1], systematic.

    Returns
    -------
    Dataset
        ``s_wave_velocity`` [m/s] with uncertainty. The line's own scatter is not in it.

    Raises
    ------
    UnitError, ValueError
        For a bare number, a wrong unit, or a velocity of zero.

    Notes
    -----
    V_s = (V_p - 1360) / 1.16: Castagna, Batzle and Eastwood (1985), Geophysics 50, 571. Mudrock
    above some 1800 m/s; in soft mud it is several times too fast, since 1500 m/s gives 121 m/s and
    1600 m/s already 207.

    Examples
    --------
    >>> float(castagna("2600 m/s")["s_wave_velocity"].round(2))
    1068.97
    """
    inputs = {
        "v": carry.quantity(p_wave_velocity, "p_wave_velocity", uncertainties),
        "intercept": carry.number(intercept, "m/s", "intercept", uncertainties),
        "slope": carry.number(slope, "1", "slope", uncertainties),
    }

    def kernel(v: Any, intercept: Any, slope: Any) -> tuple[Any, ...]:
        speed = (v - intercept) / slope
        return (np.where(speed > 0.0, speed, np.nan),)

    found = carry.propagate(kernel, ("s_wave_velocity",), inputs)
    return series.build(found, steps=("mudrock line (Castagna, Batzle and Eastwood 1985)",))


@carry.names_checked
def han(
    porosity: Any, clay: Any, *, clean: Any = _C["han_velocity"],
    by_porosity: Any = _C["han_by_porosity"], by_clay: Any = _C["han_by_clay"],
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:  # fmt: skip
    """P-wave velocity of a saturated shaly sandstone from porosity and clay.

    Parameters
    ----------
    porosity, clay : Dataset, DataArray, Quantity, str or float
        Fractions of the volume [1].
    clean, by_porosity, by_clay : Constant, Quantity or str
        Velocity of clean rock without pores and what pores and clay take off it [m/s].
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``porosity``, ``clay`` [1], random; ``clean``,
        ``by_porosity``, ``by_clay`` [m/s], systematic.

    Returns
    -------
    Dataset
        ``p_wave_velocity`` [m/s] with uncertainty.

    Raises
    ------
    UnitError, ValueError
        For a wrong unit, or a fraction outside 0 to 1.

    Notes
    -----
    V_p = 5590 - 6930 phi - 2180 C at 40 MPa: Han (1986), PhD thesis, Stanford University. The
    factors are from memory; for clay 2810 and 2130 are quoted too.

    Examples
    --------
    >>> float(han(0.25, 0.1)["p_wave_velocity"])
    3639.5
    """
    carry.same_positions(porosity=porosity, clay=clay)
    inputs = {
        "porosity": carry.fraction(porosity, "porosity", uncertainties),
        "clay": carry.fraction(clay, "clay", uncertainties),
        "clean": carry.number(clean, "m/s", "clean", uncertainties),
        "by_porosity": carry.number(by_porosity, "m/s", "by_porosity", uncertainties),
        "by_clay": carry.number(by_clay, "m/s", "by_clay", uncertainties),
    }

    def kernel(
        porosity: Any, clay: Any, clean: Any, by_porosity: Any, by_clay: Any
    ) -> tuple[Any, ...]:
        speed = clean - by_porosity * porosity - by_clay * clay
        return (np.where(speed > 0.0, speed, np.nan),)

    found = carry.propagate(kernel, ("p_wave_velocity",), inputs)
    return series.build(found, steps=("V_p by porosity and clay at 40 MPa (Han 1986)",))
