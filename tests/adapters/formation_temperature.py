"""Adapters of formation temperature."""

from __future__ import annotations

from typing import Any

from corephys.downhole import temperature as formation
from corephys.ground import units
from tests.adapters.registry import Inputs, adapter, straight

straight(
    "formation_temperature.late_decay_function",
    "corephys.downhole.temperature.decay.late_decay_function",
    "alpha",
    "tau",
)


@adapter(
    "formation_temperature.late_decay_function over decay_function",
    "corephys.downhole.temperature.decay.late_decay_function",
)
def late_over_exact(inputs: Inputs) -> Any:
    """First term of late time over the whole function, less one."""
    late = formation.late_decay_function(inputs["alpha"], inputs["tau"])
    return late / formation.decay_function(inputs["alpha"], inputs["tau"]) - 1.0


@adapter(
    "formation_temperature.late_time_temperature",
    "corephys.downhole.temperature.decay.late_time_temperature",
)
def late_time_temperature(inputs: Inputs) -> float:
    """Temperatures of a row as lists, in s and degC."""
    found = formation.late_time_temperature(
        units.quantity(inputs["time"], "s"), units.quantity(inputs["temperature"], "degC")
    )
    return float(units.as_floats(found, "degC", "late_time_temperature"))
