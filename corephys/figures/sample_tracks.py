"""Samples with depth: their densities and porosity, and their velocities along three axes."""

from __future__ import annotations

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from xarray import DataTree

from corephys import uncertainty
from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import Series, node, require, series
from corephys.figures.style import COLOURS, SETTINGS, TWO_COLUMNS, label
from corephys.figures.tracks import layer_boundaries, say_outside, span

__all__ = ["index_properties_depth", "velocity_axes"]

_HEIGHT = 110.0  # mm
_SHAPES = {"along": ("^", "#0072B2"), "across": ("o", "#D55E00"), "normal": ("s", "#009E73")}


def index_properties_depth(tree: DataTree, *, depth_scale: str = "depth") -> Plate:
    """Draw bulk density, porosity and grain density of samples against depth.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/index_properties``.
    depth_scale : {"depth", "depth_fitted"}
        Depth [m].

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide.

    Raises
    ------
    NothingToDraw
        When the hole has no samples.
    """
    samples = require(tree, "properties/index_properties", "index_properties_depth")
    names = ("bulk_density", "porosity", "grain_density")
    found = [series(tree, "properties/index_properties", n, depth_scale=depth_scale) for n in names]
    shown = [one for one in found if one is not None]
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, _HEIGHT)
        axes = figure.subplots(1, len(shown), sharey=True, squeeze=False)[0]
        for one, track in zip(shown, axes, strict=True):
            drawn.points(
                track, f"{one.label} against depth [m]", "samples", one.values, one.depth,
                flag=one.flag, x_error=one.error, colour=COLOURS.get(one.name, "black"),
            )  # fmt: skip
            track.set_xlim(*span([one]))
            track.set_xlabel(one.label)
            say_outside(track, [one.values])
        _down(axes, tree, shown, depth_scale)
    what = f"Bulk density, porosity and grain density of samples against depth{_dashed(tree)}."
    return describe(figure, what, samples, depth_scale=depth_scale)


def velocity_axes(tree: DataTree, *, depth_scale: str = "depth") -> Plate:
    """Draw velocities of samples along their axes, with the scan behind, and their anisotropy.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/sample_velocity`` [m/s]; scan and anisotropy where it has
        them.
    depth_scale : {"depth", "depth_fitted"}
        Depth [m].

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide.

    Raises
    ------
    NothingToDraw
        When the hole has no velocity of samples.
    """
    samples = require(tree, "properties/sample_velocity", "velocity_axes")
    scan = series(tree, "properties/velocity", "p_wave_velocity", depth_scale=depth_scale)
    pairs = series(
        tree, "properties/sample_anisotropy", "p_wave_anisotropy", depth_scale=depth_scale
    )
    own = series(tree, "properties/sample_velocity", "p_wave_velocity", depth_scale=depth_scale)
    shown = [one for one in (scan, own, pairs) if one is not None]
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, _HEIGHT)
        axes = figure.subplots(1, 1 + (pairs is not None), sharey=True, squeeze=False)[0]
        panel = f"{label('p_wave_velocity')} against depth [m]"
        if scan is not None:
            drawn.points(axes[0], panel, "scan", scan.values, scan.depth, flag=scan.flag,
                         colour="0.55", small=True)  # fmt: skip
        keys = _by_axis(axes[0], panel, samples, depth_scale)
        held = [one for one in (scan, own) if one is not None]
        axes[0].set_xlim(*span(held))
        axes[0].set_xlabel(label("p_wave_velocity"))
        axes[0].legend(handles=keys, loc="lower left", handletextpad=0.3)
        if pairs is not None:
            drawn.points(
                axes[1], f"{pairs.label} against depth [m]", "samples", pairs.values, pairs.depth,
                flag=pairs.flag, x_error=pairs.error,
            )  # fmt: skip
            axes[1].axvline(0.0, color="0.4", linewidth=0.8, linestyle="--", zorder=1)
            axes[1].set_xlabel(label("p_wave_anisotropy"))
        _down(axes, tree, shown, depth_scale)
    what = (
        "P-wave velocity of samples along the core, across it and normal to both, over the scan in "
        "grey"
        f"{'' if pairs is None else ', and their anisotropy'}, against depth{_dashed(tree)}."
    )
    anisotropy = node(tree, "properties/sample_anisotropy")
    return describe(figure, what, samples, anisotropy, depth_scale=depth_scale)


def _dashed(tree: DataTree) -> str:
    """What the dashed lines are, where there are any."""
    return "" if node(tree, "layers") is None else "; dashed: tops of layers"


def _by_axis(axes: Axes, panel: str, samples: object, depth_scale: str) -> list[Line2D]:
    data = samples
    axis = data["axis"].values.astype(str)  # type: ignore[index]
    scale = depth_scale if depth_scale in data.coords else "depth"  # type: ignore[attr-defined]
    depth = data[scale].values  # type: ignore[index]
    values = data["p_wave_velocity"].values.astype(float)  # type: ignore[index]
    error = uncertainty.total(data, "p_wave_velocity").values
    flag = data["p_wave_velocity_flag"].values  # type: ignore[index]
    keys = []
    for word in [w for w in (*_SHAPES, *sorted(set(axis) - set(_SHAPES))) if (axis == w).any()]:
        marker, ink = _SHAPES.get(word, ("D", "0.3"))
        here = axis == word
        drawn.points(axes, panel, word, values[here], depth[here], flag=flag[here],
                     x_error=error[here], marker=marker, colour=ink)  # fmt: skip
        keys.append(Line2D([], [], marker=marker, color=ink, markerfacecolor="white",
                           linestyle="none", markersize=3.6, label=word))  # fmt: skip
    return keys


def _down(axes: np.ndarray, tree: DataTree, shown: list[Series], depth_scale: str) -> None:
    """One axis of depth, downward, with the tops of the layers."""
    depths = np.concatenate([one.depth[np.isfinite(one.values)] for one in shown])
    low, high = float(np.nanmin(depths)), float(np.nanmax(depths))
    room = 0.02 * ((high - low) or 1.0)
    layers = node(tree, "layers")
    for track in axes:
        track.set_ylim(high + room, min(0.0, low) - room)
        if layers is not None:
            layer_boundaries(track, layers)
    axes[0].set_ylabel(label(depth_scale))
    figure = axes[0].figure
    assert isinstance(figure, Plate)
    figure.head(tree)
