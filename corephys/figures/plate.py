"""A figure that records what it draws, its caption from that record, and both as files."""

from __future__ import annotations

import io
import json
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import matplotlib
import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba
from matplotlib.container import BarContainer, ErrorbarContainer
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from corephys.figures.part import Part, part_of
from corephys.figures.printing import DOTS, PlateCanvas, csv_bytes
from corephys.figures.style import FLAGGED, RESEARCH_ONLY, SEALED_SOURCE, SETTINGS, label, plain
from corephys.ground import flags
from corephys.ground.choices import choices
from corephys.ground.provenance import used_constants, write_bytes

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.legend import Legend
    from matplotlib.text import Text
    from numpy.typing import ArrayLike

__all__ = ["Plate", "save"]

# --------------------------------------------------------------------------------------------------
# A figure that records what it draws: every artist is made together with its record.
#
# The table beside a saved figure consists of these records, so that table and picture cannot
# differ.


COLUMNS = ("panel", "series", "x", "y", "x_lower", "x_upper", "y_lower", "y_upper", "flag")
_FLAG_WORDS = {1: "good", 2: "not evaluated", 3: "suspect", 4: "bad", 9: "missing"}
# Points of a series above which a vector file holds them as a picture: ten thousand vector symbols
# take a viewer seconds to draw.
_RASTER_FROM = 400
_MM_A_LETTER = 1.5  # mean width of a letter of eight-point type [mm]
CROSS, DIAMOND = "x", "D"  # symbols of supplied values, of a scan and of samples
# Mean width of a letter of a legend, width of an entry beside its letters, and room around [mm].
_MM_A_SMALL_LETTER, _MM_AN_ENTRY, _AROUND_LEGEND = 1.2, 10.0, 6.0
_DENSE_FROM = 600  # points of a scan; fewer are drawn larger
_SYMBOL = 3.6  # size of the symbol of a sample [points]


@dataclass(frozen=True)
class Drawn:
    """One artist and its data.

    Parameters
    ----------
    artist : Artist or container
        What matplotlib draws.
    columns : mapping
        Values of :data:`COLUMNS`, one for each point; a text alone is that of all points.
    kind : {"points", "curve", "band", "fill", "boxes", "picture"}
        Kind of the artist.
    """

    artist: Artist | ErrorbarContainer | BarContainer
    columns: Mapping[str, Any]
    kind: str

    @property
    def size(self) -> int:
        """Number of points."""
        return int(np.size(self.columns["x"]))

    @cached_property
    def table(self) -> pd.DataFrame:
        """Columns :data:`COLUMNS`, one row for each point."""
        size = self.size
        return pd.DataFrame(
            {
                name: [held] * size if isinstance(held, str) else held
                for name, held in self.columns.items()
            }
        )

    @property
    def axes(self) -> Axes:
        """Axes of the artist."""
        # Points with bars are a container without the attribute axes; its first line has it.
        one: Any = self.artist
        axes: Axes = (one.lines[0] if isinstance(one, ErrorbarContainer) else one).axes
        return axes


