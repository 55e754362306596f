"""Travel times picked from recorded P-wave waveforms by several methods, side by side."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds, units
from corephys.ground.choices import choice
from corephys.numerics import arrival
from corephys.uncertainty import Measured, given_uncertainty

if TYPE_CHECKING:
    from corephys.ground.types import Scalar

__all__ = ["pick"]

# --------------------------------------------------------------------------------------------------
# A record of waveforms: its sampling, its gates and the trace through water.


@dataclass(frozen=True)
class _Plan:
    """Properties that all waveforms share: sampling [us], gates [samples], levels, water trace."""

    start: float
    interval: float
    first: int
    last: int
    quiet: slice
    levels: tuple[float, ...]
    water: np.ndarray | None
    water_time: float


def _plan_of(
    waveforms: xr.DataArray,
    gate: tuple[Scalar, Scalar],
    noise_gate: tuple[Scalar, Scalar] | None,
    levels: tuple[float, ...],
    water: xr.DataArray | np.ndarray | None,
    water_time: Scalar | None,
) -> _Plan:
    """Check the record and the gates of :func:`corephys.sensors.pwave.picking.pick`."""
    dims = tuple(getattr(waveforms, "dims", ()))
    if len(dims) != 2 or dims[0] != "reading":
        raise ValueError(
            "waveforms: expected a DataArray with the dimensions (reading, time), got "
            f"{tuple(getattr(waveforms, 'dims', np.shape(waveforms)))}; "
            "use waveforms.transpose('reading', 'time')"
        )
    if dims[1] not in waveforms.coords:
        raise ValueError(
            f"waveforms: expected the coordinate {dims[1]!r} [us]; assign it with its units"
        )
    start, interval = _sampling(waveforms)
    count = waveforms.sizes[dims[1]]
    first, last = _samples(gate, "gate", start, interval, count)
    quiet = (0, first - 1)
    if noise_gate is not None:
        quiet = _samples(noise_gate, "noise_gate", start, interval, count)
    rising = all(a < b for a, b in itertools.pairwise(levels))
    if not levels or not rising or not (levels[0] > 0.0 and levels[-1] < 1.0):
        raise ValueError(f"levels: expected rising shares between 0 and 1, got {levels}")
    if (water is None) != (water_time is None):
        lacking = "water_trace" if water is None else "water_travel_time"
        raise ValueError(
            f"{lacking} is missing; give water_trace and water_travel_time together, or neither"
        )
    trace = None if water is None else np.asarray(getattr(water, "values", water), dtype=float)
    if trace is not None and trace.shape != (count,):
        raise ValueError(
            f"water_trace: expected {count} samples along time like the waveforms, got "
            f"{trace.shape}; record it with the same sampling"
        )
    _same_record(water, dims[1], start, interval)
    known = units.as_floats(water_time, "us", "water_travel_time", optional=True)
    return _Plan(
        start,
        interval,
        first,
        last,
        slice(quiet[0], quiet[1] + 1),
        tuple(levels),
        trace,
        float("nan") if known is None else float(known),
    )


def _same_record(
    water: xr.DataArray | np.ndarray | None, axis: str, start: float, interval: float
) -> None:
    """Refuse a water trace that was sampled otherwise, or holds no pulse."""
    if water is None:
        return
    values = np.asarray(getattr(water, "values", water), dtype=float)
    if not np.isfinite(values).all() or not values.std() > 0.0:
        raise ValueError("water_trace: it is constant or has gaps; give a recorded pulse")
    if isinstance(water, xr.DataArray) and axis in water.coords:
        theirs = _sampling(water.expand_dims("reading").rename({axis: "time"}))
        if not np.allclose(theirs, (start, interval), rtol=1e-6, atol=1e-6 * interval):
            raise ValueError(
                f"water_trace: it begins at {theirs[0]:g} us in steps of {theirs[1]:g} us, the "
                f"waveforms at {start:g} us in steps of {interval:g} us; record both alike"
            )


def _sampling(waveforms: xr.DataArray) -> tuple[float, float]:
    """Start and interval of an evenly spaced time axis [us]."""
    axis = waveforms[waveforms.dims[1]]
    given = xr.DataArray(axis.values, dims="sample", attrs=axis.attrs)
    time = np.asarray(units.as_floats(given, "us", "time").values, dtype=float)
    if time.size < 2:
        raise ValueError(f"time: expected many samples in a waveform, got {time.size}")
    interval = float((time[-1] - time[0]) / (time.size - 1))
    even = time[0] + interval * np.arange(time.size)
    # Times that were written with few digits may be off by a small part of the interval.
    if not interval > 0.0 or not np.abs(time - even).max() < 0.02 * interval:
        raise ValueError(
            f"time: expected evenly spaced, rising times, got steps of {np.diff(time).min():g} to "
            f"{np.diff(time).max():g} us; interpolate the waveforms onto even times first"
        )
    return float(time[0]), interval


def _samples(
    gate: tuple[Scalar, Scalar], name: str, start: float, interval: float, count: int
) -> tuple[int, int]:
    """First and last sample inside two times."""
    early, late = (float(units.as_floats(end, "us", name)) for end in gate)
    end = start + interval * (count - 1)
    if not start - 1e-9 <= early < late <= end + 1e-9:
        raise ValueError(
            f"{name}: expected two rising times inside the record, {start:g} to {end:g} us, got "
            f"{early:g} and {late:g} us"
        )
    first = int(np.ceil((early - start) / interval - 1e-6))
    if late - early < 7.0 * interval:
        raise ValueError(
            f"{name}: {early:g} to {late:g} us holds fewer than eight samples at an interval of "
            f"{interval:g} us; widen it"
        )
    return first, int(np.floor((late - start) / interval + 1e-6))


# --------------------------------------------------------------------------------------------------
# The picks: onset, crossing of a level, and correlation with a trace through water.


_T = thresholds.DEFAULTS
_GATE = (_T["pick_gate_start"], _T["pick_gate_end"])
_METHODS = ("onset", "threshold", "correlation")
_READINGS = 8192  # waveforms in memory at a time; a record may be larger than the memory
_QUIET = thresholds.count("pick_noise_samples")
_CLEAR = thresholds.value("pick_clear_level")
_LIKE = thresholds.value("pick_least_likeness")
_LOUD = thresholds.value("pick_early_share")
_CONTRAST = thresholds.value("pick_contrast")


def pick(
    waveforms: xr.DataArray,
    *,
    method: str = "onset",
    gate: tuple[Scalar, Scalar] = _GATE,
    noise_gate: tuple[Scalar, Scalar] | None = None,
    levels: tuple[float, ...] = (0.1, 0.3, 0.5),
    level: float | None = None,
    water_trace: xr.DataArray | np.ndarray | None = None,
    water_travel_time: Scalar | None = None,
    water_travel_time_uncertainty: Scalar | None = None,
    manual: xr.DataArray | None = None,
    signal_to_noise_gate: float = _T["signal_to_noise_gate"],
    level_spread_gate: Scalar = _T["level_spread_gate"],
    clipped_samples: int = _T["clipped_samples"],
    reason: int | np.ndarray | xr.DataArray = 0,
) -> xr.Dataset:
    """Pick the arrival in every waveform.

    Parameters
    ----------
    waveforms : DataArray, (reading, time)
        Floats or whole numbers in the instrument's unit; the second dimension has a coordinate of
        its name, ``time`` or ``record_time`` [us], evenly spaced.
    method : {"onset", "threshold", "correlation"}
        Pick that becomes ``travel_time``.
    gate : tuple of two Quantities or str
        First and last time at which an arrival is searched [us].
    noise_gate : tuple of two Quantities or str, optional
        Quiet time from which the noise is computed [us]; if not given, all time before the gate.
    levels : tuple of float
        Shares of the largest deflection in the gate, in rising order.
    level : float, optional
        Member of ``levels`` for ``travel_time``; if not given, the middle one.
    water_trace : DataArray, (time), optional
        Waveform through a liner of water, of the same sampling.
    water_travel_time, water_travel_time_uncertainty : Quantity or str, optional
        Travel time in the water trace and its systematic uncertainty [us].
    manual : DataArray, (reading), optional
        Times picked by hand [us]; NaN where there is none. They are kept in their own variable and
        do not change the automatic picks.
    signal_to_noise_gate : float
        Smallest ratio of a usable arrival: 20 log10 of the largest deflection over the root mean
        square of the noise, in decibels (a pure number).
    level_spread_gate : Quantity or str
        Longest time between the crossings of the lowest and highest clear level [us].
    clipped_samples : int
        Number of consecutive samples at the same extreme from which a waveform counts as clipped.
    reason : int or DataArray of int
        Reasons already found for these readings.

    Returns
    -------
    Dataset
        ``travel_time`` [us] with uncertainty and flags; ``travel_time_onset``,
        ``travel_time_threshold`` (level, reading), ``travel_time_correlation`` and
        ``travel_time_manual`` [us], ``automatic_less_manual`` [us], ``signal_to_noise`` in
        decibels and ``amplitude`` in the waveforms' unit. Flags: ``no_arrival``,
        ``weak_arrival``, ``clipped_waveform``.

    Raises
    ------
    PositionError
        When the manual picks lie at other positions.
    ValueError
        For an unknown method or level, times that are not evenly spaced, a gate outside the
        record, or a correlation without a water trace and its travel time.

    Notes
    -----
    Onset: criterion of Maeda (1985; from memory), :func:`corephys.numerics.arrival.onset`;
    random uncertainty: noise over the slope of the seven samples at the pick, and one twelfth
    of a sample squared. Level: noise over that slope, with the noise of the peak; NaN for a
    level below four times the noise. Correlation: noise over the root of the summed squared
    slopes of the water trace, and the colour of the noise in the quiet time of all readings.
    Below 20 dB, band-limited noise scatters onsets more than their uncertainty states.

    The delay of the pick itself is systematic and not part of these uncertainties: a level is
    crossed late, and the first part of an onset is hidden by noise. Standards picked with the same
    method in the same gate have the same delay, so that the calibration includes it in the delay
    of the electronics. Its change with the signal-to-noise ratio remains.
    """
    plan = _plan_of(waveforms, gate, noise_gate, levels, water_trace, water_travel_time)
    chosen = _choice(method, levels, level, plan)
    series.require_same_positions(waveforms=waveforms, manual=manual)
    found = _picks(waveforms, plan, clipped_samples)
    by_hand = units.as_floats(manual, "us", "manual", optional=True)
    spread_gate = float(units.as_floats(level_spread_gate, "us", "level_spread_gate"))
    doubt = _reasons(found, plan, chosen, float(signal_to_noise_gate), spread_gate)
    doubt |= np.asarray(getattr(reason, "values", reason), dtype=np.int64)
    effects = {}
    if method == "correlation":
        effects["water_travel_time"] = float(
            given_uncertainty(water_travel_time_uncertainty, "us", "water_travel_time_uncertainty")
        )
    place = units.position_in_library_units(waveforms.isel({waveforms.dims[1]: 0}, drop=True))
    time = xr.DataArray(found[chosen], dims=place.dims, coords=place.coords)
    dataset = series.build(
        {"travel_time": Measured(time, found[f"u_{chosen}"], effects, doubt)},
        steps=_STEPS,
        constants={
            "method": chosen.replace("_", " "),
            "gate_start": gate[0],
            "gate_end": gate[1],
            "signal_to_noise_gate": signal_to_noise_gate,
            "level_spread_gate": level_spread_gate,
            "clipped_samples": clipped_samples,
        },
    )
    return dataset.assign(_beside(found, plan, chosen, by_hand, waveforms.attrs.get("units", "1")))


_STEPS = (
    "noise from the quiet time, greatest deflection in the gate",
    "onset by the information criterion, crossings of levels, lag against the water trace",
    "travel time = start of the record + sample number x sampling interval",
)


def _choice(method: str, levels: tuple[float, ...], level: float | None, plan: _Plan) -> str:
    """Key of the pick that becomes the travel time."""
    method = choice(method, _METHODS, "method")
    if method == "correlation" and plan.water is None:
        raise ValueError(
            "method 'correlation' needs water_trace and water_travel_time; give both, or choose "
            "method 'onset'"
        )
    if level is not None and level not in levels:
        raise ValueError(f"level: expected one of levels {levels}, got {level:g}")
    if method != "threshold":
        return method
    return f"threshold_{levels[len(levels) // 2] if level is None else level:g}"


def _picks(waveforms: xr.DataArray, plan: _Plan, clipped: int) -> dict[str, Any]:
    """All picks with their noise and amplitudes, a block of waveforms at a time."""
    parts = []
    for begin in range(0, max(waveforms.sizes["reading"], 1), _READINGS):
        block = np.asarray(waveforms.variable[begin : begin + _READINGS].values)
        if block.dtype.kind not in "fiu":
            raise ValueError(f"waveforms: expected numbers, got values of type {block.dtype}")
        parts.append(_block(block, plan, clipped))
    return {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}


def _block(x: np.ndarray, plan: _Plan, clipped: int) -> dict[str, Any]:
    """Picks, noise and amplitudes of a block of waveforms (reading, sample)."""
    quiet = x[:, plan.quiet]
    noise = np.full(len(x), np.nan)
    if quiet.shape[1] >= _QUIET:
        noise = quiet.std(axis=1, dtype=float, ddof=1)
    onset = arrival.onset(x, first=plan.first, last=plan.last)
    crossings, peak = arrival.threshold(x, plan.levels, first=plan.first, last=plan.last)
    # An onset falls on a sample: its rounding error is uniform over one interval.
    sampling = plan.interval / np.sqrt(12.0)
    found = {
        "onset": plan.start + plan.interval * onset.index,
        "u_onset": np.hypot(_over_slope(noise, x, onset.index, plan), sampling),
        "arrived": (onset.outcome == arrival.FOUND) & (onset.contrast >= _CONTRAST),
        "noise": noise,
        "amplitude": peak,
        "loud": _before(quiet) > _LOUD * peak,
        "clipped": _clipped(x[:, plan.first : plan.last + 1], clipped),
    }
    for level, crossing in zip(plan.levels, crossings, strict=True):
        # The level is a share of a peak that has noise as well.
        u = np.sqrt(1.0 + level**2) * _over_slope(noise, x, crossing, plan)
        clear = level * peak > _CLEAR * noise
        found[f"threshold_{level:g}"] = plan.start + plan.interval * crossing
        found[f"u_threshold_{level:g}"] = np.where(clear, u, np.nan)
    if plan.water is not None:
        like = arrival.correlation(x, plan.water)
        slope = np.gradient(plan.water, plan.interval)
        size = like.coefficient * x.std(axis=1, dtype=float) / plan.water.std()
        found["correlation"] = plan.water_time + plan.interval * like.lag
        found["likeness"] = like.coefficient
        # A lag that leads out of the gate matched another part of the record.
        at = (found["correlation"] - plan.start) / plan.interval
        outside = (at < plan.first) | (at > plan.last)
        found["correlation"] = np.where(outside, np.nan, found["correlation"])
        with np.errstate(divide="ignore", invalid="ignore"):
            u = noise * _colour(quiet, slope) / (size * np.sqrt(np.sum(slope**2)))
        found["u_correlation"] = np.where(size > 0.0, u, np.nan)
    return found


def _before(quiet: np.ndarray) -> np.ndarray:
    """Largest deflection in the quiet time."""
    if quiet.shape[1] < _QUIET:
        return np.zeros(len(quiet))
    mean = quiet.mean(axis=1, dtype=float)
    return np.maximum(quiet.max(axis=1) - mean, mean - quiet.min(axis=1))


def _colour(quiet: np.ndarray, slope: np.ndarray) -> float:
    """Factor on the uncertainty of a correlation, because the noise is not white.

    Root of the variance of a sum of noise weighted with the slopes, over that of white noise.
    """
    count = quiet.shape[1]
    if count < _QUIET:
        return 1.0
    noise = quiet - quiet.mean(axis=1, dtype=float, keepdims=True)
    noise = noise[np.isfinite(noise).all(axis=1)]
    power = (np.abs(np.fft.rfft(noise, 2 * count, axis=1)) ** 2).sum(axis=0)
    lags = np.arange(count // 2)  # longer lags have few pairs of samples
    like = np.fft.irfft(power, 2 * count)[lags] / (count - lags)
    size = 2 * slope.size
    of_slope = np.fft.irfft(np.abs(np.fft.rfft(slope, size)) ** 2, size)[lags]
    if not like[0] > 0.0:
        return 1.0
    return float(np.sqrt(max(1.0, 2.0 * (like @ of_slope) / (like[0] * of_slope[0]) - 1.0)))


def _over_slope(noise: np.ndarray, x: np.ndarray, index: np.ndarray, plan: _Plan) -> np.ndarray:
    """Noise over the slope of the straight line through seven samples about the picks [us]."""
    known = np.isfinite(index)
    steps = np.arange(-3, 4)
    middle = np.clip(np.rint(np.where(known, index, 0.0)).astype(int), 3, x.shape[1] - 4)
    values = x[np.arange(len(x))[:, None], middle[:, None] + steps].astype(float)
    slope = np.abs(values @ steps) / (np.sum(steps**2) * plan.interval)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(known, noise / slope, np.nan)


def _clipped(gate: np.ndarray, samples: int) -> np.ndarray:
    """Waveforms with several consecutive samples at their largest or smallest value."""
    found = np.zeros(len(gate), dtype=bool)
    for extreme in (gate.max(axis=1, keepdims=True), gate.min(axis=1, keepdims=True)):
        at = gate == extreme
        run = at[:, : gate.shape[1] - samples + 1].copy()
        for step in range(1, samples):
            run &= at[:, step : gate.shape[1] - samples + 1 + step]
        found |= run.any(axis=1)
    return found & (gate.max(axis=1) > gate.min(axis=1))


def _decibels(found: dict[str, Any]) -> np.ndarray:
    """Signal-to-noise ratio in decibels."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return 20.0 * np.log10(found["amplitude"] / found["noise"])


