"""Heating curves as padded arrays with one row for each run, from the long table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import flags, thresholds, units
from corephys.ground.choices import choice_column

if TYPE_CHECKING:
    from corephys.ground.types import Scalar

KEYS = (
    "run",
    "core",
    "section",
    "offset",
    "depth",
    "depth_fitted",
    "to",
    "offset_closed",
    "depth_closed",
    "sample_id",
)
_LEFT_OUT = thresholds.value("needle_first_look")  # share of the curve that is left out
EARLY = thresholds.value("needle_early_time")
EARLY_WITHOUT_RADIUS = thresholds.value("needle_early_seconds")  # s
FEWEST_BEFORE = thresholds.count("needle_drift_samples")
MOST = thresholds.count("needle_most_samples")
LATE = thresholds.value("needle_late_time")
HOTTEST = thresholds.value("needle_hottest")  # degC
REQUIRED = ("run", "geometry", "heating_power", "time", "temperature")


@dataclass
class Runs:
    """Heating curves of all runs; NaN beyond the last sample of a run.

    Parameters
    ----------
    time, temperature : ndarray, (runs, samples)
        Samples after the start of heating, in order of time [s], [degC].
    before_time, before_temperature : ndarray, (runs, samples)
        Samples up to the start of heating [s], [degC].
    power, radius : ndarray, (runs,)
        Heating power [W/m] and radius of the needle [m], NaN where unknown.
    half_space : ndarray of bool, (runs,)
        Whether the needle lies on the face of the sediment.
    reason : ndarray of int, (runs,)
        Bit mask of reasons that the rows and their order give.
    first : ndarray of int, (runs,)
        First row of each run in the table.
    taken : ndarray of int, (runs,)
        Samples in each mean that stands for a sample of a long run, 1 for any other run.
    """

    time: np.ndarray
    temperature: np.ndarray
    before_time: np.ndarray
    before_temperature: np.ndarray
    power: np.ndarray
    radius: np.ndarray
    half_space: np.ndarray
    reason: np.ndarray
    first: np.ndarray
    taken: np.ndarray


@dataclass
class Late:
    """Heating curves from the early limit on.

    Parameters
    ----------
    time, temperature : ndarray, (runs, samples)
        Time since heating began [s] and temperature [degC], NaN beyond the end of a run.
    warm : ndarray, (runs,)
        Rough diffusivity over radius squared, kappa / a^2 [1/s]; NaN without a radius.
    earliest, latest : ndarray, (runs,)
        Earliest start and latest end of a window [s]; the latter is infinite without a boundary.
    """

    time: np.ndarray
    temperature: np.ndarray
    warm: np.ndarray
    earliest: np.ndarray
    latest: np.ndarray


def gather(table: xr.Dataset) -> Runs:
    """Group the rows of a table into runs, in the order in which the runs appear.

    The rows of a run are taken in order of time, whatever their order in the table. Means of
    neighbouring samples stand for the samples of a run that has more than ``needle_most_samples``.
    """
    lacking = [name for name in REQUIRED if name not in table]
    if lacking:
        raise ValueError(
            f"the heating table has no {', '.join(lacking)}; it needs {', '.join(REQUIRED)}"
        )
    keys = [table[name].values for name in KEYS[:5] if name in table]
    rows = pd.DataFrame({str(i): key for i, key in enumerate(keys)})
    group = rows.groupby(list(rows.columns), sort=False, dropna=False).ngroup().to_numpy()
    given = {
        name: np.asarray(units.as_floats(table[name], unit, name), dtype=float)
        for name, unit in (("time", "s"), ("temperature", "degC"), ("heating_power", "W/m"))
    }
    # Sorted by temperature as well, so that rows with equal times have one order, whatever the
    # order of the table.
    order = np.lexsort((given["temperature"], given["time"], group))
    group = group[order]
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    column = {name: values[order] for name, values in given.items()}
    geometry = choice_column(
        table["geometry"].values[order][starts], ("full_space", "half_space"), "geometry"
    )
    radius = np.full(starts.size, np.nan)
    if "radius" in table:
        radius = np.asarray(units.as_floats(table["radius"], "m", "radius"), dtype=float)
        radius = radius[order][starts]
    usable, copied, reason = _row_reasons(table, order, starts)
    time, temperature = column["time"], column["temperature"]
    # A row that was pasted again repeats its time and spoils nothing: it is not usable.
    steps, owner = np.diff(time[~copied]), group[~copied]
    twice = np.zeros(starts.size, bool)
    inside = owner[1:] == owner[:-1]
    np.logical_or.at(twice, owner[1:][inside & ~(steps > 0) & np.isfinite(steps)], True)
    power = np.maximum.reduceat(column["heating_power"], starts)
    possible = np.abs(temperature) < HOTTEST
    wild = np.zeros(starts.size, bool)
    np.logical_or.at(wild, group[~possible & ~np.isnan(temperature)], True)
    strange = (power <= 0.0) | np.isinf(power) | (radius <= 0.0)
    reason[twice | wild | strange] |= flags.bit("bad_cell")
    reason[_flat(time, temperature, group, starts.size)] |= flags.bit("impossible_value")
    known = usable & np.isfinite(time) & possible & ~twice[group]
    after, before = known & (time > 0), known & (time <= 0)
    groups = _Groups.of_runs(
        *(np.bincount(group[side], minlength=starts.size) for side in (after, before))
    )
    heated = _pad(*groups.means(after, group, time, temperature, heated=True))
    level = _pad(*groups.means(before, group, time, temperature, heated=False))
    return Runs(
        heated[0],
        heated[1],
        level[0],
        level[1],
        np.where((power > 0.0) & np.isfinite(power), power, np.nan),
        np.where(radius > 0.0, radius, np.nan),
        geometry == "half_space",
        reason,
        order[starts],
        groups.taken,
    )


def _flat(time: np.ndarray, temperature: np.ndarray, group: np.ndarray, runs: int) -> np.ndarray:
    """Runs with one constant temperature during heating: the needle did not heat."""
    heated = np.isfinite(temperature) & (time > 0)
    low, high = np.full(runs, np.inf), np.full(runs, -np.inf)
    np.minimum.at(low, group[heated], temperature[heated])
    np.maximum.at(high, group[heated], temperature[heated])
    count = np.bincount(group[heated], minlength=runs)
    return (count > 1) & (low == high)


def boundary(table: xr.Dataset, runs: Runs, given: Scalar | dict[str, Scalar] | None) -> np.ndarray:
    """Distance to the nearest boundary of each run [m], NaN where unknown.

    ``given`` is one distance or one for each geometry; without it the column
    ``boundary_distance`` is used.
    """
    name = "boundary_distance"
    if given is None and name in table:
        column = np.asarray(units.as_floats(table[name], "m", name), dtype=float)
        return _positive(column[runs.first], name)
    if not isinstance(given, dict):
        one = units.as_floats(given, "m", name, optional=True)
        if np.ndim(one):
            raise ValueError(
                f"{name} has {np.size(one)} values; give one value, one for each geometry, or the "
                f"column {name} in the table"
            )
        distance = np.full(runs.power.size, np.nan if one is None else float(one))
        return _positive(distance, name)
    strange = sorted({str(key) for key in given} - {"full_space", "half_space"})
    if strange:
        raise ValueError(
            f"{name} is given for {', '.join(strange)}; give it for full_space or half_space"
        )
    by_geometry = [
        float(units.as_floats(given[key], "m", name)) if key in given else float("nan")
        for key in ("full_space", "half_space")
    ]
    return _positive(np.where(runs.half_space, by_geometry[1], by_geometry[0]), name)


def _positive(distance: np.ndarray, name: str) -> np.ndarray:
    """Distances, all above zero or NaN."""
    if np.any(distance <= 0):
        raise ValueError(f"{name} is {1e3 * np.nanmin(distance):g} mm; it has to be above zero")
    return distance


def _row_reasons(
    table: xr.Dataset, order: np.ndarray, starts: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Usable rows, exact copies of rows of their run, and the reasons that all rows share."""
    if "reason" not in table:
        nothing = np.zeros(order.size, bool)
        return ~nothing, nothing, np.zeros(starts.size, np.int64)
    reasons = np.asarray(table["reason"].values, dtype=np.int64)[order]
    shared = np.bitwise_and.reduceat(reasons, starts).astype(np.int64)
    lengths = np.diff(np.append(starts, order.size))
    # A reason of the complete run flags its result; only a reason of single rows removes rows.
    own = reasons & ~np.repeat(shared, lengths)
    copied = (own & flags.bit("exact_copy")) != 0
    return flags.from_reason(own) <= flags.SUSPECT, copied, shared


