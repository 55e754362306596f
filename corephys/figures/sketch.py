"""Small pictures for summary cards: one quantity against depth, or cores and quantities."""

from __future__ import annotations

from typing import Unpack

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from corephys.figures.caption import describe
from corephys.figures.look import Look, adaptable
from corephys.figures.plate import Plate, new_plate
from corephys.figures.reading import NothingToDraw, Series, node, series
from corephys.figures.style import ONE_COLUMN, label
from corephys.figures.tracks import depth_axis, draw_cores, draw_series, set_usual_scale, span

_HEIGHT = 62.0  # mm
_DENSE_FROM = 100  # values above which a series is drawn as dots without bars
# Leaves and quantities of a hole in the order in which they are drawn; at most three.
_OF_A_HOLE = (
    ("properties/density", "bulk_density"),
    ("properties/velocity", "p_wave_velocity"),
    ("products/porosity", "porosity"),
    ("properties/index_properties", "porosity"),
    ("properties/thermal_conductivity", "thermal_conductivity"),
)


@adaptable
def sketch(result: xr.Dataset, name: str, **options: Unpack[Look]) -> Plate:
    """Draw one quantity of a result against ``depth`` [m].

    Raises NothingToDraw if the result has no depth, lacks the quantity, or has no number of it.
    """
    found = series(xr.DataTree.from_dict({"/result": result}), "result", name)
    if found is None:
        raise NothingToDraw(
            f"a sketch needs numbers of {name} and the coordinate depth; this result lacks them"
        )
    with new_plate(ONE_COLUMN * 0.7, _HEIGHT) as figure:
        _track(figure.add_subplot(), found)
    return describe(figure, f"{found.label} against depth.", result, depth_scale="depth")


def sketch_hole(tree: xr.DataTree) -> Plate:
    """Draw the cores of a reduced hole and up to three of its quantities.

    Raises NothingToDraw if the hole has no cores, or no quantity against depth.
    """
    found = [one for path, name in _OF_A_HOLE if (one := series(tree, path, name)) is not None]
    found = list({one.name: one for one in reversed(found)}.values())[::-1][:3]
    cores = node(tree, "cores")
    if not found or cores is None:
        lacking = "table of cores" if cores is None else "quantity by depth"
        raise NothingToDraw(
            "a sketch of a hole needs cores.csv and a quantity by depth; this hole has no "
            f"{lacking}"
        )
    with new_plate(ONE_COLUMN, _HEIGHT) as figure:
        axes = figure.subplots(
            1, 1 + len(found), sharey=True, width_ratios=[0.35] + [1] * len(found)
        )
        draw_cores(axes[0], cores)
        for one, track in zip(found, axes[1:], strict=True):
            _track(track, one)
            track.set_ylabel("")
        axes[0].set_ylabel(label("depth"))
    return describe(figure, "Cores and properties of the hole.", depth_scale="depth")


def _track(axes: Axes, one: Series) -> None:
    """Draw a series on its track; a short one gets symbols with bars."""
    small = one.values.size > _DENSE_FROM
    draw_series(axes, one, "scan" if small else "samples", small=small)
    deep = np.nanmax(one.depth)
    axes.set_xlim(*span([one]))
    top = min(0.0, float(np.nanmin(one.depth))) - 0.01 * deep
    depth_axis(axes, 1.02 * deep, top, words=label("depth"))
    set_usual_scale(axes, [one])
    axes.set_xlabel(one.label.replace(" [", "\n["))
