"""Wavelets: of a formula, of a table, and out of the seafloor reflection of several traces."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import arguments, thresholds, units
from corephys.ground.provenance import constants_attribute
from corephys.uncertainty import bare

__all__ = ["average_wavelet", "ricker", "rotate_phase", "wavelet"]

_T = thresholds.DEFAULTS
_HIGHEST = 2.5  # times its peak frequency a Ricker wavelet has 3 % of its greatest amplitude left


def ricker(
    frequency: Any, time_step: Any, *, length: Any = None, phase: Any = "0 degree"
) -> xr.DataArray:
    """Ricker wavelet about time zero.

    Parameters
    ----------
    frequency : Quantity or str
        Of the greatest amplitude [Hz].
    time_step : Quantity or str
        [s].
    length : Quantity or str, optional
        Whole length [s]; three periods without it, where a thousandth of a millionth is left.
    phase : Quantity or str
        Constant rotation [degree]; 90 degrees make the peak of a hard seafloor a falling zero.

    Returns
    -------
    DataArray, (time)
        Pure numbers, one at time zero before rotation; coordinate ``time`` [s].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For impossible values, a step that is too coarse for the frequency, or a length that is
        shorter than two periods.

    Notes
    -----
    (1 - 2 pi^2 f^2 t^2) exp(-pi^2 f^2 t^2): Ricker (1953), Geophysics 18, 10. Its spectrum goes as
    f^2 exp(-f^2/fp^2) and has 3 % left at 2.5 times the peak; the step has to hold that.

    Examples
    --------
    >>> round(float(ricker("25 Hz", "5 ms").sel(time=0.005, method="nearest")), 6)
    0.592742
    """
    f = float(arguments.positive(frequency, "Hz", "frequency"))
    step = float(arguments.positive(time_step, "s", "time_step"))
    if _HIGHEST * f > 0.5 / step:
        raise ValueError(
            f"a Ricker wavelet of {f:g} Hz reaches {_HIGHEST * f:g} Hz, above the "
            f"{0.5 / step:g} Hz that a time step of {1e3 * step:g} ms can hold; take "
            f"{1e3 / (5.0 * f):.3g} ms or less"
        )
    whole = 3.0 / f if length is None else float(arguments.positive(length, "s", "length"))
    if whole < 2.0 / f:
        raise ValueError(
            f"a wavelet of {f:g} Hz is cut by a length of {1e3 * whole:g} ms; give "
            f"{2e3 / f:.3g} ms or more"
        )
    half = int(np.ceil(0.5 * whole / step - 1e-9))
    time = step * np.arange(-half, half + 1)
    square = (np.pi * f * time) ** 2
    values = (1.0 - 2.0 * square) * np.exp(-square)
    made = _series(values, time, f"Ricker wavelet of {f:g} Hz")
    made.attrs["peak_frequency"] = f
    return rotate_phase(made, phase)


def wavelet(values: Any, *, time_step: Any = None, phase: Any = "0 degree") -> xr.DataArray:
    """Take a wavelet of one's own.

    Parameters
    ----------
    values : DataArray, (time), or ndarray
        Pure numbers; a DataArray brings its coordinate ``time`` with a unit.
    time_step : Quantity or str, optional
        [s], for a plain array, whose middle is then time zero.
    phase : Quantity or str
        Constant rotation [degree].

    Returns
    -------
    DataArray, (time)
        Pure numbers; coordinate ``time`` [s].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For fewer than three values, missing ones, times that are not evenly spaced, or a wavelet
        coarser than its time step.

    Notes
    -----
    Definition. A tenth of the energy above three quarters of the Nyquist frequency says that the
    wavelet was sampled too coarsely.
    """
    numbers = pure_numbers(values).ravel()
    if numbers.size < 3 or not np.isfinite(numbers).all() or not np.any(numbers):
        raise ValueError(
            f"a wavelet needs three numbers or more, none of them missing and not all zero; "
            f"{int(np.isfinite(numbers).sum())} of {numbers.size} are numbers"
        )
    if time_step is None:
        if not isinstance(values, xr.DataArray) or "time" not in values.coords:
            raise ValueError("give time_step=, or a DataArray with the coordinate time in s or ms")
        time = np.asarray(units.as_floats(values["time"], "s", "time"), dtype=float)
    else:
        step = float(arguments.positive(time_step, "s", "time_step"))
        time = step * (np.arange(numbers.size) - (numbers.size - 1) // 2)
    even_step(time, "the times of the wavelet")
    power = np.abs(np.fft.rfft(numbers, 4 * numbers.size)) ** 2
    share = power[int(0.75 * power.size) :].sum() / power.sum()
    if share > thresholds.value("wavelet_high_share"):
        raise ValueError(
            f"{100 * share:.0f} % of the energy of the wavelet lies above three quarters of its "
            "Nyquist frequency: it is coarser than its time step; sample it more finely"
        )
    return rotate_phase(_series(numbers, time, "wavelet as given"), phase)


def rotate_phase(series: xr.DataArray, phase: Any) -> xr.DataArray:
    """Rotate every frequency of a wavelet or trace by one phase.

    Parameters
    ----------
    series : DataArray, (any one dimension)
        Evenly sampled.
    phase : Quantity or str
        [degree].

    Returns
    -------
    DataArray
        As given, rotated; attribute ``phase`` is the sum of rotations [degree].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.

    Notes
    -----
    w cos(phi) - H(w) sin(phi) with the Hilbert transform H by Fourier transform, zeros added on
    both sides: definition. A rotation by 180 degrees turns the sign.
    """
    angle = float(units.as_floats(phase, "degree", "phase"))
    rotated = series.copy()
    if angle % 360.0:
        turned = analytic(np.asarray(series, dtype=float)) * np.exp(1j * np.radians(angle))
        rotated = series.copy(data=turned.real)
    rotated.attrs = {**series.attrs, "phase": float(series.attrs.get("phase", 0.0)) + angle}
    return rotated


def pure_numbers(values: Any) -> np.ndarray:
    """Amplitudes of a wavelet; one that bears a unit, such as per cent, is converted."""
    if hasattr(type(values), "magnitude") or "units" in getattr(values, "attrs", {}):
        return np.asarray(bare(units.as_floats(values, "1", "wavelet")), dtype=float)
    return np.asarray(values, dtype=float)


def analytic(values: np.ndarray) -> np.ndarray:
    """Analytic signal: the values and their Hilbert transform as real and imaginary part."""
    n = values.shape[-1]
    padded = 4 * n  # the transform of a pulse fades as one over time
    spectrum = np.fft.fft(values, padded)
    gain = np.zeros(padded)
    gain[0], gain[1 : padded // 2], gain[padded // 2] = 1.0, 2.0, 1.0
    return np.asarray(np.fft.ifft(spectrum * gain)[..., :n])


def even_step(time: np.ndarray, what: str) -> float:
    """Step of evenly spaced times [s], or an error in words."""
    steps = np.diff(time)
    if steps.size < 1 or not np.all(steps > 0.0) or np.ptp(steps) > 1e-4 * steps.mean():
        raise ValueError(
            f"{what} have to increase in even steps"
            + (f"; they run from {steps.min():g} to {steps.max():g} s" if steps.size else "")
        )
    return float((time[-1] - time[0]) / steps.size)


def _series(values: np.ndarray, time: np.ndarray, words: str) -> xr.DataArray:
    return xr.DataArray(
        values,
        dims="time",
        coords={"time": ("time", time, {"units": "s", "long_name": "time"})},
        attrs={"units": "1", "long_name": words},
        name="wavelet",
    )


def average_wavelet(
    traces: xr.DataArray,
    *,
    before: Any = _T["wavelet_before"],
    after: Any = _T["wavelet_after"],
    taper: float = _T["wavelet_taper"],
) -> xr.DataArray:
    """Wavelet out of the seafloor reflection of several traces.

    Parameters
    ----------
    traces : DataArray, (trace, time)
        Amplitudes with the coordinate ``time`` with its unit; the seafloor is the strongest event.
    before, after : Quantity or str
        Part of a trace about the seafloor [s].
    taper : float
        Share of that part over which the ends are brought to zero.

    Returns
    -------
    DataArray, (time)
        Pure numbers, greatest amplitude one; time zero [s] at the peak of the envelope. Attributes:
        ``traces``, ``seafloor_times`` [s], and ``random_uncertainty`` of the mean.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For fewer than two traces, or a seafloor too near the end of a trace.

    Notes
    -----
    Common practice: each trace is cut about the peak of its envelope, shifted by a part of a sample
    to the greatest correlation with the mean, twice over, and scaled to equal energy. What lies
    close below the seafloor and is the same in all traces stays in the wavelet.
    """
    if not isinstance(traces, xr.DataArray) or traces.ndim != 2 or "time" not in traces.coords:
        raise ValueError("traces is a DataArray of two dimensions with the coordinate time")
    time = np.asarray(units.as_floats(traces["time"], "s", "time"), dtype=float)
    step = even_step(time, "the times of the traces")
    other = next(dim for dim in traces.dims if dim not in traces["time"].dims)
    data = np.asarray(traces.transpose(other, ...), dtype=float)
    if data.shape[0] < 2:
        raise ValueError("one trace has no average; give two or more, away from shallow beds")
    cuts = [
        round(float(arguments.positive(part, "s", name)) / step)
        for part, name in ((before, "before"), (after, "after"))
    ]
    peaks = np.argmax(np.abs(analytic(data)), axis=1)
    if np.any(peaks < cuts[0]) or np.any(peaks + cuts[1] >= time.size):
        raise ValueError("the seafloor lies too near the end of a trace for before= and after=")
    pieces = np.array(
        [row[p - cuts[0] : p + cuts[1] + 1] for row, p in zip(data, peaks, strict=True)]
    )
    moved = np.zeros(peaks.size)
    pieces = pieces / np.sqrt(np.sum(pieces**2, axis=1, keepdims=True))
    aligned = pieces
    for _ in range(2):
        mean = aligned.mean(axis=0)
        moved = np.array([_lag(piece, mean) for piece in pieces])
        aligned = np.array([_shifted(p, -m) for p, m in zip(pieces, moved, strict=True)])
    stacked = aligned.mean(axis=0) * tapered(aligned.shape[1], taper)
    envelope = np.abs(analytic(stacked))
    centre = int(np.argmax(envelope))
    scale = np.abs(stacked).max()
    made = _series(stacked / scale, step * (np.arange(stacked.size) - centre), "average wavelet")
    spread = aligned.std(axis=0, ddof=1) / np.sqrt(peaks.size)
    made.attrs |= {
        "traces": int(peaks.size), "phase": 0.0,
        "seafloor_times": [float(t) for t in time[peaks] + (moved + centre - cuts[0]) * step],
        "random_uncertainty": float(np.sqrt(np.mean(spread**2)) / scale),
        "constants": constants_attribute({"before": before, "after": after, "taper": taper}),
    }  # fmt: skip
    return made


def _lag(one: np.ndarray, other: np.ndarray) -> float:
    """Samples by which one lies after the other, by the peak of their correlation."""
    product = np.correlate(one, other, mode="full")
    k = int(np.argmax(product))
    return k - (other.size - 1) + peak_offset(product, k)


def peak_offset(values: np.ndarray, k: int) -> float:
    """Where between samples a parabola through a peak and its neighbours has its top."""
    if k <= 0 or k >= values.size - 1:
        return 0.0
    bend = values[k - 1] - 2.0 * values[k] + values[k + 1]
    return 0.0 if bend >= 0.0 else float(0.5 * (values[k - 1] - values[k + 1]) / bend)


def _shifted(values: np.ndarray, samples: float) -> np.ndarray:
    """Values moved later by a number of samples that need not be whole."""
    n = 2 * values.size
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(n) * samples)
    return np.fft.irfft(np.fft.rfft(values, n) * turn, n)[: values.size]


def tapered(size: int, share: float) -> np.ndarray:
    reach = max(int(share * size / 2), 1)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(reach) + 0.5) / reach)
    window = np.ones(size)
    window[:reach], window[-reach:] = ramp, ramp[::-1]
    return window
