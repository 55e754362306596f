"""A store of readings to an archive of reduced scans, block by block."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.archive_blocks import QUANTITIES, STORE, block, index_of, prepare, read_rows, sources
from corephys.archive_place import Place
from corephys.archive_readings import CHUNK, INDEX, read_index
from corephys.archive_run import Task
from corephys.archive_table import DONE, begin, common_head
from corephys.ground.vocabulary import term

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["errors", "names", "one_hole", "scan_table", "scan_tasks"]


def scan_tasks(readings: Place, out: Place, *, resume: bool, effects: bool) -> list[Task]:
    """Blocks that are not finished; those in which a hole failed are tried again.

    Parameters
    ----------
    readings : Place
        Store of readings.
    out : Place
        The archive; its lock is held.
    resume : bool
        False makes all blocks anew.
    effects : bool
        Keep effects and systematic uncertainties.

    Returns
    -------
    list of tasks
    """
    index = read_index(readings)
    head = {
        **common_head(),
        "kind": "readings",
        "readings_sha256": hashlib.sha256(readings.get(INDEX)).hexdigest(),
        "effects": effects,
    }
    found = sources(readings, index) if effects else {}
    if begin(out, head, resume=resume, parts=(STORE,)):
        prepare(out, index, found)
    tasks: list[Task] = []
    for sensor, rows in index.items():
        for number in range(-(-rows.size // CHUNK)):
            marker = f"{DONE}/{sensor}-{number:06d}.json"
            if _finished(out, marker):
                continue
            parts = rows.parts(number * CHUNK, (number + 1) * CHUNK)
            arguments = (
                sensor, number, rows.size, parts, readings, out, found.get(sensor, []), marker,
            )  # fmt: skip
            tasks.append((block, arguments))
    return tasks


def _finished(out: Place, marker: str) -> bool:
    try:
        return not any(entry["error"] for entry in json.loads(out.get(marker)))
    except FileNotFoundError:
        return False


def _markers(out: Place) -> list[tuple[str, dict[str, Any]]]:
    """Entry of every part of a hole, with its sensor, in the order of the rows."""
    found = []
    for file in out.names(DONE):
        sensor = file.partition("-")[0]
        found += [(sensor, entry) for entry in json.loads(out.get(f"{DONE}/{file}"))]
    return found


def errors(out: Place) -> dict[str, str]:
    """What went wrong, by hole; each error once."""
    found: dict[str, list[str]] = {}
    for sensor, entry in _markers(out):
        if entry["error"]:
            said = found.setdefault(entry["hole"], [])
            text = f"{sensor}: {entry['error']}"
            if text not in said:
                said.append(text)
    return {hole: "; ".join(said) for hole, said in found.items()}


def names(out: Place) -> list[str]:
    """Holes of an archive of scans whose blocks are all finished, in order."""
    unfinished: set[str] = set()
    order: dict[str, None] = {}
    for sensor, rows in index_of(out).items():
        order.update(dict.fromkeys(rows.names))
        done = set(out.names(DONE))
        for number in range(-(-rows.size // CHUNK)):
            if f"{sensor}-{number:06d}.json" not in done:
                parts = rows.parts(number * CHUNK, (number + 1) * CHUNK)
                unfinished |= {hole for hole, _, _ in parts}
    return [name for name in order if name not in unfinished]


def one_hole(out: Place, name: str) -> xr.DataTree:
    """The reduced scans of one hole, as ``reduce`` lays them out."""
    nodes = {"/": xr.Dataset(attrs={"title": name})}
    for sensor, rows in index_of(out).items():
        if name in rows.names:
            path = QUANTITIES[sensor][0]
            nodes[f"/properties/{path}"] = read_rows(out, sensor, *rows.of(name))
    return xr.DataTree.from_dict(nodes)


def scan_table(out: Place) -> pd.DataFrame:
    """One row a hole: counts of readings, and the mean of the usable values.

    Parameters
    ----------
    out : Place
        The archive.

    Returns
    -------
    DataFrame
        In the order of the rows of the store.
    """
    import pandas as pd

    index = index_of(out)
    means = {
        sensor: f"{QUANTITIES[sensor][1]} [{term(QUANTITIES[sensor][1]).unit}]" for sensor in index
    }
    wrong, finished = errors(out), set(names(out))
    rows: dict[str, dict[str, Any]] = {}
    totals: dict[tuple[str, str], list[float]] = {}
    for sensor, entry in _markers(out):
        row = rows.setdefault(entry["hole"], {"readings": 0, "kept": 0, "missing": 0})
        for key in row:
            row[key] += entry[key]
        total = totals.setdefault((entry["hole"], sensor), [0.0, 0.0])
        total[0] += entry["sum"]
        total[1] += entry["kept"]
    table = []
    for hole, row in rows.items():
        status = "failed" if hole in wrong else "complete" if hole in finished else "unfinished"
        line = {
            "name": hole, "status": status, "readings": row["readings"], "kept": row["kept"],
            "left_out": row["readings"] - row["kept"] - row["missing"], "missing": row["missing"],
        }  # fmt: skip
        for sensor, column in means.items():
            total, count = totals.get((hole, sensor), [0.0, 0.0])
            line[column] = total / count if count else np.nan
        table.append({**line, "error": wrong.get(hole, "")})
    frame = pd.DataFrame(table)
    order = {
        name: i for i, name in enumerate(dict.fromkeys(n for r in index.values() for n in r.names))
    }
    return frame.sort_values("name", key=lambda c: c.map(order), ignore_index=True)
