"""What can be said of a figure without looking: words that collide, series that only colour parts.

Colours are judged as they are seen: in grey, and by protan, deutan and tritan vision after the
matrices of Machado, Oliveira and Fernandes (2009), IEEE Transactions on Visualization and Computer
Graphics 15, 1291, full severity (from memory; tests/figures/test_grammar.py holds them to their
own invariants). Lightness is CIE L* of linear sRGB (IEC 61966-2-1; CIE 15).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib import colors
from matplotlib.container import ErrorbarContainer
from matplotlib.lines import Line2D
from matplotlib.text import Text

from corephys.figures import Plate
from corephys.figures.plate import Drawn
from corephys.figures.style import SETTINGS

VISIONS = {
    "usual": np.eye(3),
    "protan": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deutan": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritan": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}
_TO_Y = np.array([0.2126, 0.7152, 0.0722])
APART = 12.0  # L*: a twelfth of white to black, common practice for greys that lie apart


def lightness(colour: Any, vision: str = "usual") -> float:
    """CIE L* of a colour, 0 black to 100 white, as a vision sees it."""
    code = np.array(colors.to_rgb(colour))
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    y = float(np.clip(VISIONS[vision] @ linear, 0.0, 1.0) @ _TO_Y)
    return 116.0 * np.cbrt(y) - 16.0 if y > (6 / 29) ** 3 else y * (29 / 3) ** 3


def words_off_the_page(figure: Plate) -> list[str]:
    """Visible texts of a figure that reach beyond its edges."""
    edges = figure.bbox.padded(1.0)
    return [
        text.get_text()
        for text, box in _words(figure)
        if not (edges.contains(box.x0, box.y0) and edges.contains(box.x1, box.y1))
    ]


def words_that_collide(figure: Plate) -> list[tuple[str, str]]:
    """Pairs of visible texts that share more than a rim of one point."""
    words = _words(figure)
    rim = figure.dpi / 72.0
    found = []
    for i, (one, a) in enumerate(words):
        for other, b in words[i + 1 :]:
            across = min(a.x1, b.x1) - max(a.x0, b.x0)
            along = min(a.y1, b.y1) - max(a.y0, b.y0)
            if across > rim and along > rim:
                found.append((one.get_text(), other.get_text()))
    return found


def _words(figure: Plate) -> list[tuple[Text, Any]]:
    figure.settle()
    with matplotlib.rc_context(SETTINGS):  # as a file is written: ticks go by the size of letters
        figure.draw_without_rendering()
        return list(_words_drawn(figure))


def _words_drawn(figure: Plate) -> Iterator[tuple[Text, Any]]:
    seen: set[int] = set()
    for text in figure.findobj(Text):
        if id(text) in seen or not text.get_text().strip() or not _shown(text, figure):
            continue
        seen.add(id(text))
        box = text.get_window_extent()
        axes = text.axes
        # matplotlib leaves out tick labels and texts in data coordinates beyond the axes.
        if text.get_clip_on() and axes is not None and not axes.bbox.overlaps(box):
            continue
        if box.width > 0 and box.height > 0:
            yield text, box


def _shown(text: Text, figure: Plate) -> bool:
    if not text.get_visible():
        return False
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            ticks = [*axis.get_major_ticks(), *axis.get_minor_ticks()]
            if any(text in (tick.label1, tick.label2) for tick in ticks):
                drawn = axis._update_ticks() if axes.get_visible() and axes.axison else []
                return any(
                    (text is t.label1 and t.label1.get_visible())
                    or (text is t.label2 and t.label2.get_visible())
                    for t in drawn
                )
    parent = text.axes
    return parent is None or (parent.get_visible() and (parent.axison or text in parent.texts))


def drawn_of(figure: Plate, series: str) -> pd.DataFrame:
    """What a figure draws of the series whose names begin with a word."""
    table = figure.table()
    return table[table["series"].str.startswith(series)]


def told_by_colour_alone(figure: Plate) -> list[tuple[str, str, str]]:
    """Pairs of series of one axes that neither shape nor lightness nor a word parts, and how seen.

    Series whose name stands beside them as a text of the axes are told by that word.
    """
    found = []
    for axes in figure.axes:
        records = [r for r in figure.drawn if r.kind in ("points", "curve") and r.axes is axes]
        named = [text.get_text().strip().lower() for text in axes.texts]
        looks = {}
        for record in records:
            if record.table.empty:
                continue
            name = str(record.table["series"].iloc[0])
            if any(_is_named(name, word) for word in named):
                continue
            looks.setdefault(name, _look(record))
        names = list(looks)
        for i, one in enumerate(names):
            for other in names[i + 1 :]:
                shape_a, ink_a = looks[one]
                shape_b, ink_b = looks[other]
                if shape_a != shape_b or colors.to_rgb(ink_a) == colors.to_rgb(ink_b):
                    continue
                for vision in VISIONS:
                    if abs(lightness(ink_a, vision) - lightness(ink_b, vision)) < APART:
                        found.append((one, other, vision))
    return found


def _is_named(series: str, word: str) -> bool:
    """Whether a text of the axes is the name of a series or its last word."""
    return bool(word) and (word in series.lower() or series.lower() in word)


def _look(record: Drawn) -> tuple[tuple[Any, ...], Any]:
    artist = record.artist
    line: Line2D = artist.lines[0] if isinstance(artist, ErrorbarContainer) else artist
    shape = (
        record.kind,
        line.get_marker(),
        str(line._unscaled_dash_pattern) if line.get_linestyle() != "None" else "none",
        line.get_markersize() if record.kind == "points" else line.get_linewidth(),
        colors.to_hex(line.get_markerfacecolor()) == "#ffffff",
    )
    return shape, line.get_color()
