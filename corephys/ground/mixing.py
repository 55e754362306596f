"""Mixing laws: conductivity, heat capacity and slowest sound of a sediment from its phases."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from corephys.ground import constants, series, thresholds, units
from corephys.ground.arguments import fraction, positive

__all__ = [
    "arithmetic_mean",
    "geometric_mean",
    "harmonic_mean",
    "hashin_shtrikman_conductivity",
    "heat_capacity_from_conductivity",
    "suspension_velocity",
    "volumetric_heat_capacity",
]

_C = constants.CONSTANTS
_LEAST = thresholds.value("heat_capacity_least_conductivity")  # W/(m K)
_GREATEST = thresholds.value("heat_capacity_greatest_conductivity")  # W/(m K)
_HEAT = "MJ/(m^3 K)"


def _phases(fractions: Sequence[Any], values: Sequence[Any], unit: str) -> list[tuple[Any, Any]]:
    if len(fractions) != len(values) or not len(values):
        raise ValueError(
            f"{len(fractions)} fractions and {len(values)} values; give one of each a phase"
        )
    named = [
        (f"{what} {i}", part)
        for what, parts in (("fraction", fractions), ("value", values))
        for i, part in enumerate(parts, start=1)
    ]
    series.require_same_positions(**dict(named))
    count = len(fractions)
    here = series.at_one_place(
        *(fraction(share, "fractions") for share in fractions),
        *(units.as_floats(value, unit, "values") for value in values),
    )
    shares, found = here[:count], here[count:]
    total = np.asarray(sum(shares[1:], start=shares[0]), dtype=float)
    off = np.abs(total - 1.0) > 1e-6
    if np.any(off):
        raise ValueError(
            f"fractions add up to {total[off].flat[0]:g}; they are volume fractions of the phases, "
            "together one"
        )
    return list(zip(shares, found, strict=True))


def arithmetic_mean(
    fractions: Sequence[Any], values: Sequence[Any], *, unit: str = "W/(m K)"
) -> Any:
    """Mean weighted by volume: layers side by side along the flow, the upper bound.

    Parameters
    ----------
    fractions : sequence of float, Quantity or DataArray
        Volume fraction of each phase [1].
    values : sequence of Quantity, str or DataArray
        Value of each phase, in any unit that converts to ``unit``.
    unit : str
        Unit of the result.

    Returns
    -------
    float or DataArray
        In ``unit``, plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        When the fractions do not add to one or their number is not that of the values.

    Notes
    -----
    sum f_i k_i: Woodside and Messmer (1961), Journal of Applied Physics 32, 1688.

    Examples
    --------
    >>> round(arithmetic_mean([0.4, 0.6], ["0.6 W/(m K)", "4.5 W/(m K)"]), 6)
    2.94
    """
    return sum(share * value for share, value in _phases(fractions, values, unit))


def geometric_mean(
    fractions: Sequence[Any], values: Sequence[Any], *, unit: str = "W/(m K)"
) -> Any:
    """Product of the phases to the power of their volume fractions.

    Parameters
    ----------
    fractions, values, unit
        As in :func:`arithmetic_mean`; values in W/(m K) where ``unit`` is not given.

    Returns
    -------
    float or DataArray
        In ``unit``, plain floats.

    Raises
    ------
    UnitError, PositionError, ValueError
        As in :func:`arithmetic_mean`.

    Notes
    -----
    prod k_i^f_i: Woodside and Messmer (1961), Journal of Applied Physics 32, 1688.
    """
    return np.exp(sum(share * np.log(value) for share, value in _phases(fractions, values, unit)))


def harmonic_mean(fractions: Sequence[Any], values: Sequence[Any], *, unit: str = "W/(m K)") -> Any:
    """Inverse of the mean resistivity: layers one behind the other, the lower bound.

    Parameters
    ----------
    fractions, values, unit
        As in :func:`arithmetic_mean`; values in W/(m K) where ``unit`` is not given.

    Returns
    -------
    float or DataArray
        In ``unit``, plain floats.

    Raises
    ------
    UnitError, PositionError, ValueError
        As in :func:`arithmetic_mean`.

    Notes
    -----
    1 / sum (f_i / k_i): Woodside and Messmer (1961), Journal of Applied Physics 32, 1688.
    """
    return 1.0 / sum(share / value for share, value in _phases(fractions, values, unit))


def hashin_shtrikman_conductivity(
    porosity: Any, grain_conductivity: Any, water_conductivity: Any = _C["water_conductivity"]
) -> tuple[Any, Any]:
    """Bounds of the conductivity of an isotropic mixture of grains and water.

    Parameters
    ----------
    porosity : float, Quantity or DataArray
        Volume fraction of water [1].
    grain_conductivity, water_conductivity : Quantity, str, DataArray or Constant
        Thermal conductivity [W/(m K)].

    Returns
    -------
    tuple of lower and upper bound
        [W/(m K)], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        For a porosity outside 0 to 1; one reading of a series outside gives NaN.

    Notes
    -----
    k_1 + f_2 / (1 / (k_2 - k_1) + f_1 / (3 k_1)) with the poorer conductor as phase 1 for the
    lower bound and the better one for the upper: Hashin and Shtrikman (1962), Journal of Applied
    Physics 33, 3125 (from memory). Equal conductivities give themselves.

    Examples
    --------
    >>> lower, upper = hashin_shtrikman_conductivity(0.6, "3 W/(m K)", "0.6 W/(m K)")
    >>> round(float(lower), 6)
    1.133333
    """
    phi, grain, water = series.at_same_positions(
        porosity=fraction(porosity, "porosity"),
        grain_conductivity=positive(grain_conductivity, "W/(m K)", "grain_conductivity"),
        water_conductivity=positive(water_conductivity, "W/(m K)", "water_conductivity"),
    )
    about_water = _bound(water, grain, phi)
    about_grain = _bound(grain, water, 1.0 - phi)
    return np.minimum(about_water, about_grain), np.maximum(about_water, about_grain)


def _bound(host: Any, guest: Any, share: Any) -> Any:
    """The bound about one phase, written so that equal phases need no division by zero."""
    contrast = guest - host
    return host + (1.0 - share) * contrast / (1.0 + share * contrast / (3.0 * host))


def volumetric_heat_capacity(
    porosity: Any,
    *,
    grain_heat_capacity: Any = _C["grain_heat_capacity"],
    water_heat_capacity: Any = _C["water_heat_capacity"],
) -> Any:
    """Heat capacity of a saturated sediment by volume.

    Parameters
    ----------
    porosity : float, Quantity or DataArray
        Volume fraction of water [1].
    grain_heat_capacity, water_heat_capacity : Quantity, str, DataArray or Constant
        Per volume [MJ/(m^3 K)].

    Returns
    -------
    float or DataArray
        [MJ/(m^3 K)], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        For a porosity outside 0 to 1; one reading of a series outside gives NaN.

    Notes
    -----
    phi c_w + (1 - phi) c_g: heat capacities add by volume (definition).
    """
    phi, grain, water = series.at_same_positions(
        porosity=fraction(porosity, "porosity"),
        grain_heat_capacity=units.as_floats(grain_heat_capacity, _HEAT, "grain_heat_capacity"),
        water_heat_capacity=units.as_floats(water_heat_capacity, _HEAT, "water_heat_capacity"),
    )
    return phi * water + (1.0 - phi) * grain


def heat_capacity_from_conductivity(
    conductivity: Any,
    *,
    c0: Any = _C["heat_capacity_c0"],
    c1: Any = _C["heat_capacity_c1"],
    c2: Any = _C["heat_capacity_c2"],
) -> Any:
    """Heat capacity of a marine sediment from its conductivity alone.

    Parameters
    ----------
    conductivity : Quantity, str or DataArray
        Thermal conductivity [W/(m K)], 0.8 to 1.6.
    c0, c1, c2 : Constant
        Coefficients, MJ/(m^3 K) for conductivity in W/(m K).

    Returns
    -------
    float, ndarray or DataArray
        [MJ/(m^3 K)], plain floats; NaN outside 0.8 to 1.6 W/(m K), where the parabola has no data
        and then turns.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.

    Notes
    -----
    c0 + c1 k + c2 k^2: Hyndman, Davis and Wright (1979), Marine Geophysical Researches 4, 181
    (from memory); turns at k = 1.81 W/(m K).
    """
    k = units.as_floats(conductivity, "W/(m K)", "conductivity")
    capacity = c0.value + c1.value * k + c2.value * k**2
    inside = (k >= _LEAST) & (k <= _GREATEST)
    if hasattr(capacity, "where"):
        return capacity.where(inside)
    return np.where(inside, capacity, np.nan)[()]


def wood_kernel(
    porosity: Any, fluid_modulus: Any, grain_modulus: Any, fluid_density: Any, grain_density: Any
) -> Any:
    """Velocity [m/s] of a suspension from moduli [GPa] and densities [g/cm^3]."""
    modulus = 1.0 / (porosity / fluid_modulus + (1.0 - porosity) / grain_modulus)
    density = porosity * fluid_density + (1.0 - porosity) * grain_density
    return 1e3 * np.sqrt(modulus / density)


def suspension_velocity(
    porosity: Any,
    *,
    fluid_modulus: Any,
    grain_modulus: Any,
    fluid_density: Any = _C["pore_water_density"],
    grain_density: Any = _C["grain_density"],
) -> Any:
    """P-wave velocity of grains that float in water: the least that a saturated sediment has.

    Parameters
    ----------
    porosity : float, Quantity or DataArray
        Volume fraction of water [1].
    fluid_modulus, grain_modulus : Quantity, str or Constant
        Bulk moduli [GPa].
    fluid_density, grain_density : Quantity, str or Constant
        [g/cm^3].

    Returns
    -------
    float or DataArray
        [m/s], plain floats.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        For a porosity outside 0 to 1; one reading of a series outside gives NaN.

    Notes
    -----
    V = sqrt(K / rho), 1 / K = phi / K_f + (1 - phi) / K_g: Wood (1941), A Textbook of Sound.

    Examples
    --------
    >>> v = suspension_velocity("0.6 1", fluid_modulus="2.35 GPa", grain_modulus="38 GPa")
    >>> round(float(v))
    1490
    """
    parts = series.at_same_positions(
        porosity=fraction(porosity, "porosity"),
        fluid_modulus=positive(fluid_modulus, "GPa", "fluid_modulus"),
        grain_modulus=positive(grain_modulus, "GPa", "grain_modulus"),
        fluid_density=positive(fluid_density, "g/cm^3", "fluid_density"),
        grain_density=positive(grain_density, "g/cm^3", "grain_density"),
    )
    return wood_kernel(*parts)
