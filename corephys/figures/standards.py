"""Figures of quality: audit of the scan, uncertainty budget, control charts, gamma calibration."""

from __future__ import annotations

import textwrap
from typing import NamedTuple, Unpack

import matplotlib.ticker
import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.patches import Patch, Rectangle

from corephys import quality, uncertainty
from corephys.figures import plate
from corephys.figures.caption import describe
from corephys.figures.look import Look, adaptable
from corephys.figures.plate import Plate, new_plate, note
from corephys.figures.reading import NothingToDraw, node, require
from corephys.figures.style import (
    COLOURS,
    ONE_COLUMN,
    PAGE,
    SEALED_SOURCE,
    TWO_COLUMNS,
    label,
    plain,
    unit_in_print,
)
from corephys.ground.choices import plain_words
from corephys.ground.vocabulary import TERMS
from corephys.quality.standards import ControlChart

__all__ = ["audit", "budget", "control_chart", "control_charts", "gamma_calibration"]

# --------------------------------------------------------------------------------------------------
# The audit: readings of the scan that were kept, by core, and the reasons for flags.


# Dark and light differ as well as the hues, so that the levels stay distinct in greyscale.
_LEVELS = {
    "kept": COLOURS["bulk_density"],
    "suspect": "#E8A33D",
    "bad": "0.15",
    "missing": "0.78",
}
_INK = ("bulk_density", "p_wave_velocity", "porosity", "acoustic_impedance", "thermal_conductivity")
_MARKERS = ("o", "s", "^", "D", "v")
_CORE = (1.1, 3.2)  # smallest and largest height of the row of a core [mm]
_REASON = 3.6  # height of the row of a reason [mm]
_TEXT = 2.6  # height of a line of small text [mm]
_AROUND = 38.0  # height of titles, axes and legends [mm]


@adaptable
def audit(tree: xr.DataTree, **options: Unpack[Look]) -> Plate:
    """Draw the number of readings of every scan that were kept, by core, and the reasons for flags.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with at least one series of the scan and its flags.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide. Above, each quantity has a panel with a bar for each
        core. Below is the number of readings with each reason on a logarithmic axis; a reading
        with two reasons is counted under both.

    Raises
    ------
    NothingToDraw
        If the hole has no series of the scan with flags.

    Notes
    -----
    Samples are left out, also if they have a quantity of the scan. Bars of one core cover each
    other, the longest at the back; the table of the figure holds their ends.
    """
    try:
        counts = quality.audit(tree)
    except ValueError as error:
        raise NothingToDraw(f"the figure audit needs a scan with flags: {error}") from error
    cores = list(dict.fromkeys(counts.cores["core"]))
    names = list(counts.by_quantity.index)
    reasons = counts.by_reason
    below = max(_REASON * len(reasons), 12.0)
    # A long hole gets thinner rows until the figure fills a page.
    room = PAGE[1] - _AROUND - below
    above = min(max(_CORE[1] * len(cores), 30.0), max(room, _CORE[0] * len(cores), 30.0))
    with new_plate(TWO_COLUMNS, above + below + _AROUND, tree) as figure:
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
            for level, colour in _LEVELS.items()
        ]
        figure.legend(handles=handles, loc="outside upper right", ncols=len(_LEVELS))
    what = (
        "Readings of each core by the level of their flag, above, and how many readings "
        "have each reason, below."
    )
    return describe(figure, what, counted=False)


def _words(name: str) -> str:
    """Quantity of the audit in words, with the remark behind its comma."""
    quantity, comma, more = name.partition(",")
    words = TERMS[quantity].long_name if quantity in TERMS else quantity.replace("_", " ")
    return words.removesuffix(" (SI)") + comma + more


