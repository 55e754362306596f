"""Checks of the raw readings of the scan: counts, times, thicknesses, responses."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from corephys.ground import thresholds
from corephys.hole.checks.finding import (
    Check,
    Finding,
    Tables,
    factor_in_words,
    median,
    more,
    of_rows,
)

__all__ = ["CHECKS", "of_kinds", "rates"]

_LEAST = thresholds.count("slip_section_readings")
_RATIO = thresholds.value("slip_level_ratio")
_SAME = thresholds.value("slip_same_level")
_BELOW = thresholds.value("slip_rate_below_standards")
_ABOVE = thresholds.value("slip_rate_above_standards")
_WHOLE = thresholds.value("slip_whole_share")
_BACKGROUND = thresholds.value("slip_background_share")
_SLOWEST = thresholds.value("slip_slowest_apparent")  # km/s
_FASTEST = thresholds.value("slip_fastest_apparent")  # km/s
_THIN = thresholds.value("slip_thickness_share")
_THICK = thresholds.value("slip_thickness_times")
_ABOVE_LINER = thresholds.value("slip_thickness_above")
_RESPONSE = thresholds.value("slip_response_ratio")
_SUSCEPTIBLE = thresholds.value("slip_susceptibility")
_FAINT = thresholds.value("slip_least_susceptibility")
_COUNTERS = ("gamma", "natural_gamma")
# Volume susceptibility in SI of one in each unit; 4 pi from cgs to SI by definition.
_SI = {"1e-5 SI": 1e-5, "SI": 1.0, "1e-6 cgs": 4e-6 * math.pi, "cgs": 4.0 * math.pi}

# --------------------------------------------------------------------------------------------------
# Rows of a table that are off, by section where the table has sections.


def _off(
    tables: Tables, name: str, values: np.ndarray, low: float, high: float
) -> tuple[np.ndarray, int, float, str, str]:
    """Rows outside a range in sections that are mostly outside.

    Returns the rows, the number of sections, the median of the first one, and its place. One odd
    reading does not make a section; the range of its quantity judges it.
    """
    groups = tables.sections(name)
    judged = np.zeros(0, dtype=bool) if groups is None else groups.size >= _LEAST
    with np.errstate(invalid="ignore"):
        outside = (values < low) | (values > high)
    if groups is None or not judged.any():
        level = median(values)
        wrong = level < low or level > high
        rows = np.flatnonzero(outside) if wrong else np.zeros(0, dtype=int)
        return rows, int(wrong), level, "", ""
    count = groups.count(outside)
    those = np.flatnonzero(judged & (count > 0.5 * groups.count(np.isfinite(values))))
    if not those.size:
        return np.zeros(0, dtype=int), 0, float("nan"), "", ""
    rows = np.concatenate([groups.rows(int(group)) for group in those])
    core, section = tables.key(int(groups.code[those[0]]))
    level = median(values[groups.rows(int(those[0]))])
    return rows[outside[rows]], int(those.size), level, core, section


def of_kinds(tables: Tables, name: str, *kinds: str) -> np.ndarray:
    """Rows of a table of standards of some kinds; a row without a kind is a standard."""
    table = tables.columns[name]
    if "kind" not in table:
        return np.full(len(table), "standard" in kinds)
    kind = np.where(table["kind"] == "", "standard", table["kind"])
    return np.isin(kind, kinds)


def rates(tables: Tables, name: str) -> np.ndarray | None:
    """Counts over time [1/s] of a table; None without either."""
    counts = tables.number(name, "counts")
    if counts is None:
        counts = tables.number(name, "reading") if name.startswith("standards/") else None
    time = tables.number(name, "live_time")
    if time is None:
        time = tables.number(name, "real_time")
    if counts is None or time is None:
        return None
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(time > 0, counts / time, np.nan)


# --------------------------------------------------------------------------------------------------
# Counters: gamma attenuation and natural gamma.


def _times_of_counts(tables: Tables) -> Iterator[Finding]:
    """Counts without a counting time, and sections whose time does not fit their counts."""
    for sensor in _COUNTERS:
        name = f"scan/{sensor}"
        counts = tables.number(name, "counts")
        if counts is None:
            continue
        for header in ("live_time", "real_time"):
            time = tables.number(name, header)
            if time is None:
                continue
            rows = np.flatnonzero((time <= 0) & (counts > 0))
            if rows.size:
                yield of_rows(
                    tables,
                    "counting time",
                    name,
                    rows,
                    f"{header} is {time[rows[0]]:g} s beside {counts[rows[0]]:g} counts"
                    f"{more(rows.size, 'row')}",
                    "the time was not recorded, or columns are exchanged",
                    f"Write the counting time of these readings as {header}, or leave it empty",
                    f"{time[rows[0]]:g} s",
                )
            yield from _times_apart(tables, name, header, counts, time)


def _times_apart(
    tables: Tables, name: str, header: str, counts: np.ndarray, time: np.ndarray
) -> Iterator[Finding]:
    """Readings whose time is far from the usual one while their counts are as usual."""
    usual, level = median(time), median(counts)
    if not (usual > 0 and level > 0):
        return
    with np.errstate(invalid="ignore", divide="ignore"):
        longer = time / usual
        far = (longer > _RATIO) | ((longer < 1.0 / _RATIO) & (time > 0))
        rows = np.flatnonzero(far & (counts > level / _SAME) & (counts < level * _SAME))
    # Where several counting times are in use, the rest of the hole is no measure.
    if rows.size < _LEAST or rows.size > 0.3 * counts.size:
        return
    yield of_rows(
        tables,
        "counting time",
        name,
        rows,
        f"{header} is {time[rows[0]]:g} s for {counts[rows[0]]:g} counts, and the hole has "
        f"{usual:g} s for {level:g} counts{more(rows.size, 'row')}",
        f"{header} is mistyped",
        f"Correct {header}; the rate is counts over time",
        f"{time[rows[0]]:g} s",
    )


def _whole_counts(tables: Tables) -> Iterator[Finding]:
    """Counts with decimals, which are rates."""
    for name in [f"{part}/{sensor}" for sensor in _COUNTERS for part in ("scan", "standards")]:
        counts = tables.number(name, "counts")
        if counts is None:
            continue
        known = np.isfinite(counts)
        broken = known & (counts != np.round(counts))
        if broken.sum() < max(_LEAST, _WHOLE * known.sum()):
            continue
        rows = np.flatnonzero(broken)
        yield of_rows(
            tables,
            "whole counts",
            name,
            rows,
            f"counts is {counts[rows[0]]:g}{more(rows.size, 'row')}, and counts are whole numbers",
            "counts per second under counts",
            "Multiply by the counting time, or write the counts as the counter gave them",
            f"{counts[rows[0]]:g}",
        )


def _gamma_rates(tables: Tables) -> Iterator[Finding]:
    """Rates of the gamma scan far from those of its standards."""
    held, rate = rates(tables, "standards/gamma"), rates(tables, "scan/gamma")
    if held is None or rate is None:
        return
    known = held[of_kinds(tables, "standards/gamma", "standard", "check")]
    known = known[np.isfinite(known) & (known > 0)]
    if known.size < 2 or known.max() < _SAME * known.min():
        return
    low, high = _BELOW * known.min(), _ABOVE * known.max()
    time = tables.number("scan/gamma", "live_time")
    time = tables.number("scan/gamma", "real_time") if time is None else time
    usual = median(time) if time is not None else float("nan")
    if time is not None:
        # A counting time apart from the others has its own finding.
        rate = np.where((time < _RATIO * usual) & (time > usual / _RATIO), rate, np.nan)
    rows, count, level, core, section = _off(tables, "scan/gamma", rate, low, high)
    if not count:
        return
    words = factor_in_words(
        level,
        low,
        high,
        ((usual, "counts per second under counts"), (1e3, "thousands of counts under counts")),
        "another source, a counting time that is mistyped, or standards of another day",
    )
    yield Finding(
        "rates of gamma",
        tables.file("scan/gamma"),
        f"the rate is {level:.4g} 1/s, and the standards have {known.min():.4g} to "
        f"{known.max():.4g} 1/s{more(count, 'section')}",
        words,
        "Compare counts and times of the scan with those of the standards",
        f"{level:.4g} 1/s",
        core,
        section,
        tables.line("scan/gamma", int(rows[0])),
        count,
        {"scan/gamma": rows},
    )


def _natural_rates(tables: Tables) -> Iterator[Finding]:
    """Rates of natural gamma below the background of the detector."""
    held, rate = rates(tables, "standards/natural_gamma"), rates(tables, "scan/natural_gamma")
    if held is None or rate is None:
        return
    blank = median(held[of_kinds(tables, "standards/natural_gamma", "blank")])
    if not blank > 0:
        return
    low = _BACKGROUND * blank
    rows, count, level, core, section = _off(tables, "scan/natural_gamma", rate, low, math.inf)
    if not count:
        return
    time = tables.number("scan/natural_gamma", "live_time")
    usual = median(time) if time is not None else float("nan")
    per_second = level * usual >= low
    yield Finding(
        "rates of natural gamma",
        tables.file("scan/natural_gamma"),
        f"the rate is {level:.3g} 1/s, and the background {blank:.3g} 1/s{more(count, 'section')}",
        "counts per second under counts" if per_second else "counts or live_time are mistyped",
        "Write the counts of the complete counting time as counts",
        f"{level:.3g} 1/s",
        core,
        section,
        tables.line("scan/natural_gamma", int(rows[0])),
        count,
        {"scan/natural_gamma": rows},
    )


def _windows(tables: Tables) -> Iterator[Finding]:
    """Windows of the spectrum that hold more counts than the spectrum."""
    for name in ("scan/natural_gamma", "standards/natural_gamma"):
        total = tables.number(name, "counts")
        table = tables.get(name)
        if total is None and name.startswith("standards/"):
            total = tables.number(name, "reading")
        if total is None or table is None:
            continue
        more_than_all: dict[str, np.ndarray] = {}
        for header in [h for h in table.values if h.startswith("counts_")]:
            window = tables.number(name, header)
            if window is not None:
                rows = np.flatnonzero(window > total)
                more_than_all |= {header: rows} if rows.size else {}
        if not more_than_all:
            continue
        rows = np.unique(np.concatenate(list(more_than_all.values())))
        header, first = next((h, int(r[0])) for h, r in more_than_all.items())
        yield of_rows(
            tables,
            "windows of the spectrum",
            name,
            rows,
            f"{', '.join(more_than_all)}: {table[header][first]:g} counts in {header}, more than "
            f"the {total[first]:g} of the complete spectrum{more(rows.size, 'row')}",
            "counts are per second and windows are not, or columns are exchanged",
            "Write all counts of one reading for the same counting time",
            f"{table[header][first]:g}",
        )


# --------------------------------------------------------------------------------------------------
# P-wave: thickness, travel time, amplitude.


def _outer(tables: Tables) -> tuple[float, float]:
    """Outer diameter of the liner, or of the cores, and the wall [mm]."""
    bore, wall = tables.setting("liner", "bore", "mm"), tables.setting("liner", "wall", "mm")
    if not bore > 0:
        diameter = tables.number("sections", "core_diameter")
        bore = float("nan") if diameter is None else median(diameter)
    return bore + 2.0 * (wall if wall >= 0 else 0.0), wall


def _thickness(tables: Tables) -> Iterator[Finding]:
    """Thicknesses in another unit, or without the walls of the liner."""
    thick = tables.number("scan/pwave", "thickness")
    outer, wall = _outer(tables)
    if thick is None or not outer > 0:
        return
    split = _split(tables)
    low, high = _THIN * (0.4 if split else 1.0) * outer, _THICK * outer
    rows, count, level, core, section = _off(tables, "scan/pwave", thick, low, high)
    if count:
        words = factor_in_words(
            level,
            low,
            high,
            (
                (10.0, "cm under mm"),
                (25.4, "inches under mm"),
                (1e3, "m under mm"),
                (0.1, "tenths of mm under mm"),
                (1e-3, "um under mm"),
            ),
            "the thickness is mistyped, or bore and wall are",
        )
        yield Finding(
            "thickness",
            tables.file("scan/pwave"),
            f"the thickness is {level:.4g} mm, and the liner is {outer:.4g} mm wide outside"
            f"{more(count, 'section')}",
            words,
            "Write the unit of the file in the header, such as 'thickness [cm]'",
            f"{level:.4g} mm",
            core,
            section,
            tables.line("scan/pwave", int(rows[0])),
            count,
            {"scan/pwave": rows},
        )
        return
    full = _full_liner(tables)
    level = median(thick[full]) if full.any() else float("nan")
    rows = np.flatnonzero(full & np.isfinite(thick))
    bore = outer - 2.0 * wall
    # Nearer to the bore than to the outside; the walls must be thick enough to tell.
    if split or not wall > 0 or outer - wall <= level <= _ABOVE_LINER * outer or not level > 0:
        return
    slip = "the thickness is mistyped, or columns are exchanged, or bore and wall are wrong"
    if abs(level - bore) < wall:
        slip = "the walls of the liner were left out of the thickness, or taken off already"
    yield Finding(
        "thickness",
        tables.file("scan/pwave"),
        f"half of the thicknesses are near {level:.4g} mm, and the liner is {outer:.4g} mm wide "
        f"outside and {bore:.4g} mm inside",
        slip,
        "Write the thickness outside the liner, or correct bore and wall under [liner]",
        f"{level:.4g} mm",
        row=tables.line("scan/pwave", int(rows[0])),
        count=int(rows.size),
        moves={"scan/pwave": rows},
    )


def _liner(tables: Tables) -> np.ndarray:
    """Kind of liner of every section; full where it is not given."""
    sections = tables.columns.get("sections")
    if sections is None:
        return np.zeros(0, dtype=object)
    if "liner" not in sections:
        return np.full(len(sections), "full", dtype=object)
    return np.where(sections["liner"] == "", "full", sections["liner"])


def _split(tables: Tables) -> bool:
    """Whether some sections are split halves."""
    return bool((_liner(tables) == "half").any())


def _full_liner(tables: Tables) -> np.ndarray:
    """Readings of the P-wave on sections in a full liner."""
    where = tables.positions.get("scan/pwave")
    liner = _liner(tables)
    if where is None or where.code is None or not liner.size:
        return np.zeros(len(tables.columns["scan/pwave"]), dtype=bool)
    return np.asarray(np.append(liner == "full", False)[where.code])


def _travel_times(tables: Tables) -> Iterator[Finding]:
    """Travel times in another unit."""
    thick, time = (
        tables.number("scan/pwave", "thickness"),
        tables.number("scan/pwave", "travel_time"),
    )
    outer, _ = _outer(tables)
    if time is None:
        return
    if thick is None or not _THIN * outer <= median(thick) <= _THICK * outer:
        thick = np.full(time.shape, outer)  # a slip of the thickness has its own finding
    with np.errstate(invalid="ignore", divide="ignore"):
        apparent = np.where(time > 0, thick / time, np.nan)
    rows, count, level, core, section = _off(tables, "scan/pwave", apparent, _SLOWEST, _FASTEST)
    if not count:
        return
    shown = median(time[rows])
    words = factor_in_words(
        level,
        _SLOWEST,
        _FASTEST,
        (
            (1e3, "ns under us"),
            (1e-3, "ms under us"),
            (1e-6, "s under us"),
            (10.0, "tenths of us under us"),
            (0.1, "tens of us under us"),
        ),
        "the travel time is mistyped",
    )
    yield Finding(
        "travel time",
        tables.file("scan/pwave"),
        f"the travel time is {shown:.4g} us, which makes {1000 * level:.3g} m/s with its delay"
        f"{more(count, 'section')}",
        words,
        "Write the unit of the file in the header, such as 'travel_time [ns]'",
        f"{shown:.4g} us",
        core,
        section,
        tables.line("scan/pwave", int(rows[0])),
        count,
        {"scan/pwave": rows},
    )


def _delay(tables: Tables) -> Iterator[Finding]:
    """A delay that is longer than the travel times."""
    time, delay = tables.number("scan/pwave", "travel_time"), tables.setting("pwave", "delay", "us")
    if time is None or not delay >= median(time):
        return
    yield Finding(
        "delay of the P-wave",
        "hole.toml",
        f"[pwave] delay is {delay:g} us, and half of the travel times are {median(time):.4g} us or "
        "less",
        "the unit of the delay or of the travel times is wrong",
        "Write the delay with its unit, such as delay = '19.8 us'",
        f"{delay:g} us",
    )


def _amplitudes(tables: Tables) -> Iterator[Finding]:
    """Amplitudes of which most are zero or negative."""
    amplitude = tables.number("scan/pwave", "amplitude")
    if amplitude is None:
        return
    known = np.isfinite(amplitude)
    none = known & (amplitude <= 0)
    if known.sum() < _LEAST or none.sum() <= 0.5 * known.sum():
        return
    rows = np.flatnonzero(none)
    yield Finding(
        "amplitude",
        tables.file("scan/pwave"),
        f"{rows.size} of {int(known.sum())} amplitudes are zero or negative, the first "
        f"{amplitude[rows[0]]:g}",
        "decibels or a signed deflection in place of an amplitude, or a channel that was off",
        "Write the height of the pulse as a positive number, or leave the column out",
        f"{amplitude[rows[0]]:g}",
        row=tables.line("scan/pwave", int(rows[0])),
        count=int(rows.size),
    )


# --------------------------------------------------------------------------------------------------
# Resistivity and susceptibility.


def _responses(tables: Tables) -> Iterator[Finding]:
    """Responses of the resistivity scan far from those of its standards, or below air."""
    held, response = (
        tables.number("standards/resistivity", "response"),
        tables.number("scan/resistivity", "response"),
    )
    if held is None or response is None:
        return
    known = held[of_kinds(tables, "standards/resistivity", "standard")]
    known = known[np.isfinite(known)]
    if not known.size or not known.max() > 0:
        return
    air = median(held[of_kinds(tables, "standards/resistivity", "blank")])
    low = 0.5 * air if air > 0 else known.max() / _RESPONSE**2
    rows, count, level, core, section = _off(
        tables, "scan/resistivity", response, low, _RESPONSE * known.max()
    )
    if not count:
        return
    words = factor_in_words(
        level,
        low,
        _RESPONSE * known.max(),
        ((1e3, "V under mV"), (1e-3, "uV under mV")),
        "another range of the meter, or a unit of the standards that is not that of the scan",
    )
    yield Finding(
        "response of resistivity",
        tables.file("scan/resistivity"),
        f"the response is {level:.3g} mV, and the standards have {known.min():.3g} to "
        f"{known.max():.3g} mV"
        + (f", air {air:.3g} mV" if air > 0 else "")
        + more(count, "section"),
        words,
        "Write the unit of the file in the header, such as 'response [V]'",
        f"{level:.3g} mV",
        core,
        section,
        tables.line("scan/resistivity", int(rows[0])),
        count,
        {"scan/resistivity": rows},
    )


def _susceptible(tables: Tables) -> Iterator[Finding]:
    """Susceptibilities that no sediment or lava has, by the unit of the settings."""
    reading = tables.number("scan/susceptibility", "reading")
    given = tables.settings.get("susceptibility")
    unit = str(given.get("unit", "1e-5 SI")) if isinstance(given, dict) else "1e-5 SI"
    if reading is None or unit not in _SI:
        return
    rows = np.flatnonzero(np.isfinite(reading))
    half, greatest = median(np.abs(reading)), float(np.nanmax(np.abs(reading)))
    if half * _SI[unit] > _SUSCEPTIBLE:
        level = half * _SI[unit]
        words = f"half of the readings are {half:.4g} or more in {unit}, a volume susceptibility of"
        slip = "the unit of the meter is another one, such as 1e-5 SI or 1e-6 cgs"
        cure = "Set [susceptibility] unit to that of the meter"
    elif 0.0 < greatest * _SI[unit] < _FAINT and rows.size >= _LEAST:
        level = greatest * _SI[unit]
        words = f"no reading is beyond {greatest:.3g} in {unit}, a volume susceptibility of"
        slip = "a factor was applied twice"
        if _SI[unit] < 1.0:
            slip = f"SI under a unit of {unit}, or a factor was applied twice"
        cure = (
            "Write reading as a number in the unit of [susceptibility] unit, without the factor of "
            "that unit, or set the unit that the numbers have"
        )
    else:
        return
    yield Finding(
        "unit of susceptibility",
        tables.file("scan/susceptibility"),
        f"{words} {level:.3g} SI",
        slip,
        cure,
        f"{level:.3g} SI",
        row=tables.line("scan/susceptibility", int(rows[0])),
        count=int(rows.size),
        moves={"scan/susceptibility": rows},
    )


CHECKS = (
    Check(
        "counting time",
        "counting times with zero, and with those of readings of the same counts",
        ("slip_level_ratio", "slip_same_level", "slip_section_readings"),
        _times_of_counts,
    ),
    Check("whole counts", "counts with whole numbers", ("slip_whole_share",), _whole_counts),
    Check(
        "rates of gamma",
        "rates of the scan with those through the standards",
        ("slip_rate_below_standards", "slip_rate_above_standards"),
        _gamma_rates,
    ),
    Check(
        "rates of natural gamma",
        "rates of natural gamma with the background",
        ("slip_background_share",),
        _natural_rates,
    ),
    Check("windows of the spectrum", "counts of a window with those of the spectrum", (), _windows),
    Check(
        "thickness",
        "thickness with the outer diameter of the liner, and with its bore",
        ("slip_thickness_share", "slip_thickness_times", "slip_thickness_above"),
        _thickness,
    ),
    Check(
        "travel time",
        "thickness over travel time with the velocities of cores",
        ("slip_slowest_apparent", "slip_fastest_apparent"),
        _travel_times,
    ),
    Check("delay of the P-wave", "the delay with the travel times", (), _delay),
    Check("amplitude", "amplitudes with zero", ("slip_section_readings",), _amplitudes),
    Check(
        "response of resistivity",
        "responses of the scan with those of the standards and of air",
        ("slip_response_ratio",),
        _responses,
    ),
    Check(
        "unit of susceptibility",
        "readings in the unit of the settings with the greatest of sediment and lava, and with the "
        "least of any material",
        ("slip_susceptibility", "slip_least_susceptibility", "slip_section_readings"),
        _susceptible,
    ),
)
