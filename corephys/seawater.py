"""Properties of sea water and pore water from TEOS-10, through the one import of gsw."""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys import series, units

__all__ = ["conductivity", "density", "sound_speed"]


def density(salinity: Any, temperature: Any, pressure: Any = "0 dbar") -> Any:
    """Density of sea water.

    Parameters
    ----------
    salinity : Quantity, DataArray or str
        Absolute salinity [g/kg].
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

    Notes
    -----
    TEOS-10 Gibbs function (IOC, SCOR and IAPSO 2010), gsw.rho_t_exact.
    """
    import gsw

    return gsw.rho_t_exact(*_arguments(salinity, temperature, pressure))


def sound_speed(salinity: Any, temperature: Any, pressure: Any = "0 dbar") -> Any:
    """Speed of sound in sea water.

    Parameters
    ----------
    salinity : Quantity, DataArray or str
        Absolute salinity [g/kg].
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

    Notes
    -----
    TEOS-10 Gibbs function (IOC, SCOR and IAPSO 2010), gsw.sound_speed_t_exact: it takes the
    in-situ temperature, which the 75-term form does not.
    """
    import gsw

    return gsw.sound_speed_t_exact(*_arguments(salinity, temperature, pressure))


def conductivity(salinity: Any, temperature: Any, pressure: Any = "0 dbar") -> Any:
    """Electrical conductivity of sea water.

    Parameters
    ----------
    salinity : Quantity, DataArray or str
        Absolute salinity [g/kg], reference composition.
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

    Notes
    -----
    PSS-78 inverted (UNESCO 1983), gsw.C_from_SP; practical salinity is SA 35 / 35.16504.
    """
    import gsw

    absolute, t, p = _arguments(salinity, temperature, pressure)
    return gsw.C_from_SP(absolute * (35.0 / 35.16504), t, p) / 10.0


def _arguments(salinity: Any, temperature: Any, pressure: Any) -> tuple[Any, ...]:
    series.require_same_positions(salinity=salinity, temperature=temperature, pressure=pressure)
    salt = units.as_floats(salinity, "g/kg", "salinity")
    values = getattr(salt, "data", salt)
    if not hasattr(values, "dask") and np.any(np.asarray(values) < 0.0):
        raise ValueError(
            f"salinity is {float(np.nanmin(np.asarray(values))):g} g/kg, below zero; give the mass "
            "of salt in a kilogram of water, 0 g/kg for fresh water"
        )
    return tuple(
        series.at_one_place(
            salt,
            units.as_floats(temperature, "degC", "temperature"),
            units.as_floats(pressure, "dbar", "pressure"),
        )
    )
