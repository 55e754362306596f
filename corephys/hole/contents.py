"""What a hole holds, in words: cores and their recovery, description and pictures."""

from __future__ import annotations

import numpy as np
import xarray as xr

from corephys.ground import series
from corephys.hole.placing.described import described_length, stretches

__all__ = ["coring", "described"]


def coring(tree: xr.DataTree) -> list[tuple[str, str]]:
    """Row on the number of cores, their methods, depth and recovery."""
    cores = series.leaf(tree, "cores")
    if cores is None or not cores.sizes.get("row"):
        return []
    advance, recovered = float(cores["advance"].sum()), float(cores["recovered"].sum())
    methods, counts = np.unique(cores["coring_method"].values.astype(str), return_counts=True)
    kinds = ", ".join(f"{n} {m.replace('_', ' ')}" for m, n in zip(methods, counts, strict=True))
    bottom = float((cores["top"] + cores["advance"]).max())
    share = f"{100 * recovered / advance:.0f} % recovered" if advance > 0 else "no advance"
    return [("coring", f"{cores.sizes['row']} cores ({kinds}) to {bottom:.1f} m, {share}")]


def described(tree: xr.DataTree) -> list[tuple[str, str]]:
    """Rows on the metres of core described, and on the pictures."""
    rows = []
    table = series.leaf(tree, "description")
    if table is not None and table.sizes.get("row"):
        words = f"{described_length(table):.1f} m of core described"
        kinds = len({one.word for one in stretches(table, "lithology")})
        if kinds:
            words += f", {kinds} {'lithologies' if kinds > 1 else 'lithology'}"
        rows.append(("description", words))
    images = series.leaf(tree, "images")
    if images is not None and images.sizes.get("row"):
        names, counts = np.unique(images["kind"].values.astype(str), return_counts=True)
        shown = [f"{n} {k}{'s' * (n > 1)}" for k, n in zip(names, counts.tolist(), strict=True)]
        rows.append(("pictures", ", ".join(shown)))
    return rows
