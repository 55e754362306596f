"""Accumulation: ages to sedimentation rates, rates and dry density to mass accumulation rates.

The errors of ages live in the data and not in the intervals: two neighbouring intervals share
the datum between them, and what one gains the other loses.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.products.accumulation_mass import (
    component_accumulation_rate,
    interval_density,
    mass_accumulation_of_phases,
    mass_accumulation_rate,
)
from corephys.products.accumulation_smoothing import smooth_ages, smoothing_kernel
from corephys.uncertainty import Measured, stated

__all__ = [
    "component_accumulation_rate", "interval_density", "mass_accumulation_of_phases",
    "mass_accumulation_rate", "sedimentation_rate", "smooth_ages",
]  # fmt: skip

_LEAST = thresholds.value("least_sedimentation_rate")  # m/Myr
_GREATEST = thresholds.value("greatest_sedimentation_rate")  # m/Myr
_OLDEST = thresholds.value("greatest_sediment_age")  # kyr
_UNRESOLVED = thresholds.value("unresolved_rate")
_NAME = "sedimentation_rate"
_HIATUS, _REVERSED, _SAME, _RATE = "hiatus", "reversed ages", "same age", "rate"


def sedimentation_rate(
    age: Any, *, depth: Any = None, age_uncertainty: Any = None, depth_uncertainty: Any = "0 m",
    growth_factor: Any = None, growth_factor_uncertainty: Any = None,
    age_scale_uncertainty: Any = None, smoothing: Any = None,
) -> xr.Dataset:  # fmt: skip
    """Sedimentation rates between neighbouring ages.

    Parameters
    ----------
    age : DataArray or Quantity, (reading)
        Of the data [kyr]; a datum without age or depth is left out and counted.
    depth : DataArray or Quantity, (reading), optional
        [m]; the coordinate of the ages where it is not given.
    age_uncertainty : Quantity, DataArray or str, optional
        Standard uncertainty of each datum [kyr], independent from datum to datum; unknown gives
        NaN.
    depth_uncertainty : Quantity, DataArray or str
        Standard uncertainty of where each datum lies [m].
    growth_factor : float, optional
        By which the depths are too long: composite depth over depth drilled [1]. Rates are
        divided by it. None for depths that are not composite: no effect.
    growth_factor_uncertainty : float, optional
        Standard uncertainty [1], effect ``growth_factor``; unknown gives NaN.
    age_scale_uncertainty : Quantity or str, optional
        Relative standard uncertainty that all durations share [1], effect ``ages``: of a
        calibration to which every datum was tied; unknown gives NaN, ``"0 %"`` states that each
        datum was dated by itself.
    smoothing : Quantity or str, optional
        Length [m] over which ages are smoothed before the differences are taken, see
        :func:`smooth_ages`. None takes the ages as they are.

    Returns
    -------
    Dataset, (interval)
        ``sedimentation_rate`` [m/Myr] with uncertainty, effects and flags; its random part is
        that of the data at both ends, and ``sedimentation_rate_covariance`` holds what intervals
        share. Coordinates ``top``, ``bottom``, ``depth`` (the middle) [m], ``age_top``,
        ``age_bottom`` [kyr] and ``kind``: ``rate``, ``hiatus`` (ages apart at one depth: the rate
        is zero), ``reversed ages`` (the rate is negative, kept and flagged
        ``impossible_value``) or ``same age`` (NaN). Rates outside 0.1 to 100 000 m/Myr and ages
        above 200 Myr are ``out_of_usual_range``, and the attribute ``unlikely_rates`` names them:
        most often ages in years or Myr under a header in kyr.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For fewer than two usable ages, no depth, another number of depths, or a growth factor
        that is not above zero.

    Notes
    -----
    r = (z2 - z1) / (a2 - a1) / G, definition. A datum error moves its two intervals oppositely:
    The attribute ``unresolved`` names intervals whose uncertainty exceeds half of their rate:
    there the line through 1 / (a2 - a1) no longer holds, and intervals should be joined.
    C = J diag(u^2) J' with dr_i/da_i = r_i / (a_i+1 - a_i) = -dr_i/da_i+1 (JCGM 100:2008, 5.2).
    Dividing composite depths by the growth factor: common practice.
    """
    z, a, u_age, u_depth, left_out = _data(age, depth, age_uncertainty, depth_uncertainty)
    factor, u_factor = _growth(growth_factor, growth_factor_uncertainty)
    carried = np.eye(z.size)
    if smoothing is not None:
        a, carried = smoothing_kernel(a, z, u_age, float(positive(smoothing, "m", "smoothing")))
    dz, da = np.diff(z) / factor, np.diff(a) * 1e-3  # m, Myr
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(da != 0.0, dz / da, np.nan)
    kind = np.select([da == 0.0, da < 0.0, dz == 0.0], [_SAME, _REVERSED, _HIATUS], _RATE)
    covariance = _covariance(rate, da, factor, carried, u_age, u_depth)
    effects = {"ages": -rate * stated(age_scale_uncertainty, "1", "age_scale_uncertainty")}
    if growth_factor is not None:
        effects["growth_factor"] = -rate / factor * u_factor
    reason = np.where(kind == _SAME, flags.bit("impossible_value"), 0).astype(np.int64)
    with np.errstate(invalid="ignore"):
        odd = (kind == _RATE) & ((rate < _LEAST) | (rate > _GREATEST))
    odd |= np.maximum(np.abs(a[1:]), np.abs(a[:-1])) > _OLDEST
    reason[odd] |= flags.bit("out_of_usual_range")
    values = xr.DataArray(rate, dims="interval", coords=_coordinates(z, a, kind))
    random = np.sqrt(np.diag(covariance))
    found = series.build(
        {_NAME: Measured(values, random, effects, reason)},
        steps=_steps(smoothing, growth_factor),
        constants={
            "growth_factor": (growth_factor, growth_factor_uncertainty),
            "age_scale_uncertainty": age_scale_uncertainty,
        },
        points_used=z.size,
        points_left_out=left_out,
        smoothing="none" if smoothing is None else str(smoothing),
        hiatuses=_places(kind == _HIATUS, z),
        reversed_ages=_places(kind == _REVERSED, z),
        unlikely_rates=_places(odd, z),
        unresolved=_places(random > _UNRESOLVED * np.abs(rate), z),
    )
    found[f"{_NAME}_covariance"] = (
        ("interval", "interval_2"), covariance,
        {"units": "m^2/Myr^2", "long_name": "random covariance of sedimentation rates"},
    )  # fmt: skip
    return found


def _data(age: Any, depth: Any, u_age: Any, u_depth: Any) -> tuple[Any, Any, Any, Any, int]:
    """Depths [m], ages [kyr] and their uncertainties, from the top down, and how many are left."""
    ages = units.as_floats(age, "kyr", "age")
    if depth is None:
        if "depth" not in getattr(ages, "coords", {}):
            raise ValueError("the ages have no depth: give depth= or ages with that coordinate")
        depth = age["depth"]
    z = np.atleast_1d(np.asarray(units.as_floats(depth, "m", "depth"), dtype=float))
    a = np.atleast_1d(np.asarray(ages, dtype=float))
    if z.shape != a.shape or a.ndim > 1:
        raise ValueError(
            f"{a.size} ages and {z.size} depths do not make pairs; give one row of each"
        )
    parts = []
    for value, unit, name in (
        (u_age, "kyr", "age_uncertainty"),
        (u_depth, "m", "depth_uncertainty"),
    ):
        u = np.asarray(stated(value, unit, name), dtype=float)
        if u.ndim and u.shape != a.shape:
            raise ValueError(f"{a.size} ages and {u.size} values of {name} do not make pairs")
        if (u < 0.0).any():
            raise ValueError(f"{name} is {np.nanmin(u):g} {unit}; it has to be zero or more")
        parts.append(np.broadcast_to(u, a.shape))
    use = np.isfinite(z) & np.isfinite(a)
    if use.sum() < 2:
        raise ValueError(f"{int(use.sum())} usable ages make no interval; it needs two")
    # By depth; at one depth by age, so that two ages at one depth enclose a hiatus.
    order = np.flatnonzero(use)[np.lexsort((a[use], z[use]))]
    return z[order], a[order], parts[0][order], parts[1][order], int((~use).sum())


def _growth(factor: Any, u: Any) -> tuple[float, float]:
    if factor is None:
        return 1.0, 0.0
    return float(positive(factor, "1", "growth_factor")), float(
        stated(u, "1", "growth_factor_uncertainty")
    )


def _covariance(
    rate: np.ndarray, da: np.ndarray, factor: float, carried: np.ndarray, u_age: np.ndarray,
    u_depth: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Covariance of the rates from independent errors of ages [kyr] and depths [m]."""
    number = rate.size
    difference = np.eye(number, number + 1, 1) - np.eye(number, number + 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_age = (-rate / da * 1e-3)[:, None] * (difference @ carried) * u_age
        by_depth = (1.0 / (factor * da))[:, None] * difference * u_depth
    # What an interval does not touch is zero, also where an uncertainty is not known.
    by_age = np.where(difference @ carried == 0.0, 0.0, by_age)
    by_depth = np.where(difference == 0.0, 0.0, by_depth)
    return _product(by_age) + _product(by_depth)


def _product(part: np.ndarray) -> np.ndarray:
    """Matrix times its transpose; unknown only where two rows share what is not known."""
    unknown, moved = np.isnan(part), (part != 0.0).astype(float)
    shared = unknown.astype(float) @ moved.T
    known = np.where(unknown, 0.0, part)
    return np.asarray(np.where(shared + shared.T > 0.0, np.nan, known @ known.T))


def _coordinates(z: np.ndarray, a: np.ndarray, kind: np.ndarray) -> dict[str, Any]:
    words = {
        "top": (z[:-1], "m", "upper datum of the interval"),
        "bottom": (z[1:], "m", "lower datum of the interval"),
        "depth": (0.5 * (z[:-1] + z[1:]), "m", "middle of the interval"),
        "age_top": (a[:-1], "kyr", "age of the upper datum"),
        "age_bottom": (a[1:], "kyr", "age of the lower datum"),
    }
    found: dict[str, Any] = {
        name: ("interval", values, {"units": unit, "long_name": text})
        for name, (values, unit, text) in words.items()
    }
    found["kind"] = ("interval", kind.astype(object), {"long_name": "kind of the interval"})
    return found


def _places(which: np.ndarray, z: np.ndarray) -> str:
    """Where intervals of a kind lie, in words."""
    return "; ".join(f"{z[i]:g} to {z[i + 1]:g} m" for i in np.flatnonzero(which)) or "none"


def _steps(smoothing: Any, growth_factor: Any) -> tuple[str, ...]:
    steps = ["r = (z2 - z1) / (a2 - a1) between neighbouring ages (definition)"]
    if smoothing is not None:
        steps.insert(0, "ages smoothed by local lines before the differences (Cleveland 1979)")
    if growth_factor is not None:
        steps.append("divided by the growth factor of the depths (common practice)")
    return tuple(steps)
