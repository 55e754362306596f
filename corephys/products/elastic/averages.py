"""Averages and bounds of the moduli of a mixture, from the moduli of its phases."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground.choices import choice
from corephys.products.elastic.minerals import Mineral, as_material
from corephys.products.elastic.propagation import (
    Argument,
    elastic_model,
    fraction,
    material_property,
)

if TYPE_CHECKING:
    from corephys.ground.types import Fraction
    from corephys.products.elastic.propagation import Uncertainties

__all__ = ["hashin_shtrikman", "hill", "reuss", "voigt"]

Moduli = tuple[np.ndarray, np.ndarray]


def _harmonic(shares: np.ndarray, values: np.ndarray) -> np.ndarray:
    """1 / sum (f / m) along the first axis; an absent phase does not count."""
    # 0 / 0 of an absent fluid is not a number, and would make the complete sum not a number.
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = np.where(shares == 0.0, 0.0, shares / values)
        return 1.0 / np.sum(parts, axis=0)


def _voigt_kernel(shares: np.ndarray, bulk: np.ndarray, shear: np.ndarray) -> Moduli:
    """Bulk and shear modulus [GPa] under equal strain (Voigt 1889)."""
    return np.sum(shares * bulk, axis=0), np.sum(shares * shear, axis=0)


def reuss_kernel(shares: np.ndarray, bulk: np.ndarray, shear: np.ndarray) -> Moduli:
    """Bulk and shear modulus [GPa] under equal stress, along the first axis (Reuss 1929).

    A fluid among the phases makes the shear modulus zero.
    """
    return _harmonic(shares, bulk), _harmonic(shares, shear)


def _hill_kernel(shares: np.ndarray, bulk: np.ndarray, shear: np.ndarray) -> Moduli:
    """Means of the moduli [GPa] of Voigt and Reuss (Hill 1952)."""
    stiff, soft = _voigt_kernel(shares, bulk, shear), reuss_kernel(shares, bulk, shear)
    return 0.5 * (stiff[0] + soft[0]), 0.5 * (stiff[1] + soft[1])


def walpole_kernel(
    shares: np.ndarray, bulk: np.ndarray, shear: np.ndarray, *, upper: bool
) -> Moduli:
    """Hashin-Shtrikman bounds of bulk and shear modulus [GPa], along the first axis.

    K = [sum f / (K_i + 4/3 G*)]^-1 - 4/3 G*, G = [sum f / (G_i + z)]^-1 - z with
    z = G* (9 K* + 8 G*) / (6 (K* + 2 G*)), K* and G* the greatest moduli for the upper bound and
    the least for the lower, each chosen separately: Walpole (1966), Journal of the Mechanics and
    Physics of Solids 14, 151.
    """
    # A phase of share zero must not set the greatest or least modulus.
    there = shares > 0.0
    pick, empty = (np.max, -np.inf) if upper else (np.min, np.inf)
    k = pick(np.where(there, bulk, empty), axis=0)
    g = pick(np.where(there, shear, empty), axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(g == 0.0, 0.0, g * (9.0 * k + 8.0 * g) / (6.0 * (k + 2.0 * g)))
    about = 4.0 / 3.0 * g
    return _harmonic(shares, bulk + about) - about, _harmonic(shares, shear + z) - z


def _average(
    kernel: Callable[..., Moduli],
    fractions: Sequence[Fraction | xr.Dataset],
    phases: Sequence[Mineral],
    uncertainties: Uncertainties,
    step: str,
    attributes: Mapping[str, str] | None = None,
) -> xr.Dataset:
    """Moduli of a mixture by a kernel of stacked phases."""
    if len(fractions) != len(phases) or len(phases) < 2:
        raise ValueError(
            f"got {len(fractions)} fractions and {len(phases)} phases; give two phases or more, "
            "and one fraction for each"
        )
    arguments: dict[str, Argument] = {}
    for place, (share, phase) in enumerate(zip(fractions, phases, strict=True)):
        one, end = as_material(phase), place + 1
        arguments |= {
            f"f{place}": fraction(share, f"fraction_{end}", part=True),
            f"k{place}": material_property(one.bulk_modulus, "GPa", f"bulk_modulus_{end}"),
            f"g{place}": material_property(
                one.shear_modulus, "GPa", f"shear_modulus_{end}", zero=True
            ),
        }

    def stacked(**parts: np.ndarray) -> Moduli:
        shares, bulk, shear = (
            np.stack([parts[f"{letter}{n}"] for n in range(len(phases))]) for letter in "fkg"
        )
        return kernel(shares, bulk, shear)

    return elastic_model(
        stacked,
        ("bulk_modulus", "shear_modulus"),
        arguments,
        uncertainties,
        steps=(step,),
        attributes=attributes,
    )


def voigt(
    fractions: Sequence[Fraction | xr.Dataset],
    phases: Sequence[Mineral],
    *,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Moduli of a mixture under equal strain in all phases: the upper bound.

    Parameters
    ----------
    fractions : sequence of float, Quantity, DataArray or Dataset
        Volume fractions of the phases [1], which add to one.
    phases : sequence of Material or str
        One phase for each fraction; a name is looked up with :func:`material`.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties: ``fraction_1`` [1], ``bulk_modulus_1``, ``shear_modulus_1`` [GPa]
        and so on, in place of those of the materials.

    Returns
    -------
    Dataset
        ``bulk_modulus`` and ``shear_modulus`` [GPa] with uncertainties.

    Raises
    ------
    KeyError, ValueError
        For an unknown phase, or fractions that do not add to one.

    Notes
    -----
    sum f m: Voigt (1889), Annalen der Physik 274, 573.

    Examples
    --------
    >>> found = voigt([0.6, 0.4], ["quartz", "calcite"])
    >>> round(float(found["bulk_modulus"]), 2)
    52.92
    """
    step = "sum f m (Voigt 1889)"
    return _average(_voigt_kernel, fractions, phases, uncertainties, step, {"bound": "upper"})


