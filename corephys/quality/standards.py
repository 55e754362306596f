"""Control charts of check standards, and the readings taken while a standard was out of control."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import xarray as xr

from corephys.ground import flags, thresholds, units
from corephys.ground.choices import choices, matching

if TYPE_CHECKING:
    import pint

    from corephys.ground.types import Dimensional, Scalar

    Series: TypeAlias = pint.Quantity | xr.DataArray | np.ndarray

__all__ = ["RULES", "ControlChart", "control_chart", "cumulative_sums", "out_of_control"]

RULES = ("beyond_three_sigma", "cumulative_sum", "eight_on_one_side")
LEAST = thresholds.count("control_chart_standards")
_WIDTH = thresholds.value("control_chart_width")
# Mean range of two normal values over their standard deviation, and the share of the mean range
# that a range hardly exceeds: tables of control chart constants, Montgomery (2013), from memory.
_RANGE, _WIDE = 1.128, 3.267
_KEPT = 0.975  # mean of the normal ranges that hardly exceed it so, over the mean of all
_MIDDLE_RANGE = 0.954  # median range over the standard deviation, 0.6745 times the root of 2
ALLOWANCE = thresholds.value("control_chart_allowance")
INTERVAL = thresholds.value("control_chart_interval")
_ROUNDS = 20  # limit of the iteration; it converges in a few rounds


@dataclass(frozen=True)
class ControlChart:
    """Control chart of a check standard.

    Parameters
    ----------
    dataset : Dataset, (standard)
        Columns in order of time: ``time``, ``value``, ``centre``, ``sigma``, ``lower`` and
        ``upper`` limit in the unit of the values, ``cumulative_high`` and ``cumulative_low`` in
        standard deviations, ``alarm``, ``alarm_rule`` (the rule, empty without an alarm),
        ``in_control`` (False from where a fault seems to begin to its last alarm).
    status : {"in_control", "out_of_control", "not_enough_standards", "no_scatter"}
        With the last two no limits could be computed.
    """

    dataset: xr.Dataset
    status: str

    @property
    def judged(self) -> bool:
        """Whether there were enough standards for limits."""
        return matching(self.status, ("in_control", "out_of_control")) is not None


def cumulative_sums(
    z: np.ndarray, *, allowance: float = ALLOWANCE, interval: float = INTERVAL
) -> tuple[np.ndarray, np.ndarray]:
    """Cumulative sums of departures upwards and downwards.

    Parameters
    ----------
    z : ndarray, (n, ...)
        Departures in standard deviations, in order of time; NaN leaves the sums as they are.
    allowance, interval : float
        k and h, in standard deviations.

    Returns
    -------
    tuple of ndarray, (n, ...)
        High and low sum, both positive; an alarm where one exceeds ``interval``.

    Notes
    -----
    C+ = max(0, z - k + C+), C- = max(0, -z - k + C-): the tabular form of Page (1954), Biometrika
    41, 100, as in Montgomery (2013), Introduction to Statistical Quality Control, chapter 9. After
    an alarm the sum goes on from h, so that it ends soon after the fault does; a value that is
    beyond h alone gives its alarm and leaves the sum as it was. No first alarm is changed by it.
    """
    z = np.asarray(z, dtype=float)
    high, low = np.zeros(z.shape), np.zeros(z.shape)
    up, down = np.zeros(z.shape[1:]), np.zeros(z.shape[1:])
    for i, step in enumerate(z):
        known = np.isfinite(step)
        high[i] = np.where(known, np.maximum(0.0, up + step - allowance), up)
        low[i] = np.where(known, np.maximum(0.0, down - step - allowance), down)
        far = np.abs(step) - allowance > interval
        up = np.where(far & (step > 0), up, np.minimum(high[i], interval))
        down = np.where(far & (step < 0), down, np.minimum(low[i], interval))
    return high, low


def control_chart(
    time: Series,
    value: Series,
    *,
    reference: Scalar | float | None = None,
    uncertainty: Dimensional | float | np.ndarray | None = None,
    baseline: int | None = None,
    rules: tuple[str, ...] = RULES[:2],
) -> ControlChart:
    """Make a control chart of a check standard.

    Parameters
    ----------
    time : Quantity, DataArray or ndarray, (standard)
        Times of the readings: [s], or calendar times; any order.
    value : Quantity, DataArray or ndarray, (standard)
        Readings of the standard, in any unit; NaN is left out.
    reference : Quantity, str or float, optional
        Known value of the standard, in the unit of the readings; by default the median of the
        readings without a fault.
    uncertainty : Quantity, DataArray, str, float or ndarray, optional
        Standard uncertainty of one value, such as that of counting, in the unit of the values; by
        default from the moving ranges of the standards.
    baseline : int, optional
        Number of standards, the first in time, that give centre and scatter. By default all
        standards, which fails where most of them are out of control.
    rules : tuple of str
        Rules of :data:`RULES` that give an alarm.

    Returns
    -------
    ControlChart
        With fewer than four standards its status is "not_enough_standards", unless reference and
        uncertainty are both given.

    Raises
    ------
    UnitError
        For a wrong unit.
    ValueError
        For an unknown rule, a baseline of fewer than four standards, or times and values of
        different sizes.

    Notes
    -----
    Limits centre -+ 3 sigma, sigma the mean moving range over 1.128: chart of individual values
    of Shewhart (1931); moving ranges above 3.267 times the mean that their median gives are left
    out, which for sound values takes 2.5 % off the mean. Steps: sums of
    :func:`cumulative_sums`, k = 0.5 and h = 5, whose average run length is 465 in control and
    10.4 after a step by one sigma (Montgomery 2013, from memory). A fault that the sums find
    began where the mean departure up to the alarm stands out most (Hinkley 1970, Biometrika 57,
    1). Eight on one side of the centre is off by default.
    Limits that are estimated from few standards give false alarms oftener: in one of six sound
    charts of 22 standards, against one of eleven where centre and scatter are known (simulated).
    """
    rules = choices(rules, RULES, "rules")
    _check(baseline)
    unit, x = _values(value)
    when = _times(time)
    if when.shape != x.shape:
        raise ValueError(f"{when.size} times and {x.size} values; give one time for each value")
    order = np.argsort(when, kind="stable")
    centre = units.as_floats(reference, unit, "reference", optional=True)
    sigma = units.as_floats(uncertainty, unit, "uncertainty", difference=True, optional=True)
    if sigma is not None:
        sigma = np.broadcast_to(np.asarray(sigma, dtype=float), x.shape)[order]
    centre = None if centre is None else float(centre)
    judged = _judge(np.where(_lost(when), np.nan, x)[order], centre, sigma, baseline, rules)
    return _chart(when[order], x[order], unit, judged)


def _check(baseline: int | None) -> None:
    if baseline is not None and baseline < LEAST:
        raise ValueError(
            f"baseline is {baseline}; centre and scatter need at least {LEAST} standards. Give "
            "more, or reference and uncertainty"
        )


def _values(value: Series) -> tuple[str, np.ndarray]:
    """Unit and plain numbers of the values."""
    if isinstance(value, xr.DataArray):
        unit = str(value.attrs.get("units", "1"))
        value = value.assign_attrs(units=unit)
    else:
        unit = units.spelling(value) if hasattr(value, "units") else "1"
    if isinstance(value, (list, tuple)):
        value = np.asarray(value, dtype=float)
    return unit, np.atleast_1d(np.asarray(units.as_floats(value, unit, "value"), dtype=float))


def _times(time: Series) -> np.ndarray:
    if getattr(getattr(time, "dtype", None), "kind", "?") == "M":
        return np.atleast_1d(np.asarray(time))
    return np.atleast_1d(np.asarray(units.as_floats(time, "s", "time"), dtype=float))


def _lost(when: np.ndarray) -> np.ndarray:
    """Where a time is not known."""
    return np.asarray(np.isnat(when) if when.dtype.kind == "M" else np.isnan(when))


@dataclass(frozen=True)
class _Judged:
    centre: float
    sigma: Any
    high: np.ndarray
    low: np.ndarray
    rule: np.ndarray
    in_control: np.ndarray
    status: str


def _judge(
    x: np.ndarray, centre: float | None, sigma: Any, baseline: int | None, rules: tuple[str, ...]
) -> _Judged:
    """Centre, scatter and alarms; centre and scatter are estimated from standards in control."""
    known = np.isfinite(x)
    first = known if baseline is None else known & (np.cumsum(known) <= baseline)
    nothing = np.full(x.shape, np.nan)
    silent = np.full(x.shape, "", dtype=object)
    estimated = centre is None or sigma is None
    if estimated and first.sum() < LEAST:
        return _Judged(np.nan, np.nan, nothing, nothing, silent, known, "not_enough_standards")
    # Ranges hardly see a step; taken anew from what is left they would shrink from round to round.
    spread = _scatter(x[first]) if sigma is None else sigma
    if not np.all(np.asarray(spread) > 0.0):
        return _Judged(np.nan, np.nan, nothing, nothing, silent, known, "no_scatter")
    used = first
    dropped = np.zeros(x.shape, dtype=bool)
    for _ in range(_ROUNDS):
        middle = float(np.median(x[used])) if centre is None else centre
        z = (x - middle) / spread
        again = first & ~dropped & (np.abs(z) <= _WIDTH)
        if np.array_equal(again, used) and RULES[1] in rules:
            # One fault at a time, the clearest: about a centre that a fault has drawn aside, the
            # sums doubt good standards too.
            dropped |= _clearest_fault(np.where(again, z, np.nan))
            again = again & ~dropped
        too_few = again.sum() < max(LEAST, first.sum() / 2)
        if not estimated or too_few or np.array_equal(again, used):
            break
        used = again
    high, low, rule, fine = _alarms((x - middle) / spread, rules)
    status = "in_control" if fine[known].all() else "out_of_control"
    return _Judged(middle, spread, high, low, rule, fine & known, status)


def _scatter(x: np.ndarray) -> float:
    """Standard deviation from the ranges of neighbours, without those that a fault makes."""
    ranges = np.abs(np.diff(x))
    usual = float(np.median(ranges)) * _RANGE / _MIDDLE_RANGE or float(ranges.mean())
    return float(ranges[ranges <= _WIDE * usual].mean()) / (_RANGE * _KEPT)


def _alarms(
    z: np.ndarray, rules: tuple[str, ...]
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Sums, the rule of each alarm, and which standards are in control."""
    high, low = cumulative_sums(z)
    rule = np.full(z.shape, "", dtype=object)
    fine = np.ones(z.shape, dtype=bool)
    known = np.isfinite(z)
    if RULES[2] in rules:
        for side in (z > 0.0, z < 0.0):
            for last in range(7, int(known.sum())):
                eight = np.flatnonzero(known)[last - 7 : last + 1]
                if side[eight].all():
                    rule[eight[-1]] = RULES[2]
                    fine[eight] = False
    if RULES[1] in rules:
        for sums in (high, low):
            rule[known & (sums > INTERVAL)] = RULES[1]
            for begin, end in _faults(z, sums):
                fine[begin : end + 1] = False
    if RULES[0] in rules:
        beyond = known & (np.abs(z) > _WIDTH)
        rule[beyond] = RULES[0]
        fine[beyond] = False
    return high, low, rule, fine


