"""One foreign file becomes rows of tables: units, words, times, positions, rows refused.

A column is held as whole-number codes and its different texts, so that a text is read, converted
and written once, however many rows have it.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from corephys.ground import units
from corephys.ground.choices import matching
from corephys.hole.reading.error import nearest
from corephys.hole.reading.tables import Column, Table
from corephys.importing.files import FileFault, ForeignFile, split_unit
from corephys.importing.foreign_units import power_of_ten
from corephys.importing.mapping import (
    FILE_NAME,
    Condition,
    Correction,
    Origin,
    Source,
    TableMapping,
    Target,
    column_of,
)

__all__ = ["Coded", "Converted", "Lengths", "Rows", "convert", "digits", "numbers"]

_NUMBER = re.compile(r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$", re.ASCII)
_COMPARE = {">=": operator.ge, ">": operator.gt, "<=": operator.le, "<": operator.lt}
# Sections by (core, section) in order downward, with their lengths [m].
Lengths = dict[tuple[str, str], float]


class Coded:
    """A column of texts as codes.

    Parameters
    ----------
    codes : (rows,) ndarray of int
        Place of each row's text in ``texts``.
    texts : list of str
        Different texts.
    """

    def __init__(self, codes: np.ndarray, texts: list[str]) -> None:
        self.codes, self.texts = codes, texts

    @classmethod
    def of(cls, cells: Any) -> Coded:
        """Codes of a list of texts."""
        array = np.empty(len(cells), dtype=object)
        array[:] = cells
        codes, texts = pd.factorize(array)
        return cls(codes.astype(np.int32), [str(text) for text in texts])

    @classmethod
    def constant(cls, text: str, count: int) -> Coded:
        """One text in every row."""
        return cls(np.zeros(count, dtype=np.int32), [text])

    def __len__(self) -> int:
        return int(self.codes.size)

    def map(self, change: Callable[[str], str]) -> Coded:
        """The column with every text changed."""
        return Coded(self.codes, [change(text) for text in self.texts])

    def take(self, rows: np.ndarray) -> Coded:
        """Some of the rows."""
        return Coded(self.codes[rows], self.texts)

    def cells(self) -> np.ndarray:
        """Texts of the rows."""
        if self.codes.size < len(self.texts):
            # Few rows of a long column: the other texts need not be looked at.
            few = np.empty(self.codes.size, dtype=object)
            few[:] = [self.texts[code] if code >= 0 else "" for code in self.codes.tolist()]
            return few
        array = np.empty(len(self.texts) + 1, dtype=object)
        array[:-1] = self.texts
        array[-1] = ""
        return array[self.codes]

    def where(self, passes: Callable[[str], bool]) -> np.ndarray:
        """Rows whose text passes."""
        return np.array([*map(passes, self.texts), False], dtype=bool)[self.codes]

    def floats(self) -> np.ndarray:
        """Numbers of the rows; NaN where a text is none."""
        if self.codes.size < len(self.texts):
            return numbers(self.cells().tolist())
        return np.append(numbers(self.texts), np.nan)[self.codes]


def numbers(texts: Iterable[str]) -> np.ndarray:
    """Numbers with a decimal point; NaN for any other text."""
    return np.array([float(t) if _NUMBER.match(t) else np.nan for t in texts], dtype=float)


@dataclass
class Rows:
    """Rows of one file for one table.

    Parameters
    ----------
    table : str
        Path of the table.
    header : list of str
        Headers ``name [unit]``.
    names : list of str
        Names of the columns without unit.
    columns : dict of str to Coded
        Cells by name.
    lines : ndarray of int
        Line of the file of each row.
    left_out : int
        Rows that ``where`` leaves out.
    empty : int
        Rows without a value in any column of their own.
    refused : list of (int, str, str)
        Line, reason and text.
    """

    table: str
    header: list[str]
    names: list[str]
    columns: dict[str, Coded]
    lines: np.ndarray
    left_out: int = 0
    empty: int = 0
    refused: list[tuple[int, str, str]] = field(default_factory=list)

    def __len__(self) -> int:
        return int(self.lines.size)

    def take(self, rows: np.ndarray) -> Rows:
        """Some of the rows."""
        columns = {name: column.take(rows) for name, column in self.columns.items()}
        return Rows(self.table, self.header, self.names, columns, self.lines[rows])


@dataclass
class Converted:
    """What one file gives.

    Parameters
    ----------
    tables : list of Rows
    rows_in : int
        Rows of the file below its header, without comments.
    left_out : int
        Rows that ``where`` of the source leaves out.
    refused : list of (int, str, str)
        Rows that no table takes, with line, reason and text.
    notes : list of str
        Counts of what is kept with a doubt: cells that are no number or time, missing codes.
    corrections : list of (int, int)
        Number of each correction whose column the file has, and of the rows that it changed.
    """

    tables: list[Rows]
    rows_in: int
    left_out: int = 0
    refused: list[tuple[int, str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    corrections: list[tuple[int, int]] = field(default_factory=list)


def convert(
    file: ForeignFile,
    source: Source,
    corrections: tuple[Correction, ...] = (),
    lengths: Lengths | None = None,
) -> Converted:
    """Rows of all tables that a source makes of one file.

    Parameters
    ----------
    file : ForeignFile
        Contents as text; its name is the path relative to the hole folder.
    source : Source
    corrections : tuple of Correction
    lengths : dict of (core, section) to float, optional
        Lengths of the sections [m], for offsets from another end than the section's top.

    Returns
    -------
    Converted

    Raises
    ------
    FileFault
        When a column is missing, its unit is unknown, or its cells cannot be numbers.
    """
    return _Conversion(file, source, corrections, lengths or {}).run()


class _Conversion:
    """One file on its way to tables."""

    def __init__(
        self,
        file: ForeignFile,
        source: Source,
        corrections: tuple[Correction, ...],
        lengths: Lengths,
    ) -> None:
        self.file, self.source, self.lengths = file, source, lengths
        self.corrections = corrections
        self.held: dict[str, Coded] = {}
        self.units: dict[str, str] = {}
        self.found = Converted([], len(file) + len(file.refused), refused=list(file.refused))
        self.faults: list[str] = []
        self.counted: dict[str, int] = {}
        self.lacking: dict[str, str] = {}  # names of the preamble that this file does not give

    def run(self) -> Converted:
        self.preamble()
        self.fill()
        groups = {g for _, pattern in self.source.parts for g in pattern.groupindex}
        apart = {header for header, _ in self.source.parts}
        # A group of parts is corrected after the text is taken apart, the text itself before.
        late = [
            bool({one.column, *(w.column for w in one.where)} & (groups - apart))
            for one in self.corrections
        ]
        self.correct([n for n, after in enumerate(late) if not after])
        unmatched = self.take_apart()
        self.correct([n for n, after in enumerate(late) if after])
        keep = self.passes(self.source.where, np.ones(len(self.file), dtype=bool))
        self.found.left_out = int((~keep).sum())
        for column, bad in unmatched:
            shown = self.held[column].cells() if column in self.held else None
            for row in np.flatnonzero(bad & keep).tolist():
                text = self.file.name if shown is None else str(shown[row])
                reason = f"{column} {text!r} does not match its pattern"
                self.found.refused.append((self.line(row), reason, self.row_text(row)))
            keep &= ~bad
        for table in self.source.tables:
            rows = self.table(table, keep)
            if rows is not None:
                self.found.tables.append(rows)
        if self.faults:
            raise FileFault("; ".join(dict.fromkeys(self.faults)))
        self.found.notes += [f"{count} {words}" for words, count in self.counted.items()]
        return self.found

    def line(self, row: int) -> int:
        return int(self.file.rows[row])

    def row_text(self, row: int) -> str:
        """Cells of a row, for the list of refused rows."""
        return " | ".join(column[row] for column in self.file.columns)

    def count(self, words: str, number: int) -> None:
        if number:
            self.counted[words] = self.counted.get(words, 0) + number

    # Columns of the file ----------------------------------------------------------------------

    def position(self, header: str) -> int | None:
        """Place of a header in the file; None without one, or with two."""
        places = [n for n, name in enumerate(self.file.header) if name == header]
        if len(places) > 1:
            self.faults.append(
                f"{self.file.name} has {len(places)} columns {header!r}; rename one of them, or "
                "set header_lines = 0 and use the numbers of the columns"
            )
        return places[0] if places else None

    def column(self, header: str) -> Coded | None:
        """A column of the file or a part of a label; None without one."""
        if header not in self.held:
            place = self.position(header)
            if place is None:
                return None
            self.held[header] = Coded.of(self.file.columns[place])
        return self.held[header]

    def preamble(self) -> None:
        """Texts above the header become columns."""
        for name, pattern in self.source.preamble:
            if name in self.file.header:
                self.faults.append(
                    f"{self.file.name} has a column {name!r}, which is a name of "
                    "[source.preamble] too; rename it there"
                )
                continue
            matches = [match for line in self.file.above if (match := pattern.search(line))]
            texts = list(dict.fromkeys((match[1] or "").strip() for match in matches))
            if len(texts) == 1:
                self.held[name] = Coded.constant(texts[0], len(self.file))
                continue
            if texts:
                shown = ", ".join(map(repr, texts))
                why = f"several lines above the header match, with {shown}; make it narrower"
            else:
                why = f"none of the {len(self.file.above)} lines above the header matches"
            self.lacking[name] = (
                f"{self.file.name} has no {name!r} by the pattern {pattern.pattern!r}: {why}"
            )

    def find(self, wanted: str) -> tuple[str, str]:
        """Header of the file for a right-hand side, and the unit that it states."""
        wanted = wanted.strip()
        lacking = self.lacking.get(wanted) or self.lacking.get(split_unit(wanted)[0])
        if lacking and wanted not in self.file.header:
            self.faults.append(lacking)
            return "", ""
        if wanted in self.held or wanted in self.file.header:
            return wanted, ""
        name, unit = split_unit(wanted)
        if unit and (name in self.held or name in self.file.header):
            return name, unit
        # "Depth [m]" in the mapping and "Depth [cm]" in the file are two statements.
        others = [h for h in self.file.header if split_unit(h)[0] == (name if unit else wanted)]
        known = [*self.file.header, *self.held]
        guess = others[0] if others else nearest(wanted, known)
        hint = f"did you mean {guess!r}?" if guess else f"its columns are {', '.join(known)}"
        self.faults.append(f"{self.file.name} has no column {wanted!r}: {hint}")
        return "", ""

    def stated(self, header: str) -> str:
        """Unit that the file states for a column, as written; empty for none."""
        if header in self.units:
            return self.units[header]
        place = self.file.header.index(header) if header in self.file.header else None
        if place is None:
            return ""
        return self.file.units[place] or split_unit(header)[1]

    def fill(self) -> None:
        """An empty cell of a column to fill takes the one above."""
        refused = np.sort([line for line, _, _ in self.file.refused])
        lines = np.asarray(self.file.rows)
        # Refused rows above each row: one of them may have held the cell that is sought.
        passed = np.searchsorted(refused, lines)
        anew = np.zeros(len(self.file), dtype=bool)  # rows where an outer column begins anew
        for wanted in self.source.fill:
            header, _ = self.find(wanted)
            column = self.column(header) if header else None
            if column is None or not len(self.file):
                continue
            given = column.where(bool)
            rows = np.arange(len(self.file))
            above = np.maximum.accumulate(np.where(given, rows, -1))
            begun = np.maximum.accumulate(np.where(anew, rows, 0))
            lost = ~given & (above >= begun) & (passed != passed[np.maximum(above, 0)])
            filled = ~given & (above >= begun) & ~lost
            codes = np.where(filled, column.codes[np.maximum(above, 0)], column.codes)
            self.held[header] = Coded(codes.astype(np.int32), column.texts)
            self.count(f"empty cells of {header} are filled with the cell above", int(filled.sum()))
            words = f"empty cells of {header} are not filled, for a refused row stands above them"
            self.count(words, int(lost.sum()))
            anew = anew | (np.diff(self.held[header].codes, prepend=-2) != 0)

    def correct(self, chosen: list[int]) -> None:
        """Apply those of the chosen corrections that concern this file."""
        for number in chosen:
            one = self.corrections[number]
            if not one.column or not one.concerns(self.file.name):
                continue
            column = self.column(one.column)
            if column is None:
                if one.files:
                    self.faults.append(
                        f"{self.file.name} has no column {one.column!r}, which a correction "
                        f"changes; its columns are {', '.join([*self.file.header, *self.held])}"
                    )
                continue
            rows = self.passes(one.where, np.ones(len(self.file), dtype=bool))
            if one.unit:
                self.units[one.column] = one.unit
                concerned = rows
            else:
                changed = column.map(lambda text, one=one: self.corrected(text, one))
                differs = np.array(
                    [a != b for a, b in zip(column.texts, changed.texts, strict=True)] + [False]
                )
                concerned = rows & differs[column.codes]
                shift = len(column.texts)
                codes = np.where(rows, column.codes + shift, column.codes).astype(np.int32)
                self.held[one.column] = Coded(codes, [*column.texts, *changed.texts])
            self.found.corrections.append((number, int(concerned.sum())))

    def corrected(self, text: str, one: Correction) -> str:
        for old, new in one.replace:
            if text == old:
                return new
        decimal = self.marks(one.column)[0]
        plain = self.number_of(text, one.column)
        if (one.factor == 1.0 and one.add == 0.0) or not _NUMBER.match(plain):
            return text
        null = {*self.source.null, *(code for o in self.lines_of(one.column) for code in o.null)}
        codes = {float(code) for code in null if _NUMBER.match(code)}
        if plain in null or text in null or float(plain) in codes:
            return text
        return digits(float(plain) * one.factor + one.add).replace(".", decimal)

    def lines_of(self, header: str) -> list[Origin]:
        """Right-hand sides of the mapping that read a column of the file."""
        origins = [target.origin for table in self.source.tables for target in table.targets]
        return [
            own
            for own in origins
            if header in own.columns or header in [split_unit(one)[0] for one in own.columns]
        ]

    def marks(self, header: str) -> tuple[str, str]:
        """Decimal mark and mark between thousands of a column of the file."""
        layout = self.source.layout
        own = next(iter(self.lines_of(header)), Origin())
        return own.decimal or layout.decimal, own.thousands or layout.thousands

    def number_of(self, text: str, header: str) -> str:
        """A cell of a column as a number with a decimal point; other texts are no number after."""
        decimal, thousands = self.marks(header)
        return _plain(text, decimal, thousands) if thousands else text.replace(decimal, ".")

    def take_apart(self) -> list[tuple[str, np.ndarray]]:
        """Add the parts of labels to the columns; rows whose label does not match."""
        unmatched = []
        for header, pattern in self.source.parts:
            if header == FILE_NAME:
                column: Coded | None = Coded.constant(self.file.name, len(self.file))
            else:
                column = self.column(header)
            if column is None and header in self.lacking:
                self.faults.append(self.lacking[header])
                continue
            if column is None:
                self.faults.append(
                    f"{self.file.name} has no column {header!r} to take apart; its columns are "
                    f"{', '.join(self.file.header)}"
                )
                continue
            matches = [pattern.search(text) for text in column.texts]
            if header == FILE_NAME and matches[0] is None:
                self.faults.append(
                    f"the name {self.file.name!r} does not match {pattern.pattern!r}; change the "
                    "pattern, or the list of files"
                )
                continue
            for group in pattern.groupindex:
                parts = [(m[group] or "").strip() if m else "" for m in matches]
                again = Coded.of([parts[code] for code in range(len(parts))])
                self.held[group] = Coded(again.codes[column.codes], again.texts)
            bad = np.array([m is None for m in matches] + [False])[column.codes]
            if bad.any():
                unmatched.append((header, bad))
        return unmatched

    def passes(self, conditions: tuple[Condition, ...], keep: np.ndarray) -> np.ndarray:
        """Rows that fulfil all conditions."""
        for one in conditions:
            header, _ = self.find(one.column)
            column = self.column(header) if header else None
            if column is None:
                continue
            keep = keep & column.where(lambda text, one=one: self.fulfils(text, one))
        return keep

    def fulfils(self, text: str, one: Condition) -> bool:
        if one.sign in ("in", "!="):
            return (text in one.texts) == (one.sign == "in")
        plain = self.number_of(text, one.column)
        if not _NUMBER.match(plain):
            return False
        return bool(_COMPARE[one.sign](float(plain), float(one.texts[0])))

    # Columns of a table -----------------------------------------------------------------------

    def table(self, mapped: TableMapping, keep: np.ndarray) -> Rows | None:
        """Rows of one table."""
        chosen = self.passes(mapped.where, keep)
        left_out = int((keep & ~chosen).sum())
        columns: dict[str, Coded] = {}
        headers: dict[str, str] = {}
        for target in mapped.targets:
            made = self.cells(target)
            if made is not None:
                columns[target.column.name], headers[target.column.name] = made
        if self.faults:
            return None
        self.copy_kept(mapped, columns, headers)
        refused: list[tuple[int, str, str]] = []
        if {"core", "offset"} <= columns.keys() and self.source.offset_from != "section top":
            columns, lost = self.from_other_end(columns, chosen, refused)
            chosen = chosen & ~lost
            headers.setdefault("section", "section")
        empty = self.without_values(mapped, columns) & chosen
        chosen = chosen & ~empty
        for row, reason in self.unusable(mapped.table, columns, chosen):
            refused.append((self.line(row), reason, self.row_text(row)))
            chosen[row] = False
        order = _order(mapped.table, columns)
        rows = np.flatnonzero(chosen)
        lines = np.asarray(self.file.rows)[rows]
        taken = {name: columns[name].take(rows) for name in order}
        made_rows = Rows(mapped.name, [headers[n] for n in order], order, taken, lines)
        made_rows.left_out, made_rows.empty, made_rows.refused = left_out, int(empty.sum()), refused
        return made_rows

    def joined(self, origin: Origin, name: str) -> tuple[Coded, str, str] | None:
        """Cells of the right-hand side, the unit that the mapping states, and that of the file."""
        if not origin.columns:
            return Coded.constant(origin.value, len(self.file)), origin.unit, ""
        found: list[Coded] = []
        mapped = origin.unit
        stated = ""
        for wanted in origin.columns:
            header, unit = self.find(wanted)
            column = self.column(header) if header else None
            if column is None:
                return None
            found.append(column)
            stated = stated or self.stated(header)
            if unit:
                mapped = mapped or unit
        first = found[0]
        for other in found[1:]:
            pairs = first.codes.astype(np.int64) * len(other.texts) + other.codes
            places, codes = np.unique(pairs, return_inverse=True)
            both = [divmod(place, len(other.texts)) for place in places.tolist()]
            texts = [f"{first.texts[a]} {other.texts[b]}".strip() for a, b in both]
            first = Coded(codes.astype(np.int32).reshape(-1), texts)
        return first, mapped, stated

    def cells(self, target: Target) -> tuple[Coded, str] | None:
        """Cells of one column of a table, and its header."""
        made = self.joined(target.origin, target.column.name)
        if made is None:
            return None
        column, mapped, stated = made
        origin, name = target.origin, target.column.name
        if origin.words:
            words = dict(origin.words)
            column = column.map(lambda text: words.get(text, text))
        null = (*self.source.null, *origin.null)
        if target.column.kind == "number":
            return self.number_cells(target, column, mapped, stated, null)
        if null:
            missing = column.where(lambda text: text in null)
            self.count(f"cells of {name} are codes of a missing value", int(missing.sum()))
            column = column.map(lambda text: "" if text in null else text)
        if target.column.kind == "time":
            return self.time_cells(target, column), name
        if name == "unit":
            column = column.map(_spelled)
        return column, name

    def number_cells(
        self, target: Target, column: Coded, mapped: str, stated: str, null: tuple[str, ...]
    ) -> tuple[Coded, str] | None:
        """Numbers in the unit to write; those in the same unit keep their digits."""
        origin, name = target.origin, target.column.name
        unit = self.unit_of(target, mapped, stated)
        if unit is None:
            return None
        wanted = target.column.unit or unit or "1"
        decimal = "." if not origin.columns else origin.decimal or self.source.layout.decimal
        given = column.texts
        if unit == "%":
            given = [text.removesuffix("%").rstrip() for text in given]
        thousands = origin.thousands or self.source.layout.thousands if origin.columns else ""
        texts, missing, bad = _number_texts(given, decimal, null, thousands)
        counts = np.bincount(column.codes, minlength=len(texts))
        held = int(counts[[bool(text) for text in texts]].sum())
        wrong = int(counts[bad].sum())
        if wrong and wrong == held:
            example = next(t for t, b in zip(given, bad, strict=True) if b)
            self.faults.append(
                f"{self.file.name}: no cell of {origin.columns[0]!r} is a number, such as "
                f'{example!r}; set decimal = ",", thousands or units_row, or correct the line of '
                f"{name!r}"
            )
            return None
        self.count(f"cells of {name} are codes of a missing value", int(counts[missing].sum()))
        lost = [bool(thousands) and _misplaced(text, decimal, thousands) for text in given]
        apart = bad & np.array(lost, dtype=bool)
        ungrouped = int(counts[apart].sum())
        self.count(f"cells of {name} are not numbers and are kept as they are", wrong - ungrouped)
        self.count(
            f"cells of {name} have the mark {thousands!r} where it sets no thousands apart, are no "
            "numbers, and are kept as they are",
            ungrouped,
        )
        try:
            if origin.reciprocal:
                return self.reciprocals(target, column, texts, bad, unit)
            factor = origin.factor
            same = units.convert(1.0, unit or wanted, wanted) == 1.0
            same = same and units.convert(0.0, unit or wanted, wanted) == 0.0
            if factor != 1.0 or not same:
                texts = [
                    digits(units.convert(float(text) * factor, unit or wanted, wanted))
                    if text and not wrong_one
                    else text
                    for text, wrong_one in zip(texts, bad, strict=True)
                ]
        except units.UnitError as error:
            self.faults.append(f"{self.file.name}: {name} {str(error)[0].lower()}{str(error)[1:]}")
            return None
        if wanted == units.PRACTICAL_SALINITY and unit != wanted:
            wanted = unit
        header = name if wanted == "1" else f"{name} [{wanted}]"
        return Coded(column.codes, texts), header

    def reciprocals(
        self, target: Target, column: Coded, texts: list[str], bad: np.ndarray, unit: str
    ) -> tuple[Coded, str]:
        """One over each number, such as a velocity from a slowness."""
        name, wanted = target.column.name, target.column.unit or "1"
        inverse = _inverse(wanted)
        out, lost = [], np.zeros(len(texts), dtype=bool)
        for place, text in enumerate(texts):
            if not text or bad[place]:
                out.append(text)
                continue
            value = units.convert(float(text) * target.origin.factor, unit or inverse, inverse)
            lost[place] = not value > 0.0
            out.append("" if lost[place] else digits(1.0 / value))
        counts = np.bincount(column.codes, minlength=len(texts))
        words = f"cells of {name} are zero or negative, which has no reciprocal here, and missing"
        self.count(words, int(counts[lost].sum()))
        return Coded(column.codes, out), name if wanted == "1" else f"{name} [{wanted}]"

    def unit_of(self, target: Target, mapped: str, stated: str) -> str | None:
        """Unit of the numbers as exported; empty for a pure number, None for a fault."""
        name, origin = target.column.name, target.origin
        shown = origin.columns[0] if origin.columns else name
        readable = ""
        if stated:
            try:
                readable = units.canonical(stated)
            except units.UnitError:
                readable = ""
        if mapped:
            try:
                mapped = units.canonical(mapped)
            except units.UnitError as error:
                words = self.with_factor(target, mapped) or f"{shown!r}: {error}"
                self.faults.append(f"{self.file.name}: {words}")
                return None
        if readable and mapped and readable != mapped:
            self.faults.append(
                f"{self.file.name} states {readable!r} for {shown!r} and {mapped!r} is set in the "
                "mapping; correct the mapping, or write a [[correct]] with column, unit and reason"
            )
            return None
        unit = mapped or readable
        if name.startswith("u_"):
            # The zero of a temperature scale is not added to an uncertainty.
            unit = units.difference_unit(unit)
        if not unit and stated and (words := self.with_factor(target, stated)):
            self.faults.append(f"{self.file.name}: {words}")
            return None
        if unit or target.column.unit in ("1", None):
            if not unit and stated:
                self.faults.append(
                    f"{self.file.name}: {stated!r} of {shown!r} is not a unit that is known; set "
                    f'it: {name} = {{ column = {shown!r}, unit = "1" }}'
                )
                return None
            return unit
        given = f" ({stated!r} is not a unit that is known)" if stated else ""
        self.faults.append(
            f"{self.file.name} states no unit for {shown!r}{given}; write "
            f'{name} = "{split_unit(shown)[0]} [{target.column.unit}]" with its own unit'
        )
        return None

    def with_factor(self, target: Target, given: str) -> str:
        """What to write for a unit with a power of ten; empty for any other unit."""
        found = power_of_ten(given)
        if found is None:
            return ""
        name, unit, factor = target.column.name, *found
        shown = target.origin.columns[0] if target.origin.columns else name
        line = f'{name} = {{ column = {split_unit(shown)[0]!r}, unit = "{unit}"'
        if self.file.header.count(shown):
            line = f'{name} = {{ column = {shown!r}, unit = "{unit}"'
        words = f"{given!r} of {shown!r} holds a power of ten"
        if name == "reading":  # a number in the unit that the recipe states
            return f"{words}; set {line} }}, and state it as [susceptibility] unit of the recipe"
        return f"{words}, which is a factor; set it: {line}, factor = {factor} }}"

    def time_cells(self, target: Target, column: Coded) -> Coded:
        """Times in ISO 8601: as written without a zone, in UTC with one."""
        origin, name = target.origin, target.column.name
        form = origin.time_format or self.source.time_format
        zone = origin.time_zone or self.source.time_zone
        texts = pd.Series(column.texts, dtype=object)
        given = texts != ""
        if form:
            aware = pd.Series("%z" in form, index=texts.index)
        else:
            aware = texts.str.contains(r"[T ]\d\d.*(?:Z|[+-]\d\d(?::?\d\d)?)$", regex=True)
        stamps = pd.to_datetime(texts, format=form or "ISO8601", utc=True, errors="coerce")
        bad = stamps.isna() & given
        if bad.any() and bool((bad | ~given).all()):
            example = str(texts[bad].iloc[0])
            self.faults.append(
                f"{self.file.name}: no cell of {origin.columns[0]!r} is a time by "
                f"{form or 'ISO 8601'!r}, such as {example!r}; set time_format, such as "
                'time_format = "%d.%m.%Y %H:%M"'
            )
            return column
        counts = np.bincount(column.codes, minlength=len(column.texts))
        words = f"cells of {name} are not times and are kept as they are"
        self.count(words, int(counts[bad.to_numpy()].sum()))
        if not form and not zone:
            return column
        naive = stamps.dt.tz_localize(None)
        if zone:
            local = naive.dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
            local = local.dt.tz_convert("UTC").dt.tz_localize(None)
            lost = local.isna() & ~naive.isna() & ~aware
            words = f"times of {name} are skipped or repeated by a change of clocks: not one time"
            self.count(words, int(counts[lost.to_numpy()].sum()))
            naive = naive.where(aware, local)
        written = [
            text if pd.isna(stamp) else stamp.isoformat() + ("Z" if zone or is_aware else "")
            for text, stamp, is_aware in zip(texts, naive, aware, strict=True)
        ]
        return Coded(column.codes, written)

    def copy_kept(
        self, mapped: TableMapping, columns: dict[str, Coded], headers: dict[str, str]
    ) -> None:
        """Copy columns that are kept as they are."""
        wanted = list(self.source.keep)
        if wanted == ["*"]:
            lines = [target for table in self.source.tables for target in table.targets]
            used = {self.find(column)[0] for line in lines for column in line.origin.columns}
            wanted = [header for header in self.file.header if header not in used]
        for header in wanted:
            header = self.find(header)[0]
            column = self.column(header) if header else None
            if column is None:
                continue
            # A square bracket would be read as a unit, and a name of the table as its column.
            name = header.replace("[", "(").replace("]", ")")
            if column_of(mapped.table, name) is not None or name in columns:
                name = f"{name} (as exported)"
            columns[name], headers[name] = column, name

    def without_values(self, mapped: TableMapping, columns: dict[str, Coded]) -> np.ndarray:
        """Rows in which every column of the table's own values is empty."""
        places = {"core", "section", "offset", "to", "depth", "run", "time", "set", "sample_id"}
        constant = {t.column.name for t in mapped.targets if not t.origin.columns}
        own = [n for n in columns if n in mapped.own and n not in places and n not in constant]
        empty = np.full(len(self.file), bool(own))
        for name in own:
            empty &= columns[name].where(lambda text: text == "")
        return empty

    def unusable(
        self, table: Table, columns: dict[str, Coded], chosen: np.ndarray
    ) -> list[tuple[int, str]]:
        """Rows that a hole cannot hold, with the reason."""
        found: list[tuple[int, str]] = []
        taken = ~chosen
        by_depth = table.positioned and "depth" in columns
        spans = {"core", "from", "top"} <= table.by_name.keys()  # intervals by depth or section
        by_depth = by_depth or (spans and "top" in columns)

        def refuse(bad: np.ndarray, reason: Callable[[str], str], column: Coded) -> None:
            nonlocal taken
            rows = np.flatnonzero(bad & ~taken)
            found.extend((row, reason(column.texts[column.codes[row]])) for row in rows.tolist())
            taken = taken | bad

        for column in table.columns:
            if column.name not in columns:
                continue
            cells = columns[column.name]
            name = column.name
            place = (table.positioned or spans) and name in ("core", "section")
            if column.need == "key" and not (place and by_depth):
                empty = cells.where(lambda text: not text)
                refuse(empty, lambda text, name=name: f"{name} is empty", cells)
            if column.solid:
                bad = np.isnan(np.append(numbers(cells.texts), np.nan)[cells.codes])
                words = "is not a number, and the depths need it"
                refuse(bad, lambda t, name=name, words=words: f"{name} {t!r} {words}", cells)
            if column.choices:
                columns[name] = cells = cells.map(lambda text, c=column: _choice(text, c))
                legal = {*column.choices, *([""] if column.need == "optional" else [])}
                bad = cells.where(lambda text, legal=legal: text not in legal)
                words = f"is not one of {', '.join(column.choices)}"
                refuse(bad, lambda t, name=name, words=words: f"{name} {t!r} {words}", cells)
        return found

    # Offsets from another end -----------------------------------------------------------------

    def from_other_end(
        self,
        columns: dict[str, Coded],
        chosen: np.ndarray,
        refused: list[tuple[int, str, str]],
    ) -> tuple[dict[str, Coded], np.ndarray]:
        """Offsets from the section's top of those from another end, and rows without a section."""
        columns = dict(columns)
        core = columns["core"].cells()
        texts = columns["offset"]
        offset = texts.floats()
        if self.source.offset_from == "section bottom":
            section = columns["section"].cells()
            pairs = list(zip(core.tolist(), section.tolist(), strict=True))
            length = np.array([100.0 * self.lengths.get(pair, np.nan) for pair in pairs])
            made = length - offset
            lost = np.isnan(length)
            why = "the length of section {1!r} of core {0!r} is not known"
            if "to" in columns:
                end = columns["to"].floats()
                made, below = np.where(np.isnan(end), made, length - end), length - offset
                columns["to"] = Coded.of([digits(v) for v in np.where(np.isnan(end), end, below)])
        else:
            given = columns["section"].cells() if "section" in columns else None
            found, made = _in_core(self.lengths, core, offset)
            lost = found == ""
            why = "no section of core {0!r} is known at this offset from the core's top"
            if given is not None:
                apart = int(((given != found) & ~lost & chosen).sum())
                words = "rows name another section than the one at their offset from the core's top"
                self.count(words, apart)
            if "to" in columns:
                end = columns["to"].floats() - offset + made
                columns["to"] = Coded.of([digits(v) for v in end])
            columns["section"] = Coded.of(found)
        bad = lost & ~np.isnan(offset) & chosen
        section_shown = columns["section"].cells()
        for row in np.flatnonzero(bad).tolist():
            reason = why.format(core[row], section_shown[row])
            refused.append((self.line(row), reason, self.row_text(row)))
        columns["offset"] = Coded.of([digits(v) for v in made])
        return columns, bad