def _bars(axes: Axes, rows: pd.DataFrame, cores: list[str], words: str) -> None:
    """Draw a bar for each core: boxes from zero that cover each other."""
    place = np.array([cores.index(core) for core in rows["core"]], dtype=float)
    reach = rows[list(_LEVELS)].to_numpy(dtype=float).cumsum(axis=1)
    panel = f"readings of {words} by core"
    # The longest bar first: the shorter ones are drawn over it.
    for number in reversed(range(len(_LEVELS))):
        levels = list(_LEVELS)[: number + 1]
        plate.boxes(
            axes,
            panel,
            " + ".join(levels),
            place - 0.4,
            place + 0.4,
            width=reach[:, number],
            colour=_LEVELS[levels[-1]],
            edge="none",
        )
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
    """Label the cores on the axis, of many only as many as can be read."""
    step = int(np.ceil(_TEXT * len(cores) / height))
    shown = range(0, len(cores), step)
    axes.set_yticks(list(shown), [cores[number] or "no core named" for number in shown])
    axes.set_ylim(len(cores) - 0.5, -0.5)
    axes.set_ylabel("core")


def _reasons(axes: Axes, table: pd.DataFrame) -> None:
    """Draw the number of readings: a row for each reason, a symbol for each quantity."""
    place = np.arange(len(table), dtype=float)
    for row in place:
        axes.axhline(row, color="0.9", linewidth=0.5, zorder=0)
    for number, name in enumerate(table.columns):
        count = table[name].to_numpy(dtype=float)
        there = count > 0
        symbol = number + number // len(_INK)  # the same colour again has a different symbol
        # Offset, so that equal counts of two quantities do not cover each other.
        shift = 0.15 * (number - (len(table.columns) - 1) / 2)
        plate.points(
            axes,
            "readings by reason",
            _words(str(name)),
            count[there],
            place[there] + shift,
            colour=_ink(str(name), number),
            marker=_MARKERS[symbol % len(_MARKERS)],
        )
        axes.lines[-1].set_label(_words(str(name)))
    axes.set_xscale("log")
    largest = float(table.to_numpy().max()) if table.size else 1.0
    # One reading must be visible on the logarithmic axis, and the largest not touch its end.
    axes.set_xlim(0.7, 1.6 * max(largest, 10.0))
    axes.xaxis.set_major_formatter(matplotlib.ticker.FuncFormatter(lambda x, _: f"{x:,.0f}"))
    axes.set_yticks(place, [str(word).replace("_", " ") for word in table.index])
    axes.set_ylim(max(len(table), 1) - 0.2, -0.8)
    axes.set_xlabel("readings with the reason, all cores")
    if len(table):
        symbols = list(axes.lines[len(table) :])
        plate.plate_of(axes).legend(handles=symbols, loc="outside lower center", ncols=len(symbols))


# --------------------------------------------------------------------------------------------------
# The uncertainty budget: shares of the variance, a bar for each result.


# Leaf, quantity and words of the bars, in the order of the work.
_BARS = (
    ("properties/density", "bulk_density", "bulk density, scan"),
    ("properties/velocity", "p_wave_velocity", "P-wave velocity, scan"),
    ("properties/resistivity", "electrical_resistivity", "resistivity, scan"),
    ("properties/index_properties", "grain_density", "grain density, samples"),
    ("properties/index_properties", "porosity", "porosity, samples"),
    ("products/porosity", "porosity", "porosity, scan"),
    ("products/impedance", "acoustic_impedance", "acoustic impedance"),
    ("products/compaction", "surface_porosity", "surface porosity"),
    ("properties/thermal_conductivity", "thermal_conductivity", "thermal conductivity"),
    ("properties/formation_temperature", "equilibrium_temperature", "formation temperature"),
    ("products/heat_flow", "heat_flow", "heat flow"),
)
# Grey and hatch of each group, distinct without colour. Random parts have no hatch.
_LOOKS: dict[str, tuple[str, str]] = {
    "counting": ("0.25", ""),
    "reading": ("0.50", ""),
    "weighing": ("0.72", ""),
    "natural scatter": ("0.90", ""),
    "calibration": ("white", "//////"),
    "geometry": ("white", "\\\\\\\\\\\\"),
    "depth": ("white", "||||||"),
    "grain density": ("0.82", "xxxx"),
    "grain chemistry": ("white", "++++++"),
    "pore water": ("white", "oooo"),
    "conductivity": ("white", "------"),
    "heat capacity": ("0.82", "...."),
    "temperature": ("white", "...."),
    "model": ("0.72", "//////"),
    "other sources": ("white", ""),
}
_OTHER = "other sources"
_SEEN = 0.01  # groups whose share is smaller in every bar are drawn together
_LABELLED = 0.055  # smallest share that is wide enough for its number


