"""Replay the mapping of a hole folder: import what is new or changed, and report what was done."""

from __future__ import annotations

import csv as standard_csv
import hashlib
import io
import json
import re
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

from corephys.ground import provenance, units
from corephys.ground.progress import Step, bar, nowhere
from corephys.hole.reading.columns import read_columns
from corephys.hole.reading.csv import parse
from corephys.hole.reading.error import HoleError, Problem, nearest
from corephys.hole.reading.tables import TABLES
from corephys.importing import state as states
from corephys.importing.convert import Coded, Converted, Lengths, convert, digits, numbers
from corephys.importing.deduced import (
    GIVEN,
    MARK,
    complete_cores,
    complete_sections,
    deduce,
    disagreement,
    places_of,
)
from corephys.importing.files import FileFault, ForeignFile, read_file
from corephys.importing.mapping import COMPLETED, FILE, Mapping, Source, read_mapping
from corephys.importing.merging import merge, number_runs, repeated
from corephys.importing.report import FileReport, ImportReport, TableCounts
from corephys.importing.state import NEXT, Part, State, Taken
from corephys.importing.tables import TableFile, escaped

__all__ = ["REFUSED", "run"]

REFUSED = "import_refused.csv"
_LISTS = ("cores", "sections")


def run(folder: str | Path, dry_run: bool = False) -> ImportReport:
    """Import foreign exports into a hole folder, by its ``import.toml``.

    The same command again imports only what is new or changed: rows are appended, rows edited by
    hand and exclusions stay.

    Parameters
    ----------
    folder : str or Path
        Hole folder with ``import.toml``.
    dry_run : bool
        Report what would be done and write nothing.

    Returns
    -------
    ImportReport
        Files read, rows in, out and refused with reasons, deductions, differences of depths,
        corrections. Files that cannot be read are in it and do not stop the others.

    Raises
    ------
    HoleError
        When the mapping has faults, or a table of the folder cannot be added to.
    FileNotFoundError
        When the folder has no ``import.toml``.

    Notes
    -----
    Tables are written before ``import.state.json``, each in one step, so that an import that was
    stopped is finished by the next one. Refused rows are listed in ``import_refused.csv``.
    """
    with bar("import") as step:
        return _Import(Path(folder), dry_run, step).run()


