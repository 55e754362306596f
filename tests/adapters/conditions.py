"""Adapters of what the stages of a reduction need: conditions in the hole, water, liners."""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.downhole.temperature import gradient
from corephys.products.elastic import fluids
from corephys.sensors.pwave import liner
from tests.adapters.registry import Inputs, adapter, straight

straight("stress.pressure_halfway", "corephys.products.stress.fluids.pressure_halfway", "depth")
straight(
    "stress.pressure_of_column",
    "corephys.products.stress.fluids.pressure_of_column",
    "density",
    "gravity",
    "height",
)


@adapter("liner.time_in_walls", "corephys.sensors.pwave.liner.time_in_walls")
def time_in_walls(inputs: Inputs) -> Any:
    return dict(zip(("time", "uncertainty"), liner.time_in_walls(**inputs), strict=True))


@adapter("liner.fluid_gap", "corephys.sensors.pwave.liner.fluid_gap")
def fluid_gap(inputs: Inputs) -> Any:
    return liner.fluid_gap(**inputs)


@adapter("gradient.line_from_seafloor", "corephys.downhole.temperature.gradient.line_from_seafloor")
def line_from_seafloor(inputs: Inputs) -> Any:
    depth, warm = np.array(inputs["depth"]), np.array(inputs["temperature"])
    found = gradient.line_from_seafloor(depth, warm, inputs["seafloor"])
    return dict(zip(("gradient", "scatter"), found, strict=True))


@adapter(
    "gradient.line_or_usual_gradient",
    "corephys.downhole.temperature.gradient.line_or_usual_gradient",
)
def line_or_usual_gradient(inputs: Inputs) -> Any:
    arrays = {k: np.array(v) for k, v in inputs.items() if isinstance(v, list)}
    found = gradient.line_or_usual_gradient(**{**inputs, **arrays})
    return dict(zip(("temperature", "uncertainty"), found, strict=True))


@adapter("fluids.water", "corephys.products.elastic.fluids.water")
def water(inputs: Inputs) -> Any:
    return fluids.water(**inputs, words="by hand").bulk_modulus.value
