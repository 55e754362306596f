"""Logs of a hole: their depths, and cores beside them."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case

NOT_MEASURED = {
    "logs.read": "reads a file, which states the units of its curves",
    "logs.from_bytes": "reads the bytes of a file, which states the units of its curves",
}


def log(draw: Draw, **quantity: tuple[float, float]) -> xr.Dataset:
    """A log of even steps, from the top down."""
    size = 40
    larger = Draw(draw._source, size)
    found = larger.dataset(("caliper",), flagged=False, **quantity)
    depth = 10.0 + 0.15 * np.arange(size)
    return found.drop_vars(["core", "section", "offset"]).assign_coords(
        depth=("reading", depth, {"units": "m"})
    )


def cored(draw: Draw, quantity: str, low: float, high: float) -> xr.Dataset:
    """A core's series where the log has its own."""
    found = draw.dataset(**{quantity: (low, high)})
    depth = np.sort(draw.numbers(11.0, 15.0))
    return found.assign_coords(depth=("reading", depth, {"units": "m"}))


@case("logs.below_seafloor")
def _(draw: Draw) -> dict[str, Any]:
    found = draw.dataset(("caliper",), bulk_density=(1.2, 2.4))
    return {
        "log": found.drop_vars(["core", "section", "offset"]),
        "seafloor_depth": draw.scalar("m", 0.0, 3000.0),
        "seafloor_depth_uncertainty": draw.choice(None, draw.scalar("m", 0.1, 2.0)),
    }


@case("logs.to_aperture", examples=2, rows="set", dims=("reading",), size=(12, 20))
def _(draw: Draw) -> dict[str, Any]:
    name, low, high = draw.choice(
        ("bulk_density", 1.2, 2.4), ("p_wave_velocity", 1450.0, 2500.0), ("porosity", 0.3, 0.8)
    )
    return {
        "core": cored(draw, name, low, high), "name": name,
        "at": draw.choice(
            xr.DataArray(draw.numbers(11.0, 15.0, 5), dims="at", attrs={"units": "m"}),
            log(draw, porosity=(0.3, 0.8)),
        ),
        "aperture": draw.scalar("m", 0.3, 1.2),
        "least_share": 0.3,
    }  # fmt: skip


@case("logs.compare_with_core", examples=2, rows="set", size=(24, 30), rtol=1e-7)
def _(draw: Draw) -> dict[str, Any]:
    name, low, high = draw.choice(
        ("bulk_density", 1.2, 2.4), ("p_wave_velocity", 1450.0, 2500.0), ("porosity", 0.3, 0.8)
    )
    return {
        "core": cored(draw, name, low, high), "log": log(draw, **{name: (low, high)}), "name": name,
        "aperture": draw.scalar("m", 0.4, 0.8),
        "largest_shift": draw.scalar("m", 0.5, 1.4),
        "window": draw.choice(None, draw.scalar("m", 1.5, 3.0)),
        "least_share": 0.3,
    }  # fmt: skip
