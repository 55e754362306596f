"""Adapters of undrained shear strength."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.samples import strength
from tests.adapters.registry import Inputs, adapter, array, straight

straight(
    "strength.vane_constant",
    "corephys.samples.strength.methods.vane_constant",
    "diameter",
    "height",
)
straight("strength.vane", "corephys.samples.strength.methods.vane")
straight(
    "strength.fall_cone", "corephys.samples.strength.methods.fall_cone", "penetration", "cone_mass"
)
straight("strength.penetrometer", "corephys.samples.strength.methods.penetrometer")
straight(
    "strength.unconfined",
    "corephys.samples.strength.methods.unconfined",
    "axial_load",
    "shortening",
)
straight(
    "strength.strength_ratio",
    "corephys.samples.strength.ratios.strength_ratio",
    "strength",
    "vertical_effective_stress",
)
straight(
    "strength.expected_strength_ratio",
    "corephys.samples.strength.ratios.expected_strength_ratio",
    "overconsolidation_ratio",
)


@adapter("strength.cone_factor", "corephys.samples.strength.methods.cone_factor")
def cone_factor(inputs: Inputs) -> Any:
    """Factor, without its uncertainty."""
    return strength.cone_factor(inputs["cone_angle"])[0]


@adapter("strength.unconfined_peak", "corephys.samples.strength.methods.unconfined_peak")
def unconfined_peak(inputs: Inputs) -> Any:
    """A curve given as plain numbers."""
    load, short = array(inputs.pop("load_N"), "N"), array(inputs.pop("shortening_mm"), "mm")
    return strength.unconfined_peak(load, short, **inputs)


def _table(tests: list[dict[str, Any]]) -> xr.Dataset:
    """Rows of method, state and numbers whose names end in their units."""
    size = len(tests)
    one = np.full(size, "1", dtype=object)
    table = xr.Dataset(
        coords={
            "core": ("reading", one),
            "section": ("reading", one),
            "offset": ("reading", np.full(size, 10.0), {"units": "cm"}),
        }
    )
    for name in dict.fromkeys(key for test in tests for key in test):
        cells = [test.get(name, np.nan) for test in tests]
        if name in ("method", "state"):
            table[name] = ("reading", np.array(cells, dtype=object))
        else:
            column, unit = name.split("|")
            table[column] = array(cells, unit)
    return table


@adapter("strength.undrained_shear_strength", "corephys.samples.strength.undrained_shear_strength")
def by_table(inputs: Inputs) -> Any:
    """The last row of a table."""
    found = strength.undrained_shear_strength(_table(inputs["tests"]))
    return found.isel(reading=-1)


@adapter("strength.sensitivity", "corephys.samples.strength.ratios.sensitivity")
def sensitivity(inputs: Inputs) -> Any:
    """A peak and a remoulded strength at one place."""
    table = _table([{"method": "vane", "state": s} for s in ("peak", "remoulded")])
    table = table.set_coords(["method", "state"])
    values = [float(inputs[key].split(" ")[0]) for key in ("peak", "remoulded")]
    table["undrained_shear_strength"] = array(values, "kPa")
    return strength.sensitivity(table)