def _in_core(lengths: Lengths, core: np.ndarray, offset: np.ndarray) -> tuple[Any, Any]:
    """Section and offset from its top [cm] of offsets from the top of the core [cm].

    A boundary between two sections belongs to the lower one, the end of the core to the last.
    """
    ends: dict[str, tuple[list[str], np.ndarray]] = {}
    for (name, section), length in lengths.items():
        names, bounds = ends.get(name, ([], np.zeros(1)))
        ends[name] = ([*names, section], np.append(bounds, bounds[-1] + 100.0 * length))
    found = np.full(core.size, "", dtype=object)
    within = np.full(core.size, np.nan)
    for name, (names, bounds) in ends.items():
        rows = np.flatnonzero((core == name) & (offset >= 0.0) & (offset <= bounds[-1] + 1e-6))
        place = np.minimum(np.searchsorted(bounds, offset[rows], side="right") - 1, len(names) - 1)
        labels = np.empty(len(names), dtype=object)
        labels[:] = names
        found[rows] = labels[place]
        within[rows] = offset[rows] - bounds[place]
    return found, within


def digits(value: float) -> str:
    """A number with all digits that count: 15, as many as a decimal number keeps in a double."""
    if value != value:
        return ""
    short = f"{value:.15g}"
    return repr(float(short)).removesuffix(".0")


