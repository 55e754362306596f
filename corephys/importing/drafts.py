"""Draft a mapping of foreign exports: what is certain as active lines, what is not as comments.

The draft is the text of an ``import.toml``. It can be replayed as it is: tables whose required
columns are all certain are imported, and everything else stands as a comment with its reason.
"""

from __future__ import annotations

import itertools
import json
import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePath

from corephys.ground.vocabulary import TERMS
from corephys.hole.reading.tables import TABLES
from corephys.importing.column_facts import ColumnFacts, column_facts, decimal_sign, plain_words
from corephys.importing.guesses import Guess, Options, options_of
from corephys.importing.places import (
    Place,
    find_place,
    hole_names,
    keep_hole,
    tells_cores_apart,
    words_of_rows,
)
from corephys.importing.table_rules import TableDraft, draft_tables
from corephys.importing.text_layout import FoundLayout, layouts

__all__ = ["suggest"]

_KEY = re.compile(r"^[A-Za-z0-9_-]+$")
_MOST_FILES = 3  # files that are listed by name before a pattern stands for them


def suggest(*files: str | os.PathLike[str], folder: str | os.PathLike[str] | None = None) -> str:
    """Draft an ``import.toml`` from the headers, units and numbers of foreign exports.

    Parameters
    ----------
    *files : str or path
        Exports: text in any layout, Excel workbooks or parquet files.
    folder : str or path, optional
        Hole folder. Paths below it are written relative to it; others are written in full.

    Returns
    -------
    str
        Text of an ``import.toml``. Lines without a doubt are active. A line with a doubt is a
        comment that ends with the reason, and so is a table that lacks a certain required column.

    Raises
    ------
    ValueError
        When no file is given, or a file does not exist or cannot be opened.

    Notes
    -----
    A line is certain when the words of the header name one quantity, the header or a row of units
    states a unit of its dimension, and the middle of the numbers lies in the usual range of the
    quantity. A unit that is not written is never certain; its line shows the unit that the numbers
    fit. At most the first 4 MB of a text file and 20,000 rows of a workbook are looked at.
    """
    if not files:
        raise ValueError("suggest was given no file; give one or more exports: suggest('scan.csv')")
    paths = [Path(file) for file in files]
    lost = [str(path) for path in paths if not path.is_file()]
    if lost:
        raise ValueError(
            f"{', '.join(map(repr, lost))} is no file; give exports that exist, "
            "with their path from the present folder"
        )
    base = None if folder is None else Path(folder)
    found, unread = _layouts(paths)
    groups = _groups(found)
    sections = [_Section(group, base, groups) for group in groups]
    _keep_one_hole(sections)
    _doubt_mixed_words(sections)
    lines = [
        "# A draft of a mapping. Active lines are certain. A line that is not certain is a comment",
        "# with its doubt. Look at each line, remove the mark of those that are right, and try it:",
        "#     python -m corephys import FOLDER --dry-run",
    ]
    for path, reason in unread:
        lines += ["", f"# {_plain(_shown(path, base))}: not read: {_plain(reason)}"]
    for section in sections:
        lines += ["", *section.lines()]
    lines += _deduction(sections, base)
    return "\n".join(lines) + "\n"


# Files --------------------------------------------------------------------------------------------


def _layouts(paths: Sequence[Path]) -> tuple[list[FoundLayout], list[tuple[Path, str]]]:
    """Layouts of all files, and files without a table with the reason."""
    found: list[FoundLayout] = []
    unread: list[tuple[Path, str]] = []
    for path in dict.fromkeys(paths):
        try:
            for layout in layouts(path):
                if layout.header and layout.rows:
                    found.append(layout)
                else:
                    where = f"sheet {layout.sheet!r}: " if layout.sheet else ""
                    empty = ["there are no rows below the first line"] if layout.header else []
                    unread.append((path, where + "; ".join(empty or layout.doubts)))
        except ImportError as error:
            unread.append((path, str(error)))
        except OSError as error:
            raise ValueError(f"{str(path)!r} cannot be opened: {error}; check the file") from error
        except Exception as error:  # a damaged workbook or parquet file raises what it likes
            unread.append((path, f"the file is damaged or of another kind ({error})"))
    return found, unread


