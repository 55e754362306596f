"""Checks downhole and along depth: stations, records, tools, check shots, ages, salinity, logs."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping

import numpy as np

from corephys.ground import thresholds
from corephys.hole.checks.finding import (
    Check,
    Finding,
    Tables,
    factor_in_words,
    median,
    more,
    temperature_unit,
)

__all__ = ["CHECKS", "last_temperatures"]

_LEAST = thresholds.count("slip_section_readings")
_STATION = thresholds.value("slip_station_depth")  # m
_STATION_SHARE = thresholds.value("slip_station_share")
_SHORT = thresholds.value("slip_shortest_record")  # s
_DIFFERENCE = thresholds.value("slip_bottom_water_difference")  # K
_GRADIENT = thresholds.value("slip_gradient")  # K/m
_GRADIENT_DEPTH = thresholds.value("slip_gradient_depth")  # m
_ERRORS = thresholds.value("slip_station_errors")
_RANGE = thresholds.value("slip_station_range")
_DEPTH_RATIO = thresholds.value("slip_depth_ratio")
_TOOL = thresholds.value("slip_tool_ratio")
_SLOW = thresholds.value("slip_slowest_interval")  # km/s
_FAST = thresholds.value("slip_fastest_interval")  # km/s
_INTERVAL = thresholds.value("slip_interval_ratio")
_LEAST_RATE = thresholds.value("least_sedimentation_rate")  # m/Myr
_RATE = thresholds.value("slip_accumulation")  # m/Myr
_RATE_DEPTH = thresholds.value("slip_accumulation_depth")  # m
_OLDEST = thresholds.value("greatest_sediment_age")  # kyr
_AGE_ERRORS = thresholds.value("slip_age_errors")
_AGE_SHARE = thresholds.value("slip_age_share")
_SALINITY = thresholds.value("slip_salinity_ratio")
_SALINITY_FITS = thresholds.value("slip_salinity_fits")
_SLACK = thresholds.value("log_datum_slack")  # m
_RIG_FLOOR = thresholds.value("rig_floor_height")  # m
_CONDUCTS = thresholds.value("slip_greatest_conductivity")  # W/(m K)
_STEEL = thresholds.value("slip_steel")  # J/(m^3 K)
_RISE = thresholds.value("slip_penetration_rise")

# --------------------------------------------------------------------------------------------------
# Stations, their records and tools.


def _stations(tables: Tables) -> Iterator[Finding]:
    """Stations far below the hole, or with a conductivity in another unit."""
    name = "downhole/stations"
    depth, hole, water = tables.number(name, "depth"), tables.hole_bottom, tables.water_depth
    table = tables.get(name)
    if table is None:
        return
    if depth is not None and hole > 0:
        limit = hole * (1.0 + _STATION_SHARE) + _STATION
        with np.errstate(invalid="ignore"):
            rows = np.flatnonzero(depth > limit)
        if rows.size:
            row = int(rows[0])
            from_sea = water > 0 and bool(
                (np.abs(depth[rows] - water - hole / 2) <= hole / 2 + _STATION).all()
            )
            slip = (
                "depth below the sea surface in place of the seafloor"
                if from_sea
                else factor_in_words(
                    float(depth[row]),
                    0.0,
                    limit,
                    ((0.3048, "feet under m"), (0.01, "cm under m")),
                    "the depth is mistyped",
                )
            )
            yield Finding(
                "stations",
                table.file,
                f"the station {table['station'][row]!r} lies at {depth[row]:g} m, and the deepest "
                f"core ends at {hole:g} m{more(rows.size, 'station')}",
                slip,
                "Write depths below the seafloor; heat flow depends on them",
                f"{depth[row]:g} m",
                row=table.line(row),
                count=int(rows.size),
                moves={name: rows},
            )
    conductivity = tables.number(name, "conductivity")
    if conductivity is not None:
        with np.errstate(invalid="ignore"):
            rows = np.flatnonzero(conductivity > _CONDUCTS)
        if rows.size:
            row = int(rows[0])
            yield Finding(
                "stations",
                table.file,
                f"the conductivity of the station {table['station'][row]!r} is "
                f"{conductivity[row]:g} W/(m K){more(rows.size, 'station')}",
                "mW/(m K) under W/(m K)",
                "Write the unit of the file in the header, such as 'conductivity [mW/(m K)]'",
                f"{conductivity[row]:g} W/(m K)",
                row=table.line(row),
                count=int(rows.size),
                moves={name: rows},
            )


def _by_station(tables: Tables) -> dict[str, np.ndarray]:
    """Rows of the record of each station, in the order of the table."""
    station = tables.text("downhole/formation_temperature", "station")
    if station is None:
        return {}
    known: dict[str, int] = {}
    code = np.fromiter((known.setdefault(word, len(known)) for word in station), int, station.size)
    order = np.argsort(code, kind="stable")
    bounds = np.searchsorted(code[order], np.arange(len(known) + 1))
    return {word: order[bounds[k] : bounds[k + 1]] for word, k in known.items()}


def _records(tables: Tables) -> Iterator[Finding]:
    """Records too short, and times of penetration outside their record."""
    name, parent = "downhole/formation_temperature", "downhole/stations"
    time = tables.number(name, "time")
    records = _by_station(tables)
    if time is None or not records:
        return
    spans = np.array([np.fmax.reduce(time[r]) - np.fmin.reduce(time[r]) for r in records.values()])
    level = median(spans)
    if math.isfinite(level) and level < _SHORT and len(time) > _LEAST * len(records):
        yield Finding(
            "records of temperature",
            tables.file(name),
            f"half of the records last {level:.4g} s or less",
            "minutes or hours under s",
            "Write the unit of the file in the header, such as 'time [min]'",
            f"{level:.4g} s",
            row=tables.line(name, 0),
            count=len(records),
            moves=_all_stations(tables),
        )
    stations = tables.get(parent)
    start, end = tables.number(parent, "penetration_time"), tables.number(parent, "end_time")
    if stations is None or start is None:
        return
    finish = np.full(start.shape, np.nan) if end is None else end
    warm = tables.number(name, "temperature")
    outside = []
    for row, word in enumerate(stations["station"].tolist()):
        held = records.get(word)
        if held is None or held.size < _LEAST or not np.isfinite(start[row]):
            continue
        first, last = np.fmin.reduce(time[held]), np.fmax.reduce(time[held])
        if not first <= start[row] <= last or finish[row] <= start[row]:
            outside.append((row, float(first), float(last)))
        elif warm is not None and _flat(time[held], warm[held], float(start[row])):
            outside.append((row, float("nan"), float("nan")))
    if not outside:
        return
    row, first, last = outside[0]
    if finish[row] <= start[row]:
        words = f"end_time is {finish[row]:g} s, not after penetration_time {start[row]:g} s"
        slip = "the two times are exchanged"
    elif math.isnan(first):
        words = f"penetration_time is {start[row]:g} s, and its record does not rise then"
        slip = "minutes under s, or a time from another start of the clock"
    else:
        words = f"penetration_time is {start[row]:g} s, and its record runs from {first:g} to "
        words += f"{last:g} s"
        slip = "minutes under s, or a time from another start of the clock"
    yield Finding(
        "records of temperature",
        stations.file,
        f"station {stations['station'][row]!r}: {words}{more(len(outside), 'station')}",
        slip,
        "Write times of stations and records from one start, in s",
        f"{start[row]:g} s",
        row=stations.line(row),
        count=len(outside),
        moves={parent: np.array([one[0] for one in outside])},
    )


def _flat(time: np.ndarray, warm: np.ndarray, start: float) -> bool:
    """Whether a record does not rise at its penetration, as the friction of a probe makes it."""
    with np.errstate(invalid="ignore"):
        before = warm[(time >= start - _SHORT) & (time < start)]
        after = warm[(time >= start) & (time <= start + _SHORT)]
    before, after = before[np.isfinite(before)], after[np.isfinite(after)]
    if before.size < 2 or after.size < 2:
        return False
    span = float(np.fmax.reduce(warm) - np.fmin.reduce(warm))
    return bool(after.max() - np.median(before) < _RISE * span)


def _all_stations(tables: Tables) -> dict[str, np.ndarray]:
    """All rows of the table of stations."""
    table = tables.get("downhole/stations")
    return {} if table is None else {"downhole/stations": np.arange(len(table))}


def last_temperatures(tables: Tables) -> dict[int, float]:
    """End of each record [degC], nearest to the formation, by the row of its station."""
    warm = tables.number("downhole/formation_temperature", "temperature")
    kind = tables.text("downhole/formation_temperature", "kind")
    depth, stations = tables.number("downhole/stations", "depth"), tables.get("downhole/stations")
    if warm is None or depth is None or stations is None:
        return {}
    place = {word: row for row, word in enumerate(stations["station"].tolist())}
    end = tables.number("downhole/stations", "end_time")
    time = tables.number("downhole/formation_temperature", "time")
    found = {}
    for word, rows in _by_station(tables).items():
        row = place.get(word, -1)
        if row < 0 or not np.isfinite(depth[row]):
            continue
        if kind is not None:
            rows = rows[kind[rows] != "bottom_water"]
        if end is not None and time is not None and np.isfinite(end[row]):
            rows = rows[time[rows] <= end[row]]
        late = median(warm[rows[-max(1, rows.size // 20) :]])
        if math.isfinite(late):
            found[row] = late
    return found


def _record_temperatures(tables: Tables) -> Iterator[Finding]:
    """Recorded temperatures far from bottom water, or beyond any gradient."""
    name = "downhole/formation_temperature"
    warm = tables.number(name, "temperature")
    if warm is None:
        return
    setting = tables.setting("hole", "bottom_water_temperature", "degC")
    kind = tables.text(name, "kind")
    if kind is not None and (kind == "bottom_water").any() and math.isfinite(setting):
        held = median(warm[kind == "bottom_water"])
        if abs(held - setting) > _DIFFERENCE:
            yield Finding(
                "recorded temperatures",
                tables.file(name),
                f"the records of bottom water are near {held:.5g} degC, and [hole] "
                f"bottom_water_temperature is {setting:g} degC",
                temperature_unit(held, setting, _DIFFERENCE),
                "Write the unit of the file in the header, such as 'temperature [K]', or correct "
                "the setting",
                f"{held:.5g} degC",
                row=tables.line(name, int(np.flatnonzero(kind == "bottom_water")[0])),
                count=int((kind == "bottom_water").sum()),
                moves=_all_stations(tables),
            )
            return
    depth = tables.number("downhole/stations", "depth")
    stations = tables.get("downhole/stations")
    if depth is None or stations is None:
        return
    bottom = setting if math.isfinite(setting) else 0.0
    place = dict(zip(stations["station"].tolist(), range(depth.size), strict=True))
    steep = []
    last: dict[int, float] = {}
    for word, rows in _by_station(tables).items():
        row = place.get(word, -1)
        # The end of a record is nearest to the temperature of the formation.
        late = median(warm[rows[-max(1, rows.size // 5) :]])
        if row >= 0 and math.isfinite(late) and np.isfinite(depth[row]):
            last[row] = late
        if row < 0 or not depth[row] >= _GRADIENT_DEPTH:
            continue
        if abs(late - bottom) > _GRADIENT * depth[row] + _DIFFERENCE:
            steep.append((row, late))
    if not steep:
        yield from _off_the_line(tables, depth, last)
        return
    row, late = steep[0]
    gradient = (late - bottom) / float(depth[row])
    yield Finding(
        "recorded temperatures",
        tables.file(name),
        f"the record of the station {stations['station'][row]!r} ends at {late:.5g} degC, a "
        f"gradient of {gradient:.3g} K/m from the seafloor{more(len(steep), 'station')}",
        temperature_unit(late, bottom + 0.05 * float(depth[row]), 0.1 * float(depth[row]) + 5.0),
        "Write the unit of the file in the header, such as 'temperature [K]'",
        f"{late:.5g} degC",
        row=stations.line(row),
        count=len(steep),
        moves={"downhole/stations": np.array([one[0] for one in steep])},
    )


def _off_the_line(
    tables: Tables, depth: np.ndarray, last: Mapping[int, float]
) -> Iterator[Finding]:
    """A station whose depth and temperature lie far from the line of the others."""
    rows = np.array(sorted(last), dtype=int)
    if rows.size < _LEAST:
        return
    z, warm = depth[rows], np.array([last[row] for row in rows.tolist()])
    first, second = np.triu_indices(rows.size, 1)
    apart = np.abs(z[second] - z[first]) > 0
    if not apart.any():
        return
    # The median of all slopes is not moved by one station.
    slope = median((warm[second] - warm[first])[apart] / (z[second] - z[first])[apart])
    level = median(warm - slope * z)
    residual = warm - slope * z - level
    scatter = 1.4826 * median(np.abs(residual))
    limit = max(_ERRORS * scatter, _RANGE * float(np.ptp(warm)))
    wrong = np.flatnonzero(np.abs(residual) > limit)
    if not wrong.size or wrong.size > 0.25 * rows.size or slope == 0:
        return
    k = int(wrong[0])
    stations = tables.columns["downhole/stations"]
    row = int(rows[k])
    fits = (warm[k] - level) / slope
    yield Finding(
        "recorded temperatures",
        stations.file,
        f"the station {stations['station'][row]!r} at {z[k]:g} m ends at {warm[k]:.4g} degC, and "
        f"the line of the other stations has this temperature at {fits:.4g} m"
        f"{more(wrong.size, 'station')}",
        "the depth is mistyped, or the record belongs to another station",
        "Correct the depth of the station, or the name of its record",
        f"{z[k]:g} m",
        row=stations.line(row),
        count=int(wrong.size),
        moves={"downhole/stations": rows[wrong]},
    )


def _depths_below(tables: Tables) -> Iterator[Finding]:
    """Tables by depth that lie below the hole."""
    hole, water = tables.hole_bottom, tables.water_depth
    if not hole > 0:
        return
    for name, table in tables.columns.items():
        where = tables.positions.get(name)
        if where is None or where.code is not None:
            continue
        known = np.flatnonzero(np.isfinite(where.depth))
        depth = where.depth[known]
        limit = hole * (1.0 + _STATION_SHARE) + _STATION
        level = median(depth)
        if depth.size < 3 or not level > _DEPTH_RATIO * hole or not level > limit:
            continue
        below = depth - water
        slip = "depth below the sea surface in place of the seafloor"
        if not (water > 0 and below.min() > -_STATION and below.max() <= limit):
            slip = factor_in_words(
                float(depth.max()),
                0.0,
                limit,
                ((0.3048, "feet under m"), (0.1, "dm under m"), (0.01, "cm under m")),
                "depths of another hole, or from another datum",
            )
        row = int(known[0])
        yield Finding(
            "depths below the hole",
            table.file,
            f"half of the depths are {level:.5g} m or more, and the deepest core ends at "
            f"{hole:g} m",
            slip,
            "Write depths below the seafloor in m",
            f"{level:.5g} m",
            row=table.line(row),
            count=int(known.size),
            moves={name: known},
        )


def _tools(tables: Tables) -> Iterator[Finding]:
    """Heat capacities of tools far from that of a rod of their radius."""
    name = "downhole/tools"
    radius, capacity = tables.number(name, "radius"), tables.number(name, "heat_capacity")
    table = tables.get(name)
    if table is None or radius is None or capacity is None:
        return
    expected = _STEEL * math.pi * (radius * 1e-3) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = capacity / expected
        rows = np.flatnonzero((ratio > _TOOL) | (ratio < 1.0 / _TOOL))
    if not rows.size:
        return
    row = int(rows[0])
    slip = factor_in_words(
        float(ratio[row]),
        1.0 / _TOOL,
        _TOOL,
        (
            (0.01, "the radius is in cm under mm"),
            (1e-6, "the radius is in m under mm"),
            (4.0, "the diameter in place of the radius"),
            (1e3, "kJ/(m K) under J/(m K)"),
        ),
        "the radius, or the heat capacity, which is that of one m of the tool",
    )
    yield Finding(
        "tools",
        table.file,
        f"the tool {table['tool'][row]!r} has a radius of {radius[row]:g} mm and "
        f"{capacity[row]:g} J/(m K), and a rod of steel as wide {expected[row]:.3g} J/(m K)"
        f"{more(rows.size, 'tool')}",
        slip,
        "Write both in the units of their headers",
        f"{capacity[row]:g} J/(m K)",
        row=table.line(row),
        count=int(rows.size),
        moves=_all_stations(tables),
    )


# --------------------------------------------------------------------------------------------------
# Check shots, ages, pore water.


def _ordered(
    tables: Tables, name: str, header: str
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Rows of a table in order of depth, their depths and the numbers of a column."""
    values, where = tables.number(name, header), tables.positions.get(name)
    if values is None or where is None:
        return None
    rows = np.flatnonzero(np.isfinite(where.depth) & np.isfinite(values))
    rows = rows[np.argsort(where.depth[rows], kind="stable")]
    return rows, where.depth[rows], values[rows]


