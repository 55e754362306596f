"""Undrained shear strength against depth, beside the share of the effective stress that it is."""

from __future__ import annotations

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from corephys import uncertainty
from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import node, require
from corephys.figures.style import ONE_COLUMN, RESEARCH_ONLY, SETTINGS, TWO_COLUMNS, label
from corephys.ground import thresholds

__all__ = ["strength_depth"]

_SHORT = {
    "strength_ratio": "strength over effective stress", "sensitivity": "sensitivity",
}  # fmt: skip
_METHODS = {
    "vane": ("o", "#0072B2"), "fall_cone": ("^", "#D55E00"), "penetrometer": ("s", "#009E73"),
    "unconfined": ("D", "#7A4E9E"),
}  # fmt: skip
_GREATEST_RATIO = 0.8  # drawn
_SHARES = tuple(thresholds.value(f"drawn_strength_share_{end}") for end in ("low", "high"))


def strength_depth(tree: xr.DataTree) -> Plate:
    """Draw peak strengths by method, their ratio to the effective stress, and the sensitivity.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/strength`` [kPa]; effective stress, ratio and sensitivity
        are drawn where it has them.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide, with the line of caution below.

    Raises
    ------
    NothingToDraw
        When the hole has no strength.
    """
    strengths = require(tree, "properties/strength", "strength_depth")
    stress, ratio, pairs = (
        node(tree, path)
        for path in ("products/effective_stress", "products/strength_ratio",
                     "properties/sensitivity")
    )  # fmt: skip
    bottom = 1.04 * float(np.nanmax(strengths["depth"].values))
    shown = [part for part in (ratio, pairs) if part is not None]
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS if shown else ONE_COLUMN, 100.0)
        axes = list(figure.subplots(1, 1 + len(shown), sharey=True, squeeze=False)[0])
        peak = strengths.isel(reading=strengths["state"].values == "peak")
        _by_method(axes[0], peak, "undrained_shear_strength")
        if stress is not None:
            _shares(axes[0], stress)
        spare = iter(axes[1:])
        if ratio is not None:
            spot = next(spare)
            _by_method(spot, ratio, "strength_ratio")
            for share in _SHARES:
                drawn.curve(spot, f"{label('strength_ratio')} against depth [m]", f"{share:g}",
                            [share, share], [0.0, bottom], colour="0.4", style="--")  # fmt: skip
        if pairs is not None:
            _by_method(next(spare), pairs, "sensitivity")
        for one in axes:
            one.set_ylim(bottom, -0.02 * bottom)
            one.set_xlim(left=0.0)
        if ratio is not None:  # near the sea floor the stress vanishes, and the ratio says nothing
            axes[1].set_xlim(0.0, min(axes[1].get_xlim()[1], _GREATEST_RATIO))
        axes[0].set_ylabel("depth below seafloor [m]")
        axes[0].legend(handles=_keys(peak), loc="upper right", handletextpad=0.3)
        figure.text(0.01, 0.003, RESEARCH_ONLY, fontsize=4.6, ha="left", va="bottom")
        figure.head(tree)
        figure.get_layout_engine().set(rect=(0.0, 0.03, 1.0, 0.97))  # type: ignore[union-attr]
    what = (
        "Undrained strength, its ratio to the vertical effective stress, and sensitivity, "
        f"against depth, by method; dashed: {' and '.join(f'{s:g}' for s in _SHARES)} of the "
        f"vertical effective stress."
    )
    return describe(figure, what, peak, ratio, pairs, depth_scale="depth")


def _by_method(axes: Axes, data: xr.Dataset, name: str) -> None:
    total = uncertainty.total(data, name).values
    depth, values = data["depth"].values, data[name].values.astype(float)
    method = data["method"].values if "method" in data.coords else np.full(values.size, "vane")
    panel = f"{label(name)} against depth [m]"
    for word, (marker, colour) in _METHODS.items():
        here = (method == word) & np.isfinite(values)
        if not here.any():
            continue
        drawn.points(
            axes, panel, word.replace("_", " "), values[here], depth[here], marker=marker,
            colour=colour, x_error=total[here], flag=data[f"{name}_flag"].values[here],
        )  # fmt: skip
    axes.set_xlabel(label(name, words=_SHORT.get(name)))


def _keys(peak: xr.Dataset) -> list[Line2D]:
    """Symbols of the methods that there are."""
    there = set(peak["method"].values)
    return [
        Line2D([], [], marker=marker, color=colour, markerfacecolor="white", linestyle="none",
               markersize=3.6, label=word.replace("_", " "))
        for word, (marker, colour) in _METHODS.items() if word in there
    ]  # fmt: skip


def _shares(axes: Axes, stress: xr.Dataset) -> None:
    order = np.argsort(stress["depth"].values)
    depth = stress["depth"].values[order]
    values = stress["vertical_effective_stress"].values[order]
    for share in _SHARES:
        drawn.curve(
            axes, f"{label('undrained_shear_strength')} against depth [m]",
            f"{share:g} of the effective stress", share * values, depth, colour="0.4", style="--",
        )  # fmt: skip
