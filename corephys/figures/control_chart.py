"""A control chart: a check standard in time between its limits, and the sums that find steps."""

from __future__ import annotations

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import NothingToDraw
from corephys.figures.style import COLOURS, ONE_COLUMN, SETTINGS, TWO_COLUMNS, unit_in_print
from corephys.quality.standards import ControlChart

__all__ = ["control_chart", "control_charts"]

_ALARM, _LIMIT = "#D55E00", "0.45"
_LINES = (
    "Solid: centre; dashed: limits of three standard deviations of the first checks; squares: out "
    "of control, beyond a limit or by the cumulative sums."
)


def control_chart(chart: ControlChart, *, name: str = "check standard") -> Plate:
    """Draw a control chart, with the cumulative sums below.

    Parameters
    ----------
    chart : ControlChart
        Of :func:`corephys.quality.standards.control_chart`.
    name : str
        Of the standard, for the axis.

    Returns
    -------
    Plate
        A matplotlib Figure, one column wide. Standards out of control are coloured; a chart that
        judged nothing shows its values and says why.

    Raises
    ------
    NothingToDraw
        When no standard has a value.
    """
    table = chart.dataset
    y = table["value"].values.astype(float)
    if not np.isfinite(y).any():
        raise NothingToDraw("the control chart holds no value of a standard")
    x, axis = _days(table["time"].values)
    unit = str(table["value"].attrs.get("units", "1"))
    words = name if unit == "1" else f"{name} [{unit_in_print(unit)}]"
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(ONE_COLUMN, 90.0)
        if not chart.judged:
            above = figure.add_subplot()
            drawn.points(above, f"{words} against {axis}", "standards", x, y)
            above.set_xlabel(axis)
            _say(above, f"{np.isfinite(y).sum()} checks: {chart.status}")
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


def control_charts(tree: xr.DataTree) -> Plate:
    """Draw the control charts of all sensors of a hole, one below the other.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/control_<sensor>``.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide; the standards stand in their order, so that a long
        pause does not press them together.

    Raises
    ------
    NothingToDraw
        When the hole has no control chart.
    """
    nodes = [
        node for node in tree.leaves
        if node.name and node.name.startswith("control_") and node.path.startswith("/properties")
    ]  # fmt: skip
    if not nodes:
        raise NothingToDraw(
            "the hole has no control chart; standards need rows of kind check with a time"
        )
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, 18.0 + 32.0 * len(nodes))
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
                drawn.points(axes, panel, "standards", order, table["value"].values)
            first, last = (str(t.astype("datetime64[D]")) for t in table["time"].values[[0, -1]])
            _say(axes, f"{table.attrs['checked']}; {axes.get_title(loc='left') or chart.status}; "
                       f"{first} to {last}")  # fmt: skip
            axes.set_ylabel(words)
            axes.xaxis.set_major_locator(matplotlib.ticker.MaxNLocator(integer=True))
        assert axes is not None
        axes.set_xlabel("number of the check, in order of time")
        figure.align_ylabels()
        figure.head(tree)
    what = f"Control charts of the checks of each sensor, in the order of time. {_LINES}"
    return describe(figure, what, *(node.to_dataset(inherit=False) for node in nodes))


def _days(time: np.ndarray) -> tuple[np.ndarray, str]:
    """Days from the start, and what the axis says."""
    if time.dtype.kind != "M":
        return time / 86_400.0, "time [day]"
    first = np.fmin.reduce(time).astype("datetime64[D]")
    return (time - first) / np.timedelta64(1, "D"), f"days since {first}"


def _values(axes: Axes, chart: ControlChart, x: np.ndarray, panel: str) -> None:
    table = chart.dataset
    y, fine = table["value"].values.astype(float), table["in_control"].values
    for side in ("lower", "upper"):
        drawn.curve(axes, panel, f"{side} limit", x, table[side].values, colour=_LIMIT, style="--")
    drawn.curve(axes, panel, "centre", x, table["centre"].values, colour=_LIMIT)
    drawn.points(axes, panel, "in control", x[fine], y[fine])
    drawn.points(axes, panel, "out of control", x[~fine], y[~fine], colour=_ALARM, marker="s")
    alarms = int(table["alarm"].values.sum())
    axes.margins(y=0.12)
    _say(axes, f"{chart.status}, {int(np.isfinite(y).sum())} checks, {alarms} alarms")


def _sums(axes: Axes, chart: ControlChart, x: np.ndarray, panel: str) -> None:
    table = chart.dataset
    interval = float(table.attrs["interval"])
    # Beyond twice the interval a sum says nothing more, and would flatten all the others.
    top = 2.0 * interval
    for side, colour, sign in (
        ("high", COLOURS["bulk_density"], 1.0), ("low", COLOURS["porosity"], -1.0),
    ):  # fmt: skip
        sums = np.minimum(table[f"cumulative_{side}"].values, top)
        drawn.curve(axes, panel, f"{side} sum", x, sign * sums, colour=colour)
    for level in (-interval, interval):
        axes.axhline(level, color=_LIMIT, linewidth=0.8, linestyle="--", zorder=1)
    axes.axhline(0.0, color=_LIMIT, linewidth=0.6, zorder=1)
    axes.set_ylim(-1.1 * top, 1.1 * top)
    axes.set_ylabel("cumulative sum [σ]")


def _say(axes: Axes, words: str) -> None:
    """A line above the axes, where no point can lie."""
    axes.set_title(words, loc="left", fontsize=6)
