"""Figures of the sediment: porosity with depth, models of compaction, accumulation."""

from __future__ import annotations

import textwrap

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from corephys import uncertainty
from corephys.figures import plate
from corephys.figures.plate import Plate, describe
from corephys.figures.reading import NothingToDraw, Series, node, require, scalar, series
from corephys.figures.style import COLOURS, ONE_COLUMN, SETTINGS, TWO_COLUMNS, label, stated
from corephys.figures.tracks import span
from corephys.ground import flags

__all__ = ["accumulation", "compaction_models", "porosity_depth"]

# --------------------------------------------------------------------------------------------------
# Porosity against depth with the fit of compaction.


def porosity_depth(tree: xr.DataTree, *, depth_scale: str = "depth") -> Plate:
    """Draw porosity against depth, scan and samples, with the fitted curve and its band.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with porosity of samples, of the scan, or both; the fit where it has one.
    depth_scale : {"depth", "depth_fitted"}
        Depth of the points [m]; the curve is that of the fit.

    Returns
    -------
    Plate
        A matplotlib Figure, one column wide.

    Raises
    ------
    NothingToDraw
        When the hole has no porosity.
    """
    scan = series(tree, "products/porosity", "porosity", depth_scale=depth_scale)
    samples = series(tree, "properties/index_properties", "porosity", depth_scale=depth_scale)
    present = [one for one in (scan, samples) if one is not None]
    if not present:
        raise NothingToDraw(
            "the figure porosity_depth shows porosity; this hole has neither samples of index "
            "properties nor a density scan that was reduced"
        )
    panel = f"porosity against {label(depth_scale)}"
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(ONE_COLUMN, 115.0)
        axes = figure.add_subplot()
        if scan is not None:
            plate.points(
                axes,
                panel,
                "scan",
                scan.values,
                scan.depth,
                flag=scan.flag,
                colour=COLOURS["porosity"],
                small=True,
            )
        if samples is not None:
            plate.points(
                axes,
                panel,
                "samples",
                samples.values,
                samples.depth,
                flag=samples.flag,
                x_error=samples.error,
                colour="black" if scan is not None else COLOURS["porosity"],
            )
        words = _draw_fit(axes, tree, panel)
        axes.set_xlim(*span(present))
        depths = np.concatenate([one.depth for one in present])
        room = 0.02 * (np.nanmax(depths) - np.nanmin(depths) or 1.0)
        axes.set_ylim(np.nanmax(depths) + room, min(0.0, np.nanmin(depths)) - room)
        axes.set_xlabel("porosity")
        axes.set_ylabel(label(depth_scale))
        figure.head(tree)
        if words:
            axes.text(
                0.97,
                0.03,
                words,
                transform=axes.transAxes,
                ha="right",
                va="bottom",
                fontsize=6,
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.5},
                zorder=6,
            )
    what = "Porosity against depth with the fitted law of compaction."
    if depth_scale != "depth":
        what += f" The fit was made on {label('depth')}, and its curve is drawn there."
    return describe(figure, what, node(tree, "products/compaction"), depth_scale=depth_scale)


def _draw_fit(axes: matplotlib.axes.Axes, tree: xr.DataTree, panel: str) -> str:
    """Draw the curve and its band; what is said of the fit."""
    panel = f"porosity against {label('depth')}"  # the scale on which the fit was made
    line = node(tree, "products/compaction_curve")
    if line is not None and {"porosity", "lower", "upper"} <= set(line.data_vars):
        depth = line["depth"].values
        plate.band(axes, panel, "68 % band", depth, line["lower"].values, line["upper"].values)
        plate.curve(axes, panel, "fit", line["porosity"].values, depth)
    fit = node(tree, "products/compaction")
    if fit is None:
        return ""
    if str(fit.attrs.get("model", "exponential")) != "exponential":
        return _other_law(fit)
    at_top, u_top = scalar(fit, "surface_porosity")
    length, u_length = scalar(fit, "decay_length")
    verdict = flags.usable(np.atleast_1d(fit["surface_porosity_flag"].values)).all()
    doubt = "" if verdict else f"\n{_doubt(fit)}"
    return (
        f"φ = φ₀ exp(−z / L)\nφ₀ = {stated(at_top, u_top)}\n"
        f"L = {stated(length, u_length, 'm')}{doubt}"
    )


