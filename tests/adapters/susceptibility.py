"""Adapters of magnetic susceptibility and of the temperature of a core that warms on deck."""

from __future__ import annotations

from typing import Any

import corephys as cp
from corephys.quality import equilibration
from tests.adapters.registry import Inputs, adapter, array, straight

straight("susceptibility.to_si", "corephys.sensors.susceptibility.to_si", "reading", "unit")


def _factor(name: str) -> None:
    @adapter(f"susceptibility.{name}", f"corephys.sensors.susceptibility.{name}")
    def factor(inputs: Inputs) -> Any:
        value = getattr(cp.susceptibility, name)(**inputs)
        return {"factor": value, "from reading to susceptibility": 1.0 / value}


_factor("volume_factor")
_factor("volume_factor_quadratic")


@adapter(
    "susceptibility.magnetic_susceptibility",
    "corephys.sensors.susceptibility.magnetic_susceptibility",
)
def chain(inputs: Inputs) -> Any:
    return cp.susceptibility.magnetic_susceptibility(array([inputs.pop("reading")], "1"), **inputs)


@adapter("equilibration.axis_departure", "corephys.quality.equilibration.axis_departure")
def axis(inputs: Inputs) -> Any:
    return equilibration.axis_departure(inputs["fourier"], inputs.get("biot", float("inf")))