class _Bar(NamedTuple):
    """Bar of one result: label, shares by group, and the note beside it."""

    words: str
    shares: dict[str, float]
    note: str


@adaptable
def budget(tree: xr.DataTree, **options: Unpack[Look]) -> Plate:
    """Draw the share of each group of error sources in the variance of each result.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide. Each result has a bar with its parts by grey and
        hatch and their shares; beside it is the median standard uncertainty (k = 1). A part that
        is not known is named there, and the bar shows the known parts.

    Raises
    ------
    NothingToDraw
        If no result of the hole has an uncertainty.
    """
    bars = [bar for row in _BARS if (bar := _bar(tree, *row)) is not None]
    if not bars:
        raise NothingToDraw(
            "the figure budget needs a result with an uncertainty; this hole has none"
        )
    groups = _groups(bars)
    with new_plate(TWO_COLUMNS, 27.0 + 7.4 * len(bars), tree) as figure:
        axes = figure.subplots()
        axes.set_label("budget")
        for number, bar in enumerate(bars):
            _draw(axes, number, bar, groups)
        axes.text(1.012, -0.95, "median\nuncertainty", va="center", fontsize=6, linespacing=1.0)
        axes.set_xlim(0, 1)
        axes.set_ylim(len(bars) - 0.4, -0.6)
        axes.set_yticks(range(len(bars)), [bar.words for bar in bars])
        axes.tick_params(axis="y", length=0, labelsize=7)
        axes.set_xticks(np.linspace(0, 1, 6), [f"{share:.0%}" for share in np.linspace(0, 1, 6)])
        axes.set_xlabel("share of the variance (mean over the readings)")
        for side in ("top", "right", "left"):
            axes.spines[side].set_visible(False)
        handles = [
            Patch(
                facecolor=_LOOKS[g][0], hatch=_LOOKS[g][1], edgecolor="0.1", linewidth=0.4, label=g
            )
            for g in groups
        ]
        figure.legend(
            handles=handles,
            loc="outside lower center",
            ncols=6,
            handlelength=2.6,
            handleheight=1.3,
            columnspacing=1.4,
        )
    what = (
        "Share of each group of error sources in the variance of the results of this hole, "
        "mean over the readings."
    )
    return describe(figure, what, counted=False)


def _bar(tree: xr.DataTree, path: str, name: str, words: str) -> _Bar | None:
    """Shares of one result by group; None if the hole lacks the result."""
    dataset = node(tree, path)
    if dataset is None or f"{name}_u_random" not in dataset:
        return None
    table = uncertainty.budget(dataset, name, by="group")
    if not table["readings"].iloc[0]:
        return None
    parts = table[table["kind"] != "sum"]
    known = parts[np.isfinite(parts["share"])]
    shares: dict[str, float] = {}
    for group, share in zip(known["group"], known["share"], strict=True):
        shares[group] = shares.get(group, 0.0) + float(share)
    return _Bar(words, shares, _note(table, parts[parts["unknown"] > 0]))


def _note(table: pd.DataFrame, unknown: pd.DataFrame) -> str:
    """Median uncertainty in words, and the parts that are not known."""
    sums = table[table["kind"] == "sum"].set_index("source")["standard_uncertainty"]
    unit = str(table["unit"].iloc[0])
    size = sums["known"] if len(unknown) else sums["total"]
    words = f"{size:#.2g}".rstrip(".") + ("" if unit == "1" else f" {unit_in_print(unit)}")
    if not len(unknown):
        return words
    names = ", ".join(unknown["source"].str.replace("_", " "))
    return f"{words} without\n{names}\n(not known)" if np.isfinite(size) else "not known"


def _groups(bars: list[_Bar]) -> list[str]:
    """Groups with a visible share in some bar, in the order of the legend; small ones as one."""
    most: dict[str, float] = {}
    for bar in bars:
        for group, share in bar.shares.items():
            most[group] = max(most.get(group, 0.0), share)
    seen = [group for group in _LOOKS if most.get(group, 0.0) >= _SEEN]
    return [*seen, _OTHER] if set(most) - set(seen) else seen


