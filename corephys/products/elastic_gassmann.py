"""Moduli of a frame with and without fluid, and what another fluid does to velocity and density."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series
from corephys.products import elastic_carry as carry
from corephys.products.elastic_velocity import of_phases
from corephys.uncertainty import bare

__all__ = ["fluid_substitution", "frame_modulus", "gassmann", "gassmann_kernel"]


def gassmann_kernel(frame: Any, porosity: Any, k_m: Any, k_f: Any) -> Any:
    """Bulk modulus of a saturated rock from that of its frame, all in GPa.

    Parameters
    ----------
    frame, porosity, k_m, k_f : float or ndarray
        Modulus of the frame [GPa], porosity [1], moduli of mineral and fluid [GPa].

    Returns
    -------
    ndarray
        [GPa]; that of the mineral where there are no pores, that of the frame where there is no
        fluid.

    Notes
    -----
    Gassmann (1951), Vierteljahrsschrift der Naturforschenden Gesellschaft Zuerich 96, 1.
    """
    frame = np.asarray(frame, dtype=float)
    # Times K_f above and below: no division by the modulus of a fluid that is not there.
    above = (1.0 - frame / k_m) ** 2 * k_f
    below = porosity + k_f * ((1.0 - porosity) / k_m - frame / k_m**2)
    with np.errstate(divide="ignore", invalid="ignore"):
        return frame + np.where(above == 0.0, 0.0, above / below)


def frame_kernel(saturated: Any, porosity: Any, k_m: Any, k_f: Any) -> Any:
    """The same backwards: modulus of the frame [GPa]; NaN without pores, where it has no say."""
    above = saturated * (porosity * k_m + (1.0 - porosity) * k_f) - k_m * k_f
    below = porosity * k_m + saturated * k_f / k_m - (1.0 + porosity) * k_f
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(porosity > 0.0, above / below, np.nan)


@carry.names_checked
def gassmann(
    frame_bulk_modulus: Any, porosity: Any, *, mineral: Any, fluid: Any,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:  # fmt: skip
    """Bulk modulus of a rock full of fluid, from that of its frame without fluid.

    Parameters
    ----------
    frame_bulk_modulus : Dataset, DataArray, Quantity or str
        Of the frame [GPa].
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    mineral, fluid : Material or str
        A name is looked up; a fluid may be the Dataset of :func:`brine`.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``frame_bulk_modulus`` [GPa], ``porosity`` [1], random;
        ``mineral_bulk_modulus``, ``fluid_bulk_modulus`` [GPa], systematic.

    Returns
    -------
    Dataset
        ``bulk_modulus`` [GPa] with uncertainty. The shear modulus is that of the frame.

    Raises
    ------
    UnitError, ValueError
        For a wrong unit, or a porosity outside 0 to 1.

    Notes
    -----
    K = K_d + (1 - K_d / K_m)^2 / (phi / K_f + (1 - phi) / K_m - K_d / K_m^2): Gassmann (1951). One
    mineral, pores that are connected, and a wave so slow that their pressure evens out: at the
    hundreds of kHz of a core scan a stiff rock is faster than this.

    Examples
    --------
    >>> found = gassmann("10 GPa", 0.3, mineral="quartz", fluid="sea_water")
    >>> float(found["bulk_modulus"].round(3))
    13.855
    """
    phases = of_phases(mineral, fluid, uncertainties)
    carry.same_positions(frame_bulk_modulus=frame_bulk_modulus, porosity=porosity)
    inputs = {
        "frame": carry.quantity(frame_bulk_modulus, "frame_bulk_modulus", uncertainties, zero=True),
        "porosity": carry.fraction(porosity, "porosity", uncertainties),
        "k_m": phases["k_m"],
        "k_f": phases["k_f"],
    }

    def kernel(**parts: Any) -> tuple[Any, ...]:
        return (gassmann_kernel(**parts),)

    found = carry.propagate(kernel, ("bulk_modulus",), inputs)
    return series.build(found, steps=("saturated by Gassmann (1951)",))


@carry.names_checked
def frame_modulus(
    bulk_modulus: Any, porosity: Any, *, mineral: Any, fluid: Any,
    uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:  # fmt: skip
    """Bulk modulus of the frame without fluid, from that of the rock with it.

    Parameters
    ----------
    bulk_modulus : Dataset, DataArray, Quantity or str
        Of the saturated rock [GPa].
    porosity, mineral, fluid
        As in :func:`gassmann` [1], [GPa].
    uncertainties : mapping of str to Quantity, optional
        As in :func:`gassmann`, with ``bulk_modulus`` [GPa].

    Returns
    -------
    Dataset
        ``frame_bulk_modulus`` [GPa] with uncertainty. Below zero, the rock is softer than its
        suspension (``below_elastic_bounds``); above the mineral's it is too stiff for its porosity
        (``above_elastic_bounds``).

    Raises
    ------
    UnitError, ValueError
        As in :func:`gassmann`.

    Notes
    -----
    The equation of Gassmann (1951) solved for K_d. In soft mud K_d is a small difference of large
    numbers, and its uncertainty may exceed it.
    """
    phases = of_phases(mineral, fluid, uncertainties)
    carry.same_positions(bulk_modulus=bulk_modulus, porosity=porosity)
    inputs = {
        "saturated": carry.quantity(bulk_modulus, "bulk_modulus", uncertainties),
        "porosity": carry.fraction(porosity, "porosity", uncertainties),
        "k_m": phases["k_m"],
        "k_f": phases["k_f"],
    }

    def kernel(**parts: Any) -> tuple[Any, ...]:
        return (frame_kernel(**parts),)

    found = carry.propagate(kernel, ("frame_bulk_modulus",), inputs)
    frame = found["frame_bulk_modulus"]
    frame.reason = series.joined_reasons(frame.reason, _outside(frame.values, phases["k_m"].values))
    return series.build(found, steps=("frame by Gassmann (1951), solved for K_d",))


def _outside(frame: Any, mineral: Any) -> Any:
    """Reasons of a frame that no rock has."""

    def look(values: Any, most: Any) -> Any:
        low = np.where(values < 0.0, flags.bit("below_elastic_bounds"), 0)
        return (low | np.where(values > most, flags.bit("above_elastic_bounds"), 0)).astype(
            np.int64
        )

    return series.apply(look, bare(frame), bare(mineral), dtypes=[np.int64])


@carry.names_checked
def fluid_substitution(
    p_wave_velocity: Any, s_wave_velocity: Any, bulk_density: Any, porosity: Any, *, mineral: Any,
    fluid: Any, new_fluid: Any, uncertainties: Mapping[str, Any] | None = None,
) -> xr.Dataset:  # fmt: skip
    """Velocities and density of a rock after its pore fluid is exchanged for another.

    Parameters
    ----------
    p_wave_velocity, s_wave_velocity : Dataset, DataArray, Quantity or str
        [m/s]. Without an S-wave (None) P-wave moduli stand in for bulk moduli, an approximation.
    bulk_density : Dataset, DataArray, Quantity or str
        With the first fluid [g/cm^3].
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1].
    mineral : Material or str
        The grains.
    fluid, new_fluid : Material, str or Dataset
        The fluid that is there, and the one that takes its place.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``p_wave_velocity``, ``s_wave_velocity`` [m/s],
        ``bulk_density`` [g/cm^3], ``porosity`` [1], random.

    Returns
    -------
    Dataset
        ``p_wave_velocity``, ``bulk_density`` and, where an S-wave is given, ``s_wave_velocity``
        and ``frame_bulk_modulus``: [m/s], [g/cm^3], [GPa] with uncertainties.

    Raises
    ------
    UnitError, ValueError
        For a wrong unit, a velocity of zero, or a porosity outside 0 to 1.

    Notes
    -----
    Gassmann (1951) twice, with the frame in between; the shear modulus stays, the density changes
    by phi (rho_2 - rho_1). Without an S-wave M stands for K throughout: Mavko, Chan and Mukerji
    (1995), Geophysics 60, 1750 (from memory): within 3 % for rock, 5 % low for a soft sandstone
    whose water gives way to gas.
    """
    old = of_phases(mineral, fluid, uncertainties)
    new = of_phases(mineral, new_fluid, uncertainties, "new_fluid")
    given = {"p_wave_velocity": p_wave_velocity, "bulk_density": bulk_density, "porosity": porosity}
    with_s = s_wave_velocity is not None
    if with_s:
        given["s_wave_velocity"] = s_wave_velocity
    carry.same_positions(**given)
    inputs = {
        "p": carry.quantity(p_wave_velocity, "p_wave_velocity", uncertainties),
        "rho": carry.quantity(bulk_density, "bulk_density", uncertainties),
        "porosity": carry.fraction(porosity, "porosity", uncertainties),
        "k_m": old["k_m"], "g_m": old["g_m"], "k_1": old["k_f"], "rho_1": old["rho_f"],
        "k_2": new["k_f"], "rho_2": new["rho_f"],
    }  # fmt: skip
    names: tuple[str, ...] = ("p_wave_velocity", "bulk_density")
    if with_s:
        inputs["s"] = carry.quantity(s_wave_velocity, "s_wave_velocity", uncertainties)
        names = (*names, "s_wave_velocity", "frame_bulk_modulus")
    found = carry.propagate(_exchanged, names, inputs)
    return series.build(
        found,
        steps=("frame by Gassmann (1951)", "saturated with the new fluid by Gassmann (1951)"),
        method="with the S-wave" if with_s else "P-wave moduli for bulk moduli (an approximation)",
    )


def _exchanged(
    p: Any, rho: Any, porosity: Any, k_m: Any, g_m: Any, k_1: Any, rho_1: Any, k_2: Any,
    rho_2: Any, s: Any = None,
) -> tuple[Any, ...]:  # fmt: skip
    new_rho = rho + porosity * (rho_2 - rho_1)
    shear = rho * (s / 1e3) ** 2 if s is not None else 0.0
    mineral = k_m if s is not None else k_m + 4.0 / 3.0 * g_m
    frame = frame_kernel(rho * (p / 1e3) ** 2 - 4.0 / 3.0 * shear, porosity, mineral, k_1)
    modulus = gassmann_kernel(frame, porosity, mineral, k_2) + 4.0 / 3.0 * shear
    found = (1e3 * np.sqrt(modulus / new_rho), new_rho)
    return found if s is None else (*found, 1e3 * np.sqrt(shear / new_rho), frame)
