"""Wavelets, reflection coefficients in time, and synthetic traces from both."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import arguments, companions, series, thresholds, units
from corephys.ground.choices import matching
from corephys.ground.provenance import constants_attribute
from corephys.uncertainty import Measured, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Numbers, Scalar

__all__ = ["average_wavelet", "reflectivity", "ricker", "rotate_phase", "synthetic", "wavelet"]

# --------------------------------------------------------------------------------------------------
# Wavelets: by a formula, from a table, and from the seafloor reflection of several traces.


_T = thresholds.DEFAULTS
# At 2.5 times its peak frequency the spectrum of a Ricker wavelet has 3 % of its peak left.
_AS_FIRST = "as_the_first_step"  # impedance above the first step, where none is given
_HIGHEST = 2.5


def ricker(
    frequency: Scalar,
    time_step: Scalar,
    *,
    length: Scalar | None = None,
    phase: Scalar = "0 degree",
) -> xr.DataArray:
    """Ricker wavelet about time zero.

    Parameters
    ----------
    frequency : Quantity or str
        Peak frequency of the spectrum [Hz].
    time_step : Quantity or str
        Time step [s].
    length : Quantity or str, optional
        Complete length [s]; if not given three periods, where the amplitude has fallen to 1e-9.
    phase : Quantity or str
        Constant phase rotation [degree].

    Returns
    -------
    DataArray, (time)
        Pure numbers, 1 at time zero before rotation; coordinate ``time`` [s].

    Raises
    ------
    ValueError
        For impossible values, a step that is too coarse for the frequency, or a length that is
        shorter than two periods.

    Notes
    -----
    (1 - 2 pi^2 f^2 t^2) exp(-pi^2 f^2 t^2): Ricker (1953), Geophysics 18, 10. Its spectrum goes as
    f^2 exp(-f^2/fp^2) and has 3 % left at 2.5 times the peak, which the time step must resolve.

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
    # An odd number of samples, so that time zero is one of them; 1e-9 absorbs rounding.
    half = int(np.ceil(0.5 * whole / step - 1e-9))
    time = step * np.arange(-half, half + 1)
    square = (np.pi * f * time) ** 2
    values = (1.0 - 2.0 * square) * np.exp(-square)
    made = _series(values, time, f"Ricker wavelet of {f:g} Hz")
    made.attrs["peak_frequency"] = f
    return rotate_phase(made, phase)


def wavelet(
    values: xr.DataArray | np.ndarray,
    *,
    time_step: Scalar | None = None,
    phase: Scalar = "0 degree",
) -> xr.DataArray:
    """Wavelet from given numbers.

    Parameters
    ----------
    values : DataArray, (time), or ndarray
        Pure numbers; a DataArray brings its coordinate ``time`` with a unit.
    time_step : Quantity or str, optional
        Time step [s] of a plain array, whose middle is then time zero.
    phase : Quantity or str
        Constant phase rotation [degree].

    Returns
    -------
    DataArray, (time)
        Pure numbers; coordinate ``time`` [s].

    Raises
    ------
    ValueError
        For fewer than three values, missing ones, times that are not evenly spaced, or a wavelet
        coarser than its time step.

    Notes
    -----
    Definition. A wavelet with more than a tenth of its energy above three quarters of the Nyquist
    frequency is refused, since it was sampled too coarsely.
    """
    numbers = pure_numbers(values).ravel()
    if numbers.size < 3 or not np.isfinite(numbers).all() or not np.any(numbers):
        raise ValueError(
            f"{int(np.isfinite(numbers).sum())} of {numbers.size} values are numbers; a wavelet "
            "needs three or more, none of them missing and not all zero"
        )
    if time_step is None:
        if not isinstance(values, xr.DataArray) or "time" not in values.coords:
            raise ValueError(
                f"the {numbers.size} values of the wavelet have no times; give time_step=, or a "
                "DataArray with the coordinate time in s or ms"
            )
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


