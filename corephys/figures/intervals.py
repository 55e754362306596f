"""Strips of what a describer writes: lithology, disturbance, and pictures of the core.

Greys and hatches are given out by the length of each lithology in the hole, so that none stands for
one kind of sediment; the words are in the legend.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.patches import Patch

from corephys.figures import plate
from corephys.figures.pictures import PictureError, PictureFiles
from corephys.figures.style import plain
from corephys.ground import flags
from corephys.hole.placing.described import Stretch, stretches
from corephys.hole.reading.tables import DISTURBANCES

# Grey and hatch of each lithology, the longest first, and of all further ones together.
_LOOKS = (
    ("0.93", ""),
    ("0.70", ""),
    ("0.85", "////"),
    ("0.45", ""),
    ("0.85", "\\\\\\\\"),
    ("0.85", "||||"),
    ("0.85", "xxxx"),
)
_REST, _OTHER = ("1.0", ""), "other"
# Width and grey of each degree of disturbance.
_DEGREES = {
    "none": (0.12, "0.8"),
    "slight": (0.3, "0.75"),
    "moderate": (0.55, "0.55"),
    "severe": (0.8, "0.35"),
    "flow_in": (1.0, "0.1"),
}
# Pixels of a picture: those of print at this density, which a vector file holds as well.
_DOTS = 250.0  # dots per inch
KINDS = ("photograph", "radiograph", "scan")
_HEADS = {"photograph": "photo-\ngraphs", "radiograph": "radio-\ngraphs", "scan": "scans\n "}


@dataclass(frozen=True)
class Picture:
    """One row of the table of pictures.

    Parameters
    ----------
    file, kind, top_at : str
        Path in the hole folder, kind of the picture, and the side where the top of the core lies.
    top, bottom : float
        Ends on the depth scale of the figure [m].
    """

    file: str
    kind: str
    top_at: str
    top: float
    bottom: float


def looks(description: xr.Dataset) -> dict[str, tuple[str, str]]:
    """Grey and hatch of each lithology of a description, the longest first."""
    lengths: dict[str, float] = {}
    for one in stretches(description, "lithology"):
        lengths[one.word] = lengths.get(one.word, 0.0) + one.ends[1] - one.ends[0]
    ranked = sorted(lengths, key=lambda word: (-lengths[word], word))
    return {word: _LOOKS[i] if i < len(_LOOKS) else _REST for i, word in enumerate(ranked)}


def draw_lithology(
    axes: Axes,
    description: xr.Dataset,
    *,
    depth_scale: str,
    ends: tuple[float, float],
    of_hole: dict[str, tuple[str, str]],
) -> list[Patch]:
    """Draw the column of lithologies between two depths [m]; entries of the legend.

    ``of_hole`` are the looks of the complete hole, so that each part of it is drawn alike.
    """
    axes.set_label("lithology")
    inside = within(stretches(description, "lithology"), depth_scale, ends)
    keys: dict[str, Patch] = {}
    for word, (grey, hatch) in of_hole.items():
        here = [span for name, span in inside if name == word]
        if not here:
            continue
        top, bottom = np.array(here).T
        plate.boxes(
            axes,
            "description",
            plain(word),
            top,
            bottom,
            colour=grey,
            edge="0.25",
            hatch=hatch,
            outline=0.0 if hatch or len(here) > 40 else 0.2,
        )
        shown = plain(plate.short(word)) if (grey, hatch) != _REST else _OTHER
        keys.setdefault(shown, plate.box_key(shown, grey, hatch))
    _strip(axes, "lithology\n ")
    return list(keys.values())


def draw_disturbance(
    axes: Axes, description: xr.Dataset, *, depth_scale: str, ends: tuple[float, float]
) -> list[Patch]:
    """Draw the degree of disturbance as bars of growing width; entries of the legend."""
    inside = within(stretches(description, "disturbance"), depth_scale, ends)
    keys = []
    for word in DISTURBANCES:
        here = [span for name, span in inside if name == word]
        if not here:
            continue
        width, grey = _DEGREES[word]
        top, bottom = np.array(here).T
        name = f"disturbance: {word.replace('_', '-')}"
        plate.boxes(
            axes,
            "disturbance",
            name,
            top,
            bottom,
            width=np.full(top.size, width),
            colour=grey,
            edge="0.25",
            outline=0.0,
        )
        keys.append(plate.box_key(name, grey))
    _strip(axes, "distur-\nbance")
    return keys


def pictures_of(images: xr.Dataset, depth_scale: str, ends: tuple[float, float]) -> list[Picture]:
    """Rows of the table of pictures between two depths [m] that have a place."""
    top, bottom = _columns(images, depth_scale)
    turned = images["top_at"].values if "top_at" in images else np.full(top.size, "", dtype=object)
    # A row of a void, or whose file cannot be read, is flagged; the frame of the latter is drawn.
    placed = np.isfinite(top) & np.isfinite(bottom) & (top < ends[1]) & (bottom > ends[0])
    placed &= (images["reason"].values & flags.bit("void")) == 0
    file, kind = (images[name].values.astype(str) for name in ("file", "kind"))
    return [
        Picture(file[i], kind[i], str(turned[i]), float(top[i]), float(bottom[i]))
        for i in np.flatnonzero(placed).tolist()
    ]


def draw_pictures(axes: Axes, shown: Sequence[Picture], files: PictureFiles) -> dict[str, str]:
    """Draw pictures of one kind, each between its depths; a frame where one cannot be drawn.

    Returns why each of these files cannot be drawn.
    """
    figure = plate.plate_of(axes)
    box = axes.get_position()
    width, height = np.array(figure.get_size_inches()) * (box.width, box.height) * _DOTS
    deep = abs(float(np.diff(axes.get_ylim())[0])) or 1.0
    lacking: dict[str, str] = {}
    _strip(axes, _HEADS[shown[0].kind])
    for one in shown:
        rows = max(2, int(np.ceil(height * (one.bottom - one.top) / deep)))
        series = f"{one.kind} {plain(one.file)}"
        try:
            pixels = files.read(one.file, one.top_at, rows, max(2, int(width)))
        except PictureError as error:
            lacking[one.file] = str(error)
            plate.boxes(
                axes,
                f"{one.kind}s",
                f"{series}, not drawn",
                [one.top],
                [one.bottom],
                colour="white",
                edge="0.6",
            )
            continue
        plate.picture(axes, f"{one.kind}s", series, one.top, one.bottom, pixels)
    return lacking


def within(
    found: Sequence[Stretch], depth_scale: str, ends: tuple[float, float]
) -> list[tuple[str, tuple[float, float]]]:
    """Words and ends [m] of the stretches that reach between two depths."""
    spans = [(one.word, one.fitted if depth_scale == "depth_fitted" else one.ends) for one in found]
    return [(word, span) for word, span in spans if span[0] < ends[1] and span[1] > ends[0]]


def _columns(table: xr.Dataset, depth_scale: str) -> tuple[np.ndarray, np.ndarray]:
    """Tops and bottoms of a table of intervals on a depth scale [m]."""
    ending = "_fitted" if depth_scale == "depth_fitted" else ""
    top, bottom = (table[f"{name}{ending}"].values.astype(float) for name in ("top", "bottom"))
    return top, bottom


def _strip(axes: Axes, words: str) -> None:
    """Set up a strip without a scale along x."""
    axes.set_xlim(0, 1)
    axes.set_xticks([])
    axes.set_xlabel(words, labelpad=4)
