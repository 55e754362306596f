"""Formation temperature from the cooling of a probe that friction has warmed.

The file reads in the order of the work:

1. the law: :func:`decay_function`, the decay of a perfectly conducting cylinder;
2. :func:`equilibrium_temperature`, the evaluation of all stations;
3. the fit of one station: the part of the record without disturbance (``motion``), the window and
   the fit for equilibrium temperature, first excess and start of the decay (``decay``), and the
   reasons to doubt it;
4. uncertainties: the fit is repeated with conductivity and heat capacities one sigma off;
5. the result, with a grade (``tradeoff``).

``records`` reads the tables and finds the time of penetration, ``responses`` reads the table of a
tool that is not a cylinder.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.downhole.temperature import decay as formation_decay
from corephys.downhole.temperature.decay import (
    late_decay_function,
    late_time_temperature,
    moved,
    scaled,
)
from corephys.downhole.temperature.motion import usable_part
from corephys.downhole.temperature.records import (
    MIXED,
    Prepared,
    Record,
    bottom_water_temperature,
    fitted_decay,
    penetration_time,
    prepare,
    sediment_heat_capacity,
)
from corephys.downhole.temperature.tradeoff import LIMITS, grade, valley
from corephys.ground import arguments, constants, flags, series, thresholds
from corephys.numerics import cylinder
from corephys.uncertainty import Measured, given_uncertainty

if TYPE_CHECKING:
    import pandas as pd

    from corephys.ground.types import Dimensional, Measurement, Scalar

__all__ = [
    "bottom_water_temperature",
    "decay_function",
    "equilibrium_temperature",
    "fitted_decay",
    "late_decay_function",
    "late_time_temperature",
    "penetration_time",
    "valley",
]

_C = constants.CONSTANTS
WEAKEST = thresholds.value("decay_least_fall")

# --------------------------------------------------------------------------------------------------
# 1. The law.


def decay_function(alpha: float | np.ndarray, tau: float | np.ndarray) -> float | np.ndarray:
    """Fraction of the first excess temperature that a cooling cylinder still has.

    Parameters
    ----------
    alpha : float or ndarray
        Ratio 2 pi a^2 rho c / S: twice the heat capacity of the displaced sediment over that of
        the probe, dimensionless.
    tau : float or ndarray
        Time kappa t / a^2, dimensionless.

    Returns
    -------
    float or ndarray
        Decay F(alpha, tau), a fraction.

    Raises
    ------
    ValueError
        For alpha that is not positive or a negative tau.

    Notes
    -----
    Bullard (1954), Proceedings of the Royal Society A 222, 408; see
    :func:`corephys.numerics.cylinder.decay`.

    Examples
    --------
    >>> round(decay_function(2.0, 1.0), 9)
    0.166276784
    """
    return cylinder.decay(alpha, tau)


# --------------------------------------------------------------------------------------------------
# 2. The evaluation of all stations.


def equilibrium_temperature(
    table: xr.Dataset,
    stations: xr.Dataset,
    tools: xr.Dataset,
    *,
    conductivity: Measurement | str | None = None,
    conductivity_uncertainty: Scalar | None = None,
    volumetric_heat_capacity: Dimensional | None = None,
    heat_capacity_uncertainty: Scalar | None = None,
    thermometer_uncertainty: Scalar | None = None,
    responses: Mapping[str, xr.Dataset | pd.DataFrame] | None = None,
    chosen_windows: Mapping[str, str] | None = None,
) -> xr.Dataset:
    """Temperature that a probe would have reached in the end, at every station.

    Parameters
    ----------
    table : Dataset, (row)
        Columns station, time [s], temperature [degC]; rows whose ``kind`` is ``bottom_water`` are
        left out.
    stations : Dataset, (row)
        Columns station, tool and depth [m]. The columns penetration_time [s], end_time [s] and
        conductivity [W/(m K)] are used where the table has them.
    tools : Dataset, (row)
        Columns tool, radius [mm] and heat_capacity [J/(m K)]. The column u_heat_capacity [J/(m K)]
        gives the effect ``tool_heat_capacity``; response_table names a table of ``responses``.
    conductivity : Dataset, DataArray, Quantity or str, optional
        Conductivity of the sediment at each station [W/(m K)]; the column of ``stations`` if not
        given. The uncertainties and effects of a Dataset are used.
    conductivity_uncertainty : Quantity or str, optional
        Relative uncertainty, such as ``"5 %"``, independent between stations: part of the random
        uncertainty. NaN if not given, unless ``conductivity`` is a Dataset.
    volumetric_heat_capacity : DataArray, Quantity or str, optional
        Heat capacity of the sediment [MJ/(m^3 K)]; by mixing laws from the conductivity if not
        given.
    heat_capacity_uncertainty : Quantity or str, optional
        Relative uncertainty of the heat capacity of the sediment: effect ``heat_capacity``. NaN if
        not given.
    thermometer_uncertainty : Quantity or str, optional
        Uncertainty of the calibration of the probe [K]: effect ``thermometer``. NaN if not given.
    responses : mapping of str to table, optional
        Cooling of tools that are not cylinders, by the name of the table: see
        :func:`corephys.downhole.temperature.responses.response`.
    chosen_windows : mapping of str to str, optional
        Windows that the user chose, by station, such as ``"2 min to 12 min"`` since penetration.
        The other stations keep the window that the search found. Disturbances anywhere in the
        record are flagged in both cases.

    Returns
    -------
    Dataset, (reading)
        One reading for each station: ``equilibrium_temperature`` [degC] with uncertainty, effects
        and flags; ``grade``, in words, and ``grade_reason``; ``amplitude`` [K], ``time_shift`` [s],
        ``conductivity`` [W/(m K)], ``conductivity_sensitivity`` [K/(W/(m K))],
        ``extrapolated_fraction`` [1], the fraction of the first excess left at the end,
        ``residual_deviation`` [K], ``window_start`` and ``window_end`` [s] since penetration, and
        ``late_time_difference`` [K] and ``late_time_tau`` [1] of a line against 1 / t, which is a
        check only; ``samples_in_mean`` [1] where a record has more than 5,000 samples.

    Raises
    ------
    ValueError
        When a column is missing, the tool of a station is not in ``tools``, no conductivity is
        given, or a tool names a response table that is not in ``responses``.

    Notes
    -----
    T = Ta + A F(alpha, kappa (t - s) / a^2), alpha = 2 pi a^2 rho c / S: Bullard (1954),
    Proceedings of the Royal Society A 222, 408. Ta, A and s are free. The conductivity is fixed,
    since a fit can hardly separate it from Ta: ``conductivity_sensitivity`` is dTa/dk. Without
    ``volumetric_heat_capacity`` the porosity that gives the conductivity as the geometric mean of
    grains and water (Woodside and Messmer 1961) gives the heat capacity by volume. A missing
    penetration_time, and a missing end_time, are read from the record as in
    :func:`penetration_time`. The record ends at a second friction pulse or late motion, where one
    is recognised; the window is the longest part of it, from the earliest start, with white
    residuals. Errors of conductivity and heat capacities are propagated by fits one sigma either
    way.

    Of a record with more than 5,000 samples from the penetration on, means of neighbouring samples
    are fitted, at most 5,000; ``samples_in_mean`` holds how many are in each. Their scatter gives
    the random uncertainty: noise that neighbours share is not averaged away in it. The table keeps
    all rows, and penetration and pull-out are found in them.
    """
    # Records from the penetration on, with probe and sediment of each station.
    prepared = prepare(
        table,
        stations,
        tools,
        conductivity=conductivity,
        conductivity_uncertainty=conductivity_uncertainty,
        volumetric_heat_capacity=volumetric_heat_capacity,
        responses=responses,
    )
    relative = given_uncertainty(heat_capacity_uncertainty, "1", "heat_capacity_uncertainty")
    thermometer = given_uncertainty(thermometer_uncertainty, "K", "thermometer_uncertainty")
    names = stations["station"].values.astype(str)
    chosen = arguments.windows_by_name(chosen_windows, names, "station")
    # Fit each station; its disturbances set the end of the record and the reasons to doubt it.
    fits = [_fit(prepared, i, name, chosen.get(name)) for i, name in enumerate(names)]
    if "reason" in stations:
        for fit, given in zip(fits, stations["reason"].values.astype(np.int64), strict=True):
            fit.reason |= int(given)
    found = _along(_each(fits, "temperature"), stations)
    # Errors of the inputs by refitting; the calibration of the thermometer adds directly.
    random, effects = _uncertainty(prepared, fits, relative)
    effects["thermometer"] = np.where(np.isfinite(found.values), thermometer, np.nan)
    reason = np.array([fit.reason for fit in fits], np.int64)
    dataset = series.build(
        {"equilibrium_temperature": Measured(found, random, effects, reason)},
        steps=(*_STEPS, *(f"window of station {n} chosen: {chosen_windows[n]}" for n in chosen)),
        constants={
            **(
                {row: _C[row] for row in MIXED}
                if prepared.mixed
                else {"volumetric_heat_capacity": volumetric_heat_capacity}
            ),
            **{row: thresholds.get(row) for row in LIMITS},
        },
    )
    return _attach(dataset, fits)


_STEPS = (
    "time since penetration",
    "the record up to a second friction pulse or late motion",
    "T = Ta + A F(alpha, kappa (t - s) / a^2) over the longest window with white residuals "
    "(Bullard 1954)",
    "uncertainty from the residuals and the thermometer, and from conductivity and both heat "
    "capacities by fitting again one sigma either way",
)


# --------------------------------------------------------------------------------------------------
# 3. The fit of one station.


@dataclass
class _Fit:
    """Record of one station, the fitted decay, and reasons to doubt it."""

    record: Record
    probe: formation_decay.Probe
    decay: formation_decay.Decay | None
    reason: int

    @property
    def window(self) -> tuple[float, float]:
        """Start and end since penetration [s]."""
        if self.decay is None:
            return float("nan"), float("nan")
        return float(self.record.time[self.decay.first]), float(self.record.time[self.decay.last])


def _fit(prepared: Prepared, i: int, name: str, window: tuple[float, float] | None) -> _Fit:
    """Fit the decay of station ``i``, in the given window [s] or in the one that is found."""
    record, probe = prepared.records[i], prepared.probes[i]
    time, values = record.time, record.temperature
    if not prepared.usable[i] or record.doubled:
        return _Fit(record, probe, None, flags.bit("input_bad"))
    if time.size < formation_decay.FEWEST:
        return _Fit(record, probe, None, flags.bit("short_record"))
    size, second, late = usable_part(time, values, probe)
    if window is None:
        decay, complete = formation_decay.choose(time[:size], values[:size], probe)
    else:
        what = f"station {name}"
        first, last = arguments.samples(time, window, what, formation_decay.FEWEST)
        decay, complete = formation_decay.fit(time, values, probe, first, last), True
    reason = flags.bit("second_friction_pulse") if second else 0
    reason |= flags.bit("late_motion") if late else 0
    if decay is None:
        return _Fit(record, probe, None, reason | flags.bit("no_decay"))
    if second or late or not complete:
        reason |= flags.bit("disturbed_decay")
    return _Fit(record, probe, decay, reason | _fit_reasons(decay, time, probe))


def _fit_reasons(
    decay: formation_decay.Decay, time: np.ndarray, probe: formation_decay.Probe
) -> int:
    """Reasons to doubt a fit, from the fit itself."""
    reason = 0
    # A decay must fall by more than its scatter; a record of noise alone can be fitted as well.
    fall = decay.amplitude * (1.0 - decay.remaining)
    if not (decay.amplitude > 0 and fall > WEAKEST * decay.deviation):
        reason |= flags.bit("no_decay")
    if not decay.white:
        reason |= flags.bit("poor_fit")
    if decay.remaining > thresholds.value("formation_largest_rest"):
        reason |= flags.bit("short_record")
    if not probe.within(time[decay.first :] - decay.shift):
        reason |= flags.bit("beyond_method_range")
    return reason


# --------------------------------------------------------------------------------------------------
# 4. Uncertainties.


def _uncertainty(
    prepared: Prepared, fits: list[_Fit], relative: float | np.ndarray | xr.DataArray
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Random uncertainty [K] and all effects [K] except that of the thermometer."""
    number = len(fits)
    k = prepared.conductivity
    values_k, random_k, *shared = (
        np.broadcast_to(np.asarray(part, dtype=float), (number,))
        for part in (k.values, k.u_random, *k.effects.values())
    )
    total_k = np.sqrt(random_k**2 + sum((part**2 for part in shared), np.zeros(number)))
    relative = np.broadcast_to(np.asarray(relative, dtype=float), (number,))
    variance, by_k = np.full(number, np.nan), np.full(number, np.nan)
    effects = {name: np.full(number, np.nan) for name in ("heat_capacity", "tool_heat_capacity")}
    for i, fit in enumerate(fits):
        if fit.decay is None:
            continue
        time, values, decay, probe = fit.record.time, fit.record.temperature, fit.decay, fit.probe
        slope = decay.by_conductivity * probe.conductivity
        if prepared.mixed and probe.follows_heat:
            slope += decay.by_sediment * _mixing_slope(probe.conductivity)
        sigma = float(total_k[i] / values_k[i])
        mixed = prepared.mixed and probe.follows_heat
        change = _conductive(probe) if mixed else scaled(probe, "conductivity")
        one = moved(time, values, decay, change, sigma, slope)
        by_k[i] = one.effect / total_k[i] if total_k[i] > 0 else slope / probe.conductivity
        two = moved(
            time,
            values,
            decay,
            scaled(probe, "sediment_heat_capacity"),
            float(relative[i]),
            decay.by_sediment,
            follows=probe.follows_heat,
        )
        three = moved(
            time,
            values,
            decay,
            scaled(probe, "heat_capacity"),
            float(prepared.u_own[i] / prepared.own[i]),
            decay.by_probe,
            follows=probe.follows_heat,
        )
        effects["heat_capacity"][i], effects["tool_heat_capacity"][i] = two.effect, three.effect
        # The temperature bends with each parameter: T + bend z^2 / 2. For z of a standard normal
        # distribution that term has the variance bend^2 / 2, which no linear effect holds.
        bends = 0.5 * (one.bend**2 + two.bend**2 + three.bend**2)
        variance[i] = decay.variance + bends
    for (source, _), part in zip(k.effects.items(), shared, strict=True):
        effects[source] = effects.get(source, 0.0) + by_k * part
    return np.sqrt(variance + (by_k * random_k) ** 2), effects


