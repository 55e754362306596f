"""Cores and sections deduced from the rows where no list exists, and depths held against a list."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from corephys.ground import thresholds
from corephys.hole.placing.layout import lay_out
from corephys.importing.convert import Rows, digits
from corephys.importing.mapping import GIVEN_DEPTH, Correction, Deduction

__all__ = [
    "GIVEN",
    "MARK",
    "Deduced",
    "Place",
    "complete_cores",
    "complete_sections",
    "deduce",
    "disagreement",
    "places_of",
]

MARK = "deduced"  # column that states what was assumed of a row
# How the mark of a row begins that a list gives and that is completed in place.
GIVEN = {"cores": "top: as given", "sections": "length: as given"}
_AGREE = thresholds.value("import_depth_agreement")  # m
# Core, section, greatest offset [cm], depth of the section's top [m], greatest departure [m].
Place = tuple[str, str, float, float, float]


def places_of(rows: Rows) -> list[Place]:
    """Sections of rows with core, section, offset and depth."""
    if not {"core", "section", "offset"} <= set(rows.names) or not len(rows):
        return []
    units = dict(zip(rows.names, rows.header, strict=True))
    given = GIVEN_DEPTH if GIVEN_DEPTH in rows.columns else "depth"
    if units["offset"] != "offset [cm]" or units.get(given, f"{given} [m]") != f"{given} [m]":
        return []
    offset = rows.columns["offset"].floats()
    middle = end = offset
    if "to" in rows.columns and units["to"] == "to [cm]":  # a sample's depth is its middle
        to = rows.columns["to"].floats()
        end, middle = np.fmax(offset, to), np.where(np.isnan(to), offset, 0.5 * (offset + to))
    depth = rows.columns[given].floats() if given in rows.columns else offset * np.nan
    core, section = rows.columns["core"], rows.columns["section"]
    pairs = core.codes.astype(np.int64) * len(section.texts) + section.codes
    order = np.argsort(pairs, kind="stable")
    starts = np.flatnonzero(np.append(True, np.diff(pairs[order]) != 0))
    found: list[Place] = []
    for rows_here in np.split(order, starts[1:]):
        names = core.texts[core.codes[rows_here[0]]], section.texts[section.codes[rows_here[0]]]
        tops = depth[rows_here] - middle[rows_here] / 100.0
        tops = tops[np.isfinite(tops)]
        ends = end[rows_here][np.isfinite(end[rows_here])]
        if not ends.size:
            continue
        top = float(np.median(tops)) if tops.size else float("nan")
        spread = float(np.max(np.abs(tops - top))) if tops.size else float("nan")
        found.append((*names, float(ends.max()), round(top, 5), round(spread, 5)))
    return found


@dataclass
class Deduced:
    """Deduced lists.

    Parameters
    ----------
    cores, sections : list of dict of str to str
        Rows by header.
    notes : list of str
        What was assumed, in words.
    faults : list of str
        What could not be deduced.
    """

    cores: list[dict[str, str]]
    sections: list[dict[str, str]]
    notes: list[str]
    faults: list[str]


def deduce(
    places: Iterable[Place],
    wanted: Deduction,
    corrections: tuple[Correction, ...],
    known_cores: set[str],
    known_sections: set[tuple[str, str]],
) -> Deduced:
    """Rows of cores and sections that no list holds.

    Parameters
    ----------
    places : iterable of Place
        Sections of all rows.
    wanted : Deduction
        What the mapping sets.
    corrections : tuple of Correction
        Lengths of sections that the mapping sets.
    known_cores, known_sections : set
        Cores, and pairs of core and section, that a list holds already.

    Returns
    -------
    Deduced

    Notes
    -----
    Depth of a section's top: median of depth less offset. Length of a section: to the top of the
    next one of the same core, at least to its last reading; of the last section, to its last
    reading. Top of a core: top of its first section. Recovered: the sum of the lengths. Advance:
    the same, at most to the top of the next core.
    """
    tops: dict[tuple[str, str], list[float]] = {}
    ends: dict[tuple[str, str], float] = {}
    for core, section, end, top, _ in places:
        pair = (core, section)
        ends[pair] = max(end, ends.get(pair, 0.0))
        if np.isfinite(top):
            tops.setdefault(pair, []).append(top)
    lengths = {(c.core, c.section): float(c.length) for c in corrections if c.length}
    faults = []
    without = sorted({pair[0] for pair in ends if pair not in tops} - known_cores)
    if without:
        shown = ", ".join(without[:5]) + (" ..." if len(without) > 5 else "")
        faults.append(
            f"cores {shown} have no depth, so that their tops cannot be deduced; map depth, or "
            "write cores.csv and sections.csv"
        )
    top = {pair: float(np.median(values)) for pair, values in tops.items()}
    by_core: dict[str, list[tuple[str, str]]] = {}
    for pair in sorted(top, key=lambda pair: top[pair]):
        by_core.setdefault(pair[0], []).append(pair)
    cores, sections = [], []
    names = sorted(by_core, key=lambda name: top[by_core[name][0]])
    for place, name in enumerate(names):
        pairs = by_core[name]
        total = 0.0
        for upper, lower in zip(pairs, [*pairs[1:], None], strict=True):
            length, words = ends[upper] / 100.0, "length: to the last reading"
            if lower is not None and top[lower] - top[upper] > length:
                length, words = top[lower] - top[upper], "length: to the next section with readings"
            if upper in lengths:
                length, words = lengths[upper], "length: set in the mapping"
            length = round(length, 4)
            total += length
            if upper not in known_sections:
                sections.append(
                    {
                        "core": upper[0],
                        "section": upper[1],
                        "length [m]": digits(length),
                        "core_diameter [mm]": wanted.core_diameter,
                        MARK: words,
                    }
                )
        if name in known_cores:
            continue
        start = top[pairs[0]]
        advance, words = total, "advance: as recovered"
        if place + 1 < len(names):
            room = top[by_core[names[place + 1]][0]] - start
            if room < advance:
                advance, words = max(room, 0.0), "advance: to the top of the next core"
        if advance <= 0.0:
            faults.append(
                f"core {name!r} begins at the depth of the next core, so that its advance cannot "
                "be deduced; write cores.csv"
            )
        cores.append(
            {
                "core": name,
                "coring_method": wanted.coring_method,
                "top [m]": digits(round(start, 4)),
                "advance [m]": digits(round(advance, 4)),
                "recovered [m]": digits(round(total, 4)),
                MARK: f"top: depth less offset; recovered: last reading; {words}; coring method: "
                + ("not known" if wanted.coring_method == "other" else "set in the mapping"),
            }
        )
    notes = []
    if cores:
        notes.append(
            f"{len(cores)} cores deduced from depth less offset: recovered to the last reading, "
            "advance as recovered, at most to the top of the next core"
        )
    if sections:
        notes.append(
            f"{len(sections)} sections deduced: each ends at the top of the next section of its "
            "core, the last one at its last reading"
        )
    return Deduced(cores, sections, notes, faults)


def complete_cores(
    cores: list[dict[str, str]], lengths: dict[tuple[str, str], float], wanted: Deduction
) -> tuple[list[dict[str, str]], list[str], list[str]]:
    """Advance, recovered length and coring method of cores of which a list gives the top.

    Parameters
    ----------
    cores : list of dict of str to str
        Cells core, top, advance, recovered (in m), coring_method and the mark, of all cores.
    lengths : dict of (core, section) to float
        Lengths of the sections [m].
    wanted : Deduction
        What the mapping sets.

    Returns
    -------
    cells : list of dict of str to str
        Cells to set in each row, the mark included; empty for a row that is complete.
    notes, faults : list of str
        What was assumed, and what could not be deduced, in words.

    Notes
    -----
    Recovered: the sum of the lengths of the core's sections. Advance: the distance to the next
    top below, that of the last core what was recovered.
    """
    recovered: dict[str, float] = {}
    for (core, _), length in lengths.items():
        recovered[core] = recovered.get(core, 0.0) + length
    tops = sorted({float(one["top"]) for one in cores if one["top"]})
    found: list[dict[str, str]] = []
    empty, faults, widest = [], [], (0.0, "", 0.0)
    for one in cores:
        if one[MARK] and not one[MARK].startswith(GIVEN["cores"]):
            found.append({})  # deduced as a whole, from depths
            continue
        # Cells that an earlier import completed are worked out anew, for the lists grow.
        open_cells = {
            name
            for name in ("coring_method", "advance", "recovered")
            if not one[name] or f"; {name.replace('_', ' ')}: " in one[MARK]
        }
        cells: dict[str, str] = {}
        words = [GIVEN["cores"]]
        total = recovered.get(one["core"], 0.0)
        if "recovered" in open_cells:
            cells["recovered"] = digits(round(total, 4))
            words.append("recovered: sum of the lengths of its sections")
            if one["core"] not in recovered:
                words[-1] = "recovered: nothing, for no section is listed"
                empty.append(one["core"])
        else:
            total = float(one["recovered"])
        if "advance" in open_cells and one["top"]:
            top = float(one["top"])
            below = [other for other in tops if other > top]
            advance = below[0] - top if below else total
            words.append("advance: " + ("to the next top" if below else "as recovered, last core"))
            widest = max(widest, (advance - total, one["core"], advance))
            if advance <= 0.0:
                faults.append(
                    f"core {one['core']!r} is the last one and has no section, so that its advance "
                    "cannot be deduced; add its sections, or write its advance in cores.csv"
                )
            cells["advance"] = digits(round(advance, 4))
        if "coring_method" in open_cells:
            cells["coring_method"] = wanted.coring_method
            other = wanted.coring_method == "other"
            words.append("coring method: " + ("not known" if other else "set in the mapping"))
        if cells:
            cells[MARK] = "; ".join(words)
        found.append(cells)
    notes = []
    count = sum("advance" in cells or "recovered" in cells for cells in found)
    if count:
        note = (
            f"{count} cores completed from their tops: recovered is the sum of the lengths of "
            "their sections, advance the distance to the next top, that of the last core what was "
            "recovered"
        )
        if widest[0] > 0.0:
            note += (
                f"; an interval drilled without a core counts as advance: most in core "
                f"{widest[1]!r}, advance {widest[2]:g} m, of which {widest[2] - widest[0]:g} m "
                "were recovered"
            )
        notes.append(note)
    if empty:
        shown = ", ".join(empty[:5]) + (" ..." if len(empty) > 5 else "")
        notes.append(f"cores {shown} have no section in the list: nothing was recovered")
    return found, notes, faults


def complete_sections(
    sections: list[dict[str, str]], wanted: Deduction
) -> tuple[list[dict[str, str]], list[str]]:
    """Core diameter of sections of which a list gives the length; see :func:`complete_cores`.

    Parameters
    ----------
    sections : list of dict of str to str
        Cells core_diameter (in mm) and the mark, of all sections.
    wanted : Deduction
        What the mapping sets.

    Returns
    -------
    cells : list of dict of str to str
        Cells to set in each row; empty for a row that is complete.
    notes : list of str
        What was assumed, in words.
    """
    diameter = wanted.core_diameter
    words = f"core diameter: {'set in the mapping' if diameter else 'not known'}"
    cells = {"core_diameter": diameter, MARK: f"{GIVEN['sections']}; {words}"}
    found = [
        cells
        if one[MARK].startswith(GIVEN["sections"]) or not (one[MARK] or one["core_diameter"])
        else {}
        for one in sections
    ]
    count = sum(map(bool, found))
    shown = f"{diameter} mm, set in the mapping" if diameter else "not known"
    return found, [f"{count} sections completed: core diameter {shown}"] if count else []


def disagreement(
    places: Iterable[Place], cores: dict[str, Any], sections: dict[str, Any]
) -> list[str]:
    """How far depths of the rows are from those of cores, sections and offsets, in words.

    ``cores`` and ``sections`` are columns as arrays, in m. Depths as laid out and depths fitted
    into the advance are both compared, and the closer ones count for the core.
    """
    known = set(cores["core"].tolist())
    if not set(sections["core"].tolist()) <= known:
        return []
    layout = lay_out(cores, sections)
    given = [one for one in places if np.isfinite(one[3])]
    codes = np.array([layout.codes.get(one[:2], -1) for one in given], dtype=np.intp)
    if not (codes >= 0).any():
        return []
    given = [one for one, code in zip(given, codes.tolist(), strict=True) if code >= 0]
    codes = codes[codes >= 0]
    nothing = np.zeros(codes.size)
    laid, fitted = layout.place(codes, nothing)
    top = np.array([one[3] for one in given])
    spread = np.array([one[4] for one in given])
    apart = np.minimum(np.abs(top - laid), np.abs(top - fitted)) + spread
    far = np.flatnonzero(apart > _AGREE)
    if not far.size:
        return [
            f"depths given and depths of {len(given)} sections and offsets agree within "
            f"{_AGREE:g} m (greatest difference {apart.max():.3f} m)"
        ]
    worst = int(far[np.argmax(apart[far])])
    core, section = given[worst][:2]
    return [
        f"depths given and depths of sections and offsets differ by more than {_AGREE:g} m in "
        f"{far.size} of {len(given)} sections, most in section {section!r} of core {core!r} "
        f"({apart[worst]:.3f} m: top {top[worst]:g} m given, {laid[worst]:g} m laid out); both "
        "are kept, the depths of the hole come from the lists. Where the hole refuses a table for "
        f"it, map the depth to {GIVEN_DEPTH} in place of depth"
    ]
