"""Adapters of the velocity of samples."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.samples import velocity
from tests.adapters.registry import Inputs, adapter, array, straight

straight("sample_velocity.velocity", "corephys.samples.velocity.velocity", "length", "travel_time")
straight(
    "sample_velocity.elastic_moduli",
    "corephys.samples.velocity.elastic_moduli",
    "p_wave_velocity",
    "s_wave_velocity",
    "bulk_density",
)


def _table(velocities: dict[str, str]) -> xr.Dataset:
    """Samples of 25 mm without delay at one place, one an axis, of the velocities given."""
    speed = np.array([float(text.split(" ")[0]) for text in velocities.values()])
    words = np.array(list(velocities), dtype=object)
    one = np.full(words.size, "1", dtype=object)
    return xr.Dataset(
        {
            "length": array(np.full(words.size, 25.0), "mm"),
            "travel_time": array(25e3 / speed, "us"),
            "axis": ("reading", words),
        },
        coords={
            "core": ("reading", one),
            "section": ("reading", one),
            "offset": ("reading", np.full(words.size, 10.0), {"units": "cm"}),
        },
    )


@adapter("sample_velocity.reduce_table", "corephys.samples.velocity.reduce_table")
def reduced(inputs: Inputs) -> Any:
    """One row of a table with a delay."""
    table = _table({"along": "1000 m/s"})
    table["length"] = array([inputs["length_mm"]], "mm")
    table["travel_time"] = array([inputs["travel_time_us"]], "us")
    return velocity.reduce_table(table, delay=inputs["delay"])["p_wave_velocity"]


@adapter("sample_velocity.anisotropy", "corephys.samples.velocity.anisotropy")
def anisotropy(inputs: Inputs) -> Any:
    """Velocities by axis."""
    found = velocity.reduce_table(_table(inputs), delay="0 us")
    return velocity.anisotropy(found["p_wave_velocity"])
