"""Depths of a log: from where its file counts them to below the seafloor."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import companions, units
from corephys.ground.arguments import positive

__all__ = ["below_seafloor"]


def below_seafloor(
    log: xr.Dataset, *, seafloor_depth: Any, seafloor_depth_uncertainty: Any = None
) -> xr.Dataset:
    """Bring a log's depths to the seafloor.

    Parameters
    ----------
    log : Dataset, (reading)
        With the coordinate depth [m], as its file counts it.
    seafloor_depth : Quantity or str
        Depth of the seafloor in the same count [m]: where the log itself shows it, or water depth
        and height of the rig floor together; zero for a log from the seafloor.
    seafloor_depth_uncertainty : Quantity or str, optional
        Its standard uncertainty [m], one error of all depths of the log; unknown without it.

    Returns
    -------
    Dataset
        The log, quantities of the vocabulary in its units, with ``depth`` [m] below the seafloor,
        the coordinate ``depth_in_the_file`` [m],
        and ``seafloor_depth`` and ``seafloor_depth_uncertainty`` [m], NaN where not known.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For an uncertainty that is below zero.

    Notes
    -----
    Depth in the file less depth of the seafloor (definition). Depths along a hole that is not
    vertical stay depths along the hole.
    """
    log = companions.library_units(log)
    found = np.asarray(units.as_floats(log["depth"], "m", "depth"), dtype=float)
    seafloor = float(units.as_floats(seafloor_depth, "m", "seafloor_depth"))
    u = np.nan
    if seafloor_depth_uncertainty is not None:
        u = float(
            positive(seafloor_depth_uncertainty, "m", "seafloor_depth_uncertainty", zero=True)
        )
    words = {"units": "m", "long_name": "depth below seafloor, of the log", "positive": "down"}
    own = {"units": "m", "long_name": "depth as the file of the log counts it", "positive": "down"}
    placed = log.assign_coords(
        depth=("reading", found - seafloor, words), depth_in_the_file=("reading", found, own)
    )
    text = "depth of the seafloor in the file of the log"
    placed["seafloor_depth"] = ((), seafloor, {"units": "m", "long_name": text})
    text = f"standard uncertainty of the {text}"
    placed["seafloor_depth_uncertainty"] = ((), u, {"units": "m", "long_name": text})
    return placed
