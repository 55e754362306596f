"""Positions of a table's rows, and the reasons for flags that are known after reading."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from corephys.ground import flags, thresholds
from corephys.hole.placing.layout import Layout, encode
from corephys.hole.reading.columns import Columns
from corephys.hole.reading.error import Problem, rows_in_words
from corephys.hole.reading.structure import unknown_sections
from corephys.hole.reading.supplied import quantity_columns

__all__ = [
    "Positions",
    "above_seafloor",
    "by_depth_alone",
    "contradictory_depths",
    "key_of",
    "locate",
    "reasons",
    "repeated",
]

_SLACK = thresholds.value("section_end_slack")  # cm
_CONTRADICTION = thresholds.value("supplied_depth_difference")  # m
_ROUNDING = 1e-6  # cm: ten nanometres, far above the rounding of a sum of lengths
_SEAFLOOR = _ROUNDING / 100.0  # m; rounding may put the top reading a bit above the seafloor


class Positions:
    """Where the rows of a table lie.

    Parameters
    ----------
    code : ndarray of int or None
        Row of the section; None for a table given by depth alone.
    offset : ndarray or None
        Middle of the interval [cm].
    depth, fitted : ndarray
        Depth as laid out and depth fitted into the advance [m].
    closed : tuple of two ndarrays, or None
        Offset [cm] and depth [m] once closed voids are closed up; None where the hole has none.
    """

    def __init__(
        self,
        code: np.ndarray | None,
        offset: np.ndarray | None,
        depth: np.ndarray,
        fitted: np.ndarray,
        closed: tuple[np.ndarray, np.ndarray] | None = None,
    ) -> None:
        self.code, self.offset, self.depth, self.fitted = code, offset, depth, fitted
        self.closed = closed


def locate(
    table: Columns, layout: Layout | None, sections_file: str
) -> tuple[Positions | None, list[Problem]]:
    """Positions of the rows of a table, and its faults.

    ``layout`` is None without sections, or if they have faults; ``sections_file`` is their file,
    for messages, and empty for a hole without sections.
    """
    by_section = all(name in table for name in ("core", "section", "offset"))
    if not by_section:
        if "depth" not in table:
            return None, []
        depth = table["depth"]
        return Positions(None, None, depth, depth.copy()), []
    problems = _upward(table)
    if layout is None:
        if not sections_file and table.table.of_values and "depth" in table:
            depth = table["depth"]
            return Positions(None, None, depth, depth.copy()), problems
        if not sections_file:
            what = "the rows have core, section and offset, but the hole has no cores or sections"
            mend = "Add cores.csv and sections.csv, or give 'depth [m]' instead"
            problems.append(Problem(table.file, None, "core", what, mend))
        return None, problems
    problems += unknown_sections(table, layout.codes, sections_file)
    code = layout.encode(table["core"], table["section"])
    offset = table["offset"]
    by_depth = _by_depth(table)
    if "to" in table:  # a sample's depth is the middle of its interval
        end = table["to"]
        offset = np.where(np.isnan(end), offset, 0.5 * (offset + end))
    closed = layout.close(code, offset) if layout.void_core.size else None
    depth, fitted = layout.place(code, offset)
    if by_depth.any():
        depth = np.where(by_depth, table["depth"], depth)
        fitted = np.where(by_depth, table["depth"], fitted)
        if closed is not None:
            closed = closed[0], np.where(by_depth, table["depth"], closed[1])
    return Positions(code, offset, depth, fitted, closed), problems


def _by_depth(table: Columns) -> np.ndarray:
    """Rows of supplied values that leave core and section empty and give a depth instead."""
    if not table.table.of_values or "depth" not in table:
        return np.zeros(len(table), dtype=bool)
    empty = (table["core"] == "") & (table["section"] == "")
    return np.asarray(empty & np.isfinite(table["depth"]))


def above_seafloor(table: Columns, where: Positions | None) -> list[Problem]:
    """Rows of ages, pore water and check shots that lie above the seafloor.

    These are fitted or interpolated together, so that one wrong depth spoils the others. A sensor
    reading above the seafloor is only flagged, see :func:`reasons`.
    """
    if where is None or table.table.name not in ("ages", "checkshots", "pore_water"):
        return []
    rows = np.flatnonzero(where.depth < -_SEAFLOOR)
    if not rows.size:
        return []
    row = int(rows[0])
    what = f"the depth is {where.depth[row]:g} m, above the seafloor{rows_in_words(rows.size)}"
    mend = "Depths count downward from the seafloor: correct the sign, or the top of the core"
    return [Problem(table.file, table.line(row), "depth", what, mend)]


def by_depth_alone(table: Columns, where: Positions) -> bool:
    """Whether supplied rows name core, section and offset in a hole that has no cores."""
    named = all(name in table for name in ("core", "section", "offset"))
    return table.table.of_values and where.code is None and named


def contradictory_depths(table: Columns, where: Positions | None) -> list[Problem]:
    """Supplied rows whose depth is not that of their core, section and offset.

    The depth of a sample may be that of its top or of its middle, so that half the length of a
    sample is no contradiction. Other tables keep a depth beside core, section and offset unread.
    """
    if where is None or where.code is None or not table.table.of_values or "depth" not in table:
        return []
    apart = np.abs(table["depth"] - where.depth)
    if "to" in table:
        apart = np.fmin(apart, apart - np.nan_to_num(table["to"] - table["offset"]) / 200.0)
    rows = np.flatnonzero(apart > _CONTRADICTION)
    if not rows.size:
        return []
    row = int(rows[0])
    what = (
        f"the depth is {table['depth'][row]:g} m, but core, section and offset lie at "
        f"{where.depth[row]:.3f} m{rows_in_words(rows.size)}"
    )
    mend = (
        "Correct one of the two; a depth on another scale needs another name, such as "
        "'published_depth [m]'"
    )
    return [Problem(table.file, table.line(row), "depth", what, mend)]


def _upward(table: Columns) -> list[Problem]:
    """Samples whose lower end lies above their offset."""
    if "to" not in table:
        return []
    rows = np.flatnonzero(table["to"] < table["offset"])
    if rows.size == 0:
        return []
    row = int(rows[0])
    what = (
        f"the sample ends at {table['to'][row]:g} cm, above its offset "
        f"{table['offset'][row]:g} cm{rows_in_words(rows.size)}"
    )
    mend = "Give the upper end as offset; offsets grow downward from the section's top"
    return [Problem(table.file, table.line(row), "to", what, mend)]


def reasons(
    table: Columns, positions: Positions | None, layout: Layout | None, tables: dict[str, Columns]
) -> np.ndarray:
    """Reasons of each row, bits of :mod:`corephys.ground.flags`.

    Of ``tables``, removed intervals, exclusions and sections are used.
    """
    reason = np.zeros(len(table), dtype=np.int64)
    reason[table.bad_rows] |= flags.bit("bad_cell")
    if positions is None:
        return reason
    lost_place = np.isnan(positions.depth) & ~table.bad_rows
    reason[lost_place] |= flags.bit("missing_value")
    reason[positions.depth < -_SEAFLOOR] |= flags.bit("above_seafloor")
    if positions.code is None or layout is None:
        return reason
    code, offset = positions.code, table["offset"]
    end = np.fmax(offset, table["to"]) if "to" in table else offset
    with np.errstate(invalid="ignore"):
        outside = (end > layout.length[code] * 100.0 + _SLACK + _ROUNDING) | (offset < -_ROUNDING)
    outside &= code >= 0
    reason[outside] |= flags.bit("past_section_end")
    sections = tables["sections"]
    if "kind" in sections:
        reason[(sections["kind"] == "catcher")[code] & (code >= 0)] |= flags.bit("catcher")
    rows = _rows_by_section(code, len(layout.codes))
    _removed(reason, table, tables.get("removed"), rows, layout, positions.offset)
    _excluded(reason, table, tables.get("exclusions"), rows, layout, positions.offset)
    return reason


def _rows_by_section(code: Any, count: int) -> Any:
    """A function that returns the rows of one section; one sort serves all intervals."""
    order = np.argsort(code, kind="stable")
    bounds = np.searchsorted(code[order], np.arange(count + 1))
    return lambda section: order[bounds[section] : bounds[section + 1]]


def _inside(interval: tuple[Any, ...], rows: Any, layout: Layout, offset: Any) -> np.ndarray:
    """Rows whose offset lies in an interval of a section, ends included."""
    core, section, start, end = interval
    code = layout.codes.get((core, section))
    if code is None:
        return np.zeros(0, dtype=int)
    here = rows(code)
    at = offset[here]
    return here[(at >= start - _ROUNDING) & (at <= end + _ROUNDING)]


def _removed(
    reason: Any, table: Columns, removed: Columns | None, rows: Any, layout: Layout, offset: Any
) -> None:
    """Mark voids and lost intervals in every table, whole rounds only in scans after removal.

    An empty ``when`` counts as before the scan, so that the reading is flagged.
    """
    if removed is None:
        return
    scan = table.table.name.startswith("scan/")
    when = removed["when"] if "when" in removed else np.full(len(removed), "", dtype=object)
    columns = (removed[name].tolist() for name in ("core", "section", "from", "to", "kind"))
    for *interval, kind, moment in zip(*columns, when.tolist(), strict=True):
        if kind in ("open_void", "closed_void"):
            bit = flags.bit("void")
        elif moment == "after_scan" or (kind == "whole_round" and not scan):
            continue
        else:
            bit = flags.bit("in_removed_interval")
        reason[_inside(tuple(interval), rows, layout, offset)] |= bit


def _excluded(
    reason: Any, table: Columns, exclusions: Columns | None, rows: Any, layout: Layout, offset: Any
) -> None:
    """Mark the intervals that the user excluded for this sensor, or for all."""
    if exclusions is None:
        return
    name = table.table.name
    sensor = exclusions["sensor"] if "sensor" in exclusions else np.full(len(exclusions), "")
    columns = (exclusions[column].tolist() for column in ("core", "section", "from", "to"))
    for *interval, only in zip(*columns, sensor.tolist(), strict=True):
        if only in ("", name, name.rpartition("/")[2]):
            bit = flags.bit("excluded_by_user")
            reason[_inside(tuple(interval), rows, layout, offset)] |= bit


def key_of(table: Columns, positions: Positions | None) -> pd.DataFrame | None:
    """Position, run and keys of every row; None for a table without positions."""
    if positions is None:
        return None
    place = positions.depth if positions.code is None else table["offset"]
    key: dict[str, Any] = {"place": place}
    if positions.code is not None:
        key["section"] = positions.code
    for name in _key_names(table):
        values = table[name]
        if name == "run" and values.dtype.kind == "f":
            values = np.where(np.isnan(values), 1.0, values)
        # Text is replaced by whole numbers, on which pandas is faster.
        key[name] = encode(values)[0] if values.dtype.kind == "O" else values
    return pd.DataFrame(key)


def _key_names(table: Columns) -> list[str]:
    """Columns that, besides the position, tell two rows apart."""
    names = [n for n in ("run", *table.table.keys) if n in table]
    if table.table.supplied and "sample_id" in table:
        names.append("sample_id")  # published depths are rounded: two samples may share one
    return names


def repeated(
    table: Columns, positions: Positions | None, key: pd.DataFrame | None, copies: Mapping[int, int]
) -> tuple[list[Problem], list[int]]:
    """Rows that share position, run and keys with a row that they do not copy.

    Such rows are a problem, since they have different values. Among values reduced elsewhere they
    are no problem, and the rows of one key that hold a value of the same quantity are listed.
    ``key`` comes from :func:`key_of`; ``copies`` gives each exact copy the row that it copies.
    """
    if positions is None or key is None or len(table) < 2 or table.table.continuous:
        return [], []
    sound = ~np.isnan(key["place"].to_numpy()) & ~table.bad_rows
    for name in key:
        sound[table.unread.get(name, [])] = False  # the number may be any
    if positions.code is not None:
        sound &= positions.code >= 0
    # A row that others copy is itself no second reading of its position.
    single = sound.copy()
    single[list(copies)] = False
    again = np.flatnonzero(single)[key[single].duplicated(keep=False).to_numpy()]
    if again.size == 0:
        return [], []
    if table.table.supplied:
        return [], _supplied_twice(table, key, again)
    return _different(table, key, again), []


def _different(table: Columns, key: pd.DataFrame, again: np.ndarray) -> list[Problem]:
    """The problem of repeated keys with different values."""
    later = again[key.iloc[again].duplicated(keep="first").to_numpy()]
    row = int(later.min())
    place = _place_in_words(table, row, _key_names(table))
    what = f"the same key with different values: {place} is there already"
    what += rows_in_words(later.size)
    mend = "Give the repeat run 2 (then 3 ...) in the column 'run', or correct the position"
    if "repeat" in table.table.keys:
        mend = "Give the repeat another number in the column 'repeat' or 'run'"
    elif table.table.name in ("samples/needle", "samples/consolidation"):
        mend = "Give the second test another name, or correct its time or step"
    return [Problem(table.file, table.line(row), "", what, mend)]


def _supplied_twice(table: Columns, key: pd.DataFrame, again: np.ndarray) -> list[int]:
    """Rows at one position that hold a value of the same quantity; a blank cell is no value."""
    named = quantity_columns(table)
    if not named:
        return [int(row) for row in again]
    held = [table[name] for name in named]
    if "quantity" in table and "value" in table:
        held.append(np.where(table["quantity"] == "", np.nan, table["value"]))
    twice = np.zeros(len(table), dtype=bool)
    for values in held:
        known = np.flatnonzero(~np.isnan(values[again]))
        rows = again[known]
        twice[rows[key.iloc[rows].duplicated(keep=False).to_numpy()]] = True
    return [int(row) for row in np.flatnonzero(twice)]


def _place_in_words(table: Columns, row: int, names: list[str]) -> str:
    """Position and keys of a row, for a message."""
    if "offset" in table and "section" in table:
        where = (
            f"core {table['core'][row]!r}, section {table['section'][row]!r}, "
            f"{table['offset'][row]:g} cm"
        )
    else:
        where = f"{table['depth'][row]:g} m"
    shown = [(name, str(table[name][row]).removesuffix(".0")) for name in names]
    return ", ".join(
        [where, *(f"{name} {text}" for name, text in shown if text not in ("", "nan"))]
    )
