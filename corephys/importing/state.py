"""What earlier imports wrote: digests of files and of rows by core, section and run, in JSON.

The file stays small: rows are held as one short digest for each core, section and run of a file
and table. It is written after the tables. Before them a file of the same contents with another
name is written, so that an import that was stopped between two tables is finished by the next one.
"""

from __future__ import annotations

import base64
import hashlib
import json
import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from corephys.ground import provenance

__all__ = [
    "FILE",
    "NEXT",
    "Block",
    "Group",
    "Part",
    "State",
    "Taken",
    "digest_of",
    "load",
]

FILE = "import.state.json"
NEXT = "import.state.next.json"
_FORMAT = 1
Group = tuple[str, str, str]  # core, section, run
Block = tuple[int, str]  # number of rows and their digest


@dataclass
class Part:
    """What one source of the mapping took from one file into one table.

    Parameters
    ----------
    columns : list of str
        Headers of the written columns.
    blocks : dict of (core, section, run) to (int, str)
        Number of rows and digest.
    renumbered : dict of (core, section, run) to str
        Run that a repeated section has in the table, by its run in the file.
    """

    columns: list[str] = field(default_factory=list)
    blocks: dict[Group, Block] = field(default_factory=dict)
    renumbered: dict[Group, str] = field(default_factory=dict)


@dataclass
class Taken:
    """What one source took from one file.

    Parameters
    ----------
    sha256 : str
        Digest of the file; empty where it has to be read again.
    size : int
        Bytes up to the last line end.
    head : str
        Digest of these bytes.
    mapping : str
        Digest of the mapping and of the section lengths that were used.
    parts : dict of str to Part
        By table.
    places : list of (str, str, float, float, float)
        Core, section, greatest offset [cm], depth of the section's top [m] and greatest departure
        from it [m], of rows with both depth and offset.
    corrected : list of (int, int), optional
        Number of each correction whose column the file has, and of the rows that it changed; None
        where it was not recorded.
    """

    sha256: str = ""
    size: int = 0
    head: str = ""
    mapping: str = ""
    parts: dict[str, Part] = field(default_factory=dict)
    places: list[tuple[str, str, float, float, float]] = field(default_factory=list)
    corrected: list[tuple[int, int]] | None = None


@dataclass
class State:
    """All files and tables of earlier imports.

    Parameters
    ----------
    files : dict of str to dict of str to Taken
        By path, then by name of the source.
    tables : dict of str to str
        Digest of each table as written.
    edited : set of str
        Tables with rows that were changed or added by hand.
    """

    files: dict[str, dict[str, Taken]] = field(default_factory=dict)
    tables: dict[str, str] = field(default_factory=dict)
    edited: set[str] = field(default_factory=set)

    def parts(self, table: str) -> Iterable[tuple[str, str, Part]]:
        """Path, source and part of all that was taken into a table."""
        for path, sources in self.files.items():
            for name, taken in sources.items():
                if table in taken.parts:
                    yield path, name, taken.parts[table]

    def forget(self, table: str) -> None:
        """Forget a table that is gone, so that its files are read again."""
        self.tables.pop(table, None)
        self.edited.discard(table)
        for sources in self.files.values():
            for taken in sources.values():
                if taken.parts.pop(table, None) is not None:
                    taken.sha256 = ""

    def to_json(self) -> str:
        """The state as compact JSON; groups are numbered once."""
        groups: dict[Group, int] = {}
        files: dict[str, Any] = {}
        for path, sources in self.files.items():
            files[path] = {}
            for name, taken in sources.items():
                parts = {}
                for table, part in taken.parts.items():
                    blocks = [
                        [groups.setdefault(group, len(groups)), *block]
                        for group, block in part.blocks.items()
                    ]
                    entry: dict[str, Any] = {"columns": part.columns, "blocks": blocks}
                    if part.renumbered:
                        entry["renumbered"] = [[*g, run] for g, run in part.renumbered.items()]
                    parts[table] = entry
                files[path][name] = {
                    "sha256": taken.sha256,
                    "size": taken.size,
                    "head": taken.head,
                    "mapping": taken.mapping,
                    "tables": parts,
                    "places": [[*p[:2], *map(_or_none, p[2:])] for p in taken.places],
                    "corrected": taken.corrected,
                }
        whole = {
            "format": _FORMAT,
            "tables": self.tables,
            "edited": sorted(self.edited),
            "groups": [list(group) for group in groups],
            "files": files,
        }
        return json.dumps(whole, ensure_ascii=False, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> State:
        """The state of a text of :meth:`to_json`."""
        whole = json.loads(text)
        if whole.get("format") != _FORMAT:
            raise ValueError(
                f"{FILE} has the format {whole.get('format')!r} and this version reads "
                f"{_FORMAT}; update corephys, or remove {FILE} and the tables to import anew"
            )
        groups = [(str(c), str(s), str(r)) for c, s, r in whole["groups"]]
        state = cls(tables=dict(whole["tables"]), edited=set(whole["edited"]))
        for path, held in whole["files"].items():
            state.files[path] = {}
            for name, given in held.items():
                taken = Taken(given["sha256"], given["size"], given["head"], given["mapping"])
                taken.places = [(c, s, *map(_or_nan, rest)) for c, s, *rest in given["places"]]
                if given.get("corrected") is not None:
                    taken.corrected = [(int(n), int(rows)) for n, rows in given["corrected"]]
                for table, entry in given["tables"].items():
                    blocks = {groups[g]: (int(n), str(d)) for g, n, d in entry["blocks"]}
                    again = {(c, s, r): run for c, s, r, run in entry.get("renumbered", [])}
                    taken.parts[table] = Part(list(entry["columns"]), blocks, again)
                state.files[path][name] = taken
        return state


def load(folder: Path) -> State:
    """The state of a hole folder; an import that was stopped is taken as far as it came."""
    file, following = folder / FILE, folder / NEXT
    state = State.from_json(file.read_text(encoding="utf-8")) if file.is_file() else State()
    if following.is_file():
        state = _as_far_as_it_came(folder, state, State.from_json(following.read_text("utf-8")))
    return state


def _as_far_as_it_came(folder: Path, before: State, after: State) -> State:
    """The state after an import that may have written only some of its tables."""
    done = set()
    for table, sha256 in after.tables.items():
        path = folder / f"{table}.csv"
        if path.is_file() and provenance.digest(path) == sha256:
            done.add(table)
    if done == set(after.tables):
        return after
    for path, sources in after.files.items():
        for name, taken in sources.items():
            old = before.files.get(path, {}).get(name)
            for table in [table for table in taken.parts if table not in done]:
                taken.sha256 = ""
                if old and table in old.parts:
                    taken.parts[table] = old.parts[table]
                else:
                    del taken.parts[table]
    after.tables = {
        table: after.tables[table] if table in done else before.tables.get(table, "")
        for table in after.tables
    }
    after.tables = {table: sha256 for table, sha256 in after.tables.items() if sha256}
    return after


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else float(value)


def digest_of(lines: list[str]) -> str:
    """Short digest of rows as written."""
    whole = hashlib.sha256("\n".join(lines).encode("utf-8")).digest()
    return base64.urlsafe_b64encode(whole[:6]).decode("ascii")
