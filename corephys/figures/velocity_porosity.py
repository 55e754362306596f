"""Velocity against porosity: readings by coring method, models, bounds, and what lies beyond."""

from __future__ import annotations

from typing import Any

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import NothingToDraw, node, require
from corephys.figures.style import FLAGGED, METHODS, RESEARCH_ONLY, SETTINGS, TWO_COLUMNS, label
from corephys.figures.tracks import methods_in_order
from corephys.ground import flags

__all__ = ["velocity_porosity"]

# Model -> words, colour and line; told apart in grey by line and darkness.
_LINES: dict[str, tuple[str, str, Any]] = {
    "upper_bound": ("upper bound", "0.55", "-"),
    "time_average": ("time average (Wyllie)", "#0072B2", "--"),
    "stiff_sand": ("stiff sand", "0.4", (0, (1, 1))),
    "critical_porosity": ("critical porosity", "#009E73", "-."),
    "krief": ("Krief", "#7A4E9E", ":"),
    "raymer": ("Raymer, Hunt and Gardner", "#B07800", (0, (7, 2))),
    "soft_sand": ("soft sand or mud", "black", ":"),
    "suspension": ("suspension (Wood)", "black", "-"),
}
_OUTSIDE = {"below_elastic_bounds": ("below bounds", "x"),
            "above_elastic_bounds": ("above bounds", "+")}  # fmt: skip
_PANEL = "P-wave velocity [m/s] against porosity"


def velocity_porosity(tree: xr.DataTree) -> Plate:
    """Draw the readings of the scan among the models, with those outside the bounds marked.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/elastic_bounds`` [m/s]; models where it has
        ``/products/velocity_models``.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide.

    Raises
    ------
    NothingToDraw
        When the hole has no velocity with a porosity beside it.
    """
    checked = require(tree, "products/elastic_bounds", "velocity_porosity")
    phi, v = (checked[name].values.astype(float) for name in ("porosity", "p_wave_velocity"))
    level = np.maximum(checked["p_wave_velocity_flag"].values, checked["porosity_flag"].values)
    shown = np.isfinite(phi) & np.isfinite(v)
    if not shown.any():
        raise NothingToDraw("no velocity of this hole has a porosity beside it")
    reason = checked["p_wave_velocity_reason"].values
    curves = node(tree, "products/velocity_models")
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, 100.0)
        axes = figure.add_subplot()
        keys = _readings(axes, tree, checked, phi, v, level)
        _limits(axes, phi[shown], v[shown], flags.usable(level[shown]))
        keys += _outside(axes, phi, v, reason, shown)
        if curves is not None:
            keys += _models(axes, curves)
        axes.set_xlabel(label("porosity"))
        axes.set_ylabel(label("p_wave_velocity"))
        figure.head(tree)
        axes.legend(handles=keys, loc="upper left", bbox_to_anchor=(1.01, 1.0), borderaxespad=0.0)
        figure.text(0.01, 0.003, RESEARCH_ONLY, fontsize=4.6, ha="left", va="bottom")
        figure.get_layout_engine().set(rect=(0.0, 0.03, 0.985, 0.97))  # type: ignore[union-attr]
    models = [
        word for word, (words, *_) in _LINES.items() if any(k.get_label() == words for k in keys)
    ]
    what = "P-wave velocity against porosity, with the bounds that mark readings"
    if models:
        what += f" and the models {', '.join(_LINES[word][0] for word in models)}"
    return describe(figure, f"{what}.", checked, curves)


def _readings(
    axes: Axes, tree: xr.DataTree, checked: xr.Dataset, phi: np.ndarray, v: np.ndarray,
    level: np.ndarray,
) -> list[Line2D]:  # fmt: skip
    """Dots by coring method; flagged ones pale below all."""
    keys = []
    for method, here in _by_method(tree, checked).items():
        if not here.any():
            continue
        ink, words = (
            METHODS.get(method or "piston", METHODS["other"])[1],
            f"scan, {method}" if method else "scan",
        )
        drawn.points(axes, _PANEL, words, phi[here], v[here], flag=level[here], colour=ink,
                     small=True)  # fmt: skip
        keys.append(_dot(words, ink))
    keys.append(_dot("scan, flagged", FLAGGED))
    return keys


