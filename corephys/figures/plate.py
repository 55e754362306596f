"""A figure that records what it draws, its caption from that record, and both as files."""

from __future__ import annotations

import base64
import html
import io
import json
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
import xarray as xr
from matplotlib import font_manager
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.container import ErrorbarContainer
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

from corephys.figures.style import FLAGGED, RESEARCH_ONLY, SEALED_SOURCE, SETTINGS, label, plain
from corephys.ground import flags
from corephys.ground.provenance import used_constants, write_bytes

__all__ = [
    "COLUMNS",
    "KINDS",
    "Drawn",
    "Plate",
    "band",
    "boxes",
    "curve",
    "describe",
    "points",
    "save",
]

# --------------------------------------------------------------------------------------------------
# A figure that remembers what it draws: every artist is made together with its record.
#
# The table beside a saved figure is these records, so that it holds what is drawn by construction.


COLUMNS = ("panel", "series", "x", "y", "x_lower", "x_upper", "y_lower", "y_upper", "flag")
_FLAG_WORDS = {1: "good", 2: "not evaluated", 3: "suspect", 4: "bad", 9: "missing"}
_RASTER_FROM = 400  # points of a series above which a vector file holds them as a picture
_MM_A_LETTER = 1.5  # of eight-point type, on average
_DENSE_FROM = 600  # points of a scan; fewer are drawn larger


@dataclass(frozen=True)
class Drawn:
    """One artist and its data.

    Parameters
    ----------
    artist : object
        What matplotlib draws.
    table : DataFrame
        Columns :data:`COLUMNS`, one row a point.
    kind : {"points", "curve", "band", "fill", "boxes"}
        What was drawn.
    """

    artist: Any
    table: pd.DataFrame
    kind: str

    @property
    def axes(self) -> Axes:
        """Where it is drawn; points with bars are a container, which does not say so itself."""
        one = self.artist.lines[0] if isinstance(self.artist, ErrorbarContainer) else self.artist
        return one.axes


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
        FigureCanvasAgg(self)
        self.drawn: list[Drawn] = []
        self.caption = ""

    def table(self) -> pd.DataFrame:
        """Everything that is drawn, one row a point, in the order of drawing."""
        tables = [record.table for record in self.drawn]
        if not tables:
            return pd.DataFrame(columns=list(COLUMNS))
        return pd.concat(tables, ignore_index=True)

    def head(self, tree: xr.DataTree, words: str = "") -> None:
        """Write the name of the hole over the figure, as much of it as there is room for.

        Parameters
        ----------
        tree : DataTree
            Reduced hole; its attribute ``title``.
        words : str
            What of it the figure shows, on a line of its own.
        """
        room = int(25.4 * self.get_size_inches()[0] / _MM_A_LETTER)
        lines = [" ".join(str(tree.attrs.get("title", "")).split()), words]
        short = [s if len(s) <= room else s[: room - 1].rstrip() + "…" for s in lines if s]
        self.suptitle("\n".join(map(plain, short)), fontsize=8, x=0.02, ha="left")

    def settle(self) -> None:
        """Lay the parts out once and for all.

        The solver of the layout ends a last bit beside itself from run to run; rounded to a
        millionth of the figure its answer is the same every time.
        """
        if self.get_layout_engine() is None:
            return
        with matplotlib.rc_context(SETTINGS):
            self.draw_without_rendering()
        self.set_layout_engine("none")
        for axes in self.axes:
            box = axes.get_position()
            left, bottom, right, top = (round(float(edge), 6) for edge in box.extents)
            axes.set_position((left, bottom, right - left, top - bottom))
        for text in (self._suptitle, self._supxlabel):  # type: ignore[attr-defined]
            if text is not None:
                x, y = text.get_position()
                text.set_position((round(float(x), 6), round(float(y), 6)))

    def picture(self, dots_per_inch: float = 200.0) -> bytes:
        """The figure as a picture.

        Parameters
        ----------
        dots_per_inch : float
            Dots an inch of the page.

        Returns
        -------
        bytes
            A PNG; its caption goes along as the text ``Description``.
        """
        stream = io.BytesIO()
        self.settle()
        with matplotlib.rc_context(SETTINGS):
            about = {"Software": None, **({"Description": self.caption} if self.caption else {})}
            self.savefig(stream, format="png", dpi=dots_per_inch, metadata=about)
        return stream.getvalue()

    def _repr_png_(self) -> bytes:
        return self.picture(130.0)


