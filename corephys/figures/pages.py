"""One printable page of a core: tracks, photographs, description, numbers, and what is left out.

The vertical axis is the core as laid out. Its labels at the left are offsets in each section, those
at the right are depths.
"""

from __future__ import annotations

import os
import re
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Unpack

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator
from matplotlib.transforms import blended_transform_factory

from corephys.figures import look, plate
from corephys.figures.caption import describe
from corephys.figures.core_contents import (
    Held,
    Section,
    facts,
    held_of,
    leaves_of_quantities,
    left_out,
    not_drawn,
    numbers,
    sections_of,
)
from corephys.figures.core_descriptions import columns_of_pictures
from corephys.figures.files import save
from corephys.figures.intervals import (
    KINDS,
    Picture,
    draw_disturbance,
    draw_lithology,
    looks,
    pictures_of,
    within,
)
from corephys.figures.look import Look, adaptable
from corephys.figures.part import cut
from corephys.figures.pictures import PictureFiles
from corephys.figures.plate import Plate, legend_below, new_plate
from corephys.figures.reading import NothingToDraw, Series, node, supplied_beside
from corephys.figures.style import COLOURS, PAGE, label, plain
from corephys.figures.tracks import (
    draw_beside,
    draw_series,
    layer_boundaries,
    set_track,
)
from corephys.ground import flags
from corephys.hole.placing.described import stretches

__all__ = ["core_page", "core_pages"]

# --------------------------------------------------------------------------------------------------
# The page.


# Symbols of the velocities of samples along the three axes.
_AXES = {"along": "^", "across": "o", "normal": "s"}
_TRACK = 13.5  # smallest width of a track [mm]
_WIDEST = 60.0  # largest width of a track [mm]
_BESIDE = 26.0  # room for the axes at both sides [mm]
# Width of each strip [mm].
_WIDTHS = {"sections": 8.0, "lithology": 11.0, "disturbance": 7.0, "picture": 11.0}
_LINE = 2.35  # height of a line of small text [mm]
_SMALL = 5.4  # size of small text [points]
_A_LETTER = 0.98  # mean width of a letter of small text [mm]
_LEAST_TEXT, _MOST_TEXT = 34.0, 84.0  # height of the text below the tracks [mm]
_OFFSETS = (1.0, 2.0, 5.0, 10.0, 20.0, 25.0, 50.0, 100.0)  # steps between labels of offsets [cm]
_NARROW_NAME = 3  # letters of the name of a section that is written along the line
_LABEL_APART = 4.2  # least distance of two labels of offsets [mm]
_A_TICK_LETTER = 1.15  # mean width of a figure of a tick label [mm]
_A_LABEL_LETTER = 1.1  # mean width of a letter of a label [mm]
_PLAIN_POWERS = (-2, 4)  # powers of ten that are written in full
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_FLAGGED_INK, _EDGE_INK = "0.35", "0.15"


