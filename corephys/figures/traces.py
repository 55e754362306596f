"""Figures for seismics and logs: synthetic trace, time and depth, cores beside a log."""

from __future__ import annotations

from typing import Unpack

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from corephys import uncertainty
from corephys.figures import plate
from corephys.figures.caption import describe
from corephys.figures.look import Look, adaptable
from corephys.figures.part import Cores, Depths, cut
from corephys.figures.plate import Plate, new_plate
from corephys.figures.reading import NothingToDraw, Series, node, require, series, the_hole
from corephys.figures.style import COLOURS, ONE_COLUMN, TWO_COLUMNS, LineStyle, label
from corephys.figures.tracks import depth_axis, draw_series, set_usual_scale, span
from corephys.ground import flags
from corephys.ground.choices import plain_words
from corephys.ground.registry import Compiled

__all__ = ["log_comparison", "seismic_tie", "time_depth"]

# --------------------------------------------------------------------------------------------------
# The synthetic trace: from density and velocity to the trace, on one axis of two-way time.


_TRACKS = ("bulk_density", "p_wave_velocity", "acoustic_impedance")
_SHORT = {
    "bulk_density": "bulk density",
    "p_wave_velocity": "velocity",
    "acoustic_impedance": "impedance",
    "reflection_coefficient": "reflection coeff.",
    "synthetic_trace": "synthetic trace",
}
_REPEATS = 4  # traces of the section


