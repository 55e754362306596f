"""Averages and bounds of the moduli of a mixture, from the moduli of its phases."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import series
from corephys.products.elastic import propagation as carry
from corephys.products.elastic.minerals import Material, material

__all__ = ["hashin_shtrikman", "hill", "reuss", "reuss_kernel", "voigt", "walpole_kernel"]

Moduli = tuple[Any, Any]


def _harmonic(shares: Any, values: Any) -> Any:
    """1 / sum (f / m) along the first axis; a phase that is not there does not count."""
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = np.where(shares == 0.0, 0.0, shares / values)
        return 1.0 / np.sum(parts, axis=0)


def _voigt_kernel(shares: Any, bulk: Any, shear: Any) -> Moduli:
    return np.sum(shares * bulk, axis=0), np.sum(shares * shear, axis=0)


def reuss_kernel(shares: Any, bulk: Any, shear: Any) -> Moduli:
    """Bulk and shear modulus under equal stress.

    Parameters
    ----------
    shares, bulk, shear : (phase, ...) ndarray
        Fractions [1] and moduli [GPa].

    Returns
    -------
    tuple of ndarray
        [GPa]; a fluid among the phases makes the shear modulus zero.

    Notes
    -----
    1 / sum (f / m): Reuss (1929), ZAMM 9, 49.
    """
    return _harmonic(shares, bulk), _harmonic(shares, shear)


def _hill_kernel(shares: Any, bulk: Any, shear: Any) -> Moduli:
    stiff, soft = _voigt_kernel(shares, bulk, shear), reuss_kernel(shares, bulk, shear)
    return 0.5 * (stiff[0] + soft[0]), 0.5 * (stiff[1] + soft[1])


def walpole_kernel(shares: Any, bulk: Any, shear: Any, *, upper: bool) -> Moduli:
    """Hashin-Shtrikman-Walpole bound of bulk and shear modulus.

    Parameters
    ----------
    shares, bulk, shear : (phase, ...) ndarray
        Fractions [1] and moduli [GPa].
    upper : bool
        The upper bound, about the greatest moduli of all phases; else the lower.

    Returns
    -------
    tuple of ndarray
        [GPa].

    Notes
    -----
    K = [sum f / (K_i + 4/3 G*)]^-1 - 4/3 G*, G = [sum f / (G_i + z)]^-1 - z with
    z = G* (9 K* + 8 G*) / (6 (K* + 2 G*)), K* and G* the greatest or least moduli, each by
    itself: Walpole (1966), Journal of the Mechanics and Physics of Solids 14, 151.
    """
    there = shares > 0.0
    pick, empty = (np.max, -np.inf) if upper else (np.min, np.inf)
    k = pick(np.where(there, bulk, empty), axis=0)
    g = pick(np.where(there, shear, empty), axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(g == 0.0, 0.0, g * (9.0 * k + 8.0 * g) / (6.0 * (k + 2.0 * g)))
    about = 4.0 / 3.0 * g
    return _harmonic(shares, bulk + about) - about, _harmonic(shares, shear + z) - z


def _average(
    kernel: Callable[..., tuple[Any, ...]],
    names: tuple[str, ...],
    fractions: Sequence[Any],
    phases: Sequence[Any],
    uncertainties: Mapping[str, Any] | None,
) -> dict[str, Any]:
    """Lay a kernel of stacked phases over measured fractions and moduli."""
    if len(fractions) != len(phases) or len(phases) < 2:
        raise ValueError(
            f"{len(fractions)} fractions and {len(phases)} phases; give one fraction a phase, and "
            "two phases or more"
        )
    carry.same_positions(**{f"fraction {n + 1}": part for n, part in enumerate(fractions)})
    inputs: dict[str, Any] = {}
    for place, (share, phase) in enumerate(zip(fractions, phases, strict=True)):
        kind = taken_phase(phase)
        inputs[f"f{place}"] = carry.fraction(share, f"fraction_{place + 1}", uncertainties)
        for letter, name in (("k", "bulk_modulus"), ("g", "shear_modulus")):
            inputs[f"{letter}{place}"] = carry.number(
                getattr(kind, name),
                "GPa",
                f"{name}_{place + 1}",
                uncertainties,
                zero=letter == "g",
            )
    carry.together([inputs[f"f{place}"] for place in range(len(phases))])

    def stacked(**parts: Any) -> tuple[Any, ...]:
        by_letter = [
            np.stack([parts[f"{letter}{n}"] for n in range(len(phases))]) for letter in "fkg"
        ]
        return kernel(*by_letter)

    return carry.propagate(stacked, names, inputs)


def taken_phase(phase: Any) -> Material:
    if isinstance(phase, str):
        return material(phase)
    if not isinstance(phase, Material):
        raise ValueError(
            f"a phase is a Material or the name of one, got {phase!r}; see elastic.materials() and "
            "elastic.Material(name, bulk_modulus, shear_modulus, density)"
        )
    return phase


_BOTH = ("bulk_modulus", "shear_modulus")


@carry.names_checked
def voigt(
    fractions: Sequence[Any],
    phases: Sequence[Any],
    *,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
    """Moduli of a mixture whose phases all strain alike: the greatest that there can be.

    Parameters
    ----------
    fractions : sequence of float, Quantity, DataArray or Dataset
        Volume fraction of each phase [1], together one.
    phases : sequence of Material or str
        One a fraction; a name is looked up with :func:`material`.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties: ``fraction_1`` [1], ``bulk_modulus_1``, ``shear_modulus_1`` [GPa]
        and so on, in place of those of the materials.

    Returns
    -------
    Dataset
        ``bulk_modulus`` and ``shear_modulus`` [GPa] with uncertainties.

    Raises
    ------
    UnitError, ValueError
        For a wrong unit, a phase that is not known, fractions that do not add to one.

    Notes
    -----
    sum f m: Voigt (1889), Annalen der Physik 274, 573.

    Examples
    --------
    >>> found = voigt([0.6, 0.4], ["quartz", "calcite"])
    >>> round(float(found["bulk_modulus"]), 2)
    52.92
    """
    found = _average(_voigt_kernel, _BOTH, fractions, phases, uncertainties)
    return series.build(found, steps=("sum f m (Voigt 1889)",), bound="upper")


@carry.names_checked
def reuss(
    fractions: Sequence[Any],
    phases: Sequence[Any],
    *,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
    """Moduli of a mixture whose phases all bear the same stress: the least that there can be.

    Parameters
    ----------
    fractions, phases, uncertainties
        As in :func:`voigt` [1], [GPa].

    Returns
    -------
    Dataset
        ``bulk_modulus`` and ``shear_modulus`` [GPa] with uncertainties; the shear modulus is zero
        where one phase is a fluid.

    Raises
    ------
    UnitError, ValueError
        As in :func:`voigt`.

    Notes
    -----
    1 / sum (f / m): Reuss (1929), ZAMM 9, 49. For a suspension it is exact (Wood 1941).

    Examples
    --------
    >>> found = reuss([0.6, 0.4], ["quartz", "calcite"])
    >>> round(float(found["bulk_modulus"]), 4)
    46.6754
    """
    found = _average(reuss_kernel, _BOTH, fractions, phases, uncertainties)
    return series.build(found, steps=("1 / sum (f / m) (Reuss 1929)",), bound="lower")


@carry.names_checked
def hill(
    fractions: Sequence[Any],
    phases: Sequence[Any],
    *,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
    """Mean of the averages of Voigt and Reuss: a guess between bounds, and no bound.

    Parameters
    ----------
    fractions, phases, uncertainties
        As in :func:`voigt` [1], [GPa].

    Returns
    -------
    Dataset
        ``bulk_modulus`` and ``shear_modulus`` [GPa] with uncertainties.

    Raises
    ------
    UnitError, ValueError
        As in :func:`voigt`.

    Notes
    -----
    Hill (1952), Proceedings of the Physical Society A 65, 349.
    """
    found = _average(_hill_kernel, _BOTH, fractions, phases, uncertainties)
    return series.build(found, steps=("mean of Voigt and Reuss (Hill 1952)",))


@carry.names_checked
def hashin_shtrikman(
    fractions: Sequence[Any],
    phases: Sequence[Any],
    *,
    bound: str,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:
    """Narrowest bound of the moduli of an isotropic mixture of which the fractions alone are known.

    Parameters
    ----------
    fractions, phases, uncertainties
        As in :func:`voigt` [1], [GPa].
    bound : {"upper", "lower"}
        Which of the two.

    Returns
    -------
    Dataset
        ``bulk_modulus`` and ``shear_modulus`` [GPa] with uncertainties; the attribute ``bound``
        says which side.

    Raises
    ------
    UnitError, ValueError
        As in :func:`voigt`, and for another word.

    Notes
    -----
    The form of Walpole (1966), Journal of the Mechanics and Physics of Solids 14, 151, with the
    greatest and least modulus of all phases: right also where the phase that is stiffer in
    compression is softer in shear, as calcite beside quartz. With a fluid among the phases the
    lower bound is that of :func:`reuss`. The mixture is isotropic and nothing slips.

    Examples
    --------
    >>> found = hashin_shtrikman([0.6, 0.4], ["quartz", "calcite"], bound="upper")
    >>> round(float(found["shear_modulus"]), 6)
    38.784719
    """
    if bound not in ("upper", "lower"):
        raise ValueError(f"bound is {bound!r}; it is 'upper' or 'lower'")

    def kernel(*parts: Any) -> Moduli:
        return walpole_kernel(*parts, upper=bound == "upper")

    found = _average(kernel, _BOTH, fractions, phases, uncertainties)
    return series.build(
        found, steps=(f"Hashin-Shtrikman {bound} bound, form of Walpole (1966)",), bound=bound
    )
