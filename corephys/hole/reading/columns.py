"""Cells to columns: names and units from the header, numbers and times from text.

A cell that is not a number becomes NaN; its text is kept, and reading continues.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from corephys.ground import thresholds, units
from corephys.ground.choices import matching
from corephys.ground.vocabulary import TERMS
from corephys.hole.reading.csv import Cells
from corephys.hole.reading.error import Problem, nearest, rows_in_words
from corephys.hole.reading.tables import Column, Table

__all__ = ["PLACES", "Columns", "read_columns"]

_OFFSET = re.compile(r"(?:Z|[+-]\d\d:?\d\d)$")
# Terms of the vocabulary that are positions and not quantities.
PLACES = ("depth", "depth_fitted", "depth_closed", "offset", "offset_closed")
_BEYOND = thresholds.value("beyond_any_instrument")  # in the unit of each column


@dataclass
class Columns:
    """A table with its values, kinds and units.

    Parameters
    ----------
    table : Table
        Its schema.
    cells : Cells
        Headers and text that were read.
    values : dict of str to ndarray
        Object arrays of str, float64 in the schema's unit, or datetime64[s] in UTC.
    units : dict of str to str
        Unit of each number column.
    bad : list of (row, column, text)
        Cells that are not a number or time, or whose number is beyond any instrument.
    bad_rows : ndarray of bool
        Rows with a bad cell in a column that the quantity of the row needs.
    unread : dict of str to list of int
        Rows with a bad cell in each other column of the schema: that cell is missing, and the row
        is as good as with an empty cell.
    contents : dict of str
        The cells of each column of ``values`` as they were given.
    """

    table: Table
    cells: Cells
    values: dict[str, Any] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    bad: list[tuple[int, str, str]] = field(default_factory=list)
    bad_rows: Any = None
    unread: dict[str, list[int]] = field(default_factory=dict)
    contents: dict[str, Any] = field(default_factory=dict)

    def __contains__(self, name: str) -> bool:
        return name in self.values

    def __getitem__(self, name: str) -> Any:
        return self.values[name]

    def __len__(self) -> int:
        return len(self.cells)

    @property
    def file(self) -> str:
        """Name for messages."""
        return self.cells.file

    def line(self, row: int) -> int:
        """Line of a row for messages."""
        return self.cells.lines[row]

    def bad_cells(self) -> str:
        """JSON list of [row, column, text]."""
        return json.dumps(self.bad, ensure_ascii=False)


def read_columns(cells: Cells, table: Table, zone: str = "UTC") -> tuple[Columns, list[Problem]]:
    """Values, kinds and units of a table by its schema, and its faults.

    ``zone`` is the time zone of times without one.
    """
    columns = Columns(table, cells, bad_rows=np.zeros(len(cells), dtype=bool))
    schema = table.by_name
    problems: list[Problem] = []
    for header, content in zip(cells.header, cells.columns, strict=True):
        name, unit, problem = _split(header, schema, cells.file)
        if problem:
            problems.append(problem)
            continue
        if name in columns:
            what = f"the column {name!r} is there twice"
            mend = "Keep one of the two, or rename the other"
            problems.append(Problem(cells.file, 1, header, what, mend))
            continue
        column = schema.get(name) or _foreign(table, name, unit, content)
        columns.contents[name] = content
        problem = _read(columns, column, name, unit, content, header, zone)
        if problem:
            problems.append(problem)
    for row, name, _ in columns.bad:
        if name in schema and _needed(columns, name):
            columns.bad_rows[row] = True
        elif name in schema:
            columns.unread.setdefault(name, []).append(row)
    problems += _absent(columns, problems)
    for column in table.columns:
        if column.name in columns and column.kind == "text":
            problems += _words(columns, column)
    return columns, problems


def _split(header: str, schema: dict[str, Column], file: str) -> tuple[str, str, Problem | None]:
    """Name and unit of a header; the unit of the schema itself needs no slow parsing by pint."""
    name, _, rest = header.partition("[")
    name = name.strip()
    column = schema.get(name)
    if column is not None and column.unit and rest == f"{column.unit}]":
        return name, column.unit, None
    try:
        name, unit = units.split_header(header)
    except units.UnitError as error:
        expected = f"Write {column.header!r}" if column else "Write a unit that is known"
        # The header to write says it better than examples of other units.
        what = str(error).removesuffix(units.EXAMPLES).rstrip() if column else str(error)
        return name, "", Problem(file, 1, header, what.rstrip("."), expected)
    return name, unit, None


def _foreign(table: Table, name: str, unit: str, content: Any) -> Column:
    """A column that is not in the schema; of numbers if every cell is a number."""
    number = (
        bool(unit)
        or name.startswith(table.number_prefixes or ("\0",))
        or not isinstance(content, list)
        or (any(content) and not _numbers(content)[1])
    )
    if isinstance(content, np.ndarray) and content.dtype.kind == "M":
        return Column(name, "time", "", "optional")
    return Column(name, "number" if number else "text", None if number else "", "optional")


def _read(
    columns: Columns, column: Column, name: str, unit: str, content: Any, header: str, zone: str
) -> Problem | None:
    """Read one column into ``columns``, or return its fault."""
    file = columns.file
    if column.kind != "number" and unit:
        kind = "a text" if column.kind == "text" else "a date and time (ISO 8601)"
        what = f"{name} is {kind} and has no unit"
        return Problem(file, 1, header, what, f"Write the header {column.header!r}")
    if column.kind == "text":
        if isinstance(content, np.ndarray) and content.dtype.kind == "f":
            if np.isnan(content).all():  # pandas reads an empty text column so
                columns.values[name] = _objects([""] * len(content))
                return None
            what = f"{name} is a text and was given as floating-point numbers"
            mend = "Read the column as text: pandas.read_csv(..., dtype=str)"
            return Problem(file, None, header, what, mend)
        shared: dict[str, str] = {}
        texts = [shared.setdefault(text, text) for text in map(str.strip, map(str, content))]
        if column.former:
            present = dict(column.former)
            texts = [present.get(text.lower(), text) for text in texts]
        columns.values[name] = _objects(texts)
        return None
    known = name in columns.table.by_name
    if column.kind == "time":
        values, bad = _times(content, zone)
    else:
        if column.unit not in ("1", None) and not unit:
            what = f"{name} has no unit"
            return Problem(file, 1, header, what, f"Write the header {column.header!r}")
        if name.startswith("u_"):
            # An uncertainty is a difference: the zero of a temperature scale is not added to it.
            unit = units.difference_unit(unit)
        target = column.unit or unit or "1"
        if target == units.PRACTICAL_SALINITY:
            target = "g/kg"
        values, bad = _numbers(content)
        try:
            values = units.convert(values, unit or target, target)
        except units.UnitError as error:
            mend = f"Write the header {column.header!r} and values in that unit"
            return Problem(file, 1, header, str(error).rstrip("."), mend)
        columns.units[name] = target
        if name == "salinity" and target == "g/kg":
            problem = _salinity(columns, column, values, unit, content, header)
            if problem:
                return problem
        if known or name in TERMS or name.startswith(columns.table.number_prefixes or ("\0",)):
            far = _far(values, column)
            bad = sorted({*bad, *far})
            values = np.where(np.isin(np.arange(values.size), far), np.nan, values)
    if bad and column.solid:
        row = bad[0]
        what = f"{content[row]!r} is not a number{rows_in_words(len(bad))}"
        if str(content[row]).strip() and _numbers([str(content[row])])[1] == []:
            what = f"{content[row]} is beyond any instrument{rows_in_words(len(bad))}"
        return Problem(file, columns.line(row), header, what, "Write a number; the depths need it")
    columns.values[name] = values
    columns.bad += [(row, name, str(content[row])) for row in bad]
    if column.solid and np.isnan(values).any():
        row = int(np.flatnonzero(np.isnan(values))[0])
        what = f"the cell is empty{rows_in_words(int(np.isnan(values).sum()))}"
        return Problem(file, columns.line(row), header, what, "Write a number; the depths need it")
    return None


def _needed(columns: Columns, name: str) -> bool:
    """Whether a row is bad when its cell of this column is: it holds the quantity or the place."""
    table = columns.table
    if table.by_name[name].need != "optional" or name in table.content:
        return True
    if name == "depth" and table.positioned:
        return not all(place in columns for place in ("core", "section", "offset"))
    # Of columns that stand in for each other, the only one that is there is needed.
    return any(
        name in group and not any(other in columns for other in group if other != name)
        for group in table.one_of
    )


def _far(values: np.ndarray, column: Column) -> list[int]:
    """Rows with a number beyond any instrument, whose powers would leave the range of floats."""
    with np.errstate(invalid="ignore"):
        far = (np.abs(values) > _BEYOND) | (values < column.least) | (values > column.greatest)
    return np.flatnonzero(far).tolist()


def _salinity(
    columns: Columns, column: Column, values: Any, unit: str, content: Any, header: str
) -> Problem | None:
    """The fault of an impossible unit of salinity: a pure number, or psu for sodium chloride."""
    if unit == units.PRACTICAL_SALINITY and "brine" in columns.table.by_name:
        what = "psu is practical salinity, which is defined for sea water only"
        mend = "Write 'salinity [g/kg]' and the mass of salt in a kilogram of solution"
        return Problem(columns.file, 1, header, what, mend)
    above = np.flatnonzero(values > column.greatest)
    if unit not in ("1", "%") or not above.size:
        return None
    row = int(above[0])
    what = (
        f"{content[row]} as a mass fraction [{unit}] is {values[row]:g} g/kg"
        f"{rows_in_words(above.size)}"
    )
    mend = "Write 'salinity [psu]' for practical salinity, 'salinity [g/kg]' for absolute salinity"
    return Problem(columns.file, columns.line(row), header, what, mend)


def _objects(texts: list[str]) -> np.ndarray:
    """Texts as an object array; NumPy would make fixed-width strings of them."""
    array = np.empty(len(texts), dtype=object)
    array[:] = texts
    return array


def _numbers(content: Any) -> tuple[np.ndarray, list[int]]:
    """Floats, and the rows that are not numbers; an empty cell is NaN and not bad."""
    if isinstance(content, np.ndarray):
        if content.dtype.kind == "M":
            return np.full(content.size, np.nan), list(range(content.size))
        values = content.astype(float)
        bad = np.flatnonzero(np.isinf(values)).tolist()
        values[bad] = np.nan
        return values, bad
    joined = "".join(content)
    if "_" not in joined and joined.isascii():  # float() also reads 1_000 and foreign digits
        try:
            values = np.fromiter(map(float, [c or "nan" for c in content]), float, len(content))
        except ValueError:
            pass
        else:
            if not np.isinf(values).any():
                return values, []
    values, bad = np.full(len(content), np.nan), []
    for row, cell in enumerate(content):
        text = cell.strip()
        if not text or text.lower() == "nan":
            continue
        if _NUMBER.match(text):
            values[row] = float(text)
        if not np.isfinite(values[row]):
            values[row] = np.nan
            bad.append(row)
    return values, bad


_NUMBER = re.compile(r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$", re.ASCII)


def _times(content: Any, zone: str) -> tuple[np.ndarray, list[int]]:
    """Times in UTC, and the rows that are not times; an empty cell is NaT and not bad."""
    if isinstance(content, np.ndarray):
        if content.dtype.kind == "M":
            return content.astype("datetime64[s]"), []
        content = [str(cell) for cell in content]
    texts = pd.Series([cell.strip() for cell in content], dtype=object)
    stamps = pd.to_datetime(texts, format="ISO8601", utc=True, errors="coerce")
    if zone != "UTC" and len(texts):
        # A local time that a change of clocks skips or repeats is not one time: NaT.
        naive = ~texts.str.contains(_OFFSET)
        local = stamps[naive].dt.tz_localize(None)
        local = local.dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
        stamps[naive] = local.dt.tz_convert("UTC")
    values = stamps.dt.tz_localize(None).to_numpy().astype("datetime64[s]")
    bad = np.flatnonzero(np.isnat(values) & (texts != "").to_numpy(dtype=bool)).tolist()
    return values, bad


def _absent(columns: Columns, problems: list[Problem]) -> list[Problem]:
    """Required columns that are missing, unless their header has a fault that is reported."""
    table, file = columns.table, columns.file
    tried = {p.column.partition("[")[0].strip() for p in problems}
    unknown = [n for n in columns.values if n not in table.by_name]
    # A faulty header of depth is one problem; core, section and offset are not missing as well.
    place, instead, words = _place(table)
    has_depth = bool(place) and all(name in columns or name in tried for name in instead)
    by_name = table.supplied and any(
        name in TERMS and name not in PLACES for name in columns.values
    )
    found = []
    for column in table.columns:
        if by_name and column.name in ("quantity", "value", "unit"):
            continue
        if column.need == "optional" or column.name in columns or column.name in tried:
            continue
        if column.name in place and has_depth:
            continue
        guess = nearest(column.name, unknown)
        hint = f" ({guess!r} is there: map it with columns= or rename it)" if guess else ""
        what = f"there is no column {column.name!r}{hint}"
        mend = f"Add the column {column.header!r}"
        if column.name in place:
            mend += f", or give {words}"
        found.append(Problem(file, 1, column.header, what, mend))
    for group in table.one_of:
        if not any(name in columns or name in tried for name in group):
            headers = " or ".join(repr(table.by_name[name].header) for name in group)
            what = f"there is no column {' and no '.join(group)}"
            found.append(Problem(file, 1, "", what, f"Add the column {headers}"))
    return found


def _place(table: Table) -> tuple[tuple[str, ...], tuple[str, ...], str]:
    """Columns that give the place of a row, those that may stand in their place, and words."""
    if table.interval:
        words = "'top [m]' and 'bottom [m]' in place of core, section, from and to"
        return ("core", "section", "from", "to"), ("top", "bottom"), words
    if table.positioned:
        words = "'depth [m]' in place of core, section and offset"
        return ("core", "section", "offset"), ("depth",), words
    return (), (), ""


def _words(columns: Columns, column: Column) -> list[Problem]:
    """Empty keys, and words that are not legal."""
    texts, file, problems = columns[column.name], columns.file, []
    place, instead, _ = _place(columns.table)
    replaced = column.name in place and all(name in columns for name in instead)
    if column.need == "key" and not replaced:
        empty = np.flatnonzero(texts == "")
        if empty.size:
            what = f"the cell is empty{rows_in_words(empty.size)}"
            mend = f"Name the {column.name}"
            problems.append(Problem(file, columns.line(int(empty[0])), column.name, what, mend))
    if not column.choices:
        return problems
    for word in dict.fromkeys(texts):
        if word in column.choices or (not word and column.need == "optional"):
            continue
        rows = np.flatnonzero(texts == word)
        option = matching(word, column.choices)
        if option is not None:
            texts[rows] = option
            continue
        what = f"{word!r} is not one of {', '.join(column.choices)}{rows_in_words(rows.size)}"
        guess = nearest(word, column.choices)
        mend = f"Did you mean {guess!r}?" if guess else "Write one of these words"
        problems.append(Problem(file, columns.line(int(rows[0])), column.name, what, mend))
    return problems