def _checkshots(tables: Tables) -> Iterator[Finding]:
    """Velocities of check shots from the first to the last depth."""
    name = "checkshots"
    for header, ways in (("one_way_time", 1.0), ("two_way_time", 2.0)):
        held = _ordered(tables, name, header)
        if held is None or held[0].size < 3:
            continue
        rows, depth, time = held
        span = float(time[-1] - time[0])
        velocity = 1e-3 * ways * float(depth[-1] - depth[0]) / span if span != 0 else math.nan
        scan = _scan_velocity(tables)
        too_fast = not velocity <= _FAST or velocity > _INTERVAL * scan
        if velocity >= _SLOW and not too_fast:
            continue
        slip = factor_in_words(
            velocity,
            _SLOW,
            _FAST if not scan > 0 else _INTERVAL * scan,
            (
                (2.0, "two-way times in the column of one-way times")
                if ways == 1.0
                else (0.5, "one-way times in the column of two-way times"),
                (1e3, "ms under s"),
                (
                    2e3 if ways == 1.0 else 500.0,
                    "two-way times in ms" if ways == 1.0 else "one-way times in ms",
                ),
                (1e-3, "km in the depths"),
            ),
            "times or depths are mistyped, or count from the sea surface",
        )
        beside = f", and the scan has about {1000 * scan:.4g} m/s" if scan > 0 else ""
        yield Finding(
            "check shots",
            tables.file(name),
            f"{header} makes {1000 * velocity:.4g} m/s between {depth[0]:g} and {depth[-1]:g} m"
            f"{beside}",
            slip,
            "Put the times into the column of their name, in s",
            f"{1000 * velocity:.4g} m/s",
            row=tables.line(name, int(rows[0])),
            count=int(rows.size),
            moves={name: rows},
        )


