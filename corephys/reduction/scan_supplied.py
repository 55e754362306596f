"""Values of the scan that came already reduced: kept and marked supplied."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys import flags, quality, series, units, vocabulary
from corephys.reduction.context import Context
from corephys.uncertainty import Measured

__all__ = ["supplied"]

HOMES = {name: f"properties/{place}" for name, place in quality.SCAN.items()}


def supplied(context: Context) -> None:
    """Take the values of scan/reduced.csv, one a row or one a column."""
    table = context.table("scan/reduced")
    found: dict[str, xr.Dataset] = {}
    if "quantity" in table and "value" in table:
        found.update(_by_row(context, table))
    for name in map(str, table.data_vars):
        if name in vocabulary.TERMS:
            found[name] = _column(table, name)
    if not found:
        context.notes.append("scan/reduced.csv holds no known quantity")
    for name, dataset in found.items():
        path = HOMES.get(name, f"properties/{name}")
        if path in context.results:
            path = f"properties/supplied_{name}"
        context.results[path] = dataset


def _by_row(context: Context, table: xr.Dataset) -> dict[str, xr.Dataset]:
    names = table["quantity"].values.astype(str)
    found = {}
    for name in dict.fromkeys(names):
        if name not in vocabulary.TERMS:
            context.notes.append(f"scan/reduced.csv holds {name!r}, which is no known quantity")
            continue
        part = table.isel(reading=names == name)
        wanted = vocabulary.TERMS[name].unit
        values = np.empty(part.sizes["reading"])
        u = np.full(values.shape, np.nan)
        given = part["unit"].values.astype(str)
        for unit in set(given):
            rows = given == unit
            values[rows] = units.convert(part["value"].values[rows], unit, wanted)
            if "uncertainty" in part:
                per = units.convert(1.0, unit, wanted) - units.convert(0.0, unit, wanted)
                u[rows] = part["uncertainty"].values[rows] * per
        found[name] = _series(part, name, part["value"], values, u)
    return found


def _column(table: xr.Dataset, name: str) -> xr.Dataset:
    """One column that bears the name of a quantity."""
    wanted = vocabulary.TERMS[name].unit
    here = table[name]
    values = units.convert(here.values, here.attrs.get("units", "1"), wanted)
    return _series(table, name, here, np.asarray(values, dtype=float), np.nan)


def _series(part: xr.Dataset, name: str, here: xr.DataArray, values: Any, u: Any) -> xr.Dataset:
    reason = flags.bit("supplied") | (part["reason"].values if "reason" in part else 0)
    measured = Measured(
        here.copy(deep=False, data=values),
        u,
        {},
        here.copy(deep=False, data=reason.astype(np.int64)),
    )
    return series.build({name: measured}, steps=("supplied already reduced",))
