"""What a porosity says of the pressure: a lower bound, and when it says nothing."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds
from corephys.ground.cards import RESEARCH_ONLY
from corephys.products.stress_reference import CompactionReference, effective_stress_of_porosity
from corephys.uncertainty import Measured, bare, combine, norm

__all__ = ["lambda_star", "overpressure_bound"]

BOUND = (
    "lower bound of the overpressure: a sediment of the reference's material lies on its curve or, "
    "unloaded, below it, so that its effective stress is at most that of its porosity on the curve"
)
ASSUMPTIONS = (
    "compacted by its own load alone, straight down",
    "clay of the composition, grain size and clay content of the reference",
    "no cement, no opal frame, no gas: each holds pores open and feigns overpressure",
    "porosity in place: sampling and rebound open pores and feign overpressure",
    "later unloading, by fluid that came in from elsewhere, is not seen: the true pressure is "
    "above the bound",
    "slow creep closes pores further than a quick test: a reference of tests hides overpressure",
)
_SURE = thresholds.value("one_sided_errors")


def overpressure_bound(
    porosity: xr.Dataset, profile: xr.Dataset, *, reference: CompactionReference,
    grain_density: xr.Dataset | None = None, allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> xr.Dataset:  # fmt: skip
    """Lower bound of the overpressure from porosities that are too high for their load.

    Parameters
    ----------
    porosity : Dataset, (reading)
        ``porosity`` [1], in place: rebounded ones are the caller's to correct.
    profile : Dataset, (reading)
        From :func:`corephys.products.stress_profile.profile`, at the same positions.
    reference : CompactionReference
        Of the same material at hydrostatic pressure, or of compression tests.
    grain_density : Dataset, optional
        ``grain_density`` at the same positions [g/cm^3], to see other materials by.
    allow : tuple of str
        Flag levels of the porosities that may say something.

    Returns
    -------
    Dataset, (reading)
        ``overpressure_bound`` [kPa], never negative, zero says nothing;
        ``overpressure_bound_low`` and ``_high`` one standard uncertainty to either side;
        ``overpressure_difference`` [kPa] the same before it is cut at zero; ``lambda_star`` [1]
        that goes with it, and ``pore_pressure_bound`` [kPa] from sea level where the profile has a
        water depth; ``informative``, 1 where the difference exceeds 1.645 of its standard
        uncertainty, the material is that of the reference and the porosity may be used. Attribute
        ``bound`` is ``lower``; ``verdict`` says in words where it is empty. Research estimate; not
        for well control, mud weight, casing, slope or structural decisions; follow local codes and
        licensed practice.

    Raises
    ------
    PositionError
        When porosity and profile lie at different positions.
    UnitError
        For a wrong unit.
    ValueError
        For a porosity outside 0 to 1 that is not flagged as bad.

    Notes
    -----
    P* >= sigma'_vh - sigma'(phi): the states of a sediment under its own load lie on or below the
    line of first loading, hence sigma' <= sigma'(phi), and P = sigma_v - sigma' (Terzaghi 1943;
    the curve in effective stress, Rubey and Hubbert 1959, GSA Bulletin 70, 167). Unloading lowers
    the effective stress and hardly opens the pores: the bound holds and lies farther off. Another
    composition, cement or an open porosity break it; they cannot be told from overpressure by
    porosity. Errors that both stresses share, such as the density of the pore water, act with
    their signs.
    """
    given: dict[str, Any] = {"porosity": porosity, "profile": profile}
    if grain_density is not None:
        given["grain_density"] = grain_density
    series.require_same_positions(**given)
    load = series.unpack(profile, "vertical_effective_stress")
    on_curve = series.unpack(
        effective_stress_of_porosity(porosity, reference=reference), "effective_stress_of_porosity"
    )
    values, most = (np.asarray(bare(m.values), dtype=float) for m in (load, on_curve))
    difference = values - most
    random, effects = combine([(1.0, load), (-1.0, on_curve)])
    foreign = _foreign(grain_density, reference, values.shape)
    reason = np.asarray(series.joined_reasons(bare(load.reason), bare(on_curve.reason)))
    outside = (reason & flags.bit("beyond_calibration")) != 0
    reason = reason | np.where(foreign, flags.bit("beyond_calibration"), 0)
    bound = load.values.copy(data=np.maximum(difference, 0.0))
    above = np.where(values > 0.0, values, np.nan)
    ratio = load.values.copy(data=np.maximum(difference, 0.0) / above)
    u_ratio, by_source = combine([(most / above**2, load), (-1.0 / above, on_curve)])
    quantities = {
        "overpressure_bound": Measured(bound, random, effects, reason),
        "lambda_star": Measured(ratio, u_ratio, by_source, reason),
    }
    if "hydrostatic_pressure" in profile:
        water = series.unpack(profile, "hydrostatic_pressure")
        u_p, e_p = combine([(1.0, water), (1.0, Measured(0.0, random, effects))])
        pressure = bound + np.asarray(bare(water.values))
        quantities["pore_pressure_bound"] = Measured(pressure, u_p, e_p, reason)
    u = np.hypot(np.asarray(bare(random)), np.asarray(bare(norm(effects))))
    sure = difference > _SURE * u
    phi_reason = np.asarray(bare(series.unpack(porosity, "porosity").reason))
    barred = ~np.broadcast_to(flags.usable(flags.from_reason(phi_reason), allow), values.shape)
    said = sure & ~outside & ~foreign & ~barred
    dataset = series.build(
        quantities,
        steps=("P* >= sigma'_vh - sigma'(phi)", reference.describe()), safety=RESEARCH_ONLY,
        bound="lower", bound_in_words=BOUND, assumptions=json.dumps(ASSUMPTIONS),
        verdict=_verdict(difference, said, outside, foreign, barred),
    )  # fmt: skip
    dims = dataset["overpressure_bound"].dims
    for name in quantities:
        dataset[name].attrs["bound"] = "lower"
    dataset["overpressure_difference"] = (dims, difference, {
        "units": "kPa", "long_name": "effective stress less that of the porosity on the reference, "
        "negative where it says nothing"})  # fmt: skip
    for end, sign in (("low", -1.0), ("high", 1.0)):
        dataset[f"overpressure_bound_{end}"] = (dims, np.maximum(difference + sign * u, 0.0), {
            "units": "kPa", "long_name": f"lower bound of the overpressure, {end} end",
        })  # fmt: skip
    dataset["informative"] = (dims, said.astype(np.int8), {
        "long_name": "whether the bound says anything",
        "flag_values": np.array([0, 1], dtype=np.int8),
        "flag_meanings": "uninformative informative",
    })  # fmt: skip
    return dataset


def _foreign(
    grains: xr.Dataset | None, reference: CompactionReference, shape: tuple[int, ...]
) -> np.ndarray:
    """Where the grains are not those of the reference, beyond their own uncertainty."""
    low, high = reference.grain_density
    if grains is None or not np.isfinite([low, high]).all():
        return np.zeros(shape, dtype=bool)
    solid = series.unpack(grains, "grain_density")
    u = np.nan_to_num(
        np.hypot(np.asarray(bare(solid.u_random)), np.nan_to_num(norm(solid.effects)))
    )
    values = np.asarray(bare(solid.values), dtype=float)
    return np.asarray((values < low - u) | (values > high + u))


def _verdict(
    difference: np.ndarray, said: np.ndarray, outside: np.ndarray, foreign: np.ndarray,
    barred: np.ndarray,
) -> str:  # fmt: skip
    """In words, at how many depths the bound is empty, and why."""
    known = np.isfinite(difference)
    empty = known & ~said & ~barred
    words = f"informative at {int((said & known).sum())} of {int(known.sum())} depths"
    small = empty & ~outside & ~foreign
    causes = [
        (int((known & barred).sum()), "porosities whose flags leave them out"),
        (int((empty & foreign).sum()), "other grains than the reference: composition changes"),
        (int((empty & outside & ~foreign).sum()), "porosities that the reference does not cover"),
        (int((small & (difference <= 0.0)).sum()), "effective stress below that of the porosity"),
        (
            int((small & (difference > 0.0)).sum()),
            "difference not beyond its uncertainty, or that unknown",
        ),
    ]
    told = [f"{number} {cause}" for number, cause in causes if number]
    return words + (f"; uninformative: {', '.join(told)}" if told else "")


def lambda_star(
    pressure: Any, hydrostatic: Any, overburden: Any, *, quantity: str = "fluid_column_pressure"
) -> xr.Dataset:
    """How far a pressure lies on the way from hydrostatic to overburden.

    Parameters
    ----------
    pressure : Dataset, Quantity, DataArray or str, (reading)
        From sea level [kPa].
    hydrostatic, overburden : Dataset, Quantity, DataArray or str, (reading)
        ``hydrostatic_pressure`` and ``overburden_stress`` from sea level [kPa]; both of one
        profile as a rule.
    quantity : str
        Which pressure of a Dataset.

    Returns
    -------
    Dataset, (reading)
        ``lambda_star`` [1]: 0 hydrostatic, 1 lithostatic; NaN where the overburden does not exceed
        the hydrostatic pressure. Research estimate; not for well control, mud weight, casing,
        slope or structural decisions; follow local codes and licensed practice.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When they lie at different positions.

    Notes
    -----
    lambda* = (P - P_h) / (sigma_v - P_h): overpressure ratio, by its usual definition. Errors of
    the same source in all three cancel as far as they are shared, such as those of the water
    column; random errors count as independent.
    """
    series.require_same_positions(pressure=pressure, hydrostatic=hydrostatic, overburden=overburden)
    p = series.unpack(pressure, quantity)
    water = series.unpack(hydrostatic, "hydrostatic_pressure")
    load = series.unpack(overburden, "overburden_stress")
    top, low, high = (np.asarray(bare(m.values), dtype=float) for m in (p, water, load))
    span = high - low
    span = np.where(span > 0.0, span, np.nan)
    found = (top - low) / span
    random, effects = combine(
        [(1.0 / span, p), ((top - high) / span**2, water), (-(top - low) / span**2, load)]
    )
    reason = series.joined_reasons(*(np.asarray(bare(m.reason)) for m in (p, water, load)))
    held = next((m.values for m in (p, water, load) if isinstance(m.values, xr.DataArray)), None)
    values = found if held is None else held.copy(data=found)
    return series.build(
        {"lambda_star": Measured(values, random, effects, reason)},
        steps=("lambda* = (P - P_h) / (sigma_v - P_h)",), safety=RESEARCH_ONLY,
    )  # fmt: skip
