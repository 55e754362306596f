"""Depths of the intervals of a description or a list of pictures, and the reasons of their flags.

An interval is given by core, section, from and to, or by its top and bottom below the seafloor. One
that runs past the end of its section is kept, flagged, and ends with the section.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from corephys.ground import flags, thresholds
from corephys.hole.placing.layout import Layout
from corephys.hole.reading.columns import Columns
from corephys.hole.reading.error import Problem, rows_in_words
from corephys.hole.reading.structure import unknown_sections

__all__ = ["Intervals", "locate", "reasons"]

_SLACK = thresholds.value("section_end_slack")  # cm
_ROUNDING = 1e-6  # cm: ten nanometres, far above the rounding of a sum of lengths
# What two rows about the same core may not give differently.
_EXCLUSIVE = ("lithology", "disturbance")


@dataclass
class Intervals:
    """Where the rows of a table of intervals lie.

    Parameters
    ----------
    code : (n,) ndarray of int
        Row of the section, -1 for an interval that is given by its depths.
    top, bottom : (n,) ndarray
        Depths as laid out [m]; NaN where a cell could not be read.
    top_fitted, bottom_fitted : (n,) ndarray
        Depths fitted into the advance [m].
    """

    code: np.ndarray
    top: np.ndarray
    bottom: np.ndarray
    top_fitted: np.ndarray
    bottom_fitted: np.ndarray

    def depths(self) -> dict[str, np.ndarray]:
        """Depth of the middle and of both ends by name [m]."""
        return {
            "depth": 0.5 * (self.top + self.bottom),
            "depth_fitted": 0.5 * (self.top_fitted + self.bottom_fitted),
            "top": self.top,
            "bottom": self.bottom,
            "top_fitted": self.top_fitted,
            "bottom_fitted": self.bottom_fitted,
        }


def locate(
    table: Columns, layout: Layout | None, sections_file: str
) -> tuple[Intervals, list[Problem]]:
    """Depths of the intervals of a table, and its faults.

    ``layout`` is None without sections, or if they have faults; ``sections_file`` is their file,
    for messages, and empty for a hole without sections.
    """
    size = len(table)
    unknown = np.full(size, np.nan)
    code = np.full(size, -1, dtype=np.intp)
    top, bottom = (
        np.array(table[name], dtype=float) if name in table else unknown.copy()
        for name in ("top", "bottom")
    )
    problems = _upward(table, "top", "bottom", "m") + _upward(table, "from", "to", "cm")
    fitted = [top.copy(), bottom.copy()]
    if not all(name in table for name in ("core", "section", "from", "to")):
        return Intervals(code, top, bottom, *fitted), problems
    if layout is None:
        # Rows that are given by their depths alone need no sections.
        needed = (table["core"] != "").any()
        if needed and not sections_file:
            what = "the rows have core and section, but the hole has no cores or sections"
            mend = "Add cores.csv and sections.csv, or give 'top [m]' and 'bottom [m]' instead"
            problems.append(Problem(table.file, None, "core", what, mend))
        return Intervals(code, top, bottom, *fitted), problems
    problems += unknown_sections(table, layout.codes, sections_file)
    code = layout.encode(table["core"], table["section"])
    # A row with a section and without offsets keeps the depths that it gives.
    inside = (code >= 0) & ~(np.isnan(table["from"]) & np.isnan(table["to"]) & ~np.isnan(top))
    length = np.append(layout.length, np.nan)[code] * 100.0
    for name, held, squeezed in (("from", top, fitted[0]), ("to", bottom, fitted[1])):
        # An end past the section's end would lie in the next section.
        offset = np.clip(table[name], 0.0, length)
        placed = layout.place(code, offset)
        held[inside], squeezed[inside] = placed[0][inside], placed[1][inside]
    return Intervals(code, top, bottom, *fitted), problems


def _upward(table: Columns, first: str, last: str, unit: str) -> list[Problem]:
    """The fault of intervals whose first end is greater than the last."""
    if first not in table or last not in table:
        return []
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(table[first] > table[last])
    if not rows.size:
        return []
    row = int(rows[0])
    what = (
        f"the interval runs from {table[first][row]:g} to {table[last][row]:g} {unit}, upward"
        f"{rows_in_words(rows.size)}"
    )
    mend = "Give the upper end first; offsets and depths grow downward"
    return [Problem(table.file, table.line(row), first, what, mend)]


def reasons(
    table: Columns, where: Intervals, layout: Layout | None, tables: dict[str, Columns]
) -> np.ndarray:
    """Reasons of each interval, bits of :mod:`corephys.ground.flags`."""
    reason = np.zeros(len(table), dtype=np.int64)
    reason[table.bad_rows] |= flags.bit("bad_cell")
    lost = np.isnan(where.top) | np.isnan(where.bottom)
    reason[lost & ~table.bad_rows] |= flags.bit("missing_value")
    with np.errstate(invalid="ignore"):
        reason[where.top < -_ROUNDING / 100.0] |= flags.bit("above_seafloor")
    if layout is not None and (where.code >= 0).any():
        length = np.append(layout.length, np.nan)[where.code] * 100.0
        with np.errstate(invalid="ignore"):
            past = (table["to"] > length + _SLACK + _ROUNDING) | (table["from"] < -_ROUNDING)
        reason[past] |= flags.bit("past_section_end")
        _removed(reason, table, where, tables.get("removed"), layout)
    reason[_contradicting(table, where)] |= flags.bit("same_position_twice")
    return reason


def _removed(
    reason: np.ndarray, table: Columns, where: Intervals, removed: Columns | None, layout: Layout
) -> None:
    """Mark intervals that lie within a void or a lost piece of their section.

    A whole round was core when it was described or photographed.
    """
    if removed is None:
        return
    names = ("core", "section", "from", "to", "kind")
    for core, section, start, end, kind in zip(*(removed[n] for n in names), strict=True):
        if kind == "whole_round":
            continue
        bit = flags.bit("in_removed_interval" if kind == "lost" else "void")
        code = layout.codes.get((core, section))
        with np.errstate(invalid="ignore"):
            inside = (table["from"] >= start - _ROUNDING) & (table["to"] <= end + _ROUNDING)
        if code is not None:
            reason[inside & (where.code == code)] |= bit


def _contradicting(table: Columns, where: Intervals) -> np.ndarray:
    """Mask of the rows that overlap another row with another lithology or disturbance."""
    found = np.zeros(len(table), dtype=bool)
    given = [table[name] for name in _EXCLUSIVE if name in table]
    if not given:
        return found
    order = np.lexsort((where.top, where.code))
    order = order[np.isfinite(where.top[order]) & np.isfinite(where.bottom[order])]
    for place, row in enumerate(order.tolist()):
        for other in order[place + 1 :].tolist():
            apart = where.top[other] >= where.bottom[row] - _ROUNDING / 100.0
            if apart or where.code[other] != where.code[row]:
                break
            if any(_differ(words[row], words[other]) for words in given):
                found[[row, other]] = True
    return found


def _differ(one: Any, other: Any) -> bool:
    """Whether two cells are both given and differ."""
    return bool(one and other and one != other)
