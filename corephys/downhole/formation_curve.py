"""The decay that was fitted to a station, beside its record."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys.downhole.formation_record import prepare
from corephys.ground import companions

__all__ = ["fitted"]


def fitted(
    table: xr.Dataset, station: xr.Dataset, tools: xr.Dataset, result: xr.Dataset, *,
    volumetric_heat_capacity: Any = None, responses: Mapping[str, Any] | None = None,
) -> xr.Dataset:  # fmt: skip
    """Record of a station and the decay that was fitted to it.

    Parameters
    ----------
    table, tools : Dataset, (row)
        As for :func:`corephys.downhole.formation_temperature.equilibrium_temperature`.
    station : Dataset, (row)
        The one row of the stations.
    result : Dataset
        What that function gave for the station, without a dimension.
    volumetric_heat_capacity, responses
        As given to that function.

    Returns
    -------
    Dataset, (sample)
        ``time`` [s] since penetration, ``temperature`` [degC] and ``fit`` [degC], also outside of
        the window; NaN where nothing was fitted or the decay had not begun.

    Raises
    ------
    ValueError
        As that function.

    Notes
    -----
    T = Ta + A F(alpha, kappa (t - s) / a^2): Bullard (1954), Proceedings of the Royal Society A
    222, 408.
    """
    result = companions.library_units(
        result, {"conductivity": "W/(m K)", "amplitude": "K", "time_shift": "s"}
    )
    conductivity = result["conductivity"].expand_dims("row")
    prepared = prepare(
        table, station, tools, conductivity=conductivity, conductivity_uncertainty=None,
        volumetric_heat_capacity=volumetric_heat_capacity, responses=responses,
    )  # fmt: skip
    record, probe = prepared.records[0], prepared.probes[0]
    level, first = float(result["equilibrium_temperature"]), float(result["amplitude"])
    since = record.time - float(result["time_shift"])
    fit = np.full(since.shape, np.nan)
    begun = since > 0.0
    if bool(prepared.usable[0]) and np.isfinite(level) and begun.any():
        fit[begun] = level + first * probe.shape(since[begun]).value
    columns = {
        "time": (record.time, "s", "time since penetration"),
        "temperature": (record.temperature, "degC", "temperature of the probe"),
        "fit": (fit, "degC", "fitted decay"),
    }
    return xr.Dataset(
        {
            name: ("sample", np.asarray(values), {"units": unit, "long_name": words})
            for name, (values, unit, words) in columns.items()
        }
    )