def _scan_velocity(tables: Tables) -> float:
    """Thickness over travel time of the scan, its standards' delay taken off [km/s]; NaN without.

    A liner and a delay make it too low by a few per cent.
    """
    thick, time = (
        tables.number("scan/pwave", "thickness"),
        tables.number("scan/pwave", "travel_time"),
    )
    if thick is None or time is None:
        return math.nan
    delay = tables.setting("pwave", "delay", "us")
    length, shot = (
        tables.number("standards/pwave", "length"),
        tables.number("standards/pwave", "travel_time"),
    )
    if not math.isfinite(delay):
        delay = 0.0
        if length is not None and shot is not None:
            known = np.isfinite(length) & np.isfinite(shot)
            x, y = length[known], shot[known]
            if x.size > 2 and np.ptp(x) > 0:
                slope = np.sum((x - x.mean()) * (y - y.mean())) / np.sum((x - x.mean()) ** 2)
                delay = float(np.clip(y.mean() - slope * x.mean(), 0.0, 0.5 * median(time)))
    with np.errstate(invalid="ignore", divide="ignore"):
        velocity = median(np.where(time > delay, thick / (time - delay), np.nan))
    # A slip of the scan has its own finding and is no measure of the check shots.
    return velocity if _SLOW <= velocity <= _FAST else math.nan


