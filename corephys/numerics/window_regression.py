"""Straight-line fits over every window of many runs at once, by prefix sums."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

__all__ = ["WindowFits", "all_windows"]


@dataclass(frozen=True)
class WindowFits:
    """Fits over all windows of one length.

    Parameters
    ----------
    length : int
        Samples in a window.
    starts : ndarray of int, (starts,)
        Index of the first sample of each window.
    slope, slope_error : ndarray, (runs, starts)
        Slope of y on x, in the unit of y over that of x; its error from the scatter in the window.
    residual_variance : ndarray, (runs, starts)
        Squared scatter about the line, in the squared unit of y.
    valid : ndarray of bool, (runs, starts)
        Whether the whole window lies inside the run.
    """

    length: int
    starts: np.ndarray
    slope: np.ndarray
    slope_error: np.ndarray
    residual_variance: np.ndarray
    valid: np.ndarray


def all_windows(
    x: np.ndarray,
    y: np.ndarray,
    *,
    minimum: int,
    first: int = 0,
    second: np.ndarray | None = None,
    valid: np.ndarray | None = None,
    lengths: np.ndarray | None = None,
) -> Iterator[WindowFits]:
    """Fit y = a + b x (+ c z) over every window of every run, one window length at a time.

    Parameters
    ----------
    x : ndarray, (samples,) or (runs, samples)
        Regressor, such as the logarithm of time; shared by the runs or one a run.
    y : ndarray, (runs, samples)
        Readings; what lies beyond ``valid`` may be anything, NaN included. A NaN before that
        leaves every fit of its run NaN, and of no other.
    minimum : int
        Fewest samples in a window.
    first : int
        First sample that a window may hold.
    second : ndarray, like x, optional
        Second regressor z, such as a term that dies away; the slope on x is then the one
        beside it.
    valid : ndarray of int, (runs,), optional
        Samples of each run; all of them where not given.
    lengths : ndarray of int, optional
        Window lengths to visit, in this order; every one from ``minimum`` where not given.

    Yields
    ------
    WindowFits
        One a length; arrays are fresh, so that a caller may keep them.

    Raises
    ------
    ValueError
        When ``minimum`` leaves no degree of freedom or is longer than the runs, or a length
        asked for does not lie between the two.

    Notes
    -----
    Sums over a window are differences of prefix sums, taken of what is left of x, z and y after
    the fit over the whole run has been subtracted: on the raw readings the squares would cancel
    digits that the scatter needs. Where x and z are nearly one line within a window the slope
    loses digits, and is uncertain by far more than these. Cost grows with the number of windows,
    not with their length.
    """
    y = np.atleast_2d(np.asarray(y, dtype=float))
    runs, samples = y.shape
    regressors = [x] if second is None else [x, second]
    needed = len(regressors) + 2
    if minimum < needed:
        raise ValueError(f"a window of {minimum} samples has no degree of freedom; use {needed}")
    if minimum > samples - first:
        raise ValueError(
            f"a window of {minimum} samples does not fit into {samples - first}; lower minimum"
        )
    wanted = np.arange(minimum, samples - first + 1) if lengths is None else np.asarray(lengths)
    if np.any(wanted < minimum) or np.any(wanted > samples - first):
        raise ValueError(f"lengths must lie between {minimum} and {samples - first}: {wanted}")
    count = np.full(runs, samples) if valid is None else np.asarray(valid)
    inside = np.arange(samples) < count[:, None]
    base, sums = _prefix_sums(regressors, y, inside)
    for length in wanted:
        yield _fits(int(length), first, samples, base, sums, count, len(regressors))


def _prefix_sums(
    regressors: list[np.ndarray], y: np.ndarray, inside: np.ndarray
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Slope of the whole run on x, and prefix sums of the centred variables."""
    everywhere = bool(inside.all())
    columns = []
    for column in regressors:
        table = np.atleast_2d(np.asarray(column, dtype=float))
        if not everywhere and table.shape[0] == 1:
            table = np.broadcast_to(table, y.shape)
        known = np.ones(table.shape, bool) if everywhere else inside
        table = np.where(known, table, 0.0)
        mean = table.sum(axis=1, keepdims=True) / np.maximum(known.sum(axis=1, keepdims=True), 1)
        columns.append(np.where(known, table - mean, 0.0))
    y = np.where(inside, y, 0.0)
    number = np.maximum(inside.sum(axis=1, keepdims=True), 1)
    y = np.where(inside, y - y.sum(axis=1, keepdims=True) / number, 0.0)
    base = _whole_run(columns, y)
    left = y - sum(b * c for b, c in zip(base, columns, strict=True))
    left = np.where(inside, left, 0.0)
    names = ["x", "z"][: len(columns)]
    parts = {"y": left, "yy": left * left}
    for i, name in enumerate(names):
        parts[name] = columns[i]
        parts[name + "y"] = columns[i] * left
        for j in range(i, len(names)):
            parts[name + names[j]] = columns[i] * columns[j]
    return base[0], {key: _prefix(table) for key, table in parts.items()}


