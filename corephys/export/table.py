"""One table of a report: cells to the right digits, footnotes, and its four ways onto paper."""

from __future__ import annotations

import csv
import html
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

__all__ = [
    "K1",
    "Column",
    "NothingToTabulate",
    "ReportTable",
    "fixed_column",
    "text_column",
    "values_of",
    "version",
    "workbook",
]

K1 = "± is the standard uncertainty, k = 1, random and systematic together; empty where unknown."
# Cells that begin with one of these are formulas to a spreadsheet.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
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
    """The reduced hole lacks what a table holds."""


@dataclass(frozen=True)
class Column:
    """One column.

    Parameters
    ----------
    label : str
        Its words, with the unit in brackets where it has one.
    cells : tuple of str
        As printed.
    values : tuple
        The numbers or texts themselves, None where there is none.
    marks : tuple of str
        Letters of footnotes by cell; empty where no cell has one.
    of : str
        What an uncertainty is of, which its place tells in print; the name of the column in a
        file holds it, where names are alone.
    """

    label: str
    cells: tuple[str, ...]
    values: tuple[Any, ...]
    marks: tuple[str, ...] = ()
    of: str = ""

    @property
    def name(self) -> str:
        """Its words where no column stands beside it, another for every column of a table."""
        sign, bracket, unit = self.label.partition(" [")
        return f"{sign} of {self.of}{bracket}{unit}" if self.of else self.label

    @property
    def number(self) -> bool:
        """Whether the cells are numbers."""
        return all(isinstance(value, float) or value is None for value in self.values)

    def mark(self, row: int) -> str:
        """Letters of a cell."""
        return self.marks[row] if self.marks else ""


@dataclass(frozen=True)
class ReportTable:
    """A table of the report.

    Parameters
    ----------
    name : str
        Of its files.
    title : str
        What it holds.
    columns : tuple of Column
        From left to right.
    notes : tuple of str
        Footnotes, the last ones of all.
    """

    name: str
    title: str
    columns: tuple[Column, ...]
    notes: tuple[str, ...] = field(default_factory=tuple)

    def __len__(self) -> int:
        return len(self.columns[0].cells)

    @property
    def frame(self) -> pd.DataFrame:
        """The numbers themselves, not rounded, by the names of the columns."""
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
        """Cells as printed, marks in a column of their own, no footnotes.

        Returns
        -------
        str
            A text cell that a spreadsheet would take for a formula begins with an apostrophe.
        """
        stream = io.StringIO()
        out = csv.writer(stream, lineterminator="\n")
        header = []
        for one in self.columns:
            header += [one.name] + ([f"note on {one.name}"] if one.marks else [])
        out.writerow([_plain(cell) for cell in header])
        for row in range(len(self)):
            cells = []
            for one in self.columns:
                cell = one.cells[row] if one.number else _plain(one.cells[row])
                cells += [cell] + ([one.mark(row)] if one.marks else [])
            out.writerow(cells)
        return stream.getvalue()

    def to_markdown(self) -> str:
        """A pipe table with its title above and its footnotes below.

        Returns
        -------
        str
            Ends in a line break.
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
        """A longtable with rules of booktabs; needs both packages and textcomp.

        Returns
        -------
        str
            Source that can be input into a document.
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


def text_column(label: str, values: Any) -> Column:
    """A column of words; what is none is an empty cell.

    Parameters
    ----------
    label : str
        Its words.
    values : sequence
        One a row.

    Returns
    -------
    Column
        Of texts.
    """
    words = tuple(
        "" if v is None or str(v) == "nan" else str(v) for v in np.asarray(values, object)
    )
    return Column(label, words, words)


def fixed_column(label: str, values: Any, places: int) -> Column:
    """A column of numbers to one number of places, as positions have it.

    Parameters
    ----------
    label : str
        Its words, with the unit.
    values : array
        One a row; what is no number is an empty cell.
    places : int
        Behind the point.

    Returns
    -------
    Column
        Of numbers.
    """
    held = values_of(values)
    return Column(label, tuple("" if v is None else f"{v:.{places}f}" for v in held), held)


def version() -> str:
    """Version of the package, read where it is needed."""
    from corephys import __version__

    return str(__version__)


def workbook(tables: Sequence[ReportTable], path: Path) -> bytes:
    """All tables as one XLSX workbook, a sheet a table, numbers as numbers.

    Parameters
    ----------
    tables : sequence of ReportTable
        At least one.
    path : Path
        Only its name is used.

    Returns
    -------
    bytes
        The same for the same tables.
    """
    import datetime

    import xlsxwriter

    stream = io.BytesIO()
    book = xlsxwriter.Workbook(
        stream,
        {
            "in_memory": True,
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "nan_inf_to_errors": False,
        },
    )
    # A date of the day would make every file another one.
    book.set_properties({"title": path.stem, "created": datetime.datetime(2000, 1, 1)})
    bold, wrapped = book.add_format({"bold": True}), book.add_format({"text_wrap": True})
    formats: dict[str, Any] = {}
    for table in tables:
        sheet = book.add_worksheet(table.name[:31])
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


def _write_column(
    book: Any, sheet: Any, formats: dict[str, Any], one: Column, place: int, inks: tuple[Any, Any]
) -> None:
    sheet.write_string(1, place, one.name, inks[0])
    width = max([len(one.name), *(len(cell) for cell in one.cells)], default=8)
    sheet.set_column(place, place, min(width + 1, 40))
    if one.marks:
        sheet.write_string(1, place + 1, "note", inks[0])
        sheet.set_column(place + 1, place + 1, 5)
    for row, cell in enumerate(one.cells):
        if one.number and cell:
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
    return f"'{cell}" if cell.startswith(_FORMULA) else cell


def _markdown(text: str) -> str:
    text = " ".join(text.split()).replace("\\", "\\\\").replace("|", "\\|")
    text = text.replace("&", "&amp;")
    for sign in "*_`[]<>~$":
        text = text.replace(sign, "\\" + sign)
    return text


def _latex(text: str) -> str:
    text = "".join(_LATEX.get(sign, sign) for sign in " ".join(text.split()))
    # Two hyphens are a dash, and a bracket or star behind the end of a row belongs to that end.
    text = text.replace("--", "-{}-")
    return f"{{}}{text}" if text.startswith(("[", "*")) else text


def values_of(array: Any) -> tuple[float | None, ...]:
    """Numbers of an array, None for what is none.

    Parameters
    ----------
    array : array
        Numbers.

    Returns
    -------
    tuple of float or None
        As long as the array.
    """
    return tuple(float(v) if np.isfinite(v) else None for v in np.asarray(array, dtype=float))