# Blanks and apostrophes that are written between thousands.
_THOUSANDS = {" ": " \u00a0\u202f\u2009", "'": "'\u2019"}


def _plain(text: str, decimal: str, thousands: str = "") -> str:
    """A number with a decimal point and without marks between thousands; other texts as they are.

    The first group has one to three digits and does not begin with zero, the others have three.
    """
    if decimal != ".":
        text = text.replace(".", "\0" if thousands != "." else ".")
    if thousands:
        marks = re.escape(_THOUSANDS.get(thousands, thousands))
        grouped = re.match(rf"[+-]?[1-9]\d{{0,2}}(?:[{marks}]\d{{3}})+(?!\d)", text, re.ASCII)
        if grouped:
            text = re.sub(f"[{marks}]", "", grouped[0]) + text[grouped.end() :]
        if thousands == ".":
            text = text.replace(".", "\0")  # a point that is left sets nothing apart
    return text.replace(decimal, ".")


def _misplaced(text: str, decimal: str, thousands: str) -> bool:
    """Whether a text would be a number but for its marks between thousands."""
    marks = _THOUSANDS.get(thousands, thousands)
    without = "".join(sign for sign in text if sign not in marks)
    return without != text and bool(_NUMBER.match(_plain(without, decimal)))


def _number_texts(
    texts: list[str], decimal: str, null: tuple[str, ...], thousands: str = ""
) -> tuple[list[str], np.ndarray, np.ndarray]:
    """Texts with a decimal point, which of them are codes of missing values, which no numbers."""
    codes = set(null)
    grouped = [_plain(code, decimal, thousands) for code in null]
    read = [
        one if _NUMBER.match(one) else code.replace(decimal, ".")
        for one, code in zip(grouped, null, strict=True)
    ]
    values = {float(code) for code in read if _NUMBER.match(code)}
    out: list[str] = []
    missing = np.zeros(len(texts), dtype=bool)
    bad = np.zeros(len(texts), dtype=bool)
    for place, text in enumerate(texts):
        plain = text if decimal == "." and not thousands else _plain(text, decimal, thousands)
        number = bool(_NUMBER.match(plain))
        if text in codes or (number and float(plain) in values):
            missing[place] = bool(text)
            out.append("")
        elif number:
            out.append(plain)
        elif text.lower() == "nan":
            out.append("")
        else:
            bad[place] = bool(text)
            # "1.234" is no number where the comma is the decimal mark, and must not become one.
            out.append(f"{text} (as exported)" if _NUMBER.match(text) else text)
    return out, missing, bad


def _inverse(unit: str) -> str:
    """Unit of one over a number in ``unit``: s/m for m/s."""
    above, _, below = unit.partition("/")
    below = below.removeprefix("(").removesuffix(")") or "1"
    if above == "1":
        return below
    return units.canonical(f"{below}/({above})" if " " in above else f"{below}/{above}")


def _spelled(unit: str) -> str:
    """The one spelling of a unit in a cell; as written where it is not known."""
    try:
        return units.canonical(unit)
    except units.UnitError:
        return unit


def _choice(text: str, column: Column) -> str:
    """The legal word for a text, as the reader of a hole takes it."""
    if not text or text in column.choices:
        return text
    former = dict(column.former).get(text.lower())
    return former or matching(text, column.choices) or text


def _order(table: Table, columns: dict[str, Coded]) -> list[str]:
    """Names of columns: those of the table in its order, then the others."""
    known = [column.name for column in table.columns if column.name in columns]
    return [*known, *(name for name in columns if name not in table.by_name)]
