"""Files of the pictures that images.csv lists: where they lie, and whether they can be opened.

Only the head of a file is read here. A picture is read in full when it is drawn.
"""

from __future__ import annotations

import json
from pathlib import Path, PurePosixPath, PureWindowsPath

import numpy as np
import xarray as xr

from corephys.ground import flags
from corephys.hole.reading.columns import Columns
from corephys.hole.reading.error import Problem, rows_in_words

__all__ = ["LEAF", "check", "mark", "noted", "present"]

LEAF = "images"
# The first bytes of the two formats that are read.
_HEADS = {"PNG": b"\x89PNG\r\n\x1a\n", "JPEG": b"\xff\xd8\xff"}
_NOT_FOUND = "there is no such file"
_NOT_READ = "the file is neither PNG nor JPEG"


def check(table: Columns, folder: Path | None) -> tuple[dict[str, str], list[Problem]]:
    """What is wrong with each file that cannot be read, and the faults of paths.

    A path that leaves the hole folder is a fault. A missing or unreadable file is none: the hole
    reduces without its pictures. ``folder`` is None for a hole that was made from tables.
    """
    if table.table.name != LEAF or "file" not in table:
        return {}, []
    unread: dict[str, str] = {}
    problems = []
    for file in dict.fromkeys(table["file"].tolist()):
        what = _leaves(file, folder) if file else ""
        if what:
            rows = np.flatnonzero(table["file"] == file)
            what += rows_in_words(rows.size)
            mend = "Put the picture into the hole folder and give its path there, with /"
            problems.append(Problem(table.file, table.line(int(rows[0])), "file", what, mend))
        elif file and folder is not None:
            why = _unreadable(folder / file)
            if why:
                unread[file] = why
    return unread, problems


def _leaves(file: str, folder: Path | None) -> str:
    """The fault of a path that is not inside the hole folder; empty for one that is."""
    path = PurePosixPath(file)
    if path.is_absolute() or PureWindowsPath(file).drive or "\\" in file or "\0" in file:
        return f"{file!r} is not a path inside the hole folder"
    if ".." in path.parts:
        return f"the path {file!r} leads out of the hole folder"
    if folder is not None:
        home = folder.resolve()
        if not (folder / file).resolve().is_relative_to(home):
            return f"{file!r} is a link to a file outside the hole folder"
    return ""


def _unreadable(path: Path) -> str:
    """Why a file cannot be read as a picture; empty where its first bytes are right."""
    if not path.is_file():
        return _NOT_FOUND
    try:
        with path.open("rb") as stream:
            head = stream.read(max(map(len, _HEADS.values())))
    except OSError as error:
        return f"the file cannot be opened ({error.strerror})"
    return "" if head.startswith(tuple(_HEADS.values())) else _NOT_READ


def mark(reason: np.ndarray, table: Columns, unread: dict[str, str]) -> None:
    """Mark the rows whose picture is missing or cannot be read, in place."""
    if table.table.name != LEAF:
        return
    for row, file in enumerate(table["file"].tolist()):
        if file in unread:
            missing = unread[file] == _NOT_FOUND
            reason[row] |= flags.bit("missing_value" if missing else "bad_cell")


def noted(
    dataset: xr.Dataset, unread: dict[str, str], folder: Path | None, name: str
) -> xr.Dataset:
    """The leaf of pictures with the files that cannot be read, and the place of the folder.

    The place goes into ``encoding``, which no file keeps: a result must not depend on where its
    hole folder lies. The leaf of another ``name`` stays as it is.
    """
    if name == LEAF:
        dataset.attrs["pictures_not_read"] = json.dumps(unread, ensure_ascii=False)
        if folder is not None:
            dataset.encoding["source"] = str(folder.resolve())
    return dataset


def present(tree: xr.DataTree) -> list[str]:
    """Files of pictures that can be read, each once, in the order of their table."""
    if LEAF not in tree.children:
        return []
    leaf = tree.children[LEAF].to_dataset(inherit=False)
    unread = json.loads(leaf.attrs["pictures_not_read"])
    return [file for file in dict.fromkeys(leaf["file"].values.tolist()) if file not in unread]
