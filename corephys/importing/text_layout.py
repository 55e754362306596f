"""The layout of a foreign file: encoding, delimiter, comment mark, header line and row of units.

Only the beginning of a text file is read. Nothing is assumed of its maker: the layout follows from
the lines themselves, and what two layouts explain equally well is a doubt in words.
"""

from __future__ import annotations

import csv
import importlib
import io
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from corephys.importing.foreign_units import read_unit

__all__ = ["FoundLayout", "is_number", "layouts"]

# Bytes of a text file, and rows of a workbook, that are looked at.
_BYTES = 4_000_000
_ROWS = 20_000
# In the order in which they are tried: a comma may be a decimal sign, a space part of a text.
_DELIMITERS = ("\t", ";", "|", ",", " ")
_COMMENTS = ("#", "%", "//", "!", "*")
_SAME_WIDTH = 0.8  # share of lines
_NUMBER = re.compile(r"^[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?$", re.ASCII)
_LOG_FILE = re.compile(r"^\s*~[A-Za-z]", re.MULTILINE)


@dataclass(frozen=True)
class FoundLayout:
    """How one text file, or one sheet of a workbook, is laid out.

    Parameters
    ----------
    file : Path
        The file.
    form : {"text", "excel", "parquet"}
        How the file is read.
    header : tuple of str
        Headers as written; empty where no table was found.
    units_row : tuple of str
        Cells of the row of units below the header; empty where there is none.
    rows : tuple of tuple of str
        Rows of the beginning of the file, all as wide as the header.
    encoding : str
        Python's name of the encoding of a text file.
    delimiter : str
        Sign between fields of a text file; a space stands for runs of spaces.
    skip : int
        Lines before the header.
    comment : str
        Mark at the beginning of lines that hold no data; empty where there is none.
    sheet : str
        Name of the sheet of a workbook.
    numbered : bool
        The import must name columns by their number: the header is behind a comment mark, or there
        is none.
    complete : bool
        ``rows`` holds all rows of the file.
    ragged : int
        Number of rows with another number of fields, which are not in ``rows``.
    doubts : tuple of str
        What is not certain, one sentence each.
    """

    file: Path
    form: str = "text"
    header: tuple[str, ...] = ()
    units_row: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    encoding: str = "utf-8"
    delimiter: str = ","
    skip: int = 0
    comment: str = ""
    sheet: str = ""
    numbered: bool = False
    complete: bool = True
    ragged: int = 0
    doubts: tuple[str, ...] = ()


def is_number(cell: str) -> bool:
    """Whether a cell holds one number, with a point or a comma before its decimals."""
    return bool(_NUMBER.match(cell.strip()))


def layouts(file: Path) -> list[FoundLayout]:
    """Layouts of a file: one of a text file or of parquet, one a sheet of a workbook.

    Raises
    ------
    OSError
        When the file cannot be read.
    ImportError
        When the package that reads workbooks or parquet is missing.
    """
    with file.open("rb") as stream:
        raw = stream.read(_BYTES)
    complete = file.stat().st_size <= len(raw)
    if raw.startswith(b"PK\x03\x04"):
        return _workbook(file)
    if raw.startswith(b"PAR1"):
        return [_parquet(file)]
    return [_text(file, raw, complete)]


# Text ---------------------------------------------------------------------------------------------


def _text(file: Path, raw: bytes, complete: bool) -> FoundLayout:
    encoding, text, doubts = _decode(raw, complete)
    if b"\x00" in raw and not encoding.startswith("utf-16"):
        return FoundLayout(file, doubts=("the file is binary and not a table of text",))
    if _LOG_FILE.match(text):
        words = "a well log in LAS form; copy it to downhole/logs/, where it is read as it is"
        return FoundLayout(file, encoding=encoding, doubts=(words,))
    if not complete:
        text = text[: text.rfind("\n") + 1]
    lines = text.splitlines()
    if not any(line.strip() for line in lines):
        return FoundLayout(file, encoding=encoding, doubts=("the file is empty",))
    comment = _comment_mark(lines)
    kept = [
        (at, line)
        for at, line in enumerate(lines)
        if line.strip() and not (comment and line.lstrip().startswith(comment))
    ]
    delimiter, rows = _split([line for _, line in kept])
    found = _header(rows, doubts)
    if found is None:
        return FoundLayout(
            file,
            encoding=encoding,
            delimiter=delimiter,
            comment=comment,
            complete=complete,
            doubts=(*doubts, "no line was found that is followed by rows of as many fields"),
        )
    at, header, units_row, body, ragged = found
    skip = kept[at][0]
    numbered = _numeric(header) > 0.5
    if numbered:
        # The lines hold no header; it may stand behind a comment mark, just above them.
        body, header = [tuple(cell.strip() for cell in header), *body], [""] * len(header)
        marked = [lines[n].lstrip()[len(comment) :] for n in range(skip)] if comment else []
        behind = [cells for line in marked if len(cells := _fields(line, delimiter)) == len(header)]
        if behind and _numeric(behind[-1]) == 0.0:
            header = behind[-1]
            doubts.append("the header stands behind a comment mark; columns go by their number")
        else:
            doubts.append("the file has no header: its first line holds numbers")
    above = [line for line in lines[:skip] if line.strip()]
    if all(comment and line.lstrip().startswith(comment) for line in above):
        skip = 0  # the comment mark leaves them out
    return FoundLayout(
        file,
        "text",
        tuple(cell.strip() for cell in header),
        tuple(units_row),
        tuple(body),
        encoding,
        delimiter,
        skip,
        comment,
        "",
        numbered,
        complete and len(rows) <= _ROWS,
        ragged,
        tuple(doubts),
    )


