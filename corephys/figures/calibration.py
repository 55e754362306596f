"""The gamma calibration: standards, fit and what the fit leaves."""

from __future__ import annotations

import matplotlib
import numpy as np
import xarray as xr

from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import require
from corephys.figures.style import COLOURS, ONE_COLUMN, SEALED_SOURCE, SETTINGS, label

__all__ = ["gamma_calibration"]


def gamma_calibration(tree: xr.DataTree) -> Plate:
    """Draw the logarithm of the rate against areal density, with the residuals below.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/gamma_calibration``; areal density in g/cm^2.

    Returns
    -------
    Plate
        A matplotlib Figure, one column wide.

    Raises
    ------
    NothingToDraw
        When the hole has no gamma calibration.
    """
    table = require(tree, "properties/gamma_calibration", "gamma_calibration")
    x = table["areal_density"].values.astype(float)
    order = np.argsort(x, kind="stable")
    axis = label("areal_density", "g/cm^2", "areal density inside the liner")
    with matplotlib.rc_context(SETTINGS):
        figure = Plate(ONE_COLUMN, 96.0)
        grid = figure.add_gridspec(2, 1, height_ratios=[2.2, 1.0])
        above = figure.add_subplot(grid[0])
        below = figure.add_subplot(grid[1], sharex=above)
        panel = f"ln of the net rate against {axis}"
        drawn.points(above, panel, "standards", x, table["log_rate"].values)
        line, words = _fit_line(table, x, order)
        drawn.curve(above, panel, "fit", *line, colour=COLOURS["bulk_density"])
        above.set_ylabel("ln (net rate · s)")
        above.tick_params(labelbottom=False)
        above.text(0.97, 0.95, words, transform=above.transAxes, ha="right", va="top", fontsize=6)
        thousandths = 1e3 * table["residual"].values
        error = None
        if "log_rate_uncertainty" in table:
            error = 1e3 * table["log_rate_uncertainty"].values
        drawn.points(
            below, f"residual [0.001] against {axis}", "standards", x, thousandths, y_error=error
        )
        below.axhline(0.0, color=COLOURS["bulk_density"], linewidth=0.8, zorder=1)
        below.set_xlabel(axis)
        below.set_ylabel("residual [0.001]")
        figure.align_ylabels([above, below])
        figure.head(tree)
        figure.supxlabel(_folded(SEALED_SOURCE), fontsize=4.8, color="0.35")
    what = (
        "Calibration of gamma attenuation on standards of known areal density, and "
        "residuals of the fit."
    )
    return describe(figure, what, table)


def _fit_line(
    table: xr.Dataset, x: np.ndarray, order: np.ndarray
) -> tuple[tuple[np.ndarray, np.ndarray], str]:
    """The fitted curve and what is said of it."""
    words = []
    chi_square = table.attrs.get("reduced_chi_square")
    if chi_square is not None:
        words.append(f"{x.size} counts, reduced χ² {float(chi_square):.2f}")
    coefficients = table.attrs.get("coefficients")
    if coefficients is None:
        return (x[order], table["fitted"].values[order]), "\n".join(words)
    grid = np.linspace(x.min(), x.max(), 101)
    c = np.trim_zeros(np.atleast_1d(np.asarray(coefficients, dtype=float)), "b")
    words.append("straight line" if c.size == 2 else f"polynomial of degree {c.size - 1}")
    return (grid, np.polynomial.polynomial.polyval(grid, c)), "\n".join(words)


def _folded(text: str) -> str:
    """A long line in two."""
    middle = text.index(" ", len(text) // 2)
    return f"{text[:middle]}\n{text[middle + 1 :]}"
