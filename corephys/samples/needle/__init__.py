"""Thermal conductivity from the heating curves of a needle probe.

The order of the work: drift before heating, all windows of the curve, the longest in which the
conductivity does not depend on the window, slope against ln t beside a term that dies away with
1 / t, conductivity. The slope is that of a line source; the term with 1 / t is what the needle's
own width, its heat capacity and its contact add early on.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.ground import series, units
from corephys.numerics.cylinder import heating as cylinder_heating
from corephys.samples.needle.combining import anisotropy, combine_repeats
from corephys.samples.needle.formation import formation_conductivity, in_situ, mixing_bounds
from corephys.samples.needle.reduction import thermal_conductivity, windows

__all__ = [
    "anisotropy",
    "combine_repeats",
    "conductivity_from_slope",
    "conductivity_from_two_times",
    "cylinder_rise",
    "formation_conductivity",
    "heating_power",
    "in_situ",
    "line_source_rise",
    "mixing_bounds",
    "thermal_conductivity",
    "windows",
]


def _factor(geometry: str) -> float:
    factors = {"full_space": 4.0 * np.pi, "half_space": 2.0 * np.pi}
    if geometry not in factors:
        raise ValueError(f"geometry is full_space or half_space, not {geometry!r}")
    return factors[geometry]


def conductivity_from_slope(slope: Any, heating_power: Any, geometry: str = "full_space") -> Any:
    """Conductivity from the slope of temperature against ln t.

    Parameters
    ----------
    slope : Quantity, DataArray or str
        dT / d ln t [K].
    heating_power : Quantity, DataArray or str
        Heat per length of needle [W/m].
    geometry : {"full_space", "half_space"}
        Needle inside the sediment, or on its face under an insulator.

    Returns
    -------
    float or DataArray
        [W/(m K)], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        For another geometry.

    Notes
    -----
    k = q / (4 pi slope): Carslaw and Jaeger (1959), Conduction of Heat in Solids, section 10.4; on
    an insulated half-space q / (2 pi slope), by the image of the source (Vacquier 1985).

    Examples
    --------
    >>> round(conductivity_from_slope("0.2149 K", "2.7 W/m"), 6)
    0.99981
    """
    s, power = series.at_same_positions(
        slope=units.as_floats(slope, "K", "slope", difference=True),
        heating_power=units.as_floats(heating_power, "W/m", "heating_power"),
    )
    return power / (_factor(geometry) * s)


def conductivity_from_two_times(
    first_time: Any,
    second_time: Any,
    first_temperature: Any,
    second_temperature: Any,
    heating_power: Any,
    geometry: str = "full_space",
) -> Any:
    """Conductivity from the temperatures at two times.

    Parameters
    ----------
    first_time, second_time : Quantity, DataArray or str
        Since heating began [s].
    first_temperature, second_temperature : Quantity, DataArray or str
        [degC].
    heating_power, geometry
        As in :func:`conductivity_from_slope`, [W/m].

    Returns
    -------
    float or DataArray
        [W/(m K)], plain floats.

    Raises
    ------
    UnitError, PositionError, ValueError
        As in :func:`conductivity_from_slope`.

    Notes
    -----
    k = q ln(t2 / t1) / (4 pi (T2 - T1)): Blum (1997), chapter 8.

    Examples
    --------
    >>> two = conductivity_from_two_times("20 s", "80 s", "22.1 degC", "22.431 degC", "3 W/m")
    >>> round(float(two), 6)
    0.999859
    """
    t1, t2, cold, warm, power = series.at_same_positions(
        first_time=units.as_floats(first_time, "s", "first_time"),
        second_time=units.as_floats(second_time, "s", "second_time"),
        first_temperature=units.as_floats(first_temperature, "degC", "first_temperature"),
        second_temperature=units.as_floats(second_temperature, "degC", "second_temperature"),
        heating_power=units.as_floats(heating_power, "W/m", "heating_power"),
    )
    return power * np.log(t2 / t1) / (_factor(geometry) * (warm - cold))


def line_source_rise(
    time: Any, *, heating_power: Any, conductivity: Any, diffusivity: Any, radius: Any
) -> Any:
    """Temperature rise near a line source that is switched on.

    Parameters
    ----------
    time : Quantity, DataArray or str
        Since heating began [s].
    heating_power : Quantity, DataArray or str
        Heat per length [W/m].
    conductivity : Quantity, DataArray or str
        [W/(m K)].
    diffusivity : Quantity, DataArray or str
        [m^2/s].
    radius : Quantity, DataArray or str
        Distance from the line [m].

    Returns
    -------
    float, ndarray or DataArray
        Rise [K], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.

    Notes
    -----
    q / (4 pi k) E1(r^2 / (4 kappa t)): Carslaw and Jaeger (1959), section 10.4.

    Examples
    --------
    >>> rise = line_source_rise("60 s", heating_power="3 W/m", conductivity="1 W/(m K)",
    ...                         diffusivity="3e-7 m^2/s", radius="1 mm")
    >>> round(float(rise), 9)
    0.88648299
    """
    from scipy.special import exp1

    t, power, k, kappa, r = series.at_same_positions(
        time=units.as_floats(time, "s", "time"),
        heating_power=units.as_floats(heating_power, "W/m", "heating_power"),
        conductivity=units.as_floats(conductivity, "W/(m K)", "conductivity"),
        diffusivity=units.as_floats(diffusivity, "m^2/s", "diffusivity"),
        radius=units.as_floats(radius, "m", "radius"),
    )
    return power / (4.0 * np.pi * k) * exp1(r * r / (4.0 * kappa * t))


def cylinder_rise(
    time: Any,
    *,
    heating_power: Any,
    conductivity: Any,
    volumetric_heat_capacity: Any,
    radius: Any,
    needle_heat_capacity: Any,
) -> Any:
    """Temperature rise of a heated needle of finite width in perfect contact.

    Parameters
    ----------
    time : Quantity or str
        Since heating began [s].
    heating_power, conductivity : Quantity or str
        [W/m], [W/(m K)].
    volumetric_heat_capacity : Quantity or str
        Of the sediment [J/(m^3 K)].
    radius : Quantity or str
        Of the needle [m].
    needle_heat_capacity : Quantity or str
        Per length of the needle [J/(m K)].

    Returns
    -------
    float or ndarray
        Rise [K], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.

    Notes
    -----
    q / (4 pi k) 2 alpha int F dtau with alpha = 2 pi a^2 rho c / S and tau = k t / (rho c a^2):
    Carslaw and Jaeger (1959), section 13.7.
    """
    t = units.as_floats(time, "s", "time")
    power = units.as_floats(heating_power, "W/m", "heating_power")
    k = units.as_floats(conductivity, "W/(m K)", "conductivity")
    capacity = units.as_floats(volumetric_heat_capacity, "J/(m^3 K)", "volumetric_heat_capacity")
    a = units.as_floats(radius, "m", "radius")
    own = units.as_floats(needle_heat_capacity, "J/(m K)", "needle_heat_capacity")
    alpha = 2.0 * np.pi * a * a * capacity / own
    return power / (4.0 * np.pi * k) * cylinder_heating(alpha, k * t / (capacity * a * a))


def heating_power(current: Any, resistance_per_length: Any, *, wires: int = 2) -> Any:
    """Heat per length of needle from the current through its heating wire.

    Parameters
    ----------
    current : Quantity, DataArray or str
        Through the wire [A].
    resistance_per_length : Quantity, DataArray or str
        Of one strand of the wire [ohm/m].
    wires : int
        Strands side by side in the needle; a loop, there and back, has two.

    Returns
    -------
    float or DataArray
        [W/m], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        For a number of strands below one.

    Notes
    -----
    q = n I^2 R / L: Blum (1997), chapter 8, with n = 2.

    Examples
    --------
    >>> round(heating_power("0.15 A", "60 ohm/m"), 6)
    2.7
    """
    if not (isinstance(wires, int) and wires >= 1):
        raise ValueError(f"wires is {wires!r}; give how many strands lie in the needle, such as 2")
    amperes, resistance = series.at_same_positions(
        current=units.as_floats(current, "A", "current"),
        resistance_per_length=units.as_floats(
            resistance_per_length, "ohm/m", "resistance_per_length"
        ),
    )
    return wires * amperes**2 * resistance
