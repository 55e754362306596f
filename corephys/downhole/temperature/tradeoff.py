"""Trade-off of conductivity and temperature in the fit of a record, and the grade of a station."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.downhole.temperature.decay import FEWEST, Decay, choose, fit
from corephys.downhole.temperature.motion import usable_part
from corephys.downhole.temperature.records import Prepared, prepare
from corephys.ground import arguments, flags, thresholds, units

if TYPE_CHECKING:
    import pandas as pd

    from corephys.ground.types import Dimensional, Measurement

__all__ = ["grade", "valley"]

# --------------------------------------------------------------------------------------------------
# Pairs of conductivity and temperature that fit a record about equally well.


SPREAD = thresholds.value("valley_spread")
TRIALS = 21  # conductivities over that spread, an odd number so that the middle one is among them

_VARIABLES = {
    "temperature": ("degC", "equilibrium temperature at the conductivity of the trial"),
    "time_shift": ("s", "start of the decay after penetration_time"),
    "amplitude": ("K", "first excess temperature"),
    "residual_deviation": ("K", "standard deviation of the residuals"),
    "conductivity_sensitivity": ("K/(W/(m K))", "change of temperature with conductivity"),
}


def valley(
    table: xr.Dataset,
    stations: xr.Dataset,
    tools: xr.Dataset,
    *,
    conductivities: Dimensional | None = None,
    conductivity: Measurement | str | None = None,
    volumetric_heat_capacity: Dimensional | None = None,
    responses: Mapping[str, xr.Dataset | pd.DataFrame] | None = None,
    chosen_windows: Mapping[str, str] | None = None,
) -> xr.Dataset:
    """Equilibrium temperature and start of the decay for each of several conductivities.

    Parameters
    ----------
    table, stations, tools : Dataset, (row)
        Tables as for :func:`corephys.downhole.temperature.equilibrium_temperature`.
    conductivities : Quantity or DataArray, (trial,), optional
        Trial conductivities, the same for all stations [W/(m K)]. If not given, 21 values from
        10 % below to 10 % above the conductivity of each station.
    conductivity : Dataset, DataArray, Quantity or str, optional
        Conductivity of the sediment at each station [W/(m K)]; the column of ``stations`` if not
        given.
    volumetric_heat_capacity : DataArray, Quantity or str, optional
        Heat capacity of the sediment [MJ/(m^3 K)], the same at all trials; by mixing laws from the
        conductivity of the station if not given.
    responses : mapping of str to table, optional
        Response tables by name.
    chosen_windows : mapping of str to str, optional
        Windows that the user chose, by station, such as ``"2 min to 12 min"`` since penetration.

    Returns
    -------
    Dataset, (station, trial)
        ``temperature`` [degC], ``time_shift`` [s], ``amplitude`` [K] and ``residual_deviation``
        [K] with the coordinates ``conductivity`` [W/(m K)]; ``conductivity_sensitivity``
        [K/(W/(m K))] (station), the slope at the conductivity of the station of a parabola through
        the trials; and ``residual_deviation_range`` [K] (station), the deviation of the worst
        trial less that of the best.

    Raises
    ------
    ValueError
        As for ``equilibrium_temperature``, and for trials that are not positive.

    Notes
    -----
    Bullard (1954), Proceedings of the Royal Society A 222, 408: at each conductivity Ta, first
    excess and start are fitted over the window found with the conductivity of the station. The
    residuals hardly change along the valley, so the record alone cannot fix the conductivity.
    """
    prepared = prepare(
        table,
        stations,
        tools,
        conductivity=conductivity,
        conductivity_uncertainty=None,
        volumetric_heat_capacity=volumetric_heat_capacity,
        responses=responses,
    )
    trials = _trials(conductivities, prepared)
    stops = stations["station"].values.astype(str)
    chosen = arguments.windows_by_name(chosen_windows, stops, "station")
    names = [name for name in _VARIABLES if name != "conductivity_sensitivity"]
    out = {name: np.full(trials.shape, np.nan) for name in names}
    slope, flat = np.full(trials.shape[0], np.nan), np.full(trials.shape[0], np.nan)
    for i in range(trials.shape[0]):
        decays = _along(prepared, i, trials[i], stops[i], chosen.get(stops[i]))
        for j, decay in enumerate(decays):
            if decay is not None:
                out["temperature"][i, j] = decay.temperature
                out["time_shift"][i, j] = decay.shift
                out["amplitude"][i, j] = decay.amplitude
                out["residual_deviation"][i, j] = decay.deviation
        slope[i] = _slope(trials[i], out["temperature"][i], prepared.probes[i].conductivity)
        known = out["residual_deviation"][i][np.isfinite(out["residual_deviation"][i])]
        flat[i] = np.ptp(known) if known.size else np.nan
    dataset = xr.Dataset(
        {name: (("station", "trial"), out[name], _attributes(*_VARIABLES[name])) for name in names},
        coords={
            "station": ("station", stations["station"].values.astype(object)),
            "conductivity": (
                ("station", "trial"),
                trials,
                _attributes("W/(m K)", "thermal conductivity of the trial"),
            ),
        },
    )
    dataset["conductivity_sensitivity"] = (
        "station",
        slope,
        _attributes(*_VARIABLES["conductivity_sensitivity"]),
    )
    dataset["residual_deviation_range"] = (
        "station",
        flat,
        _attributes("K", "worst less best standard deviation of the residuals"),
    )
    return dataset


def _attributes(unit: str, words: str) -> dict[str, str]:
    """Unit and long name of a variable."""
    return {"units": unit, "long_name": words}


def _trials(given: Dimensional | None, prepared: Prepared) -> np.ndarray:
    """Trial conductivities of each station [W/(m K)], (station, trial)."""
    own = np.array([probe.conductivity for probe in prepared.probes])
    if given is None:
        return own[:, None] * np.linspace(1.0 - SPREAD, 1.0 + SPREAD, TRIALS)
    values = np.ravel(np.asarray(units.as_floats(given, "W/(m K)", "conductivities"), dtype=float))
    if not (np.isfinite(values).all() and np.all(values > 0)):
        raise ValueError(
            f"conductivities are {values.min():g} W/(m K) at least; all must be positive"
        )
    return np.tile(np.sort(values), (own.size, 1))


def _along(
    prepared: Prepared, i: int, trials: np.ndarray, name: str, window: tuple[float, float] | None
) -> list[Decay | None]:
    """Fits at the trials, all over the window found with the conductivity of the station."""
    record, probe = prepared.records[i], prepared.probes[i]
    base = None
    if prepared.usable[i] and record.time.size >= FEWEST and not record.doubled:
        size, _, _ = usable_part(record.time, record.temperature, probe)
        if window is None:
            base, _ = choose(record.time[:size], record.temperature[:size], probe)
        else:
            ends = arguments.samples(record.time, window, f"station {name}", FEWEST)
            base = fit(record.time, record.temperature, probe, *ends)
    if base is None:
        return [None] * trials.size
    return [
        fit(
            record.time,
            record.temperature,
            replace(probe, conductivity=float(k)),
            base.first,
            base.last,
        )
        for k in trials
    ]


def _slope(k: np.ndarray, temperature: np.ndarray, at: float) -> float:
    """Slope of a parabola through the trials at the conductivity ``at`` [K/(W/(m K))]."""
    known = np.isfinite(temperature)
    if known.sum() < 3 or not np.ptp(k[known]) > 0:
        return float("nan")
    return float(np.polyfit(k[known] - at, temperature[known], 2)[1])


# --------------------------------------------------------------------------------------------------
# Grade of a formation temperature in words.


GRADES = ("good", "fair", "poor", "rejected")
LIMITS = (
    "formation_good_duration",
    "formation_fair_duration",
    "formation_good_deviation",
    "formation_fair_deviation",
    "formation_largest_rest",
)
_WORDS = {
    "no_decay": "the probe did not cool",
    "input_bad": "an input is unusable",
    "missing_value": "no temperature",
    "second_friction_pulse": "a second friction pulse",
    "late_motion": "the probe moved late",
    "disturbed_decay": "only a part of the record is a decay",
    "poor_fit": "residuals are not white",
    "beyond_method_range": "outside the response table",
}


def grade(decay: Decay | None, duration: float, reason: int) -> tuple[str, str]:
    """Grade of one station, and the reasons for it.

    Parameters
    ----------
    decay : Decay or None
        Fitted decay.
    duration : float
        Time from the penetration to the last sample of the window [s].
    reason : int
        Bit mask of :mod:`corephys.ground.flags`.

    Returns
    -------
    tuple of str
        One of ``GRADES``, and the reason in words.

    Notes
    -----
    rejected: no temperature, or a reason with the level bad. poor: a second friction pulse, late
    motion, more than a tenth of the first excess left at the end, residuals of 20 mK or more, or
    less than three minutes. fair: residuals of 5 mK or more or not white, less than six minutes,
    a decay in only a part of the record, or a fit outside the response table. good: none of these,
    so a single pulse and a decay to the end of the record. The limits are common practice (six
    minutes, 5 mK) and rows of :mod:`corephys.ground.thresholds`.
    """
    named = flags.names(reason)
    fatal = [name for name in named if flags.REASONS[name] in (flags.BAD, flags.MISSING)]
    if decay is None or fatal:
        words = [_WORDS.get(name, name.replace("_", " ")) for name in fatal]
        return "rejected", "; ".join(words) or "too short a record"
    poor = [_WORDS[name] for name in ("second_friction_pulse", "late_motion") if name in named]
    fair = [
        _WORDS[name]
        for name in ("disturbed_decay", "poor_fit", "beyond_method_range")
        if name in named
    ]
    if decay.remaining > thresholds.value("formation_largest_rest"):
        poor.append(f"{100 * decay.remaining:.0f} % of the excess left at the end")
    deviation, minutes = f"residuals of {1e3 * decay.deviation:.1f} mK", f"{duration / 60:.1f} min"
    if decay.deviation >= thresholds.value("formation_fair_deviation"):
        poor.append(deviation)
    elif decay.deviation >= thresholds.value("formation_good_deviation"):
        fair.append(deviation)
    if duration < thresholds.value("formation_fair_duration"):
        poor.append(f"only {minutes}")
    elif duration < thresholds.value("formation_good_duration"):
        fair.append(f"only {minutes}")
    if poor or fair:
        return ("poor" if poor else "fair"), "; ".join(poor + fair)
    return "good", f"single pulse, undisturbed decay of {minutes}, {deviation}"
