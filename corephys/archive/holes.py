"""Holes of an archive: finding them, reducing and writing one of them, and the table of all."""

from __future__ import annotations

import hashlib
import json
import os
import threading
import traceback
from collections.abc import Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.archive.stores import (
    Place,
    is_part,
    is_saved,
    load_tree,
    sealed,
    unsealed,
    write_tree,
)
from corephys.archive.tasks import ready
from corephys.ground import flags, series
from corephys.ground.provenance import FORMAT_VERSION
from corephys.ground.registry import Compiled
from corephys.ground.sensor import Sensor
from corephys.ground.vocabulary import term
from corephys.hole import HoleError, read_hole
from corephys.hole.reading.shared import SITE_FILE
from corephys.sensors import adopt

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "DONE",
    "HOLES",
    "TABLE",
    "Choices",
    "begin",
    "common_head",
    "find",
    "fingerprint",
    "hole_head",
    "hole_table",
    "kept",
    "read",
    "read_head",
    "read_markers",
    "refuse_inside",
    "run",
]

# --------------------------------------------------------------------------------------------------
# Finding the holes of a source.


def find(source: Any, out: Place, options: Mapping[str, Any]) -> dict[str, str]:
    """Find the holes of a source, by name.

    Parameters
    ----------
    source : path, URL, list or mapping of them
        A folder of holes, one hole, a list of holes, or a mapping of names to holes.
    out : Place
        The archive, outside the source.
    options : mapping
        Options for the file system of a URL.

    Returns
    -------
    dict of str to str
        Path or URL of each hole.

    Raises
    ------
    ValueError
        When there is no hole, two holes have one name, the archive lies inside the source, or a
        hole lies in the folder of a site.

    Notes
    -----
    A hole of a site takes settings and standards from the site, which an archive does not read.
    A store of ``export.zarr.save`` holds what it took, and is accepted anywhere.
    """
    if isinstance(source, Mapping):
        pairs = [(str(name), Place.of(where, options)) for name, where in source.items()]
    elif isinstance(source, (str, os.PathLike)):
        root = Place.of(source, options)
        refuse_inside(root, out)
        _refuse_a_site(root)
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
            f"no holes in {source!r}: a hole is a folder with hole.toml, or one written by "
            "export.zarr.save; give the folder that contains them, or a list of holes"
        )
    above = {_above(place): place for _, place in pairs if not is_saved(place)}
    for place in above.values():
        _refuse_a_site(Place(_above(place), place.options))
    found: dict[str, str] = {}
    for name, place in sorted(pairs, key=lambda pair: pair[0]):
        refuse_inside(place, out)
        if name in found:
            raise ValueError(
                f"two holes are called {name!r}: {found[name]} and {place.where}; give a mapping "
                "of names to folders instead"
            )
        if not name or "/" in name or "\\" in name or name.startswith((".", "_")):
            raise ValueError(
                f"{name!r} is not a valid name in an archive: no slash, and no dot or underscore "
                "at the beginning; give a mapping of names to folders instead"
            )
        found[name] = place.where
    return found


def _last(place: Place) -> str:
    return place.where.rstrip("/\\").replace("\\", "/").rpartition("/")[2]


def _above(place: Place) -> str:
    """Path or URL of the folder that holds a hole."""
    if place.is_local:
        return str(Path(place.where).resolve().parent)
    return place.where.rpartition("/")[0]


def _refuse_a_site(folder: Place) -> None:
    """Refuse the folder of a site: its holes would be reduced without what the site shares."""
    if folder.where.endswith(("/", ":")):
        return  # of a URL, above the first folder
    shared = [name for name in (SITE_FILE, "standards") if folder.exists(name)]
    if not shared or folder.exists("hole.toml"):
        return
    raise ValueError(
        f"{folder.where} is the folder of a site (it holds {' and '.join(shared)}), and an archive "
        "does not read what a site shares: settings, recipe, standards, list of holes. Reduce it "
        "with cp.reduce(cp.read_site(folder)); or save each hole with cp.export.zarr.save("
        "cp.composite.hole_of(cp.read_site(folder), name), store) and give the list of the stores"
    )


