"""The chain of steps behind a result, in words."""

from __future__ import annotations

import json
import re

import numpy as np
import xarray as xr

from corephys.ground import companions
from corephys.ground.provenance import UsedConstant, used_constants
from corephys.ground.vocabulary import TERMS
from corephys.notebook.result import usable_values

__all__ = ["explain"]

_STANDING = {
    "published": "seen in print",
    "definition": "by definition",
    "library": "computed with that library",
    "memory": "from memory, not yet read in print",
    "common practice": "common practice",
    "simulated": "tried on simulated data",
    "choice": "a choice of this package",
}


def explain(result: xr.Dataset | xr.DataTree) -> str:
    """Say how a result was made: steps with equations, constants with sources, what errs how much.

    Parameters
    ----------
    result : Dataset or DataTree
        A result of a public function, or a node of a reduced hole that holds one.

    Returns
    -------
    str
        Plain text, one step a line.

    Raises
    ------
    TypeError
        When it is neither.
    """
    if isinstance(result, xr.DataTree):
        result = result.to_dataset(inherit=False)
    if not isinstance(result, xr.Dataset):
        raise TypeError(f"explain takes a result (a Dataset), not {type(result).__name__}")
    result = companions.library_units(result)
    names = [str(name) for name in result.data_vars if str(name) in TERMS]
    lines = [", ".join(f"{name} [{TERMS[name].unit}]" for name in names) or "no quantity"]
    steps = json.loads(result.attrs.get("steps", "[]"))
    lines += [f"  {number}. {step}" for number, step in enumerate(steps, start=1)]
    used = used_constants(result)
    if used:
        lines.append("with")
        lines += [
            f"  {re.sub('[_.]', ' ', name)}: {one.shown()} ({_origin(one)})"
            for name, one in used.items()
        ]
    for name in names:
        if f"{name}_effects" in result:
            lines.append(_budget(result, name))
    return "\n".join(lines)


def _origin(one: UsedConstant) -> str:
    """Citation and standing of a constant; the origin of any other number."""
    if one.tabled():
        return f"{one.citation}; {_STANDING[one.status]}"
    return one.source()


def _budget(result: xr.Dataset, name: str) -> str:
    """Root mean square uncertainty of a quantity by source, numbered ones together.

    Over the usable readings: what a bad one errs by is nobody's concern.
    """
    effects = result[f"{name}_effects"].values.reshape(result.sizes["source"], -1)
    use = usable_values(result, name)
    use = use if use.any() else np.isfinite(result[name].values).ravel()
    effects = effects[:, use] if effects.shape[1] == use.size else effects
    known = np.isfinite(effects)
    count = known.sum(axis=1)
    total = np.where(known, effects, 0.0) ** 2
    squares = np.where(count > 0, total.sum(axis=1) / np.maximum(count, 1), np.nan)
    variances = {}
    if f"{name}_u_random" in result:
        random = result[f"{name}_u_random"].values.ravel()[use]
        known = random[np.isfinite(random)]
        variances["random"] = float((known**2).mean()) if known.size else float("nan")
    for source, square in zip(result["source"].values, squares, strict=True):
        stem = re.sub(r"_\d+$", "", str(source))
        variances[stem] = variances.get(stem, 0.0) + float(square)
    shares = {source: variance**0.5 for source, variance in variances.items()}
    ranked = sorted(shares.items(), key=lambda item: -item[1] if item[1] == item[1] else 0.0)
    shown = ", ".join(f"{s.replace('_', ' ')} {v:.2g}" for s, v in ranked if v != 0.0)
    return f"uncertainty of {name.replace('_', ' ')} [{TERMS[name].unit}], k = 1: {shown}"
