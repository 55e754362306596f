"""Figures of one property against another, with models, and of the scan against samples."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Unpack

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullFormatter

from corephys import uncertainty
from corephys.figures import look, plate
from corephys.figures.caption import describe
from corephys.figures.look import Look, adaptable
from corephys.figures.part import Cores, Depths, cut, part_of
from corephys.figures.plate import (
    Plate,
    legend_below,
    legend_beside,
    line_key,
    new_plate,
    note,
    symbol_key,
)
from corephys.figures.reading import NothingToDraw, node, require, the_hole
from corephys.figures.style import (
    COLOURS,
    DASHES,
    FLAGGED,
    GROUPS,
    METHODS,
    ONE_COLUMN,
    TWO_COLUMNS,
    LineStyle,
    label,
    plain,
)
from corephys.figures.tracks import depth_axis, methods_in_order
from corephys.ground import flags, thresholds
from corephys.ground.choices import choice
from corephys.hole.placing.depth import match
from corephys.hole.placing.described import lithology, lithology_source
from corephys.hole.placing.layout import layer_column

__all__ = [
    "density_comparison",
    "formation_factor",
    "reported_values",
    "velocity_density",
    "velocity_porosity",
]

# --------------------------------------------------------------------------------------------------
# Groups of readings: by coring method, lithology or layer.


BY = ("none", "coring_method", "lithology", "layer")
_NAMES = {"coring_method": "coring method", "lithology": "lithology", "layer": "layer"}


@dataclass(frozen=True)
class _Group:
    """Readings that are drawn alike.

    Parameters
    ----------
    word : str
        Word of the group; empty where there are no groups.
    here : (n,) ndarray of bool
        Its readings.
    marker, ink : str
        Symbol and colour.
    """

    word: str
    here: np.ndarray
    marker: str
    ink: str


def _groups(
    tree: xr.DataTree, data: xr.Dataset, by: str, plain_ink: str, shown: np.ndarray
) -> list[_Group]:
    """Groups of the readings that are shown, each with its looks; the largest first."""
    by = choice(by, BY, "by")
    if by == "none":
        return [_Group("", shown, "o", plain_ink)]
    if by == "coring_method":
        groups = []
        for word, here in _by_method(tree, data).items():
            # A hole without coring methods has one colour, that of piston cores.
            marker, ink = METHODS.get(word or "piston", METHODS["other"])
            groups.append(_Group(word.replace("_", " "), here & shown, marker, ink))
        return [group for group in groups if group.here.any()]
    words, missing = _words(tree, data, by)
    counts = {word: int((shown & (words == word)).sum()) for word in dict.fromkeys(words.tolist())}
    ranked = sorted((w for w, n in counts.items() if n), key=lambda w: (w == missing, -counts[w]))
    room = len(GROUPS) - 1
    groups = [
        _Group(word, shown & (words == word), *GROUPS[i]) for i, word in enumerate(ranked[:room])
    ]
    if ranked[room:]:
        name = ranked[room] if len(ranked) == room + 1 else f"{len(ranked) - room} others"
        rest = shown & np.isin(words, ranked[room:])
        groups.append(_Group(name, rest, *GROUPS[room]))
    return groups


def _words(tree: xr.DataTree, data: xr.Dataset, by: str) -> tuple[np.ndarray, str]:
    """Lithology or layer of each reading, and the word for readings that have none."""
    layers = node(tree, "layers")
    if by == "layer":
        if layers is None:
            raise NothingToDraw("by='layer' needs the table layers.csv; choose another grouping")
        return layer_column(layers, data["depth"].values), "between layers"
    found = lithology(data, description=node(tree, "description"), layers=layers)
    if found.attrs["source"] == "none":
        raise NothingToDraw(
            "by='lithology' needs the column lithology in description.csv or layers.csv; choose "
            "another grouping"
        )
    return np.where(found.values == "", "not described", found.values), "not described"


def _grouped(tree: xr.DataTree, by: str) -> str:
    """Words of a caption on the groups; the lithology with the file that it is from."""
    if by not in _NAMES:
        return ""
    words = _NAMES[by]
    if by == "lithology":
        words += f" of {lithology_source(node(tree, 'description'), node(tree, 'layers'))}"
    return f" Groups: {words}."


def _scan(word: str) -> str:
    """Name of the dots of a group."""
    return f"scan, {plain(word)}" if word else "scan"


# --------------------------------------------------------------------------------------------------
# P-wave velocity against bulk density, with lines of equal impedance.


_WITHIN = thresholds.DEFAULTS["drawn_sample_reach"]
_PANEL = "P-wave velocity [m/s] against bulk density [g/cm^3]"


@adaptable
def velocity_density(
    tree: xr.DataTree,
    *,
    by: str = "none",
    core: Cores | None = None,
    depth: Depths | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw velocity against density: the scan, and samples that have both.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/velocity`` [m/s] and ``/properties/density`` [g/cm^3].
    by : {"none", "coring_method", "lithology", "layer"}
        Groups of the scan that are drawn in separate colours; the lithology is that of
        ``description.csv``, and that of ``layers.csv`` in a hole without a description.
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
        A matplotlib Figure, one column wide, with lines of equal acoustic impedance [MPa s/m].

    Raises
    ------
    NothingToDraw
        If the hole lacks either, or no usable velocity has a usable density beside it, or the hole
        lacks the table of the groups.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    whole = tree
    tree = cut(tree, core, depth)
    velocity = require(tree, "properties/velocity", "velocity_density")
    density = require(whole, "properties/density", "velocity_density")
    beside = match(
        density, to=velocity, within=thresholds.DEFAULTS["drawn_pair_reach"], how="nearest"
    )
    v, rho = velocity["p_wave_velocity"].values.astype(float), beside["bulk_density"].values
    level = np.maximum(velocity["p_wave_velocity_flag"].values, beside["bulk_density_flag"].values)
    good = np.isfinite(v) & np.isfinite(rho) & flags.usable(level)
    if not good.any():
        raise NothingToDraw(
            "the figure velocity_density needs a usable density beside a usable velocity; "
            f"{the_hole(tree)} has none"
        )
    groups = _groups(
        tree, velocity, by, COLOURS["p_wave_velocity"], np.isfinite(v) & np.isfinite(rho)
    )
    with new_plate(ONE_COLUMN, 88.0 if by == "none" else 102.0, tree) as figure:
        axes = figure.add_subplot()
        keys = _dots(axes, _PANEL, groups, rho, v, level)
        _samples(axes, whole, tree)
        # A thousandth at each end is left out: single readings of air would set the limits.
        for which, held in (("x", rho[good]), ("y", v[good])):
            low, high = np.quantile(held, [0.001, 0.999])
            room = 0.08 * float(high - low or abs(high) or 1.0)
            getattr(axes, f"set_{which}lim")(low - room, high + room)
        _impedance(axes)
        axes.set_xlabel(label("bulk_density"))
        axes.set_ylabel(label("p_wave_velocity"))
        if by != "none":
            legend_below(figure, keys)
    what = (
        "P-wave velocity against bulk density at the same place; dots: scan, open symbols: samples;"
        f" thin lines: equal acoustic impedance, in MPa s/m.{_grouped(tree, by)}"
    )
    return describe(figure, what, velocity, density)


def _samples(axes: Axes, whole: xr.DataTree, tree: xr.DataTree) -> None:
    """Draw samples that have both. Their velocity is that across the core, as the scan's is.

    The part ``tree`` of the hole is drawn; its samples may have a partner just outside.
    """
    index = node(whole, "properties/index_properties")
    sent = node(tree, "properties/sample_velocity")
    if index is None or sent is None or "bulk_density" not in index:
        return
    across = sent.isel(reading=sent["axis"].values.astype(str) == "across")
    if not across.sizes["reading"]:
        return
    beside = match(index, to=across, within=_WITHIN, how="nearest")
    level = np.maximum(across["p_wave_velocity_flag"].values, beside["bulk_density_flag"].values)
    plate.points(
        axes,
        _PANEL,
        "samples, across the core",
        beside["bulk_density"].values,
        across["p_wave_velocity"].values,
        flag=level,
        x_error=uncertainty.total(beside, "bulk_density").values,
        y_error=uncertainty.total(across, "p_wave_velocity").values,
    )


def _impedance(axes: Axes) -> None:
    """Draw lines of equal impedance, labelled where they leave the axes."""
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    ends = np.array([left * bottom, right * top]) / 1000.0  # g/cm^3 m/s to MPa s/m
    for z in MaxNLocator(6).tick_values(*ends):
        x = np.linspace(left, right, 101)
        y = 1000.0 * z / x
        inside = (y >= bottom) & (y <= top)
        if not inside.any() or z <= 0.0:
            continue
        plate.curve(axes, _PANEL, f"impedance {z:g} MPa s/m", x[inside], y[inside], colour="0.6")
        axes.lines[-1].set_linewidth(0.6)
        axes.lines[-1].set_zorder(1.0)
        place = int(np.flatnonzero(inside)[0])
        # A line that begins in a corner has no room for its number.
        if y[place] < bottom + 0.06 * (top - bottom) or x[place] > right - 0.12 * (right - left):
            continue
        # Labels of two lines that enter near the upper left corner would collide.
        if y[place] > top - 0.04 * (top - bottom) and x[place] < left + 0.02 * (right - left):
            continue
        drop = 0.035 * (top - bottom) if y[place] > top - 0.04 * (top - bottom) else 0.0
        axes.text(
            x[place] + 0.01 * (right - left),
            y[place] - drop,
            look.with_decimal(f"{z:g}"),
            fontsize=5.5,
            color="0.35",
            ha="left",
            va="center",
            zorder=5,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
        )


# --------------------------------------------------------------------------------------------------
# Velocity against porosity: readings by coring method, models, and readings outside the bounds.


# Model -> words, colour and line; distinct in greyscale by line style and darkness.
_LINES: dict[str, tuple[str, str, LineStyle]] = {
    "upper_bound": ("upper bound", "0.55", "-"),
    "time_average": ("time average (Wyllie)", "#0072B2", "--"),
    "stiff_sand": ("stiff sand", "0.4", (0, (1, 1))),
    "critical_porosity": ("critical porosity", "#009E73", "-."),
    "krief": ("Krief", "#7A4E9E", ":"),
    "raymer": ("Raymer, Hunt and Gardner", "#B07800", (0, (7, 2))),
    "soft_sand": ("soft sand or mud", "black", ":"),
    "suspension": ("suspension (Wood)", "black", "-"),
}
_OUTSIDE = {
    "below_elastic_bounds": ("below bounds", "x"),
    "above_elastic_bounds": ("above bounds", "+"),
}
_VELOCITY = "P-wave velocity [m/s] against porosity"


@adaptable
def velocity_porosity(
    tree: xr.DataTree,
    *,
    by: str = "coring_method",
    core: Cores | None = None,
    depth: Depths | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw the readings of the scan among the models, with those outside the bounds marked.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/products/elastic_bounds`` [m/s]; models where it has
        ``/products/velocity_models``.
    by : {"none", "coring_method", "lithology", "layer"}
        Groups of the scan, see :func:`velocity_density`.
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
        If no velocity of the hole has a porosity beside it, or the hole lacks the table of the
        groups.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    tree = cut(tree, core, depth, kept="Bounds and models are those of the complete hole.")
    checked = require(tree, "products/elastic_bounds", "velocity_porosity")
    phi, v = (checked[name].values.astype(float) for name in ("porosity", "p_wave_velocity"))
    level = np.maximum(checked["p_wave_velocity_flag"].values, checked["porosity_flag"].values)
    shown = np.isfinite(phi) & np.isfinite(v)
    if not shown.any():
        raise NothingToDraw(
            "the figure velocity_porosity needs a porosity beside a velocity; "
            f"{the_hole(tree)} has none"
        )
    reason = checked["p_wave_velocity_reason"].values
    curves = node(tree, "products/velocity_models")
    groups = _groups(tree, checked, by, METHODS["piston"][1], shown)
    with new_plate(TWO_COLUMNS, 100.0, tree) as figure:
        axes = figure.add_subplot()
        keys = _dots(axes, _VELOCITY, groups, phi, v, level)
        _limits(axes, phi[shown], v[shown], flags.usable(level[shown]))
        keys += _outside(axes, phi, v, reason, shown)
        if curves is not None:
            keys += _models(axes, curves)
        axes.set_xlabel(label("porosity"))
        axes.set_ylabel(label("p_wave_velocity"))
        legend_beside(axes, keys)
        figure.caution(right=0.985)
    models = [
        word for word, (words, *_) in _LINES.items() if any(k.get_label() == words for k in keys)
    ]
    what = "P-wave velocity against porosity, with the bounds that mark readings"
    if models:
        what += f" and the models {', '.join(_LINES[word][0] for word in models)}"
    grouped = "" if by == "coring_method" else _grouped(tree, by)
    return describe(figure, f"{what}.{grouped}", checked, curves)


def _dots(
    axes: Axes,
    panel: str,
    groups: list[_Group],
    x: np.ndarray,
    y: np.ndarray,
    level: np.ndarray,
) -> list[Line2D]:
    """Draw the dots of each group; flagged ones are grey rings below. Entries of a legend."""
    keys = []
    for group in groups:
        words, here = _scan(group.word), group.here
        plate.points(
            axes, panel, words, x[here], y[here], flag=level[here], colour=group.ink, small=True
        )
        keys.append(_dot(_scan(plate.short(group.word)), group.ink))
    if look.option("flagged") != "hide":
        keys.append(_flagged_dot())
    return keys


def _by_method(tree: xr.DataTree, checked: xr.Dataset) -> dict[str, np.ndarray]:
    """Mask of the readings of each coring method; one mask without a name if not known."""
    cores = node(tree, "cores")
    if cores is None or "coring_method" not in cores or "core" not in checked.coords:
        return {"": np.ones(checked.sizes["reading"], dtype=bool)}
    method = dict(zip(cores["core"].values, map(str, cores["coring_method"].values), strict=True))
    of_reading = np.array([method.get(core, "other") for core in checked["core"].values])
    words = [*methods_in_order(cores), "other"]
    return {word: of_reading == word for word in dict.fromkeys(words)}


def _limits(axes: Axes, phi: np.ndarray, v: np.ndarray, good: np.ndarray) -> None:
    """Set the axes from the usable readings, with room above for the models."""
    use = good if good.any() else np.ones(phi.size, dtype=bool)
    left, right = np.percentile(phi[use], [0.1, 99.9])
    low, high = np.percentile(v[use], [0.1, 99.9])
    # A uniform hole still gets an axis of some length.
    wide, tall = max(right - left, 0.05), max(high - low, 50.0)  # fraction, m/s
    axes.set_xlim(max(left - 0.08 * wide, 0.0), min(right + 0.08 * wide, 1.0))
    axes.set_ylim(low - 0.35 * tall, high + 0.6 * tall)


def _outside(
    axes: Axes, phi: np.ndarray, v: np.ndarray, reason: np.ndarray, shown: np.ndarray
) -> list[Line2D]:
    """Mark readings outside the bounds; entries of the legend."""
    keys = []
    for word, (words, marker) in _OUTSIDE.items():
        here = shown & ((reason & flags.bit(word)) != 0)
        if not here.any():
            continue
        plate.points(axes, _VELOCITY, words, phi[here], v[here], marker=marker)
        (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
        inside = (phi[here] >= left) & (phi[here] <= right) & (v[here] >= low) & (v[here] <= high)
        off = int((~inside).sum())
        text = f"{words}, {off} of {int(here.sum())} off axis" if off else words
        keys.append(
            Line2D(
                [],
                [],
                marker=marker,
                color="black",
                linestyle="none",
                markersize=3.6,
                markeredgewidth=0.6,
                label=text,
            )
        )
    return keys


def _models(axes: Axes, curves: xr.Dataset) -> list[Line2D]:
    """Draw the models that pass through the axes, the lower bound with its uncertainty."""
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
                plate.curve(
                    axes,
                    _VELOCITY,
                    f"{words}, one standard uncertainty off",
                    porosity,
                    speed + sign * u,
                    colour="0.7",
                )
        plate.curve(axes, _VELOCITY, words, porosity, speed, colour=ink, style=style)
        keys.append(plate.line_key(words, ink, style))
    if keys and keys[-1].get_label() == _LINES["suspension"][0]:
        keys.append(plate.line_key("its standard uncertainty", "0.7"))
    return keys


def _flagged_dot() -> Line2D:
    """Entry of the legend for the rings of flagged readings of a scan."""
    key = _dot("scan, flagged", FLAGGED)
    key.set(marker="o", markersize=2.6, markeredgewidth=0.4, markerfacecolor="none")
    return key


def _dot(words: str, ink: str) -> Line2D:
    """Entry of the legend for the dots of a scan."""
    ink = look.colour_of(words, ink)
    return Line2D(
        [],
        [],
        marker=".",
        color=ink,
        linestyle="none",
        markersize=4.0,
        markeredgewidth=0.0,
        label=words,
    )


# --------------------------------------------------------------------------------------------------
# Formation factor against porosity, with the fitted law of Archie.


_ARCHIE = "formation factor against porosity"
# Labels of the logarithmic axes, whose span is often less than a decade.
_TICKS = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 1, 2, 3, 4, 5, 6, 8, 10, 15, 20, 30, 50, 100)


@adaptable
def formation_factor(
    tree: xr.DataTree,
    *,
    by: str = "none",
    core: Cores | None = None,
    depth: Depths | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw formation factor against the porosity beside it, both axes logarithmic.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/formation_factor`` [1] and ``/products/porosity`` [1];
        Archie's parameters where it has ``/properties/archie``.
    by : {"none", "coring_method", "lithology", "layer"}
        Groups of the scan, see :func:`velocity_density`.
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
        A matplotlib Figure, two columns wide, with one line for each layer.

    Raises
    ------
    NothingToDraw
        If the hole lacks either, or no usable factor has a usable porosity beside it, or the hole
        lacks the table of the groups.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    whole = tree
    tree = cut(tree, core, depth, kept="Archie's parameters are those of the complete hole.")
    factor = require(tree, "properties/formation_factor", "formation_factor")
    porosity = require(whole, "products/porosity", "formation_factor")
    beside = match(
        porosity, to=factor, within=thresholds.DEFAULTS["drawn_pair_reach"], how="nearest"
    )
    f = factor["formation_factor"].values.astype(float)
    phi = beside["porosity"].values.astype(float)
    level = np.maximum(factor["formation_factor_flag"].values, beside["porosity_flag"].values)
    good = np.isfinite(f) & np.isfinite(phi) & (f > 0) & (phi > 0) & flags.usable(level)
    if not good.any():
        raise NothingToDraw(
            "the figure formation_factor needs a usable porosity beside a usable formation factor; "
            f"{the_hole(tree)} has none"
        )
    archie = node(tree, "properties/archie")
    groups = _groups(tree, factor, by, COLOURS["electrical_resistivity"], (f > 0) & (phi > 0))
    with new_plate(TWO_COLUMNS, 88.0 if by == "none" else 98.0, tree) as figure:
        axes = figure.add_subplot()
        keys = _dots(axes, _ARCHIE, groups, phi, f, level)
        axes.set(xscale="log", yscale="log")
        ends = [np.quantile(held[good], [0.001, 0.999]) for held in (phi, f)]
        # Porosity ends at one. On logarithmic axes the free room is a factor.
        axes.set_xlim(0.93 * ends[0][0], min(1.07 * ends[0][1], 1.0))
        axes.set_ylim(0.85 * ends[1][0], 1.15 * ends[1][1])
        if archie is not None:
            reach = _reach(node(tree, "layers"), factor["depth"].values, phi, good)
            if part_of(tree) is not None and "layer_name" in archie.coords:
                drawn = np.isin(archie["layer_name"].values.astype(str), list(reach))
                archie = archie.isel(layer=np.flatnonzero(drawn))
            _laws(axes, archie, reach)
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_locator(FixedLocator(_TICKS))
            axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
            axis.set_minor_formatter(NullFormatter())
        axes.set_xlabel(label("porosity"))
        axes.set_ylabel(label("formation_factor"))
        if by != "none":
            legend_below(figure, keys)
    what = "Formation factor against porosity at the same place, both axes logarithmic."
    return describe(figure, f"{what}{_grouped(tree, by)}", factor, archie)


def _reach(
    layers: xr.Dataset | None, depth: np.ndarray, phi: np.ndarray, good: np.ndarray
) -> dict[str, tuple[float, float]]:
    """Range of the measured porosity of each layer; its line is not drawn beyond."""
    if layers is None:
        return {}
    found = {}
    names, tops, bottoms = (layers[key].values for key in ("name", "top", "bottom"))
    for name, top, bottom in zip(names, tops, bottoms, strict=True):
        here = good & (depth >= top) & (depth < bottom)
        if here.any():
            low, high = np.quantile(phi[here], [0.005, 0.995])
            found[str(name)] = (float(low), float(high))
    return found


def _laws(axes: Axes, archie: xr.Dataset, reach: dict[str, tuple[float, float]]) -> None:
    """Draw one line for each layer over its range, with its parameters beside the figure."""
    names = archie["layer_name"].values if "layer_name" in archie.coords else ["whole hole"]
    m, u = (
        np.atleast_1d(archie[n].values)
        for n in ("cementation_exponent", "cementation_exponent_u_random")
    )
    a, n = (np.atleast_1d(archie[key].values) for key in ("archie_a", "points"))
    for place, name in enumerate(names):
        # A layer without enough readings has no parameters.
        if not (np.isfinite(m[place]) and np.isfinite(a[place])):
            continue
        # Evenly spaced on the logarithmic axis.
        x = np.geomspace(*reach.get(str(name), axes.get_xlim()), 60)
        ink = ("black", "0.3", "0.5")[place // len(DASHES) % 3]
        plate.curve(
            axes,
            _ARCHIE,
            f"Archie, {name}",
            x,
            a[place] * x ** -m[place],
            colour=ink,
            style=DASHES[place % len(DASHES)],
        )
        error = f" ± {u[place]:.2f}" if np.isfinite(u[place]) else ""
        axes.lines[-1].set_label(
            f"{plain(name)}: {a[place]:.2f} φ$^{{-{m[place]:.2f}{error}}}$, n {int(n[place])}"
        )
    handles = [line for line in axes.lines if not str(line.get_label()).startswith("_")]
    legend_beside(
        axes,
        handles[:14],  # more entries do not fit on the height of the figure
        handlelength=4.0,
        title="F = a φ$^{-m}$, by layer",
        title_fontsize=6,
    )


# --------------------------------------------------------------------------------------------------
# Density of samples against that of the scan beside them, by coring method.


@adaptable
def density_comparison(
    tree: xr.DataTree,
    *,
    by: str = "coring_method",
    core: Cores | None = None,
    depth: Depths | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw bulk density of the scan, averaged over the footprint of a sample, against the sample.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/density`` and ``/properties/index_properties`` [g/cm^3].
    by : {"none", "coring_method", "lithology", "layer"}
        Groups of the samples, see :func:`velocity_density`.
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
        A matplotlib Figure, one column wide, with the line of equal densities.

    Raises
    ------
    NothingToDraw
        If the hole lacks either, or no usable sample has usable readings beside it, or the hole
        lacks the table of the groups.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    whole = tree
    tree = cut(tree, core, depth)
    samples = require(tree, "properties/index_properties", "density_comparison")
    scan = require(whole, "properties/density", "density_comparison")
    if "bulk_density" not in samples:
        raise NothingToDraw(
            "the figure density_comparison needs a bulk density of samples; "
            f"{the_hole(tree)} has none"
        )
    beside = match(
        scan, to=samples, within=_WITHIN, how="mean_over_footprint", allow=("good", "not_evaluated")
    )
    x, y = (one["bulk_density"].values.astype(float) for one in (samples, beside))
    level = samples["bulk_density_flag"].values
    both = np.isfinite(x) & np.isfinite(y)
    good = both & flags.usable(level)
    if not good.any():
        raise NothingToDraw(
            "the figure density_comparison needs usable readings of the scan within "
            f"{_WITHIN} of a usable sample; {the_hole(tree)} has none"
        )
    error = [uncertainty.total(one, "bulk_density").values for one in (samples, beside)]
    groups = _groups(tree, samples, by, "black", both)
    with new_plate(ONE_COLUMN, 88.0, tree) as figure:
        axes = figure.add_subplot()
        keys = []
        for group in groups:
            here, word = group.here, plain(group.word) or "samples"
            plate.points(
                axes,
                "scan against samples, bulk density [g/cm^3]",
                word,
                x[here],
                y[here],
                flag=level[here],
                x_error=error[0][here],
                y_error=error[1][here],
                marker=group.marker,
                colour=group.ink,
            )
            keys.append(symbol_key(plate.short(word), group.marker, group.ink))
        ends = np.array([min(x[good].min(), y[good].min()), max(x[good].max(), y[good].max())])
        # Equal limits on both axes, so that the line of equal densities is the diagonal.
        ends += 0.06 * float(np.ptp(ends) or 0.1) * np.array([-1.0, 1.0])
        plate.curve(
            axes,
            "scan against samples, bulk density [g/cm^3]",
            "equal",
            ends,
            ends,
            colour="0.4",
            style="--",
        )
        axes.set_label("bulk_density")
        axes.set(xlim=ends, ylim=ends, aspect="equal")
        axes.set_xlabel(f"{label('bulk_density')}, samples")
        axes.set_ylabel(f"{label('bulk_density')}, scan beside them")
        axes.legend(handles=keys, loc="upper left", handletextpad=0.3)
        note(axes, _difference(y[good] - x[good]), top=False)
    what = (
        "Bulk density of the scan, averaged over the footprint of a sample, against that of the "
        f"sample ({_WITHIN}); dashed: equal."
    )
    what += "" if by == "coring_method" else _grouped(tree, by)
    return describe(figure, what, scan, samples)


def _difference(difference: np.ndarray) -> str:
    """Mean difference [g/cm^3] with its standard error, and the standard deviation."""
    n = difference.size
    spread = difference.std(ddof=1) if n > 1 else np.nan
    error = f" ± {spread / np.sqrt(n):.4f}" if n > 1 else ""
    mean = f"{difference.mean():+.4f}".replace("-", "−")
    return f"{n} pairs\nscan − sample, mean {mean}{error} g/cm³" + (
        f"\nstandard deviation {spread:.4f} g/cm³" if n > 1 else ""
    )


# --------------------------------------------------------------------------------------------------
# Reported values of samples less those that their masses give.


_APART = "#D55E00"


@adaptable
def reported_values(
    tree: xr.DataTree,
    *,
    core: Cores | None = None,
    depth: Depths | None = None,
    **options: Unpack[Look],
) -> Plate:
    """Draw reported values of samples less those computed from their masses, against depth.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/reported_values``.
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
        A matplotlib Figure, two columns wide, with a panel for each reported quantity: densities
        [g/cm^3], porosity and void ratio [1].

    Raises
    ------
    NothingToDraw
        If the hole has no reported values beside masses.
    ValueError
        If a core is unknown, or ``depth`` is not a range.
    """
    tree = cut(tree, core, depth)
    table = require(tree, "properties/reported_values", "reported_values")
    names = [
        str(name).removesuffix("_difference")
        for name in table.data_vars
        if str(name).endswith("_difference")
    ]
    depth = table["depth"].values.astype(float)
    if not np.isfinite(depth).any():
        raise NothingToDraw(
            f"the figure reported_values needs depths; no sample of {the_hole(tree)} has one"
        )
    agrees = table["agrees"].values != 0
    with new_plate(TWO_COLUMNS, 95.0, tree) as figure:
        axes = figure.subplots(1, len(names), sharey=True, squeeze=False)[0]
        for track, name in zip(axes, names, strict=True):
            here = table[f"{name}_difference"]
            words = label(name, words=f"{name.replace('_', ' ')}, reported less computed")
            panel = f"{words} against depth [m]"
            for which, series_name, marker, ink in (
                (agrees, "samples that agree", "o", "black"),
                (~agrees, "samples that differ", "D", _APART),
            ):
                plate.points(
                    track,
                    panel,
                    series_name,
                    here.values[which],
                    depth[which],
                    colour=ink,
                    marker=marker,
                )
            reach = float(here.attrs["tolerance"])
            ends = np.array([np.nanmin(depth), np.nanmax(depth)])
            for side in (-reach, reach):
                plate.curve(track, panel, "tolerance", [side] * 2, ends, colour="0.4", style="--")
            track.set_xlabel(words.replace(", ", ",\n").replace(" [", "\n["))
            track.locator_params(axis="x", nbins=4)
        deep = float(np.nanmax(depth))
        depth_axis(axes[0], 1.03 * deep, min(0.0, float(np.nanmin(depth))) - 0.02 * deep)
        keys = [
            symbol_key("agrees", "o", "black"),
            symbol_key("differs", "D", _APART),
            line_key("tolerance", "0.4", "--"),
        ]
        figure.legend(handles=keys, loc="outside lower center", ncols=3)
    what = (
        "Reported values of samples less those computed from their masses, against depth; dashed: "
        "the largest difference that rounding explains."
    )
    return describe(figure, what, table, depth_scale="depth")
