"""Adapters of P-wave velocity in the formation."""

from __future__ import annotations

from tests.adapters.registry import straight

straight("pwave.in_situ_velocity", "corephys.sensors.pwave.conditions.in_situ_velocity", "velocity")
