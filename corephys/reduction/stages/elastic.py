"""Stages of rock physics: moduli, velocities and their bounds, and velocity models."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, seawater, thresholds, units
from corephys.hole.placing import depth as positions
from corephys.products import elastic
from corephys.products.elastic.fluids import water
from corephys.reduction.context import Context, Skipped, calculated, sea_water_density
from corephys.reduction.stages.scan import grain_density_of_hole

if TYPE_CHECKING:
    import pint

__all__ = ["elastic_bounds", "elastic_moduli", "velocity_models"]

_POROSITIES = np.linspace(0.0, 1.0, 101)


def elastic_moduli(context: Context) -> None:
    """Moduli at samples with an S-wave velocity, a P-wave velocity and a density."""
    s_wave = context.result("properties/sample_s_wave_velocity")
    p_wave = context.result("properties/sample_velocity")
    allow, within = (*context.levels, "suspect"), context.recipe["sample_velocity"]["within"]
    rows = []
    for axis in dict.fromkeys(s_wave["axis"].values):
        here = s_wave.isel(reading=s_wave["axis"].values == axis)
        along = p_wave.isel(reading=p_wave["axis"].values == axis)
        if not along.sizes["reading"]:
            continue
        at_s = positions.match(along, to=here, within=within, allow=allow)
        rows.append(elastic.dynamic_moduli(at_s, here, _density_at(context, here, within, allow)))
    if not rows or not any(np.isfinite(part["bulk_modulus"].values).any() for part in rows):
        raise Skipped(
            f"no S-wave of samples has a P-wave along its axis and a density within {within}; "
            "moduli need both"
        )
    found = rows[0] if len(rows) == 1 else xr.concat(rows, dim="reading", combine_attrs="override")
    context.results["products/elastic_moduli"] = found


_T = thresholds.DEFAULTS
_DENSITIES = {
    "properties/index_properties": _T["elastic_density_reach"],
    "properties/density": None,
}


def _density_at(
    context: Context, where: xr.Dataset, within: str, allow: tuple[str, ...]
) -> xr.Dataset:
    """Density at samples of velocity, from samples or the scan, whichever gives more values."""
    found = []
    for path, reach in _DENSITIES.items():
        if "bulk_density" in context.results.get(path, ()):
            held = context.results[path]
            found.append(positions.match(held, to=where, within=reach or within, allow=allow))
    if not found:
        raise Skipped("moduli need properties/density or properties/index_properties; add either")
    return max(found, key=lambda rho: int(np.isfinite(rho["bulk_density"].values).sum()))


def elastic_bounds(context: Context) -> None:
    """Velocities of the scan compared with the bounds for their grains, water and porosity."""
    velocity = context.result("properties/velocity")
    porosity = context.porosity()
    keys = context.recipe["elastic"]
    if not (velocity["p_wave_velocity"].values > 0.0).any():
        raise Skipped("no p_wave_velocity above zero; the bounds need one")
    allow = (*context.levels, "suspect")
    phi = positions.match(
        porosity, to=velocity, within=_T["match_reach"], how="nearest", allow=allow
    )
    if not np.isfinite(phi["porosity"].values).any():
        raise Skipped(f"the bounds need a porosity within {_T['match_reach']} of a velocity")
    density = grain_density_of_hole(context)
    found = elastic.bounds_check(
        velocity,
        phi,
        mineral=replace(elastic.material(keys["mineral"]), density=density),
        soft_mineral=replace(elastic.material(keys["soft_mineral"]), density=density),
        fluid=_fluid(context),
        margin=keys["margin"],
    )
    for end in ("", "_u_random", "_u_systematic", "_flag", "_reason"):
        found[f"porosity{end}"] = phi[f"porosity{end}"]
    kept = [f"porosity{end}" for end in ("_u_random", "_u_systematic", "_flag", "_reason")]
    found["porosity"].attrs["ancillary_variables"] = " ".join(kept)
    context.results["products/elastic_bounds"] = found


def velocity_models(context: Context) -> None:
    """Models of velocity by porosity, and the porosity of the readings by each model."""
    velocity = context.result("properties/velocity")
    keys = context.recipe["elastic"]
    pressure, u_pressure = _effective_pressure(context)
    shared: dict[str, Any] = {
        "mineral": _grains(context),
        "fluid": _fluid(context),
        "critical": keys["critical_porosity"],
        "effective_pressure": pressure,
    }
    known: dict[str, Any] = {"critical": keys["critical_porosity_uncertainty"]}
    if pressure is not None:
        known["effective_pressure"] = u_pressure
    curves = elastic.velocity_models(
        xr.DataArray(_POROSITIES, dims="curve", attrs={"units": "1"}),
        uncertainties={**known, "porosity": 0.0},
        **shared,
    )
    columns = _by_model(curves, "p_wave_velocity", "velocity", "m/s", "P-wave velocity")
    columns["porosity"] = ("curve", _POROSITIES, {"units": "1", "long_name": "porosity"})
    context.results["products/velocity_models"] = columns.set_coords("porosity")
    with context.part("velocity models: porosity from velocity"):
        usable = flags.usable(velocity["p_wave_velocity_flag"].values, context.levels)
        usable &= np.isfinite(velocity["p_wave_velocity"].values)
        if not usable.any():
            raise Skipped("no usable p_wave_velocity; porosity from velocity needs one")
        found = elastic.porosity_from_velocity(
            velocity.isel(reading=np.flatnonzero(usable)), uncertainties=known, **shared
        )
        by_model = _by_model(found, "porosity_by_model", "porosity", "1", "porosity from velocity")
        rest = found.drop_vars(["porosity_by_model", "porosity_by_model_u", "model"])
        context.results["products/porosity_from_velocity"] = rest.merge(
            by_model, combine_attrs="drop_conflicts"
        )


def _by_model(found: xr.Dataset, name: str, prefix: str, unit: str, words: str) -> xr.Dataset:
    """A result of several models with one column for each model, as tables need it."""
    spread = found.get(f"{name}_u")
    if spread is None:
        spread = np.hypot(found[f"{name}_u_random"], found[f"{name}_u_systematic"])
    columns: dict[str, Any] = {}
    for place, model in enumerate(map(str, found["model"].values)):
        for end, values in (("", found[name]), ("_u", spread)):
            head = "standard uncertainty of " if end else ""
            long_name = f"{head}{words}, {model.replace('_', ' ')}"
            columns[f"{prefix}_{model}{end}"] = (
                values.dims[1:],
                values.values[place],
                {"units": unit, "long_name": long_name},
            )
    return xr.Dataset(columns, attrs=found.attrs)


def _grains(context: Context) -> elastic.Material:
    """Mean grains of the models: a mixture of two minerals, or the given moduli."""
    keys = context.recipe["elastic"]
    share = float(keys["stiff_share"])
    if not 0.0 <= share <= 1.0:
        raise ValueError(f"[elastic] stiff_share is {share:g}; expected 0 to 1")
    if keys["mineral"] == keys["soft_mineral"]:
        grains = elastic.material(keys["mineral"])
    else:
        shares = {keys["mineral"]: share, keys["soft_mineral"]: 1.0 - share}
        grains = elastic.mineral_mixture(shares, name="grains")
    for name in ("bulk_modulus", "shear_modulus"):
        if keys[f"grain_{name}"] is not None:
            grains = replace(grains, **{name: keys[f"grain_{name}"]})
    return replace(grains, density=grain_density_of_hole(context))


def _fluid(context: Context) -> elastic.Material | xr.Dataset:
    """Pore water of the hole at the temperature of the laboratory."""
    hole = context.recipe["hole"]
    salinity, warm = hole["pore_water_salinity"], hole["laboratory_temperature"]
    if context.recipe["elastic"]["fluid"] == "brine":
        known = {
            "salinity": hole["pore_water_salinity_uncertainty"],
            "temperature": "1 K",
            "pressure": "0 MPa",
        }
        return elastic.brine(salinity, warm, "0.101325 MPa", uncertainties=known)
    rho = sea_water_density(context.recipe, "pore_water_density", warm)
    sound = float(seawater.sound_speed(salinity, warm).magnitude)
    return water(rho.value, sound, f"TEOS-10 at {salinity} and {warm}")


def _effective_pressure(
    context: Context,
) -> tuple[str | constants.Constant | None, pint.Quantity | None]:
    """Effective pressure for the models of grain packs, and its standard uncertainty.

    Without a given pressure it is the median in the hole, and half the range that holds 68 % of
    the samples is its uncertainty.
    """
    given = context.recipe["elastic"]["effective_pressure"]
    if given is not None:
        return given, None
    stress = context.results.get("products/effective_stress")
    if stress is None:
        context.notes.append("no effective stress: velocity models of grain packs left out")
        return None, None
    values = stress["vertical_effective_stress"].values
    values = values[np.isfinite(values) & (values > 0.0)]
    if not values.size:
        return None, None
    middle, low, high = np.percentile(values, [50.0, 15.87, 84.13])
    words = f"median of the effective stress at {values.size} samples"
    value = calculated("effective_pressure", float(middle), "kPa", words)
    return value, units.quantity(0.5 * float(high - low), "kPa")