def _draw(axes: Axes, number: int, bar: _Bar, groups: list[str]) -> None:
    """Draw the bar of one result from its shares."""
    left, edges = 0.0, np.array([number - 0.34, number + 0.34])
    for group in groups:
        share = bar.shares.get(group, 0.0)
        if group == _OTHER:
            share = sum(part for name, part in bar.shares.items() if name not in groups)
        if share <= 0.0:
            continue
        grey, hatch = _LOOKS[group]
        plate.band(
            axes,
            f"share of the variance of {bar.words}",
            group,
            edges,
            np.full(2, left),
            np.full(2, left + share),
            colour=grey,
            kind="fill",
        )
        # The fill is recorded; hatch and outline are drawn over it.
        axes.collections[-1].set_alpha(1.0)
        axes.add_patch(
            Rectangle(
                (left, edges[0]),
                share,
                edges[1] - edges[0],
                fill=False,
                hatch=hatch,
                edgecolor="0.1",
                linewidth=0.4,
                clip_on=False,
                zorder=3,
            )
        )
        if share >= _LABELLED:
            axes.text(
                left + share / 2,
                number,
                f"{100 * share:.0f}",
                ha="center",
                va="center",
                fontsize=6,
                zorder=5,
                bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none"},
            )
        left += share
    axes.text(1.012, number, bar.note, va="center", fontsize=6, linespacing=1.0)


# --------------------------------------------------------------------------------------------------
# Control charts: a check standard in time between its limits, and cumulative sums.


_ALARM, _LIMIT = "#D55E00", "0.45"
_LINES = (
    "Solid: centre; dashed: limits of three standard deviations of the first checks; squares: out "
    "of control, beyond a limit or by the cumulative sums."
)


@adaptable
def control_chart(
    chart: ControlChart, *, name: str = "check standard", **options: Unpack[Look]
) -> Plate:
    """Draw a control chart, with the cumulative sums below.

    Parameters
    ----------
    chart : ControlChart
        Result of :func:`corephys.quality.standards.control_chart`.
    name : str
        Name of the standard on the axis.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, one column wide. Standards out of control are coloured. A chart
        without judgement shows its values and the reason.

    Raises
    ------
    NothingToDraw
        If no standard has a value.
    """
    table = chart.dataset
    y = table["value"].values.astype(float)
    if not np.isfinite(y).any():
        raise NothingToDraw(
            "the figure control_chart needs a value of a standard; this chart has none"
        )
    x, axis = _days(table["time"].values)
    unit = str(table["value"].attrs.get("units", "1"))
    words = name if unit == "1" else f"{name} [{unit_in_print(unit)}]"
    with new_plate(ONE_COLUMN, 90.0) as figure:
        if not chart.judged:
            above = figure.add_subplot()
            plate.points(above, f"{words} against {axis}", "standards", x, y)
            above.set_xlabel(axis)
            _headline(above, f"{np.isfinite(y).sum()} checks: {plain_words(chart.status)}")
            above.set_ylabel(words)
            return describe(figure, f"Readings of the {name}, not judged.", table)
        grid = figure.add_gridspec(2, 1, height_ratios=[2.0, 1.0])
        above = figure.add_subplot(grid[0])
        below = figure.add_subplot(grid[1], sharex=above)
        _values(above, chart, x, f"{words} against {axis}")
        above.set_ylabel(words)
        above.tick_params(labelbottom=False)
        _sums(below, chart, x, f"cumulative sum [sigma] against {axis}")
        below.set_xlabel(axis)
    what = f"Control chart of the {name}, with cumulative sums below. {_LINES}"
    return describe(figure, what, table)


