"""Checks of what rises with depth: temperatures of stations, settings and log, loads of tests."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations

import numpy as np

from corephys.ground import thresholds
from corephys.hole.checks.downhole import last_temperatures
from corephys.hole.checks.finding import Check, Finding, Tables, median, more

__all__ = ["CHECKS"]

_BOTTOM = thresholds.value("slip_bottom_water_record")  # K
_DIFFERENCE = thresholds.value("slip_bottom_water_difference")  # K
_FALL = thresholds.value("slip_station_fall")  # K
_FITS = thresholds.value("slip_exchange_fits")
_SHIFT = thresholds.value("slip_log_shift")  # m
_SPREAD = thresholds.value("slip_log_spread")
_LOAD = thresholds.value("slip_load_per_depth")  # kPa/m
_LEAST_LOAD = thresholds.value("slip_least_load")  # kPa
_LEAST = thresholds.count("slip_section_readings")
_STATIONS, _RECORDS, _LOG = (
    "downhole/stations",
    "downhole/formation_temperature",
    "downhole/temperature_log",
)


def _recorded(tables: Tables) -> float:
    """Temperature of bottom water in the records of the probe [degC]; NaN without any."""
    warm, kind = tables.number(_RECORDS, "temperature"), tables.text(_RECORDS, "kind")
    if warm is None or kind is None:
        return math.nan
    return median(warm[kind == "bottom_water"])


def _bottom_water(tables: Tables) -> Iterator[Finding]:
    """A setting of bottom water that the records of the probe contradict."""
    held = _recorded(tables)
    setting = tables.setting("hole", "bottom_water_temperature", "degC")
    # A greater difference is a unit, which "recorded temperatures" names.
    if not _BOTTOM < abs(held - setting) <= _DIFFERENCE:
        return
    stations = tables.get(_STATIONS)
    yield Finding(
        "bottom water",
        "hole.toml",
        f"bottom_water_temperature is {setting:g} degC, and the probe recorded {held:.4g} degC in "
        "bottom water",
        "the setting is mistyped, or is that of another hole",
        "Correct bottom_water_temperature under [hole]; heat flow depends on it",
        f"{setting:g} degC",
        moves={} if stations is None else {_STATIONS: np.arange(len(stations))},
    )


def _exchanged(tables: Tables) -> Iterator[Finding]:
    """Two stations whose temperature falls downward, and rises once they are exchanged."""
    stations, depth = tables.get(_STATIONS), tables.number(_STATIONS, "depth")
    last = last_temperatures(tables)
    if stations is None or depth is None or len(last) < _LEAST:
        return
    rows = np.array(sorted(last, key=lambda row: float(depth[row])))
    z, warm = depth[rows], np.array([last[row] for row in rows.tolist()])
    found = []
    for i, j in combinations(range(rows.size), 2):
        fall = warm[i] - warm[j]
        if not fall > _FALL or not z[j] > z[i]:
            continue
        others = np.array([k for k in range(rows.size) if k not in (i, j)])
        if np.unique(z[others]).size < 3:
            continue
        line = np.polyfit(z[others], warm[others], 1)
        # Seen with their depths exchanged; the others lie on the line as well.
        off = [warm[j] - np.polyval(line, z[i]), warm[i] - np.polyval(line, z[j])]
        off += (warm[others] - np.polyval(line, z[others])).tolist()
        worst = float(np.abs(off).max())
        if line[0] > 0 and worst < _FITS * fall:
            found.append((worst, i, j))
    if not found:
        return
    _, i, j = min(found)
    one, other = (str(stations["station"][rows[k]]) for k in (i, j))
    yield Finding(
        "order of stations",
        stations.file,
        f"the record of the station {one!r} at {z[i]:g} m ends at {warm[i]:.4g} degC and that of "
        f"{other!r} at {z[j]:g} m at {warm[j]:.4g} degC, and the line of the others fits both once "
        "they are exchanged",
        "the depths, or the records, of the two stations are exchanged",
        "Exchange the two depths, or the names of the records",
        f"{z[i]:g} m",
        row=stations.line(int(rows[i])),
        count=2,
        moves={_STATIONS: np.sort(rows[[i, j]])},
    )


def _log(tables: Tables) -> Iterator[Finding]:
    """A temperature log whose depths differ from those of the stations by one distance."""
    depth, warm = tables.number(_LOG, "depth"), tables.number(_LOG, "temperature")
    place, last = tables.number(_STATIONS, "depth"), last_temperatures(tables)
    if depth is None or warm is None or place is None or len(last) < 3:
        return
    known = np.isfinite(depth) & np.isfinite(warm)
    order = np.flatnonzero(known)[np.argsort(depth[known], kind="stable")]
    z, held = depth[order], warm[order]
    # Depths are looked up by temperature, which a log that turns back does not allow.
    if z.size < _LEAST or not (np.diff(held) > 0).all():
        return
    there = [
        (float(np.interp(end, held, z)) - float(place[row]))
        for row, end in last.items()
        if held[0] <= end <= held[-1]
    ]
    shift = median(there)
    if len(there) < 3 or not abs(shift) > _SHIFT:
        return
    if max(abs(one - shift) for one in there) > _SPREAD * abs(shift):
        return
    yield Finding(
        "depths of the temperature log",
        tables.file(_LOG),
        f"the log has the temperatures of {len(there)} stations {abs(shift):.3g} m "
        f"{'below' if shift > 0 else 'above'} them",
        "depths from another datum, or a log of water that is not at the temperature of the rock",
        "Write depths below the seafloor, or leave the log out of heat flow",
        f"{shift:+.3g} m",
        row=tables.line(_LOG, int(order[0])),
        count=int(order.size),
        moves={_LOG: order},
    )


def _loads(tables: Tables) -> Iterator[Finding]:
    """Consolidation tests that end far below the load of the sediment above."""
    name = "samples/consolidation"
    test, stress = tables.text(name, "test"), tables.number(name, "stress")
    where = tables.positions.get(name)
    if test is None or stress is None or where is None:
        return
    low = []
    for word in dict.fromkeys(test.tolist()):
        rows = np.flatnonzero(test == word)
        greatest, depth = float(np.fmax.reduce(stress[rows])), median(where.depth[rows])
        # A test below the least load has a finding already.
        if rows.size >= _LEAST and _LEAST_LOAD <= greatest < _LOAD * depth:
            low.append((word, rows, greatest, depth))
    if not low:
        return
    word, rows, greatest, depth = low[0]
    core, section = tables.text(name, "core"), tables.text(name, "section")
    yield Finding(
        "load of consolidation",
        tables.file(name),
        f"the test {word!r} at {depth:.4g} m ends at {greatest:.4g} kPa, less than "
        f"{_LOAD:g} kPa for each m of sediment above{more(len(low), 'test')}",
        "kgf/cm^2 or bar under kPa",
        "Write the unit of the file in the header, such as 'stress [kgf/cm^2]', or convert the "
        "stresses of this test",
        f"{greatest:.4g} kPa",
        "" if core is None else str(core[rows[0]]),
        "" if core is None or section is None else str(section[rows[0]]),
        tables.line(name, int(rows[0])),
        len(low),
        {name: np.concatenate([one[1] for one in low])},
    )


CHECKS = (
    Check(
        "bottom water",
        "temperature of bottom water in settings and records",
        ("slip_bottom_water_record", "slip_bottom_water_difference"),
        _bottom_water,
    ),
    Check(
        "order of stations",
        "temperatures of two stations with the line of the others",
        ("slip_station_fall", "slip_exchange_fits"),
        _exchanged,
    ),
    Check(
        "depths of the temperature log",
        "depths at which a log has the temperatures of stations",
        ("slip_log_shift", "slip_log_spread"),
        _log,
    ),
    Check(
        "load of consolidation",
        "greatest stress of a test with its depth",
        ("slip_load_per_depth", "slip_least_load"),
        _loads,
    ),
)