def _is_hole(place: Place) -> bool:
    return place.exists("hole.toml") or is_saved(place)


def refuse_inside(source: Place, out: Place) -> None:
    """Refuse an archive among the holes: it would be read as one of them."""
    if source.is_local and out.is_local:
        inside = Path(out.where).resolve().is_relative_to(Path(source.where).resolve())
    else:
        inside = f"{out.where}/".startswith(f"{source.where}/")
    if inside:
        raise ValueError(
            f"out, {out.where}, lies inside the source {source.where}: an archive among the holes "
            "would be read as one of them. Give a folder beside it"
        )


# --------------------------------------------------------------------------------------------------
# One hole of an archive: read, reduced, kept, and summed up in one row.


HOLES, DONE = "holes.zarr", "done"
# The netCDF library is not made for threads; a hole with waveforms is read by one at a time.
_READING = threading.Lock()
# Columns of the summary whose numbers are medians: path and quantity.
_KEY_PRODUCTS: dict[str, tuple[str, str]] = {
    "grain_density [g/cm^3]": ("properties/index_properties", "grain_density"),
    "thermal_conductivity [W/(m K)]": (
        "properties/thermal_conductivity",
        "thermal_conductivity",
    ),
    "porosity [1]": ("products/porosity", "porosity"),
    "heat_flow [mW/m^2]": ("products/heat_flow", "heat_flow"),
}


def _summary_columns(sensors: Sequence[Sensor]) -> dict[str, tuple[str, str]]:
    """The sensors in their order, then the key products."""
    found = {}
    for sensor in sensors:
        unit = sensor.archive_unit or term(sensor.quantity).unit
        found[f"{sensor.quantity} [{unit}]"] = (sensor.path, sensor.quantity)
    return {**found, **_KEY_PRODUCTS}


KEY_PRODUCTS = Compiled(_summary_columns)


@dataclass(frozen=True)
class Choices:
    """Choices for every hole, as plain data that can be sent to other processes.

    Parameters
    ----------
    recipe : str
        JSON of a complete recipe, or of changes to the hole's settings.
    complete : bool
        Whether the recipe is complete.
    sensors : tuple of str or None
        Names of the tables of ``scan`` and ``standards`` to use; None for all.
    keep : tuple of str
        First parts of the paths of the reduced hole to keep.
    effects : bool
        Keep the signed effects by source.
    records : tuple of Sensor
        Sensors that the user registered, for processes that do not have them.
    """

    recipe: str
    complete: bool
    sensors: tuple[str, ...] | None
    keep: tuple[str, ...]
    effects: bool
    records: tuple[Sensor, ...] = ()


def fingerprint(source: str, options: Mapping[str, Any]) -> str:
    """SHA-256 over the names and contents of all files of a hole's folder."""
    total = hashlib.sha256()
    if "://" in source:
        place = Place.of(source, options)
        for key in place.objects():
            total.update(key.encode() + b"\0" + hashlib.sha256(place.get(key)).digest())
        return total.hexdigest()
    folder = Path(source)
    for file in sorted(path for path in folder.rglob("*") if path.is_file()):
        if file.name.startswith("."):
            continue  # locks, and what desktops leave
        with file.open("rb") as stream:
            content = hashlib.file_digest(stream, "sha256").digest()
        total.update(file.relative_to(folder).as_posix().encode() + b"\0" + content)
    return total.hexdigest()