def _remember(
    axes: Axes,
    artist: Any,
    kind: str,
    panel: str,
    series: str,
    x: Any,
    y: Any,
    flag: Any = None,
    **edges: Any,
) -> None:
    size = np.size(x)
    columns: dict[str, Any] = {"panel": [panel] * size, "series": [series] * size, "x": x, "y": y}
    for name in ("x_lower", "x_upper", "y_lower", "y_upper"):
        edge = edges.get(name)
        columns[name] = np.full(size, np.nan) if edge is None else edge
    words = [""] * size if flag is None else [_FLAG_WORDS[int(level)] for level in flag]
    columns["flag"] = words
    figure = axes.figure
    assert isinstance(figure, Plate)
    figure.drawn.append(Drawn(artist, pd.DataFrame(columns), kind))


def points(
    axes: Axes,
    panel: str,
    series: str,
    x: Any,
    y: Any,
    *,
    flag: Any = None,
    x_error: Any = None,
    y_error: Any = None,
    colour: str = "black",
    small: bool = False,
    marker: str = "o",
) -> None:
    """Draw points; those a product does not use are pale and lie below.

    Parameters
    ----------
    axes : Axes
        Of a :class:`Plate`.
    panel, series : str
        Names for the table of what is drawn.
    x, y : (n,) array
        Positions; points without a number are not drawn.
    flag : (n,) array of int, optional
        Flags of the scheme.
    x_error, y_error : (n,) array, optional
        Standard uncertainties, drawn as bars of one each way where known.
    colour : str
        Of the usable points.
    small : bool
        Dots of a scan in place of the larger symbols of samples.
    marker : str
        Symbol of samples.
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    level = np.ones(x.size, dtype=int) if flag is None else np.asarray(flag, dtype=int)
    shown = np.isfinite(x) & np.isfinite(y)
    good = flags.usable(level)
    dot = 1.2 if shown.sum() > _DENSE_FROM else 2.0
    for which, name, ink, order in (
        (shown & ~good, f"{series}, flagged", FLAGGED, 1.0),
        (shown & good, series, colour, 2.0 if small else 3.0),
    ):
        if not which.any():
            continue
        style: dict[str, Any] = {"marker": "." if small else marker, "linestyle": "none"}
        style.update(markersize=dot if small else 3.6, color=ink, zorder=order)
        style.update(markeredgewidth=0.0 if small else 0.6)
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
                style[f"{axis}err"] = np.nan_to_num(size)
        if edges:
            style.update(elinewidth=0.5, capsize=0)
            artist = axes.errorbar(x[which], y[which], **style)
        else:
            (artist,) = axes.plot(x[which], y[which], **style)
        words = None if flag is None else level[which]
        _remember(axes, artist, "points", panel, name, x[which], y[which], words, **edges)


def curve(
    axes: Axes,
    panel: str,
    series: str,
    x: Any,
    y: Any,
    *,
    colour: str = "black",
    style: Any = "-",
) -> None:
    """Draw a line.

    Parameters
    ----------
    axes, panel, series, x, y, colour
        As for :func:`points`.
    style : str or tuple
        Of matplotlib's line styles.
    """
    (artist,) = axes.plot(x, y, linestyle=style, color=colour, linewidth=1.0, zorder=2.6)
    _remember(
        axes, artist, "curve", panel, series, np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    )


def band(
    axes: Axes,
    panel: str,
    series: str,
    y: Any,
    lower: Any,
    upper: Any,
    *,
    colour: str = "black",
    kind: str = "band",
) -> None:
    """Draw a band that is lower to upper wide along x, as y goes down.

    Parameters
    ----------
    axes, panel, series, y, colour
        As for :func:`points`.
    lower, upper : (n,) array
        Edges along x.
    kind : {"band", "fill"}
        A band is an uncertainty or a range and is named in the caption; a fill is neither.
    """
    lower, upper = np.asarray(lower, dtype=float), np.asarray(upper, dtype=float)
    artist = axes.fill_betweenx(y, lower, upper, color=colour, alpha=0.22, linewidth=0, zorder=2.3)
    _remember(
        axes, artist, kind, panel, series, (lower + upper) / 2, y, x_lower=lower, x_upper=upper
    )


def boxes(
    axes: Axes,
    panel: str,
    series: str,
    top: Any,
    bottom: Any,
    *,
    width: Any = 1.0,
    colour: str = "0.5",
    edge: str = "black",
) -> None:
    """Draw boxes from top to bottom, from x = 0 to ``width``.

    Parameters
    ----------
    axes, panel, series, colour
        As for :func:`points`.
    top, bottom : (n,) array
        Depths [m].
    width : float or (n,) array
        Of the boxes; an array gives each its own, and the table its edges.
    edge : str
        Colour of their outline, or "none".
    """
    top, bottom = np.asarray(top, dtype=float), np.asarray(bottom, dtype=float)
    artist = axes.barh(
        top, width, bottom - top, align="edge", color=colour, edgecolor=edge, linewidth=0.4
    )
    middle = np.broadcast_to(np.asarray(width, dtype=float) / 2, top.shape)
    edges: dict[str, Any] = {"y_lower": top, "y_upper": bottom}
    if np.ndim(width):
        edges |= {"x_lower": np.zeros(top.size), "x_upper": np.asarray(width, dtype=float)}
    _remember(axes, artist, "boxes", panel, series, middle, (top + bottom) / 2, **edges)


# --------------------------------------------------------------------------------------------------
# The words under a figure, made from what it draws and from the provenance of what it shows.


# A caption is read beside its figure: where the steps in full are longer, their sources stand for
# them, and the steps are told by corephys.explain.
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
    """Give a figure its caption: what it shows, n, errors, method, constants, depth scale.

    Parameters
    ----------
    plate : Plate
        The finished figure; its record is counted.
    what : str
        One sentence on what it shows.
    *datasets : Dataset or None
        Leaves of the reduced hole that are shown; their steps and constants are told.
    depth_scale : {"depth", "depth_fitted"}, optional
        Of the depths drawn, where there are any.
    counted : bool
        Whether its points are readings, to be counted; no for a figure of counts.

    Returns
    -------
    Plate
        The same figure, its attribute ``caption`` set.
    """
    shown = [one for one in datasets if one is not None]
    counts = _counts(plate) if counted else ""
    sentences = [what.strip(), counts, _errors(plate), _method(shown), _constants(shown)]
    if depth_scale is not None:
        sentences.append(f"Depth scale: {label(depth_scale)}.")
    cautions = [str(one.attrs["safety"]) for one in shown if "safety" in one.attrs]
    sentences += dict.fromkeys([*cautions, *_warned(plate)])
    plate.caption = " ".join(sentence for sentence in sentences if sentence)
    return plate


def _counts(plate: Plate) -> str:
    """How many points of each panel and series are drawn, how many pale, how many off the axis."""
    panels: dict[str, dict[str, list[int]]] = {}
    for record in plate.drawn:
        if record.kind != "points" or record.table.empty:
            continue
        panel, name = record.table["panel"].iloc[0], record.table["series"].iloc[0]
        flagged = str(name).endswith(", flagged")
        plain = str(name).removesuffix(", flagged")
        quantity = re.split(r" \[| against ", str(panel))[0]
        sums = panels.setdefault(quantity, {}).setdefault(plain, [0, 0, 0])
        sums[0] += len(record.table)
        sums[1] += len(record.table) * flagged
        sums[2] += _outside(record)
    words = []
    for quantity, series in panels.items():
        parts = [
            f"{name} {n}{_said(flagged, beside)}" for name, (n, flagged, beside) in series.items()
        ]
        words.append(f"{quantity}: {', '.join(parts)}")
    return f"n, {'; '.join(words)}." if words else ""


def _outside(record: Drawn) -> int:
    """Points that lie beside the axes."""
    beside = np.zeros(len(record.table), dtype=bool)
    for side, ends in (("x", record.axes.get_xlim()), ("y", record.axes.get_ylim())):
        at = record.table[side].to_numpy(dtype=float)
        beside |= (at < min(ends)) | (at > max(ends))
    return int(beside.sum())


def _said(flagged: int, beside: int) -> str:
    words = [f"{flagged} flagged, drawn pale"] if flagged else []
    words += [f"{beside} off the axis"] if beside else []
    return f" ({', '.join(words)})" if words else ""


def _errors(plate: Plate) -> str:
    """What bars and bands are, where some are drawn."""
    bars, bands = False, []
    for record in plate.drawn:
        edges = record.table[["x_lower", "y_lower"]].to_numpy(dtype=float)
        bars |= record.kind == "points" and bool(np.isfinite(edges).any())
        if record.kind == "band" and not record.table.empty:
            bands.append(str(record.table["series"].iloc[0]))
    words = ["Bars are one standard uncertainty each way (k = 1)."] if bars else []
    if bands:
        words.append(f"Bands: {'; '.join(dict.fromkeys(bands))}.")
    return " ".join(words)


def _method(shown: list[xr.Dataset]) -> str:
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
        return f"Method: {len(steps)} steps, told by corephys.explain."
    return f"Method after {', '.join(sources)}; every step is told by corephys.explain."


def _constants(shown: list[xr.Dataset]) -> str:
    held: dict[str, str] = {}
    for one in shown:
        for name, record in used_constants(one).items():
            value = record.shown()
            if len(value) > _LETTERS_OF_A_CONSTANT:
                continue
            if name in held and value not in held[name].split(" or "):
                value = f"{held[name]} or {value}"  # one name of two leaves, each with its own
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
    """Lines of caution that stand on the figure itself."""
    texts = [text.get_text() for text in plate.findobj(lambda artist: hasattr(artist, "get_text"))]
    drawn = [" ".join(text.split()) for text in texts]
    return [line for line in (RESEARCH_ONLY, SEALED_SOURCE) if line in drawn]


# --------------------------------------------------------------------------------------------------
# Figures as files: SVG and PDF with their font inside, PNG, the data drawn, the caption.


KINDS = ("svg", "pdf", "png", "csv", "txt")
_FAMILY = str(SETTINGS["font.family"][0])
_DOTS = 300  # of what a vector file holds as a picture


def save(
    figure: Plate, folder: str | os.PathLike[str], name: str, *, kinds: tuple[str, ...] = KINDS
) -> list[Path]:
    """Write a figure as SVG, PDF and PNG, with the data it draws and its caption beside it.

    Parameters
    ----------
    figure : Plate
        From a function of this module.
    folder : path
        Folder of the figures; made where it does not exist.
    name : str
        Of the files, without an ending.
    kinds : tuple of {"svg", "pdf", "png", "csv", "txt"}
        Which files; all where not given.

    Returns
    -------
    list of Path
        ``name.svg``, ``name.pdf``, ``name.png`` (200 dots an inch), ``name.csv`` (one row a point
        drawn) and ``name.txt`` (the caption). The same figure gives the same bytes at every run
        with one version of matplotlib. Fonts are inside the files.

    Raises
    ------
    ValueError
        For another kind of file.
    """
    unknown = [kind for kind in kinds if kind not in KINDS]
    if unknown:
        raise ValueError(
            f"no figure is written as {unknown[0]!r}; the kinds are {', '.join(KINDS)}"
        )
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    figure.settle()
    made = {
        "svg": _svg,
        "pdf": _pdf,
        "png": Plate.picture,
        "csv": lambda one: (
            one.table().to_csv(index=False, float_format="%.10g", lineterminator="\n").encode()
        ),
        "txt": lambda one: f"{one.caption}\n".encode(),
    }
    return [write_bytes(out / f"{name}.{kind}", made[kind](figure)) for kind in kinds]


def _svg(figure: Plate) -> bytes:
    """Vector picture whose words are words and whose font is inside."""
    metadata = {"Date": None, "Creator": "corephys"}
    text = _printed(figure, "svg", metadata).decode("utf-8")
    letters = {c for part in re.findall(r"<text[^>]*>([^<]*)", text) for c in html.unescape(part)}
    letters |= {c for part in re.findall(r"<tspan[^>]*>([^<]*)", text) for c in html.unescape(part)}
    if letters:
        font = base64.b64encode(_letters(letters)).decode("ascii")
        style = (
            f'<style type="text/css">@font-face{{font-family:"{_FAMILY}";'
            f'src:url("data:font/ttf;base64,{font}") format("truetype")}}</style>\n'
        )
        text = text.replace("<defs>\n", f"<defs>\n  {style}", 1)
    return text.encode("utf-8")


def _pdf(figure: Plate) -> bytes:
    metadata = {"Creator": "corephys", "CreationDate": None, "Subject": figure.caption or None}
    return _printed(figure, "pdf", metadata)


def _printed(figure: Plate, kind: str, metadata: dict[str, str | None]) -> bytes:
    stream = io.BytesIO()
    with matplotlib.rc_context(SETTINGS):
        figure.savefig(stream, format=kind, dpi=_DOTS, metadata=metadata)
    return stream.getvalue()


def _letters(letters: set[str]) -> bytes:
    """The font of the figures with these letters only, as the bytes of a TrueType file."""
    from fontTools import subset, ttLib

    font = ttLib.TTFont(font_manager.findfont(_FAMILY), recalcTimestamp=False)
    options = subset.Options(layout_features=[], hinting=False, notdef_outline=True)
    options.drop_tables += ["FFTM"]  # dates of the font's maker, nothing that is drawn
    worker = subset.Subsetter(options)
    worker.populate(text="".join(sorted(letters)))
    worker.subset(font)
    stream = io.BytesIO()
    font.save(stream, reorderTables=True)
    return stream.getvalue()