class Plate(Figure):
    """A matplotlib figure with a width in millimetres and a record of what it draws.

    Parameters
    ----------
    width, height : float
        Size in print [mm].
    """

    def __init__(self, width: float, height: float) -> None:
        layout = ConstrainedLayoutEngine(w_pad=0.025, h_pad=0.03, wspace=0.03)
        super().__init__(figsize=(width / 25.4, height / 25.4), layout=layout)
        PlateCanvas(self)
        self.drawn: list[Drawn] = []
        self.caption = ""
        self.part: Part | None = None  # part of the hole, where not all of it is drawn

    def table(self) -> pd.DataFrame:
        """Data of all artists, one row for each point, in the order of drawing."""
        tables = [record.table for record in self.drawn]
        if not tables:
            return pd.DataFrame(columns=list(COLUMNS))
        return pd.concat(tables, ignore_index=True)

    def head(self, tree: xr.DataTree, words: str = "") -> None:
        """Write the name of the hole over the figure, cut to the width of the figure.

        Parameters
        ----------
        tree : DataTree
            Reduced hole; its attribute ``title`` is written.
        words : str
            Part of the hole that the figure shows, on a second line.
        """
        room = int(25.4 * self.get_size_inches()[0] / _MM_A_LETTER)
        lines = [" ".join(str(tree.attrs.get("title", "")).split()), words]
        short = [s if len(s) <= room else s[: room - 1].rstrip() + "…" for s in lines if s]
        self.suptitle("\n".join(map(plain, short)), fontsize=8, x=0.02, ha="left")

    def caution(self, right: float = 1.0) -> None:
        """Write the line of caution below the figure and keep the layout clear of it.

        Parameters
        ----------
        right : float
            Right edge of the layout, as a fraction of the width.
        """
        self.text(0.01, 0.003, RESEARCH_ONLY, fontsize=4.6, ha="left", va="bottom")
        engine = self.get_layout_engine()
        assert isinstance(engine, ConstrainedLayoutEngine)
        engine.set(rect=(0.0, 0.03, right, 0.97))

    def settle(self) -> None:
        """Fix the layout, so that the figure gives the same bytes at every run."""
        engine = self.get_layout_engine()
        if engine is None:
            return
        with matplotlib.rc_context(SETTINGS):
            engine.execute(self)
            # None, and not "none": matplotlib would draw a figure with any engine twice.
            self.set_layout_engine(None)
        # The solver of the layout differs in the last bits from run to run. Positions rounded to
        # a millionth of the figure do not.
        for axes in self.axes:
            box = axes.get_position()
            left, bottom, right, top = (round(float(edge), 6) for edge in box.extents)
            axes.set_position((left, bottom, right - left, top - bottom))
        for text in (self._suptitle, self._supxlabel):  # type: ignore[attr-defined]
            if text is not None:
                x, y = text.get_position()
                text.set_position((round(float(x), 6), round(float(y), 6)))

    def savefig(self, fname: Any, **options: Any) -> None:
        """Write the figure to a file, as :func:`save` does.

        Parameters
        ----------
        fname : path or binary stream
            File; its ending gives the kind, unless ``format`` is given.
        **options
            Arguments of matplotlib's ``Figure.savefig``. ``dpi`` is 200 dots per inch for a
            picture, and 300 for points that a vector file holds as a picture. Settings of the
            session have no effect.
        """
        ending = Path(fname).suffix[1:] if isinstance(fname, (str, os.PathLike)) else ""
        kind = str(options.get("format") or ending).lower()
        options.setdefault("dpi", DOTS.get(kind, DOTS["png"]))
        with matplotlib.rc_context(SETTINGS):
            super().savefig(fname, **options)

    def picture(self, dots_per_inch: float = DOTS["png"]) -> bytes:
        """The figure as a picture.

        Parameters
        ----------
        dots_per_inch : float
            Dots per inch of the page.

        Returns
        -------
        bytes
            A PNG with the caption as its text ``Description``.
        """
        stream = io.BytesIO()
        self.savefig(stream, format="png", dpi=dots_per_inch)
        return stream.getvalue()

    def _repr_png_(self) -> bytes:
        return self.picture(130.0)


@contextmanager
def new_plate(
    width: float, height: float, tree: xr.DataTree | None = None, words: str = ""
) -> Iterator[Plate]:
    """Open a plate [mm] in the style of the package; write the hole's name over it at the end.

    Everything that is drawn belongs inside the ``with`` block: matplotlib reads its settings when
    an artist is made, and those of the session must not reach a figure.
    """
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(width, height)
        figure.part = None if tree is None else part_of(tree)
        yield figure
        if tree is not None:
            figure.head(tree, words or str(figure.part or ""))


def _record(
    axes: Axes,
    artist: Artist | ErrorbarContainer | BarContainer,
    kind: str,
    panel: str,
    series: str,
    x: ArrayLike,
    y: ArrayLike,
    flag: ArrayLike | None = None,
    **edges: ArrayLike,
) -> None:
    """Add an artist and its data to the record of the plate."""
    columns: dict[str, Any] = {"panel": panel, "series": series, "x": x, "y": y}
    for name in ("x_lower", "x_upper", "y_lower", "y_upper"):
        edge = edges.get(name)
        columns[name] = np.full(np.size(x), np.nan) if edge is None else edge
    columns["flag"] = (
        "" if flag is None else [_FLAG_WORDS[int(level)] for level in np.asarray(flag)]
    )
    figure = axes.figure
    assert isinstance(figure, Plate)
    figure.drawn.append(Drawn(artist, columns, kind))


