"""All records of formation temperature of a hole beside each other."""

from __future__ import annotations

import matplotlib
import numpy as np
import xarray as xr

from corephys.downhole import formation_temperature
from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import NothingToDraw, of_name, require
from corephys.figures.style import DASHES, SETTINGS, TWO_COLUMNS, plain

__all__ = ["temperature_records"]

_DASHES = DASHES[:5]  # by which the colours turn
_INKS = ("black", "#D55E00", "#7FB8DA")
_PANEL = "temperature above equilibrium [K] against time since penetration [s]"


def temperature_records(tree: xr.DataTree) -> Plate:
    """Draw how the probe cooled at every station: temperature above equilibrium against time.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with the tables of ``/downhole`` and ``/properties/formation_temperature``.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide; both axes logarithmic, the window that was fitted
        in its own dashes, the rest pale.

    Raises
    ------
    NothingToDraw
        When the hole has no station, or no station a temperature.
    """
    found = require(tree, "properties/formation_temperature", "temperature_records")
    table, stations, tools = (
        require(tree, f"downhole/{part}", "temperature_records")
        for part in ("formation_temperature", "stations", "tools")
    )
    names = found["station"].values.astype(str)
    shown = np.flatnonzero(np.isfinite(found["equilibrium_temperature"].values))
    if not shown.size:
        raise NothingToDraw("no station of this hole has an equilibrium temperature")
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, 84.0)
        axes = figure.add_subplot()
        low, high = np.inf, -np.inf
        for place, row in enumerate(shown):
            one = found.isel(reading=int(row))
            station = of_name(stations, "station", names[row])
            record = formation_temperature.fitted(table, station, tools, one)
            time = record["time"].values
            above = record["temperature"].values - float(one["equilibrium_temperature"])
            # No logarithm: a reading at or below equilibrium, as all are of a probe that warms up.
            some = (above > 0.0) & (time > 0.0)
            start, end = float(one["window_start"]), float(one["window_end"])
            inside = (time >= start) & (time <= end)
            for side in (some & (time <= start), some & (time >= end)):
                drawn.curve(axes, _PANEL, f"station {names[row]}, outside the window", time[side],
                            above[side], colour="0.82")  # fmt: skip
                axes.lines[-1].set_zorder(1.0)
            drawn.curve(
                axes, _PANEL, f"station {names[row]}", time[some & inside], above[some & inside],
                colour=_INKS[place // len(_DASHES) % len(_INKS)],
                style=_DASHES[place % len(_DASHES)],
            )  # fmt: skip
            axes.lines[-1].set_label(f"station {plain(names[row])}, {float(one['depth']):.1f} m")
            if (some & inside).any():
                low = min(low, float(above[some & inside].min()))
                high = max(high, float(above[some].max()))
        if not np.isfinite(low):
            raise NothingToDraw(
                "no station cooled from above its equilibrium temperature, which the logarithm of "
                "this figure needs"
            )
        axes.set(xscale="log", yscale="log", ylim=(0.7 * low, 1.4 * high))
        axes.set_xlabel("time since penetration [s]")
        axes.set_ylabel("temperature above equilibrium [K]")
        figure.head(tree)
        handles = [line for line in axes.lines if not line.get_label().startswith("_")]
        axes.legend(handles=handles[:25], loc="upper left", bbox_to_anchor=(1.01, 1.0),
                    borderaxespad=0.0, handlelength=4.0)  # fmt: skip
    what = (
        f"Cooling of the probe at {shown.size} stations: temperature above the equilibrium that "
        "was fitted, one station a line; grey: outside the window of the fit."
    )
    return describe(figure, what, found)