def _by_method(tree: xr.DataTree, checked: xr.Dataset) -> dict[str, np.ndarray]:
    """Which readings are of cores of each method."""
    cores = node(tree, "cores")
    if cores is None or "coring_method" not in cores or "core" not in checked.coords:
        return {"": np.ones(checked.sizes["reading"], dtype=bool)}
    method = dict(zip(cores["core"].values, map(str, cores["coring_method"].values), strict=True))
    of_reading = np.array([method.get(core, "other") for core in checked["core"].values])
    words = [*methods_in_order(cores), "other"]
    return {word: of_reading == word for word in dict.fromkeys(words)}


def _limits(axes: Axes, phi: np.ndarray, v: np.ndarray, good: np.ndarray) -> None:
    """Axes about the usable readings, with room above for the models."""
    use = good if good.any() else np.ones(phi.size, dtype=bool)
    left, right = np.percentile(phi[use], [0.1, 99.9])
    low, high = np.percentile(v[use], [0.1, 99.9])
    wide, tall = max(right - left, 0.05), max(high - low, 50.0)
    axes.set_xlim(max(left - 0.08 * wide, 0.0), min(right + 0.08 * wide, 1.0))
    axes.set_ylim(low - 0.35 * tall, high + 0.6 * tall)


def _outside(
    axes: Axes, phi: np.ndarray, v: np.ndarray, reason: np.ndarray, shown: np.ndarray
) -> list[Line2D]:
    keys = []
    for word, (words, marker) in _OUTSIDE.items():
        here = shown & ((reason & flags.bit(word)) != 0)
        if not here.any():
            continue
        drawn.points(axes, _PANEL, words, phi[here], v[here], marker=marker)
        (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
        inside = (phi[here] >= left) & (phi[here] <= right) & (v[here] >= low) & (v[here] <= high)
        off = int((~inside).sum())
        text = f"{words}, {off} of {int(here.sum())} off axis" if off else words
        keys.append(Line2D([], [], marker=marker, color="black", linestyle="none", markersize=3.6,
                           markeredgewidth=0.6, label=text))  # fmt: skip
    return keys


def _models(axes: Axes, curves: xr.Dataset) -> list[Line2D]:
    """Lines of the models that pass through the axes; the lower bound with its uncertainty."""
    keys = []
    porosity = curves["porosity"].values
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    for model, (words, ink, style) in _LINES.items():
        if f"velocity_{model}" not in curves:
            continue
        speed = curves[f"velocity_{model}"].values
        seen = (porosity >= left) & (porosity <= right) & (speed >= low) & (speed <= high)
        if not seen.any():
            continue
        if model == "suspension":
            u = curves["velocity_suspension_u"].values
            for sign in (-1.0, 1.0):
                drawn.curve(axes, _PANEL, f"{words}, one standard uncertainty off", porosity,
                            speed + sign * u, colour="0.7")  # fmt: skip
        drawn.curve(axes, _PANEL, words, porosity, speed, colour=ink, style=style)
        keys.append(Line2D([], [], color=ink, linestyle=style, linewidth=1.0, label=words))
    if keys and keys[-1].get_label() == _LINES["suspension"][0]:
        keys.append(Line2D([], [], color="0.7", linewidth=1.0, label="its standard uncertainty"))
    return keys


def _dot(words: str, ink: str) -> Line2D:
    return Line2D([], [], marker=".", color=ink, linestyle="none", markersize=4.0,
                  markeredgewidth=0.0, label=words)  # fmt: skip
