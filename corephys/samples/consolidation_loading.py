"""First loading of each test, taken out of a curve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from corephys.ground import companions, flags, series, thresholds
from corephys.numerics.yield_point import joined_lines

__all__: list[str] = []
_UNITS = {"stress": "kPa", "strain": "1", "height": "mm", "initial_void_ratio": "1"}
NEAR = thresholds.count("loading_points_past_bend")


@dataclass
class Loading:
    """One test of a curve.

    Parameters
    ----------
    name : str
    first : int
        First reading of the test in the curve.
    stress, void_ratio : ndarray, (n,)
        Points of first loading [kPa], [1], stress rising.
    loop_stress, loop_void_ratio, loop_number : ndarray, (m,)
        Points of unloading and reloading with the point where unloading began; the last rebound
        at the end of a test counts.
    initial : float
        Void ratio at the start.
    noise : float
        Standard uncertainty of a void ratio: as given, else the scatter about two lines.
    stated : bool
        Whether the noise was given.
    reason : int
        Of all points together, those left out included.
    """

    name: str
    first: int
    stress: np.ndarray
    void_ratio: np.ndarray
    loop_stress: np.ndarray
    loop_void_ratio: np.ndarray
    loop_number: np.ndarray
    initial: float
    noise: float
    stated: bool
    reason: int


def loadings(curve: xr.Dataset) -> list[Loading]:
    """Every test of a curve, as :func:`corephys.samples.consolidation_curve.curve` gives it."""
    lacking = [n for n in ("void_ratio", "stress", "branch", "test") if n not in curve]
    if lacking:
        raise ValueError(f"the curve has no {', '.join(lacking)}; make it with consolidation.curve")
    curve = companions.library_units(curve, _UNITS)
    names = curve["test"].values.astype(str)
    return [_one(curve, str(name), names == name) for name in dict.fromkeys(names)]


def _one(curve: xr.Dataset, name: str, own: np.ndarray) -> Loading:
    rows = np.flatnonzero(own)
    stress, e = curve["stress"].values[rows], curve["void_ratio"].values[rows]
    branch = curve["branch"].values[rows].astype(str)
    sound = (curve["void_ratio_flag"].values[rows] <= flags.SUSPECT) & (stress > 0) & np.isfinite(e)
    use = sound & (branch == "loading")
    # A stress held over two steps keeps its later point: creep belongs to the longer time.
    kept = use & ~np.append((stress[1:] == stress[:-1]) & use[1:] & use[:-1], False)
    away = branch != "loading"
    # Back at the greatest stress the disc creeps as on first loading: no part of the loop.
    back = (branch == "reloading") & (stress >= np.maximum.accumulate(stress))
    rebound = np.append((branch == "unloading")[1:], False) & ~away
    loop = sound & ((away & ~back) | rebound)
    x, y = stress[kept], e[kept]
    given = float(np.nanmax(curve["void_ratio_u_random"].values[rows], initial=-np.inf))
    stated = bool(np.isfinite(given))
    if not stated:
        given = joined_lines(np.log10(x), y, np.ones(x.size), NEAR).deviation
    # Reasons that say a point was left out stand in the curve; the test is only suspect for them.
    seen = int(np.bitwise_or.reduce(curve["void_ratio_reason"].values[rows]))
    suspect = sum(flags.bit(w) for w in flags.names(seen) if flags.REASONS[w] <= flags.SUSPECT)
    return Loading(
        name, int(rows[0]), x, y, stress[loop], e[loop], np.cumsum(rebound)[loop],
        float(curve["initial_void_ratio"].values[rows[0]]), given, stated, suspect,
    )  # fmt: skip


def places(curve: xr.Dataset, tests: list[Loading]) -> dict[str, xr.Variable]:
    """Coordinates along ``reading``, one a test."""
    rows = [test.first for test in tests]
    scales = ("depth_fitted", "offset_closed", "depth_closed")
    names = (*series.POSITION, *scales, "to", "test", "sample_id")
    return {n: curve[n].variable.isel(reading=rows) for n in names if n in curve}