def _conductive(
    probe: formation_decay.Probe,
) -> Callable[[float], formation_decay.Probe]:
    """Scale the conductivity of the sediment, and its heat capacity by the mixing laws."""
    base = float(sediment_heat_capacity(None, np.array([probe.conductivity]))[0])

    def change(factor: float) -> formation_decay.Probe:
        k = probe.conductivity * factor
        capacity = float(sediment_heat_capacity(None, np.array([k]))[0])
        return replace(
            probe,
            conductivity=k,
            sediment_heat_capacity=probe.sediment_heat_capacity * capacity / base,
        )

    return change


def _mixing_slope(k: float) -> float:
    """Derivative d ln c / d ln k of the mixing laws, for k in W/(m K)."""
    step = 1e-4
    ends = sediment_heat_capacity(None, k * np.array([1.0 - step, 1.0 + step]))
    return float(np.log(ends[1] / ends[0]) / (2.0 * step))


# --------------------------------------------------------------------------------------------------
# 5. The result.


def _each(fits: list[_Fit], name: str) -> np.ndarray:
    """One number of the decays, NaN for stations without a fit."""
    return np.array(
        [np.nan if f.decay is None else getattr(f.decay, name) for f in fits], dtype=float
    )


def _along(values: np.ndarray, stations: xr.Dataset) -> xr.DataArray:
    """Values along ``reading`` at the positions of the stations."""
    coords = {
        name: ("reading", stations[name].values, dict(stations[name].attrs))
        for name in ("station", "tool", "depth", "depth_fitted", "sample_id")
        if name in stations
    }
    return xr.DataArray(values, dims="reading", coords=coords)