def _groups(found: Sequence[FoundLayout]) -> list[list[FoundLayout]]:
    """Layouts that one source can read: same form and header."""
    groups: dict[tuple[object, ...], list[FoundLayout]] = {}
    for layout in found:
        key = (
            layout.form,
            layout.header,
            layout.units_row,
            layout.encoding,
            layout.delimiter,
            layout.comment,
            layout.sheet,
            layout.skip,
            layout.numbered,
        )
        groups.setdefault(key, []).append(layout)
    return list(groups.values())


def _shown(path: Path, base: Path | None) -> str:
    """Path relative to the hole folder where it lies below it, with slashes."""
    if base is not None:
        try:
            return path.resolve().relative_to(base.resolve()).as_posix()
        except ValueError:
            return path.resolve().as_posix()
    return path.as_posix()


def _patterns(names: Sequence[str], others: Iterable[str]) -> list[str]:
    """Names of files, or one pattern for many that matches no file of another source."""
    if len(names) <= _MOST_FILES:
        return list(names)
    start = _common_start(names)
    end = _common_start([name[len(start) :][::-1] for name in names])[::-1]
    folder = start.rpartition("/")[0]
    same_folder = all(name.rpartition("/")[0] == folder for name in names)
    wild = any(sign in start + end for sign in "*?[]")
    pattern = f"{start}*{end}"
    if not same_folder or wild or any(PurePath(other).match(pattern) for other in others):
        return list(names)
    return [pattern]


def _common_start(names: Sequence[str]) -> str:
    """Letters with which all names begin."""
    pairs = zip(min(names), max(names), strict=False)
    same = itertools.takewhile(lambda pair: pair[0] == pair[1], pairs)
    return "".join(letter for letter, _ in same)


# One source ---------------------------------------------------------------------------------------


