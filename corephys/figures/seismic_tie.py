"""The synthetic plate: from density and velocity to the trace, down one axis of two-way time."""

from __future__ import annotations

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from corephys import uncertainty
from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import node, require
from corephys.figures.style import COLOURS, SETTINGS, TWO_COLUMNS, label

__all__ = ["seismic_tie"]

_TRACKS = ("bulk_density", "p_wave_velocity", "acoustic_impedance")
_SHORT = {
    "bulk_density": "bulk density", "p_wave_velocity": "velocity",
    "acoustic_impedance": "impedance", "reflection_coefficient": "reflection coeff.",
    "synthetic_trace": "synthetic trace",
}  # fmt: skip
_REPEATS = 4


def seismic_tie(tree: xr.DataTree) -> Plate:
    """Draw density, velocity, impedance, reflection coefficients and the synthetic trace in time.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/synthetic`` and what it was made of: g/cm^3, m/s, MPa s/m
        against two-way time [ms], with depths [m] at the right.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide: readings pale, their long-wave average as a line,
        the trace with a band of one standard uncertainty, and four times over as in a section.

    Raises
    ------
    NothingToDraw
        When the hole has no synthetic trace.
    """
    trace = require(tree, "products/synthetic", "seismic_tie")
    reflections = require(tree, "products/reflectivity", "seismic_tie")
    clock = _Clock(tree, reflections)
    time = clock.of(trace)
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, 120.0)
        axes = list(figure.subplots(1, 6, sharey=True, width_ratios=(1, 1, 1, 1, 1, 1.5)))
        for spot, name in zip(axes, _TRACKS, strict=False):
            _track(spot, tree, clock, name)
        for spot, name in ((axes[3], "reflection_coefficient"), (axes[4], "synthetic_trace")):
            drawn.curve(spot, f"{label(name)} against {clock.words}", "zero", [0.0, 0.0],
                        [time[0], time[-1]], colour="0.7")  # fmt: skip
        panel = f"{label('reflection_coefficient')} against {clock.words}"
        values = reflections["reflection_coefficient"].values
        stems = [np.ravel(np.column_stack([one, other, np.full(time.size, np.nan)]))
                 for one, other in ((np.zeros(time.size), values), (time, time))]  # fmt: skip
        drawn.curve(axes[3], panel, "coefficients", *stems)
        _wiggles(axes[4], axes[5], trace, time, clock.words)
        for spot, name in ((axes[3], "reflection_coefficient"), (axes[4], "synthetic_trace")):
            spot.set_xlabel(label(name, words=_SHORT[name]))
            reach = 1.05 * max(abs(edge) for edge in spot.get_xlim())
            spot.set_xlim(-reach, reach)
            mark = float(f"{0.6 * reach:.1g}")
            spot.set_xticks([-mark, 0.0, mark], [f"−{mark:g}", "0", f"{mark:g}"])
        filled = _gaps(axes[:4], tree, clock)
        axes[0].set_ylim(float(time[-1]) + 4.0, min(float(time[0]), 0.0) - 4.0)
        axes[0].set_ylabel(clock.words)
        _depths(axes[5], trace, time)
        figure.head(tree)
    what = (
        "Density, velocity, impedance and reflection coefficients with the synthetic trace, "
        f"against two-way time.{filled}"
    )
    return describe(figure, what, trace, depth_scale="depth")


class _Clock:
    """Two-way time [ms] of the depths of a profile, from the seafloor where that is known."""

    def __init__(self, tree: xr.DataTree, reflections: xr.Dataset) -> None:
        table = node(tree, "products/time_depth")
        self.depth = reflections["depth"].values
        self.time = 1e3 * reflections["two_way_time"].values
        self.words = "two-way time from the first reading [ms]"
        if table is not None and "two_way_time" in table:
            late = np.interp(self.depth[0], table["depth"].values, table["two_way_time"].values)
            self.time = self.time + 1e3 * float(late)
            self.words = "two-way time below seafloor [ms]"

    def of(self, trace: xr.Dataset) -> np.ndarray:
        return self.time[: trace.sizes["time"]]

    def at(self, depth: np.ndarray) -> np.ndarray:
        return np.interp(depth, self.depth, self.time)


def _track(axes: Axes, tree: xr.DataTree, clock: _Clock, name: str) -> None:
    """Readings, pale where they were put into a gap, and their average."""
    panel = f"{label(name)} against {clock.words}"
    axes.set_xlabel(label(name, words=_SHORT[name]))
    profile = node(tree, "products/seismic_profile")
    if profile is not None:
        read = profile["filled"].values == 0
        drawn.points(
            axes, panel, "profile", profile[name].values[read],
            clock.at(profile["depth"].values[read]), colour="0.6", small=True,
        )  # fmt: skip
    averaged = node(tree, "products/averaged_profile")
    if averaged is not None:
        drawn.curve(axes, panel, "long-wave average", averaged[name].values,
                    clock.at(averaged["depth"].values), colour=COLOURS[name])  # fmt: skip
    kept = averaged if averaged is not None else profile
    if kept is not None:
        low, high = np.nanpercentile(kept[name].values, [0.0, 100.0])
        axes.set_xlim(low - 0.25 * (high - low), high + 0.25 * (high - low))


def _gaps(axes: list[Axes], tree: xr.DataTree, clock: _Clock) -> str:
    """Shade what was put into gaps, and say how much it is."""
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
    """The trace with its band, and the same side by side as a section shows it."""
    name = "synthetic_trace"
    panel = f"{label(name)} against {words}"
    values = trace[name].values
    u = uncertainty.total(trace, name).values
    if np.isfinite(u).any():
        drawn.band(axes, panel, "one standard uncertainty", time, values - u, values + u)
    drawn.curve(axes, panel, "trace", values, time)
    scale = 0.8 / max(float(np.max(np.abs(values))), 1e-12)
    for k in range(_REPEATS):
        swing = k + scale * values
        drawn.band(section, f"{panel}, as a section", f"peaks {k + 1}", time,
                   np.full(time.size, float(k)), np.maximum(swing, k), kind="fill")  # fmt: skip
        drawn.curve(section, f"{panel}, as a section", f"trace {k + 1}", swing, time)
    section.set_xlabel("the same, as a section")
    section.set_xticks([])


def _depths(axes: Axes, trace: xr.Dataset, time: np.ndarray) -> None:
    """Round depths at the right, where the time axis has them."""
    depth = trace["depth"].values
    low, high = float(depth[0]), float(depth[-1])
    step = next((s for s in (1, 2, 5, 10, 20, 50, 100, 200) if (high - low) / s <= 8), 500)
    marks = np.arange(np.ceil(low / step) * step, high, step)
    right = axes.secondary_yaxis("right")
    right.set_yticks(np.interp(marks, depth, time), [f"{mark:g}" for mark in marks])
    right.set_ylabel(label("depth"))
