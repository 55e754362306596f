"""Checks of columns: cells that cannot be read, a row of units, placeholders, channels that stood
still."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

import numpy as np

from corephys.ground import thresholds
from corephys.ground.vocabulary import TERMS
from corephys.hole.checks.finding import Check, Finding, Tables, median, more, temperature_unit
from corephys.hole.reading.columns import Columns

__all__ = ["CHECKS"]

_UNREADABLE = thresholds.value("slip_unreadable_share")
_SAME = thresholds.count("slip_same_value_readings")
_ROOM = thresholds.value("slip_room")  # degC
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
# Numbers that loggers and spreadsheets write for a missing value.
_PLACEHOLDERS = (-999.0, -999.25, -999.9, -999.99, -9999.0, -9999.25, -9999.9, -99999.0, -999999.0)
# Form of the cells, likely slip, cure.
_FORMS = (
    (
        re.compile(r"[+-]?\d{1,3}(?:,\d{3}){2,}(?:\.\d+)?|[+-]?\d{1,3}(?:,\d{3})+\.\d+"),
        "commas between thousands",
        "Write numbers without commas, such as 1234567.8",
    ),
    (
        re.compile(r"[+-]?\d{1,3}(?:[ '’\u00a0\u202f]\d{3})+(?:[.,]\d+)?"),
        "blanks or apostrophes between thousands",
        "Write numbers without blanks, such as 1234567.8",
    ),
    (
        re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+,\d+"),
        "points between thousands and a decimal comma",
        "Write numbers with a decimal point alone, such as 1234567.8",
    ),
    (
        re.compile(r"[+-]?\d{1,3},\d{3}"),
        "a decimal comma, or a comma between thousands",
        "Write numbers with a decimal point and nothing between thousands",
    ),
    (
        re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?"),
        "a decimal comma",
        "Write numbers with a decimal point, such as 1.5",
    ),
    (
        re.compile(r"\d{1,2}[./-]\d{1,2}[./-]\d{2,4}(?:[ T].*)?"),
        "a date with the day or the month first",
        "Write dates as year-month-day, such as 2031-05-02T06:00:00Z",
    ),
    (
        re.compile(r"\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?"),
        "a time of day, or minutes and seconds, without a date",
        "Write dates as year-month-day with the time, and durations as one number",
    ),
    (
        re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\s*[^\d\s.,+-].*"),
        "a unit or a mark behind the number",
        "Write the number alone, its unit in the header and marks in a column of text",
    ),
)


def _filled(table: Columns, header: str, bad: int) -> int:
    """Number of cells of a column that hold something."""
    values = table[header]
    absent = np.isnat(values) if values.dtype.kind == "M" else np.isnan(values)
    return int((~absent).sum()) + bad


def _unreadable(tables: Tables) -> Iterator[Finding]:
    """Columns of which most cells cannot be read, and first rows that hold units."""
    for table in tables.columns.values():
        if not table.bad:
            continue
        first = [(header, text) for row, header, text in table.bad if row == 0]
        counts = Counter(header for _, header, _ in table.bad)
        alone = [header for header, _ in first if counts[header] == 1 and len(table) > 1]
        if len(first) > 1 and len(alone) > 0.5 * len(first):
            shown = ", ".join(repr(text) for _, text in first[:3])
            yield Finding(
                "columns that cannot be read",
                table.file,
                f"the first row has {len(first)} cells that are no numbers: {shown}",
                "the row below the header holds units or words",
                "Write the units into the headers, such as 'offset [cm]', and take out the row",
                first[0][1],
                row=table.line(0),
                count=len(first),
            )
        for header, count in counts.items():
            if header not in table or count < _UNREADABLE * _filled(table, header, count):
                continue
            if header in alone and count == 1:
                continue
            row, _, text = next(entry for entry in table.bad if entry[1] == header)
            cells = [cell for _, h, cell in table.bad if h == header]
            slip, cure = _form(cells)
            what = "no times" if table[header].dtype.kind == "M" else "no numbers"
            level = median([float(c) for c in cells if _NUMBER.fullmatch(c.strip())])
            if np.isfinite(level) and what == "no numbers":
                what, slip = "beyond any instrument", "another unit than that of the header"
                if header == "temperature":
                    slip = temperature_unit(level, _ROOM, 15.0)
                cure = f"Write the unit of the file in the header of {header!r}"
            yield Finding(
                "columns that cannot be read",
                table.file,
                f"{count} of {_filled(table, header, count)} cells of the column {header!r} are "
                f"{what}, such as {text!r}",
                slip,
                cure,
                text,
                row=table.line(row),
                count=count,
            )


def _quantities_as_text(tables: Tables) -> Iterator[Finding]:
    """Columns that bear the name of a quantity and hold text, so that no stage reads them."""
    for table in tables.columns.values():
        if not table.table.supplied:
            continue
        for header, values in table.values.items():
            if header not in TERMS or values.dtype.kind != "O":
                continue
            filled = [(row, cell) for row, cell in enumerate(values.tolist()) if cell]
            wrong = [(row, cell) for row, cell in filled if not _NUMBER.fullmatch(cell.strip())]
            if not wrong:
                continue
            row, text = wrong[0]
            slip, cure = _form([cell for _, cell in wrong])
            if len(wrong) == 1 and row == 0:
                slip = "the row below the header holds units or words"
            yield Finding(
                "columns that cannot be read",
                table.file,
                f"the column {header!r} holds text, such as {text!r}, in {len(wrong)} of "
                f"{len(filled)} cells, so that none of its numbers is used",
                slip,
                cure,
                text,
                row=table.line(row),
                count=len(wrong),
            )


def _form(cells: list[str]) -> tuple[str, str]:
    """Likely slip and cure of cells that cannot be read, by the form of most of them."""
    shown = [cell.strip() for cell in cells[:1000]]
    for pattern, slip, cure in _FORMS:
        if sum(pattern.fullmatch(cell) is not None for cell in shown) > 0.5 * len(shown):
            return slip, cure
    return (
        "text in a column of numbers",
        "Write numbers alone, leave a cell empty where nothing was measured, and put words into a "
        "column of another name",
    )


def _placeholders(tables: Tables) -> Iterator[Finding]:
    """Numbers that stand for a missing value and would be taken for a measurement."""
    for name, table in tables.columns.items():
        for header, values in table.values.items():
            if values.dtype.kind != "f":
                continue
            if not np.fmin.reduce(values, initial=np.inf) <= max(_PLACEHOLDERS):
                continue
            rows = np.flatnonzero(np.isin(values, _PLACEHOLDERS))
            if not rows.size:
                continue
            row = int(rows[0])
            yield Finding(
                "placeholders",
                table.file,
                f"the column {header!r} holds {values[row]:g}{more(rows.size, 'row')}",
                "a number in place of a missing value",
                "Leave the cell empty where nothing was measured",
                f"{values[row]:g}",
                row=table.line(row),
                count=rows.size,
                moves={name: rows},
            )


_CHANNELS = ("counts", "travel_time", "response")


def _stood_still(tables: Tables) -> Iterator[Finding]:
    """Channels of the scan with one value for many readings in a row."""
    for name, table in tables.columns.items():
        if not name.startswith("scan/") or table.table.supplied:
            continue
        for header in _CHANNELS:
            values = tables.number(name, header)
            if values is None or values.size < _SAME:
                continue
            # A counter of few counts repeats itself by chance.
            change = (np.diff(values) != 0) | (values[1:] == 0) | (np.abs(values[1:]) < 50.0)
            if header == "travel_time":
                change = np.diff(values) != 0
            ends = np.append(np.flatnonzero(change), values.size - 1)
            length = np.diff(ends, prepend=-1)
            long = np.flatnonzero(length >= _SAME)
            if not long.size:
                continue
            rows = np.concatenate([np.arange(ends[k] - length[k] + 1, ends[k] + 1) for k in long])
            row = int(rows[0])
            yield Finding(
                "one value in a row",
                table.file,
                f"{header} is {values[row]:g} in {int(length[long[0]])} readings in a row"
                f"{more(long.size, 'place')}",
                "the channel stood still, or a cell was filled downward",
                "Look at the recording of these readings, and leave cells empty without one",
                f"{values[row]:g}",
                str(table["core"][row]) if "core" in table else "",
                str(table["section"][row]) if "section" in table else "",
                table.line(row),
                rows.size,
                {name: rows},
            )


CHECKS = (
    Check(
        "columns that cannot be read",
        "cells of a column that are no numbers or times with all of its cells; the first row with "
        "the others",
        ("slip_unreadable_share", "slip_room"),
        _unreadable,
    ),
    Check(
        "columns that cannot be read",
        "columns of supplied quantities with numbers",
        (),
        _quantities_as_text,
    ),
    Check("placeholders", "numbers with those that stand for a missing value", (), _placeholders),
    Check(
        "one value in a row",
        "counts, travel time and response with the reading before",
        ("slip_same_value_readings",),
        _stood_still,
    ),
)
