"""The densities that a stress rests on: usable ones, sorted by depth, one a depth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, units
from corephys.ground.arguments import positive
from corephys.products.stress_column import Column, column
from corephys.uncertainty import bare

__all__ = ["Readings", "readings_of"]


# What a density is that nothing has been corrected in; a correction states its own.
LABORATORY = "as measured in the laboratory: no rebound taken off, water of the laboratory"


@dataclass(frozen=True)
class Readings:
    """Usable densities as a column.

    Parameters
    ----------
    column : Column
        Sorted, one a depth.
    largest_gap : float
        [m].
    told : dict
        How many were used, left out, out of order and in overlapping cores.
    state : str
        Whether the densities are those of the laboratory or corrected to in-situ conditions.
    """

    column: Column
    largest_gap: float
    told: dict[str, int]
    state: str


def readings_of(density: xr.Dataset, allow: tuple[str, ...], largest_gap: Any) -> Readings:
    """Usable densities of a profile.

    Parameters
    ----------
    density : Dataset, (reading)
        ``bulk_density`` [g/cm^3] with its depth.
    allow : tuple of str
        Flag levels that may be used.
    largest_gap : Quantity or str
        [m].

    Returns
    -------
    Readings
        Sorted, one a depth.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        With fewer than two usable densities at or below the seafloor, or densities without a
        depth.
    """
    if "depth" not in getattr(density, "coords", {}):
        raise ValueError(
            "the density has no depth; give a Dataset with bulk_density and the coordinate depth"
        )
    rho = series.unpack(density, "bulk_density")
    depth = np.asarray(units.as_floats(density["depth"], "m", "depth"), dtype=float)
    values = np.asarray(bare(rho.values), dtype=float)
    use = np.isfinite(values) & (depth > -1e-6)  # what lies above the seafloor weighs on nothing
    use &= flags.usable(flags.from_reason(np.asarray(bare(rho.reason))), allow)
    if use.sum() < 2:
        raise ValueError(f"{int(use.sum())} usable densities; a profile needs two at least")

    def carried(part: Any) -> np.ndarray:
        return np.broadcast_to(np.asarray(bare(part), dtype=float), values.shape)[use]

    gap = float(positive(largest_gap, "m", "largest_gap"))
    effects = {source: carried(e) for source, e in rho.effects.items()}
    found = column(depth[use], values[use], carried(rho.u_random), effects, gap)
    told = {
        "readings_used": int(use.sum()),
        "readings_left_out": int((~use).sum()),
        "readings_out_of_order": int((np.diff(depth[use]) < 0.0).sum()),
        "readings_in_overlap": _overlapping(density, depth, use),
    }
    return Readings(found, gap, told, str(density.attrs.get("density_state", LABORATORY)))


def _overlapping(density: xr.Dataset, depth: np.ndarray, use: np.ndarray) -> int:
    """Readings that lie at depths which another core covers too."""
    if "core" not in density.coords:
        return 0
    z = depth[use]
    core = np.broadcast_to(density["core"].values, depth.shape)[use]
    names, of = np.unique(core, return_inverse=True)
    top, bottom = np.full(names.size, np.inf), np.full(names.size, -np.inf)
    np.minimum.at(top, of, z)
    np.maximum.at(bottom, of, z)
    # Cores that begin above a depth less those that end above it cover it: the own one and others.
    begun = np.searchsorted(np.sort(top), z, side="right")
    ended = np.searchsorted(np.sort(bottom), z, side="left")
    return int((begun - ended > 1).sum())
