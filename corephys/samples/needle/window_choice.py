"""Choice of the window of a heating curve, and faults of a curve during heating."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from corephys.ground import arguments, thresholds
from corephys.numerics import window_regression
from corephys.samples.needle import drift as needle_drift
from corephys.samples.needle import runs as needle_runs
from corephys.samples.needle.drift import Drift
from corephys.samples.needle.runs import Runs

# --------------------------------------------------------------------------------------------------
# Choice of the window: all windows are fitted, and the longest admissible one is used.


FLATNESS = thresholds.value("needle_flatness")
HARMLESS = thresholds.value("needle_harmless_scatter")
_BLOCK = 128  # runs at a time; with 200 samples each their windows take some 60 megabytes
_WINDOWS = 2**22  # windows at a time, of runs with more samples: some 110 megabytes
FEWEST = thresholds.count("needle_window_samples")
# Reasons of rejection in words.
WORDS = {
    "long": "shorter than the minimum",
    "soon": "heat has reached the boundary",
    "white": "residuals are not noise",
    "flat": "halves differ",
}


@dataclass
class Choice:
    """Chosen window of each run.

    Parameters
    ----------
    start, length : ndarray of int, (runs,)
        First sample and number of samples; length 0 where no window fits.
    accepted : ndarray of int, (runs,)
        Number of windows with equal slopes of both halves and white residuals.
    spread : ndarray, (runs,)
        Standard deviation of the slope over the accepted windows at least half as long [K].
    excess : ndarray, (runs,)
        Variance of that spread beyond the one that noise explains [K^2].
    """

    start: np.ndarray
    length: np.ndarray
    accepted: np.ndarray
    spread: np.ndarray
    excess: np.ndarray


def regressors(
    time: np.ndarray, warm: np.ndarray, contact: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Regressors x, of the slope, and z, of the heat of the needle, (runs, samples).

    ``warm`` is kappa / a^2 [1/s] and ``contact`` k / (a H), (runs,). With L = ln(4 kappa t / a^2)
    - gamma and h = k / (a H) the rise is s {L + 2 h + a^2 / (2 kappa t) [1 + L - R (L + 2 h)]}
    to this order in a^2 / kappa t, R the heat capacity of the needle over that of the sediment in
    its place. x holds the known terms, and z those that R multiplies. Without a radius they are
    ln t and 1 / t.
    """
    logs = np.log(time)
    known = np.isfinite(warm)[:, None]
    scale = np.where(known, warm[:, None], 1.0)
    rise = logs + np.log(4.0 * scale) - np.euler_gamma
    line = np.where(known, logs + (1.0 + rise) / (2.0 * scale * time), logs)
    early = np.where(known, (rise + 2.0 * contact[:, None]) / time, 1.0 / time)
    return line, early


def choose(
    time: np.ndarray,
    temperature: np.ndarray,
    line: np.ndarray,
    early: np.ndarray,
    minimum: float,
    *,
    flatness: float = FLATNESS,
    latest: np.ndarray | float = np.inf,
) -> Choice:
    """Fit T = a + s x + e z over all windows of all runs, and choose one window for each run.

    ``time`` [s] and ``temperature`` [K], (runs, samples), NaN beyond the end of a run; x and z
    from :func:`regressors`. ``minimum`` is the duration of the shortest window [s]; no window ends
    after ``latest`` [s].
    """
    runs = time.shape[0]
    count = samples_until(time, latest)
    choice = Choice(
        np.zeros(runs, int),
        np.zeros(runs, int),
        np.zeros(runs, int),
        np.full(runs, np.nan),
        np.full(runs, np.nan),
    )
    last = np.take_along_axis(time, np.maximum(count - 1, 0)[:, None], axis=1)[:, 0]
    fit = np.flatnonzero((count >= FEWEST) & (last - time[:, 0] >= minimum))
    fit = fit[np.argsort(count[fit], kind="stable")]
    for first in range(0, fit.size, _BLOCK):
        block = fit[first : first + _BLOCK]
        width = int(count[block].max())
        shortest = _shortest(time[block, :width], count[block], minimum)
        for part in _parts(block, count):
            width = int(count[part].max())
            _choose_block(
                time[part, :width],
                temperature[part, :width],
                line[part, :width],
                early[part, :width],
                count[part],
                minimum,
                flatness,
                shortest,
                choice,
                part,
            )
    return choice


