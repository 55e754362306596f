"""Two-way times of one hole from core, log and check shots, side by side."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import units
from corephys.ground.series import TooFewError
from corephys.products.seismic_time_depth import (
    SEA_LEVEL,
    SEAFLOOR,
    Between,
    beyond,
    checked_table,
)

__all__ = ["compare_times"]


def compare_times(
    *, core: xr.Dataset | None = None, log: xr.Dataset | None = None,
    check_shots: xr.Dataset | None = None, at: Any = None, zero: str = SEAFLOOR,
) -> xr.Dataset:  # fmt: skip
    """Two-way times of core, log and check shots at common depths, their envelope and spread.

    Parameters
    ----------
    core, log, check_shots : Dataset, (reading), optional
        Two or three tables of times from the seafloor [s], from ``seismic.time_depth`` or
        ``seismic.check_shot_times``.
    at : Quantity or DataArray, optional
        Depths [m]; without them those of the table with the fewest, where all tables have times.
    zero : {"seafloor", "first common depth"}
        Compare the times themselves, or what has passed since the first common depth, for a log
        that does not reach the seafloor.

    Returns
    -------
    Dataset, (reading)
        ``two_way_time`` [s] along ``way`` and ``reading``, ``earliest`` and ``latest`` [s],
        ``difference`` of each way from the mean of all and ``spread``, latest less earliest [%].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For fewer than two tables, tables with another datum, or depths that are not common.

    Notes
    -----
    Definition, in per cent of the mean. Published curves of one hole differ by up to 55 %, least in
    igneous and siliciclastic rocks and most in carbonates (abstract in Marine Geophysical Research,
    2019, doi 10.1007/s11001-019-09393-7).
    """
    given = {"core": core, "log": log, "check shots": check_shots}
    tables = {way: table for way, table in given.items() if table is not None}
    if len(tables) < 2:
        raise ValueError(f"{len(tables)} table of times has nothing to be compared with; give two")
    if zero not in (SEAFLOOR, "first common depth"):
        raise ValueError(f"zero is 'seafloor' or 'first common depth', not {zero!r}")
    others = [way for way, table in tables.items() if table.attrs.get("datum") == SEA_LEVEL]
    if others:
        raise ValueError(f"the times of {', '.join(others)} are from sea level; give them from the "
                         "seafloor")  # fmt: skip
    known = {way: checked_table(table)[1:] for way, table in tables.items()}
    top = max(float(depth[0]) for depth, _ in known.values())
    bottom = min(float(depth[-1]) for depth, _ in known.values())
    z = min((depth for depth, _ in known.values()), key=np.size)
    # A depth converted from another unit may miss the end of a table by its last bit.
    z = np.clip(z[(z >= top - 1e-9) & (z <= bottom + 1e-9)], top, bottom)
    if at is not None:
        z = np.atleast_1d(np.asarray(units.as_floats(at, "m", "at"), dtype=float))
    if z.size < 2:
        raise TooFewError("the tables have no two depths in common; give at= where all have times")
    for depth, _ in known.values():
        beyond(z, depth, "m", "refuse")
    times = np.array([Between(depth, z)(time) for depth, time in known.values()])
    if zero != SEAFLOOR:
        times -= times[:, :1]
    return _comparison(list(tables), z, times, zero)


def _comparison(ways: list[str], z: np.ndarray, times: np.ndarray, zero: str) -> xr.Dataset:
    mean = times.mean(axis=0)
    relative = np.where(mean > 0.0, mean, np.nan)
    found = xr.Dataset(
        {
            "two_way_time": (("way", "reading"), times, {
                "units": "s", "long_name": f"two-way time from the {zero}",
            }),
            "earliest": ("reading", times.min(axis=0), {
                "units": "s", "long_name": "earliest two-way time of all ways",
            }),
            "latest": ("reading", times.max(axis=0), {
                "units": "s", "long_name": "latest two-way time of all ways",
            }),
            "difference": (("way", "reading"), 100.0 * (times - mean) / relative, {
                "units": "%", "long_name": "difference from the mean of all ways",
            }),
            "spread": ("reading", 100.0 * np.ptp(times, axis=0) / relative, {
                "units": "%", "long_name": "latest less earliest of all ways, of their mean",
            }),
        },
        coords={
            "depth": ("reading", z, {"units": "m", "long_name": "depth below seafloor"}),
            "way": ("way", np.array(ways, dtype=object), {"long_name": "source of the times"}),
        },
    )  # fmt: skip
    found.attrs = {"zero": zero, "widest_spread_percent": float(np.nanmax(found["spread"]))}
    return found
