"""Stages from properties to a seismic section: impedance, profile, synthetic trace, times."""

from __future__ import annotations

import numpy as np
import xarray as xr

from corephys.ground import flags, thresholds
from corephys.hole.placing import depth as positions
from corephys.products import seismic
from corephys.reduction.context import Context, Skipped

__all__ = ["seismic_properties", "seismic_times", "seismic_trace"]


def seismic_properties(context: Context) -> None:
    """Impedance at the velocity readings, reflection coefficients and two-way time."""
    velocity = context.result("properties/velocity")
    at_velocity = _density_at(context, velocity)
    impedance = seismic.acoustic_impedance(at_velocity, velocity)
    context.results["products/impedance"] = impedance
    for name, data in (("acoustic_impedance", impedance), ("p_wave_velocity", velocity)):
        usable = flags.usable(data[f"{name}_flag"].values, context.levels)
        if int((usable & np.isfinite(data[name].values)).sum()) < 2:
            words = name.replace("_", " ")
            raise Skipped(
                f"fewer than two usable readings of {words}; reflections and two-way time need two"
            )
    context.results["products/reflection_coefficient"] = seismic.reflection_coefficient(
        impedance, allow=context.levels
    )
    context.results["products/two_way_time"] = seismic.two_way_time(velocity, allow=context.levels)


def _density_at(context: Context, velocity: xr.Dataset) -> xr.Dataset:
    """Density at the readings of velocity."""
    allow = (*context.levels, "suspect")
    density = context.density()
    reach = thresholds.DEFAULTS["match_reach"]
    return positions.match(density, to=velocity, within=reach, how="nearest", allow=allow)


def _velocity(context: Context) -> xr.Dataset:
    """Velocity that the recipe chooses, renamed to ``p_wave_velocity``."""
    if context.recipe["seismic"]["velocity"] == "laboratory":
        return context.result("properties/velocity")
    found = context.results.get("properties/velocity_in_situ")
    if found is None:
        raise Skipped(
            "[seismic] velocity is 'in_situ', but there is no in-situ velocity; set [pwave] in_situ"
        )
    name, wanted = "p_wave_velocity_in_situ", "p_wave_velocity"
    kept = found[[v for v in found.data_vars if str(v).startswith(name)]]
    return kept.rename({str(v): str(v).replace(name, wanted) for v in kept.data_vars})


def seismic_trace(context: Context) -> None:
    """One profile by depth, its long-wave average, and the synthetic trace."""
    keys = context.recipe["seismic"]
    velocity = _velocity(context)
    profile = seismic.profile(
        _density_at(context, velocity),
        velocity,
        overlap=keys["overlap"],
        merge_within=keys["merge_within"],
        largest_gap=keys["largest_gap"],
        fill=keys["fill"],
        fill_spacing=keys["fill_spacing"],
        allow=context.levels,
    )
    profile.attrs["velocity"] = keys["velocity"]
    context.results["products/seismic_profile"] = profile
    averaged = seismic.backus(
        profile,
        length=keys["averaging_length"],
        frequency=keys["frequency"],
        fraction=keys["averaging_fraction"],
    )
    context.results["products/averaged_profile"] = averaged
    with context.part("synthetic trace: coefficients and trace"):
        wavelet = seismic.ricker(keys["frequency"], keys["time_step"], phase=keys["phase"])
        reflections = seismic.reflectivity(
            averaged, time_step=keys["time_step"], top=keys["seafloor_impedance"]
        )
        context.results["products/synthetic"] = seismic.synthetic(
            reflections, wavelet, draws=int(keys["draws"])
        )
        context.results["products/reflectivity"] = reflections


def seismic_times(context: Context) -> None:
    """Two-way time at every depth of the profile, compared with check shots."""
    keys, hole = context.recipe["seismic"], context.recipe["hole"]
    profile = context.result("products/seismic_profile")
    if float(profile["depth"].values[0]) < 0.0:
        raise Skipped(
            f"products/seismic_profile begins {-float(profile['depth'].values[0]):g} m above the "
            "seafloor; correct top in cores.csv"
        )
    water = {"water_depth": hole["water_depth"], "sound_speed": keys["sound_speed"]}
    table = seismic.time_depth(profile)
    context.results["products/time_depth"] = table
    if hole["water_depth"] is not None:
        context.results["products/time_depth_from_sea_level"] = seismic.time_depth(
            profile,
            datum="sea_level",
            **water,
            sound_speed_uncertainty=keys["sound_speed_uncertainty"],
        )
    shots = context.optional("checkshots")
    if shots is None:
        return
    with context.part("time and depth: check shots"):
        checked = seismic.check_shot_times(
            shots,
            datum=keys["check_shot_datum"],
            time_uncertainty=keys["check_shot_uncertainty"],
            **water,
        )
        context.results["products/check_shot_times"] = checked
        compared = seismic.compare_times(core=table, check_shots=checked)
        context.results["products/times_compared"] = compared
        spread = compared.attrs["widest_spread_percent"]
        context.notes.append(
            f"two-way times of core and check shots differ by up to {spread:.1f} % of their mean"
        )