def _parts(block: np.ndarray, count: np.ndarray) -> Iterator[np.ndarray]:
    """Parts of a block of runs, in order of their samples, whose windows fit into memory."""
    begin = 0
    for end in range(1, block.size + 1):
        # With the next run all runs of the part are as wide as that one.
        if end == block.size or (end + 1 - begin) * count[block[end]] ** 2 > 2 * _WINDOWS:
            yield block[begin:end]
            begin = end


def _shortest(time: np.ndarray, held: np.ndarray, minimum: float) -> int:
    """Samples of the shortest windows that are fitted for a block of runs."""
    widest = float(np.nanmax(np.diff(time, axis=1)))
    return min(max(FEWEST, int(np.ceil(minimum / widest)) + 1), int(held.min()))


def choose_by_hand(
    choice: Choice, time: np.ndarray, names: np.ndarray, chosen: Mapping[str, tuple[float, float]]
) -> np.ndarray:
    """Replace found windows by those that the user chose; returns the runs with one, (runs,).

    ``time`` [s] is (runs, samples); ``chosen`` [s] is by the ``names`` of the runs. The number of
    accepted windows and the spread of the slope over them are kept.
    """
    by_hand = np.zeros(names.size, bool)
    for name, window in chosen.items():
        for row in np.flatnonzero(names == name):
            first, last = arguments.samples(time[row], window, f"run {name}", FEWEST)
            choice.start[row], choice.length[row] = first, last - first + 1
            by_hand[row] = True
    return by_hand


