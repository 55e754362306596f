"""One fit of compaction for each layer: sediments of different kinds compact differently."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import series, thresholds, units
from corephys.ground.provenance import used_constants, with_constants
from corephys.products.compaction_data import Choices, gather
from corephys.products.compaction_fit import fit_data
from corephys.products.compaction_models import of_name
from corephys.products.compaction_result import CompactionFit

__all__ = ["LayerFits", "fit_by_layer"]

_T = thresholds.DEFAULTS


@dataclass(frozen=True)
class LayerFits:
    """Fits by layer.

    Parameters
    ----------
    fits : dict of str to CompactionFit
        In the order of depth.
    too_small : dict of str to int
        Layers with too few usable porosities, and how many they have.
    without_layer : int
        Usable porosities that lie in no layer.
    least_points : int, optional
        As it was given.
    """

    fits: dict[str, CompactionFit]
    too_small: dict[str, int]
    without_layer: int
    least_points: Any = None

    @property
    def table(self) -> pd.DataFrame:
        """One row a layer: parameters and random errors, points, depths and the verdict."""
        rows = []
        for name, fit in self.fits.items():
            row: dict[str, Any] = {"layer": name, "points": fit.data.porosity.size}
            row |= {"top": fit.data.depth.min(), "bottom": fit.data.depth.max()}
            for parameter in fit.model.names:
                row[parameter] = fit.found.values[parameter]
                row[f"{parameter}_u_random"] = fit.found.errors[parameter]
            rows.append(row | {"verdict": fit.dataset.attrs["verdict"]})
        for name, count in self.too_small.items():
            words = f"{count} usable porosities are too few for a fit of its own"
            rows.append({"layer": name, "points": count, "verdict": words})
        return pd.DataFrame(rows).set_index("layer")

    @property
    def dataset(self) -> xr.Dataset:
        """The fits that there are, along ``layer``."""
        parts = [fit.dataset.drop_attrs(deep=False) for fit in self.fits.values()]
        joined = xr.concat(parts, dim="layer", join="outer", combine_attrs="drop")
        names = np.array(list(self.fits), dtype=object)
        joined = joined.assign_coords(layer=("layer", names, {"long_name": "layer"}))
        joined.attrs = {
            "too_small": ", ".join(f"{n} ({c} points)" for n, c in self.too_small.items())
            or "none",
            "verdict": "; ".join(
                f"{name}: {fit.dataset.attrs['verdict']}" for name, fit in self.fits.items()
            ),
        }
        used = used_constants(next(iter(self.fits.values())).dataset)
        return with_constants(joined, **used, least_points=self.least_points)

    def __repr__(self) -> str:
        lines = []
        for name, fit in self.fits.items():
            lines += [
                f"{name}: {line}" if i == 0 else line
                for i, line in enumerate(repr(fit).split("\n"))
            ]
        lines += [f"{n}: {c} usable porosities are too few" for n, c in self.too_small.items()]
        if self.without_layer:
            lines.append(f"{self.without_layer} usable porosities lie in no layer")
        return "\n".join(lines)


def fit_by_layer(
    porosity: Any, layers: Any, *, depth: Any = None, stress: Any = None,
    model: str = "exponential", absolute_sigma: bool, robust: str = "none",
    excess_scatter: bool = True, bed_thickness: Any = _T["bed_thickness"],
    allow: tuple[str, ...] = ("good", "not_evaluated"),
    least_points: int = _T["compaction_layer_points"],
) -> LayerFits:  # fmt: skip
    """Fit porosity layer by layer.

    Parameters
    ----------
    porosity, depth, stress, model, absolute_sigma, robust, excess_scatter, bed_thickness, allow
        As for ``compaction.fit``.
    layers : sequence of str, DataArray, Dataset or mapping
        Name of the layer of each reading; or a table of layers with ``name``, ``top`` and
        ``bottom`` [m]; or a mapping of names to (top, bottom).
    least_points : int
        A layer with fewer usable porosities is named and not fitted; twelve is the least that the
        checks by blocks of depth take.

    Returns
    -------
    LayerFits
        A fit for each layer, and the layers that are too small.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        As for ``compaction.fit``; when names and porosities do not make pairs; or when no layer
        has points enough.

    Notes
    -----
    In every layer depth and stress count from the seafloor, not from the top of the layer: its
    surface porosity is what the layer would have had there.
    """
    chosen = of_name(model)
    data, use = gather(porosity, depth, stress, (chosen,), absolute_sigma, bed_thickness, allow)
    names = _names(layers, use, data.depth)
    choices = Choices(absolute_sigma, excess_scatter, robust)
    fits, small = {}, {}
    order = sorted(
        {str(n) for n in names if n}, key=lambda n: float(np.median(data.depth[names == n]))
    )
    for name in order:
        here = names == name
        if int(here.sum()) < max(least_points, 5):
            small[name] = int(here.sum())
            continue
        fits[name] = fit_data(chosen, data.only(here), choices)
    if not fits:
        counts = (
            ", ".join(f"{name} has {count}" for name, count in small.items()) or "none is named"
        )
        raise series.TooFewError(
            f"no layer has the {least_points} usable porosities of a fit of its own: {counts}; "
            "fit the whole hole, or give least_points="
        )
    return LayerFits(fits, small, int((names == "").sum()), least_points)


def _names(layers: Any, use: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Name of the layer of every usable reading; empty where there is none."""
    if isinstance(layers, xr.Dataset):
        tops, bottoms = (units.as_floats(layers[key], "m", key) for key in ("top", "bottom"))
        spans = list(zip(layers["name"].values, np.asarray(tops), np.asarray(bottoms), strict=True))
    elif isinstance(layers, Mapping):
        spans = [
            (name, *(float(units.as_floats(edge, "m", f"edge of {name}")) for edge in edges))
            for name, edges in layers.items()
        ]
    else:
        words = np.asarray(getattr(layers, "values", layers), dtype=object)
        if words.shape != use.shape:
            raise ValueError(f"{use.size} porosities and {words.size} layers do not make pairs")
        return np.array([str(word) for word in words[use]], dtype=object)
    found = np.full(z.size, "", dtype=object)
    for name, top, bottom in spans:
        if not bottom > top:
            raise ValueError(
                f"layer {name} runs from {top:g} m to {bottom:g} m; its bottom has to lie deeper"
            )
        found[(z >= top) & (z < bottom)] = str(name)
    return found
