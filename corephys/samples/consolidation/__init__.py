"""One-dimensional consolidation tests: curve, indices, yield stress, rate and loading history.

The order of the work: void ratio at the end of every step (``curves``); virgin and recompression
lines, and the yield stress by three constructions (``yield_stresses``); coefficient of
consolidation from the readings of a step (``rates``); sample quality, overconsolidation and a
lower bound of overpressure (``history``). Because of the rate of the test, creep and cement, a
virgin line differs from geological compaction.
"""

from __future__ import annotations

from corephys.samples.consolidation.curves import curve, solids_height
from corephys.samples.consolidation.history import (
    overconsolidation_ratio,
    overpressure_bound,
    sample_quality,
)
from corephys.samples.consolidation.rates import (
    coefficient_from_time,
    consolidation_rate,
    hydraulic_conductivity,
    permeability,
)
from corephys.samples.consolidation.yield_stresses import indices, yield_stress

__all__ = [
    "coefficient_from_time",
    "consolidation_rate",
    "curve",
    "hydraulic_conductivity",
    "indices",
    "overconsolidation_ratio",
    "overpressure_bound",
    "permeability",
    "sample_quality",
    "solids_height",
    "yield_stress",
]
