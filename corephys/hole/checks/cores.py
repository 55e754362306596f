"""Checks of one core, or one sensor, against its neighbours: offsets, counts, thicknesses."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from corephys.ground import thresholds
from corephys.hole.checks.finding import Check, Finding, Tables, median, more
from corephys.hole.checks.scan import of_kinds, rates

__all__ = ["CHECKS", "shifted_zero"]

_LEAST = thresholds.count("slip_section_readings")
_SECTIONS = thresholds.count("slip_sensor_sections")
_REACH = thresholds.value("slip_sensor_reach")
_ZERO = thresholds.value("slip_sensor_zero")  # cm
_AGREE = thresholds.value("slip_sensor_agrees")  # cm
_CORE = thresholds.value("slip_core_ratio")
_ALIKE = thresholds.value("slip_core_alike")
_SHARE = thresholds.value("slip_core_share")

# --------------------------------------------------------------------------------------------------
# Offsets of one sensor against those of the others in the same sections.


def _offsets(tables: Tables) -> tuple[list[str], np.ndarray, np.ndarray]:
    """First and last offset [cm] of every section by scan; NaN without readings."""
    layout = tables.layout
    names = [n for n in tables.scans if not tables.columns[n].table.supplied]
    size = 0 if layout is None else layout.length.size
    first, last = np.full((len(names), size), np.nan), np.full((len(names), size), np.nan)
    for k, name in enumerate(names):
        groups, offset = tables.sections(name), tables.number(name, "offset")
        if groups is None or offset is None:
            continue
        many = groups.size >= _LEAST
        first[k, groups.code[many]] = groups.least(offset)[many]
        last[k, groups.code[many]] = groups.greatest(offset)[many]
    return names, first, last


def _others(values: np.ndarray, k: int) -> np.ndarray:
    """Median of the other scans in each section; NaN with fewer than two of them."""
    rest = np.sort(np.delete(values, k, axis=0), axis=0)  # NaN comes last
    count = np.isfinite(rest).sum(axis=0)
    section = np.arange(values.shape[1])
    low, high = np.maximum(count - 1, 0) // 2, count // 2
    high = np.minimum(high, rest.shape[0] - 1)
    return np.where(count >= 2, 0.5 * (rest[low, section] + rest[high, section]), np.nan)


def shifted_zero(tables: Tables) -> dict[str, dict[int, float]]:
    """Cores of each scan whose offsets are all shifted by one length against the other scans.

    Parameters
    ----------
    tables : Tables
        The tables of a hole as read.

    Returns
    -------
    dict
        Shift [cm] by scan and row of the core.
    """
    layout = tables.layout
    names, first, last = _offsets(tables)
    if layout is None or len(names) < 3:
        return {}
    found: dict[str, dict[int, float]] = {}
    for k, name in enumerate(names):
        begins, ends = first[k] - _others(first, k), last[k] - _others(last, k)
        # A track that begins deeper in every section is laid out so.
        usual = median(begins)
        begins = begins - (usual if np.isfinite(usual) else 0.0)
        for core in np.unique(layout.core_of[np.abs(begins) > _ZERO]).tolist():
            here = (layout.core_of == core) & np.isfinite(begins)
            shift = median(begins[here])
            if here.sum() < _SECTIONS or not abs(shift) > _ZERO:
                continue
            # Both ends are shifted by the same; the last reading lies a step from the end at most.
            same = (np.abs(begins[here] - shift) <= _AGREE).all()
            long = ends[here] * np.sign(shift) > 0.5 * abs(shift) - _AGREE
            if same and long.all() and abs(median(ends[here]) - shift) <= _AGREE + 0.2 * abs(shift):
                found.setdefault(name, {})[core] = shift
    return found


def _zero_of_the_track(tables: Tables) -> Iterator[Finding]:
    """Cores in which one sensor begins and ends deeper than the others by one length."""
    for name, cores in shifted_zero(tables).items():
        core, shift = next(iter(cores.items()))
        rows = _rows(tables, name, list(cores))
        yield Finding(
            "offsets of one sensor",
            tables.file(name),
            f"the offsets of the core are {abs(shift):.3g} cm {'more' if shift > 0 else 'less'} "
            f"than those of the other sensors in the same sections{more(len(cores), 'core')}",
            "the zero of one track was not set",
            f"{'Subtract' if shift > 0 else 'Add'} {abs(shift):.3g} cm, if the log of the scan "
            "agrees",
            f"{abs(shift):.3g} cm",
            str(tables.columns["cores"]["core"][core]),
            "",
            tables.line(name, int(rows[0])),
            len(cores),
            {name: rows},
        )


def _short_offsets(tables: Tables) -> Iterator[Finding]:
    """Cores in which the offsets of one sensor end far above those of the others."""
    layout = tables.layout
    names, _, last = _offsets(tables)
    if layout is None or len(names) < 3:
        return
    for k, name in enumerate(names):
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = last[k] / _others(last, k)
        found: list[tuple[int, float]] = []
        for core in np.unique(layout.core_of[ratio < _REACH]).tolist():
            here = (layout.core_of == core) & np.isfinite(ratio)
            # Every section, since one may have been left off before its end.
            if here.sum() >= _SECTIONS and (ratio[here] < _REACH).all():
                level = median(ratio[here])
                if np.abs(ratio[here] / level - 1.0).max() <= 0.25 and level > 0:
                    found.append((core, level))
        tracked = np.unique(layout.core_of[np.isfinite(ratio)]).size
        # Offsets of all cores in another unit have a finding of their own.
        if not found or len(found) > 0.5 * tracked or found[0][1] < 0.15:
            continue
        core, level = found[0]
        rows = _rows(tables, name, [one for one, _ in found])
        inches = abs(level * 2.54 - 1.0) < 0.1
        yield Finding(
            "offsets of one sensor",
            tables.file(name),
            f"the offsets end at {level:.3g} of those of the other sensors in every section of "
            f"the core{more(len(found), 'core')}",
            "inches under cm" if inches else "the offsets of this core have another unit or step",
            "Multiply the offsets by 2.54, if they were taken in inches"
            if inches
            else "Correct the offsets of this core by the log of the scan",
            f"{level:.3g}",
            str(tables.columns["cores"]["core"][core]),
            "",
            tables.line(name, int(rows[0])),
            len(found),
            {name: rows},
        )


def _sensors(tables: Tables) -> Iterator[Finding]:
    """Both slips of the offsets of one sensor."""
    yield from _zero_of_the_track(tables)
    yield from _short_offsets(tables)


def _rows(tables: Tables, name: str, cores: list[int]) -> np.ndarray:
    """Rows of one table in some cores."""
    return np.unique(
        np.concatenate([tables.rows_of_core(core).get(name, np.zeros(0, int)) for core in cores])
    )


# --------------------------------------------------------------------------------------------------
# Levels of one core against those of its neighbours.


def _by_core(tables: Tables, name: str, values: np.ndarray) -> np.ndarray:
    """Median of each core, in the order of the table of cores; NaN with few readings."""
    layout, groups = tables.layout, tables.sections(name)
    assert layout is not None and groups is not None
    level = np.full(layout.core_top.size, np.nan)
    core = np.repeat(layout.core_of[groups.code], groups.size)
    held = values[groups.order]
    known = np.isfinite(held)
    order = np.lexsort((held[known], core[known]))
    core, held = core[known][order], held[known][order]
    cores, start, count = np.unique(core, return_index=True, return_counts=True)
    middle = 0.5 * (held[start + (count - 1) // 2] + held[start + count // 2])
    level[cores[count >= _LEAST]] = middle[count >= _LEAST]
    return level


def _counted(tables: Tables) -> Iterator[Finding]:
    """Cores whose rate stands apart by a factor that their counting time explains."""
    layout = tables.layout
    for name in ("scan/gamma", "scan/natural_gamma"):
        rate = rates(tables, name)
        if rate is None or layout is None or tables.sections(name) is None:
            continue
        time = tables.number(name, "live_time")
        time = tables.number(name, "real_time") if time is None else time
        counts = tables.number(name, "counts")
        if time is None or counts is None:
            continue
        level = _by_core(tables, name, rate)
        span, counted = _by_core(tables, name, time), _by_core(tables, name, counts)
        water = _fastest_standard(tables)
        order = np.argsort(layout.core_top, kind="stable")
        order = order[np.isfinite(level[order])]
        found: list[tuple[int, float, bool]] = []
        for at, core in enumerate(order.tolist()):
            near = np.concatenate([order[max(0, at - 2) : at], order[at + 1 : at + 3]])
            if near.size < 3 or level[near].max() > _ALIKE * level[near].min():
                continue
            ratio = level[core] / median(level[near])
            if 1.0 / _CORE < ratio < _CORE:
                continue
            # The same counts beside another time: the time was mistyped.
            other = span[core] / median(span[near])
            fits = abs(other * ratio - 1.0) < 0.3
            fits &= bool(1.0 / _ALIKE < counted[core] / median(counted[near]) < _ALIKE)
            # No sediment lets more through than water: it was counted for longer than written.
            # Voids of a gassy core do, but not nearly all of its readings.
            thin = name == "scan/gamma" and bool(level[core] > 1.05 * water)
            if thin:
                thin = _share_above(tables, name, core, rate, water) > _SHARE
            if fits or thin:
                found.append((core, ratio, fits))
        if not found or len(found) > 0.25 * order.size:
            continue
        core, ratio, fits = found[0]
        rows = _rows(tables, name, [one[0] for one in found])
        yield Finding(
            "counts of one core",
            tables.file(name),
            f"the rate of the core is {level[core]:.4g} 1/s, {ratio:.3g} times that of the cores "
            f"beside it, with a counting time of {span[core]:g} s{more(len(found), 'core')}",
            f"the counting time is mistyped: {median(span):g} s written as {span[core]:g}"
            if fits
            else "the core was counted for longer than its counting time",
            "Correct the counting time of the core by the log of the scan",
            f"{span[core]:g} s",
            str(tables.columns["cores"]["core"][core]),
            "",
            tables.line(name, int(rows[0])),
            len(found),
            {name: rows},
        )


def _share_above(tables: Tables, name: str, core: int, rate: np.ndarray, limit: float) -> float:
    """Share of the readings of a core with a rate above a limit."""
    held = rate[_rows(tables, name, [core])]
    return float(np.mean(held[np.isfinite(held)] > limit))


def _fastest_standard(tables: Tables) -> float:
    """Greatest rate through a standard of gamma, water alone [1/s]; infinity without standards."""
    held = rates(tables, "standards/gamma")
    if held is None:
        return float("inf")
    held = held[of_kinds(tables, "standards/gamma", "standard")]
    held = held[np.isfinite(held) & (held > 0)]
    return float(held.max()) if held.size > 1 else float("inf")


def _thin_cores(tables: Tables) -> Iterator[Finding]:
    """Cores whose thickness is near the bore, where that of the others is near the outside."""
    name, layout, groups = "scan/pwave", tables.layout, tables.sections("scan/pwave")
    thick = tables.number(name, "thickness")
    bore, wall = tables.setting("liner", "bore", "mm"), tables.setting("liner", "wall", "mm")
    if thick is None or layout is None or groups is None or not (bore > 0 and wall > 0):
        return
    liner = tables.text("sections", "liner")
    where = tables.positions[name]
    if liner is not None and where is not None and where.code is not None:
        # Split sections and those without a liner have other thicknesses.
        whole = np.append(np.isin(liner, ("full", "")), False)[where.code]
        thick = np.where(whole, thick, np.nan)
    level = _by_core(tables, name, thick)
    known = int(np.isfinite(level).sum())
    with np.errstate(invalid="ignore"):
        near = np.flatnonzero(np.abs(level - bore) < 0.5 * wall)
        outside = np.abs(level - bore - 2.0 * wall) < 0.5 * wall
    if not near.size or outside.sum() < 0.5 * known or outside.sum() < 3:
        return
    core = int(near[0])
    rows = _rows(tables, name, near.tolist())
    yield Finding(
        "thickness of one core",
        tables.file(name),
        f"half of the thicknesses of the core are {level[core]:.4g} mm or less, and those of "
        f"{int(outside.sum())} other cores are near {bore + 2 * wall:.4g} mm, the outer diameter "
        f"of the liner{more(near.size, 'core')}",
        "the walls of the liner are taken off already",
        f"Add both walls, {2 * wall:g} mm, to the thicknesses of the core, if the log of the scan "
        "agrees",
        f"{level[core]:.4g} mm",
        str(tables.columns["cores"]["core"][core]),
        "",
        tables.line(name, int(rows[0])),
        int(near.size),
        {name: rows},
    )


CHECKS = (
    Check(
        "offsets of one sensor",
        "offsets of one sensor with those of the others in the same sections, core by core",
        ("slip_sensor_sections", "slip_sensor_reach", "slip_sensor_zero", "slip_sensor_agrees"),
        _sensors,
    ),
    Check(
        "counts of one core",
        "rate and counting time of a core with those of two cores on either side",
        ("slip_core_ratio", "slip_core_alike", "slip_core_share"),
        _counted,
    ),
    Check(
        "thickness of one core",
        "thickness of a core with bore and outer diameter of the liner, and with the other cores",
        (),
        _thin_cores,
    ),
)
