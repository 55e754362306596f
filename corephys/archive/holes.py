"""The holes of an archive: where they come from, how one is reduced and kept, and the table of
all."""

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

from corephys.archive.stores import Place, is_saved, load_tree, write_tree
from corephys.archive.tasks import ready
from corephys.ground import flags, series
from corephys.ground.provenance import FORMAT_VERSION
from corephys.ground.registry import Compiled
from corephys.ground.sensor import Sensor
from corephys.ground.vocabulary import term
from corephys.hole import HoleError, read_hole
from corephys.sensors import adopt

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "DONE",
    "HEAD",
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
    "summary_row",
]

# --------------------------------------------------------------------------------------------------
# Where the holes of an archive come from.


def find(source: Any, out: Place, options: Mapping[str, Any]) -> dict[str, str]:
    """Holes by name; refuses what would be mixed up.

    Parameters
    ----------
    source : path, URL, list or mapping of them
        A folder of holes, one hole, a list of holes, or a mapping of names to holes.
    out : Place
        The archive, which must lie elsewhere.
    options : mapping
        For the file system of a URL.

    Returns
    -------
    dict of str to str
        Path or URL of each hole.

    Raises
    ------
    ValueError
        When there is no hole, two have one name, or the archive would lie among them.
    """
    if isinstance(source, Mapping):
        pairs = [(str(name), Place.of(where, options)) for name, where in source.items()]
    elif isinstance(source, (str, os.PathLike)):
        root = Place.of(source, options)
        refuse_inside(root, out)
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
    for name, place in sorted(pairs, key=lambda pair: pair[0]):
        refuse_inside(place, out)
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
    """What to do with every hole, as plain data that goes to other processes.

    Parameters
    ----------
    recipe : str
        JSON: a complete recipe, or changes to what the hole's own settings say.
    complete : bool
        Which of the two.
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
        with file.open("rb") as stream:
            content = hashlib.file_digest(stream, "sha256").digest()
        total.update(file.relative_to(folder).as_posix().encode() + b"\0" + content)
    return total.hexdigest()


def run(name: str, source: str, options: Mapping[str, Any], out: Place, choices: Choices) -> str:
    """Reduce one hole into the archive and say how it went; its marker is written last.

    Parameters
    ----------
    name : str
        Of the hole in the archive.
    source : str
        Folder or URL of the hole.
    options : mapping
        For the file system of a URL.
    out : Place
        The archive.
    choices : Choices
        What to do.

    Returns
    -------
    str
        ``complete`` or ``failed``; a fault of the hole never ends the run.
    """
    from corephys.reduction.run import reduce

    ready()
    group = f"{HOLES}/{name}"
    out.remove(group)
    try:
        adopt(choices.records)
        mark = fingerprint(source, options)
        hole = _only(read(source, options), choices.sensors)
        recipe = _recipe(choices)
        tree = reduce(hole, recipe)
        row = {**summary_row(tree), "bad_cells": _bad_cells(hole)}
        write_tree(kept(tree, choices.keep, choices.effects), out, group)
        entry = {"name": name, "status": "complete", **row, "error": ""}
    except Exception as error:  # whatever is wrong with one hole, the others are reduced
        out.remove(group)
        entry = {"name": name, "status": "failed", "error": _words(error)}
        mark = ""
    entry |= {"source": source, "fingerprint": mark}
    out.put(f"{DONE}/{name}.json", json.dumps(entry, indent=1).encode())
    return str(entry["status"])


def _words(error: Exception) -> str:
    """The error as the user would have met it; a slip of the program with its place."""
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
    """The hole without the scans and standards of other sensors: their stages are skipped."""
    if sensors is None:
        return hole
    nodes = {"/": xr.Dataset(attrs=hole.attrs)}
    for node in hole.leaves:
        parts = node.path.strip("/").split("/")
        if parts[0] not in ("scan", "standards") or parts[1] in sensors:
            nodes[node.path] = node.to_dataset(inherit=False)
    return xr.DataTree.from_dict(nodes, name=hole.name)


def kept(tree: xr.DataTree, keep: tuple[str, ...], effects: bool) -> xr.DataTree:
    """What an archive keeps of a reduced hole.

    Parameters
    ----------
    tree : DataTree
        From ``reduce``.
    keep : tuple of str
        First parts of paths.
    effects : bool
        Whether to keep the signed effects by source.

    Returns
    -------
    DataTree
        Values as they are; uncertainties as 32-bit floats.
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


