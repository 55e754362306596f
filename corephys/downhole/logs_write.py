"""LAS files written, through lasio."""

from __future__ import annotations

import io
import os
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import xarray as xr

from corephys.downhole.logs_file import UNITS_OF_LAS, LogError
from corephys.ground import companions, units
from corephys.ground.provenance import write_bytes

__all__ = ["write"]

_EXACT = 17  # significant digits that tell any two floats apart


def _unit(dataset: xr.Dataset, name: str) -> str:
    """Unit of a variable; an uncertainty without one has that of its quantity."""
    given = dataset[name].attrs.get("units")
    quantity = next(
        (name.removesuffix(e) for e in companions.UNCERTAINTIES if name.endswith(e)), ""
    )
    if given is None and quantity in dataset:
        parent = units.canonical(str(dataset[quantity].attrs.get("units", "1")))
        given = units.difference_unit(parent)
    return "1" if given is None else str(given)


def write(
    dataset: xr.Dataset, path: str | os.PathLike[str], *, names: Mapping[str, str] | None = None,
    well: Mapping[str, str] | None = None, null: float = -999.25, digits: int = 10,
) -> Path:  # fmt: skip
    """Write series that lie along depth as a LAS 2.0 file.

    Parameters
    ----------
    dataset : Dataset
        With the coordinate ``depth`` [m]; numbers along it are written, with their uncertainties
        and flags where they have them.
    path : path
        File to write, whole or not at all.
    names : mapping of str to str, optional
        Name of the curve by variable; capitals of the variable's own where not given.
    well : mapping of str to str, optional
        Lines of the well section, such as ``{"WELL": "..."}``.
    null : float
        Stands for a missing value.
    digits : int
        Significant digits of values; 17 give every number back to the bit, and depths too.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    LogError
        When there is no depth, a depth is not finite, two curves would have one name, or a value
        is the one that stands for a missing one.

    Notes
    -----
    LAS 2.0: Canadian Well Logging Society (1992). Rows are written from the top downward.
    """
    import lasio

    if "depth" not in dataset.coords or dataset["depth"].ndim != 1:
        raise LogError("a log needs the coordinate depth along its readings")
    depth = np.asarray(units.as_floats(dataset["depth"], "m", "depth"), dtype=float)
    if not depth.size or not np.isfinite(depth).all():
        raise LogError("a depth is missing; a LAS file needs one in every row")
    order = np.argsort(depth, kind="stable")
    dim = dataset["depth"].dims
    las = lasio.LASFile()
    las.well["NULL"] = lasio.HeaderItem("NULL", value=null, descr="NULL VALUE")
    for name, value in (well or {}).items():
        las.well[name] = lasio.HeaderItem(name, value=" ".join(str(value).split()))
    words = str(dataset["depth"].attrs.get("long_name", "depth below seafloor"))
    las.append_curve("DEPT", depth[order], unit="M", descr=words)
    taken = {"DEPT"}
    for variable, data in dataset.data_vars.items():
        if data.dims != dim or data.dtype.kind not in "fiu":
            continue
        name = (names or {}).get(str(variable), str(variable).upper())
        if name in taken:
            raise LogError(f"two curves would be called {name!r}; give other names=")
        taken.add(name)
        if np.any(np.asarray(data.values) == null):
            raise LogError(
                f"{variable} holds {null:g}, which stands for a missing value; give another null="
            )
        unit = _unit(dataset, str(variable))
        las.append_curve(
            name, np.asarray(data.values, dtype=float)[order], unit=UNITS_OF_LAS.get(unit, unit),
            descr=str(data.attrs.get("long_name", variable)),
        )  # fmt: skip
    las.other = str(dataset.attrs.get("safety", ""))
    steps = np.diff(depth[order])
    even = steps.size > 0 and np.ptp(steps) < 1e-6
    exact = digits >= _EXACT  # the shortest text that is read back as the same float
    stream = io.StringIO()
    las.write(
        stream, version=2.0, fmt="%s" if exact else f"%.{digits}g",
        column_fmt={0: "%s" if exact else "%.5f"},
        STRT=depth[order][0], STOP=depth[order][-1], STEP=float(steps[0]) if even else 0.0,
    )  # fmt: skip
    return write_bytes(path, stream.getvalue().encode("utf-8"))
