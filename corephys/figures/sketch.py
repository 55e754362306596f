"""A small picture of a result beside its numbers: a quantity against depth, and no more."""

from __future__ import annotations

import matplotlib
import numpy as np
import xarray as xr

from corephys.figures import plate
from corephys.figures.plate import Plate, describe
from corephys.figures.reading import NothingToDraw, Series, node, series
from corephys.figures.style import COLOURS, ONE_COLUMN, SETTINGS, label
from corephys.figures.tracks import draw_cores, span

__all__ = ["sketch", "sketch_hole"]

_HEIGHT = 62.0  # mm
_OF_A_HOLE = (
    ("properties/density", "bulk_density"),
    ("properties/velocity", "p_wave_velocity"),
    ("products/porosity", "porosity"),
    ("properties/index_properties", "porosity"),
    ("properties/thermal_conductivity", "thermal_conductivity"),
)


def sketch(result: xr.Dataset, name: str) -> Plate:
    """Draw one quantity of a result against depth.

    Parameters
    ----------
    result : Dataset
        With the quantity and ``depth`` [m] along ``reading``.
    name : str
        Quantity.

    Returns
    -------
    Plate
        A small matplotlib Figure.

    Raises
    ------
    NothingToDraw
        When the result has no depth, not this quantity, or no number of it.
    """
    found = series(xr.DataTree.from_dict({"/result": result}), "result", name)
    if found is None:
        raise NothingToDraw(f"a sketch shows {name} against depth; this result has no such series")
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(ONE_COLUMN * 0.7, _HEIGHT)
        _track(figure.add_subplot(), found)
    return describe(figure, f"{found.label} against depth.", result, depth_scale="depth")


def sketch_hole(tree: xr.DataTree) -> Plate:
    """Draw the cores of a hole and up to three of its quantities.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.

    Returns
    -------
    Plate
        A small matplotlib Figure.

    Raises
    ------
    NothingToDraw
        When it has neither cores nor a quantity against depth.
    """
    found = [one for path, name in _OF_A_HOLE if (one := series(tree, path, name)) is not None]
    found = list({one.name: one for one in reversed(found)}.values())[::-1][:3]
    cores = node(tree, "cores")
    if not found or cores is None:
        raise NothingToDraw("a sketch of a hole shows its cores and a quantity against depth")
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(ONE_COLUMN, _HEIGHT)
        axes = figure.subplots(
            1, 1 + len(found), sharey=True, width_ratios=[0.35] + [1] * len(found)
        )
        draw_cores(axes[0], cores)
        for one, track in zip(found, axes[1:], strict=True):
            _track(track, one)
            track.set_ylabel("")
        axes[0].set_ylabel(label("depth"))
    return describe(figure, "Cores and properties of the hole.", depth_scale="depth")


def _track(axes: matplotlib.axes.Axes, one: Series) -> None:
    small = one.values.size > 100
    plate.points(
        axes,
        f"{one.label} against depth [m]",
        "scan" if small else "samples",
        one.values,
        one.depth,
        flag=one.flag,
        x_error=None if small else one.error,
        colour=COLOURS.get(one.name, "black"),
        small=small,
    )
    deep = np.nanmax(one.depth)
    axes.set_xlim(*span([one]))
    axes.set_ylim(1.02 * deep, min(0.0, float(np.nanmin(one.depth))) - 0.01 * deep)
    axes.set_xlabel(one.label.replace(" [", "\n["))
    axes.set_ylabel(label("depth"))
