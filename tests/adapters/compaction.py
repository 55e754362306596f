"""Adapters of the fits and curves of compaction."""

from __future__ import annotations

from typing import Any

import numpy as np

import corephys as cp
from corephys.ground import fitting
from tests.adapters.registry import Inputs, adapter, array, straight, table

_CURVES = "corephys.products.compaction.models"

for _name in ("exponential", "offset_exponential", "linear", "power"):
    straight(f"compaction.{_name}", f"{_CURVES}.{_name}", "depth")
for _name in ("exponential_in_stress", "void_ratio_log_stress"):
    straight(f"compaction.{_name}", f"{_CURVES}.{_name}", "stress")


@adapter("compaction.fit", "corephys.products.compaction.fits.fit")
def fit_of_a_known_curve(inputs: Inputs) -> Any:
    """Porosities exactly on a curve of the model, by the function that is public for it."""
    model, named = inputs.get("model", "exponential"), dict(inputs)
    depth = array(named.pop("depth"), "m")
    named.pop("model", None)
    unit = {"decay_length": "m", "decay_stress": "kPa", "porosity_gradient": "1/km"}
    given = {
        name: f"{value!r} {unit[name]}" if name in unit else value
        for name, value in named.items()
        if name != "stress"
    }
    curve = getattr(cp.compaction, _FUNCTIONS[model])
    stress = array(named["stress"], "kPa") if "stress" in named else None
    values = np.asarray(curve(depth if stress is None else stress, **given))
    porosity = array(values, "1").assign_coords(depth=depth)
    if stress is not None:
        stress = stress.assign_coords(depth=depth)
    return cp.compaction.fit(porosity, model=model, stress=stress, absolute_sigma=False).dataset


_FUNCTIONS = {
    "exponential": "exponential",
    "offset_exponential": "offset_exponential",
    "linear": "linear",
    "power": "power",
    "exponential_in_stress": "exponential_in_stress",
    "void_ratio_in_log_stress": "void_ratio_log_stress",
}


@adapter("fitting.linear", "corephys.ground.fitting.linear")
def certified_linear(inputs: Inputs) -> Any:
    """Multiple regression: a constant and every column of the file but the first."""
    columns = table(inputs["file"])
    names = list(columns)
    y_name = next(name for name in names if name[0] == "y")
    y = columns[y_name]
    known = {"b0": np.ones(y.size)}
    others = [name for name in names if name != y_name]
    known |= {f"b{i}": columns[name] for i, name in enumerate(others, start=1)}
    fit = fitting.linear(known, y, absolute_sigma=False)
    return {
        **fit.values,
        **{f"error_{name}": error for name, error in fit.errors.items()},
        "residual_deviation": fit.reduced_chi_square**0.5,
        "r_squared": 1.0 - fit.chi_square / float(np.sum((y - y.mean()) ** 2)),
    }
