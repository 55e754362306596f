"""Stress and pressure against depth: overburden, water, fluid column, bounds, lambda*."""

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
from corephys.figures.reading import node, require
from corephys.figures.style import COLOURS, RESEARCH_ONLY, SETTINGS, TWO_COLUMNS, label

__all__ = ["stress_depth"]

_DENSITY, _LOAD, _WATER, _FLUID, _BOUND = "#0072B2", "#000000", "#0072B2", "#D55E00", "#7A4E9E"
_MEGA = 1e-3  # kPa to MPa


def stress_depth(tree: xr.DataTree) -> Plate:
    """Draw the density taken, the stresses and pressures, the effective stress, and lambda*.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/stress_profile`` [kPa]; the fluid column and the bounds of
        the overpressure are drawn where it has them.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide, with the line of caution below.

    Raises
    ------
    NothingToDraw
        When the hole has no stress profile.
    """
    profile = require(tree, "products/stress_profile", "stress_depth")
    column, margins = (
        node(tree, "products/fluid_column"),
        node(tree, "products/fluid_column_margins"),
    )
    bounds = [
        (words, marker, found)
        for words, marker, path in (
            ("by porosity", "o", "products/overpressure_bound_of_porosity"),
            ("by compression", "D", "products/overpressure_bound"),
        )
        if (found := node(tree, path)) is not None
    ]
    ratios = margins is not None or any("lambda_star" in b or "overpressure_ratio" in b
                                        for _, _, b in bounds)  # fmt: skip
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, 112.0)
        axes = list(figure.subplots(1, 3 + ratios, sharey=True))
        _density(axes[0], profile)
        _pressures(axes[1], profile, column)
        _effective(axes[2], profile, bounds)
        if ratios:
            _lambda(axes[3], margins, bounds)
        bottom = 1.04 * float(np.nanmax(profile["depth"].values))
        for one in axes:
            one.set_ylim(bottom, -0.02 * bottom)
        axes[0].set_ylabel("depth below seafloor [m]")
        figure.text(0.01, 0.003, RESEARCH_ONLY, fontsize=4.6, ha="left", va="bottom")
        figure.head(tree)
        figure.get_layout_engine().set(rect=(0.0, 0.03, 1.0, 0.97))  # type: ignore[union-attr]
    what = (
        "Density, stress and pressure, and effective stress with bounds of overpressure, "
        "against depth."
    )
    if "density_state" in profile.attrs:
        what += f" Densities {profile.attrs['density_state']}."
    return describe(figure, what, profile, column, margins, depth_scale="depth")


def _density(axes: Axes, profile: xr.Dataset) -> None:
    """Density as it was taken; dashed where it is filled."""
    depth, values = profile["depth"].values, profile["bulk_density"].values
    panel = f"{label('bulk_density')} against depth [m]"
    filled = profile["bulk_density_reason"].values != 0
    # The filled part reaches to the readings at its ends.
    wide = filled | np.append(filled[1:], False) | np.insert(filled[:-1], 0, False)
    colour = COLOURS["bulk_density"]
    drawn.curve(axes, panel, "readings", np.where(filled, np.nan, values), depth, colour=colour)
    if filled.any():
        drawn.curve(
            axes, panel, "filled", np.where(wide, values, np.nan), depth, colour="0.4", style="--"
        )
        axes.legend(*_keys(axes, ["readings", "filled"]), loc="lower left")
    axes.set_xlabel(label("bulk_density"))


def _keys(axes: Axes, words: list[str]) -> tuple[list[Any], list[str]]:
    return list(axes.get_lines()[: len(words)]), words


def _pressures(axes: Axes, profile: xr.Dataset, column: xr.Dataset | None) -> None:
    """Overburden, hydrostatic pressure and the fluid column, from sea level where it is known."""
    sea = "overburden_stress" in profile
    load, water = (
        ("overburden_stress", "hydrostatic_pressure")
        if sea
        else ("overburden_below_seafloor", "hydrostatic_below_seafloor")
    )
    datum = "from sea level" if sea else "from the seafloor"
    panel = f"stress and pressure {datum} [MPa] against depth [m]"
    lines = [
        ("overburden", profile, load, _LOAD, "-"),
        ("hydrostatic", profile, water, _WATER, "--"),
    ]
    if column is not None and sea:
        lines.append(("fluid column", column, "fluid_column_pressure", _FLUID, "-."))
    for words, data, name, colour, style in lines:
        depth, values = data["depth"].values, data[name].values * _MEGA
        u = uncertainty.total(data, name).values * _MEGA
        if np.isfinite(u).any():
            drawn.band(axes, panel, f"{words}, one standard uncertainty", depth, values - u,
                       values + u, colour=colour)  # fmt: skip
        drawn.curve(axes, panel, words, values, depth, colour=colour, style=style)
    axes.legend(*_keys(axes, [words for words, *_ in lines]), loc="upper right")
    axes.set_xlabel(f"stress and pressure\n{datum} [MPa]")