def rotate_phase(series: xr.DataArray, phase: Scalar) -> xr.DataArray:
    """Wavelet or trace with all frequencies rotated by one phase.

    Parameters
    ----------
    series : DataArray, (any one dimension)
        Evenly sampled.
    phase : Quantity or str
        Phase rotation [degree].

    Returns
    -------
    DataArray
        Rotated series in the given unit; attribute ``phase`` is the sum of rotations [degree].

    Notes
    -----
    w cos(phi) - H(w) sin(phi) with the Hilbert transform H by Fourier transform, padded with zeros:
    definition. A rotation by 180 degrees changes the sign.
    """
    angle = float(units.as_floats(phase, "degree", "phase"))
    rotated = series.copy()
    if angle % 360.0:
        turned = analytic(np.asarray(series, dtype=float)) * np.exp(1j * np.radians(angle))
        rotated = series.copy(data=turned.real)
    rotated.attrs = {**series.attrs, "phase": float(series.attrs.get("phase", 0.0)) + angle}
    return rotated


def pure_numbers(values: Numbers | Dimensional) -> np.ndarray:
    """Amplitudes of a wavelet; those with a unit, such as per cent, are converted."""
    if hasattr(type(values), "magnitude") or "units" in getattr(values, "attrs", {}):
        return np.asarray(without_coords(units.as_floats(values, "1", "wavelet")), dtype=float)
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
            f"{what} must increase in even steps"
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
    before: Scalar = _T["wavelet_before"],
    after: Scalar = _T["wavelet_after"],
    taper: float = _T["wavelet_taper"],
) -> xr.DataArray:
    """Wavelet from the seafloor reflection of several traces.

    Parameters
    ----------
    traces : DataArray, (trace, time)
        Amplitudes with the coordinate ``time`` with its unit; the seafloor is the strongest event.
    before, after : Quantity or str
        Part of a trace about the seafloor [s].
    taper : float
        Fraction of that part over which the ends are tapered to zero [1].

    Returns
    -------
    DataArray, (time)
        Pure numbers, greatest amplitude one; time zero [s] at the peak of the envelope. Attributes:
        ``traces``, ``seafloor_times`` [s], and ``random_uncertainty`` of the mean.

    Raises
    ------
    ValueError
        For fewer than two traces, or a seafloor too near the end of a trace.

    Notes
    -----
    Common practice: each trace is cut about the peak of its envelope, shifted by a part of a sample
    to the greatest correlation with the mean, twice over, and scaled to equal energy. What lies
    close below the seafloor and is the same in all traces stays in the wavelet.
    """
    if not isinstance(traces, xr.DataArray) or traces.ndim != 2 or "time" not in traces.coords:
        raise ValueError(
            f"traces is {_kind(traces)}; give a DataArray of two dimensions, with the coordinate "
            "time"
        )
    time = np.asarray(units.as_floats(traces["time"], "s", "time"), dtype=float)
    step = even_step(time, "the times of the traces")
    other = next(dim for dim in traces.dims if dim not in traces["time"].dims)
    data = np.asarray(traces.transpose(other, ...), dtype=float)
    if data.shape[0] < 2:
        raise ValueError(f"traces has {data.shape[0]} trace; an average needs two or more")
    cuts = [
        round(float(arguments.positive(part, "s", name)) / step)
        for part, name in ((before, "before"), (after, "after"))
    ]
    peaks = np.argmax(np.abs(analytic(data)), axis=1)
    if np.any(peaks < cuts[0]) or np.any(peaks + cuts[1] >= time.size):
        raise ValueError(
            f"the seafloor of a trace is only {1e3 * step * peaks.min():g} ms after its start or "
            f"{1e3 * step * (time.size - 1 - peaks.max()):g} ms before its end; give a shorter "
            "before= or after="
        )
    pieces = np.array(
        [row[p - cuts[0] : p + cuts[1] + 1] for row, p in zip(data, peaks, strict=True)]
    )
    moved = np.zeros(peaks.size)
    # Equal energy, so that no loud trace dominates the mean.
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
        "traces": int(peaks.size),
        "phase": 0.0,
        "seafloor_times": [float(t) for t in time[peaks] + (moved + centre - cuts[0]) * step],
        "random_uncertainty": float(np.sqrt(np.mean(spread**2)) / scale),
        "constants": constants_attribute({"before": before, "after": after, "taper": taper}),
    }
    return made


def _lag(one: np.ndarray, other: np.ndarray) -> float:
    """Samples by which the first trace lags the second, by the peak of their correlation."""
    product = np.correlate(one, other, mode="full")
    k = int(np.argmax(product))
    return k - (other.size - 1) + peak_offset(product, k)


def peak_offset(values: np.ndarray, k: int) -> float:
    """Offset [samples] of the top of a parabola through a peak and its neighbours."""
    if k <= 0 or k >= values.size - 1:
        return 0.0
    bend = values[k - 1] - 2.0 * values[k] + values[k + 1]
    return 0.0 if bend >= 0.0 else float(0.5 * (values[k - 1] - values[k + 1]) / bend)