class _Import:
    def __init__(self, folder: Path, dry_run: bool, step: Step = nowhere) -> None:
        self.folder, self.dry_run, self.step = folder, dry_run, step
        self.mapping: Mapping = read_mapping(folder)
        self.state: State = states.load(folder)
        file = folder / states.FILE
        self.before = file.read_text(encoding="utf-8") if file.is_file() else State().to_json()
        self.report = ImportReport(str(folder), dry_run, self.mapping.sha256)
        self.tables: dict[str, TableFile] = {}
        self.refused = self._earlier_refusals()
        # Rows that each correction changed: in files that were read, and in those as before. A
        # correction is in it where a file has its column.
        self.corrected: dict[int, int] = {}
        self.corrected_before: dict[int, int] = {}
        self.headers: dict[str, None] = {}
        self.read: set[str] = set()  # sources of which a file was read, now or before

    def run(self) -> ImportReport:
        for table in list(self.state.tables):
            if not (self.folder / f"{table}.csv").is_file():
                self.report.warnings.append(
                    f"{table}.csv is gone: its files are read again, as far as they are there"
                )
                self.state.forget(table)
        first = [s for s in self.mapping.sources if any(t.name in _LISTS for t in s.tables)]
        later = [s for s in self.mapping.sources if s not in first]
        for source in first:
            self.source(source)
        self.lengths_corrected()
        for source in later:
            self.source(source)
        self.unknown_columns()
        self.missing_files()
        self.deduce()
        self.lengths_corrected()
        self.complete()
        self.compare()
        self.hand_edits()
        self.report.refused = [row for rows in self.refused.values() for row in rows]
        self.corrections()
        self.report.tables = {name: len(t) for name, t in self.tables.items() if t.changed}
        if not self.dry_run:
            self.write()
        return self.report

    def table(self, name: str) -> TableFile:
        if name not in self.tables:
            self.tables[name] = TableFile(self.folder, name, self.state)
        return self.tables[name]

    # Files ---------------------------------------------------------------------------------------

    def files(self, source: Source) -> list[Path]:
        """Files of a source, by name with numbers in order."""
        own = {f"{name}.csv" for name in TABLES} | {REFUSED}
        found: dict[str, Path] = {}
        for pattern in source.files:
            base = Path(pattern)
            if base.is_absolute():
                anchor = Path(base.anchor)
                paths = anchor.glob(str(base.relative_to(anchor)))
            else:
                paths = self.folder.glob(pattern)
            for path in paths:
                name = self.path_name(path)
                # The names of files that are being written by other programs begin with a point or
                # with a tilde and a dollar sign.
                if path.is_file() and name not in own and not path.name.startswith((".", "~$")):
                    found[name] = path
        if not found:
            self.report.warnings.append(
                f"the source {source.name!r} has no files: nothing matches "
                f"{', '.join(source.files)}"
            )
        return [found[name] for name in sorted(found, key=_natural)]

    def path_name(self, path: Path) -> str:
        """Path relative to the hole folder, with slashes."""
        try:
            return path.relative_to(self.folder).as_posix()
        except ValueError:
            return path.as_posix()

    def source(self, source: Source) -> None:
        by_digest = {
            sources[source.name].sha256: path
            for path, sources in self.state.files.items()
            if source.name in sources
        }
        number = self.mapping.sources.index(source)
        for path in self.files(source):
            self.step(str(path), number, len(self.mapping.sources))
            name = self.path_name(path)
            raw = path.read_bytes()
            sha256 = hashlib.sha256(raw).hexdigest()
            stamp = self.stamp(source)
            taken = self.state.files.get(name, {}).get(source.name)
            if taken and taken.sha256 == sha256 and taken.mapping == stamp:
                self.report.files.append(FileReport(name, source.name, "unchanged"))
                self.read.add(source.name)
                self.keep_corrections(name, taken)
                continue
            twin = by_digest.get(sha256, name)
            if twin != name and taken is None:
                if (self.folder / twin).is_file():
                    one = FileReport(name, source.name, "copy")
                    one.notes.append(f"the same bytes as {twin}, which is imported already")
                    self.report.files.append(one)
                    continue
                taken = self.renamed(twin, name, source)
            self.file(source, path, name, raw, sha256, taken, stamp)
            by_digest[sha256] = name

    def renamed(self, old: str, new: str, source: Source) -> Taken:
        """A file that has another name now keeps what it gave.

        Its rows are compared anew, since a part of the name may be a core.
        """
        taken = self.state.files[old].pop(source.name)
        if not self.state.files[old]:
            del self.state.files[old]
        taken.sha256 = taken.mapping = ""
        self.state.files.setdefault(new, {})[source.name] = taken
        self.refused = {key: rows for key, rows in self.refused.items() if key[0] != old}
        self.report.warnings.append(f"{old} is gone and {new} has the same bytes: renamed")
        return taken

    def stamp(self, source: Source) -> str:
        """Digest of the mapping, and of the section lengths where offsets need them."""
        stamp = self.mapping.sha256[:16]
        if source.offset_from != "section top":
            lengths = json.dumps([[*pair, value] for pair, value in self.lengths().items()])
            stamp += hashlib.sha256(lengths.encode("utf-8")).hexdigest()[:16]
        return stamp

    def file(
        self,
        source: Source,
        path: Path,
        name: str,
        raw: bytes,
        sha256: str,
        taken: Taken | None,
        stamp: str,
    ) -> None:
        """Import one file that is new or changed."""
        lengths = self.lengths() if source.offset_from != "section top" else None
        status = _status(taken, raw, sha256, stamp)
        one = FileReport(name, source.name, status)
        self.report.files.append(one)
        self.refused = {
            key: rows for key, rows in self.refused.items() if key != (name, source.name)
        }
        try:
            foreign = read_file(path, source.layout, name, raw)
            made = convert(foreign, source, self.mapping.corrections, lengths)
        except FileFault as fault:
            one.status, one.fault = "refused", str(fault)
            return
        self.read.add(source.name)
        self.headers |= dict.fromkeys(foreign.header)
        one.rows = made.rows_in
        one.notes += self.notes(foreign, made)
        kept = taken or Taken()
        end = max(raw.rfind(b"\n"), raw.rfind(b"\r")) + 1
        again = Taken(sha256, end, hashlib.sha256(raw[:end]).hexdigest(), stamp)
        again.corrected = made.corrections
        # What is taken stands in the state at once: the next files are compared with it.
        self.state.files.setdefault(name, {}).setdefault(source.name, kept)
        rejected = [(name, line, "", reason, text) for line, reason, text in made.refused]
        # Rows that a changed mapping gives no more are taken out; a file that was written over
        # keeps what it gave before.
        remove = bool(taken) and taken.mapping != stamp
        for number, rows in made.corrections:
            self.corrected[number] = self.corrected.get(number, 0) + rows
        owner, repeats = (name, source.name), set()
        for rows in made.tables:
            one.notes += number_runs(rows, _has_run(source, rows.table), source.rerun)
            again.places += places_of(rows)
            old = kept.parts.get(rows.table, Part())
            repeats |= repeated(self.table(rows.table), rows, owner, old)
        for rows in made.tables:
            part, merged = merge(
                self.table(rows.table),
                rows,
                owner,
                kept.parts.get(rows.table, Part()),
                source.rerun,
                remove=remove,
                again=frozenset(repeats),
            )
            again.parts[rows.table] = kept.parts[rows.table] = part
            one.notes += [f"{rows.table}: {note}" for note in merged.notes]
            refused = [*rows.refused, *merged.refused]
            rejected += [(name, line, rows.table, reason, text) for line, reason, text in refused]
            one.tables.append(
                TableCounts(
                    rows.table,
                    merged.added,
                    merged.already,
                    made.left_out + rows.left_out,
                    rows.empty,
                    len(refused) + len(made.refused),
                    merged.kept,
                    merged.replaced,
                )
            )
        for table_name, part in kept.parts.items():
            if table_name not in again.parts:
                again.parts[table_name] = part
                one.notes.append(
                    f"{table_name} is in the mapping no more; the rows of this file stay in it"
                )
        again.places = _merged_places(again.places)
        self.state.files[name][source.name] = again
        if rejected:
            self.refused[name, source.name] = rejected

    def notes(self, foreign: ForeignFile, made: Converted) -> list[str]:
        notes = list(made.notes)
        if foreign.unfinished:
            shown = foreign.unfinished[:60]
            notes.append(
                f"the last line has no line end and is not taken yet: {shown!r}; set "
                "complete = true if the file is complete"
            )
        if foreign.comments:
            notes.append(f"{foreign.comments} lines are comments")
        return notes

    def keep_corrections(self, name: str, taken: Taken) -> None:
        """Corrections of a file that did not change stay in force."""
        held = taken.corrected
        if held is None:  # not recorded by an earlier version: taken as in force
            listed = enumerate(self.mapping.corrections)
            held = [(n, 1) for n, one in listed if one.column and one.concerns(name)]
        for number, rows in held:
            self.corrected_before[number] = self.corrected_before.get(number, 0) + rows

    def unknown_columns(self) -> None:
        """Refuse corrections of a column that no file has and no label gives."""
        if any(source.name not in self.read for source in self.mapping.sources):
            return  # a file that is still to come may have the column
        groups = [
            group
            for source in self.mapping.sources
            for _, pattern in source.parts
            for group in pattern.groupindex
        ]
        problems = []
        for number, one in enumerate(self.mapping.corrections):
            if not one.column or one.files or number in {*self.corrected, *self.corrected_before}:
                continue
            what = f"a correction changes the column {one.column!r}, which no file has and no "
            what += "group of [source.parts] gives"
            known = [*self.headers, *groups]
            guess = nearest(one.column, known)
            listed = f"Write one of the columns {', '.join(known)}"
            mend = f"Did you mean {guess!r}?" if guess else listed
            problems.append(Problem(FILE, None, "column", what, mend))
        if problems:
            raise HoleError(problems, FILE, "used")

    def corrections(self) -> None:
        """Put every correction into the report, and those that change nothing as a doubt."""
        for number, one in enumerate(self.mapping.corrections):
            rows = self.corrected.get(number, 0)
            before = not rows and self.corrected_before.get(number, 0)
            count = "in files that did not change" if before else f"{rows} rows"
            self.report.corrections.append(f"{one.words()} ({count}): {one.reason}")
            if not rows and not before:
                self.report.warnings.append(
                    f"a correction changes nothing: {one.words()}; check "
                    + ("its core and section" if one.length else "its column, files and where")
                    + ", or take it out"
                )

    def missing_files(self) -> None:
        gone = [
            name
            for name in self.state.files
            if not (Path(name) if Path(name).is_absolute() else self.folder / name).is_file()
        ]
        for name in gone:
            self.report.warnings.append(f"{name} is gone; the rows that it gave stay")

    # Cores and sections --------------------------------------------------------------------------

    def lengths(self) -> Lengths:
        """Lengths of the sections [m] in the order of their table."""
        columns = self.columns("sections")
        if columns is None or "length" not in columns:
            return {}
        pairs = zip(columns["core"].tolist(), columns["section"].tolist(), strict=True)
        return dict(zip(pairs, columns["length"].tolist(), strict=True))

    def columns(self, name: str) -> dict[str, Any] | None:
        """Columns of a table of the folder, with what this import adds; None without it."""
        table = self.table(name)
        if not table.raw and not table.changed:
            return None
        table.parse()
        text = io.StringIO()
        assert table.columns is not None
        writer = standard_csv.writer(text, lineterminator="\n")
        writer.writerow(table.header)
        rows = [n for n in range(len(table.alive)) if table.alive[n]]
        rows.sort(key=lambda row: table.order[row])
        writer.writerows([[column[row] for column in table.columns] for row in rows])
        cells, problems = parse(text.getvalue().encode("utf-8"), f"{name}.csv")
        if cells is None or problems:
            return None
        found, _ = read_columns(cells, TABLES[name])
        return found.values

    def lengths_corrected(self) -> None:
        """Set the lengths of sections that the mapping corrects."""
        for number, one in enumerate(self.mapping.corrections):
            if not one.length:
                continue
            table = self.table("sections")
            if not table.raw and not table.changed:
                continue
            table.parse()
            header = next((h for h in table.header if h.startswith("length [")), "")
            rows = [
                row
                for row in range(len(table.alive))
                if table.alive[row]
                and table.cells_of([row], "core") == [one.core]
                and table.cells_of([row], "section") == [one.section]
            ]
            if not rows or not header or table.columns is None:
                continue
            self.corrected[number] = len(rows)
            column = table.columns[table.header.index(header)]
            unit = header.partition("[")[2].rstrip("]")
            wanted = digits(_in_unit(float(one.length), unit))
            for row in rows:
                if numbers([column[row]])[0] != float(wanted):
                    column[row] = wanted
                    table.changed = True

    def deduce(self) -> None:
        """Write cores and sections that no list holds, where the mapping asks for it."""
        places = self.places()
        if not places:
            return
        missing = [name for name in _LISTS if self.columns(name) is None]
        if self.mapping.deduce is None:
            if missing:
                words = " and ".join(f"{name}.csv" for name in missing)
                self.report.warnings.append(
                    f"rows have core, section and offset, and there is no {words}: write it, or "
                    "add [deduce] to the mapping"
                )
            return
        listed, known = self.known(), {}
        for name in _LISTS:
            known[name] = listed[name] if listed[name] is not None else set()
        found = deduce(
            places, self.mapping.deduce, self.mapping.corrections, known["cores"], known["sections"]
        )
        self.report.warnings += found.faults
        self.report.deductions += found.notes
        if found.faults:
            return
        for name, rows in zip(_LISTS, (found.cores, found.sections), strict=True):
            if listed[name] is None or self.marked(name):
                self.put_deduced(name, rows)
            elif rows:
                shown = ", ".join(row["core"] for row in rows[:5])
                self.report.warnings.append(
                    f"{name}.csv lacks {len(rows)} of the {name} that rows name (of core {shown}): "
                    "add them, for a list that was given is not added to"
                )

    def marked(self, name: str) -> bool:
        """Whether a list was deduced, and not only completed."""
        table = self.table(name)
        table.parse()
        rows = [row for row, alive in enumerate(table.alive) if alive]
        marks = table.cells_of(rows, MARK)
        return MARK in table.names and not any(m.startswith(GIVEN[name]) for m in marks)

    def complete(self) -> None:
        """Complete lists that the mapping gives without advance, recovered length or diameter."""
        if self.mapping.deduce is None:
            return
        mapped: dict[str, list[set[str]]] = {}
        for source in self.mapping.sources:
            for one in source.tables:
                names = {target.column.name for target in one.targets}
                mapped.setdefault(one.name, []).append(names)
        for name in ("sections", "cores"):
            lacking = {n for names in mapped.get(name, []) for n in set(COMPLETED[name]) - names}
            columns = self.columns(name)
            if not lacking or columns is None:
                continue
            table = self.table(name)
            table.parse()
            rows = [row for row in range(len(table.alive)) if table.alive[row]]
            rows.sort(key=lambda row: table.order[row])
            given = [{MARK: mark} for mark in table.cells_of(rows, MARK)]
            for wanted in ("core", "top", *COMPLETED[name]):
                cells = _texts(columns.get(wanted), len(rows))
                for one_row, cell in zip(given, cells, strict=True):
                    one_row[wanted] = cell
            if name == "sections":
                found, notes = complete_sections(given, self.mapping.deduce)
            else:
                found, notes, faults = complete_cores(given, self.lengths(), self.mapping.deduce)
                self.report.warnings += faults
            self.report.deductions += notes
            held = dict(zip(table.names, table.header, strict=True))
            for column in (*COMPLETED[name], MARK):
                pairs = zip(rows, found, strict=True)
                made = {row: new[column] for row, new in pairs if column in new}
                known = TABLES[name].by_name.get(column)
                header = held.get(column, known.header if known else column)
                if known and known.kind == "number" and header != known.header:
                    unit = header.partition("[")[2].rstrip("]")
                    made = {
                        row: digits(float(units.convert(float(cell), known.unit or "1", unit)))
                        for row, cell in made.items()
                        if cell
                    }
                if made:
                    table.put(header, made)

    def known(self) -> dict[str, Any]:
        """Cores, and pairs of core and section, that a list holds and no import deduced."""
        found: dict[str, Any] = {}
        for name in _LISTS:
            columns = self.columns(name)
            if columns is None:
                found[name] = None
                continue
            mark = columns.get(MARK, np.full(len(columns["core"]), "", dtype=object))
            rows = [
                row
                for row, text in enumerate(mark.tolist())
                if not text or str(text).startswith(GIVEN[name])
            ]
            core = columns["core"]
            if name == "cores":
                found[name] = {core[row] for row in rows}
            else:
                found[name] = {(core[row], columns["section"][row]) for row in rows}
        return found

    def put_deduced(self, name: str, rows: list[dict[str, str]]) -> None:
        """Write deduced rows in place of those deduced before."""
        table = self.table(name)
        table.parse()
        marks = table.cells_of(list(range(len(table.alive))), MARK)
        old = [
            row
            for row, mark in enumerate(marks)
            if mark and not mark.startswith(GIVEN[name]) and table.alive[row]
        ]
        headers = list(rows[0]) if rows else []
        before = table.lines_of(old, headers) if headers else []
        columns = [Coded.of([row[header] for row in rows]) for header in headers]
        after = [",".join(line) for line in zip(*(_escaped(c) for c in columns), strict=True)]
        if before == after:
            return
        table.take_out(old)
        table.append(headers, columns)

    def places(self) -> list[Any]:
        """Sections of all rows that this and earlier imports took."""
        return [
            place
            for sources in self.state.files.values()
            for taken in sources.values()
            for place in taken.places
        ]

    def compare(self) -> None:
        """Hold given depths against those of cores, sections and offsets."""
        cores, sections = self.columns("cores"), self.columns("sections")
        if cores is None or sections is None:
            return
        needed = ("core", "top", "advance"), ("core", "section", "length")
        if not all(n in c for n, c in zip(needed[0], [cores] * 3, strict=True)):
            return
        if not all(n in sections for n in needed[1]):
            return
        self.report.disagreements += disagreement(self.places(), cores, sections)

    # Hand edits and writing ----------------------------------------------------------------------

    def hand_edits(self) -> None:
        """Report tables whose rows are not those that imports wrote."""
        names = {name for name in self.state.tables if (self.folder / f"{name}.csv").is_file()}
        for name in sorted(names):
            table = self.table(name)
            if not table.by_hand:
                continue
            edited, loose = 0, 0
            groups = {g for _, _, part in self.state.parts(name) for g in part.blocks}
            table.parse()
            for group in groups | set(table.groups):
                found, others = table.pieces(group)
                wanted = sum(1 for _, _, part in self.state.parts(name) if group in part.blocks)
                if MARK in table.names:
                    marks = table.cells_of(others, MARK)
                    others = [row for row, mark in zip(others, marks, strict=True) if not mark]
                edited += wanted > len(found)
                loose += len(others) if wanted <= len(found) else 0
            if edited or loose:
                self.state.edited.add(name)
                parts = []
                if edited:
                    parts.append(
                        f"rows of {edited} section{'s'[: edited != 1]} were edited or taken out"
                    )
                if loose:
                    parts.append(f"{loose} rows were added")
                self.report.hand_edits.append(f"{name}.csv: {' and '.join(parts)} by hand")
            else:
                self.state.edited.discard(name)

    def _earlier_refusals(self) -> dict[tuple[str, str], list[tuple[str, int, str, str, str]]]:
        path = self.folder / REFUSED
        found: dict[tuple[str, str], list[tuple[str, int, str, str, str]]] = {}
        if path.is_file():
            rows = list(standard_csv.reader(io.StringIO(path.read_text(encoding="utf-8"))))
            for row in rows[1:]:
                if len(row) == 6:
                    file, line, table, reason, text, source = row
                    found.setdefault((file, source), []).append(
                        (file, int(line), table, reason, text)
                    )
        return found

    def write(self) -> None:
        """Write tables, then the state; each file in one step."""
        changed = [table for table in self.tables.values() if table.changed]
        for table in changed:
            now = provenance.digest(table.path) if table.path.is_file() else ""
            if now != table.sha256:
                what = "the table was changed while the import ran, and nothing was written"
                problem = Problem(f"{table.name}.csv", None, "", what, "Run the import again")
                raise HoleError([problem], str(self.folder), "imported into")
        with ExitStack() as stack:
            for table in changed:
                table.path.parent.mkdir(parents=True, exist_ok=True)
                other = stack.enter_context(provenance.write_whole(table.path))
                self.state.tables[table.name] = table.write(other)
            text = self.state.to_json()
            if text != self.before:
                provenance.write_bytes(self.folder / NEXT, text.encode("utf-8"))
        self._write_refused()
        if text != self.before:
            provenance.write_bytes(self.folder / states.FILE, text.encode("utf-8"))
        (self.folder / NEXT).unlink(missing_ok=True)

    def _write_refused(self) -> None:
        path = self.folder / REFUSED
        if not self.refused:
            path.unlink(missing_ok=True)
            return
        text = io.StringIO()
        writer = standard_csv.writer(text, lineterminator="\n")
        writer.writerow(["file", "row", "table", "reason", "text", "source"])
        for (_, source), rows in self.refused.items():
            writer.writerows([[*row, source] for row in rows])
        content = text.getvalue().encode("utf-8")
        if not path.is_file() or path.read_bytes() != content:
            provenance.write_bytes(path, content)


