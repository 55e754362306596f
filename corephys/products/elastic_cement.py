"""Moduli of a sand whose grains are cemented at their contacts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series
from corephys.products import elastic_carry as carry
from corephys.products.elastic_averages import taken_phase
from corephys.uncertainty import bare

__all__ = ["contact_cement", "contact_cement_kernel"]

_C = constants.CONSTANTS


def contact_cement_kernel(
    porosity: Any, k_m: Any, g_m: Any, k_c: Any, g_c: Any, critical: Any, contacts: Any, *,
    at_contacts: bool,
) -> tuple[Any, ...]:  # fmt: skip
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
    porosity: Any, *, mineral: Any, cement: Any, where: str = "contacts",
    critical: Any = _C["critical_porosity"], contacts: Any = _C["contacts"],
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:  # fmt: skip
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

    beyond = series.apply(_beyond, bare(inputs["porosity"].values),
                          bare(inputs["critical"].values), dtypes=[np.int64])  # fmt: skip
    found = carry.propagate(kernel, ("frame_bulk_modulus", "frame_shear_modulus"), inputs,
                            reason=beyond)  # fmt: skip
    return series.build(found, steps=(f"cement at {where} (Dvorkin and Nur 1996)",))


def _beyond(porosity: Any, critical: Any) -> Any:
    return np.where(porosity > critical, flags.bit("beyond_method_range"), 0).astype(np.int64)
