"""What a record of waveforms is: its sampling, its gates and the trace through water."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import units

__all__: list[str] = []  # the inside of picking


@dataclass(frozen=True)
class Plan:
    """What all waveforms share: sampling [us], gates [samples], levels, water trace."""

    start: float
    interval: float
    first: int
    last: int
    quiet: slice
    levels: tuple[float, ...]
    water: Any
    water_time: float


def plan_of(
    waveforms: Any, gate: Any, noise_gate: Any, levels: Any, water: Any, water_time: Any
) -> Plan:
    """Check the record and the gates of :func:`corephys.sensors.pwave_picking.pick`."""
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
        raise ValueError("give water_trace and water_travel_time together, or neither")
    trace = None if water is None else np.asarray(getattr(water, "values", water), dtype=float)
    if trace is not None and trace.shape != (count,):
        raise ValueError(
            f"water_trace: expected {count} samples along time like the waveforms, got "
            f"{trace.shape}; record it with the same sampling"
        )
    _same_record(water, dims[1], start, interval)
    known = units.as_floats(water_time, "us", "water_travel_time", optional=True)
    return Plan(
        start, interval, first, last, slice(quiet[0], quiet[1] + 1), tuple(levels), trace,
        float("nan") if known is None else float(known),
    )  # fmt: skip


def _same_record(water: Any, axis: str, start: float, interval: float) -> None:
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


def _sampling(waveforms: Any) -> tuple[float, float]:
    """Start and interval of an even time axis [us]."""
    axis = waveforms[waveforms.dims[1]]
    given = xr.DataArray(axis.values, dims="sample", attrs=axis.attrs)
    time = np.asarray(units.as_floats(given, "us", "time").values, dtype=float)
    if time.size < 2:
        raise ValueError(f"time: expected many samples, got {time.size}")
    interval = float((time[-1] - time[0]) / (time.size - 1))
    even = time[0] + interval * np.arange(time.size)
    if not interval > 0.0 or not np.abs(time - even).max() < 0.02 * interval:
        raise ValueError(
            "time: expected evenly spaced, rising times; interpolate the waveforms onto such first"
        )
    return float(time[0]), interval


def _samples(gate: Any, name: str, start: float, interval: float, count: int) -> tuple[int, int]:
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
            f"{name}: {early:g} to {late:g} us holds fewer than eight samples of {interval:g} us; "
            "widen it"
        )
    return first, int(np.floor((late - start) / interval + 1e-6))