def noise_variance(time: np.ndarray, temperature: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Variance of white noise [K^2] from neighbouring residuals of a fit over the complete run."""
    residual = temperature - _smooth(time, temperature, count)
    steps = np.diff(residual, axis=1)
    return np.asarray(np.nansum(steps**2, axis=1) / (2.0 * np.maximum(count - 1, 1)))


def _smooth(time: np.ndarray, temperature: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Smooth curve of four terms through the samples of a run."""
    inside = np.arange(time.shape[1]) < count[:, None]
    t = np.where(inside, time, 1.0)
    start = t[:, :1]
    columns = [np.ones_like(t), np.log(t), start / t, np.sqrt(start / t)]
    design = np.where(inside[:, :, None], np.stack(columns, axis=2), 0.0)
    q, _ = np.linalg.qr(design)
    values = np.where(inside, temperature, 0.0)
    fitted = np.einsum("rsi,rs->ri", q, values)
    return np.where(inside, np.einsum("rsi,ri->rs", q, fitted), np.nan)


def _choose_block(
    time: np.ndarray,
    temperature: np.ndarray,
    line: np.ndarray,
    early: np.ndarray,
    count: np.ndarray,
    minimum: float,
    flatness: float,
    shortest: int,
    choice: Choice,
    block: np.ndarray,
) -> None:
    """Choose the windows of some runs and write them into ``choice``."""
    fits: dict[int, window_regression.WindowFits] = {}
    best = np.full(block.size, np.inf)
    picked_slope = np.zeros(block.size)
    for found, marks in judged(
        time, temperature, line, early, count, minimum, flatness, fits=fits, shortest=shortest
    ):
        length = found.length
        sound = marks["long"] & marks["white"] & marks["flat"] & found.valid
        found.valid[...] = sound
        choice.accepted[block] += sound.sum(axis=1)
        error = np.where(sound, found.slope_error, np.inf)
        at = error.argmin(axis=1)
        some = np.isfinite(error[np.arange(block.size), at])
        rows = np.flatnonzero(some)
        choice.start[block[rows]], choice.length[block[rows]] = at[rows], length
        best[rows] = error[rows, at[rows]]
        picked_slope[rows] = found.slope[rows, at[rows]]
    _spread(fits, choice, block, picked_slope, best)
    # Without an admissible window the complete run is used; the caller flags it as a poor fit.
    none = choice.accepted[block] == 0
    choice.length[block[none]] = count[none]


def judged(
    time: np.ndarray,
    temperature: np.ndarray,
    line: np.ndarray,
    early: np.ndarray,
    count: np.ndarray,
    minimum: float,
    flatness: float,
    *,
    fits: dict[int, window_regression.WindowFits],
    shortest: int,
    held: np.ndarray | None = None,
) -> Iterator[tuple[window_regression.WindowFits, dict[str, np.ndarray]]]:
    """Fit all windows, one length at a time, and test each of them for the four conditions.

    ``count`` is the number of samples of each run before its late limit. Windows beyond it, up to
    the ``held`` samples of the run, are fitted as well. ``fits`` collects the fits of all lengths,
    from ``shortest`` samples on.
    """
    noise = noise_variance(time, temperature, count)
    held = count if held is None else held
    for found in window_regression.all_windows(
        line, temperature, minimum=shortest, second=early, valid=held
    ):
        length = found.length
        fits[length] = found
        yield (
            found,
            {
                "long": time[:, length - 1 :] - time[:, : time.shape[1] - length + 1] >= minimum,
                "soon": found.starts + length <= count[:, None],
                "white": _white(found, noise, count),
                "flat": _flat(found, fits, shortest, flatness),
            },
        )


def listing(
    time: np.ndarray,
    temperature: np.ndarray,
    line: np.ndarray,
    early: np.ndarray,
    minimum: float,
    *,
    flatness: float = FLATNESS,
    latest: np.ndarray | float = np.inf,
) -> dict[str, np.ndarray]:
    """List all windows of all runs, with the reasons why each was rejected in words."""
    held, count = samples_until(time, np.inf), samples_until(time, latest)
    parts: dict[str, list[np.ndarray]] = {
        name: [] for name in ("row", "start", "end", "slope", "slope_error", "words")
    }
    for row in np.flatnonzero(held >= FEWEST):
        one = slice(row, row + 1), slice(0, int(held[row]))
        for found, marks in judged(
            time[one],
            temperature[one],
            line[one],
            early[one],
            np.maximum(count[one[0]], FEWEST),
            minimum,
            flatness,
            fits={},
            shortest=_shortest(time[one], held[one[0]], minimum),
            held=held[one[0]],
        ):
            words = np.full(found.starts.size, "", dtype=object)
            for key, text in WORDS.items():
                broken = ~marks[key][0]
                words[broken] += np.where(words[broken] == "", text, f", {text}")
            parts["row"].append(np.full(found.starts.size, row))
            parts["start"].append(time[row, found.starts])
            parts["end"].append(time[row, found.starts + found.length - 1])
            parts["slope"].append(found.slope[0])
            parts["slope_error"].append(found.slope_error[0])
            parts["words"].append(words)
    empty = {"row": np.zeros(0, int), "words": np.zeros(0, object)}
    return {
        name: np.concatenate([empty.get(name, np.zeros(0)), *arrays])
        for name, arrays in parts.items()
    }


def samples_until(time: np.ndarray, latest: np.ndarray | float) -> np.ndarray:
    """Number of samples of each run up to its limit, (runs,)."""
    limit = np.broadcast_to(np.asarray(latest, dtype=float), time.shape[:1])[:, None]
    return np.asarray((np.isfinite(time) & (time <= limit)).sum(axis=1))


def _white(found: window_regression.WindowFits, noise: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Windows whose scatter about the line does not exceed that between neighbouring samples."""
    # Three standard deviations of both estimated variances.
    wiggle = 3.0 * np.sqrt(2.0 / (found.length - 3) + 3.0 / count)
    limit = (noise * (1.0 + wiggle))[:, None]
    harmless = HARMLESS * found.slope
    return np.asarray(
        (found.residual_variance <= np.maximum(limit, harmless * harmless)) & (found.slope > 0)
    )


def _flat(
    found: window_regression.WindowFits,
    fits: dict[int, window_regression.WindowFits],
    shortest: int,
    flatness: float,
) -> np.ndarray:
    """Windows whose halves both have its slope, within the tolerance and their errors."""
    half = (found.length + 1) // 2
    if half < shortest:
        return np.ones(found.slope.shape, bool)
    part = fits[half]
    width = found.slope.shape[1]
    shift = found.length - half
    flat = np.ones(found.slope.shape, bool)
    for columns in (slice(0, width), slice(shift, shift + width)):
        difference = np.abs(part.slope[:, columns] - found.slope)
        limit = flatness * np.abs(found.slope) + 2.0 * part.slope_error[:, columns]
        flat &= difference <= limit
    return flat


def _spread(
    fits: dict[int, window_regression.WindowFits],
    choice: Choice,
    block: np.ndarray,
    slope: np.ndarray,
    error: np.ndarray,
) -> None:
    """Spread of the slope over the accepted windows at least half as long as the chosen one.

    The difference between the slopes of a window and of a longer one around it has the variance of
    the first less that of the second. A spread above twice that variance means that the slope
    depends on the window.
    """
    squares, expected, number = (np.zeros(block.size) for _ in range(3))
    length = choice.length[block]
    for size, found in fits.items():
        use = found.valid & (2 * size >= length)[:, None]
        if not use.any():
            continue
        difference = np.where(use, found.slope - slope[:, None], 0.0)
        squares += (difference * difference).sum(axis=1)
        variance = found.slope_error**2 - (error**2)[:, None]
        expected += np.where(use, np.maximum(variance, 0.0), 0.0).sum(axis=1)
        number += use.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        choice.spread[block] = np.sqrt(squares / number)
        choice.excess[block] = np.maximum(squares - 2.0 * expected, 0.0) / number


# --------------------------------------------------------------------------------------------------
# Faults during heating: moving water (convection), and a contact that is lost.


CERTAIN = thresholds.value("needle_fault_errors")
CONVECTION = thresholds.value("needle_convection_fall")
JUMP = thresholds.value("needle_contact_jump")
_KNOTS = 20  # trial times of a change
_EDGE = 4  # samples at either end in which no change can be found
_RISE_TIMES = (3.0, 20.0)  # s in which the needle reaches its new excess after a jump


def find_faults(
    runs: Runs,
    time: np.ndarray,
    temperature: np.ndarray,
    line: np.ndarray,
    early: np.ndarray,
    drift: Drift,
    slope: np.ndarray,
    count: np.ndarray,
    begin: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Find runs whose slope falls during heating, and runs whose temperature jumps up.

    The curve from ``begin`` [s] on, up to ``count`` samples of each run, is compared with the model
    of one conductivity, c + d g + s x + e z with the drift of the samples before heating, and with
    this model plus a bend or a jump at one of several trial times. The best of these changes is
    reported where it is significant and large enough. A bend upwards is that of an insulated
    boundary and is not reported.
    """
    convection, lost = np.zeros(slope.size, bool), np.zeros(slope.size, bool)
    before = (np.where(np.isfinite(time), time, np.inf) < begin[:, None]).sum(axis=1)
    clock, rise = needle_drift.clock(time, drift.settling), temperature - drift.curve(time)
    time, rise, clock, line, early = (
        needle_runs.from_sample(table, before, np.maximum(count, before))
        for table in (time, rise, clock, line, early)
    )
    count = np.maximum(count - before, 0)
    rows = np.flatnonzero((count >= 3 * _EDGE) & (slope > 0))
    hold = _hold(needle_drift.clock(runs.before_time, drift.settling))
    for first in range(0, rows.size, _BLOCK):
        block = rows[first : first + _BLOCK]
        width = int(count[block].max())
        part = slice(0, width)
        convection[block], lost[block] = _find_faults(
            time[block, part],
            rise[block, part],
            clock[block, part],
            line[block, part],
            early[block, part],
            hold[block],
            slope[block],
            count[block],
        )
    return convection, lost


def _hold(t: np.ndarray) -> np.ndarray:
    """Root of the sum of squared times before heating about their mean [s]."""
    known = np.isfinite(t)
    number = np.maximum(known.sum(axis=1), 1)
    mean = np.where(known, t, 0.0).sum(axis=1) / number
    return np.asarray(np.sqrt(np.where(known, (t - mean[:, None]) ** 2, 0.0).sum(axis=1)))


def _find_faults(
    time: np.ndarray,
    rise: np.ndarray,
    clock: np.ndarray,
    line: np.ndarray,
    early: np.ndarray,
    hold: np.ndarray,
    slope: np.ndarray,
    count: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Convection and lost contact of some runs."""
    inside = np.arange(time.shape[1]) < count[:, None]
    noise = np.sqrt(noise_variance(time, rise, count))
    t = np.where(inside, time, 1.0)
    drifting = np.where(inside, clock, 0.0)
    last = np.max(drifting, axis=1)[:, None]
    columns = [
        np.ones_like(t),
        np.where(inside, line, 0.0),
        np.where(inside, early, 0.0),
        drifting / last,
    ]
    base = np.where(inside[:, :, None], np.stack(columns, axis=2), 0.0)
    mean = np.where(inside, rise, 0.0).sum(axis=1) / count
    y = np.where(inside, rise - mean[:, None], 0.0)
    # One more row: the samples before heating constrain the remaining drift around zero.
    base = np.concatenate([base, np.zeros((base.shape[0], 1, 4))], axis=1)
    base[:, -1, 3] = hold / last[:, 0]
    q, _ = np.linalg.qr(base)
    q = q[:, :-1]
    left = y - np.einsum("rsi,ri->rs", q, np.einsum("rsi,rs->ri", q, y))
    best = {}
    for name, shapes in _shapes(t, inside, count).items():
        over = np.matmul(q.transpose(0, 2, 1), shapes)
        squares = np.einsum("rsk,rsk->rk", shapes, shapes) - (over**2).sum(axis=1)
        product = np.matmul(left[:, None, :], shapes)[:, 0]
        product = np.where(squares > 1e-9, product, 0.0)
        size = product / np.maximum(squares, 1e-9)
        score = product / np.sqrt(np.maximum(squares, 1e-9)) / noise[:, None]
        best[name] = (size / slope[:, None], score)
    up, down, jump = best["bend"][1].max(axis=1), -best["bend"][1].min(axis=1), best["jump"][1]
    rows = np.arange(slope.size)
    fall = -best["bend"][0][rows, best["bend"][1].argmin(axis=1)]
    step = best["jump"][0][rows, jump.argmax(axis=1)]
    most = jump.max(axis=1)
    convection = (down > CERTAIN) & (fall > CONVECTION) & (down >= np.maximum(up, most))
    lost = (most > CERTAIN) & (step > JUMP) & (most > np.maximum(up, down))
    return convection, lost


def _shapes(t: np.ndarray, inside: np.ndarray, count: np.ndarray) -> dict[str, np.ndarray]:
    """Bends in ln t and jumps at each trial time, (runs, samples, shapes)."""
    part = np.linspace(0.0, 1.0, _KNOTS)
    at = np.rint(_EDGE + part * (count - 2 * _EDGE)[:, None]).astype(int)
    knot = np.take_along_axis(t, np.minimum(at, t.shape[1] - 1), axis=1)
    since = t[:, :, None] - knot[:, None, :]
    logs = np.log(t)
    bend = np.maximum(logs[:, :, None] - np.log(knot)[:, None, :], 0.0)
    jumps = [np.where(since >= 0, -np.expm1(-np.maximum(since, 0) / s), 0.0) for s in _RISE_TIMES]
    there = inside[:, :, None]
    return {
        "bend": np.where(there, bend, 0.0),
        "jump": np.where(there, np.concatenate(jumps, axis=2), 0.0),
    }
