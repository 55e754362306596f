"""Porosity against depth with the fit of compaction."""

from __future__ import annotations

import textwrap

import matplotlib
import numpy as np
import xarray as xr

from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import NothingToDraw, node, scalar, series
from corephys.figures.style import COLOURS, ONE_COLUMN, SETTINGS, label, stated
from corephys.figures.tracks import span
from corephys.ground import flags

__all__ = ["porosity_depth"]


def porosity_depth(tree: xr.DataTree, *, depth_scale: str = "depth") -> Plate:
    """Draw porosity against depth, scan and samples, with the fitted curve and its band.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with porosity of samples, of the scan, or both; the fit where it has one.
    depth_scale : {"depth", "depth_fitted"}
        Depth of the points [m]; the curve is that of the fit.

    Returns
    -------
    Plate
        A matplotlib Figure, one column wide.

    Raises
    ------
    NothingToDraw
        When the hole has no porosity.
    """
    scan = series(tree, "products/porosity", "porosity", depth_scale=depth_scale)
    samples = series(tree, "properties/index_properties", "porosity", depth_scale=depth_scale)
    present = [one for one in (scan, samples) if one is not None]
    if not present:
        raise NothingToDraw(
            "the figure porosity_depth shows porosity; this hole has neither samples of index "
            "properties nor a density scan that was reduced"
        )
    panel = f"porosity against {label(depth_scale)}"
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(ONE_COLUMN, 115.0)
        axes = figure.add_subplot()
        if scan is not None:
            drawn.points(
                axes, panel, "scan", scan.values, scan.depth, flag=scan.flag,
                colour=COLOURS["porosity"], small=True,
            )  # fmt: skip
        if samples is not None:
            drawn.points(
                axes, panel, "samples", samples.values, samples.depth, flag=samples.flag,
                x_error=samples.error, colour="black" if scan is not None else COLOURS["porosity"],
            )  # fmt: skip
        words = _draw_fit(axes, tree, panel)
        axes.set_xlim(*span(present))
        depths = np.concatenate([one.depth for one in present])
        room = 0.02 * (np.nanmax(depths) - np.nanmin(depths) or 1.0)
        axes.set_ylim(np.nanmax(depths) + room, min(0.0, np.nanmin(depths)) - room)
        axes.set_xlabel("porosity")
        axes.set_ylabel(label(depth_scale))
        figure.head(tree)
        if words:
            axes.text(0.97, 0.03, words, transform=axes.transAxes, ha="right", va="bottom",
                      fontsize=6, bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8,
                                        "pad": 1.5}, zorder=6)  # fmt: skip
    what = "Porosity against depth with the fitted law of compaction."
    if depth_scale != "depth":
        what += f" The fit was made on {label('depth')}, and its curve is drawn there."
    return describe(figure, what, node(tree, "products/compaction"), depth_scale=depth_scale)


def _draw_fit(axes: matplotlib.axes.Axes, tree: xr.DataTree, panel: str) -> str:
    """Draw the curve and its band; what is said of the fit."""
    panel = f"porosity against {label('depth')}"  # the scale on which the fit was made
    line = node(tree, "products/compaction_curve")
    if line is not None and {"porosity", "lower", "upper"} <= set(line.data_vars):
        depth = line["depth"].values
        drawn.band(axes, panel, "68 % band", depth, line["lower"].values, line["upper"].values)
        drawn.curve(axes, panel, "fit", line["porosity"].values, depth)
    fit = node(tree, "products/compaction")
    if fit is None:
        return ""
    if str(fit.attrs.get("model", "exponential")) != "exponential":
        return _other_law(fit)
    at_top, u_top = scalar(fit, "surface_porosity")
    length, u_length = scalar(fit, "decay_length")
    verdict = flags.usable(np.atleast_1d(fit["surface_porosity_flag"].values)).all()
    doubt = "" if verdict else f"\n{_doubt(fit)}"
    return (
        f"φ = φ₀ exp(−z / L)\nφ₀ = {stated(at_top, u_top)}\n"
        f"L = {stated(length, u_length, 'm')}{doubt}"
    )


def _doubt(fit: xr.Dataset) -> str:
    """Why a fit is flagged, in the words of its verdict."""
    return "\n".join(textwrap.wrap(f"flagged: {fit.attrs.get('verdict', '')}", 40))


def _other_law(fit: xr.Dataset) -> str:
    """Equation and parameters of a law that is not the plain exponential."""
    lines = [f"φ = {fit.attrs.get('equation', fit.attrs['model'])}"]
    for name in map(str, fit.data_vars):
        if fit[name].ndim or f"{name}_u_random" not in fit:
            continue
        value, u = scalar(fit, name)
        unit = str(fit[name].attrs.get("units", "1"))
        lines.append(f"{name.replace('_', ' ')} {stated(value, u, unit)}")
        if not flags.usable(np.atleast_1d(fit[f"{name}_flag"].values)).all():
            doubt = _doubt(fit)
            lines += [] if doubt in lines else [doubt]
    return "\n".join(sorted(lines, key=lambda line: line.startswith("flagged")))
