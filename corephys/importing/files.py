"""Read a foreign file as text: encoding, delimiter, header, row of units, cells, line numbers.

Text files, Excel workbooks and parquet files give the same :class:`ForeignFile`. Nothing is
converted here: a cell is the text that the file holds, without white space at its ends.
"""

from __future__ import annotations

import codecs
import csv
import datetime
import importlib
import io
import itertools
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

__all__ = [
    "DELIMITERS",
    "ENCODINGS",
    "FileFault",
    "ForeignFile",
    "Layout",
    "decode",
    "find_delimiter",
    "read_file",
    "split_unit",
]

DELIMITERS = (",", ";", "\t", "|")
ENCODINGS = ("utf-8", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252")
WORKBOOKS = (".xlsx", ".xlsm")
PARQUET = (".parquet", ".pq")
# Rows taken at one time: few enough lists that Python's garbage collector does not run each time.
_BLOCK = 256
_LINES_OF_A_LOOK = 20  # lines in which a delimiter is looked for


class FileFault(ValueError):
    """A foreign file cannot be read; the message names the cure."""


@dataclass(frozen=True, kw_only=True)
class Layout:
    """How a foreign file is written.

    Parameters
    ----------
    encoding : str
        One of :data:`ENCODINGS`; empty for the byte-order mark, else UTF-8.
    delimiter : str
        One of :data:`DELIMITERS`, or ``"space"`` for any white space; empty to look for it.
    decimal : {".", ","}
        Decimal mark.
    thousands : {"", ",", ".", " ", "'"}
        Mark between thousands; empty for none.
    skip_lines : int
        Lines before the header.
    skip_to : str
        The header is the first line that begins with this text; empty for no such rule.
    header_lines : int
        Lines of the header, joined cell by cell; 0 names the columns 1, 2, 3.
    units_row : bool
        The row after the header holds units.
    comment : str
        Lines that begin with it are skipped.
    sheet : str
        Sheet of a workbook; empty for the only one.
    complete : bool
        Take the last line although it has no line end.
    """

    encoding: str = ""
    delimiter: str = ""
    decimal: str = "."
    thousands: str = ""
    skip_lines: int = 0
    skip_to: str = ""
    header_lines: int = 1
    units_row: bool = False
    comment: str = ""
    sheet: str = ""
    complete: bool = False


@dataclass
class ForeignFile:
    """A foreign file as text.

    Parameters
    ----------
    name : str
        Path for messages.
    header : list of str
        Names of the columns.
    units : list of str
        Unit of each column from the row of units, empty for none.
    columns : list of lists of str
        Cells by column.
    rows : sequence of int
        Line of the file of each row; row of the sheet in a workbook.
    refused : list of (int, str, str)
        Line, reason and text of each row that cannot be split into the columns.
    comments : int
        Lines that begin with the comment mark.
    unfinished : str
        Last line, which has no line end and is not taken; empty for none.
    encoding, delimiter : str
        As used.
    above : list of str
        Lines above the header, those of comments included; cells of a workbook joined with a space.
    """

    name: str
    header: list[str]
    units: list[str]
    columns: list[list[str]]
    rows: Sequence[int]
    refused: list[tuple[int, str, str]] = field(default_factory=list)
    comments: int = 0
    unfinished: str = ""
    encoding: str = ""
    delimiter: str = ""
    above: list[str] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.rows)


def read_file(
    path: str | Path, layout: Layout | None = None, name: str = "", raw: bytes | None = None
) -> ForeignFile:
    """Read a text file, an Excel workbook or a parquet file as text.

    Parameters
    ----------
    path : str or Path
        File; its ending distinguishes workbooks (.xlsx, .xlsm), parquet (.parquet, .pq) and text.
    layout : Layout, optional
        How it is written.
    name : str
        Path for messages; by default that of the file.
    raw : bytes, optional
        Contents that were read already.

    Returns
    -------
    ForeignFile

    Raises
    ------
    FileFault
        When the file has no header, another encoding or no columns, or a package is missing.
    """
    path, layout = Path(path), layout or Layout()
    name = name or path.name
    content = path.read_bytes() if raw is None else raw
    ending = path.suffix.lower()
    if ending in WORKBOOKS:
        found = _from_rows(_sheet_rows(content, layout, name), layout, name)
    elif ending in PARQUET:
        found = _parquet(content, name)
    else:
        found = _text(content, layout, name)
    for position, column in enumerate(found.columns):
        found.columns[position] = _stripped(column)
    return _without_unnamed(found)


