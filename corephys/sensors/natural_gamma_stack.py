"""Stacking of counts before they are stripped."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import units

__all__ = ["stack"]


def stack(table: xr.Dataset, by: Any, *, counts: tuple[str, ...] | None = None) -> xr.Dataset:
    """Sum counts and live times of readings that belong together.

    Parameters
    ----------
    table : Dataset, (reading)
        With ``live_time`` [s] and counts [count] by name.
    by : sequence of int, (reading)
        Number of the stack of each reading, rising; negative for readings that are left out.
    counts : tuple of str, optional
        Names of the counts; ``counts`` and all that begin with ``counts_`` where not given.

    Returns
    -------
    Dataset, (reading)
        One reading a stack: summed counts, ``live_time`` [s] and any ``weight`` averaged by time,
        the mean of numeric coordinates, the first of the others, and ``stacked``, how many went
        in.

    Raises
    ------
    UnitError
        For a live time in a wrong unit.
    ValueError
        When the numbers are not one a reading, or nothing is to be stacked.

    Notes
    -----
    Counts are Poisson and their sum is too (definition): a stack is counted as if once, long. A
    reading without counts or without a positive live time is left out.
    """
    table = units.position_in_library_units(table)
    codes = np.asarray(by)
    size = table.sizes["reading"]
    if codes.shape != (size,):
        raise ValueError(f"{codes.size} stack numbers for {size} readings; give one each")
    names = counts or tuple(
        str(n) for n in table.data_vars if n == "counts" or str(n).startswith("counts_")
    )
    time = np.asarray(units.as_floats(table["live_time"], "s", "live_time"), dtype=float)
    sound = (codes >= 0) & (time > 0.0)
    for name in names:
        sound &= np.isfinite(table[name].values)
    if not sound.any():
        raise ValueError("no reading has a stack number, counts and a positive live time")
    rows = np.flatnonzero(sound)
    _, first, group = np.unique(codes[rows], return_index=True, return_inverse=True)

    def total(values: Any) -> np.ndarray:
        return np.bincount(group, weights=np.asarray(values, dtype=float)[rows])

    number = np.bincount(group)
    coordinates = {}
    for name, coordinate in table.coords.items():
        if coordinate.dims != ("reading",):
            continue
        if coordinate.dtype.kind == "f":
            values: Any = total(coordinate.values) / number
        else:
            values = coordinate.values[rows[first]]
        coordinates[name] = ("reading", values, coordinate.attrs)
    seconds = total(time)
    data: dict[str, Any] = {
        name: ("reading", total(table[name].values), {"units": "count", "long_name": name})
        for name in names
    }
    data["live_time"] = ("reading", seconds, {"units": "s", "long_name": "live time"})
    data["stacked"] = ("reading", number, {"units": "1", "long_name": "readings in the stack"})
    for name in ("weight", "filled_share", "mass_factor"):
        if name in table:
            mean = total(table[name].values * time) / seconds
            data[name] = ("reading", mean, table[name].attrs)
    return xr.Dataset(data, coordinates)
