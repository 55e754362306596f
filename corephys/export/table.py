"""One table of a report with its footnotes, as CSV, Markdown, LaTeX and XLSX."""

from __future__ import annotations

import csv
import html
import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from corephys.ground.provenance import write_bytes

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = ["NothingToTabulate", "ReportTable"]

K1 = "± is the standard uncertainty, k = 1, random and systematic together; empty where unknown."
# Spreadsheets take cells that begin with one of these for formulas.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
# Characters that LaTeX reads as commands, and signs that need a command in the usual fonts.
_LATEX = {
    "\\": r"\textbackslash{}",
    "&": r"\&",
    "%": r"\%",
    "$": r"\$",
    "#": r"\#",
    "_": r"\_",
    "{": r"\{",
    "}": r"\}",
    "~": r"\textasciitilde{}",
    "^": r"\textasciicircum{}",
    "±": r"$\pm$",
    "°": r"\textdegree{}",
    "²": r"$^2$",
    "³": r"$^3$",
    "µ": r"\textmu{}",
    "Ω": r"$\Omega$",
    "ρ": r"$\rho$",
    "φ": r"$\phi$",
    "λ": r"$\lambda$",
    "σ": r"$\sigma$",
    "χ": r"$\chi$",
    "′": r"$'$",
    "−": r"$-$",
    "×": r"$\times$",
    "·": r"$\cdot$",
    "<": r"\textless{}",
    ">": r"\textgreater{}",
    "|": r"\textbar{}",
    "`": r"\textasciigrave{}",
    "≥": r"$\geq$",
    "≤": r"$\leq$",
    "…": r"\ldots{}",
}


class NothingToTabulate(ValueError):
    """The reduced hole lacks the data of a table."""


@dataclass(frozen=True)
class Column:
    """One column of a report table.

    Parameters
    ----------
    label : str
        Heading, with the unit in brackets unless it is 1.
    cells : tuple of str
        Cells as printed.
    values : tuple of float, str or None
        Numbers or texts at full precision, None for an empty cell.
    marks : tuple of str
        Letters of the footnotes of each cell; empty if no cell has one.
    of : str
        Quantity of an uncertainty. In print its place beside the value shows it; the heading in a
        file names it.
    """

    label: str
    cells: tuple[str, ...]
    values: tuple[float | str | None, ...]
    marks: tuple[str, ...] = ()
    of: str = ""

    @property
    def name(self) -> str:
        """Heading in a file, unique in the table."""
        sign, bracket, unit = self.label.partition(" [")
        return f"{sign} of {self.of}{bracket}{unit}" if self.of else self.label

    @property
    def number(self) -> bool:
        """Whether the cells are numbers."""
        return all(isinstance(value, float) or value is None for value in self.values)

    def mark(self, row: int) -> str:
        """Letters of the footnotes of a cell."""
        return self.marks[row] if self.marks else ""


