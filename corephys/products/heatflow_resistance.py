"""Thermal resistance between the seafloor and depths, with everything known of its errors."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys import series
from corephys.bounds import positive
from corephys.hole.depth_uncertainty import covariance
from corephys.products.heatflow_points import carry, wanted
from corephys.products.heatflow_stations import CONDUCTIVITY, DEPTH, SCATTER
from corephys.uncertainty import Measured

__all__ = ["thermal_resistance"]

_ALLOW = ("good", "not_evaluated")


# Errors of depth that cores and stations of a hole share, and whether the seafloor has them too.
STRETCHES = {"drill_string": True, "drill_string_relative": False}


def thermal_resistance(
    conductivity: Any, *, at: Any, how: str = "linear", depth_uncertainty: Any = None,
    datum_uncertainty: Any = None, allow: tuple[str, ...] = _ALLOW,
) -> xr.Dataset:  # fmt: skip
    """Thermal resistance between the seafloor and given depths.

    Parameters
    ----------
    conductivity : Dataset or DataArray, (reading)
        ``thermal_conductivity`` [W/(m K)] with the coordinate ``depth`` [m].
    at : Dataset, DataArray or Quantity
        Depths [m], or a series with the coordinate ``depth``.
    how : {"linear", "steps", "harmonic mean", "trend"}
        What stands between the points: the resistivity 1/k linear from point to point; that of
        the nearest point; one harmonic mean for the hole, weighted by thickness; or a straight
        line of 1/k against depth. Resistances in series add, so resistivity is what is carried.
        Beyond the first and the last point "linear" and "steps" keep their values.
    depth_uncertainty : Quantity, str or Dataset, optional
        Standard uncertainty of each depth of ``at`` against the seafloor [m], independent; or
        from ``corephys.depth.uncertainty`` at the same positions, whose covariance between depths
        and effects of the hole are carried. The drill string is taken to be that of the cores.
    datum_uncertainty : Quantity or str, optional
        One error that all depths of ``at`` share against the conductivities [m]: the effect
        ``depth``. An error of depth that is not given is not carried; attributes say so.
    allow : tuple of str
        Flag levels of the conductivity that are used.

    Returns
    -------
    Dataset
        ``thermal_resistance`` [m^2 K/W] with uncertainty, effects and flags, and
        ``thermal_resistance_covariance`` [m^4 K^2/W^2], the random part between all depths, which
        share the sediment above them; ``_covariance_parts (part, ...)`` says what it comes from.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For an unknown way, a conductivity without depth, no usable conductivity, a depth
        uncertainty below zero, or fewer than three depths for a trend.

    Notes
    -----
    R(z) = integral of dz / k from the seafloor (Bullard 1939, Proceedings of the Royal Society A
    173, 474). With the derivatives J of R by the conductivities the random covariance is
    J diag(u^2 + s^2) J', and an effect is J times the effect of the conductivities (JCGM 102:2011,
    6.2); a depth that is off by dz moves R by dz / k, but where the string is longer than written
    the conductivities are off with it, and R stretches: dR = integral of de / k. s is the natural
    scatter of the conductivities about their carrier beyond their own errors: a needle reads a few
    centimetres and stands for metres. It is a moment estimate, NaN with one depth only, and enters
    multiplied by Student's t for 68.27 % at its degrees of freedom, so that one standard
    uncertainty holds what it says. Readings less than 10 cm apart share that scatter and are
    averaged first.
    """
    target, depth = wanted(at)
    shaky, datum, shared = _depth_errors(depth_uncertainty, datum_uncertainty, target)
    carried = carry(conductivity, depth, how, allow)
    parts = {
        CONDUCTIVITY: (carried.by_k * carried.own) @ carried.by_k.T,
        SCATTER: (carried.by_k * carried.spread) @ carried.by_k.T,
    }
    if shaky is not None:
        parts[DEPTH] = shaky * np.outer(carried.local, carried.local)
    covariance = np.sum(list(parts.values()), axis=0)
    effects = {source: carried.by_k @ effect for source, effect in carried.points.effects.items()}
    for source, effect in shared.items():
        moved = effect * carried.local
        if source in STRETCHES:
            moved = _stretched(effect, depth, carried.values, at_seafloor=STRETCHES[source])
        effects[source] = effects.get(source, 0.0) + moved
    if datum is not None:
        effects["depth"] = datum * carried.local

    def along(part: np.ndarray) -> xr.DataArray:
        return target.copy(deep=False, data=part)

    result = Measured(
        along(carried.values), along(np.sqrt(np.diag(covariance))),
        {source: along(effect) for source, effect in effects.items()},
    )  # fmt: skip
    dataset = series.build(
        {"thermal_resistance": result},
        steps=(f"resistance by {how}, from the seafloor down (Bullard 1939)",),
        carrier=how,
        conductivities_used=carried.used,
        conductivities_left_out=carried.left_out,
        conductivity_depths=int(carried.points.depth.size),
        natural_scatter_of_conductivity=carried.natural,
        natural_scatter_degrees_of_freedom=carried.freedom,
        depth_uncertainty=_in_words(depth_uncertainty, shaky),
        datum_uncertainty="not given, not carried" if datum is None else f"{datum:g} m",
    )
    return dataset.assign(_covariances(target.dims[0], covariance, parts)).assign_coords(
        part=("part", np.array(list(parts), dtype=object), {"long_name": "what the part is from"})
    )


def _depth_errors(
    random: Any, datum: Any, target: xr.DataArray
) -> tuple[np.ndarray | None, float | None, dict[str, np.ndarray]]:
    """Covariance of the depths [m^2], what they share [m], None where not given, and effects."""
    shared = None if datum is None else float(positive(datum, "m", "datum_uncertainty", zero=True))
    if random is None:
        return None, shared, {}
    if isinstance(random, xr.Dataset):
        series.require_same_positions(at=target, depth_uncertainty=random)
        effects = random["depth_effects"].transpose("source", ...)
        of_hole = dict(zip(effects["source"].values.tolist(), effects.values, strict=True))
        return covariance(random, shared_by_hole=False).values, shared, of_hole
    u = float(positive(random, "m", "depth_uncertainty", zero=True))
    return np.eye(target.size) * u**2, shared, {}


def _stretched(
    effect: np.ndarray, depth: np.ndarray, resistance: np.ndarray, *, at_seafloor: bool
) -> np.ndarray:
    """Effect on resistance of an error that conductivities share with the stations.

    Between two stations dR = (e_2 - e_1) times the mean of 1 / k: the beds stretch with the string.
    """
    order = np.argsort(depth, kind="stable")
    e, z, r = effect[order], depth[order], resistance[order]
    first = e[0] if at_seafloor else 0.0
    rise, thick, more = (np.diff(v, prepend=p) for v, p in ((e, first), (z, 0.0), (r, 0.0)))
    slowness = np.divide(more, thick, out=np.zeros(z.size), where=thick > 0.0)
    moved = np.cumsum(rise * slowness) + first * slowness[0]
    found = np.empty(z.size)
    found[order] = moved
    return found


def _in_words(given: Any, matrix: np.ndarray | None) -> str:
    if matrix is None:
        return "not given, not carried"
    return "by reading" if isinstance(given, xr.Dataset) else f"{np.sqrt(matrix[0, 0]):g} m"


def _covariances(
    dim: Any, whole: np.ndarray, parts: dict[str, np.ndarray]
) -> dict[str, xr.DataArray]:
    words, dims = "random covariance of thermal resistance", (dim, f"{dim}_2")
    unit = {"units": "m^4 K^2/W^2"}
    split = xr.DataArray(
        np.stack(list(parts.values())), dims=("part", *dims),
        attrs={**unit, "long_name": f"{words} by what it comes from"},
    )  # fmt: skip
    matrix = xr.DataArray(whole, dims=dims, attrs={**unit, "long_name": words})
    return {
        "thermal_resistance_covariance": matrix, "thermal_resistance_covariance_parts": split,
    }  # fmt: skip
