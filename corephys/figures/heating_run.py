"""One heating run: the curve with the window that was chosen, and what every other would say."""

from __future__ import annotations

from typing import Any

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from corephys import uncertainty
from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import NothingToDraw, require
from corephys.figures.style import COLOURS, FLAGGED, SETTINGS, TWO_COLUMNS, label
from corephys.ground import flags
from corephys.samples import needle

__all__ = ["heating_run"]

_MOST = 4000  # windows drawn; more lie on one another


def heating_run(tree: xr.DataTree, run: Any = None) -> Plate:
    """Draw a heating curve against ln t and the conductivity of all its windows.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/samples/needle`` and the conductivity of its runs.
    run : str or int, optional
        Name of the run; the first good one where not given.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide: temperature [degC] against time [s] with the chosen
        window shaded, and conductivity [W/(m K)] against the length of each window, the
        accepted ones in colour.

    Raises
    ------
    NothingToDraw
        When the hole has no heating run, or none of that name.
    """
    table = require(tree, "samples/needle", "heating_run")
    runs = _runs(tree)
    names = runs["run"].values.astype(str)
    value, flag = runs["thermal_conductivity"].values, runs["thermal_conductivity_flag"].values
    good = np.isfinite(value) & flags.usable(flag)
    if run is None:
        row = int(np.argmax(good))
    elif (names == str(run)).any():
        row = int(np.argmax(names == str(run)))
    else:
        raise NothingToDraw(f"no heating run {run!r}; the runs are {', '.join(names)}")
    one = runs.isel(reading=row)
    own = table["run"].values.astype(str) == names[row]
    everything = needle.windows(table.isel({table["run"].dims[0]: own}))
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, 72.0)
        left, right = figure.subplots(1, 2)
        _curve(left, table, own, one)
        _windows(right, everything, one)
        words = ", ".join(flags.names(int(one["thermal_conductivity_reason"]))).replace("_", " ")
        figure.head(tree, f"run {names[row]}{': ' + words if words else ''}")
    what = (
        f"Heating curve of run {names[row]} against time, logarithmic, and the conductivity of its "
        "windows."
    )
    return describe(figure, what, runs)


def _runs(tree: xr.DataTree) -> xr.Dataset:
    """The runs one by one, also where the recipe combined repeats."""
    for path in ("properties/heating_runs", "properties/thermal_conductivity"):
        try:
            found = tree[path]
        except KeyError:
            continue
        dataset = found.to_dataset(inherit=False)
        if "window_start" in dataset:
            return dataset
    raise NothingToDraw("the hole has no conductivity of single heating runs")


def _curve(axes: Axes, table: xr.Dataset, own: np.ndarray, one: xr.Dataset) -> None:
    time, temperature = table["time"].values[own], table["temperature"].values[own]
    start, end = float(one["window_start"]), float(one["window_end"])
    heated = time > 0
    inside = heated & (time >= start) & (time <= end)
    panel = "temperature [degC] against time [s]"
    drawn.points(axes, panel, "outside the window", time[heated & ~inside],
                 temperature[heated & ~inside], marker=".", colour=FLAGGED)  # fmt: skip
    drawn.points(axes, panel, "inside the window", time[inside], temperature[inside], marker=".",
                 colour=COLOURS["equilibrium_temperature"])  # fmt: skip
    axes.axvspan(start, end, color="0.93", zorder=0)
    axes.set_xscale("log")
    axes.set_xlabel("time since heating began [s]")
    axes.set_ylabel("temperature [°C]")
    share = float(one["drift_share"]) if "drift_share" in one else np.nan
    words = f"drift before heating {100 * share:.2g} % of the slope"
    if "drift_error" in one:
        words += f", taken off to {100 * float(one['drift_error']):.2g} %"
    axes.text(0.03, 0.95, words, transform=axes.transAxes, va="top", fontsize=6)


def _windows(axes: Axes, everything: xr.Dataset, one: xr.Dataset) -> None:
    panel = "conductivity [W/(m K)] against length of the window [s]"
    accepted = everything["accepted"].values
    k = everything["conductivity"].values
    length = everything["end"].values - everything["start"].values
    for which, name, colour in (
        (~accepted, "refused", FLAGGED),
        (accepted, "accepted", COLOURS["thermal_conductivity"]),
    ):
        rows = np.flatnonzero(which & np.isfinite(k))
        rows = rows[:: max(1, rows.size // _MOST)]
        if rows.size:
            drawn.points(axes, panel, f"{name} windows", length[rows], k[rows], small=True,
                         colour=colour)  # fmt: skip
    value = float(one["thermal_conductivity"])
    u = float(uncertainty.total(one, "thermal_conductivity"))
    drawn.points(axes, panel, "chosen", [float(one["window_end"] - one["window_start"])], [value],
                 y_error=[u],
                 marker="s")  # fmt: skip
    if np.isfinite(value):
        axes.set_ylim(0.85 * value, 1.15 * value)
    by_cylinder = float(one["conductivity_by_cylinder"]) if "conductivity_by_cylinder" in one else (
        np.nan)  # fmt: skip
    if np.isfinite(by_cylinder):
        axes.axhline(by_cylinder, color="0.3", linewidth=0.8, linestyle="--", zorder=1)
        axes.text(0.97, 0.05, "dashed: the whole cylinder fitted", transform=axes.transAxes,
                  ha="right", fontsize=6)  # fmt: skip
    axes.set_xlabel("length of the window [s]")
    axes.set_ylabel(label("thermal_conductivity"))
