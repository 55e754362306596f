"""What an import did: files read, rows in, out and refused, decisions, corrections."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from corephys.ground.cards import Card, Shown

__all__ = ["FileReport", "ImportReport", "TableCounts"]


@dataclass
class TableCounts:
    """What became of the rows of one file in one table.

    Every row of the file is in one of these counts.

    Parameters
    ----------
    table : str
        Path of the table.
    added : int
        Rows written.
    already : int
        Rows that the table has already, from this or another file.
    left_out : int
        Rows that a condition of the mapping leaves out.
    empty : int
        Rows without a value for this table.
    refused : int
        Rows refused with a reason.
    kept_out : int
        Rows that do not replace rows edited by hand.
    replaced : int
        Earlier rows that were taken out.
    """

    table: str
    added: int = 0
    already: int = 0
    left_out: int = 0
    empty: int = 0
    refused: int = 0
    kept_out: int = 0
    replaced: int = 0


@dataclass
class FileReport:
    """What one source of the mapping took from one file.

    Parameters
    ----------
    file, source : str
        Path relative to the hole folder, and name of the source.
    status : {"new", "grown", "changed", "mapping changed", "unchanged", "copy", "refused"}
    rows : int
        Rows of the file.
    tables : list of TableCounts
    notes : list of str
        Decisions and doubts, in words.
    fault : str
        Why the file was refused as a whole; empty where it was read.
    """

    file: str
    source: str
    status: str
    rows: int = 0
    tables: list[TableCounts] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    fault: str = ""


@dataclass
class ImportReport(Shown):
    """Report of one import; in a notebook it displays its card.

    Parameters
    ----------
    folder : str
        Hole folder.
    dry_run : bool
        Nothing was written.
    mapping_sha256 : str
        Digest of ``import.toml``.
    files : list of FileReport
        Files by source, those that did not change included.
    tables : dict of str to int
        Rows of each table that was written, after the import.
    refused : list of (str, int, str, str, str)
        File, line, table, reason and text of each refused row.
    deductions, disagreements, corrections, hand_edits, warnings : list of str
        In words.
    """

    folder: str
    dry_run: bool = False
    mapping_sha256: str = ""
    files: list[FileReport] = field(default_factory=list)
    tables: dict[str, int] = field(default_factory=dict)
    refused: list[tuple[str, int, str, str, str]] = field(default_factory=list)
    deductions: list[str] = field(default_factory=list)
    disagreements: list[str] = field(default_factory=list)
    corrections: list[str] = field(default_factory=list)
    hand_edits: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def total(self, count: str) -> int:
        """Sum of one count over files and tables.

        Parameters
        ----------
        count : str
            Name of a count of :class:`TableCounts`, such as ``"added"``.

        Returns
        -------
        int
            Number of rows.
        """
        return sum(getattr(table, count) for file in self.files for table in file.tables)

    def table(self) -> pd.DataFrame:
        """One row for each file and table.

        Returns
        -------
        DataFrame
            Columns file, source, status, rows, table, added, already, left_out, empty, refused,
            kept_out, replaced and fault; numbers of rows.
        """
        rows = []
        for file in self.files:
            head = {"file": file.file, "source": file.source, "status": file.status}
            for one in file.tables or [TableCounts("")]:
                rows.append({**head, "rows": file.rows, **vars(one), "fault": file.fault})
        columns = ["file", "source", "status", "rows", *vars(TableCounts("")), "fault"]
        return pd.DataFrame(rows, columns=columns)

    def refused_rows(self) -> pd.DataFrame:
        """Refused rows.

        Returns
        -------
        DataFrame
            Columns file, row (line of the file), table, reason and text.
        """
        return pd.DataFrame(self.refused, columns=["file", "row", "table", "reason", "text"])

    @property
    def refused_files(self) -> list[FileReport]:
        """Files that were refused as a whole."""
        return [file for file in self.files if file.fault]

    def card(self) -> Card:
        """Summary of the import.

        Returns
        -------
        Card
            Files, rows in and out, refused rows with their reasons, decisions and corrections.
        """
        read = [f for f in self.files if f.status not in ("unchanged", "copy", "refused")]
        same = [f for f in self.files if f.status in ("unchanged", "copy")]
        rows = [
            ("files read", _listed([f"{f.file} ({f.status}, {f.rows} rows)" for f in read])),
            ("files as before", str(len(same))),
            ("rows added", self._by_table("added")),
        ]
        for label, count in (
            ("rows there already", "already"),
            ("rows left out by the mapping", "left_out"),
            ("rows without a value", "empty"),
            ("earlier rows replaced", "replaced"),
            ("rows kept out by hand edits", "kept_out"),
        ):
            if self.total(count):
                rows.append((label, self._by_table(count)))
        rows.append(("rows refused", _listed(self._reasons()) if self.refused else "0"))
        for label, words in (
            ("deduced", self.deductions),
            ("depths", self.disagreements),
            ("corrections", self.corrections),
            ("hand edits kept", self.hand_edits),
        ):
            rows += [(label, text) for text in words]
        notes = [f"{f.file}: {note}" for f in self.files for note in f.notes]
        warnings = [f"{f.file} was not imported: {f.fault}" for f in self.refused_files]
        steps = []
        if self.refused:
            steps.append("look at import_refused.csv, and correct the mapping or the export")
        if self.dry_run:
            steps.append("nothing was written: run it again without the dry run")
        title = f"import into {self.folder}" + (" (dry run)" if self.dry_run else "")
        return Card(
            title,
            tuple(rows),
            (*warnings, *self.warnings),
            tuple(steps),
            lines=tuple(notes),
            lines_title="notes",
        )

    def __str__(self) -> str:
        return repr(self.card())

    __repr__ = __str__

    def _by_table(self, count: str) -> str:
        totals: dict[str, int] = {}
        for file in self.files:
            for table in file.tables:
                totals[table.table] = totals.get(table.table, 0) + getattr(table, count)
        shown = [f"{name} {number}" for name, number in totals.items() if number]
        return ", ".join(shown) or "0"

    def _reasons(self) -> list[str]:
        counts: dict[str, list[str]] = {}
        for file, line, _, reason, _ in self.refused:
            counts.setdefault(reason, []).append(f"{file}:{line}")
        return [
            f"{len(where)} x {reason} (first in {where[0]})" for reason, where in counts.items()
        ]


def _listed(items: list[str]) -> str:
    """The first items of a list, and the number of the others."""
    shown = "; ".join(items[:_SHOWN])
    more = len(items) - _SHOWN
    return (f"{shown}; and {more} more" if more > 0 else shown) or "none"


_SHOWN = 5  # items of a list on the card
