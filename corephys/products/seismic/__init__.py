"""From cores to a seismic section: impedance, reflections, travel time, synthetic trace and tie.

The order of the work: make one profile downward (``profile``), average it for long waves
(``backus``), compute reflection coefficients in time (``reflectivity``) and a wavelet
(``ricker``), convolve them (``synthetic``), and fit the trace to a recorded one (``tie``).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import constants, flags, series, units
from corephys.ground.laws import law
from corephys.products.seismic.averaging import backus, layered_medium, quarter_wavelength
from corephys.products.seismic.profiles import profile
from corephys.products.seismic.ties import tie
from corephys.products.seismic.times import (
    check_shot_times,
    compare_times,
    depth_at_time,
    time_at_depth,
    time_depth,
)
from corephys.products.seismic.traces import (
    average_wavelet,
    reflectivity,
    ricker,
    rotate_phase,
    synthetic,
    wavelet,
)
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Measurement, Numbers

__all__ = [
    "acoustic_impedance",
    "average_wavelet",
    "backus",
    "check_shot_times",
    "compare_times",
    "depth_at_time",
    "layered_medium",
    "profile",
    "quarter_wavelength",
    "reflection_coefficient",
    "reflectivity",
    "ricker",
    "rotate_phase",
    "synthetic",
    "tie",
    "time_at_depth",
    "time_depth",
    "two_way_time",
    "water_two_way_time",
    "wavelet",
]

_C = constants.CONSTANTS


def acoustic_impedance(density: Measurement | str, velocity: Measurement | str) -> xr.Dataset:
    """Acoustic impedance, the product of density and velocity.

    Parameters
    ----------
    density : Dataset, DataArray or Quantity, (reading)
        ``bulk_density`` [g/cm^3].
    velocity : Dataset, DataArray or Quantity, (reading)
        ``p_wave_velocity`` [m/s] at the same positions.

    Returns
    -------
    Dataset
        ``acoustic_impedance`` [MPa s/m] with uncertainty, effects and flags. An error that both
        share, such as the core diameter, enters with its signs, so that most of it cancels.

    Raises
    ------
    PositionError
        When the two lie at different positions.

    Notes
    -----
    Z = rho V; 1 g/cm^3 times 1 km/s is 1 MPa s/m. Definition (Sheriff and Geldart 1995,
    Exploration Seismology, section 3.2).

    Examples
    --------
    >>> import corephys as cp
    >>> float(cp.seismic.acoustic_impedance("2.0 g/cm^3", "1600 m/s")["acoustic_impedance"])
    3.2
    """
    series.require_same_positions(density=density, velocity=velocity)
    rho = series.unpack(density, "bulk_density")
    speed = series.unpack(velocity, "p_wave_velocity")
    # g/cm^3 times m/s is 1e-3 MPa s/m.
    values = series.apply(lambda r, v: r * v * 1e-3, rho.values, speed.values)
    u_random, effects = uncertainty.combine(
        [(speed.values * 1e-3, rho), (rho.values * 1e-3, speed)]
    )
    reason = series.joined_reasons(rho.reason, speed.reason)
    return series.build(
        {"acoustic_impedance": Measured(values, u_random, effects, reason)},
        steps=("impedance Z = rho V",),
    )


def reflection_coefficient(
    impedance: xr.Dataset | xr.DataArray, *, allow: Sequence[str] = ("good", "not_evaluated")
) -> xr.Dataset:
    """Reflection coefficient at normal incidence between one usable reading and the next below.

    Parameters
    ----------
    impedance : Dataset or DataArray, (reading)
        ``acoustic_impedance`` [MPa s/m] with the coordinate ``depth``.
    allow : sequence of str
        Flag levels that are used.

    Returns
    -------
    Dataset
        ``reflection_coefficient`` [1] along ``reading``, one fewer than the usable readings, in
        the order of depth; coordinates ``depth`` halfway and ``core`` of the upper reading.

    Raises
    ------
    ValueError
        When fewer than two readings are usable.

    Notes
    -----
    R = (Z2 - Z1) / (Z2 + Z1) (Sheriff and Geldart 1995, section 3.2); effects shared by both
    readings propagate with their signs, the random parts are independent.
    """
    measured = series.unpack(impedance, "acoustic_impedance")
    values = np.asarray(measured.values)
    depth = np.asarray(measured.values["depth"]) if "depth" in measured.values.coords else None
    use = np.isfinite(values)
    if isinstance(impedance, xr.Dataset) and "acoustic_impedance_flag" in impedance:
        use &= flags.usable(impedance["acoustic_impedance_flag"].values, allow)
    index = np.flatnonzero(use)
    if index.size < 2:
        raise ValueError(
            f"{index.size} usable impedances are too few for a reflection coefficient; it needs two"
        )
    if depth is not None:
        index = _downward(index, depth)
    upper, lower = series.take(measured, index[:-1]), series.take(measured, index[1:])
    total = lower.values + upper.values
    # Derivatives of the coefficient by the lower and the upper impedance.
    by_lower, by_upper = 2.0 * upper.values / total**2, -2.0 * lower.values / total**2
    u_random, effects = uncertainty.combine([(by_lower, lower), (by_upper, upper)])
    coefficient = xr.DataArray((lower.values - upper.values) / total, dims="reading")
    if depth is not None:
        middle = 0.5 * (depth[index[:-1]] + depth[index[1:]])
        coefficient = coefficient.assign_coords(
            depth=("reading", middle, measured.values["depth"].attrs)
        )
    return series.build(
        {"reflection_coefficient": Measured(coefficient, u_random, effects)},
        steps=("reflection coefficient (Z2 - Z1) / (Z2 + Z1), normal incidence",),
        readings_left_out=int(values.size - index.size),
    )


def _downward(index: np.ndarray, depth: np.ndarray) -> np.ndarray:
    """Usable readings in the order of depth, without repeats at one depth."""
    index = index[np.argsort(depth[index], kind="stable")]
    return index[np.concatenate([[True], np.diff(depth[index]) > 0.0])]


def two_way_time(
    velocity: Measurement,
    *,
    depth: Dimensional | None = None,
    allow: Sequence[str] = ("good", "not_evaluated"),
) -> xr.Dataset:
    """Two-way time from the first usable reading downward.

    Parameters
    ----------
    velocity : Dataset, DataArray or Quantity, (reading)
        ``p_wave_velocity`` [m/s].
    depth : DataArray or Quantity, optional
        Depths [m]; the coordinate of the velocity if not given.
    allow : sequence of str
        Flag levels that are used.

    Returns
    -------
    Dataset
        ``two_way_time`` [s] along ``reading``, at the usable readings in the order of depth, zero
        at the first; ``gap_time`` [s], how much of it lies in gaps of more than a metre.

    Raises
    ------
    ValueError
        When fewer than two readings are usable, or there is no depth.

    Notes
    -----
    2 sum dz / V with the slowness linear between readings (trapezoid): definition (Sheriff and
    Geldart 1995, section 4.1). Across gaps without readings slowness is interpolated linearly.
    """
    measured = series.unpack(velocity, "p_wave_velocity")
    values = np.asarray(measured.values, dtype=float)
    z = _depth(measured.values, depth)
    use = np.isfinite(values) & (values > 0) & np.isfinite(z)
    if isinstance(velocity, xr.Dataset) and "p_wave_velocity_flag" in velocity:
        use &= flags.usable(velocity["p_wave_velocity_flag"].values, allow)
    index = np.flatnonzero(use)
    if index.size < 2:
        raise ValueError(
            f"{index.size} usable velocities are too few for a two-way time; it needs two"
        )
    index = _downward(index, z)
    picked, z = series.take(measured, index), z[index]
    step = np.diff(z)

    def accumulate(part: np.ndarray) -> np.ndarray:
        # Down and up again, 2 dz, times the mean of both ends: dz (a + b).
        return np.concatenate([[0.0], np.cumsum(step * (part[:-1] + part[1:]))])

    time = accumulate(1.0 / picked.values)
    by_velocity = -1.0 / picked.values**2
    effects = {source: accumulate(by_velocity * e) for source, e in picked.effects.items()}
    one = (by_velocity * np.broadcast_to(picked.u_random, z.shape)) ** 2
    u_random = np.sqrt(_random_variance(one, step))
    series_time = xr.DataArray(time, dims="reading", coords={"depth": ("reading", z)})
    series_time["depth"].attrs = {"units": "m", "long_name": "depth below seafloor, as laid out"}
    dataset = series.build(
        {"two_way_time": Measured(series_time, u_random, effects)},
        steps=("two-way time 2 sum dz / V, slowness linear between readings",),
        readings_left_out=int(values.size - index.size),
    )
    # Readings are centimetres apart; a step of more than a metre is missing core.
    wide = np.where(step > 1.0, step * (1.0 / picked.values[:-1] + 1.0 / picked.values[1:]), 0.0)
    dataset["gap_time"] = xr.DataArray(
        np.concatenate([[0.0], np.cumsum(wide)]),
        dims="reading",
        attrs={"units": "s", "long_name": "part of the two-way time in gaps of over a metre"},
    )
    return dataset


def _depth(values: Any, given: Any) -> np.ndarray:
    if given is not None:
        return np.asarray(units.as_floats(given, "m", "depth"), dtype=float)
    if "depth" not in getattr(values, "coords", {}):
        raise ValueError("two_way_time needs a depth: give depth= or a series with that coordinate")
    return np.asarray(values["depth"].values, dtype=float)


def _random_variance(one: np.ndarray, step: np.ndarray) -> np.ndarray:
    """Variance of the accumulated time: a reading counts with the steps on both its sides."""
    last = np.concatenate([[0.0], step**2]) * one
    both = np.concatenate([[0.0], (step[:-1] + step[1:]) ** 2, [0.0]]) * one
    first = step[0] ** 2 * one[0] if step.size else 0.0
    inner = np.concatenate([[0.0, 0.0], np.cumsum(both[1:-1])])[: one.size]
    total = first + inner + last
    total[0] = 0.0
    return total


@law("s", water_depth="m", sound_speed="m/s")
def water_two_way_time(
    water_depth: Numbers, *, sound_speed: Any = _C["water_column_sound_speed"]
) -> Numbers:
    """Two-way time through the water.

    Parameters
    ----------
    water_depth : Quantity, DataArray or str
        Depth of the water [m].
    sound_speed : Quantity, str or Constant
        Mean speed of sound in the water column [m/s].

    Returns
    -------
    Quantity or DataArray
        Two-way time [s].

    Notes
    -----
    2 z / c (definition).

    Examples
    --------
    >>> float(water_two_way_time("2430 m").magnitude)
    3.24
    """
    return 2.0 * water_depth / sound_speed
