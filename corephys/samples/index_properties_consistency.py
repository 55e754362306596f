"""Reported derived values held against those recomputed from the masses beside them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import companions, flags, series, thresholds, units, vocabulary
from corephys.samples.index_properties_phases import PROPERTIES

__all__ = ["consistency"]

# A reported value and one computed from the reported masses differ by rounding alone, which is
# at most half a unit of the third digit after the point and for porosity of the first of a per
# cent; ten times that is an inconsistency (common practice, no source).
TOLERANCES: dict[str, Any] = {
    name: thresholds.THRESHOLDS[f"consistency_{name}"]
    for name in ("bulk_density", "dry_density", "grain_density", "porosity", "void_ratio")
}


def bits(mask: Any, word: str) -> Any:
    """The bit of a reason where the mask is true."""
    if hasattr(mask, "astype"):
        return mask.astype(np.int64) * np.int64(flags.bit(word))
    return np.int64(flags.bit(word) if mask else 0)


def consistency(
    recomputed: xr.Dataset, *, tolerances: Mapping[str, str] | None = None, **reported: Any
) -> xr.Dataset:
    """Hold the derived values that a table reports against those recomputed from its masses.

    Parameters
    ----------
    recomputed : Dataset
        From :func:`phase_relations`, with the salinity and densities that the table used.
    tolerances : mapping of str to str, optional
        Largest difference that rounding explains, in the unit of the quantity, such as
        ``{"bulk_density": "0.005 g/cm^3"}``; goes over the defaults.
    **reported : DataArray or Quantity
        Reported values by the name of the quantity: bulk_density, dry_density, grain_density
        [g/cm^3], porosity, void_ratio [1].

    Returns
    -------
    Dataset
        ``recomputed`` with the reason ``inconsistent_masses`` where a reported value lies further
        off than its tolerance, and ``<name>_difference``, reported less recomputed, in the unit
        of the quantity.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    KeyError
        When a reported quantity is not one that can be recomputed.
    ValueError
        When nothing is reported.
    """
    if not reported:
        raise ValueError("no reported values given, such as bulk_density=table['bulk_density']")
    recomputed = companions.library_units(recomputed, {"correlation_porosity_grain_density": "1"})
    limits = {**TOLERANCES, **(tolerances or {})}
    differences, apart = {}, np.int64(0)
    for name, given in reported.items():
        if name not in PROPERTIES or name not in limits:
            known = ", ".join(limits)
            raise KeyError(f"{name!r} has no tolerance; those with one are {known}")
        unit = vocabulary.term(name).unit
        values = units.as_floats(given, unit, name)
        limit = units.as_floats(limits[name], unit, f"tolerance of {name}")
        again, values = series.at_same_positions(recomputed=recomputed[name], reported=values)
        difference = xr.DataArray(values - again).drop_attrs()
        differences[name] = difference.assign_attrs(
            units=unit, long_name=f"{vocabulary.term(name).long_name}, reported less recomputed"
        )
        apart = apart | bits(abs(difference) > limit, "inconsistent_masses")
    dataset = recomputed.copy()
    for name in PROPERTIES:
        reason = recomputed[f"{name}_reason"]
        joined = (reason | apart).astype(np.int64).assign_attrs(reason.attrs)
        flag = xr.apply_ufunc(
            flags.from_reason, joined, dask="parallelized", output_dtypes=[np.int8]
        )
        dataset[f"{name}_reason"] = joined
        dataset[f"{name}_flag"] = flag.assign_attrs(recomputed[f"{name}_flag"].attrs)
    for name, difference in differences.items():
        dataset[f"{name}_difference"] = difference
    return dataset
