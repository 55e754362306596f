"""Salinity of the pore water at samples, from a table by depth."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, seawater, units
from corephys.uncertainty import bare

__all__ = ["pore_water_at"]


def pore_water_at(
    depth: Any, table_depth: Any, salinity: Any, *, temperature: Any = "20 degC",
    salinity_uncertainty: Any = None,
) -> xr.Dataset:  # fmt: skip
    """Salinity and density of the pore water at the depths of samples.

    Parameters
    ----------
    depth : DataArray or Quantity, (reading)
        Of the samples [m].
    table_depth, salinity : DataArray or Quantity, (row)
        Where the pore water was squeezed out [m] and its absolute salinity [g/kg]; rows without a
        number are left out.
    temperature : Quantity, DataArray or str
        At which the samples were weighed [degC].
    salinity_uncertainty : Quantity or str, optional
        Of one salinity [g/kg]; unknown gives NaN.

    Returns
    -------
    Dataset, (reading)
        ``salinity`` [g/kg], ``pore_water_density`` [g/cm^3], ``salinity_uncertainty`` [g/kg] and
        ``reason``: ``interpolated_input`` above the first and below the last row, whose value is
        held there. The first two go to :func:`corephys.index_properties.phase_relations`.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        When no row has both numbers.

    Notes
    -----
    Linear in depth between rows, with the uncertainty of the two rows by their weights; density of
    TEOS-10 at the surface (:func:`corephys.ground.seawater.density`).
    """
    at = np.atleast_1d(np.asarray(bare(units.as_floats(depth, "m", "depth")), dtype=float))
    z, salt = (
        np.atleast_1d(np.asarray(bare(values), dtype=float))
        for values in (
            units.as_floats(table_depth, "m", "table_depth"), seawater.absolute_salinity(salinity)
        )
    )  # fmt: skip
    known = np.isfinite(z) & np.isfinite(salt)
    if not known.any():
        raise ValueError("the table of pore water has no row with a depth and a salinity")
    order = np.argsort(z[known], kind="stable")
    z, salt = z[known][order], salt[known][order]
    found = np.interp(at, z, salt)
    u = units.as_floats(salinity_uncertainty, "g/kg", "salinity_uncertainty", optional=True)
    weight = np.ones(at.shape)
    if z.size > 1:
        right = np.clip(np.searchsorted(z, at), 1, z.size - 1)
        gap = z[right] - z[right - 1]
        share = np.clip((at - z[right - 1]) / np.where(gap > 0, gap, 1.0), 0.0, 1.0)
        weight = np.sqrt(share**2 + (1.0 - share) ** 2)
    reason = np.where((at < z[0]) | (at > z[-1]), flags.bit("interpolated_input"), 0)
    warm = np.asarray(bare(units.as_floats(temperature, "degC", "temperature")), dtype=float)
    water = seawater.density(
        units.quantity(found, "g/kg"), units.quantity(np.broadcast_to(warm, at.shape), "degC")
    )
    like = depth if isinstance(depth, xr.DataArray) else xr.DataArray(at, dims="reading")
    result = xr.Dataset(coords=units.position_in_library_units(like).coords)
    columns = {
        "salinity": (found, "g/kg", "absolute salinity of the pore water"),
        "pore_water_density": (np.asarray(water) / 1000.0, "g/cm^3", "density of the pore water"),
        "salinity_uncertainty": (
            weight * (np.nan if u is None else float(u)), "g/kg", "uncertainty of the salinity",
        ),
    }  # fmt: skip
    for name, (values, unit, words) in columns.items():
        result[name] = ("reading", values, {"units": unit, "long_name": words})
    result["reason"] = (
        "reading", reason.astype(np.int64), flags.reason_attributes("the pore water"),
    )  # fmt: skip
    return result
