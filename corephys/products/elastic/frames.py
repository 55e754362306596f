"""Moduli of a dry frame of grains, loose or cemented, from porosity, pressure and contacts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import constants, units
from corephys.ground.cards import RESEARCH_ONLY
from corephys.ground.choices import choice
from corephys.products.elastic.minerals import Mineral, grain_arguments
from corephys.products.elastic.propagation import (
    Argument,
    elastic_model,
    fraction,
    material_property,
)

if TYPE_CHECKING:
    from corephys.ground.types import Fraction, Measurement, Scalar
    from corephys.products.elastic.propagation import Uncertainties

__all__ = [
    "contact_cement",
    "contacts_of_porosity",
    "critical_porosity",
    "hertz_mindlin",
    "krief",
    "soft_sand",
    "stiff_sand",
]

Moduli = tuple[np.ndarray, np.ndarray]

_C = constants.CONSTANTS
_FRAME = ("frame_bulk_modulus", "frame_shear_modulus")


def _above_critical(porosity: np.ndarray, critical: np.ndarray) -> np.ndarray:
    """Where grains no longer touch, so that there is no frame."""
    return porosity > critical


# --------------------------------------------------------------------------------------------------
# Moduli of a sand whose grains are cemented at their contacts.


def _contact_cement_kernel(
    porosity: np.ndarray,
    k_m: np.ndarray,
    g_m: np.ndarray,
    k_c: np.ndarray,
    g_c: np.ndarray,
    critical: np.ndarray,
    contacts: np.ndarray,
    *,
    at_contacts: bool,
) -> Moduli:
    """Bulk and shear modulus [GPa] of a cemented pack; NaN above the critical porosity.

    Dvorkin and Nur (1996), Geophysics 61, 1363: their polynomials fitted to the contact problem.
    Without ``at_contacts`` the cement coats the grains evenly.
    """
    # Poisson's ratios of grains and cement.
    nu = (3.0 * k_m - 2.0 * g_m) / (2.0 * (3.0 * k_m + g_m))
    nu_c = (3.0 * k_c - 2.0 * g_c) / (2.0 * (3.0 * k_c + g_c))
    filled = np.where(porosity <= critical, critical - porosity, np.nan) / (1.0 - critical)
    # Radius of the cemented contact over that of a grain.
    a = 2.0 * (filled / (3.0 * contacts)) ** 0.25 if at_contacts else np.sqrt(2.0 * filled / 3.0)
    n = 2.0 * g_c / (np.pi * g_m) * (1.0 - nu) * (1.0 - nu_c) / (1.0 - 2.0 * nu_c)
    normal = -0.024153 * n**-1.3646 * a**2 + 0.20405 * n**-0.89008 * a + 0.00024649 * n**-1.9864
    t = g_c / (np.pi * g_m)
    tangent = (
        -1e-2 * (2.26 * nu**2 + 2.07 * nu + 2.3) * t ** (0.079 * nu**2 + 0.1754 * nu - 1.342) * a**2
        + (0.0573 * nu**2 + 0.0937 * nu + 0.202) * t ** (0.0274 * nu**2 + 0.0529 * nu - 0.8765) * a
        + 1e-4 * (9.654 * nu**2 + 4.945 * nu + 3.1) * t ** (0.01867 * nu**2 + 0.4011 * nu - 1.8186)
    )
    k = contacts * (1.0 - critical) / 6.0 * (k_c + 4.0 / 3.0 * g_c) * normal
    return k, 0.6 * k + 0.15 * contacts * (1.0 - critical) * g_c * tangent


def contact_cement(
    porosity: Fraction | xr.Dataset,
    *,
    mineral: Mineral,
    cement: Mineral,
    where: str = "contacts",
    critical: Scalar | float = _C["critical_porosity"],
    contacts: Scalar | float = _C["contacts"],
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Dry sand whose porosity was reduced from the critical porosity by cement.

    Parameters
    ----------
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    mineral, cement : Material or str
        Materials of the grains and of the cement.
    where : {"contacts", "coats"}
        All cement at the contacts of the grains, or in an even coat around them.
    critical : Constant, Quantity or str
        Porosity before cementation [1].
    contacts : Constant, Quantity or str
        Number of contacts of a grain [1].
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``porosity``, ``critical``, ``contacts`` [1],
        ``mineral_bulk_modulus``, ``cement_bulk_modulus`` [GPa] and the shear moduli.

    Returns
    -------
    Dataset
        ``frame_bulk_modulus`` and ``frame_shear_modulus`` [GPa] with uncertainties; NaN above the
        critical porosity, flagged ``beyond_method_range``.

    Raises
    ------
    ValueError
        For another ``where``, or a porosity outside 0 to 1.

    Notes
    -----
    K = C (1 - phi_c) M_c S_n / 6, G = 3/5 K + 3/20 C (1 - phi_c) G_c S_t with the stiffnesses of a
    cemented contact: Dvorkin and Nur (1996), Geophysics 61, 1363. It holds for the first few per
    cent of cement. Cemented contacts do not depend on pressure.
    """
    where = choice(where, ("contacts", "coats"), "where")

    def kernel(
        porosity: np.ndarray,
        k_m: np.ndarray,
        g_m: np.ndarray,
        k_c: np.ndarray,
        g_c: np.ndarray,
        critical: np.ndarray,
        contacts: np.ndarray,
    ) -> Moduli:
        parts = (porosity, k_m, g_m, k_c, g_c, critical, contacts)
        return _contact_cement_kernel(*parts, at_contacts=where == "contacts")

    return elastic_model(
        kernel,
        _FRAME,
        {
            "porosity": fraction(porosity, "porosity"),
            **grain_arguments(mineral),
            **grain_arguments(cement, "cement", "c"),
            "critical": material_property(critical, "1", "critical"),
            "contacts": material_property(contacts, "1", "contacts"),
        },
        uncertainties,
        beyond=_above_critical,
        steps=(f"cement at {where} (Dvorkin and Nur 1996)",),
    )