@adaptable
def control_charts(tree: xr.DataTree, **options: Unpack[Look]) -> Plate:
    """Draw the control charts of all sensors of a hole or site, one below the other.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/control_<sensor>``, or reduced site with
        ``/site/control_<sensor>``, whose charts hold the checks of all holes.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide. The axis is the number of the check and not its
        time, so that a long pause leaves no gap.

    Raises
    ------
    NothingToDraw
        If the hole has no control chart.
    """
    nodes = [
        node
        for node in tree.leaves
        if node.name
        and node.name.startswith("control_")
        and node.path.startswith(("/properties", "/site"))
    ]
    if not nodes:
        raise NothingToDraw(
            "the figure control_charts needs a control chart, which this hole does not have; add "
            "rows of kind check with a time to a table of standards"
        )
    with new_plate(TWO_COLUMNS, 18.0 + 32.0 * len(nodes), tree) as figure:
        axes: Axes | None = None
        for number, node in enumerate(nodes, 1):
            table = node.to_dataset(inherit=False)
            axes = figure.add_subplot(len(nodes), 1, number)
            chart = ControlChart(table, str(table.attrs["status"]))
            unit = str(table["value"].attrs.get("units", "1"))
            sensor = str(table.attrs["sensor"]).replace("_", " ")
            words = sensor if unit == "1" else f"{sensor} [{unit_in_print(unit)}]"
            order = np.arange(1.0, table.sizes["standard"] + 1.0)
            panel = f"{words} against number of the check"
            if chart.judged:
                _values(axes, chart, order, panel)
            else:
                plate.points(axes, panel, "standards", order, table["value"].values)
            first, last = (str(t.astype("datetime64[D]")) for t in table["time"].values[[0, -1]])
            status = axes.get_title(loc="left") or plain_words(chart.status)
            _headline(axes, f"{table.attrs['checked']}; {status}; {first} to {last}")
            axes.set_ylabel(words)
            _holes_along(axes, table)
            axes.xaxis.set_major_locator(matplotlib.ticker.MaxNLocator(integer=True))
        assert axes is not None
        axes.set_xlabel("number of the check, in order of time")
        figure.align_ylabels()
    what = f"Control charts of the checks of each sensor, in the order of time. {_LINES}"
    return describe(figure, what, *(node.to_dataset(inherit=False) for node in nodes))


def _holes_along(axes: Axes, table: xr.Dataset) -> None:
    """Mark where the checks of the next hole begin, and name the holes."""
    if "hole" not in table.coords:
        return
    names = table["hole"].values.astype(str)
    if len(set(names)) < 2:
        return
    starts = np.flatnonzero(np.append(True, names[1:] != names[:-1]))
    for start in starts:
        if start:
            axes.axvline(start + 0.5, color="0.6", linewidth=0.6, linestyle=":", zorder=1)
        axes.text(
            start + 0.7,
            0.02,
            plain(names[start]),
            transform=axes.get_xaxis_transform(),
            fontsize=6,
            color="0.35",
        )


def _days(time: np.ndarray) -> tuple[np.ndarray, str]:
    """Days since the first check, and the label of their axis."""
    if time.dtype.kind != "M":
        return time / 86_400.0, "time [day]"
    first = np.fmin.reduce(time).astype("datetime64[D]")
    return (time - first) / np.timedelta64(1, "D"), f"days since {first}"


def _values(axes: Axes, chart: ControlChart, x: np.ndarray, panel: str) -> None:
    """Draw the checks with centre and limits; those out of control are coloured squares."""
    table = chart.dataset
    y, fine = table["value"].values.astype(float), table["in_control"].values
    for side in ("lower", "upper"):
        plate.curve(axes, panel, f"{side} limit", x, table[side].values, colour=_LIMIT, style="--")
    plate.curve(axes, panel, "centre", x, table["centre"].values, colour=_LIMIT)
    plate.points(axes, panel, "in control", x[fine], y[fine])
    plate.points(axes, panel, "out of control", x[~fine], y[~fine], colour=_ALARM, marker="s")
    alarms = int(table["alarm"].values.sum())
    axes.margins(y=0.12)
    _headline(
        axes, f"{plain_words(chart.status)}, {int(np.isfinite(y).sum())} checks, {alarms} alarms"
    )


