"""P-wave velocity against bulk density, with lines of equal impedance."""

from __future__ import annotations

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator
from xarray import DataTree

from corephys import uncertainty
from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import NothingToDraw, node, require
from corephys.figures.style import COLOURS, ONE_COLUMN, SETTINGS, label
from corephys.ground import flags, thresholds
from corephys.hole.placing.depth import match

__all__ = ["velocity_density"]

_WITHIN = thresholds.DEFAULTS["drawn_sample_reach"]
_PANEL = "P-wave velocity [m/s] against bulk density [g/cm^3]"


def velocity_density(tree: DataTree) -> Plate:
    """Draw velocity of the scan against the density beside it, and of samples where there are both.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/velocity`` [m/s] and ``/properties/density`` [g/cm^3].

    Returns
    -------
    Plate
        A matplotlib Figure, one column wide, with lines of equal acoustic impedance [MPa s/m].

    Raises
    ------
    NothingToDraw
        When the hole lacks either, or none of the readings lie beside each other.
    """
    velocity = require(tree, "properties/velocity", "velocity_density")
    density = require(tree, "properties/density", "velocity_density")
    beside = match(
        density, to=velocity, within=thresholds.DEFAULTS["drawn_pair_reach"], how="nearest"
    )
    v, rho = velocity["p_wave_velocity"].values.astype(float), beside["bulk_density"].values
    level = np.maximum(velocity["p_wave_velocity_flag"].values, beside["bulk_density_flag"].values)
    good = np.isfinite(v) & np.isfinite(rho) & flags.usable(level)
    if not good.any():
        raise NothingToDraw("no usable velocity of this hole has a usable density beside it")
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(ONE_COLUMN, 88.0)
        axes = figure.add_subplot()
        drawn.points(axes, _PANEL, "scan", rho, v, flag=level, colour=COLOURS["p_wave_velocity"],
                     small=True)  # fmt: skip
        _samples(axes, tree)
        for which, held in (("x", rho[good]), ("y", v[good])):
            low, high = np.quantile(held, [0.001, 0.999])
            room = 0.08 * float(high - low or abs(high) or 1.0)
            getattr(axes, f"set_{which}lim")(low - room, high + room)
        _impedance(axes)
        axes.set_xlabel(label("bulk_density"))
        axes.set_ylabel(label("p_wave_velocity"))
        figure.head(tree)
    what = (
        "P-wave velocity against bulk density at the same place; dots: scan, open symbols: samples;"
        " thin lines: equal acoustic impedance, in MPa s/m."
    )
    return describe(figure, what, velocity, density)


def _samples(axes: Axes, tree: DataTree) -> None:
    """Samples that have both, velocity across the core."""
    index, sent = (
        node(tree, "properties/index_properties"),
        node(tree, "properties/sample_velocity"),
    )
    if index is None or sent is None:
        return
    across = sent.isel(reading=sent["axis"].values.astype(str) == "across")
    if not across.sizes["reading"]:
        return
    beside = match(index, to=across, within=_WITHIN, how="nearest")
    level = np.maximum(
        across["p_wave_velocity_flag"].values, beside["bulk_density_flag"].values
    )  # fmt: skip
    drawn.points(
        axes, _PANEL, "samples, across the core", beside["bulk_density"].values,
        across["p_wave_velocity"].values, flag=level,
        x_error=uncertainty.total(beside, "bulk_density").values,
        y_error=uncertainty.total(across, "p_wave_velocity").values,
    )  # fmt: skip


def _impedance(axes: Axes) -> None:
    """Lines of equal impedance, named where they leave the axes."""
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    ends = np.array([left * bottom, right * top]) / 1000.0  # g/cm^3 m/s to MPa s/m
    for z in MaxNLocator(6).tick_values(*ends):
        x = np.linspace(left, right, 101)
        y = 1000.0 * z / x
        inside = (y >= bottom) & (y <= top)
        if not inside.any() or z <= 0.0:
            continue
        drawn.curve(axes, _PANEL, f"impedance {z:g} MPa s/m", x[inside], y[inside], colour="0.6")
        axes.lines[-1].set_linewidth(0.6)
        axes.lines[-1].set_zorder(1.0)
        place = int(np.flatnonzero(inside)[0])
        # A line that begins in a corner has no room for its number.
        if y[place] < bottom + 0.06 * (top - bottom) or x[place] > right - 0.12 * (right - left):
            continue
        if y[place] > top - 0.04 * (top - bottom) and x[place] < left + 0.02 * (right - left):
            continue
        drop = 0.035 * (top - bottom) if y[place] > top - 0.04 * (top - bottom) else 0.0
        axes.text(x[place] + 0.01 * (right - left), y[place] - drop, f"{z:g}", fontsize=5.5,
                  color="0.35", ha="left", va="center", zorder=5,
                  bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6})  # fmt: skip