def _reasons(
    found: dict[str, Any], plan: _Plan, chosen: str, least: float, spread_gate: float
) -> np.ndarray:
    """Reasons of each waveform: no arrival, a weak one, or clipping."""
    ratio = _decibels(found)
    unknown = ~np.isfinite(ratio)  # without a quiet time, or with a gap in it
    crossings = np.stack([found[f"threshold_{level:g}"] for level in plan.levels])
    clear = np.outer(plan.levels, found["amplitude"]) > _CLEAR * found["noise"]
    # The infinities give a negative spread where no level is clear: that is not a reason.
    early = np.where(clear & np.isfinite(crossings), crossings, np.inf).min(axis=0)
    late = np.where(clear & np.isfinite(crossings), crossings, -np.inf).max(axis=0)
    weak = (ratio < least) | (late - early > spread_gate) | unknown
    weak |= found["loud"]
    if chosen == "correlation":
        weak |= found["likeness"] < _LIKE
    if chosen.startswith("threshold"):
        weak |= np.isnan(found[f"u_{chosen}"])
    # Without an arrival there is nothing to call weak: one reason, not two.
    none = ~found["arrived"] | np.isnan(found[chosen])
    return (
        np.where(none, flags.bit("no_arrival"), 0)
        | np.where(weak & ~none, flags.bit("weak_arrival"), 0)
        | np.where(found["clipped"], flags.bit("clipped_waveform"), 0)
    ).astype(np.int64)