def _faults(z: np.ndarray, sums: np.ndarray) -> list[tuple[int, int]]:
    """First and last standard of each fault that a sum shows: one rise from zero, one fault."""
    found: list[tuple[int, int]] = []
    rise = np.cumsum(sums <= 0.0)
    alarms = np.flatnonzero(sums > INTERVAL)
    for number in np.unique(rise[alarms]):
        these = alarms[rise[alarms] == number]
        begin = int(np.flatnonzero((rise == number) & (sums > 0.0))[0])
        back = z[begin : these[0] + 1][::-1]
        count = np.maximum(np.cumsum(np.isfinite(back)), 1)
        onset = int(np.argmax(np.abs(np.nancumsum(back)) / np.sqrt(count)))
        found.append((int(these[0]) - onset, int(these[-1])))
    return found


def _clearest_fault(z: np.ndarray) -> np.ndarray:
    """Standards of the fault whose mean departure stands out most; none without an alarm."""
    best, found = 0.0, np.zeros(z.shape, dtype=bool)
    for sums in cumulative_sums(z):
        for begin, end in _faults(z, sums):
            part = z[begin : end + 1]
            size = abs(np.nansum(part)) / np.sqrt(max(np.isfinite(part).sum(), 1))
            if size > best:
                best, found = size, np.zeros(z.shape, dtype=bool)
                found[begin : end + 1] = True
    return found


