"""Compaction: porosity against depth or effective stress, fitted by several models.

The order of the work: look at the curves, fit one and read its verdict, fit by layer, compare the
models without a winner by default, then ask how well the parameters are known: by their profile
and by a bootstrap of blocks of depth.
"""

from __future__ import annotations

from corephys.products.compaction.certainty import bootstrap, likelihood_profile
from corephys.products.compaction.column import (
    burial_history,
    column_effective_stress,
    decompact,
    original_thickness,
    solid_thickness,
)
from corephys.products.compaction.comparison import Comparison, compare_models
from corephys.products.compaction.fits import LayerFits, fit, fit_by_layer
from corephys.products.compaction.models import (
    MODELS,
    Model,
    exponential,
    exponential_in_stress,
    linear,
    offset_exponential,
    power,
    void_ratio_log_stress,
)
from corephys.products.compaction.rebounds import rebound, rebound_by_depth, rebound_density
from corephys.products.compaction.reference import (
    ReferenceCurve,
    reference_curve,
    reference_curves,
    reference_depth,
    reference_porosity,
)
from corephys.products.compaction.results import CompactionFit

__all__ = [
    "MODELS",
    "CompactionFit",
    "Comparison",
    "LayerFits",
    "Model",
    "ReferenceCurve",
    "bootstrap",
    "burial_history",
    "column_effective_stress",
    "compare_models",
    "decompact",
    "exponential",
    "exponential_in_stress",
    "fit",
    "fit_by_layer",
    "likelihood_profile",
    "linear",
    "offset_exponential",
    "original_thickness",
    "power",
    "rebound",
    "rebound_by_depth",
    "rebound_density",
    "reference_curve",
    "reference_curves",
    "reference_depth",
    "reference_porosity",
    "solid_thickness",
    "void_ratio_log_stress",
]