@dataclass
class _Groups:
    """Groups of neighbouring samples, whose means stand for the samples of long runs.

    All means of a run are of equally many samples, before heating and after its start. They then
    have the same noise, and an unweighted fit of them gives the right uncertainty: it is found from
    their scatter. Where the groups of one side are larger, their last samples alone are averaged.

    Parameters
    ----------
    after, before : ndarray of int, (runs,)
        Samples in a group, after the start of heating and before it; 1 for a run that is not long.
    taken : ndarray of int, (runs,)
        Samples of a group that are averaged, its last ones.
    """

    after: np.ndarray
    before: np.ndarray
    taken: np.ndarray

    @classmethod
    def of_runs(cls, after: np.ndarray, before: np.ndarray) -> _Groups:
        """Groups for runs with these numbers of samples after the start of heating and before."""
        size, least = (np.maximum(-(-count // MOST), 1) for count in (after, before))
        # The samples before heating give the drift, by so many means at least. Fewer are not used.
        level = np.maximum(np.minimum(size, before // FEWEST_BEFORE), least)
        level = np.where(before < FEWEST_BEFORE, size, level)
        return cls(size, level, np.minimum(size, level))

    def means(
        self,
        chosen: np.ndarray,
        group: np.ndarray,
        time: np.ndarray,
        temperature: np.ndarray,
        *,
        heated: bool,
    ) -> tuple[np.ndarray, int, np.ndarray, np.ndarray]:
        """Run, time and temperature of the chosen rows, of long runs as means, and number of runs.

        The mean time of a group during heating is that of ln t: of a temperature that rises with
        ln t the means lie on the same line. The first group of a run may be incomplete.
        """
        rows, runs = group[chosen], self.taken.size
        t, values = time[chosen], temperature[chosen]
        size = self.after if heated else self.before
        if (size == 1).all():
            return rows, runs, t, values
        counts = np.bincount(rows, minlength=runs)
        left = np.repeat(np.cumsum(counts), counts) - np.arange(rows.size)  # samples to the end
        size = size[rows]
        used = (left - 1) % size < self.taken[rows]
        rows, t, values = rows[used], t[used], values[used]
        number = ((left - 1) // size)[used]
        new = np.diff(rows, prepend=-1) != 0
        first = np.flatnonzero(new | (np.diff(number, prepend=-1) != 0))
        many = np.diff(np.append(first, rows.size))
        scale = np.log(t) if heated else t
        middle = np.add.reduceat(scale, first) / many
        # A group of one sample keeps its time and temperature, digit by digit.
        middle = np.where(many == 1, t[first], np.exp(middle) if heated else middle)
        means = np.where(many == 1, values[first], np.add.reduceat(values, first) / many)
        return rows[first], runs, middle, means


def _pad(rows: np.ndarray, runs: int, *columns: np.ndarray) -> list[np.ndarray]:
    """Columns of samples as padded arrays, (runs, samples); ``rows`` is the run of each sample."""
    counts = np.bincount(rows, minlength=runs)
    place = np.arange(rows.size) - np.repeat(np.cumsum(counts) - counts, counts)
    width = max(int(counts.max(initial=0)), 1)
    padded = []
    for column in columns:
        out = np.full((runs, width), np.nan)
        out[rows, place] = column
        padded.append(out)
    return padded


def from_sample(table: np.ndarray, first: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Rows of a padded table from a first sample of each row on, shifted to the left."""
    width = max(int((count - first).max(initial=0)), 1)
    index = first[:, None] + np.arange(width)
    out = np.take_along_axis(table, np.minimum(index, table.shape[1] - 1), axis=1)
    return np.asarray(np.where(index < count[:, None], out, np.nan))


def after_warming(
    runs: Runs, scale: np.ndarray, capacity: float, drift: np.ndarray, distance: np.ndarray
) -> Late:
    """Curves from the early limit on, with limits from a rough conductivity.

    ``drift`` [K] at each sample is subtracted first. The late limit R^2 / (8 kappa) is that of the
    nearest boundary at ``distance`` [m], which is NaN without a boundary.
    """
    time, temperature = runs.time, runs.temperature
    count = np.isfinite(time).sum(axis=1)
    end = np.nanmax(np.where(np.isfinite(time), time, 0.0), axis=1, initial=0.0)
    rough = _rough_conductivity(time, temperature - drift, scale, end)
    # The late limit depends on the conductivity, and this on the late limit: hence the rounds.
    latest = np.full(rough.shape, np.inf)
    for _ in range(3 if np.isfinite(distance).any() else 0):
        latest = np.where(np.isfinite(distance), LATE * distance**2 * capacity / rough, np.inf)
        known = _rough_conductivity(time, temperature - drift, scale, np.minimum(end, latest))
        rough = np.where(np.isfinite(distance), known, rough)
    warm = rough / (capacity * runs.radius**2)
    early = np.where(np.isfinite(warm), EARLY / warm, EARLY_WITHOUT_RADIUS)
    first = (np.where(np.isfinite(time), time, np.inf) < early[:, None]).sum(axis=1)
    return Late(
        from_sample(time, first, count),
        from_sample(temperature, first, count),
        warm,
        early,
        latest,
    )


def _rough_conductivity(
    time: np.ndarray, rise: np.ndarray, scale: np.ndarray, end: np.ndarray
) -> np.ndarray:
    """Conductivity from the last three quarters of a curve [W/(m K)]."""
    use = (time >= _LEFT_OUT * end[:, None]) & (time <= end[:, None])
    n = np.maximum(use.sum(axis=1), 1)
    x = np.where(use, np.log(np.where(use, time, 1.0)), 0.0)
    y = np.where(use, rise, 0.0)
    x = np.where(use, x - (x.sum(axis=1) / n)[:, None], 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        rough = scale / ((x * y).sum(axis=1) / (x * x).sum(axis=1))
    # Only the time limits depend on it, so any value of a sediment will do for a bad curve.
    return np.clip(np.where(np.isfinite(rough), rough, 1.0), 0.3, 10.0)


def drift_before(runs: Runs) -> np.ndarray:
    """Slope of the samples before heating [K/s], zero with too few samples."""
    t, y = runs.before_time, runs.before_temperature
    use = np.isfinite(t)
    n = np.maximum(use.sum(axis=1, keepdims=True), 1)
    x = np.where(use, t, 0.0)
    x = np.where(use, x - x.sum(axis=1, keepdims=True) / n, 0.0)
    enough = use.sum(axis=1) >= FEWEST_BEFORE
    level = np.where(use, y, 0.0).sum(axis=1, keepdims=True) / n
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (x * np.where(use, y - level, 0.0)).sum(axis=1) / (x * x).sum(axis=1)
    return np.where(enough & np.isfinite(slope), slope, 0.0)
