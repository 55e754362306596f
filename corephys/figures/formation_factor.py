"""Formation factor against porosity, with Archie's law as it was fitted."""

from __future__ import annotations

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter

from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import NothingToDraw, node, require
from corephys.figures.style import COLOURS, DASHES, SETTINGS, TWO_COLUMNS, label, plain
from corephys.ground import flags, thresholds
from corephys.hole.placing.depth import match

__all__ = ["formation_factor"]

_PANEL = "formation factor against porosity"
_TICKS = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 1, 2, 3, 4, 5, 6, 8, 10, 15, 20, 30, 50, 100)


def formation_factor(tree: xr.DataTree) -> Plate:
    """Draw formation factor against the porosity beside it, both axes logarithmic.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/formation_factor`` [1] and ``/products/porosity`` [1];
        Archie's parameters where it has ``/properties/archie``.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide, with one line a layer.

    Raises
    ------
    NothingToDraw
        When the hole lacks either, or none of the readings lie beside each other.
    """
    factor = require(tree, "properties/formation_factor", "formation_factor")
    porosity = require(tree, "products/porosity", "formation_factor")
    beside = match(
        porosity, to=factor, within=thresholds.DEFAULTS["drawn_pair_reach"], how="nearest"
    )
    f = factor["formation_factor"].values.astype(float)
    phi = beside["porosity"].values.astype(float)
    level = np.maximum(factor["formation_factor_flag"].values, beside["porosity_flag"].values)
    good = np.isfinite(f) & np.isfinite(phi) & (f > 0) & (phi > 0) & flags.usable(level)
    if not good.any():
        raise NothingToDraw(
            "no usable formation factor of this hole has a usable porosity beside it"
        )
    archie = node(tree, "properties/archie")
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, 88.0)
        axes = figure.add_subplot()
        positive = (f > 0) & (phi > 0)
        drawn.points(axes, _PANEL, "scan", phi[positive], f[positive], flag=level[positive],
                     colour=COLOURS["electrical_resistivity"], small=True)  # fmt: skip
        axes.set(xscale="log", yscale="log")
        ends = [np.quantile(held[good], [0.001, 0.999]) for held in (phi, f)]
        axes.set_xlim(0.93 * ends[0][0], min(1.07 * ends[0][1], 1.0))
        axes.set_ylim(0.85 * ends[1][0], 1.15 * ends[1][1])
        if archie is not None:
            reach = _reach(node(tree, "layers"), factor["depth"].values, phi, good)
            _laws(axes, archie, reach)
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_locator(FixedLocator(_TICKS))
            axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
            axis.set_minor_formatter(NullFormatter())
        axes.set_xlabel(label("porosity"))
        axes.set_ylabel(label("formation_factor"))
        figure.head(tree)
    what = "Formation factor against porosity at the same place, both axes logarithmic."
    return describe(figure, what, factor, archie)


def _reach(
    layers: xr.Dataset | None, depth: np.ndarray, phi: np.ndarray, good: np.ndarray
) -> dict[str, tuple[float, float]]:
    """Range of porosity of each layer: beyond it nothing of that layer was measured."""
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
    """One line a layer, as far as its readings reach, with its numbers beside the figure."""
    names = archie["layer_name"].values if "layer_name" in archie.coords else ["whole hole"]
    m, u = (np.atleast_1d(archie[n].values) for n in
            ("cementation_exponent", "cementation_exponent_u_random"))  # fmt: skip
    a, n = (np.atleast_1d(archie[key].values) for key in ("archie_a", "points"))
    for place, name in enumerate(names):
        if not (np.isfinite(m[place]) and np.isfinite(a[place])):
            continue
        x = np.geomspace(*reach.get(str(name), axes.get_xlim()), 60)
        ink = ("black", "0.3", "0.5")[place // len(DASHES) % 3]
        drawn.curve(axes, _PANEL, f"Archie, {name}", x, a[place] * x ** -m[place], colour=ink,
                    style=DASHES[place % len(DASHES)])  # fmt: skip
        error = f" ± {u[place]:.2f}" if np.isfinite(u[place]) else ""
        axes.lines[-1].set_label(
            f"{plain(name)}: {a[place]:.2f} φ$^{{-{m[place]:.2f}{error}}}$, n {int(n[place])}"
        )
    handles = [line for line in axes.lines if not line.get_label().startswith("_")]
    axes.legend(handles=handles[:14], loc="upper left", bbox_to_anchor=(1.01, 1.0),
                borderaxespad=0.0, handlelength=4.0, title="F = a φ$^{-m}$, by layer",
                title_fontsize=6)  # fmt: skip
