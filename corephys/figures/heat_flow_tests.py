"""What a heat flow stands on: the bend of its line, its intervals, and its corrections."""

from __future__ import annotations

from typing import Any

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from corephys import uncertainty
from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.heat_flow import bottom_water
from corephys.figures.reading import NothingToDraw, node, require, scalar
from corephys.figures.style import COLOURS, ONE_COLUMN, SETTINGS, TWO_COLUMNS, label

__all__ = ["heat_flow_tests"]

_WARM = COLOURS["equilibrium_temperature"]
_FLOW = COLOURS["acoustic_impedance"]


def heat_flow_tests(tree: xr.DataTree) -> Plate:
    """Draw the residuals of the line, the heat flow between stations, and the corrections.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/heat_flow_curvature`` [K], ``/products/heat_flow_intervals``
        and ``/products/heat_flow`` [mW/m^2]; ``/products/heat_flow_corrections`` is drawn where
        the hole has it.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide.

    Raises
    ------
    NothingToDraw
        When the hole has no heat flow, or too few stations for a test.
    """
    flow = require(tree, "products/heat_flow", "heat_flow_tests")
    bend = require(tree, "products/heat_flow_curvature", "heat_flow_tests")
    pieces = require(tree, "products/heat_flow_intervals", "heat_flow_tests")
    resistance = require(tree, "products/thermal_resistance", "heat_flow_tests")
    temperature = require(tree, "properties/formation_temperature", "heat_flow_tests")
    table = node(tree, "products/heat_flow_corrections")
    with matplotlib.rc_context(SETTINGS):
        columns = 2 + (table is not None)
        figure = Plate(ONE_COLUMN if columns == 1 else TWO_COLUMNS, 82.0)
        axes = list(figure.subplots(1, columns, squeeze=False)[0])
        water = bottom_water(tree, flow) - scalar(flow, "surface_temperature")[0]
        _residuals(axes[0], bend, resistance, temperature, (scalar(flow, "heat_flow")[0], water))
        _intervals(axes[1], pieces, flow)
        if table is not None:
            _corrections(axes[2], table)
        figure.head(tree)
    what = (
        "Residuals of the line of heat flow and heat flow between neighbouring stations"
        f"{'' if table is None else ', with its corrections'}."
    )
    if np.isfinite(water):
        what += (
            " The line goes through the bottom water too, which is known best; the stations share "
            "the errors of conductivity and depth above them, and may all lie to one side."
        )
    return describe(figure, what, flow, bend, pieces, table, depth_scale="depth")


def _residuals(
    axes: Axes, bend: xr.Dataset, resistance: xr.Dataset, temperature: xr.Dataset,
    fitted: tuple[float, float],
) -> None:  # fmt: skip
    """Temperatures less the line, with the errors of both axes, and the parabola less the line.

    ``fitted`` are the slope [mW/m^2] and the bottom water less the line [K], NaN without.
    """
    flow, water = fitted
    r = resistance["thermal_resistance"].values.astype(float)
    models = list(bend["model"].values)
    line, parabola = (
        bend["residual"].values[models.index(word)].astype(float) for word in ("line", "parabola")
    )
    shown = np.isfinite(line)
    if not shown.any():
        raise NothingToDraw("no station of the hole lies on the line of its heat flow")
    words = "temperature less the line"
    panel = f"{words} [K] against {label('thermal_resistance')}"
    error = np.hypot(
        uncertainty.total(temperature, "equilibrium_temperature").values,
        1e-3 * flow * resistance["thermal_resistance_u_random"].values,
    )
    drawn.points(axes, panel, "stations", line[shown], r[shown], x_error=error[shown], colour=_WARM)
    if np.isfinite(water):
        drawn.points(axes, panel, "bottom water", [water], [0.0], marker="s")
        axes.annotate("bottom water", (water, 0.0), xytext=(5, 0), fontsize=6,
                      textcoords="offset points", va="center")  # fmt: skip
    bottom = 1.06 * float(r[shown].max())
    drawn.curve(axes, panel, "line", [0.0, 0.0], [0.0, bottom])
    # Three stations fix the parabola: it is drawn through what it adds to the line at them.
    at = np.linspace(0.0, float(r[shown].max()), 60)
    added = np.polyval(np.polyfit(r[shown], (line - parabola)[shown], 2), at)
    drawn.curve(axes, panel, "parabola", added, at, style="--")
    axes.set_ylim(bottom, -0.03 * bottom)
    reach = 1.15 * float(np.nanmax(np.abs(line[shown]) + np.nan_to_num(error[shown])))
    axes.set_xlim(-reach, reach)
    axes.set_xlabel(f"{words} [K]")
    axes.set_ylabel(label("thermal_resistance"))
    axes.set_title(f"{bend.attrs['shape']}, p = {float(bend['probability']):.2g}", loc="left")
    _key(axes, {"line": "-", "parabola": "--"})


