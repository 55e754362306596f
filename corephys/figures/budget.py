"""What the uncertainty of each result comes from: shares of the variance, one bar a result."""

from __future__ import annotations

from typing import NamedTuple

import matplotlib
import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.patches import Patch, Rectangle

from corephys import uncertainty
from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import NothingToDraw, node
from corephys.figures.style import SETTINGS, TWO_COLUMNS, unit_in_print

__all__ = ["budget"]

# Leaf, quantity and words of the bars, in the order of the work.
_BARS = (
    ("properties/density", "bulk_density", "bulk density, scan"),
    ("properties/velocity", "p_wave_velocity", "P-wave velocity, scan"),
    ("properties/resistivity", "electrical_resistivity", "resistivity, scan"),
    ("properties/index_properties", "grain_density", "grain density, samples"),
    ("properties/index_properties", "porosity", "porosity, samples"),
    ("products/porosity", "porosity", "porosity, scan"),
    ("products/impedance", "acoustic_impedance", "acoustic impedance"),
    ("products/compaction", "surface_porosity", "surface porosity"),
    ("properties/thermal_conductivity", "thermal_conductivity", "thermal conductivity"),
    ("properties/formation_temperature", "equilibrium_temperature", "formation temperature"),
    ("products/heat_flow", "heat_flow", "heat flow"),
)
# Grey and hatch of each group: told apart in print without colour. Random parts have no hatch.
_LOOKS: dict[str, tuple[str, str]] = {
    "counting": ("0.25", ""),
    "reading": ("0.50", ""),
    "weighing": ("0.72", ""),
    "natural scatter": ("0.90", ""),
    "calibration": ("white", "//////"),
    "geometry": ("white", "\\\\\\\\\\\\"),
    "depth": ("white", "||||||"),
    "grain density": ("0.82", "xxxx"),
    "grain chemistry": ("white", "++++++"),
    "pore water": ("white", "oooo"),
    "conductivity": ("white", "------"),
    "heat capacity": ("0.82", "...."),
    "temperature": ("white", "...."),
    "model": ("0.72", "//////"),
    "other sources": ("white", ""),
}
_OTHER = "other sources"
_SEEN = 0.01  # share that no bar reaches: such groups are drawn together
_LABELLED = 0.055  # share that is wide enough for its number


class _Bar(NamedTuple):
    words: str
    shares: dict[str, float]
    note: str


def budget(tree: xr.DataTree) -> Plate:
    """Draw the share of the variance that each group of sources brings to each result.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide: one bar a result, its parts by grey and hatch with
        their shares, the median standard uncertainty (k = 1) beside it. A part that is not known
        is named there; the bar is then of what is known.

    Raises
    ------
    NothingToDraw
        When no result of the hole has an uncertainty.
    """
    bars = [bar for row in _BARS if (bar := _bar(tree, *row)) is not None]
    if not bars:
        raise NothingToDraw("no result of this hole has an uncertainty to draw a budget of")
    groups = _groups(bars)
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, 27.0 + 7.4 * len(bars))
        axes = figure.subplots()
        for number, bar in enumerate(bars):
            _draw(axes, number, bar, groups)
        axes.text(1.012, -0.95, "median\nuncertainty", va="center", fontsize=6, linespacing=1.0)
        axes.set_xlim(0, 1)
        axes.set_ylim(len(bars) - 0.4, -0.6)
        axes.set_yticks(range(len(bars)), [bar.words for bar in bars])
        axes.tick_params(axis="y", length=0, labelsize=7)
        axes.set_xticks(np.linspace(0, 1, 6), [f"{share:.0%}" for share in np.linspace(0, 1, 6)])
        axes.set_xlabel("share of the variance (mean over the readings)")
        for side in ("top", "right", "left"):
            axes.spines[side].set_visible(False)
        handles = [
            Patch(facecolor=_LOOKS[g][0], hatch=_LOOKS[g][1], edgecolor="0.1", linewidth=0.4,
                  label=g)
            for g in groups
        ]  # fmt: skip
        figure.legend(handles=handles, loc="outside lower center", ncols=6, handlelength=2.6,
                      handleheight=1.3, columnspacing=1.4)  # fmt: skip
        figure.head(tree)
    what = (
        "Share of each group of error sources in the variance of the results of this hole, "
        "mean over the readings."
    )
    return describe(figure, what, counted=False)


def _bar(tree: xr.DataTree, path: str, name: str, words: str) -> _Bar | None:
    """Shares of one result by group, or None where the hole has it not."""
    dataset = node(tree, path)
    if dataset is None or f"{name}_u_random" not in dataset:
        return None
    table = uncertainty.budget(dataset, name, by="group")
    if not table["readings"].iloc[0]:
        return None
    parts = table[table["kind"] != "sum"]
    known = parts[np.isfinite(parts["share"])]
    shares: dict[str, float] = {}
    for group, share in zip(known["group"], known["share"], strict=True):
        shares[group] = shares.get(group, 0.0) + float(share)
    return _Bar(words, shares, _note(table, parts[parts["unknown"] > 0]))


def _note(table: pd.DataFrame, unknown: pd.DataFrame) -> str:
    """Size of the uncertainty in words, and what is not known of it."""
    sums = table[table["kind"] == "sum"].set_index("source")["standard_uncertainty"]
    unit = str(table["unit"].iloc[0])
    size = sums["known"] if len(unknown) else sums["total"]
    words = f"{size:#.2g}".rstrip(".") + ("" if unit == "1" else f" {unit_in_print(unit)}")
    if not len(unknown):
        return words
    names = ", ".join(unknown["source"].str.replace("_", " "))
    return f"{words} without\n{names}\n(not known)" if np.isfinite(size) else "not known"


def _groups(bars: list[_Bar]) -> list[str]:
    """Groups that some bar shows, in the order of the looks; the small ones as one."""
    most: dict[str, float] = {}
    for bar in bars:
        for group, share in bar.shares.items():
            most[group] = max(most.get(group, 0.0), share)
    seen = [group for group in _LOOKS if most.get(group, 0.0) >= _SEEN]
    return [*seen, _OTHER] if set(most) - set(seen) else seen


def _draw(axes: Axes, number: int, bar: _Bar, groups: list[str]) -> None:
    left, edges = 0.0, np.array([number - 0.34, number + 0.34])
    for group in groups:
        share = bar.shares.get(group, 0.0)
        if group == _OTHER:
            share = sum(part for name, part in bar.shares.items() if name not in groups)
        if share <= 0.0:
            continue
        grey, hatch = _LOOKS[group]
        drawn.band(
            axes, f"share of the variance of {bar.words}", group, edges, np.full(2, left),
            np.full(2, left + share), colour=grey, kind="fill",
        )  # fmt: skip
        # The fill is the record; hatch and outline lie on it.
        axes.collections[-1].set_alpha(1.0)
        axes.add_patch(
            Rectangle((left, edges[0]), share, edges[1] - edges[0], fill=False, hatch=hatch,
                      edgecolor="0.1", linewidth=0.4, clip_on=False, zorder=3)
        )  # fmt: skip
        if share >= _LABELLED:
            axes.text(
                left + share / 2, number, f"{100 * share:.0f}", ha="center", va="center",
                fontsize=6, zorder=5,
                bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none"},
            )  # fmt: skip
        left += share
    axes.text(1.012, number, bar.note, va="center", fontsize=6, linespacing=1.0)
