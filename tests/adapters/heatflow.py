"""Adapters of heat flow."""

from __future__ import annotations

from typing import Any

import numpy as np

import corephys as cp
from tests.adapters.registry import Inputs, adapter, array


@adapter("heatflow.thermal_resistance", "corephys.products.heatflow_resistance.thermal_resistance")
def resistance(inputs: Inputs) -> Any:
    """Layers: a measurement just inside each end, so that the nearest one is the layer's own."""
    bottom = np.cumsum(inputs["thickness"])
    top = bottom - np.array(inputs["thickness"])
    depth = np.ravel(np.column_stack([top + 1.0, bottom - 1.0]))
    conductivity = array(np.repeat(inputs["conductivity"], 2), "W/(m K)")
    return cp.heatflow.thermal_resistance(
        conductivity.assign_coords(depth=array(depth, "m")),
        at=array(bottom[-1:], "m"), how="steps",
    )  # fmt: skip


@adapter("heatflow.bullard", "corephys.products.heatflow.bullard")
def bullard(inputs: Inputs) -> Any:
    """Temperatures exactly on T0 + q R, through sediment of one conductivity."""
    conductivity, r = inputs["conductivity"], np.array(inputs["resistance"])
    depth = array(r * conductivity, "m")
    known = array([conductivity] * r.size, "W/(m K)").assign_coords(depth=depth)
    temperature = array(inputs["bottom"] + 1e-3 * inputs["heat_flow"] * r, "degC")
    temperature = temperature.assign_coords(depth=depth)
    return cp.heatflow.bullard(temperature, cp.heatflow.thermal_resistance(known, at=temperature))
