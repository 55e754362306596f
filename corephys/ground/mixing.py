"""Mixing laws: conductivity, heat capacity and slowest sound of a sediment from its phases."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from corephys.ground import constants, series, thresholds, units
from corephys.ground.arguments import fraction
from corephys.ground.laws import law, with_unit

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Floats, Fraction, Numbers, WithUnit

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


def _phases(
    fractions: Sequence[Fraction], values: Sequence[Dimensional], unit: str
) -> list[tuple[Any, Any]]:
    """Fraction and value of each phase as floats at the same positions."""
    if len(fractions) != len(values) or not len(values):
        raise ValueError(
            f"{len(fractions)} fractions and {len(values)} values; give one of each for every phase"
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
    # Wide enough for fractions that were rounded to single precision, too narrow for a slip.
    off = np.abs(total - 1.0) > 1e-6
    if np.any(off):
        raise ValueError(
            f"fractions add up to {total[off].flat[0]:g}; the volume fractions of all phases must "
            "add up to 1"
        )
    return list(zip(shares, found, strict=True))


def arithmetic_mean(
    fractions: Sequence[Fraction], values: Sequence[Dimensional], *, unit: str = "W/(m K)"
) -> WithUnit:
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
    Quantity or DataArray
        Mean in ``unit``, such as [W/(m K)].

    Raises
    ------
    PositionError
        When the series lie at different positions.
    ValueError
        When the fractions do not add up to one or their number is not that of the values.

    Notes
    -----
    sum f_i k_i: Woodside and Messmer (1961), Journal of Applied Physics 32, 1688.

    Examples
    --------
    >>> round(arithmetic_mean([0.4, 0.6], ["0.6 W/(m K)", "4.5 W/(m K)"]).magnitude, 6)
    2.94
    """
    return with_unit(sum(share * k for share, k in _phases(fractions, values, unit)), unit)


def geometric_mean(
    fractions: Sequence[Fraction], values: Sequence[Dimensional], *, unit: str = "W/(m K)"
) -> WithUnit:
    """Product of the phases to the power of their volume fractions.

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
    Quantity or DataArray
        Mean in ``unit``, such as [W/(m K)].

    Raises
    ------
    PositionError, ValueError
        For arguments that :func:`arithmetic_mean` refuses.

    Notes
    -----
    prod k_i^f_i: Woodside and Messmer (1961), Journal of Applied Physics 32, 1688.
    """
    total = sum(share * np.log(value) for share, value in _phases(fractions, values, unit))
    return with_unit(np.exp(total), unit)


def harmonic_mean(
    fractions: Sequence[Fraction], values: Sequence[Dimensional], *, unit: str = "W/(m K)"
) -> WithUnit:
    """Inverse of the mean resistivity: layers one behind the other, the lower bound.

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
    Quantity or DataArray
        Mean in ``unit``, such as [W/(m K)].

    Raises
    ------
    PositionError, ValueError
        For arguments that :func:`arithmetic_mean` refuses.

    Notes
    -----
    1 / sum (f_i / k_i): Woodside and Messmer (1961), Journal of Applied Physics 32, 1688.
    """
    total = sum(share / value for share, value in _phases(fractions, values, unit))
    return with_unit(1.0 / total, unit)


@law(
    ("W/(m K)", "W/(m K)"),
    porosity="fraction",
    grain_conductivity="positive W/(m K)",
    water_conductivity="positive W/(m K)",
)
def hashin_shtrikman_conductivity(
    porosity: Floats,
    grain_conductivity: Floats,
    water_conductivity: Floats = _C["water_conductivity"],
) -> tuple[Floats, Floats]:
    """Bounds of the conductivity of an isotropic mixture of grains and water.

    Parameters
    ----------
    porosity : float, Quantity or DataArray
        Volume fraction of water [1].
    grain_conductivity, water_conductivity : Quantity, str, DataArray or Constant
        Thermal conductivity [W/(m K)].

    Returns
    -------
    tuple of Quantity or DataArray
        Lower and upper bound [W/(m K)].

    Raises
    ------
    ValueError
        For a porosity outside 0 to 1; one reading of a series outside gives NaN.

    Notes
    -----
    k_1 + f_2 / (1 / (k_2 - k_1) + f_1 / (3 k_1)) with the poorer conductor as phase 1 for the
    lower bound and the better one for the upper: Hashin and Shtrikman (1962), Journal of Applied
    Physics 33, 3125 (from memory). Equal conductivities give this value.

    Examples
    --------
    >>> lower, upper = hashin_shtrikman_conductivity(0.6, "3 W/(m K)", "0.6 W/(m K)")
    >>> round(lower.magnitude, 6)
    1.133333
    """
    about_water = _bound(water_conductivity, grain_conductivity, porosity)
    about_grain = _bound(grain_conductivity, water_conductivity, 1.0 - porosity)
    return np.minimum(about_water, about_grain), np.maximum(about_water, about_grain)


