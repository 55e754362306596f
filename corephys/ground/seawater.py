"""Properties of sea water and pore water from TEOS-10, through the one import of gsw.

The order of arguments is salinity, temperature, pressure everywhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from corephys.ground import constants, laws, series, thresholds, units

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Floats, Numbers, WithUnit

__all__ = ["absolute_salinity", "conductivity", "density", "sound_speed"]

_REFERENCE = constants.CONSTANTS["reference_salinity"].value  # g/kg
_LIMIT = constants.CONSTANTS["sea_salt_limit"].value  # g/kg
_ALL_SALT = 1000.0  # g/kg
_COLDEST = thresholds.value("coldest_temperature")  # degC
_HOTTEST = thresholds.value("hottest_sea_water")  # degC


def absolute_salinity(
    salinity: Dimensional, name: str = "salinity", *, brine: bool = False
) -> WithUnit:
    """Absolute salinity of sea water or pore water; practical salinity is converted.

    Parameters
    ----------
    salinity : Quantity, DataArray, str or Constant
        Absolute salinity, ``"35.2 g/kg"``; practical salinity with its unit, ``"35 psu"``; or a
        mass fraction, ``"3.5 %"`` or ``"0.035 1"``.
    name : str
        Name of the argument, setting or column, for the message.
    brine : bool
        Allow up to 1000 g/kg, for a solution that need not be sea water.

    Returns
    -------
    Quantity or DataArray
        Absolute salinity [g/kg].

    Raises
    ------
    UnitError
        For a bare number or another unit, such as g/L.
    ValueError
        Below zero, or above 120 g/kg (1000 g/kg for a brine).

    Notes
    -----
    S_A = 35.16504 S_P / 35 g/kg: reference composition, TEOS-10 (IOC, SCOR and IAPSO 2010). The
    salt of pore water may differ in composition; the uncertainty of the salinity has to cover the
    difference. The Gibbs function of sea water holds to 120 g/kg at the pressure of the air
    (IAPWS R13-08), the polynomial fits of TEOS-10 to 42 g/kg.

    Examples
    --------
    >>> round(absolute_salinity("35 psu").magnitude, 5)
    35.16504
    """
    return laws.with_unit(salinity_floats(salinity, name, brine=brine), "g/kg")


def salinity_floats(
    salinity: Dimensional, name: str = "salinity", *, brine: bool = False
) -> Numbers:
    """Absolute salinity as floats [g/kg]; the arguments are those of :func:`absolute_salinity`.

    Every function and setting with a salinity converts it here. Lazy dask arrays are converted
    without a check of their range.
    """
    try:
        salt = units.as_floats(salinity, "g/kg", name)
    except units.UnitError as refused:
        raise _with_cure(salinity, name, refused) from None
    values = getattr(salt, "data", salt)
    if hasattr(values, "dask"):
        return salt
    numbers = np.asarray(values, dtype=float)
    limit = _ALL_SALT if brine else _LIMIT
    below, above = numbers < 0.0, numbers > limit
    if not (below.any() or above.any()):
        return salt
    value = float(np.min(numbers[below]) if below.any() else np.max(numbers[above]))
    given = f" (given as {salinity!r})" if isinstance(salinity, str) else ""
    if below.any():
        raise ValueError(
            f"{name} is {value:g} g/kg{given}, below zero; give the mass of salt in a kilogram of "
            "water, 0 g/kg for fresh water"
        )
    raise ValueError(
        f"{name} is {value:g} g/kg{given}; {'a solution' if brine else 'sea water'} has 0 to "
        f"{limit:g} g/kg. Write absolute salinity as '35 g/kg', practical salinity as '35 psu', a "
        "mass fraction as '0.035 1' or '3.5 %'"
        + ("" if brine else "; for a stronger brine measure its density and conductivity")
    )


def _with_cure(salinity: object, name: str, refused: units.UnitError) -> units.UnitError:
    """The error for a salinity in another unit; for g/L, which is common, with the conversion."""
    try:
        litres = units.as_floats(salinity, "g/L", name)
    except units.UnitError:
        return units.UnitError(
            f"{refused}; practical salinity is written '35 psu', absolute salinity '35 g/kg'"
        )
    first = float(np.ravel(np.asarray(litres))[0])
    return units.UnitError(
        f"{name}: {first:g} g/L is salt in a volume of solution, expected g/kg, salt in the mass "
        "of solution. Divide by the density of the solution in kg/L: 35 g/L of sodium chloride at "
        "20 degC, 1.0227 kg/L, is 34.2 g/kg"
    )


def _temperature(temperature: Any, name: str = "temperature") -> Numbers:
    """Temperature of sea water [degC]; one outside the range of sea water is refused.

    The usual slip is a temperature in degC with the unit K: 20 K gives a density of 9.3 kg/m^3.
    """
    warm = units.as_floats(temperature, "degC", name)
    values = getattr(warm, "data", warm)
    if hasattr(values, "dask"):
        return warm
    numbers = np.asarray(values, dtype=float)
    outside = (numbers < _COLDEST) | (numbers > _HOTTEST)
    if outside.any():
        given = f" (given as {temperature!r})" if isinstance(temperature, str) else ""
        raise ValueError(
            f"{name} is {float(numbers[outside][0]):g} degC{given}; the temperature of sea water "
            f"lies between {_COLDEST:g} and {_HOTTEST:g} degC. Write '20 degC', or '293.15 K'"
        )
    return warm


_DOORS: dict[str, laws.Door] = {
    "salinity": ("g/kg", salinity_floats),
    "temperature": ("degC", _temperature),
    "pressure": "dbar",
}


def state_floats(
    salinity: Dimensional, temperature: Dimensional, pressure: Dimensional
) -> tuple[Numbers, ...]:
    """Salinity [g/kg], temperature [degC] and pressure [dbar] as floats at the same positions."""
    return series.at_same_positions(
        salinity=salinity_floats(salinity),
        temperature=_temperature(temperature),
        pressure=units.as_floats(pressure, "dbar", "pressure"),
    )


@laws.law("g/cm^3", **_DOORS)
def density(salinity: Floats, temperature: Floats, pressure: Floats = "0 dbar") -> Floats:
    """Density of sea water.

    Parameters
    ----------
    salinity : Quantity, DataArray or str
        Absolute salinity [g/kg], or practical salinity as ``"35 psu"``.
    temperature : Quantity, DataArray or str
        In-situ temperature, ITS-90 [degC].
    pressure : Quantity, DataArray or str
        Pressure of the sea, zero at the surface [dbar].

    Returns
    -------
    Quantity or DataArray
        Density [g/cm^3].

    Raises
    ------
    ValueError
        For a salinity outside 0 to 120 g/kg or a temperature outside -20 to 150 degC.

    Notes
    -----
    TEOS-10 Gibbs function (IOC, SCOR and IAPSO 2010), gsw.rho_t_exact.
    """
    return density_si(salinity, temperature, pressure) / 1000.0


def density_si(salinity: Floats, temperature: Floats, pressure: Floats) -> Floats:
    """Density [kg/m^3] from floats in g/kg, degC and dbar; for formulas written in SI."""
    import gsw

    return gsw.rho_t_exact(salinity, temperature, pressure)


@laws.law("m/s", **_DOORS)
def sound_speed(salinity: Floats, temperature: Floats, pressure: Floats = "0 dbar") -> Floats:
    """Speed of sound in sea water.

    Parameters
    ----------
    salinity : Quantity, DataArray or str
        Absolute salinity [g/kg], or practical salinity as ``"35 psu"``.
    temperature : Quantity, DataArray or str
        In-situ temperature, ITS-90 [degC].
    pressure : Quantity, DataArray or str
        Pressure of the sea, zero at the surface [dbar].

    Returns
    -------
    Quantity or DataArray
        Speed of sound [m/s].

    Raises
    ------
    ValueError
        For a salinity outside 0 to 120 g/kg or a temperature outside -20 to 150 degC.

    Notes
    -----
    TEOS-10 Gibbs function (IOC, SCOR and IAPSO 2010), gsw.sound_speed_t_exact: it takes the
    in-situ temperature, which the 75-term form does not.
    """
    import gsw

    return gsw.sound_speed_t_exact(salinity, temperature, pressure)


@laws.law("S/m", **_DOORS)
def conductivity(salinity: Floats, temperature: Floats, pressure: Floats = "0 dbar") -> Floats:
    """Electrical conductivity of sea water.

    Parameters
    ----------
    salinity : Quantity, DataArray or str
        Absolute salinity [g/kg], reference composition, or practical salinity as ``"35 psu"``.
    temperature : Quantity, DataArray or str
        In-situ temperature, ITS-90 [degC].
    pressure : Quantity, DataArray or str
        Pressure of the sea, zero at the surface [dbar].

    Returns
    -------
    Quantity or DataArray
        Electrical conductivity [S/m].

    Raises
    ------
    ValueError
        For a salinity outside 0 to 120 g/kg or a temperature outside -20 to 150 degC.

    Notes
    -----
    PSS-78 inverted (UNESCO 1983), gsw.C_from_SP; practical salinity is SA 35 / 35.16504.
    """
    import gsw

    # gsw takes practical salinity and returns mS/cm.
    return gsw.C_from_SP(salinity * (35.0 / _REFERENCE), temperature, pressure) / 10.0
