"""Velocity from porosity: suspension, time averages, fitted relations, and estimated S-waves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import constants, mixing
from corephys.products.elastic.averages import walpole_kernel
from corephys.products.elastic.minerals import Fluid, Mineral, phase_arguments
from corephys.products.elastic.propagation import (
    elastic_model,
    fraction,
    material_property,
    reading,
)

if TYPE_CHECKING:
    from corephys.ground.types import Fraction, Measurement, Scalar
    from corephys.products.elastic.propagation import Uncertainties

__all__ = [
    "castagna",
    "from_moduli",
    "gardner",
    "han",
    "raymer",
    "s_wave_from_frame",
    "wood",
    "wyllie",
]

# --------------------------------------------------------------------------------------------------
# Velocity of a saturated sediment from its porosity: suspension and time averages.


_C = constants.CONSTANTS
_V = ("p_wave_velocity",)


def bounds_kernel(
    porosity: np.ndarray,
    k_m: np.ndarray,
    g_m: np.ndarray,
    rho_m: np.ndarray,
    k_f: np.ndarray,
    rho_f: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest P-wave velocity [m/s] of grains and fluid, moduli in GPa.

    Suspension of Wood (1941) and Hashin-Shtrikman upper bound in the form of Walpole (1966).
    """
    porosity, k_m, g_m, rho_m, k_f, rho_f = np.broadcast_arrays(
        porosity, k_m, g_m, rho_m, k_f, rho_f
    )
    shares = np.stack([1.0 - porosity, porosity])
    bulk, shear = np.stack([k_m, k_f]), np.stack([g_m, 0.0 * k_f])
    k, g = walpole_kernel(shares, bulk, shear, upper=True)
    rho = (1.0 - porosity) * rho_m + porosity * rho_f
    # GPa over g/cm^3 is (km/s)^2.
    stiffest = 1e3 * np.sqrt((k + 4.0 / 3.0 * g) / rho)
    return mixing.wood_kernel(porosity, k_f, k_m, rho_f, rho_m), stiffest


def wood(
    porosity: Fraction | xr.Dataset,
    *,
    mineral: Mineral,
    fluid: Fluid,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Velocity of a suspension of grains in a fluid: the lower bound of a saturated sediment.

    Parameters
    ----------
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1]; a Dataset brings its uncertainties.
    mineral, fluid : Material or str
        Material or its name; a fluid may be the Dataset of :func:`brine`.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``porosity`` [1], random; ``mineral_bulk_modulus``,
        ``fluid_bulk_modulus`` [GPa], ``mineral_density``, ``fluid_density`` [g/cm^3], systematic.

    Returns
    -------
    Dataset
        ``p_wave_velocity`` [m/s] with uncertainty; attribute ``bound`` is ``lower``.

    Notes
    -----
    V = sqrt(K / rho), 1 / K = phi / K_f + (1 - phi) / K_m: Wood (1941), A Textbook of Sound.

    Examples
    --------
    >>> float(wood(0.6, mineral="clay", fluid="sea_water")["p_wave_velocity"].round())
    1494.0
    """

    def kernel(
        porosity: np.ndarray,
        k_m: np.ndarray,
        rho_m: np.ndarray,
        k_f: np.ndarray,
        rho_f: np.ndarray,
    ) -> np.ndarray:
        # Without g_m: grains that do not touch carry no shear.
        return np.asarray(mixing.wood_kernel(porosity, k_f, k_m, rho_f, rho_m))

    return elastic_model(
        kernel,
        _V,
        {"porosity": fraction(porosity, "porosity"), **phase_arguments(mineral, fluid)},
        uncertainties,
        steps=("suspension sqrt(K / rho) (Wood 1941)",),
        attributes={"bound": "lower"},
    )


def wyllie_kernel(porosity: np.ndarray, v_f: np.ndarray, v_m: np.ndarray) -> np.ndarray:
    """Velocity [m/s] by the time average (Wyllie, Gregory and Gardner 1956)."""
    return 1.0 / (porosity / v_f + (1.0 - porosity) / v_m)


def wyllie(
    porosity: Fraction | xr.Dataset,
    *,
    grain_velocity: Scalar,
    fluid_velocity: Scalar,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Velocity by the time average, which is unreliable in mud, where grains hardly touch.

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

    Notes
    -----
    1 / V = phi / V_f + (1 - phi) / V_m: Wyllie, Gregory and Gardner (1956), Geophysics 21, 41
    (from memory). It was derived for consolidated sandstone.

    Examples
    --------
    >>> v = wyllie(0.6, grain_velocity="6530 m/s", fluid_velocity="1530 m/s")
    >>> float(v["p_wave_velocity"].round(1))
    2205.5
    """
    return elastic_model(
        wyllie_kernel,
        _V,
        {
            "porosity": fraction(porosity, "porosity"),
            "v_f": material_property(fluid_velocity, "m/s", "fluid_velocity"),
            "v_m": material_property(grain_velocity, "m/s", "grain_velocity"),
        },
        uncertainties,
        steps=("time average (Wyllie, Gregory and Gardner 1956)",),
    )


