"""P-wave velocity of a whole or split core from the travel time of a pulse.

The order of the work: the delay of the electronics, the walls of the liner, the fluid between
liner and core, then path over time. The diameter, not the timing, is the usual source of error: at
1500 m/s and 70 mm, an error of 0.1 us gives 3.2 m/s and an error of 0.5 mm gives 11 m/s.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import constants, flags, series, thresholds, units
from corephys.ground.choices import plain_words
from corephys.ground.constants import Constant
from corephys.ground.provenance import SourcedText, with_constants
from corephys.ground.sensor import (
    ROOM,
    FittedConstant,
    Option,
    RandomPart,
    Reduction,
    Sensor,
    Source,
    Stage,
    TableFormat,
    Term,
    Track,
    core_temperature,
    keep_constants,
    number,
    of_kind,
    option_from,
    optional,
    scalar,
    series_like,
    text,
)
from corephys.hole.placing import depth as positions
from corephys.sensors.pwave import liner as pwave_liner
from corephys.sensors.pwave.calibration import Calibration, calibrate, wall_count
from corephys.sensors.pwave.conditions import in_situ_velocity
from corephys.sensors.pwave.picking import pick
from corephys.uncertainty import Measured, covariance_effects, given_uncertainty

if TYPE_CHECKING:
    import pint

    from corephys.ground.types import Dimensional, Numbers, Scalar

__all__ = [
    "SENSOR",
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


def random_kernel(speed: Any, path: Any, net: Any, u_thickness: Any, u_time: Any) -> Any:
    """Random standard uncertainty of velocities [m/s], of arrays or DataArrays.

    Velocity [m/s], path [mm] and net time [us] of :func:`velocity_kernel`; standard uncertainties
    of the thickness [mm] and of the travel time [us], independent from reading to reading. Relative
    errors of V = path / net add in squares (JCGM 100:2008, 5.1).
    """
    return ((speed / path * u_thickness) ** 2 + (speed / net * u_time) ** 2) ** 0.5


def low_amplitude_kernel(amplitude: np.ndarray, *, gate: float) -> np.ndarray:
    """Reason ``low_amplitude``, int64, where an amplitude is below the gate."""
    return np.where(amplitude < gate, flags.bit("low_amplitude"), 0).astype(np.int64)


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
        name: given_uncertainty(value, unit, name)
        for name, value, unit in (
            ("thickness_uncertainty", thickness_uncertainty, "mm"),
            ("travel_time_uncertainty", travel_time_uncertainty, "us"),
            ("core_diameter_uncertainty", core_diameter_uncertainty, "mm"),
            ("wall_uncertainty", wall_uncertainty, "mm"),
        )
    }
    random = random_kernel(
        speed, path, net, u["thickness_uncertainty"], u["travel_time_uncertainty"]
    )
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
        lacking = "delay" if delay is None else "liner_delay"
        raise ValueError(
            f"calibration is not given and {lacking} is missing; give a calibration from "
            "pwave.calibrate, or delay and liner_delay such as '8.2 us' (liner_delay only where "
            "there is a liner)"
        )
    # Given delays are independent: their covariance is diagonal.
    variances = [
        given_uncertainty(value, "us", name) ** 2
        for name, value in (("delay_uncertainty", u_delay), ("liner_delay_uncertainty", u_liner))
    ]
    return Calibration(
        float(units.as_floats(delay, "us", "delay")),
        0.0 if liner is None else float(units.as_floats(liner, "us", "liner_delay")),
        np.diag(variances if liner is not None else [variances[0], 0.0]),
        liner_from="the_caller",
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
    return series.apply(low_amplitude_kernel, level, gate=float(least), dtypes=[np.int64])


# --------------------------------------------------------------------------------------------------
# Its stages of a reduction.


_AUTOMATIC = ("onset", "threshold", "correlation")


def _arrivals_stage(context: Reduction) -> None:
    """Pick the recorded waveforms by every method, side by side; manual picks stay separate."""
    waves = context.optional("scan/pwave_waveforms")
    if waves is None:
        if context.recipe["pwave"]["pick"] in _AUTOMATIC:
            context.skip(
                f"[pwave] pick = {context.recipe['pwave']['pick']!r} needs the waveforms, "
                "scan/pwave_waveforms.nc; the times of the table are used"
            )
        return
    keys = context.recipe["pwave"]
    time = waves["record_time"].values
    early, late = float(time[0]), float(time[-1])
    # The first tenth of a record holds the noise before any arrival.
    gate = (
        keys["gate_start"] or units.quantity(early + 0.1 * (late - early), "us"),
        keys["gate_end"] or units.quantity(late, "us"),
    )
    level = float(keys["threshold_level"])
    water: dict[str, Any] = {}
    if "water_trace" in waves and "water_travel_time" in waves:
        water = {
            "water_trace": waves["water_trace"],
            "water_travel_time": units.quantity(float(waves["water_travel_time"]), "us"),
        }
    method = keys["pick"] if keys["pick"] in _AUTOMATIC else "onset"
    context.results["properties/arrivals"] = pick(
        waves["waveform"],
        method=method,
        gate=gate,
        levels=tuple(sorted({0.1, level, 0.5})),
        level=level,
        manual=_manual(context, waves),
        reason=waves.get("reason", 0),
        **water,
    )


def _rows(table: xr.Dataset, waves: xr.Dataset) -> np.ndarray:
    """Row of the waveform with the position and run of every row of a table; -1 for none."""
    keys = ("core", "section", "offset", "run")
    frames = [
        pd.MultiIndex.from_arrays(
            [np.round(p[k].values, 3) if k == "offset" else p[k].values for k in keys]
        )
        for p in (waves, table)
    ]
    first = ~frames[0].duplicated()
    found = frames[0][first].get_indexer(frames[1])
    return np.where(found >= 0, np.flatnonzero(first)[np.clip(found, 0, None)], -1)


def _manual(context: Reduction, waves: xr.Dataset) -> xr.DataArray | None:
    """Manual picks of the table at the positions of the waveforms."""
    table = context.optional("scan/pwave")
    if table is None or "travel_time_manual" not in table:
        return None
    row = _rows(waves, table)
    manual = np.where(row >= 0, table["travel_time_manual"].values[np.clip(row, 0, None)], np.nan)
    return series_like(waves["waveform"].isel(record_time=0, drop=True), manual, "us")


def _travel_time(
    context: Reduction, table: xr.Dataset
) -> tuple[xr.DataArray, xr.DataArray | str, xr.DataArray | int]:
    """Travel times that the recipe chooses, with their uncertainty and reasons."""
    keys = context.recipe["pwave"]
    here, reason = table["travel_time"], table.get("reason", 0)
    if keys["pick"] == "manual":
        if "travel_time_manual" not in table:
            context.skip("[pwave] pick = 'manual' needs travel_time_manual in scan/pwave.csv")
        manual = table["travel_time_manual"].values
        return series_like(here, manual, "us"), keys["travel_time_uncertainty"], reason
    picks = context.results.get("properties/arrivals")
    if keys["pick"] == "table" or picks is None:
        return here, keys["travel_time_uncertainty"], reason
    row = _rows(table, picks)
    at, known = np.clip(row, 0, None), row >= 0
    time = np.where(known, picks["travel_time"].values[at], np.nan)
    u = np.where(known, picks["travel_time_u_random"].values[at], np.nan)
    found = np.where(known, picks["travel_time_reason"].values[at], 0)
    joined = here.copy(deep=False, data=(np.asarray(reason) | found).astype(np.int64))
    return series_like(here, time, "us"), series_like(here, u, "us"), joined


def calibration_stage(context: Reduction) -> None:
    """Delay of the electronics and of the liner from the P-wave standards."""
    recipe, keys = context.recipe, context.recipe["pwave"]
    if keys["delay"] is not None:
        context.objects["pwave_calibration"] = None
        return
    table = of_kind(context.table("standards/pwave"), "standard")
    if "temperature" not in table:
        raise ValueError(
            "standards/pwave.csv has no column 'temperature [degC]'; the velocity in the standards "
            "depends on it. Add the column"
        )
    context.objects["pwave_calibration"] = calibrate(
        table["length"],
        table["travel_time"],
        temperature=table["temperature"],
        medium=table.get("medium", "water"),
        liner=table.get("liner", "none"),
        wall=recipe["liner"]["wall"],
        liner_velocity=recipe["liner"]["velocity"],
        liner_velocity_uncertainty=recipe["liner"]["velocity_uncertainty"],
    )


def _velocity_stage(context: Reduction) -> None:
    """P-wave velocity of the scan."""
    table = context.table("scan/pwave")
    if "pwave_calibration" not in context.objects:
        context.skip("no P-wave standards; give standards/pwave.csv or [pwave] delay")
    recipe, keys = context.recipe, context.recipe["pwave"]
    liner = context.section_values(table, "liner", "full")
    here, u_time, reason = _travel_time(context, table)
    amplitude = table.get("amplitude")
    # A supplied velocity has other readings than the amplitudes of scan/pwave.csv.
    context.objects["velocity_measured"] = True
    calibration = context.objects["pwave_calibration"]
    delay = (
        {}
        if calibration is not None
        else {
            "delay": keys["delay"],
            "delay_uncertainty": keys["delay_uncertainty"],
            **_delay_of_liner(context),
        }
    )
    found = velocity(
        here,
        table["thickness"],
        calibration=calibration,
        **delay,
        wall=recipe["liner"]["wall"],
        liner=here.copy(deep=False, data=liner.astype(object)),
        gap=series_like(here, fluid_gap(context, table, liner), "mm"),
        core_diameter_uncertainty=keys["core_diameter_uncertainty"],
        thickness_uncertainty=keys["thickness_uncertainty"],
        travel_time_uncertainty=u_time,
        amplitude=amplitude,
        amplitude_gate=float(keys["amplitude_gate"]) if amplitude is not None else None,
        reason=reason,
    )
    if calibration is not None:
        _keep_constants(found, calibration)
    context.results["properties/velocity"] = found


def _in_situ_stage(context: Reduction) -> None:
    """Velocity at the temperature and pressure of the formation, beside the measured one."""
    form = context.recipe["pwave"]["in_situ"]
    if form == "none":
        return
    found = context.result("properties/velocity")
    temperature, pressure, u = context.below_seafloor(found)
    table, hole = context.optional("scan/pwave"), context.recipe["hole"]
    warm: xr.DataArray | str = hole["laboratory_temperature"]
    if table is not None and "temperature" in table:
        warm = core_temperature(context, table, found["p_wave_velocity"])
    porosity = None
    if form == "slowness":
        porosity = positions.match(
            context.porosity(),
            to=found,
            within=thresholds.DEFAULTS["match_reach"],
            how="nearest",
            allow=(*context.levels, "suspect"),
        )
    context.results["properties/velocity_in_situ"] = with_constants(
        in_situ_velocity(
            found,
            laboratory_temperature=warm,
            in_situ_temperature=temperature,
            in_situ_pressure=pressure,
            form=form,
            porosity=porosity,
            salinity=hole["pore_water_salinity"],
            in_situ_temperature_uncertainty=u,
            laboratory_temperature_uncertainty=context.recipe["resistivity"][
                "temperature_uncertainty"
            ],
            in_situ_pressure_uncertainty=thresholds.DEFAULTS["in_situ_pressure_uncertainty"],
            salinity_uncertainty=hole["pore_water_salinity_uncertainty"],
        ),
        gravity=constants.CONSTANTS["gravity"],
    )


def fluid_gap(context: Reduction, table: xr.Dataset, liner: np.ndarray) -> np.ndarray:
    """Fluid between a thin core and its liner at every reading [mm]."""
    diameter, bore, _ = context.geometry(table)
    wall = scalar(context.recipe, "liner", "wall", "mm")
    return pwave_liner.fluid_gap(table["thickness"].values, wall_count(liner), wall, diameter, bore)


def _delay_of_liner(context: Reduction) -> dict[str, Constant | pint.Quantity]:
    """Delay of two walls from their thickness and velocity, where no standards give it."""
    wall = scalar(context.recipe, "liner", "wall", "mm")
    speed = scalar(context.recipe, "liner", "velocity", "m/s")
    u_speed = scalar(context.recipe, "liner", "velocity_uncertainty", "m/s")
    delay, u = pwave_liner.time_in_walls(wall, speed, u_speed)
    words = f"two walls of {wall:g} mm at {speed:g} m/s"
    return {
        "liner_delay": Constant("liner_delay", delay, "us", float("nan"), words, "", "calculated"),
        "liner_delay_uncertainty": units.quantity(u, "us"),
    }


def _keep_constants(dataset: xr.Dataset, fit: Calibration) -> None:
    """Keep the delays, and the velocities that were fitted to solid standards."""
    rows: list[FittedConstant] = [
        ("t0", "delay of transducers and electronics", fit.delay, fit.delay_uncertainty, "us"),
        (
            "tl",
            f"time in two walls of the liner, from {plain_words(fit.liner_from)}",
            fit.liner_delay,
            fit.liner_delay_uncertainty,
            "us",
        ),
    ]
    rows += [
        ("V", f"velocity of the standard {medium}", speed, float("nan"), "m/s")
        for medium, speed in fit.medium_velocity.items()
    ]
    keep_constants(dataset, rows, fit.length.size, float("nan"))


def _check_standards(
    context: Reduction, checks: xr.Dataset
) -> tuple[np.ndarray, None, str, str] | None:
    """Travel time of the check less that by the calibration [us]."""
    calibration = context.objects.get("pwave_calibration")
    if calibration is None:
        return None
    expected = calibration.time(
        checks["length"],
        temperature=checks["temperature"],
        medium=checks.get("medium", "water"),
        liner=checks.get("liner", "none"),
    )
    error = checks["travel_time"].values - expected.m_as("us")
    return error, None, "us", "travel time less that of the calibration"


# --------------------------------------------------------------------------------------------------
# The record: what the other rooms need of this sensor.


SENSOR = Sensor(
    name="pwave",
    quantity="p_wave_velocity",
    path="properties/velocity",
    scan=TableFormat(
        (
            number("travel_time", "us"),
            number("thickness", "mm"),
            *optional(number("amplitude", None), ROOM, number("travel_time_manual", "us")),
        )
    ),
    standards=TableFormat(
        (number("length", "mm"), number("travel_time", "us"), *optional(text("medium")))
    ),
    terms=(
        Term("p_wave_velocity", "m/s", "P-wave velocity", (1450, 7000), (1000, 8000)),
        Term("p_wave_amplitude", "1", "P-wave amplitude", (0, math.inf), (0, math.inf)),
        Term("travel_time", "us", "P-wave travel time", (0, math.inf), (0, math.inf)),
        Term(
            "p_wave_velocity_in_situ",
            "m/s",
            "P-wave velocity at in-situ pressure and temperature",
            (1450, 7000),
            (1000, 8000),
        ),
    ),
    sources=(
        Source("pwave_calibration", "calibration", "delays of the P-wave sensor"),
        Source("water_travel_time", "calibration", "travel time of the water liner"),
        Source("liner_wall", "geometry", "wall of the liner"),
    ),
    random=(
        RandomPart("p_wave_velocity", "", "reading", "picking of the arrival"),
        RandomPart("travel_time", "", "reading", "picking of the arrival"),
    ),
    options={
        "delay": option_from(
            velocity,
            "delay",
            "us",
            "delay of the electronics; from the standards if not given",
        ),
        "delay_uncertainty": option_from(
            velocity,
            "delay_uncertainty",
            "us",
            "standard uncertainty of the delay, systematic",
        ),
        "core_diameter_uncertainty": option_from(
            velocity,
            "core_diameter_uncertainty",
            "mm",
            "standard uncertainty of the core diameter, systematic, shared with the density",
        ),
        "thickness_uncertainty": Option(
            "0.1 mm", "mm", "standard uncertainty of one calliper reading, random"
        ),
        "travel_time_uncertainty": Option(
            "0.05 us", "us", "standard uncertainty of one pick, random"
        ),
        "amplitude_gate": Option(0.0, "number", "least amplitude, in the instrument's units"),
        "pick": Option(
            "table", "table|manual|onset|threshold|correlation", "which travel time is used"
        ),
        "gate_start": Option(None, "us", "earliest arrival of a waveform"),
        "gate_end": Option(None, "us", "latest arrival of a waveform"),
        "threshold_level": Option(
            0.3, "number", "share of the peak at which a threshold pick is made"
        ),
        "in_situ": Option("none", "none|ratio|slowness", "form of the in-situ correction"),
    },
    quality_options={
        "response_velocity": Option(
            thresholds.DEFAULTS["response_velocity"],
            "cm",
            "width of the response of the P-wave along the core",
        ),
    },
    response_width=("quality", "response_velocity"),
    stages=(
        Stage("P-wave arrivals", _arrivals_stage),
        Stage("P-wave calibration", calibration_stage),
        Stage("velocity", _velocity_stage),
        Stage("in-situ velocity", _in_situ_stage, after="porosity"),
    ),
    check=_check_standards,
    warms_up=True,
    track=Track("#D55E00"),
)
