"""Two-way time against depth from core, log and check shots, and how far they differ."""

from __future__ import annotations

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from corephys import uncertainty
from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import node, require
from corephys.figures.style import ONE_COLUMN, SETTINGS, TWO_COLUMNS, label

__all__ = ["time_depth"]

# Told apart by line and by colour.
_WAYS = {
    "core": ("-", "#0072B2"), "log": ("--", "#D55E00"), "check shots": (":", "#009E73"),
}  # fmt: skip


def time_depth(tree: xr.DataTree) -> Plate:
    """Draw two-way times against depth, and the difference of each source from their mean.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/time_depth`` (s, m); check shots are drawn where it has them.

    Returns
    -------
    Plate
        A matplotlib Figure: the core with two standard uncertainties either way, check shots as
        symbols; beside it the differences [%] and their envelope.

    Raises
    ------
    NothingToDraw
        When the hole has no table of times.
    """
    table = require(tree, "products/time_depth", "time_depth")
    shots, compared = (
        node(tree, f"products/{name}") for name in ("check_shot_times", "times_compared")
    )
    panels = 1 + (compared is not None)
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(ONE_COLUMN if panels == 1 else TWO_COLUMNS, 100.0)
        axes = list(figure.subplots(1, panels, sharey=True, squeeze=False)[0])
        _times(axes[0], table, shots)
        if compared is not None:
            _differences(axes[1], compared)
        bottom = 1.03 * float(np.nanmax(table["depth"].values))
        axes[0].set_ylim(bottom, -0.02 * bottom)
        axes[0].set_ylabel("depth below seafloor [m]")
        figure.head(tree)
    what = "Two-way time against depth by each way to it, and how far the ways differ."
    return describe(figure, what, table, shots, compared, depth_scale="depth")


def _times(axes: Axes, table: xr.Dataset, shots: xr.Dataset | None) -> None:
    name = "two_way_time"
    panel = f"{label(name)} against depth [m]"
    depth, time = table["depth"].values, table[name].values
    u = uncertainty.total(table, name).values
    style, colour = _WAYS["core"]
    if np.isfinite(u).any():
        drawn.band(axes, panel, "core, one standard uncertainty", depth, time - u, time + u,
                   colour=colour)  # fmt: skip
    drawn.curve(axes, panel, "core", time, depth, colour=colour, style=style)
    handles = [axes.lines[-1]]
    names = ["core"]
    if shots is not None:
        drawn.points(
            axes, panel, "check shots", shots[name].values, shots["depth"].values,
            flag=shots[f"{name}_flag"].values, x_error=shots[f"{name}_u_random"].values,
            colour=_WAYS["check shots"][1],
        )  # fmt: skip
        handles.append(axes.lines[-1])
        names.append("check shots")
    axes.legend(handles, names, loc="upper right")
    axes.set_xlabel(label(name))
    axes.set_xlim(left=0.0)


def _differences(axes: Axes, compared: xr.Dataset) -> None:
    depth = compared["depth"].values
    differences = compared["difference"].values
    known = np.isfinite(differences).all(axis=0)
    panel = "difference from the mean of all sources [%] against depth [m]"
    drawn.band(axes, panel, "envelope", depth[known], differences[:, known].min(axis=0),
               differences[:, known].max(axis=0))  # fmt: skip
    for way, values in zip(compared["way"].values, differences, strict=True):
        style, colour = _WAYS[str(way)]
        drawn.curve(axes, panel, str(way), values[known], depth[known], colour=colour, style=style)
    drawn.curve(axes, panel, "zero", [0.0, 0.0], [depth[0], depth[-1]], colour="0.7")
    axes.legend(axes.lines[: compared.sizes["way"]], [str(w) for w in compared["way"].values],
                loc="lower right")  # fmt: skip
    axes.set_xlabel("difference from the mean of all sources [%]")
    reach = 1.15 * max(float(np.max(np.abs(differences[:, known]))), 0.5)
    axes.set_xlim(-reach, reach)
