"""Plates of tracks: the summary of a hole, its scan, and its samples."""

from __future__ import annotations

import textwrap

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from xarray import DataTree

from corephys import quality, uncertainty
from corephys.figures import plate
from corephys.figures.plate import Plate, describe
from corephys.figures.reading import NothingToDraw, Series, node, require, series
from corephys.figures.style import COLOURS, PAGE, SETTINGS, TWO_COLUMNS, label
from corephys.figures.tracks import (
    draw_cores,
    draw_layers,
    draw_track,
    layer_boundaries,
    methods_in_order,
    say_outside,
    span,
)
from corephys.ground.registry import Compiled

__all__ = ["index_properties_depth", "scan_tracks", "summary", "velocity_axes"]

# --------------------------------------------------------------------------------------------------
# The summary plate: all that a hole has, side by side on one depth axis.


# Quantity -> leaf of the scan and leaf of the samples; the order is that of the tracks.
_FIRST: dict[str, tuple[str, str]] = {
    "bulk_density": ("properties/density", "properties/index_properties"),
    "porosity": ("products/porosity", "properties/index_properties"),
    "p_wave_velocity": ("properties/velocity", ""),
    "acoustic_impedance": ("products/impedance", ""),
    "thermal_conductivity": ("", "properties/thermal_conductivity"),
}
TRACKS = Compiled(
    lambda sensors: {
        **_FIRST,
        **{s.quantity: (s.path, "") for s in sensors if s.quantity not in _FIRST},
    },
    _FIRST,
)
_AROUND, _NARROWEST = 30.0, 18.0  # beside the tracks, and of a track [mm]
USUAL = tuple(_FIRST)


def summary(
    tree: xr.DataTree,
    *,
    depth_scale: str = "depth",
    quantities: tuple[str, ...] | None = None,
    size: tuple[float, float] = PAGE,
) -> Plate:
    """Draw the summary plate of a hole.

    Parameters
    ----------
    tree : DataTree
        Reduced hole; half a hole gives fewer tracks.
    depth_scale : {"depth", "depth_fitted"}
        Depth as laid out or fitted into the advance [m].
    quantities : tuple of str, optional
        Tracks in this order; density to thermal conductivity, as far as the hole has them, where
        not given.
    size : tuple of float
        Width and height in print [mm].

    Returns
    -------
    Plate
        A matplotlib Figure.

    Raises
    ------
    NothingToDraw
        When the hole has none of the quantities.
    ValueError
        For an unknown quantity or depth scale, or more tracks than the size holds.
    """
    names = USUAL if quantities is None else quantities
    for name in names:
        if name not in TRACKS:
            raise ValueError(f"no track for {name!r}; there are {', '.join(TRACKS)}")
    found = {name: _pair(tree, name, depth_scale) for name in names}
    found = {name: pair for name, pair in found.items() if any(one is not None for one in pair)}
    if not found:
        raise NothingToDraw(
            f"the hole has none of {', '.join(names)}; its summary says which stages were skipped"
        )
    cores, layers = node(tree, "cores"), node(tree, "layers")
    with matplotlib.rc_context(SETTINGS):
        return _plate(tree, found, cores, layers, depth_scale, size)


def scan_tracks(tree: xr.DataTree, *, depth_scale: str = "depth") -> Plate:
    """Draw the sensors of the scan side by side.

    Parameters
    ----------
    tree : DataTree
        Reduced hole; sensors that it lacks are left out.
    depth_scale : {"depth", "depth_fitted"}
        Depth as laid out or fitted into the advance [m].

    Returns
    -------
    Plate
        A matplotlib Figure.

    Raises
    ------
    NothingToDraw
        When the hole has none of them.
    """
    return summary(tree, depth_scale=depth_scale, quantities=tuple(quality.SCAN))


def _pair(tree: xr.DataTree, name: str, depth_scale: str) -> tuple[Series | None, Series | None]:
    scan, samples = (
        series(tree, path, name, depth_scale=depth_scale) if path else None for path in TRACKS[name]
    )
    return scan, samples


