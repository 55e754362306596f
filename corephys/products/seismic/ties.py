"""Tie of a synthetic trace to a recorded one: shift, phase and correlation with uncertainties.

Two band-limited traces always correlate somewhere. The result therefore includes the probability
of such a correlation by chance; where it is large, the uncertainties of shift and phase are
meaningless.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import arguments, flags, series, thresholds, units
from corephys.products.seismic.traces import analytic, even_step, peak_offset, tapered
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Scalar

__all__ = ["tie"]

_T = thresholds.DEFAULTS
_REACH = thresholds.count("tie_misfit_reach")
_TAPER = thresholds.value("tie_taper")
_CHANCE = thresholds.value("tie_chance")


@dataclass(frozen=True)
class _Found:
    """One tie: shift [s], phase [rad], correlation, their deviations, and probability of chance."""

    shift: float
    phase: float
    correlation: float
    u_shift: float
    u_phase: float
    chance: float
    effective: float
    at_edge: bool


def tie(
    synthetic: xr.Dataset | xr.DataArray,
    trace: xr.Dataset | xr.DataArray,
    *,
    window: tuple[Scalar, Scalar] | None = None,
    largest_shift: Scalar = _T["tie_largest_shift"],
    rotate: bool = True,
    drift_window: Scalar | None = None,
) -> xr.Dataset:
    """Shift and phase of a synthetic trace of highest correlation with a recorded one.

    Parameters
    ----------
    synthetic : Dataset or DataArray, (time)
        ``synthetic_trace`` with the coordinate ``two_way_time`` [s].
    trace : DataArray, (time)
        Amplitudes, any unit, with ``two_way_time`` [s] from the same datum and in the same steps.
    window : tuple of two Quantities or str, optional
        Part of the synthetic that is tied, from and to [s]; the complete trace if not given.
    largest_shift : Quantity or str
        Largest shift to either side [s].
    rotate : bool
        Search for a constant phase too; False keeps the phase of the synthetic.
    drift_window : Quantity or str, optional
        Length [s] of the windows of a drift curve, each tied separately; they overlap by half.

    Returns
    -------
    Dataset
        ``time_shift`` [s], positive for later; ``phase_rotation`` [degree]; ``tie_correlation``;
        each with uncertainty and flag. ``probability_of_chance`` and ``effective_samples``. With a
        drift curve the same with the ending ``_of_window`` along ``window``.

    Raises
    ------
    ValueError
        For steps or times that do not match, a window that is too short, or a silent trace.

    Notes
    -----
    Analytic signals are correlated under a window whose ends, 15 % each, go to zero: the peak of
    the modulus gives the shift, its argument the phase, the modulus itself the correlation after
    rotation (definition). Errors: least squares linearised about the peak, with the autocorrelation
    of what the fit leaves. Chance: the modulus for unrelated traces passes x with the odds
    (1 - x^2)^(n - 1) of n effective complex samples, and crosses x upwards along the shifts as
    often as an envelope of noise does (Rice 1945, Bell System Technical Journal 24, 46; from
    memory).
    """
    s_time, s_values = _series(synthetic, "synthetic_trace")
    t_time, t_values = _series(trace, "trace")
    step = even_step(s_time, "the times of the synthetic")
    if abs(even_step(t_time, "the times of the trace") - step) > 1e-4 * step:
        raise ValueError(
            f"the synthetic has steps of {1e3 * step:g} ms and the trace of "
            f"{1e3 * (t_time[1] - t_time[0]):g} ms; resample one of them"
        )
    reach = round(float(arguments.positive(largest_shift, "s", "largest_shift")) / step)
    if window is not None:
        low, high = (float(units.as_floats(one, "s", "window")) for one in window)
        inside = (s_time >= low - 1e-9) & (s_time <= high + 1e-9)
        s_time, s_values = s_time[inside], s_values[inside]
    if s_values.size < 16:
        raise ValueError(
            f"{s_values.size} samples of the synthetic are too few to tie; give 16 or more"
        )
    found = _tied(s_time, s_values, t_time, t_values, step, reach, rotate)
    made = _quantities([found], None)
    whole = {name: _scalar(part) for name, part in made.items()}
    attributes = {
        "assumptions": "one shift and one phase over the window, amplitudes scaled freely",
        "bound": "the correlation after rotation is an upper bound of that without",
    }
    dataset = series.build(
        whole,
        steps=("peak of the normalised correlation",),
        constants={"largest_shift": largest_shift},
        **attributes,
    )
    dataset["probability_of_chance"] = _pure(
        found.chance, "probability of such a correlation by chance"
    )
    dataset["effective_samples"] = _pure(found.effective, "independent samples of the window")
    if drift_window is not None:
        length = float(arguments.positive(drift_window, "s", "drift_window"))
        dataset = dataset.merge(
            _drift(s_time, s_values, t_time, t_values, step, reach, rotate, length),
            compat="no_conflicts",
            combine_attrs="override",
        )
    return dataset


def _series(given: xr.Dataset | xr.DataArray, name: str) -> tuple[np.ndarray, np.ndarray]:
    array = given[name] if isinstance(given, xr.Dataset) else given
    if not isinstance(array, xr.DataArray) or "two_way_time" not in array.coords:
        raise ValueError(f"{name}: give a series with the coordinate two_way_time in s or ms")
    time = np.asarray(units.as_floats(array["two_way_time"], "s", "two_way_time"), dtype=float)
    values = np.asarray(array, dtype=float)
    if values.ndim != 1 or not np.isfinite(values).all():
        raise ValueError(f"{name} must be one series without missing values")
    return time, values


def _tied(
    s_time: np.ndarray,
    s: np.ndarray,
    t_time: np.ndarray,
    t: np.ndarray,
    step: float,
    reach: int,
    rotate: bool,
) -> _Found:
    """Tie of one window, by samples and then between them."""
    n = s.size
    start = (s_time[0] - t_time[0]) / step
    first, part = round(start), start - round(start)
    low, high = max(first - reach, 0), min(first + reach, t.size - n)
    if high - low < 2:
        raise ValueError(
            f"the trace runs from {t_time[0]:g} to {t_time[-1]:g} s; it has to cover the window of "
            f"the synthetic from {s_time[0]:g} to {s_time[-1]:g} s, and the shifts about it"
        )
    # Without the mean, which would correlate at every shift.
    piece = analytic(s) - np.mean(s)
    whole = analytic(t - t.mean())
    lags = np.arange(low, high + 1)
    cuts = np.lib.stride_tricks.sliding_window_view(whole, n)[low : high + 1]
    weight = tapered(n, 2.0 * _TAPER)
    energy = np.sqrt(np.abs(cuts) ** 2 @ weight * np.sum(weight * np.abs(piece) ** 2))
    if not np.all(energy > 0.0):
        raise ValueError(
            f"the synthetic or the trace is zero throughout the window of {n} samples; choose "
            "another window"
        )
    product = cuts @ (weight * piece.conj()) / energy
    score = np.abs(product) if rotate else product.real
    k = int(np.argmax(score))
    off = peak_offset(score, k)
    at = np.clip(k + off, 0, lags.size - 1)
    top = float(score[k] - 0.25 * (score[max(k - 1, 0)] - score[min(k + 1, lags.size - 1)]) * off)
    angles = np.unwrap(np.angle(product[max(k - 1, 0) : k + 2]))
    phase = float(np.interp(off, np.arange(angles.size) - (k > 0), angles)) if rotate else 0.0
    phase = float(np.angle(np.exp(1j * phase)))
    shift = (lags[0] + at - first - part) * step
    spectra = _Spectra(np.sqrt(weight) * piece, np.sqrt(weight) * cuts[k], step)
    chance = spectra.chance(top, step * (lags.size - 1), rotate)
    fit = product[k] if rotate else product[k].real
    scaled = piece * fit * energy[k] / np.sum(weight * np.abs(piece) ** 2)
    u_shift, u_phase = _deviations(scaled, cuts[k], weight, step, rotate)
    lost = 3.0 if rotate else 1.5
    # The fit takes degrees of freedom from the misfit, which makes it look too small.
    spare = np.sqrt(spectra.effective / max(spectra.effective - lost, 0.5))
    return _Found(
        float(shift),
        phase,
        top,
        spare * u_shift,
        spare * u_phase,
        chance,
        spectra.effective,
        k in (0, lags.size - 1),
    )


class _Spectra:
    """Statistics of the correlation of two unrelated windows, from their spectra."""

    def __init__(self, s: np.ndarray, x: np.ndarray, step: float) -> None:
        n = s.size
        omega = 2.0 * np.pi * np.fft.rfftfreq(2 * n, step)
        one, other = (
            _smoothed(np.abs(np.fft.fft(part, 2 * n)[: omega.size]) ** 2) for part in (s, x)
        )
        both = one * other
        # Zero padding to twice the length adds frequencies without adding information.
        self.effective = float(max(one.sum() * other.sum() / both.sum() / 2.0, 1.0))
        self.centre = float(np.sum(both * omega) / both.sum())
        self.square = float(np.sum(both * omega**2) / both.sum())

    def chance(self, top: float, extent: float, rotate: bool) -> float:
        """Probability that a correlation exceeds ``top`` within ``extent`` seconds of shift."""
        m = self.effective
        single = max(1.0 - min(top, 1.0) ** 2, 0.0) ** max(m - 1.0, 0.0)
        if rotate:
            width = np.sqrt(max(self.square - self.centre**2, 0.0))
            crossings = extent * width * top * np.sqrt(m / np.pi) * single
        else:
            crossings = extent * np.sqrt(self.square) / (2.0 * np.pi) * single
            single = 0.5 * single
        return float(1.0 - (1.0 - min(single, 1.0)) * np.exp(-crossings))


def _deviations(
    s: np.ndarray, x: np.ndarray, weight: np.ndarray, step: float, rotate: bool
) -> tuple[float, float]:
    """Standard deviations of shift [s] and phase [rad], from the misfit of the best fit.

    ``s`` is the analytic synthetic rotated and scaled to the trace ``x``. The deviations are those
    of least squares in shift, phase and scale, with the misfit's own autocorrelation.
    """
    slope = np.gradient(s, step, edge_order=2)
    columns = [-slope.real, -s.imag, s.real] if rotate else [-slope.real, s.real]
    jacobian = np.array(columns)
    left = np.sqrt(weight) * (x.real - s.real)
    n = left.size
    reach = min(n // 2, _REACH * _period(s))
    spectrum = np.abs(np.fft.rfft(left, 2 * n)) ** 2
    taper = np.zeros(2 * n)
    taper[: reach + 1] = 1.0 - np.arange(reach + 1) / (reach + 1)
    taper[-reach:] = taper[1 : reach + 1][::-1]
    noise = np.fft.rfft(np.fft.irfft(spectrum, 2 * n) / weight.sum() * taper).real
    waves = np.fft.rfft(weight * jacobian, 2 * n)
    twice = np.full(noise.size, 2.0)
    twice[0] = twice[-1] = 1.0
    push = np.real(waves * (twice * noise) @ waves.conj().T) / (2 * n)
    scale = np.sqrt(np.sum(weight * jacobian**2, axis=1))
    bend = (weight * jacobian) @ jacobian.T / np.outer(scale, scale)
    if not np.all(scale > 0.0) or np.linalg.cond(bend) > 1e12:
        return float("nan"), float("nan")
    inverse = np.linalg.inv(bend)
    covariance = inverse @ (push / np.outer(scale, scale)) @ inverse
    u = np.sqrt(np.maximum(np.diag(covariance), 0.0)) / scale
    return float(u[0]), float(u[1]) if rotate else float("nan")


def _period(s: np.ndarray) -> int:
    """Samples of the mean period of an analytic signal."""
    turn = np.angle(np.sum(s[1:] * s[:-1].conj()))
    return max(int(2.0 * np.pi / max(abs(float(turn)), 1e-3)), 1)


def _smoothed(power: np.ndarray, reach: int = 2) -> np.ndarray:
    kernel = np.ones(2 * reach + 1) / (2 * reach + 1)
    return np.convolve(np.pad(power, reach, mode="edge"), kernel, mode="valid")


def _quantities(found: list[_Found], places: dict[str, Any] | None) -> dict[str, Measured]:
    """Shift, phase and correlation of one or more windows, with uncertainties and reasons."""

    def along(values: list[float]) -> xr.DataArray:
        return xr.DataArray(np.array(values), dims="window", coords=places)

    reason = np.array(
        [
            (flags.bit("poor_fit") if one.chance > _CHANCE else 0)
            | (flags.bit("beyond_method_range") if one.at_edge else 0)
            for one in found
        ],
        dtype=np.int64,
    )
    r = np.array([one.correlation for one in found])
    n = np.array([one.effective for one in found])
    return {
        "time_shift": Measured(
            along([one.shift for one in found]),
            np.array([one.u_shift for one in found]),
            {},
            reason,
        ),
        "phase_rotation": Measured(
            along([np.degrees(one.phase) for one in found]),
            np.degrees([one.u_phase for one in found]),
            {},
            reason,
        ),
        # Large-sample deviation of a correlation, (1 - r^2) / sqrt(2 n) for n complex samples.
        "tie_correlation": Measured(along(list(r)), (1.0 - r**2) / np.sqrt(2.0 * n), {}, reason),
    }


def _scalar(part: Measured) -> Measured:
    return Measured(
        xr.DataArray(float(part.values[0])),
        float(np.asarray(part.u_random)[0]),
        {},
        np.asarray(part.reason)[0],
    )


def _pure(value: Any, words: str, dims: Any = ()) -> xr.DataArray:
    return xr.DataArray(value, dims=dims, attrs={"units": "1", "long_name": words})


def _drift(
    s_time: np.ndarray,
    s: np.ndarray,
    t_time: np.ndarray,
    t: np.ndarray,
    step: float,
    reach: int,
    rotate: bool,
    length: float,
) -> xr.Dataset:
    """Ties of overlapping windows; where they run apart the times are stretched."""
    size = round(length / step)
    if size < 16 or size > s.size:
        raise ValueError(
            f"drift_window has {size} samples; it needs 16 or more and no more than the "
            f"{s.size} of the window"
        )
    starts = range(0, s.size - size + 1, max(size // 2, 1))
    found = [
        _tied(s_time[i : i + size], s[i : i + size], t_time, t, step, reach, rotate) for i in starts
    ]
    middle = np.array([s_time[i] + 0.5 * (size - 1) * step for i in starts])
    places = {"two_way_time": ("window", middle, {"units": "s"})}
    made = series.build(_quantities(found, places))
    made["probability_of_chance"] = _pure(
        [one.chance for one in found], "probability of such a correlation by chance", "window"
    )
    renamed = made.rename({str(name): f"{name}_of_window" for name in made.data_vars})
    for array in renamed.data_vars.values():
        linked = str(array.attrs.get("ancillary_variables", ""))
        if linked:
            array.attrs["ancillary_variables"] = " ".join(
                f"{one}_of_window" for one in linked.split()
            )
    renamed["two_way_time"].attrs = {"units": "s", "long_name": "middle of the window"}
    return renamed
