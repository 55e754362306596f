"""Thousands of holes to one archive: reduced side by side, each whole, none stopping the others.

A hole is one task. Its marker is written after everything else of it, so that a run that was
killed goes on where it stopped; nothing of a finished hole stays in memory.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import xarray as xr

from corephys.archive_hole import HOLES, Choices, fingerprint, run
from corephys.archive_lock import ArchiveBusy, locked
from corephys.archive_place import Place
from corephys.archive_run import Task, run_all
from corephys.archive_saved import is_saved
from corephys.archive_store import StoreError, read_tree
from corephys.archive_table import HEAD, begin, read_markers, table, write_table
from corephys.recipe import Recipe

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Archive", "ArchiveBusy", "StoreError", "open", "reduce", "summary"]

_SENSORS = ("gamma", "pwave", "resistivity", "susceptibility", "natural_gamma", "reduced")
_PARTS = ("properties", "products", "raw")


def reduce(
    source: Any, out: str | os.PathLike[str], recipe: Recipe | Mapping[str, Any] | None = None, *,
    workers: int = 2, scheduler: Any = "threads", resume: bool = True, progress: bool = True,
    sensors: tuple[str, ...] | None = None, keep: tuple[str, ...] = ("properties", "products"),
    effects: bool = False, storage_options: Mapping[str, Any] | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Reduce many holes into one archive.

    Parameters
    ----------
    source : path, URL, list or mapping of them
        A folder whose folders are holes (with hole.toml, or saved by ``export.zarr``), a list of
        such holes, or a mapping of names to holes.
    out : path or URL
        The archive; made where it does not exist. URLs go through fsspec.
    recipe : Recipe or mapping, optional
        A complete recipe for all holes, or changes to what the settings of each say.
    workers : int
        Holes at a time.
    scheduler : "threads", "processes" or a client of dask.distributed
        Who does the work. Processes are faster for whole holes; a script that uses them needs
        ``if __name__ == "__main__":``.
    resume : bool
        Leave finished holes whose files have not changed as they are. False makes all anew.
    progress : bool
        Show a bar.
    sensors : tuple of str, optional
        Tables of ``scan`` to use, such as ``("gamma", "pwave")``; all where not given.
    keep : tuple of str
        Which of ``properties``, ``products`` and ``raw`` to keep of each hole.
    effects : bool
        Keep the signed effects by source; without them their norm is kept.
    storage_options : mapping, optional
        For the file systems of URLs.

    Returns
    -------
    DataFrame
        One row a hole, as :func:`summary` gives it.

    Raises
    ------
    ValueError
        When no hole is found, ``out`` lies inside ``source``, is no archive or was made with
        other choices, or two holes would have one name.
    ArchiveBusy
        When another run writes to ``out``.
    RecipeError
        When the recipe holds an unknown key, a wrong unit or word.

    Notes
    -----
    The numbers are those of ``corephys.reduce`` for each hole and do not depend on workers or
    scheduler. A hole that cannot be read or reduced has its error in the table.
    """
    if workers < 1:
        raise ValueError(f"workers is {workers}; at least one hole is reduced at a time")
    place = Place.of(out, storage_options)
    holes = _find(source, place, storage_options or {})
    choices = _choices(recipe, sensors, keep, effects)
    with locked(place):
        begin(place, choices, resume=resume)
        tasks = _open_tasks(holes, place, choices, storage_options or {})
        run_all(tasks, workers, scheduler, progress)
        return write_table(place)


def _find(source: Any, out: Place, options: Mapping[str, Any]) -> dict[str, str]:
    """Holes by name; refuses what would be mixed up."""
    if isinstance(source, Mapping):
        pairs = [(str(name), Place.of(where, options)) for name, where in source.items()]
    elif isinstance(source, (str, os.PathLike)):
        root = Place.of(source, options)
        _refuse_inside(root, out)
        if not root.exists():
            raise ValueError(f"there is no folder {root.where}; give the folder of the holes")
        if _is_hole(root):
            pairs = [(_last(root), root)]
        else:
            below = [(name, Place(root.name(name), root.options)) for name in root.names()]
            pairs = [(name, place) for name, place in below if _is_hole(place)]
    else:
        pairs = [(_last(place), place) for place in (Place.of(s, options) for s in source)]
    if not pairs:
        raise ValueError(
            f"no holes in {source!r}: a hole is a folder with hole.toml, or one that "
            "export.zarr.save wrote; give the folder that holds them, or a list of holes"
        )
    found: dict[str, str] = {}
    for name, place in sorted(pairs):
        _refuse_inside(place, out)
        if name in found:
            raise ValueError(
                f"two holes are called {name!r}: {found[name]} and {place.where}; give a mapping "
                "of names to folders instead"
            )
        if not name or "/" in name or "\\" in name or name.startswith((".", "_")):
            raise ValueError(
                f"{name!r} cannot name a hole in an archive: no slash, no dot or underscore at "
                "its beginning; give a mapping of names to folders instead"
            )
        found[name] = place.where
    return found


