"""Adapters of products."""

from __future__ import annotations

from typing import Any

import numpy as np

import corephys as cp
from tests.adapters.registry import Inputs, adapter, array, straight

# Products ----------------------------------------------------------------------------------------

straight("porosity.from_density", "corephys.products.porosity.from_density", "density")
straight(
    "seismic.acoustic_impedance",
    "corephys.products.seismic.acoustic_impedance",
    "density",
    "velocity",
)
straight(
    "seismic.water_two_way_time", "corephys.products.seismic.water_two_way_time", "water_depth"
)


@adapter("seismic.two_way_time", "corephys.products.seismic.two_way_time")
def travel(inputs: Inputs) -> Any:
    """Layers of constant velocity: a reading at the top and one at the bottom of each."""
    hair = 1e-9  # m, so that the readings of two layers at a boundary are not at one depth
    depth = [z for t, b in zip(inputs["top"], inputs["bottom"], strict=True) for z in (t + hair, b)]
    velocity = array(np.repeat(inputs["velocity"], 2), "m/s")
    found = cp.seismic.two_way_time(velocity, depth=array(depth, "m"))
    return {"two_way_time": found["two_way_time"][-1]}


@adapter("seismic.reflection_coefficient", "corephys.products.seismic.reflection_coefficient")
def reflection(inputs: Inputs) -> Any:
    found = cp.seismic.reflection_coefficient(array(inputs["impedance"], inputs["unit"]))
    return {name: np.asarray(values).ravel()[-1] for name, values in found.data_vars.items()}