def summary_row(tree: xr.DataTree) -> dict[str, Any]:
    """One row of the table of holes.

    Parameters
    ----------
    tree : DataTree
        A reduced hole.

    Returns
    -------
    dict
        Title, readings of all properties, how many products may use and how many are left out or
        missing, stages skipped and failed, deepest reading, and the median of the usable values
        of each key quantity; None where there is none.
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
    """Cells that held no number where a number belongs; their readings are flagged."""
    total = 0
    for node in hole.leaves:
        found = node.dataset.attrs.get("bad_cells", 0)
        parsed = json.loads(found) if isinstance(found, str) else found
        total += len(parsed) if isinstance(parsed, (list, dict)) else int(parsed)
    return total


# --------------------------------------------------------------------------------------------------
# What an archive says of itself: the choices it was made with, and one row a hole.


HEAD, TABLE = "archive.json", "summary.csv"
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
    """Write the head of a new archive, or make sure that an old one was made with these choices.

    Parameters
    ----------
    place : Place
        The archive; its lock is held.
    head : dict
        Choices of this run.
    resume : bool
        False removes what an older run left.
    parts : tuple of str
        Stores that this run will write.

    Returns
    -------
    bool
        Whether the archive begins empty.

    Raises
    ------
    ValueError
        When the place holds something else, or an archive of another format or other choices.
    """
    there = [name for name in place.names() if not name.startswith("lock.json")]
    if HEAD not in there:
        # Only what a run was killed in, before it had a head, may be in the way.
        strange = [name for name in there if name not in parts]
        if strange:
            raise ValueError(
                f"{place.where} is no archive and is not empty (it holds "
                f"{', '.join(strange[:3])}); give a new folder"
            )
    elif resume:
        _refuse_different(place, json.loads(place.get(HEAD)), head)
        return False
    for key in (TABLE, DONE, *parts):
        place.remove(key)
    place.put(HEAD, json.dumps(head, indent=1, sort_keys=True).encode())
    return True


def common_head() -> dict[str, Any]:
    """What every archive says of itself."""
    from corephys import __version__

    return {"format_version": FORMAT_VERSION, "corephys_version": __version__}


def hole_head(choices: Choices) -> dict[str, Any]:
    """Head of an archive of whole holes."""
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
            f"the archive {place.where} was made of {old.get('kind')}, not of {new['kind']}; give "
            "another out"
        )
    said = []
    for key in new:
        if old.get(key) == new[key]:
            continue
        if key == "readings_sha256":
            said.append("the store of readings has changed")
        elif key == "recipe":
            said += _differences(old.get(key, {}), new[key])
        else:
            said.append(f"{key} was {old.get(key)!r} and is {new[key]!r}")
    if said:
        raise ValueError(
            f"the archive {place.where} was made with other choices: {'; '.join(said)}. Give "
            "another out, the same choices, or resume=False to make all its holes anew"
        )


def _differences(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    said = []
    for stage in sorted({*old, *new}):
        before, now = old.get(stage, {}), new.get(stage, {})
        for key in sorted({*before, *now}):
            if before.get(key) != now.get(key):
                was, is_now = (
                    repr(table[key]) if key in table else "not given" for table in (before, now)
                )
                said.append(f"[{stage}] {key} was {was} and is {is_now}")
    return said


def read_head(place: Place) -> dict[str, Any]:
    """What an archive says of itself.

    Raises
    ------
    ValueError
        When there is no archive, or a later format wrote it.
    """
    try:
        head: dict[str, Any] = json.loads(place.get(HEAD))
    except FileNotFoundError:
        raise ValueError(
            f"there is no archive at {place.where}; archive.reduce makes one"
        ) from None
    version = str(head["format_version"])
    if not version.isdigit() or int(version) > int(FORMAT_VERSION):
        raise ValueError(
            f"{place.where} has format_version {version}; this package reads up to "
            f"{FORMAT_VERSION}: install a newer corephys"
        )
    return head


def read_markers(place: Place) -> dict[str, dict[str, Any]]:
    """What the markers of finished holes say, by name, in order."""
    found = {}
    for file in place.names(DONE):
        if file.endswith(".json"):
            found[file.removesuffix(".json")] = json.loads(place.get(f"{DONE}/{file}"))
    return found


def hole_table(place: Place) -> pd.DataFrame:
    """One row a hole, from the markers.

    Parameters
    ----------
    place : Place
        The archive.

    Returns
    -------
    DataFrame
        In the order of the names.
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