# --------------------------------------------------------------------------------------------------
# Encoding and delimiter.


def decode(raw: bytes, encoding: str = "", name: str = "the file") -> tuple[str, str]:
    """Text of a file and its encoding.

    Parameters
    ----------
    raw : bytes
        Contents.
    encoding : str
        One of :data:`ENCODINGS`; empty for the byte-order mark, else UTF-8.
    name : str
        Path for messages.

    Returns
    -------
    tuple of str and str
        Text without byte-order mark, and the encoding.

    Raises
    ------
    FileFault
        When the bytes are not in that encoding.
    """
    if not encoding:
        utf_16 = raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
        encoding = "utf-16" if utf_16 else "utf-8"
    try:
        text = raw.decode("utf-8-sig" if encoding == "utf-8" else encoding)
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise FileFault(
            f"{name}:{line}: the byte 0x{raw[error.start]:02x} is not {encoding.upper()}; set "
            'encoding, such as encoding = "latin-1" or "utf-16"'
        ) from None
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise FileFault(
            f"{name}:{line}: the line holds a zero byte; set encoding, such as "
            'encoding = "utf-16-le", or wait until the file is written'
        )
    return text.removeprefix("\ufeff"), encoding


def find_delimiter(lines: Sequence[str], decimal: str = ".") -> str:
    """The delimiter of a header and the lines below it.

    Parameters
    ----------
    lines : sequence of str
        Header first.
    decimal : {".", ","}
        Decimal mark, which is no delimiter.

    Returns
    -------
    str
        The one of :data:`DELIMITERS` with the most columns among those that give the same number
        of columns in every line, else the most frequent in the header; a comma only where no other
        gives as many; empty without any.
    """
    counts: dict[str, list[int]] = {}
    for mark in (*DELIMITERS[1:], DELIMITERS[0]):
        if mark in lines[0] and mark != decimal:
            shown = csv.reader(lines, delimiter=mark)
            counts[mark] = [len(row) for row in shown if row]
    even = [mark for mark, found in counts.items() if len(set(found)) == 1]
    return max(even or counts, key=lambda mark: counts[mark][0], default="")


# --------------------------------------------------------------------------------------------------
# Text files.


def _text(raw: bytes, layout: Layout, name: str) -> ForeignFile:
    """Columns of a text file."""
    raw, torn = (raw, False) if layout.complete else _without_torn_character(raw, layout.encoding)
    text, encoding = decode(raw, layout.encoding, name)
    unfinished = ""
    if text and not layout.complete and text[-1] not in "\r\n":
        cut = max(text.rfind("\n"), text.rfind("\r")) + 1
        text, unfinished = text[:cut], text[cut:] + ("\N{REPLACEMENT CHARACTER}" if torn else "")
    delimiter = layout.delimiter or _look_for_delimiter(text, layout, name)
    found = None
    if delimiter != "space" and not layout.comment:
        found = _regular(text, layout, delimiter, name)
    if found is None:
        found = _from_rows(_text_rows(text, layout, delimiter, name), layout, name)
    found.encoding, found.delimiter = encoding, delimiter
    lines = itertools.islice(_lines(text), len(found.above))
    found.above = [line.strip() for line in lines]
    found.unfinished = found.unfinished or unfinished
    return found


