"""Thermal resistance between the seafloor and depths, from interpolated conductivities."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import series
from corephys.ground.arguments import positive
from corephys.ground.choices import choice, plain_words
from corephys.hole.placing.depth_uncertainty import errors_in_metres
from corephys.products.heat_flow.carriers import (
    CARRIERS,
    Carrier,
    carry,
    wanted,
)
from corephys.products.heat_flow.stations import (
    FEW,
    DepthErrors,
    Means,
    compact,
    depth_errors,
    resistance_covariances,
)
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Measurement, Scalar

__all__ = ["thermal_resistance"]


_ALLOW = ("good", "not_evaluated")


# Errors of depth that cores and stations of a hole share, and whether the seafloor has them too.
STRETCHES = {"drill_string": True, "drill_string_relative": False}


def thermal_resistance(
    conductivity: Measurement,
    *,
    at: xr.Dataset | Dimensional,
    how: str = "linear",
    depth_uncertainty: Scalar | xr.Dataset | None = None,
    datum_uncertainty: Scalar | None = None,
    allow: Sequence[str] = _ALLOW,
) -> xr.Dataset:
    """Thermal resistance between the seafloor and given depths.

    Parameters
    ----------
    conductivity : Dataset or DataArray, (reading)
        ``thermal_conductivity`` [W/(m K)] with the coordinate ``depth`` [m].
    at : Dataset, DataArray or Quantity
        Depths [m], or a series with the coordinate ``depth``.
    how : {"linear", "steps", "harmonic_mean", "trend"}
        Interpolation between the points: the resistivity 1/k linear from point to point; that of
        the nearest point; one harmonic mean for the hole, weighted by thickness; or a straight
        line of 1/k against depth. Resistivity is interpolated because resistances in series add.
        Beyond the first and the last point "linear" and "steps" keep their values.
    depth_uncertainty : Quantity, str or Dataset, optional
        Standard uncertainty of each depth of ``at`` against the seafloor [m], independent; or
        from ``corephys.depth.uncertainty`` at the same positions, whose covariance between depths
        and effects of the hole are carried. The drill string is taken to be that of the cores.
    datum_uncertainty : Quantity or str, optional
        One error that all depths of ``at`` share against the conductivities [m]: the effect
        ``depth``. Attributes name an error of depth that is not given and so not included.
    allow : sequence of str
        Flag levels of the conductivity that are used.

    Returns
    -------
    Dataset
        ``thermal_resistance`` [m^2 K/W] with uncertainty, effects and flags. For up to 200 depths
        ``thermal_resistance_covariance`` [m^4 K^2/W^2] is the random part between all depths,
        which share the sediment above them, and ``_covariance_parts (part, ...)`` its parts by
        cause. ``carried_resistivity (point)`` [m K/W] with its errors holds the interpolated
        values; for more depths the functions of heat flow compute the covariance of means from it.

    Raises
    ------
    ValueError
        For an unknown way, a conductivity without depth, no usable conductivity, a depth
        uncertainty below zero, or fewer than three depths for a trend.

    Notes
    -----
    R(z) = integral of dz / k from the seafloor (Bullard 1939, Proceedings of the Royal Society A
    173, 474). With the weights W of the resistivities the random covariance is
    W diag(v) W', v = (u/k)^2 / k_s^2 + s^2 / k_s^4, and an effect is -W (e / k^2) (JCGM 102:2011,
    6.2). u is the error of a reading k and s the natural scatter of the conductivities about
    their interpolation beyond those errors: a needle measures a few centimetres and represents
    metres. k_s is the straight line of 1/k against depth, so that a reading that is high by chance
    does not get more weight than its neighbours. The resistivity itself is that of the readings,
    whose mean needs no correction for the natural scatter. An error u makes it too large by
    (u/k)^2 on average, 0.04 % at 2 %, which is not corrected. s is a moment estimate, NaN with one
    depth only, and enters multiplied by Student's t for 68.27 % at its degrees of freedom. Readings
    less than 10 cm apart share that scatter and are averaged first. An error dz of depth changes R
    by dz / k. Where the drill string is longer than recorded, the conductivities are displaced
    with the stations, and R stretches: dR = integral of de / k.
    """
    how = choice(how, CARRIERS, "how")
    target, depth = wanted(at)
    shaky, shared, datum = _depth_errors(depth_uncertainty, datum_uncertainty, target)
    carried = carry(conductivity, how, allow)
    values, variance, effects = _along(carried.carrier, depth, carried.effects)
    local = carried.carrier.local(depth)
    if shaky is not None:
        variance = variance + local**2 * shaky.total
    for source, effect in shared.items():
        moved = effect * local
        if source in STRETCHES:
            moved = _stretched(effect, depth, values, at_seafloor=STRETCHES[source])
        effects[source] = effects.get(source, 0.0) + moved
    if datum is not None:
        effects["depth"] = datum * local

    def along(part: np.ndarray) -> xr.DataArray:
        return target.copy(deep=False, data=part)

    result = Measured(
        along(values),
        along(np.sqrt(variance)),
        {source: along(effect) for source, effect in effects.items()},
    )
    dataset = series.build(
        {"thermal_resistance": result},
        steps=(f"resistance by {plain_words(how)}, from the seafloor down (Bullard 1939)",),
        carrier=how,
        conductivities_used=carried.used,
        conductivities_left_out=carried.left_out,
        conductivity_depths=int(carried.carrier.depth.size),
        natural_scatter_of_conductivity=carried.natural,
        natural_scatter_degrees_of_freedom=carried.freedom,
        depth_uncertainty=_in_words(depth_uncertainty, shaky),
        datum_uncertainty="not given, not carried" if datum is None else f"{datum:g} m",
    )
    dim, few = str(target.dims[0]), depth.size <= FEW
    dataset = dataset.assign(compact(carried.carrier, None if few else shaky, dim))
    if not few:
        return dataset
    parts = resistance_covariances(carried.carrier, depth, shaky, Means.each(depth.size))
    return dataset.assign(_covariances(dim, parts)).assign_coords(
        part=("part", np.array(list(parts), dtype=object), {"long_name": "cause of the part"})
    )


def resistance_by(
    way: str,
    conductivity: Measurement,
    given: xr.Dataset | None,
    *,
    at: Measurement,
    depth_uncertainty: Scalar | xr.Dataset | None,
    datum_uncertainty: Scalar | None,
    allow: Sequence[str],
) -> xr.Dataset:
    """Resistance at stations by one way of interpolation: ``given``, or computed without it."""
    if given is None:
        return thermal_resistance(
            conductivity,
            at=at,
            how=way,
            depth_uncertainty=depth_uncertainty,
            datum_uncertainty=datum_uncertainty,
            allow=allow,
        )
    held = given.attrs.get("carrier", "")
    if held != way:
        raise ValueError(
            f"resistance is interpolated by {held!r} and how is {way!r}; give how={held!r}, or "
            "leave resistance out"
        )
    return given


def _along(
    carrier: Carrier, depth: np.ndarray, effects: dict[str, np.ndarray]
) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Resistances at the depths, their variances by conductivity, and effects on them."""
    values, variance = np.empty((2, depth.size))
    shifts = {source: np.empty(depth.size) for source in effects}
    spread = carrier.own + carrier.spread
    for part, share in carrier.blocks(depth):
        # R = W (1/k): a row of share holds the thickness [m] that each resistivity stands for.
        values[part] = share @ carrier.resistivity
        variance[part] = share**2 @ spread
        for source, effect in effects.items():
            shifts[source][part] = share @ effect
    return values, variance, shifts


