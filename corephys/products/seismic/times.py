"""Depth to two-way time and back, and times of one hole from core, log and check shots."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import arguments, companions, flags, series, units
from corephys.ground.choices import choice, matching, plain_words
from corephys.ground.series import TooFewError
from corephys.products.seismic.profiles import first_of_repeats
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Scalar

__all__ = ["check_shot_times", "compare_times", "depth_at_time", "time_at_depth", "time_depth"]

# --------------------------------------------------------------------------------------------------
# Depth to two-way time and back, from whichever source, and how far the sources differ.
#
# Every table of times states its time zero: the seafloor, sea level, or its first row. Two tables
# are compared only if they have the same time zero.


SEAFLOOR, SEA_LEVEL = "seafloor", "sea_level"
_TIMES = {SEAFLOOR: "two_way_time", SEA_LEVEL: "two_way_time_from_sea_level"}


def time_depth(
    profile: xr.Dataset,
    *,
    datum: str = SEAFLOOR,
    water_depth: Scalar | None = None,
    sound_speed: Scalar | None = None,
    sound_speed_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Table of two-way time against depth from a profile, from the seafloor or from sea level.

    Parameters
    ----------
    profile : Dataset, (reading)
        From ``seismic.profile``: ``p_wave_velocity`` [m/s] at increasing ``depth`` [m].
    datum : {"seafloor", "sea_level"}
        Datum of time zero; sea level needs ``water_depth`` and ``sound_speed``.
    water_depth, sound_speed : Quantity or str, optional
        Depth of water [m], mean speed of sound in it [m/s].
    sound_speed_uncertainty : Quantity or str, optional
        Standard uncertainty [m/s]; the effect ``water_sound_speed``.

    Returns
    -------
    Dataset, (reading)
        ``two_way_time`` or ``two_way_time_from_sea_level`` [s] with uncertainty and effects, at
        the depths of the profile and at 0 m; attribute ``datum``.

    Raises
    ------
    ValueError
        For an unknown datum, missing arguments of the water, or depths that do not increase.

    Notes
    -----
    2 zw / cw + 2 sum dz / V, slowness linear between rows: definition. Above the first row of the
    profile the velocity is the mean slowness of its first metre; that row is flagged
    ``interpolated_input`` when it lies more than 1 m down.
    """
    datum = choice(datum, _TIMES, "datum")
    profile = companions.library_units(profile)
    speed = series.take(
        series.unpack(profile, "p_wave_velocity"), np.arange(profile.sizes["reading"])
    )
    depth = np.asarray(profile["depth"].values, dtype=float)
    if not (np.all(np.diff(depth) > 0.0) and np.all(speed.values > 0.0)) or depth.size < 2:
        raise ValueError(
            f"the profile has {depth.size} rows; a table of times needs two or more velocities "
            "above zero at depths that increase. Make the profile with seismic.profile"
        )
    if depth[0] < 0.0:
        raise ValueError(
            f"the profile begins {-depth[0]:g} m above the seafloor; leave out depths below zero"
        )
    # The first metre represents the sediment above it, where there is no reading.
    start = depth <= depth[0] + 1.0
    lead = depth[0] > 0.0
    time, random, effects = _travel(depth, speed, start, lead)
    rows = np.concatenate([[0.0], depth]) if lead else depth
    reason = np.zeros(rows.size, dtype=np.int64)
    reason[1:2] |= flags.bit("interpolated_input") if lead and depth[0] > 1.0 else 0
    if datum == SEA_LEVEL:
        water, by_speed = _water(water_depth, sound_speed, sound_speed_uncertainty)
        time, effects = (
            time + water,
            {**effects, "water_sound_speed": np.full(time.shape, by_speed)},
        )
    name = _TIMES[datum]
    values = xr.DataArray(time, dims="reading", coords={"depth": ("reading", rows)})
    return series.build(
        {name: Measured(values, random, effects, reason)},
        steps=("two-way time 2 sum dz / V, slowness linear between rows",),
        datum=datum,
    )


