"""What a reduction kept of every scan, core by core, and why it doubts the rest."""

from __future__ import annotations

import textwrap

import matplotlib
import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.patches import Patch

from corephys import quality
from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import NothingToDraw
from corephys.figures.style import COLOURS, FLAGGED, PAGE, SETTINGS, TWO_COLUMNS
from corephys.ground.vocabulary import TERMS

__all__ = ["audit"]

# Dark and light differ as well as the hues, so that a copy without colour still tells them apart.
LEVELS = {
    "kept": COLOURS["bulk_density"],
    "suspect": "#E8A33D",
    "bad": "0.15",
    "missing": FLAGGED,
}
_INK = ("bulk_density", "p_wave_velocity", "porosity", "acoustic_impedance", "thermal_conductivity")
_MARKERS = ("o", "s", "^", "D", "v")
_CORE = (1.1, 3.2)  # height of the row of a core [mm], least and most
_REASON = 3.6  # height of the row of a reason [mm]
_TEXT = 2.6  # height of a line of small text [mm]
_AROUND = 38.0  # height of titles, axes and legends [mm]


def audit(tree: xr.DataTree) -> Plate:
    """Draw how many readings of every scan were kept, by core, and the reasons for the others.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with at least one series of the scan and its flags.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide: above one panel a quantity with a bar a core, below
        the number of readings with each reason on a logarithmic axis. A reading with two reasons
        is counted under both.

    Raises
    ------
    NothingToDraw
        When the hole has no series of the scan with flags.

    Notes
    -----
    Samples are left out, also where they have a quantity of the scan.

    Bars of one core lie on each other, the longest below: the table beside the figure holds how
    far each reaches.
    """
    try:
        counts = quality.audit(tree)
    except ValueError as error:
        raise NothingToDraw(f"the figure audit counts flags of the scan: {error}") from error
    cores = list(dict.fromkeys(counts.cores["core"]))
    names = list(counts.by_quantity.index)
    reasons = counts.by_reason
    below = max(_REASON * len(reasons), 12.0)
    room = PAGE[1] - _AROUND - below
    above = min(max(_CORE[1] * len(cores), 30.0), max(room, _CORE[0] * len(cores), 30.0))
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, above + below + _AROUND)
        engine = figure.get_layout_engine()
        assert isinstance(engine, ConstrainedLayoutEngine)
        engine.set(w_pad=0.1)  # text is wider in print than where the layout measures it
        grid = figure.add_gridspec(2, 1, height_ratios=[above, below])
        panels = grid[0].subgridspec(1, len(names))
        first: Axes | None = None
        for column, name in enumerate(names):
            axes = figure.add_subplot(panels[column], sharey=first)
            _bars(axes, counts.cores[counts.cores["quantity"] == name], cores, _words(name))
            if first is None:
                first = axes
                _cores_on(axes, cores, above)
            else:
                axes.tick_params(labelleft=False)
        _reasons(figure.add_subplot(grid[1]), reasons)
        assert first is not None
        handles = [
            Patch(facecolor=colour, edgecolor="none", label=level)
            for level, colour in LEVELS.items()
        ]
        figure.legend(handles=handles, loc="outside upper right", ncols=len(LEVELS))
        figure.head(tree)
    what = (
        "Readings of each core by the level of their flag, above, and how many readings "
        "have each reason, below."
    )
    return describe(figure, what, counted=False)


def _words(name: str) -> str:
    """A quantity of the audit in words; what is said of it after a comma follows."""
    quantity, comma, more = name.partition(",")
    words = TERMS[quantity].long_name if quantity in TERMS else quantity.replace("_", " ")
    return words.removesuffix(" (SI)") + comma + more


def _bars(axes: Axes, rows: pd.DataFrame, cores: list[str], words: str) -> None:
    """One bar a core, made of boxes from zero that lie on each other."""
    place = np.array([cores.index(core) for core in rows["core"]], dtype=float)
    reach = rows[list(LEVELS)].to_numpy(dtype=float).cumsum(axis=1)
    panel = f"readings of {words} by core"
    for number in reversed(range(len(LEVELS))):
        levels = list(LEVELS)[: number + 1]
        drawn.boxes(
            axes, panel, " + ".join(levels), place - 0.4, place + 0.4, width=reach[:, number],
            colour=LEVELS[levels[-1]], edge="none",
        )  # fmt: skip
    share = rows["kept"].sum() / rows["readings"].sum()
    title = "\n".join(textwrap.wrap(words, 22))
    axes.set_title(f"{title}\nkept {100 * share:.1f} %", loc="left")
    axes.set_xlim(0.0, 1.04 * max(float(reach.max()), 1.0))
    axes.xaxis.set_major_locator(matplotlib.ticker.MaxNLocator(4, integer=True))
    axes.set_xlabel("readings")


def _ink(name: str, number: int) -> str:
    """Colour of a quantity, the same as in its tracks."""
    return COLOURS.get(name.partition(",")[0], COLOURS[_INK[number % len(_INK)]])


def _cores_on(axes: Axes, cores: list[str], height: float) -> None:
    """Cores down the axis; of many only as many are named as can be read."""
    step = int(np.ceil(_TEXT * len(cores) / height))
    shown = range(0, len(cores), step)
    axes.set_yticks(list(shown), [cores[number] or "no core named" for number in shown])
    axes.set_ylim(len(cores) - 0.5, -0.5)
    axes.set_ylabel("core")


def _reasons(axes: Axes, table: pd.DataFrame) -> None:
    """Readings with each reason: a row a reason, a symbol a quantity."""
    place = np.arange(len(table), dtype=float)
    for row in place:
        axes.axhline(row, color="0.9", linewidth=0.5, zorder=0)
    for number, name in enumerate(table.columns):
        count = table[name].to_numpy(dtype=float)
        there = count > 0
        symbol = number + number // len(_INK)  # a colour used again has another symbol
        # A little apart, so that equal counts of two quantities stay seen.
        shift = 0.15 * (number - (len(table.columns) - 1) / 2)
        drawn.points(
            axes, "readings by reason", _words(str(name)), count[there], place[there] + shift,
            colour=_ink(str(name), number), marker=_MARKERS[symbol % len(_MARKERS)],
        )  # fmt: skip
        axes.lines[-1].set_label(_words(str(name)))
    axes.set_xscale("log")
    largest = float(table.to_numpy().max()) if table.size else 1.0
    axes.set_xlim(0.7, 1.6 * max(largest, 10.0))
    axes.xaxis.set_major_formatter(matplotlib.ticker.FuncFormatter(lambda x, _: f"{x:,.0f}"))
    axes.set_yticks(place, [str(word).replace("_", " ") for word in table.index])
    axes.set_ylim(max(len(table), 1) - 0.2, -0.8)
    axes.set_xlabel("readings with the reason, all cores")
    if len(table):
        assert axes.figure is not None
        symbols = list(axes.lines[len(table) :])
        axes.figure.legend(handles=symbols, loc="outside lower center", ncols=len(symbols))
