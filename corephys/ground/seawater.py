"""Properties of sea water and pore water from TEOS-10, through the one import of gsw."""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.ground import constants, series, thresholds, units

__all__ = ["absolute_salinity", "conductivity", "density", "sound_speed"]

_REFERENCE = constants.CONSTANTS["reference_salinity"].value  # g/kg
_LIMIT = constants.CONSTANTS["sea_salt_limit"].value  # g/kg
_ALL_SALT = 1000.0  # g/kg
_COLDEST = thresholds.value("coldest_temperature")  # degC
_HOTTEST = thresholds.value("hottest_sea_water")  # degC


def absolute_salinity(salinity: Any, name: str = "salinity", *, brine: bool = False) -> Any:
    """Absolute salinity of sea water or pore water; practical salinity is converted.

    Every function and setting that takes a salinity takes it through here.

    Parameters
    ----------
    salinity : Quantity, DataArray, str or Constant
        Absolute salinity, ``"35.2 g/kg"``; practical salinity by its name, ``"35 psu"``; or a mass
        fraction, ``"3.5 %"`` or ``"0.035 1"``.
    name : str
        Name of the argument, setting or column, for the message.
    brine : bool
        The solution need not be sea water: allow up to 1000 g/kg; the caller has limits of its own.

    Returns
    -------
    float, ndarray or DataArray
        [g/kg].

    Raises
    ------
    UnitError
        For a bare number or another unit, grams a litre among them.
    ValueError
        Below zero, or above 120 g/kg (1000 g/kg for a brine). What dask has not computed yet is
        not looked at.

    Notes
    -----
    S_A = 35.16504 S_P / 35 g/kg: reference composition, TEOS-10 (IOC, SCOR and IAPSO 2010). The
    salt of pore water may differ in composition, which the uncertainty of the salinity has to
    cover. The Gibbs function of sea water holds to 120 g/kg at the pressure of the air (IAPWS
    R13-08), the polynomial fits of TEOS-10 to 42 g/kg.

    Examples
    --------
    >>> round(absolute_salinity("35 psu"), 5)
    35.16504
    """
    try:
        salt = units.as_floats(salinity, "g/kg", name)
    except units.UnitError as refused:
        raise _in_words(salinity, name, refused) from None
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


def _in_words(salinity: Any, name: str, refused: units.UnitError) -> units.UnitError:
    """The error for a salinity in another unit, with the conversion that grams a litre need."""
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


def density(salinity: Any, temperature: Any, pressure: Any = "0 dbar") -> Any:
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
    float or array
        [kg/m^3].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        For a salinity outside 0 to 120 g/kg or a temperature outside -20 to 150 degC.

    Notes
    -----
    TEOS-10 Gibbs function (IOC, SCOR and IAPSO 2010), gsw.rho_t_exact.
    """
    return density_kernel(*_arguments(salinity, temperature, pressure))


def _temperature(temperature: Any) -> Any:
    """Temperature [degC] at which there is sea water; kelvins taken for degrees are refused."""
    warm = units.as_floats(temperature, "degC", "temperature")
    values = getattr(warm, "data", warm)
    if hasattr(values, "dask"):
        return warm
    numbers = np.asarray(values, dtype=float)
    outside = (numbers < _COLDEST) | (numbers > _HOTTEST)
    if outside.any():
        given = f" (given as {temperature!r})" if isinstance(temperature, str) else ""
        raise ValueError(
            f"temperature is {float(numbers[outside][0]):g} degC{given}; sea water is known from "
            f"{_COLDEST:g} to {_HOTTEST:g} degC. Write '20 degC', or '293.15 K'"
        )
    return warm


def density_kernel(salinity: Any, temperature: Any, pressure: Any) -> Any:
    """Density [kg/m^3] from plain numbers in g/kg, degC and dbar."""
    import gsw

    return gsw.rho_t_exact(salinity, temperature, pressure)


def sound_speed(salinity: Any, temperature: Any, pressure: Any = "0 dbar") -> Any:
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
    float or array
        [m/s].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        For a salinity outside 0 to 120 g/kg or a temperature outside -20 to 150 degC.

    Notes
    -----
    TEOS-10 Gibbs function (IOC, SCOR and IAPSO 2010), gsw.sound_speed_t_exact: it takes the
    in-situ temperature, which the 75-term form does not.
    """
    return sound_speed_kernel(*_arguments(salinity, temperature, pressure))


def sound_speed_kernel(salinity: Any, temperature: Any, pressure: Any) -> Any:
    """Speed of sound [m/s] from plain numbers in g/kg, degC and dbar."""
    import gsw

    return gsw.sound_speed_t_exact(salinity, temperature, pressure)


def conductivity(salinity: Any, temperature: Any, pressure: Any = "0 dbar") -> Any:
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
    float or array
        [S/m].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        For a salinity outside 0 to 120 g/kg or a temperature outside -20 to 150 degC.

    Notes
    -----
    PSS-78 inverted (UNESCO 1983), gsw.C_from_SP; practical salinity is SA 35 / 35.16504.
    """
    return conductivity_kernel(*_arguments(salinity, temperature, pressure))


def conductivity_kernel(salinity: Any, temperature: Any, pressure: Any) -> Any:
    """Conductivity [S/m] from plain numbers in g/kg, degC and dbar."""
    import gsw

    return gsw.C_from_SP(salinity * (35.0 / _REFERENCE), temperature, pressure) / 10.0


def _arguments(salinity: Any, temperature: Any, pressure: Any) -> tuple[Any, ...]:
    return series.at_same_positions(
        salinity=absolute_salinity(salinity),
        temperature=_temperature(temperature),
        pressure=units.as_floats(pressure, "dbar", "pressure"),
    )