def _intervals(axes: Axes, pieces: xr.Dataset, flow: xr.Dataset) -> None:
    """Heat flow of each interval over its thickness, the line and its band behind."""
    depth, values = pieces["depth"].values, pieces["heat_flow"].values
    half = 0.5 * (pieces["bottom"].values - pieces["top"].values)
    total = uncertainty.total(pieces, "heat_flow").values
    panel = f"{label('heat_flow')} against depth [m]"
    bottom = 1.04 * float(np.max(pieces["bottom"].values))
    value, u = scalar(flow, "heat_flow")
    ends = np.array([0.0, bottom])
    if np.isfinite(u):
        drawn.band(axes, panel, "line, one standard uncertainty", ends, [value - u] * 2,
                   [value + u] * 2)  # fmt: skip
    drawn.curve(axes, panel, "line", [value, value], ends)
    mean, _ = scalar(pieces, "heat_flow_mean")
    drawn.curve(axes, panel, "mean of the intervals", [mean, mean], ends, style=":")
    drawn.points(axes, panel, "intervals", values, depth, x_error=total, y_error=half, colour=_FLOW)
    axes.set_ylim(bottom, -0.02 * bottom)
    axes.set_xlabel(label("heat_flow"))
    axes.set_ylabel("depth below seafloor [m]")
    axes.set_title(f"line {value:.1f}, mean {mean:.1f} mW/m²", loc="left")
    _key(axes, {"line": "-", "mean of the intervals": ":"})


def _key(axes: Axes, styles: dict[str, Any]) -> None:
    """What the lines are, below the axis where no point can lie."""
    handles = [
        Line2D([], [], color="black", linestyle=style, linewidth=1.0, label=word)
        for word, style in styles.items()
    ]
    axes.legend(handles=handles, loc="upper center", bbox_to_anchor=(0.5, -0.12), ncols=2)


def _corrections(axes: Axes, table: xr.Dataset) -> None:
    """Signed bars, one a correction, the uncorrected heat flow as the zero."""
    names = [str(name) for name in table["correction"].values]
    shown = [i for i, name in enumerate(names) if name != "none"]
    added = table["heat_flow_correction"].values[shown].astype(float)
    error = uncertainty.total(table, "heat_flow_correction").values[shown]
    place = np.arange(len(shown), dtype=float)
    panel = label("heat_flow_correction")
    drawn.boxes(axes, panel, "corrections", place - 0.3, place + 0.3, width=added, colour="0.78")
    drawn.points(axes, panel, "standard uncertainty", added, place, x_error=error, marker="|")
    drawn.curve(axes, panel, "uncorrected", [0.0, 0.0], [-0.6, len(shown) - 0.4])
    edge = np.concatenate([added - np.nan_to_num(error), added + np.nan_to_num(error), [0.0]])
    room = 0.08 * (float(np.ptp(edge)) or 1.0)
    axes.set_xlim(float(edge.min()) - room, float(edge.max()) + room)
    axes.set_ylim(len(shown) - 0.4, -0.6)
    axes.set_yticks(place, [names[i].replace(" ", "\n", 1) for i in shown])
    axes.set_xlabel(panel)
    axes.set_title(f"added to {float(table.attrs['heat_flow_uncorrected']):.1f} mW/m²", loc="left")
