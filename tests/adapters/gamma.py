"""Adapters of gamma density: scales, dead time and the tie to samples."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

import corephys as cp
from corephys.ground import series
from corephys.uncertainty import Measured
from tests.adapters.registry import Inputs, adapter, straight

straight("gamma.hydrogen_step", "corephys.sensors.gamma.chain.hydrogen_step", "reading")


def density(values: Any, u: float = 0.01) -> xr.Dataset:
    """A bulk density at invented positions."""
    array = xr.DataArray(
        np.asarray(values, dtype=float),
        dims="reading",
        coords={"depth": ("reading", np.arange(len(values), dtype=float))},
    )
    return series.build({"bulk_density": Measured(array, u, {"shared": 0.0})})


@adapter("gamma.tie_factor", "corephys.sensors.gamma.ties.tie_factor")
def tie(inputs: Inputs) -> float:
    """Scan densities and samples that are exactly in proportion."""
    scan = np.array(inputs["scan"])
    samples = density(scan * inputs["factor"])
    found = cp.gamma.tie_factor(density(scan), samples, coring_method=["piston"] * scan.size)
    return float(found["tie_factor"].item())


@adapter("gamma.tied_density", "corephys.sensors.gamma.ties.tied_density")
def tied(inputs: Inputs) -> float:
    """The last of the scan densities, tied by pairs in exact proportion."""
    scan = np.array(inputs["scan"])
    methods = ["piston"] * scan.size
    factor = cp.gamma.tie_factor(
        density(scan), density(scan * inputs["factor"]), coring_method=methods
    )
    found = cp.gamma.tied_density(density(scan), factor, coring_method=methods)
    return float(found["bulk_density_tied"].values[-1])


@adapter(
    "gamma.dead_time_from_standards", "corephys.sensors.gamma.calibration.dead_time_from_standards"
)
def dead_time(inputs: Inputs) -> float:
    """Counts of a counter that is blind for a time after each count, without noise."""
    thick = np.array(inputs["thickness_cm"])
    water = 0.998207  # g/cm^3, pure water at 20 degC
    x = 2.699 * thick + water * (6.6 - thick)
    rate = inputs["rate_1_s"] * np.exp(-0.0746 * x)
    counts = rate / (1.0 + rate * inputs["dead_time_us"] * 1e-6) * 1000.0
    found = cp.gamma.dead_time_from_standards(
        cp.quantity(counts, "count"), "1000 s", cp.quantity(thick, "cm"), "6.6 cm"
    )
    return found.value * 1e6