def _bound(host: Floats, guest: Floats, share: Floats) -> Floats:
    """The bound about one phase, written so that equal phases need no division by zero."""
    contrast = guest - host
    return host + (1.0 - share) * contrast / (1.0 + share * contrast / (3.0 * host))


@law(_HEAT, porosity="fraction", grain_heat_capacity=_HEAT, water_heat_capacity=_HEAT)
def volumetric_heat_capacity(
    porosity: Floats,
    *,
    grain_heat_capacity: Floats = _C["grain_heat_capacity"],
    water_heat_capacity: Floats = _C["water_heat_capacity"],
) -> Floats:
    """Heat capacity of a saturated sediment by volume.

    Parameters
    ----------
    porosity : float, Quantity or DataArray
        Volume fraction of water [1].
    grain_heat_capacity, water_heat_capacity : Quantity, str, DataArray or Constant
        Heat capacity per volume [MJ/(m^3 K)].

    Returns
    -------
    Quantity or DataArray
        Heat capacity per volume [MJ/(m^3 K)].

    Raises
    ------
    ValueError
        For a porosity outside 0 to 1; one reading of a series outside gives NaN.

    Notes
    -----
    phi c_w + (1 - phi) c_g: heat capacities add by volume (definition).
    """
    return porosity * water_heat_capacity + (1.0 - porosity) * grain_heat_capacity


@law(_HEAT, conductivity="W/(m K)", c0=_HEAT, c1=_HEAT, c2=_HEAT)
def heat_capacity_from_conductivity(
    conductivity: Floats,
    *,
    c0: Floats = _C["heat_capacity_c0"],
    c1: Floats = _C["heat_capacity_c1"],
    c2: Floats = _C["heat_capacity_c2"],
) -> Floats:
    """Heat capacity of a marine sediment from its conductivity alone.

    Parameters
    ----------
    conductivity : Quantity, str or DataArray
        Thermal conductivity [W/(m K)], 0.8 to 1.6.
    c0, c1, c2 : Constant, Quantity or str
        Coefficients [MJ/(m^3 K)] of the conductivity in W/(m K) to the power 0, 1 and 2.

    Returns
    -------
    Quantity or DataArray
        Heat capacity per volume [MJ/(m^3 K)]; NaN outside 0.8 to 1.6 W/(m K), where the parabola
        has no data and then turns.

    Notes
    -----
    c0 + c1 k + c2 k^2: Hyndman, Davis and Wright (1979), Marine Geophysical Researches 4, 181
    (from memory); turns at k = 1.81 W/(m K).
    """
    capacity = c0 + c1 * conductivity + c2 * conductivity**2
    inside = (conductivity >= _LEAST) & (conductivity <= _GREATEST)
    if hasattr(capacity, "where"):
        return capacity.where(inside)
    return np.where(inside, capacity, np.nan)[()]


def wood_kernel(
    porosity: Numbers,
    fluid_modulus: Numbers,
    grain_modulus: Numbers,
    fluid_density: Numbers,
    grain_density: Numbers,
) -> Numbers:
    """Velocity [m/s] of a suspension from moduli [GPa] and densities [g/cm^3]."""
    modulus = 1.0 / (porosity / fluid_modulus + (1.0 - porosity) / grain_modulus)
    density = porosity * fluid_density + (1.0 - porosity) * grain_density
    # GPa / (g/cm^3) is (km/s)^2.
    return 1e3 * np.sqrt(modulus / density)


@law(
    "m/s",
    porosity="fraction",
    fluid_modulus="positive GPa",
    grain_modulus="positive GPa",
    fluid_density="positive g/cm^3",
    grain_density="positive g/cm^3",
)
def suspension_velocity(
    porosity: Floats,
    *,
    fluid_modulus: Floats,
    grain_modulus: Floats,
    fluid_density: Floats = _C["pore_water_density"],
    grain_density: Floats = _C["grain_density"],
) -> Floats:
    """P-wave velocity of grains suspended in water: the lower bound of a saturated sediment.

    Parameters
    ----------
    porosity : float, Quantity or DataArray
        Volume fraction of water [1].
    fluid_modulus, grain_modulus : Quantity, str or Constant
        Bulk moduli [GPa].
    fluid_density, grain_density : Quantity, str or Constant
        Densities [g/cm^3].

    Returns
    -------
    Quantity or DataArray
        P-wave velocity [m/s].

    Raises
    ------
    ValueError
        For a porosity outside 0 to 1; one reading of a series outside gives NaN.

    Notes
    -----
    V = sqrt(K / rho), 1 / K = phi / K_f + (1 - phi) / K_g: Wood (1941), A Textbook of Sound.

    Examples
    --------
    >>> v = suspension_velocity("0.6 1", fluid_modulus="2.35 GPa", grain_modulus="38 GPa")
    >>> round(v.magnitude)
    1490
    """
    return wood_kernel(porosity, fluid_modulus, grain_modulus, fluid_density, grain_density)