@adaptable
def seismic_tie(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw density, velocity, impedance, reflection coefficients and the synthetic trace in time.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/synthetic`` and ``/products/reflectivity``. Its profiles
        (g/cm^3, m/s, MPa s/m) are drawn against two-way time [ms], with depths [m] at the right.
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
        A matplotlib Figure, two columns wide: readings pale, their long-wave average as a line,
        the trace with a band of one standard uncertainty, and four copies of it as a section.

    Raises
    ------
    NothingToDraw
        If the hole has no synthetic trace.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    whole = tree
    tree = cut(tree, core, depth, kept="The trace was computed from the complete hole.")
    trace = require(tree, "products/synthetic", "seismic_tie")
    reflections = require(tree, "products/reflectivity", "seismic_tie")
    clock = _Clock(whole, require(whole, "products/reflectivity", "seismic_tie"))
    time = clock.of(trace)
    with new_plate(TWO_COLUMNS, 120.0, tree) as figure:
        axes = list(figure.subplots(1, 6, sharey=True, width_ratios=(1, 1, 1, 1, 1, 1.5)))
        for spot, name in zip(axes, _TRACKS, strict=False):
            _track(spot, tree, clock, name)
        for spot, name in ((axes[3], "reflection_coefficient"), (axes[4], "synthetic_trace")):
            plate.curve(
                spot,
                f"{label(name)} against {clock.words}",
                "zero",
                [0.0, 0.0],
                [time[0], time[-1]],
                colour="0.7",
            )
        panel = f"{label('reflection_coefficient')} against {clock.words}"
        values = reflections["reflection_coefficient"].values
        # NaN between the stems lifts the pen, so that all of them are one line.
        stems = [
            np.ravel(np.column_stack([one, other, np.full(time.size, np.nan)]))
            for one, other in ((np.zeros(time.size), values), (time, time))
        ]
        plate.curve(axes[3], panel, "coefficients", *stems)
        _wiggles(axes[4], axes[5], trace, time, clock.words)
        for spot, name in ((axes[3], "reflection_coefficient"), (axes[4], "synthetic_trace")):
            spot.set_xlabel(label(name, words=_SHORT[name]))
            reach = 1.05 * max(abs(edge) for edge in spot.get_xlim())
            spot.set_xlim(-reach, reach)
            # Three labels fit on a narrow track; 0.6 of the range keeps them from its edges.
            mark = float(f"{0.6 * reach:.1g}")
            spot.set_xticks([-mark, 0.0, mark], [f"−{mark:g}", "0", f"{mark:g}"])
        filled = _gaps(axes[:4], tree, clock)
        # Four milliseconds are free at both ends: time increases downward as depth does.
        top = (min(float(time[0]), 0.0) if figure.part is None else float(time[0])) - 4.0
        depth_axis(axes[0], float(time[-1]) + 4.0, top, words=clock.words)
        _depths(axes[5], trace, time)
    what = (
        "Density, velocity, impedance and reflection coefficients with the synthetic trace, "
        f"against two-way time.{filled}"
    )
    return describe(figure, what, trace, depth_scale="depth")


class _Clock:
    """Two-way time [ms] of the depths of a profile, from the seafloor if that is known."""

    def __init__(self, tree: xr.DataTree, reflections: xr.Dataset) -> None:
        table = node(tree, "products/time_depth")
        self.depth = reflections["depth"].values
        self.time = 1e3 * reflections["two_way_time"].values
        self.words = "two-way time from the first reading [ms]"
        if table is not None and "two_way_time" in table:
            # The profile begins at the first reading; the table of times begins at the seafloor.
            late = np.interp(self.depth[0], table["depth"].values, table["two_way_time"].values)
            self.time = self.time + 1e3 * float(late)
            self.words = "two-way time below seafloor [ms]"

    def of(self, trace: xr.Dataset) -> np.ndarray:
        """Times of the samples of a trace, which may be a part of the complete one."""
        first = int(np.searchsorted(self.depth, float(trace["depth"][0])))
        return self.time[first : first + trace.sizes["time"]]

    def at(self, depth: np.ndarray) -> np.ndarray:
        """Times of depths [m]."""
        return np.interp(depth, self.depth, self.time)


def _track(axes: Axes, tree: xr.DataTree, clock: _Clock, name: str) -> None:
    """Draw the readings of the profile and their long-wave average."""
    panel = f"{label(name)} against {clock.words}"
    axes.set_xlabel(label(name, words=_SHORT[name]))
    profile = node(tree, "products/seismic_profile")
    if profile is not None:
        read = profile["filled"].values == 0
        plate.points(
            axes,
            panel,
            "profile",
            profile[name].values[read],
            clock.at(profile["depth"].values[read]),
            colour="0.6",
            small=True,
        )
    averaged = node(tree, "products/averaged_profile")
    if averaged is not None:
        plate.curve(
            axes,
            panel,
            "long-wave average",
            averaged[name].values,
            clock.at(averaged["depth"].values),
            colour=COLOURS[name],
        )
    kept = averaged if averaged is not None else profile
    if kept is not None:
        low, high = np.nanpercentile(kept[name].values, [0.0, 100.0])
        axes.set_xlim(low - 0.25 * (high - low), high + 0.25 * (high - low))


def _gaps(axes: list[Axes], tree: xr.DataTree, clock: _Clock) -> str:
    """Shade the filled gaps of the profile; return a sentence on their number."""
    profile = node(tree, "products/seismic_profile")
    if profile is None or not (profile["filled"].values != 0).any():
        return ""
    filled = profile["filled"].values != 0
    depth = profile["depth"].values
    edges = np.flatnonzero(np.diff(np.concatenate([[0], filled.astype(int), [0]])))
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        top, bottom = clock.at(depth[[max(first - 1, 0), min(end, depth.size - 1)]])
        for one in axes:
            one.axhspan(top, bottom, color="0.9", zorder=0)
    return (
        f" Shaded: gaps of the profile, filled by straight lines ({int(filled.sum())} of "
        f"{filled.size} rows)."
    )


def _wiggles(axes: Axes, section: Axes, trace: xr.Dataset, time: np.ndarray, words: str) -> None:
    """Draw the trace with its band, and copies of it side by side as a section."""
    name = "synthetic_trace"
    panel = f"{label(name)} against {words}"
    values = trace[name].values
    u = uncertainty.total(trace, name).values
    if np.isfinite(u).any():
        plate.band(axes, panel, "one standard uncertainty", time, values - u, values + u)
    plate.curve(axes, panel, "trace", values, time)
    # Traces of the section stand one apart; 0.8 keeps neighbours from touching.
    scale = 0.8 / max(float(np.max(np.abs(values))), 1e-12)
    for k in range(_REPEATS):
        swing = k + scale * values
        plate.band(
            section,
            f"{panel}, as a section",
            f"peaks {k + 1}",
            time,
            np.full(time.size, float(k)),
            np.maximum(swing, k),
            kind="fill",
        )
        plate.curve(section, f"{panel}, as a section", f"trace {k + 1}", swing, time)
    section.set_xlabel("the same, as a section")
    section.set_xticks([])


def _depths(axes: Axes, trace: xr.Dataset, time: np.ndarray) -> None:
    """Label round depths [m] at the right of the time axis."""
    depth = trace["depth"].values
    low, high = float(depth[0]), float(depth[-1])
    # At most eight labels.
    step = next((s for s in (1, 2, 5, 10, 20, 50, 100, 200) if (high - low) / s <= 8), 500)
    marks = np.arange(np.ceil(low / step) * step, high, step)
    right = axes.secondary_yaxis("right")
    right.set_yticks(np.interp(marks, depth, time), [f"{mark:g}" for mark in marks])
    right.set_ylabel(label("depth"))


# --------------------------------------------------------------------------------------------------
# Two-way time against depth from core, log and check shots, and their differences.


# Line style and colour of each source of times.
_WAYS: dict[str, tuple[LineStyle, str]] = {
    "core": ("-", "#0072B2"),
    "log": ("--", "#D55E00"),
    "check shots": (":", "#009E73"),
}


@adaptable
def time_depth(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw two-way times against depth, and the difference of each source from their mean.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/time_depth`` (s, m). Check shots are drawn where it has them.
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
        A matplotlib Figure: the core with a band of one standard uncertainty each way, check shots
        as symbols; beside it the differences [%] and their envelope.

    Raises
    ------
    NothingToDraw
        If the hole has no table of times.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    tree = cut(tree, core, depth, kept="Times were computed from the complete hole.")
    table = require(tree, "products/time_depth", "time_depth")
    shots, compared = (
        node(tree, f"products/{name}") for name in ("check_shot_times", "times_compared")
    )
    panels = 1 + (compared is not None)
    with new_plate(ONE_COLUMN if panels == 1 else TWO_COLUMNS, 100.0, tree) as figure:
        axes = list(figure.subplots(1, panels, sharey=True, squeeze=False)[0])
        _times(axes[0], table, shots)
        if compared is not None:
            _differences(axes[1], compared)
        depth_axis(axes[0], 1.03 * float(np.nanmax(table["depth"].values)))
    what = "Two-way time against depth from each source, and the differences of the sources."
    return describe(figure, what, table, shots, compared, depth_scale="depth")


def _times(axes: Axes, table: xr.Dataset, shots: xr.Dataset | None) -> None:
    """Draw the two-way times [s] of the core with their band, and the check shots."""
    name = "two_way_time"
    panel = f"{label(name)} against depth [m]"
    depth, time = table["depth"].values, table[name].values
    u = uncertainty.total(table, name).values
    style, colour = _WAYS["core"]
    if np.isfinite(u).any():
        plate.band(
            axes, panel, "core, one standard uncertainty", depth, time - u, time + u, colour=colour
        )
    plate.curve(axes, panel, "core", time, depth, colour=colour, style=style)
    handles = [axes.lines[-1]]
    names = ["core"]
    if shots is not None:
        plate.points(
            axes,
            panel,
            "check shots",
            shots[name].values,
            shots["depth"].values,
            flag=shots[f"{name}_flag"].values,
            x_error=shots[f"{name}_u_random"].values,
            colour=_WAYS["check shots"][1],
        )
        handles.append(axes.lines[-1])
        names.append("check shots")
    axes.legend(handles, names, loc="upper right")
    axes.set_xlabel(label(name))
    figure = plate.plate_of(axes)
    if figure.part is None:
        axes.set_xlim(left=0.0)


def _differences(axes: Axes, compared: xr.Dataset) -> None:
    """Draw the difference [%] of each source from their mean, and the envelope of all."""
    depth = compared["depth"].values
    differences = compared["difference"].values
    # The envelope needs all sources.
    known = np.isfinite(differences).all(axis=0)
    panel = "difference from the mean of all sources [%] against depth [m]"
    plate.band(
        axes,
        panel,
        "envelope",
        depth[known],
        differences[:, known].min(axis=0),
        differences[:, known].max(axis=0),
    )
    for way, values in zip(compared["way"].values, differences, strict=True):
        words = plain_words(way)
        style, colour = _WAYS[words]
        plate.curve(axes, panel, words, values[known], depth[known], colour=colour, style=style)
    plate.curve(axes, panel, "zero", [0.0, 0.0], [depth[0], depth[-1]], colour="0.7")
    axes.legend(
        axes.lines[: compared.sizes["way"]],
        [plain_words(way) for way in compared["way"].values],
        loc="lower right",
    )
    axes.set_xlabel("difference from the mean of all sources [%]")
    reach = 1.15 * max(float(np.max(np.abs(differences[:, known]))), 0.5)
    axes.set_xlim(-reach, reach)


# --------------------------------------------------------------------------------------------------
# A series of the cores beside a downhole log, and their difference.


_HOMES = Compiled(
    lambda sensors: {
        **{sensor.quantity: sensor.path for sensor in sensors},
        "porosity": "products/porosity",
    }
)


@adaptable
def log_comparison(
    tree: xr.DataTree,
    *,
    quantity: str | None = None,
    core: Cores | None = None,
    depth: Depths | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw a quantity of the scan and of a log on one depth axis, and core less log.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with a log (``/properties/log_...``) and the same quantity of the cores.
    quantity : str, optional
        Quantity to draw; the default is the first that both have.
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
        A matplotlib Figure, two columns wide. Cores and log keep their depths; neither is shifted.

    Raises
    ------
    NothingToDraw
        If the hole has no log, or no log with a quantity of the cores.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    part = cut(tree, core, depth, kept="Core less log uses the complete log.")
    logs = [leaf for leaf in tree.leaves if leaf.path.startswith("/properties/log_")]
    wanted = [quantity] if quantity else list(_HOMES)
    for name in wanted:
        for leaf in logs:
            log = series(tree, leaf.path.strip("/"), name)
            own = series(part, _HOMES.get(name, ""), name) if name in _HOMES else None
            if log is not None and own is not None:
                shown = series(part, leaf.path.strip("/"), name)
                return _compared(part, own, log, shown, leaf.to_dataset(inherit=False))
    held = ", ".join(leaf.path.strip("/") for leaf in logs) or "no log"
    raise NothingToDraw(
        f"the figure log_comparison needs {quantity or 'a quantity'} of both cores and a log; "
        f"{the_hole(part)} has {held}"
    )


def _compared(
    tree: xr.DataTree, core: Series, log: Series, shown: Series | None, held: xr.Dataset
) -> Plate:
    """Draw a quantity of cores and log, and core less log where the log has rows nearby.

    ``shown`` are the rows of the log that are drawn, None without any; the complete log gives the
    values beside the cores.
    """
    good = flags.usable(core.flag) & np.isfinite(core.values) & np.isfinite(core.depth)
    seen = flags.usable(log.flag) & np.isfinite(log.values) & np.isfinite(log.depth)
    if not (good.any() and seen.sum() > 1):
        raise NothingToDraw(
            f"the figure log_comparison needs usable {core.label} of both cores and log; "
            "one of them has none"
        )
    order = np.argsort(log.depth[seen], kind="stable")
    z, value = log.depth[seen][order], log.values[seen][order]
    # Farther than three usual steps from a row of the log there is a gap: no interpolation.
    near = 3.0 * float(np.median(np.diff(z)))
    at = np.interp(core.depth, z, value, left=np.nan, right=np.nan)
    place = np.clip(np.searchsorted(z, core.depth), 1, z.size - 1)
    gap = np.minimum(np.abs(core.depth - z[place - 1]), np.abs(z[place] - core.depth)) > near
    at[gap] = np.nan
    left_over = core.values - at
    with new_plate(TWO_COLUMNS, 110.0, tree) as figure:
        axes = figure.subplots(1, 2, sharey=True, width_ratios=[1.5, 1.0])
        panel = f"{core.label} against depth [m]"
        ink = COLOURS.get(core.name, "0.4")
        draw_series(axes[0], core, "cores", panel=panel, colour=ink, small=True)
        drawn = np.isin(z, [] if shown is None else shown.depth)
        own, at_own = z[drawn], value[drawn]
        ends = np.flatnonzero(np.diff(own) > near) + 1
        plate.curve(
            axes[0], panel, "log", np.insert(at_own, ends, np.nan), np.insert(own, ends, np.nan)
        )
        both = [one for one in (core, shown) if one is not None]
        axes[0].set_xlim(*span(both))
        set_usual_scale(axes[0], both)
        axes[0].set_xlabel(core.label)
        axes[0].set_title("dots: cores, line: log", loc="left", fontsize=6)
        unit = label(core.name).partition(" [")[2]
        words = f"core less log{' [' + unit if unit else ''}"
        plate.points(
            axes[1],
            f"{words} against depth [m]",
            "core less log",
            left_over,
            core.depth,
            flag=core.flag,
            colour=ink,
            small=True,
        )
        axes[1].axvline(0.0, color="0.4", linewidth=0.8, linestyle="--", zorder=1)
        some = left_over[good & np.isfinite(left_over)]
        if some.size:
            middle = float(np.median(some))
            # Symmetric limits about the median, wide enough to show zero; a hundredth is left out.
            reach = 1.2 * max(float(np.quantile(np.abs(some - middle), 0.99)), abs(middle)) or 1.0
            axes[1].set_xlim(middle - reach, middle + reach)
            axes[1].set_title(f"median {middle:+.4g}", loc="left", fontsize=6)
        axes[1].set_xlabel(words)
        deep, high = np.nanmax(core.depth[good]), np.nanmin(core.depth[good])
        room = 0.02 * float(deep - high or 1.0)
        depth_axis(axes[0], deep + room, high - room, words=label("depth"))
    what = f"{core.label.partition(' [')[0]} of cores and log, and their difference."
    what = what[0].upper() + what[1:]
    compared = node(tree, f"products/log_comparison_{core.name}")
    return describe(figure, what, held, compared, depth_scale="depth")
