"""Models of compaction on the same porosities: curves, residuals, and what tells them apart."""

from __future__ import annotations

import textwrap

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import NothingToDraw, Series, node, require, series
from corephys.figures.style import COLOURS, SETTINGS, TWO_COLUMNS, label
from corephys.ground import flags

__all__ = ["compaction_models"]

# Line style and colour of each model: no two share both a style and a brightness.
_LINES = {
    "exponential": ("-", "#000000"),
    "offset exponential": ("--", "#0072B2"),
    "linear": (":", "#000000"),
    "power": ("-.", "#D55E00"),
    "exponential in stress": ((0, (5, 1, 1, 1, 1, 1)), "#56A0D3"),
    "void ratio in log stress": ((0, (8, 2)), "#B07800"),
}


def compaction_models(tree: xr.DataTree) -> Plate:
    """Draw all fitted models on the porosities, the residuals of the chosen one, and the order.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/compaction_models``.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide: curves with the band of the chosen fit, residuals
        against depth, and AICc and cross-validation error of every model.

    Raises
    ------
    NothingToDraw
        When the hole has no comparison of models, or no porosity to draw beside it.
    """
    models = require(tree, "products/compaction_models", "compaction_models")
    path = str(models.attrs.get("porosity_from", "properties/index_properties"))
    points = series(tree, path, "porosity")
    if points is None:
        raise NothingToDraw(f"the figure compaction_models shows /{path}, which this hole lacks")
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, 110.0)
        axes = figure.subplots(1, 3, width_ratios=(1.25, 0.8, 1.15))
        _curves(axes[0], tree, models, points)
        _residuals(axes[1], tree, points)
        _order(axes[2], models)
        bottom = float(np.nanmax(points.depth))
        for one in axes[:2]:
            one.set_ylim(1.02 * bottom, -0.02 * bottom)
        axes[0].set_ylabel(label("depth"))
        axes[1].tick_params(labelleft=False)
        figure.head(tree)
    what = (
        f"Porosity against depth with {models.sizes['model']} models of compaction, "
        "residuals of the one that the recipe takes for the products, and their order by AICc and "
        "by the error of cross-validation (CV). Rules are those of the verdict on a fit, such as "
        "no parameter at its bound and no trend in the residuals."
    )
    return describe(figure, what, models, node(tree, "products/compaction"), depth_scale="depth")


def _curves(axes: Axes, tree: xr.DataTree, models: xr.Dataset, points: Series) -> None:
    panel = f"porosity against {label('depth')}"
    small = points.values.size > 400
    drawn.points(
        axes, panel, "porosity", points.values, points.depth, flag=points.flag, small=small,
        x_error=None if small else points.error, colour=COLOURS["porosity"],
    )  # fmt: skip
    chosen = node(tree, "products/compaction_curve")
    if chosen is not None:
        drawn.band(
            axes, panel, "68 % band of the chosen fit", chosen["depth"].values,
            chosen["lower"].values, chosen["upper"].values,
        )  # fmt: skip
    depth, keys = models["depth"].values, []
    for name in models["model"].values:
        style, colour = _LINES[str(name)]
        values = models["porosity"].sel(model=name).values
        drawn.curve(axes, panel, str(name), values, depth, colour=colour, style=style)
        keys.append(Line2D([], [], linestyle=style, color=colour, linewidth=1.0, label=str(name)))
    low, high, hidden = _limits(points.values, points.flag)
    room = high - low
    # Porosity falls with depth: the words of the lines have room at the upper left.
    axes.set_xlim(max(low - 0.9 * room, 0.0), min(high + 0.2 * room, 1.0))
    axes.set_xlabel(label("porosity") + (f" ({hidden} flagged off axis)" if hidden else ""))
    axes.legend(handles=keys, loc="upper left", handlelength=2.6, fontsize=5.4)


def _limits(values: np.ndarray, flag: np.ndarray) -> tuple[float, float, int]:
    """Range of the usable values, and how many others lie outside it by more than a fifth."""
    known = np.isfinite(values)
    good = known & flags.usable(flag)
    shown = values[good if good.any() else known]
    low, high = float(shown.min()), float(shown.max())
    room = 0.2 * (high - low or 0.1)
    return low, high + 0.1 * room, int(((values < low - room) | (values > high + room)).sum())


def _residuals(axes: Axes, tree: xr.DataTree, points: Series) -> None:
    """Porosity less the chosen curve, at its own depths."""
    chosen = node(tree, "products/compaction_curve")
    fit = node(tree, "products/compaction")
    if chosen is None or fit is None:
        axes.set_axis_off()
        return
    name = str(fit.attrs.get("model", "exponential"))
    panel = f"residual against {label('depth')}"
    order = np.argsort(chosen["depth"].values)
    z, curve = chosen["depth"].values[order], chosen["porosity"].values[order]
    residual = points.values - np.interp(points.depth, z, curve)
    drawn.points(
        axes, panel, f"porosity less {name}", residual, points.depth, flag=points.flag,
        small=residual.size > 400, colour=COLOURS["porosity"],
    )  # fmt: skip
    drawn.curve(axes, panel, "zero", [0.0, 0.0], [float(z[0]), float(z[-1])], colour="0.4")
    low, high, _ = _limits(residual, points.flag)
    width = 1.3 * max(abs(low), abs(high), 1e-3)
    axes.set_xlim(-width, width)
    axes.set_xlabel(f"porosity less the fit:\n{name}")


def _order(axes: Axes, models: xr.Dataset) -> None:
    """AICc difference and cross-validation error of every model as a table of text."""
    axes.set_axis_off()
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 1.0)
    names = [str(name) for name in models["model"].values]
    step, top = 0.052, 0.985
    for x, words, side in (
        (0.0, "model", "left"), (0.62, "ΔAICc", "right"), (0.82, "CV error", "right"),
        (1.0, "rules", "right"),
    ):  # fmt: skip
        axes.text(x, top, words, ha=side, va="top", fontsize=6)
    for i, name in enumerate(names, start=1):
        at = top - step * i
        difference = float(models["aicc_difference"][i - 1])
        error = float(models["cross_validation_error"][i - 1])
        kept = str(models["verdict"].values[i - 1]) == "no rule is broken"
        axes.text(0.0, at, name, ha="left", va="top", fontsize=5.4)
        axes.text(0.62, at, f"{difference:.1f}", ha="right", va="top", fontsize=5.4)
        axes.text(0.82, at, f"{error:.4f}", ha="right", va="top", fontsize=5.4)
        axes.text(1.0, at, "kept" if kept else "broken", ha="right", va="top", fontsize=5.4)
    words = str(models.attrs.get("verdict", "")).replace("; ", "\n")
    lines = [
        part
        for line in words.split("\n")
        for part in textwrap.wrap(f"– {line}", 56, subsequent_indent="   ")
    ]
    axes.text(
        0.0, top - step * (len(names) + 1.6), "\n".join(lines[:26]), ha="left", va="top",
        fontsize=5.0, linespacing=1.25,
    )  # fmt: skip