def _beside(
    found: dict[str, Any], plan: _Plan, chosen: str, by_hand: Any, unit: str
) -> dict[str, Any]:
    """Variables of all picks and of the measures that decided their flags."""

    def variable(
        values: np.ndarray, words: str, of: str = "us", dims: tuple[str, ...] = ("reading",)
    ) -> xr.Variable:
        return xr.Variable(dims, values, {"units": of, "long_name": words})

    levels = [f"threshold_{level:g}" for level in plan.levels]
    beside = {
        "travel_time_onset": variable(found["onset"], "P-wave travel time, onset"),
        "travel_time_threshold": variable(
            np.stack([found[key] for key in levels]),
            "P-wave travel time, crossing of a level",
            dims=("level", "reading"),
        ),
        "level": variable(
            np.array(plan.levels), "share of the greatest deflection", "1", ("level",)
        ),
    }
    if plan.water is not None:
        words = "P-wave travel time, correlation with a water trace"
        beside["travel_time_correlation"] = variable(found["correlation"], words)
    if by_hand is not None:
        values = np.asarray(by_hand, dtype=float)
        words = "P-wave travel time, picked by hand"
        beside["travel_time_manual"] = variable(values, words)
        beside["automatic_less_manual"] = variable(
            found[chosen] - values, "P-wave travel time, automatic less manual pick"
        )
    words = "signal-to-noise ratio in decibels, greatest deflection to root mean square of noise"
    beside["signal_to_noise"] = variable(_decibels(found), words, "1")
    beside["amplitude"] = variable(found["amplitude"], "greatest deflection in the gate", unit)
    return beside
