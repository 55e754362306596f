"""Reflection coefficients in time, and the trace that a wavelet makes of them."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import arguments, companions, series, units
from corephys.products.seismic_wavelet import even_step, pure_numbers
from corephys.uncertainty import Measured

__all__ = ["reflectivity", "synthetic"]

ASSUMPTIONS = (
    "normal incidence, flat layers, no multiples, no loss in transmission, no attenuation, "
    "one wavelet throughout"
)


def reflectivity(profile: xr.Dataset, *, time_step: Any = "0.5 ms", top: Any = None) -> xr.Dataset:
    """Reflection coefficients at even steps of two-way time.

    Parameters
    ----------
    profile : Dataset, (reading)
        From ``seismic.profile``, best averaged by ``seismic.backus``: ``acoustic_impedance``
        [MPa s/m] and ``p_wave_velocity`` [m/s] at increasing ``depth``.
    time_step : Quantity or str
        [s]; usual is 0.2 to 1 ms.
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
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For depths that do not increase, impossible values, or fewer than four steps of time.

    Notes
    -----
    The logarithm of impedance is averaged over every step of time, and R = tanh(d ln Z / 2), which
    is (Z2 - Z1)/(Z2 + Z1): definition (Sheriff and Geldart 1995, Exploration Seismology, section
    3.2). So a boundary inside a step is shared between its two ends and none is lost. Times are
    2 sum dz / V with rows from midpoint to midpoint.
    """
    profile = companions.library_units(profile)
    impedance = series.unpack(profile, "acoustic_impedance")
    velocity = np.asarray(series.unpack(profile, "p_wave_velocity").values, dtype=float)
    depth = np.asarray(profile["depth"].values, dtype=float)
    z = series.take(impedance, np.arange(depth.size))
    if depth.size < 2 or not np.all(np.diff(depth) > 0.0):
        raise ValueError("the depths of the profile have to increase from row to row")
    if not (np.all(z.values > 0.0) and np.all(velocity > 0.0)):
        raise ValueError("an impedance or velocity of the profile is missing, zero or below")
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
    # Rows averaged over a window share their errors inside it: the mean over a step keeps them.
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
        found, steps=("mean of ln Z over steps of two-way time", "R = tanh(d ln Z / 2)"),
        time_step=step, correlated_over=float(np.median(alike)),
        datum="first row of the profile", assumptions=ASSUMPTIONS,
        top_impedance="as the first step" if top is None else str(top),
    )  # fmt: skip
    dataset["two_way_time"].attrs = {"units": "s", "long_name": "two-way time from the first row"}
    return dataset


def _averaged_over(profile: xr.Dataset, velocity: np.ndarray) -> np.ndarray:
    """Two-way time over which the rows were averaged before [s]; zero for readings."""
    if "averaging_length" not in profile:
        return np.zeros(velocity.shape)
    length = units.as_floats(profile["averaging_length"], "m", "averaging_length")
    return np.asarray(2.0 * np.asarray(length) / velocity)


def _coefficients(
    log: np.ndarray, random: np.ndarray, effects: dict[str, np.ndarray], top: Any
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
    """Trace that a wavelet makes of reflection coefficients, with its band.

    Parameters
    ----------
    reflections : Dataset, (time)
        From :func:`reflectivity`.
    wavelet : DataArray, (time)
        From ``seismic.ricker``, ``seismic.wavelet`` or ``seismic.average_wavelet``, pure numbers,
        sampled in the same steps.
    draws : int
        Of the Monte Carlo for the band; 0 leaves the uncertainty unknown.
    seed : int
        Of the draws.

    Returns
    -------
    Dataset, (time)
        ``synthetic_trace``, in units of the wavelet, with ``u_random`` and effects; coordinates
        ``two_way_time`` [s] and ``depth`` [m]; attributes ``assumptions`` and ``wavelet``.

    Raises
    ------
    UnitError
        For a wrong unit.
    ValueError
        When the wavelet has another time step, or is longer than the coefficients.

    Notes
    -----
    Convolution (Sheriff and Geldart 1995, section 6.2, from memory). The random part is the spread
    of draws of the impedances, alike within the averaging window; effects move all impedances
    together and are carried through exactly, to first order. The band is that of the amplitude at a
    time; by how much the times themselves err stands with ``two_way_time``.
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
        {"synthetic_trace": Measured(
            xr.DataArray(values, dims="time", coords=places), random, effects
        )},
        steps=(*_steps(reflections), f"convolution with {wavelet.attrs.get('long_name')}"),
        assumptions=ASSUMPTIONS, wavelet=str(wavelet.attrs.get("long_name", "wavelet as given")),
        wavelet_phase=float(wavelet.attrs.get("phase", 0.0)), time_step=step, draws=int(draws),
        datum=str(reflections.attrs.get("datum", "")),
    )  # fmt: skip
    found["two_way_time"].attrs = dict(reflections["two_way_time"].attrs)
    return found


def _steps(dataset: xr.Dataset) -> list[str]:
    return list(json.loads(dataset.attrs.get("steps", "[]")))


def _matching(wavelet: xr.DataArray, step: float, size: int) -> tuple[np.ndarray, int]:
    """The wavelet's numbers, and the place of its time zero."""
    if not isinstance(wavelet, xr.DataArray) or "time" not in wavelet.coords:
        raise ValueError("wavelet is a DataArray with the coordinate time; see seismic.wavelet")
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
        raise ValueError("time zero lies outside the wavelet; its times are to begin before it")
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
    log = np.log(z) + noise * relative
    known_top = reflections.attrs.get("top_impedance") != "as the first step"
    above = np.log(z[:1]) if known_top else log[:, :1]
    jump = np.diff(log, axis=1, prepend=np.broadcast_to(above, (draws, 1)))
    base = np.diff(np.log(z), prepend=np.log(z[:1]))
    coefficient = np.tanh(0.5 * jump) - np.tanh(0.5 * base)
    return np.asarray(np.std(trace(coefficient), axis=0, ddof=1))
