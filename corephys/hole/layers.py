"""What a depth or a core belongs to: its layer, lithology and coring method."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

__all__ = ["layer_column", "method_of"]


def layer_column(layers: xr.Dataset | None, depth: Any, column: str = "name") -> np.ndarray:
    """A column of the table of layers, looked up by depth.

    Parameters
    ----------
    layers : Dataset or None
        With ``top`` and ``bottom`` [m] and the column, along ``row``.
    depth : (n,) array of float
        Depth below the seafloor, as laid out [m].
    column : str
        Such as ``name`` or ``lithology``.

    Returns
    -------
    ndarray of object, (n,)
        ``"all"`` without a table, ``"between layers"`` outside every layer. A layer holds its
        top and not its bottom; where layers overlap, the later row is taken.
    """
    depth = np.asarray(depth, dtype=float)
    if layers is None or column not in layers:
        return np.full(depth.size, "all", dtype=object)
    found = np.full(depth.size, "between layers", dtype=object)
    for word, top, bottom in zip(
        layers[column].values, layers["top"].values, layers["bottom"].values, strict=True
    ):
        found[(depth >= top) & (depth < bottom)] = str(word)
    return found


def method_of(cores: xr.Dataset | None, core: Any) -> np.ndarray:
    """Coring method of every reading.

    Parameters
    ----------
    cores : Dataset or None
        With ``core`` and ``coring_method``.
    core : (n,) array of str
        Core of every reading.

    Returns
    -------
    ndarray of object, (n,)
        An empty text where it is not known.
    """
    names = np.asarray(core, dtype=object)
    if cores is None or "core" not in cores or "coring_method" not in cores:
        return np.full(names.size, "", dtype=object)
    known = dict(zip(cores["core"].values, cores["coring_method"].values, strict=True))
    return np.array([known.get(name, "") for name in names], dtype=object)
