"""Figures of heat: heating runs, temperature stations, heat flow and its tests."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Unpack

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from corephys import uncertainty
from corephys.downhole import temperature as formation_temperature
from corephys.figures import plate
from corephys.figures.caption import describe
from corephys.figures.look import Look, adaptable
from corephys.figures.part import Cores, Depths, cut
from corephys.figures.plate import (
    Plate,
    legend_beside,
    line_key,
    new_plate,
    note,
    point_label,
)
from corephys.figures.reading import (
    NothingToDraw,
    Series,
    node,
    of_name,
    require,
    scalar,
    series,
    the_hole,
)
from corephys.figures.style import (
    COLOURS,
    DASHES,
    ONE_COLUMN,
    TWO_COLUMNS,
    LineStyle,
    label,
    plain,
    value_in_print,
)
from corephys.figures.tracks import depth_axis, draw_series, span
from corephys.ground import flags, units
from corephys.samples import needle

__all__ = [
    "heat_flow",
    "heat_flow_tests",
    "heating_run",
    "station",
    "temperature_records",
]

_LEFT_OUT = "0.78"  # grey of readings of a record that its fit does not use

# --------------------------------------------------------------------------------------------------
# Heat flow: conductivity, temperature, and temperature against thermal resistance.


@adaptable
def heat_flow(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw conductivity and temperature against depth, and the Bullard plot beside them.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/formation_temperature``. Conductivity [W/(m K)],
        resistance [m^2 K/W] and heat flow [mW/m^2] are drawn where it has them.
    core : str or sequence of str, optional
        Names of the cores that are drawn; all if not given.
    depth : (Quantity or str, Quantity or str), optional
        Top and bottom of the depths that are drawn [m], such as ``("20 m", "60 m")``; None for an
        open end.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide.

    Raises
    ------
    NothingToDraw
        If the hole has no formation temperature.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    tree = cut(tree, core, depth, kept="The fit is that of the complete hole.")
    warm = _temperatures(tree, "heat_flow")
    temperature = series(tree, warm, "equilibrium_temperature")
    if temperature is None:
        raise NothingToDraw(
            "the figure heat_flow needs an equilibrium temperature; no station of "
            f"{the_hole(tree)} has one"
        )
    conductivity = series(tree, "properties/thermal_conductivity", "thermal_conductivity")
    resistance = node(tree, "products/thermal_resistance")
    flow = node(tree, "products/heat_flow")
    columns = 1 + (conductivity is not None) + (resistance is not None)
    with new_plate(ONE_COLUMN if columns == 1 else TWO_COLUMNS, 82.0, tree) as figure:
        axes = list(figure.subplots(1, columns, squeeze=False)[0])
        deepest = np.concatenate([one.depth for one in (temperature, conductivity) if one])
        bottom = float(np.nanmax(deepest)) * 1.04
        if conductivity is not None:
            _against_depth(axes[0], conductivity, bottom)
        spot = axes[int(conductivity is not None)]
        _against_depth(spot, temperature, bottom)
        if figure.part is not None:
            # The depths of both panels are those of either: a part has no common top.
            depth_axis(axes[: 1 + (conductivity is not None)], bottom)
        if resistance is not None:
            axes[-1].set_label("bullard")
            _bullard(axes[-1], temperature, resistance, flow, _bottom_water(tree, flow))
    what = (
        "Thermal conductivity and equilibrium temperature against depth, and temperature "
        "against thermal resistance with the fitted line."
    )
    return describe(
        figure,
        what,
        node(tree, "properties/thermal_conductivity"),
        node(tree, warm),
        resistance,
        flow,
        depth_scale="depth",
    )


def _temperatures(tree: xr.DataTree, figure: str) -> str:
    """Path of the temperatures of the heat flow: of stations, of a log, or of both."""
    stations, log = "properties/formation_temperature", "properties/temperature_log"
    resistance = node(tree, "products/thermal_resistance")
    path = stations if resistance is None else resistance.attrs.get("temperatures_from", stations)
    if node(tree, path) is None and node(tree, log) is not None:
        path = log
    require(tree, path, figure)
    return str(path)


_DENSE_FROM = 100  # temperatures of a log above which they are drawn as crosses without bars


def _against_depth(axes: Axes, one: Series, bottom: float) -> None:
    """Draw a series of samples or stations down to ``bottom`` [m]."""
    small = one.values.size > _DENSE_FROM
    draw_series(axes, one, one.name.replace("_", " "), small=small)
    axes.set_xlim(*span([one]))
    depth_axis(axes, bottom)
    axes.set_xlabel(one.label)


def _bullard(
    axes: Axes,
    temperature: Series,
    resistance: xr.Dataset,
    flow: xr.Dataset | None,
    bottom_water: float,
) -> None:
    """Draw temperature against thermal resistance with the fitted line (Bullard plot)."""
    name = "thermal_resistance"
    x = resistance[name].values.astype(float)
    known = f"{name}_u_random" in resistance and f"{name}_u_systematic" in resistance
    error = uncertainty.total(resistance, name).values if known else None
    panel = f"{temperature.label} against {label(name)}"
    # /products/thermal_resistance has one row for each temperature, in the same order.
    small = x.size > _DENSE_FROM
    plate.points(
        axes,
        panel,
        "temperatures, supplied" if temperature.supplied else "stations",
        temperature.values,
        x,
        flag=temperature.flag,
        x_error=None if small else temperature.error,
        y_error=None if small else error,
        colour=COLOURS[temperature.name],
        small=small,
        marker=plate.marker_of(temperature.supplied, small),
    )
    figure = plate.plate_of(axes)
    whole = figure.part is None
    bottom = float(np.nanmax(x)) * 1.06
    top = 0.0 if whole else float(np.nanmin(x))
    if whole:
        axes.set_ylim(bottom, -0.03 * bottom)
    else:
        room = 0.06 * (float(np.nanmax(x)) - top or top)
        axes.set_ylim(float(np.nanmax(x)) + room, top - room)
    axes.set_xlabel(temperature.label)
    axes.set_ylabel(label(name))
    if flow is None or "heat_flow" not in flow:
        return
    slope, u_slope = scalar(flow, "heat_flow")
    at_top, _ = scalar(flow, "surface_temperature")
    ends = np.array([top, float(np.nanmax(x))])
    # mW/m^2 times m^2 K/W is mK.
    plate.curve(axes, panel, "fit", at_top + slope * 1e-3 * ends, ends)
    if whole:
        _draw_bottom_water(axes, panel, bottom_water)
    note(axes, f"q = {value_in_print(slope, u_slope, 'mW/m^2')}", fontsize=6.5)


def _draw_bottom_water(axes: Axes, panel: str, value: float) -> None:
    """Mark the bottom water at the seafloor, where the line was fitted with it."""
    if np.isfinite(value):
        plate.points(axes, panel, "bottom water", [value], [0.0], marker="s")
        point_label(axes, "bottom water", value, 0.0)


def _bottom_water(tree: xr.DataTree, flow: xr.Dataset | None) -> float:
    """Temperature at the seafloor [degC] that the line was fitted with; NaN without one."""
    if flow is None or flow.attrs.get("bottom_water") != "included":
        return float("nan")
    given = json.loads(tree.attrs.get("recipe", "{}")).get("hole", {})
    text = given.get("bottom_water_temperature")
    if text is None:
        return float("nan")
    return float(units.as_floats(text, "degC", "bottom_water_temperature"))


# --------------------------------------------------------------------------------------------------
# Tests of a heat flow: curvature of its line, heat flow of intervals, and corrections.


_WARM = COLOURS["equilibrium_temperature"]
_FLOW = COLOURS["acoustic_impedance"]


@adaptable
def heat_flow_tests(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw the residuals of the line, the heat flow between stations, and the corrections.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/heat_flow_curvature`` [K], ``/products/heat_flow_intervals``
        and ``/products/heat_flow`` [mW/m^2]; ``/products/heat_flow_corrections`` is drawn where
        the hole has it.
    core : str or sequence of str, optional
        Names of the cores that are drawn; all if not given.
    depth : (Quantity or str, Quantity or str), optional
        Top and bottom of the depths that are drawn [m], such as ``("20 m", "60 m")``; None for an
        open end.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide.

    Raises
    ------
    NothingToDraw
        If the hole has no heat flow, or too few stations for a test.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    whole = tree
    tree = cut(
        tree, core, depth, kept="Line, parabola and corrections are those of the complete hole."
    )
    flow = require(tree, "products/heat_flow", "heat_flow_tests")
    bent = _bent(whole)
    bend = require(tree, "products/heat_flow_curvature", "heat_flow_tests")
    pieces = require(tree, "products/heat_flow_intervals", "heat_flow_tests")
    resistance = require(tree, "products/thermal_resistance", "heat_flow_tests")
    temperature = require(tree, _temperatures(tree, "heat_flow_tests"), "heat_flow_tests")
    table = node(tree, "products/heat_flow_corrections")
    with new_plate(TWO_COLUMNS, 82.0, tree) as figure:
        axes = list(figure.subplots(1, 2 + (table is not None)))
        water = _bottom_water(tree, flow) - scalar(flow, "surface_temperature")[0]
        slope = scalar(flow, "heat_flow")[0]
        _residuals(axes[0], bend, resistance, temperature, (slope, water), bent)
        _intervals(axes[1], pieces, flow)
        if table is not None:
            _corrections(axes[2], table)
    what = (
        "Residuals of the line of heat flow and heat flow between neighbouring stations"
        f"{'' if table is None else ', with its corrections'}."
    )
    if np.isfinite(water):
        what += (
            " The line also passes the bottom water, which has the smallest uncertainty. The "
            "stations share the errors of conductivity and depth above them, so that all of them "
            "may lie to one side."
        )
    return describe(figure, what, flow, bend, pieces, table, depth_scale="depth")


def _residuals(
    axes: Axes,
    bend: xr.Dataset,
    resistance: xr.Dataset,
    temperature: xr.Dataset,
    fitted: tuple[float, float],
    bent: np.ndarray,
) -> None:
    """Temperatures less the line, with the errors of both axes, and the parabola less the line.

    ``fitted`` is the slope [mW/m^2] and the bottom water less the line [K], NaN without one;
    ``bent`` is the polynomial of the parabola less the line.
    """
    flow, water = fitted
    r = resistance["thermal_resistance"].values.astype(float)
    line = _misfit(bend, "line")
    shown = np.isfinite(line)
    if not shown.any():
        raise NothingToDraw(
            "the figure heat_flow_tests needs stations that the line of heat flow used; there are "
            "none among those drawn"
        )
    words = "temperature less the line"
    panel = f"{words} [K] against {label('thermal_resistance')}"
    # The error of the resistance shifts a station by q u(R): mW/m^2 times m^2 K/W is mK.
    error = np.hypot(
        uncertainty.total(temperature, "equilibrium_temperature").values,
        1e-3 * flow * resistance["thermal_resistance_u_random"].values,
    )
    small = int(shown.sum()) > _DENSE_FROM
    plate.points(
        axes,
        panel,
        "stations",
        line[shown],
        r[shown],
        x_error=None if small else error[shown],
        colour=_WARM,
        small=small,
    )
    figure = plate.plate_of(axes)
    deep = float(r[shown].max())
    if figure.part is None:
        _draw_bottom_water(axes, panel, water)
        top, bottom = 0.0, 1.06 * deep
        axes.set_ylim(bottom, -0.03 * bottom)
    else:
        top = float(r[shown].min())
        room = 0.06 * (deep - top or deep)
        bottom = deep + room
        axes.set_ylim(bottom, top - room)
    plate.curve(axes, panel, "line", [0.0, 0.0], [top, bottom])
    at = np.linspace(top, deep, 60)
    plate.curve(axes, panel, "parabola", np.polyval(bent, at), at, style="--")
    # Symmetric limits put the line in the middle.
    reach = 1.15 * float(np.nanmax(np.abs(line[shown]) + np.nan_to_num(error[shown])))
    axes.set_xlim(-reach, reach)
    axes.set_xlabel(f"{words} [K]")
    axes.set_ylabel(label("thermal_resistance"))
    axes.set_title(f"{bend.attrs['shape']}, p = {float(bend['probability']):.2g}", loc="left")
    _key(axes, {"line": "-", "parabola": "--"})


def _misfit(bend: xr.Dataset, model: str) -> np.ndarray:
    """Temperatures of the stations less one of the models [K]."""
    row = list(bend["model"].values).index(model)
    return np.asarray(bend["residual"].values[row], dtype=float)


def _bent(tree: xr.DataTree) -> np.ndarray:
    """Polynomial of the parabola less the line [K] against the resistance, of the complete hole.

    The leaf holds residuals at the stations only. The difference of line and parabola is itself a
    parabola, so that a polynomial through these points gives it everywhere.
    """
    bend = require(tree, "products/heat_flow_curvature", "heat_flow_tests")
    resistance = require(tree, "products/thermal_resistance", "heat_flow_tests")
    line, parabola = (_misfit(bend, word) for word in ("line", "parabola"))
    used = np.isfinite(line)
    r = resistance["thermal_resistance"].values.astype(float)
    if not used.any():
        return np.zeros(3)
    return np.polyfit(r[used], (line - parabola)[used], 2)


def _intervals(axes: Axes, pieces: xr.Dataset, flow: xr.Dataset) -> None:
    """Draw the heat flow of each interval over its thickness, behind it the line and its band."""
    depth, values = pieces["depth"].values, pieces["heat_flow"].values
    # Bars along depth are the thickness of an interval and no uncertainty.
    half = 0.5 * (pieces["bottom"].values - pieces["top"].values)
    total = uncertainty.total(pieces, "heat_flow").values
    panel = f"{label('heat_flow')} against depth [m]"
    bottom = 1.04 * float(np.max(pieces["bottom"].values))
    value, u = scalar(flow, "heat_flow")
    figure = plate.plate_of(axes)
    ends = np.array([0.0, bottom])
    if figure.part is not None:
        ends = np.array([np.min(pieces["top"].values), np.max(pieces["bottom"].values)], float)
    if np.isfinite(u):
        plate.band(
            axes, panel, "line, one standard uncertainty", ends, [value - u] * 2, [value + u] * 2
        )
    plate.curve(axes, panel, "line", [value, value], ends)
    mean, _ = scalar(pieces, "heat_flow_mean")
    plate.curve(axes, panel, "mean of the intervals", [mean, mean], ends, style=":")
    plate.points(axes, panel, "intervals", values, depth, x_error=total, y_error=half, colour=_FLOW)
    depth_axis(axes, bottom)
    axes.set_xlabel(label("heat_flow"))
    axes.set_title(f"line {value:.1f}, mean {mean:.1f} mW/m²", loc="left")
    _key(axes, {"line": "-", "mean of the intervals": ":"})


def _key(axes: Axes, styles: Mapping[str, LineStyle]) -> None:
    """Write the legend of the lines below the axis, where it covers no point."""
    handles = [line_key(word, style=style) for word, style in styles.items()]
    axes.legend(handles=handles, loc="upper center", bbox_to_anchor=(0.5, -0.12), ncols=2)


def _corrections(axes: Axes, table: xr.Dataset) -> None:
    """Draw a signed bar for each correction; zero is the uncorrected heat flow."""
    names = [str(name) for name in table["correction"].values]
    shown = [i for i, name in enumerate(names) if name != "none"]
    added = table["heat_flow_correction"].values[shown].astype(float)
    error = uncertainty.total(table, "heat_flow_correction").values[shown]
    place = np.arange(len(shown), dtype=float)
    panel = label("heat_flow_correction")
    plate.boxes(axes, panel, "corrections", place - 0.3, place + 0.3, width=added, colour="0.78")
    plate.points(axes, panel, "standard uncertainty", added, place, x_error=error, marker="|")
    plate.curve(axes, panel, "uncorrected", [0.0, 0.0], [-0.6, len(shown) - 0.4])
    edge = np.concatenate([added - np.nan_to_num(error), added + np.nan_to_num(error), [0.0]])
    room = 0.08 * (float(np.ptp(edge)) or 1.0)
    axes.set_xlim(float(edge.min()) - room, float(edge.max()) + room)
    axes.set_ylim(len(shown) - 0.4, -0.6)
    axes.set_yticks(place, [names[i].replace(" ", "\n", 1) for i in shown])
    axes.set_xlabel(panel)
    axes.set_title(f"added to {float(table.attrs['heat_flow_uncorrected']):.1f} mW/m²", loc="left")


# --------------------------------------------------------------------------------------------------
# One heating run: the curve with the chosen window, and the conductivity of all windows.


_MOST = 4000  # windows drawn; more would cover each other


@adaptable
def heating_run(tree: xr.DataTree, run: str | int | None = None, **options: Unpack[Look]) -> Plate:
    """Draw a heating curve against ln t and the conductivity of all its windows.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/samples/needle`` and the conductivity of its runs.
    run : str or int, optional
        Name of the run; the default is the first usable one.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide: temperature [degC] against time [s] with the chosen
        window shaded, and conductivity [W/(m K)] against the length of each window, the
        accepted ones in colour.

    Raises
    ------
    NothingToDraw
        If the hole has no heating run, or none of that name.
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
    words = ", ".join(flags.names(int(one["thermal_conductivity_reason"]))).replace("_", " ")
    title = f"run {names[row]}{': ' + words if words else ''}"
    with new_plate(TWO_COLUMNS, 72.0, tree, title) as figure:
        left, right = figure.subplots(1, 2)
        _curve(left, table, own, one)
        _windows(right, everything, one)
    what = (
        f"Heating curve of run {names[row]} against time, logarithmic, and the conductivity of its "
        "windows."
    )
    return describe(figure, what, runs)


