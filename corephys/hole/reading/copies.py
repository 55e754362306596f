"""Exact copies: rows of a table that were pasted a second time.

A copy equals an earlier row of its table in every column, known or not. Numbers are compared as
numbers, texts and times as written. The first row stays, later ones are copies. Equal cells alone
are no proof where a table has no key of single readings, or where a repeat has another run
number. The evidence that is asked for there is stated at :func:`find`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from corephys.ground import thresholds
from corephys.hole.reading.columns import Columns

__all__ = ["find"]

_SHARED = thresholds.value("copy_shared_keys")
_CHANCE = thresholds.value("copy_by_chance")
_BLOCK_ROWS = thresholds.count("copy_block_rows")
_LOG_ROWS = thresholds.count("copy_log_rows")
_RECORD_ROWS = thresholds.count("copy_record_rows")
_REPEATS = ("run", "repeat")  # numbers of repeats; an empty cell is the first
_PLACE = ("offset", "to", "depth")
_NAMES = ("run", "test")  # names of complete records, one row a sample


def find(table: Columns, key: pd.DataFrame | None) -> dict[int, int]:
    """Rows that are exact copies, each with the row that it copies.

    Parameters
    ----------
    table : Columns
        A table without faults in its headers.
    key : DataFrame or None
        Position, run and keys of the rows; None for a table without positions.

    Returns
    -------
    dict of int to int
        Row of the copy to row of the first, in the order of the table.

    Notes
    -----
    A row with the key of an earlier row and equal cells is a copy. Three cases need more:

    - More than 5 % of the keys of the table stand on rows of different content. The clock or the
      position is then coarser than the readings, and no row is called a copy.
    - Repeats under another ``run`` or ``repeat``. They are copies if the time of day is equal as
      well: no sensor takes two readings at one instant. The times count only if at most 5 % of them
      stand on rows of different content. Without a time, only counts are evidence: two independent
      counts of mean N are equal with the probability 1 / (2 sqrt(pi N)), so that the expected
      number of equal pairs is known. The equal rows are copies if chance gives as many or more with
      a probability below 1e-4 (Poisson), which is then the probability that a table without copies
      has any. Heating runs and consolidation tests at one place are copies if all of their rows, at
      least five with five different readings, are equal.
    - Standards without a time of day. They are copies by the same rule for counts, or if three or
      more successive rows, not all alike, follow once more in the same order.

    In a log without a time, equal rows may be separate readings of a tool that stands still. They
    are copies only where ten or more successive rows, with ten different readings at least, follow
    once more in the same order.
    """
    if len(table) < 2:
        return {}
    if key is not None:
        place = key.drop(columns=_of(key, {*_REPEATS, *_NAMES}))
        rows = np.flatnonzero(place.duplicated(keep=False))
    else:
        rows = np.arange(len(table))
    if rows.size < 2 or not _numbers_repeat(table, rows):
        return {}
    cells = _coded(table, rows)
    if table.table.continuous and "time" not in table:
        return _of_log(cells, rows)
    if key is None and table.table.name.startswith("standards/"):
        found = _of_standards(table, cells)
    else:
        names = [name for name, column in table.table.by_name.items() if column.need == "key"]
        keys = key.iloc[rows].reset_index(drop=True) if key is not None else None
        if keys is None and "time" in cells and _of(cells, names):
            keys = cells[[*_of(cells, names), "time"]]  # records of stations
        total = len(key.drop_duplicates()) if key is not None else None
        found = {} if keys is not None and _coarse(keys, cells, total) else _equal(cells)
    if key is not None:
        found |= _of_repeats(table, cells, key.iloc[rows].reset_index(drop=True), rows, found)
        found |= _of_records(table, cells, key.iloc[rows].reset_index(drop=True))
    return {int(rows[row]): int(rows[found[row]]) for row in sorted(found)}


def _numbers_repeat(table: Columns, rows: np.ndarray) -> bool:
    """Whether any two rows have the same numbers; fast, and false for most tables."""
    unread = {name for _, name, _ in table.bad}
    numbers = {
        name: values[rows]
        for name, values in table.values.items()
        if values.dtype.kind == "f" and name not in unread and name not in _REPEATS
    }
    return not numbers or bool(pd.DataFrame(numbers).duplicated().any())


def _of(frame: pd.DataFrame, names: Any) -> list[str]:
    """Those of the names that the frame has as columns."""
    return [name for name in names if name in frame]


def _coded(table: Columns, rows: np.ndarray) -> pd.DataFrame:
    """The rows with a whole number for each different cell of a column; -1 for an empty one."""
    unread = {name for _, name, _ in table.bad}
    coded = {}
    for name, values in table.values.items():
        content = table.contents[name]
        if isinstance(content, np.ndarray):
            part = content[rows]
        elif values.dtype.kind == "f" and name not in unread:
            part = values[rows]
        else:
            texts = [content[row].strip() for row in rows.tolist()]
            part = np.array([text or None for text in texts], dtype=object)
        if name in _REPEATS and values.dtype.kind == "f" and name not in unread:
            part = np.where(np.isnan(values[rows]), 1.0, values[rows])
        coded[name] = pd.factorize(part)[0]
    return pd.DataFrame(coded)


def _equal(cells: pd.DataFrame) -> dict[int, int]:
    """Rows that equal an earlier row in all columns."""
    group = cells.groupby(list(cells.columns), sort=False).ngroup().to_numpy()
    first = np.unique(group, return_index=True)[1]
    later = np.flatnonzero(first[group] != np.arange(group.size))
    return {int(row): int(first[group[row]]) for row in later}


def _coarse(keys: pd.DataFrame, cells: pd.DataFrame, total: int | None = None) -> bool:
    """Whether many keys stand on rows of different content; ``total`` keys if there are more."""
    group = keys.groupby(list(keys.columns), sort=False, dropna=False).ngroup()
    content = cells.groupby(list(cells.columns), sort=False).ngroup()
    different = content.groupby(group).nunique() > 1
    return bool(different.sum() > _SHARED * (total or different.size))


def _timed(table: Columns, rows: np.ndarray) -> np.ndarray:
    """Whether the time of day of each row is known and differs between readings of the table."""
    if "time" not in table or table["time"].dtype.kind != "M":
        return np.zeros(rows.size, dtype=bool)
    time = table["time"]
    # Midnight is what a date without a time of day becomes.
    known = ~np.isnat(time) & (time != time.astype("datetime64[D]"))
    every = _coded(table, np.flatnonzero(known))
    content = every.drop(columns=_of(every, _REPEATS))
    if not known.any() or _coarse(every[["time", *_of(every, table.table.keys)]], content):
        return np.zeros(rows.size, dtype=bool)
    return np.asarray(known[rows], dtype=bool)


def _vary(table: Columns) -> bool:
    """Whether any measured column of the table has more than one number."""
    fixed = {*_PLACE, *_REPEATS, *table.table.keys}
    measured = [values for name, values in table.values.items() if name not in fixed]
    numbers = [values[~np.isnan(values)] for values in measured if values.dtype.kind == "f"]
    return any(part.size > 1 and bool(np.ptp(part) > 0.0) for part in numbers)


def _counted(table: Columns, cells: pd.DataFrame, rows: np.ndarray) -> float:
    """Expected number of pairs of repeats that are equal by the noise of counting.

    ``cells`` are the columns that repeats share, and the counts; NaN without counts.
    """
    counts = [name for name in cells if str(name).partition("_")[0] == "counts"]
    counts = [name for name in counts if name in table.units]
    if "counts" not in counts:
        return float("nan")
    mean = table["counts"][rows]
    shared = cells.drop(columns=counts)
    group = shared.groupby(list(shared.columns), sort=False).ngroup().to_numpy()
    pairs = np.bincount(group)
    with np.errstate(divide="ignore", invalid="ignore"):
        chance = np.minimum(0.5 / np.sqrt(np.pi * mean), 1.0)
    chance = np.where(np.isfinite(chance), chance, 1.0)
    # Half of (n - 1) pairs for each of the n rows of a group.
    return float(np.sum(0.5 * (pairs[group] - 1) * chance))


def _beyond_chance(found: int, expected: float) -> bool:
    """Whether chance hardly ever gives as many equal pairs; never for an unknown expectation."""
    return bool(special.pdtrc(found - 1, expected) < _CHANCE)


def _of_repeats(
    table: Columns, cells: pd.DataFrame, key: pd.DataFrame, rows: np.ndarray, known: dict[int, int]
) -> dict[int, int]:
    """Copies under another number of the run or repeat."""
    numbers = [n for n in _of(cells, _REPEATS) if table[n].dtype.kind == "f"]
    if not numbers or not _vary(table):
        return {}
    alike = _equal(cells.drop(columns=numbers))
    alike = {row: first for row, first in alike.items() if row not in known}
    if not alike:
        return {}
    timed = _timed(table, rows)
    found = {row: first for row, first in alike.items() if timed[row]}
    rest = {row: first for row, first in alike.items() if not timed[row]}
    # Repeats that are not timed: their times, if any, say nothing.
    left = np.setdiff1d(np.flatnonzero(~timed), list(known))
    counts = [name for name in cells if str(name).startswith("counts")]
    if rest and counts:
        places = key.drop(columns=_of(key, _REPEATS)).apply(lambda part: pd.factorize(part)[0])
        kept = pd.concat([places, cells[counts]], axis=1).iloc[left].reset_index(drop=True)
        if _beyond_chance(len(rest), _counted(table, kept, rows[left])):
            found |= rest
    return found


def _of_records(table: Columns, cells: pd.DataFrame, key: pd.DataFrame) -> dict[int, int]:
    """Complete heating runs and tests that equal another one at the same place."""
    name = next((n for n in _NAMES if n in table and table[n].dtype.kind == "O"), None)
    if name is None or name not in table.table.by_name:
        return {}
    place = key.drop(columns=_of(key, [*table.table.keys, *_REPEATS, *_NAMES]))
    place_code = place.groupby(list(place.columns), sort=False, dropna=False).ngroup().to_numpy()
    content = cells.drop(columns=[name])
    code = content.groupby(list(content.columns), sort=False).ngroup().to_numpy()
    fixed = {*table.table.keys, *_PLACE}
    measured = [n for n in content if n in table.units and n not in fixed]
    seen: dict[tuple[int, tuple[int, ...]], np.ndarray] = {}
    found: dict[int, int] = {}
    records = pd.DataFrame({"place": place_code, "name": cells[name]})
    for members in records.groupby(["place", "name"], sort=False).indices.values():
        inside = members[np.argsort(code[members], kind="stable")]
        various = max((content[n].iloc[inside].nunique() for n in measured), default=0)
        if inside.size < _RECORD_ROWS or various < _RECORD_ROWS:
            continue
        mark = (int(place_code[inside[0]]), tuple(code[inside].tolist()))
        first = seen.setdefault(mark, inside)
        if first is not inside:
            found |= dict(zip(inside.tolist(), first.tolist(), strict=True))
    return found


def _of_log(cells: pd.DataFrame, rows: np.ndarray) -> dict[int, int]:
    """Copies in a log without a time: long blocks that follow once more in the same order.

    ``rows`` are those of the table; the rows between them equal no other.
    """
    alike = {int(rows[row]): int(rows[first]) for row, first in _equal(cells).items()}
    later = np.array(list(alike), dtype=np.int64)
    shifts, counts = np.unique(later - list(alike.values()), return_counts=True)
    code = -1 - np.arange(int(rows[-1]) + 1)  # each of its own
    code[rows] = cells.groupby(list(cells.columns), sort=False).ngroup().to_numpy()
    found: set[int] = set()
    # A row that stands in a block twice has another shift to its first; the others show the block.
    for shift in shifts[counts >= _LOG_ROWS].tolist():
        same = np.concatenate([[False], code[shift:] == code[:-shift], [False]])
        ends = np.flatnonzero(same[1:] != same[:-1])
        for start, end in zip(ends[::2].tolist(), ends[1::2].tolist(), strict=True):
            block = range(shift + start, shift + end)
            if np.unique(code[list(block)]).size >= _LOG_ROWS:
                found |= set(block)
    return {row: alike[row] for row in sorted(found)}


def _of_standards(table: Columns, cells: pd.DataFrame) -> dict[int, int]:
    """Copies among the rows of a table of standards, which has no key."""
    alike = _equal(cells)
    if not alike:
        return {}
    rows = np.arange(len(table))
    timed = _timed(table, rows)
    found = {row: first for row, first in alike.items() if timed[row]}
    rest = {row: first for row, first in alike.items() if not timed[row]}
    untimed = cells.loc[~timed].reset_index(drop=True)
    if rest and _beyond_chance(len(rest), _counted(table, untimed, rows[~timed])):
        return found | rest
    return found | {row: rest[row] for row in _blocks(cells, rest) if row in rest}


def _blocks(cells: pd.DataFrame, alike: dict[int, int]) -> set[int]:
    """Rows of blocks of successive rows that follow once more in the same order."""
    code = cells.groupby(list(cells.columns), sort=False).ngroup().to_numpy()
    found: set[int] = set()
    start = 0
    while start < code.size:
        longest = 0
        for earlier in range(start):
            length = 0
            while (
                start + length < code.size
                and earlier + length < start
                and (code[earlier + length] == code[start + length])
            ):
                length += 1
            longest = max(longest, length)
        block = range(start, start + longest)
        if longest >= _BLOCK_ROWS and np.unique(code[list(block)]).size > 1:
            found |= set(block)
            start += longest
        else:
            start += 1
    return found & set(alike)