def _decode(raw: bytes, complete: bool) -> tuple[str, str, list[str]]:
    """Encoding, text and doubts of the first bytes of a file."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16", raw[: len(raw) // 2 * 2].decode("utf-16", errors="ignore"), []
    if raw.startswith(b"\xef\xbb\xbf"):
        return "utf-8-sig", raw.decode("utf-8-sig", errors="ignore"), []
    for encoding, zeros in (("utf-16-le", raw[1:400:2]), ("utf-16-be", raw[0:400:2])):
        # Every second byte of western text is zero; a binary file has zeros anywhere.
        if len(zeros) > 4 and zeros.count(0) > 0.9 * len(zeros):
            return encoding, raw[: len(raw) // 2 * 2].decode(encoding, errors="ignore"), []
    try:
        whole = raw if complete else raw[: raw.rfind(b"\n") + 1]
        return "utf-8", whole.decode("utf-8"), []
    except UnicodeDecodeError:
        words = (
            "the bytes are not UTF-8 and were read as Latin-1; look at the letters with accents "
            "and set encoding if they are wrong"
        )
        return "latin-1", raw.decode("latin-1"), [words]


def _comment_mark(lines: Sequence[str]) -> str:
    """The mark with which lines at the top begin; lines that start with numbers have none."""
    first = next(line.lstrip() for line in lines if line.strip())
    for mark in _COMMENTS:
        marked = [line for line in lines if line.lstrip().startswith(mark)]
        if first.startswith(mark) and 0 < len(marked) < len(lines):
            return mark
    return ""


def _fields(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    return next(csv.reader(io.StringIO(line), delimiter=delimiter), [])


def _split(lines: Sequence[str]) -> tuple[str, list[list[str]]]:
    """The delimiter that splits most lines into the same number of fields, and the fields."""
    best: tuple[float, str, list[list[str]]] = (-1.0, ",", [])
    for rank, delimiter in enumerate(_DELIMITERS):
        sample = lines[-min(len(lines), 200) :]
        counts = Counter(len(_fields(line, delimiter)) for line in sample)
        width, times = counts.most_common(1)[0]
        share = times / len(sample)
        if width < 2:
            continue
        # A regular split by an earlier sign wins, since later signs occur inside numbers and texts.
        score = share - 0.01 * rank
        if share >= _SAME_WIDTH:
            score += 1.0 - 0.1 * rank
        if score > best[0]:
            best = (score, delimiter, [])
    delimiter = best[1]
    if delimiter == " ":
        return delimiter, [line.split() for line in lines[:_ROWS]]
    return delimiter, list(csv.reader(lines[:_ROWS], delimiter=delimiter))


# Header -------------------------------------------------------------------------------------------


def _numeric(cells: Sequence[str]) -> float:
    """Share of the cells with content that hold a number."""
    filled = [cell for cell in cells if cell.strip()]
    return sum(map(is_number, filled)) / len(filled) if filled else 0.0


def _header(
    rows: list[list[str]], doubts: list[str]
) -> tuple[int, list[str], list[str], list[tuple[str, ...]], int] | None:
    """Position of the header, header, row of units, rows of the same width, number of others."""
    counts = Counter(len(row) for row in rows if any(cell.strip() for cell in row))
    if not counts:
        return None
    width = counts.most_common(1)[0][0]
    if width < 2:
        return None
    # A delimiter at the end of each line makes an empty last column.
    while width > 2 and not any(row[width - 1].strip() for row in rows if len(row) == width):
        rows = [row[:-1] if len(row) == width else row for row in rows]
        width -= 1
    there = [at for at, row in enumerate(rows) if len(row) == width]
    at = there[0]
    header = rows[at]
    if len(there) > 1 and there[1] == at + 1 and _is_group_line(header, rows[there[1]]):
        doubts.append("the line above the header holds titles of groups of columns; it is skipped")
        at = there[1]
        header = rows[at]
    below = [rows[n] for n in there if n > at]
    # A row of units is known by the numbers below it.
    units_row: list[str] = []
    if below and _is_units_row(header, below):
        units_row, below = [cell.strip() for cell in below[0]], below[1:]
    body = [tuple(cell.strip() for cell in row) for row in below]
    ragged = sum(1 for row in rows[at + 1 :] if len(row) != width and any(map(str.strip, row)))
    if ragged:
        doubts.append(
            f"{ragged} line(s) below the header do not have its {width} fields; the import refuses "
            "them and names each"
        )
    return at, header, units_row, body, ragged


def _is_group_line(upper: Sequence[str], lower: Sequence[str]) -> bool:
    """A line of titles above the header: with gaps, and itself without numbers."""
    empty = sum(not cell.strip() for cell in upper) / len(upper)
    full = sum(bool(cell.strip()) for cell in lower) / len(lower)
    units = sum(read_unit(cell) is not None for cell in lower if cell.strip())
    return (
        empty >= 0.3
        and full > 0.9
        and _numeric(upper) == 0.0
        and _numeric(lower) == 0.0
        and units < 0.5 * len(lower)
    )


def _is_units_row(header: Sequence[str], below: Sequence[Sequence[str]]) -> bool:
    """Whether the first row holds units: words that are units above columns of numbers."""
    first, rest = below[0], below[1:50]
    if not rest or _numeric(first) > 0.0:
        return False
    columns = [
        n for n in range(len(header)) if sum(is_number(row[n]) for row in rest) > 0.5 * len(rest)
    ]
    cells = [first[n].strip() for n in columns if first[n].strip()]
    known = sum(read_unit(cell) is not None for cell in cells)
    return bool(cells) and known >= 0.5 * len(cells)


# Workbooks and parquet ----------------------------------------------------------------------------


def _workbook(file: Path) -> list[FoundLayout]:
    try:
        openpyxl = importlib.import_module("openpyxl")  # needed for workbooks alone
    except ImportError as error:
        raise ImportError(
            f"{file.name} is a workbook and needs the package openpyxl; "
            "install it with: pip install 'corephys[excel]'"
        ) from error
    book = openpyxl.load_workbook(file, read_only=True, data_only=True)
    found = []
    try:
        for sheet in book.worksheets:
            rows = []
            for row in sheet.iter_rows(values_only=True):
                rows.append([_cell(value) for value in row])
                if len(rows) > _ROWS:
                    break
            found.append(_sheet(file, sheet.title, rows))
    finally:
        book.close()
    return found


def _cell(value: Any) -> str:
    """Text of a cell, as the import writes it."""
    if value is None or value != value:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value.isoformat()) if hasattr(value, "isoformat") else str(value)


def _sheet(file: Path, title: str, rows: list[list[str]]) -> FoundLayout:
    doubts: list[str] = []
    complete = len(rows) <= _ROWS
    # All rows of a sheet have the same width: blank columns at the right are not part of a table,
    # and lines above the header have few cells.
    last = max((n for row in rows for n, cell in enumerate(row) if cell), default=-1)
    rows = [row[: last + 1] for row in rows]
    full = Counter(sum(map(bool, row)) for row in rows if sum(map(bool, row)) > 1)
    start = 0
    if full:
        usual = full.most_common(1)[0][0]
        start = next(n for n, row in enumerate(rows) if sum(map(bool, row)) >= 0.6 * usual)
    found = _header(rows[start:], doubts)
    if found is None:
        words = "the sheet holds no table with a header and two columns"
        return FoundLayout(file, "excel", sheet=title, doubts=(words,))
    at, header, units_row, body, ragged = found
    if _numeric(header) > 0.5:
        doubts.append("the sheet has no header: its first row holds numbers")
    body = [row for row in body if any(row)]
    return FoundLayout(
        file,
        "excel",
        tuple(cell.strip() for cell in header),
        tuple(units_row),
        tuple(body),
        "",
        "",
        start + at,
        "",
        title,
        False,
        complete,
        ragged,
        tuple(doubts),
    )


def _parquet(file: Path) -> FoundLayout:
    try:
        parquet = importlib.import_module("pyarrow.parquet")
    except ImportError as error:
        raise ImportError(
            f"{file.name} is a parquet file and needs the package pyarrow; "
            "install it with: pip install 'corephys[parquet]'"
        ) from error
    opened = parquet.ParquetFile(file)
    batch = next(opened.iter_batches(batch_size=_ROWS), None)
    header = tuple(map(str, opened.schema_arrow.names))
    words = [field.metadata or {} for field in opened.schema_arrow]
    given = tuple((w.get(b"units") or w.get(b"unit") or b"").decode("utf-8") for w in words)
    columns = [] if batch is None else [column.to_pylist() for column in batch.columns]
    rows = tuple(tuple(map(_cell, row)) for row in zip(*columns, strict=True))
    return FoundLayout(
        file,
        "parquet",
        header,
        given if any(given) else (),
        rows,
        "",
        "",
        0,
        "",
        "",
        False,
        opened.metadata.num_rows <= _ROWS,
    )
