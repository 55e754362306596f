"""Figures of tracks: the summary of a hole, its scan, and its samples."""

from __future__ import annotations

import textwrap
from typing import Unpack

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from corephys import quality, uncertainty
from corephys.figures import look, plate
from corephys.figures.caption import describe
from corephys.figures.intervals import draw_lithology, looks
from corephys.figures.look import Look, adaptable
from corephys.figures.part import Cores, Depths, Part, cut
from corephys.figures.plate import Plate, legend_below, new_plate, symbol_key
from corephys.figures.reading import (
    DEPTHS,
    NothingToDraw,
    Series,
    node,
    require,
    series,
    supplied_beside,
    the_hole,
)
from corephys.figures.style import PAGE, TWO_COLUMNS, label
from corephys.figures.tracks import (
    count_outside,
    depth_axis,
    draw_beside,
    draw_cores,
    draw_layers,
    draw_series,
    draw_track,
    layer_boundaries,
    methods_in_order,
    name_symbols,
    span,
)
from corephys.ground.choices import choice
from corephys.ground.registry import Compiled
from corephys.hole.placing.described import stretches

__all__ = ["index_properties_depth", "scan_tracks", "summary", "velocity_axes"]

# --------------------------------------------------------------------------------------------------
# The summary: cores, layers and properties of a hole, side by side on one depth axis.


# Quantity -> leaf of the scan and leaf of the samples, in the order of the tracks.
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
_AROUND, _NARROWEST = 30.0, 18.0  # width beside the tracks, and smallest width of a track [mm]
_USUAL = tuple(_FIRST)