def raymer_kernel(
    porosity: np.ndarray,
    v_f: np.ndarray,
    v_m: np.ndarray,
    rho_f: np.ndarray | float,
    rho_m: np.ndarray | float,
    *,
    first: float = _C["raymer_first_limit"].value,
    second: float = _C["raymer_second_limit"].value,
) -> np.ndarray:
    """Velocity [m/s] by the three branches of Raymer, Hunt and Gardner (1980).

    Densities are in g/cm^3; between the porosities ``first`` and ``second`` slowness is
    interpolated. The second and third branch are from memory.
    """

    def stiff(phi: np.ndarray) -> np.ndarray:
        return (1.0 - phi) ** 2 * v_m + phi * v_f

    def loose(phi: np.ndarray) -> np.ndarray:
        rho = (1.0 - phi) * rho_m + phi * rho_f
        return (rho * ((1.0 - phi) / (rho_m * v_m**2) + phi / (rho_f * v_f**2))) ** -0.5

    # Adding 0 * porosity gives the limits the shape of the readings.
    weight = np.clip((porosity - first) / (second - first), 0.0, 1.0)
    between = 1.0 / (
        (1.0 - weight) / stiff(first + 0.0 * porosity) + weight / loose(second + 0.0 * porosity)
    )
    above = np.where(porosity > second, loose(porosity), between)
    return np.where(porosity < first, stiff(porosity), above)