def _last(place: Place) -> str:
    return place.where.rstrip("/\\").replace("\\", "/").rpartition("/")[2]


def _is_hole(place: Place) -> bool:
    return place.exists("hole.toml") or is_saved(place)


def _refuse_inside(source: Place, out: Place) -> None:
    if source.is_local and out.is_local:
        inside = Path(out.where).resolve().is_relative_to(Path(source.where).resolve())
    else:
        inside = f"{out.where}/".startswith(f"{source.where}/")
    if inside:
        raise ValueError(
            f"out, {out.where}, lies inside the source {source.where}: an archive among the holes "
            "would be read as one of them. Give a folder beside it"
        )


def _choices(
    recipe: Any, sensors: tuple[str, ...] | None, keep: tuple[str, ...], effects: bool
) -> Choices:
    for word in keep:
        if word not in _PARTS:
            raise ValueError(f"keep holds {word!r}; the parts are {', '.join(_PARTS)}")
    for word in sensors or ():
        if word not in _SENSORS:
            raise ValueError(f"sensors holds {word!r}; the sensors are {', '.join(_SENSORS)}")
    complete = isinstance(recipe, Recipe)
    if not complete:
        Recipe(recipe or {})  # a slip in the recipe is one error here, not one a hole
    text = recipe.to_json() if complete else json.dumps(recipe or {}, sort_keys=True)
    return Choices(
        text, complete, None if sensors is None else tuple(sorted(sensors)),
        tuple(sorted(keep)), effects,
    )  # fmt: skip


def _open_tasks(
    holes: Mapping[str, str], place: Place, choices: Choices, options: Mapping[str, Any]
) -> list[Task]:
    """What is not finished, or has changed since; failed holes are tried again."""
    done = read_markers(place)
    tasks = []
    for name, where in holes.items():
        entry = done.get(name, {})
        finished = entry.get("status") == "complete" and entry["fingerprint"] == fingerprint(
            where, options
        )
        if not finished:
            tasks.append((run, (name, where, dict(options), place, choices)))
    return tasks


class Archive(Mapping[str, xr.DataTree]):
    """The reduced holes of an archive by name; each is read when it is asked for.

    Parameters
    ----------
    place : Place
        Where the archive lies.
    """

    def __init__(self, place: Place) -> None:
        self._place = place
        self._done = read_markers(place)
        self._names = [n for n, entry in self._done.items() if entry["status"] == "complete"]

    @property
    def failed(self) -> dict[str, str]:
        """Error of each hole that could not be reduced."""
        return {n: e["error"] for n, e in self._done.items() if e["status"] == "failed"}

    def store(self, name: str) -> str:
        """Path or URL of the zarr group of a hole, for other programs."""
        self._refuse_absent(name)
        return self._place.name(f"{HOLES}/{name}")

    def __getitem__(self, name: str) -> xr.DataTree:
        self._refuse_absent(name)
        return read_tree(self._place, f"{HOLES}/{name}")

    def _refuse_absent(self, name: str) -> None:
        if name in self.failed:
            raise KeyError(f"{name} could not be reduced: {self.failed[name]}")
        if name not in self._names:
            raise KeyError(f"the archive holds no {name!r}; it holds {', '.join(self._names)}")

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)

    def __repr__(self) -> str:
        return f"Archive of {len(self)} holes, {len(self.failed)} failed, at {self._place.where}"


def open(
    out: str | os.PathLike[str], *, storage_options: Mapping[str, Any] | None = None
) -> Archive:
    """Open an archive of reduced holes.

    Parameters
    ----------
    out : path or URL
        As given to :func:`reduce`.
    storage_options : mapping, optional
        For the file system of a URL.

    Returns
    -------
    Archive
        A mapping of names to trees; holes of a run that has not ended are left out.

    Raises
    ------
    ValueError
        When there is no archive.
    """
    place = Place.of(out, storage_options)
    _refuse_other(place)
    return Archive(place)


def summary(
    out: str | os.PathLike[str], *, storage_options: Mapping[str, Any] | None = None
) -> pd.DataFrame:
    """Table of the holes of an archive.

    Parameters
    ----------
    out : path or URL
        As given to :func:`reduce`.
    storage_options : mapping, optional
        For the file system of a URL.

    Returns
    -------
    DataFrame
        One row a hole: status, readings kept and left out, medians of the usable values of key
        quantities with their units, and the error of a hole that failed.

    Raises
    ------
    ValueError
        When there is no archive.
    """
    place = Place.of(out, storage_options)
    _refuse_other(place)
    return table(place)


def _refuse_other(place: Place) -> None:
    if not place.exists(HEAD):
        raise ValueError(f"there is no archive at {place.where}; archive.reduce makes one")
