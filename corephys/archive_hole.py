"""One hole of an archive: read, reduced, kept, and summed up in one row."""

from __future__ import annotations

import hashlib
import json
import threading
import traceback
from collections.abc import Mapping
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import xarray as xr

from corephys.archive_place import Place
from corephys.archive_run import ready
from corephys.archive_saved import is_saved, load_tree
from corephys.archive_store import write_tree
from corephys.ground import flags, series
from corephys.hole import HoleError, read_hole

__all__ = ["DONE", "HOLES", "Choices", "fingerprint", "kept", "read", "run", "summary_row"]

HOLES, DONE = "holes.zarr", "done"
# The netCDF library is not made for threads; a hole with waveforms is read by one at a time.
_READING = threading.Lock()
# Columns of the summary whose numbers are medians: path and quantity.
KEY_PRODUCTS: dict[str, tuple[str, str]] = {
    "bulk_density [g/cm^3]": ("properties/density", "bulk_density"),
    "p_wave_velocity [m/s]": ("properties/velocity", "p_wave_velocity"),
    "electrical_resistivity [ohm m]": ("properties/resistivity", "electrical_resistivity"),
    "magnetic_susceptibility [1]": ("properties/susceptibility", "magnetic_susceptibility"),
    "natural_gamma_rate [count/s]": ("properties/natural_gamma", "natural_gamma_rate"),
    "grain_density [g/cm^3]": ("properties/index_properties", "grain_density"),
    "thermal_conductivity [W/(m K)]": (
        "properties/thermal_conductivity", "thermal_conductivity",
    ),
    "porosity [1]": ("products/porosity", "porosity"),
    "heat_flow [mW/m^2]": ("products/heat_flow", "heat_flow"),
}  # fmt: skip


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
    """

    recipe: str
    complete: bool
    sensors: tuple[str, ...] | None
    keep: tuple[str, ...]
    effects: bool


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
    from corephys.reduction import reduce

    ready()
    group = f"{HOLES}/{name}"
    out.remove(group)
    try:
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
    from corephys.recipe import Recipe

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
