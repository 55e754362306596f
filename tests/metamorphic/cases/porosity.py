"""Porosity, and the laws of compaction."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case


@case("porosity.from_density", lazy=True)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "density": draw.dataset(bulk_density=(1.2, 2.4)),
        "grain_density": draw.scalar("g/cm^3", 2.6, 2.8),
        "grain_density_uncertainty": draw.scalar("g/cm^3", 0.01, 0.05),
        "pore_water_density": draw.scalar("g/cm^3", 1.0, 1.04),
        "pore_water_density_uncertainty": draw.scalar("g/cm^3", 0.001, 0.004),
    }


@case("porosity.grain_density_at", rows="set")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "samples": draw.dataset(grain_density=(2.6, 2.8)),
        "to": draw.dataset(bulk_density=(1.2, 2.4)),
    }


@case("porosity.grain_density_of_hole", rows="set", size=(6, 12))
def _(draw: Draw) -> dict[str, Any]:
    return {"samples": draw.dataset(grain_density=(2.6, 2.8))}


@case("compaction.exponential")
def _(draw: Draw) -> dict[str, Any]:
    return {
        "depth": draw.series("m", 0.0, 900.0),
        "surface_porosity": draw.scalar("1", 0.4, 0.8),
        "decay_length": draw.scalar("m", 300.0, 2000.0),
    }


def compacting(draw: Draw) -> xr.Dataset:
    """Porosities that fall with depth by a law, so that a fit of them is well posed."""
    depth = draw.positions["depth"][1]
    scatter = draw.numbers(-0.01, 0.01)
    return draw.dataset(porosity=0.7 * np.exp(-depth / (4.0 * depth[-1])) + scatter)


@case(
    "compaction.fit", rows="set", size=(14, 30), rtol=1e-6,
    only=lambda path: path.startswith("/dataset"),  # the rest are the rows that went in
)  # fmt: skip
def _(draw: Draw) -> dict[str, Any]:
    return {"porosity": compacting(draw), "absolute_sigma": draw.choice(True, False)}