# --------------------------------------------------------------------------------------------------
# Moduli of a dry frame of grains from porosity, pressure and contacts.


def contacts_of_porosity(
    porosity: Scalar | float,
    *,
    c0: Scalar | float = _C["contacts_c0"],
    c1: Scalar | float = _C["contacts_c1"],
    c2: Scalar | float = _C["contacts_c2"],
) -> constants.Constant:
    """Number of contacts of a grain in a random pack, for the argument ``contacts``.

    Parameters
    ----------
    porosity : float, Quantity, str or Constant
        Porosity of the pack [1], which is the critical porosity of the model.
    c0, c1, c2 : float, Quantity or Constant
        Coefficients of the powers of the porosity [1].

    Returns
    -------
    Constant
        Number of contacts [1]; its uncertainty is not known.

    Raises
    ------
    ValueError
        For a porosity that is not between 0 and 1.

    Notes
    -----
    20 - 34 phi + 14 phi^2 (Murphy 1982, from memory): 8.6 at 0.40 and 3.8 at 0.65. The constant
    8.5 of the other functions makes mud 30 to 50 m/s faster under 0.2 MPa and 70 to 100 m/s under
    2 MPa, at porosities of 0.64 to 0.4. To use it, write
    ``soft_sand(..., critical=0.65, contacts=contacts_of_porosity(0.65))``.

    Examples
    --------
    >>> round(contacts_of_porosity(0.65).value, 3)
    3.815
    """
    phi = float(units.as_floats(porosity, "1", "porosity"))
    if not 0.0 < phi < 1.0:
        raise ValueError(f"porosity is {phi:g}; the porosity of a pack must be between 0 and 1")
    a, b, c = (
        float(units.as_floats(value, "1", name))
        for name, value in (("c0", c0), ("c1", c1), ("c2", c2))
    )
    words = f"{a:g} + {b:g} phi + {c:g} phi^2 at a porosity of {phi:g} (Murphy 1982)"
    number = a + b * phi + c * phi**2
    return constants.Constant("contacts", number, "1", float("nan"), words, "memory", "calculated")