@adaptable
def core_page(
    tree: xr.DataTree,
    core: str,
    *,
    quantities: tuple[str, ...] | None = None,
    pictures: bool | str | os.PathLike[str] = True,
    **options: Unpack[Look],
) -> Plate:
    """Draw one core as a page: its tracks, pictures, description, numbers, and what is left out.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.
    core : str
        Name of the core.
    quantities : tuple of str, optional
        Tracks in this order; the default is every sensor that has readings in the core, then
        porosity and the thermal conductivity of samples.
    pictures : bool or path
        Whether pictures are drawn; or the folder of the hole, for one that was loaded from a file
        or made from tables.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure. Labels at the left are offsets from the top of each section [cm],
        labels at the right are depths as laid out [m]. Flagged readings are drawn as crosses;
        where they lie beyond a track, an arrow at its edge stands for each. The table below holds
        the median of the readings kept, their scatter (half of the range from the 16th to the 84th
        percentile, of three or more) and the number of readings kept, flagged and missing. Beside
        it is listed what was left out, and why; the caption holds this list in full.

    Raises
    ------
    NothingToDraw
        If nothing was measured, described or pictured in the core.
    ValueError
        If the core or a quantity is unknown, or the tracks do not fit into ``size``.
    """
    size = look.option("size", PAGE)
    whole = tree
    tree = cut(tree, core, None)
    known = leaves_of_quantities()
    for name in quantities or ():
        if name not in known:
            raise ValueError(f"quantities has {name!r}; tracks exist for {', '.join(known)}")
    held = [
        found
        for name in (known if quantities is None else quantities)
        if (found := held_of(tree, name, known[name])) is not None
    ]
    drawn = [one for one in held if one.present]
    sections = sections_of(tree, core)
    description, images = node(tree, "description"), node(tree, "images")
    ends = _ends(tree, sections, drawn)
    columns = [
        name
        for name in ("lithology", "disturbance")
        if description is not None and within(stretches(description, name), "depth", ends)
    ]
    shown = [] if images is None or pictures is False else pictures_of(images, "depth", ends)
    kinds = [kind for kind in KINDS if any(one.kind == kind for one in shown)]
    if not drawn and not columns and not shown:
        raise NothingToDraw(
            f"the figure core_page needs a reading, a description or a picture of core {core!r}, "
            "which has none of them; choose another core"
        )
    strips = [_WIDTHS["sections"]] * bool(sections) + [_WIDTHS["picture"]] * len(kinds)
    strips += [_WIDTHS[name] for name in columns]
    room = int((size[0] - _BESIDE - sum(strips)) // _TRACK)
    if quantities is None:
        drawn, beyond = drawn[: max(room, 0)], drawn[max(room, 0) :]
    elif len(drawn) > room:
        raise ValueError(
            f"size is {size[0]:g} mm wide, which holds {max(room, 0)} readable tracks beside the "
            f"strips, and {len(drawn)} are to be drawn; give a wider size= or fewer quantities="
        )
    else:
        beyond = []
    looked = {} if description is None else looks(_whole_description(whole, description))
    lines = left_out(tree, core, held, beyond, known if quantities is None else quantities)
    table = numbers(held)
    head = facts(tree, core, sections)
    text_height = _text_height(lines, table, head, size[0])
    with new_plate(*size, tree) as figure:
        rows = figure.add_gridspec(2, 1, height_ratios=[size[1] - 22.0 - text_height, text_height])
        # Gaps between the axes take some of their width.
        tracks_wide = (size[0] - _BESIDE - sum(strips)) / max(len(drawn), 1)
        axes = _axes(figure, rows[0], [*strips, *[min(tracks_wide, _WIDEST)] * len(drawn)])
        margin = 0.006 * (ends[1] - ends[0])
        limits = ends[0] - margin, ends[1] + margin
        for one in axes:
            one.set_ylim(limits[1], limits[0])
        place = iter(axes)
        keys: list[Patch | Line2D] = []
        if sections:
            _draw_sections(
                next(place),
                sections,
                _removed(tree, core, sections),
                (size[1] - 34.0 - text_height) / (limits[1] - limits[0]),
            )
        lacking = _draw_pictures(place, whole, shown, kinds, pictures)
        for column in columns:
            assert description is not None
            if column == "lithology":
                keys += draw_lithology(
                    next(place), description, depth_scale="depth", ends=limits, of_hole=looked
                )
            else:
                keys += draw_disturbance(next(place), description, depth_scale="depth", ends=limits)
        for one, track in zip(drawn, place, strict=True):
            _track(track, tree, one, 0.85 * min(tracks_wide, _WIDEST))
        _section_lines(axes, sections)
        layers = node(tree, "layers")
        if layers is not None:
            for track in axes[len(axes) - len(drawn) :]:
                layer_boundaries(track, layers)
        _vertical_axes(figure, axes, sections, limits, size[1] - 30.0 - text_height)
        _write(figure, rows[1], head, table, [*lines, *not_drawn(lacking)], text_height, size[0])
        keys += _symbol_keys(drawn)
        if keys:
            legend_below(figure, keys)
    leaves = [node(tree, path) for one in drawn for path in known[one.name] if path]
    what = _words(core, sections, columns, shown, lacking, drawn, layers is not None)
    describe(figure, what, *leaves, depth_scale="depth")
    # Flagged readings are crosses here, not grey.
    figure.caption = re.sub(" flagged, drawn (?:grey|open)", " flagged", figure.caption)
    figure.caption += f" {_in_full(head, [*lines, *not_drawn(lacking)])}"
    return figure


def core_pages(
    tree: xr.DataTree,
    folder: str | os.PathLike[str],
    *,
    cores: Sequence[str] | None = None,
    pictures: bool | str | os.PathLike[str] = True,
    kinds: tuple[str, ...] = ("png", "pdf", "csv", "txt"),
) -> list[Path]:
    """Write the page of every core, or of some.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.
    folder : path
        Folder of the pages; created if it does not exist.
    cores : sequence of str, optional
        Names of the cores; all cores of the hole if not given.
    pictures : bool or path
        As for :func:`core_page`.
    kinds : tuple of {"svg", "pdf", "png", "csv", "txt"}
        Kinds of files, see :func:`save`.

    Returns
    -------
    list of Path
        Files ``core_<name>.<kind>``. Signs of a name that a file name cannot have are written as
        ``_``. A core in which nothing was measured or described has no page.

    Raises
    ------
    NothingToDraw
        If the hole has no core by name, or none of the cores has anything to draw.
    ValueError
        If a core or a kind is unknown.
    """
    table = node(tree, "cores")
    if cores is None and table is None:
        raise NothingToDraw(
            "core_pages needs the table of cores, which this hole does not have; give the names of "
            "its cores as cores="
        )
    names = list(cores) if cores is not None else table["core"].values.astype(str).tolist()  # type: ignore[index]
    written: list[Path] = []
    taken: set[str] = set()
    for name in names:
        try:
            figure = core_page(tree, name, pictures=pictures)
        except NothingToDraw:
            continue
        file = f"core_{re.sub(r'[^A-Za-z0-9.-]', '_', name)}"
        while file.lower() in taken:  # "1A" and "1a" are one file on some disks
            file += "_"
        taken.add(file.lower())
        written += save(figure, folder, file, kinds=kinds)
    if not written:
        raise NothingToDraw(
            "core_pages needs a core with a reading or a description; there is none among "
            f"{', '.join(names)}"
        )
    return written


def _whole_description(whole: xr.DataTree, part: xr.Dataset) -> xr.Dataset:
    """Description of the complete hole, whose lithologies are drawn alike on every page."""
    found = node(whole, "description")
    return part if found is None else found


def _ends(tree: xr.DataTree, sections: list[Section], drawn: list[Held]) -> tuple[float, float]:
    """Top and bottom of the page [m]: of the sections, of readings and samples, and pictures."""
    depths = [np.array([s.top, s.bottom]) for s in sections]
    depths += [one.depth for held in drawn for one in held.present]
    for name in ("description", "images"):
        table = node(tree, name)
        if table is not None and "top" in table:
            depths += [table["top"].values, table["bottom"].values]
    known = np.concatenate([np.zeros(0), *depths]).astype(float)
    known = known[np.isfinite(known)]
    if not known.size:
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    return (low, high) if high > low else (low - 0.5, high + 0.5)


def _axes(figure: Plate, spot: object, widths: list[float]) -> list[Axes]:
    """Axes side by side on one depth axis."""
    grid = spot.subgridspec(1, len(widths), width_ratios=widths)  # type: ignore[attr-defined]
    axes = [figure.add_subplot(grid[0, 0])]
    for column in range(1, len(widths)):
        axes.append(figure.add_subplot(grid[0, column], sharey=axes[0]))
        axes[-1].tick_params(labelleft=False)
    return axes


def _draw_sections(
    axes: Axes,
    sections: list[Section],
    removed: list[tuple[str, float, float]],
    scale: float,
) -> None:
    """Draw the sections with their names, and what was removed of them.

    ``scale`` is that of the print [mm/m]; a section too short for its name has none.
    """
    for section in sections:
        plate.boxes(
            axes,
            "sections",
            f"section {plain(section.name)}",
            [section.top],
            [section.bottom],
            colour="0.95",
            edge="0.2",
        )
        name = plate.short(section.name, 8)
        upright = len(name) <= _NARROW_NAME
        if (section.bottom - section.top) * scale < (_LINE if upright else 1.2 * len(name)) + 1.0:
            continue
        axes.text(
            0.5,
            0.5 * (section.top + section.bottom),
            plain(name),
            fontsize=6.5,
            ha="center",
            va="center",
            rotation=0 if upright else 90,
            zorder=6,
            clip_on=True,
            bbox={"facecolor": "0.95", "edgecolor": "none", "pad": 0.8},
        )
    for words, top, bottom in removed:
        plate.boxes(
            axes,
            "sections",
            f"removed: {words}",
            [top],
            [bottom],
            colour="white",
            edge="0.2",
            hatch="xxxxxx",
            outline=0.3,
        )
    axes.set_xlim(0, 1)
    axes.set_xticks([])
    axes.set_xlabel("sec-\ntions", labelpad=4)


def _removed(
    tree: xr.DataTree, core: str, sections: list[Section]
) -> list[tuple[str, float, float]]:
    """Removed intervals of the core in words, with the depths of their ends [m]."""
    table = node(tree, "removed")
    if table is None:
        return []
    tops = {section.name: section.top for section in sections}
    found = []
    for row in range(table.sizes[table["core"].dims[0]]):
        section = str(table["section"].values[row])
        if section not in tops:
            continue
        start, end = (float(table[name].values[row]) / 100.0 for name in ("from", "to"))
        words = str(table["kind"].values[row]).replace("_", " ")
        found.append((words, tops[section] + start, tops[section] + end))
    return found


def _draw_pictures(
    place: Iterator[Axes],
    whole: xr.DataTree,
    shown: list[Picture],
    kinds: list[str],
    pictures: bool | str | os.PathLike[str],
) -> dict[str, str]:
    """Draw a strip for each kind of picture; why each file that is not drawn cannot be."""
    if not shown:
        return {}
    files = PictureFiles(whole, None if isinstance(pictures, bool) else pictures)
    return columns_of_pictures(place, shown, kinds, files)


def _track(axes: Axes, tree: xr.DataTree, held: Held, width: float) -> None:
    """Draw the readings of one quantity, its samples over them, and all that is flagged.

    ``width`` is that of the track in print [mm].
    """
    panel = f"{held.present[0].label} against depth [m]"
    beside = supplied_beside(tree, held.name)
    draw_beside(axes, beside, panel)
    if held.scan is not None:
        good = flags.usable(held.scan.flag)
        colour = COLOURS.get(held.name, "black")
        draw_series(axes, _only(held.scan, good), "scan", panel=panel, colour=colour, small=True)
        off = _only(held.scan, ~good)
        plate.points(
            axes,
            panel,
            "scan, supplied" if off.supplied else "scan",
            off.values,
            off.depth,
            flag=off.flag,
            marker="+",
            pale=_FLAGGED_INK,
        )
    if held.samples is not None:
        colour = "black" if held.scan is not None else COLOURS.get(held.name, "black")
        for word, marker, here in _by_axis(held):
            usable = flags.usable(held.samples.flag)
            own = plate.DIAMOND if held.samples.supplied else marker
            # Flagged samples are crosses as well: a grey symbol would differ by its colour alone.
            for which, symbol in ((here & usable, own), (here & ~usable, "+")):
                one = _only(held.samples, which)
                plate.points(
                    axes,
                    panel,
                    word,
                    one.values,
                    one.depth,
                    flag=one.flag,
                    x_error=one.error,
                    colour=colour,
                    marker=symbol,
                    pale=_FLAGGED_INK,
                )
    set_track(axes, held.present)
    outside = _edge_marks(axes, [*held.present, *beside])
    axes.set_title(f"{outside} off axis" if outside else "", fontsize=5, color="0.25", pad=2)
    _horizontal_axis(axes, held.present[0].label, width)
    axes.grid(axis="x", color="0.92", linewidth=0.4)
    axes.set_axisbelow(True)


def _ticks(low: float, high: float, power: int, width: float) -> tuple[np.ndarray, list[str]]:
    """Ticks and labels of a linear track, as many as fit on its width [mm]; at least one."""
    marks, words = np.array([0.5 * (low + high)]), [""]
    for most in (1, 2, 3, 4):
        found = MaxNLocator(most, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
        found = found[(found >= low) & (found <= high)]
        written = [f"{mark / 10.0**power:.6g}" for mark in found]
        if not found.size:
            continue
        # Labels stand in the middle of their ticks: the narrowest distance decides.
        wide = max(map(len, written)) * _A_TICK_LETTER + 1.0
        apart = width * float(np.min(np.diff(found))) / (high - low) if found.size > 1 else width
        if apart >= wide:
            marks, words = found, written
        elif words == [""]:
            middle = found.size // 2
            marks, words = found[[middle]], [written[middle]]
    return marks, words


def _only(one: Series, here: np.ndarray) -> Series:
    """Some readings of a series."""
    parts = {name: getattr(one, name)[here] for name in ("values", "depth", "error", "flag")}
    return replace(one, **parts)


def _by_axis(held: Held) -> list[tuple[str, str, np.ndarray]]:
    """Words, symbol and mask of the samples of each axis; of all where they have no axis."""
    samples = held.samples
    assert samples is not None
    name = "samples, supplied" if samples.supplied else "samples"
    if not held.axis.size:
        return [(name, "o", np.ones(samples.values.size, dtype=bool))]
    words = [w for w in (*_AXES, *sorted(set(held.axis) - set(_AXES))) if (held.axis == w).any()]
    return [
        (f"{name}, {plain(word)}" if word else name, _AXES.get(word, "D"), held.axis == word)
        for word in words
    ]


def _edge_marks(axes: Axes, present: list[Series]) -> int:
    """Draw an arrow at the edge of a track for each reading beyond it, and return their number.

    The arrows are no points of the figure: the readings themselves are in its table.
    """
    if look.option("flagged") == "hide":
        present = [_only(one, flags.usable(one.flag)) for one in present]
    low, high = axes.get_xlim()
    across = blended_transform_factory(axes.transAxes, axes.transData)
    outside = 0
    for side, marker in ((0.0, "<"), (1.0, ">")):
        depth = np.concatenate(
            [
                one.depth[(one.values < low) if side == 0.0 else (one.values > high)]
                for one in present
            ]
        )
        outside += depth.size
        if depth.size:
            axes.plot(
                np.full(depth.size, side),
                depth,
                marker=marker,
                linestyle="none",
                markersize=2.2,
                markeredgewidth=0.0,
                color=_EDGE_INK,
                transform=across,
                clip_on=False,
                zorder=4,
            )
    return outside


def _horizontal_axis(axes: Axes, words: str, width: float) -> None:
    """Label a narrow track: few ticks, the name in short lines, and a power of ten with the unit.

    ``width`` is that of the track in print [mm].
    """
    name, _, unit = words.partition(" [")
    unit = unit.removesuffix("]")
    if axes.get_xscale() == "linear":
        low, high = axes.get_xlim()
        largest = max(abs(low), abs(high))
        power = int(np.floor(np.log10(largest))) if largest > 0 else 0
        if _PLAIN_POWERS[0] <= power <= _PLAIN_POWERS[1]:
            power = 0
        else:
            unit = f"10{str(power).translate(_RAISED)}{f' {unit}' if unit else ''}"
        marks, written = _ticks(low, high, power, width)
        axes.set_xticks(marks, written)
    axes.tick_params(axis="x", labelsize=5.5)
    # A long word reaches into the gaps beside the track rather than being broken.
    lines = textwrap.wrap(name, max(int(width / _A_LABEL_LETTER), 6), break_long_words=False)
    axes.set_xlabel("\n".join([*lines, f"[{unit}]"] if unit else lines), fontsize=5.6, labelpad=2)


def _section_lines(axes: list[Axes], sections: list[Section]) -> None:
    """Draw the ends of the sections across all tracks."""
    for depth in sorted({edge for s in sections for edge in (s.top, s.bottom)}):
        for one in axes:
            one.axhline(depth, color="0.35", linewidth=0.5, zorder=0.6)


def _vertical_axes(
    figure: Plate,
    axes: list[Axes],
    sections: list[Section],
    limits: tuple[float, float],
    height: float,
) -> None:
    """Label offsets in each section at the left, and depths at the right.

    ``height`` is that of the tracks in print [mm].
    """
    if not sections:
        axes[0].set_ylabel(label("depth"))
        return
    scale = height / (limits[1] - limits[0])  # mm a metre
    step = next((s for s in _OFFSETS if s / 100.0 * scale >= _LABEL_APART), _OFFSETS[-1])
    marks, words = [], []
    for section in sections:
        length = 100.0 * (section.bottom - section.top)
        # The ends of a section are lines; a label there would meet that of the next section.
        for offset in np.arange(step, length - 0.45 * step, step):
            marks.append(section.top + offset / 100.0)
            words.append(f"{offset:g}")
    axes[0].set_yticks(marks, words)
    axes[0].tick_params(axis="y", labelsize=5.5)
    axes[0].set_ylabel("offset from the top of the section [cm]")
    right = axes[-1].secondary_yaxis("right")
    depths = MaxNLocator(10, steps=[1, 2, 5, 10]).tick_values(*limits)
    inside = depths[(depths >= limits[0]) & (depths <= limits[1])]
    right.set_yticks(inside, [f"{depth:g}" for depth in inside])
    right.set_ylabel(label("depth"))
    right.tick_params(axis="y", labelsize=6)


# --------------------------------------------------------------------------------------------------
# The text below the tracks: facts, table of numbers, list of what was left out.


_HEADER = ("quantity", "median", "scatter", "kept", "flagged", "missing")
# Right edges of the columns as fractions of the table; the first is a left edge.
_PLACES = (0.0, 0.56, 0.70, 0.78, 0.89, 1.0)
_SHARE = 0.53  # width of the table of the width of the page


def _text_height(lines: list[str], table: list[tuple[str, ...]], head: str, width: float) -> float:
    """Height of the text below the tracks [mm]: enough for table and list, within bounds."""
    folded = sum(len(_folded(line, width)) for line in lines) + 1
    needed = max(len(table) + 1, folded) + len(_wide(head, width)) + 1.5
    return float(np.clip(needed * _LINE, _LEAST_TEXT, _MOST_TEXT))


def _folded(line: str, width: float) -> list[str]:
    """A line of the list, folded to its column beside the table."""
    letters = int((1.0 - _SHARE - 0.05) * width / _A_LETTER)
    return textwrap.wrap(plain(line), letters, subsequent_indent="   ") or [""]


def _wide(line: str, width: float) -> list[str]:
    """A line folded to the width of the page."""
    return textwrap.wrap(plain(line), int(0.92 * width / _A_LETTER))


def _write(
    figure: Plate,
    spot: object,
    head: str,
    table: list[tuple[str, ...]],
    lines: list[str],
    height: float,
    width: float,
) -> None:
    """Write the facts, the table of numbers and the list of what was left out."""
    axes = figure.add_subplot(spot)  # type: ignore[call-overload]
    axes.set_axis_off()
    axes.set_xlim(-0.012, 1.0)
    axes.set_ylim(height, 0.0)  # mm from the top
    at = 0.0
    for line in _wide(head, width):
        axes.text(0.0, at, line, fontsize=_SMALL + 0.4, va="top")
        at += _LINE
    at += 0.5 * _LINE
    room = int((height - at) / _LINE)
    _write_table(axes, table, at, room)
    held = [("What was left out, and why", True)]
    held += [(part, False) for line in lines or ["Nothing."] for part in _folded(line, width)]
    if len(held) > room:
        more = "… the caption holds the complete list"
        held = [*held[: max(room - 1, 1)], (more, False)]
    for number, (words, strong) in enumerate(held):
        axes.text(
            _SHARE + 0.03,
            at + number * _LINE,
            words,
            fontsize=_SMALL,
            va="top",
            color="0.0" if strong else "0.15",
        )


def _write_table(axes: Axes, table: list[tuple[str, ...]], at: float, room: int) -> None:
    """Write the table of numbers from a height down [mm], as many rows as there is room for."""
    rows = [_HEADER, *table]
    if len(rows) > room:
        rows = rows[: max(room - 1, 1)]
        axes.text(0.0, at + len(rows) * _LINE, "… further quantities", fontsize=_SMALL, va="top")
    for number, row in enumerate(rows):
        for place, words in zip(_PLACES, row, strict=True):
            axes.text(
                _SHARE * place,
                at + number * _LINE,
                plain(plate.short(words, 44)),
                fontsize=_SMALL,
                ha="left" if place == 0.0 else "right",
                va="top",
            )
    axes.plot([0.0, _SHARE], [at + 0.93 * _LINE] * 2, color="0.3", linewidth=0.4)


def _symbol_keys(drawn: list[Held]) -> list[Line2D]:
    """Entries of the legend for the symbols of the tracks."""
    if not drawn:
        return []
    scan = any(one.scan is not None for one in drawn)
    keys = []
    if scan:
        keys.append(_key("scan", ".", "0.0", 4.0))
    if any(one.samples is not None for one in drawn):
        keys.append(plate.symbol_key("samples", "o", "black"))
    if any(set(one.axis) - {""} for one in drawn):
        keys += [
            plate.symbol_key(f"samples, {word}", marker, "black")
            for word, marker in _AXES.items()
            if any((one.axis == word).any() for one in drawn) and word != "across"
        ]
    if look.option("flagged") != "hide":
        keys.append(_key("flagged", "+", _FLAGGED_INK, 3.6))
    keys.append(_key("beyond the track", ">", _EDGE_INK, 2.6))
    if any(one.supplied for held in drawn for one in held.present):
        keys.append(plate.symbol_key("supplied", plate.DIAMOND, "black"))
    return keys


def _key(words: str, marker: str, colour: str, size: float) -> Line2D:
    """Entry of the legend for one symbol."""
    return Line2D(
        [],
        [],
        marker=marker,
        color=colour,
        linestyle="none",
        markersize=size,
        markeredgewidth=0.6 if marker == "+" else 0.0,
        label=words,
    )


# --------------------------------------------------------------------------------------------------
# The caption.


def _words(
    core: str,
    sections: list[Section],
    columns: list[str],
    shown: list[Picture],
    lacking: dict[str, str],
    drawn: list[Held],
    layers: bool,
) -> str:
    """What the page shows."""
    parts = ["sections"] * bool(sections) + ["pictures"] * bool(shown) + columns
    parts += ["properties"] * bool(drawn)
    listed = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    words = f"{listed.capitalize()} of core {core}"
    words += ", with its numbers and what was left out."
    if sections:
        words += (
            " Left: offset from the top of each section; right: depth. Lines across: ends of the "
            "sections; hatched: removed."
        )
    if layers:
        words += " Dashed: tops of layers."
    if drawn:
        words += (
            " Dots: scan; open symbols: samples; crosses: flagged readings; arrows at an edge: "
            "readings beyond the track. Scatter: half of the range from the 16th to the 84th "
            "percentile of the readings kept. A reading with two reasons counts under both."
        )
    if shown:
        pictures = sum(one.file not in lacking for one in shown)
        words += f" Pictures drawn: {pictures} of {len(shown)}."
    return words


def _in_full(head: str, lines: list[str]) -> str:
    """Facts and list for the caption."""
    return f"{head}. Left out: {' '.join(lines) if lines else 'nothing.'}"