def run(name: str, source: str, options: Mapping[str, Any], out: Place, choices: Choices) -> str:
    """Reduce one hole into the archive and write its marker last.

    Parameters
    ----------
    name : str
        Name of the hole in the archive.
    source : str
        Folder or URL of the hole.
    options : mapping
        Options for the file system of a URL.
    out : Place
        The archive.
    choices : Choices
        Choices for every hole.

    Returns
    -------
    str
        ``complete`` or ``failed``; an error of one hole does not stop the run.
    """
    from corephys.reduction.run import reduce

    ready()
    group, done = f"{HOLES}/{name}", f"{DONE}/{name}.json"
    try:
        adopt(choices.records)
        mark = fingerprint(source, options)
        hole = _only(read(source, options), choices.sensors)
        recipe = _recipe(choices)
        tree = reduce(hole, recipe)
        row = {**_summary_row(tree), "bad_cells": _bad_cells(hole)}
        # A hole without a marker is unfinished, whatever a killed run left of its results.
        out.remove(done)
        out.remove(group)
        write_tree(kept(tree, choices.keep, choices.effects), out, group)
        entry = {"name": name, "status": "complete", **row, "error": ""}
    except Exception as error:  # any error of one hole: the others are still reduced
        out.remove(done)
        out.remove(group)
        entry = {"name": name, "status": "failed", "error": _words(error)}
        mark = ""
    entry |= {"source": source, "fingerprint": mark}
    out.put(done, sealed(entry))
    return str(entry["status"])


def _words(error: Exception) -> str:
    """Text of an error; for an error of the program itself with its file and line."""
    if isinstance(error, (HoleError, ValueError, OSError)):
        return f"{type(error).__name__}: {error}"
    place = traceback.extract_tb(error.__traceback__)[-1]
    return f"{type(error).__name__}: {error} ({Path(place.filename).name}, line {place.lineno})"


def _recipe(choices: Choices) -> Any:
    from corephys.reduction.recipe import Recipe

    if choices.complete:
        return Recipe.from_json(choices.recipe)
    return json.loads(choices.recipe) or None


def read(source: str, options: Mapping[str, Any]) -> xr.DataTree:
    """A hole from its folder, its saved store, or either of them at a URL."""
    if "://" in source:
        place = Place.of(source, options)
        if is_saved(place):
            return load_tree(place)
        with TemporaryDirectory() as folder:
            for key in place.objects():
                target = Path(folder, key)
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(place.get(key))
            return read_hole(folder)
    if is_saved(Place(source)):
        return load_tree(Place(source))
    waves = Path(source, "scan", "pwave_waveforms.nc").exists()
    with _READING if waves else nullcontext():
        return read_hole(source)


def _only(hole: xr.DataTree, sensors: tuple[str, ...] | None) -> xr.DataTree:
    """The hole without scans and standards of other sensors, whose stages are then skipped."""
    if sensors is None:
        return hole
    nodes = {"/": xr.Dataset(attrs=hole.attrs)}
    for node in hole.leaves:
        parts = node.path.strip("/").split("/")
        if parts[0] not in ("scan", "standards") or parts[1] in sensors:
            nodes[node.path] = node.to_dataset(inherit=False)
    return xr.DataTree.from_dict(nodes, name=hole.name)


def kept(tree: xr.DataTree, keep: tuple[str, ...], effects: bool) -> xr.DataTree:
    """The parts of a reduced hole that an archive keeps.

    Parameters
    ----------
    tree : DataTree
        Result of ``reduce``.
    keep : tuple of str
        First parts of the paths to keep.
    effects : bool
        Whether to keep the signed effects by source.

    Returns
    -------
    DataTree
        Values unchanged; uncertainties as 32-bit floats.
    """
    nodes = {"/": xr.Dataset(attrs=tree.attrs)}
    for node in tree.leaves:
        if node.path == "/" or node.path.strip("/").split("/")[0] not in keep:
            continue
        dataset = node.to_dataset(inherit=False)
        if not effects:
            dataset = dataset.drop_vars([v for v in dataset.variables if _is_effect(str(v))])
        for name in map(str, dataset.data_vars):
            if name.endswith(("_u_random", "_u_systematic", "_effects")):
                part = dataset[name]
                dataset[name] = part.astype(np.float32).assign_attrs(part.attrs)
            listed = str(dataset[name].attrs.get("ancillary_variables", "")).split()
            if listed:
                there = [word for word in listed if word in dataset]
                dataset[name].attrs["ancillary_variables"] = " ".join(there)
        nodes[node.path] = dataset
    return xr.DataTree.from_dict(nodes, name=tree.name)


