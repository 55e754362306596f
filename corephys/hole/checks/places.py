"""Checks of places: offsets, readings past the end, sections without a reading, order and time."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from corephys.ground import thresholds
from corephys.hole.checks.cores import shifted_zero
from corephys.hole.checks.finding import Check, Finding, Sections, Tables, median, more

__all__ = ["CHECKS"]

_LEAST = thresholds.count("slip_section_readings")
_PAST = thresholds.value("slip_past_end")  # cm
_SHARE = thresholds.value("slip_offset_share")
_LONGEST_SECTION = thresholds.value("slip_longest_section")  # m
_LONGEST_SAMPLE = thresholds.value("slip_longest_sample")  # cm
_UPWARD = thresholds.value("slip_upward_share")
_DECK = thresholds.value("slip_before_deck")  # s
_WAIT = thresholds.value("slip_longest_wait")  # yr
_YEAR = 365.25 * 86400.0  # s

# --------------------------------------------------------------------------------------------------
# Offsets against the lengths of sections.


def _offset_units(tables: Tables) -> Iterator[Finding]:
    """Offsets in m or mm under cm, or counted from the top of the core."""
    layout = tables.layout
    # Lengths in another unit have their own finding and are no measure of the offsets.
    if layout is None or median(layout.length) > _LONGEST_SECTION:
        return
    for name in tables.positioned:
        groups, offset = tables.sections(name), tables.number(name, "offset")
        if groups is None or offset is None:
            continue
        length = 100.0 * layout.length[groups.code]
        if name.startswith("scan/"):
            found = _by_section(tables, groups, offset, length)
        else:
            found = _by_table(tables, groups, offset, length)
        for slip, those in found.items():
            yield _offset_finding(tables, name, groups, offset, slip, those)


def _by_section(
    tables: Tables, groups: Sections, offset: np.ndarray, length: np.ndarray
) -> dict[str, np.ndarray]:
    """Groups of a scan by slip: a scan reaches the end of its section."""
    layout = tables.layout
    assert layout is not None
    greatest, least = groups.greatest(offset), groups.least(offset)
    many = groups.size >= _LEAST
    # A section of a few centimetres may hold five readings of a fine scan.
    in_metres = many & (greatest <= _SHARE * length) & (greatest > 0) & (length > 20.0)
    # Several sections, since one may have been left off after the first centimetres.
    in_metres &= in_metres.sum() >= 2
    past = greatest > length + max(_PAST, 0.0)
    fits = greatest <= 10.0 * (length + _PAST)
    in_millimetres = many & past & fits & (greatest > 2.0 * length) & (least < length)
    above = 100.0 * layout.above[groups.code]
    from_top = many & past & (above > 0) & (least >= above - _PAST)
    from_top &= greatest <= above + length + _PAST
    in_millimetres &= ~from_top
    # Under the header 'offset [m]' the numbers of a file in cm are a hundred times too large.
    far = many & (greatest > 20.0 * length) & ~from_top
    in_centimetres = far & (greatest <= 100.0 * (length + _PAST))
    found = {
        "m under cm": in_metres,
        "mm under cm": in_millimetres,
        "cm under m": in_centimetres,
        "mm under m": far & ~in_centimetres & (greatest <= 1000.0 * (length + _PAST)),
        "offsets from the top of the core, not of the section": from_top,
    }
    return {slip: np.flatnonzero(those) for slip, those in found.items() if those.any()}


def _by_table(
    tables: Tables, groups: Sections, offset: np.ndarray, length: np.ndarray
) -> dict[str, np.ndarray]:
    """All groups of a table of samples where all of its offsets show a slip."""
    layout = tables.layout
    assert layout is not None
    everything = np.arange(groups.code.size)
    greatest = groups.greatest(offset)
    if everything.size < _LEAST or not np.isfinite(greatest).all():
        return {}
    if (greatest <= 0.0101 * length).all() and greatest.max() > 0:
        return {"m under cm": everything}
    past = greatest > length + _PAST
    above = 100.0 * layout.above[groups.code]
    least = groups.least(offset)
    if (
        past.mean() > 0.5
        and ((least >= above - _PAST) & (greatest <= above + length + _PAST)).all()
    ):
        return {"offsets from the top of the core, not of the section": everything}
    for factor, slip in ((10.0, "mm under cm"), (100.0, "cm under m"), (1000.0, "mm under m")):
        if past.mean() > 0.5 and (greatest <= factor * (length + _PAST)).all():
            return {slip: everything}
    return {}


def _offset_finding(
    tables: Tables, name: str, groups: Sections, offset: np.ndarray, slip: str, those: np.ndarray
) -> Finding:
    """The finding for the sections of one table with one slip of the offset."""
    layout = tables.layout
    assert layout is not None
    first = int(those[0])
    code = int(groups.code[first])
    rows = np.concatenate([groups.rows(int(group)) for group in those])
    core, section = tables.key(code)
    greatest = float(np.nanmax(offset[groups.rows(first)]))
    return Finding(
        "unit of offsets",
        tables.file(name),
        f"the offsets reach {greatest:g} cm in a section of {100 * layout.length[code]:g} cm"
        f"{more(those.size, 'section')}",
        slip,
        "Write the unit of the file in the header, such as 'offset [m]', or subtract the length "
        "of the sections above",
        f"{greatest:g} cm",
        core,
        section,
        tables.line(name, int(groups.rows(first)[0])),
        those.size,
        {name: rows},
    )


def _past_end(tables: Tables) -> Iterator[Finding]:
    """Readings past the end of their section, with the length that would hold them."""
    layout = tables.layout
    if layout is None:
        return
    reach = np.full(layout.length.size, -np.inf)
    count = np.zeros(layout.length.size, dtype=int)
    held: dict[int, list[str]] = {}
    shifted = shifted_zero(tables)
    for name in tables.positioned:
        groups, offset = tables.sections(name), tables.number(name, "offset")
        if groups is None or offset is None:
            continue
        length = 100.0 * layout.length[groups.code]
        greatest = groups.greatest(offset)
        above = 100.0 * layout.above[groups.code]
        with_another_unit = (greatest > 2.0 * length) | (
            (above > 0) & (groups.least(offset) >= above - _PAST)
        )
        past = (greatest > length + _PAST) & ~with_another_unit
        # The zero of a track has its own finding, and the length of the section is right.
        past &= ~np.isin(layout.core_of[groups.code], list(shifted.get(name, ())))
        for group in np.flatnonzero(past).tolist():
            code = int(groups.code[group])
            rows = groups.rows(group)
            count[code] += int((offset[rows] > length[group] + _PAST).sum())
            reach[code] = max(reach[code], float(greatest[group]))
            held.setdefault(code, []).append(name)
    for code in sorted(held):
        core, section = tables.key(code)
        # The place of a reading past the end may be wrong; with many of them the length is.
        certain = count[code] >= _LEAST
        moved = tables.rows_below(code) if certain else {}
        yield Finding(
            "readings past the end",
            tables.file("sections"),
            f"the section is {layout.length[code]:g} m long, and {count[code]} readings of "
            f"{', '.join(held[code])} lie past its end, the last at {reach[code]:g} cm",
            "the length is mistyped, or the readings belong to another section",
            f"A length of {np.ceil(reach[code]) / 100:.2f} m would hold them; correct the length "
            "or the readings",
            f"{layout.length[code]:g} m",
            core,
            section,
            tables.line("sections", code),
            int(count[code]),
            moved,
        )


def _without_reading(tables: Tables) -> Iterator[Finding]:
    """Sections without a reading between two that have some, in the same core."""
    layout = tables.layout
    if layout is None:
        return
    sections = tables.columns["sections"]
    catcher = np.zeros(layout.length.size, dtype=bool)
    if "kind" in sections:
        catcher = sections["kind"] == "catcher"
    # Sections as they lie in the hole, one after the other.
    order = np.lexsort((layout.above, layout.core_top[layout.core_of], layout.core_of))
    order = order[~catcher[order] & (layout.length[order] > 0)]
    for name in tables.scans:
        groups = tables.sections(name)
        if groups is None or tables.columns[name].table.supplied:
            continue
        scanned = np.zeros(layout.length.size, dtype=bool)
        scanned[groups.code] = True
        here, core = scanned[order], layout.core_of[order]
        some = np.bincount(core, here, minlength=layout.core_top.size) > 0
        # An unfinished core is scanned from its top on: only a gap above a scanned section counts.
        later = np.zeros(here.size, dtype=bool)
        last = np.full(layout.core_top.size, -1)
        last[core[here]] = np.flatnonzero(here)
        later = np.arange(here.size) < last[core]
        gaps = order[some[core] & ~here & later]
        if not gaps.size:
            continue
        code = int(gaps[0])
        core_name, section = tables.key(code)
        yield Finding(
            "sections without a reading",
            tables.file(name),
            f"the section has no reading, and sections below it in the same core have some"
            f"{more(gaps.size, 'section')}",
            "the section was not scanned, or its readings bear the name of another section",
            "Add the readings or correct the names of the sections; without readings nothing is "
            "filled in",
            f"{gaps.size} section{'s' * (gaps.size > 1)}",
            core_name,
            section,
            count=gaps.size,
        )


def _long_samples(tables: Tables) -> Iterator[Finding]:
    """Samples longer than any that is cut, a sign of mm under cm."""
    for name in tables.positioned:
        if not name.startswith("samples/"):
            continue
        start, end = tables.number(name, "offset"), tables.number(name, "to")
        if start is None or end is None:
            continue
        with np.errstate(invalid="ignore"):
            rows = np.flatnonzero(end - start > _LONGEST_SAMPLE)
        if not rows.size:
            continue
        row = int(rows[0])
        table = tables.columns[name]
        yield Finding(
            "length of samples",
            table.file,
            f"the sample reaches from {start[row]:g} to {end[row]:g} cm, {end[row] - start[row]:g} "
            f"cm{more(rows.size, 'row')}",
            "mm under cm, or 'to' holds something else",
            "Correct 'to', the lower end of the sample; its depth is the middle of the interval",
            f"{end[row] - start[row]:g} cm",
            str(table["core"][row]),
            str(table["section"][row]),
            table.line(row),
            rows.size,
            {name: rows},
        )


# --------------------------------------------------------------------------------------------------
# Order and time of readings.


def _upward(tables: Tables) -> Iterator[Finding]:
    """Sections whose offsets run upward in time, where those of the others run downward."""
    for name in tables.scans:
        groups, offset = tables.sections(name), tables.number(name, "offset")
        time = tables.times(name)
        if groups is None or offset is None or time is None:
            continue
        step = np.diff(offset[groups.order], append=np.nan)
        passed = np.diff(time[groups.order], append=np.nan)
        step[groups.end - 1] = np.nan  # the step to the next section
        with np.errstate(invalid="ignore"):
            rises, falls = step * passed > 0, step * passed < 0
        up = np.add.reduceat(falls.astype(float), groups.start)
        down = np.add.reduceat(rises.astype(float), groups.start)
        judged = up + down >= _LEAST
        turned = judged & (up >= _UPWARD * (up + down))
        straight = judged & (down >= _UPWARD * (up + down))
        those = np.flatnonzero(turned)
        # Where sections are pushed either way no direction is the odd one.
        if not those.size or those.size > 0.2 * straight.sum():
            continue
        first = int(those[0])
        core, section = tables.key(int(groups.code[first]))
        rows = np.concatenate([groups.rows(int(group)) for group in those])
        yield Finding(
            "direction of offsets",
            tables.file(name),
            f"the offsets run upward in time, and those of {int(straight.sum())} other sections "
            f"run downward{more(those.size, 'section')}",
            "the section went through the scan upside down",
            "Subtract the offsets from the length of the section if its bottom came first",
            f"{int(up[first])} of {int(up[first] + down[first])} steps",
            core,
            section,
            tables.line(name, int(groups.rows(first)[0])),
            those.size,
            {name: rows},
        )


def _exchanged(tables: Tables) -> Iterator[Finding]:
    """Two neighbouring sections scanned in reversed order while all others are in order."""
    layout = tables.layout
    if layout is None:
        return
    for name in tables.scans:
        groups, time, run = tables.sections(name), tables.times(name), tables.number(name, "run")
        if groups is None or time is None:
            continue
        first_run = (
            time if run is None else np.where(np.nan_to_num(run, nan=1.0) == 1.0, time, np.nan)
        )
        when = groups.mean(first_run)
        order = np.lexsort((layout.above[groups.code], layout.core_of[groups.code]))
        core, at = layout.core_of[groups.code][order], when[order]
        same = core[1:] == core[:-1]
        back = same & (np.diff(at) < 0)
        # Sections that are scanned again later are common; two that are simply exchanged are not.
        single = back.copy()
        single[1:] &= ~back[:-1]
        single[:-1] &= ~back[1:]
        before, after = np.append(np.nan, at[:-1]), np.append(at[1:], np.nan)
        before = np.where(np.append(True, ~same), -np.inf, before)
        after = np.where(np.append(~same, True), np.inf, after)
        k = np.flatnonzero(single)
        with np.errstate(invalid="ignore"):
            fits = (before[k] < at[k + 1]) & (at[k] < after[k + 1])
        # Back to back: no longer from one to the other than to the neighbours on a usual day.
        usual = median(np.abs(np.diff(at))[same])
        with np.errstate(invalid="ignore"):
            fits &= np.abs(at[k] - at[k + 1]) <= 3.0 * usual
        found = k[fits]
        if not found.size or found.size > 0.1 * max(int(same.sum()), 1):
            continue
        upper, lower = int(order[found[0]]), int(order[found[0] + 1])
        core_name, section = tables.key(int(groups.code[upper]))
        _, other = tables.key(int(groups.code[lower]))
        pairs = [order[found], order[found + 1]]
        rows = np.concatenate([groups.rows(int(g)) for part in pairs for g in part])
        yield Finding(
            "sections in time",
            tables.file(name),
            f"the section was scanned after section {other!r} below it, and all other sections "
            f"follow from the top down{more(found.size, 'pair')}",
            "two sections are exchanged",
            "Exchange the names of the two sections, if the log of the scan agrees",
            f"sections {section} and {other}",
            core_name,
            section,
            tables.line(name, int(groups.rows(upper)[0])),
            found.size,
            {name: rows},
        )


def _before_deck(tables: Tables) -> Iterator[Finding]:
    """Readings taken before their core was on deck, or decades after."""
    deck, layout = tables.times("cores", "time_on_deck"), tables.layout
    if deck is None or layout is None:
        return
    for name in tables.positioned:
        groups, time = tables.sections(name), tables.times(name)
        if groups is None or time is None:
            continue
        up = deck[layout.core_of[groups.code]]
        with np.errstate(invalid="ignore"):
            early = groups.least(time) < up - _DECK
            late = groups.greatest(time) > up + _WAIT * _YEAR
        those = np.flatnonzero(early | late)
        if not those.size:
            continue
        first = int(those[0])
        code = int(groups.code[first])
        core, section = tables.key(code)
        at = groups.least(time)[first] if early[first] else groups.greatest(time)[first]
        lead = abs(float(up[first] - at))
        hours = lead / 3600.0
        span = f"{hours:.1f} h" if hours < 100 else f"{hours / 24:.0f} d"
        way = "before" if early[first] else "after"
        yield Finding(
            "time of readings",
            tables.file(name),
            f"a reading was taken {span} {way} its core came on deck{more(those.size, 'section')}",
            "a time zone, a date, or time_on_deck in cores is wrong",
            "Correct the time, time_zone under [hole], or time_on_deck",
            span,
            core,
            section,
            tables.line(name, int(groups.rows(first)[0])),
            those.size,
        )


# --------------------------------------------------------------------------------------------------
# Tables that give depths, and two holes in one table.

_HOLE_WORDS = ("hole", "site", "borehole", "well", "hole_name", "site_name")


def _two_holes(tables: Tables) -> Iterator[Finding]:
    """A column that names a hole and holds more than one name."""
    for name, table in tables.columns.items():
        for header in table.values:
            if header.strip().lower() not in _HOLE_WORDS or table[header].dtype.kind != "O":
                continue
            words = [word for word in dict.fromkeys(table[header].tolist()) if word]
            if len(words) < 2:
                continue
            row = int(np.flatnonzero(table[header] == words[1])[0])
            other = np.flatnonzero(table[header] != words[0])
            yield Finding(
                "holes in one table",
                table.file,
                f"the column {header!r} names {len(words)} holes: {', '.join(words[:4])}",
                "two holes in one table",
                "Write one folder for each hole",
                words[1],
                row=table.line(row),
                count=len(words),
                moves={name: other},
            )


def _depth_restarts(tables: Tables) -> Iterator[Finding]:
    """Depths that begin again at the top within one table and run."""
    for name, table in tables.columns.items():
        where = tables.positions.get(name)
        if where is None or where.code is not None or not name.startswith(("scan/", "samples/")):
            continue
        if "core" in table and len(set(table["core"].tolist())) > 1:
            continue  # cores of one hole overlap, and a table may list them in any order
        depth = where.depth
        known = np.flatnonzero(np.isfinite(depth))
        if "run" in table:
            first = (
                np.nan_to_num(table["run"], nan=1.0) == 1.0
                if table["run"].dtype.kind == "f"
                else None
            )
            known = known if first is None else known[first[known]]
        z = depth[known]
        if z.size < 4 * _LEAST:
            continue
        span = float(np.ptp(z))
        back = np.flatnonzero(np.diff(z) < -0.5 * span)
        if back.size != 1 or span <= 0:
            continue
        k = int(back[0])
        parts = (z[: k + 1], z[k + 1 :])
        if not all(p.size >= _LEAST and (np.diff(p) >= 0).mean() > _UPWARD for p in parts):
            continue
        row = int(known[k + 1])
        yield Finding(
            "depths begin again",
            table.file,
            f"the depths reach {z[k]:g} m and begin again at {z[k + 1]:g} m",
            "two holes in one table, or a second run without its number",
            "Write one folder for each hole, or number the second run in the column 'run'",
            f"{z[k + 1]:g} m",
            row=table.line(row),
            moves={name: known[k + 1 :]},
        )


def _negative_depths(tables: Tables) -> Iterator[Finding]:
    """Depths of a whole table that count upward."""
    for name, table in tables.columns.items():
        where = tables.positions.get(name)
        if where is None or where.code is not None:
            continue
        depth = where.depth[np.isfinite(where.depth)]
        if depth.size < _LEAST or not (depth <= 0).all() or not (depth < 0).any():
            continue
        yield Finding(
            "sign of depths",
            table.file,
            f"all depths are negative, the last {depth.min():g} m",
            "heights above the seafloor, or elevations, in place of depths",
            "Write depths below the seafloor, positive downward",
            f"{depth.min():g} m",
            row=table.line(0),
            count=depth.size,
            moves={name: np.arange(len(table))},
        )


CHECKS = (
    Check(
        "unit of offsets",
        "offsets with the lengths of their sections",
        ("slip_offset_share", "slip_section_readings", "slip_past_end", "slip_longest_section"),
        _offset_units,
    ),
    Check(
        "readings past the end",
        "greatest offset of a section with its length",
        ("slip_past_end", "slip_section_readings"),
        _past_end,
    ),
    Check(
        "sections without a reading",
        "sections of the scan with those of the core above a scanned one",
        (),
        _without_reading,
    ),
    Check(
        "length of samples",
        "interval of a sample with the longest that is cut",
        ("slip_longest_sample",),
        _long_samples,
    ),
    Check(
        "direction of offsets",
        "order of the offsets in time with that of the other sections",
        ("slip_upward_share", "slip_section_readings"),
        _upward,
    ),
    Check(
        "sections in time", "order of neighbouring sections in time with the others", (), _exchanged
    ),
    Check(
        "time of readings",
        "times of readings with the time on deck of their core",
        ("slip_before_deck", "slip_longest_wait"),
        _before_deck,
    ),
    Check("holes in one table", "names in a column of holes or sites", (), _two_holes),
    Check(
        "depths begin again",
        "depths of a table with those above in it",
        ("slip_section_readings", "slip_upward_share"),
        _depth_restarts,
    ),
    Check(
        "sign of depths",
        "sign of all depths of a table",
        ("slip_section_readings",),
        _negative_depths,
    ),
)
