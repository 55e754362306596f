"""Moduli of a frame of grains without fluid, loose or cemented, from porosity, pressure and
contacts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, units
from corephys.ground.cards import RESEARCH_ONLY
from corephys.products.elastic import propagation as carry
from corephys.products.elastic.averages import taken_phase
from corephys.uncertainty import bare

__all__ = [
    "contact_cement",
    "contact_cement_kernel",
    "contacts_of_porosity",
    "critical_porosity",
    "hertz_mindlin",
    "hertz_mindlin_kernel",
    "krief",
    "soft_sand",
    "soft_sand_kernel",
    "stiff_sand",
    "stiff_sand_kernel",
]

# --------------------------------------------------------------------------------------------------
# Moduli of a sand whose grains are cemented at their contacts.


_C = constants.CONSTANTS


def contact_cement_kernel(
    porosity: Any,
    k_m: Any,
    g_m: Any,
    k_c: Any,
    g_c: Any,
    critical: Any,
    contacts: Any,
    *,
    at_contacts: bool,
) -> tuple[Any, ...]:
    """Moduli of a cemented pack.

    Parameters
    ----------
    porosity, k_m, g_m, k_c, g_c, critical, contacts : float or ndarray
        Porosity [1], moduli of grains and cement [GPa], porosity of the pack and contacts [1].
    at_contacts : bool
        All cement sits at the contacts; else it coats the grains evenly.

    Returns
    -------
    tuple of ndarray
        Bulk and shear modulus of the frame [GPa]; NaN above the critical porosity.

    Notes
    -----
    Dvorkin and Nur (1996), Geophysics 61, 1363; their fits to the contact problem.
    """
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


@carry.names_checked
def contact_cement(
    porosity: Any,
    *,
    mineral: Any,
    cement: Any,
    where: str = "contacts",
    critical: Any = _C["critical_porosity"],
    contacts: Any = _C["contacts"],
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
    """Dry sand of which cement has filled the pores from the critical porosity down.

    Parameters
    ----------
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    mineral, cement : Material or str
        Grains, and what holds them together.
    where : {"contacts", "coats"}
        All cement at the contacts of the grains, or in an even coat around them.
    critical : Constant, Quantity or str
        Porosity before the cement [1].
    contacts : Constant, Quantity or str
        Contacts of a grain with others [1].
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
    UnitError, ValueError
        For a wrong unit or word, or a porosity outside 0 to 1.

    Notes
    -----
    K = C (1 - phi_c) M_c S_n / 6, G = 3/5 K + 3/20 C (1 - phi_c) G_c S_t with the stiffnesses of a
    cemented contact: Dvorkin and Nur (1996), Geophysics 61, 1363. For the first few per cent of
    cement; the pressure no longer matters once the contacts are held.
    """
    if where not in ("contacts", "coats"):
        raise ValueError(f"where is {where!r}; it is 'contacts' or 'coats'")
    solid, glue = taken_phase(mineral), taken_phase(cement)
    inputs = {"porosity": carry.fraction(porosity, "porosity", uncertainties)}
    for letter, kind, one in (("m", "mineral", solid), ("c", "cement", glue)):
        for mark, name in (("k", "bulk_modulus"), ("g", "shear_modulus")):
            inputs[f"{mark}_{letter}"] = carry.number(
                getattr(one, name), "GPa", f"{kind}_{name}", uncertainties
            )
    inputs["critical"] = carry.number(critical, "1", "critical", uncertainties)
    inputs["contacts"] = carry.number(contacts, "1", "contacts", uncertainties)

    def kernel(**parts: Any) -> tuple[Any, ...]:
        return contact_cement_kernel(**parts, at_contacts=where == "contacts")

    beyond = series.apply(
        _beyond, bare(inputs["porosity"].values), bare(inputs["critical"].values), dtypes=[np.int64]
    )
    found = carry.propagate(
        kernel, ("frame_bulk_modulus", "frame_shear_modulus"), inputs, reason=beyond
    )
    return series.build(found, steps=(f"cement at {where} (Dvorkin and Nur 1996)",))


def _beyond(porosity: Any, critical: Any) -> Any:
    return np.where(porosity > critical, flags.bit("beyond_method_range"), 0).astype(np.int64)


# --------------------------------------------------------------------------------------------------
# Moduli of a frame of grains without fluid, from porosity, pressure, contacts and cement.


_FRAME = ("frame_bulk_modulus", "frame_shear_modulus")


def _frame(
    kernel: Callable[..., tuple[Any, ...]],
    mineral: Any,
    others: Mapping[str, Any],
    uncertainties: Mapping[str, Any] | None,
    *,
    limit: str = "",
    steps: tuple[str, ...],
) -> xr.Dataset:
    """Lay a kernel over mineral and other inputs; beyond the critical porosity it says nothing."""
    grains = taken_phase(mineral)
    inputs = {
        "k_m": carry.number(grains.bulk_modulus, "GPa", "mineral_bulk_modulus", uncertainties),
        "g_m": carry.number(grains.shear_modulus, "GPa", "mineral_shear_modulus", uncertainties),
        **others,
    }
    beyond: Any = 0
    if limit:
        beyond = series.apply(
            lambda phi, most: np.where(phi > most, flags.bit("beyond_method_range"), 0).astype(
                np.int64
            ),
            bare(inputs["porosity"].values),
            bare(inputs[limit].values),
            dtypes=[np.int64],
        )
    found = carry.propagate(kernel, _FRAME, inputs, reason=beyond)
    extra: dict[str, Any] = {"safety": RESEARCH_ONLY} if "pressure" in inputs else {}
    return series.build(found, steps=steps, **extra)


def contacts_of_porosity(
    porosity: Any,
    *,
    c0: Any = _C["contacts_c0"],
    c1: Any = _C["contacts_c1"],
    c2: Any = _C["contacts_c2"],
) -> constants.Constant:
    """Contacts of a grain in a random pack that has a porosity, to pass on as ``contacts``.

    Parameters
    ----------
    porosity : float, Quantity, str or Constant
        Of the pack [1]: the critical porosity of the model.
    c0, c1, c2 : float, Quantity or Constant
        Coefficients of the powers of the porosity [1].

    Returns
    -------
    Constant
        Number of contacts [1]; its uncertainty is not known.

    Raises
    ------
    UnitError, ValueError
        For a wrong unit, or a porosity that is not between 0 and 1.

    Notes
    -----
    20 - 34 phi + 14 phi^2 (Murphy 1982, from memory): 8.6 at 0.40 and 3.8 at 0.65, where the
    constant 8.5 of the other functions makes mud 30 to 50 m/s faster under 0.2 MPa and 70 to 100
    m/s under 2 MPa, at porosities of 0.64 to 0.4. Opt-in:
    ``soft_sand(..., critical=0.65, contacts=contacts_of_porosity(0.65))``.

    Examples
    --------
    >>> round(contacts_of_porosity(0.65).value, 3)
    3.815
    """
    phi = float(units.as_floats(porosity, "1", "porosity"))
    if not 0.0 < phi < 1.0:
        raise ValueError(f"porosity is {phi:g}; a pack has a porosity between 0 and 1")
    a, b, c = (
        float(units.as_floats(value, "1", name))
        for name, value in (("c0", c0), ("c1", c1), ("c2", c2))
    )
    words = f"{a:g} + {b:g} phi + {c:g} phi^2 at a porosity of {phi:g} (Murphy 1982)"
    number = a + b * phi + c * phi**2
    return constants.Constant("contacts", number, "1", float("nan"), words, "memory", "calculated")


@carry.names_checked
def critical_porosity(
    porosity: Any,
    *,
    mineral: Any,
    critical: Any = _C["critical_porosity"],
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
    """Frame that goes straight from the mineral to nothing at the critical porosity.

    Parameters
    ----------
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    mineral : Material or str
        The grains.
    critical : Constant, Quantity or str
        Porosity at which the grains come apart [1]: 0.4 in sand, 0.6 to 0.7 in mud, 0.65 in chalk
        (from memory).
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``porosity`` [1], random; ``mineral_bulk_modulus``,
        ``mineral_shear_modulus`` [GPa], ``critical`` [1], systematic.

    Returns
    -------
    Dataset
        ``frame_bulk_modulus`` and ``frame_shear_modulus`` [GPa] with uncertainties; zero beyond
        the critical porosity, where grains float and it is flagged ``beyond_method_range``.

    Raises
    ------
    UnitError, ValueError
        For a wrong unit, or a porosity outside 0 to 1.

    Notes
    -----
    K_d = K_m (1 - phi / phi_c), G_d likewise: Nur et al. (1998), The Leading Edge 17, 357. A
    straight line is no model of contacts: filled with water it is up to 1.4 % faster than the
    upper bound where the critical porosity is 0.65, and within it below 0.5 (quartz).

    Examples
    --------
    >>> found = critical_porosity(0.2, mineral="quartz")
    >>> float(found["frame_bulk_modulus"])
    18.5
    """

    def kernel(k_m: Any, g_m: Any, porosity: Any, critical: Any) -> tuple[Any, ...]:
        left = np.maximum(1.0 - porosity / critical, 0.0)
        return k_m * left, g_m * left

    others = {
        "porosity": carry.fraction(porosity, "porosity", uncertainties),
        "critical": carry.number(critical, "1", "critical", uncertainties),
    }
    steps = ("M_d = M_m (1 - phi / phi_c) (Nur et al. 1998)",)
    return _frame(kernel, mineral, others, uncertainties, limit="critical", steps=steps)


@carry.names_checked
def krief(
    porosity: Any, *, mineral: Any, uncertainties: Mapping[str, Any] | None = None
) -> xr.Dataset:
    """Frame of a consolidated rock by a power of the solid share.

    Parameters
    ----------
    porosity, mineral
        As in :func:`critical_porosity` [1].
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``porosity`` [1], ``mineral_bulk_modulus``,
        ``mineral_shear_modulus`` [GPa].

    Returns
    -------
    Dataset
        ``frame_bulk_modulus`` and ``frame_shear_modulus`` [GPa] with uncertainties.

    Raises
    ------
    UnitError, ValueError
        For a wrong unit, or a porosity outside 0 to 1.

    Notes
    -----
    M_d = M_m (1 - phi)^(3 / (1 - phi)): Krief, Garat, Stellingwerff and Ventre (1990), The Log
    Analyst 31, 355.

    Examples
    --------
    >>> round(float(krief(0.3, mineral="quartz")["frame_bulk_modulus"]), 6)
    8.022989
    """

    def kernel(k_m: Any, g_m: Any, porosity: Any) -> tuple[Any, ...]:
        solid = 1.0 - porosity
        left = np.where(solid > 0.0, np.exp(3.0 * np.log(solid) / solid), 0.0)
        return k_m * left, g_m * left

    others = {"porosity": carry.fraction(porosity, "porosity", uncertainties)}
    steps = ("M_d = M_m (1 - phi)^(3 / (1 - phi)) (Krief et al. 1990)",)
    return _frame(kernel, mineral, others, uncertainties, steps=steps)


def hertz_mindlin_kernel(
    k_m: Any, g_m: Any, pressure: Any, critical: Any, contacts: Any, adhesion: Any
) -> tuple[Any, Any]:
    """Moduli of a dry pack of equal spheres.

    Parameters
    ----------
    k_m, g_m, pressure, critical, contacts, adhesion : float or ndarray
        Moduli of the grains [GPa], effective pressure [GPa], porosity of the pack [1], contacts
        of a grain [1], share of contacts that do not slip [1].

    Returns
    -------
    tuple of ndarray
        Bulk and shear modulus [GPa].

    Notes
    -----
    Mindlin (1949), Journal of Applied Mechanics 16, 259; the share that does not slip by Bachrach
    and Avseth (2008), Geophysics 73, E197.
    """
    nu = (3.0 * k_m - 2.0 * g_m) / (2.0 * (3.0 * k_m + g_m))
    base = (contacts * (1.0 - critical) * g_m / (np.pi * (1.0 - nu))) ** 2 * pressure
    k = np.cbrt(base / 18.0)
    g = (2.0 - nu + 3.0 * adhesion * (1.0 - nu)) / (5.0 * (2.0 - nu)) * np.cbrt(1.5 * base)
    return k, g


def _mixed(share: Any, ends: Any, about: tuple[Any, Any]) -> tuple[Any, ...]:
    """Hashin-Shtrikman form of two ends, ``share`` of the first, about the moduli given."""
    (k_1, g_1), (k_2, g_2) = ends
    k, g = about
    z = g / 6.0 * (9.0 * k + 8.0 * g) / (k + 2.0 * g)
    bulk = 1.0 / (share / (k_1 + 4 / 3 * g) + (1.0 - share) / (k_2 + 4 / 3 * g)) - 4 / 3 * g
    shear = 1.0 / (share / (g_1 + z) + (1.0 - share) / (g_2 + z)) - z
    return bulk, shear


def soft_sand_kernel(porosity: Any, k_m: Any, g_m: Any, **pack: Any) -> tuple[Any, ...]:
    """Moduli [GPa] of a sand or mud without cement; pack as hertz_mindlin_kernel.

    Parameters
    ----------
    porosity, k_m, g_m : float or ndarray
        Porosity [1], moduli of the grains [GPa].
    **pack : float or ndarray
        Pressure [GPa], critical porosity, contacts and adhesion [1].

    Returns
    -------
    tuple of ndarray
        [GPa].

    Notes
    -----
    Dvorkin and Nur (1996), Geophysics 61, 1363; above the critical porosity, where voids are added
    to the pack, Dvorkin, Prasad, Sakai and Lavoie (1999), Geophysical Research Letters 26, 1781.
    """
    packed, critical = hertz_mindlin_kernel(k_m, g_m, **pack), pack["critical"]
    filled = _mixed(porosity / critical, (packed, (k_m, g_m)), packed)
    loose = _mixed((1.0 - porosity) / (1.0 - critical), (packed, (0.0, 0.0)), packed)
    below = porosity <= critical
    return np.where(below, filled[0], loose[0]), np.where(below, filled[1], loose[1])


def stiff_sand_kernel(porosity: Any, k_m: Any, g_m: Any, **pack: Any) -> tuple[Any, ...]:
    """Moduli [GPa] between pack and mineral along the upper bound; pack as hertz_mindlin_kernel.

    Parameters
    ----------
    porosity, k_m, g_m : float or ndarray
        Porosity [1], moduli of the grains [GPa].
    **pack : float or ndarray
        Pressure [GPa], critical porosity, contacts and adhesion [1].

    Returns
    -------
    tuple of ndarray
        [GPa]; NaN above the critical porosity.

    Notes
    -----
    Mavko, Mukerji and Dvorkin, The Rock Physics Handbook (2009), section 5.5.
    """
    packed, critical = hertz_mindlin_kernel(k_m, g_m, **pack), pack["critical"]
    found = _mixed(porosity / critical, (packed, (k_m, g_m)), (k_m, g_m))
    inside = porosity <= critical
    return np.where(inside, found[0], np.nan), np.where(inside, found[1], np.nan)


def _pack(
    effective_pressure: Any,
    critical: Any,
    contacts: Any,
    adhesion: Any,
    uncertainties: Mapping[str, Any] | None,
) -> dict[str, Any]:
    given = (uncertainties or {}).get("adhesion")
    return {
        "pressure": carry.number(
            effective_pressure,
            "GPa",
            "effective_pressure",
            uncertainties,
            held="vertical_effective_stress",
        ),
        "critical": carry.number(critical, "1", "critical", uncertainties),
        "contacts": carry.number(contacts, "1", "contacts", uncertainties),
        "adhesion": carry.fraction(adhesion, "adhesion", {"adhesion": given or 0.0}),
    }


@carry.names_checked
def hertz_mindlin(
    effective_pressure: Any,
    *,
    mineral: Any,
    critical: Any = _C["critical_porosity"],
    contacts: Any = _C["contacts"],
    adhesion: Any = 1.0,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
    """Dry pack of equal spheres under pressure.

    Parameters
    ----------
    effective_pressure : Quantity, DataArray or str
        Pressure on the grains [GPa].
    mineral : Material or str
        The grains.
    critical : Constant, Quantity or str
        Porosity of the pack [1].
    contacts : Constant, Quantity or str
        Contacts of a grain with others [1].
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

    Raises
    ------
    UnitError, ValueError
        For a bare number, a wrong unit, or a pressure that is not above zero.

    Notes
    -----
    K = (C^2 (1 - phi_c)^2 G^2 P / (18 pi^2 (1 - nu)^2))^(1/3), Mindlin (1949); the shear modulus
    with slipping contacts by Bachrach and Avseth (2008). Equal spheres without clay: sands, and
    too stiff in shear near the sea floor.
    """
    others = _pack(effective_pressure, critical, contacts, adhesion, uncertainties)
    steps = ("dry pack of spheres (Mindlin 1949)",)

    def kernel(**parts: Any) -> tuple[Any, ...]:
        return hertz_mindlin_kernel(**parts)

    return _frame(kernel, mineral, others, uncertainties, steps=steps)


@carry.names_checked
def soft_sand(
    porosity: Any,
    effective_pressure: Any,
    *,
    mineral: Any,
    critical: Any = _C["critical_porosity"],
    contacts: Any = _C["contacts"],
    adhesion: Any = 1.0,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
    """Sand or mud without cement and without fluid, from rock to the porosity of the sea floor.

    Parameters
    ----------
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    effective_pressure, mineral, critical, contacts, adhesion, uncertainties
        As in :func:`hertz_mindlin` [GPa], [1].

    Returns
    -------
    Dataset
        ``frame_bulk_modulus`` and ``frame_shear_modulus`` [GPa] with uncertainties; attribute
        ``safety``.

    Raises
    ------
    UnitError, ValueError
        As in :func:`hertz_mindlin`.

    Notes
    -----
    Below the critical porosity small grains fill the pores of the pack of Mindlin (1949): lower
    Hashin-Shtrikman form between pack and mineral, Dvorkin and Nur (1996), Geophysics 61, 1363.
    Above it voids open in the pack: the upper form between pack and nothing, Dvorkin, Prasad, Sakai
    and Lavoie (1999), Geophysical Research Letters 26, 1781 (from memory).
    """
    carry.same_positions(porosity=porosity, effective_pressure=effective_pressure)
    others = {
        "porosity": carry.fraction(porosity, "porosity", uncertainties),
        **_pack(effective_pressure, critical, contacts, adhesion, uncertainties),
    }
    steps = ("pack, filled (Dvorkin and Nur 1996) or loosened (Dvorkin et al. 1999)",)
    return _frame(soft_sand_kernel, mineral, others, uncertainties, steps=steps)


@carry.names_checked
def stiff_sand(
    porosity: Any,
    effective_pressure: Any,
    *,
    mineral: Any,
    critical: Any = _C["critical_porosity"],
    contacts: Any = _C["contacts"],
    adhesion: Any = 1.0,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
    """Dry sand whose contacts are the first to be cemented.

    Parameters
    ----------
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    effective_pressure, mineral, critical, contacts, adhesion, uncertainties
        As in :func:`hertz_mindlin` [GPa], [1].

    Returns
    -------
    Dataset
        As :func:`soft_sand` [GPa].

    Raises
    ------
    UnitError, ValueError
        As in :func:`hertz_mindlin`.

    Notes
    -----
    Upper Hashin-Shtrikman form between the pack of Mindlin (1949) and the mineral: Mavko, Mukerji
    and Dvorkin, The Rock Physics Handbook (2009), section 5.5.
    """
    carry.same_positions(porosity=porosity, effective_pressure=effective_pressure)
    others = {
        "porosity": carry.fraction(porosity, "porosity", uncertainties),
        **_pack(effective_pressure, critical, contacts, adhesion, uncertainties),
    }
    steps = ("upper form between pack and mineral (Mavko, Mukerji and Dvorkin 2009)",)
    return _frame(stiff_sand_kernel, mineral, others, uncertainties, limit="critical", steps=steps)