@dataclass
class _Section:
    """The lines of one source: files with the same header."""

    group: list[FoundLayout]
    base: Path | None
    groups: list[list[FoundLayout]]
    columns: list[ColumnFacts] = field(init=False)
    options: Options = field(init=False)
    shown: set[str] = field(init=False, default_factory=set)
    place: Place = field(init=False)
    tables: list[TableDraft] = field(init=False)
    decimal: str = field(init=False)
    decimal_doubt: str = field(init=False)

    def __post_init__(self) -> None:
        first = self.group[0]
        rows = tuple(row for layout in self.group for row in layout.rows)
        whole = replace(first, rows=rows)
        self.decimal, self.decimal_doubt = decimal_sign(rows, first.delimiter)
        self.columns = column_facts(whole, self.decimal)
        self.options = options = options_of(self.columns)
        self.place = find_place(options, self.columns, self._names())
        words = " ".join(plain_words(layout.file.stem) for layout in self.group)
        self.tables = draft_tables(options, self.place, len(rows), words)
        if self.closed:
            for table in self.tables:
                table.doubts.append(self.closed)
        for table in self.tables:
            table.guesses = [(name, self._timed(guess)) for name, guess in table.guesses]

    def _timed(self, guess: Guess) -> Guess:
        """The guess of a time, doubted where format or zone are not certain."""
        if guess.column.kind not in ("date", "clock"):
            return guess
        columns, _, doubt = self._time()
        if [column.header for column in columns] != [guess.column.header]:
            doubt = doubt or "date and time of day stand in several columns"
        return guess.doubted(doubt) if doubt else guess

    @property
    def closed(self) -> str:
        """Why nothing of the file can be certain; empty where that is not so."""
        first = self.group[0]
        if any("no header" in doubt for doubt in first.doubts):
            return "the file has no header"
        if self.decimal == "," and first.delimiter == ",":
            return "commas stand between fields and in numbers; export with another delimiter"
        return ""

    @property
    def nulls(self) -> list[str]:
        """Codes of missing values that mean nothing else in any column."""
        found = {null for column in self.columns for null in column.nulls}
        meant: set[str] = set()
        for column in self.columns:
            meant |= found & set(column.cells) - set(column.nulls)
        return sorted(found - meant)

    def line(self, name: str, guess: Guess) -> str:
        """One line of a mapping, with the codes of missing values of this column alone."""
        self.shown.add(guess.column.header)
        return _line(name, guess, sorted(set(guess.column.nulls) - set(self.nulls)))

    def sure(self) -> list[TableDraft]:
        """Tables without a doubt."""
        return [table for table in self.tables if not table.doubts]

    def lines(self) -> list[str]:
        """Lines of the source with its comments."""
        sure = self.sure()
        lines = self._head()
        mark = "" if sure else "# "
        lines += [mark + line for line in self._layout_lines()]
        lines += [f"# doubt: {_plain(doubt)}" for doubt in self._file_doubts()]
        lines += [line if line.startswith("#") else mark + line for line in self._where()]
        lines += self._time_settings(mark)
        lines += [mark + line if line else "" for line in self._parts()]
        lines += self._columns(mark, sure)
        for table in self.tables:
            lines += self._table(table, "# " if table.doubts else "")
        return [*lines, *self._rest(), *self._corrections()]

    def _names(self) -> list[str]:
        return [_shown(layout.file, self.base) for layout in self.group]

    def _head(self) -> list[str]:
        """What the file is, in words."""
        first, names = self.group[0], self._names()
        more = f" and {len(names) - 1} more with the same header" if len(names) > 1 else ""
        kind = {"excel": f"sheet {first.sheet!r}", "parquet": "parquet"}.get(first.form, "text")
        rows = sum(len(layout.rows) for layout in self.group)
        seen = "" if all(layout.complete for layout in self.group) else " of its beginning"
        words = f"# {names[0]}{more}: {kind}, {len(self.columns)} columns, {rows} rows{seen}"
        lines = ["# " + "-" * 78, _plain(words)]
        if not self.sure():
            lines.append("# Nothing of it is certain enough to be imported:")
            reasons = dict.fromkeys(doubt for table in self.tables for doubt in table.doubts)
            if not self.tables:
                reasons = {"no column was recognised as a reading or a quantity": None}
            lines += [f"#   {_plain(reason)}" for reason in reasons]
        return lines

    def _layout_lines(self) -> list[str]:
        first, names = self.group[0], self._names()
        others = [
            _shown(layout.file, self.base)
            for group in self.groups
            if group is not self.group
            for layout in group
        ]
        patterns = _patterns(names, others)
        files = _text(patterns[0]) if len(patterns) == 1 else _list(patterns)
        lines = ["[[source]]", f"name = {_text(self._name())}", f"files = {files}"]
        if first.form == "text":
            if first.encoding not in ("utf-8", "utf-8-sig", "utf-16"):
                lines.append(f"encoding = {_text(first.encoding)}")
            delimiter = "space" if first.delimiter == " " else first.delimiter
            lines.append(f"delimiter = {_text(delimiter)}")
        if self.decimal != ".":
            lines.append('decimal = ","')
        if first.comment:
            lines.append(f"comment = {_text(first.comment)}")
        if first.skip:
            lines.append(f"skip_lines = {first.skip}")
        if first.numbered:
            lines.append("header_lines = 0")
        if first.units_row and first.form != "parquet":
            lines.append("units_row = true")
        if first.form == "excel":
            lines.append(f"sheet = {_text(first.sheet)}")
        if self.nulls:
            lines.append(f"null = {_list(self.nulls)}")
        return lines

    def _name(self) -> str:
        """A name that no other source has."""
        first = self.group[0]
        same = [group for group in self.groups if group[0].file.stem == first.file.stem]
        sheet = f", {first.sheet}" if first.sheet else ""
        number = "" if len(same) == 1 or sheet else f" {same.index(self.group) + 1}"
        return f"{first.file.stem}{sheet}{number}"

    def _file_doubts(self) -> Iterator[str]:
        yield from dict.fromkeys(doubt for layout in self.group for doubt in layout.doubts)
        if self.decimal_doubt:
            yield self.decimal_doubt
        yield from self.place.notes
        for column in self.columns:
            if column.doubtful_nulls:
                codes = ", ".join(column.doubtful_nulls)
                yield f"{codes} in {column.header!r} may stand for no value; if so, add it to null"
        for layout in self.group:
            if layout.form == "text" and not _ends(layout):
                yield (
                    f"the last line of {layout.file.name} has no line end and is not taken yet; "
                    "write complete = true if the file is finished"
                )

    def _where(self) -> list[str]:
        chosen = [*self.place.where, *self.place.words]
        if not chosen:
            return []
        self.shown |= {c.header for c in self.columns if c.source in {name for name, *_ in chosen}}
        kept = ", ".join(f"{_key(column)} = {_text(value)}" for column, value, _ in chosen)
        lines = []
        for column, value, others in self.place.where:
            shown = ", ".join(map(repr, others[:6])) + (" ..." if len(others) > 6 else "")
            lines.append(
                f"# doubt: one folder holds one hole. Rows with {value!r} in {_plain(column)!r} "
                f"are kept, others are not: {_plain(shown)}"
            )
        for column, value, others in self.place.words:
            words = ", ".join(map(repr, [value, *others]))
            lines.append(
                f"# doubt: {_plain(repr(column))} holds the words {_plain(words)}; keep one"
            )
        mark = "# " if self.place.words else ""
        return [*lines, f"{mark}where = {{ {kept} }}"]

    def _time_settings(self, mark: str) -> list[str]:
        """Format and zone of the times, if a time is certain."""
        columns, form, doubt = self._time()
        if not columns or doubt:
            return []
        lines = [] if form == "ISO 8601" else [f"{mark}time_format = {_text(form)}"]
        if any(column.zone == "UTC" for column in columns):
            lines.append(f'{mark}time_zone = "UTC"')
        return lines

    def _time(self) -> tuple[list[ColumnFacts], str, str]:
        """Columns of date and time, their format, and what is not certain."""
        words = re.compile(
            r"\b(?:date|time|timestamp|datum|zeit|uhrzeit|zeitpunkt|heure|fecha|hora|dato|tid"
            r"|tidspunkt|klokkeslett)\b"
        )
        dates = [c for c in self.columns if c.kind == "date" and words.search(c.words)]
        clocks = [c for c in self.columns if c.kind == "clock" and words.search(c.words)]
        if not dates:
            return [], "", ""
        date = dates[0]
        has_clock = any("%H" in form or "%I" in form for form in date.date_formats)
        has_clock = has_clock or any(":" in cell for cell in date.examples)
        columns, forms = [date], list(date.date_formats)
        if not has_clock and clocks:
            columns.append(clocks[0])
            clock = clocks[0].examples[0]
            form = "%H:%M:%S" if clock.count(":") == 2 else "%H:%M"
            if clock[-1] in "mM":
                form = form.replace("%H", "%I") + " %p"
            forms = [f"{f if f != 'ISO 8601' else '%Y-%m-%d'} {form}" for f in forms]
        doubts = []
        if len(forms) > 1:
            example = f"{date.examples[0]} may be read as {' or '.join(forms)}"
            doubts.append(f"{example}; set time_format")
        if len(dates) > 1:
            names = ", ".join(repr(column.header) for column in dates)
            doubts.append(f"several columns hold dates: {names}")
        if not any(column.zone for column in columns):
            doubts.append('no time zone is written; set time_zone, such as "UTC"')
        if not has_clock and not clocks:
            doubts.append("the column holds dates without a time of day")
        return columns, forms[0], "; ".join(doubts)

    def _parts(self) -> list[str]:
        if not self.place.parts:
            return []
        notes = {
            guess.column.header: f"   # {_plain(guess.note)}"
            for guess in self.place.guesses
            if guess.target in ("core", "section") and guess.note
        }
        lines = ["", "[source.parts]"]
        for column, pattern, doubt in self.place.parts:
            self.shown |= {one.header for one in self.columns if one.source == column}
            ending = f"   # doubt: {_plain(doubt)}" if doubt else notes.get(column, "")
            lines.append(f"{_key(column)} = {_text(pattern)}{ending}")
        return lines

    def _shared(self, legal: set[str]) -> list[str]:
        """Columns that place the rows, as far as a table below has them."""
        lines = []
        for guess in self.place.guesses:
            if guess.target not in self.place.from_parts and guess.target in {*legal, "to"}:
                lines.append(self.line(guess.target, guess))
        for target, right in self.place.from_parts.items():
            if right:
                lines.append(f"{target} = {_text(right)}")
        return lines

    def _columns(self, mark: str, sure: Sequence[TableDraft]) -> list[str]:
        """The block of the columns that all tables share."""
        placed = [table for table in self.tables if table.placed]
        if self.tables and not placed:
            return []
        if not self.tables and not self.place.guesses:
            return []
        active = [table for table in sure if table.placed]
        names = [table.name for table in active or placed]
        legal = {column for name in names for column in _columns_of(name)}
        legal = legal or set(_columns_of("scan/reduced"))  # a table of another version
        lines = ["", mark + "[source.columns]"]
        for line in self._shared(legal):
            target = line.removeprefix("# ").partition(" ")[0]
            if target in legal:
                lines.append(line if line.startswith("#") else mark + line)
            elif target == "to":
                lines.append(f"# {line.removeprefix('# ')}   # no table below has this column")
        columns, _, doubt = self._time()
        timed = "time" in legal and not any(
            table.name in ("samples/needle", "samples/consolidation") for table in placed
        )
        if columns and timed:
            self.shown |= {column.header for column in columns}
            headers = [column.source for column in columns]
            right = _text(headers[0]) if len(headers) == 1 else _list(headers)
            if doubt:
                lines.append(f"# time = {right}   # doubt: {_plain(doubt)}")
            else:
                lines.append(f"{mark}time = {right}")
        options = options_of(self.columns)
        taken = {guess.column.header for table in self.tables for _, guess in table.guesses}
        for target in ("run", "sample_id"):
            guess = options.best(target)
            if guess is not None and target in legal and guess.column.header not in taken:
                line = self.line(target, guess)
                lines.append(line if line.startswith("#") else mark + line)
        return lines if len(lines) > 2 else []

    def _table(self, table: TableDraft, mark: str) -> list[str]:
        lines = ["", f'{mark}[source.tables."{table.name}"]']
        remarks = [f"# doubt: {_plain(doubt)}" for doubt in dict.fromkeys(table.doubts)]
        remarks += [f"# {_plain(note)}" for note in table.notes]
        lines += remarks
        for name, guess in table.guesses:
            line = self.line(name, guess)
            lines.append(line if line.startswith("#") else mark + line)
        for name, value, reason in table.constants:
            if value:
                lines.append(f"{mark}{name} = {{ value = {_text(value)} }}   # {_plain(reason)}")
            else:
                lines.append(f'# {name} = {{ value = "..." }}   # doubt: {_plain(reason)}')
        return lines

    def _corrections(self) -> list[str]:
        """Corrections that would make numbers fit, as comments: a written unit is never changed."""
        lines = []
        for guess in dict.fromkeys(
            guess for table in self.tables for _, guess in table.guesses if guess.instead
        ):
            right = [_shown(layout.file, self.base) for layout in self.group]
            lines += [
                "",
                f"# If the written unit of {_plain(repr(guess.column.header))} is wrong:",
                "# [[correct]]",
                f"# files = {_list(right)}",
                f"# column = {_text(guess.column.source)}",
                f"# unit = {_text(guess.instead)}",
                '# reason = "..."',
            ]
        return lines

    def _rest(self) -> list[str]:
        """Columns that are not in the draft."""
        rest = [column for column in self.columns if column.header not in self.shown]
        options = options_of(self.columns)
        maybe: dict[str, list[str]] = {}
        for target in options.targets():
            for guess in options.all(target):
                maybe.setdefault(guess.column.header, []).append(target)
        lines = ["", "# Not imported:"] if rest else []
        for column in rest:
            names = [n for n in maybe.get(column.header, []) if n in TERMS or n in _ALL_COLUMNS]
            hint = f"; perhaps {' or '.join(dict.fromkeys(names))}" if names else ""
            lines.append(f"#   {_plain(repr(column.header))}: {_plain(column.in_words())}{hint}")
        return lines


