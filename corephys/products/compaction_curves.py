"""Curves of porosity against depth or effective stress, each a public formula."""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.ground import units
from corephys.ground.arguments import positive
from corephys.products.compaction_models import MODELS

__all__ = [
    "exponential", "exponential_in_stress", "linear", "offset_exponential", "power",
    "void_ratio_log_stress",
]  # fmt: skip


def exponential(depth: Any, *, surface_porosity: Any, decay_length: Any) -> Any:
    """Porosity of exponential compaction.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Below seafloor [m].
    surface_porosity : float, Quantity or str
        At the seafloor [1].
    decay_length : Quantity or str
        e-folding depth [m].

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1], plain floats.

    Raises
    ------
    UnitError
        For a bare number where a length belongs, or a wrong unit.
    ValueError
        For a porosity outside 0 to 1, or a decay length of zero.

    Notes
    -----
    phi = phi0 exp(-z / L): Athy (1930), AAPG Bulletin 14, 1.

    Examples
    --------
    >>> round(float(exponential("500 m", surface_porosity=0.63, decay_length="1960 m")), 8)
    0.48814758
    """
    z = units.as_floats(depth, "m", "depth")
    length = _not_zero(units.as_floats(decay_length, "m", "decay_length"), "decay_length", "m")
    return MODELS["exponential"].curve(z, _share(surface_porosity, "surface_porosity"), length)


def offset_exponential(
    depth: Any, *, surface_porosity: Any, residual_porosity: Any, decay_length: Any
) -> Any:
    """Porosity that falls exponentially to one that stays.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Below seafloor [m].
    surface_porosity, residual_porosity : float, Quantity or str
        At the seafloor and at great depth [1].
    decay_length : Quantity or str
        Depth over which the difference falls e-fold [m].

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1], plain floats.

    Raises
    ------
    UnitError
        For a bare number where a length belongs, or a wrong unit.
    ValueError
        For a porosity outside 0 to 1, or a decay length of zero.

    Notes
    -----
    phi = phi_r + (phi0 - phi_r) exp(-z / L), the law of Athy (1930), AAPG Bulletin 14, 1, on what
    is above the residual porosity. With phi_r = 0 it is :func:`exponential`.

    Examples
    --------
    >>> round(float(offset_exponential("500 m", surface_porosity=0.7, residual_porosity=0.2,
    ...                                decay_length="500 m")), 6)
    0.38394
    """
    z = units.as_floats(depth, "m", "depth")
    length = _not_zero(units.as_floats(decay_length, "m", "decay_length"), "decay_length", "m")
    return MODELS["offset exponential"].curve(
        z, _share(surface_porosity, "surface_porosity"),
        _share(residual_porosity, "residual_porosity"), length,
    )  # fmt: skip


def linear(depth: Any, *, surface_porosity: Any, porosity_gradient: Any) -> Any:
    """Porosity that falls along a straight line.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Below seafloor [m].
    surface_porosity : float, Quantity or str
        At the seafloor [1].
    porosity_gradient : Quantity or str
        Loss of porosity with depth [1/km], positive where porosity falls.

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1], plain floats; below zero beyond the depth at which the line ends.

    Raises
    ------
    UnitError
        For a bare number where a unit belongs, or a wrong unit.
    ValueError
        For a surface porosity outside 0 to 1.

    Notes
    -----
    phi = phi0 - g z: the exponential of Athy (1930), AAPG Bulletin 14, 1, to first order in z / L
    with g = phi0 / L. No law of compaction, but what short intervals can tell of one.

    Examples
    --------
    >>> float(linear("200 m", surface_porosity=0.7, porosity_gradient="0.5 1/km"))
    0.6
    """
    z = units.as_floats(depth, "m", "depth")
    gradient = units.as_floats(porosity_gradient, "1/km", "porosity_gradient")
    return MODELS["linear"].curve(z, _share(surface_porosity, "surface_porosity"), gradient)


