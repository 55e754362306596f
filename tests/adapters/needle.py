"""Adapters of the needle probe beyond its line and cylinder sources."""

from __future__ import annotations

from tests.adapters.registry import straight

straight(
    "needle.heating_power",
    "corephys.samples.needle.heating_power",
    "current",
    "resistance_per_length",
)
