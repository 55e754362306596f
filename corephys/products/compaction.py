"""Compaction: porosity against depth or effective stress, fitted by several models.

The order of the work: look at the curves, fit one and read its verdict, fit by layer, compare the
models without a winner by default, then ask how well the parameters are known: by their profile
and by a bootstrap of blocks of depth.
"""

from __future__ import annotations

from corephys.products.compaction_bootstrap import bootstrap
from corephys.products.compaction_burial import burial_history
from corephys.products.compaction_column import decompact, original_thickness, solid_thickness
from corephys.products.compaction_compare import Comparison, compare
from corephys.products.compaction_curves import (
    exponential,
    exponential_in_stress,
    linear,
    offset_exponential,
    power,
    void_ratio_log_stress,
)
from corephys.products.compaction_fit import fit
from corephys.products.compaction_layers import LayerFits, fit_by_layer
from corephys.products.compaction_models import MODELS, Model
from corephys.products.compaction_profile import profile
from corephys.products.compaction_rebound import rebound, rebound_by_depth, rebound_density
from corephys.products.compaction_reference import (
    ReferenceCurve,
    reference_curve,
    reference_curves,
    reference_depth,
    reference_porosity,
)
from corephys.products.compaction_result import CompactionFit
from corephys.products.compaction_stress import column_effective_stress

__all__ = [
    "MODELS", "CompactionFit", "Comparison", "LayerFits", "Model", "ReferenceCurve", "bootstrap",
    "burial_history", "column_effective_stress", "compare", "decompact", "exponential",
    "exponential_in_stress", "fit", "fit_by_layer", "linear", "offset_exponential",
    "original_thickness", "power", "profile", "rebound", "rebound_by_depth", "rebound_density",
    "reference_curve", "reference_curves", "reference_depth", "reference_porosity",
    "solid_thickness", "void_ratio_log_stress",
]  # fmt: skip