def _sums(axes: Axes, chart: ControlChart, x: np.ndarray, panel: str) -> None:
    """Draw the cumulative sums of both sides with their decision interval."""
    table = chart.dataset
    interval = float(table.attrs["interval"])
    # Sums are cut at twice the interval: beyond it they add no information, and the axis would
    # flatten the others.
    top = 2.0 * interval
    for side, colour, sign in (
        ("high", COLOURS["bulk_density"], 1.0),
        ("low", COLOURS["porosity"], -1.0),
    ):
        sums = np.minimum(table[f"cumulative_{side}"].values, top)
        plate.curve(axes, panel, f"{side} sum", x, sign * sums, colour=colour)
    for level in (-interval, interval):
        axes.axhline(level, color=_LIMIT, linewidth=0.8, linestyle="--", zorder=1)
    axes.axhline(0.0, color=_LIMIT, linewidth=0.6, zorder=1)
    axes.set_ylim(-1.1 * top, 1.1 * top)
    axes.set_ylabel("cumulative sum [σ]")


def _headline(axes: Axes, words: str) -> None:
    """Write a line above the axes, where it covers no point."""
    axes.set_title(words, loc="left", fontsize=6)


# --------------------------------------------------------------------------------------------------
# The gamma calibration: standards, fit and residuals.


@adaptable
def gamma_calibration(tree: xr.DataTree, **options: Unpack[Look]) -> Plate:
    """Draw the logarithm of the rate against areal density, with the residuals below.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/gamma_calibration``; areal density in g/cm^2.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, one column wide.

    Raises
    ------
    NothingToDraw
        If the hole has no gamma calibration.
    """
    table = require(tree, "properties/gamma_calibration", "gamma_calibration")
    x = table["areal_density"].values.astype(float)
    order = np.argsort(x, kind="stable")
    axis = label("areal_density", "g/cm^2", "areal density inside the liner")
    with new_plate(ONE_COLUMN, 96.0, tree) as figure:
        grid = figure.add_gridspec(2, 1, height_ratios=[2.2, 1.0])
        above = figure.add_subplot(grid[0])
        below = figure.add_subplot(grid[1], sharex=above)
        panel = f"ln of the net rate against {axis}"
        plate.points(above, panel, "standards", x, table["log_rate"].values)
        line, words = _fit_line(table, x, order)
        plate.curve(above, panel, "fit", *line, colour=COLOURS["bulk_density"])
        above.set_ylabel("ln (net rate · s)")
        above.tick_params(labelbottom=False)
        note(above, words)
        thousandths = 1e3 * table["residual"].values
        error = None
        if "log_rate_uncertainty" in table:
            error = 1e3 * table["log_rate_uncertainty"].values
        plate.points(
            below, f"residual [0.001] against {axis}", "standards", x, thousandths, y_error=error
        )
        below.axhline(0.0, color=COLOURS["bulk_density"], linewidth=0.8, zorder=1)
        below.set_xlabel(axis)
        below.set_ylabel("residual [0.001]")
        figure.align_ylabels([above, below])
        figure.supxlabel(_folded(SEALED_SOURCE), fontsize=4.8, color="0.35")
    what = (
        "Calibration of gamma attenuation on standards of known areal density, and "
        "residuals of the fit."
    )
    return describe(figure, what, table)


def _fit_line(
    table: xr.Dataset, x: np.ndarray, order: np.ndarray
) -> tuple[tuple[np.ndarray, np.ndarray], str]:
    """Fitted curve, and words on its form and its chi-square."""
    words = []
    chi_square = table.attrs.get("reduced_chi_square")
    if chi_square is not None:
        words.append(f"{x.size} counts, reduced χ² {float(chi_square):.2f}")
    coefficients = table.attrs.get("coefficients")
    if coefficients is None:
        return (x[order], table["fitted"].values[order]), "\n".join(words)
    grid = np.linspace(x.min(), x.max(), 101)
    # The fit stores zeros for the powers that it did not use.
    c = np.trim_zeros(np.atleast_1d(np.asarray(coefficients, dtype=float)), "b")
    words.append("straight line" if c.size == 2 else f"polynomial of degree {c.size - 1}")
    return (grid, np.polynomial.polynomial.polyval(grid, c)), "\n".join(words)


def _folded(text: str) -> str:
    """Long line broken into two."""
    middle = text.index(" ", len(text) // 2)
    return f"{text[:middle]}\n{text[middle + 1 :]}"