@adaptable
def summary(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    depth_scale: str = "depth",
    quantities: tuple[str, ...] | None = None,
    description: bool = True,
    **options: Unpack[Look],
) -> Plate:
    """Draw cores, layers and properties of a hole side by side on one depth axis.

    Parameters
    ----------
    tree : DataTree
        Reduced hole; quantities that it lacks are left out.
    core : str or sequence of str, optional
        Names of the cores that are drawn; all if not given.
    depth : (Quantity or str, Quantity or str), optional
        Top and bottom of the depths that are drawn [m], such as ``("20 m", "60 m")``; None for an
        open end.
    depth_scale : {"depth", "depth_fitted"}
        Depth as laid out or fitted into the advance [m].
    quantities : tuple of str, optional
        Tracks in this order; the default is bulk density, porosity, P-wave velocity, acoustic
        impedance and thermal conductivity.
    description : bool
        Whether the lithology of ``description.csv`` is drawn as a strip, where the hole has it.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure.

    Raises
    ------
    NothingToDraw
        If the hole has none of the quantities.
    ValueError
        If a quantity, a core or the depth scale is unknown, ``depth`` is not a range, or the tracks
        do not fit into ``size``.
    """
    depth_scale = choice(depth_scale, DEPTHS, "depth_scale")
    tree = cut(tree, core, depth, depth_scale=depth_scale)
    names = _USUAL if quantities is None else quantities
    for name in names:
        if name not in TRACKS:
            raise ValueError(f"quantities has {name!r}; tracks exist for {', '.join(TRACKS)}")
    found = {name: pair(tree, name, depth_scale) for name in names}
    found = {name: pair for name, pair in found.items() if any(one is not None for one in pair)}
    if not found:
        raise NothingToDraw(
            f"{the_hole(tree)} has none of {', '.join(names)}; see in cp.overview(reduced) which "
            "stages were skipped and why"
        )
    size = look.option("size", PAGE)
    room = int((size[0] - _AROUND) // _NARROWEST)
    if len(found) > room:
        raise ValueError(
            f"size is {size[0]:g} mm wide, which holds {max(room, 0)} readable tracks, and "
            f"{len(found)} are to be drawn; give a wider size= or fewer quantities="
        )
    cores, layers = node(tree, "cores"), node(tree, "layers")
    words = _caption(found, cores, layers, size[0])
    described = node(tree, "description") if description else None
    if described is not None and not stretches(described, "lithology"):
        described = None
    with new_plate(*size, tree) as figure:
        keys = _tracks(figure, found, cores, layers, described, depth_scale)
        if keys:
            legend = legend_below(figure, keys, title=words, title_fontsize=5.8, alignment="left")
            legend.get_title().set_color("0.25")
        else:
            figure.supxlabel(words, fontsize=5.8, x=0.02, ha="left", color="0.25")
    leaves = [node(tree, path) for name in found for path in TRACKS[name] if path]
    what = "Cores, layers and physical properties of the hole against depth."
    return describe(figure, what, *leaves, depth_scale=depth_scale)


@adaptable
def scan_tracks(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    depth_scale: str = "depth",
    **options: Unpack[Look],
) -> Plate:
    """Draw the sensors of the scan side by side.

    Parameters
    ----------
    tree : DataTree
        Reduced hole; sensors that it lacks are left out.
    core : str or sequence of str, optional
        Names of the cores that are drawn; all if not given.
    depth : (Quantity or str, Quantity or str), optional
        Top and bottom of the depths that are drawn [m], such as ``("20 m", "60 m")``; None for an
        open end.
    depth_scale : {"depth", "depth_fitted"}
        Depth as laid out or fitted into the advance [m].
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure.

    Raises
    ------
    NothingToDraw
        If the hole has no series of the scan.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    return summary(
        tree,
        core=core,
        depth=depth,
        depth_scale=depth_scale,
        quantities=tuple(quality.SCAN),
    )


def pair(tree: xr.DataTree, name: str, depth_scale: str) -> tuple[Series | None, Series | None]:
    """Series of the scan and of the samples of a quantity."""
    scan, samples = (
        series(tree, path, name, depth_scale=depth_scale) if path else None for path in TRACKS[name]
    )
    return scan, samples


def _tracks(
    figure: Plate,
    found: dict[str, tuple[Series | None, Series | None]],
    cores: xr.Dataset | None,
    layers: xr.Dataset | None,
    described: xr.Dataset | None,
    depth_scale: str,
) -> list[Patch]:
    """Draw the strips of cores, layers and lithology, then a track for each quantity.

    Returns the entries of a legend of lithologies.
    """
    # Widths relative to a track.
    strips = [0.26] * (cores is not None) + [0.42] * (layers is not None)
    strips += [0.36] * (described is not None)
    grid = figure.add_gridspec(
        1, len(strips) + len(found), width_ratios=strips + [1.0] * len(found)
    )
    top, bottom = _depths(found, cores, figure.part)
    axes = [figure.add_subplot(grid[0, 0])]
    for column in range(1, grid.ncols):
        axes.append(figure.add_subplot(grid[0, column], sharey=axes[0]))
        axes[-1].tick_params(labelleft=False)
    depth_axis(axes[0], bottom, top, words=label(depth_scale))
    tracks = axes[len(strips) :]
    if cores is not None:
        draw_cores(axes[0], cores)
    if layers is not None:
        draw_layers(axes[int(cores is not None)], layers, bottom - top)
    keys: list[Patch] = []
    if described is not None:
        keys = draw_lithology(
            axes[len(strips) - 1],
            described,
            depth_scale=depth_scale,
            ends=(top, bottom),
            of_hole=looks(described),
        )
    for one, pair in zip(tracks, found.values(), strict=True):
        draw_track(one, *pair)
        # More labels would collide on a track of 18 mm.
        if one.get_xscale() == "linear":
            one.locator_params(axis="x", nbins=4)
        one.grid(axis="x", color="0.92", linewidth=0.4)
        one.set_axisbelow(True)
        if layers is not None:
            layer_boundaries(one, layers)
    return keys


def _depths(
    found: dict[str, tuple[Series | None, Series | None]],
    cores: xr.Dataset | None,
    part: Part | None,
) -> tuple[float, float]:
    """Top and bottom of the depth axis [m] from series and cores, within the part drawn."""
    depths = [one.depth for pair in found.values() for one in pair if one is not None]
    top = min(float(np.nanmin(depth)) for depth in depths)
    bottom = max(float(np.nanmax(depth)) for depth in depths)
    if cores is not None:
        top = min(top, float(np.nanmin(cores["top"])))
        bottom = max(bottom, float(np.nanmax(cores["top"] + cores["advance"])))
    if part is not None:
        top, bottom = max(top, part.low), min(bottom, part.high)
    room = 0.005 * (bottom - top) or 0.5
    return top - room, bottom + room


def _caption(
    found: dict[str, tuple[Series | None, Series | None]],
    cores: xr.Dataset | None,
    layers: xr.Dataset | None,
    width: float,
) -> str:
    """Meaning of the symbols, folded to the width of the figure [mm]."""
    scan = any(pair[0] is not None for pair in found.values())
    samples = any(pair[1] is not None for pair in found.values())
    words = []
    if cores is not None:
        words.append("cores filled as far as recovered, " + _greys(methods_in_order(cores)))
    words += ["dots: scan"] * scan
    filled = "filled" if look.option("flagged") == "edge" else "open"
    words += [f"{filled} symbols: samples, bars one standard uncertainty each way"] * samples
    if any(one is not None and one.supplied for pair in found.values() for one in pair):
        words += ["crosses and diamonds: supplied scan and samples"]
    looks = {"show": "grey: flagged", "edge": "open: flagged", "hide": "flagged are not drawn"}
    words += [looks[look.option("flagged", "show")]]
    words += ["dashed: tops of layers"] * (layers is not None)
    return textwrap.fill("; ".join(words), width=int(0.75 * width))


def _greys(methods: list[str]) -> str:
    """Coring methods in the order of their greys."""
    return methods[0] if len(methods) == 1 else f"dark to pale: {', '.join(methods)}"


# --------------------------------------------------------------------------------------------------
# Samples against depth: densities and porosity, and velocities along three axes.


_HEIGHT = 110.0  # mm
# Symbol and colour of each axis of a sample.
_SHAPES = {"along": ("^", "#0072B2"), "across": ("o", "#D55E00"), "normal": ("s", "#009E73")}


@adaptable
def index_properties_depth(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    depth_scale: str = "depth",
    **options: Unpack[Look],
) -> Plate:
    """Draw bulk density, porosity and grain density of samples against depth.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/index_properties``.
    core : str or sequence of str, optional
        Names of the cores that are drawn; all if not given.
    depth : (Quantity or str, Quantity or str), optional
        Top and bottom of the depths that are drawn [m], such as ``("20 m", "60 m")``; None for an
        open end.
    depth_scale : {"depth", "depth_fitted"}
        Depth [m].
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide.

    Raises
    ------
    NothingToDraw
        If the hole has no samples.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    depth_scale = choice(depth_scale, DEPTHS, "depth_scale")
    tree = cut(tree, core, depth, depth_scale=depth_scale)
    samples = require(tree, "properties/index_properties", "index_properties_depth")
    names = ("bulk_density", "porosity", "grain_density")
    found = [series(tree, "properties/index_properties", n, depth_scale=depth_scale) for n in names]
    shown = [one for one in found if one is not None]
    if not shown:
        raise NothingToDraw(
            "the figure index_properties_depth needs a bulk density, porosity or grain density of "
            f"samples; {the_hole(tree)} has none"
        )
    with new_plate(TWO_COLUMNS, _HEIGHT, tree) as figure:
        axes = figure.subplots(1, len(shown), sharey=True, squeeze=False)[0]
        others: list[Series] = []
        for one, track in zip(shown, axes, strict=True):
            beside = supplied_beside(tree, one.name, depth_scale=depth_scale)
            draw_beside(track, beside, f"{one.label} against depth [m]")
            draw_series(track, one)
            others += beside
            track.set_xlim(*span([one]))
            track.set_xlabel(one.label)
            count_outside(track, [one.values], [held.values for held in beside])
        name_symbols(figure, [("samples", one) for one in shown], others)
        _down(axes, tree, shown, depth_scale)
    what = f"Bulk density, porosity and grain density of samples against depth{_dashed(tree)}."
    return describe(figure, what, samples, depth_scale=depth_scale)


@adaptable
def velocity_axes(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    depth_scale: str = "depth",
    **options: Unpack[Look],
) -> Plate:
    """Draw velocities of samples by axis over the scan, and their anisotropy.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/sample_velocity`` [m/s]. Scan and anisotropy are drawn
        where it has them.
    core : str or sequence of str, optional
        Names of the cores that are drawn; all if not given.
    depth : (Quantity or str, Quantity or str), optional
        Top and bottom of the depths that are drawn [m], such as ``("20 m", "60 m")``; None for an
        open end.
    depth_scale : {"depth", "depth_fitted"}
        Depth [m].
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide.

    Raises
    ------
    NothingToDraw
        If the hole has no velocity of samples.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    depth_scale = choice(depth_scale, DEPTHS, "depth_scale")
    tree = cut(tree, core, depth, depth_scale=depth_scale)
    samples = require(tree, "properties/sample_velocity", "velocity_axes")
    scan = series(tree, "properties/velocity", "p_wave_velocity", depth_scale=depth_scale)
    pairs = series(
        tree, "properties/sample_anisotropy", "p_wave_anisotropy", depth_scale=depth_scale
    )
    own = series(tree, "properties/sample_velocity", "p_wave_velocity", depth_scale=depth_scale)
    shown = [one for one in (scan, own, pairs) if one is not None]
    with new_plate(TWO_COLUMNS, _HEIGHT, tree) as figure:
        axes = figure.subplots(1, 1 + (pairs is not None), sharey=True, squeeze=False)[0]
        panel = f"{label('p_wave_velocity')} against depth [m]"
        if scan is not None:
            draw_series(axes[0], scan, "scan", panel=panel, colour="0.55", small=True)
        keys = _by_axis(axes[0], panel, samples, depth_scale)
        held = [one for one in (scan, own) if one is not None]
        axes[0].set_xlim(*span(held))
        axes[0].set_xlabel(label("p_wave_velocity"))
        axes[0].legend(handles=keys, loc="lower left", handletextpad=0.3)
        if pairs is not None:
            draw_series(axes[1], pairs)
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


def _dashed(tree: xr.DataTree) -> str:
    """Meaning of the dashed lines, where there are any."""
    return "" if node(tree, "layers") is None else "; dashed: tops of layers"


def _by_axis(axes: Axes, panel: str, data: xr.Dataset, depth_scale: str) -> list[Line2D]:
    """Draw the velocities with a symbol for each axis; entries of the legend."""
    axis = data["axis"].values.astype(str)
    scale = depth_scale if depth_scale in data.coords else "depth"
    depth = data[scale].values
    values = data["p_wave_velocity"].values.astype(float)
    error = uncertainty.total(data, "p_wave_velocity").values
    flag = data["p_wave_velocity_flag"].values
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
        keys.append(symbol_key(word, marker, ink))
    return keys


def _down(axes: np.ndarray, tree: xr.DataTree, shown: list[Series], depth_scale: str) -> None:
    """Set the depth axis from the series, and draw the tops of the layers."""
    depths = np.concatenate([one.depth[np.isfinite(one.values)] for one in shown])
    low, high = float(np.nanmin(depths)), float(np.nanmax(depths))
    room = 0.02 * ((high - low) or 1.0)
    layers = node(tree, "layers")
    depth_axis(axes, high + room, min(0.0, low) - room, words=label(depth_scale))
    if layers is not None:
        for track in axes:
            layer_boundaries(track, layers)