def _effective(axes: Axes, profile: xr.Dataset, bounds: list[tuple[str, str, xr.Dataset]]) -> None:
    """Effective stress under hydrostatic pressure, and bounds of the overpressure beside it."""
    name = "vertical_effective_stress"
    depth, values = profile["depth"].values, profile[name].values * _MEGA
    u = uncertainty.total(profile, name).values * _MEGA
    panel = f"{label(name, unit='MPa')} against depth [m]"
    if np.isfinite(u).any():
        drawn.band(axes, panel, "one standard uncertainty", depth, values - u, values + u)
    drawn.curve(axes, panel, "hydrostatic pressure", values, depth)
    words = ["under hydrostatic\npressure"]
    handles = list(axes.get_lines()[:1])
    for said, marker, data in bounds:
        bound = data["overpressure_bound"].values * _MEGA
        shown = _informative(data)
        if not shown.any():
            continue
        error = uncertainty.total(data, "overpressure_bound").values[shown] * _MEGA
        before = len(axes.get_lines())
        drawn.points(axes, panel, f"overpressure at least, {said}", bound[shown],
                     data["depth"].values[shown], marker=marker, colour=_BOUND,
                     x_error=error, flag=data["overpressure_bound_flag"].values[shown])  # fmt: skip
        handles.append(axes.get_lines()[before])
        words.append(f"overpressure, at least,\n{said}")
    axes.legend(handles, words, loc="upper right")
    axes.set_xlim(left=0.0)
    axes.set_xlabel("vertical effective stress,\nbound of overpressure [MPa]")


def _informative(data: xr.Dataset) -> np.ndarray:
    """Where a bound says anything."""
    known = np.isfinite(data["overpressure_bound"].values) & (data["overpressure_bound"].values > 0)
    return known & (data["informative"].values == 1) if "informative" in data else known


def _lambda(
    axes: Axes, margins: xr.Dataset | None, bounds: list[tuple[str, str, xr.Dataset]]
) -> None:
    """Lambda* from hydrostatic, 0, to lithostatic, 1."""
    panel = f"{label('lambda_star', words='lambda*')} against depth [m]"
    if margins is not None:
        depth, values = margins["depth"].values, margins["lambda_star"].values
        u = uncertainty.total(margins, "lambda_star").values
        near = u < 0.5  # near the seafloor the stress vanishes, and the ratio says nothing
        if near.any():
            drawn.band(axes, panel, "fluid column, one standard uncertainty", depth[near],
                       (values - u)[near], (values + u)[near], colour=_FLUID)  # fmt: skip
        shown = near | ~np.isfinite(u)
        drawn.curve(axes, panel, "fluid column", np.where(shown, values, np.nan), depth,
                    colour=_FLUID, style="-.")  # fmt: skip
    for said, marker, data in bounds:
        shown = _informative(data)
        if not shown.any():
            continue
        ratio = "lambda_star" if "lambda_star" in data else "overpressure_ratio"
        error = uncertainty.total(data, ratio).values[shown] if ratio == "lambda_star" else None
        drawn.points(axes, panel, f"at least, {said}", data[ratio].values[shown],
                     data["depth"].values[shown], marker=marker, colour=_BOUND,
                     x_error=error, flag=data["overpressure_bound_flag"].values[shown])  # fmt: skip
    for edge, words in ((0.0, "hydrostatic"), (1.0, "lithostatic")):
        low, high = axes.get_ylim()
        drawn.curve(axes, panel, words, [edge, edge], sorted((low, high)), colour="0.4", style=":")
    axes.set_xlim(-0.15, 1.15)
    axes.set_xlabel("λ*: 0 hydrostatic, 1 lithostatic")
