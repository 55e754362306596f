"""Rolling median and median absolute deviation of the same window, inside groups."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from pandas.api.indexers import BaseIndexer

__all__ = ["rolling_median", "rolling_median_and_mad", "window_bounds"]

_BLOCK = 2**18  # readings in windows that are sorted at one time, so that they fit into the cache
_WIDE = 64  # readings in a window above which neighbouring windows are sorted together
_TOGETHER = 2**12  # windows that are searched at one time, for the same reason
_MOST = 64  # windows that share one sorted table; the absent readings are counted in one byte


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
    rolling median of the distances from a rolling median is another one. Narrow windows are sorted
    one by one, and so are the distances in each. Of wide windows, some neighbours share one sorted
    table, and their medians are found in it by bisection: a reading costs the square root of the
    length of the window. Both ways give the same numbers, bit by bit.
    """
    half = _half(window)
    starts = np.asarray(group_starts)
    if values.size:
        # A window that reaches beyond both ends of every group holds no more when it is wider.
        half = min(half, int(np.diff(np.append(starts, values.size)).max()))
    if 2 * half + 1 > _WIDE:
        return _of_wide_windows(values, starts, half)
    return _of_narrow_windows(values, starts, half)


def _padded(values: np.ndarray, starts: np.ndarray, pad: int) -> tuple[np.ndarray, np.ndarray]:
    """Each group between pads of infinity, which sort behind every value, and the new places."""
    group = np.zeros(values.size, dtype=np.int64)
    group[starts[1:]] = 1
    np.cumsum(group, out=group)
    place = np.arange(values.size) + pad * (2 * group + 1)
    padded = np.full(values.size + 2 * pad * max(starts.size, 1), np.inf)
    padded[place] = np.where(np.isfinite(values), values, np.inf)
    return padded, place


def _of_narrow_windows(
    values: np.ndarray, starts: np.ndarray, half: int
) -> tuple[np.ndarray, np.ndarray]:
    """Median and median absolute deviation of windows that are sorted one by one."""
    window = 2 * half + 1
    padded, place = _padded(values, starts, half)
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


# --------------------------------------------------------------------------------------------------
# Wide windows: neighbouring windows share one sorted table.


