"""Accumulation: age against depth with the errors of the data, and the rates between them."""

from __future__ import annotations

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from corephys import uncertainty
from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import NothingToDraw, node, require
from corephys.figures.style import COLOURS, SETTINGS, TWO_COLUMNS, label
from corephys.ground import flags

__all__ = ["accumulation"]

_SHORT = {
    "mass_accumulation_rate": "mass accumulation rate", "sedimentation_rate": "sedimentation rate",
}  # fmt: skip


def accumulation(tree: xr.DataTree) -> Plate:
    """Draw age against depth, and the mass accumulation rate against age in steps.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/accumulation`` (m, kyr, g/(cm^2 kyr)); where it has no
        mass the sedimentation rate (m/Myr) is drawn in its place. The ages of the hole are drawn
        with their errors where it has them.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide.

    Raises
    ------
    NothingToDraw
        When the hole has no accumulation, or none of its rates is a number.
    """
    rates = require(tree, "products/accumulation", "accumulation")
    name = next((key for key in _SHORT if key in rates), "sedimentation_rate")
    if name not in rates or not np.isfinite(rates[name].values).any():
        raise NothingToDraw("no rate of accumulation in this hole is a number")
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, 92.0)
        left, right = figure.subplots(1, 2)
        _ages(left, rates, node(tree, "ages"))
        left_out = _steps(right, rates, name)
        oldest = float(np.nanmax(rates["age_bottom"].values))
        for axes, deep, words in (
            (left, float(rates["bottom"].max()), "depth below seafloor [m]"),
            (right, oldest, label("age")),
        ):
            axes.set_ylim(1.03 * deep, -0.03 * deep)
            axes.set_ylabel(words)
        left.set_xlabel(label("age"))
        left.set_xlim(-0.03 * oldest, 1.06 * oldest)
        right.set_xlabel(label(name, words=_SHORT[name]))
        right.set_xlim(left=min(0.0, right.get_xlim()[0]))
        figure.head(tree)
    what = f"Age against depth, and {_SHORT[name]} against age." + (
        f" {left_out} flagged intervals have no rate and are left out." if left_out else ""
    )
    return describe(figure, what, rates, depth_scale="depth")


def _ages(axes: Axes, rates: xr.Dataset, table: xr.Dataset | None) -> None:
    """The data with their errors, and the line that the rates were taken from."""
    panel = f"{label('age')} against depth [m]"
    age = np.append(rates["age_top"].values, rates["age_bottom"].values[-1])
    depth = np.append(rates["top"].values, rates["bottom"].values[-1])
    drawn.curve(axes, panel, "ages of the rates", age, depth, colour="0.6")
    if table is None or "age" not in table:
        drawn.points(axes, panel, "ages", age, depth, colour=COLOURS["age"])
        return
    error = table["age_uncertainty"].values if "age_uncertainty" in table else None
    drawn.points(
        axes, panel, "ages", table["age"].values, table["depth"].values, x_error=error,
        colour=COLOURS["age"], marker="|", flag=table["flag"].values if "flag" in table else None,
    )  # fmt: skip


def _steps(axes: Axes, rates: xr.Dataset, name: str) -> int:
    """One step an interval with the band of its uncertainty; how many flagged ones are left out."""
    panel = f"{label(name)} against {label('age')}"
    values = rates[name].values.astype(float)
    error = uncertainty.total(rates, name).values
    young, old = rates["age_top"].values, rates["age_bottom"].values
    use = flags.usable(rates[f"{name}_flag"].values, ("good", "not_evaluated", "suspect"))
    use &= np.isfinite(values) & (old > young)
    colour = COLOURS["mass_accumulation_rate"]
    for run in np.split(np.arange(values.size), np.flatnonzero(~use)):
        run = run[use[run]]
        if not run.size:
            continue
        age = np.column_stack([young[run], old[run]]).ravel()
        step = np.repeat(values[run], 2)
        half = np.repeat(error[run], 2)
        if np.isfinite(half).all():
            drawn.band(axes, panel, "one standard uncertainty", age, step - half, step + half,
                       colour=colour)  # fmt: skip
        drawn.curve(axes, panel, _SHORT[name], step, age, colour=colour)
    for i in np.flatnonzero(rates["kind"].values == "hiatus"):
        axes.annotate("hiatus", (0.0, 0.5 * (young[i] + old[i])), xytext=(4, 0), fontsize=6,
                      textcoords="offset points", va="center")  # fmt: skip
    return int((~use & (rates["kind"].values != "hiatus")).sum())
