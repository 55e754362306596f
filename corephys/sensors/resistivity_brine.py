"""Electrical conductivity of the brines that a resistivity sensor is calibrated with.

Sodium chloride is not sea water: taken for sea salt, a solution of 35 g NaCl a litre reads 5 % low.
Each brine has its own equation, and neither is used outside the range it was made for.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.ground import constants, seawater, series, units

__all__ = ["BRINES", "brine_conductivity"]

_C = constants.CONSTANTS
BRINES = ("sodium_chloride", "sea")

# Molar conductivity of NaCl at 25 degC [S cm^2/mol] by concentration [mol/L]: Robinson and Stokes
# (1959) Electrolyte Solutions, appendices 6.1 to 6.3, from memory. A saturated solution of 251.3
# mS/cm (from memory) is met within 0.5 %.
_CONCENTRATION = (0, 0.001, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 3, 4, 5)
_MOLAR = (
    126.45, 123.74, 120.64, 118.53, 115.76, 111.06, 106.74, 101.71, 93.62, 85.76, 74.71, 65.57,
    57.23, 49.46,
)  # fmt: skip
# A sixth-degree polynomial in the root of concentration (Kohlrausch's variable) meets every entry
# within 0.07 %.
_MOLAR_FIT = np.polynomial.polynomial.polyfit(
    np.sqrt(_CONCENTRATION), _MOLAR, 6, w=1.0 / np.array(_MOLAR)
)
# Density at 25 degC [kg/L] by mass fraction 0 to 0.26: cubic within 0.0001 of the table of
# Poradnik fizykochemiczny (1974), 20 degC brought to 25 degC by its own column of coefficients.
_DENSITY_FIT = (0.99713, 0.70196, 0.11657, 0.39496)
# Conductivity over that at 25 degC at 0, 25, 50 and 75 degC: sodium chloride ratios of IEC 60746-3
# (from memory). A cubic goes through the four.
_RATIO_FIT = np.polynomial.polynomial.polyfit((0, 25, 50, 75), (0.542, 1.0, 1.531, 2.103), 3)
_RANGES = {
    "sodium_chloride": ((0.0, 250.0), (0.0, 50.0)),
    "sea": ((0.0, 42.2), (-2.0, 35.0)),
}


def sodium_chloride_kernel(mass_fraction: Any, temperature: Any, *, molar_mass: float) -> Any:
    """Conductivity of a solution of sodium chloride.

    Parameters
    ----------
    mass_fraction : float or ndarray
        Salt over solution [g/kg].
    temperature : float or ndarray
        [degC].
    molar_mass : float
        [g/mol].

    Returns
    -------
    float or ndarray
        [S/m].

    Notes
    -----
    c Lambda(sqrt c) r(T), Lambda from Robinson and Stokes (1959, from memory) at 25 degC and r(T)
    the conductivity ratio of IEC 60746-3.
    """
    evaluate = np.polynomial.polynomial.polyval
    w = np.asarray(mass_fraction, dtype=float) / 1e3
    concentration = 1e3 * w * evaluate(w, _DENSITY_FIT) / molar_mass
    molar = evaluate(np.sqrt(concentration), _MOLAR_FIT)
    # 1 mol/L times 1 S cm^2/mol is 1 mS/cm, a tenth of a S/m.
    return 0.1 * concentration * molar * evaluate(np.asarray(temperature, float), _RATIO_FIT)


def sea_water_kernel(salinity: Any, temperature: Any, pressure: Any) -> Any:
    """Conductivity of sea water, plain arrays in and out.

    Parameters
    ----------
    salinity, temperature, pressure : float or ndarray
        [g/kg], [degC], [dbar].

    Returns
    -------
    float or ndarray
        [S/m].

    Notes
    -----
    PSS-78 (UNESCO 1983), :func:`corephys.ground.seawater.conductivity`.
    """
    return seawater.conductivity_kernel(salinity, temperature, pressure)


def brine_conductivity(salinity: Any, temperature: Any, *, brine: str) -> Any:
    """Electrical conductivity of a calibration brine at the surface.

    Parameters
    ----------
    salinity : Quantity, DataArray or str
        Mass of salt in the mass of solution [g/kg]; absolute salinity for sea water.
    temperature : Quantity, DataArray or str
        [degC].
    brine : {"sodium_chloride", "sea"}
        What was dissolved.

    Returns
    -------
    float, ndarray or DataArray
        [S/m].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit, grams a litre among them.
    ValueError
        For another brine, or outside its range: sodium chloride 0 to 250 g/kg and 0 to 50 degC,
        sea water 0 to 42.2 g/kg and -2 to 35 degC.

    Notes
    -----
    Sodium chloride: molar conductivity at 25 degC of Robinson and Stokes (1959), from memory, times
    the temperature ratio of IEC 60746-3; about 1 % (the ratio depends a little on concentration,
    which it leaves out: 0.4 % between a dilute and a saturated solution at 15 and 35 degC).
    Sea water: PSS-78 (UNESCO 1983), :func:`corephys.ground.seawater.conductivity`.
    """
    if brine not in BRINES:
        raise ValueError(f"brine is {brine!r}; it is one of {', '.join(map(repr, BRINES))}")
    series.require_same_positions(salinity=salinity, temperature=temperature)
    salt = mass_fraction(salinity)
    if brine != "sea" and _is_practical(salinity):
        raise units.UnitError(
            "salinity: practical salinity (psu) is defined for sea water; give the sodium chloride "
            "in a kilogram of solution, such as '35 g/kg'"
        )
    warm = units.as_floats(temperature, "degC", "temperature")
    for name, values, unit, (low, high) in zip(
        ("salinity", "temperature"), (salt, warm), ("g/kg", "degC"), _RANGES[brine], strict=True
    ):
        outside = np.ravel(np.asarray((values < low) | (values > high)))
        if outside.any():
            first = float(np.ravel(np.asarray(values))[np.flatnonzero(outside)[0]])
            raise ValueError(
                f"{name} {first:g} {unit} is outside {low:g} to {high:g} {unit}, where the "
                f"conductivity of the brine {brine!r} is known; measure the conductivity and give "
                "that instead"
            )
    if brine == "sea":
        return series.apply(sea_water_kernel, salt, warm, 0.0)
    molar_mass = _C["sodium_chloride_molar_mass"].value
    return series.apply(sodium_chloride_kernel, salt, warm, molar_mass=molar_mass)


def _is_practical(salinity: Any) -> bool:
    """Whether a salinity is marked as practical salinity."""
    if isinstance(salinity, str):
        return units.read_scalar(salinity)[1] == units.PRACTICAL_SALINITY
    given = str(getattr(salinity, "attrs", {}).get("units", "g/kg"))
    return units.canonical(given) == units.PRACTICAL_SALINITY


def mass_fraction(salinity: Any) -> Any:
    """Salinity of a calibration brine in g/kg; grams a litre are refused."""
    return seawater.absolute_salinity(salinity, brine=True)