def _of_wide_windows(
    values: np.ndarray, starts: np.ndarray, half: int
) -> tuple[np.ndarray, np.ndarray]:
    """Median and median absolute deviation of windows that are wide.

    Windows that follow each other differ by a few readings only. The readings of ``share`` windows
    are sorted once. Of that table a window lacks ``share`` - 1 readings: those that only the
    windows before it or after it hold. A number at a rank of the window is found in the shared
    table, at the rank plus the number of absent readings below.
    """
    window = 2 * half + 1
    # Sorting costs window / share for each reading, counting the absent ones costs share.
    share = min(2 ** round(np.log2(window) / 2), _MOST)
    padded, place = _padded(values, starts, half + share)
    ends = np.append(starts, values.size)[1:]
    first = np.concatenate([np.arange(a, b, share) for a, b in zip(starts, ends, strict=True)])
    last = np.repeat(ends, -(-(ends - starts) // share))
    median, spread = np.empty(values.size), np.empty(values.size)
    rows = max(_TOGETHER // share, 1)
    for begin in range(0, first.size, rows):
        part = slice(begin, begin + rows)
        table = padded[place[first[part], None] - half + np.arange(window + share - 1)]
        at = first[part, None] + np.arange(share)
        inside = at < last[part, None]  # the last windows of a group may lie behind its end
        found = _shared_table(table, window, share)
        median[at[inside]], spread[at[inside]] = (one[inside] for one in found)
    return median, spread


def _shared_table(table: np.ndarray, window: int, share: int) -> tuple[np.ndarray, np.ndarray]:
    """Median and median absolute deviation of ``share`` windows in each row of a table.

    Parameters
    ----------
    table : ndarray, (rows, window + share - 1)
        Readings in their order; infinity for none. It is sorted in place.
    window : int
        Readings in a window.
    share : int
        Windows in a row.

    Returns
    -------
    tuple of (rows, share) ndarray
        NaN for a window without a value.
    """
    known = np.zeros((table.shape[0], table.shape[1] + 1), dtype=np.int64)
    np.cumsum(np.isfinite(table), axis=1, out=known[:, 1:])
    valid = known[:, window:] - known[:, :share]
    before, behind = table[:, : share - 1].T.copy(), table[:, window:].T.copy()
    step = np.arange(share)
    # The window at a step lacks the first readings, as many as the step, and the last ones.
    absent = np.where(step[: share - 1, None, None] < step, before[:, :, None], behind[:, :, None])
    table.sort(axis=1)
    low, high = np.maximum(valid - 1, 0) // 2, valid // 2
    flat, base = table.ravel(), np.arange(table.shape[0])[:, None] * table.shape[1]
    lower, at = _at_rank(low, low, absent, lambda rank: flat[base + rank])
    upper, _ = _at_rank(high, at + high - low, absent, lambda rank: flat[base + rank])
    median = np.where(valid > 0, 0.5 * lower + 0.5 * upper, np.nan)
    # Readings of the table up to here are no larger than the median, all others no smaller.
    split = low + 1 + _count(absent <= median)
    with np.errstate(invalid="ignore", over="ignore"):
        absent -= median
        np.abs(absent, out=absent)
        away = _Distances(flat, base, table.shape[1], median, split)
        lower, at = _at_rank(low, low, absent, away.at)
        upper, _ = _at_rank(high, at + high - low, absent, away.at)
    return median, np.where(valid > 0, 0.5 * lower + 0.5 * upper, np.nan)


def _at_rank(
    rank: np.ndarray,
    begin: np.ndarray,
    absent: np.ndarray,
    value_at: Callable[[np.ndarray], np.ndarray],
) -> tuple[np.ndarray, np.ndarray]:
    """Values at a rank of the windows, and their ranks in the shared table.

    A value v with c absent readings up to it stands at ``rank`` + c of the table. The search starts
    at or below that place and moves up by the absent readings that it passes, so that it ends at
    the first such place, whose value is that of the window.
    """
    at, value = begin, value_at(begin)
    while True:
        found = rank + _count(absent <= value)
        if np.array_equal(found, at):
            return value, at
        at, value = found, value_at(found)


def _count(mask: np.ndarray) -> np.ndarray:
    """True values along the first axis, which is shorter than 128."""
    counted: np.ndarray = np.add.reduce(mask.view(np.int8), axis=0, dtype=np.int8)
    return counted


class _Distances:
    """Distances of the readings of a shared table from the medians, by their rank.

    The readings up to ``split`` and those from it on are two sorted lists of distances. The reading
    at a rank is found by bisection of how many of the first list lie below it. Ranks only rise from
    one call to the next, so that the search goes on where it ended.
    """

    def __init__(
        self, flat: np.ndarray, base: np.ndarray, size: int, median: np.ndarray, split: np.ndarray
    ) -> None:
        self.flat, self.median, self.split, self.size = flat, median, split, size
        self.place = base + split
        self.taken = np.zeros(split.shape, dtype=np.int64)  # of the list below the median
        self.rank = np.zeros(split.shape, dtype=np.int64)

    def at(self, rank: np.ndarray) -> np.ndarray:
        """Distances at a rank, which is no lower than in the call before."""
        low = np.maximum(self.taken, rank - (self.size - self.split))
        high = np.minimum(np.minimum(self.taken + rank - self.rank, rank), self.split)
        while (low < high).any():
            middle = (low + high + 1) >> 1
            nearer = self.below(middle - 1) <= self.above(rank - middle)
            low, high = np.where(nearer, middle, low), np.where(nearer, high, middle - 1)
        self.taken, self.rank = low, rank
        below = np.where(low < self.split, self.below(np.minimum(low, self.split - 1)), np.inf)
        left = rank - low
        size = self.size - self.split
        above = np.where(left < size, self.above(np.minimum(left, size - 1)), np.inf)
        return np.fmin(below, above)

    def below(self, number: np.ndarray) -> np.ndarray:
        """Distances of readings below the median, the nearest is number zero."""
        return np.asarray(self.median - self.flat[self.place - 1 - number])

    def above(self, number: np.ndarray) -> np.ndarray:
        """Distances of readings above the median, the nearest is number zero."""
        return np.asarray(self.flat[self.place + number] - self.median)
