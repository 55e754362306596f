"""Read a hole: a folder of tables and hole.toml, or the same as DataFrames."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, provenance
from corephys.ground.vocabulary import term
from corephys.hole import checks
from corephys.hole.placing.layout import Layout, lay_out
from corephys.hole.reading import (
    copies,
    csv,
    intervals,
    pictures,
    positions,
    recordings,
    structure,
)
from corephys.hole.reading import shared as sharing
from corephys.hole.reading.columns import Columns, read_columns
from corephys.hole.reading.csv import Cells
from corephys.hole.reading.error import HoleError, Problem, nearest
from corephys.hole.reading.imported import mapping_attributes
from corephys.hole.reading.settings import FILE, check, parse, to_json
from corephys.hole.reading.shared import Shared
from corephys.hole.reading.tables import FLAGGED_ELSEWHERE, TABLES

__all__ = ["hole_from_tables", "hole_of_site", "read_hole"]


def read_hole(
    folder: str | Path,
    *,
    columns: Mapping[str, Mapping[str, str]] | None = None,
    site: str | Path | None = None,
) -> xr.DataTree:
    """Read and check a hole folder.

    Parameters
    ----------
    folder : str or Path
        Folder with hole.toml and tables; a missing table means that its stage is skipped.
    columns : mapping of table to mapping of header to header, optional
        Foreign headers with those of this package, such as
        ``{"scan/gamma": {"Pos cm": "offset [cm]"}}``.
    site : str or Path, optional
        Folder of the site of the hole: settings of its ``site.toml`` that the hole does not set,
        and its ``standards/*.csv``, are read as well. By default the folder of the hole stands
        alone; a reduction then notes the files of a site above it that were not used.

    Returns
    -------
    DataTree
        One node per table at its path. Number columns are in the units of the contract, text
        stays text, times are UTC. Tables with positions carry the coordinates core, section,
        offset [cm], run, depth [m] and depth_fitted [m], and ``flag`` and ``reason`` for what
        reading already shows. Where a cell of an optional column could not be read, the table has
        ``<column>_flag`` and ``<column>_reason`` as well. Attributes of a table: ``bad_cells``,
        JSON of [row, column, text] of unreadable cells; ``duplicate_rows``; and, if it has any,
        ``exact_copies``, JSON of [row, row that it copies]. LAS files are kept byte by byte, one
        node a file. Attributes of the root: title, settings, findings, input_sha256, source_files.
        Findings are contradictions between the tables, see :func:`corephys.quality.findings`.
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
    for one in (folder, *([] if site is None else [Path(site)])):
        if not one.is_dir():
            raise FileNotFoundError(
                f"there is no folder {str(one)!r}; give the folder that holds {FILE}"
            )
    _refuse_a_site(folder)
    shared, faults = Shared(), []
    if site is not None:
        shared, faults = sharing.read_shared(Path(site))
    if faults:
        raise HoleError(faults, f"the site in {str(site)!r}")
    return hole_of_site(folder, columns, shared, site)


def _site_not_used(folder: Path) -> dict[str, str]:
    """Attribute of a hole that was read without the site whose folder it lies in."""
    files = sharing.shared_files(folder.resolve().parent)
    return {"site_not_used": ", ".join(files)} if files else {}


def _refuse_a_site(folder: Path) -> None:
    """Refuse the folder of a site, which has holes in its folders and no settings of a hole."""
    if (folder / FILE).is_file() or (folder / "cores.csv").is_file():
        return
    holes = [path.name for path in sharing.hole_folders(folder)]
    if holes:
        what = f"the folder is that of a site with the holes {', '.join(holes)}"
        mend = f"Read it with cp.read_site, or give the folder of one hole, such as {holes[0]}"
        raise HoleError([Problem(FILE, None, "", what, mend)], f"the hole in {str(folder)!r}")


def hole_of_site(
    folder: Path,
    columns: Mapping[str, Mapping[str, str]] | None,
    shared: Shared,
    site: str | Path | None,
) -> xr.DataTree:
    """Read a hole with what its site shares; see :func:`read_hole`.

    ``shared`` is sound, and empty for a hole without a site.
    """
    before = provenance.stamps(folder)
    toml = folder / FILE
    given, problems = parse(toml.read_bytes() if toml.is_file() else None)
    given, taken, more = sharing.inherit(given, shared, problems)
    problems += more
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
    logs = recordings.read_files(folder)
    tree = _assemble(
        cells,
        given,
        columns,
        problems + faults + more,
        hole,
        record=record,
        folder=folder,
        logs=logs,
        standards=shared.standards,
    )
    for place, log in logs.items():
        tree[place] = xr.DataTree(log)
    recorded = [recordings.FILE] if record is not None else []
    logged = [str(log.attrs["file"]) for log in logs.values()]
    shown = pictures.present(tree)
    tables = [f"{name}.csv" for name in present]
    sources = [FILE, *tables, *recorded, *logged, *shown]
    if site is None:
        # Without its site such a hole would be reduced by defaults, which nobody would notice.
        tree.attrs |= _site_not_used(folder)
    else:
        # Paths from the folder of the hole, so that they are found from there like all others.
        up = os.path.relpath(site, folder).replace(os.sep, "/")
        sources += [f"{up}/{file}" for file in shared.files]
        tree.attrs["settings_of_site"] = json.dumps(taken)
    tree.attrs["input_sha256"] = provenance.digests(folder, sources)
    _refuse_changed(before, provenance.stamps(folder), sources, hole)
    tree.attrs["source_files"] = json.dumps(sources)
    tree.attrs["files_not_read"] = json.dumps(unread)
    tree.attrs |= mapping_attributes(folder, tree.attrs)
    return tree


def _refuse_changed(
    before: dict[str, tuple[int, int]],
    after: dict[str, tuple[int, int]],
    sources: list[str],
    hole: str,
) -> None:
    """Refuse files that changed while they were read: their digests would be of other bytes."""
    problems = [
        Problem(name, None, "", "the file changed while it was read", "Read the hole again")
        for name in sources
        if before.get(name) != after.get(name)
    ]
    if problems:
        raise HoleError(problems, hole)


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
    folder: Path | None = None,
    logs: Mapping[str, xr.Dataset] | None = None,
    standards: Mapping[str, Columns] | None = None,
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
    for name, of_site in (standards or {}).items():
        if name not in faulty:
            tables[name], faults = sharing.join(tables.get(name), of_site, f"{name}.csv")
            problems += faults
    tables = {name: tables[name] for name in TABLES if name in tables}
    if record is not None:
        tables[recordings.NODE], faults = read_columns(record.cells, recordings.TABLE, str(zone))
        problems += faults
    geometry = structure.check(tables)
    faulty |= {name for name in tables if any(p.file == tables[name].file for p in geometry)}
    problems += geometry + _unknown_sensors(tables)
    layout, sections_file = _layout(tables, faulty)
    if not sections_file and any(p.file.startswith(("cores", "sections")) for p in problems):
        sections_file = "sections"  # its own faults are reported; missing sections are not another
    placed: dict[str, _Placed] = {}
    for name, table in tables.items():
        placed[name], faults = _place(name, table, layout, sections_file, folder)
        problems += faults
    if problems:
        raise HoleError(_in_order(problems), hole)
    heads = {log.attrs["file"]: _head(log) for log in (logs or {}).values()}
    places = {name: one.where for name, one in placed.items()}
    findings = checks.find(checks.Tables(tables, places, layout, given, heads))
    slips = checks.flagged(findings)
    nodes = {}
    for name, table in tables.items():
        made = _interval_dataset if table.table.interval else _dataset
        nodes[f"/{name}"] = made(table, placed[name], layout, tables, slips.get(name))
    for name, of_site in (standards or {}).items():
        nodes[f"/{name}"].attrs["rows_of_site"] = len(of_site)
    if record is not None:
        nodes[f"/{recordings.NODE}"] = recordings.join(nodes[f"/{recordings.NODE}"], record)
    attributes = {
        "title": str(given["hole"]["name"]),
        "settings": to_json(given),
        "findings": checks.to_json(findings),
    }
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


# The header of a LAS file is far shorter; its depths stand near its beginning.
_HEAD = 65536  # bytes


def _head(log: xr.Dataset) -> bytes:
    """Beginning of a LAS file."""
    return bytes(log["content"].values[:_HEAD].tobytes())


@dataclass(frozen=True)
class _Placed:
    """Where the rows of a table lie, and what was found about them on the way.

    ``where`` and ``same`` belong to readings, ``intervals`` and ``pictures`` to intervals.
    """

    where: positions.Positions | None = None
    same: list[int] = field(default_factory=list)
    copied: dict[int, int] = field(default_factory=dict)
    intervals: intervals.Intervals | None = None
    pictures: dict[str, str] = field(default_factory=dict)
    folder: Path | None = None


def _place(
    name: str, table: Columns, layout: Layout | None, sections_file: str, folder: Path | None
) -> tuple[_Placed, list[Problem]]:
    """Positions, repeats and copies of the rows of a table, and the problems found."""
    if table.table.interval:
        lying, problems = intervals.locate(table, layout, sections_file)
        unread, faults = pictures.check(table, folder)
        copied = copies.find(table, None)
        one = _Placed(copied=copied, intervals=lying, pictures=unread, folder=folder)
        return one, problems + faults
    where: positions.Positions | None = None
    problems = []
    if table.table.positioned:
        where, problems = positions.locate(table, layout, sections_file)
        problems = problems + positions.above_seafloor(table, where)
        problems += positions.contradictory_depths(table, where)
    key = positions.key_of(table, where)
    copied: dict[int, int] = {}
    # Equal positions of waveforms are no copies: the waveforms are not in their table.
    if name != recordings.NODE and (key is not None or not table.table.positioned):
        copied = copies.find(table, key)
    faults, same = positions.repeated(table, where, key, copied)
    return _Placed(where, same, copied), problems + faults


_SECTION = ("core", "section", "offset")
_PLACE = (*_SECTION, "run", "depth")


def _dataset(
    table: Columns,
    placed: _Placed,
    layout: Layout | None,
    tables: dict[str, Columns],
    slips: np.ndarray | None,
) -> xr.Dataset:
    """A table as a Dataset with positions, flag and reason; ``slips`` are rows of findings."""
    where, dim = placed.where, table.table.dim
    variables: dict[str, Any] = {}
    coordinates: dict[str, Any] = {}
    for name, values in table.values.items():
        # fastpath: xarray would look through every text for dates.
        entry = xr.Variable(dim, values, _attributes(table, name), fastpath=True)
        if name == "sample_id":
            entry.attrs["long_name"] = "name of the sample, of its owner or an IGSN"
            coordinates[name] = entry
        elif name in _SECTION and where is not None and positions.by_depth_alone(table, where):
            variables[f"{name}_as_given"] = entry  # the hole has no cores to place them by
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
            reason[placed.same] |= flags.bit("same_position_twice")
        if slips is not None:
            reason[slips] |= flags.bit("likely_slip")
        # The first row carries every other reason; a copy is not counted among them again.
        reason[list(placed.copied)] = flags.bit("exact_copy")
        variables |= _flagged(dim, "", reason, "the row as read")
    variables |= _of_unread_cells(table)
    return xr.Dataset(variables, coordinates, _attributes_of_rows(table, placed))


def _of_unread_cells(table: Columns) -> dict[str, Any]:
    """Flag and reason of each optional column with a cell that could not be read."""
    variables: dict[str, Any] = {}
    for name, rows in table.unread.items():
        if f"{name}_flag" in table or f"{name}_reason" in table:
            continue  # the table has columns of these names; bad_cells lists the cells
        reason = np.where(_absent(table[name]), flags.bit("missing_value"), 0).astype(np.int64)
        reason[rows] |= flags.bit("bad_cell")
        variables |= _flagged(table.table.dim, f"{name}_", reason, name.replace("_", " "))
    return variables


def _attributes_of_rows(table: Columns, placed: _Placed) -> dict[str, str]:
    """Unreadable cells, repeated rows and copies, as JSON."""
    listed = sorted({*placed.same, *placed.copied})
    attributes = {"bad_cells": table.bad_cells(), "duplicate_rows": json.dumps(listed)}
    if placed.copied:
        attributes["exact_copies"] = json.dumps(list(placed.copied.items()))
    return attributes


# Names of the placed columns of an interval; columns of the file that have them are renamed.
_OF_AN_INTERVAL = ("depth", "depth_fitted", "top", "bottom", "top_fitted", "bottom_fitted")


def _interval_dataset(
    table: Columns,
    placed: _Placed,
    layout: Layout | None,
    tables: dict[str, Columns],
    slips: np.ndarray | None,
) -> xr.Dataset:
    """A table of intervals as a Dataset with its depths, flag and reason."""
    where, dim = placed.intervals, table.table.dim
    assert where is not None
    reason = intervals.reasons(table, where, layout, tables)
    pictures.mark(reason, table, placed.pictures)
    if slips is not None:
        reason[slips] |= flags.bit("likely_slip")
    reason[list(placed.copied)] = flags.bit("exact_copy")
    variables: dict[str, Any] = {}
    coordinates: dict[str, Any] = {}
    for name, values in table.values.items():
        entry = xr.Variable(dim, values, _attributes(table, name), fastpath=True)
        if name == "sample_id":
            entry.attrs["long_name"] = "name of the sample, of its owner or an IGSN"
        if name in ("core", "section", "sample_id"):
            coordinates[name] = entry
        elif name in (*_OF_AN_INTERVAL, "flag", "reason"):
            variables[f"{name}_as_given"] = entry
        else:
            variables[name.replace("/", " per ")] = entry
    for name, values in where.depths().items():
        words = name.replace("_", ", ") + " of the interval"
        held = variables
        attributes = {"units": "m", "long_name": words}
        if name in ("depth", "depth_fitted"):
            held, attributes["long_name"] = coordinates, term(name).long_name
        held[name] = (dim, values, {**attributes, "positive": "down"})
    variables |= _flagged(dim, "", reason, "the row as read")
    variables |= _of_unread_cells(table)
    leaf = xr.Dataset(variables, coordinates, _attributes_of_rows(table, placed))
    return pictures.noted(leaf, placed.pictures, placed.folder, table.table.name)


def _flagged(dim: str, prefix: str, reason: np.ndarray, words: str) -> dict[str, Any]:
    """Flag and reason along the rows of a table."""
    return {
        f"{prefix}flag": (dim, flags.from_reason(reason), flags.flag_attributes(words)),
        f"{prefix}reason": (dim, reason, flags.reason_attributes(words)),
    }


def _absent(values: np.ndarray) -> np.ndarray:
    """Cells without a number or time."""
    return np.asarray(np.isnat(values) if values.dtype.kind == "M" else np.isnan(values))


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
