"""Velocity from porosity: suspension, time averages, fitted relations, and S-waves that were not
measured."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, mixing, series
from corephys.products.elastic import propagation as carry
from corephys.products.elastic.averages import walpole_kernel
from corephys.products.elastic.minerals import Material, material
from corephys.uncertainty import Measured, bare

__all__ = [
    "bounds_kernel",
    "castagna",
    "from_moduli",
    "gardner",
    "han",
    "raymer",
    "raymer_kernel",
    "s_wave_from_frame",
    "wood",
    "wyllie",
    "wyllie_kernel",
]

# --------------------------------------------------------------------------------------------------
# Velocity of a saturated sediment from its porosity: suspension and time averages.


_C = constants.CONSTANTS
_V = ("p_wave_velocity",)


def of_phases(
    mineral: Any, fluid: Any, uncertainties: Mapping[str, Any] | None, called: str = "fluid"
) -> dict[str, Any]:
    """Moduli and densities of a mineral and a fluid, measured, by the names kernels use."""
    solid, liquid = _taken(mineral, "mineral"), _taken(fluid, "fluid")
    found = {}
    for letter, kind, one in (("m", "mineral", solid), ("f", called, liquid)):
        for mark, name, unit in (
            ("k", "bulk_modulus", "GPa"),
            ("g", "shear_modulus", "GPa"),
            ("rho", "density", "g/cm^3"),
        ):
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
        "elastic.Material"
        + (", or what elastic.brine and elastic.fluid_mixture return" if what == "fluid" else "")
    )


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
    porosity: Any,
    *,
    grain_velocity: Any,
    fluid_velocity: Any,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
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
    porosity: Any,
    v_f: Any,
    v_m: Any,
    rho_f: Any,
    rho_m: Any,
    *,
    first: float = _C["raymer_first_limit"].value,
    second: float = _C["raymer_second_limit"].value,
) -> tuple[Any, ...]:
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
    between = 1.0 / (
        (1.0 - weight) / stiff(first + 0.0 * porosity) + weight / loose(second + 0.0 * porosity)
    )
    return (
        np.where(
            porosity < first, stiff(porosity), np.where(porosity > second, loose(porosity), between)
        ),
    )


@carry.names_checked
def raymer(
    porosity: Any,
    *,
    grain_velocity: Any,
    fluid_velocity: Any,
    grain_density: Any = None,
    fluid_density: Any = None,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
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
    for letter, name, given in (
        ("f", "fluid_density", fluid_density),
        ("m", "grain_density", grain_density),
    ):
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
        found,
        steps=("Raymer, Hunt and Gardner (1980)",),
        constants={row: _C[row] for row in ("raymer_first_limit", "raymer_second_limit")},
    )


def _beyond(porosity: Any, limit: float) -> Any:
    mask = np.where(np.asarray(porosity, dtype=float) >= limit, flags.bit("beyond_method_range"), 0)
    mask = mask.astype(np.int64)
    dims = getattr(bare(porosity), "dims", None)
    return xr.Variable(dims, mask) if dims is not None else mask[()]


@carry.names_checked
def from_moduli(
    bulk_modulus: Any,
    shear_modulus: Any,
    bulk_density: Any,
    *,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
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


# --------------------------------------------------------------------------------------------------
# Relations between velocity, density, porosity and clay that were fitted to rocks.


@carry.names_checked
def gardner(
    p_wave_velocity: Any,
    *,
    factor: Any = _C["gardner_factor"],
    exponent: Any = _C["gardner_exponent"],
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
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
    p_wave_velocity: Any,
    *,
    intercept: Any = _C["castagna_intercept"],
    slope: Any = _C["castagna_slope"],
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
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
    porosity: Any,
    clay: Any,
    *,
    clean: Any = _C["han_velocity"],
    by_porosity: Any = _C["han_by_porosity"],
    by_clay: Any = _C["han_by_clay"],
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
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


# --------------------------------------------------------------------------------------------------
# S-wave velocity that nobody measured, from a P-wave and a frame of which one thing is assumed.


@carry.names_checked
def s_wave_from_frame(
    p_wave_velocity: Any,
    bulk_density: Any,
    porosity: Any,
    *,
    mineral: Any,
    fluid: Any,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
    """S-wave velocity of a saturated rock whose frame has the ratio of moduli of its mineral.

    Parameters
    ----------
    p_wave_velocity : Dataset, DataArray, Quantity or str
        [m/s].
    bulk_density : Dataset, DataArray, Quantity or str
        [g/cm^3].
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    mineral, fluid : Material or str
        A name is looked up; a fluid may be the Dataset of :func:`brine`.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``p_wave_velocity`` [m/s], ``bulk_density`` [g/cm^3],
        ``porosity`` [1], random; ``mineral_bulk_modulus`` [GPa] and so on, systematic.

    Returns
    -------
    Dataset
        ``s_wave_velocity`` [m/s] and ``frame_bulk_modulus`` [GPa] with uncertainties; NaN where
        the P-wave is slower than the suspension or faster than the mineral. What the assumption
        is worth is not in the uncertainty.

    Raises
    ------
    UnitError, ValueError
        For a wrong unit, a velocity of zero, or a porosity outside 0 to 1.

    Notes
    -----
    G_d / K_d = G_m / K_m, as in the models of critical porosity and of Krief et al. (1990), and the
    equation of Gassmann (1951) give with x = K_d / K_m, r = 4/3 G_m / K_m, d = phi K_m / K_f + 1 -
    phi the quadratic r x^2 - (r d + d - 2 + M / K_m) x + d M / K_m - 1 = 0. Good to some per cent
    in rock; in mud the frame carries a small part of M and the S-wave means nothing.
    """
    given = {"p_wave_velocity": p_wave_velocity, "bulk_density": bulk_density, "porosity": porosity}
    carry.same_positions(**given)
    phases = of_phases(mineral, fluid, uncertainties)
    inputs = {
        "p": carry.quantity(p_wave_velocity, "p_wave_velocity", uncertainties),
        "rho": carry.quantity(bulk_density, "bulk_density", uncertainties),
        "porosity": carry.fraction(porosity, "porosity", uncertainties),
        "k_m": phases["k_m"],
        "g_m": phases["g_m"],
        "k_f": phases["k_f"],
    }
    found = carry.propagate(_kernel, ("s_wave_velocity", "frame_bulk_modulus"), inputs)
    return series.build(
        found, steps=("frame with the mineral's ratio of moduli", "Gassmann (1951)")
    )


def _kernel(p: Any, rho: Any, porosity: Any, k_m: Any, g_m: Any, k_f: Any) -> tuple[Any, ...]:
    m, r = rho * (p / 1e3) ** 2 / k_m, 4.0 / 3.0 * g_m / k_m
    d = porosity * k_m / k_f + 1.0 - porosity
    half = 0.5 * (r * d + d - 2.0 + m)
    # The root between nothing and the mineral, in the form that loses no digits.
    x = (d * m - 1.0) / (half + np.sqrt(half**2 - r * (d * m - 1.0)))
    x = np.where((x >= 0.0) & (x <= 1.0 + 1e-12), x, np.nan)
    return 1e3 * np.sqrt(x * g_m / rho), x * k_m
