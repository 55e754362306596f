"""A finding of the checks across tables, and the tables as the checks read them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from corephys.ground import thresholds, units
from corephys.hole.placing.layout import Layout
from corephys.hole.reading.columns import Columns
from corephys.hole.reading.positions import Positions

__all__ = [
    "Check",
    "Finding",
    "Sections",
    "Tables",
    "column",
    "factor_in_words",
    "median",
    "more",
    "of_rows",
    "temperature_unit",
]

_LEAST = thresholds.count("slip_section_readings")


@dataclass(frozen=True)
class Finding:
    """One contradiction between the numbers of a hole, with the slip that would explain it.

    Parameters
    ----------
    check : str
        Name of the check.
    file : str
        File or table that likely holds the slip.
    words : str
        What contradicts what, with the numbers.
    likely : str
        The likely slip.
    cure : str
        What to do.
    number : str
        The number in doubt, with its unit.
    core, section : str
        Place of the first case; empty where the finding is not of one core or section.
    row : int or None
        Line of the first row in the file, or its position in the DataFrame.
    count : int
        Number of rows, sections or cores with the same contradiction.
    moves : mapping of str to ndarray of int
        Rows of each table whose depth or value the slip changes; they are flagged.
    """

    check: str
    file: str
    words: str
    likely: str
    cure: str
    number: str = ""
    core: str = ""
    section: str = ""
    row: int | None = None
    count: int = 1
    moves: Mapping[str, np.ndarray] = field(default_factory=dict)

    @property
    def sentence(self) -> str:
        """The finding in one line: place, contradiction, likely slip and cure."""
        place = self.file
        if self.core:
            place += f", core {self.core!r}"
        if self.section:
            place += f", section {self.section!r}"
        return f"{place}: {self.words}. Likely slip: {self.likely}. {self.cure}"

    def entry(self) -> dict[str, Any]:
        """The finding as plain texts and numbers, ready for JSON."""
        return {
            "check": self.check,
            "file": self.file,
            "core": self.core,
            "section": self.section,
            "row": self.row,
            "count": int(self.count),
            "number": self.number,
            "words": self.words,
            "likely_slip": self.likely,
            "cure": self.cure,
            "flagged": {name: int(rows.size) for name, rows in self.moves.items() if rows.size},
            "sentence": self.sentence,
        }


@dataclass(frozen=True)
class Check:
    """One check across the tables of a hole.

    Parameters
    ----------
    name : str
        Name in the table of findings.
    compares : str
        What is compared with what, for the documentation.
    limits : tuple of str
        Rows of :mod:`corephys.ground.thresholds` that decide.
    run : callable
        Takes the tables and yields findings.
    """

    name: str
    compares: str
    limits: tuple[str, ...]
    run: Callable[[Tables], Iterator[Finding]]


@dataclass(frozen=True)
class Sections:
    """Rows of a table grouped by section.

    Parameters
    ----------
    code : (groups,) ndarray of int
        Row of each section in the table of sections.
    order : (rows,) ndarray of int
        Rows of the table, section by section, in the order of the table within each.
    start : (groups,) ndarray of int
        Where each section begins in ``order``.
    """

    code: np.ndarray
    order: np.ndarray
    start: np.ndarray

    @property
    def end(self) -> np.ndarray:
        """Where each section ends in ``order``."""
        return np.append(self.start[1:], self.order.size)

    @property
    def size(self) -> np.ndarray:
        """Number of rows of each section."""
        return np.asarray(self.end - self.start)

    def rows(self, group: int) -> np.ndarray:
        """Rows of the table in one group."""
        return np.asarray(self.order[self.start[group] : self.end[group]])

    def mean(self, values: np.ndarray) -> np.ndarray:
        """Mean of each section over its numbers; NaN where there is none."""
        held = values[self.order]
        known = np.isfinite(held)
        total = np.add.reduceat(np.where(known, held, 0.0), self.start)
        count = np.add.reduceat(known.astype(float), self.start)
        return np.where(count > 0, total / np.maximum(count, 1.0), np.nan)

    def count(self, those: np.ndarray) -> np.ndarray:
        """Number of rows of each section with a property."""
        return np.asarray(np.add.reduceat(those[self.order].astype(np.int64), self.start))

    def greatest(self, values: np.ndarray) -> np.ndarray:
        """Greatest number of each section; NaN where there is none."""
        return np.fmax.reduceat(values[self.order], self.start)

    def least(self, values: np.ndarray) -> np.ndarray:
        """Least number of each section; NaN where there is none."""
        return np.fmin.reduceat(values[self.order], self.start)


class Tables:
    """The tables of a hole as arrays, for the checks.

    Parameters
    ----------
    columns : mapping of str to Columns
        Tables by name.
    positions : mapping of str to Positions or None
        Where the rows of positioned tables lie.
    layout : Layout or None
        Sections laid end to end.
    settings : mapping
        Contents of hole.toml.
    logs : mapping of str to bytes
        Beginning of each LAS file, by its path in the folder.
    """

    def __init__(
        self,
        columns: Mapping[str, Columns],
        positions: Mapping[str, Positions | None],
        layout: Layout | None,
        settings: Mapping[str, Any],
        logs: Mapping[str, bytes] | None = None,
    ) -> None:
        self.columns = {name: table for name, table in columns.items() if len(table)}
        self.positions, self.settings = positions, settings
        # A table of sections or cores without a row lays out nothing.
        self.layout = layout if {"cores", "sections"} <= set(self.columns) else None
        self.logs = logs or {}
        self._groups: dict[str, Sections | None] = {}

    def get(self, name: str) -> Columns | None:
        """A table with rows, or None."""
        return self.columns.get(name)

    def file(self, name: str) -> str:
        """Name of a table for messages."""
        return self.columns[name].file

    def line(self, name: str, row: int) -> int:
        """Line of a row for messages."""
        return self.columns[name].line(int(row))

    def number(self, name: str, header: str) -> np.ndarray | None:
        """A column of numbers; None where the table or column is missing or holds no number."""
        table = self.columns.get(name)
        return None if table is None else column(table, header)

    def text(self, name: str, header: str) -> np.ndarray | None:
        """A column of text; None where it is missing."""
        table = self.columns.get(name)
        if table is None or header not in table or table[header].dtype.kind != "O":
            return None
        return np.asarray(table[header])

    def times(self, name: str, header: str = "time") -> np.ndarray | None:
        """A column of times as seconds, NaN for none; None where it is missing or empty."""
        table = self.columns.get(name)
        if table is None or header not in table or table[header].dtype.kind != "M":
            return None
        stamps = table[header]
        absent = np.isnat(stamps)
        if absent.all():
            return None
        return np.where(absent, np.nan, stamps.astype("datetime64[s]").astype(float))

    def setting(self, table: str, key: str, unit: str) -> float:
        """A setting in a unit; NaN where it is not given."""
        values = self.settings.get(table)
        given = values.get(key) if isinstance(values, Mapping) else None
        if isinstance(given, (int, float)) and not isinstance(given, bool):
            return float(given)
        if not isinstance(given, str):
            return float("nan")
        try:
            value, written = units.read_scalar(given)
            return float(units.convert(value, written, unit))
        except ValueError:
            return float("nan")  # the recipe refuses it with its own words

    def sections(self, name: str) -> Sections | None:
        """Rows of a table by section; None for a table without sections or without rows."""
        if name not in self._groups:
            self._groups[name] = self._grouped(name)
        return self._groups[name]

    def _grouped(self, name: str) -> Sections | None:
        where = self.positions.get(name)
        if name not in self.columns or where is None or where.code is None or self.layout is None:
            return None
        code = where.code
        sorted_already = bool((code[1:] >= code[:-1]).all())
        order = np.arange(code.size) if sorted_already else np.argsort(code, kind="stable")
        found = code[order]
        first = int(np.searchsorted(found, 0))
        order, found = order[first:], found[first:]
        if not order.size:
            return None
        start = np.flatnonzero(np.append(True, found[1:] != found[:-1]))
        return Sections(found[start], order, start)

    @cached_property
    def positioned(self) -> tuple[str, ...]:
        """Tables whose rows lie in sections."""
        return tuple(name for name in self.columns if self.sections(name) is not None)

    @cached_property
    def scans(self) -> tuple[str, ...]:
        """Tables of the scan whose rows lie in sections."""
        return tuple(name for name in self.positioned if name.startswith("scan/"))

    @cached_property
    def hole_bottom(self) -> float:
        """Depth of the end of the deepest core [m]; NaN without cores."""
        top, advance = self.number("cores", "top"), self.number("cores", "advance")
        return float("nan") if top is None or advance is None else float(np.max(top + advance))

    @cached_property
    def water_depth(self) -> float:
        """Depth of the water [m]; NaN where it is not given."""
        return self.setting("hole", "water_depth", "m")

    def key(self, code: int) -> tuple[str, str]:
        """Core and section of a row of the table of sections."""
        table = self.columns["sections"]
        return str(table["core"][code]), str(table["section"][code])

    def rows_of_sections(self, codes: Iterable[int]) -> dict[str, np.ndarray]:
        """Rows of all tables that lie in some sections."""
        wanted = np.zeros(len(self.layout.codes) if self.layout else 0, dtype=bool)
        wanted[list(codes)] = True
        found = {}
        for name in self.positioned:
            where = self.positions[name]
            code = where.code if where is not None else None
            if code is not None and wanted.any():
                found[name] = np.flatnonzero(wanted[code] & (code >= 0))
        return found

    def rows_of_core(self, core: int) -> dict[str, np.ndarray]:
        """Rows of all tables that lie in one core, by its row in the table of cores."""
        return self.rows_of_cores([core])

    def rows_of_cores(self, cores: Sequence[int] | np.ndarray) -> dict[str, np.ndarray]:
        """Rows of all tables that lie in some cores, by their rows in the table of cores."""
        if self.layout is None:
            return {}
        return self.rows_of_sections(np.flatnonzero(np.isin(self.layout.core_of, cores)).tolist())

    def rows_below(self, code: int, *, itself: bool = False) -> dict[str, np.ndarray]:
        """Rows of all tables in the sections of the same core below a section.

        The depths of a core that is squeezed into its advance depend on every length, so that
        all of its rows are given.
        """
        layout = self.layout
        if layout is None:
            return {}
        core = layout.core_of[code]
        if layout.factor[core] < 1.0:
            return self.rows_of_core(int(core))
        same = np.flatnonzero(layout.core_of == core)
        least = layout.above[code] if itself else np.nextafter(layout.above[code], np.inf)
        below = same[(layout.above[same] >= least) | ((same == code) & itself)]
        return self.rows_of_sections([c for c in below.tolist() if itself or c != code])


def column(table: Columns, header: str) -> np.ndarray | None:
    """A column of numbers of a table; None where it is missing or holds no number."""
    if header not in table or table[header].dtype.kind != "f":
        return None
    values = np.asarray(table[header])
    return values if np.isfinite(values).any() else None


def median(values: np.ndarray | Sequence[float]) -> float:
    """Median of the numbers; NaN without any."""
    held = np.asarray(values, dtype=float)
    held = held[np.isfinite(held)]
    return float(np.median(held)) if held.size else float("nan")


def more(count: int, what: str) -> str:
    """How many further cases have the same contradiction; empty for one case."""
    if count < 2:
        return ""
    return f" (and in {count - 1} more {what}{'s' if count > 2 else ''})"


def of_rows(
    tables: Tables,
    check: str,
    name: str,
    rows: np.ndarray,
    words: str,
    likely: str,
    cure: str,
    number: str,
) -> Finding:
    """A finding of some rows of one table, placed at the first of them, all of them flagged."""
    table, row = tables.columns[name], int(rows[0])
    return Finding(
        check,
        table.file,
        words,
        likely,
        cure,
        number,
        str(table["core"][row]) if "core" in table else "",
        str(table["section"][row]) if "section" in table else "",
        table.line(row),
        int(rows.size),
        {name: rows},
    )


def factor_in_words(
    value: float, low: float, high: float, slips: Sequence[tuple[float, str]], otherwise: str
) -> str:
    """The slip whose factor brings a number into its range; the first that does.

    Parameters
    ----------
    value, low, high : float
        The number in doubt and the range of sound ones.
    slips : sequence of (float, str)
        Factor to multiply by, and the slip in words.
    otherwise : str
        Words where no factor does.

    Returns
    -------
    str
    """
    for factor, words in slips:
        if low <= value * factor <= high:
            return words
    return otherwise


def temperature_unit(value: float, expected: float, slack: float) -> str:
    """The unit that explains a temperature [degC] as written, near an expected one [degC]."""
    guesses = (
        (value - 273.15, "K under degC"),
        ((value - 32.0) / 1.8, "degF under degC"),
        (value / 1000.0, "mK, or thousandths of degC, under degC"),
        (value / 10.0, "tenths of degC under degC"),
        (value + 273.15, "degC under K"),
    )
    for meant, words in guesses:
        if abs(meant - expected) <= slack:
            return words
    return "the unit, or the temperature itself, is wrong"
