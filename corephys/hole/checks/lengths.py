"""Checks of lengths: sections, cores, removed and excluded intervals, layers, diameters."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from corephys.ground import thresholds
from corephys.hole.checks.finding import Check, Finding, Tables, median, more

__all__ = ["CHECKS"]

_SUM = thresholds.value("slip_section_sum")  # m
_SUM_LEAST = thresholds.value("slip_section_sum_least")  # m
_SUM_ERRORS = thresholds.value("slip_section_sum_errors")
_SUM_CORES = thresholds.count("slip_section_cores")
_CLOSES = thresholds.value("slip_section_closes")  # m
_LONGEST_ADVANCE = thresholds.value("slip_longest_advance")  # m
_ADVANCE_RATIO = thresholds.value("slip_advance_ratio")
_RECOVERY_RATIO = thresholds.value("slip_recovery_ratio")
_RECOVERY_EXCESS = thresholds.value("slip_recovery_excess")  # m
_NARROWEST = thresholds.value("slip_narrowest_interval")  # cm
_EXCLUDED = thresholds.value("slip_excluded_share")
_OVERLAP = thresholds.value("slip_layer_overlap")  # m
_LAYER_DEPTH = thresholds.value("slip_layer_depth")
_NARROW = thresholds.value("slip_core_narrow")
_WIDE = thresholds.value("slip_core_wide")
_ANNULUS = thresholds.value("slip_annulus")  # mm

# --------------------------------------------------------------------------------------------------
# Sections against what was recovered.


def _section_sums(tables: Tables) -> Iterator[Finding]:
    """Cores whose sections together are longer or shorter than what was recovered."""
    layout, recovered = tables.layout, tables.number("cores", "recovered")
    if layout is None or recovered is None:
        return
    cores = recovered.size
    total = np.bincount(layout.core_of, weights=layout.length, minlength=cores)
    held = np.bincount(layout.core_of, minlength=cores) > 0
    held &= recovered > 0
    usual, limit = _agreement((total - recovered)[held])
    difference = np.abs(total - recovered)
    # A hole whose cores all differ by the same has lost gas, or does not list its catchers.
    odd = np.minimum(difference, np.abs(total - recovered - usual)) > limit
    apart = np.flatnonzero(held & (odd | (difference > _SUM)))
    by_slip: dict[str, list[tuple[int, int, float]]] = {}
    for core in apart.tolist():
        code, meant = _one_length(tables, core, float(recovered[core] - total[core]), limit)
        slip = _slip_of_lengths(total[core] / recovered[core], code, total[core] < recovered[core])
        by_slip.setdefault(slip, []).append((core, code, meant))
    for slip, found in by_slip.items():
        yield _sum_finding(tables, slip, found, total, recovered, limit)


def _agreement(difference: np.ndarray) -> tuple[float, float]:
    """Usual difference of sections and recovered length, and departure that is a slip [m].

    Where the cores of a hole agree to a centimetre, a decimetre is a slip; where catchers are not
    listed or gas escapes, it is none.
    """
    if difference.size < _SUM_CORES:
        return 0.0, _SUM
    usual = median(difference)
    scatter = 1.4826 * median(np.abs(difference - usual))
    return usual, float(np.clip(_SUM_ERRORS * scatter, _SUM_LEAST, _SUM))


def _closing_lengths(
    tables: Tables, core: int, lacking: float, limit: float
) -> list[tuple[float, int, float]]:
    """What is left, section and length for every other length of one section that closes the sum.

    A length may be the usual one of the hole (the most frequent of its sections), a tenth,
    hundredth or thousandth of what is written, or that at which the scan of the section ends.
    """
    layout = tables.layout
    assert layout is not None
    lengths = np.round(layout.length, 3)
    values, counts = np.unique(lengths, return_counts=True)
    usual = float(values[np.argmax(counts)]) if counts.max() > 1 else float("nan")
    ended = _ends_of_scans(tables)
    candidates: list[tuple[float, int, float]] = []
    for code in np.flatnonzero(layout.core_of == core).tolist():
        written = float(layout.length[code])
        closes = written + lacking
        for meant in (usual, written / 10.0, written / 100.0, written / 1000.0):
            left = abs(closes - meant)
            # A correction of a centimetre or two explains nothing.
            if left <= _CLOSES and abs(meant - written) > limit - _CLOSES:
                candidates.append((left, code, meant))
        if abs(closes - ended[code]) <= _CLOSES and abs(lacking) > limit - _CLOSES:
            candidates.append((_CLOSES + abs(closes - ended[code]), code, round(closes, 2)))
    # The scan ends where the section ends, and tells which of several lengths is wrong.
    seen = [one for one in candidates if abs(ended[one[1]] - one[2]) <= _CLOSES]
    return seen if len({code for _, code, _ in seen}) == 1 else candidates


def _ends_of_scans(tables: Tables) -> np.ndarray:
    """Last reading of every section over all scans [m]; NaN without readings."""
    layout = tables.layout
    assert layout is not None
    ended = np.full(layout.length.size, np.nan)
    for name in tables.scans:
        groups, offset = tables.sections(name), tables.number(name, "offset")
        if groups is not None and offset is not None and not tables.columns[name].table.supplied:
            ended[groups.code] = np.fmax(ended[groups.code], groups.greatest(offset) / 100.0)
    return ended


def _one_length(tables: Tables, core: int, lacking: float, limit: float) -> tuple[int, float]:
    """The section whose other length closes the sum; -1 without one, or with different ones.

    Of sections of one length it is the upper one.
    """
    layout = tables.layout
    assert layout is not None
    candidates = _closing_lengths(tables, core, lacking, limit)
    if not candidates:
        return -1, float("nan")
    if len({code for _, code, _ in candidates}) > 1:
        pairs = {(float(layout.length[code]), meant) for _, code, meant in candidates}
        if len(pairs) > 1:
            return -1, float("nan")
        # Equal lengths explain the sum equally well; below the upper one all depths are in doubt.
        upper = min((code for _, code, _ in candidates), key=lambda code: layout.above[code])
        return int(upper), candidates[0][2]
    _, code, meant = min(candidates)
    return code, meant


def _slip_of_lengths(ratio: float, code: int, short: bool) -> str:
    """The likely slip of a sum of lengths."""
    for factor, unit in ((100.0, "cm"), (1000.0, "mm"), (0.01, "hundreds of m")):
        if 0.8 * factor < ratio < 1.2 * factor:
            return f"lengths in {unit} under m, or what was recovered in another unit"
    if code >= 0:
        return "one length mistyped"
    if short:
        return "a section is missing in the table, or a length or what was recovered is mistyped"
    return "a length or what was recovered is mistyped, or a section is listed twice"


def _sum_finding(
    tables: Tables,
    slip: str,
    found: list[tuple[int, int, float]],
    total: np.ndarray,
    recovered: np.ndarray,
    limit: float,
) -> Finding:
    """One finding for the cores whose sums of lengths have the same likely slip."""
    layout = tables.layout
    assert layout is not None
    core, code, meant = found[0]
    name = str(tables.columns["cores"]["core"][core])
    words = (
        f"the sections are {total[core]:.2f} m together and {recovered[core]:.2f} m were "
        f"recovered{more(len(found), 'core')}"
    )
    section, row, number = "", None, f"{total[core]:.2f} m"
    if code < 0:
        closing = _closing_lengths(tables, core, float(recovered[core] - total[core]), limit)
        each = {code: meant for _, code, meant in sorted(closing, reverse=True)}
        if len(each) > 1:
            shown = [f"{meant:.2f} m for section {tables.key(k)[1]!r}" for k, meant in each.items()]
            words += f"; {' or '.join(shown[:3])} would make them equal"
    if code >= 0:
        _, section = tables.key(code)
        written = float(layout.length[code])
        alike = int(np.sum(layout.length[layout.core_of == core] == layout.length[code])) - 1
        others = f", as {alike} more of this core," if alike else ""
        words = (
            f"the section is {written:g} m long{others}; with {meant:g} m the sections would add "
            f"up to the {recovered[core]:.2f} m that were recovered, and now they are "
            f"{total[core]:.2f} m"
            f"{more(len(found), 'core')}"
        )
        row, number = tables.line("sections", code), f"{written:g} m"
        slip = f"{meant:.2f} m written as {written:.2f}"
    moves: dict[str, list[np.ndarray]] = {}
    for one, where, _ in found:
        part = _moved_by_length(tables, one, where, bool(total[one] < recovered[one]))
        for table, rows in part.items():
            moves.setdefault(table, []).append(rows)
    return Finding(
        "section lengths",
        tables.file("sections"),
        words,
        slip,
        "Measure the sections again, or correct the length or what was recovered; the depths of "
        "the sections below depend on it",
        number,
        name,
        section,
        row,
        len(found),
        {table: np.unique(np.concatenate(rows)) for table, rows in moves.items()},
    )


def _moved_by_length(tables: Tables, core: int, code: int, short: bool) -> dict[str, np.ndarray]:
    """Rows whose depth changes with the length in doubt.

    A missing length moves nothing that is known; a surplus may lie in any section.
    """
    layout = tables.layout
    assert layout is not None
    if code >= 0:
        return tables.rows_below(code)
    codes = np.flatnonzero(layout.core_of == core)
    if layout.factor[core] < 1.0:
        return tables.rows_of_core(core)
    first = codes[np.argmin(layout.above[codes])]
    return {} if short else tables.rows_below(int(first))


def _order_of_sections(tables: Tables) -> Iterator[Finding]:
    """Numbered sections of a core that are not listed from the top down."""
    layout, sections = tables.layout, tables.get("sections")
    if layout is None or sections is None:
        return
    name = sections["section"]
    kind = sections["kind"] if "kind" in sections else np.full(name.size, "section", dtype=object)
    number = np.array([float(n) if n.isdigit() else np.nan for n in name.tolist()])
    number[kind == "catcher"] = np.nan
    order = np.argsort(layout.core_of, kind="stable")
    order = order[np.isfinite(number[order])]
    core = layout.core_of[order]
    back = (np.diff(number[order]) < 0) & (core[1:] == core[:-1])
    cores = np.unique(core[1:][back])
    # Where most cores are listed upward, the names count upward.
    if not cores.size or cores.size > 0.5 * np.unique(core).size:
        return
    first = int(np.flatnonzero(back)[0])
    upper, lower = int(order[first]), int(order[first + 1])
    yield Finding(
        "order of sections",
        sections.file,
        f"section {name[lower]!r} stands below section {name[upper]!r}"
        f"{more(cores.size, 'core')}, and sections are laid end to end in the order of the table",
        "rows are out of order, or sections are exchanged",
        "List the sections of each core from the top down",
        f"section {name[lower]}",
        *tables.key(lower),
        tables.line("sections", lower),
        cores.size,
        tables.rows_of_cores(cores),
    )


# --------------------------------------------------------------------------------------------------
# Cores: recovered against advance, advances, tops, order, time on deck.


def _recovery(tables: Tables) -> Iterator[Finding]:
    """Cores that are much longer than their advance."""
    advance, recovered = tables.number("cores", "advance"), tables.number("cores", "recovered")
    if advance is None or recovered is None:
        return
    long = recovered > np.maximum(_RECOVERY_RATIO * advance, advance + _RECOVERY_EXCESS)
    rows = np.flatnonzero(long & (advance > 0))
    if not rows.size:
        return
    row = int(rows[0])
    ratio = recovered[row] / advance[row]
    yield Finding(
        "recovered against advance",
        tables.file("cores"),
        f"{recovered[row]:g} m were recovered of an advance of {advance[row]:g} m, {ratio:.1f} "
        f"times as much{more(rows.size, 'core')}",
        "the advance or what was recovered is mistyped, or has another unit",
        "Correct the number; a core that is longer than its advance is squeezed into it",
        f"{recovered[row]:g} m",
        str(tables.columns["cores"]["core"][row]),
        "",
        tables.line("cores", row),
        rows.size,
        tables.rows_of_cores(rows),
    )


def _advances(tables: Tables) -> Iterator[Finding]:
    """Advances that no core barrel makes, or that stand apart from all others of the hole."""
    advance, recovered = tables.number("cores", "advance"), tables.number("cores", "recovered")
    if advance is None or recovered is None:
        return
    ranked = np.sort(advance)
    second = ranked[-2] if ranked.size > 2 else float("nan")
    apart = (advance > _ADVANCE_RATIO * second) & (advance > second + _RECOVERY_EXCESS)
    rows = np.flatnonzero((advance > _LONGEST_ADVANCE) | apart)
    if not rows.size:
        return
    row = int(rows[0])
    usual = median(advance)
    slip = (
        "cm under m"
        if usual > _LONGEST_ADVANCE
        else "the advance is mistyped, or holds a drilled interval without coring"
    )
    yield Finding(
        "advance",
        tables.file("cores"),
        f"the advance is {advance[row]:g} m, and half of the cores advanced {usual:g} m or less"
        f"{more(rows.size, 'core')}",
        slip,
        "Correct the advance; a drilled interval without coring is a gap between two cores",
        f"{advance[row]:g} m",
        str(tables.columns["cores"]["core"][row]),
        "",
        tables.line("cores", row),
        rows.size,
        tables.rows_of_core(row) if rows.size == 1 else {},
    )


def _tops_from_sea_surface(tables: Tables) -> Iterator[Finding]:
    """Tops of cores that begin at the depth of the water."""
    top, water = tables.number("cores", "top"), tables.water_depth
    if top is None or not water > _LONGEST_ADVANCE:
        return
    first = float(np.min(top))
    slack = max(thresholds.value("log_datum_slack"), 0.01 * water)
    if not water - slack <= first <= water + thresholds.value("rig_floor_height") + slack:
        return
    row = int(np.argmin(top))
    rows = {name: np.arange(len(tables.columns[name])) for name in tables.positioned}
    yield Finding(
        "tops of cores",
        tables.file("cores"),
        f"the first core begins at {first:g} m, and the water is {water:g} m deep",
        "depths from the sea surface or the rig floor; tops count from the seafloor",
        "Subtract the depth of the seafloor from every top, or correct water_depth",
        f"{first:g} m",
        str(tables.columns["cores"]["core"][row]),
        "",
        tables.line("cores", row),
        top.size,
        rows,
    )


def _order_of_cores(tables: Tables) -> Iterator[Finding]:
    """Cores whose tops run upward in the order of the table."""
    top = tables.number("cores", "top")
    if top is None or top.size < 3:
        return
    back = np.flatnonzero(np.diff(top) < 0)
    # A table that lists the deepest core first is in order.
    if not back.size or back.size == top.size - 1 or back.size > 0.5 * top.size:
        return
    row = int(back[0])
    names = tables.columns["cores"]["core"]
    # The one of the two whose absence puts the others in order.
    rest = np.delete(top, row)
    odd = row if (np.diff(rest) >= 0).all() else row + 1
    moves = tables.rows_of_core(odd) if back.size == 1 else {}
    slip = (
        "a top is mistyped, or a row is in the wrong place"
        if back.size == 1
        else "two holes in one table, or tops are mistyped"
    )
    yield Finding(
        "order of cores",
        tables.file("cores"),
        f"the depths run upward: core {names[row + 1]!r} begins at {top[row + 1]:g} m, above core "
        f"{names[row]!r} at {top[row]:g} m{more(back.size, 'place')}",
        slip,
        "List the cores of one hole from the top down, and correct the top that is wrong",
        f"{top[odd]:g} m",
        str(names[odd]),
        "",
        tables.line("cores", odd),
        back.size,
        moves,
    )


def _deck_times(tables: Tables) -> Iterator[Finding]:
    """Cores that came on deck before the core above them."""
    top, time = tables.number("cores", "top"), tables.times("cores", "time_on_deck")
    if top is None or time is None:
        return
    order = np.argsort(top, kind="stable")
    if (np.diff(top) < 0).sum() == 1:
        order = np.arange(top.size)  # a top that is out of order has its own finding
    order = order[np.isfinite(time[order])]
    early = np.flatnonzero(np.diff(time[order]) < 0)
    if not early.size:
        return
    upper, lower = int(order[early[0]]), int(order[early[0] + 1])
    names = tables.columns["cores"]["core"]
    stamps = tables.columns["cores"]["time_on_deck"]
    yield Finding(
        "time on deck",
        tables.file("cores"),
        f"core {names[lower]!r} came on deck at {_minute(stamps[lower])}, before core "
        f"{names[upper]!r} above it at {_minute(stamps[upper])}{more(early.size, 'core')}",
        "a date or hour is mistyped, or the day was taken for the month",
        "Correct time_on_deck; it decides whether a core had come to room temperature",
        _minute(stamps[lower]),
        str(names[lower]),
        "",
        tables.line("cores", lower),
        early.size,
    )


def _minute(stamp: np.datetime64) -> str:
    """A time to the minute."""
    return str(stamp.astype("datetime64[m]"))


# --------------------------------------------------------------------------------------------------
# Removed and excluded intervals, layers, diameters.


def _intervals_in_metres(tables: Tables) -> Iterator[Finding]:
    """Removed and excluded intervals so narrow and so near the top that they are in m."""
    for name in ("removed", "exclusions"):
        start, end = tables.number(name, "from"), tables.number(name, "to")
        if start is None or end is None or tables.layout is None:
            continue
        table = tables.columns[name]
        code = tables.layout.encode(table["core"], table["section"])
        length = np.append(tables.layout.length, np.nan)[code]  # m, as the interval seems to be
        narrow = (end > start) & (end - start < _NARROWEST) & (end <= length * 1.01)
        if "kind" in table and not narrow.all():
            narrow &= np.isin(table["kind"], ("whole_round", "lost"))  # a crack may be as narrow
        rows = np.flatnonzero(narrow)
        if not rows.size:
            continue
        row = int(rows[0])
        moves = _rows_inside(tables, code[rows], 100.0 * start[rows], 100.0 * end[rows])
        yield Finding(
            "intervals in m",
            table.file,
            f"the interval is {start[row]:g} to {end[row]:g} cm, {end[row] - start[row]:.2g} cm "
            f"wide, in a section of {100 * length[row]:g} cm{more(rows.size, 'row')}",
            "m under cm",
            f"Write {100 * start[row]:g} to {100 * end[row]:g} cm, or correct the interval",
            f"{end[row] - start[row]:.2g} cm",
            str(table["core"][row]),
            str(table["section"][row]),
            table.line(row),
            rows.size,
            moves,
        )


def _rows_inside(
    tables: Tables, codes: np.ndarray, start: np.ndarray, end: np.ndarray
) -> dict[str, np.ndarray]:
    """Rows of the scan inside some intervals [cm]."""
    moves = {}
    for name in tables.scans:
        groups, offset = tables.sections(name), tables.number(name, "offset")
        if groups is None or offset is None:
            continue
        place = {int(code): group for group, code in enumerate(groups.code.tolist())}
        found = [np.zeros(0, dtype=int)]
        for code, first, last in zip(codes.tolist(), start.tolist(), end.tolist(), strict=True):
            if code in place:
                rows = groups.rows(place[code])
                found.append(rows[(offset[rows] >= first) & (offset[rows] <= last)])
        moves[name] = np.unique(np.concatenate(found))
    return moves


def _exclusions_cover_all(tables: Tables) -> Iterator[Finding]:
    """Exclusions that leave nearly nothing of the sections."""
    start, end = tables.number("exclusions", "from"), tables.number("exclusions", "to")
    layout = tables.layout
    if start is None or end is None or layout is None or not layout.length.sum() > 0:
        return
    table = tables.columns["exclusions"]
    code = layout.encode(table["core"], table["section"])
    sensor = table["sensor"] if "sensor" in table else np.full(len(table), "", dtype=object)
    for word in dict.fromkeys(sensor.tolist()):
        mine = (sensor == word) & (code >= 0)
        # Overlaps count twice, but no section more than once.
        covered = np.bincount(code[mine], (end - start)[mine] / 100.0, minlength=layout.length.size)
        share = float(np.minimum(covered, layout.length).sum() / layout.length.sum())
        if share < _EXCLUDED:
            continue
        row = int(np.flatnonzero(mine)[0])
        of = f" for {word}" if word else ""
        yield Finding(
            "exclusions",
            table.file,
            f"{int(mine.sum())} intervals exclude {100 * share:.0f} % of all sections{of}",
            "intervals to keep were entered as intervals to exclude",
            "List only the intervals that the reduction must leave out",
            f"{100 * share:.0f} %",
            row=table.line(row),
            count=int(mine.sum()),
        )


def _layers(tables: Tables) -> Iterator[Finding]:
    """Layers that overlap, or that lie far below the hole."""
    top, bottom = tables.number("layers", "top"), tables.number("layers", "bottom")
    if top is None or bottom is None:
        return
    table = tables.columns["layers"]
    order = np.argsort(top, kind="stable")
    overlap = bottom[order[:-1]] - top[order[1:]]
    wrong = np.flatnonzero(overlap > _OVERLAP)
    if wrong.size:
        upper, lower = int(order[wrong[0]]), int(order[wrong[0] + 1])
        words = (
            f"the layer {table['name'][lower]!r} begins at {top[lower]:g} m and the layer "
            f"{table['name'][upper]!r} above it ends at {bottom[upper]:g} m"
            if "name" in table
            else f"a layer begins at {top[lower]:g} m and the one above it ends at "
            f"{bottom[upper]:g} m"
        )
        yield Finding(
            "layers",
            table.file,
            f"{words}: they overlap by {overlap[wrong[0]]:.3g} m{more(wrong.size, 'layer')}",
            "a top or bottom is mistyped",
            "Correct the depths; every depth belongs to one layer",
            f"{top[lower]:g} m",
            row=table.line(lower),
            count=wrong.size,
        )
    deepest, hole = float(np.max(bottom)), tables.hole_bottom
    if hole > 0 and deepest > _LAYER_DEPTH * hole and float(np.max(top)) > hole:
        row = int(np.argmax(bottom))
        yield Finding(
            "layers",
            table.file,
            f"the lowest layer ends at {deepest:g} m and the deepest core at {hole:g} m",
            "depths in cm or feet under m, or from the sea surface",
            "Write depths below the seafloor in m",
            f"{deepest:g} m",
            row=table.line(row),
        )


def _diameters(tables: Tables) -> Iterator[Finding]:
    """Core diameters in another unit than the bore, or larger than it."""
    diameter = tables.number("sections", "core_diameter")
    if diameter is None or tables.layout is None:
        return
    bore, what = tables.setting("liner", "bore", "mm"), "the bore of the liner"
    if not bore > 0:
        bore, what = median(diameter), "half of the cores"
    wide, narrow = diameter > _WIDE * bore, diameter < _NARROW * bore
    if what != "the bore of the liner":
        wide = diameter > bore / _NARROW  # rotary and piston cores differ
    rows = np.flatnonzero(wide | narrow)
    if not rows.size:
        return
    row = int(rows[0])
    core, section = tables.key(row)
    slip = "the diameter is mistyped, or the bore is"
    for factor, unit in ((10.0, "cm"), (1000.0, "m"), (25.4, "inches"), (0.001, "um")):
        if 0.75 * bore < diameter[row] * factor <= _WIDE * bore:
            slip = f"{unit} under mm"
    yield Finding(
        "core diameter",
        tables.file("sections"),
        f"the core diameter is {diameter[row]:g} mm and {what} is {bore:g} mm"
        f"{more(rows.size, 'section')}",
        slip,
        "Correct core_diameter or [liner] bore; density and velocity go with the diameter",
        f"{diameter[row]:g} mm",
        core,
        section,
        tables.line("sections", row),
        rows.size,
        {
            name: part
            for name, part in tables.rows_of_sections(rows.tolist()).items()
            if name.startswith("scan/")
        },
    )


def _nothing_around(tables: Tables) -> Iterator[Finding]:
    """Cores narrower than the bore of their liner with nothing written around them."""
    diameter, annulus = (
        tables.number("sections", "core_diameter"),
        tables.text("sections", "annulus"),
    )
    liner, bore = tables.text("sections", "liner"), tables.setting("liner", "bore", "mm")
    if diameter is None or annulus is None or not bore > 0:
        return
    with np.errstate(invalid="ignore"):
        narrow = (annulus == "none") & (diameter < bore - _ANNULUS) & (diameter >= _NARROW * bore)
    if liner is not None:
        narrow &= np.isin(liner, ("full", ""))
    rows = np.flatnonzero(narrow)
    # A hole whose cores are all narrow has a bore that is mistyped, or swollen liners.
    if not rows.size or rows.size > 0.5 * diameter.size:
        return
    row = int(rows[0])
    core, section = tables.key(row)
    yield Finding(
        "annulus",
        tables.file("sections"),
        f"the core diameter is {diameter[row]:g} mm in a bore of {bore:g} mm, and annulus is "
        f"'none'{more(rows.size, 'section')}",
        "the diameter is copied from another core, or water or air stood around the core",
        "Correct core_diameter, or write annulus = water or air",
        f"{diameter[row]:g} mm",
        core,
        section,
        tables.line("sections", row),
        rows.size,
        {
            name: part
            for name, part in tables.rows_of_sections(rows.tolist()).items()
            if name.startswith("scan/")
        },
    )


CHECKS = (
    Check(
        "section lengths",
        "sum of the section lengths of a core with what was recovered",
        (
            "slip_section_sum",
            "slip_section_sum_least",
            "slip_section_sum_errors",
            "slip_section_cores",
            "slip_section_closes",
        ),
        _section_sums,
    ),
    Check(
        "order of sections",
        "numbers of the sections of a core with the order of the table",
        (),
        _order_of_sections,
    ),
    Check(
        "recovered against advance",
        "recovered length with the advance",
        ("slip_recovery_ratio", "slip_recovery_excess"),
        _recovery,
    ),
    Check(
        "advance",
        "advance with those of the other cores",
        ("slip_longest_advance", "slip_advance_ratio"),
        _advances,
    ),
    Check(
        "tops of cores",
        "top of the first core with the water depth",
        ("log_datum_slack", "rig_floor_height"),
        _tops_from_sea_surface,
    ),
    Check("order of cores", "tops of the cores in the order of the table", (), _order_of_cores),
    Check("time on deck", "time on deck with that of the core above", (), _deck_times),
    Check(
        "intervals in m",
        "width of removed and excluded intervals with the section length",
        ("slip_narrowest_interval",),
        _intervals_in_metres,
    ),
    Check(
        "exclusions",
        "excluded length with the length of all sections",
        ("slip_excluded_share",),
        _exclusions_cover_all,
    ),
    Check(
        "layers",
        "layers with each other and with the deepest core",
        ("slip_layer_overlap", "slip_layer_depth"),
        _layers,
    ),
    Check(
        "core diameter",
        "core diameter with the bore of the liner, or with the other cores",
        ("slip_core_narrow", "slip_core_wide"),
        _diameters,
    ),
    Check(
        "annulus",
        "core diameter with the bore of the liner where nothing fills the space between",
        ("slip_annulus", "slip_core_narrow"),
        _nothing_around,
    ),
)
