"""Reduce thousands of holes into one resumable archive.

A hole is one task, and its failure does not stop the others. Its marker is written after all its
results, so that the next run continues where a killed run stopped. Nothing of a finished hole stays
in memory.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

import xarray as xr

from corephys.archive.blocks import errors, names, one_hole, scan_table, scan_tasks
from corephys.archive.holes import (
    HOLES,
    TABLE,
    Choices,
    begin,
    find,
    fingerprint,
    hole_head,
    hole_table,
    read_head,
    read_markers,
    refuse_inside,
    run,
)
from corephys.archive.readings import Scan, collect_hole, is_readings, write_all
from corephys.archive.stores import (
    METADATA,
    ArchiveBusy,
    Place,
    StoreError,
    group_metadata,
    locked,
    read_tree,
)
from corephys.archive.tasks import Task, run_all
from corephys.ground.choices import choices
from corephys.ground.progress import bar, nowhere
from corephys.ground.provenance import FORMAT_VERSION
from corephys.ground.registry import SENSORS
from corephys.reduction.recipe import Recipe
from corephys.sensors import own_records

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "Archive",
    "ArchiveBusy",
    "Scan",
    "StoreError",
    "collect",
    "open",
    "reduce",
    "summary",
    "write_readings",
]

_PARTS = ("properties", "products", "scan", "standards", "samples", "downhole")


def reduce(
    source: Any,
    out: str | os.PathLike[str],
    recipe: Recipe | Mapping[str, Any] | None = None,
    *,
    workers: int = 2,
    scheduler: Any = "threads",
    resume: bool = True,
    progress: bool = True,
    sensors: tuple[str, ...] | None = None,
    keep: tuple[str, ...] = ("properties", "products"),
    effects: bool = False,
    storage_options: Mapping[str, Any] | None = None,
) -> pd.DataFrame:
    """Reduce many holes into one archive.

    Parameters
    ----------
    source : path, URL, list or mapping of them
        A folder whose folders are holes (with hole.toml, or saved by ``export.zarr``), a list of
        such holes, or a mapping of names to holes.
    out : path or URL
        The archive; created where it does not exist. URLs are opened by fsspec.
    recipe : Recipe or mapping, optional
        A complete recipe for all holes, or changes to the settings of each hole.
    workers : int
        Number of holes reduced at the same time.
    scheduler : "threads", "processes" or a client of dask.distributed
        How tasks are run. Processes are faster for complete holes; a script that uses them needs
        ``if __name__ == "__main__":``.
    resume : bool
        Keep finished holes whose files have not changed. False reduces all holes again.
    progress : bool
        Show a progress bar in a terminal or a notebook.
    sensors : tuple of str, optional
        Tables of ``scan`` to use, such as ``("gamma", "pwave")``; all by default.
    keep : tuple of str
        Parts of the reduced hole to keep. The raw tables are ``scan``, ``standards``, ``samples``
        and ``downhole``.
    effects : bool
        Keep the signed effects by source; otherwise only their norm is kept.
    storage_options : mapping, optional
        Options for the file systems of URLs.

    Returns
    -------
    DataFrame
        One row for each hole, see :func:`summary`.

    Raises
    ------
    ValueError
        When no hole is found, two holes have one name, or ``out`` lies inside ``source``, is not
        an archive or was made with other choices.
    ArchiveBusy
        When another run writes to ``out``.
    RecipeError
        When the recipe has an unknown key, a wrong unit or word.

    Notes
    -----
    The numbers are those of ``corephys.reduce`` for each hole and do not depend on workers or
    scheduler. A hole that cannot be read or reduced has its error in the table.
    """
    if workers < 1:
        raise ValueError(f"workers is {workers}; expected 1 or more")
    place = Place.of(out, storage_options)
    readings = _readings(source, storage_options)
    if readings is not None:
        refuse_inside(readings, place)
        _refuse_for_readings(recipe, sensors)
        with locked(place):
            tasks = scan_tasks(readings, place, resume=resume, effects=effects)
            run_all(tasks, workers, scheduler, progress)
            return _written(place)
    holes = find(source, place, storage_options or {})
    choices = _choices(recipe, sensors, keep, effects)
    with locked(place):
        if begin(place, hole_head(choices), resume=resume, parts=(HOLES,)):
            root = group_metadata({"format_version": FORMAT_VERSION})
            place.put(f"{HOLES}/{METADATA}", json.dumps(root).encode())
        tasks = _open_tasks(holes, place, choices, storage_options or {})
        if tasks:  # the table stands for all holes, so that none stands beside unfinished ones
            place.remove(TABLE)
        run_all(tasks, workers, scheduler, progress)
        return _written(place)


def _written(place: Place) -> pd.DataFrame:
    """The table of an archive, also as a file in it."""
    frame = _table(place)
    place.put(TABLE, frame.to_csv(index=False, lineterminator="\n").encode())
    return frame


def _table(place: Place) -> pd.DataFrame:
    return scan_table(place) if read_head(place)["kind"] == "readings" else hole_table(place)


def _readings(source: Any, options: Mapping[str, Any] | None) -> Place | None:
    """The place of a store of readings, or None for anything else."""
    if not isinstance(source, (str, os.PathLike)):
        return None
    place = Place.of(source, options)
    return place if is_readings(place) else None


def _refuse_for_readings(recipe: Any, sensors: Any) -> None:
    if recipe or sensors is not None:
        raise ValueError(
            "a store of readings already contains the choices of each hole; give recipe and "
            "sensors to archive.collect, and leave them out here"
        )


def _choices(
    recipe: Any, sensors: tuple[str, ...] | None, keep: tuple[str, ...], effects: bool
) -> Choices:
    keep = choices(keep, _PARTS, "keep")
    known = [*(record.name for record in SENSORS.records()), "reduced"]
    if sensors is not None:
        sensors = choices(sensors, known, "sensors")
    complete = isinstance(recipe, Recipe)
    if not complete:
        Recipe(recipe or {})  # raise an error of the recipe once, here, and not in every hole
    text = recipe.to_json() if complete else json.dumps(recipe or {}, sort_keys=True)
    return Choices(
        text,
        complete,
        None if sensors is None else tuple(sorted(sensors)),
        tuple(sorted(keep)),
        effects,
        own_records(),
    )


def _open_tasks(
    holes: Mapping[str, str], place: Place, choices: Choices, options: Mapping[str, Any]
) -> list[Task]:
    """Tasks for holes that are not finished, failed, or have changed files."""
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
    """The reduced holes of an archive by name; a hole is read on access.

    Parameters
    ----------
    place : Place
        Folder or URL of the archive.
    """

    def __init__(self, place: Place) -> None:
        self._place = place
        self._scans = read_head(place)["kind"] == "readings"
        if self._scans:
            self.failed = errors(place)
            self._names = [name for name in names(place) if name not in self.failed]
        else:
            done = read_markers(place)
            self._names = [n for n, entry in done.items() if entry["status"] == "complete"]
            self.failed = {n: e["error"] for n, e in done.items() if e["status"] == "failed"}

    def __getitem__(self, name: str) -> xr.DataTree:
        if name in self.failed:
            raise KeyError(
                f"hole {name!r} could not be reduced; correct its folder and reduce the archive "
                f"again: {self.failed[name]}"
            )
        if name not in self._names:
            raise KeyError(f"no hole {name!r} in the archive; it has {', '.join(self._names[:20])}")
        if self._scans:
            return one_hole(self._place, name)
        return read_tree(self._place, f"{HOLES}/{name}")

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
        Folder or URL given to :func:`reduce`.
    storage_options : mapping, optional
        Options for the file system of a URL.

    Returns
    -------
    Archive
        A mapping of names to trees; unfinished holes are left out.

    Raises
    ------
    ValueError
        When there is no archive.
    """
    return Archive(Place.of(out, storage_options))


