"""All depth scales of a hole side by side, and from each to every other."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys import units
from corephys.series import PositionError

__all__ = ["SCALES", "convert", "scales"]

SCALES = ("depth", "depth_fitted", "depth_composite", "depth_composite_over_growth")


def scales(
    sections: xr.Dataset, shifts: xr.Dataset, *, hole: str, growth_factor: float = 1.0
) -> xr.Dataset:
    """Tops and bottoms of the sections of a hole on every depth scale.

    Parameters
    ----------
    sections : Dataset
        From ``corephys.depth.section_tops``: core, section, top, bottom, top_fitted and
        bottom_fitted [m].
    shifts : Dataset
        From :func:`corephys.hole.composite.shifts`.
    hole : str
        Which hole.
    growth_factor : float
        Of the site or hole [1]; composite depth over it has the length that was drilled.

    Returns
    -------
    Dataset
        Along ``row`` (sections) and ``end`` ("top", "bottom"): ``depth`` as laid out,
        ``depth_fitted``, ``depth_composite`` and ``depth_composite_over_growth``, all [m]; and
        ``growth_residual`` [m], composite depth over growth less depth as laid out: what one
        growth factor leaves of the shifts.

    Raises
    ------
    PositionError
        When a core has no shift.
    ValueError
        When the growth factor is not above zero.

    Notes
    -----
    Definitions; see :func:`corephys.hole.depth.place` and
    :func:`corephys.hole.composite.growth_factor`.
    """
    if not growth_factor > 0.0:
        raise ValueError(f"growth_factor is {growth_factor:g}; it has to be above zero")
    mine = shifts["hole"].values == hole
    known = dict(zip(shifts["core"].values[mine], shifts["shift"].values[mine], strict=True))
    core = np.asarray(sections["core"].values, dtype=object)
    missing = sorted({str(c) for c in core} - set(known))
    if missing:
        raise PositionError(f"core {missing[0]!r} of hole {hole!r} has no shift")
    shift = np.array([known[c] for c in core], dtype=float)[:, None]
    laid = np.column_stack([_meters(sections, "top"), _meters(sections, "bottom")])
    fitted = np.column_stack([_meters(sections, "top_fitted"), _meters(sections, "bottom_fitted")])
    together = laid + shift
    over = together / growth_factor
    values = dict(zip(SCALES, (laid, fitted, together, over), strict=True))
    words = ("depth as laid out", "depth fitted into the advance", "composite depth",
             "composite depth over growth")  # fmt: skip
    dims = ("row", "end")
    return xr.Dataset(
        {
            **{
                name: (dims, values[name], {"units": "m", "long_name": text})
                for name, text in zip(SCALES, words, strict=True)
            },
            "growth_residual": (dims, over - laid, {
                "units": "m", "long_name": "composite depth over growth less depth as laid out"}),
        },
        coords={
            "core": ("row", core, {"long_name": "core"}),
            "section": ("row", np.asarray(sections["section"].values, dtype=object),
                        {"long_name": "section"}),
            "end": ("end", np.array(["top", "bottom"], dtype=object),
                    {"long_name": "end of the section"}),
        },
        attrs={"hole": hole, "growth_factor": growth_factor},
    )  # fmt: skip


def _meters(table: xr.Dataset, name: str) -> np.ndarray:
    return np.asarray(units.as_floats(table[name], "m", name), dtype=float)


def convert(depth: Any, core: Any, table: xr.Dataset, *, given: str, wanted: str) -> np.ndarray:
    """Depths of a hole from one scale to another.

    Parameters
    ----------
    depth : Quantity, DataArray or str, (n,)
        [m] on the scale ``given``.
    core : (n,) array of str or str
        Cores overlap on every scale, so that a depth alone says nothing.
    table : Dataset
        From :func:`scales`.
    given, wanted : str
        Of :data:`SCALES`.

    Returns
    -------
    ndarray, (n,)
        [m]; NaN above the top and below the bottom of the core, and where a stretch of the core
        was closed up to nothing on the scale ``given``.

    Raises
    ------
    PositionError
        For a core that is not in the table.
    ValueError
        For an unknown scale.
    UnitError
        For a bare number.

    Notes
    -----
    Linear inside a section (definition): within one section every scale is laid out evenly,
    unless a void in it was closed, whose depth is then spread over the section.
    """
    for scale in (given, wanted):
        if scale not in SCALES:
            raise ValueError(f"there is no scale {scale!r}; there are {', '.join(SCALES)}")
    z = np.atleast_1d(np.asarray(units.as_floats(depth, "m", "depth"), dtype=float))
    cores = np.broadcast_to(np.asarray(core, dtype=object), z.shape)
    found = np.full(z.shape, np.nan)
    for name in pd.unique(cores):
        rows = np.flatnonzero(table["core"].values == name)
        if rows.size == 0:
            raise PositionError(f"core {name!r} is not in the table of scales")
        x = table[given].values[rows].ravel()
        y = table[wanted].values[rows].ravel()
        mine = cores == name
        found[mine] = _interpolated(z[mine], x, y)
    return found


def _interpolated(at: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Linear between knots, of which two may lie at one place: then it is the same bed."""
    order = np.argsort(x, kind="stable")
    x, y = x[order], y[order]
    outside = (at < x[0] - 1e-9) | (at > x[-1] + 1e-9)
    return np.where(outside, np.nan, np.interp(at, x, y))
