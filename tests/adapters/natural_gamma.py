"""Adapters of natural gamma."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from tests.adapters.registry import Inputs, adapter, array, straight

straight(
    "natural_gamma.mass_in_view",
    "corephys.sensors.natural_gamma.stripping.mass_in_view",
    "density",
    "core_diameter",
)


@adapter("natural_gamma.net_rate", "corephys.sensors.natural_gamma.net_rate")
def net(inputs: Inputs) -> Mapping[str, Any]:
    """One reading: its rate and the total of its two uncertainties."""
    found = cp.natural_gamma.net_rate(
        array([inputs["counts"]], "count"),
        array([inputs["live_time_s"]], "s"),
        background_counts=cp.quantity(inputs["background_counts"], "count"),
        background_time=cp.quantity(inputs["background_time_s"], "s"),
    )
    name = "natural_gamma_rate"
    total = np.hypot(found[f"{name}_u_random"].values, found[f"{name}_u_systematic"].values)
    return {"rate": found[name].values, "uncertainty": total}


@adapter("natural_gamma.filled_share", "corephys.sensors.natural_gamma.edges.filled_share")
def share(inputs: Inputs) -> Any:
    """Share of a Gaussian response at one offset."""
    return cp.natural_gamma.filled_share(
        cp.quantity([inputs["offset_cm"]], "cm"),
        cp.quantity(inputs["length_cm"], "cm"),
        response_width=cp.quantity(inputs["width_cm"], "cm"),
    )[0]


@adapter("natural_gamma.edge_correct", "corephys.sensors.natural_gamma.edges.edge_correct")
def edge(inputs: Inputs) -> Any:
    """A rate at a stated share."""
    rate = cp.natural_gamma.net_rate(array([inputs["counts"]], "count"), array([60.0], "s"))
    found = cp.natural_gamma.edge_correct(rate, np.array([inputs["share"]]))
    return found["natural_gamma_rate"].values[0]


@adapter("natural_gamma.stack", "corephys.sensors.natural_gamma.edges.stack")
def stacked(inputs: Inputs) -> Any:
    """Counts of one stack."""
    table = xr.Dataset(
        {
            "counts": array(inputs["counts"], "count"),
            "live_time": array(inputs["live_time_s"], "s"),
        }
    )
    return cp.natural_gamma.stack(table, [0] * len(inputs["counts"]))["counts"].values[0]


@adapter("natural_gamma.strip", "corephys.sensors.natural_gamma.stripping.strip")
def stripped(inputs: Inputs) -> Mapping[str, Any]:
    """Counts worked by hand from three windows of which each sees one element more."""
    s = np.array(inputs["sensitivity"])
    windows = ("a", "b", "c")
    zero = np.zeros((3, 3, 3))
    stripping = cp.natural_gamma.Stripping(
        windows, s, zero, np.array(inputs["background_1_s"]), np.zeros(3), 1.0
    )
    table = xr.Dataset({"live_time": array([inputs["live_time_s"]], "s")})
    for name, counts in zip(windows, inputs["counts"], strict=True):
        table[f"counts_{name}"] = array([counts], "count")
    found = cp.natural_gamma.strip(
        table,
        stripping=stripping,
        density="2 g/cm^3",
        core_diameter=cp.quantity(np.sqrt(4.0 / np.pi), "cm"),
    )
    return {name: found[name].values for name in ("potassium", "uranium", "thorium")}


@adapter(
    "natural_gamma.heat_production", "corephys.sensors.natural_gamma.stripping.heat_production"
)
def heat(inputs: Inputs) -> Any:
    """Heat of scalar concentrations."""
    return cp.natural_gamma.heat_production(
        inputs["potassium"],
        inputs["uranium"],
        inputs["thorium"],
        inputs["density"],
        mass_basis=inputs["mass_basis"],
    )["heat_production"]
