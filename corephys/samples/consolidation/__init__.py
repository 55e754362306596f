"""One-dimensional consolidation tests: curve, indices, yield stress, rate, and what they say.

The order of the work: void ratio at the end of every step, virgin and recompression lines, yield
stress by three constructions, coefficient of consolidation from the readings of a step, sample
quality, overconsolidation and a lower bound of overpressure. Rates of the laboratory, creep and
cement make a virgin line differ from geological compaction.
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
