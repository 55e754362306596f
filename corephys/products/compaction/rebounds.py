"""Rebound: porosity that a sample gained when its load was removed, as a separate correction.

The correction is never applied by default, and the measured value stays beside the corrected one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, thresholds, units
from corephys.ground.arguments import measured_fraction, positive
from corephys.ground.cards import RESEARCH_ONLY
from corephys.ground.choices import choice
from corephys.uncertainty import Measured, combine, given_uncertainty, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Fraction, Measurement, Scalar

__all__ = ["rebound", "rebound_by_depth", "rebound_density"]

_C = constants.CONSTANTS
_ASSUMPTIONS = (
    "the sample swelled along one line e = e_lab - Cs log10(stress / reference stress) and "
    "took up water as it did; hydrostatic pressure; no gas, no cracks"
)
# Depth [m] and porosity gained [1] by terrigenous sediment; carbonate two thirds of it (Hamilton
# 1976, from memory).
_BY_DEPTH = ((0.0, 300.0, 500.0), (0.0, 0.04, 0.07))
_SHARE = {"terrigenous": 1.0, "carbonate": 2.0 / 3.0}
_DEEPEST = thresholds.value("rebound_deepest")  # m


def rebound(
    porosity: Measurement,
    *,
    stress: Measurement,
    swelling_index: Fraction,
    swelling_index_uncertainty: float | Scalar | None = None,
    reference_stress: Scalar = _C["rebound_reference_stress"],
    reference_stress_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Porosity before the rebound of a sample, from its swelling index.

    Parameters
    ----------
    porosity : Dataset, (reading)
        ``porosity`` [1] as measured.
    stress : Dataset, (reading)
        ``vertical_effective_stress`` [kPa] at the same positions.
    swelling_index : float, Quantity or DataArray
        Void ratio gained for each tenfold drop of stress [1], from a test; published values are
        0.01 to 0.12.
    swelling_index_uncertainty : float or Quantity, optional
        Effect ``swelling_index``; unknown gives NaN.
    reference_stress : Quantity, str or Constant
        Assumed stress that the sample retains in the laboratory [kPa].
    reference_stress_uncertainty : Quantity or str, optional
        Effect ``rebound_reference_stress``; that of the constant, else NaN.

    Returns
    -------
    Dataset, (reading)
        ``porosity_in_situ``, ``void_ratio_in_situ`` [1] and ``porosity_rebound`` [1], the excess of
        the laboratory value, each with uncertainty, effects and flags; also the measured
        ``porosity``. Below the reference stress the rebound is zero. Research estimate;
        not for well control, mud weight, casing, slope or structural decisions; follow local
        codes and licensed practice.

    Raises
    ------
    PositionError
        When porosity and stress lie at different positions.
    ValueError
        For a swelling index below zero, or a reference stress that is not above zero.

    Notes
    -----
    e_is = e_lab - Cs log10(sigma' / sigma_ref), the swelling line of a one-dimensional test
    (definition of the swelling index); phi = e / (1 + e). The reference stress of 1 to 10 kPa is
    from memory, and the correction moves by Cs for each tenfold of it.
    """
    series.require_same_positions(porosity=porosity, stress=stress)
    phi = measured_fraction(series.unpack(porosity, "porosity"), "porosity")
    load = series.unpack(stress, "vertical_effective_stress")
    index = positive(swelling_index, "1", "swelling_index", zero=True)
    if (np.asarray(index) < 0.0).any():
        raise ValueError(
            f"swelling_index holds {np.min(np.asarray(index)):g}; it has to be zero or more. Give "
            "the void ratio gained for each tenfold drop of stress"
        )
    reference = float(positive(reference_stress, "kPa", "reference_stress"))
    measured, sigma = without_coords(phi.values), without_coords(load.values)
    loaded = sigma > reference
    decades = np.log10(np.where(loaded, sigma, reference) / reference)
    plain = np.asarray(measured, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = plain / (1.0 - plain)
    e = ratio - without_coords(index) * decades
    corrected = e / (1.0 + e)
    u_index = given_uncertainty(swelling_index_uncertainty, "1", "swelling_index_uncertainty")
    u_reference = given_uncertainty(
        reference_stress_uncertainty, "kPa", "reference_stress_uncertainty", reference_stress
    )
    slope = np.where(loaded, without_coords(index) / np.log(10.0), 0.0)
    inputs = [
        (1.0 / (1.0 - plain) ** 2, phi),  # of the void ratio
        (-slope / np.where(loaded, sigma, 1.0), load),
        (-decades, Measured(index, 0.0, {"swelling_index": u_index})),
        (slope / reference, Measured(reference, 0.0, {"rebound_reference_stress": u_reference})),
    ]
    reason = series.joined_reasons(without_coords(phi.reason), without_coords(load.reason))
    inner = 1.0 / (1.0 + e) ** 2
    gained = [(1.0 - inner * inputs[0][0], phi), *((-inner * p, m) for p, m in inputs[1:])]
    return _answer(
        phi,
        {
            "void_ratio_in_situ": (e, inputs),
            "porosity_in_situ": (corrected, [(inner * p, m) for p, m in inputs]),
            "porosity_rebound": (plain - corrected, gained),
        },
        reason,
        constants={
            "swelling_index": (swelling_index, swelling_index_uncertainty),
            "reference_stress": (reference_stress, reference_stress_uncertainty),
        },
        steps=(_SWELLING,),
        assumptions=_ASSUMPTIONS,
    )


_SWELLING = "e_is = e_lab - Cs log10(sigma' / sigma_ref), phi = e / (1 + e)"


def rebound_by_depth(
    porosity: Measurement, *, kind: str, depth: Dimensional | None = None
) -> xr.Dataset:
    """Porosity before the rebound of a sample, from its depth alone.

    Parameters
    ----------
    porosity : Dataset, (reading)
        ``porosity`` [1] as measured.
    kind : {"terrigenous", "carbonate"}
        Kind of sediment.
    depth : Quantity or DataArray, (reading), optional
        Depth below seafloor [m]; the coordinate ``depth`` of the porosity where not given.

    Returns
    -------
    Dataset, (reading)
        Variables of :func:`rebound`; the uncertainty of the curve is unknown (effect
        ``rebound_curve``, NaN). Below 1000 m and above the seafloor the result is NaN and flagged
        ``beyond_method_range``.

    Raises
    ------
    ValueError
        For an unknown kind, no depth, or another number of depths.

    Notes
    -----
    Terrigenous sediment gains 0.04 at 300 m and 0.07 from 500 m down, straight lines between;
    carbonate two thirds of it: after Hamilton (1976), Journal of Sedimentary Petrology 46, 280,
    from memory and of low reliability. It depends neither on stress nor on the sample.
    """
    kind = choice(kind, _SHARE, "kind")
    phi = measured_fraction(series.unpack(porosity, "porosity"), "porosity")
    where = porosity.coords.get("depth") if depth is None else depth
    if where is None:
        raise ValueError("the porosity has no depth; give depth=, or a series with that coordinate")
    z = np.asarray(units.as_floats(where, "m", "depth"), dtype=float)
    measured = np.asarray(without_coords(phi.values), dtype=float)
    if z.shape != measured.shape:
        raise ValueError(
            f"{measured.size} porosities and {z.size} depths do not make pairs; give one each"
        )
    beyond = ~((z >= 0.0) & (z <= _DEEPEST))
    gain = np.where(beyond, np.nan, _SHARE[kind] * np.interp(z, *_BY_DEPTH))
    corrected = measured - gain
    inner = 1.0 / (1.0 - corrected) ** 2
    curve = Measured(gain, 0.0, {"rebound_curve": float("nan")})
    found = np.where(beyond, flags.bit("beyond_method_range"), 0).astype(np.int64)
    reason = series.joined_reasons(without_coords(phi.reason), found)
    return _answer(
        phi,
        {
            "void_ratio_in_situ": (corrected / (1.0 - corrected), [(inner, phi), (-inner, curve)]),
            "porosity_in_situ": (corrected, [(1.0, phi), (-1.0, curve)]),
            "porosity_rebound": (gain, [(1.0, curve)]),
        },
        reason,
        constants={"curve": f"{kind}, Hamilton (1976), from memory"},
        steps=("porosity less a rebound by depth (Hamilton 1976, from memory)",),
        assumptions="rebound by depth alone, of sediment elsewhere; values from memory",
    )


def rebound_density(
    bulk_density: Measurement,
    *,
    rebound: xr.Dataset,
    grain_density: Measurement | Scalar,
    pore_water_density: Scalar = _C["pore_water_density"],
    pore_water_density_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Bulk density before the rebound of a sample.

    Parameters
    ----------
    bulk_density : Dataset, (reading)
        ``bulk_density`` [g/cm^3] as measured.
    rebound : Dataset, (reading)
        From :func:`rebound` or :func:`rebound_by_depth`, at the same positions.
    grain_density : Dataset, Quantity, str or Constant
        ``grain_density`` [g/cm^3].
    pore_water_density : Quantity, str or Constant
        Density of the pore water [g/cm^3].
    pore_water_density_uncertainty : Quantity or str, optional
        Effect ``pore_water_density``; that of the constant, else NaN.

    Returns
    -------
    Dataset, (reading)
        ``bulk_density_in_situ`` [g/cm^3] with uncertainty, effects and flags, and the measured
        ``bulk_density``.

    Raises
    ------
    PositionError
        When the series lie at different positions.

    Notes
    -----
    rho_is = rho + (rho_g - rho_w) (phi_lab - phi_is): a change of porosity at constant grains
    (geometry of two phases). The expansion of grains and water is neglected.
    """
    series.require_same_positions(
        bulk_density=bulk_density, rebound=rebound, grain_density=grain_density
    )
    rho = series.unpack(bulk_density, "bulk_density")
    gained = series.unpack(rebound, "porosity_rebound")
    grains = series.unpack(grain_density, "grain_density")
    water = float(positive(pore_water_density, "g/cm^3", "pore_water_density"))
    u = given_uncertainty(
        pore_water_density_uncertainty,
        "g/cm^3",
        "pore_water_density_uncertainty",
        pore_water_density,
    )
    gain, contrast = without_coords(gained.values), without_coords(grains.values) - water
    inputs = [
        (1.0, rho),
        (contrast, gained),
        (gain, grains),
        (-gain, Measured(water, 0.0, {"pore_water_density": u})),
    ]
    random, effects = combine(inputs)
    reason = series.joined_reasons(without_coords(rho.reason), without_coords(gained.reason))
    return series.build(
        {
            "bulk_density_in_situ": Measured(rho.values + contrast * gain, random, effects, reason),
            "bulk_density": rho,
        },
        steps=("rho_is = rho + (rho_g - rho_w) (phi_lab - phi_is)",),
        constants={
            "grain_density": grain_density,
            "pore_water_density": (pore_water_density, pore_water_density_uncertainty),
        },
        assumptions=str(rebound.attrs.get("assumptions", "")),
        density_state="rebound taken off, water as given",
        safety=RESEARCH_ONLY,
    )


def _answer(
    phi: Measured,
    parts: dict[str, tuple[Any, list[tuple[Any, Measured]]]],
    reason: Any,
    **words: Any,
) -> xr.Dataset:
    """Corrected quantities with the measured porosity."""
    quantities = {}
    for name, (values, inputs) in parts.items():
        random, effects = combine(inputs)
        placed = values
        if isinstance(phi.values, xr.DataArray):
            placed = phi.values.copy(deep=False, data=np.asarray(values, dtype=float))
        quantities[name] = Measured(placed, random, effects, reason)
    return series.build({**quantities, "porosity": phi}, safety=RESEARCH_ONLY, **words)
