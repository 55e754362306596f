"""The tables of a hole folder while rows are added, replaced and compared.

A table is only parsed where rows have to be compared; rows of new cores and sections are added at
its end as text.
"""

from __future__ import annotations

import csv as standard_csv
import hashlib
import re
from pathlib import Path

import numpy as np

from corephys.ground import units
from corephys.hole.reading import csv
from corephys.hole.reading.error import HoleError, Problem
from corephys.hole.reading.tables import TABLES, Table
from corephys.importing.convert import Coded, Rows, digits, numbers
from corephys.importing.state import Group, State, digest_of

__all__ = ["TableFile", "key_columns", "numbered_run"]

_QUOTED = re.compile(r'[",\r\n]')


def numbered_run(table: Table) -> bool:
    """Whether rows of a table have a run that is a number."""
    run = table.by_name.get("run")
    return run is not None and run.kind == "number"


def key_columns(table: Table, names: list[str]) -> list[str]:
    """Columns that, within a core, section and run, distinguish two rows; empty without any."""
    if getattr(table, "continuous", False):
        return []  # a log whose tool may stand still
    if table.positioned:
        place = "offset" if "offset" in names else "depth"
        return [place, *(key for key in table.keys if key in names)]
    keys = [c.name for c in table.columns if c.need == "key"]
    if of_intervals(table):
        place = ["from", "to"] if {"from", "to"} <= set(names) else ["top", "bottom"]
        return [*(key for key in keys if key in names), *(n for n in place if n in names)]
    if table.name == "downhole/formation_temperature":
        keys.append("time")
    return keys if all(key in names for key in keys) else []


def escaped(text: str) -> str:
    """A cell as it stands in a CSV file."""
    return '"' + text.replace('"', '""') + '"' if _QUOTED.search(text) else text


def joined(columns: list[Coded]) -> list[str]:
    """Lines of a CSV file."""
    if not columns:
        return []
    cells = [column.map(escaped).cells().tolist() for column in columns]
    return list(map(",".join, zip(*cells, strict=True)))


