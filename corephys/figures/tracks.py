"""Tracks that stand beside each other on one depth axis: strips of cores and layers, quantities."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np
import xarray as xr
from matplotlib import ticker
from matplotlib.axes import Axes

from corephys.figures import plate
from corephys.figures.reading import Series
from corephys.figures.style import COLOURS, plain
from corephys.ground import flags
from corephys.ground.registry import SENSORS

__all__ = [
    "draw_cores",
    "draw_layers",
    "draw_track",
    "layer_boundaries",
    "methods_in_order",
    "say_outside",
    "span",
]

_LINEAR_UP_TO = 5.0  # largest over smallest, below which no decade may lie in between
# Greys of coring methods, dark to pale in the order of the list.
_METHODS = ("piston", "extended", "rotary", "push", "percussion", "other")
_METHOD_GREY = {
    "piston": "0.15",
    "extended": "0.35",
    "rotary": "0.55",
    "push": "0.68",
    "percussion": "0.78",
    "other": "0.88",
}
_LITHOLOGY_TINTS = ("#E8EEF4", "#F4EBDD", "#E6F0E6", "#F2E6EE", "#EFEFEF", "#FAF6D9")


def span(series: Sequence[Series], *, room: float = 0.06) -> tuple[float, float]:
    """Ends of an axis that hold the usable values and their errors, with some room.

    Parameters
    ----------
    series : sequence of Series
        Of one quantity.
    room : float
        Fraction of the range that is left free at each end.

    Returns
    -------
    tuple of float and float
        In the unit of the quantity. Flagged values may lie outside: one bad reading does not
        squeeze all others.
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


def draw_track(axes: Axes, scan: Series | None, samples: Series | None) -> None:
    """Draw one quantity: dots of the scan, larger symbols with errors for samples.

    Parameters
    ----------
    axes : Axes
        Of a Plate, depth downward on y.
    scan, samples : Series or None
        At least one.
    """
    present = [one for one in (scan, samples) if one is not None]
    first = present[0]
    colour = COLOURS.get(first.name, "black")
    panel = f"{first.label} against depth [m]"
    if scan is not None:
        plate.points(
            axes, panel, "scan", scan.values, scan.depth, flag=scan.flag, colour=colour, small=True
        )
    if samples is not None:
        plate.points(
            axes,
            panel,
            "samples",
            samples.values,
            samples.depth,
            flag=samples.flag,
            x_error=samples.error,
            colour="black" if scan is not None else colour,
        )
    axes.set_xlim(*span(present))
    if any(s.quantity == first.name and s.track.logarithmic for s in SENSORS.records()):
        high = axes.get_xlim()[1]
        shown = np.concatenate([one.values[flags.usable(one.flag)] for one in present])
        shown = shown[np.isfinite(shown)]
        # What is not positive has no place on such an axis, and usable readings stay seen.
        if (
            shown.size
            and shown.min() > 0.0
            and float(shown.max()) > _LINEAR_UP_TO * float(shown.min())
        ):
            axes.set_xscale("log")
            axes.set_xlim(0.8 * float(shown.min()), max(high, 1.2 * float(shown.max())))
            _decades(axes)
    axes.set_xlabel(_two_lines(first.label), labelpad=2)
    say_outside(axes, [one.values for one in present])


def say_outside(axes: Axes, values: Sequence[np.ndarray]) -> None:
    """Write over a track how many of its values lie beside it.

    Parameters
    ----------
    axes : Axes
        A track whose axis is set.
    values : sequence of array
        What is drawn along x.
    """
    low, high = axes.get_xlim()
    outside = sum(int(((one < low) | (one > high)).sum()) for one in values)
    if outside:
        axes.set_title(f"{outside} flagged off axis", fontsize=5.5, color="0.35", pad=2)


def _decades(axes: Axes) -> None:
    """Label decades only, or ones and threes where the axis has but one of them."""
    low, high = np.log10(axes.get_xlim())
    subs = (1.0,) if np.floor(high) - np.ceil(low) >= 1 else (1.0, 3.0)
    axes.xaxis.set_major_locator(ticker.LogLocator(subs=subs))
    axes.xaxis.set_major_formatter(ticker.LogFormatterSciNotation(labelOnlyBase=False))
    axes.xaxis.set_minor_formatter(ticker.NullFormatter())


