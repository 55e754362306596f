"""Comparisons of stresses: a fluid column with the formation, and one choice with another."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import companions, constants, provenance, series, units
from corephys.ground.arguments import positive
from corephys.ground.cards import RESEARCH_ONLY
from corephys.ground.choices import matching
from corephys.products.stress.bounds import lambda_star
from corephys.uncertainty import Measured, combine, given_uncertainty, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Scalar

__all__ = ["compare_choices", "pressure_margins", "with_in_situ_water"]

_C = constants.CONSTANTS


def pressure_margins(
    pressure: xr.Dataset, profile: xr.Dataset, *, quantity: str = "fluid_column_pressure"
) -> xr.Dataset:
    """Differences of a pressure from hydrostatic pressure and from overburden.

    Parameters
    ----------
    pressure : Dataset, (reading)
        Pressure from sea level [kPa], such as from :func:`fluid_column_pressure`.
    profile : Dataset, (reading)
        Result of :func:`profile` with a water depth, at the same positions.
    quantity : str
        Name of the pressure in the Dataset.

    Returns
    -------
    Dataset, (reading)
        ``pressure_over_hydrostatic``, ``overburden_over_pressure`` [kPa], negative where the
        pressure exceeds the overburden, and ``lambda_star`` [1]. The attribute ``exceeds_share`` is
        the fraction of the depths at which the pressure exceeds the overburden, ``exceeds_from``
        the shallowest of them [m]. Research estimate; not for well control, mud weight, casing,
        slope or structural decisions; follow local codes and licensed practice.

    Raises
    ------
    PositionError
        When both lie at different positions.
    ValueError
        For a profile without a water depth, or different sea water above the fluid column and above
        the sediment.

    Notes
    -----
    Differences of pressures at rest (definition); errors that both share cancel. The overburden is
    not the fracture pressure, which is lower where the horizontal stress is lower.
    """
    if "overburden_stress" not in profile:
        raise ValueError("the profile has no stress from sea level; compute it with a water_depth")
    series.require_same_positions(pressure=pressure, profile=profile)
    _same_sea(pressure, profile)
    p = series.unpack(pressure, quantity)
    water = series.unpack(profile, "hydrostatic_pressure")
    load = series.unpack(profile, "overburden_stress")
    values, low, high = (
        np.asarray(without_coords(m.values), dtype=float) for m in (p, water, load)
    )
    reason = series.joined_reasons(
        *(np.asarray(without_coords(m.reason)) for m in (p, water, load))
    )
    quantities = {}
    for name, found, terms in (
        ("pressure_over_hydrostatic", values - low, [(1.0, p), (-1.0, water)]),
        ("overburden_over_pressure", high - values, [(1.0, load), (-1.0, p)]),
    ):
        random, effects = combine(terms)
        quantities[name] = Measured(load.values.copy(data=found), random, effects, reason)
    ratio = lambda_star(pressure, profile, profile, quantity=quantity)
    quantities["lambda_star"] = series.unpack(ratio, "lambda_star")
    known = np.isfinite(high - values)
    over = known & (values > high * (1.0 + 1e-12)) & (load.values["depth"].values > 0.0)
    depth = load.values["depth"].values
    return series.build(
        quantities,
        steps=("P - P_h", "sigma_v - P", "lambda* = (P - P_h) / (sigma_v - P_h)"),
        exceeds_share=float(over.sum() / known.sum()) if known.any() else float("nan"),
        exceeds_from=float(depth[over].min()) if over.any() else float("nan"),
        safety=RESEARCH_ONLY,
    )


def _same_sea(pressure: xr.Dataset, profile: xr.Dataset) -> None:
    """Refuse different sea water on both sides: the difference would appear as a pressure."""
    used = [provenance.used_constants(data) for data in (pressure, profile)]
    riser = matching(pressure.attrs.get("column_from"), ("sea_level",)) is not None
    for key, unit in (("sea_water_density", "g/cm^3"), ("water_depth", "m")):
        if not all(key in one for one in used) or riser:
            continue
        column, ground = (one[key].in_unit(unit) for one in used)
        if abs(column - ground) > 1e-6 * ground:
            raise ValueError(
                f"{key} is {column:.6g} {unit} above the fluid column and {ground:.6g} {unit} "
                "above the sediment; give the same value to both"
            )


def compare_choices(
    choices: Mapping[str, xr.Dataset], *, quantity: str = "vertical_effective_stress"
) -> xr.Dataset:
    """One quantity by several choices, and differences from the first choice.

    Parameters
    ----------
    choices : mapping of str to Dataset
        Results at the same positions by name of the choice, such as densities, fillings or fluids.
    quantity : str
        Name of the quantity in the Datasets.

    Returns
    -------
    Dataset, (choice, reading)
        The quantity, ``difference`` from the first choice in its unit, and ``relative_difference``
        [1]. Research estimate; not for well control, mud weight, casing, slope or structural
        decisions.

    Raises
    ------
    PositionError
        When they lie at different positions.
    ValueError
        For fewer than two choices, or one that does not hold the quantity by depth.

    Notes
    -----
    Differences, no equation of physics.
    """
    if len(choices) < 2:
        raise ValueError(f"choices holds {len(choices)}; a comparison needs at least two")
    for key, data in choices.items():
        if not isinstance(data, xr.Dataset) or quantity not in data or "depth" not in data.coords:
            raise ValueError(
                f"the choice {key!r} is not a Dataset with {quantity} by depth; set quantity= to a "
                "variable of all choices"
            )
    series.require_same_positions(**{str(k): v for k, v in choices.items()})
    choices = {key: companions.library_units(data) for key, data in choices.items()}
    first = next(iter(choices.values()))
    stack = np.stack([data[quantity].values for data in choices.values()])
    unit, words = first[quantity].attrs["units"], first[quantity].attrs["long_name"]
    apart = stack - stack[0]
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = apart / stack[0]
    dims = ("choice", "reading")
    return xr.Dataset(
        {
            quantity: (dims, stack, {"units": unit, "long_name": words}),
            "difference": (dims, apart, {"units": unit, "long_name": "less the first choice"}),
            "relative_difference": (
                dims,
                relative,
                {"units": "1", "long_name": "less the first choice, over it"},
            ),
        },
        coords={
            "choice": ("choice", np.array(list(choices), dtype=object)),
            "depth": first["depth"].variable,
        },
        attrs={"safety": RESEARCH_ONLY},
    )


def with_in_situ_water(
    density: xr.Dataset,
    pore_water_density: xr.Dataset | Scalar,
    *,
    laboratory_water_density: Scalar,
    grain_density: xr.Dataset | Scalar = _C["grain_density"],
    grain_density_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Bulk density with the pore water at its density in situ.

    Parameters
    ----------
    density : Dataset, (reading)
        ``bulk_density`` [g/cm^3] as measured in the laboratory.
    pore_water_density : Dataset, Quantity, str or Constant
        Density of the pore water in situ [g/cm^3]; see :func:`in_situ_water_density`.
    laboratory_water_density : Quantity, str or Constant
        Density of the pore water in the laboratory [g/cm^3].
    grain_density : Quantity, str or Constant
        Density of the grains [g/cm^3].
    grain_density_uncertainty : Quantity or str, optional
        Systematic standard uncertainty [g/cm^3], effect ``grain_density``; that of the constant,
        else NaN.

    Returns
    -------
    Dataset, (reading)
        ``bulk_density`` [g/cm^3] at the same positions, for an unchanged porosity.

    Raises
    ------
    ValueError
        For grains that are not denser than the water.

    Notes
    -----
    rho' = rho + phi (rho_f - rho_lab) with phi = (rho_g - rho) / (rho_g - rho_lab): definition of
    the bulk density. Laboratory bulk densities with the water density in situ give a stress that is
    too low; with the water density of the laboratory it is slightly too high.
    """
    rho = series.unpack(density, "bulk_density")
    values = np.asarray(without_coords(rho.values), dtype=float)
    lab = float(positive(laboratory_water_density, "g/cm^3", "laboratory_water_density"))
    solid = float(positive(grain_density, "g/cm^3", "grain_density"))
    if not solid > lab:
        raise ValueError(
            f"grain_density is {solid:g} g/cm^3 and laboratory_water_density {lab:g} g/cm^3; "
            "grains have to be denser than the water"
        )
    if isinstance(pore_water_density, xr.Dataset):
        z, at = (
            units.as_floats(one["depth"], "m", "depth") for one in (pore_water_density, density)
        )
        water = units.as_floats(
            pore_water_density["pore_water_density"], "g/cm^3", "pore_water_density"
        )
        order = np.argsort(np.asarray(z, dtype=float), kind="stable")
        known = (np.asarray(part, dtype=float)[order] for part in (z, water))
        place = np.interp(np.asarray(at, dtype=float), *known)
    else:
        place = np.asarray(float(positive(pore_water_density, "g/cm^3", "pore_water_density")))
    porosity = (solid - values) / (solid - lab)
    found = values + porosity * (place - lab)
    by_rho = 1.0 - (place - lab) / (solid - lab)
    by_solid = (values - lab) / (solid - lab) ** 2 * (place - lab)
    u = given_uncertainty(
        grain_density_uncertainty, "g/cm^3", "grain_density_uncertainty", grain_density
    )
    grains = Measured(solid, 0.0, {"grain_density": u})
    random, effects = combine([(by_rho, rho), (by_solid, grains)])
    return series.build(
        {
            "bulk_density": Measured(
                rho.values.copy(data=found), random, effects, without_coords(rho.reason)
            )
        },
        steps=("rho + phi (rho_f - rho_lab)",),
        constants={
            "laboratory_water_density": laboratory_water_density,
            "pore_water_density": pore_water_density,
            "grain_density": (grain_density, grain_density_uncertainty),
        },
        density_state="laboratory porosity with the pore water in place, no rebound taken off",
    )