def summary(
    out: str | os.PathLike[str], *, storage_options: Mapping[str, Any] | None = None
) -> pd.DataFrame:
    """Table of the holes of an archive.

    Parameters
    ----------
    out : path or URL
        Folder or URL given to :func:`reduce`.
    storage_options : mapping, optional
        Options for the file system of a URL.

    Returns
    -------
    DataFrame
        One row for each hole: status, readings kept and left out, medians of the usable values of
        key quantities with their units, and the error of a failed hole.

    Raises
    ------
    ValueError
        When there is no archive.
    """
    return _table(Place.of(out, storage_options))


def write_readings(
    holes: Iterable[tuple[str, Mapping[str, Scan]]],
    out: str | os.PathLike[str],
    *,
    storage_options: Mapping[str, Any] | None = None,
) -> int:
    """Write a store of readings, hole by hole as they come.

    Parameters
    ----------
    holes : iterable of (str, mapping of str to Scan)
        Name of each hole and its scans by sensor, ``gamma`` or ``pwave``.
    out : path or URL
        New folder.
    storage_options : mapping, optional
        Options for the file system of a URL.

    Returns
    -------
    int
        Number of holes.

    Raises
    ------
    ValueError
        When ``out`` is not empty, there is no hole, a name is repeated, or a column is unknown,
        missing or of another length.
    """
    return write_all(Place.of(out, storage_options), holes)


def collect(
    source: Any,
    out: str | os.PathLike[str],
    recipe: Recipe | Mapping[str, Any] | None = None,
    *,
    sensors: tuple[str, ...] = ("gamma", "pwave"),
    progress: bool = True,
    storage_options: Mapping[str, Any] | None = None,
) -> dict[str, str]:
    """Collect the scans of many holes in one store of readings.

    Parameters
    ----------
    source : path, URL, list or mapping of them
        Holes to collect, see :func:`reduce`.
    out : path or URL
        New folder for the store.
    recipe : Recipe or mapping, optional
        Recipe or changes, see :func:`reduce`; stored with the readings of each hole.
    sensors : tuple of str
        ``gamma``, ``pwave`` or both.
    progress : bool
        Show a progress bar in a terminal or a notebook.
    storage_options : mapping, optional
        Options for the file systems of URLs.

    Returns
    -------
    dict of str to str
        Error of each hole that could not be collected.

    Raises
    ------
    ValueError
        For the reasons given at :func:`reduce` and :func:`write_readings`.
    """
    options = storage_options or {}
    place = Place.of(out, storage_options)
    failed: dict[str, str] = {}

    def scans() -> Iterator[tuple[str, Mapping[str, Scan]]]:
        for number, (name, where) in enumerate(holes.items()):
            step(name, number, len(holes))
            try:
                found = collect_hole(name, where, options, recipe, sensors)
            except (ValueError, OSError) as error:
                failed[name] = f"{type(error).__name__}: {error}"
            else:
                yield name, found

    holes = find(source, place, options)
    Recipe(recipe or {})
    try:
        with bar("readings", None if progress else nowhere) as step:
            write_all(place, scans())
    except ValueError as error:
        if len(failed) < len(holes):
            raise
        reasons = "; ".join(f"{name}: {reason}" for name, reason in failed.items())
        raise ValueError(
            f"none of the {len(holes)} holes could be collected; correct one of them at least. "
            f"{reasons}"
        ) from error
    return failed
