"""Read a hole: a folder of tables and hole.toml, or the same as DataFrames."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, provenance
from corephys.ground.vocabulary import term
from corephys.hole.placing.layout import Layout, lay_out
from corephys.hole.reading import csv, positions, recordings, structure
from corephys.hole.reading.columns import Columns, read_columns
from corephys.hole.reading.csv import Cells
from corephys.hole.reading.error import HoleError, Problem, nearest
from corephys.hole.reading.imported import mapping_attributes
from corephys.hole.reading.settings import FILE, check, parse, to_json
from corephys.hole.reading.tables import FLAGGED_ELSEWHERE, TABLES

__all__ = ["hole_from_tables", "read_hole"]


def read_hole(
    folder: str | Path, *, columns: Mapping[str, Mapping[str, str]] | None = None
) -> xr.DataTree:
    """Read and check a hole folder.

    Parameters
    ----------
    folder : str or Path
        Folder with hole.toml and tables; a missing table means that its stage is skipped.
    columns : mapping of table to mapping of header to header, optional
        Foreign headers with those of this package, such as
        ``{"scan/gamma": {"Pos cm": "offset [cm]"}}``.

    Returns
    -------
    DataTree
        One node per table at its path. Number columns are in the units of the contract, text
        stays text, times are UTC. Tables with positions carry the coordinates core, section,
        offset [cm], run, depth [m] and depth_fitted [m], and ``flag`` and ``reason`` for what
        reading already shows. LAS files are kept byte by byte, one node a file. Attributes of the
        root: title, settings, input_sha256, source_files.
        Write ``hole["scan/gamma"]["depth"]``: the attribute ``depth`` of a node is its level.
        If ``import.toml`` corrects exports, the root has ``import_corrections`` (JSON).

    Raises
    ------
    HoleError
        When the structure has faults; the message lists all with file, row, column and cure.
    FileNotFoundError
        When there is no such folder.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise FileNotFoundError(
            f"there is no folder {str(folder)!r}; give the folder that holds {FILE}"
        )
    toml = folder / FILE
    given, problems = parse(toml.read_bytes() if toml.is_file() else None)
    cells: dict[str, Cells] = {}
    present = [name for name in TABLES if (folder / f"{name}.csv").is_file()]
    for name in present:
        file = f"{name}.csv"
        found, faults = csv.parse((folder / file).read_bytes(), file)
        problems += faults
        if found is not None:
            cells[name] = found
    unread, faults = _other_files(folder, present)
    record, more = recordings.read(folder)
    hole = f"the hole in {str(folder)!r}"
    tree = _assemble(cells, given, columns, problems + faults + more, hole, record)
    logs = recordings.read_files(folder)
    for place, log in logs.items():
        tree[place] = xr.DataTree(log)
    recorded = [recordings.FILE] if record is not None else []
    logged = [str(log.attrs["file"]) for log in logs.values()]
    sources = [FILE, *(f"{name}.csv" for name in present), *recorded, *logged]
    tree.attrs["input_sha256"] = provenance.digests(folder, sources)
    tree.attrs["source_files"] = json.dumps(sources)
    tree.attrs["files_not_read"] = json.dumps(unread)
    tree.attrs |= mapping_attributes(folder, tree.attrs)
    return tree


def hole_from_tables(
    tables: Mapping[str, Any],
    settings: Mapping[str, Any],
    *,
    columns: Mapping[str, Mapping[str, str]] | None = None,
) -> xr.DataTree:
    """Make a hole from DataFrames instead of the files of a folder.

    Parameters
    ----------
    tables : mapping of str to pandas.DataFrame
        Tables by path without ``.csv``, such as ``"scan/gamma"``; headers ``name [unit]``.
    settings : mapping
        Contents of hole.toml.
    columns : mapping of table to mapping of header to header, optional
        Foreign headers with those of this package, see :func:`read_hole`.

    Returns
    -------
    DataTree
        The hole, in the form of :func:`read_hole`.

    Raises
    ------
    HoleError
        When the structure has faults; rows are positions in the DataFrame, from 0.
    """
    given = dict(settings)
    problems = check(given)
    cells: dict[str, Cells] = {}
    for name, frame in tables.items():
        if name not in TABLES:
            guess = nearest(name, TABLES)
            mend = f"Did you mean {guess!r}?" if guess else f"The tables are {', '.join(TABLES)}"
            problems.append(Problem(name, None, "", "there is no table of this name", mend))
            continue
        cells[name], faults = csv.from_frame(frame, name)
        problems += faults
    tree = _assemble(cells, given, columns, problems, "the hole")
    tree.attrs["input_sha256"] = "{}"
    tree.attrs["source_files"] = json.dumps(list(cells))
    tree.attrs["files_not_read"] = "[]"
    return tree