def critical_porosity(
    porosity: Fraction | xr.Dataset,
    *,
    mineral: Mineral,
    critical: Scalar | float = _C["critical_porosity"],
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Frame whose moduli fall linearly from the mineral to zero at the critical porosity.

    Parameters
    ----------
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    mineral : Material or str
        Material of the grains.
    critical : Constant, Quantity or str
        Porosity at which the grains lose contact [1]: 0.4 in sand, 0.6 to 0.7 in mud, 0.65 in
        chalk (from memory).
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``porosity`` [1], random; ``mineral_bulk_modulus``,
        ``mineral_shear_modulus`` [GPa], ``critical`` [1], systematic.

    Returns
    -------
    Dataset
        ``frame_bulk_modulus`` and ``frame_shear_modulus`` [GPa] with uncertainties. Beyond the
        critical porosity they are zero and flagged ``beyond_method_range``: grains are suspended.

    Notes
    -----
    K_d = K_m (1 - phi / phi_c), G_d likewise: Nur et al. (1998), The Leading Edge 17, 357. The
    straight line does not model contacts. Saturated with water, the rock is up to 1.4 % faster
    than the upper bound where the critical porosity is 0.65, and within it below 0.5 (quartz).

    Examples
    --------
    >>> found = critical_porosity(0.2, mineral="quartz")
    >>> float(found["frame_bulk_modulus"])
    18.5
    """

    def kernel(
        k_m: np.ndarray, g_m: np.ndarray, porosity: np.ndarray, critical: np.ndarray
    ) -> Moduli:
        left = np.maximum(1.0 - porosity / critical, 0.0)
        return k_m * left, g_m * left

    return elastic_model(
        kernel,
        _FRAME,
        {
            **grain_arguments(mineral),
            "porosity": fraction(porosity, "porosity"),
            "critical": material_property(critical, "1", "critical"),
        },
        uncertainties,
        beyond=_above_critical,
        steps=("M_d = M_m (1 - phi / phi_c) (Nur et al. 1998)",),
    )


def krief(
    porosity: Fraction | xr.Dataset, *, mineral: Mineral, uncertainties: Uncertainties = None
) -> xr.Dataset:
    """Frame of a consolidated rock by a power of the solid fraction.

    Parameters
    ----------
    porosity, mineral
        Same as in :func:`critical_porosity` [1].
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``porosity`` [1], ``mineral_bulk_modulus``,
        ``mineral_shear_modulus`` [GPa].

    Returns
    -------
    Dataset
        ``frame_bulk_modulus`` and ``frame_shear_modulus`` [GPa] with uncertainties.

    Notes
    -----
    M_d = M_m (1 - phi)^(3 / (1 - phi)): Krief, Garat, Stellingwerff and Ventre (1990), The Log
    Analyst 31, 355.

    Examples
    --------
    >>> round(float(krief(0.3, mineral="quartz")["frame_bulk_modulus"]), 6)
    8.022989
    """

    def kernel(k_m: np.ndarray, g_m: np.ndarray, porosity: np.ndarray) -> Moduli:
        solid = 1.0 - porosity
        # Without grains the exponent is infinite; the frame is then zero.
        left = np.where(solid > 0.0, np.exp(3.0 * np.log(solid) / solid), 0.0)
        return k_m * left, g_m * left

    return elastic_model(
        kernel,
        _FRAME,
        {**grain_arguments(mineral), "porosity": fraction(porosity, "porosity")},
        uncertainties,
        steps=("M_d = M_m (1 - phi)^(3 / (1 - phi)) (Krief et al. 1990)",),
    )


def _hertz_mindlin_kernel(
    k_m: np.ndarray,
    g_m: np.ndarray,
    pressure: np.ndarray,
    critical: np.ndarray,
    contacts: np.ndarray,
    adhesion: np.ndarray | float,
) -> Moduli:
    """Bulk and shear modulus [GPa] of a dry pack of equal spheres.

    Mindlin (1949), Journal of Applied Mechanics 16, 259; the share of contacts that do not slip,
    ``adhesion``, by Bachrach and Avseth (2008), Geophysics 73, E197.
    """
    nu = (3.0 * k_m - 2.0 * g_m) / (2.0 * (3.0 * k_m + g_m))
    base = (contacts * (1.0 - critical) * g_m / (np.pi * (1.0 - nu))) ** 2 * pressure
    k = np.cbrt(base / 18.0)
    g = (2.0 - nu + 3.0 * adhesion * (1.0 - nu)) / (5.0 * (2.0 - nu)) * np.cbrt(1.5 * base)
    return k, g


def _mixed(
    share: np.ndarray,
    ends: tuple[Moduli, tuple[np.ndarray | float, np.ndarray | float]],
    about: Moduli,
) -> Moduli:
    """Hashin-Shtrikman form of two end members with reference moduli ``about`` [GPa].

    ``share`` is that of the first end member.
    """
    (k_1, g_1), (k_2, g_2) = ends
    k, g = about
    z = g / 6.0 * (9.0 * k + 8.0 * g) / (k + 2.0 * g)
    bulk = 1.0 / (share / (k_1 + 4 / 3 * g) + (1.0 - share) / (k_2 + 4 / 3 * g)) - 4 / 3 * g
    shear = 1.0 / (share / (g_1 + z) + (1.0 - share) / (g_2 + z)) - z
    return bulk, shear


def soft_sand_kernel(
    porosity: np.ndarray,
    k_m: np.ndarray,
    g_m: np.ndarray,
    pressure: np.ndarray,
    critical: np.ndarray,
    contacts: np.ndarray,
    adhesion: np.ndarray | float,
) -> Moduli:
    """Bulk and shear modulus [GPa] of a sand or mud without cement, pressure in GPa.

    Dvorkin and Nur (1996), Geophysics 61, 1363; above the critical porosity, where voids are added
    to the pack, Dvorkin, Prasad, Sakai and Lavoie (1999), Geophysical Research Letters 26, 1781.
    """
    packed = _hertz_mindlin_kernel(k_m, g_m, pressure, critical, contacts, adhesion)
    filled = _mixed(porosity / critical, (packed, (k_m, g_m)), packed)
    loose = _mixed((1.0 - porosity) / (1.0 - critical), (packed, (0.0, 0.0)), packed)
    below = porosity <= critical
    return np.where(below, filled[0], loose[0]), np.where(below, filled[1], loose[1])


def stiff_sand_kernel(
    porosity: np.ndarray,
    k_m: np.ndarray,
    g_m: np.ndarray,
    pressure: np.ndarray,
    critical: np.ndarray,
    contacts: np.ndarray,
    adhesion: np.ndarray | float,
) -> Moduli:
    """Bulk and shear modulus [GPa] between pack and mineral along the upper bound.

    NaN above the critical porosity. Mavko, Mukerji and Dvorkin, The Rock Physics Handbook (2009),
    section 5.5.
    """
    packed = _hertz_mindlin_kernel(k_m, g_m, pressure, critical, contacts, adhesion)
    found = _mixed(porosity / critical, (packed, (k_m, g_m)), (k_m, g_m))
    inside = porosity <= critical
    return np.where(inside, found[0], np.nan), np.where(inside, found[1], np.nan)


def _pack(
    effective_pressure: Measurement | str,
    critical: Scalar | float,
    contacts: Scalar | float,
    adhesion: Scalar | float,
) -> dict[str, Argument]:
    """Arguments of a pack of grains, by the names of its kernel."""
    return {
        "pressure": material_property(
            effective_pressure, "GPa", "effective_pressure", held="vertical_effective_stress"
        ),
        "critical": material_property(critical, "1", "critical"),
        "contacts": material_property(contacts, "1", "contacts"),
        # Adhesion is a choice between rough and smooth, exact unless an uncertainty is given.
        "adhesion": fraction(adhesion, "adhesion", certain=True),
    }


def hertz_mindlin(
    effective_pressure: Measurement | str,
    *,
    mineral: Mineral,
    critical: Scalar | float = _C["critical_porosity"],
    contacts: Scalar | float = _C["contacts"],
    adhesion: Scalar | float = 1.0,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Dry pack of equal spheres under pressure.

    Parameters
    ----------
    effective_pressure : Quantity, DataArray or str
        Effective pressure on the grains [GPa].
    mineral : Material or str
        Material of the grains.
    critical : Constant, Quantity or str
        Porosity of the pack [1].
    contacts : Constant, Quantity or str
        Number of contacts of a grain [1].
    adhesion : float
        Share of the contacts that do not slip [1]: 1 rough, 0 smooth.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``effective_pressure``, ``mineral_bulk_modulus``,
        ``mineral_shear_modulus`` [GPa], ``critical``, ``contacts``, ``adhesion`` [1].

    Returns
    -------
    Dataset
        ``frame_bulk_modulus`` and ``frame_shear_modulus`` [GPa] with uncertainties; attribute
        ``safety``.

    Notes
    -----
    K = (C^2 (1 - phi_c)^2 G^2 P / (18 pi^2 (1 - nu)^2))^(1/3), Mindlin (1949); the shear modulus
    with slipping contacts by Bachrach and Avseth (2008). It assumes equal spheres without clay: it
    holds for sands, and is too stiff in shear near the sea floor.
    """
    return elastic_model(
        _hertz_mindlin_kernel,
        _FRAME,
        {**grain_arguments(mineral), **_pack(effective_pressure, critical, contacts, adhesion)},
        uncertainties,
        steps=("dry pack of spheres (Mindlin 1949)",),
        attributes={"safety": RESEARCH_ONLY},
    )


def soft_sand(
    porosity: Fraction | xr.Dataset,
    effective_pressure: Measurement | str,
    *,
    mineral: Mineral,
    critical: Scalar | float = _C["critical_porosity"],
    contacts: Scalar | float = _C["contacts"],
    adhesion: Scalar | float = 1.0,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Frame of a dry sand or mud without cement, up to the porosities of the sea floor.

    Parameters
    ----------
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    effective_pressure, mineral, critical, contacts, adhesion, uncertainties
        Same as in :func:`hertz_mindlin` [GPa], [1].

    Returns
    -------
    Dataset
        ``frame_bulk_modulus`` and ``frame_shear_modulus`` [GPa] with uncertainties; attribute
        ``safety``.

    Notes
    -----
    Below the critical porosity small grains fill the pores of the pack of Mindlin (1949): lower
    Hashin-Shtrikman form between pack and mineral, Dvorkin and Nur (1996), Geophysics 61, 1363.
    Above it voids open in the pack: upper form between pack and empty space, Dvorkin, Prasad, Sakai
    and Lavoie (1999), Geophysical Research Letters 26, 1781 (from memory).
    """
    return elastic_model(
        soft_sand_kernel,
        _FRAME,
        {
            **grain_arguments(mineral),
            "porosity": fraction(porosity, "porosity"),
            **_pack(effective_pressure, critical, contacts, adhesion),
        },
        uncertainties,
        steps=("pack, filled (Dvorkin and Nur 1996) or loosened (Dvorkin et al. 1999)",),
        attributes={"safety": RESEARCH_ONLY},
    )


def stiff_sand(
    porosity: Fraction | xr.Dataset,
    effective_pressure: Measurement | str,
    *,
    mineral: Mineral,
    critical: Scalar | float = _C["critical_porosity"],
    contacts: Scalar | float = _C["contacts"],
    adhesion: Scalar | float = 1.0,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Frame of a dry sand whose first cement is at the contacts of the grains.

    Parameters
    ----------
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    effective_pressure, mineral, critical, contacts, adhesion, uncertainties
        Same as in :func:`hertz_mindlin` [GPa], [1].

    Returns
    -------
    Dataset
        ``frame_bulk_modulus`` and ``frame_shear_modulus`` [GPa] with uncertainties; NaN above the
        critical porosity, flagged ``beyond_method_range``; attribute ``safety``.

    Notes
    -----
    Upper Hashin-Shtrikman form between the pack of Mindlin (1949) and the mineral: Mavko, Mukerji
    and Dvorkin, The Rock Physics Handbook (2009), section 5.5.
    """
    return elastic_model(
        stiff_sand_kernel,
        _FRAME,
        {
            **grain_arguments(mineral),
            "porosity": fraction(porosity, "porosity"),
            **_pack(effective_pressure, critical, contacts, adhesion),
        },
        uncertainties,
        beyond=_above_critical,
        steps=("upper form between pack and mineral (Mavko, Mukerji and Dvorkin 2009)",),
        attributes={"safety": RESEARCH_ONLY},
    )
