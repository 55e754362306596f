"""Rolling median and median absolute deviation of the same window, inside groups."""

from __future__ import annotations

import numpy as np
import pandas as pd
from pandas.api.indexers import BaseIndexer

__all__ = ["rolling_median", "rolling_median_and_mad", "window_bounds"]

_BLOCK = 2**18  # readings in windows that are sorted at one time, so that they fit into the cache


class _Inside(BaseIndexer):
    """Windows that are cut at the ends of their group."""

    first: np.ndarray
    last: np.ndarray

    def get_window_bounds(
        self,
        num_values: int = 0,
        min_periods: int | None = None,
        center: bool | None = None,
        closed: str | None = None,
        step: int | None = None,
    ) -> tuple[np.ndarray, np.ndarray]:
        """First reading of each window, and the one behind its last."""
        return self.first, self.last


def window_bounds(
    size: int, group_starts: np.ndarray, window: int
) -> tuple[np.ndarray, np.ndarray]:
    """Where centred windows begin and end, cut at the ends of their group.

    Parameters
    ----------
    size : int
        Readings, n.
    group_starts : ndarray of int, (groups,)
        Index of the first reading of each group, rising, the first one zero.
    window : int
        Readings in a window, odd.

    Returns
    -------
    tuple of (n,) ndarray of int
        First reading of each window, and the one behind its last.

    Raises
    ------
    ValueError
        When the window is even or not positive.
    """
    half = _half(window)
    starts = np.asarray(group_starts, dtype=np.int64)
    place = np.arange(size, dtype=np.int64)
    group = np.searchsorted(starts, place, "right")
    first = np.maximum(place - half, np.append(0, starts)[group])
    return first, np.minimum(place + half + 1, np.append(starts, size)[group])


def _half(window: int) -> int:
    if window < 1 or window % 2 == 0:
        raise ValueError(f"window is {window}; it must be an odd number of readings")
    return window // 2


def rolling_median(values: np.ndarray, group_starts: np.ndarray, window: int) -> np.ndarray:
    """Median of a centred window.

    Parameters
    ----------
    values : ndarray, (n,)
        Readings in the order of their positions, group after group; NaN and infinity are
        left out.
    group_starts : ndarray of int, (groups,)
        Index of the first reading of each group, rising, the first one zero.
    window : int
        Readings in a window, odd; it is cut at the ends of a group.

    Returns
    -------
    (n,) ndarray
        Numbers in the unit of the values; NaN for a window without a value.

    Raises
    ------
    ValueError
        When the window is even or not positive.

    Notes
    -----
    A window's sorted readings are kept while it moves, so that a reading costs the logarithm of
    the window (pandas).
    """
    first, last = window_bounds(values.size, group_starts, window)
    known = pd.Series(np.where(np.isfinite(values), values, np.nan))
    windows = known.rolling(_Inside(first=first, last=last), min_periods=1)
    return np.asarray(windows.median().to_numpy(), dtype=float)


def rolling_median_and_mad(
    values: np.ndarray, group_starts: np.ndarray, window: int
) -> tuple[np.ndarray, np.ndarray]:
    """Median of a centred window and the median absolute deviation from it in that window.

    Parameters
    ----------
    values, group_starts, window
        Arguments of :func:`rolling_median`.

    Returns
    -------
    tuple of (n,) median and (n,) median absolute deviation
        Numbers in the unit of the values; NaN for a window without a value.

    Raises
    ------
    ValueError
        When the window is even or not positive.

    Notes
    -----
    The statistic of Hampel (1974), Journal of the American Statistical Association 69, 383. The
    rolling median of the distances from a rolling median is another one. The distances of every
    window are sorted: a reading costs the length of the window.
    """
    half = _half(window)
    starts = np.asarray(group_starts)
    group = np.zeros(values.size, dtype=np.int64)
    group[starts[1:]] = 1
    np.cumsum(group, out=group)
    # Each group is set between pads of infinity, which sort behind every value.
    place = np.arange(values.size) + half * (2 * group + 1)
    padded = np.full(values.size + 2 * half * max(starts.size, 1), np.inf)
    padded[place] = np.where(np.isfinite(values), values, np.inf)
    median, spread = np.empty(values.size), np.empty(values.size)
    steps = np.arange(-half, half + 1)
    rows = max(_BLOCK // window, 1)
    for begin in range(0, values.size, rows):
        part = slice(begin, begin + rows)
        table = padded[place[part, None] + steps]
        valid = np.isfinite(table).sum(axis=1)
        table.sort(axis=1)
        median[part] = _middle(table, valid)
        with np.errstate(invalid="ignore", over="ignore"):
            np.abs(table - median[part, None], out=table)
        table[~(table < np.inf)] = np.inf
        table.sort(axis=1)
        spread[part] = _middle(table, valid)
    return median, spread


def _middle(table: np.ndarray, valid: np.ndarray) -> np.ndarray:
    """Median of the first ``valid`` values of each sorted row."""
    rows = np.arange(valid.size)
    low, high = np.maximum(valid - 1, 0) // 2, valid // 2
    high = np.minimum(high, table.shape[1] - 1)
    return np.where(valid > 0, 0.5 * table[rows, low] + 0.5 * table[rows, high], np.nan)
