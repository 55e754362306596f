"""Compression curves with the range of their yield stress, beside the load that lies above."""

from __future__ import annotations

from typing import Any

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import node, require
from corephys.figures.style import (
    DASHES,
    FLAGGED,
    RESEARCH_ONLY,
    SETTINGS,
    TWO_COLUMNS,
    label,
    plain,
)
from corephys.ground import flags

__all__ = ["consolidation_curves"]

_MARKERS = ("o", "s", "^", "D", "v", "P")
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
        figure.head(tree)
        figure.get_layout_engine().set(rect=(0.0, 0.03, 1.0, 0.97))  # type: ignore[union-attr]
    what = (
        "Void ratio against stress of the compression tests with the range of the yield "
        "stress, and yield stress against depth."
    )
    return describe(figure, what, points, yields, load, depth_scale="depth")


def _curves(axes: Axes, points: xr.Dataset, yields: xr.Dataset) -> None:
    panel = f"{label('void_ratio')} against stress [kPa]"
    tests, keys = points["test"].values.astype(str), []
    stress, e = points["stress"].values, points["void_ratio"].values
    for number, name in enumerate(dict.fromkeys(tests)):
        ink, marker, style = (looks[number % len(looks)] for looks in (_INKS, _MARKERS, DASHES))
        rows = np.flatnonzero((tests == name) & np.isfinite(e) & (stress > 0))
        if not rows.size:
            continue
        drawn.curve(axes, panel, f"test {name}", stress[rows], e[rows], colour=ink,
                    style=style)  # fmt: skip
        drawn.points(axes, panel, f"steps of {name}", stress[rows], e[rows], colour=ink,
                     marker=marker, flag=points["void_ratio_flag"].values[rows])  # fmt: skip
        keys.append(Line2D([], [], color=ink, linestyle=style, marker=marker, markersize=3.6,
                           markerfacecolor="white", label=plain(name)))  # fmt: skip
        at = yields["test"].values.astype(str) == name
        if at.any() and np.isfinite(yields["yield_stress"].values[at][0]):
            _bracket(
                axes,
                yields.isel(reading=int(np.argmax(at))),
                stress[rows],
                e[rows],
                (ink, style, marker),
            )
    axes.set_xscale("log")
    axes.legend(handles=keys[:12], title="test", title_fontsize=6, loc="lower left",
                handlelength=3.6)  # fmt: skip
    axes.set_xlabel("vertical effective stress of the test [kPa]")
    axes.set_ylabel(label("void_ratio"))


def _bracket(
    axes: Axes, one: xr.Dataset, stress: np.ndarray, e: np.ndarray, look: tuple[str, Any, str]
) -> None:  # fmt: skip
    """Least, middle and greatest yield stress, as a bar above its curve."""
    ink, style, marker = look
    order = np.argsort(stress)
    low, best, high = (
        float(one[name]) for name in ("yield_stress_low", "yield_stress", "yield_stress_high")
    )
    height = float(np.interp(best, stress[order], np.maximum.accumulate(e[order][::-1])[::-1]))
    height += 0.03 * float(np.ptp(axes.get_ylim()))
    panel = f"{label('void_ratio')} against stress [kPa]"
    use = bool(flags.usable(np.atleast_1d(one["yield_stress_flag"].values)).all())
    drawn.curve(axes, panel, f"range of the yield stress, {one['test'].item()}", [low, high],
                [height, height], colour=ink if use else FLAGGED, style=style)  # fmt: skip
    drawn.points(axes, panel, f"yield stress, {one['test'].item()}", [best], [height],
                 marker=marker, colour=ink, flag=[int(one["yield_stress_flag"])])  # fmt: skip


def _against_depth(axes: Axes, yields: xr.Dataset, load: xr.Dataset | None) -> None:
    name = "yield_stress"
    panel = f"{label(name)} against depth [m]"
    depth, best = yields["depth"].values, yields[name].values
    usable = flags.usable(yields[f"{name}_flag"].values)
    if load is not None:
        order = np.argsort(load["depth"].values)
        drawn.curve(
            axes, panel, _LOAD, load["vertical_effective_stress"].values[order],
            load["depth"].values[order], colour="0.4", style="--",
        )  # fmt: skip
    for row in np.flatnonzero(np.isfinite(best)):
        low, high = (float(yields[f"{name}_{side}"].values[row]) for side in ("low", "high"))
        ink = _INKS[row % len(_INKS)] if usable[row] else FLAGGED
        drawn.curve(axes, panel, f"range, {yields['test'].values[row]}", [low, high],
                    [depth[row]] * 2, colour=ink, style=DASHES[row % len(DASHES)])  # fmt: skip
        axes.annotate(plain(yields["test"].values[row]), (high, depth[row]), xytext=(3, 0),
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
        axes.legend(handles=[key], loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.2)