def _doubt(fit: xr.Dataset) -> str:
    """Why a fit is flagged, in the words of its verdict."""
    return "\n".join(textwrap.wrap(f"flagged: {fit.attrs.get('verdict', '')}", 40))


def _other_law(fit: xr.Dataset) -> str:
    """Equation and parameters of a law that is not the plain exponential."""
    lines = [f"φ = {fit.attrs.get('equation', fit.attrs['model'])}"]
    for name in map(str, fit.data_vars):
        if fit[name].ndim or f"{name}_u_random" not in fit:
            continue
        value, u = scalar(fit, name)
        unit = str(fit[name].attrs.get("units", "1"))
        lines.append(f"{name.replace('_', ' ')} {stated(value, u, unit)}")
        if not flags.usable(np.atleast_1d(fit[f"{name}_flag"].values)).all():
            doubt = _doubt(fit)
            lines += [] if doubt in lines else [doubt]
    return "\n".join(sorted(lines, key=lambda line: line.startswith("flagged")))


# --------------------------------------------------------------------------------------------------
# Models of compaction on the same porosities: curves, residuals, and what tells them apart.


# Line style and colour of each model: no two share both a style and a brightness.
_LINES = {
    "exponential": ("-", "#000000"),
    "offset exponential": ("--", "#0072B2"),
    "linear": (":", "#000000"),
    "power": ("-.", "#D55E00"),
    "exponential in stress": ((0, (5, 1, 1, 1, 1, 1)), "#56A0D3"),
    "void ratio in log stress": ((0, (8, 2)), "#B07800"),
}


def compaction_models(tree: xr.DataTree) -> Plate:
    """Draw all fitted models on the porosities, the residuals of the chosen one, and the order.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/compaction_models``.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide: curves with the band of the chosen fit, residuals
        against depth, and AICc and cross-validation error of every model.

    Raises
    ------
    NothingToDraw
        When the hole has no comparison of models, or no porosity to draw beside it.
    """
    models = require(tree, "products/compaction_models", "compaction_models")
    path = str(models.attrs.get("porosity_from", "properties/index_properties"))
    points = series(tree, path, "porosity")
    if points is None:
        raise NothingToDraw(f"the figure compaction_models shows /{path}, which this hole lacks")
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, 110.0)
        axes = figure.subplots(1, 3, width_ratios=(1.25, 0.8, 1.15))
        _curves(axes[0], tree, models, points)
        _residuals(axes[1], tree, points)
        _order(axes[2], models)
        bottom = float(np.nanmax(points.depth))
        for one in axes[:2]:
            one.set_ylim(1.02 * bottom, -0.02 * bottom)
        axes[0].set_ylabel(label("depth"))
        axes[1].tick_params(labelleft=False)
        figure.head(tree)
    what = (
        f"Porosity against depth with {models.sizes['model']} models of compaction, "
        "residuals of the one that the recipe takes for the products, and their order by AICc and "
        "by the error of cross-validation (CV). Rules are those of the verdict on a fit, such as "
        "no parameter at its bound and no trend in the residuals."
    )
    return describe(figure, what, models, node(tree, "products/compaction"), depth_scale="depth")


def _curves(axes: Axes, tree: xr.DataTree, models: xr.Dataset, points: Series) -> None:
    panel = f"porosity against {label('depth')}"
    small = points.values.size > 400
    plate.points(
        axes,
        panel,
        "porosity",
        points.values,
        points.depth,
        flag=points.flag,
        small=small,
        x_error=None if small else points.error,
        colour=COLOURS["porosity"],
    )
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
        style, colour = _LINES[str(name)]
        values = models["porosity"].sel(model=name).values
        plate.curve(axes, panel, str(name), values, depth, colour=colour, style=style)
        keys.append(Line2D([], [], linestyle=style, color=colour, linewidth=1.0, label=str(name)))
    low, high, hidden = _limits(points.values, points.flag)
    room = high - low
    # Porosity falls with depth: the words of the lines have room at the upper left.
    axes.set_xlim(max(low - 0.9 * room, 0.0), min(high + 0.2 * room, 1.0))
    axes.set_xlabel(label("porosity") + (f" ({hidden} flagged off axis)" if hidden else ""))
    axes.legend(handles=keys, loc="upper left", handlelength=2.6, fontsize=5.4)


