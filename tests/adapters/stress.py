"""Adapters of stress."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

import corephys as cp
from corephys.products import stress
from tests.adapters.registry import Inputs, adapter, array


@adapter("stress.effective_stress_of_layers",
         "corephys.products.stress.effective_stress_of_layers")  # fmt: skip
def of_layers(inputs: Inputs) -> Any:
    found = stress.effective_stress_of_layers(
        cp.quantity(np.array(inputs["thickness_m"]), "m"),
        cp.quantity(np.array(inputs["density"]), "g/cm^3"),
        fluid_density=f"{inputs['fluid_density']} g/cm^3", gravity=f"{inputs['gravity']} m/s^2",
    )  # fmt: skip
    return float(found[-1])


@adapter("stress.vertical_effective_stress", "corephys.products.stress.vertical_effective_stress")
def of_profile(inputs: Inputs) -> Any:
    """Layers of constant density: a reading at the top and one at the bottom of each."""
    ends = np.cumsum([0.0, *inputs["thickness_m"]])
    depth = np.array([z for t, b in pairwise(ends) for z in (t + 1e-9, b)])
    density = array(np.repeat(inputs["density"], 2), "g/cm^3").assign_coords(
        depth=array(depth, "m")
    )
    at = array([0.0], "m").assign_coords(depth=array([ends[-1]], "m"))
    found = stress.vertical_effective_stress(
        density.to_dataset(name="bulk_density"), at=at,
        fluid_density=f"{inputs['fluid_density']} g/cm^3", gravity=f"{inputs['gravity']} m/s^2",
    )  # fmt: skip
    return found["vertical_effective_stress"].item()