def _shifted(values: np.ndarray, samples: float) -> np.ndarray:
    """Values delayed by a number of samples that need not be an integer."""
    n = 2 * values.size
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(n) * samples)
    return np.fft.irfft(np.fft.rfft(values, n) * turn, n)[: values.size]


def tapered(size: int, share: float) -> np.ndarray:
    """Window of ones with cosine tapers, which cover a share of it together."""
    reach = max(int(share * size / 2), 1)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(reach) + 0.5) / reach)
    window = np.ones(size)
    window[:reach], window[-reach:] = ramp, ramp[::-1]
    return window


# --------------------------------------------------------------------------------------------------
# Reflection coefficients in time, and their convolution with a wavelet.


ASSUMPTIONS = (
    "normal incidence, flat layers, no multiples, no loss in transmission, no attenuation, "
    "one wavelet throughout"
)


def reflectivity(
    profile: xr.Dataset, *, time_step: Scalar = "0.5 ms", top: Scalar | None = None
) -> xr.Dataset:
    """Reflection coefficients at even steps of two-way time.

    Parameters
    ----------
    profile : Dataset, (reading)
        From ``seismic.profile``, best averaged by ``seismic.backus``: ``acoustic_impedance``
        [MPa s/m] and ``p_wave_velocity`` [m/s] at increasing ``depth``.
    time_step : Quantity or str
        Time step [s], usually 0.2 to 1 ms.
    top : Quantity or str, optional
        Impedance above the profile [MPa s/m], such as 1.55 for water: the first coefficient is
        then that of the seafloor. Without it the first is zero.

    Returns
    -------
    Dataset, (time)
        ``reflection_coefficient`` with uncertainty and effects; ``acoustic_impedance`` of the
        steps; coordinates ``two_way_time`` [s] from the first row of the profile and ``depth`` [m].

    Raises
    ------
    ValueError
        For depths that do not increase, impossible values, or fewer than four steps of time.

    Notes
    -----
    The logarithm of impedance is averaged over every step of time, and R = tanh(d ln Z / 2), which
    is (Z2 - Z1)/(Z2 + Z1): definition (Sheriff and Geldart 1995, Exploration Seismology, section
    3.2). A boundary inside a step is thus shared between its two ends, and none is lost. Times are
    2 sum dz / V with rows from midpoint to midpoint.
    """
    profile = companions.library_units(profile)
    impedance = series.unpack(profile, "acoustic_impedance")
    velocity = np.asarray(series.unpack(profile, "p_wave_velocity").values, dtype=float)
    depth = np.asarray(profile["depth"].values, dtype=float)
    z = series.take(impedance, np.arange(depth.size))
    if depth.size < 2 or not np.all(np.diff(depth) > 0.0):
        raise ValueError(
            f"the profile has {depth.size} rows; it needs two or more, with depths that increase "
            "from row to row. Make it with seismic.profile"
        )
    if not (np.all(z.values > 0.0) and np.all(velocity > 0.0)):
        raise ValueError(
            f"{int(np.sum(~((z.values > 0.0) & (velocity > 0.0))))} rows of the profile have an "
            "acoustic_impedance or p_wave_velocity that is missing, zero or below; make it with "
            "seismic.profile, which leaves them out"
        )
    step = float(arguments.positive(time_step, "s", "time_step"))
    edges = np.concatenate([depth[:1], 0.5 * (depth[1:] + depth[:-1]), depth[-1:]])
    time = np.concatenate([[0.0], np.cumsum(2.0 * np.diff(edges) / velocity)])
    count = int(time[-1] / step + 1e-9)
    if count < 4:
        raise series.TooFewError(
            f"the profile is {1e3 * time[-1]:.3g} ms long, {count} steps of {1e3 * step:g} ms; "
            "give a shorter time_step"
        )
    at = step * np.arange(count + 1)

    def mean(values: Any) -> np.ndarray:
        total = np.concatenate([[0.0], np.cumsum(values * np.diff(time))])
        return np.asarray(np.diff(np.interp(at, time, total)) / step)

    log, weight = mean(np.log(z.values)), np.diff(time)
    relative = np.asarray(z.u_random) / z.values
    # Rows averaged over a window share their errors inside it, which the mean over a step does
    # not reduce.
    alike = np.maximum(weight, _averaged_over(profile, velocity))
    random = np.sqrt(mean(relative**2 * np.minimum(alike, step)) / step)
    effects = {source: mean(effect / z.values) for source, effect in z.effects.items()}
    found = _coefficients(log, random, effects, top)
    places = {
        "two_way_time": ("time", at[:-1], {"units": "s"}),
        "depth": ("time", np.interp(at[:-1], time, edges)),
    }
    for part in found.values():
        part.values = xr.DataArray(part.values, dims="time", coords=places)
    dataset = series.build(
        found,
        steps=("mean of ln Z over steps of two-way time", "R = tanh(d ln Z / 2)"),
        time_step=step,
        correlated_over=float(np.median(alike)),
        datum="first_row_of_the_profile",
        assumptions=ASSUMPTIONS,
        top_impedance=_AS_FIRST if top is None else str(top),
    )
    dataset["two_way_time"].attrs = {"units": "s", "long_name": "two-way time from the first row"}
    return dataset


