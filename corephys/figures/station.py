"""One temperature station: the decay, what the fit leaves over, and the valley of conductivity."""

from __future__ import annotations

from typing import Any

import matplotlib
import numpy as np
import xarray as xr

from corephys.downhole import formation_temperature
from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import NothingToDraw, of_name, require
from corephys.figures.style import COLOURS, FLAGGED, SETTINGS, TWO_COLUMNS, label

__all__ = ["station"]


def station(tree: xr.DataTree, name: Any = None) -> Plate:
    """Draw a station's record, its fit and residuals, and temperature against conductivity.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with the tables of ``/downhole`` and ``/properties/formation_temperature``.
    name : str or int, optional
        Of the station; the first with a temperature where not given.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide: temperature [degC] and residual [mK] against time
        since penetration [s]; temperature [degC] against trial conductivity [W/(m K)].

    Raises
    ------
    NothingToDraw
        When the hole has no station, or none of that name.
    """
    found = require(tree, "properties/formation_temperature", "station")
    table, stations, tools = (
        require(tree, f"downhole/{part}", "station")
        for part in ("formation_temperature", "stations", "tools")
    )
    names = found["station"].values.astype(str)
    if name is None:
        row = int(np.argmax(np.isfinite(found["equilibrium_temperature"].values)))
    elif (names == str(name)).any():
        row = int(np.argmax(names == str(name)))
    else:
        raise NothingToDraw(f"no station {name!r}; the stations are {', '.join(names)}")
    here = of_name(stations, "station", names[row])
    k = found["conductivity"].isel(reading=[row])
    # The curve belongs to the window that gave the temperature, also where somebody chose it.
    low, high = (float(found[end].values[row]) for end in ("window_start", "window_end"))
    window = {names[row]: f"{low!r} s to {high!r} s"} if low < high else None
    valley = formation_temperature.valley(table, here, tools, conductivity=k, chosen_windows=window)
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, 78.0)
        grid = figure.add_gridspec(2, 2, height_ratios=[2.2, 1.0])
        above = figure.add_subplot(grid[0, 0])
        below = figure.add_subplot(grid[1, 0], sharex=above)
        _decay(above, below, table, here, tools, found.isel(reading=row), names[row])
        _valley(figure.add_subplot(grid[:, 1]), valley.isel(station=0), found.isel(reading=row))
        words = f"station {names[row]}: {found['grade'].values[row]}"
        figure.head(tree, f"{words} ({found['grade_reason'].values[row]})")
    what = (
        f"Record, fit and residuals of station {names[row]}, and temperature by conductivity; "
        "dashed: equilibrium temperature."
    )
    return describe(figure, what, found)


def _decay(
    above: Any, below: Any, table: xr.Dataset, here: xr.Dataset, tools: xr.Dataset,
    one: xr.Dataset, name: str,
) -> None:  # fmt: skip
    fit = formation_temperature.fitted(table, here, tools, one)
    time, values, model = (fit[part].values for part in ("time", "temperature", "fit"))
    inside = (time >= float(one["window_start"])) & (time <= float(one["window_end"]))
    panel = "temperature [degC] against time since penetration [s]"
    for which, words, colour in ((~inside, "outside the window", FLAGGED),
                                 (inside, "inside the window",
                                  COLOURS["equilibrium_temperature"])):  # fmt: skip
        drawn.points(above, panel, words, time[which], values[which], marker=".", colour=colour)
    drawn.curve(above, panel, "fit", time[inside], model[inside])
    level = float(one["equilibrium_temperature"])
    if np.isfinite(level):
        above.axhline(level, color="0.3", linewidth=0.8, linestyle="--", zorder=1)
    above.set_ylabel("temperature [°C]")
    above.tick_params(labelbottom=False)
    left = 1e3 * (values - model)[inside]
    drawn.points(below, "residual [mK] against time since penetration [s]", "residual",
                 time[inside], left, marker=".", colour="0.2")  # fmt: skip
    below.axhline(0.0, color="0.3", linewidth=0.6, zorder=1)
    below.set_xlabel("time since penetration [s]")
    below.set_ylabel("residual [mK]")


def _valley(axes: Any, valley: xr.Dataset, one: xr.Dataset) -> None:
    panel = f"{label('equilibrium_temperature')} against {label('thermal_conductivity')}"
    k, temperature = valley["conductivity"].values, valley["temperature"].values
    drawn.curve(axes, panel, "valley", k, temperature,
                colour=COLOURS["thermal_conductivity"])  # fmt: skip
    u = np.hypot(float(one["equilibrium_temperature_u_random"]),
                 float(one["equilibrium_temperature_u_systematic"]))  # fmt: skip
    drawn.points(axes, panel, "chosen", [float(one["conductivity"])],
                 [float(one["equilibrium_temperature"])], y_error=[u], marker="s")  # fmt: skip
    slope = float(one["conductivity_sensitivity"])
    worse = 1e3 * float(valley["residual_deviation_range"])
    axes.set_title(
        f"dT/dk = {slope:.3f} K per W/(m K); along the curve the\nstandard deviation of the "
        f"residuals changes by {worse:.2g} mK", loc="left", fontsize=6,
    )  # fmt: skip
    axes.set_xlabel(label("thermal_conductivity"))
    axes.set_ylabel(label("equilibrium_temperature"))
