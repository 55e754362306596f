"""Figures of the sediment: porosity with depth, models of compaction, accumulation."""

from __future__ import annotations

import textwrap
from typing import Unpack

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from corephys import uncertainty
from corephys.figures import look, plate
from corephys.figures.caption import describe
from corephys.figures.look import Look, adaptable
from corephys.figures.part import Cores, Depths, cut
from corephys.figures.plate import Plate, line_key, new_plate, note
from corephys.figures.reading import (
    DEPTHS,
    NothingToDraw,
    Series,
    node,
    require,
    scalar,
    series,
    supplied_beside,
    the_hole,
)
from corephys.figures.style import (
    COLOURS,
    ONE_COLUMN,
    SEAFLOOR,
    TWO_COLUMNS,
    LineStyle,
    label,
    value_in_print,
)
from corephys.figures.tracks import (
    count_outside,
    depth_axis,
    draw_beside,
    draw_scan_and_samples,
    draw_series,
    name_symbols,
    span,
)
from corephys.ground import flags
from corephys.ground.choices import choice, matching, plain_words

__all__ = ["accumulation", "compaction_models", "porosity_depth"]

# --------------------------------------------------------------------------------------------------
# Porosity against depth with the fitted law of compaction.


_FIT = "The fit is that of the complete hole."
_FITS = "Fits, their ranking and verdict are those of the complete hole."


