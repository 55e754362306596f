"""What the uncertainty of depth says of shifts: what to expect, and which are more than that."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import thresholds
from corephys.ground.series import PositionError
from corephys.hole.composite_ties import meters
from corephys.hole.depth_uncertainty import errors_in_metres

__all__ = ["MOST", "doubts", "errors_of_cores", "expected"]

MOST = thresholds.value("composite_shift_limit")


def errors_of_cores(errors: Mapping[str, xr.Dataset], places: pd.DataFrame) -> list[dict[str, Any]]:
    """Mean errors of depth of every core, by what shares them.

    Parameters
    ----------
    errors : mapping of hole to Dataset
        From ``corephys.depth.uncertainty``, with readings of every core.
    places : DataFrame
        hole and core of each core of the site.

    Returns
    -------
    list of dict
        One a core: variance of what it has for itself, ``core``, and of each reading's offset,
        ``random`` [m^2]; effects by source, ``hole`` [m]. NaN where not stated.

    Raises
    ------
    PositionError
        When a hole is missing.
    """
    found = []
    for hole, core in zip(places["hole"], places["core"], strict=True):
        held = errors.get(hole)
        if held is None:
            raise PositionError(f"there is no depth_uncertainty for hole {hole!r}")
        if "core" not in held.coords:
            raise PositionError(f"depth_uncertainty of hole {hole!r} has no coordinate 'core'")
        held = errors_in_metres(held)
        names = np.broadcast_to(held["core"].values, held["depth_u_core"].shape)
        mine = np.flatnonzero(names == core)
        if mine.size == 0:  # no reading says anything of this core
            found.append({"core": np.nan, "random": np.nan, "hole": {"not stated": np.nan}})
            continue
        of_hole = held["depth_effects"].transpose("source", ...).values[:, mine]
        found.append({
            "core": float(np.mean(meters(held, "depth_u_core")[mine] ** 2)),
            "random": float(np.mean(meters(held, "depth_u_random")[mine] ** 2)),
            "hole": dict(zip(held["source"].values, of_hole.mean(axis=1), strict=True)),
        })  # fmt: skip
    return found


def expected(
    parts: list[dict[str, Any]], places: pd.DataFrame, anchor: int, shift: np.ndarray
) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """How large shifts are to be expected, and which are larger.

    Parameters
    ----------
    parts : list of dict
        From :func:`errors_of_cores`.
    places : DataFrame
        hole and core of each core of the site.
    anchor : int
        Row of the core whose shift is zero.
    shift : (n,) ndarray
        [m].

    Returns
    -------
    tuple of (n,) ndarray, (n,) ndarray and list of str
        Expected standard uncertainty [m] and shift over it [1], NaN for the anchor and where
        something is not stated; and a line for every core above :data:`MOST`.

    Notes
    -----
    A shift is the error of depth of the anchor less that of the core: u^2 = u_core^2 + u_anchor^2
    of what each core has for itself + sum (e - e_anchor)^2 over what the hole shares within one
    hole, e^2 + e_anchor^2 between two (JCGM 100:2008, 5.1.2 and 5.2.2).
    """
    first = parts[anchor]
    hole = places["hole"].to_numpy(object)
    u = np.full(len(parts), np.nan)
    for row, part in enumerate(parts):
        if row == anchor:
            continue
        together = part["core"] + first["core"]
        for name in {**part["hole"], **first["hole"]}:
            one, other = part["hole"].get(name, 0.0), first["hole"].get(name, 0.0)
            together += (one - other) ** 2 if hole[row] == hole[anchor] else one**2 + other**2
        u[row] = np.sqrt(together)
    over = np.full(u.shape, np.nan)
    np.divide(np.abs(shift), u, out=over, where=u > 0.0)
    core = places["core"].to_numpy(object)
    said = [
        f"core {core[row]} of hole {hole[row]}: shift {shift[row]:.2f} m is {over[row]:.1f} times "
        f"its expected standard uncertainty of {u[row]:.2f} m; look at its ties, or at the depths"
        for row in np.flatnonzero(over > MOST)
    ]
    return u, over, said


def doubts(names: list[str], residual: np.ndarray, sigma: np.ndarray, known: bool) -> list[str]:
    """Ties that miss by more than their uncertainty allows, or that have none.

    Parameters
    ----------
    names : list of str
        Of the ties in use.
    residual : (n,) ndarray
        Distance that is left between both sides [m].
    sigma : (n,) ndarray
        Standard uncertainty of the ties [m], NaN where not known.
    known : bool
        Whether all of them are known, so that ties were weighed by them.

    Returns
    -------
    list of str
        A line for each tie above :data:`MOST`, or one line for all without an uncertainty.

    Notes
    -----
    A residual of a least-squares solution has at most the uncertainty of its tie, so that more
    than three times that is more than chance (definition).
    """
    if not known:
        unknown = [name for name, u in zip(names, sigma, strict=True) if np.isnan(u)]
        if not unknown:
            return []
        shown = ", ".join(unknown[:5]) + (" ..." if len(unknown) > 5 else "")
        return [
            f"the uncertainty of {len(unknown)} of {len(names)} ties is not known (tie {shown}): "
            "all ties weigh the same and no shift has an uncertainty; give it with "
            "composite.change(..., uncertainty=...)"
        ]
    return [
        f"tie {names[i]} misses by {abs(residual[i]):.2f} m, {abs(residual[i]) / sigma[i]:.1f} "
        f"times its standard uncertainty of {sigma[i]:.2g} m: ties disagree by more than they say, "
        "and the uncertainty of the shifts they make is too small; look at them again"
        for i in np.flatnonzero(np.abs(residual) > MOST * sigma)
    ]