def _keep_one_hole(sections: Sequence[_Section]) -> None:
    """Keep the same hole in all sources; rows of another hole in a further file are a doubt."""
    found = [(section, *hole_names(section.options)) for section in sections]
    for targets in {tuple(one.target for one in named) for _, named, _ in found if named}:
        alike = [one for one in found if tuple(guess.target for guess in one[1]) == targets]
        names = sum((counts for _, _, counts in alike), Counter[tuple[str, ...]]())
        kept = names.most_common(1)[0][0]
        for section, named, counts in alike:
            if kept in counts:
                keep_hole(section.place, named, kept)
                continue
            own, other = (" ".join(name) for name in (counts.most_common(1)[0][0], kept))
            for table in section.tables:
                table.doubts.append(
                    f"one folder holds one hole: the rows here are of {own!r}, "
                    f"those of other files of {other!r}"
                )


def _doubt_mixed_words(sections: Sequence[_Section]) -> None:
    """Doubt tables beside a column of text whose words may name holes or kinds of rows.

    Files that differ in such a column alone are looked at together.
    """
    found: list[tuple[_Section, ColumnFacts, Counter[str]]] = []
    total: dict[str, Counter[str]] = {}
    for section in sections:
        if "core" not in section.options and "core" not in section.place.from_parts:
            continue
        mapped = {guess.column.header for table in section.tables for _, guess in table.guesses}
        mapped |= {guess.column.header for guess in section.place.guesses}
        mapped |= {guess.column.header for guess in hole_names(section.options)[0]}
        for target in ("core", "section"):  # not mapped where the depth places the rows
            mapped |= {guess.column.header for guess in section.options.all(target)}
        sources = {name for name, *_ in section.place.parts}
        for column in section.columns:
            words = words_of_rows(column)
            if column.header in mapped or column.source in sources:
                continue
            if words and not tells_cores_apart(column, section.place, section.columns):
                found.append((section, column, words))
                total.setdefault(column.header, Counter()).update(words)
    for section, column, words in found:
        if len(total[column.header]) < 2:
            continue
        kept = max(words, key=lambda word: (total[column.header][word], word))
        others = list(words if len(words) > 1 else total[column.header])
        others.remove(kept)
        section.place.words.append((column.source, kept, others))
        for table in section.tables:
            table.doubts.append(
                f"the words in {column.header!r} may name several holes or kinds of rows; "
                "keep one with where, or ignore them"
            )


