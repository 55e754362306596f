"""P-wave velocity of a whole or split core from the travel time of a pulse.

The order of the work: the delay of the electronics, the walls of the liner, the fluid between
liner and core, then path over time. The diameter, not the timing, is the usual source of error: at
1500 m/s and 66 mm, an error of 0.1 us gives 3.4 m/s and an error of 0.5 mm gives 11 m/s.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, units
from corephys.ground.provenance import SourcedText
from corephys.sensors.pwave.calibration import Calibration, calibrate, wall_count
from corephys.sensors.pwave.conditions import in_situ_velocity
from corephys.sensors.pwave.picking import pick
from corephys.uncertainty import Measured, covariance_effects, stated

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Numbers, Scalar

__all__ = [
    "Calibration",
    "calibrate",
    "in_situ_velocity",
    "pick",
    "velocity",
]

_C = constants.CONSTANTS


def velocity_kernel(
    travel_time: float | np.ndarray,
    thickness: float | np.ndarray,
    walls: float | np.ndarray,
    gap: float | np.ndarray,
    *,
    wall: float,
    delay: float,
    liner_delay: float,
    gap_velocity: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Velocity, path, net time and reasons of readings.

    Parameters
    ----------
    travel_time, thickness, walls, gap : float or ndarray, broadcastable
        Travel time [us], thickness outside the liner [mm], number of walls crossed, total fluid
        gap [mm].
    wall, delay, liner_delay, gap_velocity : float
        Thickness of one wall [mm], delay of the electronics [us], delay of two walls [us],
        velocity of the fluid [m/s].

    Returns
    -------
    tuple of ndarray
        Velocity [m/s], path in the core [mm], time in the core [us], int64 reasons. Velocity is
        NaN where path or time is not positive.

    Notes
    -----
    V = path / net time, path = thickness - n w - gap,
    net time = t - t0 - (n / 2) t_liner - gap / v_gap: geometry of a straight ray across layers.
    """
    # mm/us is km/s: the factor 1e3 below converts to and from m/s.
    path = np.asarray(thickness - walls * wall - gap, dtype=float)
    # liner_delay is the time in two walls: a half liner has half of it.
    net = np.asarray(
        travel_time - delay - 0.5 * walls * liner_delay - 1e3 * gap / gap_velocity, dtype=float
    )
    path, net = np.broadcast_arrays(path, net)
    with np.errstate(divide="ignore", invalid="ignore"):
        speed = 1e3 * path / net
    refused = (net <= 0.0) | (path <= 0.0)
    reason = np.where(refused, flags.bit("impossible_value"), 0).astype(np.int64)
    return np.where(refused, np.nan, speed), path, net, reason


