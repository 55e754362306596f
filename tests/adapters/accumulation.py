"""Adapters of accumulation."""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.products import accumulation
from tests.adapters.registry import Inputs, adapter, array, straight

straight(
    "accumulation.mass_accumulation_rate",
    "corephys.products.accumulation.mass_accumulation_rate",
    "dry_density",
    "rate",
)


@adapter(
    "accumulation.mass_accumulation_of_phases",
    "corephys.products.accumulation.mass_accumulation_of_phases",
)
def of_phases(inputs: Inputs) -> Any:
    found = accumulation.mass_accumulation_of_phases(
        inputs.pop("thickness"), inputs.pop("duration"), **inputs
    )
    return found.to("g/(cm^2 kyr)").magnitude


straight(
    "accumulation.component_accumulation_rate",
    "corephys.products.accumulation.component_accumulation_rate",
    "rate",
)


@adapter("accumulation.sedimentation_rate", "corephys.products.accumulation.sedimentation_rate")
def between(inputs: Inputs) -> Any:
    """The interval that the row names, and its covariance with the next one."""
    depth, age = (
        array(inputs.pop(key), unit) for key, unit in (("depth_m", "m"), ("age_kyr", "kyr"))
    )
    found = accumulation.sedimentation_rate(age, depth=depth, **inputs)
    answer = {name: np.ravel(found[name].values)[0] for name in found if name != "covariance"}
    shared = found["sedimentation_rate_covariance"].values
    return answer | {"covariance": shared[0, 1] if len(shared) > 1 else np.nan}