def _runs(tree: xr.DataTree) -> xr.Dataset:
    """Results of single runs, also where the recipe combined repeats."""
    for path in ("properties/heating_runs", "properties/thermal_conductivity"):
        try:
            found = tree[path]
        except KeyError:
            continue
        dataset = found.to_dataset(inherit=False)
        if "window_start" in dataset:
            return dataset
    raise NothingToDraw(
        "the figure heating_run needs /properties/heating_runs; this hole has no conductivity of "
        "single runs"
    )


def _curve(axes: Axes, table: xr.Dataset, own: np.ndarray, one: xr.Dataset) -> None:
    """Draw the heating curve [degC, s], the chosen window in colour."""
    time, temperature = table["time"].values[own], table["temperature"].values[own]
    start, end = float(one["window_start"]), float(one["window_end"])
    heated = time > 0
    inside = heated & (time >= start) & (time <= end)
    panel = "temperature [degC] against time [s]"
    plate.points(
        axes,
        panel,
        "outside the window",
        time[heated & ~inside],
        temperature[heated & ~inside],
        marker=".",
        colour=_LEFT_OUT,
    )
    plate.points(
        axes,
        panel,
        "inside the window",
        time[inside],
        temperature[inside],
        marker=".",
        colour=COLOURS["equilibrium_temperature"],
    )
    axes.axvspan(start, end, color="0.93", zorder=0)
    axes.set_xscale("log")
    axes.set_xlabel("time since heating began [s]")
    axes.set_ylabel("temperature [°C]")
    share = float(one["drift_share"]) if "drift_share" in one else np.nan
    words = f"drift before heating {100 * share:.2g} % of the slope"
    if "drift_error" in one:
        words += f", removed to {100 * float(one['drift_error']):.2g} %"
    axes.text(0.03, 0.95, words, transform=axes.transAxes, va="top", fontsize=6)