def _ages(tables: Tables) -> Iterator[Finding]:
    """Ages in another unit, and ages younger than one above."""
    name = "ages"
    held = _ordered(tables, name, "age")
    if held is None or held[0].size < 2:
        return
    rows, depth, age = held
    oldest, deep = float(np.max(age)), float(depth[-1] - depth[0])
    rate = 1e3 * deep / (oldest - float(np.min(age))) if oldest > np.min(age) else math.nan
    slow = rate < _LEAST_RATE or oldest > _OLDEST
    fast = rate > _RATE and deep > _RATE_DEPTH
    if slow or fast:
        slip = "Myr under kyr" if fast else "yr under kyr"
        yield Finding(
            "ages",
            tables.file(name),
            f"the ages reach {oldest:.5g} kyr in {deep:.4g} m, {rate:.3g} m/Myr",
            slip,
            "Write the unit of the file in the header, such as 'age [Myr]'",
            f"{oldest:.5g} kyr",
            row=tables.line(name, int(rows[np.argmax(age)])),
            count=int(rows.size),
            moves={name: rows},
        )
        return
    u = tables.number(name, "age_uncertainty")
    sigma = np.full(age.shape, np.nan) if u is None else u[rows]
    known = np.where(np.isfinite(sigma), sigma, _AGE_SHARE / _AGE_ERRORS * np.abs(age))
    # The greatest age above each, and its uncertainty.
    top = np.maximum.accumulate(age)
    first = np.flatnonzero(np.append(True, age[1:] > top[:-1]))
    holder = first[np.searchsorted(first, np.arange(age.size), side="right") - 1]
    allowed = _AGE_ERRORS * np.hypot(known, known[holder])
    same = depth == depth[holder]
    young = np.flatnonzero((top - age > np.maximum(allowed, 1e-9)) & ~same)
    if not young.size:
        return
    k = int(young[0])
    # One old age above makes all below it look young.
    odd = np.array([holder[k]]) if young.size > 2 and (holder[young] == holder[k]).all() else young
    row = int(rows[odd[0]])
    yield Finding(
        "ages",
        tables.file(name),
        f"the age at {depth[k]:g} m is {age[k]:.5g} kyr, younger than {top[k]:.5g} kyr at "
        f"{depth[holder[k]]:g} m above it{more(young.size, 'age')}",
        "an age or a depth is mistyped, or a bed is overturned",
        "Correct the age, or leave out what is reworked",
        f"{age[odd[0]]:.5g} kyr",
        row=tables.line(name, row),
        count=int(young.size),
        moves={name: rows[odd]},
    )