def _averaged_over(profile: xr.Dataset, velocity: np.ndarray) -> np.ndarray:
    """Two-way time over which the rows were averaged before [s]; zero for readings."""
    if "averaging_length" not in profile:
        return np.zeros(velocity.shape)
    length = units.as_floats(profile["averaging_length"], "m", "averaging_length")
    return np.asarray(2.0 * np.asarray(length) / velocity)


def _coefficients(
    log: np.ndarray, random: np.ndarray, effects: dict[str, np.ndarray], top: Scalar | None
) -> dict[str, Measured]:
    """Coefficient at the top of every step, and the impedance of the step."""
    above = log[0]
    if top is not None:
        above = np.log(float(arguments.positive(top, "MPa s/m", "top")))
    jump = np.diff(log, prepend=above)
    coefficient = np.tanh(0.5 * jump)
    slope = 0.5 * (1.0 - coefficient**2)
    last = np.concatenate([[0.0], random[:-1]])
    if top is None:
        last[0], first = 0.0, 0.0
    else:
        first = random[0]
    u = slope * np.hypot(np.concatenate([[first], random[1:]]), last)
    change = {
        source: slope * np.diff(e, prepend=e[0] if top is None else 0.0)
        for source, e in effects.items()
    }
    z = np.exp(log)
    return {
        "reflection_coefficient": Measured(coefficient, u, change),
        "acoustic_impedance": Measured(z, z * random, {s: z * e for s, e in effects.items()}),
    }


def synthetic(
    reflections: xr.Dataset, wavelet: xr.DataArray, *, draws: int = 200, seed: int = 1
) -> xr.Dataset:
    """Synthetic trace: reflection coefficients convolved with a wavelet, with uncertainty.

    Parameters
    ----------
    reflections : Dataset, (time)
        From :func:`reflectivity`.
    wavelet : DataArray, (time)
        From ``seismic.ricker``, ``seismic.wavelet`` or ``seismic.average_wavelet``, pure numbers,
        sampled in the same steps.
    draws : int
        Number of Monte Carlo draws for the uncertainty; with 0 it is unknown.
    seed : int
        Seed of the random numbers.

    Returns
    -------
    Dataset, (time)
        ``synthetic_trace``, in units of the wavelet, with ``u_random`` and effects; coordinates
        ``two_way_time`` [s] and ``depth`` [m]; attributes ``assumptions`` and ``wavelet``.

    Raises
    ------
    ValueError
        When the wavelet has another time step, or is longer than the coefficients.

    Notes
    -----
    Convolution (Sheriff and Geldart 1995, section 6.2, from memory). The random part is the spread
    of draws of the impedances, equal within the averaging window; effects change all impedances
    together and are propagated to first order. The uncertainty is that of the amplitude at a time;
    that of the times is computed with ``two_way_time``.
    """
    reflections = companions.library_units(reflections)
    coefficient = series.unpack(reflections, "reflection_coefficient")
    time = np.asarray(reflections["two_way_time"].values, dtype=float)
    step = even_step(time, "the times of the reflection coefficients")
    shape, first = _matching(wavelet, step, time.size)

    def trace(values: np.ndarray) -> np.ndarray:
        """Convolved, with the wavelet's time zero on the coefficient."""
        n = time.size + shape.size - 1
        spectrum = np.fft.rfft(values, n) * np.fft.rfft(shape, n)
        return np.asarray(np.fft.irfft(spectrum, n)[..., first : first + time.size])

    values = trace(np.asarray(coefficient.values, dtype=float))
    random = _spread(reflections, trace, step, draws, seed)
    effects = {
        source: trace(np.broadcast_to(np.asarray(effect, dtype=float), time.shape))
        for source, effect in coefficient.effects.items()
    }
    places = {name: ("time", reflections[name].values) for name in ("two_way_time", "depth")}
    found = series.build(
        {
            "synthetic_trace": Measured(
                xr.DataArray(values, dims="time", coords=places), random, effects
            )
        },
        steps=(*_steps(reflections), f"convolution with {wavelet.attrs.get('long_name')}"),
        assumptions=ASSUMPTIONS,
        wavelet=str(wavelet.attrs.get("long_name", "wavelet as given")),
        wavelet_phase=float(wavelet.attrs.get("phase", 0.0)),
        time_step=step,
        draws=int(draws),
        datum=str(reflections.attrs.get("datum", "")),
    )
    found["two_way_time"].attrs = dict(reflections["two_way_time"].attrs)
    return found