def _has_run(source: Source, table: str) -> bool:
    """Whether the mapping gives a table its runs."""
    targets = [target for one in source.tables if one.name == table for target in one.targets]
    return any(target.column.name == "run" for target in targets)


def _status(taken: Taken | None, raw: bytes, sha256: str, stamp: str) -> str:
    """What is new about a file."""
    if taken is None:
        return "new"
    if taken.mapping != stamp and taken.sha256 in (sha256, ""):
        return "mapping changed"
    head = hashlib.sha256(raw[: taken.size]).hexdigest()
    return "grown" if head == taken.head and len(raw) > taken.size else "changed"


def _merged_places(places: list[Any]) -> list[Any]:
    """One row for each section, of the rows of several tables of one file."""
    found: dict[tuple[str, str], Any] = {}
    for core, section, end, top, spread in places:
        old = found.get((core, section))
        if old is None:
            found[core, section] = (core, section, end, top, spread)
        else:
            known = top if np.isnan(old[3]) else old[3]
            widest = float(np.fmax(spread, old[4]))
            found[core, section] = (core, section, max(end, old[2]), known, widest)
    return list(found.values())


def _natural(name: str) -> list[Any]:
    """A key that sorts file2 before file10."""
    parts = re.split(r"(\d+)", name)
    return [(0, int(part), "") if part.isdigit() else (1, 0, part) for part in parts if part]


def _texts(values: Any, count: int) -> list[str]:
    """Values of a column as text, empty for a missing number or column."""
    if values is None:
        return [""] * count
    return [digits(v) if isinstance(v, float) else str(v) for v in values.tolist()]


def _in_unit(metres: float, unit: str) -> float:
    return float(units.convert(metres, "m", unit))


def _escaped(column: Coded) -> list[str]:
    return [escaped(cell) for cell in column.cells().tolist()]