def _is_effect(name: str) -> bool:
    return name.endswith("_effects") or name == "source"


def _summary_row(tree: xr.DataTree) -> dict[str, Any]:
    """One row of the table of holes.

    Parameters
    ----------
    tree : DataTree
        A reduced hole.

    Returns
    -------
    dict
        Title, numbers of readings of all properties, kept, left out and missing, numbers of
        stages skipped and failed, deepest reading, and the median of the usable values of each key
        quantity; None where there is none.
    """
    summary = json.loads(tree.attrs["summary"])
    counts = [q for q in summary["quantities"] if q["path"].startswith("properties/")]
    levels = flags.allowed(tree.attrs["recipe"])
    row: dict[str, Any] = {
        "title": tree.attrs.get("title", ""),
        "readings": sum(q["readings"] for q in counts),
        "kept": sum(q["kept"] for q in counts),
        "left_out": sum(q["readings"] - q["kept"] - q["missing"] for q in counts),
        "missing": sum(q["missing"] for q in counts),
        "skipped_stages": len(summary["skipped"]),
        "failed_stages": len(summary.get("failed", {})),
        "deepest [m]": _deepest(tree),
    }
    for column, (path, name) in KEY_PRODUCTS.items():
        row[column] = _median(tree, path, name, levels)
    return row


def _median(tree: xr.DataTree, path: str, name: str, levels: tuple[str, ...]) -> float | None:
    dataset = series.leaf(tree, path)
    if dataset is None or name not in dataset or f"{name}_flag" not in dataset:
        return None
    usable = flags.usable(np.atleast_1d(dataset[f"{name}_flag"].values), levels)
    values = np.atleast_1d(dataset[name].values)[usable]
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size else None


def _deepest(tree: xr.DataTree) -> float | None:
    found = [
        float(np.nanmax(node.dataset["depth"].values))
        for node in tree.leaves
        if "depth" in node.dataset.coords and np.isfinite(node.dataset["depth"].values).any()
    ]
    return max(found) if found else None


def _bad_cells(hole: xr.DataTree) -> int:
    """Number of cells without a number in a column of numbers; their readings are flagged."""
    total = 0
    for node in hole.leaves:
        found = node.dataset.attrs.get("bad_cells", 0)
        parsed = json.loads(found) if isinstance(found, str) else found
        total += len(parsed) if isinstance(parsed, (list, dict)) else int(parsed)
    return total


# --------------------------------------------------------------------------------------------------
# The head of an archive, with the choices it was made with, and its table of holes.


_HEAD, TABLE = "archive.json", "summary.csv"
_COLUMNS = (
    "name",
    "status",
    "title",
    "readings",
    "kept",
    "left_out",
    "missing",
    "bad_cells",
    "skipped_stages",
    "failed_stages",
    "deepest [m]",
)
_WHOLE = (
    "readings",
    "kept",
    "left_out",
    "missing",
    "bad_cells",
    "skipped_stages",
    "failed_stages",
)


def begin(place: Place, head: dict[str, Any], *, resume: bool, parts: tuple[str, ...]) -> bool:
    """Write the head of a new archive, or check that an old one was made with these choices.

    Parameters
    ----------
    place : Place
        The archive; its lock is held.
    head : dict
        Choices of this run.
    resume : bool
        False removes the results of older runs.
    parts : tuple of str
        Stores that this run will write.

    Returns
    -------
    bool
        Whether the archive is empty at the beginning.

    Raises
    ------
    ValueError
        When the folder has other content, or an archive of another format or other choices.
    """
    for folder in ("", DONE):  # objects that a killed run was writing
        for name in place.names(folder):
            if is_part(name):
                place.remove(f"{folder}/{name}" if folder else name)
    there = [name for name in place.names() if not name.startswith("lock.json")]
    if _HEAD not in there:
        # A run that was killed before it wrote the head may have left stores and locks.
        strange = [name for name in there if name not in parts]
        if strange:
            raise ValueError(
                f"{place.where} is not an archive and not empty (it contains "
                f"{', '.join(strange[:3])}); give a new folder"
            )
    elif resume:
        _refuse_different(place, unsealed(place.get(_HEAD), place.name(_HEAD)), head)
        return False
    for key in (TABLE, DONE, *parts):
        place.remove(key)
    place.put(_HEAD, sealed(head))
    return True