@dataclass(frozen=True)
class ReportTable:
    """A table of the report.

    Parameters
    ----------
    name : str
        Name of the files.
    title : str
        Title over the table.
    columns : tuple of Column
        Columns from left to right.
    notes : tuple of str
        Footnotes in their order.
    """

    name: str
    title: str
    columns: tuple[Column, ...]
    notes: tuple[str, ...] = field(default_factory=tuple)

    def __len__(self) -> int:
        return len(self.columns[0].cells)

    @property
    def frame(self) -> pd.DataFrame:
        """Values at full precision, by the headings of the columns."""
        return pd.DataFrame({one.name: list(one.values) for one in self.columns})

    def __repr__(self) -> str:
        return self.to_markdown()

    def _repr_html_(self) -> str:
        head = "".join(f"<th>{html.escape(one.label)}</th>" for one in self.columns)
        rows = "".join(
            "<tr>"
            + "".join(
                f'<td style="text-align:{"right" if one.number else "left"}">'
                f"{html.escape(one.cells[row])}<sup>{html.escape(one.mark(row))}</sup></td>"
                for one in self.columns
            )
            + "</tr>"
            for row in range(len(self))
        )
        notes = "".join(f"<div>{html.escape(note)}</div>" for note in self.notes)
        return (
            f'<div style="overflow-x:auto"><b>{html.escape(self.title)}</b><table>'
            f"<thead><tr>{head}</tr></thead>"
            f'<tbody>{rows}</tbody></table><div style="font-size:85%">{notes}</div></div>'
        )

    def to_csv(self) -> str:
        """Cells as printed, with footnote letters in separate columns and without footnotes.

        Returns
        -------
        str
            CSV text. A text cell that a spreadsheet would take for a formula gets an apostrophe
            in front.
        """
        stream = io.StringIO()
        out = csv.writer(stream, lineterminator="\n")
        header = []
        for one in self.columns:
            header += [one.name] + ([f"note on {one.name}"] if one.marks else [])
        out.writerow([_plain(cell) for cell in header])
        # Once a column: it looks at all values, of which a scan has tens of thousands.
        numbers = [one.number for one in self.columns]
        for row in range(len(self)):
            cells = []
            for one, number in zip(self.columns, numbers, strict=True):
                # The minus sign of a number begins no formula.
                cell = one.cells[row] if number else _plain(one.cells[row])
                cells += [cell] + ([one.mark(row)] if one.marks else [])
            out.writerow(cells)
        return stream.getvalue()

    def to_markdown(self) -> str:
        """Pipe table with its title above and its footnotes below.

        Returns
        -------
        str
            Markdown text that ends in a line break.
        """
        lines = [f"<!-- corephys {version()} -->", "", f"**{_markdown(self.title)}**", ""]
        lines.append("| " + " | ".join(_markdown(one.label) for one in self.columns) + " |")
        lines.append("|" + "|".join("--:" if one.number else ":--" for one in self.columns) + "|")
        for row in range(len(self)):
            cells = []
            for one in self.columns:
                mark = f" ({one.mark(row)})" if one.mark(row) else ""
                cells.append(_markdown(one.cells[row]) + mark)
            lines.append("| " + " | ".join(cells) + " |")
        for note in self.notes:
            lines += ["", _markdown(note)]
        return "\n".join(lines) + "\n"

    def to_latex(self) -> str:
        """Longtable with rules of booktabs; needs both packages and textcomp.

        Returns
        -------
        str
            LaTeX source for the command input.
        """
        kinds = "".join("r" if one.number else "l" for one in self.columns)
        head = " & ".join(_latex(one.label) for one in self.columns)
        lines = [
            f"% corephys {version()}",
            "% needs \\usepackage{booktabs,longtable,textcomp}",
            f"\\begin{{longtable}}{{{kinds}}}",
            f"\\caption{{{_latex(self.title)}}}\\\\",
            "\\toprule",
            f"{head} \\\\",
            "\\midrule",
            "\\endhead",
            "\\bottomrule",
            "\\endfoot",
        ]
        for row in range(len(self)):
            cells = []
            for one in self.columns:
                mark = f"$^{{\\mathrm{{{one.mark(row)}}}}}$" if one.mark(row) else ""
                cells.append(_latex(one.cells[row]) + mark)
            lines.append(" & ".join(cells) + " \\\\")
        lines.append("\\end{longtable}")
        lines += [f"\\noindent\\footnotesize {_latex(note)}\\par" for note in self.notes]
        return "\n".join(lines) + "\n"


def text_column(label: str, values: Iterable[object]) -> Column:
    """Column of texts; None and NaN are empty cells."""
    words = tuple(
        "" if v is None or str(v) == "nan" else str(v) for v in np.asarray(values, object)
    )
    return Column(label, words, words)


def fixed_column(label: str, values: ArrayLike, places: int) -> Column:
    """Column of numbers with a fixed number of decimals, as positions have; NaN is empty."""
    held = values_of(values)
    return Column(label, tuple("" if v is None else f"{v:.{places}f}" for v in held), held)


def version() -> str:
    """Version of the package."""
    from corephys import __version__

    return str(__version__)


