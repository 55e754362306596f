"""Files that a watch looks at, and when they have come to rest."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable
from functools import lru_cache
from pathlib import Path
from typing import TypeAlias

from corephys.ground import thresholds
from corephys.hole.reading.settings import FILE as SETTINGS
from corephys.hole.reading.shared import SITE_FILE
from corephys.hole.reading.tables import TABLES
from corephys.importing import read_mapping
from corephys.importing.mapping import FILE as MAPPING

__all__ = ["Inputs", "at_rest", "changed_files", "inputs", "roots"]

_QUIET = thresholds.value("watch_quiet")
_LONGEST = thresholds.value("watch_longest")
_STEP = 0.05  # s between two looks while files change
_WILD = re.compile(r"[*?\[]")

#: Size, time of last change [ns] and number in the file system of every file, by path. A copy that
#: keeps size and time of the file that it replaces has another number.
Inputs: TypeAlias = dict[str, tuple[int, int, int]]


def inputs(folder: Path, site: Path | None = None, more: Iterable[Path] = ()) -> Inputs:
    """Files of a hole as they are now: its tables, settings and mapping, and its exports.

    Parameters
    ----------
    folder : Path
        Hole folder.
    site : Path, optional
        Folder of its site.
    more : iterable of Path
        Further files, such as one with a recipe.

    Returns
    -------
    dict of str to (int, int, int)
        Size, time of last change and number of each file that exists. Other files of the folder,
        such as results, are not in it. Nor are tables that begin with a point or with a tilde and a
        dollar sign, as programs name files that they are writing.
    """
    paths = [folder / SETTINGS, folder / MAPPING, *more]
    parents = sorted({name.rpartition("/")[0] for name in TABLES})
    holders = [folder / parent for parent in parents]
    if site is not None:
        paths += [site / SITE_FILE, site / "recipe.toml"]
        holders.append(site / "standards")
    for holder in holders:
        paths += [path for path in _entries(holder) if path.suffix.lower() == ".csv"]
    paths += [path for path in _entries(folder / "scan") if path.suffix.lower() == ".nc"]
    logs = folder / "downhole" / "logs"
    paths += [path for path in _entries(logs) if path.suffix.lower() == ".las"]
    paths += _exports(folder)
    found: Inputs = {}
    for path in paths:
        try:
            state = path.stat()
        except OSError:
            continue  # not there yet, or taken away between the two looks
        found[str(path)] = (state.st_size, state.st_mtime_ns, state.st_ino)
    return found


def _entries(folder: Path) -> list[Path]:
    """Files of a folder, without those that another program is writing."""
    try:
        entries = list(os.scandir(folder))
    except OSError:
        return []
    return [Path(entry.path) for entry in entries if not entry.name.startswith((".", "~$"))]


def _patterns(folder: Path) -> list[Path]:
    """Patterns of the exports of a mapping as complete paths; none while the mapping has faults."""
    try:
        state = (folder / MAPPING).stat()
    except OSError:
        return []
    return list(_patterns_of(folder, state.st_size, state.st_mtime_ns, state.st_ino))


@lru_cache(maxsize=8)
def _patterns_of(folder: Path, size: int, changed: int, number: int) -> tuple[Path, ...]:
    """Patterns of a mapping with a size, a time of last change [ns] and a number, read once."""
    try:
        sources = read_mapping(folder).sources
    except (ValueError, OSError):
        return ()  # the refresh reports what is wrong with it
    return tuple(folder / pattern for source in sources for pattern in source.files)


def _exports(folder: Path) -> list[Path]:
    """Exports that the mapping names, as they are there now."""
    found: list[Path] = []
    for pattern in _patterns(folder):
        anchor = Path(pattern.anchor) if pattern.is_absolute() else Path()
        try:
            here = list(anchor.glob(str(pattern.relative_to(anchor))))
        except (OSError, ValueError):
            continue  # no folder, or no pattern: the refresh reports what is wrong with it
        found += [path for path in here if not path.name.startswith((".", "~$"))]
    return found


def roots(folder: Path, site: Path | None = None) -> list[Path]:
    """Folders in which files of a hole may appear or change.

    Parameters
    ----------
    folder : Path
        Hole folder.
    site : Path, optional
        Folder of its site.

    Returns
    -------
    list of Path
        Existing folders, none inside another: the hole folder, the folders of the exports down to
        the first wild card, and the site.
    """
    wanted = [folder.resolve()]
    for pattern in _patterns(folder):
        parts = pattern.parts[:-1]
        plain = next((i for i, part in enumerate(parts) if _WILD.search(part)), len(parts))
        wanted.append(Path(*parts[:plain]).resolve())
    if site is not None:
        wanted.append(site.resolve())
    kept: list[Path] = []
    for path in sorted({path for path in wanted if path.is_dir()}):
        if not any(path.is_relative_to(other) for other in kept):
            kept.append(path)
    return kept


def changed_files(before: Inputs, after: Inputs) -> list[str]:
    """Names of files that are new, gone or changed, for messages."""
    paths = {path for path in before.keys() | after.keys() if before.get(path) != after.get(path)}
    return sorted(os.path.basename(path) for path in paths)


def at_rest(
    look: Callable[[], Inputs],
    wait: Callable[[float], bool],
    clock: Callable[[], float],
    *,
    quiet: float = _QUIET,
    longest: float = _LONGEST,
) -> Inputs | None:
    """Wait until files have stopped changing.

    Parameters
    ----------
    look : callable
        Returns the files as they are, see :func:`inputs`.
    wait : callable
        Waits for a time [s]; returns True where the watch is to stop.
    clock : callable
        Returns a time that only goes forward [s].
    quiet : float
        Time without a change [s].
    longest : float
        Time [s] after which files that still change are taken as they are.

    Returns
    -------
    dict or None
        The files at rest; None where the watch is to stop.
    """
    files, began = look(), clock()
    since = began
    while clock() - since < quiet and clock() - began < longest:
        if wait(_STEP):
            return None
        again = look()
        if again != files:
            files, since = again, clock()
    return files


def named(paths: Iterable[str], most: int = 3) -> str:
    """The first of some names, and how many more there are."""
    names = list(paths)
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")
