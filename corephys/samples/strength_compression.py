"""Undrained shear strength as half of a compressive one: hand penetrometer, unconfined test."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.samples.strength_result import beyond, impossible, numbers, result
from corephys.uncertainty import Measured, stated

__all__ = ["penetrometer", "unconfined", "unconfined_peak"]

_T = thresholds.DEFAULTS
_SLENDER = tuple(thresholds.value(f"specimen_{end}_slenderness") for end in ("least", "greatest"))
_SLACK = thresholds.value("specimen_slenderness_slack")


def _half_stress(load: Any, diameter: Any, strain: Any) -> Any:
    """Half of the load over the area [kPa] from N and mm; the area grows with the strain."""
    wide = np.where(np.asarray(diameter) > 0.0, diameter, np.nan)
    return 0.5e3 * load * (1.0 - strain) / (0.25 * np.pi * wide**2)


def _strain(shortening: Any, height: Any) -> Any:
    return shortening / np.where(np.asarray(height) > 0.0, height, np.nan)


def penetrometer(
    reading: Any = None, *, axial_load: Any = None, diameter: Any = None,
    reading_uncertainty: Any = None, load_uncertainty: Any = None, scale_uncertainty: Any = None,
    limit: Any = _T["penetrometer_strength_limit"], reason: Any = 0,
) -> xr.Dataset:  # fmt: skip
    """Undrained shear strength from a hand penetrometer.

    Parameters
    ----------
    reading : DataArray, Quantity or str, (reading), optional
        Compressive strength as its scale shows it [kPa]; or else ``axial_load`` and ``diameter``.
    axial_load : DataArray, Quantity or str, (reading), optional
        At which the foot goes in [N].
    diameter : DataArray, Quantity or str, optional
        Of the foot [mm].
    reading_uncertainty, load_uncertainty : Quantity, DataArray or str, optional
        Random, of one reading [kPa], [N]; unknown gives NaN.
    scale_uncertainty : Quantity or float, optional
        Relative, of its spring [1]; effect ``penetrometer_spring``. Unknown gives NaN.
    limit : Quantity, str or Constant
        Strength at the end of the scale [kPa].
    reason : int or DataArray of int
        Reasons already found.

    Returns
    -------
    Dataset
        ``undrained_shear_strength`` [kPa] with uncertainty, effects and flags:
        ``beyond_method_range`` at ``limit`` and above. Attribute ``safety``.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        When neither reading nor load and diameter are given, or a single one is negative or zero.

    Notes
    -----
    s_u = q / 2 (definition of a compressive strength without friction), q as read or load over
    area. The scale is an empirical one; how far its q is that of the clay is not in the
    uncertainty.
    """
    if (reading is None) == (axial_load is None or diameter is None):
        raise ValueError("give reading, or axial_load and diameter of the foot, and not both")
    share = stated(scale_uncertainty, "1", "scale_uncertainty")
    if reading is not None:
        strength = 0.5 * numbers(reading, "kPa", "reading", zero=True)
        random = 0.5 * stated(reading_uncertainty, "kPa", "reading_uncertainty")
    else:
        series.require_same_positions(axial_load=axial_load, diameter=diameter)
        load = numbers(axial_load, "N", "axial_load", zero=True)
        foot = numbers(diameter, "mm", "diameter")
        strength = series.apply(_half_stress, load, foot, 0.0)
        u_load = stated(load_uncertainty, "N", "load_uncertainty")
        random = series.apply(_half_stress, 1.0, foot, 0.0) * u_load
    high = beyond(strength >= float(positive(limit, "kPa", "limit")))
    return result(
        Measured(strength, random, {"penetrometer_spring": strength * share},
                 series.joined_reasons(high, reason)),
        ("q as read, or load over the foot's area", "s_u = q / 2"),
        {"limit": limit},
    )  # fmt: skip


def unconfined(
    axial_load: Any, shortening: Any, *, diameter: Any, height: Any,
    load_uncertainty: Any = None, load_scale_uncertainty: Any = None,
    diameter_uncertainty: Any = None, strain_limit: Any = _T["unconfined_strain_limit"],
    reason: Any = 0,
) -> xr.Dataset:  # fmt: skip
    """Undrained shear strength from the peaks of unconfined compressions.

    Parameters
    ----------
    axial_load, shortening : DataArray, Quantity or str, (reading)
        At the peak of each sample [N], [mm].
    diameter, height : DataArray, Quantity or str
        Of the sample before the test [mm].
    load_uncertainty, diameter_uncertainty : Quantity, DataArray or str, optional
        Random, of one load [N] and one sample's diameter [mm]; unknown gives NaN.
    load_scale_uncertainty : Quantity or float, optional
        Relative, of the load cell [1]; effect ``load_cell``. Unknown gives NaN.
    strain_limit : Quantity, float or Constant
        Strain up to which a peak counts [1].
    reason : int or DataArray of int
        Reasons already found.

    Returns
    -------
    Dataset
        ``undrained_shear_strength`` [kPa] with uncertainty, effects and flags:
        ``beyond_method_range`` above the strain limit and for a height outside 2 to 2.5
        diameters. Attribute ``safety``.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        When a single load is negative, or a single length not above zero.

    Notes
    -----
    A = A_0 / (1 - strain), q_u = F / A, s_u = q_u / 2 (ASTM D2166, from memory): volume is
    kept, since nothing drains.
    """
    series.require_same_positions(
        axial_load=axial_load, shortening=shortening, diameter=diameter, height=height
    )
    load = numbers(axial_load, "N", "axial_load", zero=True)
    wide, tall = numbers(diameter, "mm", "diameter"), numbers(height, "mm", "height")
    strain = series.apply(_strain, units.as_floats(shortening, "mm", "shortening"), tall)
    strength = series.apply(_half_stress, load, wide, strain)
    per_load = series.apply(_half_stress, 1.0, wide, strain)
    random = (
        (per_load * stated(load_uncertainty, "N", "load_uncertainty")) ** 2
        + (2 * strength / wide * stated(diameter_uncertainty, "mm", "diameter_uncertainty")) ** 2
    ) ** 0.5
    share = stated(load_scale_uncertainty, "1", "load_scale_uncertainty")
    most = float(positive(strain_limit, "1", "strain_limit"))
    slender = tall / wide
    out = (
        (strain > most + 1e-9)
        | (slender < (1.0 - _SLACK) * _SLENDER[0])
        | (slender > (1.0 + _SLACK) * _SLENDER[1])
    )
    bad = impossible((strain < 0.0) | (strain >= 1.0) | (tall <= 0.0) | (wide <= 0.0))
    found = series.joined_reasons(beyond(out), bad, reason)
    return result(
        Measured(strength, random, {"load_cell": strength * share}, found),
        ("strain = shortening / height, A = A_0 / (1 - strain)", "q_u = F / A", "s_u = q_u / 2"),
        {"strain_limit": strain_limit},
    )


def unconfined_peak(
    axial_load: Any, shortening: Any, *, diameter: Any, height: Any, **options: Any
) -> xr.Dataset:
    """Undrained shear strength from the whole curve of one unconfined compression.

    Parameters
    ----------
    axial_load, shortening : DataArray or Quantity, (row)
        Of one test in order of time [N], [mm].
    diameter, height : Quantity or str
        Of the sample before the test [mm].
    **options
        Uncertainties, strain limit and reasons of :func:`unconfined`.

    Returns
    -------
    Dataset
        One ``undrained_shear_strength`` [kPa] as :func:`unconfined` gives it. Attribute
        ``peak_strain`` and ``peak``: ``reached``, or ``at the strain limit`` where the stress still
        rises there, or ``not reached`` where the curve ends before and still rises, which is
        ``beyond_method_range``: such a strength is a lower bound, and ``bound`` says so.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        With fewer than three points that are known, or a shortening that starts past the limit.

    Notes
    -----
    q_u = max of F (1 - strain) / A_0 up to the strain limit, where the curve is read between its
    points (ASTM D2166, from memory).
    """
    f = np.ravel(np.asarray(units.as_floats(axial_load, "N", "axial_load"), dtype=float))
    x = np.ravel(np.asarray(units.as_floats(shortening, "mm", "shortening"), dtype=float))
    if f.shape != x.shape:
        raise ValueError(f"axial_load has {f.size} points and shortening {x.size}")
    tall = float(positive(height, "mm", "height"))
    most = float(
        positive(options.get("strain_limit", _T["unconfined_strain_limit"]), "1", "strain_limit")
    )
    known = np.isfinite(f) & np.isfinite(x)
    f, strain = f[known], x[known] / tall
    inside = strain <= most
    if f.size < 3 or not inside.any():
        raise ValueError(
            f"{f.size} points, {int(inside.sum())} of them up to a strain of {most:g}, show no peak"
        )
    after = np.flatnonzero(~inside)
    if after.size:  # the curve at the limit itself
        k = int(after[0])
        at_limit = np.interp(most, strain[k - 1 : k + 1], f[k - 1 : k + 1]) if k else f[0]
        f, strain = np.append(f[:k], at_limit), np.append(strain[:k], most)
    peak = int(np.argmax(f * (1.0 - strain)))
    last = peak == f.size - 1
    found = "reached" if not last else "at the strain limit" if after.size else "not reached"
    known_reason = options.pop("reason", 0) | (
        flags.bit("beyond_method_range") if found == "not reached" else 0
    )
    answer = unconfined(
        units.quantity(f[peak], "N"), units.quantity(strain[peak] * tall, "mm"),
        diameter=diameter, height=height, reason=known_reason, **options,
    )  # fmt: skip
    answer.attrs |= {"peak": found, "peak_strain": float(strain[peak])}
    if found == "not reached":
        answer.attrs["bound"] = "lower bound of the strength: the curve ends while it still rises"
    return answer