def workbook(tables: Sequence[ReportTable], path: Path) -> bytes:
    """Bytes of an XLSX workbook with a sheet for each table; its title is the name of ``path``."""
    import datetime

    import xlsxwriter

    stream = io.BytesIO()
    book = xlsxwriter.Workbook(
        stream,
        {
            "in_memory": True,
            # Text of the user must stay text: names may look like formulas or addresses.
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "nan_inf_to_errors": False,
        },
    )
    # A date stamp would make identical files differ.
    book.set_properties({"title": path.stem, "created": datetime.datetime(2000, 1, 1)})
    bold, wrapped = book.add_format({"bold": True}), book.add_format({"text_wrap": True})
    formats: dict[str, Any] = {}
    for table in tables:
        sheet = book.add_worksheet(table.name[:31])  # the longest name that XLSX allows
        sheet.write_string(0, 0, table.title, bold)
        place = 0
        for one in table.columns:
            _write_column(book, sheet, formats, one, place, (bold, wrapped))
            place += 1 + bool(one.marks)
        for number, note in enumerate(table.notes):
            sheet.write_string(len(table) + 3 + number, 0, note)
        sheet.freeze_panes(2, 0)
    book.close()
    return stream.getvalue()


def write_as(
    tables: Sequence[ReportTable], folder: Path, kinds: Sequence[str], book: str
) -> list[Path]:
    """Write tables as texts of some kinds (csv, md, tex), and all of them as the workbook ``book``.

    The kind ``xlsx`` asks for the workbook, which is not written without a table.
    """
    folder.mkdir(parents=True, exist_ok=True)
    made = {"csv": ReportTable.to_csv, "md": ReportTable.to_markdown, "tex": ReportTable.to_latex}
    paths = [
        write_bytes(folder / f"{table.name}.{kind}", made[kind](table).encode("utf-8"))
        for table in tables
        for kind in kinds
        if kind != "xlsx"
    ]
    if "xlsx" in kinds and tables:
        path = folder / book
        paths.append(write_bytes(path, workbook(tables, path)))
    return paths


def _write_column(
    book: Any, sheet: Any, formats: dict[str, Any], one: Column, place: int, inks: tuple[Any, Any]
) -> None:
    """Write a column with the digits of its cells, and the letters of its footnotes beside it."""
    sheet.write_string(1, place, one.name, inks[0])
    width = max([len(one.name), *(len(cell) for cell in one.cells)], default=8)
    sheet.set_column(place, place, min(width + 1, 40))
    if one.marks:
        sheet.write_string(1, place + 1, "note", inks[0])
        sheet.set_column(place + 1, place + 1, 5)
    number = one.number
    for row, cell in enumerate(one.cells):
        if number and cell:
            # The cell stays a number for computing, and shows the digits of the printed table.
            mantissa, power, _ = cell.partition("e")
            places = len(mantissa.partition(".")[2])
            shown = ("0." + "0" * places if places else "0") + "E+00" * bool(power)
            if shown not in formats:
                formats[shown] = book.add_format({"num_format": shown})
            sheet.write_number(row + 2, place, float(cell), formats[shown])
        elif cell:
            sheet.write_string(row + 2, place, cell)
        if one.mark(row):
            sheet.write_string(row + 2, place + 1, one.mark(row))


def _plain(cell: str) -> str:
    """Cell that no spreadsheet takes for a formula."""
    return f"'{cell}" if cell.startswith(_FORMULA) else cell


def _markdown(text: str) -> str:
    """Text without meaning to Markdown and HTML."""
    text = " ".join(text.split()).replace("\\", "\\\\").replace("|", "\\|")
    text = text.replace("&", "&amp;")
    for sign in "*_`[]<>~$":
        text = text.replace(sign, "\\" + sign)
    return text


def _latex(text: str) -> str:
    """Text without meaning to LaTeX."""
    # A power of a unit, such as m^2, is set high; any other circumflex stays a sign.
    pieces = re.split(r"(?<=[A-Za-z)])\^(-?\d+)", " ".join(text.split()))
    text = "".join(
        f"$^{{{piece}}}$" if odd % 2 else "".join(_LATEX.get(sign, sign) for sign in piece)
        for odd, piece in enumerate(pieces)
    )
    # LaTeX joins two hyphens into a dash, and reads a bracket or star at the start of a row as an
    # option of the line break before it.
    text = text.replace("--", "-{}-")
    return f"{{}}{text}" if text.startswith(("[", "*")) else text


def values_of(array: ArrayLike) -> tuple[float | None, ...]:
    """Numbers of an array, None for NaN and infinity."""
    return tuple(float(v) if np.isfinite(v) else None for v in np.asarray(array, dtype=float))