def _salinities(tables: Tables) -> Iterator[Finding]:
    """Salinities of pore water far from the setting of the hole."""
    name = "pore_water"
    values = tables.number(name, "salinity")
    setting = tables.setting("hole", "pore_water_salinity", "g/kg")
    if values is None:
        return
    level = median(values)
    expected = setting
    if not expected > 0:
        deep = tables.water_depth > thresholds.value("slip_deep_sea")
        expected = 35.0 if deep else math.nan
    if not (level > 0 and expected > 0) or 1.0 / _SALINITY <= level / expected <= _SALINITY:
        return
    slip = factor_in_words(
        level,
        expected / _SALINITY_FITS,
        expected * _SALINITY_FITS,
        ((10.0, "a percentage under g/kg"), (1000.0, "a fraction under g/kg")),
        "",
    )
    # Water may be fresher than that of the hole by any factor, and hardly saltier.
    if not slip and level < expected:
        return
    rows = np.flatnonzero(np.isfinite(values))
    yield Finding(
        "salinity",
        tables.file(name),
        f"half of the salinities are near {level:.4g} g/kg, and the hole has {expected:g} g/kg",
        slip or "another unit, such as mmol/l of chloride",
        "Write the unit of the file in the header, such as 'salinity [psu]' or 'salinity [%]'",
        f"{level:.4g} g/kg",
        row=tables.line(name, int(rows[0])),
        count=int(rows.size),
        moves={name: rows},
    )