_ALL_COLUMNS = frozenset(column.name for table in TABLES.values() for column in table.columns)


def _columns_of(name: str) -> list[str]:
    return [column.name for column in TABLES[name].columns] if name in TABLES else []


def _ends(layout: FoundLayout) -> bool:
    """Whether the last line of a text file has a line end."""
    size = layout.file.stat().st_size
    with layout.file.open("rb") as stream:
        stream.seek(max(0, size - 4))
        end = stream.read()
    return end.rstrip(b"\x00").endswith((b"\n", b"\r"))


def _deduction(sections: Sequence[_Section], base: Path | None) -> list[str]:
    """The block that deduces cores and sections, where no list is there and rows allow it."""
    tables = {table.name for section in sections for table in section.sure()}
    if {"cores", "sections"} <= tables:
        return []
    if base is not None and all((base / f"{name}.csv").is_file() for name in ("cores", "sections")):
        return []
    placed = [
        section.place
        for section in sections
        if any(table.placed for table in section.sure()) and section.place.kind == "section"
    ]
    if not placed:
        return []
    able = any((depth := place.guess("depth")) is not None and not depth.doubt for place in placed)
    if not able:
        return [
            "",
            "# doubt: no list of cores and sections was found, and no rows with a certain depth",
            "# beside core, section and offset from which they could be deduced. Write cores.csv",
            "# and sections.csv, or map a depth and add [deduce].",
        ]
    return [
        "",
        "# No list of all cores and sections was found. They are deduced from rows with core,",
        "# section, offset and depth, and marked as deduced. State method and diameter if known.",
        "[deduce]",
        'coring_method = "other"',
        '# core_diameter = "66 mm"',
    ]