def reuss(
    fractions: Sequence[Fraction | xr.Dataset],
    phases: Sequence[Mineral],
    *,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Moduli of a mixture under equal stress in all phases: the lower bound.

    Parameters
    ----------
    fractions, phases, uncertainties
        Same as in :func:`voigt` [1], [GPa].

    Returns
    -------
    Dataset
        ``bulk_modulus`` and ``shear_modulus`` [GPa] with uncertainties; the shear modulus is zero
        where one phase is a fluid.

    Raises
    ------
    KeyError, ValueError
        Same as in :func:`voigt`.

    Notes
    -----
    1 / sum (f / m): Reuss (1929), ZAMM 9, 49. For a suspension it is exact (Wood 1941).

    Examples
    --------
    >>> found = reuss([0.6, 0.4], ["quartz", "calcite"])
    >>> round(float(found["bulk_modulus"]), 4)
    46.6754
    """
    step = "1 / sum (f / m) (Reuss 1929)"
    return _average(reuss_kernel, fractions, phases, uncertainties, step, {"bound": "lower"})


def hill(
    fractions: Sequence[Fraction | xr.Dataset],
    phases: Sequence[Mineral],
    *,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Mean of the averages of Voigt and Reuss: an estimate between the bounds, not a bound.

    Parameters
    ----------
    fractions, phases, uncertainties
        Same as in :func:`voigt` [1], [GPa].

    Returns
    -------
    Dataset
        ``bulk_modulus`` and ``shear_modulus`` [GPa] with uncertainties.

    Raises
    ------
    KeyError, ValueError
        Same as in :func:`voigt`.

    Notes
    -----
    Hill (1952), Proceedings of the Physical Society A 65, 349.
    """
    step = "mean of Voigt and Reuss (Hill 1952)"
    return _average(_hill_kernel, fractions, phases, uncertainties, step)


def hashin_shtrikman(
    fractions: Sequence[Fraction | xr.Dataset],
    phases: Sequence[Mineral],
    *,
    bound: str,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Narrowest bound of the moduli of an isotropic mixture whose geometry is unknown.

    Parameters
    ----------
    fractions, phases, uncertainties
        Same as in :func:`voigt` [1], [GPa].
    bound : {"upper", "lower"}
        Bound to compute.

    Returns
    -------
    Dataset
        ``bulk_modulus`` and ``shear_modulus`` [GPa] with uncertainties; the attribute ``bound``
        names the side.

    Raises
    ------
    KeyError, ValueError
        Same as in :func:`voigt`, and for another ``bound``.

    Notes
    -----
    The form of Walpole (1966), Journal of the Mechanics and Physics of Solids 14, 151, with the
    greatest and least modulus of all phases. It also holds where the phase that is stiffer in
    compression is softer in shear, such as calcite beside quartz. With a fluid among the phases
    the lower bound is that of :func:`reuss`. The mixture is isotropic and its phases do not slip.

    Examples
    --------
    >>> found = hashin_shtrikman([0.6, 0.4], ["quartz", "calcite"], bound="upper")
    >>> round(float(found["shear_modulus"]), 6)
    38.784719
    """
    bound = choice(bound, ("upper", "lower"), "bound")

    def kernel(shares: np.ndarray, bulk: np.ndarray, shear: np.ndarray) -> Moduli:
        return walpole_kernel(shares, bulk, shear, upper=bound == "upper")

    step = f"Hashin-Shtrikman {bound} bound, form of Walpole (1966)"
    return _average(kernel, fractions, phases, uncertainties, step, {"bound": bound})
