"""Faults of a hole folder: all problems in one error, each with its cure."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["HoleError", "Problem", "nearest", "rows_in_words"]


@dataclass(frozen=True)
class Problem:
    """One fault in the structure of a hole.

    Parameters
    ----------
    file : str
        Path inside the folder, or the table's name where tables were given.
    row : int or None
        Line of the file (the header is line 1), or position in the DataFrame from 0; None where
        the fault is not in one row.
    column : str
        Header or key, empty where the fault is not in one column.
    what : str
        What is wrong.
    mend : str
        What to do about it.
    """

    file: str
    row: int | None
    column: str
    what: str
    mend: str

    def __str__(self) -> str:
        place = self.file if self.row is None else f"{self.file}:{self.row}"
        column = f", column {self.column!r}" if self.column else ""
        what, mend = (text if text.endswith("?") else f"{text}." for text in (self.what, self.mend))
        return f"{place}{column}: {what} {mend}"


class HoleError(ValueError):
    """The structure of a hole has faults; the message lists every problem.

    Parameters
    ----------
    problems : iterable of Problem
        Problems in the order in which to show them.
    hole : str
        Name of the folder or hole for the message.
    deed : str
        Word for what failed: read or reduced.

    Attributes
    ----------
    problems : list of Problem
    """

    def __init__(
        self, problems: Iterable[Problem], hole: str = "the hole", deed: str = "read"
    ) -> None:
        self.problems = list(problems)
        count = len(self.problems)
        head = f"{hole} cannot be {deed}: {count} problem{'s' if count != 1 else ''} to mend"
        lines = [f"{number:>3}. {problem}" for number, problem in enumerate(self.problems, 1)]
        super().__init__("\n".join([head, *lines]))
        self._hole, self._deed = hole, deed

    def __reduce__(self) -> tuple[type[HoleError], tuple[list[Problem], str, str]]:
        # Pickle would otherwise send the message alone to another process.
        return type(self), (self.problems, self._hole, self._deed)


def nearest(word: str, known: Iterable[str]) -> str:
    """The legal word most like a given one; an empty text where none is similar."""
    by_lower = {k.lower(): k for k in known}
    given = word.strip().lower()
    close = difflib.get_close_matches(given, list(by_lower), n=1, cutoff=0.6)
    if not close and len(given) > 2:
        close = [k for k in by_lower if k.startswith(given)]
    return by_lower[close[0]] if len(close) == 1 else ""


def rows_in_words(count: int) -> str:
    """How many further rows have the same fault, for the end of a sentence; empty for one row."""
    if count < 2:
        return ""
    return f" (and in {count - 1} more row{'s' if count > 2 else ''})"