def _plate(
    tree: xr.DataTree,
    found: dict[str, tuple[Series | None, Series | None]],
    cores: xr.Dataset | None,
    layers: xr.Dataset | None,
    depth_scale: str,
    size: tuple[float, float],
) -> Plate:
    room = int((size[0] - _AROUND) // _NARROWEST)
    if len(found) > room:
        raise ValueError(
            f"{size[0]:g} mm hold {max(room, 0)} tracks that can be read, {len(found)} were to be "
            "drawn; give a wider size= or fewer quantities="
        )
    figure = Plate(*size)
    strips = [0.26] * (cores is not None) + [0.42] * (layers is not None)
    grid = figure.add_gridspec(
        1, len(strips) + len(found), width_ratios=strips + [1.0] * len(found)
    )
    top, bottom = _depths(found, cores)
    axes = [figure.add_subplot(grid[0, 0])]
    for column in range(1, grid.ncols):
        axes.append(figure.add_subplot(grid[0, column], sharey=axes[0]))
        axes[-1].tick_params(labelleft=False)
    axes[0].set_ylim(bottom, top)
    axes[0].set_ylabel(label(depth_scale))
    tracks = axes[len(strips) :]
    if cores is not None:
        draw_cores(axes[0], cores)
    if layers is not None:
        draw_layers(axes[len(strips) - 1], layers, bottom - top)
    for one, pair in zip(tracks, found.values(), strict=True):
        draw_track(one, *pair)
        if one.get_xscale() == "linear":
            one.locator_params(axis="x", nbins=4)
        one.grid(axis="x", color="0.92", linewidth=0.4)
        one.set_axisbelow(True)
        if layers is not None:
            layer_boundaries(one, layers)
    figure.head(tree)
    figure.supxlabel(
        _caption(found, cores, layers, size[0]), fontsize=5.8, x=0.02, ha="left", color="0.25"
    )
    leaves = [node(tree, path) for name in found for path in TRACKS[name] if path]
    what = "Cores, layers and physical properties of the hole against depth."
    return describe(figure, what, *leaves, depth_scale=depth_scale)


def _depths(
    found: dict[str, tuple[Series | None, Series | None]], cores: xr.Dataset | None
) -> tuple[float, float]:
    """Top and bottom of the depth axis [m]."""
    depths = [one.depth for pair in found.values() for one in pair if one is not None]
    top = min(float(np.nanmin(depth)) for depth in depths)
    bottom = max(float(np.nanmax(depth)) for depth in depths)
    if cores is not None:
        top = min(top, float(np.nanmin(cores["top"])))
        bottom = max(bottom, float(np.nanmax(cores["top"] + cores["advance"])))
    room = 0.005 * (bottom - top)
    return top - room, bottom + room


def _caption(
    found: dict[str, tuple[Series | None, Series | None]],
    cores: xr.Dataset | None,
    layers: xr.Dataset | None,
    width: float,
) -> str:
    """What the signs mean."""
    scan = any(pair[0] is not None for pair in found.values())
    samples = any(pair[1] is not None for pair in found.values())
    words = []
    if cores is not None:
        words.append("cores filled as far as recovered, " + _greys(methods_in_order(cores)))
    words += ["dots: scan"] * scan
    words += ["open symbols: samples, bars one standard uncertainty each way"] * samples
    words += ["pale: flagged"]
    words += ["dashed: tops of layers"] * (layers is not None)
    return textwrap.fill("; ".join(words), width=int(0.75 * width))


def _greys(methods: list[str]) -> str:
    return methods[0] if len(methods) == 1 else f"dark to pale: {', '.join(methods)}"


# --------------------------------------------------------------------------------------------------
# Samples with depth: their densities and porosity, and their velocities along three axes.


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
            plate.points(
                track,
                f"{one.label} against depth [m]",
                "samples",
                one.values,
                one.depth,
                flag=one.flag,
                x_error=one.error,
                colour=COLOURS.get(one.name, "black"),
            )
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
            plate.points(
                axes[0],
                panel,
                "scan",
                scan.values,
                scan.depth,
                flag=scan.flag,
                colour="0.55",
                small=True,
            )
        keys = _by_axis(axes[0], panel, samples, depth_scale)
        held = [one for one in (scan, own) if one is not None]
        axes[0].set_xlim(*span(held))
        axes[0].set_xlabel(label("p_wave_velocity"))
        axes[0].legend(handles=keys, loc="lower left", handletextpad=0.3)
        if pairs is not None:
            plate.points(
                axes[1],
                f"{pairs.label} against depth [m]",
                "samples",
                pairs.values,
                pairs.depth,
                flag=pairs.flag,
                x_error=pairs.error,
            )
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
        plate.points(
            axes,
            panel,
            word,
            values[here],
            depth[here],
            flag=flag[here],
            x_error=error[here],
            marker=marker,
            colour=ink,
        )
        keys.append(
            Line2D(
                [],
                [],
                marker=marker,
                color=ink,
                markerfacecolor="white",
                linestyle="none",
                markersize=3.6,
                label=word,
            )
        )
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
