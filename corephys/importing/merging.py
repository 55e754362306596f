"""Rows of one file meet the rows of a table: new, there already, grown, changed, a further run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from corephys.hole.placing.layout import encode
from corephys.hole.reading.tables import TABLES, Table
from corephys.importing.convert import Coded, Rows, numbers
from corephys.importing.state import Block, Group, Part, digest_of
from corephys.importing.tables import (
    TableFile,
    grouped_by_section,
    joined,
    key_columns,
    numbered_run,
)

__all__ = ["Merged", "merge", "number_runs", "repeated"]

_PLACE = ("core", "section")
_Pieces = dict[tuple[str, str], list[int]]  # rows by path and source


@dataclass
class Merged:
    """What became of the rows of one file in one table.

    Parameters
    ----------
    added : int
        Rows added.
    already : int
        Rows that the table has already.
    replaced : int
        Rows of an earlier import that were taken out for them.
    kept : int
        Rows that a hand edit keeps out.
    refused : list of (int, str, str)
        Line, reason and text.
    notes : list of str
        What was decided, in words.
    """

    added: int = 0
    already: int = 0
    replaced: int = 0
    kept: int = 0
    refused: list[tuple[int, str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def number_runs(rows: Rows, given: bool, rerun: str = "number") -> list[str]:
    """Give rows of a table a number of the run, in place; returns what was numbered, in words.

    A position that comes again in one file with other values is a further run: the second pass
    where the offsets of the section begin anew, else the second reading of that position. A
    section in which every repeated row is equal to an earlier one stays as it is: the rows were
    written twice, and the reader of the hole lists them. Values that were reduced elsewhere are
    not numbered, since a position that is there twice is flagged. A rerun that the mapping replaces
    or refuses is one of another file; the words state that it was not applied here.
    """
    table = TABLES[rows.table]
    if not numbered_run(table) or given:
        return []
    count = len(rows)
    run = np.ones(count, dtype=np.int64)
    words: list[str] = []
    if not table.supplied and count:
        run, words = _runs(rows, key_columns(table, rows.names), _is_scan(table))
        further = int((run > 1).sum())
        if further and rerun != "number":
            words.append(
                f"{rows.table}: rerun = {rerun!r} is not applied to a section that comes again in "
                f"the same file: {further} rows are numbered as further runs and stay; leave out "
                "the rows that do not count with where"
            )
    texts = sorted(set(run.tolist()))
    place = {number: code for code, number in enumerate(texts)}
    codes = np.array([place[number] for number in run.tolist()], dtype=np.int32)
    rows.columns["run"] = Coded(codes, [str(text) for text in texts])
    order = [column.name for column in table.columns if column.name in rows.columns]
    order += [name for name in rows.names if name not in table.by_name]
    headers = dict(zip(rows.names, rows.header, strict=True)) | {"run": "run"}
    rows.names, rows.header = order, [headers[name] for name in order]
    return words


def _runs(rows: Rows, keys: list[str], scan: bool) -> tuple[np.ndarray, list[str]]:
    """Run of each row by repeated positions, in a scan also by offsets that begin anew."""
    run = np.ones(len(rows), dtype=np.int64)
    section, names = _codes(rows, _PLACE)
    key = pd.DataFrame({name: rows.columns[name].codes for name in keys})
    place = rows.columns[keys[0]].floats()
    key[keys[0]] = place
    key["section"] = section
    concerned = key.duplicated(keep=False).to_numpy() & ~np.isnan(place)
    if scan:
        order = np.argsort(section, kind="stable")
        falls = (np.diff(place[order]) < 0) & (np.diff(section[order]) == 0)
        concerned[order[1:][falls]] = True
    if not concerned.any():
        return run, []
    cells = pd.DataFrame({name: column.codes for name, column in rows.columns.items()})
    equal = cells.duplicated(keep="first").to_numpy()
    numbered = []
    rows_of = _rows_by_code(section, len(names))
    for code in np.unique(section[concerned]).tolist():
        here = rows_of(code)
        here = here[~np.isnan(place[here])]
        mine = key.iloc[here]
        times = mine.groupby(list(key.columns), dropna=False, sort=False).cumcount().to_numpy()
        passes = 1 + np.cumsum(np.append(False, np.diff(place[here]) < 0))
        anew = _begins_anew(passes, place[here], scan)
        anew = anew and not mine.assign(run=passes).duplicated().any()
        # Where every repeated row is equal to an earlier one, rows were written twice; unless most
        # rows of a second pass lie elsewhere.
        again = times > 0
        written_twice = bool(again.any() and equal[here][again].all())
        if written_twice and not (anew and 2 * again.sum() < (passes > 1).sum()):
            continue
        if anew:
            run[here] = passes
        elif again.any():
            run[here] = times + 1
        else:
            continue
        numbered.append((names[code], int(run[here].max())))
    if not numbered:
        return run, []
    (first_name, most), more = numbered[0], len(numbered) - 1
    words = f"{_section(first_name)} comes {most} times in the file: runs 1 to {most}"
    return run, [words + (f" (and {more} more)" if more else "")]


def _rows_by_code(codes: np.ndarray, count: int) -> Callable[[int], np.ndarray]:
    """A function that gives the rows of one code; one sort serves all."""
    order = np.argsort(codes, kind="stable")
    bounds = np.searchsorted(codes[order], np.arange(count + 1))
    return lambda code: order[bounds[code] : bounds[code + 1]]


def _begins_anew(passes: np.ndarray, place: np.ndarray, scan: bool) -> bool:
    """Whether rows of one section are passes over it, one after the other.

    Each pass reaches back over part of the one before. In a scan a pass has two readings or more;
    rows in no order, or from the bottom to the top, are no passes.
    """
    counts = np.bincount(passes)[1:]
    if counts.size < 2 or (scan and counts[:-1].min() < 2):
        return False
    ends = np.flatnonzero(np.diff(passes))
    return bool((place[ends + 1] <= place[ends]).all())


def _section(group: tuple[str, ...]) -> str:
    """A core and section in words."""
    core, section = group[:2]
    return f"section {section!r} of core {core!r}" if core or section else "one depth"


def _codes(rows: Rows, names: tuple[str, ...]) -> tuple[np.ndarray, list[tuple[str, ...]]]:
    """Whole numbers of groups of rows, and the texts of each group."""
    count = len(rows)
    columns = [rows.columns.get(name) for name in names]
    return encode(*(np.full(count, "", dtype=object) if c is None else c.cells() for c in columns))


def merge(
    table: TableFile,
    rows: Rows,
    owner: tuple[str, str],
    old: Part,
    rerun: str,
    *,
    remove: bool,
    again: frozenset[Group] = frozenset(),
) -> tuple[Part, Merged]:
    """Bring the rows of one file into a table.

    Parameters
    ----------
    table : TableFile
        Changed in place.
    rows : Rows
        Rows of the file for this table, with runs.
    owner : tuple of str
        Path of the file and name of the source.
    old : Part
        What an earlier import took from this file.
    rerun : {"number", "replace", "refuse"}
        What a section that another file gave already becomes.
    remove : bool
        Take out rows that this file gave before and gives no more: the mapping was changed. Else
        they stay, for the file may have been written over.
    again : frozenset of (core, section, run)
        Sections that come again by the rows of another table of the same file.

    Returns
    -------
    tuple of Part and Merged
    """
    return _Merge(table, rows, owner, old, rerun, remove, again).run()


def repeated(table: TableFile, rows: Rows, owner: tuple[str, str], old: Part) -> set[Group]:
    """Sections of a file that the table holds already with other values, nothing changed.

    Parameters
    ----------
    table, rows, owner, old
        As of :func:`merge`.

    Returns
    -------
    set of (core, section, run)
    """
    return _Merge(table, rows, owner, old, "refuse", False).repeated()


class _Merge:
    def __init__(
        self,
        table: TableFile,
        rows: Rows,
        owner: tuple[str, str],
        old: Part,
        rerun: str,
        remove: bool,
        again: frozenset[Group] = frozenset(),
    ) -> None:
        self.again = again
        self.table, self.owner, self.old, self.rerun, self.remove = table, owner, old, rerun, remove
        self.rows = rows
        self.done = Merged()
        self.headers, self.columns = table.fitted(rows)
        self.keys = key_columns(table.table, rows.names)
        self.renumbered = dict(old.renumbered)
        self.runs: Coded | None = None
        # Runs of this file by core and section, of this and earlier imports.
        self.given: dict[tuple[str, str], set[str]] = {}
        for core, section, run in old.blocks:
            self.given.setdefault((core, section), set()).add(run)
        for (core, section, _), run in self.renumbered.items():
            self.given.setdefault((core, section), set()).add(run)

    def run(self) -> tuple[Part, Merged]:
        chosen = self._meet()
        self._once(chosen)
        groups, order = self._groups(chosen)
        rows = order
        columns = [self.columns[name].take(rows) for name in self.rows.names]
        lines = joined(columns)
        blocks = self._blocks(groups, lines, columns)
        part = Part(self.headers, blocks, self.renumbered)
        return part, self.done

    # Rows of other files ----------------------------------------------------------------------

    def _group_codes(self) -> tuple[np.ndarray, list[Group]]:
        """Group of each row: core, section and run."""
        grouped = grouped_by_section(self.table.table)
        count = len(self.rows)
        nothing = np.full(count, "", dtype=object)
        held = [self.columns[n] if grouped and n in self.columns else None for n in _PLACE]
        cells = [nothing if column is None else column.cells() for column in held]
        run = self.columns.get("run")
        if run is not None and numbered_run(self.table.table):
            run = run.map(lambda text: text or "1")
        codes, groups = encode(*cells, nothing if run is None else run.cells())
        return codes, [(c, s, r) for c, s, r in groups]

    def _others(self) -> set[Group]:
        """Groups of which another file gave rows."""
        found: set[Group] = set()
        for path, source, part in self.table.state.parts(self.table.name):
            if (path, source) != self.owner:
                found.update(part.blocks)
        return found

    def _there(self, group: Group, others: set[Group]) -> tuple[list[int], _Pieces]:
        """Rows of a group that other files or the user gave, and those of each file."""
        if not self.keys or not (group in others or self.table.by_hand):
            return [], {}
        found, loose = self.table.pieces(group)
        mine = found.pop(self.owner, [])
        if self.table.by_hand and group in self.old.blocks and not mine:
            return [], {}  # edited by hand: compared with its digest where it is brought in
        return [row for piece in found.values() for row in piece] + loose, found

    def repeated(self) -> set[Group]:
        """Groups that come again with other values."""
        others, again = self._others(), set()
        codes, groups = self._group_codes()
        rows_of = _rows_by_code(codes, len(groups))
        for code, group in enumerate(groups):
            if group in self.renumbered or not (group[0] or group[1]):
                continue
            there, _ = self._there(group, others)
            if there:
                here = rows_of(code)
                if self._differs(here, there, *self._compare(here, there)):
                    again.add(group)
        return again

    def _differs(
        self, here: np.ndarray, there: list[int], shared: list[int], equal: list[int]
    ) -> bool:
        """Whether rows of a section are a second pass and not the same or further rows.

        They have other values at the same position; or, in a scan, most of them lie between the
        positions of the first pass.
        """
        if set(shared) != set(equal):
            return True
        if not _is_scan(self.table.table) or self.keys[0] != "offset":
            return False
        if 2 * len(shared) > here.size:
            return False  # the same rows, and some more
        new = self.columns["offset"].take(np.delete(here, shared)).floats()
        held = numbers(self.table.cells_of(there, "offset"))
        new, held = new[np.isfinite(new)], held[np.isfinite(held)]
        if not new.size or not held.size:
            return False
        return bool(new.min() < held.max() and held.min() < new.max())

    def _meet(self) -> np.ndarray:
        """Rows to bring in, after a comparison with rows of other files and of users."""
        others = self._others()
        chosen = np.ones(len(self.rows), dtype=bool)
        codes, groups = self._group_codes()
        rows_of = _rows_by_code(codes, len(groups))
        for code, group in enumerate(groups):
            if group in self.renumbered:
                self._set_run(rows_of(code), self.renumbered[group])
                continue
            there, found = self._there(group, others)
            if not there:
                continue
            here = rows_of(code)
            shared, equal = self._compare(here, there)
            whole = bool(group[0] or group[1])
            if self._differs(here, there, shared, equal) or (shared and group in self.again):
                self._again(here if whole else here[shared], group, found, chosen)
            else:
                chosen[here[equal]] = False
                self.done.already += len(equal)
        return chosen

    def _compare(self, here: np.ndarray, there: list[int]) -> tuple[list[int], list[int]]:
        """Places in ``here`` whose key is in the table, and those equal in every cell."""
        table, names = self.table, self.rows.names
        theirs = [table.cells_of(there, key) for key in self.keys]
        ours = [self.columns[key].take(here).cells().tolist() for key in self.keys]
        known: dict[tuple[Any, ...], list[int]] = {}
        for row, key in enumerate(zip(*map(_values, theirs), strict=True)):
            known.setdefault(key, []).append(row)
        new = [self.columns[name].take(here).cells().tolist() for name in names]
        held = [table.cells_of(there, name) for name in names]
        cells = list(zip(new, held, strict=True))
        shared: list[int] = []
        equal: list[int] = []
        for place, key in enumerate(zip(*map(_values, ours), strict=True)):
            if key not in known:
                continue
            shared.append(place)
            for row in known[key]:
                if all(_same(a[place], b[row]) for a, b in cells):
                    equal.append(place)
                    break
        return shared, equal

    def _again(
        self,
        here: np.ndarray,
        group: Group,
        found: _Pieces,
        chosen: np.ndarray,
    ) -> None:
        """A section that comes again with other values."""
        table, whole = self.table, bool(group[0] or group[1])
        words = _section(group) if whole else f"{here.size} rows at the same position or name"
        source = next(iter(found), ("the table itself", ""))[0]
        if self.rerun == "number" and numbered_run(table.table):
            place = group[:2]
            taken = {*table.runs.get(place, ()), *self.given.get(place, ())}
            runs = [float(one) for one in taken if one]
            run = str(int(max(runs, default=1.0)) + 1)
            # Rows by depth alone are renumbered one by one; the mark keeps their run for the next
            # import of the file.
            mark = group if whole else (*group[:2], group[2] + "*")
            run = self.renumbered.setdefault(mark, run)
            self.given.setdefault(place, set()).add(run)
            self._set_run(here, run)
            self.done.notes.append(f"{words}: in {source} already, numbered run {run}")
            return
        if self.rerun == "replace" and found:
            taken = [row for piece in found.values() for row in piece]
            table.take_out(taken)
            for path, name in found:
                table.state.files[path][name].parts[table.name].blocks.pop(group, None)
            self.done.replaced += len(taken)
            self.done.notes.append(f"{words} replaces {len(taken)} rows of {source}")
            return
        chosen[here] = False
        reason = f"{words}: in {source} already with other values"
        if self.rerun == "number":
            reason += f'; {table.name} has no numbered runs: set rerun = "replace" to take these'
        for row in here.tolist():
            self._refuse(row, reason)

    def _refuse(self, row: int, reason: str) -> None:
        one = [self.rows.columns[name].take(np.array([row])) for name in self.rows.names]
        text = " | ".join(column.cells()[0] for column in one)
        self.done.refused.append((int(self.rows.lines[row]), reason, text))

    def _once(self, chosen: np.ndarray) -> None:
        """Names of a list that come again in one file: equal rows once, others are refused.

        Rows of scans, samples and intervals are not concerned: a position may come again.
        """
        table = self.table.table
        if numbered_run(table) or grouped_by_section(table) or not self.keys:
            return
        rows = np.flatnonzero(chosen)
        cells = pd.DataFrame({n: self._compared(n)[rows] for n in self.rows.names}, index=rows)
        last = self.rerun == "replace" and "time" not in self.keys
        again = cells.duplicated(self.keys, keep="last" if last else "first")
        if not again.any():
            return
        equal = cells.duplicated(keep="last" if last else "first")
        if "time" not in self.keys:
            kept = cells[~again].set_index(self.keys)
            same = (
                kept.loc[pd.MultiIndex.from_frame(cells[self.keys])]
                if len(self.keys) > 1
                else (kept.loc[cells[self.keys[0]]])
            )
            others = [name for name in self.rows.names if name not in self.keys]
            agrees = (same[others].to_numpy() == cells[others].to_numpy()).all(axis=1)
            equal = again & agrees
            words = "; the last row is taken" if last else ""
            if self.rerun == "number":
                words = '; set rerun = "replace" to take the last row'
            for row in rows[(again & ~agrees).to_numpy()].tolist():
                names = [(k, self.columns[k].cells()[row]) for k in self.keys]
                shown = ", ".join(f"{key} {text!r}" for key, text in names)
                self._refuse(row, f"{shown}: comes again in the file with other values{words}")
                chosen[row] = False
        dropped = rows[equal.to_numpy()]
        chosen[dropped] = False
        self.done.already += int(dropped.size)

    def _compared(self, name: str) -> np.ndarray:
        """Whole numbers of the cells of a column, equal for equal texts or numbers."""
        column, known = self.columns[name], self.table.table.by_name.get(name)
        text = known is not None and known.kind == "text"
        values = column.texts if text else _values(column.texts)
        return Coded.of([str(value) for value in values]).codes[column.codes]

    def _set_run(self, here: np.ndarray, run: str) -> None:
        column = self.columns["run"]
        if column is not self.runs:  # a copy that may be changed in place
            column = self.runs = Coded(column.codes.copy(), list(column.texts))
            self.columns["run"] = column
        if run not in column.texts:
            column.texts.append(run)
        column.codes[here] = column.texts.index(run)

    # Rows of this file ------------------------------------------------------------------------

    def _groups(self, chosen: np.ndarray) -> tuple[list[tuple[Group, int, int]], np.ndarray]:
        """Groups with the bounds of their rows, and the rows in the order of the groups."""
        codes, groups = self._group_codes()
        rows = np.flatnonzero(chosen)
        order = rows[np.argsort(codes[rows], kind="stable")]
        bounds = np.searchsorted(codes[order], np.arange(len(groups) + 1))
        found = [
            (group, int(bounds[n]), int(bounds[n + 1]))
            for n, group in enumerate(groups)
            if bounds[n + 1] > bounds[n]
        ]
        return found, order

    def _blocks(
        self, groups: list[tuple[Group, int, int]], lines: list[str], columns: list[Coded]
    ) -> dict[Group, Block]:
        """Add what is new of every group; returns the blocks of the file."""
        blocks: dict[Group, Block] = {}
        old = self.old.blocks if self.old.columns == self.headers else {}
        fresh: list[tuple[int, int]] = []
        for group, start, end in groups:
            block = (end - start, digest_of(lines[start:end]))
            before = old.get(group)
            if before == block:
                self.done.already += end - start
            elif (
                before
                and before[0] <= end - start
                and (digest_of(lines[start : start + before[0]]) == before[1])
            ):
                self.done.already += before[0]
                fresh.append((start + before[0], end))
            elif group in self.old.blocks:
                if not self._replace(group, start, end, columns):
                    blocks[group] = self.old.blocks[group]
                    continue
            else:
                fresh.append((start, end))
            blocks[group] = block
        self._append(fresh, lines, columns)
        for group in self.old.blocks.keys() - blocks.keys():
            self._gone(group, blocks)
        return blocks

    def _append(self, fresh: list[tuple[int, int]], lines: list[str], columns: list[Coded]) -> None:
        """Add ranges of rows at the end of the table."""
        rows = [np.arange(start, end) for start, end in fresh]
        if not rows:
            return
        places = np.concatenate(rows)
        self.done.added += int(places.size)
        if places.size == len(lines):
            self.table.append(self.headers, columns, lines=lines)
            return
        some = [column.take(places) for column in columns]
        self.table.append(self.headers, some, lines=[lines[n] for n in places.tolist()])

    def _replace(self, group: Group, start: int, end: int, columns: list[Coded]) -> bool:
        """Put changed rows in the place of those of the earlier import; False for hand edits."""
        found, _ = self.table.pieces(group)
        mine = found.get(self.owner)
        if mine is None:
            self.done.kept += end - start
            self.done.notes.append(
                f"{_section(group)} was edited by hand in {self.table.name}.csv and changed in the "
                "file: the edited rows stay; take them out of the table to import it anew"
            )
            return False
        at = self.table.take_out(mine)
        some = [column.take(np.arange(start, end)) for column in columns]
        self.table.append(self.headers, some, at=at)
        self.done.added += end - start
        self.done.replaced += len(mine)
        return True

    def _gone(self, group: Group, blocks: dict[Group, Block]) -> None:
        """Rows that the file gave before and gives no more."""
        count = self.old.blocks[group][0]
        if self.remove:
            found, _ = self.table.pieces(group)
            mine = found.get(self.owner)
            if mine is not None:
                self.table.take_out(mine)
                self.done.replaced += len(mine)
                return
        blocks[group] = self.old.blocks[group]
        self.done.notes.append(
            f"{count} rows of {_section(group)} are in the file no more; they stay in "
            f"{self.table.name}.csv"
        )


def _is_scan(table: Table) -> bool:
    """Whether readings follow each other along a section."""
    return table.name.startswith("scan/") and not table.supplied


def _values(cells: list[str]) -> list[Any]:
    """Cells for comparison: numbers where they are numbers."""
    read = numbers(cells).tolist()
    return [text if value != value else value for text, value in zip(cells, read, strict=True)]


def _same(a: str, b: str) -> bool:
    """Whether two cells hold the same text or number."""
    if a == b:
        return True
    first, second = numbers([a, b]).tolist()
    return bool(first == second)
