"""Velocity of a saturated sediment from its porosity: suspension and time averages."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, mixing, series
from corephys.products import elastic_carry as carry
from corephys.products.elastic_averages import walpole_kernel
from corephys.products.elastic_materials import Material, material
from corephys.uncertainty import Measured, bare

__all__ = [
    "bounds_kernel", "from_moduli", "raymer", "raymer_kernel", "wood", "wyllie", "wyllie_kernel",
]  # fmt: skip

_C = constants.CONSTANTS
_V = ("p_wave_velocity",)


def of_phases(
    mineral: Any, fluid: Any, uncertainties: Mapping[str, Any] | None, called: str = "fluid"
) -> dict[str, Any]:
    """Moduli and densities of a mineral and a fluid, measured, by the names kernels use."""
    solid, liquid = _taken(mineral, "mineral"), _taken(fluid, "fluid")
    found = {}
    for letter, kind, one in (("m", "mineral", solid), ("f", called, liquid)):
        for mark, name, unit in (("k", "bulk_modulus", "GPa"), ("g", "shear_modulus", "GPa"),
                                 ("rho", "density", "g/cm^3")):  # fmt: skip
            if mark == "g" and letter == "f":
                continue
            found[f"{mark}_{letter}"] = carry.number(
                getattr(one, name), unit, f"{kind}_{name}", uncertainties, zero=mark == "g"
            )
    return found


def _taken(phase: Any, what: str) -> Material:
    """A material, the name of one, or a pore fluid as a Dataset."""
    if isinstance(phase, str):
        return material(phase)
    if isinstance(phase, Material):
        return phase
    if isinstance(phase, xr.Dataset) and what == "fluid":
        parts = [series.unpack(phase, f"fluid_{name}") for name in ("bulk_modulus", "density")]
        return Material("fluid", parts[0], "0 GPa", parts[1])
    raise ValueError(
        f"{what} is {phase!r}; give the name of one ('quartz', see elastic.materials()), an "
        "elastic.Material" + (", or what elastic.brine and elastic.fluid_mixture return"
                              if what == "fluid" else "")
    )  # fmt: skip


def bounds_kernel(
    porosity: Any, k_m: Any, g_m: Any, rho_m: Any, k_f: Any, rho_f: Any
) -> tuple[Any, Any]:
    """Least and greatest P-wave velocity of grains and fluid.

    Parameters
    ----------
    porosity, k_m, g_m, rho_m, k_f, rho_f : float or ndarray
        Porosity [1], moduli [GPa] and densities [g/cm^3] of mineral and fluid.

    Returns
    -------
    tuple of ndarray
        [m/s].

    Notes
    -----
    Suspension of Wood (1941) and Hashin-Shtrikman upper bound in the form of Walpole (1966).
    """
    porosity, k_m, g_m, rho_m, k_f, rho_f = np.broadcast_arrays(
        porosity, k_m, g_m, rho_m, k_f, rho_f
    )
    shares = np.stack([1.0 - porosity, porosity])
    bulk, shear = np.stack([k_m, k_f]), np.stack([g_m, 0.0 * k_f])
    k, g = walpole_kernel(shares, bulk, shear, upper=True)
    rho = (1.0 - porosity) * rho_m + porosity * rho_f
    stiffest = 1e3 * np.sqrt((k + 4.0 / 3.0 * g) / rho)
    return mixing.wood_kernel(porosity, k_f, k_m, rho_f, rho_m), stiffest


@carry.names_checked
def wood(
    porosity: Any, *, mineral: Any, fluid: Any, uncertainties: Mapping[str, Any] | None = None
) -> xr.Dataset:
    """Velocity of grains that float in a fluid: the least of a saturated sediment.

    Parameters
    ----------
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1]; a Dataset brings its uncertainties.
    mineral, fluid : Material or str
        A name is looked up; a fluid may be the Dataset of :func:`brine`.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``porosity`` [1], random; ``mineral_bulk_modulus``,
        ``fluid_bulk_modulus`` [GPa], ``mineral_density``, ``fluid_density`` [g/cm^3], systematic.

    Returns
    -------
    Dataset
        ``p_wave_velocity`` [m/s] with uncertainty; attribute ``bound`` is ``lower``.

    Raises
    ------
    UnitError, ValueError
        For a wrong unit, or a porosity outside 0 to 1.

    Notes
    -----
    V = sqrt(K / rho), 1 / K = phi / K_f + (1 - phi) / K_m: Wood (1941), A Textbook of Sound.

    Examples
    --------
    >>> float(wood(0.6, mineral="clay", fluid="sea_water")["p_wave_velocity"].round())
    1494.0
    """
    phases = of_phases(mineral, fluid, uncertainties)
    phases.pop("g_m")
    inputs = {"porosity": carry.fraction(porosity, "porosity", uncertainties), **phases}

    def kernel(porosity: Any, k_m: Any, rho_m: Any, k_f: Any, rho_f: Any) -> tuple[Any, ...]:
        return (mixing.wood_kernel(porosity, k_f, k_m, rho_f, rho_m),)

    found = carry.propagate(kernel, _V, inputs)
    return series.build(found, steps=("suspension sqrt(K / rho) (Wood 1941)",), bound="lower")


def wyllie_kernel(porosity: Any, v_f: Any, v_m: Any) -> tuple[Any, ...]:
    """Velocity [m/s] by the time average of porosity [1] and velocities [m/s].

    Parameters
    ----------
    porosity, v_f, v_m : float or ndarray
        Porosity [1], velocities of fluid and grains [m/s].

    Returns
    -------
    tuple of one ndarray
        [m/s].

    Notes
    -----
    Wyllie, Gregory and Gardner (1956), Geophysics 21, 41.
    """
    return (1.0 / (porosity / v_f + (1.0 - porosity) / v_m),)


@carry.names_checked
def wyllie(
    porosity: Any, *, grain_velocity: Any, fluid_velocity: Any,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:  # fmt: skip
    """Velocity by the time average: poor in mud, whose grains hardly touch.

    Parameters
    ----------
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    grain_velocity, fluid_velocity : Quantity, str or Constant
        P-wave velocities of grains and fluid [m/s].
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``porosity`` [1], ``grain_velocity``,
        ``fluid_velocity`` [m/s].

    Returns
    -------
    Dataset
        ``p_wave_velocity`` [m/s] with uncertainty.

    Raises
    ------
    UnitError, ValueError
        For a wrong unit, a velocity of zero, or a porosity outside 0 to 1.

    Notes
    -----
    1 / V = phi / V_f + (1 - phi) / V_m: Wyllie, Gregory and Gardner (1956), Geophysics 21, 41
    (from memory). Made for sandstone under load.

    Examples
    --------
    >>> v = wyllie(0.6, grain_velocity="6530 m/s", fluid_velocity="1530 m/s")
    >>> float(v["p_wave_velocity"].round(1))
    2205.5
    """
    inputs = {
        "porosity": carry.fraction(porosity, "porosity", uncertainties),
        "v_f": carry.number(fluid_velocity, "m/s", "fluid_velocity", uncertainties),
        "v_m": carry.number(grain_velocity, "m/s", "grain_velocity", uncertainties),
    }
    found = carry.propagate(wyllie_kernel, _V, inputs)
    return series.build(found, steps=("time average (Wyllie, Gregory and Gardner 1956)",))


def raymer_kernel(
    porosity: Any, v_f: Any, v_m: Any, rho_f: Any, rho_m: Any, *,
    first: float = _C["raymer_first_limit"].value, second: float = _C["raymer_second_limit"].value,
) -> tuple[Any, ...]:  # fmt: skip
    """Velocity by the three branches of Raymer, Hunt and Gardner.

    Parameters
    ----------
    porosity, v_f, v_m, rho_f, rho_m : float or ndarray
        Porosity [1], velocities [m/s] and densities [g/cm^3] of fluid and grains.
    first, second : float
        Porosities between which slowness is interpolated [1].

    Returns
    -------
    tuple of one ndarray
        [m/s].

    Notes
    -----
    Raymer, Hunt and Gardner (1980), SPWLA 21st symposium; the second and third branch from memory.
    """

    def stiff(phi: Any) -> Any:
        return (1.0 - phi) ** 2 * v_m + phi * v_f

    def loose(phi: Any) -> Any:
        rho = (1.0 - phi) * rho_m + phi * rho_f
        return (rho * ((1.0 - phi) / (rho_m * v_m**2) + phi / (rho_f * v_f**2))) ** -0.5

    weight = np.clip((porosity - first) / (second - first), 0.0, 1.0)
    between = 1.0 / ((1.0 - weight) / stiff(first + 0.0 * porosity)
                     + weight / loose(second + 0.0 * porosity))  # fmt: skip
    return (
        np.where(porosity < first, stiff(porosity),
                 np.where(porosity > second, loose(porosity), between)),
    )  # fmt: skip


@carry.names_checked
def raymer(
    porosity: Any, *, grain_velocity: Any, fluid_velocity: Any, grain_density: Any = None,
    fluid_density: Any = None, uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:  # fmt: skip
    """Velocity by Raymer, Hunt and Gardner, whose branches reach from rock to mud.

    Parameters
    ----------
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    grain_velocity, fluid_velocity : Quantity, str or Constant
        P-wave velocities of grains and fluid [m/s].
    grain_density, fluid_density : Quantity, str or Constant, optional
        [g/cm^3]; the branches above a porosity of 0.37 need them.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``porosity`` [1], ``grain_velocity``, ``fluid_velocity``
        [m/s], ``grain_density``, ``fluid_density`` [g/cm^3].

    Returns
    -------
    Dataset
        ``p_wave_velocity`` [m/s] with uncertainty. Without densities NaN above 0.37, flagged
        ``beyond_method_range``.

    Raises
    ------
    UnitError, ValueError
        For a wrong unit, a velocity of zero, or a porosity outside 0 to 1.

    Notes
    -----
    V = (1 - phi)^2 V_m + phi V_f below 0.37; above 0.47 1 / (rho V^2) = phi / (rho_f V_f^2) +
    (1 - phi) / (rho_m V_m^2); between, slowness goes straight from the one to the other: Raymer,
    Hunt and Gardner (1980), SPWLA 21st symposium. Second and third branch from memory.

    Examples
    --------
    >>> v = raymer(0.2, grain_velocity="5500 m/s", fluid_velocity="1500 m/s")
    >>> float(v["p_wave_velocity"].round(6))
    3820.0
    """
    whole = grain_density is not None and fluid_density is not None
    phi = carry.fraction(porosity, "porosity", uncertainties)
    inputs = {
        "porosity": phi,
        "v_f": carry.number(fluid_velocity, "m/s", "fluid_velocity", uncertainties),
        "v_m": carry.number(grain_velocity, "m/s", "grain_velocity", uncertainties),
    }
    for letter, name, given in (("f", "fluid_density", fluid_density),
                                ("m", "grain_density", grain_density)):  # fmt: skip
        inputs[f"rho_{letter}"] = (
            carry.number(given, "g/cm^3", name, uncertainties) if whole else Measured(1.0, 0.0, {})
        )
    limit = _C["raymer_first_limit"].value

    def kernel(**parts: Any) -> tuple[Any, ...]:
        (speed,) = raymer_kernel(**parts)
        return (speed if whole else np.where(parts["porosity"] < limit, speed, np.nan),)

    beyond = 0 if whole else _beyond(phi.values, limit)
    found = carry.propagate(kernel, _V, inputs, reason=beyond)
    return series.build(
        found, steps=("Raymer, Hunt and Gardner (1980)",),
        constants={row: _C[row] for row in ("raymer_first_limit", "raymer_second_limit")},
    )  # fmt: skip


def _beyond(porosity: Any, limit: float) -> Any:
    mask = np.where(np.asarray(porosity, dtype=float) >= limit, flags.bit("beyond_method_range"), 0)
    mask = mask.astype(np.int64)
    dims = getattr(bare(porosity), "dims", None)
    return xr.Variable(dims, mask) if dims is not None else mask[()]


@carry.names_checked
def from_moduli(
    bulk_modulus: Any, shear_modulus: Any, bulk_density: Any, *,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:  # fmt: skip
    """P- and S-wave velocity from moduli and density.

    Parameters
    ----------
    bulk_modulus, shear_modulus : Dataset, DataArray, Quantity or str
        [GPa]; the shear modulus may be zero.
    bulk_density : Dataset, DataArray, Quantity or str
        [g/cm^3].
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``bulk_modulus``, ``shear_modulus`` [GPa],
        ``bulk_density`` [g/cm^3], random.

    Returns
    -------
    Dataset
        ``p_wave_velocity`` and ``s_wave_velocity`` [m/s] with uncertainties.

    Raises
    ------
    UnitError, ValueError
        For a bare number, a wrong unit, or a modulus or density that is not above zero.

    Notes
    -----
    V_p = sqrt((K + 4/3 G) / rho), V_s = sqrt(G / rho): definition of the velocities of an
    isotropic body (Mavko, Mukerji and Dvorkin 2009).
    """
    given = {"k": bulk_modulus, "g": shear_modulus, "rho": bulk_density}
    names = ("bulk_modulus", "shear_modulus", "bulk_density")
    carry.same_positions(**dict(zip(names, given.values(), strict=True)))
    inputs = {
        key: carry.quantity(value, name, uncertainties, zero=key == "g")
        for (key, value), name in zip(given.items(), names, strict=True)
    }

    def kernel(k: Any, g: Any, rho: Any) -> tuple[Any, ...]:
        return 1e3 * np.sqrt((k + 4.0 / 3.0 * g) / rho), 1e3 * np.sqrt(g / rho)

    found = carry.propagate(kernel, ("p_wave_velocity", "s_wave_velocity"), inputs)
    return series.build(found, steps=("V = sqrt((K + 4/3 G) / rho), sqrt(G / rho)",))