def raymer(
    porosity: Fraction | xr.Dataset,
    *,
    grain_velocity: Scalar,
    fluid_velocity: Scalar,
    grain_density: Scalar | None = None,
    fluid_density: Scalar | None = None,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Velocity by Raymer, Hunt and Gardner, with branches for rock and for mud.

    Parameters
    ----------
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    grain_velocity, fluid_velocity : Quantity, str or Constant
        P-wave velocities of grains and fluid [m/s].
    grain_density, fluid_density : Quantity, str or Constant, optional
        Densities [g/cm^3]; the branches above a porosity of 0.37 need them.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``porosity`` [1], ``grain_velocity``, ``fluid_velocity``
        [m/s], ``grain_density``, ``fluid_density`` [g/cm^3].

    Returns
    -------
    Dataset
        ``p_wave_velocity`` [m/s] with uncertainty. Without densities it is NaN from a porosity of
        0.37 up, flagged ``beyond_method_range``.

    Notes
    -----
    V = (1 - phi)^2 V_m + phi V_f below 0.37; above 0.47 1 / (rho V^2) = phi / (rho_f V_f^2) +
    (1 - phi) / (rho_m V_m^2); between, slowness is interpolated linearly in porosity: Raymer, Hunt
    and Gardner (1980), SPWLA 21st symposium. Second and third branch from memory.

    Examples
    --------
    >>> v = raymer(0.2, grain_velocity="5500 m/s", fluid_velocity="1500 m/s")
    >>> float(v["p_wave_velocity"].round(6))
    3820.0
    """
    arguments = {
        "porosity": fraction(porosity, "porosity"),
        "v_f": material_property(fluid_velocity, "m/s", "fluid_velocity"),
        "v_m": material_property(grain_velocity, "m/s", "grain_velocity"),
    }
    with_densities = grain_density is not None and fluid_density is not None
    if grain_density is not None and fluid_density is not None:
        arguments["rho_f"] = material_property(fluid_density, "g/cm^3", "fluid_density")
        arguments["rho_m"] = material_property(grain_density, "g/cm^3", "grain_density")
    limit = _C["raymer_first_limit"].value

    def rock_kernel(porosity: np.ndarray, v_f: np.ndarray, v_m: np.ndarray) -> np.ndarray:
        speed = raymer_kernel(porosity, v_f, v_m, 1.0, 1.0)
        return np.where(porosity < limit, speed, np.nan)

    def above_rock(porosity: np.ndarray) -> np.ndarray:
        return porosity >= limit

    return elastic_model(
        raymer_kernel if with_densities else rock_kernel,
        _V,
        arguments,
        uncertainties,
        beyond=None if with_densities else above_rock,
        steps=("Raymer, Hunt and Gardner (1980)",),
        constants={row: _C[row] for row in ("raymer_first_limit", "raymer_second_limit")},
    )


def from_moduli(
    bulk_modulus: Measurement | str,
    shear_modulus: Measurement | str,
    bulk_density: Measurement | str,
    *,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """P- and S-wave velocity from moduli and density.

    Parameters
    ----------
    bulk_modulus, shear_modulus : Dataset, DataArray, Quantity or str
        Moduli [GPa]; the shear modulus may be zero.
    bulk_density : Dataset, DataArray, Quantity or str
        Bulk density [g/cm^3].
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``bulk_modulus``, ``shear_modulus`` [GPa],
        ``bulk_density`` [g/cm^3], random.

    Returns
    -------
    Dataset
        ``p_wave_velocity`` and ``s_wave_velocity`` [m/s] with uncertainties.

    Notes
    -----
    V_p = sqrt((K + 4/3 G) / rho), V_s = sqrt(G / rho): definition of the velocities of an
    isotropic body (Mavko, Mukerji and Dvorkin 2009).
    """

    def kernel(k: np.ndarray, g: np.ndarray, rho: np.ndarray) -> tuple[np.ndarray, ...]:
        return 1e3 * np.sqrt((k + 4.0 / 3.0 * g) / rho), 1e3 * np.sqrt(g / rho)

    return elastic_model(
        kernel,
        ("p_wave_velocity", "s_wave_velocity"),
        {
            "k": reading(bulk_modulus, "bulk_modulus"),
            "g": reading(shear_modulus, "shear_modulus", zero=True),
            "rho": reading(bulk_density, "bulk_density"),
        },
        uncertainties,
        steps=("V = sqrt((K + 4/3 G) / rho), sqrt(G / rho)",),
    )


# --------------------------------------------------------------------------------------------------
# Relations between velocity, density, porosity and clay that were fitted to rocks. Their scatter
# about the rocks is not part of the uncertainty.


def gardner(
    p_wave_velocity: Measurement | str,
    *,
    factor: Scalar = _C["gardner_factor"],
    exponent: Scalar | float = _C["gardner_exponent"],
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Bulk density from P-wave velocity, for rock without any other measurement.

    Parameters
    ----------
    p_wave_velocity : Dataset, DataArray, Quantity or str
        P-wave velocity [m/s].
    factor : Constant, Quantity or str
        Density at 1 m/s [kg/m^3].
    exponent : Constant or float
        Exponent of the velocity [1].
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``p_wave_velocity`` [m/s], random; ``factor`` [kg/m^3] and
        ``exponent`` [1], systematic.

    Returns
    -------
    Dataset
        ``bulk_density`` [g/cm^3] with uncertainty.

    Notes
    -----
    rho = 310 V^0.25: Gardner, Gardner and Gregory (1974), Geophysics 39, 770. Fitted to
    consolidated rock: it gives about 1.9 g/cm^3 for soft mud of 1.4.

    Examples
    --------
    >>> float(gardner("1600 m/s")["bulk_density"].round(4))
    1.9606
    """

    def kernel(v: np.ndarray, factor: np.ndarray, exponent: np.ndarray) -> np.ndarray:
        return 1e-3 * factor * v**exponent

    return elastic_model(
        kernel,
        ("bulk_density",),
        {
            "v": reading(p_wave_velocity, "p_wave_velocity"),
            "factor": material_property(factor, "kg/m^3", "factor"),
            "exponent": material_property(exponent, "1", "exponent"),
        },
        uncertainties,
        steps=("rho = a V^b (Gardner, Gardner and Gregory 1974)",),
    )


def castagna(
    p_wave_velocity: Measurement | str,
    *,
    intercept: Scalar = _C["castagna_intercept"],
    slope: Scalar | float = _C["castagna_slope"],
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """S-wave velocity of a saturated mudrock from its P-wave velocity.

    Parameters
    ----------
    p_wave_velocity : Dataset, DataArray, Quantity or str
        P-wave velocity [m/s].
    intercept : Constant, Quantity or str
        P-wave velocity at which the S-wave velocity of the line is zero [m/s].
    slope : Constant or float
        Slope of the line [1].
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``p_wave_velocity`` [m/s], random; ``intercept`` [m/s] and
        ``slope`` [1], systematic.

    Returns
    -------
    Dataset
        ``s_wave_velocity`` [m/s] with uncertainty, without the scatter of rocks about the line.

    Notes
    -----
    V_s = (V_p - 1360) / 1.16: Castagna, Batzle and Eastwood (1985), Geophysics 50, 571. It holds
    for mudrock above about 1800 m/s. In soft mud it is several times too fast: 1500 m/s gives
    121 m/s and 1600 m/s gives 207 m/s.

    Examples
    --------
    >>> float(castagna("2600 m/s")["s_wave_velocity"].round(2))
    1068.97
    """

    def kernel(v: np.ndarray, intercept: np.ndarray, slope: np.ndarray) -> np.ndarray:
        speed = (v - intercept) / slope
        return np.where(speed > 0.0, speed, np.nan)

    return elastic_model(
        kernel,
        ("s_wave_velocity",),
        {
            "v": reading(p_wave_velocity, "p_wave_velocity"),
            "intercept": material_property(intercept, "m/s", "intercept"),
            "slope": material_property(slope, "1", "slope"),
        },
        uncertainties,
        steps=("mudrock line (Castagna, Batzle and Eastwood 1985)",),
    )


def han(
    porosity: Fraction | xr.Dataset,
    clay: Fraction | xr.Dataset,
    *,
    clean: Scalar = _C["han_velocity"],
    by_porosity: Scalar = _C["han_by_porosity"],
    by_clay: Scalar = _C["han_by_clay"],
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """P-wave velocity of a saturated shaly sandstone from porosity and clay.

    Parameters
    ----------
    porosity, clay : Dataset, DataArray, Quantity, str or float
        Fractions of the volume [1].
    clean, by_porosity, by_clay : Constant, Quantity or str
        Velocity of clean rock without pores, and its decrease by porosity and by clay [m/s].
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``porosity``, ``clay`` [1], random; ``clean``,
        ``by_porosity``, ``by_clay`` [m/s], systematic.

    Returns
    -------
    Dataset
        ``p_wave_velocity`` [m/s] with uncertainty.

    Notes
    -----
    V_p = 5590 - 6930 phi - 2180 C at 40 MPa: Han (1986), PhD thesis, Stanford University. The
    factors are from memory; 2810 and 2130 are also quoted for clay.

    Examples
    --------
    >>> float(han(0.25, 0.1)["p_wave_velocity"])
    3639.5
    """

    def kernel(
        porosity: np.ndarray,
        clay: np.ndarray,
        clean: np.ndarray,
        by_porosity: np.ndarray,
        by_clay: np.ndarray,
    ) -> np.ndarray:
        speed = clean - by_porosity * porosity - by_clay * clay
        return np.where(speed > 0.0, speed, np.nan)

    return elastic_model(
        kernel,
        _V,
        {
            "porosity": fraction(porosity, "porosity"),
            "clay": fraction(clay, "clay"),
            "clean": material_property(clean, "m/s", "clean"),
            "by_porosity": material_property(by_porosity, "m/s", "by_porosity"),
            "by_clay": material_property(by_clay, "m/s", "by_clay"),
        },
        uncertainties,
        steps=("V_p by porosity and clay at 40 MPa (Han 1986)",),
    )


# --------------------------------------------------------------------------------------------------
# S-wave velocity estimated from a P-wave, with an assumption about the frame.


def s_wave_from_frame(
    p_wave_velocity: Measurement | str,
    bulk_density: Measurement | str,
    porosity: Fraction | xr.Dataset,
    *,
    mineral: Mineral,
    fluid: Fluid,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """S-wave velocity of a saturated rock whose frame has the ratio of moduli of its mineral.

    Parameters
    ----------
    p_wave_velocity : Dataset, DataArray, Quantity or str
        P-wave velocity [m/s].
    bulk_density : Dataset, DataArray, Quantity or str
        Bulk density [g/cm^3].
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    mineral, fluid : Material or str
        Material or its name; a fluid may be the Dataset of :func:`brine`.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``p_wave_velocity`` [m/s], ``bulk_density`` [g/cm^3],
        ``porosity`` [1], random; ``mineral_bulk_modulus`` [GPa] and so on, systematic.

    Returns
    -------
    Dataset
        ``s_wave_velocity`` [m/s] and ``frame_bulk_modulus`` [GPa] with uncertainties; NaN where
        the P-wave is slower than the suspension or faster than the mineral. The error of the
        assumption is not part of the uncertainty.

    Notes
    -----
    G_d / K_d = G_m / K_m, as in the models of critical porosity and of Krief et al. (1990), and the
    equation of Gassmann (1951) give with x = K_d / K_m, r = 4/3 G_m / K_m, d = phi K_m / K_f + 1 -
    phi the quadratic r x^2 - (r d + d - 2 + M / K_m) x + d M / K_m - 1 = 0. In rock it is good to
    a few per cent. In mud the frame carries a small part of M, and the S-wave is meaningless.
    """
    return elastic_model(
        _s_wave_kernel,
        ("s_wave_velocity", "frame_bulk_modulus"),
        {
            "p": reading(p_wave_velocity, "p_wave_velocity"),
            "rho": reading(bulk_density, "bulk_density"),
            "porosity": fraction(porosity, "porosity"),
            **phase_arguments(mineral, fluid),
        },
        uncertainties,
        steps=("frame with the mineral's ratio of moduli", "Gassmann (1951)"),
    )


def _s_wave_kernel(
    p: np.ndarray,
    rho: np.ndarray,
    porosity: np.ndarray,
    k_m: np.ndarray,
    g_m: np.ndarray,
    k_f: np.ndarray,
) -> tuple[np.ndarray, ...]:
    """S-wave velocity [m/s] and bulk modulus of the frame [GPa] by the quadratic for K_d / K_m."""
    m, r = rho * (p / 1e3) ** 2 / k_m, 4.0 / 3.0 * g_m / k_m
    d = porosity * k_m / k_f + 1.0 - porosity
    half = 0.5 * (r * d + d - 2.0 + m)
    # The root between 0 and 1, in the form that loses no digits where it is small, as in mud.
    x = (d * m - 1.0) / (half + np.sqrt(half**2 - r * (d * m - 1.0)))
    x = np.where((x >= 0.0) & (x <= 1.0 + 1e-12), x, np.nan)
    return 1e3 * np.sqrt(x * g_m / rho), x * k_m