def points(
    axes: Axes,
    panel: str,
    series: str,
    x: ArrayLike,
    y: ArrayLike,
    *,
    flag: ArrayLike | None = None,
    x_error: ArrayLike | None = None,
    y_error: ArrayLike | None = None,
    colour: str = "black",
    small: bool = False,
    marker: str = "o",
    pale: str = FLAGGED,
) -> None:
    """Draw points; those that products do not use have the colour ``pale`` and lie below.

    ``panel`` and ``series`` are names in the table of the figure. Points without a number are not
    drawn. Errors are standard uncertainties, drawn as bars where known. ``small`` draws the dots
    of a scan, or its small crosses where ``marker`` is one; otherwise it is the symbol of samples.
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    level = np.ones(x.size, dtype=int) if flag is None else np.asarray(flag, dtype=int)
    shown = np.isfinite(x) & np.isfinite(y)
    good = flags.usable(level)
    dot = 1.2 if shown.sum() > _DENSE_FROM else 2.0
    for which, name, ink, order in (
        (shown & ~good, f"{series}, flagged", pale, 1.0),
        (shown & good, series, colour, 2.0 if small else 3.0),
    ):
        if not which.any():
            continue
        crosses = small and marker == CROSS
        dots = small and not crosses
        style: dict[str, Any] = {"marker": "." if dots else marker, "linestyle": "none"}
        style.update(markersize=dot if small else _SYMBOL, color=ink, zorder=order)
        style.update(markeredgewidth=0.0 if dots else 0.4 if crosses else 0.6)
        if not small:
            style["markerfacecolor"] = "white"
        style["rasterized"] = bool(small and which.sum() > _RASTER_FROM)
        edges: dict[str, Any] = {}
        artist: Any
        for axis, value, error in (("x", x, x_error), ("y", y, y_error)):
            if error is not None:
                size = np.asarray(error, dtype=float)[which]
                edges[f"{axis}_lower"] = value[which] - size
                edges[f"{axis}_upper"] = value[which] + size
                # matplotlib refuses NaN here. The record keeps it: an unknown error has no edge.
                style[f"{axis}err"] = np.nan_to_num(size)
        if edges:
            style.update(elinewidth=0.5, capsize=0)
            artist = axes.errorbar(x[which], y[which], **style)
        else:
            (artist,) = axes.plot(x[which], y[which], **style)
        words = None if flag is None else level[which]
        _record(axes, artist, "points", panel, name, x[which], y[which], words, **edges)


def curve(
    axes: Axes,
    panel: str,
    series: str,
    x: ArrayLike,
    y: ArrayLike,
    *,
    colour: str = "black",
    style: str | tuple[float, Sequence[float]] = "-",
) -> None:
    """Draw a line; ``style`` is a line style of matplotlib."""
    (artist,) = axes.plot(x, y, linestyle=style, color=colour, linewidth=1.0, zorder=2.6)
    _record(
        axes, artist, "curve", panel, series, np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    )


def band(
    axes: Axes,
    panel: str,
    series: str,
    y: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    *,
    colour: str = "black",
    kind: str = "band",
) -> None:
    """Draw a band along y between the edges ``lower`` and ``upper`` on x.

    The kind "band" is an uncertainty or a range, which the caption names; "fill" is neither.
    """
    lower, upper = np.asarray(lower, dtype=float), np.asarray(upper, dtype=float)
    artist = axes.fill_betweenx(y, lower, upper, color=colour, alpha=0.22, linewidth=0, zorder=2.3)
    _record(axes, artist, kind, panel, series, (lower + upper) / 2, y, x_lower=lower, x_upper=upper)


def boxes(
    axes: Axes,
    panel: str,
    series: str,
    top: ArrayLike,
    bottom: ArrayLike,
    *,
    width: float | np.ndarray = 1.0,
    colour: str = "0.5",
    edge: str = "black",
    hatch: str = "",
    outline: float = 0.4,
) -> None:
    """Draw boxes between the depths ``top`` and ``bottom`` [m], from x = 0 to ``width``.

    An array of widths gives each box its width, and the table the edges along x. ``outline`` is the
    width of the edges [points], whose colour is also that of the hatch.
    """
    top, bottom = np.asarray(top, dtype=float), np.asarray(bottom, dtype=float)
    # Axes.barh does the same in four times the time, since it updates the limits at every bar.
    face, rim = to_rgba(colour), to_rgba(edge)
    across = np.broadcast_to(np.asarray(width, dtype=float), top.shape)
    bars = []
    for begin, height, reach in zip(top, bottom - top, across, strict=True):
        bar = Rectangle(
            (0.0, float(begin)),
            float(reach),
            float(height),
            facecolor=face,
            edgecolor=rim,
            linewidth=outline,
            hatch=hatch or None,
            label="_nolegend_",
        )
        bar.sticky_edges.x.append(0.0)
        axes.add_artist(bar)
        bars.append(bar)
    if bars:
        axes.update_datalim([(0.0, np.nanmin(top)), (np.nanmax(across), np.nanmax(bottom))])
        axes.autoscale(None)
    artist = BarContainer(bars)
    axes.add_container(artist)
    middle = np.broadcast_to(np.asarray(width, dtype=float) / 2, top.shape)
    edges: dict[str, Any] = {"y_lower": top, "y_upper": bottom}
    if np.ndim(width):
        edges |= {"x_lower": np.zeros(top.size), "x_upper": np.asarray(width, dtype=float)}
    _record(axes, artist, "boxes", panel, series, middle, (top + bottom) / 2, **edges)


def picture(
    axes: Axes, panel: str, series: str, top: float, bottom: float, pixels: np.ndarray
) -> None:
    """Draw a picture from x = 0 to 1 between the depths ``top`` and ``bottom`` [m].

    ``pixels`` (rows, columns) or (rows, columns, 3) are 8-bit values, the top of the core first.
    """
    limits = axes.get_xlim(), axes.get_ylim()
    artist = axes.imshow(
        pixels,
        extent=(0.0, 1.0, bottom, top),
        aspect="auto",
        cmap="gray",
        vmin=0,
        vmax=255,
        interpolation="none",
        zorder=1.5,
    )
    axes.set(xlim=limits[0], ylim=limits[1])  # imshow sets them to the picture
    edges: dict[str, Any] = {"y_lower": [top], "y_upper": [bottom]}
    _record(axes, artist, "picture", panel, series, [0.5], [0.5 * (top + bottom)], **edges)


# --------------------------------------------------------------------------------------------------
# Words and keys inside the axes. They show no data and are not recorded.


def marker_of(supplied: bool, small: bool) -> str:
    """Symbol of a series: supplied values have one of their own, of a scan and of samples."""
    if not supplied:
        return "." if small else "o"
    return CROSS if small else DIAMOND


def symbol_key(words: str, marker: str, colour: str) -> Line2D:
    """Entry of a legend for the symbols of :func:`points`."""
    return Line2D(
        [],
        [],
        marker=marker,
        color=colour,
        markerfacecolor="white",
        linestyle="none",
        markersize=_SYMBOL,
        label=words,
    )


def box_key(words: str, colour: str, hatch: str = "", edge: str = "0.25") -> Patch:
    """Entry of a legend for the boxes of :func:`boxes`."""
    return Patch(facecolor=colour, edgecolor=edge, hatch=hatch or None, linewidth=0.4, label=words)


def line_key(
    words: str, colour: str = "black", style: str | tuple[float, Sequence[float]] = "-"
) -> Line2D:
    """Entry of a legend for a line of :func:`curve`."""
    return Line2D([], [], color=colour, linestyle=style, linewidth=1.0, label=words)


def legend_beside(axes: Axes, handles: Sequence[Artist], **more: Any) -> None:
    """Write the legend at the right of the axes, where it covers no point."""
    axes.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(1.01, 1.0), borderaxespad=0.0, **more
    )


def legend_below(figure: Plate, handles: Sequence[Artist], **more: Any) -> Legend:
    """Write the legend below the axes, in as many columns as the width of the figure holds."""
    longest = max(len(str(one.get_label())) for one in handles)
    room = 25.4 * figure.get_size_inches()[0] - _AROUND_LEGEND
    columns = int(room / (longest * _MM_A_SMALL_LETTER + _MM_AN_ENTRY))
    return figure.legend(
        handles=handles,
        loc="outside lower left",
        ncols=min(max(columns, 1), len(handles)),
        fontsize=5.8,
        **more,
    )


def short(words: str, letters: int = 34) -> str:
    """Words of an entry of a legend, cut where they are longer than its room."""
    return words if len(words) <= letters else f"{words[: letters - 1].rstrip()}…"


def note(axes: Axes, words: str, *, top: bool = True, **more: Any) -> Text:
    """Write words into the upper or lower right corner of the axes."""
    at, side = (0.95, "top") if top else (0.03, "bottom")
    style: Mapping[str, Any] = {"ha": "right", "va": side, "fontsize": 6, **more}
    return axes.text(0.97, at, words, transform=axes.transAxes, **style)


def point_label(axes: Axes, words: str, x: float, y: float, *, distance: float = 5.0) -> None:
    """Write words at the right of a point, ``distance`` [points] from it."""
    axes.annotate(
        words,
        (x, y),
        xytext=(distance, 0),
        fontsize=6,
        textcoords="offset points",
        va="center",
    )


# --------------------------------------------------------------------------------------------------
# The caption of a figure, made from its record and from the provenance of the data.


# A caption stands beside its figure and has to be short. Longer lists of steps are replaced by
# their sources; corephys.explain lists the steps.
_WORDS_OF_STEPS = 70
_CONSTANTS_AT_MOST = 10
_LETTERS_OF_A_CONSTANT = 48
_SOURCE = re.compile(r"\(([^()]*?\b1[6-9]\d\d[^()]*|[^()]*?\b20\d\d[^()]*)\)")


def describe(
    plate: Plate,
    what: str,
    *datasets: xr.Dataset | None,
    depth_scale: str | None = None,
    counted: bool = True,
) -> Plate:
    """Give a finished figure its caption: what it shows, n, errors, method, constants, depth scale.

    ``datasets`` are the leaves of the hole that are drawn: their steps and constants are listed.
    ``counted`` is False for a figure of counts, whose points are not readings.
    """
    shown = [one for one in datasets if one is not None]
    counts = _counts(plate) if counted else ""
    part = plate.part.sentence if plate.part is not None else ""
    sentences = [what.strip(), part, counts, _errors(plate), _method(shown), _constants(shown)]
    if depth_scale is not None:
        sentences.append(f"Depth scale: {label(depth_scale)}.")
    cautions = [str(one.attrs["safety"]) for one in shown if "safety" in one.attrs]
    sentences += dict.fromkeys([*cautions, *_warned(plate)])
    plate.caption = " ".join(sentence for sentence in sentences if sentence)
    return plate


def _counts(plate: Plate) -> str:
    """Number of points of each panel and series: drawn, flagged, and outside the axes."""
    panels: dict[str, dict[str, list[int]]] = {}
    for record in plate.drawn:
        if record.kind != "points" or not record.size:
            continue
        panel, name = str(record.columns["panel"]), str(record.columns["series"])
        flagged = name.endswith(", flagged")
        unflagged = name.removesuffix(", flagged")
        quantity = re.split(r" \[| against ", panel)[0]
        sums = panels.setdefault(quantity, {}).setdefault(unflagged, [0, 0, 0])
        sums[0] += record.size
        sums[1] += record.size * flagged
        sums[2] += _outside(record)
    words = []
    for quantity, series in panels.items():
        parts = [
            f"{name} {n}{_exceptions(flagged, beside)}"
            for name, (n, flagged, beside) in series.items()
        ]
        words.append(f"{quantity}: {', '.join(parts)}")
    return f"n, {'; '.join(words)}." if words else ""


def _outside(record: Drawn) -> int:
    """Number of points outside the limits of the axes."""
    beside = np.zeros(record.size, dtype=bool)
    for side, ends in (("x", record.axes.get_xlim()), ("y", record.axes.get_ylim())):
        at = np.asarray(record.columns[side], dtype=float)
        beside |= (at < min(ends)) | (at > max(ends))
    return int(beside.sum())


def _exceptions(flagged: int, beside: int) -> str:
    """Words on the points that are pale or outside the axes."""
    words = [f"{flagged} flagged, drawn pale"] if flagged else []
    words += [f"{beside} off the axis"] if beside else []
    return f" ({', '.join(words)})" if words else ""


def _errors(plate: Plate) -> str:
    """Meaning of bars and bands, where some are drawn."""
    bars, bands = False, []
    for record in plate.drawn:
        if record.kind == "points":
            edges = (record.columns[name] for name in ("x_lower", "y_lower"))
            bars |= any(np.isfinite(np.asarray(edge, dtype=float)).any() for edge in edges)
        if record.kind == "band" and record.size:
            bands.append(str(record.columns["series"]))
    words = ["Bars are one standard uncertainty each way (k = 1)."] if bars else []
    if bands:
        words.append(f"Bands: {'; '.join(dict.fromkeys(bands))}.")
    return " ".join(words)


def _method(shown: list[xr.Dataset]) -> str:
    """Steps of the results, or their sources where the steps are many."""
    steps: list[str] = []
    for one in shown:
        steps += [step for step in json.loads(one.attrs.get("steps", "[]")) if step not in steps]
    if not steps:
        return ""
    text = "; ".join(steps)
    if len(text.split()) <= _WORDS_OF_STEPS:
        return f"Method: {text}."
    sources: list[str] = []
    for step in steps:
        for found in _SOURCE.findall(step):
            named = [part.strip() for part in found.split(";") if re.search("[A-Za-z]", part)]
            sources += [part for part in named if part not in sources]
    if not sources:
        return f"Method: {len(steps)} steps, listed by corephys.explain."
    return f"Method after {', '.join(sources)}; corephys.explain lists every step."


def _constants(shown: list[xr.Dataset]) -> str:
    """Constants of the results with their values, the first ten."""
    held: dict[str, str] = {}
    for one in shown:
        for name, record in used_constants(one).items():
            value = record.shown()
            if len(value) > _LETTERS_OF_A_CONSTANT:
                continue
            if name in held and value not in held[name].split(" or "):
                value = f"{held[name]} or {value}"  # two leaves used different values
            held[name] = value
    if not held:
        return ""
    words = [
        f"{re.sub(r'[_.]', ' ', name)} {value}"
        for name, value in list(held.items())[:_CONSTANTS_AT_MOST]
    ]
    more = len(held) - len(words)
    return f"With {', '.join(words)}{f' and {more} more' if more else ''}."


def _warned(plate: Plate) -> list[str]:
    """Lines of caution that are written on the figure."""
    # To look through every artist would make all ticks before they are needed.
    texts = chain(plate.texts, *(axes.texts for axes in plate.axes))
    drawn = [" ".join(text.get_text().split()) for text in texts]
    return [line for line in (RESEARCH_ONLY, SEALED_SOURCE) if line in drawn]


# --------------------------------------------------------------------------------------------------
# Figures as files: PNG, SVG and PDF, the data drawn, the caption.


PICTURES = ("png", "svg", "pdf")
KINDS = (*PICTURES, "csv", "txt")
USUAL_KINDS = ("png", "svg", "csv", "txt")


def save(
    figure: Plate,
    folder: str | os.PathLike[str],
    name: str,
    *,
    kinds: tuple[str, ...] = USUAL_KINDS,
) -> list[Path]:
    """Write a figure as PNG and SVG, with the data it draws and its caption beside it.

    Parameters
    ----------
    figure : Plate
        Figure from a function of ``cp.figures``.
    folder : path
        Folder of the figures; created if it does not exist.
    name : str
        Name of the files, without an ending.
    kinds : tuple of {"png", "svg", "pdf", "csv", "txt"}
        Kinds of files; the default is all but PDF.

    Returns
    -------
    list of Path
        The files in the order of ``kinds``: ``name.png`` (200 dots per inch), ``name.svg``,
        ``name.pdf``, ``name.csv`` (one row for each point drawn) and ``name.txt`` (the caption).
        With one version of matplotlib the same figure gives the same bytes at every run. Fonts
        are embedded.

    Raises
    ------
    ValueError
        If a kind is not one of these.
    """
    kinds = choices(kinds, KINDS, "kinds")
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    contents = printed(figure, kinds)
    return [write_bytes(out / f"{name}.{kind}", content) for kind, content in contents.items()]


def printed(figure: Plate, kinds: Sequence[str]) -> dict[str, bytes]:
    """Contents of the files of a figure by their kinds, all from one layout."""
    made: dict[str, bytes] = {}
    for kind in kinds:
        if kind == "csv":
            made[kind] = csv_bytes([record.columns for record in figure.drawn], COLUMNS)
        elif kind == "txt":
            made[kind] = f"{figure.caption}\n".encode()
        else:
            stream = io.BytesIO()
            figure.savefig(stream, format=kind)
            made[kind] = stream.getvalue()
    return made
