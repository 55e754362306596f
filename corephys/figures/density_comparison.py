"""Density of samples against that of the scan beside them, by coring method."""

from __future__ import annotations

import matplotlib
import numpy as np
from matplotlib.lines import Line2D
from xarray import DataTree

from corephys import uncertainty
from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import NothingToDraw, node, require
from corephys.figures.style import METHODS, ONE_COLUMN, SETTINGS, label
from corephys.ground import flags, thresholds
from corephys.hole.placing.depth import match

__all__ = ["density_comparison"]

_WITHIN = thresholds.DEFAULTS["drawn_sample_reach"]


def density_comparison(tree: DataTree) -> Plate:
    """Draw bulk density of the scan, averaged over the footprint of a sample, against the sample's.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/density`` and ``/properties/index_properties`` [g/cm^3].

    Returns
    -------
    Plate
        A matplotlib Figure, one column wide, with the line of equal densities.

    Raises
    ------
    NothingToDraw
        When the hole lacks either, or no sample has usable readings beside it.
    """
    samples = require(tree, "properties/index_properties", "density_comparison")
    scan = require(tree, "properties/density", "density_comparison")
    beside = match(
        scan, to=samples, within=_WITHIN, how="mean over footprint", allow=("good", "not_evaluated")
    )
    x, y = (one["bulk_density"].values.astype(float) for one in (samples, beside))
    level = samples["bulk_density_flag"].values
    both = np.isfinite(x) & np.isfinite(y)
    good = both & flags.usable(level)
    if not good.any():
        raise NothingToDraw(
            f"no usable sample has usable readings of the scan within {_WITHIN}: nothing to compare"
        )
    error = [uncertainty.total(one, "bulk_density").values for one in (samples, beside)]
    methods = _methods(tree, samples)
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(ONE_COLUMN, 88.0)
        axes = figure.add_subplot()
        keys = []
        for word in dict.fromkeys(methods[both]):
            marker, ink = METHODS.get(word, METHODS["other"])
            here = both & (methods == word)
            drawn.points(
                axes, "scan against samples, bulk density [g/cm^3]", word, x[here], y[here],
                flag=level[here], x_error=error[0][here], y_error=error[1][here], marker=marker,
                colour=ink,
            )  # fmt: skip
            keys.append(Line2D([], [], marker=marker, color=ink, markerfacecolor="white",
                               linestyle="none", markersize=3.6, label=word))  # fmt: skip
        ends = np.array([min(x[good].min(), y[good].min()), max(x[good].max(), y[good].max())])
        ends += 0.06 * float(np.ptp(ends) or 0.1) * np.array([-1.0, 1.0])
        drawn.curve(axes, "scan against samples, bulk density [g/cm^3]", "equal", ends, ends,
                    colour="0.4", style="--")  # fmt: skip
        axes.set(xlim=ends, ylim=ends, aspect="equal")
        axes.set_xlabel(f"{label('bulk_density')}, samples")
        axes.set_ylabel(f"{label('bulk_density')}, scan beside them")
        figure.head(tree)
        axes.legend(handles=keys, loc="upper left", handletextpad=0.3)
        axes.text(0.97, 0.03, _words(y[good] - x[good]), transform=axes.transAxes, ha="right",
                  va="bottom", fontsize=6)  # fmt: skip
    what = (
        "Bulk density of the scan, averaged over the footprint of a sample, against that of the "
        f"sample ({_WITHIN}); dashed: equal."
    )
    return describe(figure, what, scan, samples)


def _methods(tree: DataTree, samples: object) -> np.ndarray:
    """Coring method of each sample's core."""
    cores = node(tree, "cores")
    names = samples["core"].values if "core" in samples.coords else []  # type: ignore[index, attr-defined]
    if cores is None or "coring_method" not in cores or not len(names):
        return np.full(samples.sizes["reading"], "other", dtype=object)  # type: ignore[attr-defined]
    known = dict(zip(cores["core"].values, map(str, cores["coring_method"].values), strict=True))
    return np.array([known.get(name, "other") for name in names], dtype=object)


def _words(difference: np.ndarray) -> str:
    n = difference.size
    spread = difference.std(ddof=1) if n > 1 else np.nan
    error = f" ± {spread / np.sqrt(n):.4f}" if n > 1 else ""
    mean = f"{difference.mean():+.4f}".replace("-", "−")
    return f"{n} pairs\nscan − sample, mean {mean}{error} g/cm³" + (
        f"\nstandard deviation {spread:.4f} g/cm³" if n > 1 else ""
    )