def _attach(dataset: xr.Dataset, fits: list[_Fit]) -> xr.Dataset:
    """Add what was fitted beside the temperature, the check at late times and the grades."""
    starts, ends = np.array([fit.window for fit in fits], dtype=float).reshape(-1, 2).T
    late = np.array([_late(fit) for fit in fits], dtype=float).reshape(-1, 2).T
    conductivity = np.array([fit.probe.conductivity for fit in fits], dtype=float)
    extra = {
        "amplitude": (_each(fits, "amplitude"), "K", "first excess temperature"),
        "time_shift": (_each(fits, "shift"), "s", "start of the decay after penetration_time"),
        "conductivity": (conductivity, "W/(m K)", "thermal conductivity used for the fit"),
        "conductivity_sensitivity": (
            _each(fits, "by_conductivity"),
            "K/(W/(m K))",
            "change of temperature with conductivity",
        ),
        "extrapolated_fraction": (
            _each(fits, "remaining"),
            "1",
            "fraction of the first excess left at the end of the window",
        ),
        "residual_deviation": (
            _each(fits, "deviation"),
            "K",
            "standard deviation of the residuals",
        ),
        "window_start": (starts, "s", "start of the window since penetration"),
        "window_end": (ends, "s", "end of the window since penetration"),
        "late_time_difference": (
            late[0],
            "K",
            "temperature of a line against 1 / t less that of the fit, a check only",
        ),
        "late_time_tau": (late[1], "1", "dimensionless time at the start of that line"),
    }
    taken = np.array([fit.record.taken for fit in fits], dtype=float)
    if (taken > 1.0).any():
        words = "samples in each mean that the fit uses in place of samples"
        extra["samples_in_mean"] = (taken, "1", words)
    parts: dict[str, Any] = {
        name: ("reading", values, {"units": unit, "long_name": words})
        for name, (values, unit, words) in extra.items()
    }
    grades = [grade(f.decay, e, f.reason) for f, e in zip(fits, ends, strict=True)]
    for name, i, words in (
        ("grade", 0, "grade of the formation temperature"),
        ("grade_reason", 1, "reason of the grade"),
    ):
        column = np.array([pair[i] for pair in grades], dtype=object)
        parts[name] = ("reading", column, {"long_name": words})
    return dataset.assign(parts)


def _late(fit: _Fit) -> tuple[float, float]:
    """Temperature of the line at late times less that of the fit [K], and its first tau [1]."""
    if fit.decay is None:
        return float("nan"), float("nan")
    use = slice(fit.decay.first, fit.decay.last + 1)
    value, tau = formation_decay.check(
        fit.record.time[use], fit.record.temperature[use], fit.decay.shift, fit.probe.rate
    )
    return value - fit.decay.temperature, tau
