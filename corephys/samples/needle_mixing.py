"""Whether a thermal conductivity is possible for a mixture of these grains and this much water."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, mixing, series, thresholds, units
from corephys.ground.provenance import constants_attribute
from corephys.uncertainty import bare

__all__ = ["mixing_bounds"]

_C = constants.CONSTANTS
CERTAIN = thresholds.value("mixing_bound_errors")


def mixing_bounds(
    porosity: Any, grain_conductivity: Any = _C["grain_conductivity"],
    water_conductivity: Any = _C["water_conductivity"], *, measured: Any = None,
) -> xr.Dataset:  # fmt: skip
    """Conductivity of a saturated sediment by mixing laws, and measurements outside of them.

    Parameters
    ----------
    porosity : Dataset, Quantity, DataArray or str
        ``porosity``, fraction.
    grain_conductivity, water_conductivity : Quantity, str, DataArray or Constant
        [W/(m K)].
    measured : Dataset, DataArray or str, optional
        ``thermal_conductivity`` [W/(m K)] at the same positions.

    Returns
    -------
    Dataset
        ``harmonic_mean``, ``geometric_mean``, ``arithmetic_mean``, ``isotropic_lower`` and
        ``isotropic_upper`` [W/(m K)], whose attribute ``bound`` says which side they bound. With
        ``measured`` also ``outside``: -1 below the harmonic mean, 1 above the arithmetic mean, 0
        between [1], and ``outside_for_certain`` (bool), by two random standard uncertainties;
        false where these are not known.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        When a porosity is not a fraction.

    Notes
    -----
    Woodside and Messmer (1961), Journal of Applied Physics 32, 1688: layers across the flow,
    geometric mean, layers along it. Hashin and Shtrikman (1962), from memory, where no direction
    is preferred. A value outside says that porosity, grains or conductivity are wrong, or that
    the pores hold gas.
    """
    phi = series.unpack(porosity, "porosity").values
    numbers = np.asarray(bare(phi), dtype=float)
    if np.any((numbers < 0.0) | (numbers > 1.0)):
        raise ValueError(
            f"porosity lies between {np.nanmin(numbers):g} and {np.nanmax(numbers):g}; it is a "
            "fraction from 0 to 1"
        )
    known = None if measured is None else series.unpack(measured, "thermal_conductivity")
    series.require_same_positions(
        porosity=phi, grain_conductivity=grain_conductivity, water_conductivity=water_conductivity,
        measured=known and known.values,
    )  # fmt: skip
    phi, *phases = series.at_same_positions(
        porosity=phi,
        water_conductivity=units.as_floats(water_conductivity, "W/(m K)", "water_conductivity"),
        grain_conductivity=units.as_floats(grain_conductivity, "W/(m K)", "grain_conductivity"),
    )
    water, grain = (_with_unit(part, "W/(m K)") for part in phases)
    holes, solids = _with_unit(phi, "1"), _with_unit(1.0 - phi, "1")
    lower, upper = mixing.hashin_shtrikman_conductivity(holes, grain, water)
    phases = [water, grain]
    laws = {
        "harmonic_mean": (mixing.harmonic_mean((holes, solids), phases), "lower"),
        "geometric_mean": (mixing.geometric_mean((holes, solids), phases), "neither"),
        "arithmetic_mean": (mixing.arithmetic_mean((holes, solids), phases), "upper"),
        "isotropic_lower": (lower, "lower, of a body without a preferred direction"),
        "isotropic_upper": (upper, "upper, of a body without a preferred direction"),
    }
    parts = {}
    for name, (values, side) in laws.items():
        # Numbers without a dimension of their own lie along that of the measured ones.
        dims = ("reading",) * np.ndim(values)
        array = values if isinstance(values, xr.DataArray) else xr.DataArray(values, dims=dims)
        words = f"thermal conductivity, {name.replace('_', ' ')} of grains and water"
        parts[name] = array.assign_attrs(units="W/(m K)", long_name=words, bound=side)
    used = {"grain_conductivity": grain_conductivity, "water_conductivity": water_conductivity}
    found = xr.Dataset(parts, attrs={"constants": constants_attribute(used)})
    if known is not None:
        _judge(found, known)
    return found


def _with_unit(values: Any, unit: str) -> Any:
    if isinstance(values, xr.DataArray):
        return values.assign_attrs(units=unit)
    return units.quantity(values, unit)


def _judge(found: xr.Dataset, known: Any) -> None:
    k, u = bare(known.values), bare(known.u_random)
    low, high = found["harmonic_mean"].variable, found["arithmetic_mean"].variable
    below, above = k < low, k > high
    certain = (k < low - CERTAIN * u) | (k > high + CERTAIN * u)
    for name, values, words in (
        ("outside", above.astype(np.int8) - below.astype(np.int8),
         "side on which the measured conductivity lies outside of the bounds"),
        ("outside_for_certain", certain, "it does so by two standard uncertainties"),
    ):  # fmt: skip
        found[name] = values
        found[name].attrs = {"long_name": words}
    found["outside"].attrs["units"] = "1"
