"""Checks of standards and liner against each other and the scan: steps, rates, bore, water."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from corephys.ground import seawater, thresholds, units
from corephys.hole.checks.finding import Check, Finding, Tables, median
from corephys.hole.checks.scan import of_kinds, rates

__all__ = ["CHECKS"]

_SAME_BORE = thresholds.value("slip_same_bore")
_STEP_TIMES = thresholds.value("slip_step_times")
_STEP_LEAST = thresholds.value("slip_step_least")
_STEPS = thresholds.count("slip_steps")
_CHECK_RATE = thresholds.value("slip_check_rate")
_OUTER = thresholds.value("slip_outer_share")
_WATER = thresholds.value("slip_water_velocity")
_WATER_ERRORS = thresholds.value("slip_water_errors")
_WALLS = thresholds.value("slip_walls_share")
_BLANK = thresholds.value("slip_blank_above")
_HALF = thresholds.value("slip_thorium_share")
_BACKGROUND = thresholds.value("slip_background_share")
_LEAST = thresholds.count("slip_section_readings")
_GAMMA, _PWAVE, _NATURAL = "standards/gamma", "standards/pwave", "standards/natural_gamma"


def _whole(tables: Tables, name: str) -> dict[str, np.ndarray]:
    """All rows of a scan, which a slip of its standards or settings changes."""
    table = tables.get(name)
    return {} if table is None else {name: np.arange(len(table))}


def _sets(tables: Tables, name: str) -> np.ndarray:
    """Set of each row; one set where none is given."""
    held = tables.text(name, "set")
    return np.full(len(tables.columns[name]), "") if held is None else held.astype(str)


# --------------------------------------------------------------------------------------------------
# Gamma: bore, steps and rates of the standards.


def _bore(tables: Tables) -> Iterator[Finding]:
    """Outer diameter in place of the bore, in the standards or in the settings."""
    given = tables.number(_GAMMA, "bore")
    bore, wall = tables.setting("liner", "bore", "mm"), tables.setting("liner", "wall", "mm")
    if given is None or not bore > 0 or not wall > 0:
        return
    level = median(given)
    for there, inner, where in ((level, bore, "the bore of the standards"), (bore, level, "bore")):
        outer = inner + 2.0 * wall
        # Another liner may have any bore; only the outer diameter of the same one is named.
        if abs(there - outer) > _SAME_BORE * outer or there < inner * (1.0 + 2.0 * _SAME_BORE):
            continue
        of_standards = where != "bore"
        yield Finding(
            "bore of the standards",
            tables.file(_GAMMA) if of_standards else "hole.toml",
            f"the standards of gamma have a bore of {level:g} mm, and [liner] has bore {bore:g} mm "
            f"and wall {wall:g} mm",
            f"{where} is the outer diameter",
            "Write the inner diameter as bore; all densities depend on it",
            f"{there:g} mm",
            row=tables.line(_GAMMA, int(np.flatnonzero(np.isfinite(given))[0])),
            count=int(np.isfinite(given).sum()) if of_standards else 1,
            moves=_whole(tables, "scan/gamma"),
        )


def _off_the_others(x: np.ndarray, y: np.ndarray) -> tuple[int, np.ndarray] | None:
    """The one step far off the curve of all others, and that curve; None without one."""
    best: tuple[float, int, float, np.ndarray] | None = None
    for k in range(x.size):
        others = np.arange(x.size) != k
        curve = np.polyfit(x[others], y[others], 2)
        rest = float(np.abs(y[others] - np.polyval(curve, x[others])).max())
        if best is None or rest < best[0]:
            best = (rest, k, float(abs(y[k] - np.polyval(curve, x[k]))), curve)
    if best is None or best[2] <= max(_STEP_TIMES * best[0], _STEP_LEAST):
        return None
    return best[1], best[3]


def _steps(tables: Tables) -> Iterator[Finding]:
    """One step of aluminium far off the curve of the others."""
    thick, rate = tables.number(_GAMMA, "aluminium_thickness"), rates(tables, _GAMMA)
    if thick is None or rate is None:
        return
    used = of_kinds(tables, _GAMMA, "standard") & np.isfinite(thick) & (rate > 0)
    sets = _sets(tables, _GAMMA)
    for name in dict.fromkeys(sets[used].tolist()):
        rows = np.flatnonzero(used & (sets == name))
        x = np.unique(thick[rows])
        if x.size < _STEPS:
            continue
        y = np.log([median(rate[rows[thick[rows] == step]]) for step in x])
        found = _off_the_others(x, y)
        if found is None:
            continue
        k, curve = found
        fine = np.linspace(0.0, 1.5 * x[-1], 1501)
        fits = float(fine[np.argmin(np.abs(np.polyval(curve, fine) - y[k]))])
        wrong = rows[thick[rows] == x[k]]
        share = abs(math.expm1(float(y[k] - np.polyval(curve, x[k]))))
        yield Finding(
            "steps of aluminium",
            tables.file(_GAMMA),
            f"the rate through {x[k]:g} mm of aluminium is {math.exp(y[k]):.5g} 1/s, "
            f"{100 * share:.2g} % off the curve of the other steps, which has it at {fits:.3g} mm",
            "the thickness, or the counts, of this step are mistyped",
            "Correct aluminium_thickness, or leave the step out; all densities depend on it",
            f"{x[k]:g} mm",
            row=tables.line(_GAMMA, int(wrong[0])),
            count=int(wrong.size),
            moves=_whole(tables, "scan/gamma"),
        )
        return


def _check_rates(tables: Tables) -> Iterator[Finding]:
    """Rates through check pieces far from those through the same standard of the same set."""
    thick, rate = tables.number(_GAMMA, "aluminium_thickness"), rates(tables, _GAMMA)
    if thick is None or rate is None:
        return
    bore, stamps = tables.number(_GAMMA, "bore"), tables.times(_GAMMA)
    half_life = tables.setting("gamma", "half_life", "yr")
    if stamps is not None and half_life > 0:
        age = np.where(np.isfinite(stamps), stamps - np.nanmin(stamps), 0.0) / (365.25 * 86400.0)
        rate = rate * 2.0 ** (age / half_life)
    sets = _sets(tables, _GAMMA)
    width = np.zeros(thick.size) if bore is None else bore
    ratios, first = [], -1
    standard, check = of_kinds(tables, _GAMMA, "standard"), of_kinds(tables, _GAMMA, "check")
    for row in np.flatnonzero(check & (rate > 0)).tolist():
        like = standard & (sets == sets[row]) & (thick == thick[row]) & (width == width[row])
        level = median(rate[like])
        if level > 0:
            ratios.append(float(rate[row]) / level)
            first = row if first < 0 else first
    ratio = median(ratios)
    if not ratio > 0 or 1.0 / _CHECK_RATE <= ratio <= _CHECK_RATE:
        return
    yield Finding(
        "rates of check pieces",
        tables.file(_GAMMA),
        f"half of the check pieces have {ratio:.3g} times the rate of standards of the same "
        f"thickness, the first one {thick[first]:g} mm of aluminium",
        "the counting time of the standards, or that of the check pieces, is mistyped",
        "Correct the counting time; all densities depend on it",
        f"factor {ratio:.3g}",
        row=tables.line(_GAMMA, first),
        count=len(ratios),
        moves=_whole(tables, "scan/gamma"),
    )


# --------------------------------------------------------------------------------------------------
# P-wave: the wall of the liner, water and bars.


def _wall(tables: Tables) -> Iterator[Finding]:
    """A wall of the liner that the thicknesses of the scan contradict."""
    thick = tables.number("scan/pwave", "thickness")
    bore, wall = tables.setting("liner", "bore", "mm"), tables.setting("liner", "wall", "mm")
    where, sections = tables.positions.get("scan/pwave"), tables.get("sections")
    if thick is None or sections is None or where is None or where.code is None:
        return
    if not bore > 0 or not wall > 0:
        return
    liner = sections["liner"] if "liner" in sections else np.full(len(sections), "full")
    if not np.isin(liner, ("full", "")).all() or np.isfinite(thick).sum() < _LEAST:
        return
    level, outer = median(thick), bore + 2.0 * wall
    # Nearer to the bore, or above the outside: the check "thickness" names those.
    if not outer - wall <= level < (1.0 - _OUTER) * outer:
        return
    yield Finding(
        "wall of the liner",
        "hole.toml",
        f"half of the thicknesses of the P-wave scan are {level:.4g} mm or less, and [liner] bore "
        f"{bore:g} mm with two walls of {wall:g} mm makes {outer:.4g} mm",
        f"wall is mistyped, or both walls were written as one: {(level - bore) / 2:.2g} mm would "
        "fit",
        "Correct wall, or bore, under [liner]; velocities depend on them",
        f"{wall:g} mm",
        moves=_whole(tables, "scan/pwave"),
    )


def _line(x: np.ndarray, y: np.ndarray) -> tuple[float, float, float]:
    """Slope, intercept and standard error of the slope of a line; NaN for fewer than 3 lengths."""
    if np.unique(x).size < 3:
        return math.nan, math.nan, math.nan
    slope, intercept = np.polyfit(x, y, 1)
    scatter = float(np.sum((y - slope * x - intercept) ** 2)) / max(x.size - 2, 1)
    return (
        float(slope),
        float(intercept),
        math.sqrt(scatter / float(np.sum((x - x.mean()) ** 2))),
    )


def _media(tables: Tables) -> dict[tuple[str, str, str], np.ndarray]:
    """Rows of the standards of the P-wave by set, medium and liner."""
    length, time = tables.number(_PWAVE, "length"), tables.number(_PWAVE, "travel_time")
    medium = tables.text(_PWAVE, "medium")
    if length is None or time is None or medium is None:
        return {}
    used = of_kinds(tables, _PWAVE, "standard") & np.isfinite(length) & np.isfinite(time)
    liner = tables.text(_PWAVE, "liner")
    liner = np.full(length.size, "") if liner is None else liner
    keys = list(zip(_sets(tables, _PWAVE).tolist(), medium.tolist(), liner.tolist(), strict=True))
    found: dict[tuple[str, str, str], list[int]] = {}
    for row in np.flatnonzero(used).tolist():
        found.setdefault(keys[row], []).append(row)
    return {key: np.array(rows) for key, rows in found.items()}


def _water_line(tables: Tables) -> Iterator[Finding]:
    """Velocity in standards of water far from that of water at their temperature."""
    warm = tables.number(_PWAVE, "temperature")
    if warm is None:
        return
    length, time = tables.number(_PWAVE, "length"), tables.number(_PWAVE, "travel_time")
    for (_, medium, _), rows in _media(tables).items():
        level = median(warm[rows])
        if medium != "water" or length is None or time is None or not 0.0 <= level <= 60.0:
            continue
        slope, _, error = _line(length[rows], time[rows])
        if not slope > 0:
            continue
        grid = np.append(np.arange(0.0, 60.5, 0.5), level)
        speed = seawater.sound_speed("0 g/kg", units.quantity(grid, "degC")).magnitude
        velocity, expected = 1e3 / slope, float(speed[-1])
        limit = max(_WATER, _WATER_ERRORS * error / slope)
        # A velocity in another unit has its own finding.
        if not limit < abs(velocity / expected - 1.0) < 0.5:
            continue
        nearest = int(np.argmin(np.abs(speed - velocity)))
        fits = abs(speed[nearest] - velocity) < _WATER * velocity
        yield Finding(
            "water of the standards",
            tables.file(_PWAVE),
            f"travel times over lengths of water make {velocity:.4g} m/s, and water of "
            f"{level:.3g} degC has {expected:.4g} m/s",
            f"the temperature is mistyped: {grid[nearest]:.2g} degC would fit"
            if fits
            else "lengths are mistyped, or it is not fresh water",
            "Correct temperature, length or medium; all velocities depend on them",
            f"{level:.3g} degC",
            row=tables.line(_PWAVE, int(rows[0])),
            count=int(rows.size),
            moves=_whole(tables, "scan/pwave"),
        )
        return


def _delays(tables: Tables) -> Iterator[Finding]:
    """Delays of water and bars that differ by two walls which liner does not name, or names."""
    length, time = tables.number(_PWAVE, "length"), tables.number(_PWAVE, "travel_time")
    wall = tables.setting("liner", "wall", "mm")
    velocity = tables.setting("liner", "velocity", "m/s")
    if length is None or time is None or not wall > 0 or not velocity > 0:
        return
    walls = 2e3 * wall / velocity
    held = []
    for (name, medium, liner), rows in _media(tables).items():
        _, delay, _ = _line(length[rows], time[rows])
        if math.isfinite(delay) and liner in ("full", "none"):
            held.append((name, medium, delay - (walls if liner == "full" else 0.0), liner, rows))
    for name, medium, delay, liner, rows in held:
        if "water" not in medium:
            continue
        bars = [one[2] for one in held if one[0] == name and "water" not in one[1]]
        if not bars:
            continue
        apart = delay - median(bars)
        if abs(abs(apart) - walls) > _WALLS * walls or (apart > 0) != (liner == "none"):
            continue
        yield Finding(
            "liner of the standards",
            tables.file(_PWAVE),
            f"the delay of {medium} with liner {liner!r} differs from that of the bars by "
            f"{apart:+.3g} us, and two walls of the liner take {walls:.3g} us",
            "the water stands in a liner" if apart > 0 else "the water stands in no liner",
            f"Write liner as {'full' if apart > 0 else 'none'} beside {medium}, or correct that of "
            "the bars; all velocities depend on it",
            f"{apart:+.3g} us",
            row=tables.line(_PWAVE, int(rows[0])),
            count=int(rows.size),
            moves=_whole(tables, "scan/pwave"),
        )
        return


# --------------------------------------------------------------------------------------------------
# Natural gamma: blanks and windows.


def _blanks(tables: Tables) -> Iterator[Finding]:
    """Rates of blanks above that of the scan."""
    held, rate = rates(tables, _NATURAL), rates(tables, "scan/natural_gamma")
    if held is None or rate is None or np.isfinite(rate).sum() < _LEAST:
        return
    those = of_kinds(tables, _NATURAL, "blank") & np.isfinite(held)
    blank, level = median(held[those]), median(rate)
    # A scan far below its blanks has a finding about its own counts.
    if not level > 0 or not _BLANK < blank / level < 1.0 / _BACKGROUND:
        return
    yield Finding(
        "blanks of natural gamma",
        tables.file(_NATURAL),
        f"half of the blanks have {blank:.3g} 1/s or more, and half of the scan {level:.3g} 1/s or "
        "less",
        "live_time, or the reading, of the blanks is mistyped",
        "Correct live_time and reading of the blanks; an empty chamber counts less than a core",
        f"{blank:.3g} 1/s",
        row=tables.line(_NATURAL, int(np.flatnonzero(those)[0])),
        count=int(those.sum()),
        moves=_whole(tables, "scan/natural_gamma"),
    )


def _windows(tables: Tables) -> Iterator[Finding]:
    """More counts in the window of thorium than in that of potassium."""
    name = "scan/natural_gamma"
    low, high = tables.number(name, "counts_potassium"), tables.number(name, "counts_thorium")
    if low is None or high is None:
        return
    known = np.isfinite(low) & np.isfinite(high)
    above = np.flatnonzero(known & (high > low))
    if known.sum() < _LEAST or above.size <= _HALF * known.sum():
        return
    row = int(above[0])
    yield Finding(
        "order of the windows",
        tables.file(name),
        f"counts_thorium exceeds counts_potassium in {above.size} of {int(known.sum())} readings, "
        f"such as {high[row]:g} and {low[row]:g}",
        "the columns of potassium and thorium are exchanged",
        "Exchange the headers counts_potassium and counts_thorium",
        f"{high[row]:g}",
        row=tables.line(name, row),
        count=int(above.size),
        moves={name: np.flatnonzero(known)},
    )


CHECKS = (
    Check(
        "bore of the standards",
        "bore of the gamma standards with the outer diameter of the liner",
        ("slip_same_bore",),
        _bore,
    ),
    Check(
        "steps of aluminium",
        "rate through each step with the curve of the other steps",
        ("slip_step_times", "slip_step_least", "slip_steps"),
        _steps,
    ),
    Check(
        "rates of check pieces",
        "rates through check pieces with those through standards of their thickness",
        ("slip_check_rate",),
        _check_rates,
    ),
    Check(
        "wall of the liner",
        "thicknesses of the P-wave scan with bore and walls",
        ("slip_outer_share",),
        _wall,
    ),
    Check(
        "water of the standards",
        "velocity in standards of water with that of water at their temperature",
        ("slip_water_velocity", "slip_water_errors"),
        _water_line,
    ),
    Check(
        "liner of the standards",
        "delay of water with that of bars, and their liners",
        ("slip_walls_share",),
        _delays,
    ),
    Check(
        "blanks of natural gamma",
        "rates of blanks with those of the scan",
        ("slip_blank_above", "slip_background_share"),
        _blanks,
    ),
    Check(
        "order of the windows",
        "window of thorium with that of potassium",
        ("slip_thorium_share",),
        _windows,
    ),
)