def _chart(when: np.ndarray, x: np.ndarray, unit: str, judged: _Judged) -> ControlChart:
    reach = _WIDTH * np.broadcast_to(np.asarray(judged.sigma, dtype=float), x.shape)
    seconds: dict[str, Any] = {} if when.dtype.kind == "M" else {"units": "s"}
    columns: dict[str, tuple[Any, dict[str, Any]]] = {
        "time": (when, {"long_name": "time of the check", **seconds}),
        "value": (x, {"units": unit, "long_name": "value of the check standard"}),
        "centre": (np.full(x.shape, judged.centre), {"units": unit, "long_name": "centre"}),
        "sigma": (reach / _WIDTH, {"units": unit, "long_name": "standard deviation of one value"}),
        "lower": (judged.centre - reach, {"units": unit, "long_name": "lower limit"}),
        "upper": (judged.centre + reach, {"units": unit, "long_name": "upper limit"}),
        "cumulative_high": (judged.high, {"units": "1", "long_name": "cumulative sum, high"}),
        "cumulative_low": (judged.low, {"units": "1", "long_name": "cumulative sum, low"}),
        "alarm": (judged.rule != "", {"long_name": "alarm"}),
        "alarm_rule": (judged.rule, {"long_name": "rule that gave the alarm"}),
        "in_control": (judged.in_control, {"long_name": "standard in control"}),
    }
    variables = {name: ("standard", part, words) for name, (part, words) in columns.items()}
    attributes = {"status": judged.status, "interval": INTERVAL, "allowance": ALLOWANCE}
    return ControlChart(xr.Dataset(variables, attrs=attributes), judged.status)


