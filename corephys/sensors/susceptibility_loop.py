"""What a loop reads of a core inside it, and the units of old and new readings."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, units

__all__ = ["UNITS", "to_si", "volume_factor", "volume_factor_quadratic"]

_C = constants.CONSTANTS

# Volume susceptibility in SI per number in the unit: 4 pi from cgs, by the definition of either.
UNITS = {"1e-5 SI": 1e-5, "SI": 1.0, "1e-6 cgs": 4e-6 * math.pi, "cgs": 4.0 * math.pi}
_OF_MASS = ("/kg", "/g", "kg-1", "kg^-1", "g-1", "g^-1")


def si_factor(unit: str) -> float:
    """Volume susceptibility in SI that one in a unit is; an error names the units there are."""
    if unit in UNITS:
        return UNITS[unit]
    known = ", ".join(repr(word) for word in UNITS)
    if any(part in str(unit) for part in _OF_MASS):
        raise units.UnitError(
            f"unit is {unit!r}, of susceptibility by mass; expected one by volume: {known}. "
            "Multiply by the bulk density first"
        )
    raise units.UnitError(f"unit is {unit!r}; expected one of {known}")


def plain_numbers(value: Any, name: str) -> Any:
    """Readings as floats: they are numbers, whose unit is said beside them."""
    if isinstance(value, xr.DataArray):
        given = value.attrs.get("units", "1")
        if given != "1":
            raise units.UnitError(
                f"{name} carries the unit {given!r}; expected plain numbers of the meter, with "
                "their unit in the argument unit"
            )
        return units.position_in_library_units(value.drop_attrs(deep=False)).astype(float)
    if isinstance(value, (list, tuple)):
        value = np.asarray(value, dtype=float)
    return units.as_floats(value, "1", name)


def to_si(reading: Any, unit: str) -> Any:
    """Bring a susceptibility by volume to SI.

    Parameters
    ----------
    reading : float, ndarray or DataArray
        Numbers in ``unit``; any shape.
    unit : {"1e-5 SI", "SI", "1e-6 cgs", "cgs"}
        Of the numbers.

    Returns
    -------
    float, ndarray or DataArray
        Volume susceptibility in SI, dimensionless.

    Raises
    ------
    UnitError
        For another unit; one by mass is refused, since it needs the bulk density.

    Notes
    -----
    kappa(SI) = 4 pi kappa(cgs), the definition of the two systems.

    Examples
    --------
    >>> round(to_si(100.0, "1e-5 SI"), 6)
    0.001
    """
    return plain_numbers(reading, "reading") * si_factor(unit)


def factor_kernel(diameter: Any, effective: Any, coefficient: Any) -> Any:
    """Volume factor K [1] = c (d / D)^3 of diameters in one unit."""
    return coefficient * (diameter / effective) ** 3


def _diameters(core_diameter: Any, loop_diameter: Any) -> tuple[Any, float]:
    core = units.as_floats(core_diameter, "mm", "core_diameter")
    loop = float(units.as_floats(loop_diameter, "mm", "loop_diameter"))
    if np.any(np.asarray(core) > loop) or np.any(np.asarray(core) <= 0.0):
        worst = float(np.nanmax(np.asarray(core)))
        raise ValueError(
            f"core_diameter is {worst:g} mm and loop_diameter {loop:g} mm; a core is thicker than "
            "nothing and passes through its loop. Give the aperture as loop_diameter"
        )
    return core, loop


def volume_factor(
    core_diameter: Any, loop_diameter: Any, *, coefficient: Any = _C["loop_volume_factor"],
    allowance: Any = _C["loop_allowance"],
) -> Any:  # fmt: skip
    """Reading of a loop over the volume susceptibility of the core inside it.

    Parameters
    ----------
    core_diameter : Quantity, DataArray or str
        [mm]; a scalar or one a reading.
    loop_diameter : Quantity or str
        Aperture of the loop [mm].
    coefficient : float or Constant
        Of the formula [1].
    allowance : Quantity, str or Constant
        From the aperture to the effective diameter of the loop [mm].

    Returns
    -------
    float, ndarray or DataArray
        K [1]; the volume susceptibility is the reading over K.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For a core that does not pass through the loop.

    Notes
    -----
    K = 3.45 (d / D)^3, D the aperture with 8 mm added: methods note on conversion to SI of a core
    laboratory, whose tables give 1 / K = 0.576, 0.687, 0.914 and 1.01 for cores of 70, 66, 60 and
    58 mm in a loop of 80 mm (no source with a year). The frequency of the meter changes K.
    """
    core, loop = _diameters(core_diameter, loop_diameter)
    more = float(units.as_floats(allowance, "mm", "allowance"))
    return factor_kernel(core, loop + more, units.as_floats(coefficient, "1", "coefficient"))


def volume_factor_quadratic(
    core_diameter: Any, loop_diameter: Any, *, c0: Any = _C["loop_quadratic_c0"],
    c1: Any = _C["loop_quadratic_c1"], c2: Any = _C["loop_quadratic_c2"],
) -> Any:  # fmt: skip
    """Reading of a loop over the volume susceptibility, from a quadratic.

    Parameters
    ----------
    core_diameter : Quantity, DataArray or str
        [mm]; a scalar or one a reading.
    loop_diameter : Quantity or str
        Aperture of the loop [mm].
    c0, c1, c2 : float or Constant
        Of the quadratic [1].

    Returns
    -------
    float, ndarray or DataArray
        K [1]; the volume susceptibility is the reading over K.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For a core that does not pass through the loop.

    Notes
    -----
    K = 4.8566 x^2 - 3.0163 x + 0.6448 with x = d / aperture (from memory). :func:`volume_factor`
    divides by another diameter, the aperture and 8 mm: the two x are not the same number. For
    cores of 58 to 70 mm in a loop of 80 mm the two factors differ by 2.4 % at most.
    """
    core, loop = _diameters(core_diameter, loop_diameter)
    x = core / loop
    a, b, c = (
        units.as_floats(value, "1", name) for name, value in (("c0", c0), ("c1", c1), ("c2", c2))
    )
    return a + b * x + c * x**2
