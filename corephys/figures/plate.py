"""A figure that records what it draws, its caption from that record, and both as files."""

from __future__ import annotations

import io
import os
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
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

from corephys.figures import adapt, look
from corephys.figures.part import Part, part_of
from corephys.figures.printing import DOTS, PlateCanvas
from corephys.figures.style import (
    FLAGGED,
    FLAGGED_FILL,
    RESEARCH_ONLY,
    SETTINGS,
    plain,
)
from corephys.ground import flags

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.legend import Legend
    from numpy.typing import ArrayLike

__all__ = ["Plate"]

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
        # Points with bars and boxes are containers without the attribute axes; their parts have it.
        one: Any = self.artist
        if isinstance(one, ErrorbarContainer):
            one = one.lines[0]
        elif isinstance(one, BarContainer):
            one = one.patches[0]
        axes: Axes = one.axes
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
        self.panels: dict[str, Axes] = {}
        self.unwritten: list[str] = []  # words that the caller does not want inside the axes
        self.hidden: dict[tuple[str, str], int] = {}  # flagged points by panel and series

    def table(self) -> pd.DataFrame:
        """Data of all artists, one row for each point, in the order of drawing."""
        tables = [record.table for record in self.drawn]
        if not tables:
            return pd.DataFrame(columns=list(COLUMNS))
        return pd.concat(tables, ignore_index=True)

    def panel(self, name: str) -> Axes:
        """Axes of a panel.

        Parameters
        ----------
        name : str
            Name of the panel: its quantity, such as ``"bulk_density"``, or one of
            ``figure.panels``. It is also the label of the axes (``axes.get_label()``).

        Returns
        -------
        Axes
            Axes of matplotlib.

        Raises
        ------
        KeyError
            If the figure has no panel of this name.
        """
        if name not in self.panels:
            raise KeyError(f"name is {name!r}; this figure has the panels {', '.join(self.panels)}")
        return self.panels[name]

    def finish(self) -> None:
        """Name the panels and apply the options of the caller, before the caption is written."""
        if self.panels:
            return
        self.panels = adapt.named_panels(self.axes, self.drawn)
        panels = list(self.panels.values())
        adapt.set_scales(panels, self.drawn)
        adapt.set_decimals(panels)
        asked = look.option("legend")
        legends = [one for axes in panels if (one := axes.get_legend()) is not None]
        if asked is False:
            for legend in (*legends, *self.legends):
                legend.remove()
        elif asked == "outside" and legends:
            legend_below(self, adapt.moved_legends(panels))
        elif asked and not legends and not self.legends:
            handles = adapt.entries(self.drawn)
            if handles:
                legend_below(self, handles)

    def write_title(self, words: str) -> None:
        """Write a title over the figure.

        Parameters
        ----------
        words : str
            Title; line breaks are kept.
        """
        self.suptitle(words, fontsize=8, x=0.02, ha="left")

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
        self.write_title("\n".join(map(plain, short)))

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
        """Write the figure to a file, as :func:`corephys.figures.save` does.

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


class Guest(Plate):
    """The record of a figure that is drawn into axes of the caller.

    Parameters
    ----------
    hosts : sequence of Axes
        Axes of the caller, one for each panel.
    width, height : float
        Size that the figure would have in print [mm].
    """

    def __init__(self, hosts: Sequence[Axes], width: float, height: float) -> None:
        # matplotlib asks a new figure for its axes.
        self.hosts, self._used, self._shares = list(hosts), 0, False
        super().__init__(width, height)

    @property
    def axes(self) -> list[Axes]:  # type: ignore[override]
        """Axes of the caller that are drawn into."""
        return self.hosts[: self._used]

    def _need(self, number: int) -> None:
        """Refuse another number of axes than the figure has panels."""
        if number != len(self.hosts):
            raise ValueError(
                f"{len(self.hosts)} Axes were given, and the figure has {number} panels here; give "
                "axes= with one for each panel, or a size= for a figure of its own"
            )

    def add_gridspec(self, nrows: int = 1, ncols: int = 1, **options: Any) -> Any:
        """Take the axes of the caller for a grid of one row.

        Parameters
        ----------
        nrows, ncols : int
            Rows and columns.
        **options
            Arguments of matplotlib's ``Figure.add_gridspec``.

        Returns
        -------
        GridSpec
            Grid, whose cells are the axes of the caller.
        """
        if nrows > 1:
            raise ValueError(
                "ax= and axes= are for figures whose panels stand in one row; this one has "
                f"{nrows} rows. Give size= for a figure of its own"
            )
        self._need(ncols)
        return super().add_gridspec(nrows, ncols, **options)

    def add_subplot(self, *args: Any, **options: Any) -> Axes:
        """Next axes of the caller.

        Parameters
        ----------
        *args, **options
            Arguments of matplotlib's ``Figure.add_subplot``.

        Returns
        -------
        Axes
            Axes of the caller.
        """
        if not args:
            self._need(1)
        elif args and isinstance(args[0], int):
            self._need(args[0] * args[1])
        axes = self.hosts[self._used]
        self._used += 1
        self._shares |= "sharey" in options
        _GUESTS[id(axes)] = self
        return axes

    def subplots(self, nrows: int = 1, ncols: int = 1, **options: Any) -> Any:
        """Axes of the caller.

        Parameters
        ----------
        nrows, ncols : int
            Rows and columns.
        **options
            Arguments of matplotlib's ``Figure.subplots``.

        Returns
        -------
        Axes or ndarray of Axes
            As matplotlib returns them.
        """
        self._need(nrows * ncols)
        self._shares |= bool(options.get("sharey"))
        held = np.array([self.add_subplot(None) for _ in range(nrows * ncols)], dtype=object)
        if options.get("squeeze", True):
            return held[0] if held.size == 1 else held
        return held.reshape(nrows, ncols)

    def finish(self) -> None:
        """As of a plate; panels beside each other get the depths of the first."""
        if not self.panels and self._used != len(self.hosts):
            self._need(self._used)
        for axes in self.axes[1:] if self._shares else ():
            axes.set_ylim(self.hosts[0].get_ylim())
        super().finish()

    def legend(self, *args: Any, **options: Any) -> Legend:  # type: ignore[override]
        """Write the legend into the first axes.

        Parameters
        ----------
        *args, **options
            Arguments of matplotlib's ``Figure.legend``.

        Returns
        -------
        Legend
            Legend of the axes.
        """
        if str(options.get("loc", "")).startswith("outside"):
            options = {**options, "loc": "best", "ncols": 1}
        return self.hosts[0].legend(*args, **options)

    def write_title(self, words: str) -> None:
        """Write a title over the first axes, where the caller gave one.

        Parameters
        ----------
        words : str
            Title; line breaks are kept.
        """
        if look.option("title") is not None:
            self.hosts[0].set_title(words, loc="left")

    def caution(self, right: float = 1.0) -> None:
        """Write the line of caution into the first axes.

        Parameters
        ----------
        right : float
            Not used: the caller has the layout.
        """
        words = "\n".join(textwrap.wrap(RESEARCH_ONLY, 60))
        axes = self.hosts[0]
        ground = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.0}
        at = {"transform": axes.transAxes, "va": "bottom", "zorder": 6}
        axes.text(0.01, 0.01, words, fontsize=4.6, bbox=ground, **at)

    def savefig(self, fname: Any, **options: Any) -> None:
        """Write the figure of the caller to a file.

        Parameters
        ----------
        fname : path or binary stream
            File; its ending gives the kind, unless ``format`` is given.
        **options
            Arguments of matplotlib's ``Figure.savefig``.
        """
        host: Any = self.hosts[0].figure
        options.setdefault("dpi", DOTS["png"])
        with matplotlib.rc_context(SETTINGS):
            (getattr(host, "figure", None) or host).savefig(fname, **options)

    def _repr_png_(self) -> None:  # type: ignore[override]
        """Nothing: the session shows the figure of the caller."""


# Plates by the axes of callers, while they are drawn.
_GUESTS: dict[int, Guest] = {}


def plate_of(axes: Axes) -> Plate:
    """Plate that records what is drawn into some axes."""
    guest = _GUESTS.get(id(axes))
    if guest is not None:
        return guest
    figure = axes.figure
    assert isinstance(figure, Plate)
    return figure


@contextmanager
def new_plate(
    width: float, height: float, tree: xr.DataTree | None = None, words: str = ""
) -> Iterator[Plate]:
    """Open a plate [mm] in the style of the package; write the hole's name over it at the end.

    Everything that is drawn belongs inside the ``with`` block: matplotlib reads its settings when
    an artist is made, and those of the session must not reach a figure. The options of the caller
    come before ``width``, ``height`` and the name.
    """
    width, height = look.option("size", (width, height))
    one = look.option("ax")
    hosts = look.option("axes") if one is None else (one,)
    with matplotlib.rc_context(SETTINGS):
        if hosts is None:
            figure = Plate(width, height)
        else:
            figure = Guest(_axes_of(hosts), width, height)
        figure.part = None if tree is None else part_of(tree)
        try:
            yield figure
            title = look.option("title", tree)
            if title is tree and tree is not None:
                figure.head(tree, words or str(figure.part or ""))
            elif isinstance(title, str):
                figure.write_title(title)
            figure.finish()
        finally:
            for axes in hosts if isinstance(figure, Guest) else ():
                _GUESTS.pop(id(axes), None)


def _axes_of(given: Any) -> list[Axes]:
    """Axes of the caller; ValueError for anything else."""
    held = list(np.ravel(np.asarray(given, dtype=object)))
    if not held or not all(isinstance(one, Axes) for one in held):
        raise ValueError(
            f"ax or axes is {given!r}; give Axes of matplotlib, such as those of plt.subplots()"
        )
    return held


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
    figure = plate_of(axes)
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
    """Draw points; those that products do not use have the grey ``pale`` and lie below.

    ``panel`` and ``series`` are names in the table of the figure. Points without a number are not
    drawn. Errors are standard uncertainties, drawn as bars where known. ``small`` draws the dots
    of a scan, or its small crosses where ``marker`` is one; otherwise it is the symbol of samples.
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    level = np.ones(x.size, dtype=int) if flag is None else np.asarray(flag, dtype=int)
    shown = np.isfinite(x) & np.isfinite(y)
    good = flags.usable(level)
    dot = 1.2 if shown.sum() > _DENSE_FROM else 2.0
    colour = look.colour_of(series, colour)
    wish = look.option("flagged", "show")
    if wish == "hide":
        lost = int((shown & ~good).sum())
        if lost:
            held = plate_of(axes).hidden
            held[panel, series] = held.get((panel, series), 0) + lost
        shown = shown & good
    for which, name, ink, order in (
        (shown & ~good, f"{series}, flagged", colour if wish == "edge" else pale, 1.0),
        (shown & good, series, colour, 2.0 if small else 3.0),
    ):
        if not which.any():
            continue
        usable = order > 1.0
        crosses = small and marker == CROSS
        dots = small and not crosses
        # Flagged dots are rings and flagged symbols are filled: grey alone would not part them
        # from those of a colour as light.
        style: dict[str, Any] = {"linestyle": "none", "color": ink, "zorder": order}
        style["marker"] = ("." if usable else "o") if dots else marker
        style["markersize"] = dot if small else _SYMBOL
        style["markeredgewidth"] = 0.0 if dots else 0.4 if crosses else 0.6
        if crosses and not usable:
            style["marker"] = "+"
        elif dots and not usable:
            style.update(markersize=dot + 0.3, markeredgewidth=0.35, markerfacecolor="none")
        elif not small:
            style["markerfacecolor"] = "white" if usable else FLAGGED_FILL
            if wish == "edge":
                style["markerfacecolor"] = ink if usable else "white"
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
    colour = look.colour_of(series, colour)
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
    colour = look.colour_of(series, colour)
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
    face, rim = to_rgba(look.colour_of(series, colour)), to_rgba(edge)
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
    colour = look.colour_of(words, colour)
    return Line2D(
        [],
        [],
        marker=marker,
        color=colour,
        markerfacecolor=colour if look.option("flagged") == "edge" else "white",
        linestyle="none",
        markersize=_SYMBOL,
        label=words,
    )


