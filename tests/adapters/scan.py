"""Adapters of the scan."""

from __future__ import annotations

from typing import Any

import numpy as np

import corephys as cp
from corephys.ground import units
from tests.adapters.registry import Inputs, adapter, array, straight

# Gamma attenuation -------------------------------------------------------------------------------

straight("gamma.decay_factor", "corephys.sensors.gamma.decay_factor", "elapsed")
straight("gamma.net_rate", "corephys.sensors.gamma.net_rate", "counts", "time")
straight("gamma.annulus_step", "corephys.sensors.gamma.chain.annulus_step", "reading")
straight(
    "gamma.standard_density",
    "corephys.sensors.gamma.calibration.standard_density",
    "aluminium_thickness",
    "bore",
)
SCALE = ("water_density", "aluminium_density", "water_ratio", "aluminium_ratio")


def _electrons(name: str, first: str) -> None:
    @adapter(f"gamma.{name}", f"corephys.sensors.gamma.chain.{name}")
    def step(inputs: Inputs) -> Any:
        calibration = cp.gamma.Calibration.nominal(**{key: inputs.pop(key) for key in SCALE})
        return getattr(cp.gamma, name)(inputs.pop(first), calibration=calibration, **inputs)


_electrons("apparent_density", "bulk_density")
_electrons("electron_step", "reading")


@adapter("gamma.bulk_density", "corephys.sensors.gamma.bulk_density")
def chain(inputs: Inputs) -> Any:
    """Counts that a known reading gives, through the whole chain and back."""
    scale = {key: inputs.pop(key) for key in SCALE}
    c0, c1, reading = inputs.pop("c0"), inputs.pop("c1"), inputs.pop("areal_reading")
    calibration = cp.gamma.Calibration(
        np.array([c0, c1, 0.0]), np.zeros((2, 2)), (0.0, np.inf), real_time=False, **scale
    )
    bore, time = inputs.pop("bore"), inputs.pop("time")
    areal = reading * units.as_floats(bore, "cm", "bore")
    counts = np.exp(c0 + c1 * areal) * units.as_floats(time, "s", "time")
    ratios = {
        key: cp.constants.Constant(key, inputs.pop(key), "mol/g", 0.0, "the row", "library")
        for key in ("grain_electron_ratio", "pore_water_electron_ratio")
    }
    return cp.gamma.bulk_density(
        array([counts], "count"),
        time,
        calibration=calibration,
        core_diameter=bore,
        bore=bore,
        **inputs,
        **ratios,
    )


# Velocity ----------------------------------------------------------------------------------------

straight("pwave.velocity", "corephys.sensors.pwave.velocity", "travel_time", "thickness")