def _two_lines(words: str) -> str:
    """Unit on a line of its own; a long name is broken."""
    name, bracket, unit = words.partition(" [")
    name = textwrap.fill(name, 20)
    return f"{name}\n[{unit}" if bracket else f"{name}\n "


def draw_cores(axes: Axes, cores: xr.Dataset) -> None:
    """Draw the recovery of each core: its advance as a frame, filled as far as it was recovered.

    Parameters
    ----------
    axes : Axes
        Narrow, depth downward on y.
    cores : Dataset
        With core, top [m], advance [m], recovered [m] and coring_method along row.

    Notes
    -----
    A core of more than its advance fills its frame; the fraction stands in the table. The fill is
    laid out from the top, by convention.
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
        grey = _METHOD_GREY.get(method, "0.88")
        plate.boxes(
            axes, "cores", f"recovered, {method}", top[which], bottom, colour=grey, edge="white"
        )
    _number_cores(axes, cores["core"].values, top + advance / 2)
    axes.set_xlim(0, 1)
    axes.set_xticks([])
    whole = 100.0 * recovered.sum() / advance.sum() if advance.sum() > 0 else float("nan")
    axes.set_xlabel(f"cores\n{whole:.0f} % rec.", labelpad=4)


def methods_in_order(cores: xr.Dataset) -> list[str]:
    """Coring methods of a hole from the dark to the pale grey.

    Parameters
    ----------
    cores : Dataset
        With coring_method along row.

    Returns
    -------
    list of str
        Each once.
    """
    if "coring_method" not in cores:
        return ["other"]
    present = set(map(str, cores["coring_method"].values))
    return [m for m in _METHODS if m in present] + sorted(present - set(_METHODS))


def _number_cores(axes: Axes, names: np.ndarray, middle: np.ndarray) -> None:
    """Write core names beside the strip, as many as fit."""
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
    """Height in print [points], near enough to say which words fit."""
    figure = axes.figure
    assert figure is not None
    return float(axes.get_position().height * figure.get_size_inches()[1] * 72)


def draw_layers(axes: Axes, layers: xr.Dataset, deep: float) -> None:
    """Draw the column of layers with their names and lithologies.

    Parameters
    ----------
    axes : Axes
        Narrow, depth downward on y.
    layers : Dataset
        With name, top [m], bottom [m] and perhaps lithology along row.
    deep : float
        Length of the depth axis [m]; decides which words fit.
    """
    top, bottom = layers["top"].values.astype(float), layers["bottom"].values.astype(float)
    names = [str(name) for name in layers["name"].values]
    known = layers["lithology"].values if "lithology" in layers else np.full(top.size, "")
    kinds = list(dict.fromkeys(map(str, known)))
    height = _height(axes)
    # Words stand in the middle of what is seen of a layer.
    shallow, deepest = sorted(axes.get_ylim())
    seen_top, seen_bottom = np.maximum(top, shallow), np.minimum(bottom, deepest)
    for i, (name, kind) in enumerate(zip(names, map(str, known), strict=True)):
        tint = _LITHOLOGY_TINTS[kinds.index(kind) % len(_LITHOLOGY_TINTS)]
        series = f"{name}: {kind}" if kind else name
        plate.boxes(axes, "layers", series, top[i : i + 1], bottom[i : i + 1], colour=tint)
        name, kind = plain(name), plain(kind)
        room = (seen_bottom[i] - seen_top[i]) / deep * height
        middle = 0.5 * (seen_top[i] + seen_bottom[i])
        words = f"{name}\n{kind}" if kind else name
        longest = max(map(len, words.split("\n"))) * 3.3
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
    """Draw dashed lines at the tops of the layers, the first left out.

    Parameters
    ----------
    axes : Axes
        A track.
    layers : Dataset
        With top [m] along row.
    """
    for depth in np.sort(layers["top"].values.astype(float))[1:]:
        axes.axhline(depth, color="0.45", linewidth=0.5, linestyle=(0, (4, 3)), zorder=0.5)