def _travel(
    depth: np.ndarray, speed: Measured, start: np.ndarray, lead: bool
) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Times, random deviations and effects [s]; with a lead, a row at the seafloor goes first."""
    slowness, step = 1.0 / speed.values, np.diff(depth)
    by_velocity = -(slowness**2)

    def accumulate(part: np.ndarray) -> np.ndarray:
        added = np.concatenate([[0.0], np.cumsum(step * (part[:-1] + part[1:]))])
        if not lead:
            return added
        return np.concatenate([[0.0], added + 2.0 * depth[0] * part[start].mean()])

    effects = {
        source: accumulate(by_velocity * np.broadcast_to(effect, depth.shape))
        for source, effect in speed.effects.items()
    }
    one = (by_velocity * np.broadcast_to(np.asarray(speed.u_random), depth.shape)) ** 2
    # A reading counts with the steps on both its sides, the first ones also with the lead.
    extra = np.where(start, 2.0 * depth[0] / max(int(start.sum()), 1), 0.0) if lead else 0.0 * one
    both = np.concatenate([step, [0.0]]) + np.concatenate([[0.0], step]) + extra
    upper = np.concatenate([[0.0], step]) + extra
    before = np.concatenate([[0.0], np.cumsum(both**2 * one)[:-1]])
    below = np.concatenate([np.cumsum((extra**2 * one)[::-1])[::-1][1:], [0.0]])
    variance = before + upper**2 * one + below
    variance[0] = np.sum(extra**2 * one)
    random = np.sqrt(variance)
    return accumulate(slowness), np.concatenate([[0.0], random]) if lead else random, effects


def _water(
    water_depth: Scalar | None, sound_speed: Scalar | None, uncertainty: Scalar | None
) -> tuple[float, float]:
    """Two-way time through the water and its one-sigma effect of the speed [s]."""
    if water_depth is None or sound_speed is None:
        raise ValueError(
            "times from sea level need water_depth= and sound_speed=, such as '1500 m/s', which is "
            "common practice where no profile of the water is at hand"
        )
    depth = float(arguments.positive(water_depth, "m", "water_depth"))
    speed = float(arguments.positive(sound_speed, "m/s", "sound_speed"))
    u = units.as_floats(uncertainty, "m/s", "sound_speed_uncertainty", optional=True)
    return 2.0 * depth / speed, float("nan") if u is None else -2.0 * depth / speed**2 * float(u)


def check_shot_times(
    table: xr.Dataset,
    *,
    datum: str = SEAFLOOR,
    water_depth: Scalar | None = None,
    sound_speed: Scalar | None = None,
    time_uncertainty: Scalar | None = None,
) -> xr.Dataset:
    """Table of times from check shots, with time zero at the seafloor.

    Parameters
    ----------
    table : Dataset, (reading)
        ``two_way_time`` or ``one_way_time`` [s] with the coordinate ``depth`` [m] below seafloor.
    datum : {"seafloor", "sea_level"}
        Datum of the times of the table; the time in water is subtracted from those from sea level.
    water_depth, sound_speed : Quantity or str, optional
        Depth of water [m] and speed of sound in it [m/s], for times from sea level.
    time_uncertainty : Quantity or str, optional
        Random standard uncertainty of a two-way time [s].

    Returns
    -------
    Dataset, (reading)
        ``two_way_time`` [s] below the seafloor in the order of depth; attribute ``datum``.

    Raises
    ------
    ValueError
        For fewer than two shots, or times that do not grow with depth.

    Notes
    -----
    Definition: twice the one-way time along the vertical. Times of a source beside the hole must
    be corrected to the vertical before.
    """
    datum = choice(datum, _TIMES, "datum")
    table = units.position_in_library_units(table)
    both = np.full(table.sizes["reading"], np.nan)
    for name, factor in (("one_way_time", 2.0), ("two_way_time", 1.0)):
        if name in table:
            given = factor * np.asarray(units.as_floats(table[name], "s", name), dtype=float)
            both = np.where(np.isfinite(given), given, both)
    depth = np.asarray(table["depth"].values, dtype=float)
    use = np.isfinite(both) & np.isfinite(depth)
    index = np.flatnonzero(use)
    if index.size < 2:
        raise series.TooFewError(
            f"{index.size} check shots with depth and time are too few for a table; it needs two"
        )
    index = first_of_repeats(index[np.argsort(depth[index], kind="stable")], depth)
    time, z = both[index], depth[index]
    if datum == SEA_LEVEL:
        time = time - _water(water_depth, sound_speed, None)[0]
    _increasing(time, "the times of the check shots", z)
    u = units.as_floats(time_uncertainty, "s", "time_uncertainty", optional=True)
    values = xr.DataArray(time, dims="reading", coords={"depth": ("reading", z)})
    return series.build(
        {"two_way_time": Measured(values, np.nan if u is None else float(u))},
        steps=("check shots, twice the one-way time",),
        datum=SEAFLOOR,
        readings_left_out=int(use.size - index.size),
    )


def _increasing(values: np.ndarray, what: str, depth: np.ndarray) -> None:
    wrong = np.flatnonzero(np.diff(values) <= 0.0)
    if wrong.size:
        i = int(wrong[0])
        raise ValueError(
            f"{what} must increase with depth; they go from {values[i]:g} to {values[i + 1]:g} s "
            f"between {depth[i]:g} and {depth[i + 1]:g} m"
        )


def checked_table(table: xr.Dataset) -> tuple[str, np.ndarray, np.ndarray]:
    """Name of the time, depth and time of a table in which both increase."""
    table = units.position_in_library_units(table)
    name = next((n for n in _TIMES.values() if n in table), None)
    if name is None or "depth" not in table.coords:
        raise ValueError(
            "the table has no two-way time with the coordinate depth; make it with "
            "seismic.time_depth"
        )
    time = np.asarray(units.as_floats(table[name], "s", name), dtype=float)
    depth = np.asarray(table["depth"].values, dtype=float)
    if depth.size < 2 or not np.all(np.diff(depth) > 0.0):
        raise ValueError(
            f"the table of times has {depth.size} rows; it needs two or more, with depths that "
            "increase from row to row"
        )
    _increasing(time, "two-way times", depth)
    return name, depth, time


def time_at_depth(table: xr.Dataset, depth: Dimensional, *, outside: str = "refuse") -> xr.Dataset:
    """Two-way time at given depths.

    Parameters
    ----------
    table : Dataset, (reading)
        From :func:`time_depth` or :func:`check_shot_times`.
    depth : Quantity, DataArray or str
        Depths below seafloor [m].
    outside : {"refuse", "flag"}
        Depths beyond the table are an error, or are extrapolated at the velocity of the nearest
        rows and flagged ``beyond_calibration``.

    Returns
    -------
    Dataset, (reading)
        Time of the table's kind [s], with uncertainty, effects and the table's ``datum``.

    Raises
    ------
    ValueError
        For depths beyond the table, or a table whose times do not increase with depth.

    Notes
    -----
    Linear between rows, so that :func:`depth_at_time` is its inverse: definition.
    """
    name, z, time = checked_table(table)
    at = np.atleast_1d(np.asarray(units.as_floats(depth, "m", "depth"), dtype=float))
    outer = beyond(at, z, "m", outside)
    weights = Between(z, at)
    measured = series.take(series.unpack(table, name), np.arange(z.size))
    reason = np.where(outer, flags.bit("beyond_calibration"), 0)
    values = xr.DataArray(weights(time), dims="reading", coords={"depth": ("reading", at)})
    random = weights(np.broadcast_to(np.asarray(measured.u_random, dtype=float), z.shape))
    effects = {source: weights(effect) for source, effect in measured.effects.items()}
    return series.build(
        {name: Measured(values, np.abs(random), effects, reason)},
        steps=(*json.loads(table.attrs.get("steps", "[]")), "straight between rows"),
        datum=str(table.attrs.get("datum", SEAFLOOR)),
    )


def depth_at_time(table: xr.Dataset, time: Dimensional, *, outside: str = "refuse") -> xr.Dataset:
    """Depth at given two-way times.

    Parameters
    ----------
    table : Dataset, (reading)
        From :func:`time_depth` or :func:`check_shot_times`.
    time : Quantity, DataArray or str
        Two-way time [s] from the datum of the table.
    outside : {"refuse", "flag"}
        Same as for :func:`time_at_depth`.

    Returns
    -------
    Dataset, (reading)
        ``depth`` [m] below seafloor with uncertainty and effects, and ``two_way_time`` or
        ``two_way_time_from_sea_level`` as coordinate.

    Raises
    ------
    ValueError
        For times beyond the table, or a table whose times do not increase with depth.

    Notes
    -----
    Linear between rows: definition. An error of time gives one of depth by half the velocity there,
    with the opposite sign.
    """
    name, z, times = checked_table(table)
    at = np.atleast_1d(np.asarray(units.as_floats(time, "s", "time"), dtype=float))
    outer = beyond(at, times, "s", outside)
    weights = Between(times, at)
    rate = -weights.slope(z)
    measured = series.take(series.unpack(table, name), np.arange(z.size))
    random = weights(np.broadcast_to(np.asarray(measured.u_random, dtype=float), z.shape))
    effects = {source: rate * weights(effect) for source, effect in measured.effects.items()}
    values = xr.DataArray(weights(z), dims="reading", coords={name: ("reading", at)})
    reason = np.where(outer, flags.bit("beyond_calibration"), 0)
    return series.build(
        {"depth": Measured(values, np.abs(rate * random), effects, reason)},
        steps=(*json.loads(table.attrs.get("steps", "[]")), "straight between rows"),
        datum=str(table.attrs.get("datum", SEAFLOOR)),
    )


def beyond(at: np.ndarray, known: np.ndarray, unit: str, outside: str) -> np.ndarray:
    outside = choice(outside, ("refuse", "flag"), "outside")
    beyond = (at < known[0]) | (at > known[-1])
    if outside == "refuse" and beyond.any():
        raise ValueError(
            f"{int(beyond.sum())} of {at.size} lie beyond the table, which runs from {known[0]:g} "
            f"to {known[-1]:g} {unit}; leave them out, or use outside='flag' to extrapolate and "
            "flag them"
        )
    return np.asarray(beyond)


class Between:
    """Linear interpolation on a grid, with extrapolation beyond its ends."""

    def __init__(self, known: np.ndarray, at: np.ndarray) -> None:
        self.left = np.clip(np.searchsorted(known, at, side="right") - 1, 0, known.size - 2)
        self.width = known[self.left + 1] - known[self.left]
        self.share = (at - known[self.left]) / self.width

    def __call__(self, values: Any) -> np.ndarray:
        values = np.asarray(values, dtype=float)
        first = values[self.left]
        return np.asarray(first + self.share * (values[self.left + 1] - first))

    def slope(self, values: np.ndarray) -> np.ndarray:
        return np.asarray((values[self.left + 1] - values[self.left]) / self.width)


# --------------------------------------------------------------------------------------------------
# Comparison of the two-way times of one hole from core, log and check shots.


def compare_times(
    *,
    core: xr.Dataset | None = None,
    log: xr.Dataset | None = None,
    check_shots: xr.Dataset | None = None,
    at: Dimensional | None = None,
    zero: str = SEAFLOOR,
) -> xr.Dataset:
    """Two-way times of core, log and check shots at common depths, their envelope and spread.

    Parameters
    ----------
    core, log, check_shots : Dataset, (reading), optional
        Two or three tables of times from the seafloor [s], from ``seismic.time_depth`` or
        ``seismic.check_shot_times``.
    at : Quantity or DataArray, optional
        Depths [m]; without them those of the table with the fewest, where all tables have times.
    zero : {"seafloor", "first_common_depth"}
        Compare the times themselves, or their increase from the first common depth, for a log that
        does not reach the seafloor.

    Returns
    -------
    Dataset, (reading)
        ``two_way_time`` [s] along ``way`` and ``reading``, ``earliest`` and ``latest`` [s],
        ``difference`` of each way from the mean of all and ``spread``, latest less earliest [%].

    Raises
    ------
    ValueError
        For fewer than two tables, tables with another datum, or depths that are not common.

    Notes
    -----
    Definition, in per cent of the mean. Published curves of one hole differ by up to 55 %, least in
    igneous and siliciclastic rocks and most in carbonates (abstract in Marine Geophysical Research,
    2019, doi 10.1007/s11001-019-09393-7).
    """
    given = {"core": core, "log": log, "check_shots": check_shots}
    tables = {way: table for way, table in given.items() if table is not None}
    if len(tables) < 2:
        raise ValueError(f"{len(tables)} table of times given; a comparison needs two or three")
    zero = choice(zero, (SEAFLOOR, "first_common_depth"), "zero")
    others = [
        plain_words(way)
        for way, table in tables.items()
        if matching(table.attrs.get("datum"), _TIMES) == SEA_LEVEL
    ]
    if others:
        raise ValueError(
            f"the times of {', '.join(others)} are from sea level; give them from the seafloor"
        )
    known = {way: checked_table(table)[1:] for way, table in tables.items()}
    top = max(float(depth[0]) for depth, _ in known.values())
    bottom = min(float(depth[-1]) for depth, _ in known.values())
    z = min((depth for depth, _ in known.values()), key=np.size)
    # A depth converted from another unit may miss the end of a table by its last bit.
    z = np.clip(z[(z >= top - 1e-9) & (z <= bottom + 1e-9)], top, bottom)
    if at is not None:
        z = np.atleast_1d(np.asarray(units.as_floats(at, "m", "at"), dtype=float))
    if z.size < 2:
        raise TooFewError(
            f"the tables have {z.size} depths in common; a comparison needs two. Give at= where "
            "all have times"
        )
    for depth, _ in known.values():
        beyond(z, depth, "m", "refuse")
    times = np.array([Between(depth, z)(time) for depth, time in known.values()])
    if zero != SEAFLOOR:
        times -= times[:, :1]
    return _comparison(list(tables), z, times, zero)


def _comparison(ways: list[str], z: np.ndarray, times: np.ndarray, zero: str) -> xr.Dataset:
    mean = times.mean(axis=0)
    relative = np.where(mean > 0.0, mean, np.nan)
    found = xr.Dataset(
        {
            "two_way_time": (
                ("way", "reading"),
                times,
                {
                    "units": "s",
                    "long_name": f"two-way time from the {plain_words(zero)}",
                },
            ),
            "earliest": (
                "reading",
                times.min(axis=0),
                {
                    "units": "s",
                    "long_name": "earliest two-way time of all ways",
                },
            ),
            "latest": (
                "reading",
                times.max(axis=0),
                {
                    "units": "s",
                    "long_name": "latest two-way time of all ways",
                },
            ),
            "difference": (
                ("way", "reading"),
                100.0 * (times - mean) / relative,
                {
                    "units": "%",
                    "long_name": "difference from the mean of all ways",
                },
            ),
            "spread": (
                "reading",
                100.0 * np.ptp(times, axis=0) / relative,
                {
                    "units": "%",
                    "long_name": "latest less earliest of all ways, of their mean",
                },
            ),
        },
        coords={
            "depth": ("reading", z, {"units": "m", "long_name": "depth below seafloor"}),
            "way": ("way", np.array(ways, dtype=object), {"long_name": "source of the times"}),
        },
    )
    spread = found["spread"].values[np.isfinite(found["spread"].values)]
    widest = float(spread.max()) if spread.size else float("nan")
    found.attrs = {"zero": zero, "widest_spread_percent": widest}
    return found