@adaptable
def porosity_depth(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    depth_scale: str = "depth",
    **options: Unpack[Look],
) -> Plate:
    """Draw porosity against depth, scan and samples, with the fitted curve and its band.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with porosity of samples, of the scan, or both; the fit where it has one.
    core : str or sequence of str, optional
        Names of the cores that are drawn; all if not given.
    depth : (Quantity or str, Quantity or str), optional
        Top and bottom of the depths that are drawn [m], such as ``("20 m", "60 m")``; None for an
        open end.
    depth_scale : {"depth", "depth_fitted"}
        Depth of the points [m]; the curve keeps the depth on which the fit was made.
    **options
        Size, title, labels, colours and more, see :class:`corephys.figures.Look`.

    Returns
    -------
    Plate
        A matplotlib Figure, one column wide.

    Raises
    ------
    NothingToDraw
        If the hole has no porosity.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    depth_scale = choice(depth_scale, DEPTHS, "depth_scale")
    tree = cut(tree, core, depth, depth_scale=depth_scale, kept=_FIT)
    scan = series(tree, "products/porosity", "porosity", depth_scale=depth_scale)
    samples = series(tree, "properties/index_properties", "porosity", depth_scale=depth_scale)
    beside = supplied_beside(tree, "porosity", depth_scale=depth_scale)
    present = [one for one in (scan, samples, *beside) if one is not None]
    if not present:
        raise NothingToDraw(
            f"the figure porosity_depth needs a porosity; {the_hole(tree)} has neither samples of "
            "index properties nor a reduced density scan, and no supplied porosity"
        )
    panel = f"{label('porosity')} against {label(depth_scale)}"
    with new_plate(ONE_COLUMN, 115.0, tree) as figure:
        axes = figure.add_subplot()
        draw_beside(axes, beside, panel)
        draw_scan_and_samples(axes, scan, samples, panel)
        name_symbols(figure, (("scan", scan), ("samples", samples)), beside)
        words, verdict = _draw_fit(axes, tree)
        axes.set_xlim(*span([one for one in (scan, samples) if one is not None] or beside))
        count_outside(axes, (), [one.values for one in beside])
        depths = np.concatenate([one.depth for one in present])
        room = 0.02 * (np.nanmax(depths) - np.nanmin(depths) or 1.0)
        deep, top = np.nanmax(depths) + room, min(0.0, np.nanmin(depths)) - room
        depth_axis(axes, deep, top, words=label(depth_scale))
        axes.set_xlabel(label("porosity"))
        if words or verdict:
            ground = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.5}
            note(axes, words, verdict=verdict, top=False, bbox=ground, zorder=6)
    what = "Porosity against depth with the fitted law of compaction."
    if depth_scale != "depth":
        what += f" The fit was made on {label('depth')}, and its curve is drawn there."
    return describe(figure, what, node(tree, "products/compaction"), depth_scale=depth_scale)


def _draw_fit(axes: Axes, tree: xr.DataTree) -> tuple[str, str]:
    """Draw the curve and its band; return equation and parameters, and the verdict."""
    # Fits are made on depth as laid out, whatever scale the points have.
    panel = f"{label('porosity')} against {label('depth')}"
    line = node(tree, "products/compaction_curve")
    if line is not None and {"porosity", "lower", "upper"} <= set(line.data_vars):
        depth = line["depth"].values
        plate.band(axes, panel, "68 % band", depth, line["lower"].values, line["upper"].values)
        plate.curve(axes, panel, "fit", line["porosity"].values, depth)
    fit = node(tree, "products/compaction")
    if fit is None:
        return "", ""
    if str(fit.attrs.get("model", "exponential")) != "exponential":
        return _other_law(fit)
    at_top, u_top = scalar(fit, "surface_porosity")
    length, u_length = scalar(fit, "decay_length")
    verdict = flags.usable(np.atleast_1d(fit["surface_porosity_flag"].values)).all()
    doubt = "" if verdict else _doubt(fit, "surface_porosity")
    words = (
        f"φ = φ₀ exp(−z / L)\nφ₀ = {_in_print(fit, 'surface_porosity', at_top, u_top)}\n"
        f"L = {_in_print(fit, 'decay_length', length, u_length, 'm')}"
    )
    return words, doubt


def _in_print(fit: xr.Dataset, name: str, value: float, u: float, unit: str = "1") -> str:
    """A parameter with its uncertainty; with the random part where the other is not known."""
    random = float(fit[f"{name}_u_random"])
    if np.isnan(u) and np.isfinite(random):
        return f"{value_in_print(value, random, unit)} (random)"
    return value_in_print(value, u, unit)


def _doubt(fit: xr.Dataset, name: str) -> str:
    """Verdict on a flagged fit, or the reasons of the flag if no rule is broken, in short lines."""
    words = str(fit.attrs.get("verdict", ""))
    if words == "no rule is broken" and f"{name}_reason" in fit:
        words = ", ".join(flags.names(int(fit[f"{name}_reason"]))).replace("_", " ")
    return "\n".join(textwrap.wrap(f"flagged: {words}", 40))


def _other_law(fit: xr.Dataset) -> tuple[str, str]:
    """Equation and parameters of a law other than the exponential, and the verdict."""
    doubts: list[str] = []
    lines = [f"φ = {fit.attrs.get('equation', plain_words(fit.attrs['model']))}"]
    for name in map(str, fit.data_vars):
        if fit[name].ndim or f"{name}_u_random" not in fit:
            continue
        value, u = scalar(fit, name)
        unit = str(fit[name].attrs.get("units", "1"))
        lines.append(f"{name.replace('_', ' ')} {value_in_print(value, u, unit)}")
        if not flags.usable(np.atleast_1d(fit[f"{name}_flag"].values)).all():
            doubts.append(_doubt(fit, name))
    return "\n".join(lines), "\n".join(dict.fromkeys(doubts))


# --------------------------------------------------------------------------------------------------
# Models of compaction on the same porosities: curves, residuals, and criteria of choice.


_DENSE_FROM = 400  # porosities above which they are drawn as dots without bars
# Line style and colour of each model: no two share both a style and a brightness.
_LINES: dict[str, tuple[LineStyle, str]] = {
    "exponential": ("-", "#000000"),
    "offset_exponential": ("--", "#0072B2"),
    "linear": (":", "#000000"),
    "power": ("-.", "#D55E00"),
    "exponential_in_stress": ((0, (5, 1, 1, 1, 1, 1)), "#56A0D3"),
    "void_ratio_in_log_stress": ((0, (8, 2)), "#B07800"),
}


@adaptable
def compaction_models(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw all fitted models, the residuals of the chosen one, and the ranking of the models.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/compaction_models``.
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
        A matplotlib Figure, two columns wide: curves with the band of the chosen fit, residuals
        against depth, and AICc and cross-validation error of every model.

    Raises
    ------
    NothingToDraw
        If the hole has no comparison of models, or lacks the porosities of the fits.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    whole = tree
    tree = cut(tree, core, depth, kept=_FITS)
    models = require(tree, "products/compaction_models", "compaction_models")
    path = str(models.attrs.get("porosity_from", "properties/index_properties"))
    points = series(tree, path, "porosity")
    if points is None:
        raise NothingToDraw(
            f"the figure compaction_models needs the porosity of /{path}, which {the_hole(tree)} "
            "lacks"
        )
    with new_plate(TWO_COLUMNS, 110.0, tree) as figure:
        axes = figure.subplots(1, 3, width_ratios=(1.25, 0.8, 1.15))
        _curves(axes[0], tree, models, points)
        _residuals(axes[1], whole, points)
        axes[2].set_label("ranking")
        _order(axes[2], models)
        bottom = float(np.nanmax(points.depth))
        depth_axis(axes[:2], 1.02 * bottom, -0.02 * bottom, words=label("depth"))
        axes[1].tick_params(labelleft=False)
    what = (
        f"Porosity against depth with {models.sizes['model']} models of compaction, residuals of "
        "the model that the recipe uses for the products, and AICc and error of cross-validation "
        "(CV) of each model. Rules are those of the verdict on a fit, such as no parameter at its "
        "bound and no trend in the residuals."
    )
    return describe(figure, what, models, node(tree, "products/compaction"), depth_scale="depth")


def _curves(axes: Axes, tree: xr.DataTree, models: xr.Dataset, points: Series) -> None:
    """Draw the porosities, the curve of each model, and the band of the chosen one."""
    panel = f"{label('porosity')} against {label('depth')}"
    draw_series(axes, points, "porosity", panel=panel, small=points.values.size > _DENSE_FROM)
    chosen = node(tree, "products/compaction_curve")
    if chosen is not None:
        plate.band(
            axes,
            panel,
            "68 % band of the chosen fit",
            chosen["depth"].values,
            chosen["lower"].values,
            chosen["upper"].values,
        )
    depth, keys = models["depth"].values, []
    for name in models["model"].values:
        style, colour = _LINES[str(matching(str(name), _LINES))]
        words = plain_words(name)
        values = models["porosity"].sel(model=name).values
        plate.curve(axes, panel, words, values, depth, colour=colour, style=style)
        keys.append(line_key(words, colour, style))
    low, high, hidden = _limits(points.values, points.flag)
    room = high - low
    # Porosity decreases with depth, so that the legend has room at the upper left.
    axes.set_xlim(max(low - 0.9 * room, 0.0), min(high + 0.2 * room, 1.0))
    hidden *= look.option("flagged") != "hide"
    axes.set_xlabel(label("porosity") + (f" ({hidden} flagged off axis)" if hidden else ""))
    axes.legend(handles=keys, loc="upper left", handlelength=2.6, fontsize=5.4)


def _limits(values: np.ndarray, flag: np.ndarray) -> tuple[float, float, int]:
    """Range of the usable values, and the number of values outside it by more than a fifth."""
    known = np.isfinite(values)
    good = known & flags.usable(flag)
    shown = values[good if good.any() else known]
    low, high = float(shown.min()), float(shown.max())
    room = 0.2 * (high - low or 0.1)
    return low, high + 0.1 * room, int(((values < low - room) | (values > high + room)).sum())


def _residuals(axes: Axes, tree: xr.DataTree, points: Series) -> None:
    """Draw porosity less the chosen curve at the depths of the points."""
    chosen = node(tree, "products/compaction_curve")
    fit = node(tree, "products/compaction")
    if chosen is None or fit is None:
        axes.set_axis_off()
        return
    name = plain_words(fit.attrs.get("model", "exponential"))
    panel = f"residual against {label('depth')}"
    order = np.argsort(chosen["depth"].values)
    z, curve = chosen["depth"].values[order], chosen["porosity"].values[order]
    residual = points.values - np.interp(points.depth, z, curve)
    plate.points(
        axes,
        panel,
        f"porosity less {name}",
        residual,
        points.depth,
        flag=points.flag,
        small=residual.size > _DENSE_FROM,
        colour=COLOURS["porosity"],
    )
    figure = plate.plate_of(axes)
    ends = z if figure.part is None else points.depth
    zero = [float(np.nanmin(ends)), float(np.nanmax(ends))]
    plate.curve(axes, panel, "zero", [0.0, 0.0], zero, colour="0.4")
    low, high, _ = _limits(residual, points.flag)
    width = 1.3 * max(abs(low), abs(high), 1e-3)
    axes.set_xlim(-width, width)
    axes.set_xlabel(f"porosity less the fit:\n{name}")


def _order(axes: Axes, models: xr.Dataset) -> None:
    """Write AICc difference, cross-validation error and rules of every model as a table."""
    axes.set_axis_off()
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 1.0)
    names = [plain_words(name) for name in models["model"].values]
    step, top = 0.052, 0.985  # fractions of the height
    for x, words, side in (
        (0.0, "model", "left"),
        (0.62, "ΔAICc", "right"),
        (0.82, "CV error", "right"),
        (1.0, "rules", "right"),
    ):
        axes.text(x, top, words, ha=side, va="top", fontsize=6)
    for i, name in enumerate(names, start=1):
        at = top - step * i
        difference = float(models["aicc_difference"][i - 1])
        error = float(models["cross_validation_error"][i - 1])
        kept = str(models["verdict"].values[i - 1]) == "no rule is broken"
        axes.text(0.0, at, name, ha="left", va="top", fontsize=5.4)
        axes.text(
            0.62, at, look.with_decimal(f"{difference:.1f}"), ha="right", va="top", fontsize=5.4
        )
        axes.text(0.82, at, look.with_decimal(f"{error:.4f}"), ha="right", va="top", fontsize=5.4)
        axes.text(1.0, at, "kept" if kept else "broken", ha="right", va="top", fontsize=5.4)
    words = str(models.attrs.get("verdict", "")).replace("; ", "\n")
    lines = [
        part
        for line in words.split("\n")
        for part in textwrap.wrap(f"– {line}", 56, subsequent_indent="   ")
    ]
    axes.text(
        0.0,
        top - step * (len(names) + 1.6),
        "\n".join(lines[:26]),  # more do not fit below the table
        ha="left",
        va="top",
        fontsize=5.0,
        linespacing=1.25,
    )


# --------------------------------------------------------------------------------------------------
# Accumulation: age against depth with the errors of the data, and the rates between them.


# Quantity of the right panel by preference, with a label short enough for half the width.
_SHORT = {
    "mass_accumulation_rate": "mass accumulation rate",
    "sedimentation_rate": "sedimentation rate",
}


@adaptable
def accumulation(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw age against depth, and the mass accumulation rate against age in steps.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/accumulation`` (m, kyr, g/(cm^2 kyr)). Without a mass the
        sedimentation rate [m/Myr] is drawn instead. The ages of the hole are drawn with their
        errors where it has them.
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
        If the hole has no accumulation, or none of its rates is a number.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    tree = cut(tree, core, depth)
    rates = require(tree, "products/accumulation", "accumulation")
    name = next((key for key in _SHORT if key in rates), "sedimentation_rate")
    if name not in rates or not np.isfinite(rates[name].values).any():
        raise NothingToDraw(
            "the figure accumulation needs a rate between two ages; "
            f"{the_hole(tree)} has none that is a number"
        )
    with new_plate(TWO_COLUMNS, 92.0, tree) as figure:
        left, right = figure.subplots(1, 2)
        _ages(left, rates, node(tree, "ages"))
        left_out = _steps(right, rates, name)
        # Age increases downward on the right as depth does on the left.
        oldest = float(np.nanmax(rates["age_bottom"].values))
        for axes, deep, words in (
            (left, float(rates["bottom"].max()), SEAFLOOR),
            (right, oldest, label("age")),
        ):
            depth_axis(axes, 1.03 * deep, -0.03 * deep, words=words)
        left.set_xlabel(label("age"))
        if figure.part is None:
            left.set_xlim(-0.03 * oldest, 1.06 * oldest)
        right.set_xlabel(label(name, words=_SHORT[name]))
        right.set_xlim(left=min(0.0, right.get_xlim()[0]))
    what = f"Age against depth, and {_SHORT[name]} against age." + (
        f" {left_out} flagged intervals have no rate and are left out." if left_out else ""
    )
    return describe(figure, what, rates, depth_scale="depth")


def _ages(axes: Axes, rates: xr.Dataset, table: xr.Dataset | None) -> None:
    """Draw the ages with their errors, and the line of which the rates are the slopes."""
    panel = f"{label('age')} against depth [m]"
    age = np.append(rates["age_top"].values, rates["age_bottom"].values[-1])
    depth = np.append(rates["top"].values, rates["bottom"].values[-1])
    plate.curve(axes, panel, "ages of the rates", age, depth, colour="0.6")
    if table is None or "age" not in table:
        plate.points(axes, panel, "ages", age, depth, colour=COLOURS["age"])
        return
    error = table["age_uncertainty"].values if "age_uncertainty" in table else None
    plate.points(
        axes,
        panel,
        "ages",
        table["age"].values,
        table["depth"].values,
        x_error=error,
        colour=COLOURS["age"],
        marker="|",
        flag=table["flag"].values if "flag" in table else None,
    )


def _steps(axes: Axes, rates: xr.Dataset, name: str) -> int:
    """Draw a step with its band for each interval; return the number of flagged ones left out."""
    panel = f"{label(name)} against {label('age')}"
    values = rates[name].values.astype(float)
    error = uncertainty.total(rates, name).values
    young, old = rates["age_top"].values, rates["age_bottom"].values
    use = flags.usable(rates[f"{name}_flag"].values, ("good", "not_evaluated", "suspect"))
    use &= np.isfinite(values) & (old > young)
    colour = COLOURS["mass_accumulation_rate"]
    # Each run of usable intervals is a separate line, so that gaps stay open.
    for run in np.split(np.arange(values.size), np.flatnonzero(~use)):
        run = run[use[run]]
        if not run.size:
            continue
        age = np.column_stack([young[run], old[run]]).ravel()
        step = np.repeat(values[run], 2)
        half = np.repeat(error[run], 2)
        if np.isfinite(half).all():
            plate.band(
                axes,
                panel,
                "one standard uncertainty",
                age,
                step - half,
                step + half,
                colour=colour,
            )
        plate.curve(axes, panel, _SHORT[name], step, age, colour=colour)
    for i in np.flatnonzero(rates["kind"].values == "hiatus"):
        axes.annotate(
            "hiatus",
            (0.0, 0.5 * (young[i] + old[i])),
            xytext=(4, 0),
            fontsize=6,
            textcoords="offset points",
            va="center",
        )
    return int((~use & (rates["kind"].values != "hiatus")).sum())