def common_head() -> dict[str, Any]:
    """Entries of the head of every archive."""
    from corephys import __version__

    return {"format_version": FORMAT_VERSION, "corephys_version": __version__}


def hole_head(choices: Choices) -> dict[str, Any]:
    """Head of an archive of complete holes."""
    return {
        **common_head(),
        "kind": "holes",
        "recipe": json.loads(choices.recipe),
        "recipe_is_complete": choices.complete,
        "sensors": "all" if choices.sensors is None else list(choices.sensors),
        "keep": list(choices.keep),
        "effects": choices.effects,
    }


def _refuse_different(place: Place, old: dict[str, Any], new: dict[str, Any]) -> None:
    if old.get("kind") != new["kind"]:
        raise ValueError(
            f"the archive {place.where} was made of {old.get('kind')}, not of {new['kind']}; "
            "choose another output folder"
        )
    changes = []
    for key in new:
        if old.get(key) == new[key]:
            continue
        if key == "readings_sha256":
            changes.append("the store of readings has changed")
        elif key == "recipe":
            changes += _differences(old.get(key, {}), new[key])
        else:
            changes.append(f"{key} was {old.get(key)!r} and is {new[key]!r}")
    if changes:
        raise ValueError(
            f"the archive {place.where} was made with other choices: {'; '.join(changes)}. Choose "
            "another output folder, the same choices, or resume=False to reduce all holes again"
        )


def _differences(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    changes = []
    for stage in sorted({*old, *new}):
        before, now = old.get(stage, {}), new.get(stage, {})
        for key in sorted({*before, *now}):
            if before.get(key) != now.get(key):
                was, is_now = (
                    repr(table[key]) if key in table else "not given" for table in (before, now)
                )
                changes.append(f"[{stage}] {key} was {was} and is {is_now}")
    return changes


def read_head(place: Place) -> dict[str, Any]:
    """Head of an archive.

    Raises
    ------
    ValueError
        When there is no archive, or a later format wrote it.
    """
    try:
        head = unsealed(place.get(_HEAD), place.name(_HEAD))
    except FileNotFoundError:
        raise ValueError(f"no archive at {place.where}; make one with archive.reduce") from None
    version = str(head["format_version"])
    if not version.isdigit() or int(version) > int(FORMAT_VERSION):
        raise ValueError(
            f"{place.where} has format_version {version}; this package reads up to "
            f"{FORMAT_VERSION}: install a newer corephys"
        )
    return head


def read_markers(place: Place) -> dict[str, dict[str, Any]]:
    """Markers of finished holes by name, in order."""
    found = {}
    for file in place.names(DONE):
        if file.endswith(".json"):
            key = f"{DONE}/{file}"
            found[file.removesuffix(".json")] = unsealed(place.get(key), place.name(key))
    return found


def hole_table(place: Place) -> pd.DataFrame:
    """Table of the holes, from the markers.

    Parameters
    ----------
    place : Place
        The archive.

    Returns
    -------
    DataFrame
        One row for each hole, in the order of the names.
    """
    import pandas as pd

    columns = [*_COLUMNS, *KEY_PRODUCTS, "error"]
    rows = [{key: entry.get(key) for key in columns} for entry in read_markers(place).values()]
    frame = pd.DataFrame(rows, columns=columns)
    for column in _WHOLE:
        frame[column] = frame[column].astype("Int64")
    for column in ("deepest [m]", *KEY_PRODUCTS):
        frame[column] = frame[column].astype(float)
    return frame