def _windows(axes: Axes, everything: xr.Dataset, one: xr.Dataset) -> None:
    """Draw the conductivity of all windows against their length, and the chosen one."""
    panel = "conductivity [W/(m K)] against length of the window [s]"
    accepted = everything["accepted"].values
    k = everything["conductivity"].values
    length = everything["end"].values - everything["start"].values
    for which, name, colour in (
        (~accepted, "refused", _LEFT_OUT),
        (accepted, "accepted", COLOURS["thermal_conductivity"]),
    ):
        rows = np.flatnonzero(which & np.isfinite(k))
        rows = rows[:: max(1, rows.size // _MOST)]
        if rows.size:
            plate.points(
                axes, panel, f"{name} windows", length[rows], k[rows], small=True, colour=colour
            )
    value = float(one["thermal_conductivity"])
    u = float(uncertainty.total(one, "thermal_conductivity"))
    plate.points(
        axes,
        panel,
        "chosen",
        [float(one["window_end"] - one["window_start"])],
        [value],
        y_error=[u],
        marker="s",
    )
    if np.isfinite(value):
        # Short windows scatter by far more; they would hide the plateau.
        axes.set_ylim(0.85 * value, 1.15 * value)
    by_cylinder = (
        float(one["conductivity_by_cylinder"]) if "conductivity_by_cylinder" in one else (np.nan)
    )
    if np.isfinite(by_cylinder):
        axes.axhline(by_cylinder, color="0.3", linewidth=0.8, linestyle="--", zorder=1)
        note(axes, "dashed: fit of the complete cylinder solution", top=False)
    axes.set_xlabel("length of the window [s]")
    axes.set_ylabel(label("thermal_conductivity"))


# --------------------------------------------------------------------------------------------------
# One temperature station: the decay, residuals of the fit, and the valley of conductivity.


def _station_names(found: xr.Dataset, figure: str) -> np.ndarray:
    """Names of the stations; supplied temperatures have no records to draw."""
    if "station" not in found.variables:
        raise NothingToDraw(
            f"the figure {figure} needs temperatures computed from the records of stations; those "
            "of this hole were supplied"
        )
    return np.asarray(found["station"].values.astype(str))


@adaptable
def station(tree: xr.DataTree, name: str | int | None = None, **options: Unpack[Look]) -> Plate:
    """Draw a station's record, its fit and residuals, and temperature against conductivity.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with the tables of ``/downhole`` and ``/properties/formation_temperature``.
    name : str or int, optional
        Name of the station; the default is the first that has a temperature.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide: temperature [degC] and residual [mK] against time
        since penetration [s]; temperature [degC] against trial conductivity [W/(m K)].

    Raises
    ------
    NothingToDraw
        If the hole has no station, or none of that name.
    """
    found = require(tree, "properties/formation_temperature", "station")
    table, stations, tools = (
        require(tree, f"downhole/{part}", "station")
        for part in ("formation_temperature", "stations", "tools")
    )
    names = _station_names(found, "station")
    if name is None:
        row = int(np.argmax(np.isfinite(found["equilibrium_temperature"].values)))
    elif (names == str(name)).any():
        row = int(np.argmax(names == str(name)))
    else:
        raise NothingToDraw(f"no station {name!r}; the stations are {', '.join(names)}")
    here = of_name(stations, "station", names[row])
    k = found["conductivity"].isel(reading=[row])
    # The curve belongs to the window that gave the temperature, also if the user chose it.
    low, high = (float(found[end].values[row]) for end in ("window_start", "window_end"))
    window = {names[row]: f"{low!r} s to {high!r} s"} if low < high else None
    valley = formation_temperature.valley(table, here, tools, conductivity=k, chosen_windows=window)
    grade = f"{found['grade'].values[row]} ({found['grade_reason'].values[row]})"
    with new_plate(TWO_COLUMNS, 78.0, tree, f"station {names[row]}: {grade}") as figure:
        grid = figure.add_gridspec(2, 2, height_ratios=[2.2, 1.0])
        above = figure.add_subplot(grid[0, 0])
        below = figure.add_subplot(grid[1, 0], sharex=above)
        _decay(above, below, table, here, tools, found.isel(reading=row), names[row])
        _valley(figure.add_subplot(grid[:, 1]), valley.isel(station=0), found.isel(reading=row))
    what = (
        f"Record, fit and residuals of station {names[row]}, and temperature by conductivity; "
        "dashed: equilibrium temperature."
    )
    return describe(figure, what, found)


def _decay(
    above: Axes,
    below: Axes,
    table: xr.Dataset,
    here: xr.Dataset,
    tools: xr.Dataset,
    one: xr.Dataset,
    name: str,
) -> None:
    """Draw the record of a station with its fit above, the residuals [mK] below."""
    fit = formation_temperature.fitted_decay(table, here, tools, one)
    time, values, model = (fit[part].values for part in ("time", "temperature", "fit"))
    inside = (time >= float(one["window_start"])) & (time <= float(one["window_end"]))
    panel = "temperature [degC] against time since penetration [s]"
    for which, words, colour in (
        (~inside, "outside the window", _LEFT_OUT),
        (inside, "inside the window", COLOURS["equilibrium_temperature"]),
    ):
        plate.points(above, panel, words, time[which], values[which], marker=".", colour=colour)
    plate.curve(above, panel, "fit", time[inside], model[inside])
    level = float(one["equilibrium_temperature"])
    if np.isfinite(level):
        above.axhline(level, color="0.3", linewidth=0.8, linestyle="--", zorder=1)
    above.set_ylabel("temperature [°C]")
    above.tick_params(labelbottom=False)
    left = 1e3 * (values - model)[inside]
    plate.points(
        below,
        "residual [mK] against time since penetration [s]",
        "residual",
        time[inside],
        left,
        marker=".",
        colour="0.2",
    )
    below.axhline(0.0, color="0.3", linewidth=0.6, zorder=1)
    below.set_xlabel("time since penetration [s]")
    below.set_ylabel("residual [mK]")


def _valley(axes: Axes, valley: xr.Dataset, one: xr.Dataset) -> None:
    """Draw the equilibrium temperature against trial conductivities, and the chosen pair."""
    panel = f"{label('equilibrium_temperature')} against {label('thermal_conductivity')}"
    k, temperature = valley["conductivity"].values, valley["temperature"].values
    plate.curve(axes, panel, "valley", k, temperature, colour=COLOURS["thermal_conductivity"])
    u = np.hypot(
        float(one["equilibrium_temperature_u_random"]),
        float(one["equilibrium_temperature_u_systematic"]),
    )
    plate.points(
        axes,
        panel,
        "chosen",
        [float(one["conductivity"])],
        [float(one["equilibrium_temperature"])],
        y_error=[u],
        marker="s",
    )
    slope = float(one["conductivity_sensitivity"])
    worse = 1e3 * float(valley["residual_deviation_range"])
    axes.set_title(
        f"dT/dk = {slope:.3f} K per W/(m K); along the curve the\nstandard deviation of the "
        f"residuals changes by {worse:.2g} mK",
        loc="left",
        fontsize=6,
    )
    axes.set_xlabel(label("thermal_conductivity"))
    axes.set_ylabel(label("equilibrium_temperature"))


# --------------------------------------------------------------------------------------------------
# All records of formation temperature of a hole in one figure.


_DASHES = DASHES[:5]  # after five styles the next colour follows
_INKS = ("black", "#D55E00", "#7FB8DA")
_PANEL = "temperature above equilibrium [K] against time since penetration [s]"


@adaptable
def temperature_records(tree: xr.DataTree, **options: Unpack[Look]) -> Plate:
    """Draw how the probe cooled at every station: temperature above equilibrium against time.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with the tables of ``/downhole`` and ``/properties/formation_temperature``.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide, with logarithmic axes. The fitted window of each
        station has a separate line style, the rest is pale.

    Raises
    ------
    NothingToDraw
        If the hole has no station, or no station has a temperature.
    """
    found = require(tree, "properties/formation_temperature", "temperature_records")
    table, stations, tools = (
        require(tree, f"downhole/{part}", "temperature_records")
        for part in ("formation_temperature", "stations", "tools")
    )
    names = _station_names(found, "temperature_records")
    shown = np.flatnonzero(np.isfinite(found["equilibrium_temperature"].values))
    if not shown.size:
        raise NothingToDraw(
            "the figure temperature_records needs an equilibrium temperature; "
            "no station of this hole has one"
        )
    with new_plate(TWO_COLUMNS, 84.0, tree) as figure:
        axes = figure.add_subplot()
        low, high = np.inf, -np.inf
        for place, row in enumerate(shown):
            one = found.isel(reading=int(row))
            here = of_name(stations, "station", names[row])
            record = formation_temperature.fitted_decay(table, here, tools, one)
            time = record["time"].values
            above = record["temperature"].values - float(one["equilibrium_temperature"])
            # Readings at or below equilibrium have no logarithm. A probe that warms up has only
            # such readings.
            some = (above > 0.0) & (time > 0.0)
            start, end = float(one["window_start"]), float(one["window_end"])
            inside = (time >= start) & (time <= end)
            for side in (some & (time <= start), some & (time >= end)):
                plate.curve(
                    axes,
                    _PANEL,
                    f"station {names[row]}, outside the window",
                    time[side],
                    above[side],
                    colour="0.82",
                )
                axes.lines[-1].set_zorder(1.0)
            plate.curve(
                axes,
                _PANEL,
                f"station {names[row]}",
                time[some & inside],
                above[some & inside],
                colour=_INKS[place // len(_DASHES) % len(_INKS)],
                style=_DASHES[place % len(_DASHES)],
            )
            axes.lines[-1].set_label(f"station {plain(names[row])}, {float(one['depth']):.1f} m")
            if (some & inside).any():
                low = min(low, float(above[some & inside].min()))
                high = max(high, float(above[some].max()))
        if not np.isfinite(low):
            raise NothingToDraw(
                "the figure temperature_records needs readings above the equilibrium temperature, "
                "since its axis is logarithmic; no station of this hole has them"
            )
        # On logarithmic axes the free room is a factor.
        axes.set(xscale="log", yscale="log", ylim=(0.7 * low, 1.4 * high))
        axes.set_xlabel("time since penetration [s]")
        axes.set_ylabel("temperature above equilibrium [K]")
        handles = [line for line in axes.lines if not str(line.get_label()).startswith("_")]
        legend_beside(axes, handles[:25], handlelength=4.0)  # more do not fit on the height
    what = (
        f"Cooling of the probe at {shown.size} stations: temperature above the equilibrium that "
        "was fitted, one station a line; grey: outside the window of the fit."
    )
    return describe(figure, what, found)