def velocity(
    travel_time: Dimensional,
    thickness: Dimensional,
    *,
    calibration: Calibration | None = None,
    delay: Scalar | None = None,
    delay_uncertainty: Scalar | None = None,
    liner_delay: Scalar | None = None,
    liner_delay_uncertainty: Scalar | None = None,
    wall: Scalar,
    liner: str | Sequence[str] | xr.DataArray = "full",
    gap: Dimensional = "0 mm",
    gap_velocity: Scalar = _C["sea_water_velocity"],
    wall_uncertainty: Scalar = "0 mm",
    core_diameter_uncertainty: Scalar | None = None,
    thickness_uncertainty: Scalar | None = None,
    travel_time_uncertainty: Scalar | None = None,
    amplitude: Numbers | None = None,
    amplitude_gate: float | Scalar | None = None,
    reason: int | np.ndarray | xr.DataArray = 0,
) -> xr.Dataset:
    """P-wave velocity of a core from travel time and thickness.

    Parameters
    ----------
    travel_time : DataArray, (reading)
        Travel time of the pulse [us].
    thickness : DataArray, (reading)
        Thickness of the core with its liner [mm].
    calibration : Calibration, optional
        Result of :func:`calibrate`; gives both delays and their covariance.
    delay, liner_delay : Quantity or str, optional
        Delays of the electronics and of two walls [us], where there is no calibration.
    delay_uncertainty, liner_delay_uncertainty : Quantity or str, optional
        Systematic standard uncertainties [us]; NaN if not given.
    wall : Quantity or str
        Thickness of one wall [mm].
    liner : str or DataArray of text
        ``full``, ``half`` or ``none``.
    gap : Quantity, DataArray or str
        Thickness of the fluid between core and bore, both sides together [mm].
    gap_velocity : Quantity, str or Constant
        Velocity of the fluid [m/s].
    wall_uncertainty : Quantity or str
        Systematic standard uncertainty of the wall [mm]; zero where the uncertainty of the
        calliper already includes bore and wall.
    core_diameter_uncertainty : Quantity or str, optional
        Systematic standard uncertainty of the core diameter [mm]. A thicker core has a longer path
        and a higher velocity. NaN if not given.
    thickness_uncertainty, travel_time_uncertainty : Quantity or str, optional
        Random standard uncertainties of one reading [mm], [us]; NaN if not given.
    amplitude : DataArray, (reading), optional
        Amplitude of the received pulse, in the instrument's units; per cent are converted to a
        fraction.
    amplitude_gate : float, optional
        Smallest amplitude of a usable pulse.
    reason : int or DataArray of int
        Reasons already found for these readings.

    Returns
    -------
    Dataset
        ``p_wave_velocity`` with uncertainty, effects and flags. An amplitude below the gate is
        flagged ``low_amplitude``; a net time or path that is not positive gives NaN and
        ``impossible_value``; a missing time gives ``missing_value``.

    Raises
    ------
    PositionError
        When the series lie at different positions.
    ValueError
        When neither a calibration nor both delays are given, or for an unknown kind of liner.

    Notes
    -----
    V = (D - n w - g) / (t - t0 - (n / 2) t_liner - g / v_g): geometry of a straight ray across
    wall, fluid and core, as in :func:`velocity_kernel`.
    """
    series.require_same_positions(
        travel_time=travel_time, thickness=thickness, gap=gap, amplitude=amplitude, liner=liner
    )
    used = calibration or _given_delays(
        delay, delay_uncertainty, liner_delay, liner_delay_uncertainty, liner
    )
    walls = wall_count(liner)
    speed, path, net, found = series.apply(
        velocity_kernel,
        units.as_floats(travel_time, "us", "travel_time"),
        units.as_floats(thickness, "mm", "thickness"),
        walls,
        units.as_floats(gap, "mm", "gap"),
        outputs=4,
        dtypes=[float, float, float, np.int64],
        wall=units.as_floats(wall, "mm", "wall"),
        delay=used.delay,
        liner_delay=used.liner_delay,
        gap_velocity=units.as_floats(gap_velocity, "m/s", "gap_velocity"),
    )
    u = {
        name: stated(value, unit, name)
        for name, value, unit in (
            ("thickness_uncertainty", thickness_uncertainty, "mm"),
            ("travel_time_uncertainty", travel_time_uncertainty, "us"),
            ("core_diameter_uncertainty", core_diameter_uncertainty, "mm"),
            ("wall_uncertainty", wall_uncertainty, "mm"),
        )
    }
    # V = path / net: relative errors of both add in squares, since they are independent.
    random = (
        (speed / path * u["thickness_uncertainty"]) ** 2
        + (speed / net * u["travel_time_uncertainty"]) ** 2
    ) ** 0.5
    # The calliper measures the core with its liner: a longer path at the same travel time.
    effects = {"core_diameter": speed / path * u["core_diameter_uncertainty"]}
    # A thicker wall leaves a shorter path in the core: the sign is negative.
    if u["wall_uncertainty"] != 0.0:
        effects["liner_wall"] = -speed / path * walls * u["wall_uncertainty"]
    effects.update(_delay_effects(used, speed / net, walls, joined=calibration is not None))
    for part in (found, _low(amplitude, amplitude_gate)):
        reason = series.joined_reasons(part, reason)
    return series.build(
        {"p_wave_velocity": Measured(speed, random, effects, reason)},
        steps=_STEPS,
        constants={
            "wall": wall,
            "gap_velocity": gap_velocity,
            **used.used,
            **(
                {"calibration": SourcedText(used.describe(), "fitted")}
                if calibration
                else {
                    "delay": (delay, delay_uncertainty),
                    "liner_delay": (liner_delay, liner_delay_uncertainty),
                }
            ),
        },
    )


_STEPS = (
    "delay of the electronics t0, from standards of several lengths",
    "time in the walls of the liner (n / 2) t_liner",
    "time in the fluid between core and liner, gap / v_gap",
    "path = thickness - n wall - gap; V = path / net time",
)


def _given_delays(
    delay: Scalar | None,
    u_delay: Scalar | None,
    liner: Scalar | None,
    u_liner: Scalar | None,
    kind: str | Sequence[str] | xr.DataArray,
) -> Calibration:
    """Calibration of delays that the caller gives in place of standards."""
    if delay is None or (liner is None and np.any(np.asarray(wall_count(kind)) > 0)):
        raise ValueError(
            "give a calibration from pwave.calibrate, or delay and liner_delay such as '8.2 us' "
            "(liner_delay only where there is a liner)"
        )
    # Given delays are independent: their covariance is diagonal.
    variances = [
        stated(value, "us", name) ** 2
        for name, value in (("delay_uncertainty", u_delay), ("liner_delay_uncertainty", u_liner))
    ]
    return Calibration(
        float(units.as_floats(delay, "us", "delay")),
        0.0 if liner is None else float(units.as_floats(liner, "us", "liner_delay")),
        np.diag(variances if liner is not None else [variances[0], 0.0]),
        liner_from="the caller",
    )


def _delay_effects(used: Calibration, per_time: Any, walls: Any, *, joined: bool) -> dict[str, Any]:
    """Effects of the delays: a longer delay leaves less time in the core, hence a faster core.

    ``joined`` delays were fitted together and have a covariance; given delays are independent.
    """
    partials = [per_time, per_time * (0.5 * walls)]
    if joined:
        return covariance_effects(partials, used.covariance, "pwave_calibration")
    return {
        "pwave_delay": partials[0] * used.delay_uncertainty,
        "liner_delay": partials[1] * used.liner_delay_uncertainty,
    }


def _low(amplitude: Any, gate: float | Scalar | None) -> Any:
    """Reason ``low_amplitude`` of the readings whose amplitude is below the gate."""
    if amplitude is None or gate is None:
        return 0
    level = amplitude
    if getattr(amplitude, "attrs", {}).get("units") == "%":  # the gate is a fraction
        level = units.as_floats(amplitude, "1", "amplitude")
    elif hasattr(amplitude, "dims"):
        level = amplitude.drop_attrs(deep=False)
    least = units.as_floats(gate, "1", "amplitude_gate")
    return xr.where(level < least, flags.bit("low_amplitude"), 0)