# Text of TOML -------------------------------------------------------------------------------------


def _line(name: str, guess: Guess, nulls: Sequence[str] = ()) -> str:
    """One line of a mapping, as a comment with its reason where it is not certain."""
    header = guess.column.source
    unit, factor = guess.unit, guess.factor
    right = _text(header)
    if unit or factor != 1.0 or nulls:
        parts = [f"column = {_text(header)}"]
        if unit or factor != 1.0:
            parts.append(f"unit = {_text(unit or '1')}")
        if nulls:
            parts.append(f"null = {_list(nulls)}")
        if factor != 1.0:
            parts.append(f"factor = {factor!r}")
        right = f"{{ {', '.join(parts)} }}"
    line = f"{name} = {right}"
    if guess.doubt:
        return f"# {line}   # doubt: {_plain(guess.doubt)}"
    if guess.note and guess.target not in ("core", "section"):
        return f"{line}   # {_plain(guess.note)}"
    return line


def _text(text: str) -> str:
    """A text of TOML; of one without control characters, in the quotes that need no escapes."""
    if "'" not in text and "\\" in text and text.isprintable():
        return f"'{text}'"
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _list(texts: Sequence[str]) -> str:
    return f"[{', '.join(map(_text, texts))}]"


def _key(text: str) -> str:
    return text if _KEY.match(text) else _text(text)


def _plain(text: str) -> str:
    """Text that may stand in a comment: without line ends and control characters."""
    return "".join(letter if letter.isprintable() else " " for letter in text)