def out_of_control(chart: ControlChart, times: Series) -> np.ndarray | xr.DataArray:
    """Readings between the last standard in control and the next one.

    Parameters
    ----------
    chart : ControlChart
        From :func:`control_chart`.
    times : Quantity, DataArray or ndarray, (reading)
        Times of the readings, of the same kind as the chart's: [s], or calendar times.

    Returns
    -------
    ndarray or DataArray of int64, (reading)
        The bit ``standard_out_of_control`` or 0. Readings before the first standard take its
        state, readings after the last that of the last. Readings without a time get 0, as do all
        readings when the chart has no limits.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        When chart and readings have times of two kinds.

    Notes
    -----
    Definition: an open stretch of time around each run of standards that are out of control, up
    to the neighbours that are in control.
    """
    when = _times(times)
    table = chart.dataset
    at = table["time"].values
    if (when.dtype.kind == "M") != (at.dtype.kind == "M"):
        raise ValueError(
            f"times are of type {when.dtype} and those of the chart {at.dtype}; give both as "
            "calendar times, or both in s"
        )
    doubted = np.zeros(when.shape, dtype=bool)
    if chart.judged:
        known = np.isfinite(table["value"].values)
        at, fine = at[known], table["in_control"].values[known]
        before = np.searchsorted(at, when, side="right") - 1
        after = np.searchsorted(at, when, side="left")
        # At the time of a standard both are that standard; outside the chart both its last one.
        left = fine[np.clip(before, 0, at.size - 1)]
        right = fine[np.clip(after, 0, at.size - 1)]
        doubted = ~(left & right) & ~_lost(when)
    mask = np.where(doubted, flags.bit("standard_out_of_control"), 0).astype(np.int64)
    if isinstance(times, xr.DataArray) and times.dims:
        placed = units.position_in_library_units(times)
        return xr.DataArray(mask, dims=times.dims, coords=placed.coords)
    return mask