def _depth_errors(
    random: Scalar | xr.Dataset | None, datum: Scalar | None, target: xr.DataArray
) -> tuple[DepthErrors | None, dict[str, np.ndarray], float | None]:
    """Random errors of the depths, None where not given, effects of the hole, and the datum [m]."""
    shared = None if datum is None else float(positive(datum, "m", "datum_uncertainty", zero=True))
    if random is None:
        return None, {}, shared
    if isinstance(random, xr.Dataset):
        series.require_same_positions(at=target, depth_uncertainty=random)
        random = errors_in_metres(random)
        effects = random["depth_effects"].transpose("source", ...)
        of_hole = dict(zip(effects["source"].values.tolist(), effects.values, strict=True))
        return depth_errors(random), of_hole, shared
    u = float(positive(random, "m", "depth_uncertainty", zero=True))
    each = np.arange(target.size)
    return DepthErrors(np.full(target.size, u), np.zeros((0, target.size)), each), {}, shared


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
    resistivity = np.divide(more, thick, out=np.zeros(z.size), where=thick > 0.0)
    # The error at the seafloor itself stretches the first piece too.
    moved = np.cumsum(rise * resistivity) + first * resistivity[0]
    found = np.empty(z.size)
    found[order] = moved
    return found


def _in_words(given: Scalar | xr.Dataset | None, errors: DepthErrors | None) -> str:
    if errors is None:
        return "not given, not carried"
    return "by reading" if isinstance(given, xr.Dataset) else f"{errors.random[0]:g} m"


def _covariances(dim: str, parts: dict[str, np.ndarray]) -> dict[str, xr.DataArray]:
    words, dims = "random covariance of thermal resistance", (dim, f"{dim}_2")
    unit = {"units": "m^4 K^2/W^2"}
    split = xr.DataArray(
        np.stack(list(parts.values())),
        dims=("part", *dims),
        attrs={**unit, "long_name": f"{words} by what it comes from"},
    )
    matrix = xr.DataArray(split.values.sum(axis=0), dims=dims, attrs={**unit, "long_name": words})
    return {
        "thermal_resistance_covariance": matrix,
        "thermal_resistance_covariance_parts": split,
    }