def _other_files(folder: Path, present: list[str]) -> tuple[list[str], list[Problem]]:
    """Tables that are not read; one whose name is similar to a missing table's is a fault."""
    parents = sorted({name.rpartition("/")[0] for name in TABLES})
    unread, problems = [], []
    for parent in parents:
        for path in sorted((folder / parent).glob("*.csv")):
            name = f"{parent}/{path.stem}" if parent else path.stem
            if name in TABLES:
                continue
            unread.append(f"{name}.csv")
            guess = nearest(
                path.stem, [n.rpartition("/")[2] for n in TABLES if n.rpartition("/")[0] == parent]
            )
            meant = f"{parent}/{guess}" if parent else guess
            if guess and meant not in present:
                what = "there is no table of this name, so the file would not be read"
                mend = f"Rename the file to {meant}.csv, or to a less similar name"
                problems.append(Problem(f"{name}.csv", None, "", what, mend))
    return unread, problems


def _assemble(
    cells: dict[str, Cells],
    given: dict[str, Any],
    mapping: Mapping[str, Mapping[str, str]] | None,
    problems: list[Problem],
    hole: str,
    record: recordings.Record | None = None,
) -> xr.DataTree:
    """Check all tables, place their rows and put them into one tree; raise with all faults."""
    problems = problems + _map_headers(cells, mapping or {})
    head = given.get("hole")
    zone = head.get("time_zone", "UTC") if isinstance(head, dict) else "UTC"
    if any(problem.column == "time_zone" for problem in problems):
        zone = "UTC"
    tables: dict[str, Columns] = {}
    faulty: set[str] = set()
    for name in TABLES:
        if name in cells:
            tables[name], faults = read_columns(cells[name], TABLES[name], str(zone))
            problems += faults
            faulty |= {name} if faults else set()
    if record is not None:
        tables[recordings.NODE], faults = read_columns(record.cells, recordings.TABLE, str(zone))
        problems += faults
    geometry = structure.check(tables)
    faulty |= {name for name in tables if any(p.file == tables[name].file for p in geometry)}
    problems += geometry + _unknown_sensors(tables)
    layout, sections_file = _layout(tables, faulty)
    if not sections_file and any(p.file.startswith(("cores", "sections")) for p in problems):
        sections_file = "sections"  # its own faults are reported; missing sections are not another
    nodes: dict[str, xr.Dataset] = {}
    for name, table in tables.items():
        where: positions.Positions | None = None
        same: list[int] = []
        if table.table.positioned:
            where, faults = positions.locate(table, layout, sections_file)
            problems += faults + positions.above_seafloor(table, where)
            faults, same = positions.repeated(table, where)
            problems += faults
        if not problems:
            nodes[f"/{name}"] = _dataset(table, where, layout, tables, same)
    if problems:
        raise HoleError(_in_order(problems), hole)
    if record is not None:
        nodes[f"/{recordings.NODE}"] = recordings.join(nodes[f"/{recordings.NODE}"], record)
    attributes = {"title": str(given["hole"]["name"]), "settings": to_json(given)}
    return xr.DataTree.from_dict({"/": xr.Dataset(attrs=attributes), **nodes})


def _map_headers(
    cells: dict[str, Cells], mapping: Mapping[str, Mapping[str, str]]
) -> list[Problem]:
    """Rename foreign headers in place; a table or header that does not exist is a fault."""
    problems = []
    for name, headers in mapping.items():
        if name not in TABLES:
            guess = nearest(name, TABLES)
            mend = f"Did you mean {guess!r}?" if guess else f"The tables are {', '.join(TABLES)}"
            what = "columns= maps a table that does not exist"
            problems.append(Problem(name, None, "", what, mend))
        elif name in cells:
            held = cells[name].header
            for header in headers:
                if header not in held:
                    what = f"columns= maps the header {header!r}, which the table does not have"
                    mend = f"Its headers are {', '.join(map(repr, held))}"
                    problems.append(Problem(cells[name].file, 1, header, what, mend))
            cells[name].header = [headers.get(header, header) for header in held]
    return problems


def _unknown_sensors(tables: dict[str, Columns]) -> list[Problem]:
    """Sensors in the table of exclusions that have no table."""
    exclusions = tables.get("exclusions")
    if exclusions is None or "sensor" not in exclusions:
        return []
    placed = [name for name, table in TABLES.items() if table.positioned]
    legal = {*placed, *(name.rpartition("/")[2] for name in placed), ""}
    problems = []
    for word in dict.fromkeys(exclusions["sensor"].tolist()):
        if word not in legal:
            row = int(np.flatnonzero(exclusions["sensor"] == word)[0])
            what = f"there is no table of a sensor {word!r}"
            guess = nearest(word, legal)
            mend = f"Did you mean {guess!r}?" if guess else "Write gamma, pwave, or nothing for all"
            line = exclusions.line(row)
            problems.append(Problem(exclusions.file, line, "sensor", what, mend))
    return problems


