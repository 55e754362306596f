"""A reduced series as a LAS file beside the logs."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import xarray as xr

from corephys.downhole import logs_write
from corephys.export.report_table import version
from corephys.ground import companions, flags, vocabulary

__all__ = ["write_las"]

_SCALES = ("depth", "depth_fitted", "depth_closed")


def write_las(
    result: xr.Dataset | xr.DataTree, path: str | os.PathLike[str], *, depth_scale: str = "depth",
    allow: tuple[str, ...] = ("good", "not_evaluated"), well: str = "",
) -> Path:  # fmt: skip
    """Write a series of the cores as a LAS 2.0 file, in the order of depth.

    Parameters
    ----------
    result : Dataset or DataTree
        Leaf with quantities along ``reading``, such as ``reduced["properties/density"]``.
    path : path
        File to write, whole or not at all.
    depth_scale : {"depth", "depth_fitted", "depth_closed"}
        Which depth stands first [m].
    allow : tuple of str
        Flag levels whose values are written; the others stand as missing, their flags as curves.
    well : str
        Name in the well section; that of the hole where a leaf of one is given.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    ValueError
        When the result has no such depth, or no quantity with flags.
    LogError
        When a depth is missing.

    Notes
    -----
    LAS 2.0: Canadian Well Logging Society (1992); -999.25 stands for a missing value. Where cores
    overlap in depth, rows of both stand beside each other.
    """
    data = result.to_dataset(inherit=False) if isinstance(result, xr.DataTree) else result
    # Depths are stamped anew in metres, and uncertainties without a unit have their quantity's.
    data = companions.library_units(data)
    names = [str(n) for n in data.data_vars if f"{n}_flag" in data and data[n].dims == ("reading",)]
    if depth_scale not in data.coords or not names:
        raise ValueError(
            f"a LAS file needs a quantity with flags along its readings and the coordinate "
            f"{depth_scale!r}; this result has {', '.join(map(str, data.variables)) or 'nothing'}"
        )
    if depth_scale not in _SCALES:
        raise ValueError(f"no depth scale {depth_scale!r}; there are {', '.join(_SCALES)}")
    about = {"units": "m", "long_name": vocabulary.term(depth_scale).long_name}
    out = xr.Dataset(coords={"depth": ("reading", data[depth_scale].values, about)})
    for name in names:
        use = flags.usable(data[f"{name}_flag"].values, allow)
        for part in (name, f"{name}_u_random", f"{name}_u_systematic"):
            if part in data:
                values = np.where(use, data[part].values.astype(float), np.nan)
                out[part] = ("reading", values, dict(data[part].attrs))
        out[f"{name}_flag"] = ("reading", data[f"{name}_flag"].values, {"units": "1"})
    if not well and isinstance(result, xr.DataTree):
        well = str(result.root.attrs.get("title", ""))
    named = {"WELL": " ".join(well.split())} if well else {}
    named["PROG"] = f"corephys {version()}"
    out.attrs = {"safety": str(data.attrs["safety"])} if "safety" in data.attrs else {}
    return logs_write.write(out, path, well=named)
