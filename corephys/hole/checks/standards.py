"""Checks of standards: aluminium, counts, lengths, brines, meters, room temperatures."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from corephys.ground import constants, seawater, thresholds, units
from corephys.hole.checks.finding import (
    Check,
    Finding,
    Tables,
    factor_in_words,
    median,
    more,
    temperature_unit,
)
from corephys.hole.checks.scan import of_kinds, rates

__all__ = ["CHECKS"]

_ALUMINIUM = thresholds.value("slip_aluminium_share")
_RISE = thresholds.value("slip_counts_rise")
_ERRORS = thresholds.value("slip_counts_rise_errors")
_SLOWEST = thresholds.value("slip_slowest_standard")  # km/s
_FASTEST = thresholds.value("slip_fastest_standard")  # km/s
_DELAY_SHARE = thresholds.value("slip_delay_share")
_DELAY_LEAST = thresholds.value("slip_delay_least")  # us
_BRINE = thresholds.value("slip_brine_ratio")
_GREATEST_BRINE = thresholds.value("brine_greatest_conductivity")  # S/m
_WARM = thresholds.value("slip_warmest_room")  # degC
_COLD = thresholds.value("slip_coldest_room")  # degC
_HOTTEST = thresholds.value("hottest_formation")  # degC
_ROOM = thresholds.value("slip_room")  # degC
# Conductivity of a dilute brine near room temperature over its salinity, for factors only.
_PER_SALINITY = thresholds.value("slip_sea_conductivity") / 35.0  # (S/m)/(g/kg)

# --------------------------------------------------------------------------------------------------
# Gamma: aluminium in water.


def _aluminium(tables: Tables) -> Iterator[Finding]:
    """Thicknesses of aluminium in cm, or wider than the bore."""
    name = "standards/gamma"
    thick, bore = tables.number(name, "aluminium_thickness"), tables.number(name, "bore")
    if thick is None:
        return
    wide = median(bore) if bore is not None else tables.setting("liner", "bore", "mm")
    used = of_kinds(tables, name, "standard")
    steps = np.unique(thick[used & np.isfinite(thick)])
    if not wide > 0 or steps.size < 3:
        return
    greatest = float(steps[-1])
    if _ALUMINIUM * wide <= greatest <= wide * 1.05:
        return
    slip = factor_in_words(
        greatest,
        _ALUMINIUM * wide,
        1.05 * wide,
        (
            (10.0, "cm under mm"),
            (25.4, "inches under mm"),
            (1e3, "m under mm"),
            (1e-3, "um under mm"),
            (0.1, "tenths of mm under mm"),
        ),
        "the thickness or the bore is mistyped",
    )
    row = int(np.flatnonzero(used & (thick == greatest))[0])
    yield Finding(
        "thickness of aluminium",
        tables.file(name),
        f"the thickest aluminium is {greatest:g} mm in a bore of {wide:g} mm",
        slip,
        "Write the unit of the file in the header, such as 'aluminium_thickness [cm]'; all "
        "densities depend on it",
        f"{greatest:g} mm",
        row=tables.line(name, row),
        count=int(used.sum()),
        moves=_of_scan(tables, "scan/gamma"),
    )


def _of_scan(tables: Tables, name: str) -> dict[str, np.ndarray]:
    """All rows of a scan, which a slip of its standards changes."""
    table = tables.get(name)
    return {} if table is None else {name: np.arange(len(table))}


def _counts_fall(tables: Tables) -> Iterator[Finding]:
    """Rates through aluminium that rise with its thickness, within one set."""
    name = "standards/gamma"
    thick, rate = tables.number(name, "aluminium_thickness"), rates(tables, name)
    counts = tables.number(name, "counts")
    if thick is None or rate is None or counts is None:
        return
    table = tables.columns[name]
    sets = table["set"] if "set" in table else np.full(len(table), "", dtype=object)
    used = of_kinds(tables, name, "standard") & np.isfinite(thick) & np.isfinite(rate)
    bore = tables.number(name, "bore")
    width = np.zeros(thick.shape) if bore is None else np.nan_to_num(bore)
    for label in dict.fromkeys(sets[used].tolist()):
        for wide in np.unique(width[used & (sets == label)]).tolist():
            rows = np.flatnonzero(used & (sets == label) & (width == wide))
            steps = np.unique(thick[rows])
            means = np.array([rate[rows[thick[rows] == step]].mean() for step in steps])
            total = np.array([counts[rows[thick[rows] == step]].sum() for step in steps])
            noise = means / np.sqrt(np.maximum(total, 1.0))
            limit = _ERRORS * np.hypot(noise[1:], noise[:-1]) + _RISE * means[:-1]
            wrong = np.flatnonzero(np.diff(means) > limit)
            if not wrong.size:
                continue
            k = int(wrong[0])
            row = int(rows[thick[rows] == steps[k + 1]][0])
            yield Finding(
                "counts of standards",
                table.file,
                f"the rate rises from {means[k]:.5g} 1/s behind {steps[k]:g} mm of aluminium to "
                f"{means[k + 1]:.5g} 1/s behind {steps[k + 1]:g} mm"
                + (f" in the set {label!r}" if label else "")
                + more(wrong.size, "step"),
                "two thicknesses are exchanged, or counts are mistyped",
                "Look up which thickness each count belongs to; all densities depend on it",
                f"{means[k + 1]:.5g} 1/s",
                row=table.line(row),
                count=int(wrong.size),
                moves=_of_scan(tables, "scan/gamma"),
            )


def _background(tables: Tables) -> Iterator[Finding]:
    """A background of the gamma counter above its lowest standard; a dead time too long."""
    rate = rates(tables, "standards/gamma")
    if rate is None or not np.isfinite(rate).any():
        return
    least, most = float(np.nanmin(rate)), float(np.nanmax(rate))
    background = tables.setting("gamma", "background_rate", "1/s")
    if background > least:
        yield Finding(
            "background of gamma",
            "hole.toml",
            f"[gamma] background_rate is {background:g} 1/s, and the lowest rate of the standards "
            f"is {least:.4g} 1/s",
            "counts of the complete counting time in place of counts per second",
            "Divide the counts without the source by their time",
            f"{background:g} 1/s",
        )
    dead = tables.setting("gamma", "dead_time", "s")
    if dead * most > thresholds.value("dead_time_limit"):
        yield Finding(
            "background of gamma",
            "hole.toml",
            f"[gamma] dead_time is {1e6 * dead:g} us, which is {100 * dead * most:.3g} % of the "
            f"time at {most:.4g} 1/s",
            "ms in place of us",
            "Write the dead time with its unit, such as dead_time = '5 us'",
            f"{1e6 * dead:g} us",
        )


# --------------------------------------------------------------------------------------------------
# P-wave, resistivity, susceptibility.


def _velocity_standards(tables: Tables) -> Iterator[Finding]:
    """Velocities of the standards from lengths and travel times."""
    name = "standards/pwave"
    length, time = tables.number(name, "length"), tables.number(name, "travel_time")
    if length is None or time is None:
        return
    table = tables.columns[name]
    medium = table["medium"] if "medium" in table else np.full(len(table), "", dtype=object)
    liner = table["liner"] if "liner" in table else np.full(len(table), "", dtype=object)
    for pair in dict.fromkeys(zip(medium.tolist(), liner.tolist(), strict=True)):
        rows = np.flatnonzero(
            (medium == pair[0]) & (liner == pair[1]) & np.isfinite(length) & np.isfinite(time)
        )
        x, y = length[rows], time[rows]
        # Two lengths apart give a velocity that is free of the delay.
        if x.size < 3 or not np.ptp(x) > 0.2 * abs(x.mean()):
            continue
        slope = float(np.sum((x - x.mean()) * (y - y.mean())) / np.sum((x - x.mean()) ** 2))
        velocity = 1.0 / slope if slope > 0 else float("nan")
        if _SLOWEST <= velocity <= _FASTEST:
            continue
        slip = factor_in_words(
            velocity,
            _SLOWEST,
            _FASTEST,
            (
                (10.0, "cm under mm, or tenths of us under us"),
                (0.1, "tenths of mm under mm, or tens of us under us"),
                (1e3, "m under mm, or ns under us"),
                (1e-3, "um under mm, or ms under us"),
            ),
            "lengths and travel times are exchanged between rows, or mistyped",
        )
        found = (
            f"{1000 * velocity:.4g} m/s"
            if math.isfinite(velocity)
            else "no velocity: times do not rise with lengths"
        )
        yield Finding(
            "velocity of standards",
            table.file,
            f"lengths of {x.min():g} to {x.max():g} mm and travel times of {y.min():g} to "
            f"{y.max():g} us{' in ' + pair[0] if pair[0] else ''} give {found}",
            slip,
            "Write the units of the file in the headers, such as 'length [cm]'",
            found,
            row=table.line(int(rows[0])),
            count=int(rows.size),
            moves=_of_scan(tables, "scan/pwave"),
        )


def _delay_in_water(tables: Tables) -> Iterator[Finding]:
    """A delay of the settings that differs from what standards of water give."""
    name = "standards/pwave"
    given = tables.setting("pwave", "delay", "us")
    length, time = tables.number(name, "length"), tables.number(name, "travel_time")
    if length is None or time is None or not math.isfinite(given):
        return
    table = tables.columns[name]
    wall = tables.setting("liner", "wall", "mm")
    speed = tables.setting("liner", "velocity", "m/s")
    speed = speed if speed > 0 else constants.CONSTANTS["liner_velocity"].value
    walls_time = 2e3 * wall / speed if wall > 0 else float("nan")
    number = _walls(table["liner"] if "liner" in table else np.full(len(table), "none"))
    in_water, water = _time_in_water(tables)
    used = in_water & of_kinds(tables, name, "standard", "check") & (length > 0) & (time > 0)
    for walls in np.unique(number[used & np.isfinite(number)]).tolist():
        rows = np.flatnonzero(used & (number == walls))
        through = walls / 2.0 * walls_time if walls else 0.0
        found = median(time[rows] - water[rows] - through)
        off = found - given
        limit = max(_DELAY_LEAST, _DELAY_SHARE * walls_time if walls_time > 0 else 0.0)
        if not abs(off) > limit:
            continue
        # Two walls in the length of the path are taken for water.
        longer = float(median(water[rows] / length[rows])) * walls * wall if walls else 0.0
        delay = "the delay holds the time in both walls, which is taken off once more"
        path = "the lengths of the standards hold both walls"
        # What each slip makes of the difference. A delay that is given is used without the
        # standards, so that slips of theirs move no reading of the scan.
        slips = [(walls_time, "the standards lay in a liner, which is in their times", False)]
        if walls:
            slips = [
                (-through, delay, True),
                (-longer, path, False),
                (-through - longer, f"{delay}; and {path}", True),
            ]
        slips = [known for known in slips if abs(off - known[0]) <= limit]
        _, slip, moved = min(
            slips,
            key=lambda known: abs(off - known[0]),
            default=(0.0, "the delay, or a length or time of the standards, is mistyped", True),
        )
        beside = f" beside {through:.3g} us in the walls" if walls else ""
        yield Finding(
            "delay of the P-wave",
            table.file,
            f"[pwave] delay is {given:g} us, and the travel times of the standards in water leave "
            f"{found:.4g} us for it{beside}",
            slip,
            "Write the delay of the electronics alone, without the walls; without [pwave] delay "
            "it is computed from the standards. Their length is the path in the water",
            f"{given:g} us",
            row=table.line(int(rows[0])),
            count=int(rows.size),
            moves=_of_scan(tables, "scan/pwave") if moved else {},
        )
        return


def _walls(liner: np.ndarray) -> np.ndarray:
    """Walls in the way of each standard; NaN for an unknown word."""
    words = {"none": 0.0, "": 0.0, "half": 1.0, "full": 2.0}
    return np.array([words.get(str(word), math.nan) for word in liner.tolist()])


def _time_in_water(tables: Tables) -> tuple[np.ndarray, np.ndarray]:
    """Which P-wave standards are of water, and the time in their water [us]."""
    name = "standards/pwave"
    table = tables.columns[name]
    length, warm = tables.number(name, "length"), tables.number(name, "temperature")
    medium = table["medium"] if "medium" in table else np.full(len(table), "water")
    room = tables.setting("hole", "laboratory_temperature", "degC")
    assumed = np.full(len(table), room if _COLD <= room <= _WARM else _ROOM)
    if warm is not None:
        # A temperature that no laboratory has, has its own finding.
        assumed = np.where((warm >= _COLD) & (warm <= _WARM), warm, assumed)
    salt = np.where(medium == "sea_water", 35.0, 0.0)
    fast = np.asarray(
        seawater.sound_speed(units.quantity(salt, "g/kg"), units.quantity(assumed, "degC")).m
    )
    return np.isin(medium, ("", "water", "fresh_water", "sea_water")), 1e3 * length / fast


def _brines(tables: Tables) -> Iterator[Finding]:
    """Conductivities beyond any brine, or far from those that salinities give."""
    name = "standards/resistivity"
    conductivity, response = tables.number(name, "conductivity"), tables.number(name, "response")
    salinity = tables.number(name, "salinity")
    table = tables.get(name)
    if table is None or response is None:
        return
    if conductivity is not None and np.nanmax(conductivity) > _GREATEST_BRINE:
        rows = np.flatnonzero(np.nan_to_num(conductivity) > _GREATEST_BRINE)
        greatest = float(np.nanmax(conductivity))
        yield Finding(
            "conductivity of brines",
            table.file,
            f"a brine has {greatest:g} S/m, and no brine has more than {_GREATEST_BRINE:g} S/m",
            "mS/cm under S/m" if greatest / 10.0 <= _GREATEST_BRINE else "mS/m or uS/cm under S/m",
            "Write the unit of the file in the header, such as 'conductivity [mS/cm]'",
            f"{greatest:g} S/m",
            row=table.line(int(rows[0])),
            count=int(rows.size),
            moves=_of_scan(tables, "scan/resistivity"),
        )
        return
    if conductivity is None or salinity is None:
        return
    air = median(response[of_kinds(tables, name, "blank")])
    net = response - (air if math.isfinite(air) else 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        # Over the conductivity the response falls a little with its height: only factors count.
        by_meter = np.where(np.isnan(salinity), net / conductivity, np.nan)
        by_salt = np.where(np.isnan(conductivity), net / (_PER_SALINITY * salinity), np.nan)
    first, second = median(by_meter), median(by_salt)
    if not (first > 0 and second > 0) or 1.0 / _BRINE <= first / second <= _BRINE:
        return
    rows = np.flatnonzero(np.isfinite(by_meter))
    ratio = second / first
    slip = factor_in_words(
        ratio,
        0.7 / _BRINE,
        _BRINE,
        (
            (0.1, "mS/cm under S/m, or salinity as a percentage under g/kg"),
            (10.0, "tens of S/m under S/m"),
            (1e-3, "mS/m under S/m, or salinity as a fraction under g/kg"),
        ),
        "conductivity or salinity has another unit",
    )
    yield Finding(
        "conductivity of brines",
        table.file,
        f"the response over the conductivity is {first:.3g} mV m/S for brines with a conductivity "
        f"and about {second:.3g} for those with a salinity",
        slip,
        "Write the units of the file in the headers, such as 'conductivity [mS/cm]'",
        f"{conductivity[rows[0]]:g} S/m",
        row=table.line(int(rows[0])),
        count=int(rows.size),
        moves=_of_scan(tables, "scan/resistivity"),
    )


def _meter_standards(tables: Tables) -> Iterator[Finding]:
    """Readings of susceptibility standards far from their values."""
    name = "standards/susceptibility"
    value, reading = tables.number(name, "value"), tables.number(name, "reading")
    if value is None or reading is None:
        return
    used = of_kinds(tables, name, "standard", "check") & (np.abs(np.nan_to_num(value)) > 0)
    air = median(reading[of_kinds(tables, name, "blank")])
    with np.errstate(invalid="ignore"):
        ratio = (reading[used] - (air if math.isfinite(air) else 0.0)) / value[used]
    level = median(ratio)
    if not math.isfinite(level) or 1.0 / _BRINE <= abs(level) <= _BRINE:
        return
    row = int(np.flatnonzero(used)[0])
    yield Finding(
        "standards of susceptibility",
        tables.file(name),
        f"the meter reads {reading[row]:g} for a standard of {value[row]:g}, {level:.3g} times its "
        "value",
        "the values are in another unit than the readings, such as 1e-6 beside 1e-5 SI",
        "Write value and reading in the unit of the meter, and set [susceptibility] unit",
        f"{value[row]:g}",
        row=tables.line(name, row),
        count=int(used.sum()),
    )


# --------------------------------------------------------------------------------------------------
# Temperatures of the laboratory, in every table that has them.


def _room_temperatures(tables: Tables) -> Iterator[Finding]:
    """Temperatures of cores, standards and samples that no laboratory has."""
    for name, table in tables.columns.items():
        if not name.startswith(("scan/", "standards/", "samples/")) or table.table.supplied:
            continue
        warm = tables.number(name, "temperature")
        if warm is None:
            continue
        level = median(warm)
        wrong = not _COLD <= level <= _WARM
        with np.errstate(invalid="ignore"):
            # The needle warms the sediment by a few kelvin, a boiling oven dries it.
            rows = np.flatnonzero((warm < _COLD) | (warm > (_HOTTEST if wrong else 2.0 * _WARM)))
        if wrong:
            rows = np.flatnonzero(np.isfinite(warm))
        elif not rows.size:
            continue
        shown = level if wrong else float(warm[rows[0]])
        yield Finding(
            "temperature of the laboratory",
            table.file,
            f"{'half of the temperatures are' if wrong else 'a temperature is'} {shown:.5g} degC"
            f"{' or beyond' if wrong else more(rows.size, 'row')}, and laboratories have {_COLD:g} "
            f"to {_WARM:g} degC",
            temperature_unit(shown, _ROOM, 15.0),
            "Write the unit of the file in the header, such as 'temperature [K]'",
            f"{shown:.5g} degC",
            row=table.line(int(rows[0])),
            count=int(rows.size),
            moves={name: rows} if not name.startswith("standards/") else {},
        )


CHECKS = (
    Check(
        "thickness of aluminium",
        "thickest aluminium with the bore",
        ("slip_aluminium_share",),
        _aluminium,
    ),
    Check(
        "counts of standards",
        "rates through aluminium with its thickness",
        ("slip_counts_rise", "slip_counts_rise_errors"),
        _counts_fall,
    ),
    Check(
        "background of gamma",
        "background rate and dead time with the rates of the standards",
        ("dead_time_limit",),
        _background,
    ),
    Check(
        "velocity of standards",
        "lengths over travel times of the standards with velocities of liquids and solids",
        ("slip_slowest_standard", "slip_fastest_standard"),
        _velocity_standards,
    ),
    Check(
        "delay of the P-wave",
        "the delay of the settings with what standards of water leave for it",
        ("slip_delay_share", "slip_delay_least"),
        _delay_in_water,
    ),
    Check(
        "conductivity of brines",
        "conductivities with the greatest of a brine, and with salinities by the responses",
        ("brine_greatest_conductivity", "slip_brine_ratio", "slip_sea_conductivity"),
        _brines,
    ),
    Check(
        "standards of susceptibility",
        "readings of standards with their values",
        ("slip_brine_ratio",),
        _meter_standards,
    ),
    Check(
        "temperature of the laboratory",
        "temperatures of scan, standards and samples with those of laboratories",
        ("slip_coldest_room", "slip_warmest_room", "slip_room"),
        _room_temperatures,
    ),
)
