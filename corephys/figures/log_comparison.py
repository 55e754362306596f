"""A series of the cores beside a downhole log, and what is left between them."""

from __future__ import annotations

import matplotlib
import numpy as np
import xarray as xr

from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import NothingToDraw, Series, node, series
from corephys.figures.style import COLOURS, SETTINGS, TWO_COLUMNS, label
from corephys.figures.tracks import span
from corephys.ground import flags

__all__ = ["log_comparison"]

_HOMES = {
    "bulk_density": "properties/density",
    "p_wave_velocity": "properties/velocity",
    "electrical_resistivity": "properties/resistivity",
    "magnetic_susceptibility": "properties/susceptibility",
    "natural_gamma_rate": "properties/natural_gamma",
    "porosity": "products/porosity",
}


def log_comparison(tree: xr.DataTree, *, quantity: str | None = None) -> Plate:
    """Draw a quantity of the scan and of a log on one depth axis, and core less log.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with a log (``/properties/log_...``) and the same quantity of the cores.
    quantity : str, optional
        Which one; the first that both have where not given.

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide; depths are those of cores and log as they stand,
        nothing is shifted.

    Raises
    ------
    NothingToDraw
        When the hole has no log, or none with a quantity of the cores.
    """
    logs = [leaf for leaf in tree.leaves if leaf.path.startswith("/properties/log_")]
    wanted = [quantity] if quantity else list(_HOMES)
    for name in wanted:
        for leaf in logs:
            log = series(tree, leaf.path.strip("/"), name)
            core = series(tree, _HOMES.get(name, ""), name) if name in _HOMES else None
            if log is not None and core is not None:
                return _drawn(tree, core, log, leaf.to_dataset(inherit=False))
    held = ", ".join(leaf.path.strip("/") for leaf in logs) or "no log"
    raise NothingToDraw(
        f"the figure log_comparison shows {quantity or 'a quantity'} of cores and a log; this hole "
        f"has {held}"
    )


def _drawn(tree: xr.DataTree, core: Series, log: Series, held: xr.Dataset) -> Plate:
    good = flags.usable(core.flag) & np.isfinite(core.values) & np.isfinite(core.depth)
    seen = flags.usable(log.flag) & np.isfinite(log.values) & np.isfinite(log.depth)
    if not (good.any() and seen.sum() > 1):
        raise NothingToDraw(f"cores and log have no usable {core.label} both")
    order = np.argsort(log.depth[seen], kind="stable")
    z, value = log.depth[seen][order], log.values[seen][order]
    # Beyond three usual steps of the log nothing is interpolated.
    near = 3.0 * float(np.median(np.diff(z)))
    at = np.interp(core.depth, z, value, left=np.nan, right=np.nan)
    place = np.clip(np.searchsorted(z, core.depth), 1, z.size - 1)
    gap = np.minimum(np.abs(core.depth - z[place - 1]), np.abs(z[place] - core.depth)) > near
    at[gap] = np.nan
    left_over = core.values - at
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(TWO_COLUMNS, 110.0)
        axes = figure.subplots(1, 2, sharey=True, width_ratios=[1.5, 1.0])
        panel = f"{core.label} against depth [m]"
        ink = COLOURS.get(core.name, "0.4")
        drawn.points(axes[0], panel, "cores", core.values, core.depth, flag=core.flag, colour=ink,
                     small=True)  # fmt: skip
        ends = np.flatnonzero(np.diff(z) > near) + 1
        drawn.curve(
            axes[0], panel, "log", np.insert(value, ends, np.nan), np.insert(z, ends, np.nan)
        )
        axes[0].set_xlim(*span([core, log]))
        axes[0].set_xlabel(core.label)
        axes[0].set_title("dots: cores, line: log", loc="left", fontsize=6)
        figure.head(tree)
        unit = label(core.name).partition(" [")[2]
        words = f"core less log{' [' + unit if unit else ''}"
        drawn.points(axes[1], f"{words} against depth [m]", "core less log", left_over, core.depth,
                     flag=core.flag, colour=ink, small=True)  # fmt: skip
        axes[1].axvline(0.0, color="0.4", linewidth=0.8, linestyle="--", zorder=1)
        some = left_over[good & np.isfinite(left_over)]
        if some.size:
            middle = float(np.median(some))
            reach = 1.2 * max(float(np.quantile(np.abs(some - middle), 0.99)), abs(middle)) or 1.0
            axes[1].set_xlim(middle - reach, middle + reach)
            axes[1].set_title(f"median {middle:+.4g}", loc="left", fontsize=6)
        axes[1].set_xlabel(words)
        deep, high = np.nanmax(core.depth[good]), np.nanmin(core.depth[good])
        room = 0.02 * float(deep - high or 1.0)
        axes[0].set_ylim(deep + room, high - room)
        axes[0].set_ylabel(label("depth"))
    what = f"{core.label.partition(' [')[0]} of cores and log, and what is left between them."
    what = what[0].upper() + what[1:]
    compared = node(tree, f"products/log_comparison_{core.name}")
    return describe(figure, what, held, compared, depth_scale="depth")