def _whole_run(columns: list[np.ndarray], y: np.ndarray) -> list[np.ndarray]:
    """Coefficients (runs, 1) of y on one or two centred columns over whole runs.

    Any values would do, only the digits that a window keeps depend on them; zero serves where a
    run is empty or its columns are one line.
    """

    def product(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return np.asarray((a * b).sum(axis=1, keepdims=True))

    def quotient(a: np.ndarray, b: np.ndarray, above: np.ndarray | float) -> np.ndarray:
        return np.divide(a, b, out=np.zeros(np.broadcast(a, b).shape), where=b > above)

    x = columns[0]
    xx, xy = product(x, x), product(x, y)
    alone = quotient(xy, xx, 0.0)
    if len(columns) == 1:
        return [alone]
    z = columns[1]
    zz, xz, zy = product(z, z), product(x, z), product(z, y)
    determinant, least = xx * zz - xz * xz, 1e-13 * xx * zz
    slope = quotient(xy * zz - zy * xz, determinant, least)
    beside = quotient(zy * xx - xy * xz, determinant, least)
    return [np.where(determinant > least, slope, alone), beside]


def _prefix(table: np.ndarray) -> np.ndarray:
    out = np.zeros((table.shape[0], table.shape[1] + 1))
    np.cumsum(table, axis=1, out=out[:, 1:])
    return out


def _fits(
    length: int,
    first: int,
    samples: int,
    base: np.ndarray,
    sums: dict[str, np.ndarray],
    count: np.ndarray,
    regressors: int,
) -> WindowFits:
    starts = np.arange(first, samples - length + 1)
    end, begin = slice(first + length, samples + 1), slice(first, samples - length + 1)

    def total(key: str) -> np.ndarray:
        return sums[key][:, end] - sums[key][:, begin]

    inverse = 1.0 / length
    sx, sy = total("x"), total("y")
    xx = total("xx") - sx * sx * inverse
    xy = total("xy") - sx * sy * inverse
    yy = total("yy") - sy * sy * inverse
    with np.errstate(divide="ignore", invalid="ignore"):
        if regressors == 1:
            slope = xy / xx
            rest = yy - slope * xy
            per_variance = 1.0 / xx
        else:
            sz = total("z")
            zz = total("zz") - sz * sz * inverse
            xz = total("xz") - sx * sz * inverse
            zy = total("zy") - sz * sy * inverse
            determinant = xx * zz - xz * xz
            slope = (xy * zz - zy * xz) / determinant
            rest = yy - slope * xy - (zy * xx - xy * xz) / determinant * zy
            per_variance = zz / determinant
        variance = np.maximum(rest, 0.0) / (length - 1 - regressors)
        error = np.sqrt(variance * per_variance)
    valid = starts + length <= count[:, None]
    return WindowFits(length, starts, slope + base, error, variance, valid)