# --------------------------------------------------------------------------------------------------
# Downhole logs against the water depth.

_DEPTH_LINE = re.compile(
    rb"^\s*(STRT|STOP)\s*\.\s*([A-Za-z]*)\s+([-+]?\d+\.?\d*(?:[eE][-+]?\d+)?)", re.MULTILINE
)


def _logs(tables: Tables) -> Iterator[Finding]:
    """Depths of LAS files against the water depth and the deepest core, by the recipe's datum."""
    given = tables.settings.get("logs")
    plans = given.get("files") if isinstance(given, Mapping) else None
    water, hole = tables.water_depth, tables.hole_bottom
    for path, head in tables.logs.items():
        file = path.rpartition("/")[2]
        plan = plans.get(file) if isinstance(plans, Mapping) else None
        ends = {
            found.group(1).decode(): float(found.group(3))
            * (0.3048 if found.group(2).upper() in (b"F", b"FT", b"FEET") else 1.0)
            for found in _DEPTH_LINE.finditer(head)
        }
        if not isinstance(plan, Mapping) or len(ends) < 2 or not water > 0:
            continue
        top, bottom = sorted(ends.values())
        datum = str(plan.get("depth_datum", ""))
        slack = max(_SLACK, 0.01 * water)
        seafloor = _metres(plan.get("seafloor_depth"))
        if datum == "seafloor" and top > hole and top > water - slack:
            words = (
                f"the log runs from {top:g} to {bottom:g} m, below all cores ({hole:g} m) and at "
                f"the depth of the water ({water:g} m)"
            )
            slip = "depths from the rig floor or the sea surface under the datum seafloor"
        elif datum != "seafloor" and hole > 0 and bottom < min(water - slack, hole + slack):
            words = (
                f"the log runs from {top:g} to {bottom:g} m, above the seafloor at {water:g} m, "
                f"and the deepest core ends at {hole:g} m"
            )
            slip = f"depths from the seafloor under the datum {datum.replace('_', ' ')}"
        elif (
            math.isfinite(seafloor)
            and datum != "seafloor"
            and not (
                water - slack
                <= seafloor
                <= water + slack + (_RIG_FLOOR if datum == "rig_floor" else 0)
            )
        ):
            words = f"seafloor_depth is {seafloor:g} m, and [hole] water_depth is {water:g} m"
            slip = "seafloor_depth or water_depth is mistyped"
        else:
            continue
        yield Finding(
            "depth of logs",
            path,
            words,
            slip,
            "Correct depth_datum and seafloor_depth of the file under [logs.files], or water_depth",
            f"{top:g} m",
        )


