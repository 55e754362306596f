"""Heat flow: conductivity, temperature, and temperature against thermal resistance."""

from __future__ import annotations

import json

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from corephys import uncertainty
from corephys.figures import drawn
from corephys.figures.caption import describe
from corephys.figures.drawn import Plate
from corephys.figures.reading import NothingToDraw, Series, node, require, scalar, series
from corephys.figures.style import COLOURS, ONE_COLUMN, SETTINGS, TWO_COLUMNS, label, stated
from corephys.figures.tracks import span
from corephys.ground import units

__all__ = ["bottom_water", "heat_flow"]


def heat_flow(tree: xr.DataTree) -> Plate:
    """Draw conductivity and temperature against depth, and the Bullard plot beside them.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with ``/properties/formation_temperature``; conductivity, resistance and
        heat flow are drawn where it has them (W/(m K), m^2 K/W, mW/m^2).

    Returns
    -------
    Plate
        A matplotlib Figure, two columns wide.

    Raises
    ------
    NothingToDraw
        When the hole has no formation temperature.
    """
    require(tree, "properties/formation_temperature", "heat_flow")
    temperature = series(tree, "properties/formation_temperature", "equilibrium_temperature")
    if temperature is None:
        raise NothingToDraw("no station of this hole has an equilibrium temperature to draw")
    conductivity = series(tree, "properties/thermal_conductivity", "thermal_conductivity")
    resistance = node(tree, "products/thermal_resistance")
    flow = node(tree, "products/heat_flow")
    with matplotlib.rc_context(SETTINGS):
        columns = 1 + (conductivity is not None) + (resistance is not None)
        figure = Plate(ONE_COLUMN if columns == 1 else TWO_COLUMNS, 82.0)
        axes = list(figure.subplots(1, columns, squeeze=False)[0])
        deepest = np.concatenate([one.depth for one in (temperature, conductivity) if one])
        bottom = float(np.nanmax(deepest)) * 1.04
        if conductivity is not None:
            _against_depth(axes[0], conductivity, bottom)
        spot = axes[int(conductivity is not None)]
        _against_depth(spot, temperature, bottom)
        if resistance is not None:
            _bullard(axes[-1], temperature, resistance, flow, bottom_water(tree, flow))
        figure.head(tree)
    what = (
        "Thermal conductivity and equilibrium temperature against depth, and temperature "
        "against thermal resistance with the fitted line."
    )
    return describe(
        figure,
        what,
        node(tree, "properties/thermal_conductivity"),
        node(tree, "properties/formation_temperature"),
        resistance,
        flow,
        depth_scale="depth",
    )


def _against_depth(axes: Axes, one: Series, bottom: float) -> None:
    drawn.points(
        axes, f"{one.label} against depth [m]", one.name.replace("_", " "), one.values, one.depth,
        flag=one.flag, x_error=one.error, colour=COLOURS[one.name],
    )  # fmt: skip
    axes.set_xlim(*span([one]))
    axes.set_ylim(bottom, -0.02 * bottom)
    axes.set_xlabel(one.label)
    axes.set_ylabel("depth below seafloor [m]")


def _bullard(
    axes: Axes, temperature: Series, resistance: xr.Dataset, flow: xr.Dataset | None,
    bottom_water: float,
) -> None:  # fmt: skip
    name = "thermal_resistance"
    x = resistance[name].values.astype(float)
    known = f"{name}_u_random" in resistance and f"{name}_u_systematic" in resistance
    error = uncertainty.total(resistance, name).values if known else None
    panel = f"{temperature.label} against {label(name)}"
    # The resistance stands at the stations, one a temperature.
    drawn.points(
        axes, panel, "stations", temperature.values, x, flag=temperature.flag,
        x_error=temperature.error, y_error=error, colour=COLOURS[temperature.name],
    )  # fmt: skip
    bottom = float(np.nanmax(x)) * 1.06
    axes.set_ylim(bottom, -0.03 * bottom)
    axes.set_xlabel(temperature.label)
    axes.set_ylabel(label(name))
    if flow is None or "heat_flow" not in flow:
        return
    slope, u_slope = scalar(flow, "heat_flow")
    at_top, _ = scalar(flow, "surface_temperature")
    ends = np.array([0.0, float(np.nanmax(x))])
    drawn.curve(axes, panel, "fit", at_top + slope * 1e-3 * ends, ends)
    if np.isfinite(bottom_water):
        drawn.points(axes, panel, "bottom water", [bottom_water], [0.0], marker="s")
        axes.annotate("bottom water", (bottom_water, 0.0), xytext=(5, 0), fontsize=6,
                      textcoords="offset points", va="center")  # fmt: skip
    axes.text(0.97, 0.95, f"q = {stated(slope, u_slope, 'mW/m^2')}", transform=axes.transAxes,
              ha="right", va="top", fontsize=6.5)  # fmt: skip


def bottom_water(tree: xr.DataTree, flow: xr.Dataset | None) -> float:
    """Temperature at the seafloor that the line was fitted with.

    Parameters
    ----------
    tree : DataTree
        Reduced hole with its recipe.
    flow : Dataset or None
        ``/products/heat_flow``.

    Returns
    -------
    float
        In degC; NaN without one.
    """
    if flow is None or flow.attrs.get("bottom_water") != "included":
        return float("nan")
    given = json.loads(tree.attrs.get("recipe", "{}")).get("hole", {})
    text = given.get("bottom_water_temperature")
    if text is None:
        return float("nan")
    return float(units.as_floats(text, "degC", "bottom_water_temperature"))
