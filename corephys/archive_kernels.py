"""The kernels of the sensors on the rows of one hole, without effects and without xarray.

The public functions cost milliseconds a call whatever its size; a block of rows holds several
holes. The chain is theirs, and tests hold both to the same numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from corephys.ground import flags, units
from corephys.sensors import gamma, pwave
from corephys.sensors.gamma.chain import Sediment, density_kernel, fluid_reading
from corephys.uncertainty import stated

__all__ = ["gamma_rows", "pwave_rows"]

Found = tuple[np.ndarray, np.ndarray, np.ndarray]


def _given(function: Any, choices: Mapping[str, Any], name: str) -> Any:
    """What a hole says, or what the public function takes where it says nothing."""
    return choices[name] if name in choices else function.__kwdefaults__[name]


def gamma_rows(columns: Mapping[str, np.ndarray], choices: Mapping[str, Any]) -> Found:
    """Bulk density, its counting uncertainty and reasons.

    Parameters
    ----------
    columns : mapping of str to ndarray, (n,)
        counts, time and elapsed [s], core_diameter and bore [mm], annulus_density and
        grain_density [g/cm^3] (NaN throughout where the hole has none), int64 reason.
    choices : mapping
        Arguments of ``gamma.bulk_density``.

    Returns
    -------
    tuple of ndarray
        [g/cm^3], [g/cm^3], int64.

    Raises
    ------
    ValueError
        When the core is wider than its liner.

    Notes
    -----
    Equations and sources at :func:`corephys.sensors.gamma.bulk_density`.
    """

    def taken(name: str, unit: str) -> Any:
        return units.as_floats(_given(gamma.bulk_density, choices, name), unit, name)

    calibration = choices["calibration"]
    diameter, bore = 0.1 * columns["core_diameter"], 0.1 * columns["bore"]
    if np.any(diameter <= 0.0) or np.any(diameter > 1.05 * bore):
        raise ValueError(
            f"core_diameter lies between {10.0 * np.nanmin(diameter):g} and "
            f"{10.0 * np.nanmax(diameter):g} mm, bore at {10.0 * np.nanmin(bore):g} mm at least; "
            "a core is thicker than nothing and fits its liner"
        )
    grain = columns["grain_density"]
    sediment = Sediment(
        taken("grain_density", "g/cm^3") if np.isnan(grain).all() else grain,
        taken("pore_water_density", "g/cm^3"),
        _given(gamma.bulk_density, choices, "grain_electron_ratio").value,
        _given(gamma.bulk_density, choices, "pore_water_electron_ratio").value,
        _given(gamma.bulk_density, choices, "attenuation_ratio").value,
    )
    intercept, slope = sediment.scale(calibration)
    fluid = fluid_reading(
        columns["annulus_density"], calibration=calibration, fluid_ratio=sediment.fluid_ratio,
        attenuation_ratio=sediment.attenuation_ratio,
    )  # fmt: skip
    rho, u, reason = density_kernel(
        columns["counts"], columns["time"], columns["elapsed"], diameter, bore, fluid,
        intercept, slope, *calibration.coefficients, dead_time=calibration.dead_time,
        background=calibration.background_rate, real_time=calibration.real_time,
        domain=calibration.domain, decay_constant=np.log(2.0) / taken("half_life", "s"),
        path=False,
    )  # fmt: skip
    return rho, u, reason | columns["reason"]


def pwave_rows(columns: Mapping[str, np.ndarray], choices: Mapping[str, Any]) -> Found:
    """P-wave velocity, its random uncertainty and reasons.

    Parameters
    ----------
    columns : mapping of str to ndarray, (n,)
        travel_time [us], thickness [mm], walls, gap [mm], amplitude (NaN throughout where the
        hole has none), int64 reason.
    choices : mapping
        Arguments of ``pwave.velocity``.

    Returns
    -------
    tuple of ndarray
        [m/s], [m/s], int64.

    Raises
    ------
    ValueError
        When there is neither a calibration nor a delay.

    Notes
    -----
    Equations and sources at :func:`corephys.sensors.pwave.velocity`.
    """
    calibration = choices.get("calibration")
    if calibration is None:
        raise ValueError("the record holds no calibration of the P-wave bench")
    speed, path, net, reason = pwave.velocity_kernel(
        columns["travel_time"], columns["thickness"], columns["walls"], columns["gap"],
        wall=units.as_floats(choices["wall"], "mm", "wall"), delay=calibration.delay,
        liner_delay=calibration.liner_delay,
        gap_velocity=units.as_floats(
            _given(pwave.velocity, choices, "gap_velocity"), "m/s", "gap_velocity"
        ),
    )  # fmt: skip
    u_thickness, u_time = (
        stated(choices.get(name), unit, name)
        for name, unit in (("thickness_uncertainty", "mm"), ("travel_time_uncertainty", "us"))
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        random = ((speed / path * u_thickness) ** 2 + (speed / net * u_time) ** 2) ** 0.5
    reason = reason | columns["reason"]
    amplitude, gate = columns["amplitude"], choices.get("amplitude_gate")
    if gate is not None and not np.isnan(amplitude).all():
        reason |= np.where(amplitude < gate, flags.bit("low_amplitude"), 0)
    return speed, random, reason