def box_key(words: str, colour: str, hatch: str = "", edge: str = "0.25") -> Patch:
    """Entry of a legend for the boxes of :func:`boxes`."""
    colour = look.colour_of(words, colour)
    return Patch(facecolor=colour, edgecolor=edge, hatch=hatch or None, linewidth=0.4, label=words)


def line_key(
    words: str, colour: str = "black", style: str | tuple[float, Sequence[float]] = "-"
) -> Line2D:
    """Entry of a legend for a line of :func:`curve`."""
    colour = look.colour_of(words, colour)
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


def note(axes: Axes, words: str, *, verdict: str = "", top: bool = True, **more: Any) -> None:
    """Write words into the upper or lower right corner of the axes.

    A verdict on a fit is written into the caption, and below the words where the caller asks for
    notes. Without notes the caption has both.
    """
    wish = look.option("notes")
    held = plate_of(axes).unwritten
    if wish is False and words:
        held.append(f"{'; '.join(words.splitlines())}.")
    if verdict:
        held.append(f"{' '.join(verdict.split()).capitalize()}.")
    if wish is True and verdict:
        words = f"{words}\n{verdict}"
    if wish is False or not words:
        return
    at, side = (0.95, "top") if top else (0.03, "bottom")
    style: Mapping[str, Any] = {"ha": "right", "va": side, "fontsize": 6, **more}
    axes.text(0.97, at, look.with_decimal(words), transform=axes.transAxes, **style)


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