def _metres(given: object) -> float:
    """A length in m from the text of a setting; NaN where it is none."""
    if not isinstance(given, str):
        return math.nan
    held = Tables({}, {}, None, {"log": {"length": given}})
    return held.setting("log", "length", "m")


CHECKS = (
    Check(
        "stations",
        "depths of stations with the deepest core; conductivities with those of cores",
        ("slip_station_depth", "slip_station_share", "slip_greatest_conductivity"),
        _stations,
    ),
    Check(
        "records of temperature",
        "length of records with minutes; penetration and end with the record",
        ("slip_shortest_record", "slip_penetration_rise"),
        _records,
    ),
    Check(
        "recorded temperatures",
        "records of bottom water with the setting; ends of records with a gradient and others",
        (
            "slip_bottom_water_difference",
            "slip_gradient",
            "slip_gradient_depth",
            "slip_station_errors",
            "slip_station_range",
        ),
        _record_temperatures,
    ),
    Check(
        "depths below the hole",
        "depths of tables by depth with the deepest core",
        ("slip_depth_ratio", "slip_station_depth", "slip_station_share"),
        _depths_below,
    ),
    Check(
        "tools",
        "heat capacity of a tool with a rod of steel",
        ("slip_tool_ratio", "slip_steel"),
        _tools,
    ),
    Check(
        "check shots",
        "velocities of check shots with those of sediment and of the scan",
        ("slip_slowest_interval", "slip_fastest_interval", "slip_interval_ratio"),
        _checkshots,
    ),
    Check(
        "ages",
        "sedimentation rate over all ages; ages with those above",
        (
            "least_sedimentation_rate",
            "greatest_sediment_age",
            "slip_accumulation",
            "slip_accumulation_depth",
            "slip_age_errors",
            "slip_age_share",
        ),
        _ages,
    ),
    Check(
        "salinity",
        "salinities of pore water with the setting, or with the deep sea",
        ("slip_salinity_ratio", "slip_salinity_fits", "slip_deep_sea"),
        _salinities,
    ),
    Check(
        "depth of logs",
        "depths of LAS files with the water depth and the deepest core",
        ("log_datum_slack", "rig_floor_height"),
        _logs,
    ),
)
