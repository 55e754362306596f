"""Where a counter seems to have begun again: a suggestion beside the readings, never a change."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, thresholds
from corephys.ground.provenance import constants_attribute
from corephys.sensors.susceptibility_loop import plain_numbers

__all__ = ["suggest_unwrapping"]

_T = thresholds.DEFAULTS
_NOTE = (
    "a suggestion: readings are not changed; how many ranges were lost cannot be known from the "
    "readings, the smallest number that joins them is given"
)


def suggest_unwrapping(
    readings: Any, *, counter_range: float, groups: Any = None,
    least_jump: float = _T["wrap_least_jump"], longest: int = _T["wrap_longest"],
) -> xr.Dataset:  # fmt: skip
    """Suggest where a counter of limited range began again.

    Parameters
    ----------
    readings : ndarray or DataArray, (reading)
        Of the meter in its own unit [1], in order along each core, before any baseline.
    counter_range : float
        At which the counter begins again, in that unit [1].
    groups : array of labels, (reading), optional
        No jump is looked for from one group to the next; the coordinates core and run of the
        readings without it, one group where there are none.
    least_jump : float
        Share of the range that a jump between neighbours must exceed.
    longest : int
        Most readings of one wrapped stretch. A longer one cannot be told from two strong beds
        with weak core between them.

    Returns
    -------
    Dataset, (reading)
        ``suggested_ranges`` [count], ``suggested_reading`` in the unit of the readings and
        ``reason`` with the bit ``counter_wrapped``. The number of ranges cannot be known from
        the readings: the smallest that joins the stretch to its neighbours is given, and a whole
        range more on both of its edges looks the same.

    Raises
    ------
    ValueError
        For a range that is not positive, a share outside of 0 to 1, or other labels than readings.

    Notes
    -----
    Definition: a fall by more than ``least_jump`` ranges opens a stretch, further falls count one
    range more, rises one less, and the stretch is taken only where it comes back to none within
    the group. A stretch that begins or ends with its group is not found.
    """
    values = plain_numbers(readings, "readings")
    size = float(counter_range)
    if not size > 0.0 or not 0.0 < least_jump < 1.0:
        raise ValueError(
            f"counter_range is {counter_range!r} and least_jump {least_jump!r}; expected a range "
            "above 0 and a share between 0 and 1"
        )
    flat = np.atleast_1d(np.asarray(values, dtype=float))
    ranges = np.zeros(flat.size, dtype=np.int64)
    for members in _members(readings, groups, flat.size):
        known = members[np.isfinite(flat[members])]
        ranges[known] = lost_ranges(flat[known] / size, least_jump, longest)
    wrapped = np.where(ranges > 0, flags.bit("counter_wrapped"), 0).astype(np.int64)
    dims = readings.dims if isinstance(readings, xr.DataArray) else ("reading",)
    coords = values.coords if isinstance(values, xr.DataArray) else {}
    return xr.Dataset(
        {
            "suggested_ranges": (dims, ranges, {"units": "count", "long_name": "ranges lost"}),
            "suggested_reading": (dims, flat + size * ranges, {"long_name": "suggested reading"}),
            "reason": (dims, wrapped, flags.reason_attributes("suggested reading")),
        },
        coords=coords,
        attrs={
            "note": _NOTE,
            "counter_range": size,
            "constants": constants_attribute({"least_jump": least_jump, "longest": longest}),
        },
    )


def _members(readings: Any, groups: Any, size: int) -> list[np.ndarray]:
    """Indices of each group, in order."""
    if groups is not None:
        labels = [np.asarray(groups)]
    elif isinstance(readings, xr.DataArray):
        labels = [readings[key].values for key in ("core", "run") if key in readings.coords]
    else:
        labels = []
    code = np.zeros(size, dtype=np.int64)
    for label in labels:
        if label.shape != (size,):
            raise ValueError(f"groups has {label.size} labels for {size} readings; give one each")
        kinds, numbers = np.unique(label.astype(str), return_inverse=True)
        code = code * kinds.size + numbers
    order = np.argsort(code, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(code[order])) + 1) if size else []


def lost_ranges(fractions: np.ndarray, least_jump: float, longest: int) -> np.ndarray:
    """Ranges lost by each reading of one group, readings in ranges; zero where none seem so."""
    found = np.zeros(fractions.size, dtype=np.int64)
    jumps = np.diff(fractions)
    large = np.flatnonzero(np.abs(jumps) > least_jump)
    number = 0
    while number < large.size:
        stretch = _stretch(jumps, large[number:], longest)
        if stretch is None:
            number += 1
            continue
        first, counts = stretch
        found[first : first + counts.size] = counts
        number += int(np.searchsorted(large[number:], first + counts.size - 1, side="right"))
    return found


def _stretch(jumps: np.ndarray, large: np.ndarray, longest: int) -> tuple[int, np.ndarray] | None:
    """First reading and counts of the stretch that the first of some large jumps opens."""
    first = int(large[0]) + 1
    lost, counts = 0, np.zeros(longest, dtype=np.int64)
    for jump in large:
        begin = int(jump) + 1 - first
        if begin > longest:
            return None
        lost += 1 if jumps[jump] < 0 else -1
        if lost < 0:
            return None
        if lost == 0:
            return (first, counts[:begin]) if begin else None
        counts[begin:] = lost
    return None