def _steps(dataset: xr.Dataset) -> list[str]:
    return list(json.loads(dataset.attrs.get("steps", "[]")))


def _kind(value: Any) -> str:
    """Type of an argument, of a DataArray also its dimensions and coordinates, for a message."""
    if not isinstance(value, xr.DataArray):
        return f"of type {type(value).__name__}"
    dims, coords = (", ".join(map(str, names)) or "none" for names in (value.dims, value.coords))
    return f"a DataArray with dimensions ({dims}) and coordinates ({coords})"


def _matching(wavelet: xr.DataArray, step: float, size: int) -> tuple[np.ndarray, int]:
    """The wavelet's numbers, and the place of its time zero."""
    if not isinstance(wavelet, xr.DataArray) or "time" not in wavelet.coords:
        raise ValueError(
            f"wavelet is {_kind(wavelet)}; give a DataArray along time with the coordinate time, "
            "such as seismic.wavelet returns"
        )
    own = np.asarray(units.as_floats(wavelet["time"], "s", "time of the wavelet"), dtype=float)
    given = even_step(own, "the times of the wavelet")
    if abs(given - step) > 1e-4 * step:
        raise ValueError(
            f"the wavelet has steps of {1e3 * given:g} ms and the reflection coefficients of "
            f"{1e3 * step:g} ms; make both with one time_step"
        )
    if own.size > size:
        raise ValueError(
            f"the wavelet has {own.size} steps and there are {size} reflection coefficients; cut "
            "the wavelet, or take a longer profile"
        )
    first = round(-own[0] / step)
    if not 0 <= first < own.size:
        raise ValueError(
            f"the times of the wavelet run from {1000.0 * own[0]:g} to {1000.0 * own[-1]:g} ms; "
            "they must begin at or before 0 and end after it"
        )
    return pure_numbers(wavelet), first


def _spread(reflections: xr.Dataset, trace: Any, step: float, draws: int, seed: int) -> np.ndarray:
    """Deviation of the trace over draws of the random part of the impedances."""
    size = reflections.sizes["time"]
    if draws < 2:
        return np.full(size, np.nan)
    impedance = series.unpack(reflections, "acoustic_impedance")
    z = np.asarray(impedance.values, dtype=float)
    relative = np.broadcast_to(np.asarray(impedance.u_random, dtype=float) / z, z.shape)
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((draws, size))
    width = max(round(float(reflections.attrs.get("correlated_over", 0.0)) / step), 1)
    if width > 1:  # a running mean, scaled back to the deviation that is stated
        total = np.cumsum(rng.standard_normal((draws, size + width)), axis=1)
        noise = (total[:, width:] - total[:, :-width]) / np.sqrt(width)
    # A relative error of the impedance is an absolute one of its logarithm.
    log = np.log(z) + noise * relative
    known_top = matching(reflections.attrs.get("top_impedance"), (_AS_FIRST,)) is None
    above = np.log(z[:1]) if known_top else log[:, :1]
    jump = np.diff(log, axis=1, prepend=np.broadcast_to(above, (draws, 1)))
    base = np.diff(np.log(z), prepend=np.log(z[:1]))
    coefficient = np.tanh(0.5 * jump) - np.tanh(0.5 * base)
    return np.asarray(np.std(trace(coefficient), axis=0, ddof=1))
