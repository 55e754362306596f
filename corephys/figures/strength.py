"""Figures of stress and pressure, undrained shear strength, and compression curves."""

from __future__ import annotations

from typing import Unpack

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from corephys import uncertainty
from corephys.figures import plate
from corephys.figures.caption import describe
from corephys.figures.look import Look, adaptable
from corephys.figures.part import Cores, Depths, cut, part_of
from corephys.figures.plate import (
    Plate,
    line_key,
    new_plate,
    point_label,
    symbol_key,
)
from corephys.figures.reading import node, require
from corephys.figures.style import (
    COLOURS,
    DASHES,
    FLAGGED,
    ONE_COLUMN,
    TWO_COLUMNS,
    LineStyle,
    label,
    plain,
)
from corephys.figures.tracks import depth_axis
from corephys.ground import flags, thresholds

__all__ = ["consolidation_curves", "strength_depth", "stress_depth"]

# --------------------------------------------------------------------------------------------------
# Stress and pressure against depth: overburden, water, fluid column, bounds, lambda*.


_DENSITY, _LOAD, _WATER, _FLUID, _BOUND = "#0072B2", "#000000", "#00786B", "#D55E00", "#7A4E9E"
_MEGA = 1e-3  # kPa to MPa


@adaptable
def stress_depth(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw the density used, the stresses and pressures, the effective stress, and lambda*.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/stress_profile`` [kPa]. The fluid column and the bounds of
        overpressure are drawn where it has them.
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
        A matplotlib Figure, two columns wide, with the line of caution below.

    Raises
    ------
    NothingToDraw
        If the hole has no stress profile.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    tree = cut(tree, core, depth, kept="Stresses were computed from the complete hole.")
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
    # Without a ratio to draw the fourth panel would be empty.
    ratios = margins is not None or any(
        "lambda_star" in b or "overpressure_ratio" in b for _, _, b in bounds
    )
    with new_plate(TWO_COLUMNS, 112.0, tree) as figure:
        axes = list(figure.subplots(1, 3 + ratios, sharey=True))
        _density(axes[0], profile)
        _pressures(axes[1], profile, column)
        _effective(axes[2], profile, bounds)
        if figure.part is not None:
            depth_axis(axes, 0.0)  # lines of the last panel reach from end to end
        if ratios:
            _lambda(axes[3], margins, bounds)
        depth_axis(axes, 1.04 * float(np.nanmax(profile["depth"].values)))
        if figure.part is not None:
            for one in axes[:3]:  # stresses of a short range need many figures
                one.locator_params(axis="x", nbins=4)
        figure.caution()
    what = (
        "Density, stress and pressure, and effective stress with bounds of overpressure, "
        "against depth."
    )
    if "density_state" in profile.attrs:
        what += f" Densities {profile.attrs['density_state']}."
    return describe(figure, what, profile, column, margins, depth_scale="depth")


def _density(axes: Axes, profile: xr.Dataset) -> None:
    """Draw the density that the stresses were computed with, dashed in filled gaps."""
    depth, values = profile["depth"].values, profile["bulk_density"].values
    panel = f"{label('bulk_density')} against depth [m]"
    filled = profile["bulk_density_reason"].values != 0
    # The dashed line joins the readings at both ends of a gap.
    wide = filled | np.append(filled[1:], False) | np.insert(filled[:-1], 0, False)
    colour = COLOURS["bulk_density"]
    plate.curve(axes, panel, "readings", np.where(filled, np.nan, values), depth, colour=colour)
    if filled.any():
        plate.curve(
            axes, panel, "filled", np.where(wide, values, np.nan), depth, colour="0.4", style="--"
        )
        axes.legend(*_keys(axes, ["readings", "filled"]), loc="lower left")
    axes.set_xlabel(label("bulk_density"))


def _keys(axes: Axes, words: list[str]) -> tuple[list[Line2D], list[str]]:
    """First lines of the axes with their words, for a legend."""
    return list(axes.get_lines()[: len(words)]), words


def _pressures(axes: Axes, profile: xr.Dataset, column: xr.Dataset | None) -> None:
    """Draw overburden, hydrostatic pressure and fluid column, from sea level if it is known."""
    sea = "overburden_stress" in profile
    # A hole without a water depth has no stress from sea level.
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
            plate.band(
                axes,
                panel,
                f"{words}, one standard uncertainty",
                depth,
                values - u,
                values + u,
                colour=colour,
            )
        plate.curve(axes, panel, words, values, depth, colour=colour, style=style)
    axes.legend(*_keys(axes, [words for words, *_ in lines]), loc="upper right")
    axes.set_xlabel(f"stress and pressure\n{datum} [MPa]")


def _effective(axes: Axes, profile: xr.Dataset, bounds: list[tuple[str, str, xr.Dataset]]) -> None:
    """Draw the effective stress under hydrostatic pressure, and bounds of the overpressure."""
    name = "vertical_effective_stress"
    depth, values = profile["depth"].values, profile[name].values * _MEGA
    u = uncertainty.total(profile, name).values * _MEGA
    panel = f"{label(name, unit='MPa')} against depth [m]"
    if np.isfinite(u).any():
        plate.band(axes, panel, "one standard uncertainty", depth, values - u, values + u)
    plate.curve(axes, panel, "hydrostatic pressure", values, depth)
    words = ["under hydrostatic\npressure"]
    handles = list(axes.get_lines()[:1])
    for method, marker, data in bounds:
        bound = data["overpressure_bound"].values * _MEGA
        shown = _informative(data)
        if not shown.any():
            continue
        error = uncertainty.total(data, "overpressure_bound").values[shown] * _MEGA
        before = len(axes.get_lines())
        plate.points(
            axes,
            panel,
            f"overpressure at least, {method}",
            bound[shown],
            data["depth"].values[shown],
            marker=marker,
            colour=_BOUND,
            x_error=error,
            flag=data["overpressure_bound_flag"].values[shown],
        )
        handles.append(axes.get_lines()[before])
        words.append(f"overpressure, at least,\n{method}")
    axes.legend(handles, words, loc="upper right")
    figure = plate.plate_of(axes)
    if figure.part is None:
        axes.set_xlim(left=0.0)
    axes.set_xlabel("vertical effective stress,\nbound of overpressure [MPa]")


def _informative(data: xr.Dataset) -> np.ndarray:
    """Mask of the bounds above zero, which exclude hydrostatic pressure."""
    known = np.isfinite(data["overpressure_bound"].values) & (data["overpressure_bound"].values > 0)
    return known & (data["informative"].values == 1) if "informative" in data else known


def _lambda(
    axes: Axes, margins: xr.Dataset | None, bounds: list[tuple[str, str, xr.Dataset]]
) -> None:
    """Draw lambda*: 0 is hydrostatic, 1 is lithostatic."""
    panel = f"{label('lambda_star', words='lambda*')} against depth [m]"
    if margins is not None:
        depth, values = margins["depth"].values, margins["lambda_star"].values
        u = uncertainty.total(margins, "lambda_star").values
        # Near the seafloor the stress vanishes, and the ratio is undetermined.
        near = u < 0.5
        if near.any():
            plate.band(
                axes,
                panel,
                "fluid column, one standard uncertainty",
                depth[near],
                (values - u)[near],
                (values + u)[near],
                colour=_FLUID,
            )
        # An unknown uncertainty must not hide the curve.
        shown = near | ~np.isfinite(u)
        plate.curve(
            axes,
            panel,
            "fluid column",
            np.where(shown, values, np.nan),
            depth,
            colour=_FLUID,
            style="-.",
        )
    for method, marker, data in bounds:
        shown = _informative(data)
        if not shown.any():
            continue
        ratio = "lambda_star" if "lambda_star" in data else "overpressure_ratio"
        error = uncertainty.total(data, ratio).values[shown] if ratio == "lambda_star" else None
        plate.points(
            axes,
            panel,
            f"at least, {method}",
            data[ratio].values[shown],
            data["depth"].values[shown],
            marker=marker,
            colour=_BOUND,
            x_error=error,
            flag=data["overpressure_bound_flag"].values[shown],
        )
    for edge, words in ((0.0, "hydrostatic"), (1.0, "lithostatic")):
        low, high = axes.get_ylim()
        plate.curve(axes, panel, words, [edge, edge], sorted((low, high)), colour="0.4", style=":")
    axes.set_xlim(-0.15, 1.15)
    axes.set_xlabel("λ*: 0 hydrostatic, 1 lithostatic")


# --------------------------------------------------------------------------------------------------
# Undrained shear strength against depth, its ratio to the effective stress, and sensitivity.


_SHORT = {
    "strength_ratio": "strength over effective stress",
    "sensitivity": "sensitivity",
}
_METHODS = {
    "vane": ("o", "#0072B2"),
    "fall_cone": ("^", "#D55E00"),
    "penetrometer": ("s", "#009E73"),
    "unconfined": ("D", "#7A4E9E"),
}
_GREATEST_RATIO = 0.8  # upper limit of the axis
_SHARES = tuple(thresholds.value(f"drawn_strength_share_{end}") for end in ("low", "high"))


@adaptable
def strength_depth(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw peak strengths by method, their ratio to the effective stress, and the sensitivity.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/strength`` [kPa]. Effective stress, ratio and sensitivity
        are drawn where it has them.
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
        A matplotlib Figure, two columns wide, with the line of caution below.

    Raises
    ------
    NothingToDraw
        If the hole has no strength.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    tree = cut(tree, core, depth, kept="Stresses were computed from the complete hole.")
    strengths = require(tree, "properties/strength", "strength_depth")
    stress, ratio, pairs = (
        node(tree, path)
        for path in (
            "products/effective_stress",
            "products/strength_ratio",
            "properties/sensitivity",
        )
    )
    bottom = 1.04 * float(np.nanmax(strengths["depth"].values))
    partial = part_of(tree) is not None
    shown = [part for part in (ratio, pairs) if part is not None]
    with new_plate(TWO_COLUMNS if shown else ONE_COLUMN, 100.0, tree) as figure:
        axes = list(figure.subplots(1, 1 + len(shown), sharey=True, squeeze=False)[0])
        # Residual and remoulded strengths enter the sensitivity only.
        peak = strengths.isel(reading=strengths["state"].values == "peak")
        _by_method(axes[0], peak, "undrained_shear_strength")
        if stress is not None:
            _shares(axes[0], stress)
        spare = iter(axes[1:])
        if ratio is not None:
            spot = next(spare)
            _by_method(spot, ratio, "strength_ratio")
            for share in _SHARES:
                plate.curve(
                    spot,
                    f"{label('strength_ratio')} against depth [m]",
                    f"{share:g}",
                    [share, share],
                    [
                        float(np.nanmin(ratio["depth"].values)),
                        float(np.nanmax(ratio["depth"].values)),
                    ]
                    if partial
                    else [0.0, bottom],
                    colour="0.4",
                    style="--",
                )
        if pairs is not None:
            _by_method(next(spare), pairs, "sensitivity")
        depth_axis(axes, bottom)
        for one in [] if partial else axes:
            one.set_xlim(left=0.0)
        if ratio is not None:
            # Near the seafloor the stress vanishes: ratios there would set the limits.
            low, high = axes[1].get_xlim()
            axes[1].set_xlim(low if partial else 0.0, min(high, max(_GREATEST_RATIO, 1.2 * low)))
        axes[0].legend(handles=_method_keys(peak), loc="upper right", handletextpad=0.3)
        figure.caution()
    what = (
        "Undrained strength, its ratio to the vertical effective stress, and sensitivity, "
        f"against depth, by method; dashed: {' and '.join(f'{s:g}' for s in _SHARES)} of the "
        f"vertical effective stress."
    )
    return describe(figure, what, peak, ratio, pairs, depth_scale="depth")


def _by_method(axes: Axes, data: xr.Dataset, name: str) -> None:
    """Draw a quantity against depth with a symbol for each method."""
    total = uncertainty.total(data, name).values
    depth, values = data["depth"].values, data[name].values.astype(float)
    method = data["method"].values if "method" in data.coords else np.full(values.size, "vane")
    panel = f"{label(name)} against depth [m]"
    for word, (marker, colour) in _METHODS.items():
        here = (method == word) & np.isfinite(values)
        if not here.any():
            continue
        plate.points(
            axes,
            panel,
            word.replace("_", " "),
            values[here],
            depth[here],
            marker=marker,
            colour=colour,
            x_error=total[here],
            flag=data[f"{name}_flag"].values[here],
        )
    axes.set_xlabel(label(name, words=_SHORT.get(name)))


def _method_keys(peak: xr.Dataset) -> list[Line2D]:
    """Entries of the legend for the methods of the hole."""
    there = set(peak["method"].values)
    return [
        symbol_key(word.replace("_", " "), marker, colour)
        for word, (marker, colour) in _METHODS.items()
        if word in there
    ]


def _shares(axes: Axes, stress: xr.Dataset) -> None:
    """Draw two shares of the effective stress [kPa], for comparison."""
    order = np.argsort(stress["depth"].values)
    depth = stress["depth"].values[order]
    values = stress["vertical_effective_stress"].values[order]
    for share in _SHARES:
        plate.curve(
            axes,
            f"{label('undrained_shear_strength')} against depth [m]",
            f"{share:g} of the effective stress",
            share * values,
            depth,
            colour="0.4",
            style="--",
        )


# --------------------------------------------------------------------------------------------------
# Compression curves with the range of their yield stress, and the effective stress.


_MARKERS = ("o", "s", "^", "D", "v", "P")
_INKS = ("#0072B2", "#D55E00", "#009E73", "#7A4E9E", "#B07800", "#000000")
_LOAD_CURVES = "effective stress, hydrostatic"


@adaptable
def consolidation_curves(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw void ratio against the logarithm of stress, and yield stress against depth.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/consolidation_curve`` and ``/properties/yield_stress``
        [kPa]. The effective stress is drawn where it has one.
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
        A matplotlib Figure, two columns wide, with the line of caution below. Bars are the range
        of the yield stress over the methods, including the uncertainty of each.

    Raises
    ------
    NothingToDraw
        If the hole has no consolidation test.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    tree = cut(tree, core, depth, kept="Stresses were computed from the complete hole.")
    points = require(tree, "properties/consolidation_curve", "consolidation_curves")
    yields = require(tree, "properties/yield_stress", "consolidation_curves")
    load = node(tree, "products/effective_stress")
    with new_plate(TWO_COLUMNS, 86.0, tree) as figure:
        left, right = figure.subplots(1, 2, width_ratios=[1.35, 1.0])
        _curves(left, points, yields)
        _against_depth(right, yields, load)
        figure.caution()
    what = (
        "Void ratio against stress of the compression tests with the range of the yield "
        "stress, and yield stress against depth."
    )
    return describe(figure, what, points, yields, load, depth_scale="depth")


def _curves(axes: Axes, points: xr.Dataset, yields: xr.Dataset) -> None:
    """Draw void ratio against stress [kPa] for each test, with the range of its yield stress."""
    panel = f"{label('void_ratio')} against stress [kPa]"
    tests, keys = points["test"].values.astype(str), []
    stress, e = points["stress"].values, points["void_ratio"].values
    for number, name in enumerate(dict.fromkeys(tests)):
        ink, marker = _INKS[number % len(_INKS)], _MARKERS[number % len(_MARKERS)]
        style = DASHES[number % len(DASHES)]
        # The axis of stress is logarithmic.
        rows = np.flatnonzero((tests == name) & np.isfinite(e) & (stress > 0))
        if not rows.size:
            continue
        plate.curve(axes, panel, f"test {name}", stress[rows], e[rows], colour=ink, style=style)
        plate.points(
            axes,
            panel,
            f"steps of {name}",
            stress[rows],
            e[rows],
            colour=ink,
            marker=marker,
            flag=points["void_ratio_flag"].values[rows],
        )
        keys.append(
            Line2D(
                [],
                [],
                color=ink,
                linestyle=style,
                marker=marker,
                markersize=3.6,
                markerfacecolor="white",
                label=plain(name),
            )
        )
        at = yields["test"].values.astype(str) == name
        if at.any() and np.isfinite(yields["yield_stress"].values[at][0]):
            _bracket(
                axes,
                yields.isel(reading=int(np.argmax(at))),
                stress[rows],
                e[rows],
                (ink, style, marker),
            )
    axes.set_xscale("log")
    axes.legend(
        handles=keys[:12], title="test", title_fontsize=6, loc="lower left", handlelength=3.6
    )
    axes.set_xlabel("vertical effective stress of the test [kPa]")
    axes.set_ylabel(label("void_ratio"))


def _bracket(
    axes: Axes,
    one: xr.Dataset,
    stress: np.ndarray,
    e: np.ndarray,
    look: tuple[str, LineStyle, str],
) -> None:
    """Draw smallest, best and largest yield stress as a bar above the curve of the test."""
    ink, style, marker = look
    order = np.argsort(stress)
    low, best, high = (
        float(one[name]) for name in ("yield_stress_low", "yield_stress", "yield_stress_high")
    )
    # The largest void ratio at or beyond a stress is that of loading: rebound steps lie below.
    height = float(np.interp(best, stress[order], np.maximum.accumulate(e[order][::-1])[::-1]))
    height += 0.03 * float(np.ptp(axes.get_ylim()))
    panel = f"{label('void_ratio')} against stress [kPa]"
    use = bool(flags.usable(np.atleast_1d(one["yield_stress_flag"].values)).all())
    plate.curve(
        axes,
        panel,
        f"range of the yield stress, {one['test'].item()}",
        [low, high],
        [height, height],
        colour=ink if use else FLAGGED,
        style=style,
    )
    plate.points(
        axes,
        panel,
        f"yield stress, {one['test'].item()}",
        [best],
        [height],
        marker=marker,
        colour=ink,
        flag=[int(one["yield_stress_flag"])],
    )


def _against_depth(axes: Axes, yields: xr.Dataset, load: xr.Dataset | None) -> None:
    """Draw the yield stresses [kPa] with their ranges, and the effective stress."""
    name = "yield_stress"
    panel = f"{label(name)} against depth [m]"
    depth, best = yields["depth"].values, yields[name].values
    usable = flags.usable(yields[f"{name}_flag"].values)
    if load is not None:
        order = np.argsort(load["depth"].values)
        plate.curve(
            axes,
            panel,
            _LOAD_CURVES,
            load["vertical_effective_stress"].values[order],
            load["depth"].values[order],
            colour="0.4",
            style="--",
        )
    for row in np.flatnonzero(np.isfinite(best)):
        low, high = (float(yields[f"{name}_{side}"].values[row]) for side in ("low", "high"))
        ink = _INKS[row % len(_INKS)] if usable[row] else FLAGGED
        plate.curve(
            axes,
            panel,
            f"range, {yields['test'].values[row]}",
            [low, high],
            [depth[row]] * 2,
            colour=ink,
            style=DASHES[row % len(DASHES)],
        )
        point_label(axes, plain(yields["test"].values[row]), high, depth[row], distance=3.0)
        plate.points(
            axes,
            panel,
            f"{yields['test'].values[row]}",
            [best[row]],
            [depth[row]],
            colour=_INKS[row % len(_INKS)],
            flag=yields[f"{name}_flag"].values[[row]],
        )
    depth_axis(axes, 1.04 * float(np.nanmax(depth)))
    axes.set_xlim(0.0, 1.08 * axes.get_xlim()[1])
    axes.set_xlabel("yield stress [kPa]")
    if load is not None:
        key = line_key(_LOAD_CURVES, "0.4", "--")
        axes.legend(handles=[key], loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.2)