class TableFile:
    """One table of the folder.

    Parameters
    ----------
    folder : Path
        Hole folder.
    name : str
        Path of the table without ``.csv``.
    state : State
        What earlier imports wrote.

    Attributes
    ----------
    header : list of str
        Headers as they stand in the file, and of columns that were added.
    changed : bool
        Whether the file has to be written.
    added : int
        Rows added.
    """

    def __init__(self, folder: Path, name: str, state: State) -> None:
        self.folder, self.name, self.state = folder, name, state
        self.path = folder / f"{name}.csv"
        self.table = TABLES[name]
        self.raw = self.path.read_bytes() if self.path.is_file() else b""
        self.sha256 = hashlib.sha256(self.raw).hexdigest() if self.raw else ""
        self.touched = bool(self.raw) and self.sha256 != state.tables.get(name)
        self.header: list[str] = []
        self.changed = False
        self.added = 0
        self.pending: list[str] = []
        self.waiting = 0
        self.columns: list[list[str]] | None = None  # cells by column once parsed
        self.order: list[float] = []
        self.alive: list[bool] = []
        self.groups: dict[Group, list[int]] = {}
        self.runs: dict[tuple[str, str], set[str]] = {}  # by core and section
        if self.raw:
            self._read_header()

    def _read_header(self) -> None:
        first = self.raw.partition(b"\n")[0].decode("utf-8-sig", "replace").rstrip("\r")
        self.header = [name.strip() for name in next(standard_csv.reader([first]), [])]

    @property
    def by_hand(self) -> bool:
        """Whether the file may hold rows that no import wrote."""
        return self.touched or self.name in self.state.edited

    @property
    def names(self) -> list[str]:
        """Names of the columns without unit."""
        return [_name(header) for header in self.header]

    # Parsing -------------------------------------------------------------------------------------

    def parse(self) -> None:
        """Read the cells of all rows, those added in this import included."""
        if self.columns is not None:
            return
        raw = self.raw
        if self.pending:
            raw = self._begun() + "\n".join(self.pending).encode("utf-8") + b"\n"
        self.pending, self.waiting = [], 0
        cells, problems = csv.parse(raw, f"{self.name}.csv") if raw else (None, [])
        if problems:
            raise HoleError(problems, f"{self.name}.csv", "added to")
        if cells is None:
            self.columns = [[] for _ in self.header]
        else:
            self.header = list(cells.header)
            self.columns = [[cell.strip() for cell in column] for column in cells.columns]
        count = len(self.columns[0]) if self.columns else 0
        self.order, self.alive = [float(n) for n in range(count)], [True] * count
        self.groups, self.runs = {}, {}
        self._note(0)

    def _note(self, start: int) -> None:
        """Add rows from ``start`` on to the groups."""
        assert self.columns is not None
        names = self.names
        count = len(self.columns[0]) if self.columns else 0
        parts = []
        for name in ("core", "section", "run"):
            grouped = name in names and (name == "run" or grouped_by_section(self.table))
            cells = self.columns[names.index(name)][start:] if grouped else [""] * (count - start)
            if name == "run" and numbered_run(self.table):
                cells = [_run_text(cell) for cell in cells]
            parts.append(cells)
        for row, group in enumerate(zip(*parts, strict=True), start):
            if group not in self.groups:
                self.groups[group] = []
                self.runs.setdefault(group[:2], set()).add(group[2])
            self.groups[group].append(row)

    def rows_of(self, group: Group) -> list[int]:
        """Rows of a core, section and run in the order of the file."""
        self.parse()
        rows = [row for row in self.groups.get(group, []) if self.alive[row]]
        return sorted(rows, key=lambda row: self.order[row])

    def lines_of(self, rows: list[int], columns: list[str]) -> list[str] | None:
        """Rows as text in some columns; None if a column is not in the file."""
        assert self.columns is not None
        if any(header not in self.header for header in columns):
            return None
        held = [self.columns[self.header.index(header)] for header in columns]
        return [",".join(escaped(column[row]) for column in held) for row in rows]

    def pieces(self, group: Group) -> tuple[dict[tuple[str, str], list[int]], list[int]]:
        """Rows of each file's block in a group, and the other rows.

        A block whose rows were changed by hand is not found, and its rows are among the others.
        """
        rows = self.rows_of(group)
        blocks = [
            ((path, source), part.columns, part.blocks[group])
            for path, source, part in self.state.parts(self.name)
            if group in part.blocks
        ]
        found: dict[tuple[str, str], list[int]] = {}
        loose: list[int] = []
        place = 0
        while place < len(rows) and blocks and len(loose) < _LOOSE:
            for one in blocks:
                owner, columns, (count, digest) = one
                lines = self.lines_of(rows[place : place + count], columns)
                if lines is not None and len(lines) == count and digest_of(lines) == digest:
                    found[owner] = rows[place : place + count]
                    blocks.remove(one)
                    place += count
                    break
            else:
                loose.append(rows[place])
                place += 1
        return found, loose + rows[place:]

    # Changing ------------------------------------------------------------------------------------

    def fitted(self, rows: Rows) -> tuple[list[str], dict[str, Coded]]:
        """Headers and cells of new rows in the units of the file."""
        headers, columns = [], {}
        held = dict(zip(self.names, self.header, strict=True))
        for name, header in zip(rows.names, rows.header, strict=True):
            column = rows.columns[name]
            there = held.get(name, header)
            if there != header:
                column = self._converted(column, header, there)
            headers.append(there)
            columns[name] = column
        return headers, columns

    def _converted(self, column: Coded, given: str, there: str) -> Coded:
        try:
            from_unit, to_unit = (units.split_header(h)[1] or "1" for h in (given, there))
            units.convert(0.0, from_unit, to_unit)
        except units.UnitError as error:
            what = f"the column {there!r} stands in the table and {given!r} is added: {error}"
            mend = "Correct the header in the table, or the unit in the mapping"
            problem = Problem(f"{self.name}.csv", 1, there, what.rstrip("."), mend)
            raise HoleError([problem], f"{self.name}.csv", "added to") from None
        values = numbers(column.texts)
        texts = [
            text if np.isnan(value) else digits(units.convert(float(value), from_unit, to_unit))
            for text, value in zip(column.texts, values.tolist(), strict=True)
        ]
        return Coded(column.codes, texts)

    def append(
        self,
        headers: list[str],
        columns: list[Coded],
        at: float | None = None,
        lines: list[str] | None = None,
    ) -> None:
        """Add rows at the end, or at the place of a row that was taken out.

        ``lines`` are the rows as text in the order of ``headers``, where they are made already.
        """
        count = len(columns[0]) if columns else 0
        if not count:
            return
        self.changed = True
        self.added += count
        if not self.header:
            self.header = list(headers)
            self.columns = None if self.columns is None else [[] for _ in headers]
        missing = [header for header in headers if header not in self.header]
        if self.columns is None and not missing and at is None:
            if lines is None or headers != self.header:
                lines = joined(self._padded(headers, columns, count))
            # One long text takes half the memory of its lines.
            self.pending.append("\n".join(lines))
            self.waiting += count
            return
        self.parse()
        assert self.columns is not None
        start = len(self.alive)
        for header in missing:
            self.header.append(header)
            self.columns.append([""] * start)
        for held, column in zip(self.columns, self._padded(headers, columns, count), strict=True):
            held.extend(column.cells().tolist())
        # A place is the number of the row when it was added, or that of the row it replaces.
        places = [float(start + n) for n in range(count)] if at is None else [at] * count
        self.order += places
        self.alive += [True] * count
        self._note(start)

    def _padded(self, headers: list[str], columns: list[Coded], count: int) -> list[Coded]:
        """Columns in the order of the file, empty where the new rows have none."""
        given = dict(zip(headers, columns, strict=True))
        nothing = Coded.constant("", count)
        return [given.get(header, nothing) for header in self.header]

    def take_out(self, rows: list[int]) -> float | None:
        """Take rows out; returns the place of the first."""
        self.parse()
        for row in rows:
            self.alive[row] = False
        self.changed = self.changed or bool(rows)
        return self.order[rows[0]] if rows else None

    def put(self, header: str, cells: dict[int, str]) -> None:
        """Set cells of one column by row; a column that is not there is added."""
        self.parse()
        assert self.columns is not None
        if header not in self.header:
            self.header.append(header)
            self.columns.append([""] * len(self.alive))
        column = self.columns[self.header.index(header)]
        for row, cell in cells.items():
            self.changed = self.changed or column[row] != cell
            column[row] = cell

    def cells_of(self, rows: list[int], name: str) -> list[str]:
        """Cells of one column; empty texts without it."""
        assert self.columns is not None
        if name not in self.names:
            return [""] * len(rows)
        held = self.columns[self.names.index(name)]
        return [held[row] for row in rows]

    # Writing -------------------------------------------------------------------------------------

    def _begun(self) -> bytes:
        """The file so far, ending in a line end; a header where it does not exist."""
        if not self.raw:
            return (",".join(map(escaped, self.header)) + "\n").encode("utf-8")
        return self.raw if self.raw.endswith(b"\n") else self.raw + b"\n"

    def write(self, path: Path) -> str:
        """Write the table and return its digest."""
        digest = hashlib.sha256()
        with path.open("wb") as stream:

            def put(content: bytes) -> None:
                digest.update(content)
                stream.write(content)

            if self.columns is None:
                put(self._begun())
                for part in self.pending:
                    put((part + "\n").encode("utf-8"))
                return digest.hexdigest()
            put((",".join(map(escaped, self.header)) + "\n").encode("utf-8"))
            rows = np.flatnonzero(np.array(self.alive, dtype=bool))
            rows = rows[np.argsort(np.array(self.order)[rows], kind="stable")]
            for start in range(0, rows.size, _LINES):
                some = rows[start : start + _LINES].tolist()
                cells = [[escaped(column[row]) for row in some] for column in self.columns]
                lines = map(",".join, zip(*cells, strict=True))
                put(("\n".join(lines) + "\n").encode("utf-8"))
        return digest.hexdigest()

    def __len__(self) -> int:
        if self.columns is not None:
            return sum(self.alive)
        return max(0, self._begun().count(b"\n") - 1) + self.waiting


_LINES = 65536  # lines encoded at one time: a small part of the memory of a table
_LOOSE = 500  # rows by hand before a block, each of which costs a digest of the block


def grouped_by_section(table: Table) -> bool:
    """Whether rows are grouped by core and section: those of readings, samples and intervals."""
    return table.positioned or of_intervals(table)


def of_intervals(table: Table) -> bool:
    """Whether the rows of a table are intervals of sections."""
    return {"core", "section", "from", "to"} <= table.by_name.keys()


def _name(header: str) -> str:
    return header.partition("[")[0].strip() if header.endswith("]") else header


def _run_text(cell: str) -> str:
    """A run as text: 1 where the cell is empty, no decimals."""
    value = numbers([cell])[0]
    if not cell:
        return "1"
    return cell if np.isnan(value) else digits(float(value))