def power(
    depth: Any, *, reference_porosity: Any, solidity_exponent: Any, reference_depth: Any = "100 m"
) -> Any:
    """Porosity whose complement, the solidity, is a power of depth.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Below seafloor [m].
    reference_porosity : float, Quantity or str
        At the reference depth [1].
    solidity_exponent : float, Quantity or str
        Exponent of depth [1], positive where porosity falls.
    reference_depth : Quantity or str
        [m]; any above zero describes the same family of curves.

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1], plain floats; NaN above the seafloor.

    Raises
    ------
    UnitError
        For a bare number where a unit belongs, or a wrong unit.
    ValueError
        For a porosity outside 0 to 1, or a reference depth that is not above zero.

    Notes
    -----
    phi = 1 - (1 - phi1) (z / z1)^m: Baldwin and Butler (1985), AAPG Bulletin 69, 622, whose
    z = z_s S^n with S = 1 - phi is phi1 = 0, z1 = z_s, m = 1 / n (from memory). A power of porosity
    itself is without limit at the seafloor; a power of solidity starts from a slurry of porosity
    one and stays between zero and one down to z_s.

    Examples
    --------
    >>> round(float(power("1 km", reference_porosity=0.0, solidity_exponent=1 / 6.35,
    ...                   reference_depth="6.02 km")), 8)
    0.24624727
    """
    z = units.as_floats(depth, "m", "depth")
    u = z / positive(reference_depth, "m", "reference_depth")
    exponent = units.as_floats(solidity_exponent, "1", "solidity_exponent")
    with np.errstate(invalid="ignore", divide="ignore"):
        solidity = (1.0 - _share(reference_porosity, "reference_porosity")) * np.power(u, exponent)
    return 1.0 - solidity


def exponential_in_stress(stress: Any, *, surface_porosity: Any, decay_stress: Any) -> Any:
    """Porosity that falls exponentially with vertical effective stress.

    Parameters
    ----------
    stress : Quantity, DataArray or str
        Vertical effective stress [kPa].
    surface_porosity : float, Quantity or str
        Without stress [1].
    decay_stress : Quantity or str
        e-folding stress [kPa].

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1], plain floats.

    Raises
    ------
    UnitError
        For a bare number where a stress belongs, or a wrong unit.
    ValueError
        For a porosity outside 0 to 1, or a decay stress of zero.

    Notes
    -----
    phi = phi0 exp(-sigma' / S): the exponential of Athy (1930) in what compacts a sediment in
    place of how deep it lies; the two agree where stress is proportional to depth.

    Examples
    --------
    >>> round(float(exponential_in_stress("2 MPa", surface_porosity=0.7, decay_stress="8 MPa")), 6)
    0.545161
    """
    sigma = units.as_floats(stress, "kPa", "stress")
    decay = _not_zero(units.as_floats(decay_stress, "kPa", "decay_stress"), "decay_stress", "kPa")
    return MODELS["exponential in stress"].curve(
        sigma, _share(surface_porosity, "surface_porosity"), decay
    )


def void_ratio_log_stress(
    stress: Any, *, reference_void_ratio: Any, compression_index: Any,
    reference_stress: Any = "100 kPa",
) -> Any:  # fmt: skip
    """Porosity of a void ratio that falls with the logarithm of effective stress.

    Parameters
    ----------
    stress : Quantity, DataArray or str
        Vertical effective stress [kPa], above zero.
    reference_void_ratio : float, Quantity or str
        At the reference stress [1].
    compression_index : float, Quantity or str
        Loss of void ratio over ten times the stress [1].
    reference_stress : Quantity or str
        [kPa]; any above zero describes the same family of curves.

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1], plain floats; NaN where the stress is not above zero or the line has come to
        a void ratio below zero.

    Raises
    ------
    UnitError
        For a bare number where a stress belongs, or a wrong unit.
    ValueError
        For a void ratio below zero, or a reference stress that is not above zero.

    Notes
    -----
    e = e0 - Cc log10(sigma' / sigma0), phi = e / (1 + e): Terzaghi and Peck (1948), Soil Mechanics
    in Engineering Practice (from memory).

    Examples
    --------
    >>> round(float(void_ratio_log_stress("1 MPa", reference_void_ratio=2.0,
    ...                                   compression_index=0.5)), 6)
    0.6
    """
    sigma = units.as_floats(stress, "kPa", "stress")
    at = positive(reference_stress, "kPa", "reference_stress")
    e0 = positive(reference_void_ratio, "1", "reference_void_ratio", zero=True)
    index = units.as_floats(compression_index, "1", "compression_index")
    with np.errstate(invalid="ignore", divide="ignore"):
        e = e0 - index * np.log10(sigma / at)
        e = e + 0.0 * np.sqrt(e)  # NaN where there is no void ratio
    return e / (1.0 + e)


def _share(value: Any, name: str) -> Any:
    """A porosity through the door: between zero and one."""
    found = units.as_floats(value, "1", name)
    if not np.all((np.asarray(found) >= 0.0) & (np.asarray(found) <= 1.0)):
        raise ValueError(
            f"{name} is {np.ravel(found)[0]:g}; a porosity lies between 0 and 1, per cent are "
            "written '55 %'"
        )
    return found


def _not_zero(value: Any, name: str, unit: str) -> Any:
    if np.any(np.asarray(value) == 0.0):
        raise ValueError(f"{name} is 0 {unit}; it has to differ from zero")
    return value
