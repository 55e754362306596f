"""Read a comma-separated file as text and check its encoding, header and field counts.

Cells stay text, so that "01" is not 1 and "NA" is a name.
"""

from __future__ import annotations

import csv
import io
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from corephys.hole.reading.error import Problem, rows_in_words

__all__ = ["Cells", "decode", "from_frame", "parse"]

# Rows read at one time: few enough lists that Python's garbage collector does not run each time.
_BLOCK = 256


@dataclass
class Cells:
    """A table as text, before units and kinds are read.

    Parameters
    ----------
    file : str
        Path or name for messages.
    header : list of str
        Headers as written, or as mapped by ``columns=``.
    columns : list
        For each header a list of str, or an ndarray of numbers or times from a DataFrame.
    lines : sequence of int
        Line in the file of each row, or its position in the DataFrame.
    """

    file: str
    header: list[str]
    columns: list[Any]
    lines: Sequence[int]

    def __len__(self) -> int:
        return len(self.lines)


def parse(raw: bytes, file: str) -> tuple[Cells | None, list[Problem]]:
    """Split the contents of a file into cells; None for an empty file or one with faults.

    ``file`` is the path for messages.
    """
    text, problem = decode(raw, file)
    if text is None:
        return None, [problem] if problem else []
    regular = _regular(text, file)
    if regular is not None and all(regular.header):
        return regular, []
    return _row_by_row(text, file)


def _regular(text: str, file: str) -> Cells | None:
    """The cells of a regular file: one line a row, all fields present; None for any other file.

    Rows become columns a block at a time, so that a million rows are never held as lists.
    """
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        header = [name.strip() for name in next(reader, [])]
        columns: list[Any] = [[] for _ in header]
        while block := list(itertools.islice(reader, _BLOCK)):
            if set(map(len, block)) != {len(header)}:
                return None
            for column, cells in zip(columns, zip(*block, strict=True), strict=True):
                column.extend(cells)
    except csv.Error:
        return None
    if len(header) < 2 or "" in columns[0] or reader.line_num != len(columns[0]) + 1:
        return None
    return Cells(file, header, columns, range(2, len(columns[0]) + 2))


def _row_by_row(text: str, file: str) -> tuple[Cells | None, list[Problem]]:
    """The cells of any file, or the faults of its rows."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[list[str]] = []
    lines: list[int] = []
    try:
        for row in reader:
            # A blank line, or the bare commas a spreadsheet leaves below a table, is no row.
            if any(row):
                rows.append(row)
                lines.append(reader.line_num)
    except csv.Error as error:
        what = f"the line cannot be split into fields ({error})"
        mend = "Close every quotation mark, and double a quotation mark inside quotes"
        return None, [Problem(file, reader.line_num, "", what, mend)]
    if not rows:
        return None, []
    header, body, lines = [name.strip() for name in rows[0]], rows[1:], lines[1:]
    if len(header) == 1 and (";" in header[0] or "\t" in header[0]):
        sign = "semicolons" if ";" in header[0] else "tabs"
        what = f"the fields are separated by {sign}"
        mend = "Save the table with commas between fields and points in decimal numbers"
        return None, [Problem(file, 1, "", what, mend)]
    problems = _field_counts(header, body, lines, file)
    if problems:
        return None, problems
    columns: list[Any] = list(map(list, zip(*body, strict=True))) if body else [[] for _ in header]
    return _drop_unnamed(Cells(file, header, columns, lines))


def decode(raw: bytes, file: str) -> tuple[str | None, Problem | None]:
    """Text of a UTF-8 file with or without byte-order mark, or the problem that prevents it."""
    mend = "Save the file as UTF-8"
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return None, Problem(file, None, "", "the file is UTF-16, not UTF-8", mend)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        what = f"the byte 0x{raw[error.start]:02x} is not UTF-8"
        return None, Problem(file, line, "", what, mend)
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        return None, Problem(file, line, "", "the line holds a zero byte", mend)
    return text, None


def _field_counts(
    header: list[str], body: list[list[str]], lines: list[int], file: str
) -> list[Problem]:
    """Rows with more or fewer fields than the header, one problem for each wrong count."""
    expected = len(header)
    wrong: dict[int, list[int]] = {}
    for row, line in zip(body, lines, strict=True):
        if len(row) != expected:
            wrong.setdefault(len(row), []).append(line)
    problems = []
    for count, where in wrong.items():
        kind = "more" if count > expected else "fewer"
        what = f"{count} fields, {kind} than the {expected} of the header"
        what += rows_in_words(len(where))
        mend = (
            "Put quotes round a text that holds a comma, and write decimal points, not commas"
            if count > expected
            else "Give every row a field for every column, empty where nothing was measured"
        )
        problems.append(Problem(file, where[0], "", what, mend))
    return problems


def _drop_unnamed(cells: Cells) -> tuple[Cells | None, list[Problem]]:
    """Remove empty columns without a name (a trailing comma); one with values is a fault."""
    problems, keep = [], []
    for position, name in enumerate(cells.header):
        if name:
            keep.append(position)
            continue
        column = cells.columns[position]
        held = next((line for cell, line in zip(column, cells.lines, strict=True) if cell), None)
        if held is not None:
            what = f"column {position + 1} has no name and holds values, first in line {held}"
            problems.append(Problem(cells.file, 1, "", what, "Name the column, or take it out"))
    header = [cells.header[i] for i in keep]
    columns = [cells.columns[i] for i in keep]
    return Cells(cells.file, header, columns, cells.lines), problems


def from_frame(frame: pd.DataFrame, file: str) -> tuple[Cells, list[Problem]]:
    """Cells of a DataFrame with headers ``name [unit]``; numbers and times keep their type.

    ``file`` is the name of the table for messages.
    """
    columns: list[Any] = []
    for position in range(frame.shape[1]):
        column = frame.iloc[:, position]
        if isinstance(column.dtype, pd.DatetimeTZDtype):
            column = column.dt.tz_convert("UTC").dt.tz_localize(None)
        kind = getattr(column.dtype, "kind", "O")
        if kind in "iufM" and isinstance(column.dtype, np.dtype):
            columns.append(column.to_numpy())
        else:
            blank = column.isna().to_numpy()
            cells = column.astype(object).to_numpy()
            columns.append(["" if b else str(c) for c, b in zip(cells, blank, strict=True)])
    header = [str(name).strip() for name in frame.columns]
    return Cells(file, header, columns, range(len(frame))), []
