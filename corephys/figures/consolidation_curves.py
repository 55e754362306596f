"""Compression curves with the range of their yield stress, beside the load that lies above."""

from __future__ import annotations

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import node, require
from corephys.figures.style import RESEARCH_ONLY, SETTINGS, TWO_COLUMNS, label

__all__ = ["consolidation_curves"]

_INKS = ("#0072B2", "#D55E00", "#009E73", "#7A4E9E", "#B07800", "#000000")
_LOAD = "effective stress, hydrostatic"


def consolidation_curves(tree: xr.DataTree) -> Plate:
    """Draw void ratio against the logarithm of stress, and yield stress against depth.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/consolidation_curve`` and ``/properties/yield_stress``
        [kPa]; the effective stress is drawn where it has one.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide, with the line of caution below. Bars are the range
        of the yield stress over the methods, each with its own uncertainty.

    Raises
    ------
    NothingToDraw
        When the hole has no consolidation test.
    """
    points = require(tree, "properties/consolidation_curve", "consolidation_curves")
    yields = require(tree, "properties/yield_stress", "consolidation_curves")
    load = node(tree, "products/effective_stress")
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, 86.0)
        left, right = figure.subplots(1, 2, width_ratios=[1.35, 1.0])
        _curves(left, points, yields)
        _against_depth(right, yields, load)
        figure.text(0.01, 0.003, RESEARCH_ONLY, fontsize=4.6, ha="left", va="bottom")
        figure.get_layout_engine().set(rect=(0.0, 0.03, 1.0, 0.97))  # type: ignore[union-attr]
    what = (
        "Void ratio against stress of the compression tests with the range of the yield "
        "stress, and yield stress against depth."
    )
    return describe(figure, what, points, yields, load, depth_scale="depth")


def _curves(axes: Axes, points: xr.Dataset, yields: xr.Dataset) -> None:
    panel = f"{label('void_ratio')} against stress [kPa]"
    tests = points["test"].values.astype(str)
    stress, e = points["stress"].values, points["void_ratio"].values
    for number, name in enumerate(dict.fromkeys(tests)):
        ink = _INKS[number % len(_INKS)]
        rows = np.flatnonzero((tests == name) & np.isfinite(e) & (stress > 0))
        if not rows.size:
            continue
        drawn.curve(axes, panel, f"test {name}", stress[rows], e[rows], colour=ink)
        drawn.points(axes, panel, f"steps of {name}", stress[rows], e[rows], colour=ink,
                     marker=".", flag=points["void_ratio_flag"].values[rows])  # fmt: skip
        at = yields["test"].values.astype(str) == name
        if at.any() and np.isfinite(yields["yield_stress"].values[at][0]):
            _bracket(axes, yields.isel(reading=int(np.argmax(at))), stress[rows], e[rows], ink)
        axes.text(stress[rows][-1], e[rows][-1], f" {name}", color=ink, fontsize=6, va="center",
                  ha="right")  # fmt: skip
    axes.set_xscale("log")
    axes.set_xlabel("vertical effective stress of the test [kPa]")
    axes.set_ylabel(label("void_ratio"))


def _bracket(axes: Axes, one: xr.Dataset, stress: np.ndarray, e: np.ndarray, ink: str) -> None:
    """Least, middle and greatest yield stress, as a bar above its curve."""
    order = np.argsort(stress)
    low, best, high = (
        float(one[name]) for name in ("yield_stress_low", "yield_stress", "yield_stress_high")
    )
    height = float(np.interp(best, stress[order], np.maximum.accumulate(e[order][::-1])[::-1]))
    height += 0.03 * float(np.ptp(axes.get_ylim()))
    panel = f"{label('void_ratio')} against stress [kPa]"
    drawn.curve(axes, panel, f"range of the yield stress, {one['test'].item()}", [low, high],
                [height, height], colour=ink)  # fmt: skip
    drawn.points(axes, panel, f"yield stress, {one['test'].item()}", [best], [height], marker="|",
                 colour=ink)  # fmt: skip


def _against_depth(axes: Axes, yields: xr.Dataset, load: xr.Dataset | None) -> None:
    name = "yield_stress"
    panel = f"{label(name)} against depth [m]"
    depth, best = yields["depth"].values, yields[name].values
    if load is not None:
        order = np.argsort(load["depth"].values)
        drawn.curve(
            axes, panel, _LOAD, load["vertical_effective_stress"].values[order],
            load["depth"].values[order], colour="0.4", style="--",
        )  # fmt: skip
    for row in np.flatnonzero(np.isfinite(best)):
        low, high = (float(yields[f"{name}_{side}"].values[row]) for side in ("low", "high"))
        drawn.curve(axes, panel, f"range, {yields['test'].values[row]}", [low, high],
                    [depth[row]] * 2, colour=_INKS[row % len(_INKS)])  # fmt: skip
        axes.annotate(f"{yields['test'].values[row]}", (high, depth[row]), xytext=(3, 0),
                      fontsize=6, textcoords="offset points", va="center")  # fmt: skip
        drawn.points(axes, panel, f"{yields['test'].values[row]}", [best[row]], [depth[row]],
                     colour=_INKS[row % len(_INKS)],
                     flag=yields[f"{name}_flag"].values[[row]])  # fmt: skip
    bottom = 1.04 * float(np.nanmax(depth))
    axes.set_ylim(bottom, -0.02 * bottom)
    axes.set_xlim(0.0, 1.08 * axes.get_xlim()[1])
    axes.set_xlabel("yield stress [kPa]")
    axes.set_ylabel("depth below seafloor [m]")
    if load is not None:
        key = Line2D([], [], color="0.4", linewidth=1.0, linestyle="--", label=_LOAD)
        axes.legend(handles=[key], loc="lower left")
