"""Tracks on a common depth axis: strips of cores and layers, and quantities."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from corephys.figures import look, plate
from corephys.figures.adapt import log_ticks
from corephys.figures.plate import Plate
from corephys.figures.reading import Series
from corephys.figures.style import COLOURS, SEAFLOOR, label, plain
from corephys.ground import flags
from corephys.ground.registry import SENSORS

BESIDE = "0.45"  # grey of supplied values that stand beside the measured ones
# Largest over smallest value, up to which the axis stays linear: a logarithmic axis so short may
# have no decade to label.
LINEAR_UP_TO = 5.0
_LOGARITHMIC = ("formation_factor",)  # besides the sensors, whose records state it
# Greys of coring methods, dark to pale in this order.
_METHODS = ("piston", "extended_inner_tube", "rotary", "push", "percussion", "other")
METHOD_GREY = {
    "piston": "0.15",
    "extended_inner_tube": "0.35",
    "rotary": "0.55",
    "push": "0.68",
    "percussion": "0.78",
    "other": "0.88",
}
LITHOLOGY_TINTS = ("#E8EEF4", "#F4EBDD", "#E6F0E6", "#F2E6EE", "#EFEFEF", "#FAF6D9")


def span(series: Sequence[Series], *, room: float = 0.06) -> tuple[float, float]:
    """Limits of an axis from the usable values and their errors, with a fraction of free room.

    Flagged values may lie outside. A single reading of air would otherwise set the limits.
    """
    low, high = [], []
    for one in series:
        good = flags.usable(one.flag) & np.isfinite(one.values)
        values = one.values[good if good.any() else np.isfinite(one.values)]
        error = np.nan_to_num(one.error[good if good.any() else np.isfinite(one.values)])
        low.append(float((values - error).min()))
        high.append(float((values + error).max()))
    width = (max(high) - min(low)) or abs(max(high)) or 1.0
    return min(low) - room * width, max(high) + room * width


def draw_series(
    axes: Axes,
    one: Series,
    words: str = "samples",
    *,
    panel: str = "",
    colour: str | None = None,
    small: bool = False,
) -> None:
    """Draw a series against depth: symbols with their errors, or the small dots of a scan.

    Supplied values have symbols of their own.
    """
    if one.supplied:
        words = f"{words}, supplied"
    plate.points(
        axes,
        panel or f"{one.label} against depth [m]",
        words,
        one.values,
        one.depth,
        flag=one.flag,
        # Bars on hundreds of dots would hide them.
        x_error=None if small else one.error,
        colour=colour or COLOURS.get(one.name, "black"),
        small=small,
        marker=plate.marker_of(one.supplied, small),
    )


def draw_scan_and_samples(
    axes: Axes, scan: Series | None, samples: Series | None, panel: str = ""
) -> None:
    """Draw one quantity: dots of the scan in its colour, samples over them in black."""
    if scan is not None:
        draw_series(axes, scan, "scan", panel=panel, small=True)
    if samples is not None:
        draw_series(axes, samples, panel=panel, colour="black" if scan is not None else None)


def draw_beside(axes: Axes, beside: Sequence[Series], panel: str) -> None:
    """Draw supplied values that products do not use, in grey and below what is drawn later."""
    for one in beside:
        draw_series(axes, one, "beside", panel=panel, colour=BESIDE)


def name_symbols(
    figure: Plate, drawn: Sequence[tuple[str, Series | None]], beside: Sequence[Series]
) -> None:
    """Name the symbols below a figure that draws supplied values; nothing without any.

    ``drawn`` are series with the word ``"scan"`` or ``"samples"``; the colours of the symbols
    differ between tracks, so that those of the legend are black.
    """
    present = [(words, one) for words, one in drawn if one is not None]
    if not beside and not any(one.supplied for _, one in present):
        return
    keys = {}
    for words, one in present:
        named = f"{words}, supplied" if one.supplied else words
        mark = plate.marker_of(one.supplied, words == "scan")
        keys[named] = plate.symbol_key(named, mark, "black")
    if beside:
        words = "supplied, not used"
        keys[words] = plate.symbol_key(words, plate.DIAMOND, BESIDE)
    figure.legend(handles=list(keys.values()), loc="outside lower center", ncols=len(keys))


def depth_axis(
    axes: Axes | Iterable[Axes],
    bottom: float,
    top: float | None = None,
    *,
    words: str = SEAFLOOR,
) -> None:
    """Let depth [m] increase downward from ``top`` to ``bottom``, and name the first axis.

    The default top lies a little above the seafloor, so that a symbol at zero is drawn in full. Of
    a part of a hole the ends are those of the points and curves on these axes, if there are any.
    """
    tracks = [axes] if isinstance(axes, Axes) else list(axes)
    drawn = _drawn_depths(tracks)
    if drawn is not None:
        top, bottom = drawn
    for track in tracks:
        track.set_ylim(bottom, -0.02 * bottom if top is None else top)
    mine = look.chosen().of("labels", "depth")
    tracks[0].set_ylabel(words if mine is None or words != SEAFLOOR else label("depth"))


def _drawn_depths(tracks: Sequence[Axes]) -> tuple[float, float] | None:
    """Ends of the points and curves of a part of a hole [m] with some room; None otherwise."""
    figure = plate.plate_of(tracks[0])
    if figure.part is None:
        return None
    shared = [*tracks, *tracks[0].get_shared_y_axes().get_siblings(tracks[0])]
    depths = [
        record.table["y"].to_numpy(dtype=float)
        for record in figure.drawn
        if record.kind in ("points", "curve") and record.axes in shared
    ]
    known = np.concatenate([[], *depths])
    known = known[np.isfinite(known)]
    if not known.size:
        return None
    low, high = float(known.min()), float(known.max())
    room = 0.02 * (high - low) or 0.5
    return low - room, high + room


def draw_track(axes: Axes, scan: Series | None, samples: Series | None) -> None:
    """Draw the track of one quantity; at least one of the two series is given."""
    present = [one for one in (scan, samples) if one is not None]
    first = present[0]
    # One panel name for both: they belong together in the table of the figure.
    draw_scan_and_samples(axes, scan, samples, panel=f"{first.label} against depth [m]")
    set_track(axes, present)


def set_track(axes: Axes, present: Sequence[Series]) -> None:
    """Set limits, scale and label of a track from the series of its quantity.

    The words over the track count the values beyond the limits, which hold all usable ones.
    """
    first = present[0]
    axes.set_xlim(*span(present))
    set_usual_scale(axes, present)
    axes.set_xlabel(_two_lines(first.label), labelpad=2)
    count_outside(axes, [one.values for one in present])


def set_usual_scale(axes: Axes, present: Sequence[Series]) -> None:
    """Make x logarithmic where the quantity has such an axis and its usable values span enough.

    A logarithmic axis would hide usable readings that are not positive; with some it stays linear.
    """
    name = present[0].name
    wanted = look.chosen().of("scale", name)
    if wanted is None and not is_logarithmic(name):
        return
    shown = np.concatenate([one.values[flags.usable(one.flag)] for one in present])
    shown = shown[np.isfinite(shown)]
    if wanted == "linear" or not shown.size or shown.min() <= 0.0:
        return
    low, high = float(shown.min()), float(shown.max())
    if wanted == "log" or high > LINEAR_UP_TO * low:
        end = axes.get_xlim()[1]
        axes.set_xscale("log")
        axes.set_xlim(0.8 * low, max(end, 1.2 * high))
        log_ticks(axes.xaxis)


def is_logarithmic(name: str) -> bool:
    """Whether a quantity has a logarithmic axis where its usable values span enough."""
    of_sensors = {one.quantity for one in SENSORS.records() if one.track.logarithmic}
    return name in of_sensors or name in _LOGARITHMIC


def count_outside(
    axes: Axes, values: Sequence[np.ndarray], beside: Sequence[np.ndarray] = ()
) -> None:
    """Write over a track how many of its values lie outside the limits of x.

    The limits hold all usable values of ``values``; ``beside`` are supplied ones that stand beside.
    """
    low, high = axes.get_xlim()
    if look.option("flagged") == "hide":  # the limits hold all usable values
        values = ()
    counts = {
        words: sum(int(((one < low) | (one > high)).sum()) for one in held)
        for words, held in (("flagged", values), ("supplied", beside))
    }
    shown = ", ".join(f"{count} {words}" for words, count in counts.items() if count)
    if shown:
        axes.set_title(f"{shown} off axis", fontsize=5.5, color="0.35", pad=2)


def _two_lines(words: str) -> str:
    """Label with the unit on a separate line; a long name is broken."""
    name, bracket, unit = words.partition(" [")
    name = textwrap.fill(name, 18)
    return f"{name}\n[{unit}" if bracket else f"{name}\n "


def draw_cores(axes: Axes, cores: xr.Dataset) -> None:
    """Draw the recovery of each core: its advance [m] as a frame, filled as far as recovered.

    The fill begins at the top of the core, by convention. Recovery above 100 % fills the frame.
    """
    top = cores["top"].values.astype(float)
    advance = cores["advance"].values.astype(float)
    recovered = np.nan_to_num(cores["recovered"].values.astype(float))
    methods = (
        cores["coring_method"].values if "coring_method" in cores else np.full(top.size, "other")
    )
    plate.boxes(axes, "cores", "advance", top, top + advance, colour="white", edge="0.3")
    for method in methods_in_order(cores):
        which = methods == method
        bottom = top[which] + np.minimum(recovered, advance)[which]
        grey = METHOD_GREY.get(method, "0.88")
        plate.boxes(
            axes, "cores", f"recovered, {method}", top[which], bottom, colour=grey, edge="white"
        )
    _number_cores(axes, cores["core"].values, top + advance / 2)
    axes.set_xlim(0, 1)
    axes.set_xticks([])
    whole = 100.0 * recovered.sum() / advance.sum() if advance.sum() > 0 else float("nan")
    axes.set_xlabel(f"cores\n{whole:.0f} % rec.", labelpad=4)


def methods_in_order(cores: xr.Dataset) -> list[str]:
    """Coring methods of a hole, from the dark to the pale grey, each once."""
    if "coring_method" not in cores:
        return ["other"]
    present = set(map(str, cores["coring_method"].values))
    return [m for m in _METHODS if m in present] + sorted(present - set(_METHODS))


def _number_cores(axes: Axes, names: np.ndarray, middle: np.ndarray) -> None:
    """Write the names of the cores beside the strip, as many as fit."""
    height = _height(axes)
    deep = float(np.ptp(middle)) or 1.0
    last = -np.inf
    for name, depth in sorted(zip(names, middle, strict=True), key=lambda pair: pair[1]):
        if (depth - last) * height / deep < 7.0:  # points; the text is five and a half high
            continue
        axes.annotate(
            plain(name),
            (1.0, depth),
            xytext=(2, 0),
            textcoords="offset points",
            fontsize=5.5,
            va="center",
            ha="left",
            annotation_clip=True,
        )
        last = depth


def _height(axes: Axes) -> float:
    """Height in print [points], before the layout: exact enough to select words that fit."""
    figure: Any = axes.figure
    figure = getattr(figure, "figure", None) or figure  # that of a part of a figure
    return float(axes.get_position().height * figure.get_size_inches()[1] * 72)


def draw_layers(axes: Axes, layers: xr.Dataset, deep: float) -> None:
    """Draw the column of layers with names and lithologies that fit.

    ``deep`` is the length of the depth axis [m].
    """
    top, bottom = layers["top"].values.astype(float), layers["bottom"].values.astype(float)
    names = [str(name) for name in layers["name"].values]
    known = layers["lithology"].values if "lithology" in layers else np.full(top.size, "")
    kinds = list(dict.fromkeys(map(str, known)))
    height = _height(axes)
    # Words stand in the middle of the visible part of a layer.
    shallow, deepest = sorted(axes.get_ylim())
    seen_top, seen_bottom = np.maximum(top, shallow), np.minimum(bottom, deepest)
    for i, (name, kind) in enumerate(zip(names, map(str, known), strict=True)):
        tint = LITHOLOGY_TINTS[kinds.index(kind) % len(LITHOLOGY_TINTS)]
        series = f"{name}: {kind}" if kind else name
        plate.boxes(axes, "layers", series, top[i : i + 1], bottom[i : i + 1], colour=tint)
        name, kind = plain(name), plain(kind)
        room = (seen_bottom[i] - seen_top[i]) / deep * height
        middle = 0.5 * (seen_top[i] + seen_bottom[i])
        words = f"{name}\n{kind}" if kind else name
        longest = max(map(len, words.split("\n"))) * 3.3  # points; mean width of a letter
        if room > longest + 4:
            axes.text(
                0.5,
                middle,
                words,
                rotation=90,
                fontsize=5.5,
                ha="center",
                va="center",
                linespacing=1.3,
                clip_on=True,
            )
        elif room > len(name) * 3.3 + 4:
            axes.text(
                0.5, middle, name, rotation=90, fontsize=5.5, ha="center", va="center", clip_on=True
            )
    axes.set_xlim(0, 1)
    axes.set_xticks([])
    axes.set_xlabel("layers\n ", labelpad=4)


def layer_boundaries(axes: Axes, layers: xr.Dataset) -> None:
    """Draw dashed lines at the tops [m] of the layers except the first."""
    for depth in np.sort(layers["top"].values.astype(float))[1:]:
        axes.axhline(depth, color="0.45", linewidth=0.5, linestyle=(0, (4, 3)), zorder=0.5)