def _without_torn_character(raw: bytes, encoding: str) -> tuple[bytes, bool]:
    """The bytes without the beginning of a character at their end, in a file that grows."""
    if encoding.startswith("utf-16") or raw[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        return raw[: len(raw) // 2 * 2], len(raw) % 2 == 1
    if encoding not in ("", "utf-8"):
        return raw, False
    tail = raw[-3:]  # a character has four bytes at most, and the first of them tells how many
    for length in range(1, len(tail) + 1):
        first = tail[-length]
        if first >= 0xC0:
            whole = 2 + (first >= 0xE0) + (first >= 0xF0)
            return (raw[:-length], True) if length < whole else (raw, False)
        if first < 0x80:
            break
    return raw, False


def _lines(text: str) -> io.StringIO:
    """Lines of a text with any line end."""
    return io.StringIO(text, newline=None)


def _look_for_delimiter(text: str, layout: Layout, name: str) -> str:
    """The delimiter of the first lines from the header on."""
    kept = (line for line in _lines(text) if not _is_comment(line, layout.comment))
    if layout.skip_to:
        kept = itertools.dropwhile(lambda line: not _begins(line, layout.skip_to), kept)
        start = 0
    else:
        start = max(0, layout.skip_lines)
        kept = _lines(text)
    first = list(itertools.islice(kept, start, start + _LINES_OF_A_LOOK))
    first = [line for line in first if line.strip() and not _is_comment(line, layout.comment)]
    if not first:
        return ","  # without a header, which is reported where rows are read
    found = find_delimiter(first, layout.decimal)
    if not found:
        shown = first[0].strip()[:60]
        raise FileFault(
            f"{name}: no delimiter was found in {shown!r}; set delimiter, such as "
            'delimiter = "space", or skip_lines if the header is further down'
        )
    return found


def _is_comment(line: str, mark: str) -> bool:
    return bool(mark) and line.lstrip().startswith(mark)


def _begins(line: str, text: str) -> bool:
    return line.lstrip("\ufeff \"'\t").startswith(text)


def _regular(text: str, layout: Layout, delimiter: str, name: str) -> ForeignFile | None:
    """Columns of a regular file: one line a row, all fields present; None for any other file.

    Rows become columns a block at a time, and equal cells share one text, so that a million rows
    are never held as lists.
    """
    lines = _lines(text)
    line = sum(1 for _ in itertools.islice(lines, layout.skip_lines))
    if layout.skip_to:
        for one in lines:
            line += 1
            if _begins(one, layout.skip_to):
                lines.seek(0)
                line -= 1
                sum(1 for _ in itertools.islice(lines, line))
                break
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    try:
        head = list(itertools.islice(reader, layout.header_lines + layout.units_row))
        if reader.line_num != layout.header_lines + layout.units_row or not all(head):
            return None
        header, units = _header(head, layout)
        columns: list[list[str]] = [[] for _ in header]
        share: Callable[[str, str], str] = {}.setdefault  # type: ignore[assignment]
        count = 0
        while block := list(itertools.islice(reader, _BLOCK)):
            if not header:
                header, units = [str(n + 1) for n in range(len(block[0]))], [""] * len(block[0])
                columns = [[] for _ in header]
            if set(map(len, block)) != {len(header)}:
                return None
            count += len(block)
            for column, cells in zip(columns, zip(*block, strict=True), strict=True):
                column.extend(map(share, cells, cells))
    except csv.Error:
        return None
    first = line + len(head) + 1
    if not header or reader.line_num != len(head) + count or "" in columns[0]:
        return None
    found = ForeignFile(name, header, units, columns, range(first, first + count))
    found.above = [""] * line
    return found


def _text_rows(
    text: str, layout: Layout, delimiter: str, name: str
) -> Iterator[tuple[int, list[str]]]:
    """Line number and cells of every line, those of comments too."""
    if delimiter == "space":
        for number, line in enumerate(_lines(text), 1):
            yield number, line.split()
        return
    number = 0

    def counted() -> Iterator[str]:
        nonlocal number
        for line in _lines(text):
            number += 1
            # A quotation mark in a comment or in the lines before the header opens no text.
            before = number <= layout.skip_lines or _is_comment(line, layout.comment)
            yield line.replace('"', "'") if before else line

    reader = csv.reader(counted(), delimiter=delimiter, strict=True)
    while True:
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            if "unexpected end" in str(error):
                return  # a text that is still open: the file is half written
            raise FileFault(
                f"{name}:{number}: the line cannot be split into fields ({error}); close every "
                "quotation mark, and double a quotation mark inside quotes"
            ) from None
        yield number, row


def _from_rows(rows: Iterable[tuple[int, list[str]]], layout: Layout, name: str) -> ForeignFile:
    """Columns from numbered rows; a row that does not fit the header is refused."""
    head: list[list[str]] = []
    body: list[list[str]] = []
    numbers: list[int] = []
    refused: list[tuple[int, str, str]] = []
    comments, waiting = 0, bool(layout.skip_to)
    needed = layout.header_lines + layout.units_row
    header: list[str] = []
    units: list[str] = []
    above: list[str] = []
    for number, row in rows:
        if not head and not header:
            above += [""] * (number - len(above))  # a text over several lines is one row
            above[-1] = " ".join(cell.strip() for cell in row if cell.strip())
        if number <= layout.skip_lines or not any(cell.strip() for cell in row):
            continue
        if _is_comment(row[0], layout.comment):
            comments += 1
            continue
        if waiting:
            if not _begins(next(cell for cell in row if cell.strip()), layout.skip_to):
                continue
            waiting = False
        if len(head) < needed:
            head.append(row)
            continue
        if not header:
            header, units = _header(head, layout)
            if not header:
                header, units = [str(n + 1) for n in range(len(row))], [""] * len(row)
        if len(row) > len(header) and not any(cell.strip() for cell in row[len(header) :]):
            row = row[: len(header)]  # delimiters at the end of the line
        if len(row) != len(header):
            kind = "more" if len(row) > len(header) else "fewer"
            what = f"{len(row)} fields, {kind} than the {len(header)} of the header"
            refused.append((number, what, " | ".join(row)))
            continue
        body.append(row)
        numbers.append(number)
    if not header:
        header, units = _header(head, layout)
    if not header:
        sought = f"a line that begins with {layout.skip_to!r}" if waiting else "a header"
        raise FileFault(
            f"{name} holds no rows: {sought} was not found; set skip_lines, skip_to or "
            "header_lines, or wait until the file is written"
        )
    columns = list(map(list, zip(*body, strict=True))) if body else [[] for _ in header]
    found = ForeignFile(name, header, units, columns, numbers, refused, comments)
    found.above = above[:-1]  # without the header itself
    return found


def _header(head: list[list[str]], layout: Layout) -> tuple[list[str], list[str]]:
    """Names and units of the columns from the rows above the first reading."""
    names, units = head[: layout.header_lines], head[layout.header_lines :]
    width = max(map(len, names), default=0)
    header = [
        " ".join(row[n].strip() for row in names if n < len(row) and row[n].strip())
        for n in range(width)
    ]
    given = [_unbracketed(cell.strip()) for cell in (units[0] if units else [])]
    return header, [given[n] if n < len(given) else "" for n in range(width)]


def _unbracketed(cell: str) -> str:
    """A cell of a row of units without the bracket around the whole of it."""
    name, unit = split_unit(f"unit {cell}")
    return unit if name == "unit" and unit else cell


def _stripped(column: list[str]) -> list[str]:
    """Cells without white space at their ends."""
    cut = {cell: cell.strip() for cell in set(column) if cell != cell.strip()}
    return [cut.get(cell, cell) for cell in column] if cut else column


def _without_unnamed(file: ForeignFile) -> ForeignFile:
    """Take out empty columns without a name; name others by their number."""
    keep = [n for n, name in enumerate(file.header) if name or any(file.columns[n])]
    file.header = [file.header[n] or f"column {n + 1}" for n in keep]
    file.units = [file.units[n] for n in keep]
    file.columns = [file.columns[n] for n in keep]
    return file


# --------------------------------------------------------------------------------------------------
# Workbooks and parquet.


def _package(module: str, extra: str, name: str) -> Any:
    """A package that is needed for this kind of file alone."""
    try:
        return importlib.import_module(module)
    except ImportError:
        raise FileFault(
            f"{name} needs the package {module.partition('.')[0]}, which is not installed; "
            f"install it with: pip install 'corephys[{extra}]'"
        ) from None


def _sheet_rows(raw: bytes, layout: Layout, name: str) -> Iterator[tuple[int, list[str]]]:
    """Number and cells of every row of one sheet."""
    openpyxl = _package("openpyxl", "excel", name)
    try:
        book = openpyxl.load_workbook(io.BytesIO(raw), read_only=True, data_only=True)
    except Exception as error:  # a broken archive raises many kinds of error
        raise FileFault(
            f"{name} cannot be read as a workbook ({error}); save it as .xlsx, or wait until it "
            "is written"
        ) from error
    names = book.sheetnames
    sheet = layout.sheet or (names[0] if len(names) == 1 else "")
    if sheet not in names:
        given = f"no sheet {layout.sheet!r}" if layout.sheet else "several sheets"
        raise FileFault(f"{name} has {given}; set sheet to one of {', '.join(map(repr, names))}")
    for number, row in enumerate(book[sheet].iter_rows(), 1):
        yield number, [_sheet_cell(cell) for cell in row]
    book.close()


def _sheet_cell(cell: Any) -> str:
    """Text of one cell of a workbook; 0.45 that is shown as 45% is "45%"."""
    value = cell.value
    if isinstance(value, (int, float)) and "%" in str(cell.number_format):
        return f"{100.0 * value:.15g}%"
    return _cell_text(value)


def _cell_text(value: Any) -> str:
    """Text of one cell of a workbook or parquet file."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return "" if value != value else repr(value)
    if isinstance(value, (datetime.datetime, datetime.date, datetime.time)):
        return value.isoformat()
    return str(value)


def _parquet(raw: bytes, name: str) -> ForeignFile:
    """Columns of a parquet file; the unit of a column may stand in its metadata."""
    parquet = _package("pyarrow.parquet", "parquet", name)
    arrow = importlib.import_module("pyarrow")
    try:
        table = parquet.read_table(io.BytesIO(raw))
    except arrow.ArrowException as error:
        raise FileFault(
            f"{name} cannot be read as parquet ({error}); save it again, or wait for its writer"
        ) from error
    header, units, columns = [], [], []
    for column in table.schema:
        words = column.metadata or {}
        header.append(str(column.name))
        units.append((words.get(b"units") or words.get(b"unit") or b"").decode("utf-8", "replace"))
        values = table.column(column.name)
        kind = column.type
        if arrow.types.is_float32(kind) or arrow.types.is_float16(kind):
            # The shortest decimal of a single-precision number, not of its double.
            texts = [
                "" if v != v else str(v) for v in values.to_numpy().astype(kind.to_pandas_dtype())
            ]
            missing = values.is_null().to_pylist()
            columns.append(["" if m else t for m, t in zip(missing, texts, strict=True)])
        else:
            columns.append([_cell_text(value) for value in values.to_pylist()])
    return ForeignFile(name, header, units, columns, range(1, table.num_rows + 1))


# --------------------------------------------------------------------------------------------------
# Headers.

_BRACKET = re.compile(r"^(?P<name>.*\S)\s*(?:\[(?P<square>[^\[\]]*)\]|\((?P<round>.*)\))\s*$")


def split_unit(header: str) -> tuple[str, str]:
    """Split a foreign header into name and the text of its last bracket.

    Parameters
    ----------
    header : str
        Header such as ``Density (g/cc)`` or ``Depth [m]``.

    Returns
    -------
    tuple of str and str
        Name and text of the square or round bracket at the end, as written; empty without one.

    Examples
    --------
    >>> split_unit("Conductivity (W/(m K))")
    ('Conductivity', 'W/(m K)')
    """
    found = _BRACKET.match(header.strip())
    if not found:
        return header.strip(), ""
    unit = found["square"] if found["square"] is not None else found["round"]
    # The last bracket that closes at the end: "Depth (below floor) (m)" has the unit m.
    if found["round"] is not None:
        depth, start = 0, 0
        text = header.strip()
        for position in range(len(text) - 1, -1, -1):
            depth += {")": 1, "(": -1}.get(text[position], 0)
            if depth == 0:
                start = position
                break
        name, unit = text[:start].strip(), text[start + 1 : -1]
        return (name, unit.strip()) if name else (text, "")
    return found["name"].strip(), unit.strip()
