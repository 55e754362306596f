"""Facts about the columns of a foreign table: kind, numbers, codes of missing values, dates.

What is found here holds for the cells that were read and for no others; nothing is a guess about
what a column means.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np

from corephys.importing.files import split_unit
from corephys.importing.foreign_units import ForeignUnit, read_unit, split_header, units_with_words
from corephys.importing.text_layout import FoundLayout, is_number

__all__ = ["ColumnFacts", "column_facts", "decimal_sign", "plain_words"]

# Codes that loggers and archives write for "no value". Text is compared in small letters.
_NULL_TEXTS = frozenset(
    (
        "na",
        "n/a",
        "n.a.",
        "nan",
        "null",
        "none",
        "nil",
        "-",
        "--",
        "---",
        "*",
        "**",
        "***",
        "****",
        "nd",
        "n.d.",
        "#n/a",
        "#na",
        "missing",
        "inf",
        "-inf",
        "?",
        "x",
        "..",
        "#value!",
        "#div/0!",
    )
)
_NULL_NUMBERS = (
    -999.25,
    -999.0,
    -9999.0,
    -99999.0,
    -999.99,
    -9999.99,
    -99.99,
    -99.0,
    -32768.0,
    9999.0,
    99999.0,
    999.99,
    9999.99,
    999.25,
    999.0,
    1e30,
    -1e30,
    1e34,
    1e35,
    999999.0,
    -999999.0,
)
_SAFE_NULLS = (-999.25, -9999.0, -99999.0, -999.0, -9999.99, -999.99, -32768.0, 1e30, -1e30, 1e34)
_DATES = (
    "%Y-%m-%d",
    "%d/%m/%Y",
    "%m/%d/%Y",
    "%d.%m.%Y",
    "%d-%m-%Y",
    "%m-%d-%Y",
    "%Y/%m/%d",
    "%d-%b-%Y",
    "%d %b %Y",
    "%d %B %Y",
    "%b %d %Y",
    "%d/%m/%y",
    "%m/%d/%y",
    "%d.%m.%y",
    "%Y%m%d",
    "%d-%b-%y",
    "%Y.%m.%d",
)
_CLOCKS = ("", "%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%H:%M:%S.%f")
_LOOKS_DATED = re.compile(
    r"^\d{1,4}[-/. ](?:\d{1,2}|[A-Za-z]{3,9})[-/. ]\d{2,4}(?:[T ,]+\d{1,2}:\d{2}.*)?$|^\d{8}$"
)
_CLOCK = re.compile(r"^\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?: ?[AaPp][Mm])?$")
_OFFSET = re.compile(r"(?:Z|[+-]\d\d:?\d\d)$")
_ZONE = re.compile(r"\b(UTC|GMT|Z)\b")
_LOOKED_AT = 2000  # cells whose dates are tried


@dataclass(frozen=True, eq=False)
class ColumnFacts:
    """What the cells and the header of one column show.

    Parameters
    ----------
    header : str
        Header as written.
    source : str
        What a mapping calls the column: its header, or its number.
    name : str
        Header without its unit.
    words : str
        Name in small letters without accents and signs, its words set apart by single blanks.
    unit_text : str
        Unit as written; empty where none is written.
    unit : ForeignUnit or None
        The same as read.
    unit_place : str
        "bracket", "comma", "slash", "ending", "row", or empty.
    stated : str
        Unit as the import reads it from the row of units or the last bracket; empty for none.
    kind : {"number", "text", "date", "clock", "empty"}
        What most cells hold.
    values : ndarray
        Numbers, NaN for codes of missing values and for text; as long as the column.
    cells : list of str
        Cells as written.
    nulls : tuple of str
        Codes of missing values as written.
    doubtful_nulls : tuple of str
        Numbers that may be such codes.
    unread : tuple of str
        Cells of a column of numbers that hold text and are no code of missing values.
    date_formats : tuple of str
        Formats of ``strptime`` that read all dates.
    zone : str
        Time zone in the header or behind the times; empty where none is written.
    """

    header: str
    source: str
    name: str
    words: str
    unit_text: str
    unit: ForeignUnit | None
    unit_place: str
    stated: str
    kind: str
    values: np.ndarray
    cells: list[str] = field(repr=False)
    nulls: tuple[str, ...] = ()
    doubtful_nulls: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()
    date_formats: tuple[str, ...] = ()
    zone: str = ""

    @property
    def examples(self) -> list[str]:
        """The first three different cells with content."""
        return list(dict.fromkeys(cell for cell in self.cells if cell))[:3]

    @property
    def filled(self) -> int:
        """Number of cells with content that is no code of missing values."""
        return sum(1 for cell in self.cells if cell and cell not in self.nulls)

    @property
    def low(self) -> float:
        """Lowest number."""
        return float(np.nanmin(self.values)) if np.isfinite(self.values).any() else np.nan

    @property
    def high(self) -> float:
        """Highest number."""
        return float(np.nanmax(self.values)) if np.isfinite(self.values).any() else np.nan

    @property
    def median(self) -> float:
        """Middle number."""
        return float(np.nanmedian(self.values)) if np.isfinite(self.values).any() else np.nan

    @property
    def whole(self) -> bool:
        """Whether all numbers are whole."""
        there = self.values[np.isfinite(self.values)]
        return bool(there.size) and bool((there == np.round(there)).all())

    @property
    def rising(self) -> bool:
        """Whether no number is lower than the one before it, and not all are equal."""
        there = self.values[np.isfinite(self.values)]
        return there.size > 1 and bool((np.diff(there) >= 0).all()) and there[-1] > there[0]

    @property
    def constant(self) -> bool:
        """Whether all cells with content are the same."""
        return len({cell for cell in self.cells if cell}) == 1

    def in_words(self) -> str:
        """Kind, range or examples, for a comment."""
        if self.kind == "empty":
            return "empty"
        unit = f" {self.unit_text}" if self.unit_text else ""
        if self.kind == "number":
            count = int(np.isfinite(self.values).sum())
            return f"numbers {self.low:g} to {self.high:g}{unit}, {count} of {len(self.cells)} rows"
        return f"{self.kind}: {', '.join(self.examples)}{unit}"


def decimal_sign(rows: Sequence[Sequence[str]], delimiter: str) -> tuple[str, str]:
    """The decimal sign of a table, and a doubt in words where commas may set thousands apart."""
    commas, points, threes = 0, 0, 0
    for row in rows[:_LOOKED_AT]:
        for cell in row:
            if "," in cell and is_number(cell):
                commas += 1
                threes += bool(re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", cell.strip()))
            elif "." in cell and is_number(cell):
                points += 1
    if commas <= points:
        return ".", ""
    if threes == commas:
        return ",", (
            "each comma in a number has three digits behind it and may set thousands apart; "
            "commas were read as decimal signs"
        )
    return ",", ""


def plain_words(name: str) -> str:
    """Words of a header in small letters, without accents and signs.

    Examples
    --------
    >>> plain_words("PWVel_SAT")
    'pw vel sat'
    >>> plain_words("Densité humide")
    'densite humide'
    """
    import unicodedata

    text = name.replace("ß", "ss").replace("ø", "o").replace("Ø", "O").replace("æ", "ae")
    text = unicodedata.normalize("NFKD", text)
    text = "".join(letter for letter in text if not unicodedata.combining(letter))
    text = re.sub(r"([a-z])([A-Z])", r"\1 \2", text)
    text = re.sub(r"\b([A-Z]{2,3})([A-Z][a-z]{2,})", r"\1 \2", text)
    return " ".join(re.findall(r"[a-z0-9%]+", text.lower()))


def column_facts(layout: FoundLayout, decimal: str) -> list[ColumnFacts]:
    """Facts of every column of a file, in the order of its header."""
    columns = list(zip(*layout.rows, strict=True)) or [() for _ in layout.header]
    units_row = layout.units_row or ("",) * len(layout.header)
    found = []
    for number, (header, cell, cells) in enumerate(
        zip(layout.header, units_row, columns, strict=True), 1
    ):
        facts = _facts(header, cell, list(cells), decimal)
        if layout.numbered:  # the import sees no header, and so no unit
            facts = replace(facts, source=str(number), stated="")
        found.append(facts)
    return found


def _facts(header: str, unit_cell: str, cells: list[str], decimal: str) -> ColumnFacts:
    filled = [cell for cell in cells if cell]
    values = _numbers(cells, decimal)
    numbers = int(np.isfinite(values).sum())
    texts = [cell for cell, value in zip(cells, values, strict=True) if cell and np.isnan(value)]
    nulls = {cell for cell in texts if cell.lower() in _NULL_TEXTS}
    other = [cell for cell in texts if cell not in nulls]
    kind = "number"
    formats: tuple[str, ...] = ()
    if not filled or (len(nulls) and not numbers and not other):
        kind = "empty"
    elif other and len(other) > 0.1 * (numbers + len(other)):
        kind = "text"
        formats = _date_formats(other)
        if formats:
            kind = "date"
        elif all(_CLOCK.match(cell) for cell in other[:_LOOKED_AT]):
            kind = "clock"
    elif numbers and all(re.fullmatch(r"(?:19|20)\d{6}", cell) for cell in filled[:_LOOKED_AT]):
        kind, formats = "date", _date_formats(filled)
    name, unit_text, place = split_header(header)
    if unit_cell and read_unit(unit_cell) is not None:
        unit_text, place = unit_cell, "row"
    if kind in ("text", "date", "clock") and place in ("slash", "ending", "comma"):
        name, unit_text, place = header, "", ""
    sure, maybe = _null_numbers(cells, values) if kind == "number" else ((), ())
    if kind == "number":
        values = np.where(np.isin(cells, list(sure)), np.nan, values)
    else:
        values = np.full(len(cells), np.nan)
        nulls = {cell for cell in nulls if kind in ("date", "clock")}
        other = []
    zone = ""
    if kind in ("date", "clock"):
        found = _ZONE.search(f"{header} {units_with_words(header)} {unit_cell}")
        zone = "UTC" if found else ""
        if not zone and all(_OFFSET.search(cell) for cell in filled) and kind == "date":
            zone = "in each cell"
    return ColumnFacts(
        header,
        header,
        name,
        plain_words(name),
        unit_text,
        read_unit(unit_text) if unit_text else None,
        place,
        unit_cell or split_unit(header)[1],
        kind,
        values,
        cells,
        tuple(sorted({*nulls, *sure})),
        maybe,
        tuple(dict.fromkeys(other)),
        formats,
        zone,
    )


def _numbers(cells: Sequence[str], decimal: str) -> np.ndarray:
    """Numbers of the cells, NaN where there is none."""
    values = np.full(len(cells), np.nan)
    for at, cell in enumerate(cells):
        if is_number(cell):
            plain = cell.replace(",", ".") if decimal == "," else cell
            if "," not in plain and plain.count(".") <= 1:
                values[at] = float(plain)
    return values


def _null_numbers(
    cells: Sequence[str], values: np.ndarray
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Numbers that surely stand for a missing value, and those that may; both as written.

    Such a number stands alone: it is the highest or the lowest, and far from all others.
    """
    sure: list[str] = []
    maybe: list[str] = []
    counts = Counter(values[np.isfinite(values)].tolist())
    for code in _NULL_NUMBERS:
        if code not in counts:
            continue
        others = np.array([value for value in counts if value not in _NULL_NUMBERS])
        written = tuple(
            dict.fromkeys(cell for cell, value in zip(cells, values, strict=True) if value == code)
        )
        if not others.size:
            maybe.extend(written)
            continue
        low, high = others.min(), others.max()
        span = max(high - low, abs(high), abs(low))
        # Readings that are never negative, and a code of the sign that they do not have.
        signed = code < 0.0 <= low
        apart = code < low - 2 * span or code > high + 2 * span
        if (signed or apart) and (code in _SAFE_NULLS or counts[code] > 1):
            sure.extend(written)
        elif (
            signed
            or apart
            or (code in _SAFE_NULLS and not low <= code <= high)
            or 0.0 < high - low < max(low - code, code - high)  # the least or greatest by far
        ):
            maybe.extend(written)
    return tuple(sure), tuple(maybe)


def _date_formats(cells: Sequence[str]) -> tuple[str, ...]:
    """Formats that read all cells; ``ISO 8601`` stands for times that need no format."""
    sample = list(dict.fromkeys(cells))[:_LOOKED_AT]
    if not sample or not all(_LOOKS_DATED.match(cell) for cell in sample):
        return ()
    if all(re.match(r"^\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d|$)", cell) for cell in sample):
        return ("ISO 8601",)
    found = []
    for date in _DATES:
        for clock in _CLOCKS:
            form = f"{date} {clock}".strip()
            if all(_reads(cell, form) for cell in sample):
                found.append(form)
    return tuple(found)


def _reads(cell: str, form: str) -> bool:
    try:
        read = datetime.strptime(cell, form)
    except ValueError:
        return False
    return 1950 <= read.year <= 2100
