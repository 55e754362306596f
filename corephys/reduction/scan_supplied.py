"""Values of the scan that came already reduced: kept and marked supplied."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys import quality
from corephys.ground import flags, series, units, vocabulary
from corephys.reduction.context import Context
from corephys.uncertainty import Measured

__all__ = ["supplied"]

HOMES = {name: f"properties/{place}" for name, place in quality.SCAN.items()}


def supplied(context: Context) -> None:
    """Take the values of scan/reduced.csv, one a row or one a column."""
    table = context.table("scan/reduced")
    names: list[str] = []
    if "quantity" in table and "value" in table:
        names = list(dict.fromkeys(table["quantity"].values.astype(str)))
    columns = [name for name in map(str, table.data_vars) if name in vocabulary.TERMS]
    known = [name for name in names if name in vocabulary.TERMS]
    for name in names:
        if name not in known:
            context.notes.append(f"scan/reduced.csv holds {name!r}, which is no known quantity")
    if not known and not columns:
        context.notes.append("scan/reduced.csv holds no known quantity")
    for name in dict.fromkeys([*known, *columns]):
        with context.part(f"supplied values: {name}"):
            dataset = _column(table, name) if name in columns else _by_row(table, name)
            path = HOMES.get(name, f"properties/{name}")
            if path in context.results:
                path = f"properties/supplied_{name}"
            context.results[path] = dataset


def _by_row(table: xr.Dataset, name: str) -> xr.Dataset:
    """The rows of one quantity, each in the unit beside it."""
    part = table.isel(reading=table["quantity"].values.astype(str) == name)
    wanted = vocabulary.TERMS[name].unit
    values = np.empty(part.sizes["reading"])
    u = np.full(values.shape, np.nan)
    given = part["unit"].values.astype(str)
    for unit in dict.fromkeys(given):
        rows = given == unit
        values[rows] = units.convert(part["value"].values[rows], unit, wanted)
        if "uncertainty" in part:
            per = units.convert(1.0, unit, wanted) - units.convert(0.0, unit, wanted)
            u[rows] = part["uncertainty"].values[rows] * per
    return _series(part, name, part["value"], values, u)


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
