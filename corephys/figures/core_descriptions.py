"""Figures of the description of the cores: words, pictures and properties on one depth axis."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Unpack

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.patches import Patch

from corephys.figures import look
from corephys.figures.caption import describe
from corephys.figures.intervals import (
    KINDS,
    Picture,
    draw_disturbance,
    draw_lithology,
    draw_pictures,
    looks,
    pictures_of,
    within,
)
from corephys.figures.look import Look, adaptable
from corephys.figures.part import Cores, Depths, cut, part_of
from corephys.figures.pictures import PictureFiles
from corephys.figures.plate import Plate, legend_below, new_plate
from corephys.figures.reading import DEPTHS, NothingToDraw, Series, node, require, the_hole
from corephys.figures.style import PAGE, TWO_COLUMNS, label
from corephys.figures.summaries import TRACKS, pair
from corephys.figures.tracks import depth_axis, draw_cores, draw_track
from corephys.ground import units
from corephys.ground.choices import choice
from corephys.hole.placing.described import stretches

if TYPE_CHECKING:
    from corephys.ground.types import Scalar

__all__ = ["core_description", "description"]

_USUAL = ("bulk_density", "p_wave_velocity", "magnetic_susceptibility")
# Widths of the strips relative to a track.
_CORES, _COLUMN, _DEGREE, _PICTURES = 0.2, 0.45, 0.22, 0.4
_HEIGHT_OF_A_CORE = 190.0  # mm
_Pairs = dict[str, tuple[Series | None, Series | None]]


@adaptable
def description(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    depth_scale: str = "depth",
    top: Scalar | None = None,
    bottom: Scalar | None = None,
    quantities: tuple[str, ...] = _USUAL,
    pictures: bool | str | os.PathLike[str] = True,
    **options: Unpack[Look],
) -> Plate:
    """Draw lithology, disturbance and pictures of the cores beside properties.

    Parameters
    ----------
    tree : DataTree
        Hole, raw or reduced, with the table ``description`` or ``images``.
    core : str or sequence of str, optional
        Names of the cores that are drawn; all if not given.
    depth : (Quantity or str, Quantity or str), optional
        Top and bottom of the depths that are drawn [m], such as ``("20 m", "60 m")``; None for an
        open end.
    depth_scale : {"depth", "depth_fitted"}
        Depth as laid out or fitted into the advance [m].
    top, bottom : Quantity or str, optional
        Ends of the depths that are drawn [m]; the complete hole if not given.
    quantities : tuple of str
        Properties that are drawn as tracks; those that the hole lacks are left out.
    pictures : bool or path
        Whether pictures are drawn; or the folder of the hole, for one that was loaded from a file
        or made from tables.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure. A picture is stretched over its interval; one that cannot be drawn
        leaves a frame, and the caption states why.

    Raises
    ------
    NothingToDraw
        If nothing is described or pictured between the depths.
    ValueError
        If a quantity, a core or the depth scale is unknown, or ``top`` is not above ``bottom``, or
        both these and ``depth`` are given.

    Notes
    -----
    Greys and hatches follow the length of each lithology in the hole and have no meaning of their
    own. Where intervals overlap, the later row of the table is drawn, and of disturbances the
    worst.
    """
    depth_scale = choice(depth_scale, DEPTHS, "depth_scale")
    if depth is not None and (top is not None or bottom is not None):
        raise ValueError("depth= and top= or bottom= set the same ends; give only one of them")
    tree = cut(tree, core, depth, depth_scale=depth_scale)
    whole = _extent(tree, depth_scale)
    low, high = (
        units.as_floats(x, "m", n, optional=True) for x, n in ((top, "top"), (bottom, "bottom"))
    )
    ends = (
        whole[0] if low is None else float(low),
        whole[1] if high is None else float(high),
    )
    if not ends[0] < ends[1]:
        raise ValueError(
            f"top is {ends[0]:g} m and bottom is {ends[1]:g} m; top must be smaller, since depth "
            "increases downward"
        )
    size = look.option("size", PAGE)
    return _drawn(tree, "", ends, depth_scale, quantities, pictures, size)


@adaptable
def core_description(
    tree: xr.DataTree,
    *,
    core: str | None = None,
    depth: Depths | None = None,
    depth_scale: str = "depth",
    quantities: tuple[str, ...] = _USUAL,
    pictures: bool | str | os.PathLike[str] = True,
    **options: Unpack[Look],
) -> Plate:
    """Draw lithology, disturbance and pictures of one core beside its properties.

    Parameters
    ----------
    tree : DataTree
        Hole, raw or reduced, with the table ``description`` or ``images``.
    core : str, optional
        Name of the core; the default is the core with most pictures, or the first that is
        described.
    depth, depth_scale, quantities, pictures
        As for :func:`description`.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, see :func:`description`.

    Raises
    ------
    NothingToDraw
        If nothing of the core is described or pictured.
    ValueError
        If the core, a quantity or the depth scale is unknown, or ``depth`` is not a range.
    """
    depth_scale = choice(depth_scale, DEPTHS, "depth_scale")
    tree = cut(tree, None, depth, depth_scale=depth_scale)
    tables = _tables(tree)
    named = [t for t in (tables[1], tables[0]) if t is not None and "core" in t]
    held = [list(filter(None, map(str, table["core"].values))) for table in named]
    known = list(dict.fromkeys(name for names in held for name in names))
    if not known:
        raise NothingToDraw(
            "the figure core_description needs rows with a core in description.csv or images.csv; "
            f"{the_hole(tree)} has none; see cp.figures.description for rows by depth"
        )
    first = next(names for names in held if names)
    chosen = max(dict.fromkeys(first), key=first.count) if tables[1] is not None else first[0]
    if core is not None:
        # Names of cores are compared letter by letter: "1A" and "1a" may be two cores.
        if core not in known:
            raise ValueError(f"core is {core!r}; described or pictured are {', '.join(known)}")
        chosen = core
    ending = "_fitted" if depth_scale == "depth_fitted" else ""
    inside = [np.flatnonzero(t["core"].values.astype(str) == chosen) for t in named]
    tops = np.concatenate([t[f"top{ending}"].values[i] for t, i in zip(named, inside, strict=True)])
    bottoms = np.concatenate(
        [t[f"bottom{ending}"].values[i] for t, i in zip(named, inside, strict=True)]
    )
    if not np.isfinite(tops).any() or not np.isfinite(bottoms).any():
        raise NothingToDraw(
            f"the figure core_description needs intervals of core {chosen!r} with depths; correct "
            "its rows in description.csv or images.csv"
        )
    part = part_of(tree)
    low, high = (-np.inf, np.inf) if part is None else (part.low, part.high)
    ends = (max(float(np.nanmin(tops)), low), min(float(np.nanmax(bottoms)), high))
    size = look.option("size", (TWO_COLUMNS, _HEIGHT_OF_A_CORE))
    return _drawn(tree, chosen, ends, depth_scale, quantities, pictures, size)


def _tables(tree: xr.DataTree) -> tuple[xr.Dataset | None, xr.Dataset | None]:
    """The description and the pictures of a hole; NothingToDraw if it has neither."""
    found = node(tree, "description"), node(tree, "images")
    if found == (None, None):
        require(tree, "description", "description")
    return found


def _extent(tree: xr.DataTree, depth_scale: str) -> tuple[float, float]:
    """Depths of everything that is described or pictured, and of the cores [m]."""
    ending = "_fitted" if depth_scale == "depth_fitted" else ""
    low, high = [], []
    for table in _tables(tree):
        if table is not None:
            low.append(table[f"top{ending}"].values)
            high.append(table[f"bottom{ending}"].values)
    cores = node(tree, "cores")
    if cores is not None:
        low.append(cores["top"].values)
        high.append((cores["top"] + cores["advance"]).values)
    tops, bottoms = np.concatenate(low), np.concatenate(high)
    if not np.isfinite(tops).any() or not np.isfinite(bottoms).any():
        raise NothingToDraw(
            "the figure description needs an interval with depths; correct the rows of "
            "description.csv"
        )
    part = part_of(tree)
    low, high = (-np.inf, np.inf) if part is None else (part.low, part.high)
    return max(float(np.nanmin(tops)), low), min(float(np.nanmax(bottoms)), high)


def _drawn(
    tree: xr.DataTree,
    core: str,
    ends: tuple[float, float],
    depth_scale: str,
    quantities: tuple[str, ...],
    pictures: bool | str | os.PathLike[str],
    size: tuple[float, float],
) -> Plate:
    """The figure between two depths [m], of one core or of all."""
    for name in quantities:
        if name not in TRACKS:
            raise ValueError(f"quantities has {name!r}; tracks exist for {', '.join(TRACKS)}")
    table, images = _tables(tree)
    of_hole = {} if table is None else looks(table)
    if core:
        table, images = (_of_core(one, core) for one in (table, images))
    columns = [] if table is None else [c for c in ("lithology", "disturbance") if c in table]
    columns = [
        c for c in columns if table is not None and within(stretches(table, c), depth_scale, ends)
    ]
    shown = [] if images is None or pictures is False else pictures_of(images, depth_scale, ends)
    kinds = [kind for kind in KINDS if any(one.kind == kind for one in shown)]
    found = _within(tree, quantities, depth_scale, ends, core)
    cores = _cores(node(tree, "cores"), ends, core)
    if not columns and not shown:
        raise NothingToDraw(
            "the figure description needs a lithology, a disturbance or a picture between "
            f"{ends[0]:g} and {ends[1]:g} m; {the_hole(tree)} has none"
        )
    strips = [_CORES] * (cores is not None)
    strips += [{"lithology": _COLUMN, "disturbance": _DEGREE}[c] for c in columns]
    strips += [_PICTURES] * len(kinds)
    room = 0.005 * (ends[1] - ends[0])
    limits = ends[0] - room, ends[1] + room
    words = f"core {core}" if core else ""
    within_core = part_of(tree)
    if core and within_core is not None:
        words += f", {within_core}"
    with new_plate(*size, tree, words) as figure:
        axes = _axes(figure, strips + [1.0] * len(found))
        depth_axis(axes[0], limits[1], limits[0], words=label(depth_scale))
        place = iter(axes)
        if cores is not None:
            draw_cores(next(place), cores)
        keys: list[Patch] = []
        for column in columns:
            assert table is not None
            if column == "lithology":
                keys += draw_lithology(
                    next(place), table, depth_scale=depth_scale, ends=limits, of_hole=of_hole
                )
            else:
                keys += draw_disturbance(next(place), table, depth_scale=depth_scale, ends=limits)
        lacking: dict[str, str] = {}
        if shown:
            files = PictureFiles(tree, None if isinstance(pictures, bool) else pictures)
            lacking = columns_of_pictures(place, shown, kinds, files)
        for one, both in zip(place, found.values(), strict=True):
            draw_track(one, *both)
            if one.get_xscale() == "linear":
                one.locator_params(axis="x", nbins=4)
            one.grid(axis="x", color="0.92", linewidth=0.4)
            one.set_axisbelow(True)
        if keys:
            legend_below(figure, keys)
    leaves = [node(tree, path) for name in found for path in TRACKS[name] if path]
    what = _caption(columns, shown, lacking, bool(found), core)
    return describe(figure, what, *leaves, depth_scale=depth_scale)


def _of_core(table: xr.Dataset | None, core: str) -> xr.Dataset | None:
    """Rows of one core; None where there are none."""
    if table is None or "core" not in table:
        return None
    here = np.flatnonzero(table["core"].values.astype(str) == core)
    return table.isel(row=here) if here.size else None


def _cores(cores: xr.Dataset | None, ends: tuple[float, float], core: str) -> xr.Dataset | None:
    """Cores of a hole that reach between two depths [m], or the one of this name."""
    if cores is None:
        return None
    inside = (cores["top"] < ends[1]) & (cores["top"] + cores["advance"] > ends[0])
    here = cores["core"].values.astype(str) == core if core else inside.values
    return cores.isel(row=np.flatnonzero(here)) if here.any() else None


def _within(
    tree: xr.DataTree,
    quantities: tuple[str, ...],
    depth_scale: str,
    ends: tuple[float, float],
    core: str,
) -> _Pairs:
    """Series of the scan and of the samples between two depths [m], without empty ones."""
    found: _Pairs = {}
    for name in quantities:
        both = [None if one is None else _cut(one, ends) for one in pair(tree, name, depth_scale)]
        if any(one is not None for one in both):
            found[name] = (both[0], both[1])
    return found


def _cut(one: Series, ends: tuple[float, float]) -> Series | None:
    """The part of a series between two depths [m]; None without a number there."""
    here = (one.depth >= ends[0]) & (one.depth <= ends[1])
    if not np.isfinite(one.values[here]).any():
        return None
    parts = {name: getattr(one, name)[here] for name in ("values", "depth", "error", "flag")}
    return replace(one, **parts)


def _axes(figure: Plate, widths: list[float]) -> list[Axes]:
    """Axes side by side on one depth axis."""
    grid = figure.add_gridspec(1, len(widths), width_ratios=widths)
    axes = [figure.add_subplot(grid[0, 0])]
    for column in range(1, grid.ncols):
        axes.append(figure.add_subplot(grid[0, column], sharey=axes[0]))
        axes[-1].tick_params(labelleft=False)
    return axes


def columns_of_pictures(
    place: Iterator[Axes], shown: list[Picture], kinds: list[str], files: PictureFiles
) -> dict[str, str]:
    """Draw a strip for each kind of picture; why each file that is not drawn cannot be."""
    lacking: dict[str, str] = {}
    for kind in kinds:
        of_kind = [one for one in shown if one.kind == kind]
        lacking |= draw_pictures(next(place), of_kind, files)
    return lacking


def _caption(
    columns: list[str],
    shown: list[Picture],
    lacking: dict[str, str],
    tracks: bool,
    core: str,
) -> str:
    """What the figure shows, and which pictures it lacks."""
    parts = ["recovery", *columns]
    if shown:
        parts.append("pictures")
    if tracks:
        parts.append("properties")
    words = f"{', '.join(parts[:-1])} and {parts[-1]}".capitalize()
    words += f" of core {core} against depth." if core else " of the hole against depth."
    if "lithology" in columns:
        words += " Greys and hatches follow the length of each lithology and have no other meaning."
    if "disturbance" in columns:
        words += " The width of the bar grows with disturbance."
    if tracks:
        words += " Dots: scan; open symbols: samples."
    if shown:
        drawn = [one for one in shown if one.file not in lacking]
        numbers = {kind: sum(one.kind == kind for one in drawn) for kind in KINDS}
        counts = [f"{n} {kind}{'s' * (n > 1)}" for kind, n in numbers.items() if n]
        words += f" Pictures: {', '.join(counts) or 'none'}."
        whys = list(dict.fromkeys(lacking.values()))
        if whys:
            more = f" (and {len(whys) - 1} more)" if len(whys) > 1 else ""
            words += f" Not drawn: {len(lacking)}, {whys[0]}{more}."
    return words