def _layout(tables: dict[str, Columns], faulty: set[str]) -> tuple[Layout | None, str]:
    """Layout of the sections and the name of their file; None without them or with faults."""
    cores, sections = tables.get("cores"), tables.get("sections")
    if cores is None or sections is None:
        return None, ""
    if {"cores", "sections", "removed"} & faulty:
        return None, sections.file
    removed = tables["removed"].values if "removed" in tables else None
    return lay_out(cores.values, sections.values, removed), sections.file


def _in_order(problems: list[Problem]) -> list[Problem]:
    """Problems by file in the order of the contract, then by row."""
    rank = {name: number for number, name in enumerate([FILE, *TABLES], 1)}

    def key(problem: Problem) -> tuple[int, int]:
        return rank.get(problem.file.removesuffix(".csv"), 0), problem.row or 0

    return sorted(dict.fromkeys(problems), key=key)


_PLACE = ("core", "section", "offset", "run", "depth")


def _dataset(
    table: Columns,
    where: positions.Positions | None,
    layout: Layout | None,
    tables: dict[str, Columns],
    same: list[int],
) -> xr.Dataset:
    """A table as a Dataset with positions, flag and reason."""
    dim = table.table.dim
    variables: dict[str, Any] = {}
    coordinates: dict[str, Any] = {}
    for name, values in table.values.items():
        # fastpath: xarray would look through every text for dates.
        entry = xr.Variable(dim, values, _attributes(table, name), fastpath=True)
        if name == "sample_id":
            entry.attrs["long_name"] = "name of the sample, of its owner or an IGSN"
            coordinates[name] = entry
        elif where is not None and name in _PLACE[: 5 if where.code is None else 4]:
            coordinates[name] = entry
        elif name in ("flag", "reason") and table.table.name not in FLAGGED_ELSEWHERE:
            variables[f"{name}_as_given"] = entry  # flag and reason are computed below
        elif name == dim:
            variables[f"meter_{name}"] = entry  # xarray would make an index of it
        else:
            # A DataTree reads a slash as a path.
            kept = name.replace("/", " per ")
            if kept != name:
                entry.attrs["header"] = name
            variables[kept if where is None or name != "depth" else "depth_as_given"] = entry
    if where is not None:
        coordinates |= _coordinates(table, where, dim)
    if table.table.name not in FLAGGED_ELSEWHERE:
        reason = positions.reasons(table, where, layout, tables)
        if table.table.supplied:
            reason[same] |= flags.bit("same_position_twice")
        words = "the row as read"
        variables["flag"] = (dim, flags.from_reason(reason), flags.flag_attributes(words))
        variables["reason"] = (dim, reason, flags.reason_attributes(words))
    attributes = {"bad_cells": table.bad_cells(), "duplicate_rows": json.dumps(same)}
    return xr.Dataset(variables, coordinates, attributes)


def _attributes(table: Columns, name: str) -> dict[str, str]:
    """Unit and long_name of a column."""
    words = {"long_name": name.replace("_", " ")}
    return {"units": table.units[name], **words} if name in table.units else words


def _coordinates(table: Columns, where: positions.Positions, dim: str) -> dict[str, Any]:
    """Run, offset and depths of the rows."""
    coordinates: dict[str, Any] = {}
    if not (table.table.by_name.get("run") and table.table.by_name["run"].kind == "text"):
        run = table.values.get("run", np.ones(len(table)))
        run = np.where(np.isnan(run), 1, run).astype(np.int32)
        words = "number of the run over the same position"
        coordinates["run"] = (dim, run, {"long_name": words})
    if where.code is not None:
        entry = term("offset")
        attributes = {"units": entry.unit, "long_name": entry.long_name}
        coordinates["offset"] = (dim, table["offset"], attributes)
    places = {"depth": where.depth, "depth_fitted": where.fitted}
    if where.closed is not None:
        # Without closed voids they would repeat the offset and the depth as laid out.
        places |= zip(("offset_closed", "depth_closed"), where.closed, strict=True)
    for name, values in places.items():
        entry = term(name)
        attributes = {"units": entry.unit, "long_name": entry.long_name}
        if entry.unit == "m":
            attributes["positive"] = "down"
        coordinates[name] = (dim, values, attributes)
    return coordinates