def _limits(values: np.ndarray, flag: np.ndarray) -> tuple[float, float, int]:
    """Range of the usable values, and how many others lie outside it by more than a fifth."""
    known = np.isfinite(values)
    good = known & flags.usable(flag)
    shown = values[good if good.any() else known]
    low, high = float(shown.min()), float(shown.max())
    room = 0.2 * (high - low or 0.1)
    return low, high + 0.1 * room, int(((values < low - room) | (values > high + room)).sum())


def _residuals(axes: Axes, tree: xr.DataTree, points: Series) -> None:
    """Porosity less the chosen curve, at its own depths."""
    chosen = node(tree, "products/compaction_curve")
    fit = node(tree, "products/compaction")
    if chosen is None or fit is None:
        axes.set_axis_off()
        return
    name = str(fit.attrs.get("model", "exponential"))
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
        small=residual.size > 400,
        colour=COLOURS["porosity"],
    )
    plate.curve(axes, panel, "zero", [0.0, 0.0], [float(z[0]), float(z[-1])], colour="0.4")
    low, high, _ = _limits(residual, points.flag)
    width = 1.3 * max(abs(low), abs(high), 1e-3)
    axes.set_xlim(-width, width)
    axes.set_xlabel(f"porosity less the fit:\n{name}")


def _order(axes: Axes, models: xr.Dataset) -> None:
    """AICc difference and cross-validation error of every model as a table of text."""
    axes.set_axis_off()
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 1.0)
    names = [str(name) for name in models["model"].values]
    step, top = 0.052, 0.985
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
        axes.text(0.62, at, f"{difference:.1f}", ha="right", va="top", fontsize=5.4)
        axes.text(0.82, at, f"{error:.4f}", ha="right", va="top", fontsize=5.4)
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
        "\n".join(lines[:26]),
        ha="left",
        va="top",
        fontsize=5.0,
        linespacing=1.25,
    )


# --------------------------------------------------------------------------------------------------
# Accumulation: age against depth with the errors of the data, and the rates between them.


_SHORT = {
    "mass_accumulation_rate": "mass accumulation rate",
    "sedimentation_rate": "sedimentation rate",
}


def accumulation(tree: xr.DataTree) -> Plate:
    """Draw age against depth, and the mass accumulation rate against age in steps.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/accumulation`` (m, kyr, g/(cm^2 kyr)); where it has no
        mass the sedimentation rate (m/Myr) is drawn in its place. The ages of the hole are drawn
        with their errors where it has them.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide.

    Raises
    ------
    NothingToDraw
        When the hole has no accumulation, or none of its rates is a number.
    """
    rates = require(tree, "products/accumulation", "accumulation")
    name = next((key for key in _SHORT if key in rates), "sedimentation_rate")
    if name not in rates or not np.isfinite(rates[name].values).any():
        raise NothingToDraw("no rate of accumulation in this hole is a number")
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, 92.0)
        left, right = figure.subplots(1, 2)
        _ages(left, rates, node(tree, "ages"))
        left_out = _steps(right, rates, name)
        oldest = float(np.nanmax(rates["age_bottom"].values))
        for axes, deep, words in (
            (left, float(rates["bottom"].max()), "depth below seafloor [m]"),
            (right, oldest, label("age")),
        ):
            axes.set_ylim(1.03 * deep, -0.03 * deep)
            axes.set_ylabel(words)
        left.set_xlabel(label("age"))
        left.set_xlim(-0.03 * oldest, 1.06 * oldest)
        right.set_xlabel(label(name, words=_SHORT[name]))
        right.set_xlim(left=min(0.0, right.get_xlim()[0]))
        figure.head(tree)
    what = f"Age against depth, and {_SHORT[name]} against age." + (
        f" {left_out} flagged intervals have no rate and are left out." if left_out else ""
    )
    return describe(figure, what, rates, depth_scale="depth")


def _ages(axes: Axes, rates: xr.Dataset, table: xr.Dataset | None) -> None:
    """The data with their errors, and the line that the rates were taken from."""
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
    """One step an interval with the band of its uncertainty; how many flagged ones are left out."""
    panel = f"{label(name)} against {label('age')}"
    values = rates[name].values.astype(float)
    error = uncertainty.total(rates, name).values
    young, old = rates["age_top"].values, rates["age_bottom"].values
    use = flags.usable(rates[f"{name}_flag"].values, ("good", "not_evaluated", "suspect"))
    use &= np.isfinite(values) & (old > young)
    colour = COLOURS["mass_accumulation_rate"]
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
